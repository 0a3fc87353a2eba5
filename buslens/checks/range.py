"""A number that must keep within limits."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from buslens.checks.episodes import Offence, judge
from buslens.checks.findings import Limit
from buslens.expectations.model import And, Compare, Or
from buslens.timeline.model import UNKNOWN
from buslens.timeline.truth import IGNORANT, TRUE

if TYPE_CHECKING:
    from buslens.checks.findings import Finding
    from buslens.checks.scene import Scene
    from buslens.expectations.model import Condition, Range
    from buslens.timeline.truth import Run


def evaluate(rule: Range, scene: Scene) -> list[Finding]:
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
    timeline = scene.timelines[rule.of]
    if rule.while_ is not None:
        condition = And(parts=(rule.while_.condition, condition))
        scope = scene.truth(rule.while_.condition)
        # It may have held between two frames, or behind the last: of that there is nothing to judge.
        if not ((scope.value == TRUE) | (scope.value == IGNORANT)).any():
            return []

    def words(run: Run) -> str:
        # A stretch that reaches the end of the capture has the very last frame in it.
        first = max(int(np.searchsorted(timeline.seen_ns, run.from_ns, side="right")) - 1, 0)
        last = int(np.searchsorted(timeline.seen_ns, run.to_ns, side="right" if run.at_end else "left"))
        values = timeline.value[first:last][timeline.state[first:last] != UNKNOWN]
        if not len(values):
            return f"{rule.of} outside its range"
        below = rule.least is not None and values.min() < rule.least
        worst = values.min() if below else values.max()
        return f"{rule.of} {'down to' if below else 'up to'} {worst:g} {rule_unit}"

    rule_unit = timeline.unit
    offence = Offence(
        rule=rule,
        kind="range",
        condition=condition,
        truth_in=lambda scene: scene.truth(condition),
        tolerated_ns=rule.longer_than_ns,
        words=words,
        limit=Limit(least=rule.least, most=rule.most, unit=timeline.unit),
        role=rule.of,
    )
    return judge(offence, scene)
