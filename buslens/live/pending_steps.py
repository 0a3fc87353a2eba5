"""Which steps of running handshakes are awaited at a moment, and how much time is left for each."""

from collections.abc import Iterator
from dataclasses import dataclass

from buslens.checks.findings import Finding, Handshake, Outcome, Result, TimeBounds
from buslens.expectations.model import ANSWER_EXPIRY_FACTOR, Sequence, Step


@dataclass(frozen=True, slots=True, kw_only=True)
class PendingStep:
    """A step that a running handshake waits for."""

    rule: str
    #: Counted from 1.
    handshake: int
    #: How often the first step has come so far.
    tries: int
    step: Step
    #: When its clock began, ns on the capture's axis.
    reference: TimeBounds
    #: Axis time at which it was asked, ns.
    now_ns: int

    @property
    def elapsed(self) -> TimeBounds:
        """Time since the clock began, ns; an interval, for the log shows the reference only between two frames."""
        latest_ns = self.reference.end_ns
        return TimeBounds(
            earliest_ns=max(self.now_ns - latest_ns, 0), latest_ns=max(self.now_ns - self.reference.earliest_ns, 0)
        )

    @property
    def left(self) -> TimeBounds:
        """Time until the limit runs out, ns; negative once it has."""
        elapsed = self.elapsed
        assert elapsed.latest_ns is not None  # noqa: S101 (the span has two ends)
        within = self.step.within_ns
        return TimeBounds(earliest_ns=within - elapsed.latest_ns, latest_ns=within - elapsed.earliest_ns)

    @property
    def is_overdue(self) -> bool:
        """Whether the limit has surely run out."""
        return self.elapsed.earliest_ns > self.step.within_ns


def awaiting(result: Result, now_ns: int) -> tuple[PendingStep, ...]:
    """Return the steps that are awaited at a moment, in the order of the rules and of their steps.

    Parameters
    ----------
    result : Result
        A capture, checked: as far as it has come, or whole. Of a whole one it is told what was awaited at that moment.

    Returns
    -------
    tuple of PendingStep
        A step counts as awaited until a frame shows it, the handshake is abandoned or begun anew, or 3 times its limit
        has run out, after which it would no longer be the answer.
    """
    steps = {
        (rule.name, step.name): step
        for rule in result.expectations.rules
        if isinstance(rule, Sequence)
        for step in rule.steps
    }
    runs = {(run.rule, run.number): run for run in result.handshakes}
    return tuple(_awaited(result, steps, runs, now_ns))


def _awaited(
    result: Result, steps: dict[tuple[str, str], Step], runs: dict[tuple[str, int], Handshake], now_ns: int
) -> Iterator[PendingStep]:
    for finding in result.findings:
        if finding.step is None or finding.handshake is None or finding.reference is None:
            continue
        step = steps[finding.rule, finding.step]
        run = runs[finding.rule, finding.handshake]
        following = runs.get((finding.rule, finding.handshake + 1))
        begun_ns = finding.reference.latest_ns
        if begun_ns is None or not begun_ns <= now_ns <= begun_ns + ANSWER_EXPIRY_FACTOR * step.within_ns:
            continue
        if finding.outcome is Outcome.OUT_OF_ORDER or _has_come(finding, now_ns):
            continue
        if run.abandoned and run.end_ns <= now_ns:
            continue
        if following is not None and (following.start.latest_ns or 0) <= now_ns:
            continue
        yield PendingStep(
            rule=finding.rule,
            handshake=finding.handshake,
            tries=run.tries,
            step=step,
            reference=finding.reference,
            now_ns=now_ns,
        )


def _has_come(finding: Finding, now_ns: int) -> bool:
    """Return whether a frame has shown the awaited change by now; the first piece of evidence is the reference."""
    return any(it.time.latest_ns is not None and it.time.latest_ns <= now_ns for it in finding.evidence[1:])
