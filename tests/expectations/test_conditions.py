"""The condition language."""

from __future__ import annotations

from fractions import Fraction
from typing import TYPE_CHECKING

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.conditions import parse_condition
from support.examples import examples

from buslens.errors import ExpectationError, SourceLocation
from buslens.expectations.conditions import MOST_NESTED, parse_trigger
from buslens.expectations.model import (
    And,
    Becomes,
    Between,
    Compare,
    GuardedEdge,
    HeldFor,
    Is,
    IsUnknown,
    Not,
    Or,
)

if TYPE_CHECKING:
    from buslens.expectations.model import Condition, Role

OPEN = Is(role="door_open", state="open")
CLOSED = Is(role="door_open", state="closed")
OFF = Is(role="ignition", state="off")
ON = Is(role="ignition", state="on")
LOW = Compare(role="supply", operator="<", value=9.5)
OPENS = Becomes(role="door_open", state="open")
MS = 1_000_000


class TestParseCondition:
    """What is written in English is what is asked."""

    @pytest.mark.parametrize(
        ("text", "condition"),
        [
            ("door_open is open", OPEN),
            ("  door_open\n\tis  open ", OPEN),
            ("door_open IS open", OPEN),
            ("door_open is not open", Not(part=OPEN)),
            ("not door_open is open", Not(part=OPEN)),
            ("door_open is unknown", IsUnknown(role="door_open")),
            ("supply is unknown", IsUnknown(role="supply")),
            ("door_open is not unknown", Not(part=IsUnknown(role="door_open"))),
            ("door_open is known", Not(part=IsUnknown(role="door_open"))),
            ("door_open is not known", IsUnknown(role="door_open")),
            ("supply < 9.5 V", LOW),
            ("supply<9.5V", LOW),
            ("supply < 9500 mV", LOW),
            ("supply ≥ 9.5 V", Compare(role="supply", operator=">=", value=9.5)),
            ("supply <= -1 V", Compare(role="supply", operator="<=", value=-1.0)),
            ("tries_left > 3", Compare(role="tries_left", operator=">", value=3.0)),
            ("supply between 9 V and 16 V", Between(role="supply", low=9.0, high=16.0)),
            ("supply between 9 and 16 V", Between(role="supply", low=9.0, high=16.0)),
            ("supply between 900 mV and 16 V", Between(role="supply", low=Fraction(9, 10), high=16.0)),
            (
                "supply between 9 V and 16 V and door_open is open",
                And(parts=(Between(role="supply", low=9.0, high=16.0), OPEN)),
            ),
            ("(door_open is open)", OPEN),
            ("door_open is open for 50 ms", HeldFor(part=OPEN, duration_ns=50 * MS)),
        ],
    )
    def test_comparisons(self, text: str, condition: Condition, roles: dict[str, Role]) -> None:
        assert parse_condition(text, roles).condition == condition

    @pytest.mark.parametrize(
        ("text", "condition"),
        [
            ("door_open is open and ignition is off or supply < 9.5 V", Or(parts=(And(parts=(OPEN, OFF)), LOW))),
            ("door_open is open and (ignition is off or supply < 9.5 V)", And(parts=(OPEN, Or(parts=(OFF, LOW))))),
            ("door_open is open or ignition is off or supply < 9.5 V", Or(parts=(OPEN, OFF, LOW))),
            ("not door_open is open and ignition is off", And(parts=(Not(part=OPEN), OFF))),
            ("not (door_open is open and ignition is off)", Not(part=And(parts=(OPEN, OFF)))),
            ("not not door_open is open", Not(part=Not(part=OPEN))),
            (
                "door_open is open and ignition is off for 5 ms",
                And(parts=(OPEN, HeldFor(part=OFF, duration_ns=5 * MS))),
            ),
            (
                "(door_open is open and ignition is off) for 5 ms",
                HeldFor(part=And(parts=(OPEN, OFF)), duration_ns=5 * MS),
            ),
            ("not door_open is open for 5 ms", Not(part=HeldFor(part=OPEN, duration_ns=5 * MS))),
            ("(not door_open is open) for 5 ms", HeldFor(part=Not(part=OPEN), duration_ns=5 * MS)),
            ("door_open is not open for 5 ms", HeldFor(part=Not(part=OPEN), duration_ns=5 * MS)),
        ],
    )
    def test_binding(self, text: str, condition: Condition, roles: dict[str, Role]) -> None:
        """Strongest first: "for", "not", "and", "or"."""
        assert parse_condition(text, roles).condition == condition

    def test_the_words_are_kept(self, roles: dict[str, Role]) -> None:
        assert parse_condition(" door_open  is\n open", roles).text == "door_open is open"

    def test_brackets_that_change_nothing_may_be_many(self, roles: dict[str, Role]) -> None:
        assert parse_condition("(" * 5_000 + "door_open is open" + ")" * 5_000, roles).condition == OPEN

    def test_deep_nesting_is_refused(self, roles: dict[str, Role]) -> None:
        parse_condition("not " * (MOST_NESTED - 1) + "door_open is closed", roles)
        for depth in (MOST_NESTED + 1, 4_000):
            for text in (
                "not " * depth + "door_open is closed",
                "(" * depth + "door_open is closed" + " for 1 ms)" * depth,
                "(" * depth + "door_open is closed" + " and door_open is open)" * depth,
                "(door_open is closed or " * depth + "door_open is open" + ")" * depth,
            ):
                with pytest.raises(ExpectationError, match="nested more than 50 deep"):
                    parse_condition(text, roles)

    def test_a_long_condition_is_none_too_deep(self, roles: dict[str, Role]) -> None:
        condition = parse_condition(" or ".join(["door_open is open"] * 5_000), roles).condition
        assert condition == Or(parts=(OPEN,) * 5_000)


