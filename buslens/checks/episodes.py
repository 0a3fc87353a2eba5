"""Conditions that must not last: the one body behind *never*, *agree* and *range*."""

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from buslens.checks.context import EvaluationContext
from buslens.checks.findings import Finding, finding_by
from buslens.checks.outcome import Evidence, Limit, Outcome, TimeBounds
from buslens.checks.phrases import rate_text, span_text
from buslens.expectations.model import Condition, Rule
from buslens.expectations.subjects import longest_hold_ns, roles_of
from buslens.timeline.ternary import FALSE, TRUE, UNKNOWN, Episode, Episodes, TernaryTimeline
from buslens.units import exact_duration, format_at_least


@dataclass(frozen=True, slots=True, kw_only=True)
class ForbiddenCondition:
    """What must not last, and how to speak of it."""

    rule: Rule
    #: The condition as a whole, for the roles that it speaks of.
    condition: Condition
    #: What must not last, in a context.
    truth_in: Callable[[EvaluationContext], TernaryTimeline]
    #: Tolerated length, ns, itself included; None: not even in one frame.
    tolerated_ns: int | None
    #: What is told of a stretch: "ignition is on and unlock_feedback is locked".
    words: Callable[[Episode], str]
    limit: Limit
    #: When alone it matters, told behind its length: " with lock enable on".
    scope: str = ""
    #: Role that the evidence names.
    role: str
    #: What is told of a stretch behind its length: "; lowest 0 V".
    tail: Callable[[Episode], str] = lambda _: ""
    #: What stands before the tolerated length.
    allowed: str = "allowed up to"


def evaluate_episodes(offence: ForbiddenCondition, context: EvaluationContext) -> list[Finding]:
    """Return a finding for each violation and each doubt, and one for all the rest.

    The length of a stretch is an interval, from the longest time through which the condition surely held to the
    longest for which it can have held. How often the rule was kept is counted in stretches: those in which the
    condition surely did not hold, and those in which it did, but was tolerated. Without a tolerated length, what
    may have held only between two frames, where the log cannot tell the order of two changes, is taken not to
    have; who wants to know of it writes a tolerance of ``0 ms``. A condition that itself asks for a length (``... for
    50 ms``) is too close to call there.
    """
    truth = offence.truth_in(context)
    settled = truth.from_time(context.warm_up_end_ns(offence.condition))
    lasting = cache(lambda: context.lasting(offence.condition, offence.truth_in))
    runs = settled.episodes()
    is_harmless = _are_harmless(offence, context, runs)
    findings: list[Finding] = []
    in_gaps = 0
    tolerated = int(np.count_nonzero(runs.is_certain & is_harmless))
    for index in np.flatnonzero(~is_harmless).tolist():
        run = runs[index]
        is_over = _is_over_in_time(offence, context, run)
        finding = None if is_over else _evaluate_episode(offence, context, run, truth, lasting)
        if finding is None:
            tolerated += run.is_certain
            continue
        if finding.outcome is Outcome.UNDECIDED and _is_gap(offence, context, run, truth):
            in_gaps += 1
            if in_gaps > 1:
                # The same can be said of each gap, and says no more than of the first.
                tolerated += run.is_certain
                continue
        findings.append(finding)
    met = int((settled.value == FALSE).sum()) + tolerated
    if met > 0:
        findings.append(
            finding_by(offence.rule)(
                outcome=Outcome.MET, reason=_kept_text(met, is_whole=not findings), limit=offence.limit, count=met
            )
        )
    return findings


def _is_over_in_time(offence: ForbiddenCondition, context: EvaluationContext, run: Episode) -> bool:
    """Return whether what began before the recording surely did not last too long since then."""
    if offence.tolerated_ns is None or run.at_end or not run.begins_unseen:
        return False
    is_cut = context.has_discontinuity(context.first_ns, run.to_ns)
    return not is_cut and run.to_ns - context.first_ns <= offence.tolerated_ns


def _is_gap(offence: ForbiddenCondition, context: EvaluationContext, run: Episode, truth: TernaryTimeline) -> bool:
    """Return whether what is not known of a stretch is what may hide between two samples."""
    if not run.has_unknown or not context.is_polled(offence.condition):
        return False
    return context.is_in_gap(offence.condition, _unknown_ns(offence, context, run, truth))


def _kept_text(stretches: int, *, is_whole: bool) -> str:
    if is_whole:
        return "OK throughout" if stretches == 1 else f"OK in {stretches} of {stretches} periods"
    return "OK in one other period" if stretches == 1 else f"OK in {stretches} other periods"


def _are_harmless(offence: ForbiddenCondition, context: EvaluationContext, runs: Episodes) -> NDArray[np.bool_]:
    """Return which runs plainly make no finding; `_evaluate_episode` decides the rest, with the same result."""
    none = np.zeros(len(runs), np.bool_)
    if not context.by_columns:
        return none
    is_whole = ~(runs.has_unknown | runs.begins_unseen | runs.at_end)
    if offence.tolerated_ns is not None:
        is_short = runs.to_ns - runs.from_ns <= offence.tolerated_ns
        return is_whole & is_short & ~context.have_discontinuity(runs.from_ns, runs.to_ns)
    if longest_hold_ns(offence.condition) or context.is_polled(offence.condition):
        return none
    # It may have held between two frames only, and each of its roles is confirmed later on.
    shown_ns = [context.timelines[role].last_frame_ns for role in roles_of(offence.condition)]
    is_confirmed = runs.to_ns <= min(context.first_ns if at_ns is None else at_ns for at_ns in shown_ns)
    return is_whole & is_confirmed & ~runs.is_certain


