from __future__ import annotations

import shutil
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from support.wordings import PINEWICK

from buslens.cli import main
from buslens.rehearsal import oscilloscope
from buslens.rehearsal.rehearse import rehearse, rendered, write_rehearsal

if TYPE_CHECKING:
    from collections.abc import Callable


@cache
def healthy() -> bytes:
    return rendered(rehearse("healthy", seed=1), "candump")


@pytest.fixture
def starting(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[..., int]:
    """Return the command, at work in a folder with definitions and a capture."""
    monkeypatch.chdir(tmp_path)
    Path("defs").mkdir()
    shutil.copy(PINEWICK, "defs/car.dbc")
    Path("car.log").write_bytes(healthy())
    return lambda *words: main(["start", "defs/car.dbc", "car.log", *words])


class TestFile:
    """A first expectations file is written, and is at once of use."""

    def test_written_and_used(self, starting: Callable[..., int], capsys: pytest.CaptureFixture[str]) -> None:
        assert starting("-o", "defs/new.toml") == 0
        shown = capsys.readouterr()
        assert shown.err == ""
        assert " =  door_open: BODY_DOORS.DRIVER_DOOR" in shown.out
        assert " =  lock handshake, measured 1 time" in shown.out
        assert shown.out.startswith("defs/new.toml is written: go through it before you trust it.")
        assert "measured once or twice are guesses" in shown.out.splitlines()[0]
        assert 'definitions = ["car.dbc"]' in Path("defs/new.toml").read_text("utf-8")
        assert main(["check", "car.log", "--expectations", "defs/new.toml"]) == 0

    def test_a_faulty_car_is_told_from_it(self, starting: Callable[..., int]) -> None:
        """What was learned from a healthy car calls another one faulty whose lock does not move."""
        assert starting("-o", "new.toml") == 0
        write_rehearsal(rehearse("load-fuse-blown", seed=1), "bad.log")
        assert main(["check", "bad.log", "--expectations", "new.toml"]) == 1

    @pytest.mark.slow
    def test_of_several_captures(self, starting: Callable[..., int], capsys: pytest.CaptureFixture[str]) -> None:
        """Captures and definitions come in any order; what is given to --check is tried, too."""
        write_rehearsal(rehearse("healthy", seed=2), "two.log")
        write_rehearsal(rehearse("slow-motor", seed=1), "slow.log")
        assert main(["start", "two.log", "defs/car.dbc", "car.log", "-o", "new.toml"]) == 0
        assert "made from 2 captures" in Path("new.toml").read_text("utf-8")
        capsys.readouterr()
        assert starting("two.log", "-o", "new.toml", "--replace", "--check", "slow.log") == 1
        assert " x  slow.log, not learned from: faulty" in capsys.readouterr().out

    def test_incomplete(self, starting: Callable[..., int], capsys: pytest.CaptureFixture[str]) -> None:
        """Without a door there is no lock handshake: scripts see it, people are told what to record."""
        text = Path("defs/car.dbc").read_text("utf-8")
        Path("defs/car.dbc").write_text(text.replace("BO_ 435 ", "BO_ 436 ").replace(" 435 ", " 436 "), "utf-8")
        assert starting("-o", "new.toml") == 3
        shown = " ".join(capsys.readouterr().out.split())
        assert "the rule 'lock handshake': roles that it needs are missing" in shown
        assert "door_open: " in shown
        assert main(["check", "car.log", "--expectations", "new.toml"]) in {0, 3}

    def test_marks_and_picture(self, starting: Callable[..., int]) -> None:
        words = ["--mark", "driver door opens at 1.5 s", "--picture", "seen.svg"]
        assert starting("-o", "new.toml", *words) in {0, 3}
        assert Path("seen.svg").read_text("utf-8").startswith("<?xml")

    def test_picture_of_a_trace(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        """Columns are drawn by the words or limits of their states, whatever the picture says beside them."""
        monkeypatch.chdir(tmp_path)
        probe = oscilloscope.Probe(zero=0.1)
        trace = oscilloscope.wire_trace(rehearse("healthy"), per_second=100, wires=("Enable", "Feedback"), probe=probe)
        Path("trace.csv").write_text(trace, "utf-8")
        main(["start", "trace.csv", "-o", "new.toml", "--picture", "seen.svg"])
        assert all(f">{word}<" in Path("seen.svg").read_text("utf-8") for word in ("lock enable", "unlock feedback"))


class TestRefused:
    """Nothing is written over, and what is missing is told."""

    def test_another_file_stays(self, starting: Callable[..., int], capsys: pytest.CaptureFixture[str]) -> None:
        Path("mine.toml").write_text("# of the user's")
        assert starting("-o", "mine.toml") == 2
        assert "mine.toml is there already and holds something else" in capsys.readouterr().err
        assert Path("mine.toml").read_text() == "# of the user's"
        assert starting("-o", "mine.toml", "--replace") == 0

    @pytest.mark.parametrize("name", ["car.log", "defs/car.dbc"])
    def test_an_input_is_never_replaced(self, name: str, starting: Callable[..., int]) -> None:
        before = Path(name).read_bytes()
        assert starting("-o", name, "--replace") == 2
        assert Path(name).read_bytes() == before

    def test_no_output(self, starting: Callable[..., int], capsys: pytest.CaptureFixture[str]) -> None:
        assert starting() == 2
        assert "-o" in capsys.readouterr().err

    def test_no_folder(self, starting: Callable[..., int], capsys: pytest.CaptureFixture[str]) -> None:
        assert starting("-o", "none/new.toml") == 2
        assert "there is no folder 'none'" in capsys.readouterr().err