class TestParseTrigger:
    """A moment is a change, perhaps while something holds, in any of several ways; or a condition's beginning."""

    @pytest.mark.parametrize(
        ("text", "moments"),
        [
            ("door_open becomes open", (GuardedEdge(edge=OPENS),)),
            ("door_open becomes open and ignition is off", (GuardedEdge(edge=OPENS, while_=OFF),)),
            ("ignition is off and door_open becomes open", (GuardedEdge(edge=OPENS, while_=OFF),)),
            (
                "ignition is off and door_open becomes open and supply < 9.5 V",
                (GuardedEdge(edge=OPENS, while_=And(parts=(OFF, LOW))),),
            ),
            ("supply < 9.5 V", (GuardedEdge(edge=LOW),)),
            ("door_open is open and ignition is off", (GuardedEdge(edge=And(parts=(OPEN, OFF))),)),
            (
                "door_open becomes open or ignition becomes on",
                (GuardedEdge(edge=OPENS), GuardedEdge(edge=Becomes(role="ignition", state="on"))),
            ),
            (
                "(door_open becomes open or ignition becomes on) and supply < 9.5 V",
                (
                    GuardedEdge(edge=OPENS, while_=LOW),
                    GuardedEdge(edge=Becomes(role="ignition", state="on"), while_=LOW),
                ),
            ),
            ("door_open becomes open or supply < 9.5 V", (GuardedEdge(edge=OPENS), GuardedEdge(edge=LOW))),
            (
                "supply < 9.5 V or door_open becomes open or ignition is on",
                (GuardedEdge(edge=Or(parts=(LOW, ON))), GuardedEdge(edge=OPENS)),
            ),
            (
                "(door_open becomes open or ignition is on) and supply < 9.5 V",
                (GuardedEdge(edge=OPENS, while_=LOW), GuardedEdge(edge=And(parts=(ON, LOW)))),
            ),
        ],
    )
    def test_moments(self, text: str, moments: tuple[GuardedEdge, ...], roles: dict[str, Role]) -> None:
        assert parse_trigger(text, roles).moments == moments


STATES = "after 'is' comes a state of door_open: open, closed"
OPERAND = "a role, 'not' or a bracket"


