"""What one rule finds in a context, whatever its kind."""

from collections.abc import Callable, Mapping
from collections.abc import Sequence as Sequenced
from typing import Any, Final

from buslens.checks import agree, alive, never, precedes, pulse, sequence, value_range
from buslens.checks.context import EvaluationContext
from buslens.checks.findings import Finding, Handshake, finding_by
from buslens.checks.outcome import Outcome
from buslens.expectations.model import (
    Agree,
    Alive,
    AnyRule,
    Never,
    Precedes,
    Pulse,
    Range,
    Rule,
    Sequence,
)
from buslens.expectations.subjects import edge_condition, longest_hold_ns

_EVALUATE: Final[Mapping[type[Rule], Callable[[Any, EvaluationContext], list[Finding]]]] = {
    Pulse: pulse.evaluate,
    Never: never.evaluate,
    Agree: agree.evaluate,
    Alive: alive.evaluate,
    Range: value_range.evaluate,
    Precedes: precedes.evaluate,
}
"""What checks each kind of rule, except sequences, which also make handshakes."""


def evaluate_rule(rule: AnyRule, context: EvaluationContext) -> tuple[Sequenced[Finding], Sequenced[Handshake]]:
    """Return what one rule finds, and the handshakes if it is a sequence."""
    if not context.is_timed and _needs_time(rule):
        if isinstance(rule, Sequence) and _has_order(rule):
            return sequence.evaluate_order(rule, context)
        return [_untimed(rule)], []
    if isinstance(rule, Sequence):
        return sequence.evaluate(rule, context)
    return _EVALUATE[type(rule)](rule, context), []


def _needs_time(rule: AnyRule) -> bool:
    return rule.needs_time or any(longest_hold_ns(state.condition) > 0 for state in rule.conditions)


def _has_order(rule: Sequence) -> bool:
    """Return whether no part of a sequence asks how long something has held."""
    triggers = (rule.start, rule.abandon, *(step.await_ for step in rule.steps))
    moments = [moment for trigger in triggers if trigger is not None for moment in trigger.moments]
    asked = [edge_condition(moment) for moment in moments] + [it.while_ for it in moments if it.while_ is not None]
    asked += [] if rule.given is None else [rule.given.condition]
    return not any(longest_hold_ns(condition) for condition in asked)


def _untimed(rule: AnyRule) -> Finding:
    return undecided(
        rule,
        "the log carries no time stamps, so that nothing with a time limit can be checked;"
        " record again with time stamps switched on",
    )


def undecided(rule: AnyRule, reason: str) -> Finding:
    """Return the finding of a rule that nothing in the capture decides."""
    return finding_by(rule)(outcome=Outcome.UNDECIDED, reason=reason)
