"""How a capture is understood is shown before it is checked: table of frames, log, table of values, anything else."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Final

from buslens.cli import main
from buslens.cli.status import Status

if TYPE_CHECKING:
    import pytest

SAMPLES: Final = Path(__file__).parents[2] / "sample_logs"
ROWS: Final = "Time [s];ID;DLC;Data\n" + "".join(f"0.{k:03};2CF;2;0A {k:02X}\n" for k in range(10, 60))


class TestFrames:
    def test_table(self, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
        table = tmp_path / "rows.csv"
        table.write_text(ROWS, "ascii")
        assert main(["layout", str(table)]) == Status.MET
        lines = capsys.readouterr().out.splitlines()
        assert lines[0] == f"{table}: table"
        assert [line.split() for line in lines if "0A 0A" in line] == [["0.000000", "-", "2CF", "2", "0A", "0A"]]

    def test_written_layout_reads_the_same(self, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
        table, layout = tmp_path / "rows.csv", tmp_path / "rows.toml"
        table.write_text(ROWS, "ascii")
        assert main(["layout", str(table), "-o", str(layout)]) == Status.MET
        first = capsys.readouterr().out.splitlines()[-9:]
        assert main(["layout", str(table), "--table", str(layout)]) == Status.MET
        assert capsys.readouterr().out.splitlines()[-9:] == first

    def test_log_has_no_layout_to_write(self, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
        log = str(SAMPLES / "car01_healthy.log")
        assert main(["layout", log, "-o", str(tmp_path / "x.toml")]) == Status.UNUSABLE
        assert "it is no table but candump" in capsys.readouterr().err
        assert not (tmp_path / "x.toml").exists()


class TestValues:
    def test_columns(self, capsys: pytest.CaptureFixture[str]) -> None:
        assert main(["layout", str(SAMPLES / "tester_list_car03.csv")]) == Status.MET
        text = capsys.readouterr().out
        assert "table of values, 71 rows" in text
        assert '"Pressed", "Released"' in text

    def test_numbers(self, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
        table = tmp_path / "scope.csv"
        table.write_text("Time (s),Supply (V)\n" + "".join(f"{k / 100},{k % 7 + 5.5}\n" for k in range(50)), "ascii")
        assert main(["layout", str(table)]) == Status.MET
        assert "numbers from 5.5 to 11.5 V" in capsys.readouterr().out

    def test_neither(self, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
        text = tmp_path / "letter.txt"
        text.write_text("Dear member,\nthe club meets on Sunday.\n", "ascii")
        assert main(["layout", str(text)]) == Status.UNUSABLE
        assert "unknown log format" in capsys.readouterr().err
