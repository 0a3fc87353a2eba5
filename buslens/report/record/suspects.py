"""What a diagnosis adds to a record: causes in their groups, readings with their limits, and the advice."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Suspect:
    """One cause, or two at once."""

    title: str
    #: Probability, 0 to 1.
    share: float
    #: What would put it right; empty if not said.
    repair: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class MadeReading:
    """One measurement that was made, with what it was judged by."""

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
    groups: tuple[tuple[Suspect, ...], ...]
    readings: tuple[MadeReading, ...]
    #: What was to be done next, one sentence.
    advice: str
    #: What the probabilities rest on.
    basis: str
