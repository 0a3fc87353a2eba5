"""Steps that must follow a start in order and in time.

What the outcome is, case by case; a delay is an interval, for each of its two changes came about at some time since
the frame before the one that first shows it.

===================================================  ==========================================================
start while ``given`` is false                       no handshake
start while ``given`` cannot be decided              undecided; the text names the role that is unknown
what the steps await, too, changed ``given``         begins one if all of its steps are met; begins none while
between the same frames                              another is running that is met; else undecided
the start happened while its role was unknown        undecided, unless ``given`` is false all that while
delay wholly within its limits                       met
delay wholly below ``after``, wholly above           early, late
``within``
delay wholly above ``late_over``, though perhaps     late
within ``within``
delay across a limit                                 undecided: too close to call, and the rate that would decide
no change while the log shows the role until the     missing; with the state that it stayed in
limit has surely run out
a change, but more than 3 times ``within`` later     missing; the text mentions it
a change wholly before the step that it follows      out_of_order
change and step before it in one interval            the order is accepted and ``within`` checked; with ``after``
                                                     undecided
the awaited state holds already, no change           missing: was so from the beginning
a role is unknown for a stretch that could hide      undecided
the change, or the clock ran back in it
the capture ends before the limit has surely run     undecided
out, or while the first step could still come again
``abandon``, or the start again, before the step     handshake abandoned; a step whose limit had run out before is
                                                     missing, the rest is not checked
the first step again before the second, ``tries``    the timer of the second step restarts; tries are counted
not used up
the second step in time, but after more tries than   undecided: unusual
``usual_tries``
===================================================  ==========================================================

A step whose reference was not found is not checked: there is no moment to count from. An optional step that does not
come is none, either.

Without time stamps only the order is checked: out_of_order stands, everything else about a step is undecided.
"""

from collections.abc import Iterator, Mapping
from collections.abc import Sequence as Sequenced
from dataclasses import replace
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from buslens.checks.context import EvaluationContext
from buslens.checks.edges import BlindInterval, Edge, Edges
from buslens.checks.findings import Finding, Handshake, finding_by
from buslens.checks.met_handshakes import find_met_handshakes
from buslens.checks.outcome import Evidence, Limit, Outcome, TimeBounds
from buslens.checks.phrases import (
    already,
    borderline_text,
    bound_text,
    limit_text,
    not_past,
    past_tense,
    plain,
    span_text,
)
from buslens.checks.step_findings import HandshakeColumns, MetRows, StepFindings, came_text
from buslens.expectations.model import ANSWER_EXPIRY_FACTOR, Sequence, Step, Trigger
from buslens.expectations.subjects import edge_condition, statements_of
from buslens.timeline.model import UNKNOWN_STATE
from buslens.timeline.ternary import FALSE, IN_TRANSITION, TRUE
from buslens.units import exact_duration, format_at_least

_NO_LIMIT_NS: Final = 1 << 60
"""Stands for the limit of each step where frames have an order and no times."""


def evaluate(rule: Sequence, context: EvaluationContext) -> tuple[Sequenced[Finding], Sequenced[Handshake]]:
    """Return what the rule found in each handshake, and the handshakes, in order of time."""
    findings: list[Finding] = []
    handshakes: list[Handshake] = []
    starts = context.trigger_times(rule.start).edges
    given = _settled(rule, context, starts, _given_at(rule, context, starts))
    certain = starts.of(given == TRUE)
    doubtful = [starts.at(index) for index in np.flatnonzero((given != TRUE) & (given != FALSE)).tolist()]
    findings += [_doubtful_start(rule, context, start) for start in doubtful]
    for zone in context.trigger_times(rule.start).possible:
        reason = f"'{rule.start.text}' may have come about here: {zone.why}"
        findings.append(_finding(rule, Outcome.UNDECIDED, reason, Edge(zone.from_ns, zone.until_ns)))
    for zone in context.trigger_times(rule.start).unlocated:
        if rule.given is None or not context.ternary(rule.given.condition).is_false(zone.from_ns, zone.until_ns):
            reason = f"{past_tense(rule.start)} at a moment that the log does not show: {zone.why}"
            findings.append(_finding(rule, Outcome.UNDECIDED, reason, Edge(zone.from_ns, zone.until_ns)))
    findings += _hidden_start(rule, context)
    is_met, came = np.zeros(len(certain.seen_ns), np.bool_), tuple[Edges, ...]()
    # Between samples that were asked for, and between clocks, the order of changes is open: columns know nothing of it.
    is_open = context.is_polled(*rule.triggers) or any(context.trigger_times(it).doubt_ns for it in rule.triggers)
    if context.by_columns and context.is_timed and not is_open:
        is_met, came = find_met_handshakes(rule, context, certain)
    for index in np.flatnonzero(~is_met).tolist():
        following = certain.at(index + 1) if index + 1 < len(is_met) else None
        run = _HandshakeEvaluator(rule, context, certain.at(index), index + 1, following, doubtful)
        findings += run.judge()
        handshakes.append(run.handshake())
    findings.sort(key=lambda finding: finding.time_ns or 0)
    if not is_met.any():
        return findings, handshakes
    came = tuple(edges.of(is_met) for edges in came)
    met = MetRows(np.flatnonzero(is_met) + 1, certain.of(is_met), came)
    return StepFindings(rule, findings, met), HandshakeColumns(rule.name, handshakes, met)


