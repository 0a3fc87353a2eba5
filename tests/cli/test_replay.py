"""``buslens replay``: lines or lanes, keys, standard input, files that grow, and frames for other programs."""

from __future__ import annotations

import gzip
import os
import re
import select
import signal
import subprocess
import sys
import threading
import time
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from support.multicast import group_of_our_own, listening
from support.patience import HANG_S

from buslens.cli import main
from buslens.cli.player import Player
from buslens.cli.shutdown import TerminationRequested
from buslens.cli.status import Status

if TYPE_CHECKING:
    from collections.abc import Iterator

    from buslens.cli.keys import Keys

ROOT = Path(__file__).parents[2]
SAMPLES = ROOT / "sample_logs"
RULES = ["--expectations", str(ROOT / "signal_defs" / "steering_lock.toml")]
INTERRUPT = b"\x03"
"""Ctrl-C."""
posix = pytest.mark.skipif(os.name == "nt", reason="terminals and signals of POSIX")


def short(path: Path, seconds: float = 6.0) -> Path:
    """Write the first seconds of a sample."""
    lines = (SAMPLES / "car01_healthy.log").read_text().splitlines(keepends=True)
    origin = float(lines[0][1:].partition(")")[0])
    path.write_text("".join(line for line in lines if float(line[1:].partition(")")[0]) - origin < seconds))
    return path


def program(*words: str, **how: object) -> subprocess.Popen[bytes]:
    return subprocess.Popen([sys.executable, "-m", "buslens", "replay", *words, *RULES], **how)  # type: ignore[call-overload, no-any-return]


@pytest.fixture(autouse=True)
def _heeds_interrupt() -> Iterator[None]:
    """Let Ctrl-C reach what is started here, though the suite may run where it is ignored (in the background)."""
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    yield
    signal.signal(signal.SIGINT, before)


class TestAskedToEnd:
    """A request of the system to end ends the playing; the verdict is said, and the exit status tells the request."""

    @pytest.mark.parametrize("status", [Status.TERMINATED, Status.HUNG_UP])
    def test_status(
        self, status: Status, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
    ) -> None:
        to_its_end = Player.play

        def play(player: Player, pressed: Keys) -> None:
            to_its_end(player, pressed)
            raise TerminationRequested(status)

        monkeypatch.setattr(Player, "play", play)
        assert main(["replay", str(short(tmp_path / "a.log", 1.0)), "--speed", "10", *RULES]) == status
        assert "\nUndecided: " in capsys.readouterr().out


