"""``buslens listen``: what it finds on a bus is what a check finds in the capture that it keeps."""

from __future__ import annotations

import ast
import inspect
import json
import threading
import uuid
from pathlib import Path
from typing import TYPE_CHECKING

import can
import pytest
from can.interfaces.virtual import channels
from support.patience import HANG_S

import buslens
from buslens.cli import COMMANDS, main
from buslens.errors import UsageError
from buslens.live.bus import BusStream, Interface, Receiver, describe_listening, listen_only_options, parse_interface

if TYPE_CHECKING:
    from collections.abc import Callable

ROOT = Path(__file__).parents[2]
SAMPLES = ROOT / "sample_logs"
RULES = ["--expectations", str(ROOT / "signal_defs" / "steering_lock.toml")]


def listened(words: list[str]) -> tuple[threading.Thread, list[int]]:
    """Run `listen` in a thread; return it, and the list that its exit status will be in."""
    statuses: list[int] = []
    thread = threading.Thread(target=lambda: statuses.append(main(["listen", *words, *RULES])))
    thread.start()
    return thread, statuses


def wait_for_listener(name: str) -> None:
    """Wait until something listens on a virtual bus."""
    wait_until(lambda: bool(channels.get(name)))


def wait_until(is_so: Callable[[], bool]) -> None:
    for _ in range(HANG_S * 50):
        if is_so():
            return
        threading.Event().wait(0.02)
    raise AssertionError("it never came to that")


@pytest.fixture
def end(monkeypatch: pytest.MonkeyPatch) -> Callable[[str], None]:
    """Return what ends listening to a virtual bus once everything that was sent on it has been taken.

    So that nothing depends on how fast the machine is: time alone does not end it.
    """
    is_over = threading.Event()
    monkeypatch.setattr(BusStream, "_is_over", lambda _stream: is_over.is_set())

    def end_listening(name: str) -> None:
        wait_until(lambda: all(queue.empty() for queue in channels[name]))
        is_over.set()

    return end_listening


def send(log: Path, name: str, is_sent: Callable[[int], bool] = lambda _: True) -> int:
    """Send the frames of a log with their own times, so that a busy machine changes nothing; return how many."""
    sent = 0
    with can.Bus(interface="virtual", channel=name, preserve_timestamps=True) as bus, can.LogReader(log) as reader:
        for number, message in enumerate(reader):
            if is_sent(number):
                bus.send(message)
                sent += 1
    return sent