def evaluate_order(rule: Sequence, context: EvaluationContext) -> tuple[list[Finding], Sequenced[Handshake]]:
    """Return the same for a log without time stamps, in which only the order of the steps can be checked."""
    limits = {step.name: step for step in rule.steps}
    endless = replace(rule, steps=tuple(replace(step, within_ns=_NO_LIMIT_NS, after_ns=None) for step in rule.steps))
    findings, handshakes = evaluate(endless, context)
    return [_without_times(finding, limits, context) for finding in findings], handshakes


def _without_times(finding: Finding, limits: Mapping[str, Step], context: EvaluationContext) -> Finding:
    """Return a finding of which no delay is known."""
    if finding.step is None or finding.reference is None:
        return finding
    step = limits[finding.step]
    limit = Limit(least=step.after_ns, most=step.within_ns)
    came, reference = past_tense(step.await_), finding.evidence[0].what
    if finding.outcome is Outcome.OUT_OF_ORDER:
        return replace(finding, reason=f"{came} before {reference}; expected after it", limit=limit, delay=None)
    if len(finding.evidence) > 1:
        reason = f"{came} after {reference}, as it should; cannot decide whether in time: {_UNTIMED}"
    elif hidden := context.first_blind_interval(step.await_, finding.reference.earliest_ns - 1, _NO_LIMIT_NS):
        reason = f"cannot decide whether {came} after {reference}: {hidden.why}"
    else:
        reason = f"{not_past(step.await_)} after {reference}; cannot decide whether it was overdue: {_UNTIMED}"
    return replace(finding, outcome=Outcome.UNDECIDED, reason=reason, limit=limit, delay=None)


_UNTIMED: Final = "the log carries no time stamps; record again with time stamps switched on"


def _first(
    context: EvaluationContext, trigger: Trigger, *, ends_after_ns: int, other_than: Edge | None = None
) -> Edge | None:
    """Return the first occurrence that ends after a time."""
    found = context.trigger_times(trigger)
    index = int(found.seen_ns.searchsorted(ends_after_ns, "right"))
    while index < len(found):
        edge = found.edges.at(index)
        if edge != other_than:
            return edge
        index += 1
    return None


def _finding(
    rule: Sequence,
    outcome: Outcome,
    reason: str,
    at: Edge,
    evidence: tuple[Evidence, ...] = (),
    *,
    step: Step | None = None,
    number: int | None = None,
    delay: TimeBounds | None = None,
    since: Edge | None = None,
) -> Finding:
    limit = None
    if step is not None:
        is_late = outcome is Outcome.LATE
        limit = Limit(least=step.after_ns, most=step.surely_late_ns if is_late else step.within_ns)
    return finding_by(rule)(
        outcome=outcome,
        reason=reason,
        time_ns=at.seen_ns,
        delay=delay,
        limit=limit,
        reference=None if since is None else since.span,
        evidence=evidence,
        step=None if step is None else step.name,
        handshake=number,
    )


