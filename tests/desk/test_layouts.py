"""What a person says about a table where the desk cannot work it out."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest

from buslens.desk import work
from buslens.desk.folder import JobFolder
from buslens.desk.layouts import layout_of, layout_view

SIGNAL_DEFS = Path(__file__).parents[2] / "signal_defs"
ROWS = "".join(f"{20 * n}.5;{167 if n % 2 else 435};2;00 {n % 10}1\n" for n in range(300))


@pytest.fixture
def task(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> work.DeskTask:
    """Return a job with a table whose identifiers may be hexadecimal or decimal."""
    shutil.copytree(SIGNAL_DEFS, tmp_path / "signal_defs")
    (tmp_path / "before").mkdir()
    (tmp_path / "before" / "a.csv").write_text(ROWS, "ascii")
    monkeypatch.chdir(tmp_path)
    return work.DeskTask(folder=str(tmp_path), expectations="signal_defs/steering_lock.toml", setup="x")


def test_what_decides_is_kept_beside_the_captures(task: work.DeskTask, tmp_path: Path) -> None:
    """It is the file that ``--table`` takes, of this capture alone, and gone with it."""
    assert "hexadecimal or decimal" in work.check_capture(task, "before", "a.csv", "1").problem
    shown = layout_view(Path("before/a.csv"))
    assert shown is not None
    assert shown.rows[0] == ("0.5", "435", "2", "00 01")
    job = JobFolder(tmp_path)
    key = job.key()
    said = {"time": "1", "time_unit": "ms", "id_base": "decimal", "data": "4"}
    assert work.lay_out(task, "a.csv", json.dumps({**said, "length": "", "name": "a.csv"})) == ""
    assert job.key() != key
    assert work.check_capture(task, "before", "a.csv", "2").packed is not None
    text = Path("layouts/a.csv.toml").read_text("utf-8")
    assert text == '[table]\ntime = 1\ntime_unit = "ms"\nid_base = "decimal"\ndata = 4\n'
    again = layout_view(Path("before/a.csv"))
    assert again is not None
    assert again.said == said
    assert "one of hex, decimal" in work.lay_out(task, "a.csv", json.dumps({"id_base": "roman"}))
    assert "counted from 1" in work.lay_out(task, "a.csv", json.dumps({"time": "1, 2, 3"}))
    assert Path("layouts/a.csv.toml").read_text("utf-8") == text
    assert [it.name for it in Path("layouts").iterdir()] == ["a.csv.toml"]
    job.remove(job.captures()[0])
    assert layout_of("a.csv") is None


def test_nothing_said_is_nothing_kept(task: work.DeskTask) -> None:
    assert work.lay_out(task, "a.csv", json.dumps({"id_base": "hex"})) == ""
    assert work.lay_out(task, "a.csv", json.dumps({"id_base": "", "time": ""})) == ""
    assert layout_of("a.csv") is None


@pytest.mark.parametrize("data", [b"\x1f\x8b\x08\x00" + bytes(99), b"hello\n", b"hello\nyou\n", b"", b"1\n2\n3\n"])
def test_what_has_no_columns_is_not_asked_about(tmp_path: Path, data: bytes) -> None:
    (tmp_path / "b.txt").write_bytes(data)
    assert layout_view(tmp_path / "b.txt") is None
