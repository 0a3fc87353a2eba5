"""A fleet is run from Python as by the command."""

from __future__ import annotations

import csv
import re
import shutil
from pathlib import Path

import pytest
from support.here_and_now import HereAndNow

import buslens
from buslens.checks.findings import Verdict
from buslens.fleet import run_fleet
from buslens.fleet.local_pool import LocalPool
from buslens.fleet.page.page_data import gather
from buslens.fleet.page.urgency import Urgency
from buslens.fleet.queries import feedback_paths

ROOT = Path(__file__).resolve().parents[2]


def test_run_twice(tmp_path: Path) -> None:
    source, out = tmp_path / "captures", tmp_path / "out"
    source.mkdir()
    shutil.copy(ROOT / "sample_logs" / "car04_ground_open.log", source)
    told: list[str] = []
    expectations = ROOT / "signal_defs" / "steering_lock.toml"

    def run(**more: str) -> buslens.FleetRun:
        listener = buslens.FleetListener(note=told.append, stage=told.append)
        return buslens.run_fleet(
            source, out, expectations=expectations, workers=HereAndNow(), junit=tmp_path / "x.xml", listener=listener,
            **more,
        )  # fmt: skip

    first = run(name="{vehicle}_*")
    assert (first.folder, first.report, first.has_tables) == (out, out / "index.html", True)
    assert (first.done.judged, first.done.unchanged, first.problems) == (1, 0, 0)
    with (out / "captures.csv").open(encoding="utf-8") as file:
        (row,) = csv.DictReader(file)
    assert (row["vehicle"], row["verdict"]) == ("car04", "faulty")
    assert "car04_ground_open.log" in (tmp_path / "x.xml").read_text(encoding="utf-8")
    assert told == ["comparing the fleet", "writing the tables", "writing the fleet report"]
    again = run(name="{vehicle}_*")
    assert (again.done.judged, again.done.unchanged) == (0, 1)
    with pytest.raises(buslens.UsageError, match="give one of them"):
        run(name="{vehicle}_*", vehicles="list.csv")
    with buslens.open_ledger(out) as ledger:
        assert next(iter(ledger.rows("SELECT count(*) FROM capture"))) == (1,)
        assert feedback_paths(ledger) == {frozenset({"unlock_feedback", "data_feedback"})}


def test_the_ignition_is_what_may_follow_a_feedback_whatever_it_is_called(tmp_path: Path) -> None:
    """A car whose file calls the role otherwise is as urgent, and the same is said first of its capture."""
    sample, shipped = ROOT / "sample_logs" / "car08_intermittent_connector.log", ROOT / "signal_defs"
    rules = tmp_path / "own.toml"
    shutil.copy(shipped / "pinewick.dbc", tmp_path)
    text = (shipped / "steering_lock.toml").read_text(encoding="utf-8")
    rules.write_text(re.sub(r"\bignition(?= is| becomes|\])", "drive_power", text), encoding="utf-8")
    assert buslens.check(sample, rules).summary == buslens.check(sample).summary
    out = tmp_path / "out"
    done = buslens.run_fleet(sample, out, name="{vehicle}_*", expectations=rules, workers=HereAndNow())
    assert done.done.verdicts[Verdict.FAULTY] == 1
    with buslens.open_ledger(out) as ledger:
        (one,) = gather(ledger).standings
    assert one.urgency is Urgency.IGNITION


@pytest.mark.parametrize(("seconds", "is_compiled"), [(None, False), (5.0, True), (300.0, False)])
def test_kernels_are_compiled_first_only_where_that_could_make_a_capture_late(
    seconds: float | None, is_compiled: bool
) -> None:
    pool = run_fleet._pool(1, None, seconds, None, print)
    assert isinstance(pool, LocalPool)
    assert (pool._begin is not None) == is_compiled
