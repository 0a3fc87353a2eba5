"""What a diagnosis adds to a record: causes in their groups, readings with their limits, and the advice."""

from dataclasses import dataclass

from buslens.causes.diagnosis import Diagnosis
from buslens.causes.readings import Reading
from buslens.causes.signs import Observation
from buslens.report.diagnosis import WORTH_TELLING, last_line, limits_of
from buslens.report.strip import informative


@dataclass(frozen=True, slots=True, kw_only=True)
class RankedCause:
    """One cause, or two at once."""

    title: str
    #: Probability, 0 to 1.
    share: float
    #: What would put it right; empty if not said.
    repair: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class MadeReading:
    """One measurement that was made, with what it was checked against."""

    #: What was done, and where.
    what: str
    reading: str
    #: What it means.
    means: str
    #: What a healthy vehicle shows.
    expected: str
    #: Where that is from.
    basis: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Suspects:
    """The outcome of a diagnosis."""

    #: Most probable first; the members of one group cannot be told apart.
    groups: tuple[tuple[RankedCause, ...], ...]
    readings: tuple[MadeReading, ...]
    #: What was to be done next, one sentence.
    advice: str
    #: What the probabilities rest on.
    basis: str
    #: What speaks most clearly for the leading cause; None if no signal does.
    clue: Observation | None = None


def suspects_of(diagnosis: Diagnosis) -> Suspects:
    """Return what a diagnosis adds to a record."""
    groups = []
    for group in diagnosis.ranking.groups:
        told = tuple(
            RankedCause(title=it.title, share=it.posterior, repair=it.repair)
            for it in group
            if it.posterior >= WORTH_TELLING
        )
        groups += [told] if told else []
    rest = 1.0 - sum(one.share for group in groups for one in group)
    if rest >= WORTH_TELLING:
        groups.append((RankedCause(title="everything else together", share=rest),))
    causes = diagnosis.causes
    return Suspects(
        groups=tuple(groups),
        readings=tuple(_reading(it, diagnosis) for it in diagnosis.readings),
        advice=_advice(diagnosis),
        basis=f"Causes by {causes.path} ({causes.about}). Numbers behind the words: {causes.numbers.basis}.",
        clue=informative(diagnosis),
    )


def _advice(diagnosis: Diagnosis) -> str:
    """Return what to do next for somebody who reads paper: without anything of the program."""
    measurement = diagnosis.advice.measurement
    if measurement is None:
        return last_line(diagnosis)
    return f"Before anything is repaired: {measurement.do} Where: {measurement.where}; {measurement.state}."


def _reading(reading: Reading, diagnosis: Diagnosis) -> MadeReading:
    measurement = diagnosis.causes.measurements[reading.measurement]
    wanted = measurement.result(measurement.expect)
    limits = limits_of(wanted, measurement.unit)
    return MadeReading(
        what=f"{measurement.do} Where: {measurement.where}; {measurement.state}.",
        reading=reading.text,
        means=measurement.result(reading.result).means or ("" if reading.text == reading.result else reading.result),
        expected=f"{limits} ({wanted.name})" if limits else wanted.name,
        basis=measurement.basis,
    )
