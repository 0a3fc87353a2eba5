"""Two clocks are brought together by what both recordings show, and no more surely than that allows."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from support.examples import examples

from buslens.checks.alignment import DRIFT, Alignment, Event, by_events, stated

MS = 1_000_000
S = 1_000 * MS


def shown(times_ns: list[int], period_ns: int, phase_ns: int) -> list[Event]:
    """Return when a recording that samples by its own clock shows events."""
    before = [(at - phase_ns) // period_ns * period_ns + phase_ns for at in times_ns]
    return [(since, since + period_ns) for since in before]


def found(mine: list[Event], theirs: list[Event], apart_ns: int = 0) -> Alignment | str:
    last_ns = max((it[1] for it in theirs), default=0) + S
    return by_events([mine], [theirs], apart_ns, 0, last_ns)


class TestByEvents:
    @given(
        st.lists(st.integers(1_000, 60_000), min_size=2, max_size=12, unique=True),
        st.integers(-(10**6), 10**6),
        st.floats(-DRIFT, DRIFT),
        st.integers(1, 50),
        st.integers(1, 50),
    )
    @settings(max_examples=examples(80), deadline=None)
    def test_the_truth_is_within_the_doubt(
        self, times_ms: list[int], offset_ms: int, rate: float, one_ms: int, other_ms: int
    ) -> None:
        """Whatever offset and drift two clocks have: if they are brought together, no time is further off than said."""
        own = [at * MS for at in sorted(times_ms)]
        other = [round((at - offset_ms * MS) / (1 + rate)) for at in own]
        base = min(other)
        mine, theirs = shown(own, one_ms * MS, 0), shown(other, other_ms * MS, 3)
        last_ns = max(it[1] for it in theirs)
        alignment = by_events([mine], [theirs], 0, base, last_ns)
        if isinstance(alignment, str):
            assert "more than one way" in alignment
            return
        if alignment.pairs < len(own):
            return  # it may have been taken for another fit of fewer pairs; what is held is that all fit
        placed = alignment.placed(np.array(other, np.int64))
        assert np.abs(placed - np.array(own)).max() <= alignment.doubt_ns + 2

    def test_no_pair_fits_all_along(self) -> None:
        """Events that have one partner after the other tell no offset."""
        mine, theirs = [(3, 4), (8, 13)], [(1, 6), (6, 8), (11, 12)]
        assert "more than one way" in str(by_events([mine], [theirs], 0, 0, 30))

    def test_one_event_each(self) -> None:
        alignment = found([(10 * MS, 12 * MS)], [(1 * MS, 2 * MS)])
        assert isinstance(alignment, Alignment)
        assert alignment.pairs == 1
        assert alignment.placed(np.array([2 * MS]))[0] == 11_500_000
        assert 1_500_000 <= alignment.doubt_ns <= 1_500_000 + round(DRIFT * 1.1 * S)

    def test_one_of_two(self) -> None:
        """One event that fits either of two tells nothing."""
        problem = found([(10 * MS, 12 * MS), (500 * MS, 502 * MS)], [(1 * MS, 2 * MS)])
        assert str(problem).startswith("their shared events fit together in more than one way (1 at a time): name one")

    def test_none(self) -> None:
        assert found([], [(1, 2)]) == "they share no event"

    def test_one_that_does_not_fit(self) -> None:
        """Three of four fit; the one without a partner is named, on both sides."""
        own = [1_000, 2_500, 3_100, 7_000]
        mine = [((at - 1) * MS, at * MS) for at in own]
        theirs = [((at - 1) * MS, at * MS) for at in (1_000, 2_500, 3_300, 7_000)]
        alignment = found(mine, theirs)
        assert isinstance(alignment, Alignment)
        assert (alignment.pairs, alignment.odd) == (3, ("2 shared events in one recording only",))

    def test_drift_is_found_from_three_pairs_on(self) -> None:
        """A clock that is wrong by a thousandth: two events hide it, ten show it."""
        own = [1_000 + 137 * k * k for k in range(10)]
        mine = [((at - 1) * MS, at * MS) for at in own]
        theirs = [(round((at - 1) / 1.0008 * MS), round(at / 1.0008 * MS)) for at in own]
        alignment = found(mine, theirs)
        assert isinstance(alignment, Alignment)
        assert alignment.pairs >= 3
        if alignment.pairs == len(own):
            assert 4e-4 < alignment.rate < 1.2e-3

    def test_apart(self) -> None:
        """What may lie between two events for another reason is doubt."""
        sharp, wide = (found([(10 * MS, 12 * MS)], [(1 * MS, 2 * MS)], apart) for apart in (0, 20 * MS))
        assert isinstance(sharp, Alignment)
        assert isinstance(wide, Alignment)
        assert wide.doubt_ns - sharp.doubt_ns == 20 * MS

    def test_stated(self) -> None:
        alignment = stated(1_500 * MS, 20 * MS, 0, 10 * S)
        assert alignment.placed(np.array([0, S])).tolist() == [1_500 * MS, 2_500 * MS]
        assert alignment.doubt_ns == 20 * MS + 1
        assert alignment.text(0) == "begins 1.5 s after the first frame, uncertain by 21 ms as stated"
