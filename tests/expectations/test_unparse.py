"""Conditions printed and read again."""

from __future__ import annotations

from fractions import Fraction
from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st
from support.conditions import parse_condition
from support.unparse import condition_text, trigger_text

from buslens.expectations.conditions import parse_trigger
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

NUMBERS = st.decimals(-(10**6), 10**6, places=6).map(Fraction)
ENDS = st.tuples(NUMBERS, NUMBERS).map(sorted)
STATES = st.sampled_from([("door_open", "open"), ("door_open", "closed"), ("ignition", "off"), ("ignition", "on")])
ATOMS = st.one_of(
    STATES.map(lambda pair: Is(role=pair[0], state=pair[1])),
    st.sampled_from(["door_open", "supply"]).map(lambda role: IsUnknown(role=role)),
    st.builds(
        Compare,
        role=st.sampled_from(["supply", "tries_left"]),
        operator=st.sampled_from(["<", "<=", ">", ">="]),
        value=NUMBERS,
    ),
    ENDS.map(lambda ends: Between(role="supply", low=ends[0], high=ends[1])),
)
DURATIONS = st.one_of(st.integers(1, 10**12), st.integers(1, 10**6).map(lambda ms: ms * 1_000_000))


def parts(inner: st.SearchStrategy[Condition]) -> st.SearchStrategy[tuple[Condition, ...]]:
    return st.lists(inner, min_size=2, max_size=4).map(tuple)


CONDITIONS: st.SearchStrategy[Condition] = st.recursive(
    ATOMS,
    lambda inner: st.one_of(
        parts(inner).map(lambda several: And(parts=several)),
        parts(inner).map(lambda several: Or(parts=several)),
        inner.map(lambda part: Not(part=part)),
        st.builds(HeldFor, part=inner, duration_ns=DURATIONS),
    ),
    max_leaves=10,
)
EDGES = st.builds(
    GuardedEdge,
    edge=STATES.map(lambda pair: Becomes(role=pair[0], state=pair[1])),
    while_=st.one_of(st.none(), CONDITIONS),
)


class TestConditionText:
    """Reading what was printed gives the same condition."""

    @given(condition=CONDITIONS)
    def test_round_trip(self, condition: Condition, roles: dict[str, Role]) -> None:
        assert parse_condition(condition_text(condition, roles), roles).condition == condition

    @pytest.mark.parametrize(
        "text",
        [
            "door_open is not open",
            "door_open is known",
            "supply between 9 V and 16.5 V",
            "tries_left >= 3",
            "not (door_open is open for 50 ms)",
            "(door_open is open and ignition is off) for 1.5 s",
            "door_open is open and (ignition is off or supply < 9.5 V)",
        ],
    )
    def test_words_are_those_of_a_person(self, text: str, roles: dict[str, Role]) -> None:
        assert condition_text(parse_condition(text, roles).condition, roles) == text


class TestTriggerText:
    """Reading what was printed gives the same moments."""

    @given(edges=st.lists(EDGES, max_size=3), lasting=st.one_of(st.none(), CONDITIONS), at=st.integers(0, 3))
    def test_round_trip(
        self, edges: list[GuardedEdge], lasting: Condition | None, at: int, roles: dict[str, Role]
    ) -> None:
        moments = list(edges)
        if lasting is not None or not edges:
            moments.insert(at, GuardedEdge(edge=Is(role="ignition", state="on") if lasting is None else lasting))
        assert parse_trigger(trigger_text(moments, roles), roles).moments == tuple(moments)
