"""What the rules found: findings, what they rest on, and the verdict that they add up to."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import Enum
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping

    from buslens.capture.frames import ReadStats
    from buslens.expectations.model import Expectations
    from buslens.timeline.model import Timeline


class Outcome(Enum):
    """What one rule found at one place."""

    MET = "met"
    EARLY = "early"
    LATE = "late"
    MISSING = "missing"
    OUT_OF_ORDER = "out_of_order"
    VIOLATED = "violated"
    UNDECIDED = "undecided"

    @property
    def is_fault(self) -> bool:
        """Whether it makes a capture faulty."""
        return self not in {Outcome.MET, Outcome.UNDECIDED}


class Verdict(Enum):
    """What the findings of a capture add up to."""

    AS_EXPECTED = "as_expected"
    FAULTY = "faulty"
    UNDECIDED = "undecided"


@dataclass(frozen=True, slots=True, kw_only=True)
class TimeBounds:
    """A time or a length of time that is known only to lie between two ends, both included, in ns."""

    earliest_ns: int
    #: None when there is no upper end: it was not over when the log ended.
    latest_ns: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Limit:
    """Allowed values, both ends included: ns for delays and lengths, the role's unit for a range."""

    least: float | None = None
    most: float | None = None
    #: "ns", or the unit of the role.
    unit: str = "ns"


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """One thing seen in the log that a finding rests on."""

    #: What was seen, such as "unlock_feedback becomes locked".
    what: str
    #: Role or message that showed it; empty if none did.
    role: str
    #: When it happened, on the capture's axis.
    time: TimeBounds


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """What one rule found at one place in one capture."""

    rule: str
    #: "sequence", "pulse", "never", "agree", "alive", "range" or "precedes".
    kind: str
    outcome: Outcome
    #: One sentence for a person.
    reason: str
    #: Moment to look at, on the capture's axis; None for a finding that sums up a whole capture.
    time_ns: int | None
    #: Measured delay or length.
    delay: TimeBounds | None = None
    limit: Limit | None = None
    #: Where the clock of `delay` began: the reference edge of a step, the start of a pulse or an episode.
    reference: TimeBounds | None = None
    evidence: tuple[Evidence, ...] = ()
    step: str | None = None
    #: Run of the sequence, counted from 1.
    handshake: int | None = None
    #: How often a rule that is met throughout was judged.
    count: int | None = None
    basis: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Handshake:
    """One run of a sequence."""

    rule: str
    #: Counted from 1 within the rule.
    number: int
    start: TimeBounds
    #: Axis time at which nothing more is awaited.
    end_ns: int
    #: Whether every step was seen.
    completed: bool
    #: What ended it early, such as "door_open becomes closed"; empty if nothing did.
    abandoned: str = ""
    #: How often the first step came.
    tries: int = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Result:
    """One capture, judged."""

    path: str
    verdict: Verdict
    #: Why the verdict is what it is, one sentence.
    summary: str
    findings: tuple[Finding, ...]
    handshakes: tuple[Handshake, ...]
    #: Rules that found nothing to judge.
    unexercised: tuple[str, ...]
    timelines: Mapping[str, Timeline]
    stats: ReadStats
    expectations: Expectations
    #: Things the user should know that are no finding, such as a role whose message came on two channels.
    notes: tuple[str, ...] = field(default=())
    #: Those of the notes that name a needed message which the capture has not one frame of.
    absent: tuple[str, ...] = field(default=())

    @property
    def origin_ns(self) -> int:
        """Axis time of the first frame, from which people's times are counted."""
        return self.stats.first_ns or 0
