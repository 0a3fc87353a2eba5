"""Which steps are one of the two feedback paths following the other.

Both move by the same bolt, so that the time from one to the other is a matter of contacts and telegrams, not of the
motor. A step that awaits one of them, and counts from a step that awaits the other, measures just that.
"""

from buslens.expectations.model import Becomes, Expectations, Sequence, Trigger
from buslens.expectations.role_purposes import feedback_paths


def skew_steps(expected: Expectations) -> frozenset[tuple[str, str]]:
    """Return rule and step of each step that awaits one feedback and counts from the other."""
    found, paths = set(), feedback_paths(expected.rules)
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
