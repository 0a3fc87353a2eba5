"""A few captures are judged again by what their groups are judged on."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

import pytest
from support.sheets import capture

import buslens
from buslens.capture.table_settings import TableSettings
from buslens.causes.load import find_causes
from buslens.errors import UsageError
from buslens.fleet.check_job import Task, check_job, load
from buslens.fleet.ledger import Ledger
from buslens.fleet.model import CaptureJob, Group
from buslens.fleet.page import recheck
from buslens.fleet.page.page import sheet
from buslens.fleet.page.recheck import check_again, checking, explaining

ROOT = Path(__file__).parents[3]
EXPECTATIONS = str(ROOT / "signal_defs" / "steering_lock.toml")
SLOW = str(ROOT / "sample_logs" / "car07_slow_motor.log")
HEALTHY = str(ROOT / "sample_logs" / "car01_healthy.log")
CLUB = Group(name="club", vehicles=("*",), expectations=EXPECTATIONS)


class TestJudging:
    """The same verdict as that of the command, under the capture's own address, and each file is loaded once."""

    def test_a_sample(self, monkeypatch: pytest.MonkeyPatch) -> None:
        loaded = []
        prepare = recheck.prepare
        monkeypatch.setattr(recheck, "prepare", lambda *given: loaded.append(given) or prepare(*given))
        again = checking([CLUB])
        one = capture(1)._replace(address=Path(SLOW).as_uri(), group="club")
        result = again(one)
        again(one._replace(address=SLOW))
        assert [given for given in loaded if given == (EXPECTATIONS, None)] == [(EXPECTATIONS, None)]
        assert result.path == one.address
        plain = buslens.check(SLOW, expectations=EXPECTATIONS)
        assert [(it.rule, it.reason) for it in result.findings] == [(it.rule, it.reason) for it in plain.findings]

    def test_a_group_that_is_no_more(self) -> None:
        with pytest.raises(UsageError, match="group 'trucks'"):
            checking([CLUB])(capture(1)._replace(group="trucks"))

    def test_a_capture_that_is_gone(self, tmp_path: Path) -> None:
        again = checking([CLUB])
        with pytest.raises((OSError, buslens.BuslensError), match=r"gone\.log"):
            again(capture(1)._replace(address=str(tmp_path / "gone.log"), group="club"))


class TestExplaining:
    """The leading cause of a faulty capture, by the causes beside its expectations."""

    def test_a_sample(self) -> None:
        result = buslens.check(SLOW, expectations=EXPECTATIONS)
        causes = buslens.load_causes(find_causes(EXPECTATIONS), result.expectations)
        first = buslens.diagnose([result], causes).ranking.hypotheses[0]
        told = explaining()(result)
        assert told.startswith(f"{first.title} (")
        assert "motor" in told

    def test_nothing_to_explain(self, tmp_path: Path) -> None:
        explain = explaining()
        assert explain(buslens.check(HEALTHY, expectations=EXPECTATIONS)) == ""
        copy = tmp_path / "rules.toml"
        copy.write_bytes(Path(EXPECTATIONS).read_bytes())
        shutil.copy(ROOT / "signal_defs" / "pinewick.dbc", tmp_path)
        result = buslens.check(SLOW, expectations=copy)
        assert explain(result) == ""
        copy.with_name("rules.causes.toml").write_text("format = 2", encoding="utf-8")
        assert explaining()(result) == ""

    def test_stands_in_the_row(self, tmp_path: Path) -> None:
        job = CaptureJob(address=SLOW, vehicle="car07", recorded_ns=1, group=CLUB, size=None, stamp="1")
        with Ledger.writing(tmp_path) as ledger:
            ledger.put(job, check_job(Task(job=job, ground=load(CLUB)[1])))
            written = sheet(ledger, again=checking([CLUB])).decode()
        assert "Most likely: lock motor worn" in written


def test_what_is_said_about_tables_counts_again(tmp_path: Path) -> None:
    """A picture and a page show what the fleet found, also in a table that cannot be read without being told how."""
    table = tmp_path / "car01.csv"
    frames = [f"{10_000 * n},137,0000000000000000" for n in range(400)]
    table.write_text("\n".join(["time,id,data", *frames, ""]), encoding="utf-8")
    told = replace(CLUB, table=TableSettings(id_base=16, time_unit="us"))
    assert check_again(str(table), told, load(told)[0]).stats.frames == 400
    with pytest.raises(buslens.CaptureError, match="hexadecimal or decimal"):
        check_again(str(table), CLUB, load(CLUB)[0])
