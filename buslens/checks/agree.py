"""Two conditions that must say the same, save while they settle."""

import math
from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from buslens.checks.context import EvaluationContext
from buslens.checks.episodes import ForbiddenCondition, evaluate_episodes
from buslens.checks.findings import Finding, finding_by
from buslens.checks.outcome import Limit, Outcome
from buslens.checks.phrases import past_tense, plain, was_not
from buslens.expectations.model import Agree, And
from buslens.expectations.subjects import roles_of
from buslens.timeline.ternary import TRUE, Episode
from buslens.units import NS_PER_MS, format_duration

LEAD_ERRORS: Final = 3.5
"""Standard errors between what chance makes of an average and what it does not (rule of thumb)."""


def evaluate(rule: Agree, context: EvaluationContext) -> list[Finding]:
    """Return what the rule found, in order of time, and last what sums up the rest.

    =====================================================  ====================================================
    they surely differ for longer than ``settle``          violated
    they differ for at most ``settle``                     met: the length counts as tolerated
    the length of the difference lies on both sides        undecided: too close to call
    a role is unknown so that they may differ for longer   undecided; the text names the role
    they still differ, not yet too long, at the end        undecided
    they differ already, and not too long, at the start    undecided; not checked if that is over within ``settle``
                                                           of the capture's begin
    on average ``first`` changes surely less than          violated: one finding on the whole capture
    ``lead`` before ``second``
    the average may be ``lead`` as well as 0, or as        met, and said: too few changes
    well as ``lead`` behind it
    =====================================================  ====================================================
    """
    first = context.ternary(rule.first.condition)

    def words(run: Episode) -> str:
        true, other = rule.first, rule.second
        if run.is_certain and first.at(run.certain_from_ns) != TRUE:
            true, other = other, true
        return f"{past_tense(true)}, but {was_not(other, like=true)}"

    both = And(parts=(rule.first.condition, rule.second.condition))
    offence = ForbiddenCondition(
        rule=rule,
        condition=both,
        truth_in=lambda context: context.ternary(rule.first.condition).differs_from(
            context.ternary(rule.second.condition)
        ),
        tolerated_ns=rule.settle_ns,
        words=words,
        limit=Limit(most=rule.settle_ns),
        allowed="may differ up to",
        role=roles_of(both)[0],
    )
    findings = evaluate_episodes(offence, context)
    return findings if rule.lead_ns is None else _with_lead(rule, rule.lead_ns, context, findings)


def _with_lead(rule: Agree, lead_ns: int, context: EvaluationContext, findings: list[Finding]) -> list[Finding]:
    """Return the findings with what the average lead says of the whole capture.

    What frames add to each lead is the sum of two even errors, of which an average has less.
    """
    leads_ns, doubts_ns = leads_of(rule, context)
    count = len(leads_ns)
    if not count:
        return findings
    mean_ns, variance = average(leads_ns, rule.lead_spread_ns**2 + doubts_ns)
    error_ns = LEAD_ERRORS * math.sqrt(variance + rule.lead_doubt_ns**2)
    if mean_ns >= lead_ns - error_ns:
        if mean_ns > error_ns:
            return findings
        what = "the two are exchanged" if mean_ns <= error_ns - lead_ns else "one of them feeds both"
        untold = f"; {count} changes are too few to tell whether {what}"
        return [replace(it, reason=it.reason + untold) if it.outcome is Outcome.MET else it for it in findings]
    first, second = (plain(roles_of(it.condition)[0]) for it in (rule.first, rule.second))
    by_ns = round(abs(mean_ns) / NS_PER_MS) * NS_PER_MS
    when = f"{format_duration(by_ns)} {'before' if mean_ns > 0 else 'after'}" if by_ns else "together with"
    reason = (
        f"on average of {count} changes, {first} changed {when} {second}; usual: {format_duration(lead_ns)} before it;"
        " are the two exchanged, or does one feed both?"
    )
    return [finding_by(rule)(outcome=Outcome.VIOLATED, reason=reason), *findings]


def average(values: NDArray[np.float64], variances: NDArray[np.float64]) -> tuple[float, float]:
    """Return the mean of values that are not equally sure, and its variance: each weighs what its own is worth."""
    weight = 1 / variances
    return float((values * weight).sum() / weight.sum()), float(1 / weight.sum())


def leads_of(rule: Agree, context: EvaluationContext) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return how long the first changes before the second, each from the middle of its doubt, ns.

    Beside it stands the variance of what the frames make of it, ns^2. Changes of one way that lie at most ``settle``
    apart are a pair.
    """
    leads, doubts = [np.empty(0)], [np.empty(0)]
    for rising in (True, False):
        pairs = [np.array(context.ternary(it.condition).edges(rising=rising)) for it in (rule.first, rule.second)]
        one, other = (it.mean(axis=0) for it in pairs)
        if len(one) and len(other):
            near = np.searchsorted((other[1:] + other[:-1]) / 2, one)
            lead = other[near] - one
            is_pair = (np.abs(lead) <= rule.settle_ns) & ~context.have_discontinuity(
                np.minimum(pairs[0][0], pairs[1][0][near]), np.maximum(pairs[0][1], pairs[1][1][near])
            )
            leads.append(lead[is_pair])
            widths = np.ptp(pairs[0], axis=0)[is_pair], np.ptp(pairs[1], axis=0)[near[is_pair]]
            doubts.append((widths[0] ** 2.0 + widths[1] ** 2.0) / 12)
    return np.concatenate(leads), np.concatenate(doubts)
