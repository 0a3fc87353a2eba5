from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from buslens.capture import _scan_kernel as k
from buslens.capture.id_filter import IdFilter

_ids = st.one_of(st.tuples(st.integers(0, 0x7FF), st.just(False)), st.tuples(st.integers(0, 0x1FFFFFFF), st.just(True)))


class TestTable:
    """The table holds the ids of the set and no others, whatever their number."""

    @given(st.frozensets(_ids, max_size=300), st.lists(_ids, max_size=50))
    def test_lookup(self, ids: frozenset[tuple[int, bool]], others: list[tuple[int, bool]]) -> None:
        table = IdFilter(ids).table().tolist()
        s = [0] * k.STATE_SIZE
        s[k.ID_MASK] = len(table) - 2048 - 1
        for can_id, is_extended in [*ids, *others]:
            assert k.passes_filter(can_id, int(is_extended), s, table) == ((can_id, is_extended) in ids)


class TestIds:
    """An id must fit its width; None stays None and means everything."""

    @pytest.mark.parametrize(("can_id", "is_extended"), [(0x800, False), (-1, False), (1 << 29, True)])
    def test_refused(self, can_id: int, is_extended: bool) -> None:
        with pytest.raises(ValueError, match="bit id"):
            IdFilter.of([(can_id, is_extended)])

    def test_of(self) -> None:
        assert IdFilter.of(None) is None
        wanted = IdFilter.of([(1, False), (1, False)])
        assert wanted == IdFilter(frozenset({(1, False)}))
        assert IdFilter.of(wanted) is wanted
