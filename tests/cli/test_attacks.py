"""What nobody does on purpose, or only on purpose: no input makes a command hang, fill the memory or leave litter."""

from __future__ import annotations

import errno
import gzip
import os
import signal
import subprocess
import sys
import threading
import tracemalloc
from io import BytesIO
from pathlib import Path

import pytest
from support.patience import HANG_S

from buslens.capture.stream import WINDOW_BYTES, CancellableStream, FileStream, GzipStream, PrefetchStream, line_blocks
from buslens.cli import main
from buslens.cli.shutdown import TerminationRequested, deferred_signals
from buslens.cli.status import Status

ROOT = Path(__file__).parents[2]
LOG = str(ROOT / "sample_logs" / "car07_slow_motor.log")
DBC = str(ROOT / "signal_defs" / "pinewick.dbc")
RULES = ["--expectations", str(ROOT / "signal_defs" / "steering_lock.toml")]
HANG_UP = getattr(signal, "SIGHUP", 0)
posix = pytest.mark.skipif(os.name == "nt", reason="pipes, devices and signals of POSIX")


def said(capsys: pytest.CaptureFixture[str], *words: str, status: int = 2) -> str:
    """Return what a command says that ends with a status, in words."""
    assert main([*words]) == status
    err = capsys.readouterr().err
    assert "Traceback" not in err
    return err


def expecting(when: str) -> str:
    """Return an expectations file with one rule."""
    return (
        f'format = 1\ndefinitions = ["{Path(DBC).as_posix()}"]\n[roles.ignition]\nsignal = "POWER_MODE.STAGE"\n'
        f'states = {{ off = "off", on = "run" }}\n[[rules]]\nname = "n"\nkind = "never"\nwhen = "{when}"\n'
    )


