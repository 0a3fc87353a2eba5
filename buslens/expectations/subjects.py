"""What conditions, moments and rules speak of: their roles, and how far back they look."""

from collections.abc import Iterator

from buslens.expectations.model import (
    And,
    AnyRule,
    Becomes,
    Between,
    Compare,
    Condition,
    GuardedEdge,
    HeldFor,
    Is,
    IsUnknown,
    Not,
    Or,
    Trigger,
)


def edge_condition(moment: GuardedEdge) -> Condition:
    """Return the condition whose beginning is the edge of a moment."""
    if isinstance(moment.edge, Becomes):
        return Is(role=moment.edge.role, state=moment.edge.state)
    return moment.edge


def roles_of(condition: Condition) -> tuple[str, ...]:
    """Return the roles that a condition speaks of, in its order, each once."""
    return tuple(dict.fromkeys(it.role for it in statements_of(condition)))


def statements_of(condition: Condition) -> Iterator[Is | IsUnknown | Compare | Between]:
    """Yield what a condition says of single roles, in its order."""
    match condition:
        case And(parts=parts) | Or(parts=parts):
            for part in parts:
                yield from statements_of(part)
        case Not(part=part) | HeldFor(part=part):
            yield from statements_of(part)
        case _:
            yield condition


def longest_hold_ns(condition: Condition) -> int:
    """Return for how long at most a condition asks back into the past, ns."""
    match condition:
        case And(parts=parts) | Or(parts=parts):
            return max(map(longest_hold_ns, parts))
        case Not(part=part):
            return longest_hold_ns(part)
        case HeldFor(part=part, duration_ns=duration_ns):
            return duration_ns + longest_hold_ns(part)
        case _:
            return 0


def roles_of_trigger(trigger: Trigger) -> tuple[str, ...]:
    """Return the roles that a trigger speaks of, in its order, each once."""
    found: dict[str, None] = {}
    for moment in trigger.moments:
        found |= dict.fromkeys(roles_of(edge_condition(moment)))
        if moment.while_ is not None:
            found |= dict.fromkeys(roles_of(moment.while_))
    return tuple(found)


def roles_in(rule: AnyRule) -> frozenset[str]:
    """Return the roles that a rule speaks of."""
    roles = {role for trigger in rule.triggers for role in roles_of_trigger(trigger)}
    roles |= {role for state in rule.conditions for role in roles_of(state.condition)}
    return frozenset(roles | set(rule.numbers))
