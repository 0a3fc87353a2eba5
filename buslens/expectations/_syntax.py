"""From the text of a condition to its syntax tree, and from a failure to an explanation without jargon."""

from __future__ import annotations

import re
from collections.abc import Mapping
from functools import cache, lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Final, NamedTuple

from buslens.errors import did_you_mean
from buslens.expectations.model import Role

if TYPE_CHECKING:
    from lark import Lark, Token, Tree
    from lark.exceptions import UnexpectedInput


NAME: Final = re.compile(r"[^\W\d]\w*")
"""What a role or a state may be called."""
KEYWORD: Final = re.compile(r"(?:is|not|becomes|between|and|or|for|unknown|known)", re.IGNORECASE)
"""The words that a condition is made of; no role or state may be called so."""

_WORD: Final = re.compile(r"\w+|[<>=!]=|=[<>]|&&|\|\||\S")
_SYMBOLS: Final = {
    "=": "for a state write 'is', for a number '<', '<=', '>' or '>='",
    "==": "for a state write 'is', for a number '<', '<=', '>' or '>='",
    "!=": "write 'is not'",
    "=<": "write '<='",
    "=>": "write '>='",
    "&": "write 'and'",
    "&&": "write 'and'",
    "|": "write 'or'",
    "||": "write 'or'",
    "!": "write 'not'",
    '"': "names stand without quotes",
    "'": "names stand without quotes",
    "-": "names are made of letters, digits and '_'",
    ",": "join conditions by 'and' or 'or'; decimals stand behind a point",
}


class Mistake(NamedTuple):
    """What is wrong in a condition."""

    #: Offset in the text.
    offset: int
    #: What was found and what would be right.
    problem: str


class ConditionSyntaxError(Exception):
    """The text follows no rule of the grammar."""

    def __init__(self, mistake: Mistake) -> None:
        super().__init__(mistake)
        self.mistake = mistake


@cache
def _parser() -> Lark:
    from lark import Lark  # 25 ms, which a start that reads no conditions need not wait for

    grammar = Path(__file__).with_name("conditions.lark").read_text(encoding="utf-8")
    return Lark(grammar, parser="lalr", maybe_placeholders=True)


@lru_cache(maxsize=4096)
def _tree(text: str) -> Tree[Token]:
    return _parser().parse(text)


def syntax_tree(text: str, roles: Mapping[str, Role | None]) -> Tree[Token]:
    """Return the syntax tree of a condition.

    Raises ConditionSyntaxError if the text is none; the roles help to say why.
    """
    from lark.exceptions import UnexpectedInput

    try:
        return _tree(text)
    except UnexpectedInput as error:
        raise ConditionSyntaxError(_explain(text, error, roles)) from None


def states_of(role: Role) -> str:
    """Return the state names of a role for the end of a sentence."""
    return ", ".join(role.states)


def unknown_role(name: str, roles: Mapping[str, Role | None]) -> str:
    """Return the words for a role that is defined nowhere."""
    return f"unknown role '{name}'{did_you_mean(name, roles) if roles else '; no roles are defined'}"


def _explain(text: str, error: UnexpectedInput, roles: Mapping[str, Role | None]) -> Mistake:
    """Say what was found where the grammar could not go on, and what can stand there."""
    wanted: set[str] = set(getattr(error, "expected", None) or getattr(error, "allowed", None) or ())
    offset = error.pos_in_stream
    token = getattr(error, "token", None)
    if offset is None or (token is not None and token.type == "$END"):
        offset = len(text)
    match = _WORD.match(text, offset)
    if match is None:
        found, offset = "", len(text.rstrip())
    else:
        found = match[0]
    before = _WORD.findall(text[:offset])
    bracket = _bracket(text, offset, found)
    if bracket is not None and not ("NAME" in wanted and found == ""):
        return bracket
    if not before and not found:
        return Mistake(0, "the condition is empty; write for example 'door_open is open'")
    if "_IS" in wanted and before:
        return _after_role(text, offset, found, before, roles)
    expected = _expected(wanted, before, roles)
    if found == "," and before and before[-1].isdecimal():
        expected = "decimals stand behind a point, not a comma"
    elif found in _SYMBOLS:
        expected = _SYMBOLS[found]
    return Mistake(offset, f"{_found(found)}; {expected}")


def _found(found: str) -> str:
    return f"'{found}' cannot stand here" if found else "the condition ends too early"


def _bracket(text: str, offset: int, found: str) -> Mistake | None:
    """Return what is wrong with the brackets, if it is they."""
    still_open: list[int] = []
    for match in re.finditer(r"[()]", text[:offset]):
        if match[0] == "(":
            still_open.append(match.start())
        elif still_open:
            still_open.pop()
    if found == ")" and not still_open:
        return Mistake(offset, "this bracket closes nothing: no '(' stands before it")
    if found == "" and still_open:
        return Mistake(still_open[-1], "this bracket is never closed; write ')' where its group ends")
    return None


def _after_role(text: str, offset: int, found: str, before: list[str], roles: Mapping[str, Role | None]) -> Mistake:
    """Explain what can come behind the name that stands where a role must stand."""
    name = before[-1]
    at = text.rindex(name, 0, offset)
    if name not in roles:
        for earlier in reversed(before[:-1]):
            role = roles.get(earlier)
            if role is not None and name in role.states:
                verb = "becomes" if "becomes" in before else "is"
                again = f"say the role again: '{earlier} {verb} {name}'"
                return Mistake(at, f"'{name}' is a state of {earlier}, and here a role must stand; {again}")
        return Mistake(at, unknown_role(name, roles))
    role = roles[name]
    if role is not None and role.is_number:
        verbs = "'<', '<=', '>', '>=' or 'between'"
    else:
        verbs = "'is' or 'becomes'" if role is not None else "'is', 'becomes', '<', '<=', '>', '>=' or 'between'"
    hint = f" ({_SYMBOLS[found]})" if found in {"!=", "=<", "=>"} else ""
    return Mistake(offset, f"{_found(found)}; after '{name}' comes {verbs}{hint}")


def _expected(wanted: set[str], before: list[str], roles: Mapping[str, Role | None]) -> str:
    """Say in human words what can stand behind the words before."""
    last = before[-1] if before else ""
    if "UNKNOWN" in wanted:
        role = next((roles[word] for word in reversed(before[:-1]) if word in roles), None)
        known = f": {states_of(role)}" if role is not None and not role.is_number else ""
        owner = role.name if role is not None else "the role"
        if role is not None and role.is_number:
            return f"{owner} is a number: compare it by '<', '<=', '>', '>=' or 'between'"
        return f"after '{last}' comes a state of {owner}{known}"
    if "NAME" in wanted:
        lead = f"after '{last}' comes" if last else "a condition begins with"
        return f"{lead} a role, 'not' or a bracket"
    if "NUMBER" in wanted:
        example = "50 ms" if last.lower() == "for" else "9.5 V"
        return f"after '{last}' comes a number with its unit, such as {example}"
    if "_OR" in wanted:
        return f"after '{last}' comes 'and', 'or', 'for' or the end"
    return f"after '{last}' comes 'and' and the upper end, as in 'between 9 V and 16 V'"
