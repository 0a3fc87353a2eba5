"""Conditions back into the words of the condition language; reading the result gives the same condition."""

from __future__ import annotations

from decimal import Decimal, localcontext
from typing import TYPE_CHECKING, Final

from buslens.definitions.limits import exactly
from buslens.expectations.model import (
    And,
    Becomes,
    Between,
    Compare,
    HeldFor,
    Is,
    IsUnknown,
    Not,
    Or,
)
from buslens.units import exact_duration

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from buslens.expectations.model import Condition, GuardedEdge, Number, Role

# How tightly the words of a condition hold together.
_OR: Final = 0
_AND: Final = 1
_NOT: Final = 2
_FOR: Final = 3
_ATOM: Final = 4

_MOST_DIGITS: Final = 400


def condition_text(condition: Condition, roles: Mapping[str, Role]) -> str:
    """Return a condition in words; the roles give the units of numbers.

    >>> condition_text(Not(part=Or(parts=(Is(role="a", state="x"), IsUnknown(role="b")))), {})
    'not (a is x or b is unknown)'
    """
    return _words(condition, roles)[0]


def trigger_text(moments: Iterable[GuardedEdge], roles: Mapping[str, Role]) -> str:
    """Return the moments of a trigger in words."""
    return " or ".join(_moment(moment, roles) for moment in moments)


def _moment(moment: GuardedEdge, roles: Mapping[str, Role]) -> str:
    if not isinstance(moment.edge, Becomes):
        return condition_text(moment.edge, roles)
    text = f"{moment.edge.role} becomes {moment.edge.state}"
    if moment.while_ is None:
        return text
    parts = moment.while_.parts if isinstance(moment.while_, And) else (moment.while_,)
    return " and ".join([text, *(_at_least(_NOT, part, roles) for part in parts)])


def _at_least(level: int, condition: Condition, roles: Mapping[str, Role]) -> str:
    text, own = _words(condition, roles)
    return text if own >= level else f"({text})"


def _words(condition: Condition, roles: Mapping[str, Role]) -> tuple[str, int]:
    """Return the words and how tightly they hold together."""
    match condition:
        case Is(role=role, state=state):
            return f"{role} is {state}", _ATOM
        case IsUnknown(role=role):
            return f"{role} is unknown", _ATOM
        case Not(part=Is(role=role, state=state)):
            return f"{role} is not {state}", _ATOM
        case Not(part=IsUnknown(role=role)):
            return f"{role} is known", _ATOM
        case Not(part=HeldFor() as part):  # brackets for the reader; the grammar could do without
            return f"not ({condition_text(part, roles)})", _NOT
        case Not(part=part):
            return f"not {_at_least(_NOT, part, roles)}", _NOT
        case Compare(role=role, operator=operator, value=value):
            return f"{role} {operator} {_quantity(value, role, roles)}", _ATOM
        case Between(role=role, low=low, high=high):
            ends = f"{_quantity(low, role, roles)} and {_quantity(high, role, roles)}"
            return f"{role} between {ends}", _ATOM
        case HeldFor(part=part, duration_ns=duration_ns):
            return f"{_at_least(_ATOM, part, roles)} for {exact_duration(duration_ns)}", _FOR
        case And(parts=parts):
            return " and ".join(_at_least(_NOT, part, roles) for part in parts), _AND
        case Or(parts=parts):
            return " or ".join(_at_least(_AND, part, roles) for part in parts), _OR


def _quantity(value: Number, role: str, roles: Mapping[str, Role]) -> str:
    exact = exactly(value)
    # A written number has a finite number of decimals, here as in any unit that differs by a power of ten.
    with localcontext(prec=_MOST_DIGITS):
        number = f"{Decimal(exact.numerator) / exact.denominator:f}"
    unit = roles[role].unit if role in roles else ""
    return f"{number} {unit}".rstrip()
