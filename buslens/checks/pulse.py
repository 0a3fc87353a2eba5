"""How long a condition holds each time that it does."""

from __future__ import annotations

from functools import partial
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from buslens.checks.context import EvaluationContext
from buslens.checks.findings import Finding, finding_by
from buslens.checks.outcome import Evidence, Limit, Outcome, TimeBounds
from buslens.checks.phrases import borderline_text, limit_text, past_tense, plain, span_text
from buslens.expectations.model import Pulse
from buslens.expectations.subjects import roles_of
from buslens.timeline.ternary import FALSE, IN_TRANSITION, TRUE, UNKNOWN, TernaryTimeline
from buslens.units import exact_duration, format_at_least


def evaluate(rule: Pulse, context: EvaluationContext) -> list[Finding]:
    """Return what the rule found, in order of time, and last what sums up the pulses that are as they should be.

    =====================================================  ====================================================
    length wholly below ``least`` or above ``most``        violated
    length wholly between them, the limits included        met
    length across a limit                                  undecided: too close to call
    beginning or end not in the log                        violated if too long already, else undecided; without
                                                           ``most`` met if long enough already
    already there as its first frame comes, and over       not checked: it began before the recording, as a
    before ``most`` has run since the capture began        handshake may; what is too long shows in the next one
    violated, but what it ``moves`` is as before when the  undecided up to 3 times the limit: a pulse that moved
    next one begins                                        nothing may have another length
    it may have been interrupted between two frames        met, violated only if so both with and without a break
    a pulse that no frame shows                            not checked: the log does not have it; undecided where
                                                           somebody says how short its states can be, and samples
                                                           are no closer
    =====================================================  ====================================================
    """
    condition = rule.of.condition
    truth = context.ternary(condition).from_time(context.warm_up_end_ns(condition))
    findings: list[Finding] = []
    has_gap = False
    in_gap = partial(context.is_in_gap, condition)
    pulses = _Pulses(truth, context)
    is_met = pulses.are_within(rule.least_ns, rule.most_ns) & context.by_columns
    met = int(is_met.sum())
    for pulse in map(pulses.__getitem__, np.flatnonzero(~is_met).tolist()):
        outcome, reason = _decide(rule, context, pulse)
        if outcome is Outcome.VIOLATED and rule.moves is not None and pulse.longest_ns <= rule.unanswered_ns:
            moves = context.ternary(rule.moves.condition)
            ends = moves.at(pulse.begun.earliest_ns), moves.at(pulses.next_begun_ns(pulse, rule.unanswered_ns) - 1)
            if set(ends) != {TRUE, FALSE}:
                outcome, reason = Outcome.UNDECIDED, f"{reason}; but this pulse moved nothing"
        if outcome is Outcome.MET:
            met += 1
            continue
        if pulse.is_older and outcome is Outcome.UNDECIDED and _is_over_in_time(rule, context, pulse):
            continue
        gap_ns = next(filter(in_gap, _just_outside(pulse)), None) if pulse.unseen else None
        if gap_ns is not None and outcome is Outcome.UNDECIDED:
            if has_gap:
                continue  # The same can be said of each sample, and says no more than of the first.
            has_gap = True
            reason = f"{past_tense(rule.of)}, for an unknown time: {context.why_unknown(condition, gap_ns)}"
        findings.append(
            finding_by(rule)(
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
            )
        )
    gap = context.first_gap(condition, unshown=True) if rule.least_ns else None
    if gap is not None and not has_gap:
        findings.append(
            finding_by(rule)(
                outcome=Outcome.UNDECIDED,
                reason=f"a pulse shorter than {exact_duration(rule.least_ns or 0)} may have happened unseen: {gap.why}",
                time_ns=gap.until_ns,
                limit=Limit(least=rule.least_ns, most=rule.most_ns),
            )
        )
    if met:
        findings.append(
            finding_by(rule)(
                outcome=Outcome.MET,
                reason=f"{met} of {met + len(findings)} pulses within {limit_text(rule.least_ns, rule.most_ns)}",
                limit=Limit(least=rule.least_ns, most=rule.most_ns),
                count=met,
            )
        )
    return findings


def _is_over_in_time(rule: Pulse, context: EvaluationContext, pulse: _MeasuredPulse) -> bool:
    """Return whether a pulse surely was not too long since the capture began."""
    return pulse.ended.latest_ns is not None and (
        rule.most_ns is None or pulse.ended.latest_ns - context.first_ns <= rule.most_ns
    )


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
    #: Whether it was there before the first frame that could show it.
    is_older: bool


