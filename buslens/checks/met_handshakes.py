"""Handshakes in which every step plainly came in its time, told of all starts at once.

The careful way through one handshake, which knows every case, is in `sequence.py`. Here only one case is known, the one
that nearly all handshakes of a car in order are: each step has exactly one candidate, wholly within its limits, nothing
could have hidden another, no try was repeated and nothing ended the handshake before. Of those both ways say the same.
"""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from buslens.checks.context import EvaluationContext
from buslens.checks.edges import NO_EDGE_NS, Edges, first_after
from buslens.expectations.model import Sequence, Step, Trigger


class MetHandshakes(NamedTuple):
    """What is known of the starts of a sequence."""

    #: Which of the starts began a handshake that is plainly met.
    is_met: NDArray[np.bool_]
    #: When each step came, in the order of the rule; of no meaning where a handshake is not met.
    came: tuple[Edges, ...]


def find_met_handshakes(rule: Sequence, context: EvaluationContext, starts: Edges) -> MetHandshakes:
    """Return which handshakes are plainly met, and when their steps came; starts in order of time."""
    is_met = np.ones(len(starts.seen_ns), np.bool_)
    stop = _stops(rule, context, starts)
    came: dict[str | None, Edges] = {None: starts}
    triggers: dict[str | None, Trigger] = {None: rule.start} | {step.name: step.await_ for step in rule.steps}
    before: str | None = None
    for step in rule.steps:
        counted_from = before if step.from_ is None else step.from_
        reference = came[counted_from]
        edge, is_sole = _first_behind(context, step.await_, reference, triggers[counted_from])
        earliest_ns = edge.since_ns + 1 - reference.seen_ns
        latest_ns = edge.seen_ns - reference.since_ns - 1
        is_met &= is_sole & (edge.since_ns < stop.seen_ns) & (latest_ns <= step.within_ns)
        is_met &= earliest_ns <= step.surely_late_ns
        if step.after_ns is not None:
            is_met &= earliest_ns >= step.after_ns
        is_met &= ~context.may_be_hidden(step.await_, reference.since_ns, edge.since_ns)
        came[step.name] = edge
        before = step.name
    if len(rule.steps) > 1:
        is_met &= _came_once(context, rule.steps[0], rule.steps[1], came[rule.steps[0].name], stop)
    return MetHandshakes(is_met, tuple(came[step.name] for step in rule.steps))


def _stops(rule: Sequence, context: EvaluationContext, starts: Edges) -> Edges:
    """Return what ends each handshake at the latest: the next start, or what abandons it."""
    since_ns, seen_ns = (np.append(it[1:], NO_EDGE_NS)[: len(it)] for it in starts[:2])
    if rule.abandon is None:
        return Edges(since_ns, seen_ns)
    abandon = first_after(context.trigger_times(rule.abandon), starts.seen_ns)
    is_sooner = abandon.seen_ns < seen_ns
    return Edges(np.where(is_sooner, abandon.since_ns, since_ns), np.where(is_sooner, abandon.seen_ns, seen_ns))


def _first_behind(
    context: EvaluationContext, trigger: Trigger, reference: Edges, counted_from: Trigger
) -> tuple[Edges, NDArray[np.bool_]]:
    """Return the first occurrences not wholly before a reference, and where it is sure which one that is."""
    found = context.trigger_times(trigger)
    edge = first_after(found, reference.since_ns)
    if trigger.moments != counted_from.moments:
        return edge, np.ones(len(edge.seen_ns), np.bool_)
    # What a step counts from is no answer to itself.
    edge = first_after(found, reference.since_ns, skip=edge.are(reference))
    return edge, ~edge.are(reference)


def _came_once(context: EvaluationContext, first: Step, second: Step, came: Edges, stop: Edges) -> NDArray[np.bool_]:
    """Return where the first step was not tried again before the second came."""
    again = first_after(context.trigger_times(first.await_), came.seen_ns)
    answer, is_sole = _first_behind(context, second.await_, came, first.await_)
    is_answered = (answer.since_ns < stop.seen_ns) & (answer.since_ns < again.seen_ns)
    is_over = (again.since_ns < came.seen_ns) | (again.since_ns >= stop.seen_ns) | (again.seen_ns == NO_EDGE_NS)
    is_sole &= is_answered | is_over
    return is_sole
