"""Which roles are the two feedback paths, and which steps are one of them following the other.

The paths are what a rule of kind *agree* compares, whatever the roles are called. Both move by the same bolt, so that
the time from one to the other is a matter of contacts and telegrams, not of the motor. A step that awaits one of them,
and counts from a step that awaits the other, measures just that.
"""

from typing import Final

from buslens.checks.context import roles_of
from buslens.expectations.model import Agree, Becomes, Expectations, Sequence, Trigger

USUAL_PATHS: Final = frozenset({frozenset({"unlock_feedback", "data_feedback"})})
"""What the paths are taken to be in a ledger of before it said so."""


def feedback_paths(expected: Expectations) -> frozenset[frozenset[str]]:
    """Return the pairs of roles that must agree."""
    pairs = [
        frozenset(roles_of(rule.first.condition) + roles_of(rule.second.condition))
        for rule in expected.rules
        if isinstance(rule, Agree)
    ]
    return frozenset(pair for pair in pairs if len(pair) == 2)


def skew_steps(expected: Expectations) -> frozenset[tuple[str, str]]:
    """Return rule and step of each step that awaits one feedback and counts from the other."""
    found, paths = set(), feedback_paths(expected)
    for rule in expected.rules:
        if not isinstance(rule, Sequence):
            continue
        awaited = {step.name: _roles(step.await_) for step in rule.steps}
        before: str | None = None
        for step in rule.steps:
            reference = before if step.from_ is None else step.from_
            first = _roles(rule.start) if reference is None else awaited[reference]
            if first | awaited[step.name] in paths and not first & awaited[step.name]:
                found.add((rule.name, step.name))
            before = step.name
    return frozenset(found)


def _roles(trigger: Trigger) -> frozenset[str]:
    return frozenset(moment.edge.role for moment in trigger.moments if isinstance(moment.edge, Becomes))
