"""What a person says about a table where the desk cannot work it out."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest

from buslens.desk import work
from buslens.desk.car_work import draft, save
from buslens.desk.folder import LAYOUT, Car, JobFolder
from buslens.desk.layouts import layout_file, layout_of, layout_view
from buslens.desk.task import DeskTask

SAMPLES = Path(__file__).parents[2] / "sample_logs"
SIGNAL_DEFS = Path(__file__).parents[2] / "signal_defs"
ROWS = "".join(f"{20 * n}.5;{167 if n % 2 else 435};2;00 {n % 10}1\n" for n in range(300))


@pytest.fixture
def task(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> DeskTask:
    """Return a job with a table whose identifiers may be hexadecimal or decimal."""
    shutil.copytree(SIGNAL_DEFS, tmp_path / "signal_defs")
    (tmp_path / "before").mkdir()
    (tmp_path / "before" / "a.csv").write_text(ROWS, "ascii")
    monkeypatch.chdir(tmp_path)
    return DeskTask(folder=str(tmp_path), expectations="signal_defs/steering_lock.toml", setup="x")


def test_what_decides_is_kept_beside_the_captures(task: DeskTask, tmp_path: Path) -> None:
    """It is the file that ``--table`` takes, of this capture alone, and gone with it."""
    assert "hexadecimal or decimal" in work.check_capture(task, "before", "a.csv", "1").problem
    shown = layout_view(Path("before/a.csv"), layout_file(task, "before/a.csv"))
    assert shown is not None
    assert shown.rows[0] == ("0.5", "435", "2", "00 01")
    job = JobFolder(tmp_path)
    key = job.key()
    said = {"time": "1", "time_unit": "ms", "id_base": "decimal", "data": "4"}
    assert work.lay_out("layouts/a.csv.toml", json.dumps({**said, "length": "", "name": "a.csv"})) == ""
    assert job.key() != key
    assert work.check_capture(task, "before", "a.csv", "2").packed is not None
    text = Path("layouts/a.csv.toml").read_text("utf-8")
    assert text == '[table]\ntime = 1\ntime_unit = "ms"\nid_base = "decimal"\ndata = 4\n'
    again = layout_view(Path("before/a.csv"), layout_file(task, "before/a.csv"))
    assert again is not None
    assert again.said == said
    assert "one of hex, decimal" in work.lay_out("layouts/a.csv.toml", json.dumps({"id_base": "roman"}))
    assert "counted from 1" in work.lay_out("layouts/a.csv.toml", json.dumps({"time": "1, 2, 3"}))
    assert Path("layouts/a.csv.toml").read_text("utf-8") == text
    assert [it.name for it in Path("layouts").iterdir()] == ["a.csv.toml"]
    job.remove(job.captures()[0])
    assert layout_of(task, "before/a.csv") is None


def test_nothing_said_is_nothing_kept(task: DeskTask) -> None:
    assert work.lay_out("layouts/a.csv.toml", json.dumps({"id_base": "hex"})) == ""
    assert work.lay_out("layouts/a.csv.toml", json.dumps({"id_base": "", "time": ""})) == ""
    assert layout_of(task, "before/a.csv") is None


@pytest.mark.parametrize("data", [b"\x1f\x8b\x08\x00" + bytes(99), b"hello\n", b"hello\nyou\n", b"", b"1\n2\n3\n"])
def test_what_has_no_columns_is_not_asked_about(tmp_path: Path, data: bytes) -> None:
    (tmp_path / "b.txt").write_bytes(data)
    assert layout_view(tmp_path / "b.txt", None) is None


@pytest.mark.slow
def test_what_is_said_for_a_car_counts_in_its_jobs(tmp_path: Path) -> None:
    """A healthy table that does not tell its base is drafted from once that was said, and so is each of a job read."""
    car = tmp_path / "cars" / "x"
    (car / "good").mkdir(parents=True)
    shutil.copy(SIGNAL_DEFS / "pinewick.dbc", car)
    rows = as_table(SAMPLES / "car01_healthy.log")
    (car / "good" / "a.csv").write_text(rows, "ascii")
    unclear = draft(str(car), {})
    assert unclear.problem.endswith("they may be hexadecimal or decimal ('167' is 359 or 167)")
    assert unclear.layout is not None
    assert (unclear.layout.capture, unclear.layout.said) == ("good/a.csv", {})
    said = {"time": "1", "time_unit": "ms", "id_base": "decimal"}
    assert work.lay_out(str(car / LAYOUT), json.dumps(said)) == ""
    made = draft(str(car), {})
    assert made.layout is not None
    assert (made.problem, made.layout.said, bool(made.picture)) == ("", said, True)
    assert save(str(car), made.text_without_open_points) == ""
    job = JobFolder(tmp_path / "job")
    job.path.mkdir()
    job.choose(Car(title="x", folder=car))
    (job.side_folder("before") / "b.csv").write_text(rows, "ascii")
    shutil.copy(SAMPLES / "car01_healthy.log", job.side_folder("before"))
    task = DeskTask(folder=str(job.path), expectations="signal_defs/steering_lock.toml", setup="y")
    for name in ("b.csv", "car01_healthy.log"):
        assert work.check_capture(task, "before", name, name).problem == ""
    # What was said of the capture itself outweighs that.
    job.layout_file("b.csv").parent.mkdir()
    job.layout_file("b.csv").write_text('[table]\nid_base = "hex"\n', "utf-8")
    assert "none of the 7 messages" in work.check_capture(task, "before", "b.csv", "z").problem


def as_table(log: Path) -> str:
    """Return the frames of a candump log as a table in which each decimal identifier may be a hexadecimal one, too."""
    lines = []
    for line in log.read_text("ascii").splitlines():
        stamp, _, frame = line.split()[:3]
        identifier, _, data = frame.partition("#")
        if int(identifier, 16) < 800:
            milliseconds = 1000 * (float(stamp.strip("()")) % 1000)
            lines.append(f"{milliseconds:.1f};{int(identifier, 16)};{bytes.fromhex(data).hex(' ')}\n")
    return "".join(lines)