def _evidence(context: EvaluationContext, trigger: Trigger, edge: Edge) -> Evidence:
    return Evidence(what=past_tense(trigger), role=context.trigger_times(trigger).roles[0], time=edge.span)


def _given_at(rule: Sequence, context: EvaluationContext, starts: Edges) -> NDArray[np.int8]:
    """Return what `given` was just before each start; of samples, whether it was the same all through their gap."""
    if rule.given is None:
        return np.full(len(starts.seen_ns), TRUE, np.int8)
    given = context.ternary(rule.given.condition)
    if context.is_polled(rule.start, rule.given.condition):
        return np.array([given.over(*start) for start in zip(starts.since_ns, starts.seen_ns, strict=True)], np.int8)
    return given.values_at(starts.since_ns)


def _settled(rule: Sequence, context: EvaluationContext, starts: Edges, given: NDArray[np.int8]) -> NDArray[np.int8]:
    """Return `given` of the starts, decided where only what the steps await changed between the same frames as a start.

    As if it held, where every step then is met: what follows a start is not taken for what was before it. As if it did
    not, where a handshake was running that is met without that start: then it came again while the car was at it.
    """
    if rule.given is None or context.is_polled(*rule.triggers) or not (given == IN_TRANSITION).any():
        return given
    awaited = {role for step in rule.steps for role in context.trigger_times(step.await_).roles}
    others = [context.ternary(it) for it in statements_of(rule.given.condition) if it.role not in awaited]
    decided = given.copy()
    for index in np.flatnonzero(given == IN_TRANSITION).tolist():
        start = starts.at(index)
        if any(it.at(start.since_ns) not in {TRUE, FALSE} for it in others):
            continue
        surely = np.flatnonzero(decided == TRUE)
        behind = surely[surely > index]
        following = starts.at(int(behind[0])) if len(behind) else None
        for before in surely[surely < index][-1:].tolist():
            run = _HandshakeEvaluator(rule, context, starts.at(before), 0, following, [])
            if run.is_met() and run.end_ns > start.since_ns:
                decided[index] = FALSE
        if decided[index] != FALSE and _HandshakeEvaluator(rule, context, start, 0, following, []).is_met():
            decided[index] = TRUE
    return decided


def _hidden_start(rule: Sequence, context: EvaluationContext) -> Iterator[Finding]:
    """Yield a finding if a start can have come and gone between two samples."""
    given = None if rule.given is None else context.ternary(rule.given.condition)
    for gap in context.gaps(rule.start):
        if given is None or not given.is_false(gap.from_ns, gap.until_ns):
            reason = f"'{plain(rule.start.text)}' may have happened unseen: {gap.why}"
            yield _finding(rule, Outcome.UNDECIDED, reason, Edge(gap.from_ns, gap.until_ns))
            return


def _doubtful_start(rule: Sequence, context: EvaluationContext, start: Edge) -> Finding:
    assert rule.given is not None  # noqa: S101 (only asked where a condition could not be decided)
    why = context.why_unknown(rule.given.condition, start.since_ns)
    reason = f"{past_tense(rule.start)}, but the log cannot tell whether {past_tense(rule.given)}: {why}"
    return _finding(rule, Outcome.UNDECIDED, reason, start, (_evidence(context, rule.start, start),))


class _Wait(NamedTuple):
    """A step, and the change that its time counts from."""

    step: Step
    reference: Edge
    #: The step that the reference is of; None: it is the start.
    counted_from: str | None

    @property
    def deadline_ns(self) -> int:
        """When the step's limit has surely run out, ns."""
        return self.reference.seen_ns + self.step.within_ns


