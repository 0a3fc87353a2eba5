"""Captures from before a repair against captures from after it: what changed, and how much that proves.

A *trial* is a handshake that could be checked. It failed if a step of it is faulty, or if any other rule found a fault
while it ran; it is clean if all its steps are met and it was carried through. Handshakes that were called off or that
could not be decided prove nothing and are counted apart. What another rule found outside every handshake is checked
by the time that was recorded without it.
"""

from bisect import bisect_right
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from enum import Enum
from itertools import accumulate
from math import inf

from buslens.capture.frames import Clock
from buslens.causes.repair_statistics import (
    clean_trials_needed,
    clean_trials_needed_at,
    contradicts,
    interval,
    p_unchanged,
    quiet_needed,
    upper_bound,
)
from buslens.checks.check import Checkable, results_of
from buslens.checks.findings import Finding, Limit, Outcome, Result, TimeBounds, Verdict
from buslens.checks.verdict import worst_first


class RepairStatus(Enum):
    """What became of one rule or step."""

    STILL_WRONG = "not fixed"
    #: Wrong after, and not wrong, or not checked, before.
    NEW = "new fault"
    MENDED = "fixed"
    #: Could not be decided after: nothing of what was wrong, or something of what was not.
    UNDECIDED = "undecided now"
    #: Checked before, with nothing to check after.
    NOT_JUDGED = "not retested"
    #: Met after, and not wrong before.
    GOOD = "OK now"


class Conclusion(Enum):
    """What the two sides add up to."""

    #: Something is faulty after.
    NOT_REPAIRED = "not_repaired"
    #: Nothing is faulty after, but that may be chance, or was not all checked.
    NOT_PROVED = "not_proved"
    #: What was faulty is met, often enough.
    REPAIRED = "repaired"
    #: Nothing was faulty before, so that nothing can have been repaired.
    NOTHING_TO_PROVE = "nothing_to_prove"


@dataclass(frozen=True, slots=True, kw_only=True)
class SideSummary:
    """What one rule or step came to in all captures of one side."""

    met: int = 0
    wrong: int = 0
    undecided: int = 0
    #: Outcome and reason of its worst finding; None without findings.
    worst: Outcome | None = None
    reason: str = ""
    #: Every measured delay or length, in order.
    delays: tuple[TimeBounds, ...] = ()

    @property
    def judged(self) -> int:
        """How many findings there are."""
        return self.met + self.wrong + self.undecided

    @property
    def delay(self) -> TimeBounds | None:
        """From the least to the greatest of the delays, doubt included; None if none was measured."""
        return TimeBounds.hull(self.delays) if self.delays else None


@dataclass(frozen=True, slots=True, kw_only=True)
class ComparedItem:
    """One rule, or one step of a sequence, on both sides."""

    rule: str
    step: str | None
    before: SideSummary
    after: SideSummary
    limit: Limit | None
    change: RepairStatus

    @property
    def name(self) -> str:
        """Rule and step."""
        return self.rule if self.step is None else f"{self.rule}, {self.step}"


@dataclass(frozen=True, slots=True, kw_only=True)
class TrialCounts:
    """The handshakes of one sequence on one side."""

    clean: int = 0
    failed: int = 0
    #: Called off, or undecided.
    unjudged: int = 0

    @property
    def judged(self) -> int:
        """Clean and failed ones."""
        return self.clean + self.failed


@dataclass(frozen=True, slots=True, kw_only=True)
class RepairEvidence:
    """How much the handshakes of one sequence prove."""

    rule: str
    before: TrialCounts
    after: TrialCounts
    #: Failures and handshakes before the repair: counted in the captures, or by the user.
    history: tuple[int, int]
    #: Two-sided exact interval of that rate; None without trials.
    history_interval: tuple[float, float] | None
    #: Failure rate that the user states as known, as failures and handshakes; None where the count is used.
    known_rate: tuple[int, int] | None
    #: One-sided exact bound on the failure rate that remains; None if nothing was checked after.
    upper: float | None
    #: Clean handshakes needed; None where it never failed before.
    needed: int | None
    #: Chance of the clean handshakes if nothing was mended; None where it never failed before, or failed again.
    unchanged: float | None

    @property
    def missing(self) -> int:
        """How many more clean handshakes are needed."""
        return 0 if self.needed is None else max(self.needed - self.after.clean, 0)