class TestLines:
    """Elsewhere than on a terminal every change is a line, and the report of a check comes last."""

    def test_slow_motor(self, capsys: pytest.CaptureFixture[str]) -> None:
        log = str(SAMPLES / "car07_slow_motor.log")
        started = time.monotonic()
        assert main(["replay", log, "--speed", "10", *RULES]) == 1
        took_s = time.monotonic() - started
        played = capsys.readouterr().out
        assert main(["check", log, *RULES]) == 1
        assert played.endswith(capsys.readouterr().out)
        assert re.search(r"at \d+\.\d{3} s  door_open: open, for 0 to \d+ ms already", played)
        assert re.search(r"awaits wire feedback: \d+ to \d+ ms left of 600 ms", played)
        assert re.search(r"^ x  at .*, wire feedback: too late$", played, re.MULTILINE)
        stamps = [float(line[1:].partition(")")[0]) for line in Path(log).read_text().splitlines()]
        assert took_s >= (stamps[-1] - stamps[0]) / 10  # it cannot be faster than it was told to be

    def test_no_control_sequences(self, capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
        main(["replay", str(short(tmp_path / "a.log", 2)), "--speed", "10", *RULES])
        assert "\x1b" not in capsys.readouterr().out


@pytest.mark.slow
class TestInput:
    """Standard input is played as it comes, plain or compressed, and no line is waited for longer than needed."""

    @posix
    @pytest.mark.parametrize("packed", [False, True])
    def test_pipe(self, packed: bool, tmp_path: Path) -> None:
        data = short(tmp_path / "a.log", 2).read_bytes()
        running = program("-", "--speed", "10", stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE)
        out, err = running.communicate(gzip.compress(data) if packed else data, timeout=HANG_S)
        assert running.returncode == 3, err
        assert b"door_open: closed" in out

    @posix
    def test_lines_are_shown_before_the_pipe_ends(self, tmp_path: Path) -> None:
        data = short(tmp_path / "a.log", 1).read_bytes()
        running = program("-", "--speed", "10", stdin=subprocess.PIPE, stdout=subprocess.PIPE)
        assert running.stdin is not None
        assert running.stdout is not None
        running.stdin.write(data)
        running.stdin.flush()
        assert b": " in running.stdout.readline()  # the pipe is still open
        running.stdin.close()
        assert b"Undecided" in running.stdout.read()
        assert running.wait(HANG_S) == 3
        running.stdout.close()


class TestFollow:
    """A growing file is followed until Ctrl-C, which brings the verdict on what came."""

    @posix
    def test_grows(self, tmp_path: Path) -> None:
        lines = short(tmp_path / "whole.log", 6).read_bytes().splitlines(keepends=True)
        log = tmp_path / "growing.log"
        half = len(lines) // 2
        log.write_bytes(b"".join(lines[:half]))
        running = program(str(log), "--follow", stdout=subprocess.PIPE, stderr=subprocess.PIPE)
        assert running.stdout is not None
        assert running.stderr is not None
        running.stdout.readline()
        with log.open("ab") as file:
            file.write(b"".join(lines[half:-1]) + lines[-1][:9])
        seen = b""
        while b"unlock handshake 1: OK" not in seen:
            line = running.stdout.readline()
            assert line, running.stderr.read()
            seen += line
        running.send_signal(signal.SIGINT)
        out, err = running.communicate(timeout=HANG_S)
        assert running.returncode == 0, err
        # The line that was only half there is none yet.
        assert f"{len(lines) - 1:,} frames".encode() in out
        assert b"skipped" not in out


@pytest.mark.slow
@posix
class TestTerminal:
    """On a terminal lanes move, keys are obeyed, and the terminal is left as it was."""

    def play(self, log: Path, keys: list[tuple[bytes, bytes]], end: bytes) -> tuple[bytes, int, bool]:
        """Play on a terminal of its own; send each key when a text has come. Return output, status, whether sane."""
        import pty
        import termios

        controller, terminal = pty.openpty()
        termios.tcsetwinsize(terminal, (40, 120))
        before = termios.tcgetattr(terminal)
        environment = {**os.environ, "TERM": "xterm", "LC_ALL": "C.UTF-8", "PYTHONIOENCODING": "utf-8"}
        for name in ("NO_COLOR", "COLUMNS", "LINES"):  # the last two outweigh the terminal's own size
            environment.pop(name, None)
        running = program(str(log), "--speed", "0.1", stdin=terminal, stdout=terminal, stderr=terminal, env=environment)
        shown, since = b"", 0
        for awaited, key in [*keys, (end, b"")]:
            while awaited not in shown[since:]:
                # This side holds the terminal open too, so that reading alone would wait for ever behind the end.
                assert select.select([controller], [], [], HANG_S)[0], (
                    f"{awaited!r} did not come behind {shown[-400:]!r}"
                )
                shown += os.read(controller, 65536)
            since = len(shown)
            if key == INTERRUPT:
                running.send_signal(signal.SIGINT)  # as the terminal does
            else:
                os.write(controller, key)
        reader = threading.Thread(target=lambda: running.wait(HANG_S))
        reader.start()
        os.set_blocking(controller, False)
        while reader.is_alive():
            try:
                shown += os.read(controller, 65536)
            except BlockingIOError:
                reader.join(0.02)
        with suppress(OSError):
            shown += os.read(controller, 1 << 20)
        sane = termios.tcgetattr(terminal) == before
        os.close(terminal)
        os.close(controller)
        return shown, running.returncode, sane

    def test_keys(self, tmp_path: Path) -> None:
        log = short(tmp_path / "a.log", 13)
        keys = [
            (b"0.1 x real time", b" "),
            *[(b"standing still", b"n"), (b"standing still", b"\x1b[C")] * 3,
            (b"standing still", b" "),
            (b"0.1 x real time", b"q"),
        ]
        shown, status, sane = self.play(log, keys, b"Undecided")
        assert status == 3
        assert sane
        assert "\u254c".encode() in shown  # the broken line of what is unknown
        stood = {float(at) for at in re.findall(rb"at (\d+\.\d+) s  0.1 x real time  standing still", shown)}
        assert len(stood) >= 3  # where it was paused, and changes behind it, of which some are of one millisecond
        assert shown.count(b"\x1b[?25l") <= shown.count(b"\x1b[?25h")  # the cursor is there again

    def test_interrupted(self, tmp_path: Path) -> None:
        shown, status, sane = self.play(short(tmp_path / "a.log", 13), [(b"0.1 x real time", INTERRUPT)], b"Undecided")
        assert status == 3
        assert sane
        assert b"Traceback" not in shown


class TestRefused:
    """What has no meaning is refused in one sentence, and nothing with a wire is ever sent to."""

    @pytest.mark.parametrize("target", ["socketcan:can0", "socketcan:vcan0", "pcan:PCAN_USBBUS1", "slcan:/dev/ttyACM0"])
    def test_only_what_has_no_wire(self, target: str, capsys: pytest.CaptureFixture[str]) -> None:
        assert main(["replay", str(SAMPLES / "car01_healthy.log"), "--onto", target]) == 2
        assert "refused; buslens never sends on a bus that may have a wire" in capsys.readouterr().err

    @pytest.mark.parametrize("speed", ["0", "0.05", "11", "nan", "-1", "fast"])
    def test_speed(self, speed: str, capsys: pytest.CaptureFixture[str]) -> None:
        assert main(["replay", "x.log", f"--speed={speed}"]) == 2
        assert "no speed from 0.1 to 10" in capsys.readouterr().err

    @pytest.mark.parametrize(
        ("words", "said"),
        [
            (["-", "--follow"], "followed anyway"),
            (["x.log", "--follow", "--speed", "2"], "no meaning"),
            (["gone.log"], "no such file"),
            ([str(SAMPLES / "car02_two_close_together.log.gz"), "--follow"], "cannot be followed"),
        ],
    )
    def test_words(self, words: list[str], said: str, capsys: pytest.CaptureFixture[str]) -> None:
        assert main(["replay", *words]) == 2
        assert said in capsys.readouterr().err

    def test_no_stamps(self, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
        log = tmp_path / "screen.log"
        log.write_text("  can0  202   [2]  E8 B7\n  can0  202   [2]  E8 B8\n")
        assert main(["replay", str(log), *RULES]) == 2
        assert "no time stamps" in capsys.readouterr().err


def test_multicast(tmp_path: Path) -> None:
    """Frames sent onto a multicast group reach whoever listens to it, all of them and in order."""
    group = group_of_our_own()
    log = short(tmp_path / "a.log", 0.2)  # no more than what a socket keeps until somebody asks for it
    with listening(group) as listener:
        assert main(["replay", str(log), "--speed", "10", "--onto", f"udp_multicast:{group}", *RULES]) == 3
        sent = [line.split()[2] for line in log.read_text().splitlines()]
        heard = [listener.receive(HANG_S) for _ in sent]
    told = [f"{one.arbitration_id:03X}#{bytes(one.data).hex().upper()}" for one in heard if one is not None]
    assert told == sent