class _HandshakeEvaluator:
    """One handshake."""

    def __init__(
        self,
        rule: Sequence,
        context: EvaluationContext,
        start: Edge,
        number: int,
        following: Edge | None,
        doubtful: list[Edge],
    ) -> None:
        self.rule = rule
        self.context = context
        self.start = start
        self.number = number
        #: Starts of which the log cannot tell whether they are any.
        self.doubtful = doubtful
        self.triggers: dict[str | None, Trigger] = {None: rule.start}
        self.triggers |= {step.name: step.await_ for step in rule.steps}
        self.tries = 0
        #: Why the first step may yet come again, so that no fault counted from it is sure; empty if it cannot.
        self.may_try_again = ""
        self.abandoned = ""
        self.end_ns = start.seen_ns
        #: Where each step was found; the start stands under its own key.
        self.found: dict[str | None, Edge] = {None: start}
        self.stop, self.stop_words = self._find_stop(following)

    def _find_stop(self, following: Edge | None) -> tuple[Edge | None, str]:
        stop, words = following, "the start came again"
        if self.rule.abandon is not None:
            abandon = _first(self.context, self.rule.abandon, ends_after_ns=self.start.seen_ns)
            if abandon is not None and (stop is None or abandon.seen_ns < stop.seen_ns):
                stop, words = abandon, past_tense(self.rule.abandon)
        return stop, words

    def handshake(self) -> Handshake:
        """Return the record of the run; to be asked after `judge`."""
        return Handshake(
            rule=self.rule.name,
            number=self.number,
            start=self.start.span,
            end_ns=max(self.end_ns, self.start.seen_ns),
            completed=all(step.name in self.found for step in self.rule.steps),
            abandoned=self.abandoned,
            tries=self.tries,
        )

    def is_met(self) -> bool:
        """Return whether every step came as it should."""
        findings = list(self._evaluate_steps())
        return len(findings) == len(self.rule.steps) and all(it.outcome is Outcome.MET for it in findings)

    def judge(self) -> Iterator[Finding]:
        """Yield one finding for each step that can be checked; the answer to an unusual try is one to look at."""
        usual = self.rule.tries if self.rule.usual_tries is None else self.rule.usual_tries
        for finding in self._evaluate_steps():
            is_answer = len(self.rule.steps) > 1 and finding.step == self.rule.steps[1].name
            if is_answer and finding.outcome is Outcome.MET and usual < self.tries <= self.rule.tries:
                reason = f"{finding.reason}; but that took {self.tries} tries; usual: {usual}"
                yield replace(finding, outcome=Outcome.UNDECIDED, reason=reason)
            else:
                yield finding

    def _evaluate_steps(self) -> Iterator[Finding]:
        before: str | None = None
        for index, step in enumerate(self.rule.steps):
            counted_from = before if step.from_ is None else step.from_
            if counted_from in self.found:
                wait = _Wait(step, self.found[counted_from], counted_from)
                finding = self._evaluate_step(wait)
                if finding is not None and (step.name in self.found or not step.optional):
                    yield self._unless_tried_again(finding, wait.reference) if index else finding
                if self.abandoned:
                    return
                if index == 0 and step.name in self.found:
                    self._follow_tries(step)
            before = step.name

    # --- one step ---------------------------------------------------------------------------------------

    def _candidate(self, wait: _Wait) -> Edge | None:
        """Return the first awaited change that is not wholly before the reference nor wholly after the stop."""
        step, reference, counted_from = wait
        other_than = reference if self.triggers[counted_from].moments == step.await_.moments else None
        edge = _first(self.context, step.await_, ends_after_ns=reference.since_ns, other_than=other_than)
        if edge is not None and self.stop is not None and edge.since_ns >= self.stop.seen_ns:
            return None
        return edge

    def _evaluate_step(self, wait: _Wait) -> Finding | None:
        step, reference, _ = wait
        edge = self._candidate(wait)
        if edge is None:
            return self._evaluate_absence(wait, None)
        delay = edge.delay_after(reference)
        if delay.earliest_ns > ANSWER_EXPIRY_FACTOR * step.within_ns:
            return self._evaluate_absence(wait, edge)
        self._note_end(edge.seen_ns)
        hidden = self.context.first_blind_interval(step.await_, reference.since_ns, edge.since_ns)
        if hidden is not None:
            # Which of several changes this one is, nobody can tell.
            return self._step_finding(wait, Outcome.UNDECIDED, _hidden_text(step, hidden))
        if delay.earliest_ns > step.surely_late_ns:
            # Late, unless the handshake was abandoned while there still was time.
            if self._is_abandoned(wait):
                return None
            doubt = self._doubt_of_abandoning(wait)
            if doubt:
                return self._step_finding(wait, Outcome.UNDECIDED, doubt, edge=edge)
        self.found[step.name] = edge
        return self._evaluate_delay(wait, edge, delay)

    def _evaluate_delay(self, wait: _Wait, edge: Edge, delay: TimeBounds) -> Finding:
        step, both = wait.step, (self.triggers[wait.counted_from], wait.step.await_)
        is_polled = self.context.is_polled(*both)
        if step.after_ns is None and delay.earliest_ns < 0 and not is_polled:
            # The log cannot tell the order, and the rule does not ask for it: then it is taken to be right.
            delay = TimeBounds(earliest_ns=0, latest_ns=delay.latest_ns)
        assert delay.latest_ns is not None  # noqa: S101 (both ends of an edge are known)
        least, most = step.after_ns, step.within_ns
        text = came_text(step, delay, self._name(wait.counted_from))
        if delay.earliest_ns > step.surely_late_ns:
            most = step.surely_late_ns
            outcome, tail = Outcome.LATE, f"late by at least {format_at_least(delay.earliest_ns - most)}"
        elif least is not None and delay.latest_ns < least:
            outcome, tail = Outcome.EARLY, f"early by at least {format_at_least(least - delay.latest_ns)}"
        elif delay.latest_ns <= most and delay.earliest_ns >= (least or 0):
            outcome, tail = Outcome.MET, ""
        elif delay.earliest_ns < 0:
            outcome, tail = Outcome.UNDECIDED, "the log cannot tell which of the two came first"
        else:
            limit = most if delay.latest_ns > most else least
            call = borderline_text(delay, limit or 0, self.context.period_ns(*both), self.context.cycle_ns(*both))
            outcome, tail = Outcome.UNDECIDED, call
        reason = f"{text}; {bound_text(outcome, least, most)}" + (f": {tail}" if tail else "")
        return self._step_finding(wait, outcome, reason, edge=edge, delay=delay)

    def _evaluate_absence(self, wait: _Wait, straggler: Edge | None) -> Finding | None:
        """Check a step whose change did not come; None if it was abandoned before it could be checked."""
        (step, reference, counted_from), deadline_ns = wait, wait.deadline_ns
        prior = self._prior(wait)
        hidden = None if prior is None else self.context.first_blind_interval(step.await_, prior.since_ns, deadline_ns)
        if prior is not None and (hidden is None or not hidden.is_gap):
            self.found[step.name] = prior
            self._note_end(reference.seen_ns)
            ahead = span_text(reference.delay_after(prior))
            reason = f"{past_tense(step.await_)} {ahead} before {self._name(counted_from)}; expected after it"
            return self._step_finding(wait, Outcome.OUT_OF_ORDER, reason, edge=prior)
        if self._is_abandoned(wait):
            return None
        self._note_end(min(deadline_ns, self.context.end_ns))
        doubt = self._doubt_of_absence(wait)
        if doubt:
            return self._step_finding(wait, Outcome.UNDECIDED, doubt)
        came = "" if straggler is None else f"it came only {span_text(straggler.delay_after(reference))} after it"
        reason = (
            f"{not_past(step.await_)} within {exact_duration(step.within_ns)} after"
            f" {self._name(counted_from)}; {came or self._stayed(wait)}"
        )
        finding = self._step_finding(wait, Outcome.MISSING, reason)
        return finding if straggler is None else replace(finding, came_too_late=True)

    def _doubt_of_absence(self, wait: _Wait) -> str:
        """Return why it is not sure that a change did not come in time; empty if it is."""
        (step, reference, counted_from), deadline_ns = wait, wait.deadline_ns
        hidden = self.context.first_blind_interval(step.await_, reference.since_ns, deadline_ns)
        hidden = hidden or self.context.hiding_gap(step.await_, reference.since_ns, deadline_ns)
        if hidden is not None:
            return _hidden_text(step, hidden)
        shown_ns = self.context.shown_until_ns(step.await_)
        if shown_ns < deadline_ns:
            shown = format_at_least(max(shown_ns - reference.seen_ns, 0))
            return (
                f"cannot decide whether {past_tense(step.await_)} in time: the capture ends {shown} after"
                f" {self._name(counted_from)} ({limit_text(step.after_ns, step.within_ns)}); record longer"
            )
        return self._doubt_of_abandoning(wait)

    def _is_abandoned(self, wait: _Wait) -> bool:
        """Return whether the handshake was abandoned while a step still had time, and note it.

        Of samples only if it surely was: else `_doubt_of_abandoning` tells it.
        """
        if self.stop is None or self.stop.since_ns >= wait.deadline_ns:
            return False
        if self._is_stop_polled(wait.step) and self.stop.seen_ns > wait.reference.since_ns + 1 + wait.step.within_ns:
            return False
        self.abandoned = self.stop_words
        self._note_end(self.stop.seen_ns)
        return True

    def _is_stop_polled(self, step: Step) -> bool:
        stops = [self.rule.start] if self.rule.abandon is None else [self.rule.start, self.rule.abandon]
        return self.context.is_polled(step.await_, *stops)

    def _doubt_of_abandoning(self, wait: _Wait) -> str:
        """Return why the handshake may have been abandoned before a step's time ran out; empty if it surely was not."""
        step, deadline_ns = wait.step, wait.deadline_ns
        hidden = None
        if self.rule.abandon is not None:
            hidden = self.context.first_blind_interval(self.rule.abandon, self.start.seen_ns, deadline_ns)
        if hidden is None:
            begun = self.context.first_blind_interval(self.rule.start, self.start.seen_ns, deadline_ns)
            hidden = begun if begun is not None and begun.is_gap else None
        why = "" if hidden is None else hidden.why
        if not why and self.stop is not None and self.stop.since_ns < deadline_ns:
            why = f"{self.stop_words} at about the time when the limit ran out"
        again = [it for it in self.doubtful if it.seen_ns > self.start.seen_ns and it.since_ns < deadline_ns]
        if not why and again and self._is_stop_polled(step):
            why = f"{past_tense(self.rule.start)} again, perhaps as the start of another"
        if not why:
            return ""
        return (
            f"{not_past(step.await_)} within {exact_duration(step.within_ns)} after"
            f" {self._name(wait.counted_from)}, but the handshake may have been cancelled: {why}"
        )

    def _prior(self, wait: _Wait) -> Edge | None:
        """Return the awaited change if it came earlier in this handshake and nothing has undone it."""
        found = self.context.trigger_times(wait.step.await_)
        index = int(found.seen_ns.searchsorted(wait.reference.since_ns, "right")) - 1
        if index < 0 or found.seen_ns[index] <= self.start.since_ns:
            return None
        if not self._holds(wait.step.await_, wait.reference.seen_ns):
            return None
        return found.edges.at(index)

    def _holds(self, trigger: Trigger, time_ns: int) -> bool:
        return any(self.context.ternary(edge_condition(moment)).at(time_ns) == TRUE for moment in trigger.moments)

    def _stayed(self, wait: _Wait) -> str:
        """Return in which state each awaited role stayed until the time of a step ran out."""
        step, reference, _ = wait
        # The reference itself may end it: an enable that comes on was off before.
        if self._holds(step.await_, reference.since_ns) and self._holds(step.await_, reference.seen_ns):
            return already(step.await_)
        parts = []
        for role in self.context.trigger_times(step.await_).roles:
            timeline = self.context.timelines[role]
            if timeline.is_number:
                continue
            index = int(timeline.seen_ns.searchsorted(wait.deadline_ns, "right")) - 1
            if timeline.state[index] != UNKNOWN_STATE:
                parts.append((role, timeline.states[timeline.state[index]]))
        if len(parts) == 1:
            return f"it stayed {plain(parts[0][1])}"
        return " and ".join(f"{plain(role)} stayed {plain(state)}" for role, state in parts) or "it never happened"

    # --- tries ------------------------------------------------------------------------------------------

    def _follow_tries(self, first: Step) -> None:
        """Move the first step on to its last try that the rule allows before the second step came."""
        self.tries = 1
        if len(self.rule.steps) == 1:
            return
        second = self.rule.steps[1]
        while True:
            current = self.found[first.name]
            again = _first(self.context, first.await_, ends_after_ns=current.seen_ns)
            answer = self._candidate(_Wait(second, current, first.name))
            if again is None and answer is None and self.tries < self.rule.tries:
                self.may_try_again = self._doubt_of_tries(first, second)
            if again is None or again.since_ns < current.seen_ns:
                return
            if answer is not None and answer.since_ns < again.seen_ns:
                return
            if self.stop is not None and again.since_ns >= self.stop.seen_ns:
                return
            if again.delay_after(current).earliest_ns > self.rule.again_ns:
                return
            self.tries += 1
            if self.tries > self.rule.tries:
                self._count_more_tries(first, again)
                return
            self.found[first.name] = again

    def _doubt_of_tries(self, first: Step, second: Step) -> str:
        """Return why another try may come behind the end of the capture; empty if none can, or it would not help."""
        current = self.found[first.name]
        until_ns = current.seen_ns + self.rule.again_ns
        if self.stop is not None:
            until_ns = min(until_ns, self.stop.seen_ns)
        shown_ns = self.context.shown_until_ns(first.await_)
        if shown_ns >= until_ns or self.context.shown_until_ns(second.await_) >= until_ns + second.within_ns:
            return ""
        shown = format_at_least(max(shown_ns - current.seen_ns, 0))
        return f"the capture ends {shown} after {self._name(first.name)}, and another try could follow; record longer"

    def _unless_tried_again(self, finding: Finding, reference: Edge) -> Finding:
        """Return a finding, in doubt if another try could set a new clock for what it says is wrong."""
        counts_from_try = reference == self.found.get(self.rule.steps[0].name)
        if counts_from_try and self.tries < self.rule.tries and finding.outcome is not Outcome.UNDECIDED:
            until_ns = finding.time_ns or reference.seen_ns
            if finding.outcome is Outcome.MISSING and finding.limit is not None:
                until_ns = reference.seen_ns + int(finding.limit.most or 0)
            hidden = self.context.first_blind_interval(self.rule.steps[0].await_, reference.seen_ns, until_ns)
            if hidden is not None and hidden.is_gap:
                reason = f"{finding.reason}; but another try may hide: {hidden.why}"
                return replace(finding, outcome=Outcome.UNDECIDED, reason=reason)
        is_sure = not finding.outcome.is_fault or finding.outcome is Outcome.OUT_OF_ORDER
        if is_sure or not counts_from_try or not self.may_try_again:
            return finding
        return replace(finding, outcome=Outcome.UNDECIDED, reason=f"{finding.reason}; but {self.may_try_again}")

    def _count_more_tries(self, first: Step, last: Edge) -> None:
        """Count the tries beyond those allowed: they restart no clock, but people want to know."""
        current = self.found[first.name]
        answer = self._candidate(_Wait(self.rule.steps[1], current, first.name))
        until_ns = current.seen_ns + self.rule.again_ns
        if answer is not None:
            until_ns = min(until_ns, answer.since_ns)
        if self.stop is not None:
            until_ns = min(until_ns, self.stop.since_ns)
        seen_ns = self.context.trigger_times(first.await_).seen_ns
        self.tries += int(((seen_ns > last.seen_ns) & (seen_ns <= until_ns)).sum())

    # --- words ------------------------------------------------------------------------------------------

    def _name(self, step_name: str | None) -> str:
        if step_name is None:
            return past_tense(self.rule.start)
        if step_name == self.rule.steps[0].name and self.tries > 1:
            return f"{plain(step_name)} (try {min(self.tries, self.rule.tries)})"
        return plain(step_name)

    def _note_end(self, time_ns: int) -> None:
        self.end_ns = max(self.end_ns, time_ns)

    def _step_finding(
        self, wait: _Wait, outcome: Outcome, reason: str, *, edge: Edge | None = None, delay: TimeBounds | None = None
    ) -> Finding:
        step, reference, counted_from = wait
        evidence = [_evidence(self.context, self.triggers[counted_from], reference)]
        if edge is not None:
            evidence.append(_evidence(self.context, step.await_, edge))
        at = edge or reference
        return _finding(
            self.rule, outcome, reason, at, tuple(evidence), step=step, number=self.number, delay=delay, since=reference
        )


def _hidden_text(step: Step, zone: BlindInterval) -> str:
    if zone.is_discontinuity:
        return f"cannot decide whether {past_tense(step.await_)} in time: the recorder clock jumped back meanwhile"
    return f"cannot decide whether {past_tense(step.await_)} in time: {zone.why}"
