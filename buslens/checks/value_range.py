"""A number that must keep within limits."""

from collections.abc import Callable
from dataclasses import replace
from fractions import Fraction
from functools import cache
from math import isfinite

import numpy as np
from numpy.typing import NDArray

from buslens.checks.context import EvaluationContext
from buslens.checks.episodes import ForbiddenCondition, evaluate_episodes
from buslens.checks.findings import Finding
from buslens.checks.outcome import Limit
from buslens.checks.phrases import meanwhile, plain
from buslens.definitions.limits import exactly
from buslens.expectations.model import And, Compare, Condition, Or, Range
from buslens.timeline.model import UNKNOWN_STATE
from buslens.timeline.ternary import TRUE, UNKNOWN, Episode


def evaluate(rule: Range, context: EvaluationContext) -> list[Finding]:
    """Return what the rule found, in order of time, and last what sums up the rest.

    =====================================================  ====================================================
    a value outside while ``while`` holds                  violated; the text gives the worst value
    a value on a limit                                     met: both ends belong to the range
    the same for up to ``longer_than``                     met
    the number, or ``while``, is unknown                   undecided, save where the other settles it
    ``while`` never surely holds and is never unknown      not exercised
    =====================================================  ====================================================
    """
    outside: list[Condition] = []
    if rule.least is not None:
        outside.append(Compare(role=rule.of, operator="<", value=rule.least))
    if rule.most is not None:
        outside.append(Compare(role=rule.of, operator=">", value=rule.most))
    condition: Condition = Or(parts=tuple(outside))
    timeline = context.timelines[rule.of]
    if rule.while_ is not None:
        condition = And(parts=(rule.while_.condition, condition))
        scope = context.ternary(rule.while_.condition)
        # It may have held between two frames, or behind the last: of that there is nothing to check.
        if not ((scope.value == TRUE) | (scope.value == UNKNOWN)).any():
            return []

    low = None if rule.least is None else exactly(rule.least)
    high = None if rule.most is None else exactly(rule.most)

    @cache
    def beyond() -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
        """Return which entries are below and which above the range."""
        nowhere = np.zeros(len(timeline), np.bool_)
        below = nowhere if low is None else timeline.compare("<", low)
        return below, nowhere if high is None else timeline.compare(">", high)

    limit = Limit(
        least=None if low is None else float(low), most=None if high is None else float(high), unit=timeline.unit
    )

    def entries(run: Episode) -> NDArray[np.intp]:
        """Return the entries of a stretch whose value is known."""
        # A stretch that reaches the end of the capture has the very last frame in it.
        first = max(int(np.searchsorted(timeline.seen_ns, run.from_ns, side="right")) - 1, 0)
        last = int(np.searchsorted(timeline.seen_ns, run.to_ns, side="right" if run.at_end else "left"))
        return first + np.flatnonzero(timeline.state[first:last] != UNKNOWN_STATE)

    def words(run: Episode) -> str:
        seen = entries(run)
        is_below, is_above = (it[seen].any() for it in beyond())
        broken = limit
        if is_below != is_above:
            broken = replace(limit, most=None) if is_below else replace(limit, least=None)
        return f"{plain(rule.of)} was {_outside(broken)}"

    def worst(run: Episode) -> str:
        seen = entries(run)
        values = timeline.values(seen)
        below, above = beyond()
        if low is not None and below[seen].any():
            return f"; lowest {_shown(values.min(), lambda number: number < low)} {timeline.unit}"
        if high is not None and above[seen].any():
            return f"; highest {_shown(values.max(), lambda number: number > high)} {timeline.unit}"
        return ""

    offence = ForbiddenCondition(
        rule=rule,
        condition=condition,
        truth_in=lambda context: context.ternary(condition),
        tolerated_ns=rule.longer_than_ns,
        words=words,
        tail=worst,
        limit=limit,
        scope="" if rule.while_ is None else f" {meanwhile(rule.while_)}",
        role=rule.of,
    )
    return evaluate_episodes(offence, context)


def _outside(limit: Limit) -> str:
    if limit.most is None:
        return f"below {limit.least:.15g} {limit.unit}"
    if limit.least is None:
        return f"above {limit.most:.15g} {limit.unit}"
    return f"outside {limit.least:.15g} to {limit.most:.15g} {limit.unit}"


def _shown(worst: float, is_outside: Callable[[Fraction], bool]) -> str:
    """Return a value that is outside its limits with enough digits to show that it is."""
    texts = [f"{worst:.{digits}g}" for digits in (6, 9, 15, 17)]
    if not isfinite(worst):
        return texts[0]
    return next((text for text in texts if is_outside(Fraction(text))), texts[-1])
