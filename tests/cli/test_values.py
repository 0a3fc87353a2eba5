"""Tables of values on the command line: with the commands that take logs, beside a log, and where they are refused."""

from __future__ import annotations

from pathlib import Path
from typing import Final

import pytest

from buslens.cli import main
from buslens.cli.status import Status

pytestmark = pytest.mark.slow

ROOT: Final = Path(__file__).parents[2]
LIST: Final = str(ROOT / "sample_logs" / "tester_list_car03.csv")
LIST_TOML: Final = str(ROOT / "signal_defs" / "steering_lock_list.toml")
TRACE: Final = str(ROOT / "sample_logs" / "scope_trace_car07.csv.gz")
WIRES_TOML: Final = str(ROOT / "signal_defs" / "steering_lock_wires.toml")


class TestCommands:
    def test_check(self, capsys: pytest.CaptureFixture[str]) -> None:
        assert main(["check", LIST, "--expectations", LIST_TOML]) == Status.VIOLATED
        text = capsys.readouterr().out
        assert "71 rows in 13.992 s, table of values" in text
        assert "unlock feedback did not become unlocked within 900 ms after enable (try 3); it stayed locked" in text

    @pytest.mark.parametrize(("command", "suffix"), [("plot", ".svg"), ("page", ".html"), ("record", ".html")])
    def test_written(self, command: str, suffix: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
        output = tmp_path / f"out{suffix}"
        assert main([command, TRACE, "--expectations", WIRES_TOML, "-o", str(output)]) == Status.VIOLATED
        assert "feedback wire" in output.read_text("utf-8")
        assert "694 to 696 ms" in capsys.readouterr().out

    def test_compare(self, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
        after = tmp_path / "after.csv"
        after.write_text(Path(LIST).read_text("ascii").replace("Locked", "Unlocked"), "ascii")
        assert main(["compare", LIST, str(after), "--expectations", LIST_TOML]) in {Status.UNDECIDED, Status.VIOLATED}
        assert "unlock handshake" in capsys.readouterr().out

    def test_fleet(self, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
        """In a folder a table is listed that has columns which the rules need; another is no capture."""
        folder = tmp_path / "car03"
        folder.mkdir()
        for file in (LIST, TRACE):
            (folder / Path(file).name).write_bytes(Path(file).read_bytes())
        (folder / "bill.csv").write_text("Part,Price\nFuse,2\nLabour,80\n", "ascii")
        words = ["fleet", str(folder), "--expectations", LIST_TOML, "-o", str(tmp_path / "out"), "--workers", "1"]
        assert main(words) == Status.VIOLATED
        out, err = capsys.readouterr()
        assert "1 capture in" in out
        assert "1 is faulty" in out
        assert "2 other files were skipped" in err


class TestBeside:
    def test_what_cannot_stand_beside(self, capsys: pytest.CaptureFixture[str]) -> None:
        log = str(ROOT / "sample_logs" / "car01_healthy.log")
        assert main(["check", TRACE, "--with", log, "--expectations", WIRES_TOML]) == Status.UNUSABLE
        assert "it is no table of values with a column that a role is read from" in capsys.readouterr().err
        assert main(["check", log, log, "--with", TRACE]) == Status.UNUSABLE
        assert "which of the captures was recorded at the same time?" in capsys.readouterr().err


class TestBesideOneOfSeveral:
    """A table goes with the capture that stands before it."""

    def test_compare_and_record(self, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
        before, after = (str(ROOT / "sample_logs" / name) for name in ("car05_enable_open.log", "car01_healthy.log"))
        beside = f"{before}={ROOT / 'sample_logs' / 'wires_car05.csv.gz'}"
        assert main(["compare", before, after, "--with", beside]) == Status.MET
        assert main(["compare", before, after, "--with", beside.rpartition("=")[2]]) == Status.UNUSABLE
        assert f"--with {before}=" in capsys.readouterr().err
        output = tmp_path / "record.html"
        assert main(["record", after, "--before", before, "--with", beside, "-o", str(output)]) == Status.MET
        page = output.read_text("utf-8")
        assert "table of the same minutes" in page
        assert "enable wire open" in page.lower()
        assert main(["record", "--verify", str(output)]) == Status.MET


class TestRefused:
    def test_replay(self, capsys: pytest.CaptureFixture[str]) -> None:
        assert main(["replay", LIST, "--expectations", LIST_TOML]) == Status.UNUSABLE
        assert "is a table of values, and has no frames to replay" in capsys.readouterr().err
        assert main(["seek", LIST, "--mark", "5.0 start pressed"]) == Status.UNUSABLE
        assert "no frames whose bits could be sought: 'buslens start' drafts roles" in capsys.readouterr().err

    def test_expectations_of_a_bus(self, capsys: pytest.CaptureFixture[str]) -> None:
        assert main(["check", LIST]) == Status.UNUSABLE
        assert 'tie each role to its column, such as column = "Driver door"' in capsys.readouterr().err
