"""Something that must have happened, not long ago, whenever something else does."""

import numpy as np
from numpy.typing import NDArray

from buslens.checks.context import EvaluationContext
from buslens.checks.findings import Finding, finding_by
from buslens.checks.outcome import Evidence, Limit, Outcome, TimeBounds
from buslens.checks.phrases import borderline_text, not_past, past_tense, plain, span_text
from buslens.expectations.model import Precedes
from buslens.units import exact_duration, format_at_least


def evaluate(rule: Precedes, context: EvaluationContext) -> list[Finding]:
    """Return what the rule found, in order of time, and last what sums up the rest.

    =====================================================  ====================================================
    the last time before is wholly within ``within``       met, the limit included
    it is wholly longer ago                                violated
    the delay lies on both sides of the limit              undecided: too close to call
    it never happened in the time before                   violated
    both in one interval                                   met: the order is taken to be right
    a role is unknown for a stretch that could hide it     undecided
    the clock ran back between the two                     undecided
    ``then`` came while its role was unknown               undecided
    the capture began less than ``within`` before          undecided if it did not happen since
    =====================================================  ====================================================
    """
    firsts, thens = context.trigger_times(rule.first), context.trigger_times(rule.then)
    # Least beginning of each first and all later ones: it ascends, so that a bisection finds the last that is early.
    least_since_ns = np.minimum.accumulate(firsts.since_ns[::-1])[::-1]
    limit = Limit(most=rule.within_ns)
    is_met = np.zeros(len(thens), np.bool_)
    if context.by_columns and not context.is_polled(rule.first, rule.then):
        is_met = _plainly_met(rule, context, least_since_ns)
    findings: list[Finding] = []
    met = int(is_met.sum())
    doubts = [(zone, f"cannot decide whether {past_tense(rule.then)} here: {zone.why}") for zone in thens.possible]
    doubts += [
        (zone, f"{past_tense(rule.then)} at a moment that the log does not show: {zone.why}")
        for zone in thens.unlocated
    ]
    if gap := context.first_gap(rule.then):
        doubts.append((gap, f"'{plain(rule.then.text)}' may have happened unseen: {gap.why}"))
    for zone, reason in doubts:
        findings.append(finding_by(rule)(outcome=Outcome.UNDECIDED, reason=reason, time_ns=zone.until_ns, limit=limit))
    for since_ns, seen_ns in zip(thens.since_ns[~is_met].tolist(), thens.seen_ns[~is_met].tolist(), strict=True):
        then = Evidence(
            what=past_tense(rule.then),
            role=thens.roles[0],
            time=TimeBounds(earliest_ns=since_ns + 1, latest_ns=seen_ns),
        )
        # The last one that is not wholly after: it may share the interval, but not begin behind it.
        last = int(np.searchsorted(least_since_ns, seen_ns)) - 1
        delay: TimeBounds | None = None
        evidence = [then]
        if last >= 0:
            delay = TimeBounds(
                earliest_ns=max(since_ns + 1 - int(firsts.seen_ns[last]), 0),
                latest_ns=seen_ns - int(firsts.since_ns[last]) - 1,
            )
            time = TimeBounds(earliest_ns=int(firsts.since_ns[last]) + 1, latest_ns=int(firsts.seen_ns[last]))
            evidence.insert(0, Evidence(what=past_tense(rule.first), role=firsts.roles[0], time=time))
            if context.has_discontinuity(int(firsts.since_ns[last]), seen_ns):
                delay = None
        outcome, reason = _decide(rule, context, since_ns, seen_ns, delay)
        if outcome is Outcome.MET:
            met += 1
            continue
        findings.append(
            finding_by(rule)(
                outcome=outcome,
                reason=reason,
                time_ns=seen_ns,
                delay=delay,
                limit=limit,
                reference=evidence[0].time if delay is not None else None,
                evidence=tuple(evidence),
            )
        )
    findings.sort(key=lambda finding: finding.time_ns or 0)
    if met:
        findings.append(
            finding_by(rule)(
                outcome=Outcome.MET, reason=f"OK in {met} of {met + len(findings)} cases", limit=limit, count=met
            )
        )
    return findings


def _plainly_met(rule: Precedes, context: EvaluationContext, least_since_ns: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Return which occurrences have a first wholly within the limit; `_decide` says the same of them."""
    firsts, thens = context.trigger_times(rule.first), context.trigger_times(rule.then)
    if not len(firsts):
        return np.zeros(len(thens), np.bool_)
    last = np.searchsorted(least_since_ns, thens.seen_ns) - 1
    since_ns = firsts.since_ns[last]
    is_near = (last >= 0) & (thens.seen_ns - since_ns - 1 <= rule.within_ns)
    return is_near & ~context.have_discontinuity(since_ns, thens.seen_ns)


def _decide(
    rule: Precedes, context: EvaluationContext, since_ns: int, seen_ns: int, delay: TimeBounds | None
) -> tuple[Outcome, str]:
    within = exact_duration(rule.within_ns)
    if delay is not None and delay.earliest_ns == 0 and context.is_polled(rule.first, rule.then):
        reason = f"{past_tense(rule.then)}; the log cannot tell whether {past_tense(rule.first)} before it or after it"
        return Outcome.UNDECIDED, reason
    if delay is not None and delay.latest_ns is not None and delay.latest_ns <= rule.within_ns:
        return Outcome.MET, ""
    window_ns = since_ns + 1 - rule.within_ns
    hidden = context.first_blind_interval(rule.first, window_ns - 1, seen_ns)
    # What is unknown only because the capture had just begun is told as that, below.
    if hidden is not None and (max(hidden.from_ns, window_ns) >= context.first_ns or hidden.is_discontinuity):
        return (
            Outcome.UNDECIDED,
            f"{past_tense(rule.then)}; cannot decide whether {past_tense(rule.first)} before it: {hidden.why}",
        )
    if delay is not None and delay.earliest_ns <= rule.within_ns:
        both = rule.first, rule.then
        call = borderline_text(delay, rule.within_ns, context.period_ns(*both), context.cycle_ns(*both))
        return (
            Outcome.UNDECIDED,
            f"{past_tense(rule.then)} {span_text(delay)} after {past_tense(rule.first)}; maximum {within}: {call}",
        )
    if delay is not None:
        return (
            Outcome.VIOLATED,
            f"{past_tense(rule.then)} {span_text(delay)} after {past_tense(rule.first)}; maximum {within}",
        )
    if window_ns < context.first_ns:
        shown = format_at_least(max(since_ns - context.first_ns, 0))
        return (
            Outcome.UNDECIDED,
            f"{past_tense(rule.then)} only {shown} after the capture began, too soon to tell what came before it",
        )
    return Outcome.VIOLATED, f"{past_tense(rule.then)}, but in the {within} before {not_past(rule.first)}"
