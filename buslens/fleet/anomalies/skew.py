"""Which steps are one feedback path following the other.

The two feedbacks move by the same bolt, so that the time from one to the other is a matter of contacts and telegrams,
not of the motor. A step that awaits one of them, and counts from a step that awaits the other, measures just that.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from buslens.expectations.model import Becomes, Sequence

if TYPE_CHECKING:
    from buslens.expectations.model import Expectations, Trigger

FEEDBACKS: Final = frozenset({"unlock_feedback", "data_feedback"})
"""Roles of the two feedback paths, as expectations files call them."""


def skew_steps(expected: Expectations) -> frozenset[tuple[str, str]]:
    """Return rule and step of each step that awaits one feedback and counts from the other."""
    found = set()
    for rule in expected.rules:
        if not isinstance(rule, Sequence):
            continue
        awaited = {step.name: _roles(step.await_) for step in rule.steps}
        before: str | None = None
        for step in rule.steps:
            reference = before if step.from_ is None else step.from_
            first = _roles(rule.start) if reference is None else awaited[reference]
            if first | awaited[step.name] == FEEDBACKS and not first & awaited[step.name]:
                found.add((rule.name, step.name))
            before = step.name
    return frozenset(found)


def _roles(trigger: Trigger) -> frozenset[str]:
    return frozenset(moment.edge.role for moment in trigger.moments if isinstance(moment.edge, Becomes))
