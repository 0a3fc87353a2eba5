"""What the rules found: findings, what they rest on, and the verdict that they add up to."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property, partial
from pathlib import Path
from typing import TYPE_CHECKING, Final

from buslens.capture.frames import Clock, ReadStats
from buslens.capture.table_settings import NOTHING_TOLD, TableSettings
from buslens.checks.outcome import Evidence, Limit, Outcome, TimeBounds, Verdict
from buslens.checks.records import ColumnRecords, JoinedRecords

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
    from collections.abc import Set as AbstractSet

    import pandas as pd

    from buslens.checks.context import EvaluationContext
    from buslens.checks.sources import RecordedTogether
    from buslens.expectations.model import Expectations, Rule
    from buslens.timeline.model import Timeline


__all__ = ["Evidence", "Finding", "Handshake", "Limit", "Outcome", "Result", "TimeBounds", "Verdict", "finding_by"]

_LINE: Final = 100
"""Characters that a result takes in a terminal at most."""
_SHOWN_BY: Callable[[Result], str] | None = None


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
    time_ns: int | None = None
    #: Measured delay or length.
    delay: TimeBounds | None = None
    limit: Limit | None = None
    #: Where the clock of `delay` began: the reference edge of a step, the start of a pulse or an episode.
    reference: TimeBounds | None = None
    evidence: tuple[Evidence, ...] = ()
    step: str | None = None
    #: Run of the sequence, counted from 1.
    handshake: int | None = None
    #: How often a rule that is met throughout was checked.
    count: int | None = None
    basis: str = ""
    #: Whether the awaited change came after all, though too late to be the answer.
    came_too_late: bool = field(default=False, compare=False)

    @property
    def is_on_step(self) -> bool:
        """Whether it is about a step of a handshake."""
        return self.step is not None and self.handshake is not None


def finding_by(rule: Rule) -> partial[Finding]:
    """Return what makes findings of a rule, which have its name, kind and basis."""
    return partial(Finding, rule=rule.name, kind=rule.KIND, basis=rule.basis)


class FindingColumns(ColumnRecords[Finding]):
    """Findings of one rule of which not all are made; all others are met."""

    def digest(self) -> Iterator[Finding]:
        """Yield the made ones, and of the others as many as tell how fast each step came."""
        raise NotImplementedError

    def met_handshakes(self) -> int:
        """Return how many handshakes have no finding that is made."""
        raise NotImplementedError

    def of_handshakes(self, numbers: AbstractSet[int]) -> list[Finding]:
        """Return those on some handshakes, in their order."""
        raise NotImplementedError

    def on_steps(self) -> FindingColumns:
        """Return those on the steps of handshakes."""
        raise NotImplementedError

    def during(self, first_ns: int, last_ns: int) -> list[Finding]:
        """Return the made ones, and of the others those that a stretch of time has to do with, in their order."""
        raise NotImplementedError


class Findings(JoinedRecords[Finding]):
    """All findings of a capture, in order of rule and time."""

    @classmethod
    def of(cls, findings: Sequence[Finding]) -> Findings:
        """Return any findings as such."""
        return findings if isinstance(findings, Findings) else cls([findings])

    def to_pandas(self) -> pd.DataFrame:
        """Return a table with a row for each finding; its columns are those of `buslens.checks.tables.FINDINGS`."""
        from buslens.checks.tables import FINDINGS, to_pandas

        return to_pandas(FINDINGS, self)

    def digest(self) -> Iterator[Finding]:
        """Yield the made ones, and of the others as many as tell how fast each step came."""
        for part in self.parts:
            yield from part.digest() if isinstance(part, FindingColumns) else part

    def of_handshakes(self, rule: str, numbers: AbstractSet[int]) -> list[Finding]:
        """Return those on some handshakes of a rule, in their order; no others are made."""
        found: list[Finding] = []
        for part in self.parts:
            own = part.of_handshakes(numbers) if isinstance(part, FindingColumns) else part
            found += [it for it in own if it.rule == rule and it.handshake in numbers]
        return found

    def during(self, first_ns: int, last_ns: int) -> list[Finding]:
        """Return all that is wrong, and at least what is met in a stretch of time, both ends included, in order."""
        parts = (it.during(first_ns, last_ns) if isinstance(it, FindingColumns) else it for it in self.parts)
        return [finding for part in parts for finding in part]

    def met_handshakes(self, rule: str, step: str | None = None) -> int:
        """Return in how many handshakes a step of a rule came in its time; without its name, any of them."""
        met = (it for it in self.made if it.rule == rule and it.outcome is Outcome.MET)
        made = {it.handshake for it in met if step is None or it.step == step}
        parts = (it for it in self.parts if isinstance(it, FindingColumns) and len(it) and it[0].rule == rule)
        return len(made) + sum(part.met_handshakes() for part in parts)

    @cached_property
    def unmet(self) -> tuple[Finding, ...]:
        """Faults, and what is undecided, in their order."""
        return tuple(it for it in self.made if it.outcome is not Outcome.MET)


@dataclass(frozen=True, slots=True, kw_only=True, weakref_slot=True)
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


class Delays(JoinedRecords[Finding]):
    """The findings on the steps of handshakes, in order of rule and time."""

    def to_pandas(self) -> pd.DataFrame:
        """Return a table with a row for each step; its columns are those of `buslens.checks.tables.DELAYS`."""
        from buslens.checks.tables import DELAYS, to_pandas

        return to_pandas(DELAYS, self)


class Handshakes(JoinedRecords[Handshake]):
    """The handshakes of a capture, in order of rule and time."""

    @classmethod
    def of(cls, handshakes: Iterable[Handshake]) -> Handshakes:
        """Return any handshakes as such."""
        return handshakes if isinstance(handshakes, Handshakes) else cls([tuple(handshakes)])

    def to_pandas(self) -> pd.DataFrame:
        """Return a table with a row for each; its columns are those of `buslens.checks.tables.HANDSHAKES`."""
        from buslens.checks.tables import HANDSHAKES, to_pandas

        return to_pandas(HANDSHAKES, self)

    @property
    def completed(self) -> int:
        """In how many every step was seen."""
        return len(self) - sum(not it.completed for it in self.made)


@dataclass(frozen=True, slots=True, kw_only=True)
class Result:
    """One capture, checked."""

    path: str
    verdict: Verdict
    #: Why the verdict is what it is, one sentence.
    summary: str
    findings: Findings
    handshakes: Handshakes
    #: Rules that found nothing to check.
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
    #: What was said about its table, so that it can be read again in the same way.
    table: TableSettings = field(default=NOTHING_TOLD, repr=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "findings", Findings.of(self.findings))
        object.__setattr__(self, "handshakes", Handshakes.of(self.handshakes))
        self.findings.is_dated = self.handshakes.is_dated = self.is_dated

    def __repr__(self) -> str:
        line = f"<Result of {Path(self.path).name}: {self.verdict.value.replace('_', ' ')}: {self.summary}"
        return f"{line if len(line) < _LINE else f'{line[: _LINE - 4]}...'}>"

    def _repr_html_(self) -> str | None:
        return None if _SHOWN_BY is None else _SHOWN_BY(self)

    @property
    def delays(self) -> Delays:
        """What was found of each step of each handshake."""
        delays = Delays(
            part.on_steps() if isinstance(part, FindingColumns) else tuple(it for it in part if it.is_on_step)
            for part in self.findings.parts
        )
        delays.is_dated = self.is_dated
        return delays

    def context_of(self, roles: AbstractSet[str]) -> EvaluationContext | None:
        """Return what the capture, and what was recorded beside it, shows of some roles; None if not one thing."""
        from buslens.checks.sources import Recording

        if self.together is not None:
            context = self.together.context_of(roles)
            return None if isinstance(context, str) else context
        return Recording.of(self.path, self.stats, self.timelines).context

    @property
    def is_dated(self) -> bool:
        """Whether times are those of a calendar: of a log with the time of day in UTC, else as they stand."""
        return self.stats.clock in {Clock.WALL, Clock.LOCAL}

    @property
    def origin_ns(self) -> int:
        """Axis time of the first frame, from which people's times are counted."""
        return self.stats.first_ns or 0


def show_by(html: Callable[[Result], str]) -> None:
    """Let notebooks show results as a function says, which belongs to a layer behind this one."""
    global _SHOWN_BY  # noqa: PLW0603
    _SHOWN_BY = html
