"""Requests to end, at moments that are bad for them; each in a process of its own, whose signals are its own."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from support.patience import HANG_S

import buslens.cli
import buslens.cli.shutdown
from buslens.cli.shutdown import TerminationRequested, _Requests

if TYPE_CHECKING:
    from types import FrameType

ROOT = Path(__file__).parents[2]
SAMPLE = ROOT / "sample_logs" / "car07_slow_motor.log"

RAISING = """\
import signal, sys

class Raising:
    def find_spec(self, name, path=None, target=None):
        if name == {name!r}:
            sys.meta_path.remove(self)
            signal.raise_signal(signal.{signal})

# Whoever runs the tests may have Ctrl-C ignored, which is inherited.
signal.signal(signal.SIGINT, signal.default_int_handler)
sys.meta_path.insert(0, Raising())
"""
"""Goes before the program: a signal comes as a module begins to be imported."""


def ended_at(module: str, name: str, folder: Path) -> tuple[int, str, str]:
    """Return status and output of the program, to which a signal comes as it imports a module."""
    (folder / "sitecustomize.py").write_text(RAISING.format(name=module, signal=name))
    done = subprocess.run(
        [sys.executable, "-m", "buslens", "check", SAMPLE],
        env={**os.environ, "PYTHONPATH": os.pathsep.join([str(folder), str(ROOT)])},
        capture_output=True,
        text=True,
        check=False,
        timeout=HANG_S,
    )
    return done.returncode, done.stdout, done.stderr


@pytest.mark.slow
class TestImport:
    """A request that comes in the midst of an import is answered as any other."""

    @pytest.mark.parametrize(
        "module",
        ["buslens.cli", "argparse", "buslens.cli.shutdown", "buslens.cli.check", "buslens.checks.check", "numpy"],
    )
    def test_ctrl_c(self, module: str, tmp_path: Path) -> None:
        assert ended_at(module, "SIGINT", tmp_path) == (130, "", "buslens: stopped\n")

    def test_ctrl_c_where_a_library_takes_it_for_a_missing_part(self, tmp_path: Path) -> None:
        """NumPy's own core imports datetime, and makes another error of whatever that raises."""
        assert ended_at("datetime", "SIGINT", tmp_path) == (130, "", "buslens: stopped\n")

    def test_request_of_the_system(self, tmp_path: Path) -> None:
        name = "SIGBREAK" if os.name == "nt" else "SIGTERM"
        assert ended_at("numpy", name, tmp_path) == (143, "", "buslens: ended\n")

    @pytest.mark.skipif(not hasattr(signal, "pthread_kill"), reason="what blocks is not interrupted there")
    def test_what_blocks_after_the_import_is_interrupted(self, tmp_path: Path) -> None:
        """The request does not wait for what the program waits for."""
        (tmp_path / "stops.py").write_text("import signal; signal.raise_signal(signal.SIGTERM)\n")
        code = (
            "from buslens.cli.shutdown import TerminationRequested, deferred_signals\n"
            "import os\n"
            "try:\n"
            "    with deferred_signals():\n"
            "        import stops\n"
            "        os.read(os.pipe()[0], 1)\n"
            "except TerminationRequested as exc:\n"
            "    print('ended', exc.status)\n"
        )
        environment = {**os.environ, "PYTHONPATH": os.pathsep.join([str(tmp_path), str(ROOT)])}
        done = subprocess.run(
            [sys.executable, "-c", code], env=environment, capture_output=True, text=True, check=True, timeout=HANG_S
        )
        assert done.stdout == "ended 143\n"


def frame_of(module: str) -> FrameType:
    """Return where a function of a module is."""
    found: dict[str, FrameType] = {"__name__": module}  # type: ignore[dict-item]
    exec("import sys\nframe = sys._getframe()", found)  # noqa: S102
    return found["frame"]


class TestHear:
    """What is asked for is raised at once, unless the moment is bad for it, and then a little later."""

    def test_anywhere(self) -> None:
        with pytest.raises(KeyboardInterrupt) as stopped:
            _Requests().hear(signal.SIGINT, frame_of("buslens.checks.check"))
        assert not isinstance(stopped.value, TerminationRequested)
        with pytest.raises(TerminationRequested):
            _Requests().hear(signal.SIGTERM, frame_of("llvmlite_of_another"))

    def test_where_compiled_kernels_are_loaded(self, monkeypatch: pytest.MonkeyPatch) -> None:
        started: list[tuple[int]] = []
        monkeypatch.setattr("_thread.start_new_thread", lambda _function, given: started.append(given))
        requests = _Requests()
        requests.hear(signal.SIGINT, frame_of("llvmlite.binding.executionengine"))
        requests.hear(signal.SIGINT, frame_of("llvmlite.binding.executionengine"))
        assert started == [(signal.SIGINT,)]
        with pytest.raises(KeyboardInterrupt):
            requests.hear(signal.SIGINT, frame_of("buslens.checks.check"))

    def test_not_for_ever(self, monkeypatch: pytest.MonkeyPatch) -> None:
        """Whoever calls the program from within an import can end it."""
        monkeypatch.setattr("_thread.start_new_thread", lambda _function, _given: None)
        monkeypatch.setattr(buslens.cli.shutdown, "_LONGEST_S", 0.0)
        with pytest.raises(KeyboardInterrupt):
            _Requests().hear(signal.SIGINT, frame_of("llvmlite"))


class TestCaller:
    """Who calls the command line from a program of their own keeps their signals."""

    def test_handlers(self, monkeypatch: pytest.MonkeyPatch) -> None:
        numbers = [
            getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK") if hasattr(signal, name)
        ]
        during: list[object] = []

        def run(*_given: object) -> int:
            during.extend(map(signal.getsignal, numbers))
            return 0

        before = list(map(signal.getsignal, numbers))
        monkeypatch.setattr(buslens.cli, "_run_command", run)
        assert buslens.cli.main(["check", "x.log"]) == 0
        assert during == before
