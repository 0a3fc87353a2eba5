"""How long a condition holds each time that it does."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from buslens.checks.context import roles_of
from buslens.checks.findings import Evidence, Finding, Limit, Outcome, TimeBounds
from buslens.checks.phrases import borderline_text, limit_text, past_tense, plain, span_text
from buslens.timeline.ternary import FALSE, IN_TRANSITION, TRUE, UNKNOWN
from buslens.units import exact_duration, format_at_least

if TYPE_CHECKING:
    from collections.abc import Iterator

    from buslens.checks.context import EvaluationContext
    from buslens.expectations.model import Pulse
    from buslens.timeline.ternary import TernaryTimeline


def evaluate(rule: Pulse, context: EvaluationContext) -> list[Finding]:
    """Return what the rule found, in order of time, and last what sums up the pulses that are as they should be.

    =====================================================  ====================================================
    length wholly below ``least`` or above ``most``        violated
    length wholly between them, the limits included        met
    length across a limit                                  undecided: too close to call
    beginning or end not in the log                        violated if too long already, else undecided; without
                                                           ``most`` met if long enough already
    it may have been interrupted between two frames        met, violated only if so both with and without a break
    a pulse that no frame shows                            not judged: the log does not have it; undecided where
                                                           somebody says how short its states can be, and samples
                                                           are no closer
    =====================================================  ====================================================
    """
    condition = rule.of.condition
    truth = context.ternary(condition).from_time(context.warm_up_end_ns(condition))
    findings: list[Finding] = []
    met, has_gap = 0, False
    in_gap = partial(context.is_in_gap, condition)
    for pulse in _pulses(truth, context):
        outcome, reason = _decide(rule, context, pulse)
        if outcome is Outcome.MET:
            met += 1
            continue
        gap_ns = next(filter(in_gap, _just_outside(pulse)), None) if pulse.unseen else None
        if gap_ns is not None and outcome is Outcome.UNDECIDED:
            if has_gap:
                continue  # The same can be said of each sample, and says no more than of the first.
            has_gap = True
            reason = f"{past_tense(rule.of)}, for an unknown time: {context.why_unknown(condition, gap_ns)}"
        findings.append(
            Finding(
                rule=rule.name,
                kind="pulse",
                outcome=outcome,
                reason=reason,
                time_ns=pulse.begun.latest_ns,
                delay=TimeBounds(earliest_ns=pulse.longest_ns, latest_ns=pulse.most_ns),
                limit=Limit(least=rule.least_ns, most=rule.most_ns),
                reference=pulse.begun,
                evidence=(
                    Evidence(what=f"'{plain(rule.of.text)}' began", role=roles_of(condition)[0], time=pulse.begun),
                    Evidence(what=f"'{plain(rule.of.text)}' ended", role=roles_of(condition)[0], time=pulse.ended),
                ),
                basis=rule.basis,
            )
        )
    gap = context.first_gap(condition, unshown=True) if rule.least_ns else None
    if gap is not None and not has_gap:
        findings.append(
            Finding(
                rule=rule.name,
                kind="pulse",
                outcome=Outcome.UNDECIDED,
                reason=f"a pulse shorter than {exact_duration(rule.least_ns or 0)} may have happened unseen: {gap.why}",
                time_ns=gap.until_ns,
                limit=Limit(least=rule.least_ns, most=rule.most_ns),
                basis=rule.basis,
            )
        )
    if met:
        findings.append(
            Finding(
                rule=rule.name,
                kind="pulse",
                outcome=Outcome.MET,
                reason=f"{met} of {met + len(findings)} pulses within {limit_text(rule.least_ns, rule.most_ns)}",
                time_ns=None,
                limit=Limit(least=rule.least_ns, most=rule.most_ns),
                count=met,
                basis=rule.basis,
            )
        )
    return findings


def _just_outside(pulse: _MeasuredPulse) -> tuple[int, int]:
    """Return a moment right before a pulse, and one right behind it."""
    return (pulse.begun.latest_ns or 0) - 1, pulse.ended.earliest_ns + 1


class _MeasuredPulse(NamedTuple):
    """One pulse as the log shows it."""

    begun: TimeBounds
    ended: TimeBounds
    #: Of the stretches through which it surely held; they are one unless it may have been interrupted.
    shortest_ns: int
    longest_ns: int
    #: Longest time that it can have lasted; None when an end is not in the log.
    most_ns: int | None
    #: What of it is not in the log; empty if all is.
    unseen: str


def _pulses(truth: TernaryTimeline, context: EvaluationContext) -> Iterator[_MeasuredPulse]:
    """Yield each pulse in order of time."""
    stops_ns = np.append(truth.at_ns[1:], truth.end_ns)
    settled = np.flatnonzero(truth.value != IN_TRANSITION)
    value = truth.value[settled]
    starts = settled[np.flatnonzero((value == TRUE) & np.append(True, value[:-1] != TRUE))]
    lasts = settled[np.flatnonzero((value == TRUE) & np.append(value[1:] != TRUE, True))]
    for first, last in zip(starts.tolist(), lasts.tolist(), strict=True):
        begin_seen, end_since = int(truth.at_ns[first]), int(stops_ns[last])
        before, after = _neighbour(truth, first, -1), _neighbour(truth, last, 1)
        unseen = ""
        begin_since: int | None = None
        if before is not None and truth.value[before] == FALSE:
            begin_since = int(stops_ns[before])
        else:
            unseen = "began before the log shows it"
        end_seen: int | None = None
        if after is not None and truth.value[after] == FALSE:
            end_seen = int(truth.at_ns[after])
        elif after is not None and truth.value[after] == UNKNOWN:
            unseen = unseen or "the log does not show its end"
        else:
            unseen = unseen or "the capture ends in it"
        # Between two frames it may have broken off for a while: then these are two.
        parts = [
            int(stops_ns[index] - truth.at_ns[index]) for index in range(first, last + 1) if truth.value[index] == TRUE
        ]
        yield _MeasuredPulse(
            begun=TimeBounds(
                earliest_ns=context.first_ns if begin_since is None else begin_since, latest_ns=begin_seen
            ),
            ended=TimeBounds(earliest_ns=end_since, latest_ns=end_seen),
            shortest_ns=min(parts),
            longest_ns=max(parts),
            most_ns=None if begin_since is None or end_seen is None else end_seen - begin_since,
            unseen=unseen,
        )


def _neighbour(truth: TernaryTimeline, index: int, step: int) -> int | None:
    """Return the nearest stretch on one side that is not doubt; None if there is none."""
    index += step
    while 0 <= index < len(truth.value):
        if truth.value[index] != IN_TRANSITION:
            return index
        index += step
    return None


def _decide(rule: Pulse, context: EvaluationContext, pulse: _MeasuredPulse) -> tuple[Outcome, str]:
    least, most = rule.least_ns, rule.most_ns
    is_short = most is None or (pulse.most_ns is not None and pulse.most_ns <= most)
    if is_short and pulse.most_ns is not None and (least is None or pulse.shortest_ns >= least):
        return Outcome.MET, ""  # Most are so, and nobody reads what would be said of them.
    length = TimeBounds(earliest_ns=pulse.longest_ns, latest_ns=pulse.most_ns)
    text = f"{past_tense(rule.of)} for {span_text(length)}; {limit_text(least, most).replace('limit', 'allowed', 1)}"
    if most is not None and pulse.longest_ns > most:
        return Outcome.VIOLATED, f"{text}: too long by at least {format_at_least(pulse.longest_ns - most)}"
    if pulse.most_ns is None:
        if most is None and least is not None and pulse.shortest_ns >= least:
            return Outcome.MET, ""
        return Outcome.UNDECIDED, f"{text}: {pulse.unseen}"
    if least is not None and pulse.most_ns < least:
        return Outcome.VIOLATED, f"{text}: too short by at least {format_at_least(least - pulse.most_ns)}"
    if least is not None and pulse.shortest_ns < least <= pulse.longest_ns:
        return Outcome.UNDECIDED, f"{text}: the log cannot tell whether it broke off between two frames"
    limit = most if most is not None and pulse.most_ns > most else least
    condition = rule.of.condition
    call = borderline_text(length, limit or 0, context.period_ns(condition), context.cycle_ns(condition))
    return Outcome.UNDECIDED, f"{text}: {call}"
