"""The delays of a step, against lists that are counted in plain Python."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from buslens.checks.findings import Outcome
from buslens.fleet.page.distribution import curve, label, picture, quantile, step_views
from buslens.fleet.views import NO_UPPER_END, OUTCOMES, UNDATED, DelayColumns
from buslens.units import NS_PER_MS

if TYPE_CHECKING:
    from hypothesis.strategies import SearchStrategy

MS = NS_PER_MS

#: Vehicle, outcome, earliest and latest end in ms; None: no upper end.
Delay = tuple[int, Outcome, int, int | None]


def columns(delays: list[Delay], limits: list[tuple[int | None, int | None]] | None = None) -> DelayColumns:
    """Return delays as columns; limits in ms for each, in turn."""
    limits = limits or [(50, 600)]
    pairs = [limits[place % len(limits)] for place in range(len(delays))]
    n = len(delays)
    latest = np.array([NO_UPPER_END if one[3] is None else one[3] * MS for one in delays], np.int64)
    return DelayColumns(
        rule="lock handshake",
        step="wire feedback",
        vehicles=tuple(f"car{number}" for number in range(9)),
        vehicle=np.array([one[0] for one in delays], np.int32),
        capture=np.arange(n, dtype=np.int64),
        recorded_ns=np.full(n, UNDATED, np.int64),
        handshake=np.ones(n, np.int32),
        outcome=np.array([OUTCOMES.index(one[1]) for one in delays], np.int8),
        earliest_ns=np.array([one[2] * MS for one in delays], np.int64),
        latest_ns=latest,
        censored=latest == NO_UPPER_END,
        least_ns=np.array([UNDATED if least is None else least * MS for least, _ in pairs], np.int64),
        most_ns=np.array([NO_UPPER_END if most is None else most * MS for _, most in pairs], np.int64),
    )


@st.composite
def delay(draw: Any) -> Delay:
    """Draw a delay; one in some has no upper end."""
    earliest = draw(st.integers(0, 2000))
    latest = draw(st.none() | st.integers(earliest, earliest + 300))
    outcome = draw(st.sampled_from(Outcome)) if latest is not None else Outcome.MISSING
    return draw(st.integers(0, 8)), outcome, earliest, latest


delays: SearchStrategy[list[Delay]] = st.lists(delay(), min_size=1, max_size=40)


class TestCurves:
    """Between the two curves lies every curve that the delays can have."""

    @given(delays, st.data())
    def test_any_delays_within_their_ends(self, some: list[Delay], data: st.DataObject) -> None:
        (view,) = step_views(columns(some))
        true = [data.draw(st.integers(low, 5000 if high is None else high)) for _, _, low, high in some]
        for place in range(0, len(view.scale_ms), 37):
            share = sum(one <= view.scale_ms[place] for one in true) / len(true)
            assert view.share_low[place] <= share <= view.share_high[place]

    @given(delays)
    def test_never_falling(self, some: list[Delay]) -> None:
        (view,) = step_views(columns(some))
        for shares in (view.share_low, view.share_high):
            assert (np.diff(shares) >= 0).all()
            assert shares[0] >= 0
            assert shares[-1] <= 1

    def test_what_never_came_keeps_the_lower_one_down(self) -> None:
        some = [(0, Outcome.MET, 100, 120)] * 3 + [(1, Outcome.MISSING, 300, None)]
        (view,) = step_views(columns(some))
        assert (view.share_low[-1], view.share_high[-1]) == (0.75, 1.0)

    def test_a_length_counts_from_itself_on(self) -> None:
        assert curve(np.array([2 * MS], np.int64), np.array([1.999, 2.0, 2.001])).tolist() == [0, 1, 1]


class TestQuantile:
    """The least length that so many delays do not exceed, for either end."""

    @given(delays, st.floats(0.01, 1))
    def test_against_numpy(self, some: list[Delay], share: float) -> None:
        (view_columns,) = [columns(some)]
        earliest, latest = np.sort(view_columns.earliest_ns), np.sort(view_columns.latest_ns)
        span = quantile(earliest, latest, share)
        expected = [int(np.quantile(ends, share, method="inverted_cdf")) for ends in (earliest, latest)]
        near = math.ceil(share * len(some) - 1e-9) != math.ceil(share * len(some) + 1e-9)
        if not near:
            assert [span.earliest_ns, NO_UPPER_END if span.latest_ns is None else span.latest_ns] == expected

    def test_half_of_an_even_number(self) -> None:
        ends = np.array([1, 2, 3, 4], np.int64)
        assert quantile(ends, ends, 0.5).earliest_ns == 2


class TestNumbers:
    """What stands beside the picture is what was counted."""

    @given(delays)
    def test_counts(self, some: list[Delay]) -> None:
        limits = [(50, 600), (None, 400), (None, None)]
        views = list(step_views(columns(some, limits)))
        by_limits: dict[object, list[Delay]] = {}
        for place, one in enumerate(some):
            by_limits.setdefault(limits[place % 3], []).append(one)
        found = {(view.least_ns and view.least_ns // MS, view.most_ns and view.most_ns // MS): view for view in views}
        assert set(found) == set(by_limits)
        for key, mine in by_limits.items():
            view = found[key]  # type: ignore[index]
            assert view.delays == len(mine) == sum(view.outcomes.values())
            assert view.vehicles == len({one[0] for one in mine})
            assert view.censored == sum(one[3] is None for one in mine)
            assert view.outcomes == {kind: n for kind in Outcome if (n := sum(one[1] is kind for one in mine))}

    def test_usual(self) -> None:
        some = [(4, Outcome.MET, 100, 120), (4, Outcome.MET, 200, 240), (4, Outcome.MET, 900, 900)]
        some += [(6, Outcome.MISSING, 300, None)]
        (view,) = step_views(columns(some))
        assert view.usual_ms.tolist() == [220.0, np.inf]

    def test_words(self) -> None:
        some = [(0, Outcome.MET, 100, 120), (1, Outcome.LATE, 650, 660), (1, Outcome.MISSING, 300, None)]
        (view,) = step_views(columns(some))
        assert view.not_met == "1 late, 1 never came"
        assert label(view) == (
            "lock handshake, wire feedback: 3 delays of 2 vehicles, limit 50 to 600 ms; median 300 to 660 ms, "
            "95 of 100 within at least 650 ms; faults or undecided: 1 late, 1 never came"
        )


class TestPicture:
    """Whatever the delays are, there is a picture within its frame."""

    @given(delays, st.sampled_from([(50, 600), (None, 1), (0, None), (None, None), (5000, 6000)]))
    def test_any(self, some: list[Delay], limits: tuple[int | None, int | None]) -> None:
        (view,) = step_views(columns(some, [limits]))
        drawn = picture(view)
        assert "nan" not in drawn
        assert "inf" not in drawn
        assert 'role="img"' in drawn

    def test_a_vehicle_outside_is_accented(self) -> None:
        inside, outside = ([(0, Outcome.MET, at, at + 10)] for at in (300, 700))
        drawn = [picture(next(iter(step_views(columns(some))))) for some in (inside, outside)]
        assert ['class="accent"' in one for one in drawn] == [False, True]

    @pytest.mark.parametrize(("most", "last"), [(600, 672 * 1.04), (1000, 1120 * 1.04)])
    def test_the_limit_is_always_seen(self, most: int, last: float) -> None:
        (view,) = step_views(columns([(0, Outcome.MET, 10, 20)], [(None, most)]))
        assert view.scale_ms[-1] == pytest.approx(last)