def _evaluate_episode(
    offence: ForbiddenCondition,
    context: EvaluationContext,
    run: Episode,
    truth: TernaryTimeline,
    lasting: Callable[[], TernaryTimeline],
) -> Finding | None:
    tolerated = offence.tolerated_ns
    # Across a place where the clock ran back the axis tells no length.
    most_ns = None if context.has_discontinuity(run.from_ns, run.to_ns) else run.most_ns
    length = TimeBounds(earliest_ns=run.certain_ns, latest_ns=most_ns)
    said = offence.words(run)

    def finding(outcome: Outcome, reason: str) -> Finding:
        span = TimeBounds(earliest_ns=run.from_ns, latest_ns=run.certain_from_ns if run.is_certain else run.to_ns)
        return finding_by(offence.rule)(
            outcome=outcome,
            reason=reason,
            time_ns=run.certain_from_ns,
            delay=length,
            limit=offence.limit,
            reference=span,
            evidence=(Evidence(what=said, role=offence.role, time=span),),
        )

    allowed = "; never allowed" if offence.rule.KIND == "never" else ""
    if tolerated:
        allowed = f"; {offence.allowed} {exact_duration(tolerated)}"
    comma = "," if ", " in said else ""
    is_moment = run.is_certain and run.certain_ns <= 1 and most_ns is None
    lasted = "at one moment at least" if is_moment else f"for {span_text(length)}"
    measured = f"{said}{comma} {lasted}{offence.scope}{allowed}{offence.tail(run)}"
    if run.is_certain and (tolerated is None or run.certain_ns > tolerated):
        return finding(Outcome.VIOLATED, measured)
    if run.at_end and not run.is_certain and not _stretches_in(lasting(), run).any():
        # Only because no frame confirms the last states of the capture may it have held at all.
        return None
    if run.has_unknown and (most_ns is None or tolerated is None or most_ns > tolerated):
        why = context.why_unknown(offence.condition, _unknown_ns(offence, context, run, truth))
        return finding(Outcome.UNDECIDED, f"cannot decide whether {said}{comma} for too long: {why}")
    if not run.is_certain and (tolerated is None or run.at_end):
        # After the last frame of a role its state is unconfirmed, but likely to have lasted.
        if (_stretches_in(lasting(), run) == TRUE).any():
            return finding(Outcome.UNDECIDED, f"{said}, if no role changed after its last frame{allowed}")
        if run.at_end:
            return None
    if tolerated is None:
        if not longest_hold_ns(offence.condition):
            reason = f"cannot decide whether {said}: the samples do not tell which change came first"
            is_polled = context.is_polled(offence.condition)
            return finding(Outcome.UNDECIDED, reason) if is_polled else None
        # How long it held, not only in which order things changed, is what the log cannot tell.
        rate = rate_text(context.period_ns(offence.condition))
        return finding(Outcome.UNDECIDED, f"{said}: too close to call at {rate}")
    if most_ns is not None and most_ns <= tolerated:
        return None
    if run.at_end:
        reason = f"{said} when the capture ends, {format_at_least(run.certain_ns)} after it began{allowed}"
        return finding(Outcome.UNDECIDED, reason)
    if most_ns is None:
        reason = f"{said} already when the log begins to show it, for {span_text(length)} from there{allowed}"
        return finding(Outcome.UNDECIDED, reason)
    rate = rate_text(context.period_ns(offence.condition))
    return finding(Outcome.UNDECIDED, f"{measured}: too close to call at {rate}")


def _stretches_in(truth: TernaryTimeline, run: Episode) -> NDArray[np.int8]:
    """Return the values that a truth has within a run, and perhaps the FALSE right behind it.

    FALSE is 0: a run of nothing else was none.
    """
    first = int(np.searchsorted(truth.at_ns, run.from_ns, side="right")) - 1
    last = int(np.searchsorted(truth.at_ns, run.to_ns, side="right"))
    return truth.value[first:last]


def _unknown_ns(offence: ForbiddenCondition, context: EvaluationContext, run: Episode, truth: TernaryTimeline) -> int:
    """Return where in a stretch it is not known what was so: between two samples, which goes on, else first of all."""
    first, last = np.searchsorted(truth.at_ns, [run.from_ns, run.to_ns])
    unknown_ns = truth.at_ns[first:last][truth.value[first:last] == UNKNOWN]
    if context.is_polled(offence.condition):
        found = (at_ns for at_ns in unknown_ns.tolist() if context.is_in_gap(offence.condition, at_ns))
        return next(found, int(unknown_ns[0]) if len(unknown_ns) else run.from_ns)
    return int(unknown_ns[0]) if len(unknown_ns) else run.from_ns
