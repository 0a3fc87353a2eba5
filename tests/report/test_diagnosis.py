"""What a person reads of a diagnosis."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from support.handmade import result, step_finding
from support.small_causes import cause, causes, measurement, observed

import buslens
from buslens.causes.advice import AdviceKind, advise
from buslens.causes.diagnosis import Diagnosis, diagnose
from buslens.causes.load import load_causes
from buslens.causes.model import CauseKind, Causes, ResultRange
from buslens.causes.ranking import rank
from buslens.causes.readings import Reading
from buslens.causes.signs import SignStatus
from buslens.checks.findings import Verdict
from buslens.report.diagnosis import NOT_TOLD_APART, NOT_TOLD_APART_YET, last_line, limits_of, share, text
from buslens.report.safety_notes import RECORDING_CAUTIONS

WIRES = (cause("a", usual=["dead"]), cause("b", usual=["dead"], readings={"m": ["bad"]}), cause("c", usual=["dead"]))


def made(file: Causes, *readings: tuple[str, str]) -> Diagnosis:
    """Return a diagnosis of a car that shows the sign "dead"."""
    seen = observed(file, dead=SignStatus.PRESENT, late=SignStatus.ABSENT, stalls=SignStatus.UNDECIDED)
    ranking = rank(file, seen, dict(readings))
    return Diagnosis(
        results=(result(step_finding(), path="car.log", verdict=Verdict.FAULTY, summary="it is dead"),),
        causes=file,
        observations=tuple(seen),
        readings=tuple(Reading(measurement=name, text=got, result=got) for name, got in readings),
        ranking=ranking,
        advice=advise(file, ranking, dict(readings)),
    )


class TestNothingShown:
    """A log that shows neither a fault nor a handshake sends nobody to the car with a meter."""

    def test_record_again(self) -> None:
        folder = Path(__file__).parents[2]
        idle = buslens.check(folder / "sample_logs/car12_nobody_comes.log", folder / "signal_defs/steering_lock.toml")
        found = diagnose([idle], load_causes(folder / "signal_defs/steering_lock.causes.toml", idle.expectations))
        told = text(found)
        assert found.advice.step is AdviceKind.RECORD
        assert "Measure next" not in told
        assert "Possible causes" not in told
        assert told.index(RECORDING_CAUTIONS[0]) < told.rindex("record again: start button pressed")


class TestText:
    """Short, in the trade's words, what to do next last."""

    def test_group(self) -> None:
        told = text(made(causes(WIRES, [measurement("m", ["good", "bad"])])), in_full=True)
        assert NOT_TOLD_APART in told
        assert " ?  1 sign undecided, no evidence either way" in told
        assert told.splitlines()[-1].startswith("Next: measure m")

    def test_many_alike_are_counted(self) -> None:
        """Four are named, the rest in one line, and what speaks for all of them is said once."""
        told = text(made(causes([cause(name, usual=["dead"]) for name in "abcdefg"], [])))
        assert re.search(r"\n +43 %  3 more\n", told)
        assert told.count("for: ") == 1

    def test_group_after_readings(self) -> None:
        told = text(made(causes(WIRES, [measurement("m", ["good", "bad"])]), ("m", "good")))
        assert NOT_TOLD_APART_YET in told
        assert " =  m good" in told

    def test_nothing_left_to_measure(self) -> None:
        assert last_line(made(causes(WIRES))).endswith(
            "Examine, in this order: a is broken; then b is broken; then c is broken."
        )

    def test_repair(self) -> None:
        told = last_line(made(causes([WIRES[0], cause("well", kind=CauseKind.NOTHING)])))
        assert told == "A is broken (98 %). Mend a. Then record again, and compare the two."

    def test_lines_are_wrapped(self) -> None:
        told = text(made(causes(WIRES, [measurement("m", ["good", "bad"])])), width=60)
        assert max(map(len, told.splitlines())) <= 60

    def test_what_a_file_says_cannot_steer_the_terminal(self) -> None:
        file = causes([cause("a\x1b[2J", usual=["dead"])])
        assert "\x1b" not in text(made(file))


class TestWords:
    """Probabilities and limits as a person says them."""

    @pytest.mark.parametrize(
        ("chance", "words"), [(0.0, "0 %"), (0.001, "<1 %"), (0.5, "50 %"), (0.999, ">99 %"), (1.0, "100 %")]
    )
    def test_share(self, chance: float, words: str) -> None:
        assert share(chance) == words

    @pytest.mark.parametrize(
        ("least", "below", "words"),
        [(None, None, ""), (1.0, None, "at least 1 V"), (None, 1.0, "below 1 V"), (1.0, 11.5, "1 to 11.5 V")],
    )
    def test_limits(self, least: float | None, below: float | None, words: str) -> None:
        assert limits_of(ResultRange(name="it", least=least, below=below), "V") == words
