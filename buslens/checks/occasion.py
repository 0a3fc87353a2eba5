"""What has to happen at the car for a handshake to run."""

from buslens.checks.phrases import in_brief, plain
from buslens.expectations.model import And, Is, Or, Sequence, WrittenCondition
from buslens.expectations.subjects import roles_of, roles_of_trigger


def what_to_do(rule: Sequence) -> str:
    """Return what has to happen at the car for a sequence to run: its start, and the state before it."""
    given = "" if rule.given is None else f", while {_state_before(rule, rule.given)}"
    return f"{in_brief(rule.start)}{given}"


def _state_before(rule: Sequence, given: WrittenCondition) -> str:
    """Return a condition without the parts that nobody at the car brings about.

    They are the command's own state, and a choice among states which the rule's own steps change.
    """
    parts = given.condition.parts if isinstance(given.condition, And) else (given.condition,)
    command, *answers = ({*roles_of_trigger(step.await_)} for step in rule.steps)
    moved = command.union(*answers)
    kept = [it for it in parts if not (moved if isinstance(it, Or) else command).issuperset(roles_of(it))]
    if len(kept) in {0, len(parts)} or not all(isinstance(it, Is) for it in kept):
        return plain(given.text)
    return plain(" and ".join(f"{it.role} is {it.state}" for it in kept if isinstance(it, Is)))