class TestRefused:
    """What is no condition is refused at the exact word, with what would be right."""

    @pytest.mark.parametrize(
        ("text", "column", "words"),
        [
            ("", 1, "the condition is empty"),
            (" \n ", 1, "the condition is empty"),
            ("door_opn is open", 1, "unknown role 'door_opn'; did you mean 'door_open'?"),
            ("door_opn", 1, "unknown role 'door_opn'; did you mean 'door_open'?"),
            ("door_open", 10, "after 'door_open' comes 'is' or 'becomes'"),
            ("supply", 7, "after 'supply' comes '<', '<=', '>', '>=' or 'between'"),
            ("door_open is", 13, STATES),
            ("door_open is and", 14, STATES),
            ("door_open is not", 17, "after 'not' comes a state of door_open: open, closed"),
            ("door_open becomes", 18, "after 'becomes' comes a state of door_open: open, closed"),
            ("door_open is 5", 14, STATES),
            ("door_open is closd", 14, "door_open has no state 'closd'; did you mean 'closed'?"),
            ("door_open is ajar_now", 14, "door_open has no state 'ajar_now'; its states are open, closed"),
            ("and", 1, f"a condition begins with {OPERAND}"),
            ("door_open is open and", 22, f"after 'and' comes {OPERAND}"),
            ("not", 4, f"after 'not' comes {OPERAND}"),
            (
                "ignition is off or on",
                20,
                "'on' is a state of ignition, and here a role must stand; say the role again",
            ),
            ("door_open = open", 11, "'=' cannot stand here; after 'door_open' comes 'is' or 'becomes'"),
            ("door_open != open", 11, "write 'is not'"),
            ("supply =< 5 V", 8, "write '<='"),
            ('door_open is "open"', 14, "names stand without quotes"),
            ("door_open is open && ignition is on", 19, "write 'and'"),
            ("door_open is open, ignition is on", 18, "join conditions by 'and' or 'or'"),
            ("door_open is open closed", 19, "after 'open' comes 'and', 'or', 'for' or the end"),
            ("(door_open is open", 1, "this bracket is never closed"),
            ("(door_open is open and (ignition is on)", 1, "this bracket is never closed"),
            ("door_open is open)", 18, "this bracket closes nothing"),
            ("(", 2, OPERAND),
            ("()", 2, OPERAND),
            ("supply <", 9, "after '<' comes a number with its unit, such as 9.5 V"),
            ("supply < V", 10, "after '<' comes a number with its unit, such as 9.5 V"),
            ("supply < 1e5 V", 10, "after '<' comes a number with its unit"),
            ("supply < 9.5", 10, "9.5 has no unit; write '9.5 V'"),
            ("supply < 9,5 V", 11, "decimals stand behind a point"),
            ("supply < 9 A", 10, "this role is in V"),
            ("tries_left < 3 V", 14, "this role has no unit"),
            ("supply between 9 V", 19, "as in 'between 9 V and 16 V'"),
            ("supply between 16 V and 9 V", 16, "the lower end stands first"),
            ("supply is low", 11, "supply is a number and has no states; compare it, such as 'supply < 9.5 V'"),
            ("supply is between 9 V and 16 V", 11, "supply is a number"),
            ("door_open < 5 V", 1, "door_open has states (open, closed) and is no number"),
            ("door_open between 5 V and 6 V", 1, "door_open has states (open, closed) and is no number"),
            ("door_open is open for", 22, "after 'for' comes a number with its unit, such as 50 ms"),
            ("door_open is open for 50", 23, "'50' has no unit; write '50 ms'"),
            ("door_open is open for 5 V", 23, "'5 V' is not a duration"),
            ("door_open is open for 0 ms", 23, "leave 'for' away"),
            ("door_open is open for 5 ms for 6 ms", 28, "after 'ms' comes"),
            ("door_open becomes open", 11, "'becomes' names a moment; here something lasting is asked: write 'is'"),
            ("ignition is on and (door_open becomes open)", 31, "'becomes' names a moment"),
            ("not door_open becomes open", 1, "'not' cannot stand before a change"),
            ("door_open becomes open for 5 ms", 24, "'for' asks how long something lasts"),
            ("door_open is open and door_open is closed", 23, "door_open is never open and closed at once"),
            ("door_open becomes open and ignition becomes on", 37, "two changes never come at one instant"),
            ("door_open becomes unknown", 19, "write 'door_open is unknown'"),
            ("door_open becomes not open", 19, "after 'becomes' comes a state of door_open: open, closed"),
        ],
    )
    def test_place_and_text(self, text: str, column: int, words: str, roles: dict[str, Role]) -> None:
        with pytest.raises(ExpectationError) as caught:
            parse_condition(text, roles)
        assert caught.value.source == SourceLocation("condition", 1, column)
        assert words in caught.value.problem.split("\n")[0]

    def test_all_wrong_words_are_named(self, roles: dict[str, Role]) -> None:
        with pytest.raises(ExpectationError) as caught:
            parse_condition("door_opn is open and ignition is of or supply < 9 A", roles)
        assert [line[:16] for line in str(caught.value).split("\n")] == [
            "condition:1:1: u",
            "condition:1:34: ",
            "condition:1:49: ",
        ]

    def test_no_roles(self) -> None:
        with pytest.raises(ExpectationError, match="no roles are defined"):
            parse_condition("a is b", {})

    def test_no_name_of_the_grammar_is_shown(self, roles: dict[str, Role]) -> None:
        for text in (
            "door_open is",
            "(",
            "supply < ",
            "door_open is open for",
            "§",
            "door_open is open §",
            "supply between",
        ):
            with pytest.raises(ExpectationError) as caught:
                parse_trigger(text, roles)
            for jargon in ("NAME", "NUMBER", "UNIT", "END", "_IS", "token", "Token", "OPERATOR", "PAR"):
                assert jargon not in str(caught.value)


WORDS = [
    *("door_open", "ignition", "supply", "tries_left", "is", "not", "becomes", "open", "on", "and", "or", "for"),
    *("(", ")", "<", ">=", "9.5", "50", "V", "ms", "between", "unknown", "known", "IS", "é", "1e5"),
    *("for 5 ms", "door_open is open"),
]


class TestAnyText:
    """Any text is either a condition or an ExpectationError with its place, never anything else."""

    @settings(max_examples=examples(120))
    @given(text=st.one_of(st.text(max_size=40), st.lists(st.sampled_from(WORDS), max_size=12).map(" ".join)))
    def test_condition_or_error(self, text: str, roles: dict[str, Role]) -> None:
        for parse in (parse_condition, parse_trigger):
            try:
                parsed = parse(text, roles)
            except ExpectationError as error:
                shown = str(error)
                place = error.source
                column = place.column if place is not None else None
            else:
                shown, column = f"condition:{parsed.text}", 1
            assert shown.startswith("condition:")
            assert 1 <= (column or 0) <= len(text) + 1