@dataclass(frozen=True, slots=True, kw_only=True)
class FaultFreeTime:
    """How much it proves that something did not come again that came outside every handshake."""

    rule: str
    #: How often it came before.
    events: int
    before_ns: int
    #: Recorded since, ns; none of it counts if it came again or its rule had nothing to check.
    after_ns: int
    needed_ns: int

    @property
    def missing_ns(self) -> int:
        """How much longer has to be recorded."""
        return max(self.needed_ns - self.after_ns, 0)


@dataclass(frozen=True, slots=True, kw_only=True)
class RepairComparison:
    """Both sides, compared."""

    before: tuple[Result, ...]
    after: tuple[Result, ...]
    #: In the order of the expectations.
    compared: tuple[ComparedItem, ...]
    #: One for each sequence that ran on either side.
    proofs: tuple[RepairEvidence, ...]
    quiets: tuple[FaultFreeTime, ...]
    conclusion: Conclusion
    #: What else must be known, such as that the sides were checked against different expectations.
    notes: tuple[str, ...] = ()

    def __repr__(self) -> str:
        word = self.conclusion.value.replace("_", " ")
        return f"<RepairComparison: {word}; captures: {len(self.before)} before, {len(self.after)} after>"

    def with_change(self, *changes: RepairStatus) -> tuple[ComparedItem, ...]:
        """Return the rules and steps of which one of these became."""
        return tuple(one for one in self.compared if one.change in changes)


def compare(
    before: Checkable | Iterable[Checkable],
    after: Checkable | Iterable[Checkable],
    *,
    history: tuple[int, int] | None = None,
    known_rate: tuple[int, int] | None = None,
) -> RepairComparison:
    """Return what changed between two sets of captures, and how much that proves.

    Parameters
    ----------
    before, after : Result, path, or iterable of these
        At least one each; no capture twice, or its handshakes would count twice. A path is checked as by `check`.
    history : pair of int or None
        Failures and handshakes counted before the repair, where the user counted more than the captures show.
    known_rate : pair of int or None
        Failure rate before the repair that the user states as known, such as (1, 10). It is taken as exact, unless the
        captures from before show too few failures for it; then the count is used, and a note says so.

    Raises
    ------
    ValueError
        If a side is empty, not 1 <= failures <= handshakes in `history`, not 1 <= failures < handshakes in
        `known_rate`, or both are given.
    """
    before, after = results_of(before), results_of(after)
    if not before or not after:
        raise ValueError("both sides need at least one capture")
    if history is not None and not 1 <= history[0] <= history[1]:
        raise ValueError(f"{history[0]} of {history[1]} is no count of failures among trials")
    if known_rate is not None and (history is not None or not 1 <= known_rate[0] < known_rate[1]):
        raise ValueError(f"{known_rate[0]} in {known_rate[1]} is no rate below 1, or a count is given beside it")
    compared = tuple(_compared(before, after))
    refuted = known_rate is not None and _is_refuted(before, known_rate)
    proofs = tuple(_proofs(before, after, history, None if refuted else known_rate))
    quiets = tuple(_quiets(before, after))
    return RepairComparison(
        before=before,
        after=after,
        compared=compared,
        proofs=proofs,
        quiets=quiets,
        conclusion=_conclusion(after, compared, proofs, quiets),
        notes=tuple(_notes(before, after, known_rate if refuted else None)),
    )


def trials(results: Iterable[Result], rule: str) -> TrialCounts:
    """Return how the handshakes of a sequence ended.

    One has failed if one of its steps has, or if a fault of another rule lay in the time that it took.
    """
    clean = failed = unjudged = 0
    for result in results:
        steps: dict[int | None, list[Outcome]] = {}
        beside = []
        for finding in result.findings:
            if finding.rule == rule:
                steps.setdefault(finding.handshake, []).append(finding.outcome)
            if finding.handshake is None and finding.outcome.is_fault:
                beside.append(_extent(finding))
        faults = _Stretches(beside)
        for run in result.handshakes:
            if run.rule != rule:
                continue
            outcomes = steps.get(run.number, [])
            if any(it.is_fault for it in outcomes) or faults.touch(run.start.earliest_ns, run.end_ns):
                failed += 1
            elif run.completed and outcomes and all(it is Outcome.MET for it in outcomes):
                clean += 1
            else:
                unjudged += 1
    return TrialCounts(clean=clean, failed=failed, unjudged=unjudged)


