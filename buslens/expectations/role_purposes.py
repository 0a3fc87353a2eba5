"""Which roles are the feedback paths and which is the ignition, whatever a car's file calls them: its rules tell.

The feedback paths are what a rule of kind *agree* compares. The ignition is what may come on only after one of them, by
a rule of kind *precedes*. Where no rule says so, it is the role of that name.
"""

from collections.abc import Iterable
from typing import Final

from buslens.expectations.model import Agree, AnyRule, Precedes
from buslens.expectations.subjects import roles_of, roles_of_trigger

USUAL_IGNITION: Final = frozenset({"ignition"})
"""What the ignition is taken to be where no rule tells."""


def feedback_paths(rules: Iterable[AnyRule]) -> frozenset[frozenset[str]]:
    """Return the pairs of roles that must agree."""
    pairs = [
        frozenset(roles_of(rule.first.condition) + roles_of(rule.second.condition))
        for rule in rules
        if isinstance(rule, Agree)
    ]
    return frozenset(pair for pair in pairs if len(pair) == 2)


def ignition_roles(rules: Iterable[AnyRule]) -> frozenset[str]:
    """Return the roles that may come on only after a feedback says that the lock is released."""
    rules = tuple(rules)
    feedbacks = frozenset[str]().union(*feedback_paths(rules))
    found = [
        roles_of_trigger(rule.then)
        for rule in rules
        if isinstance(rule, Precedes) and not feedbacks.isdisjoint(roles_of_trigger(rule.first))
    ]
    return frozenset[str]().union(*found) - feedbacks or USUAL_IGNITION
