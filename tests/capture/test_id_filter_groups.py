from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.examples import examples

from buslens.capture import _scan_kernel as k
from buslens.capture.id_filter import IdFilter
from buslens.kernels import compiled

if TYPE_CHECKING:
    from collections.abc import Callable

IDS = st.integers(0, (1 << 29) - 1)


def group_of(can_id: int) -> tuple[int, ...]:
    """Return page, PF and, where it is none's address, PS of a J1939 id, field by field."""
    page, pf, ps = can_id >> 24 & 3, can_id >> 16 & 0xFF, can_id >> 8 & 0xFF
    return (page, pf, ps) if pf >= 240 else (page, pf)


@pytest.fixture(scope="module", params=["plain", "compiled"])
def is_wanted(request: pytest.FixtureRequest) -> Callable[[int, int, IdFilter], bool]:
    """Return whether an id is wanted, as the kernels ask."""
    kernel = k.passes_filter if request.param == "plain" else compiled(k.passes_filter)
    if kernel is None:
        pytest.skip("there is no compiler")

    def ask(can_id: int, extended: int, wanted: IdFilter) -> bool:
        table = wanted.table()
        state = np.zeros(k.STATE_SIZE, np.int64)
        state[k.ID_MASK] = len(table) - 2048 - 1
        state[k.GROUPS] = int(bool(wanted.groups))
        return bool(kernel(can_id, extended, state, table))

    return ask


class TestWanted:
    """What is wanted is handed on: ids by width, and J1939 groups."""

    @given(st.data())
    @settings(max_examples=examples(60), deadline=None)
    def test_as_the_sets_say(self, is_wanted: Callable[[int, int, IdFilter], bool], data: st.DataObject) -> None:
        standard = data.draw(st.sets(st.integers(0, 2047), max_size=5))
        extended = data.draw(st.sets(IDS, max_size=20))
        groups = data.draw(st.sets(IDS, max_size=20))
        wanted = IdFilter(
            frozenset([(can_id, False) for can_id in standard] + [(can_id, True) for can_id in extended]),
            frozenset(groups),
        )
        known = {group_of(can_id) for can_id in groups}
        near = [can_id ^ bit for can_id in {*extended, *groups} for bit in (0, 1, 1 << 8, 1 << 16, 1 << 24, 1 << 26)]
        for can_id in [*standard, *near, data.draw(IDS)]:
            assert is_wanted(can_id, 1, wanted) == (can_id in extended or group_of(can_id) in known)
            if can_id < 2048:
                assert is_wanted(can_id, 0, wanted) == (can_id in standard)

    @pytest.mark.parametrize(("can_id", "is_extended"), [(2048, False), (1 << 29, True), (-1, True)])
    def test_an_id_beyond_its_width(self, can_id: int, is_extended: bool) -> None:
        with pytest.raises(ValueError, match="bit id"):
            IdFilter(frozenset({(can_id, is_extended)}))

    def test_a_group_is_named_by_a_29_bit_id(self) -> None:
        with pytest.raises(ValueError, match="29-bit id"):
            IdFilter(frozenset(), frozenset({1 << 29}))