class _Stretches:
    """Stretches of time, both ends included. A long capture has thousands, too many to pair with one another."""

    def __init__(self, stretches: Iterable[tuple[int, float]]) -> None:
        ordered = sorted(stretches)
        self._starts = [start for start, _ in ordered]
        #: The latest end of all stretches up to each.
        self._ends = list(accumulate((end for _, end in ordered), max))

    def touch(self, start: int, end: float) -> bool:
        """Whether any of them has a moment in common with another stretch."""
        begun = bisect_right(self._starts, end)
        return begun > 0 and self._ends[begun - 1] >= start


def _extent(finding: Finding) -> tuple[int, float]:
    """Return from when to when a finding lasts; infinity for one that was not over when the log ended."""
    moments = [seen.time.earliest_ns for seen in finding.evidence]
    moments += [span.earliest_ns for span in (finding.reference,) if span is not None]
    moments += [finding.time_ns] if finding.time_ns is not None else []
    if not moments:
        return 0, inf
    end = max(moments)
    if finding.reference is not None and finding.delay is not None:
        if finding.delay.latest_ns is None:
            return min(moments), inf
        end = max(end, finding.reference.earliest_ns + finding.delay.earliest_ns)
    return min(moments), end


def _compared(before: Sequence[Result], after: Sequence[Result]) -> Iterator[ComparedItem]:
    for rule, step in _keys((*before, *after)):
        sides = [_side(results, rule, step) for results in (before, after)]
        limits = [
            finding.limit
            for result in (*after, *before)
            for finding in result.findings
            if (finding.rule, finding.step) == (rule, step) and finding.limit is not None
        ]
        yield ComparedItem(
            rule=rule,
            step=step,
            before=sides[0],
            after=sides[1],
            limit=limits[0] if limits else None,
            change=_change(*sides),
        )


def _keys(results: Iterable[Result]) -> list[tuple[str, str | None]]:
    """Return every rule and step that was checked, in the order of the expectations and then of time."""
    keys: dict[tuple[str, str | None], None] = {}
    ranks: dict[str, int] = {}
    steps: dict[tuple[str, str | None], int] = {}
    for result in results:
        for rule in result.expectations.rules:
            ranks.setdefault(rule.name, len(ranks))
            for number, step in enumerate(getattr(rule, "steps", ())):
                steps.setdefault((rule.name, step.name), number)
        for finding in result.findings:
            keys.setdefault((finding.rule, finding.step))
    return sorted(keys, key=lambda key: (ranks.get(key[0], len(ranks)), steps.get(key, -1)))


def _side(results: Iterable[Result], rule: str, step: str | None) -> SideSummary:
    found = [it for result in results for it in result.findings if (it.rule, it.step) == (rule, step)]
    if not found:
        return SideSummary()
    worst = worst_first(found)[0]
    return SideSummary(
        met=sum(it.outcome is Outcome.MET for it in found),
        wrong=sum(it.outcome.is_fault for it in found),
        undecided=sum(it.outcome is Outcome.UNDECIDED for it in found),
        worst=worst.outcome,
        reason=worst.reason,
        delays=tuple(it.delay for it in found if it.delay is not None),
    )


def _change(before: SideSummary, after: SideSummary) -> RepairStatus:
    if after.wrong:
        return RepairStatus.STILL_WRONG if before.wrong else RepairStatus.NEW
    if after.undecided and not (after.met and before.wrong):
        return RepairStatus.UNDECIDED
    if not after.met:
        return RepairStatus.NOT_JUDGED
    return RepairStatus.MENDED if before.wrong else RepairStatus.GOOD


def _proofs(
    before: Sequence[Result],
    after: Sequence[Result],
    history: tuple[int, int] | None,
    known_rate: tuple[int, int] | None,
) -> Iterator[RepairEvidence]:
    seen = _trials_of_rules(before, after)
    some_failed = any(one.failed for one in seen.values())
    for rule, then in seen.items():
        now = trials(after, rule)
        # What the user knows is of the handshakes that failed, or of all where the captures show no failure.
        is_meant = bool(then.failed) or not some_failed
        failed, of = history if history is not None and is_meant else (then.failed, then.judged)
        known = known_rate if is_meant else None
        needed = unchanged = None
        if known is not None:
            rate = known[0] / known[1]
            needed, unchanged = clean_trials_needed_at(rate), (1 - rate) ** now.clean
        elif failed:
            needed, unchanged = clean_trials_needed(failed, of), p_unchanged(failed, of, now.clean)
        yield RepairEvidence(
            rule=rule,
            before=then,
            after=now,
            history=(failed, of),
            history_interval=interval(failed, of) if of else None,
            known_rate=known,
            upper=upper_bound(now.failed, now.judged) if now.judged else None,
            needed=needed,
            unchanged=None if now.failed else unchanged,
        )


