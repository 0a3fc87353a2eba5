"""A diagnosis becomes rows of a record: nothing is lost, and probabilities add up."""

from __future__ import annotations

from pathlib import Path

import pytest

import buslens
from buslens.causes.diagnosis import Diagnosis, diagnose
from buslens.causes.load import load_causes
from buslens.causes.readings import read_reading
from buslens.report.diagnosis import last_line
from buslens.report.record.ranked_causes import suspects_of

ROOT = Path(__file__).parents[3]


@pytest.fixture(scope="module")
def found() -> Diagnosis:
    """Return the diagnosis of a blown fuse, with two readings."""
    expectations = buslens.load_expectations(ROOT / "signal_defs" / "steering_lock.toml")
    result = buslens.check(ROOT / "sample_logs" / "car03_load_fuse_blown.log", expectations=expectations)
    causes = load_causes(ROOT / "signal_defs" / "steering_lock.causes.toml", expectations)
    return diagnose([result], causes, [read_reading(it, causes) for it in ("supply_at_lock=0.1V", "load_fuse=blown")])


class TestSuspects:
    """Causes in their groups, readings with what a healthy vehicle shows, and the advice."""

    def test_groups(self, found: Diagnosis) -> None:
        groups = suspects_of(found).groups
        assert groups[0][0].title == found.ranking.hypotheses[0].title
        assert groups[0][0].repair
        assert sum(one.share for group in groups for one in group) == pytest.approx(1, abs=0.01)

    def test_readings(self, found: Diagnosis) -> None:
        supply, fuse = suspects_of(found).readings
        measurement = found.causes.measurements["supply_at_lock"]
        assert supply.reading == "0.1V"
        assert measurement.do in supply.what
        assert measurement.where in supply.what
        assert supply.expected.startswith("at least ")
        assert supply.expected.endswith(f"({measurement.expect})")
        assert supply.basis == measurement.basis
        assert (fuse.reading, fuse.expected) == ("blown", "whole")

    def test_advice(self, found: Diagnosis) -> None:
        advice = suspects_of(found).advice
        assert advice == last_line(found) if found.advice.measurement is None else found.advice.measurement.do in advice
        assert "--" not in advice
        assert found.causes.numbers.basis in suspects_of(found).basis
