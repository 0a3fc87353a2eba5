"""The command line as a whole: finding the command, ending it, and the streams; each command has its own tests."""

from __future__ import annotations

import ctypes
import io
import os
import re
import signal
import subprocess
import sys
from importlib import import_module
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from support.examples import examples
from support.patience import HANG_S

import buslens.cli
from buslens.cli import COMMANDS, main
from buslens.cli.console import Console, _switched_on
from buslens.cli.options import Parser
from buslens.cli.shutdown import TerminationRequested
from buslens.cli.status import Status, gravest
from buslens.errors import CaptureError, SourceLocation

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

posix = pytest.mark.skipif(os.name == "nt", reason="pipes, signals and devices of POSIX")


def run(*words: str, **how: object) -> subprocess.CompletedProcess[str]:
    """Run the program in a process of its own."""
    settled: dict[str, object] = {"capture_output": True, "text": True, "timeout": HANG_S, "check": False}
    return subprocess.run([sys.executable, "-m", "buslens", *words], **{**settled, **how})  # type: ignore[call-overload, no-any-return]  # noqa: PLW1510 - stands among the settings


def command_that(monkeypatch: pytest.MonkeyPatch, action: Callable[[Console], object]) -> None:
    """Put an action in the place of what every command does."""

    def run_command(_name: str, _words: list[str], console: Console) -> Status:
        action(console)
        return Status.MET

    monkeypatch.setattr(buslens.cli, "_run_command", run_command)


class TestHelp:
    """Help goes to standard output, is whole, and ends with 0."""

    @pytest.mark.parametrize("words", [["--help"], ["-h"], ["help"], ["--no-color", "--help"]])
    def test_introduction_names_every_command(self, words: list[str], capsys: pytest.CaptureFixture[str]) -> None:
        assert main(words) == 0
        shown = capsys.readouterr()
        assert all(re.search(rf"^  {name} +\w", shown.out, re.MULTILINE) for name in COMMANDS)
        assert shown.err == ""

    @pytest.mark.parametrize("name", COMMANDS)
    def test_command(self, name: str, capsys: pytest.CaptureFixture[str]) -> None:
        assert main([name, "--help"]) == 0
        shown = capsys.readouterr().out
        assert shown.startswith(f"usage: buslens {name} ")
        assert f"buslens {name} " in shown.partition("example")[2]
        assert main(["help", name]) == 0
        assert capsys.readouterr().out == shown

    @pytest.mark.parametrize("name", COMMANDS)
    def test_help_wins_wherever_it_stands(self, name: str, capsys: pytest.CaptureFixture[str]) -> None:
        assert main([name, "--no-such-option", "x.log", "-h"]) == 0
        assert capsys.readouterr().out.startswith("usage:")

    @pytest.mark.parametrize("name", COMMANDS)
    def test_everything_that_a_command_takes_is_explained(self, name: str) -> None:
        parser = Parser(name, COMMANDS[name], "")
        import_module(f"buslens.cli.{name}").add_arguments(parser)
        silent = [action.dest for action in parser._actions if not action.help]
        assert len(parser._actions) > 3
        assert silent == []

    def test_version(self, capsys: pytest.CaptureFixture[str]) -> None:
        assert main(["--version"]) == 0
        assert capsys.readouterr().out == f"buslens {buslens.__version__}\n"