class TestVirtualBus:
    """A replay that is listened to gives the findings of a check of what was kept, frames lost or not."""

    def test_replayed(self, tmp_path: Path, capfd: pytest.CaptureFixture[str], end: Callable[[str], None]) -> None:
        name = uuid.uuid4().hex
        kept = tmp_path / "kept.log"
        thread, statuses = listened([f"virtual:{name}", "--keep", str(kept)])
        wait_for_listener(name)
        log = SAMPLES / "car07_slow_motor.log"
        replayed = main(["replay", str(log), "--speed", "10", "--onto", f"virtual:{name}", *RULES])
        end(name)
        thread.join(HANG_S)
        shown = capfd.readouterr()
        assert replayed == 1
        # Ten times as fast, every limit is met by far, or the cycle times are: only that it is the same counts.
        assert main(["check", str(kept), "--json", *RULES]) == statuses[0]
        document = json.loads(capfd.readouterr().out)["captures"][0]
        assert document["frames"] == log.read_text().count("#")
        assert shown.out.strip()
        assert "there is no wire" in shown.err

    def test_guided(self, capfd: pytest.CaptureFixture[str], end: Callable[[str], None]) -> None:
        name = uuid.uuid4().hex
        thread, _ = listened([f"virtual:{name}", "--guide", "1"])
        wait_for_listener(name)
        send(SAMPLES / "car01_healthy.log", name)
        end(name)
        thread.join(HANG_S)
        shown = capfd.readouterr().out
        assert "Unlock handshake, 0 of 1: start button pressed, while ignition is off" in shown
        assert "Unlock handshake, done" in shown
        assert "Lock handshake, 0 of 1: door open, while" in shown.partition("Unlock handshake, done")[2]

    @pytest.mark.parametrize("fault", ["healthy", "car03_load_fuse_blown"])
    def test_dropped_frames(
        self, fault: str, tmp_path: Path, capfd: pytest.CaptureFixture[str], end: Callable[[str], None]
    ) -> None:
        name = uuid.uuid4().hex
        kept = tmp_path / "kept.log"
        thread, statuses = listened([f"virtual:{name}", "--keep", str(kept)])
        wait_for_listener(name)
        log = SAMPLES / ("car01_healthy.log" if fault == "healthy" else f"{fault}.log")
        sent = send(log, name, lambda number: bool(number % 7 and number % 11))
        end(name)
        thread.join(HANG_S)
        told = capfd.readouterr().out
        assert kept.read_bytes().count(b"\n") == sent
        assert main(["check", str(kept), *RULES]) == statuses[0]
        checked = capfd.readouterr().out
        # The report of both is one and the same, below the heading with the name and the count of lines.
        assert checked.splitlines()[3:] == told.splitlines()[-len(checked.splitlines()) + 3 :]

    def test_nothing_comes(self, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
        kept = tmp_path / "kept.log"
        words = ["listen", f"virtual:{uuid.uuid4().hex}", "--seconds", "0.2", "--keep", str(kept), *RULES]
        assert main(words) == 2
        assert "no frame received" in capsys.readouterr().err
        assert list(tmp_path.iterdir()) == []


class TestRefused:
    """What cannot be opened, or would overwrite a file, is refused in one sentence."""

    @pytest.mark.parametrize(
        ("words", "said"),
        [
            (["nosuch:x"], "there is no kind of interface 'nosuch'"),
            (["virtua:x"], "did you mean 'virtual'?"),
            (["virtual"], "names no channel"),
            (["virtual:"], "names no channel"),
            (["virtual:x", "--seconds", "0"], "no number of seconds"),
            (["virtual:x", "--bitrate", "fast"], "no number of bits"),
        ],
    )
    def test_words(self, words: list[str], said: str, capsys: pytest.CaptureFixture[str]) -> None:
        assert main(["listen", *words, *RULES]) == 2
        assert said in capsys.readouterr().err

    def test_file_is_there(self, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
        kept = tmp_path / "kept.log"
        kept.write_text("dear to me")
        assert main(["listen", "virtual:x", "--keep", str(kept), *RULES]) == 2
        assert "is there already" in capsys.readouterr().err
        assert kept.read_text() == "dear to me"

    def test_bus_on_which_nothing_comes_is_given_back(
        self, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
    ) -> None:
        closed = []
        close = Receiver.close

        def note(receiver: Receiver) -> None:
            closed.append(receiver)
            close(receiver)

        monkeypatch.setattr(Receiver, "close", note)
        assert main(["listen", f"virtual:{uuid.uuid4().hex}", "--seconds", "0.2", *RULES]) == 2
        assert "no frame received" in capsys.readouterr().err
        assert closed

    def test_bus_that_cannot_be_opened(self) -> None:
        with pytest.raises(UsageError, match="cannot be opened"):
            Receiver(Interface("socketcan", "no-such-bus-here"))

    def test_socketcan_where_there_is_none(self, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr("sys.platform", "win32")
        with pytest.raises(UsageError, match="SocketCAN is a part of Linux"):
            Receiver(Interface("socketcan", "can0"))


class TestReceiveOnly:
    """Nothing can be sent through it, and controllers that can are told to listen only."""

    def test_a_receiver_has_no_way_to_send(self) -> None:
        receiver = Receiver(parse_interface(f"virtual:{uuid.uuid4().hex}"))
        try:
            assert not [name for name in dir(receiver) if "send" in name or "write" in name]
        finally:
            receiver.close()

    def test_frames_are_sent_from_one_place_only(self) -> None:
        package = Path(buslens.__file__).parent
        found = set()
        for file in package.rglob("*.py"):
            if "send" not in (text := file.read_text("utf-8")):
                continue
            for node in ast.walk(ast.parse(text)):
                if isinstance(node, ast.Attribute) and node.attr in {"send", "send_periodic", "sendto", "sendall"}:
                    found.add(file.relative_to(package).as_posix())
        # The loop of the player hands frames to the one place; a pool talks to its own processes, and knows no bus.
        assert found == {"live/sender.py", "cli/player.py", "fleet/local_pool.py"}

    @pytest.mark.parametrize("kind", sorted(can.VALID_INTERFACES))
    def test_every_kind_says_how_it_listens(self, kind: str) -> None:
        said = describe_listening(Interface(kind, "0"))
        assert ("is told to listen only" in said) == bool(listen_only_options(kind))
        assert "listen" in said

    # What ctypes says in Python 3.14 of how a driver lays out its structures.
    @pytest.mark.filterwarnings("ignore:Due to '_pack_':DeprecationWarning")
    @pytest.mark.parametrize("kind", ["cantact", "pcan", "seeedstudio", "slcan", "vector"])
    def test_options_are_those_of_the_driver(self, kind: str) -> None:
        from importlib import import_module

        from can.interfaces import BACKENDS

        module, name = BACKENDS[kind]
        driver = getattr(import_module(module), name)
        assert set(listen_only_options(kind)) <= set(inspect.signature(driver.__init__).parameters)


def test_help_says_that_nothing_is_sent(capsys: pytest.CaptureFixture[str]) -> None:
    assert "listen" in COMMANDS
    assert main(["listen", "--help"]) == 0
    assert "nothing is ever sent" in capsys.readouterr().out
