"""What the rules found: findings, what they rest on, and the verdict that they add up to."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass, field
from enum import Enum
from functools import cached_property
from itertools import accumulate, chain
from typing import TYPE_CHECKING, overload

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping

    import pandas as pd

    from buslens.capture.frames import ReadStats
    from buslens.checks.sources import RecordedTogether
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


@dataclass(frozen=True, slots=True, kw_only=True, weakref_slot=True)
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


class FindingSequence(Sequence[Finding]):
    """Findings of which not all are records yet; equal to any other sequence of the same findings."""

    #: Those that are, in order of time; all others are met.
    made: tuple[Finding, ...]

    def at(self, index: int) -> Finding:
        """Return one of them, counted from 0."""
        raise NotImplementedError

    def digest(self) -> Iterator[Finding]:
        """Yield the made ones, and of the others as many as tell how fast each step came."""
        return iter(self.made)

    def handshakes_in_columns(self, rule: str) -> int:  # noqa: ARG002 - of no rule
        """Return how many handshakes of a rule are met throughout, and have no finding that is made."""
        return 0

    @overload
    def __getitem__(self, index: int) -> Finding: ...
    @overload
    def __getitem__(self, index: slice) -> tuple[Finding, ...]: ...
    def __getitem__(self, index: int | slice) -> Finding | tuple[Finding, ...]:
        places = range(len(self))[index]
        return self.at(places) if isinstance(places, int) else tuple(map(self.at, places))

    def __iter__(self) -> Iterator[Finding]:
        return map(self.at, range(len(self)))

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, Sequence):
            return NotImplemented
        return len(self) == len(other) and all(one == it for one, it in zip(self, other, strict=True))

    __hash__ = None  # type: ignore[assignment]  # no more than a list

    def __repr__(self) -> str:
        return f"<{len(self)} findings>"


class Findings(FindingSequence):
    """All findings of a capture, in order of rule and time.

    Parameters
    ----------
    parts : iterable of sequences of Finding
        What one rule after the other found.
    """

    def __init__(self, parts: Iterable[Sequence[Finding]]) -> None:
        self.parts = tuple(parts)
        self._ends = tuple(accumulate(map(len, self.parts)))

    @classmethod
    def of(cls, findings: Sequence[Finding]) -> Findings:
        """Return any findings as such."""
        return findings if isinstance(findings, Findings) else cls([findings])

    def __len__(self) -> int:
        return self._ends[-1] if self._ends else 0

    def __iter__(self) -> Iterator[Finding]:
        return chain.from_iterable(self.parts)

    def at(self, index: int) -> Finding:
        """Return one of them, counted from 0."""
        number = bisect_right(self._ends, index)
        return self.parts[number][index - (self._ends[number - 1] if number else 0)]

    def to_pandas(self) -> pd.DataFrame:
        """Return a table with a row for each finding; its columns are those of `buslens.checks.tables.FINDINGS`."""
        from buslens.checks.tables import FINDINGS, to_pandas

        return to_pandas(FINDINGS, self)

    @cached_property
    def made(self) -> tuple[Finding, ...]:  # type: ignore[override]  # read only, as all that is said of findings
        """Those that are records already; all others are met."""
        parts = (part.made if isinstance(part, FindingSequence) else part for part in self.parts)
        return tuple(chain.from_iterable(parts))

    def digest(self) -> Iterator[Finding]:
        """Yield the made ones, and of the others as many as tell how fast each step came."""
        for part in self.parts:
            yield from part.digest() if isinstance(part, FindingSequence) else part

    def met_handshakes(self, rule: str) -> int:
        """Return in how many handshakes a step of a rule came in its time."""
        made = {it.handshake for it in self.made if it.rule == rule and it.outcome is Outcome.MET}
        parts = (part for part in self.parts if isinstance(part, FindingSequence))
        return len(made) + sum(part.handshakes_in_columns(rule) for part in parts)

    @cached_property
    def unmet(self) -> tuple[Finding, ...]:
        """Faults, and what is undecided, in their order."""
        return tuple(it for it in self.made if it.outcome is not Outcome.MET)


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


class Delays(tuple[Finding, ...]):
    """The findings on the steps of handshakes, in order of rule and time."""

    __slots__ = ()

    def to_pandas(self) -> pd.DataFrame:
        """Return a table with a row for each step; its columns are those of `buslens.checks.tables.DELAYS`."""
        from buslens.checks.tables import DELAYS, to_pandas

        return to_pandas(DELAYS, self)


class Handshakes(tuple[Handshake, ...]):
    """The handshakes of a capture, in order of rule and time."""

    __slots__ = ()

    def to_pandas(self) -> pd.DataFrame:
        """Return a table with a row for each; its columns are those of `buslens.checks.tables.HANDSHAKES`."""
        from buslens.checks.tables import HANDSHAKES, to_pandas

        return to_pandas(HANDSHAKES, self)


@dataclass(frozen=True, slots=True, kw_only=True)
class Result:
    """One capture, judged."""

    path: str
    verdict: Verdict
    #: Why the verdict is what it is, one sentence.
    summary: str
    findings: Findings
    handshakes: Handshakes
    #: Rules that found nothing to judge.
    unexercised: tuple[str, ...]
    timelines: Mapping[str, Timeline]
    stats: ReadStats
    expectations: Expectations
    #: Things the user should know that are no finding, such as a role whose message came on two channels.
    notes: tuple[str, ...] = field(default=())
    #: Those of the notes that name a needed message which the capture has not one frame of.
    absent: tuple[str, ...] = field(default=())
    #: What each of several recordings shows, with the doubt of its clock; None: there is one.
    together: RecordedTogether | None = field(default=None, repr=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "findings", Findings.of(self.findings))
        object.__setattr__(self, "handshakes", Handshakes(self.handshakes))

    @property
    def delays(self) -> Delays:
        """What was found of each step of each handshake."""
        return Delays(it for it in self.findings if it.step is not None and it.handshake is not None)

    @property
    def origin_ns(self) -> int:
        """Axis time of the first frame, from which people's times are counted."""
        return self.stats.first_ns or 0