class TestCommandLineErrors:
    """A command line that cannot be carried out ends with 2 and one line that says what would be right."""

    @pytest.mark.parametrize(
        ("words", "text"),
        [
            ([], f"which command? known: {', '.join(COMMANDS)}; 'buslens --help' explains them"),
            (["chekc"], "there is no command 'chekc'; did you mean 'check'?"),
            (["--json", "check"], "'--json' stands before the command; options stand after it, as in"),
            (["-"], "'-' is no command; write 'buslens check -' to check it"),
            (["check"], "the following arguments are required: CAPTURE; see 'buslens check --help'"),
            (["check", "--jsno", "x.log"], "'--jsno' is not understood; did you mean '--json'?; see"),
            (["check", "x.log", "--workers", "0"], "argument --workers: '0' is not a whole number from 1 on; see"),
            (
                ["check", "x.log", "--channel", "can0"],
                "argument --channel: 'can0' is not two names of a channel, such as",
            ),
            (["check", "x.log", "--workers", "two"], "argument --workers: 'two' is not a whole number from 1 on; see"),
            (["check", "-", "-"], "standard input ('-') can be read only once"),
            (["plot", "x.log", "--handshake", "0"], "argument --handshake: '0' is not a whole number from 1 on; see"),
            (["plot", "x.log", "--window", "0,5", "2"], "argument --window: '0,5' is not a number; write 0.5; see"),
            (["rehearse", "healthy", "--battery", "low"], "argument --battery: 'low' is not a number; see"),
            (["plot", "x.log", "--width", "wall"], "argument --width: invalid choice: 'wall'"),
            (
                ["plot", "x.log", "--window", "1", "2", "--whole"],
                "argument --whole: not allowed with argument --window",
            ),
        ],
        ids=lambda value: " ".join(value) if isinstance(value, list) else "",
    )
    def test_words(self, words: list[str], text: str, capsys: pytest.CaptureFixture[str]) -> None:
        assert main(words) == 2
        shown = capsys.readouterr()
        assert shown.out == ""
        assert shown.err.startswith(f"buslens: {text}")
        assert shown.err.count("\n") == 1

    def test_a_file_in_the_place_of_the_command(self, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
        file = tmp_path / "car.log"
        file.touch()
        assert main([str(file)]) == 2
        assert f"write 'buslens check {file}'" in capsys.readouterr().err

    @pytest.mark.parametrize(
        ("words", "text"),
        [
            (["check", "-x.log"], "the following arguments are required: CAPTURE; '-x.log' was taken for an option: "),
            (["check", "car.log", "-x.log"], "'-x.log' is not understood; '-x.log' was taken for an option: "),
            (["check", "-bare"], "the following arguments are required: CAPTURE; '-bare' was taken for an option: "),
            (["-x.log"], "'-x.log' is no command; write 'buslens check ./-x.log' to check a file of this name\n"),
        ],
    )
    def test_a_file_whose_name_begins_like_an_option(
        self,
        words: list[str],
        text: str,
        tmp_path: Path,
        monkeypatch: pytest.MonkeyPatch,
        capsys: pytest.CaptureFixture[str],
    ) -> None:
        monkeypatch.chdir(tmp_path)
        (tmp_path / "-bare").touch()
        assert main(words) == 2
        said = capsys.readouterr().err
        assert said.startswith(f"buslens: {text}")
        assert f"./{words[-1]}'" in said

    @pytest.mark.parametrize("words", [["check", "-bare"], ["check", "-1.5"], ["check", "x.log", "--jsno=a.log"]])
    def test_no_file(self, words: list[str], capsys: pytest.CaptureFixture[str]) -> None:
        assert main(words) == 2
        assert "./" not in capsys.readouterr().err

    @given(words=st.lists(st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\x00"), max_size=8)))
    @settings(max_examples=examples(25), suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
    def test_any_words(self, words: list[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.chdir(tmp_path)
        out, err = io.StringIO(), io.StringIO()
        monkeypatch.setattr(sys, "stdout", out)
        monkeypatch.setattr(sys, "stderr", err)
        monkeypatch.setattr("buslens.desk.server.serve", lambda *_, say, **__: say("served"))
        for command in (*([name] for name in COMMANDS), []):
            status = main([*command, *words])
            assert status in {0, 2}
            assert "Traceback" not in err.getvalue()
            assert (out.getvalue() == "") == (status == 2) or status == 2


class TestEndings:
    """Whatever ends a command, the user gets words and the status that goes with them."""

    @pytest.mark.parametrize(
        ("error", "status", "text"),
        [
            (CaptureError("is empty", SourceLocation("x.log")), 2, "buslens: x.log: is empty\n"),
            (CaptureError("one\ntwo"), 2, "buslens: one\nbuslens: two\n"),
            (PermissionError(13, "Permission denied", "x.log"), 2, "buslens: x.log: no permission\n"),
            (OSError(28, "No space left on device"), 2, "buslens: no space left on the device\n"),
            (MemoryError(), 2, "buslens: there is not enough memory for this\n"),
            (KeyboardInterrupt(), 130, "buslens: stopped\n"),
            (BrokenPipeError(32, "Broken pipe"), 141, ""),
            (CaptureError("a\x1b[2Jb"), 2, "buslens: a\\x1b[2Jb\n"),
        ],
        ids=lambda value: type(value).__name__ if isinstance(value, BaseException) else "",
    )
    def test_error(
        self,
        error: BaseException,
        status: int,
        text: str,
        monkeypatch: pytest.MonkeyPatch,
        capsys: pytest.CaptureFixture[str],
    ) -> None:
        def fail(_console: Console) -> None:
            raise error

        command_that(monkeypatch, fail)
        assert main(["check", "x.log"]) == status
        assert capsys.readouterr() == ("", text)

    def test_a_fault_of_the_program_is_no_verdict(
        self, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
    ) -> None:
        command_that(monkeypatch, lambda _console: {}["gone"])
        assert main(["check", "x.log"]) == 70
        shown = capsys.readouterr().err
        assert "KeyError: 'gone'" in shown
        assert shown.splitlines()[-1].startswith("buslens: this is a fault of the program")

    @pytest.mark.parametrize(
        ("request_", "status", "text"),
        [
            (KeyboardInterrupt(), 130, "buslens: stopped\n"),
            (TerminationRequested(Status.TERMINATED), 143, "buslens: ended\n"),
        ],
    )
    def test_what_stumbles_over_a_request_to_end_is_no_fault(
        self,
        request_: KeyboardInterrupt,
        status: int,
        text: str,
        monkeypatch: pytest.MonkeyPatch,
        capsys: pytest.CaptureFixture[str],
    ) -> None:
        def stumble(_console: Console) -> None:
            try:
                raise request_
            finally:
                {}["what was not set up yet"]

        command_that(monkeypatch, stumble)
        assert main(["check", "x.log"]) == status
        assert capsys.readouterr().err == text

    def test_closed_pipe(self) -> None:
        """As after ``| head``: no word on standard error."""
        code = "from buslens.cli import main; import sys; sys.stdin.read(); sys.exit(main(['--help']))"
        with subprocess.Popen(
            [sys.executable, "-c", code], stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE
        ) as process:
            assert process.stdout is not None
            process.stdout.close()
            assert process.stdin is not None
            process.stdin.close()
            assert process.stderr is not None
            assert process.stderr.read() == b""
            assert process.wait(HANG_S) == 141

    @posix
    def test_ctrl_c(self) -> None:
        code = (
            "import buslens.cli, signal, time, sys\n"
            # Whoever runs the tests may have Ctrl-C ignored, which is inherited.
            "signal.signal(signal.SIGINT, signal.default_int_handler)\n"
            "def wait(*_): print('ready', flush=True); time.sleep(600)\n"
            "buslens.cli._run_command = wait\n"
            "sys.exit(buslens.cli.main(['check', 'x.log']))"
        )
        with subprocess.Popen(
            [sys.executable, "-c", code], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
        ) as process:
            assert process.stdout is not None
            assert process.stdout.readline() == "ready\n"
            process.send_signal(signal.SIGINT)
            assert process.stderr is not None
            assert process.stderr.read() == "buslens: stopped\n"
            assert process.wait(HANG_S) == 130

    @pytest.mark.skipif(not os.path.exists("/dev/full"), reason="needs a device that is always full")  # noqa: PTH110
    def test_full_device(self) -> None:
        with open("/dev/full", "w") as full:  # noqa: PTH123
            done = run("--help", stdout=full, stderr=subprocess.PIPE, capture_output=False)
        assert (done.returncode, done.stderr) == (2, "buslens: standard output: no space left on the device\n")

    @posix
    def test_no_standard_output_at_all(self) -> None:
        done = run("--help", preexec_fn=lambda: os.close(1), stdout=None, stderr=subprocess.PIPE, capture_output=False)
        assert (done.returncode, done.stderr) == (0, "")

    def test_narrow_encoding(self) -> None:
        environment = {**os.environ, "PYTHONIOENCODING": "ascii", "PYTHONUTF8": "0"}
        done = run("check", "f\u00fc\u4e16.log", env=environment)
        assert done.returncode == 2
        assert done.stderr.startswith("buslens: f\\xfc\\u4e16.log: no such file")


class _Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


class TestConsole:
    """Colour and progress need a terminal that understands them and a user who wants them."""

    @pytest.mark.parametrize(
        ("terminal", "color", "environment", "painted"),
        [
            (True, True, {"TERM": "xterm"}, True),
            (False, True, {"TERM": "xterm"}, False),
            (True, False, {"TERM": "xterm"}, False),
            (True, True, {"TERM": "dumb"}, False),
            (True, True, {"TERM": "xterm", "NO_COLOR": "1"}, False),
            (True, True, {"TERM": "xterm", "NO_COLOR": ""}, True),
        ],
    )
    def test_painted(self, *, terminal: bool, color: bool, environment: dict[str, str], painted: bool) -> None:
        out = _Terminal() if terminal else io.StringIO()
        err = _Terminal() if terminal else io.StringIO()
        console = Console(out, err, color=color, environment=environment)
        assert console.painted == painted
        console.progress("reading x.log")
        assert ("reading x.log" in err.getvalue()) == painted
        assert out.getvalue() == ""

    def test_progress_gives_way(self) -> None:
        out, err = _Terminal(), _Terminal()
        console = Console(out, err, color=True, environment={"TERM": "xterm"})
        console.progress("reading x.log")
        console.result("verdict\n")
        assert err.getvalue().endswith("\r\x1b[K")
        assert out.getvalue() == "verdict\n"

    def test_width_is_that_of_the_terminal(self, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setenv("COLUMNS", "57")
        assert Console(_Terminal(), io.StringIO(), color=True, environment={}).width == 57
        assert Console(io.StringIO(), io.StringIO(), color=True, environment={}).width is None


class _WindowsConsole:
    """Stands for what Windows knows of a console: its mode, and whether it takes the one that is asked for."""

    def __init__(self, mode: int | None, *, takes: bool = True) -> None:
        self.mode, self.takes = mode, takes

    def GetConsoleMode(self, _handle: object, place: Any) -> int:  # noqa: N802 - its name
        if self.mode is None:
            return 0
        place._obj.value = self.mode
        return 1

    def SetConsoleMode(self, _handle: object, mode: int) -> int:  # noqa: N802 - its name
        if self.takes:
            self.mode = mode
        return int(self.takes)


class TestSwitchedOn:
    """A console of Windows is asked to understand control sequences, and its other ways are left alone."""

    @pytest.mark.parametrize(
        ("console", "works", "mode"),
        [
            (_WindowsConsole(0x0003), True, 0x0007),
            (_WindowsConsole(0x0003, takes=False), False, 0x0003),
            (_WindowsConsole(None), False, None),
        ],
        ids=["from Windows 10 on", "older", "no console"],
    )
    def test_mode(
        self, console: _WindowsConsole, works: bool, mode: int | None, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setitem(sys.modules, "msvcrt", SimpleNamespace(get_osfhandle=lambda _number: 12))
        monkeypatch.setattr(ctypes, "windll", SimpleNamespace(kernel32=console), raising=False)
        assert _switched_on(SimpleNamespace(fileno=lambda: 1)) == works
        assert console.mode == mode

    def test_no_file_behind(self) -> None:
        assert not _switched_on(io.StringIO())


class TestGravest:
    """Of several captures the gravest status counts: 2 before 1 before 3 before 0."""

    @pytest.mark.parametrize(
        ("statuses", "status"),
        [([], 0), ([0, 0], 0), ([0, 3], 3), ([3, 1, 0], 1), ([1, 2, 3], 2)],
    )
    def test_statuses(self, statuses: list[int], status: int) -> None:
        assert gravest(map(Status, statuses)) == status
