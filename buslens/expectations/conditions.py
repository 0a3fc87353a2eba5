"""The condition language: plain English about roles, read into the records of `model`.

======================================  ====================================================================
written                                 meaning
======================================  ====================================================================
``door_open is open``                   the role has that state
``door_open is not open``               it has another one (an unknown role is neither)
``door_open is unknown``, ``is known``  the log does not show, or shows, which state or number it has
``door_open becomes open``              the edge from another known state
``supply < 9.5 V``                      also ``<=``, ``>``, ``>=``; in the role's unit or one with an SI prefix
``supply between 9 V and 16 V``         both ends included
``... for 50 ms``                       what stands before it has held that long without a break
``not ...``, ``... and ...``            as in English
``... or ...``, ``( ... )``
======================================  ====================================================================

``for`` belongs to the one comparison or bracket right before it, then bind ``not``, ``and``, ``or``:
``not a is x for 5 ms and b is y`` means ``(not (a is x for 5 ms)) and b is y``. Keywords may be written in any
case; roles and states are made of letters, digits and ``_``, and none is called like a keyword.

Where a moment is asked, either something ``becomes``, perhaps ``and`` other things hold at that moment, in one
or several ways joined by ``or``; or a lasting condition stands for the moment at which it begins to hold.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING, Final, Literal, TypeAlias, cast

from buslens.errors import ExpectationError, SourceLocation, did_you_mean
from buslens.expectations._problems import raise_all
from buslens.expectations._syntax import ConditionSyntaxError, Mistake, states_of, syntax_tree, unknown_role
from buslens.expectations.model import (
    And,
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
    Role,
    Trigger,
    WrittenCondition,
)
from buslens.expectations.quantities import convert, parse_length_ns

if TYPE_CHECKING:
    from lark import Token, Tree


MOST_NESTED: Final = 50
"""Groups and words that may stand inside each other in one condition."""
LONGEST: Final = 200_000
"""Characters of one condition: some thousand comparisons. Reports print it."""

Where: TypeAlias = "Callable[[int], SourceLocation]"
"""Gives the place in a file of an offset in the text of a condition."""

_OPERATORS: Final = {"≤": "<=", "≥": ">="}


def parse_trigger(text: str, roles: Mapping[str, Role]) -> Trigger:
    """Return the moment that a text names; places in errors count in the text.

    Raises ExpectationError if the text names none, or asks for something that the roles do not have.
    """
    problems: list[ExpectationError] = []
    trigger = read_trigger(text, roles, _in_text, problems)
    if trigger is None:
        raise_all(problems)
    return trigger


def read_condition(
    text: str, roles: Mapping[str, Role | None], where: Where, problems: list[ExpectationError]
) -> WrittenCondition | None:
    """Return what a text asks to hold, or None after adding to the problems; a role None is one in doubt."""
    part = _read(text, roles, where, problems)
    if part is None:
        return None
    if part.condition is None:
        problem = "'becomes' names a moment; here something lasting is asked: write 'is'"
        problems.append(ExpectationError(problem, where(part.edge_at)))
        return None
    return WrittenCondition(condition=part.condition, text=" ".join(text.split()))


def read_trigger(
    text: str, roles: Mapping[str, Role | None], where: Where, problems: list[ExpectationError]
) -> Trigger | None:
    """Return the moment that a text names, or None after adding to the problems."""
    part = _read(text, roles, where, problems)
    if part is None:
        return None
    moments = part.moments if part.condition is None else (GuardedEdge(edge=part.condition),)
    return Trigger(moments=moments, text=" ".join(text.split()))


def _in_text(offset: int) -> SourceLocation:
    return SourceLocation("condition", 1, offset + 1)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Part:
    """What a piece of a text means: either something lasting or moments."""

    condition: Condition | None = None
    moments: tuple[GuardedEdge, ...] = ()
    #: Offset of the first "becomes".
    edge_at: int = -1


def _read(text: str, roles: Mapping[str, Role | None], where: Where, problems: list[ExpectationError]) -> _Part | None:
    if len(text) > LONGEST:
        problem = f"a condition has at most {LONGEST:,} characters, and this one {len(text):,}; split it into rules"
        problems.append(ExpectationError(problem, where(0)))
        return None
    try:
        reader = _ConditionBuilder(roles)
        part = reader.part(cast("Tree[Token]", syntax_tree(text, roles).children[0]), 1)
        mistakes = reader.mistakes
    except ConditionSyntaxError as error:
        part, mistakes = _Part(), [error.mistake]
    problems.extend(ExpectationError(problem, where(offset)) for offset, problem in mistakes)
    return None if mistakes else part


def _beginning(tree: Token | Tree[Token]) -> Token:
    while not isinstance(tree, str):  # a token is a str; the tree may be too deep to recur
        tree = tree.children[0]
    return tree


class _ConditionBuilder:
    """Reads the meaning of a syntax tree and gathers all that is wrong with it."""

    def __init__(self, roles: Mapping[str, Role | None]) -> None:
        self.roles = roles
        self.mistakes: list[Mistake] = []

    def wrong(self, at: Token, problem: str) -> None:
        self.mistakes.append(Mistake(at.start_pos or 0, problem))

    def part(self, tree: Tree[Token], depth: int) -> _Part:
        children = tree.children
        name = str(tree.data)
        if name in _ATOMS:
            return _ATOMS[name](self, cast("list[Token]", children))
        if depth > MOST_NESTED:
            problem = f"groups are nested more than {MOST_NESTED} deep; split this into several rules"
            raise ConditionSyntaxError(Mistake(_beginning(tree).start_pos or 0, problem))
        if name == "not":
            return self.negated(cast("Token", children[0]), self.part(cast("Tree[Token]", children[1]), depth + 1))
        if name == "for":
            held = self.part(cast("Tree[Token]", children[0]), depth + 1)
            return self.held(held, *cast("list[Token]", children[1:]))
        parts = [self.part(cast("Tree[Token]", child), depth + 1) for child in children]
        if name != "and":
            return self.any_of(parts)
        state_of: dict[str, str] = {}
        for part, child in zip(parts, children, strict=True):
            match part.condition:
                case Is(role=role, state=state) if state_of.setdefault(role, state) != state:
                    problem = f"{role} is never {state_of[role]} and {state} at once; write 'or', or name another role"
                    self.wrong(_beginning(child), problem)
        return self.all_of(parts)

    def negated(self, at: Token, part: _Part) -> _Part:
        if part.condition is None:
            self.wrong(at, "'not' cannot stand before a change; ask for the state that it does not have: 'is not'")
            return part
        return _Part(condition=Not(part=part.condition))

    def held(self, part: _Part, at: Token, number: Token, unit: Token | None) -> _Part:
        if part.condition is None:
            self.wrong(at, "'for' asks how long something lasts, and 'becomes' names a moment: write 'is'")
            return part
        try:
            duration_ns = parse_length_ns(f"{number} {unit or ''}")
            if duration_ns == 0:
                raise ValueError("nothing lasts less than 0 ms; leave 'for' away")
        except ValueError as error:
            self.wrong(number, str(error))
            duration_ns = 1
        return _Part(condition=HeldFor(part=part.condition, duration_ns=duration_ns))

    def all_of(self, parts: Sequence[_Part]) -> _Part:
        edges = [part for part in parts if part.condition is None]
        lasting = [part.condition for part in parts if part.condition is not None]
        if not edges:
            return _Part(condition=And(parts=tuple(lasting)))
        if len(edges) > 1:
            problem = "two changes never come at one instant; only one may 'become', of the other say 'is'"
            self.mistakes.append(Mistake(edges[1].edge_at, problem))
        moments = tuple(_narrowed(moment, lasting) for moment in edges[0].moments)
        return _Part(moments=moments, edge_at=edges[0].edge_at)

    @staticmethod
    def any_of(parts: Sequence[_Part]) -> _Part:
        """Join ways; what is lasting among them counts as one condition, where the first of it stands."""
        lasting = tuple(part.condition for part in parts if part.condition is not None)
        together = None if not lasting else lasting[0] if len(lasting) == 1 else Or(parts=lasting)
        if together is not None and len(lasting) == len(parts):
            return _Part(condition=together)
        moments: list[GuardedEdge] = []
        for part in parts:
            if part.condition is None:
                moments.extend(part.moments)
            elif together is not None:
                moments.append(GuardedEdge(edge=together))
                together = None
        return _Part(moments=tuple(moments), edge_at=next(part.edge_at for part in parts if part.moments))

    # --- comparisons ------------------------------------------------------------------------------------

    def role(self, name: Token) -> Role | None:
        """Return a role; None if it is unknown, or in doubt, so that nothing more can be said about it."""
        if name not in self.roles:
            self.wrong(name, unknown_role(str(name), self.roles))
        return self.roles.get(str(name))

    def state(self, name: Token, state: Token) -> None:
        """Check that a role has a state."""
        role = self.role(name)
        if role is None:
            return
        if role.is_number:
            example = f"{name} < 9.5 {role.unit}".rstrip()
            self.wrong(state, f"{name} is a number and has no states; compare it, such as '{example}'")
        elif state not in role.states:
            hint = did_you_mean(str(state), role.states)
            hint = hint if hint.startswith("; did") else f"; its states are {states_of(role)}"
            self.wrong(state, f"{name} has no state '{state}'{hint}")

    def is_state(self, tokens: list[Token]) -> _Part:
        name, negated, state = tokens
        condition: Condition
        if state.type in {"UNKNOWN", "KNOWN"}:
            self.role(name)
            condition = IsUnknown(role=str(name))
            negated_known = state.type == "KNOWN"
            return _Part(condition=condition if (negated is None) != negated_known else Not(part=condition))
        self.state(name, state)
        condition = Is(role=str(name), state=str(state))
        return _Part(condition=condition if negated is None else Not(part=condition))

    def becomes(self, tokens: list[Token]) -> _Part:
        name, at, state = tokens
        if state.type in {"UNKNOWN", "KNOWN"}:
            self.role(name)
            word = state.lower()
            problem = f"'becomes' is a change between known states; write '{name} is {word}' for when that begins"
            self.wrong(state, problem)
        else:
            self.state(name, state)
        moment = GuardedEdge(edge=Becomes(role=str(name), state=str(state)))
        return _Part(moments=(moment,), edge_at=at.start_pos or 0)

    def number(self, role: Role | None, number: Token, unit: str) -> Fraction:
        try:
            return convert(str(number), unit, unit if role is None else role.unit)
        except ValueError as error:
            self.wrong(number, str(error))
            return Fraction(0)

    def numeric(self, name: Token) -> tuple[Role | None, bool]:
        """Return a role and whether it may be compared."""
        role = self.role(name)
        if role is None or role.is_number:
            return role, True
        self.wrong(name, f"{name} has states ({states_of(role)}) and is no number; write '{name} is ...'")
        return role, False

    def compare(self, tokens: list[Token]) -> _Part:
        name, operator, number, unit = tokens
        role, fits = self.numeric(name)
        value = self.number(role, number, str(unit or "")) if fits else Fraction(0)
        written = cast('Literal["<", "<=", ">", ">="]', _OPERATORS.get(operator, str(operator)))
        return _Part(condition=Compare(role=str(name), operator=written, value=value))

    def between(self, tokens: list[Token]) -> _Part:
        name, low_number, low_unit, high_number, high_unit = tokens
        role, fits = self.numeric(name)
        if not fits:
            return _Part(condition=Between(role=str(name), low=0, high=0))
        # "between 9 and 16 V": the unit of the upper end serves both.
        low = self.number(role, low_number, str(low_unit or high_unit or ""))
        high = self.number(role, high_number, str(high_unit or ""))
        if low > high:
            self.wrong(low_number, "the lower end stands first, and this one is above the other")
        return _Part(condition=Between(role=str(name), low=low, high=high))


_ATOMS: Final = {
    "is": _ConditionBuilder.is_state,
    "becomes": _ConditionBuilder.becomes,
    "compare": _ConditionBuilder.compare,
    "between": _ConditionBuilder.between,
}


def _narrowed(moment: GuardedEdge, lasting: Sequence[Condition]) -> GuardedEdge:
    """Return a moment at which other things must hold too."""
    if not lasting:
        return moment
    if not isinstance(moment.edge, Becomes):
        return GuardedEdge(edge=And(parts=(moment.edge, *lasting)))
    parts = (*lasting,) if moment.while_ is None else (moment.while_, *lasting)
    return GuardedEdge(edge=moment.edge, while_=parts[0] if len(parts) == 1 else And(parts=parts))