class TestWrongFiles:
    """A file that no person wrote is refused in a sentence, before it costs minutes or gigabytes."""

    @posix
    @pytest.mark.parametrize(
        "words",
        [
            ["check", LOG, "--expectations", "/dev/zero"],
            ["defs", "/dev/zero"],
            ["diagnose", LOG, *RULES, "--session", "/dev/zero"],
            ["diagnose", LOG, *RULES, "--causes", "/dev/zero"],
        ],
        ids=["expectations", "definitions", "session", "causes"],
    )
    def test_without_end(self, words: list[str], capsys: pytest.CaptureFixture[str]) -> None:
        assert "MB" in said(capsys, *words)

    @pytest.mark.parametrize(
        ("text", "reason"),
        [
            (expecting(" or ".join(["ignition is on"] * 20_000)), "split it into rules"),
            (expecting("(" * 10_000 + "ignition is on" + ")" * 10_000 + " for 1 ms and not " * 60), "'not'"),
            (expecting("not " * 10_000 + "ignition is on"), "nested more than 50 deep"),
            ("a" + ".a" * 50_000 + " = 1\n", "64 parts"),
            ("[" + "a." * 50_000 + "a]\n", "64 parts"),
            ("x = { " + "'a' . " * 50_000 + "a = 1 }\n", "64 parts"),
            ("x = " + "[" * 50_000 + "]" * 50_000, "nested too deeply"),
        ],
        ids=["wide", "brackets", "not", "key", "header", "quoted", "arrays"],
    )
    def test_expectations(self, text: str, reason: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
        path = tmp_path / "x.toml"
        path.write_text(text)
        err = said(capsys, "check", LOG, "--expectations", str(path))
        assert reason in err
        assert err.startswith(f"buslens: {path}")
        assert len(err) < 2000

    @pytest.mark.parametrize(
        ("text", "reason"),
        [
            ('CM_ "' + "x\n" * 600_000, "is its quote missing?"),
            ("BO_ 1 M: 8 A\n" + "\0" * 200_000, "so it is no text"),
        ],
        ids=["string", "zeros"],
    )
    def test_definitions(self, text: str, reason: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
        path = tmp_path / "x.dbc"
        path.write_text(text)
        assert reason in said(capsys, "defs", str(path))

    def test_selectors_in_a_row(self, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
        """Signals that select each other by the hundred are left out behind the sixteenth."""
        signals = "".join(f' SG_ S{n} m1M : {n % 60 * 8}|8@1+ (1,0) [0|0] "" B\n' for n in range(1, 300))
        ranges = "".join(f"SG_MUL_VAL_ 100 S{n} S{n - 1} 1-1;\n" for n in range(1, 300))
        path = tmp_path / "x.dbc"
        path.write_text(f'BU_: A B\nBO_ 100 M: 64 A\n SG_ S0 M : 0|8@1+ (1,0) [0|0] "" B\n{signals}\n{ranges}')
        assert main(["defs", str(path)]) == 0
        out = capsys.readouterr().out
        assert "more than 16 signals" in out
        assert "17 signals" in out

    @pytest.mark.parametrize(
        ("data", "reason"),
        [
            (b"\n" * 100_000, "blank or zero"),
            (bytes(100_000), "blank or zero"),
            (gzip.compress(b" \n" * 100_000), "blank or zero"),
            (gzip.compress(gzip.compress(b"(1.0) can0 1#00\n")), "packed by gzip again"),
        ],
        ids=["newlines", "zeros", "packed", "twice"],
    )
    def test_captures(self, data: bytes, reason: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
        path = tmp_path / "x.log"
        path.write_bytes(data)
        assert reason in said(capsys, "check", str(path), *RULES)

    @pytest.mark.parametrize("block", [bytes(1 << 20), b"A" * (1 << 20), b"\n" * (1 << 20)], ids=["zero", "line", "lf"])
    def test_what_unpacks_to_much_more(self, block: bytes) -> None:
        """However much comes out of a packed log, no more than a window of it is held."""
        packed = BytesIO()
        with gzip.GzipFile(fileobj=packed, mode="wb", compresslevel=1) as file:
            for _ in range(96):
                file.write(block)
        packed.seek(0)
        buffer = bytearray(WINDOW_BYTES + 64)
        tracemalloc.start()
        for _ in line_blocks(GzipStream(FileStream(packed)), buffer):
            pass
        _, peak = tracemalloc.get_traced_memory()
        tracemalloc.stop()
        assert peak < 4 * WINDOW_BYTES


@pytest.mark.slow
@posix
class TestPipes:
    """A pipe under the name of a file is refused at once, though nobody may ever write into it."""

    @pytest.mark.parametrize(
        "words",
        [
            ["check", *RULES],
            ["plot", "-o", "x.png", *RULES],
            ["seek", "--mark", "1 door"],
            ["replay", *RULES],
            ["replay", "--follow", *RULES],
            ["record", "-o", "x.html", *RULES],
        ],
        ids=" ".join,
    )
    def test_named(
        self, words: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.chdir(tmp_path)
        os.mkfifo("pipe")
        assert "pipe: is a pipe" in said(capsys, words[0], "pipe", *words[1:])
        assert list(Path().iterdir()) == [Path("pipe")]

    def test_device(self, capsys: pytest.CaptureFixture[str]) -> None:
        assert "is a device" in said(capsys, "check", "/dev/zero", *RULES)

    @pytest.mark.parametrize(("number", "status"), [(signal.SIGINT, 130), (signal.SIGTERM, 143)])
    def test_stalled_input(self, number: int, status: int) -> None:
        """Whoever waits for a pipe through which nothing comes any more can be stopped."""
        log = Path(LOG).read_bytes() * 2
        assert len(log) > 1 << 17
        ours = (
            "import signal; signal.signal(signal.SIGINT, signal.default_int_handler); from buslens.__main__ import main"
        )
        running = subprocess.Popen(
            [sys.executable, "-c", f"{ours}; raise SystemExit(main())", "check", "-", *RULES],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
        )
        assert running.stdin is not None
        # The pipe holds half of it: once all of it is written, the command is reading.
        running.stdin.write(log)
        running.stdin.flush()
        running.send_signal(number)
        try:
            assert running.wait(HANG_S) == status
            assert running.stderr is not None
            assert running.stderr.read().decode() in {"buslens: stopped\n", "buslens: ended\n"}
        finally:
            running.kill()
            running.communicate()

    def test_reader_that_is_stuck(self) -> None:
        """Closing does not wait for a thread that waits; the thread closes the stream when it comes free."""
        stuck, closed = threading.Event(), threading.Event()

        class Stalled:
            damage = ""

            def read_into(self, view: memoryview) -> int:
                return 0 if stuck.wait(HANG_S) else len(view)

            def close(self) -> None:
                closed.set()

        stream = PrefetchStream(Stalled(), 10)
        closing = threading.Thread(target=stream.close)
        closing.start()
        closing.join(HANG_S)
        assert not closing.is_alive()
        assert not closed.is_set()
        stuck.set()
        assert closed.wait(HANG_S)

    def test_reader_that_is_told_to_stop(self) -> None:
        stop = threading.Event()
        stream = CancellableStream(FileStream(BytesIO(b"abcdef")), stop)
        view = memoryview(bytearray(2))
        assert stream.read_into(view) == 2
        stop.set()
        assert stream.read_into(view) == 0

    def test_input_that_does_not_block(self) -> None:
        """Another program may have set the pipe not to block: what is not there yet is waited for."""
        reading, writing = os.pipe()
        os.set_blocking(reading, False)
        stream = FileStream(os.fdopen(reading, "rb", buffering=0))
        later = threading.Timer(0.05, lambda: os.write(writing, b"ab"))
        later.start()
        assert stream.read_into(memoryview(bytearray(4))) == 2
        later.join()
        os.close(writing)
        stream.close()


@pytest.mark.slow
class TestDiskFull:
    """A disk that does not take a file: the sentence names it, and nothing half written is left."""

    @pytest.fixture(autouse=True)
    def _full(self, monkeypatch: pytest.MonkeyPatch) -> None:
        whole = Path.write_bytes

        def half(path: Path, data: bytes) -> int:
            whole(path, data[: len(data) // 2])
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

        monkeypatch.setattr(Path, "write_bytes", half)

    @pytest.mark.parametrize(
        ("words", "name"),
        [
            (["plot", LOG, *RULES, "-o"], "x.pdf"),
            (["page", LOG, *RULES, "-o"], "x.html"),
            (["record", LOG, *RULES, "-o"], "x.html"),
            (["rehearse", "jammed-bolt", "-o"], "x.log.gz"),
            (["start", DBC, LOG, "-o"], "x.toml"),
            (["diagnose", LOG, *RULES, "--session"], "x.json"),
            (["check", LOG, *RULES, "--junit"], "x.xml"),
        ],
        ids=lambda it: it[0] if isinstance(it, list) else it,
    )
    def test_nothing_left(
        self, words: list[str], name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        path = tmp_path / name
        assert f"buslens: {path}: no space left on the device\n" == said(capsys, *words, str(path))
        assert not list(tmp_path.iterdir())


@posix
class TestEnding:
    """A request to end is carried out in order: what was begun is cleared away, and the status tells the signal."""

    @pytest.mark.parametrize(("number", "status"), [(signal.SIGTERM, Status.TERMINATED), (HANG_UP, Status.HUNG_UP)])
    def test_half_way(
        self,
        number: int,
        status: Status,
        tmp_path: Path,
        capsys: pytest.CaptureFixture[str],
        monkeypatch: pytest.MonkeyPatch,
    ) -> None:
        whole = Path.write_bytes

        def ended(path: Path, data: bytes) -> int:
            whole(path, data[: len(data) // 2])
            os.kill(os.getpid(), number)
            return 0

        monkeypatch.setattr(Path, "write_bytes", ended)
        before = signal.signal(number, signal.SIG_DFL)
        try:
            with deferred_signals():
                err = said(capsys, "rehearse", "retry", "-o", str(tmp_path / "x.log"), status=status)
            assert signal.signal(number, signal.SIG_DFL) is signal.SIG_DFL
        finally:
            signal.signal(number, before)
        assert err == "buslens: ended\n"
        assert not list(tmp_path.iterdir())

    def test_twice(self) -> None:
        """The first one can get lost where an exception cannot be raised, so the second one counts as well."""
        before = signal.signal(signal.SIGTERM, signal.SIG_DFL)
        try:
            with deferred_signals():
                for _ in range(2):
                    with pytest.raises(TerminationRequested):
                        os.kill(os.getpid(), signal.SIGTERM)
        finally:
            signal.signal(signal.SIGTERM, before)

    def test_ignored_stays_ignored(self) -> None:
        """As by ``nohup``."""
        before = signal.signal(HANG_UP, signal.SIG_IGN)
        try:
            with deferred_signals():
                os.kill(os.getpid(), HANG_UP)
        finally:
            signal.signal(HANG_UP, before)
