"""A message that must keep coming."""

from bisect import bisect_left, bisect_right
from collections.abc import Iterable

import numpy as np

from buslens.capture.frames import Pause
from buslens.checks.context import EvaluationContext, pause_text
from buslens.checks.findings import Finding, finding_by
from buslens.checks.outcome import Evidence, Limit, Outcome, TimeBounds
from buslens.expectations.model import Alive
from buslens.timeline.model import UNKNOWN_STATE, UnknownReason
from buslens.units import exact_duration, format_at_least, format_duration


def evaluate(rule: Alive, context: EvaluationContext) -> list[Finding]:
    """Return what the rule found, in order of time, and last what sums up the time in which it came.

    =====================================================  ====================================================
    silence longer than the timeout                        violated; at the start and at the end of the capture
                                                           too
    silence of exactly the timeout                         met
    the same as the bus wakes up, where it may sleep       met up to a second: a unit takes its time
    not one frame, capture longer than the timeout         violated
    not one frame, capture no longer than the timeout      undecided
    the clock ran back in the silence                      undecided, for its length is not known; violated if
                                                           the part before or behind is too long by itself
    nothing at all was recorded in part of the silence,    the same
    or no other message came on the channel
    no timeout given, defined or measurable                undecided
    =====================================================  ====================================================
    """
    presence = context.presences[rule.name]
    timeline = presence.timeline
    timeout_ns = timeline.timeout_ns
    limit = Limit(most=timeout_ns)
    if timeout_ns is None:
        reason = (
            f"cannot decide how often {rule.message} should come: neither the expectations nor the definitions say it,"
            " and the capture has too few of its frames to measure it; add 'cycle' or 'timeout' to the rule"
        )
        return [_finding(rule, Outcome.UNDECIDED, reason, context.first_ns, None, limit, has_come=False)]
    expected = "" if presence.cycle_ns is None else f"; expected every {format_duration(presence.cycle_ns)}"
    findings = []
    for index in np.flatnonzero(timeline.state == UNKNOWN_STATE).tolist():
        why = UnknownReason(int(timeline.why[index]))
        if index and timeline.state[index - 1] == UNKNOWN_STATE:
            continue  # the same silence, whose first entry has been told
        following = next((it for it in range(index, len(timeline)) if timeline.state[it] != UNKNOWN_STATE), None)
        is_last = following is None
        until_ns = context.end_ns if following is None else int(timeline.seen_ns[following])
        is_all_there_is = why is UnknownReason.NO_FRAME_YET and is_last
        since_ns = context.first_ns if why is UnknownReason.NO_FRAME_YET else timeline.since_ns(index)
        begun = bisect_right(timeline.pauses, since_ns, key=lambda pause: pause.to_ns)
        pauses = timeline.pauses[begun : bisect_left(timeline.pauses, until_ns, key=lambda pause: pause.from_ns)]
        first_ns = timeline.waking_ns if why is UnknownReason.NO_FRAME_YET else 0
        if (
            until_ns - since_ns <= max(timeout_ns, first_ns)
            and not context.has_discontinuity(since_ns, until_ns)
            and not is_all_there_is
        ):
            continue  # unknown as a state is in a pause; as a message it is not missed
        if pauses or context.has_discontinuity(since_ns, until_ns):
            least_ns = _longest_ns(since_ns, until_ns, context.discontinuities_ns, pauses)
            reason = f"length of the {rule.message} gap unknown; recorder clock jumped back"
            if pauses:
                reason = f"{rule.message}: {pause_text(timeline, pauses[0])}"
            outcome = Outcome.UNDECIDED
            if least_ns > timeout_ns:
                outcome = Outcome.VIOLATED
                reason = (
                    f"no {rule.message} frame for at least {format_at_least(least_ns)}{expected};"
                    f" maximum gap {exact_duration(timeout_ns)}"
                )
            span = TimeBounds(earliest_ns=least_ns, latest_ns=None)
            findings.append(
                _finding(rule, outcome, reason, since_ns, span, limit, has_come=why is not UnknownReason.NO_FRAME_YET)
            )
            continue
        length_ns = until_ns - since_ns
        if is_all_there_is:
            outcome = Outcome.VIOLATED if length_ns > timeout_ns else Outcome.UNDECIDED
            reason = f"no {rule.message} frame in {format_at_least(length_ns)}, the whole capture{expected}"
        else:
            outcome = Outcome.VIOLATED
            where = " at the start of the capture" if why is UnknownReason.NO_FRAME_YET else ""
            where = " up to the end of the capture" if is_last else where
            reason = (
                f"no {rule.message} frame for {format_duration(length_ns)}{where}{expected};"
                f" maximum gap {exact_duration(timeout_ns)}"
            )
        span = TimeBounds(earliest_ns=length_ns, latest_ns=None if is_last else length_ns)
        findings.append(
            _finding(rule, outcome, reason, since_ns, span, limit, has_come=why is not UnknownReason.NO_FRAME_YET)
        )
    if timeline.last_frame_ns is not None:
        period = "" if timeline.period_ns is None else f" about every {format_duration(timeline.period_ns)}"
        findings.append(
            finding_by(rule)(
                outcome=Outcome.MET,
                reason=f"{rule.message} came{period}" + (", except as reported" if findings else ""),
                limit=limit,
                count=int((timeline.state != UNKNOWN_STATE).sum()),
            )
        )
    return findings


def _longest_ns(since_ns: int, until_ns: int, discontinuities_ns: Iterable[int], pauses: Iterable[Pause]) -> int:
    """Return the longest part of a silence that is known to have been one, ns."""
    cuts = [(since_ns, since_ns), *((at, at) for at in discontinuities_ns if since_ns < at <= until_ns), *pauses]
    longest_ns, from_ns = 0, since_ns
    for begin_ns, end_ns in sorted(cuts):
        longest_ns, from_ns = max(longest_ns, begin_ns - from_ns), max(from_ns, end_ns)
    return max(longest_ns, until_ns - from_ns)


def _finding(
    rule: Alive,
    outcome: Outcome,
    reason: str,
    since_ns: int,
    length: TimeBounds | None,
    limit: Limit,
    *,
    has_come: bool,
) -> Finding:
    begun = TimeBounds(earliest_ns=since_ns, latest_ns=since_ns)
    what = f"last frame of {rule.message} before the silence" if has_come else "the capture begins"
    return finding_by(rule)(
        outcome=outcome,
        reason=reason,
        time_ns=since_ns,
        delay=length,
        limit=limit,
        reference=begun,
        evidence=(Evidence(what=what, role="", time=begun),),
    )
