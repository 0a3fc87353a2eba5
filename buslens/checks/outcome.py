"""What a finding is made of: outcome, times with their doubt, limits, and what was seen."""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum
from typing import Self


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
        return self is not Outcome.MET and self is not Outcome.UNDECIDED


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

    @classmethod
    def hull(cls, spans: Sequence[Self]) -> Self:
        """Return the bounds that hold all of several; without an upper end if one has none."""
        ends = [span.latest_ns for span in spans if span.latest_ns is not None]
        return cls(
            earliest_ns=min(span.earliest_ns for span in spans),
            latest_ns=max(ends) if len(ends) == len(spans) else None,
        )

    @property
    def end_ns(self) -> int:
        """The upper end; the lower one where there is none."""
        return self.earliest_ns if self.latest_ns is None else max(self.earliest_ns, self.latest_ns)


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