def _trials_of_rules(before: Sequence[Result], after: Sequence[Result]) -> dict[str, TrialCounts]:
    """Return the handshakes before the repair of each sequence that ran on either side."""
    rules = dict.fromkeys(run.rule for result in (*before, *after) for run in result.handshakes)
    return {rule: trials(before, rule) for rule in rules}


def _is_refuted(before: Sequence[Result], rate: tuple[int, int]) -> bool:
    """Return whether the sequence that failed most often before failed too seldom for a stated rate."""
    seen = max(_trials_of_rules(before, ()).values(), key=lambda one: (one.failed, one.judged), default=TrialCounts())
    return seen.judged > 0 and contradicts(seen.failed, seen.judged, rate[0] / rate[1])


def _quiets(before: Sequence[Result], after: Sequence[Result]) -> Iterator[FaultFreeTime]:
    events: dict[str, int] = {}
    for result in before:
        runs = _Stretches((run.start.earliest_ns, run.end_ns) for run in result.handshakes)
        for finding in result.findings:
            if finding.outcome.is_fault and finding.handshake is None and not runs.touch(*_extent(finding)):
                events[finding.rule] = events.get(finding.rule, 0) + 1
    length_ns = max(sum(_length(result) for result in before), 1)
    for rule, count in events.items():
        judged = [
            result for result in after if any(it.rule == rule and it.outcome is Outcome.MET for it in result.findings)
        ]
        again = any(it.rule == rule and it.outcome.is_fault for result in after for it in result.findings)
        yield FaultFreeTime(
            rule=rule,
            events=count,
            before_ns=length_ns,
            after_ns=0 if again else sum(_length(result) for result in judged),
            needed_ns=quiet_needed(count, length_ns),
        )


def _length(result: Result) -> int:
    first, last = result.stats.first_ns, result.stats.last_ns
    return 0 if first is None or last is None else last - first


def _conclusion(
    after: Sequence[Result],
    compared: Sequence[ComparedItem],
    proofs: Sequence[RepairEvidence],
    quiets: Sequence[FaultFreeTime],
) -> Conclusion:
    if any(result.verdict is Verdict.FAULTY for result in after):
        return Conclusion.NOT_REPAIRED
    wrong = [one for one in compared if one.before.wrong]
    if not wrong and all(proof.needed is None for proof in proofs):
        return Conclusion.NOTHING_TO_PROVE
    enough = not any(proof.missing for proof in proofs) and not any(quiet.missing_ns for quiet in quiets)
    mended = all(one.change is RepairStatus.MENDED for one in wrong)
    return Conclusion.REPAIRED if enough and mended else Conclusion.NOT_PROVED


def _notes(before: Sequence[Result], after: Sequence[Result], refuted: tuple[int, int] | None) -> Iterator[str]:
    if refuted is not None:
        yield (
            f"the captures from before the repair show too few failures for the stated {refuted[0]} in {refuted[1]}: "
            "their count is used"
        )
    rules = {result.expectations.rules for result in (*before, *after)}
    if len(rules) > 1:
        yield (
            "the captures were not all checked against the same rules: give one file with --expectations, "
            "or a change may come from the rules and not from the repair"
        )
    if _is_later(before, after):
        yield (
            "by their stamps the captures from before the repair were recorded after those from after it: "
            "the one from before comes first; perhaps the two sides have been exchanged"
        )


def _is_later(some: Sequence[Result], others: Sequence[Result]) -> bool:
    """Return whether, by clocks of one kind, the first of some captures begins when all others are over."""
    clocks = {result.stats.clock for result in (*some, *others)}
    if len(clocks) > 1 or not clocks <= {Clock.WALL, Clock.LOCAL}:
        return False
    begins = [result.stats.first_ns for result in some if result.stats.first_ns is not None]
    ends = [result.stats.last_ns for result in others if result.stats.last_ns is not None]
    return bool(begins and ends) and min(begins) > max(ends)
