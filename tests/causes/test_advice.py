"""What to do next."""

from __future__ import annotations

import pytest
from support.small_causes import cause, causes, measurement, observed

from buslens.causes.advice import AdviceKind, advise
from buslens.causes.model import CauseKind, Causes
from buslens.causes.ranking import rank
from buslens.causes.signs import SignStatus


def advice(file: Causes, **readings: str):
    return advise(file, rank(file, observed(file, dead=SignStatus.PRESENT), readings), readings)


class TestMeasure:
    """The measurement that tells most per minute comes first, with what each result would leave."""

    WIRES = (
        cause("a", usual=["dead"], readings={"split": ["bad"]}),
        cause("b", usual=["dead"], readings={"split": ["bad"]}),
        cause("c", usual=["dead"]),
        cause("d", usual=["dead"], readings={"only_d": ["bad"]}),
    )

    def test_halves_come_before_quarters(self) -> None:
        file = causes(self.WIRES, [measurement("only_d", ["good", "bad"]), measurement("split", ["good", "bad"])])
        found = advice(file)
        assert found.step is AdviceKind.MEASURE
        assert found.measurement is not None
        assert found.measurement.name == "split"
        assert found.gain == pytest.approx(1 - 0.1944, abs=1e-3)  # one bit, less the entropy of 0.97 and 0.03

    def test_a_quick_one_comes_before_a_telling_one(self) -> None:
        quick = measurement("only_d", ["good", "bad"], minutes=1)
        found = advice(causes(self.WIRES, [quick, measurement("split", ["good", "bad"], minutes=5)]))
        assert found.measurement == quick

    def test_outlooks(self) -> None:
        found = advice(causes(self.WIRES, [measurement("split", ["good", "bad"])]))
        assert sum(it.probability for it in found.outlooks) == pytest.approx(1.0)
        bad = next(it for it in found.outlooks if it.result == "bad")
        assert [it.name for it, _ in bad.leaves[:2]] == ["a", "b"]
        assert bad.leaves[0][1] == pytest.approx(0.97 / 2)

    def test_what_was_measured_is_not_asked_for_again(self) -> None:
        file = causes(self.WIRES, [measurement("only_d", ["good", "bad"]), measurement("split", ["good", "bad"])])
        found = advice(file, split="bad")
        assert found.measurement is None or found.measurement.name != "split"

    def test_what_tells_nothing_is_not_asked_for(self) -> None:
        found = advice(causes(self.WIRES, [measurement("idle", ["good", "bad"])]))
        assert found.step is AdviceKind.EXAMINE
        assert {it.name for it in found.hypotheses} == {"a", "b", "c", "d"}


class TestParts:
    """A part is never the first advice while something cheaper that explains as much has not been looked at."""

    UNIT = cause("unit", kind=CauseKind.PART, weight=100, usual=["dead"], readings={})
    FUSE = cause("fuse", kind=CauseKind.FUSE, weight=1, usual=["dead"], readings={"look": ["blown"]})

    def test_sure_of_the_part(self) -> None:
        file = causes([self.UNIT, cause("fuse", kind=CauseKind.FUSE, weight=1, usual=["late"])])
        found = advice(file)
        assert (found.step, found.hypotheses[0].name) == (AdviceKind.REPAIR, "unit")

    def test_cheap_thing_first(self) -> None:
        found = advice(causes([self.UNIT, self.FUSE], [measurement("look", ["whole", "blown"], minutes=60)]))
        assert found.step is AdviceKind.MEASURE
        assert found.measurement is not None
        assert found.measurement.name == "look"

    def test_part_once_the_cheap_thing_is_ruled_out(self) -> None:
        file = causes([self.UNIT, self.FUSE], [measurement("look", ["whole", "blown"])])
        found = advice(file, look="whole")
        assert (found.step, found.hypotheses[0].name) == (AdviceKind.REPAIR, "unit")

    def test_examined_by_hand_where_nothing_measures_it(self) -> None:
        found = advice(causes([self.UNIT, self.FUSE]))
        assert found.step is AdviceKind.EXAMINE
        assert [it.name for it in found.hypotheses] == ["fuse", "unit"]

    @pytest.mark.parametrize("kind", [CauseKind.FUSE, CauseKind.CONNECTOR, CauseKind.WIRE])
    def test_a_cheap_thing_is_advised_at_once(self, kind: CauseKind) -> None:
        found = advice(
            causes([cause("it", kind=kind, usual=["dead"]), cause("unit", kind=CauseKind.PART, usual=["late"])])
        )
        assert (found.step, found.hypotheses[0].name) == (AdviceKind.REPAIR, "it")