class _Pulses:
    """All pulses of a condition in order of time, an element each."""

    def __init__(self, truth: TernaryTimeline, context: EvaluationContext) -> None:
        self._first_ns, self._end_ns = context.first_ns, context.end_ns
        stops_ns = np.append(truth.at_ns[1:], truth.end_ns)
        settled = np.flatnonzero(truth.value != IN_TRANSITION)
        value = truth.value[settled]
        first = np.flatnonzero((value == TRUE) & np.append(True, value[:-1] != TRUE)[: len(value)])
        last = np.flatnonzero((value == TRUE) & np.append(value[1:] != TRUE, True)[-len(value) :])
        #: Value of the nearest stretch before and behind that is not between two frames; -1 if there is none.
        self._before = np.append(value, -1)[first - 1]
        self._after = np.append(value, -1)[last + 1]
        #: Ends of what surely holds; beyond them, where the neighbours begin and end.
        self._begin_seen_ns, self._end_since_ns = truth.at_ns[settled[first]], stops_ns[settled[last]]
        self._begin_since_ns = stops_ns[settled[first - 1]]
        self._end_seen_ns = truth.at_ns[np.append(settled, 0)[last + 1]]
        #: Whether the first of them is what the log shows first.
        self._is_first_shown = bool((first[:1] <= 1).all())
        is_whole = (self._before == FALSE) & (self._after == FALSE)
        #: Whether both ends are in the log, and, if so, the longest time that it can have lasted, ns.
        self.is_whole = is_whole
        self.most_ns = np.where(is_whole, self._end_seen_ns - self._begin_since_ns, 0)
        # Between two frames it may have broken off for a while: then these are two.
        true = settled[value == TRUE]
        own = np.flatnonzero(np.isin(true, settled[first]))
        length_ns = stops_ns[true] - truth.at_ns[true]
        self.shortest_ns = np.minimum.reduceat(length_ns, own) if len(own) else length_ns
        self.longest_ns = np.maximum.reduceat(length_ns, own) if len(own) else length_ns

    def __len__(self) -> int:
        return len(self.most_ns)

    def __getitem__(self, index: int) -> _MeasuredPulse:
        is_begun, is_ended = self._before[index] == FALSE, self._after[index] == FALSE
        unseen = ""
        if not is_begun:
            unseen = "began before the log shows it"
        elif not is_ended:
            unseen = "the log does not show its end" if self._after[index] == UNKNOWN else "the capture ends in it"
        return _MeasuredPulse(
            begun=TimeBounds(
                earliest_ns=int(self._begin_since_ns[index]) if is_begun else self._first_ns,
                latest_ns=int(self._begin_seen_ns[index]),
            ),
            ended=TimeBounds(
                earliest_ns=int(self._end_since_ns[index]),
                latest_ns=int(self._end_seen_ns[index]) if is_ended else None,
            ),
            shortest_ns=int(self.shortest_ns[index]),
            longest_ns=int(self.longest_ns[index]),
            most_ns=int(self.most_ns[index]) if self.is_whole[index] else None,
            unseen=unseen,
            is_older=index == 0 and not is_begun and self._is_first_shown,
        )

    def next_begun_ns(self, pulse: _MeasuredPulse, most_ns: int) -> int:
        """Return since when the next pulse begins, or the log ends; at most some time behind this one's begin, ns."""
        begun_ns = pulse.begun.latest_ns or 0
        index = int(np.searchsorted(self._begin_seen_ns, begun_ns, side="right"))
        following_ns = [int(it) for it in self._begin_since_ns[index : index + 1]]
        return min([begun_ns + most_ns, self._end_ns, *following_ns])

    def are_within(self, least_ns: int | None, most_ns: int | None) -> NDArray[np.bool_]:
        """Return which of them are wholly in the log and wholly within their limits."""
        is_met: NDArray[np.bool_] = self.is_whole.copy()
        if most_ns is not None:
            is_met &= self.most_ns <= most_ns
        if least_ns is not None:
            is_met &= self.shortest_ns >= least_ns
        return is_met


def _decide(rule: Pulse, context: EvaluationContext, pulse: _MeasuredPulse) -> tuple[Outcome, str]:
    least, most = rule.least_ns, rule.most_ns
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
    if (least is None or pulse.shortest_ns >= least) and (most is None or pulse.most_ns <= most):
        return Outcome.MET, ""
    if least is not None and pulse.shortest_ns < least <= pulse.longest_ns:
        return Outcome.UNDECIDED, f"{text}: the log cannot tell whether it broke off between two frames"
    limit = most if most is not None and pulse.most_ns > most else least
    condition = rule.of.condition
    call = borderline_text(length, limit or 0, context.period_ns(condition), context.cycle_ns(condition))
    return Outcome.UNDECIDED, f"{text}: {call}"
