"""The delays of one vehicle over the calendar."""

from __future__ import annotations

import re
from statistics import median
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from support.ledgers import DAY_NS, START_NS
from support.sheets import anomaly, drift

from buslens.checks.findings import Outcome
from buslens.fleet.page.trends import _TOP as TOP
from buslens.fleet.page.trends import HEIGHT, WIDTH, label, picture, trend_view
from buslens.fleet.views import NO_UPPER_END, OUTCOMES, UNDATED, DelayColumns
from buslens.units import NS_PER_MS

if TYPE_CHECKING:
    from collections.abc import Sequence

#: Day, earliest and latest end in ms; None: no upper end.
Seen = tuple[int, float, float | None]


def columns(seen: Sequence[Seen], *, dated: bool = True, most_ms: int | None = 600) -> DelayColumns:
    """Return delays of one vehicle, several of one day at different hours."""
    n = len(seen)
    ends = np.array([NO_UPPER_END if one[2] is None else round(one[2] * NS_PER_MS) for one in seen], np.int64)
    hours = [START_NS + one[0] * DAY_NS + place * 60_000_000_000 for place, one in enumerate(seen)]
    return DelayColumns(
        rule="lock handshake",
        step="wire feedback",
        vehicles=("car1",),
        vehicle=np.zeros(n, np.int32),
        capture=np.arange(n, dtype=np.int64),
        recorded_ns=np.array(hours, np.int64) if dated else np.full(n, UNDATED, np.int64),
        handshake=np.ones(n, np.int32),
        outcome=np.full(n, OUTCOMES.index(Outcome.MET), np.int8),
        earliest_ns=np.array([round(one[1] * NS_PER_MS) for one in seen], np.int64),
        latest_ns=ends,
        censored=ends == NO_UPPER_END,
        least_ns=np.full(n, UNDATED, np.int64),
        most_ns=np.full(n, NO_UPPER_END if most_ms is None else most_ms * NS_PER_MS, np.int64),
    )


DAYS: list[Seen] = [(day, 290 + 5 * day, 310 + 5 * day) for day in range(21)]

seen_days = st.lists(
    st.tuples(st.integers(0, 40), st.integers(0, 900), st.none() | st.integers(900, 1200)), min_size=1, max_size=30
).map(lambda seen: sorted(seen, key=lambda one: one[0]))


class TestDays:
    """A day is the medians of its ends."""

    @given(seen_days)
    def test_against_the_library(self, seen: list[Seen]) -> None:
        view = trend_view(drift("car1"), columns(seen))
        assert view is not None
        days = sorted({one[0] for one in seen})
        assert [(at - START_NS) // DAY_NS for at in view.day_ns.tolist()] == days
        for place, day in enumerate(days):
            mine = [one for one in seen if one[0] == day]
            assert view.earliest_ms[place] == median(one[1] for one in mine)
            assert view.latest_ms[place] == median(float("inf") if one[2] is None else one[2] for one in mine)

    def test_without_dates_there_is_nothing_to_draw(self) -> None:
        assert trend_view(drift("car1"), columns(DAYS, dated=False)) is None


class TestPicture:
    """Days, limit, line and crossing, all within the frame."""

    @given(seen_days, st.sampled_from([None, 600]), st.sampled_from([None, 90]), st.sampled_from([5.0, -5.0]))
    def test_any(self, seen: list[Seen], most: int | None, until: int | None, slope: float) -> None:
        moving = drift("car1", until_day=until)
        moving.numbers["slope_ms_per_day"] = slope
        view = trend_view(moving, columns(seen, most_ms=most))
        assert view is not None
        drawn = picture(view)
        assert "nan" not in drawn
        for path in re.findall(r' d="([^"]*)"', drawn):
            for command, numbers in re.findall(r"([MLHV])([-\d. ]+)", path):
                x, y = {"H": (numbers, 0), "V": (0, numbers)}.get(command) or numbers.split()
                assert -1 <= float(x) <= WIDTH + 1
                assert -1 <= float(y) <= HEIGHT + 1

    @pytest.mark.parametrize(
        ("until", "words"), [(90, "between 2026-03-06 and 2026-04-05"), (None, "on 2026-03-06 at the earliest")]
    )
    def test_crossing(self, until: int | None, words: str) -> None:
        view = trend_view(drift("car1", until_day=until), columns(DAYS))
        assert view is not None
        assert words in picture(view)
        assert label(view) == (
            "Delays of lock handshake, wire feedback in car1 on 21 days, 2026-01-05 to 2026-01-25: +5 ms a day; "
            f"crosses the limit {words}"
        )

    def test_the_line_goes_through_the_days(self) -> None:
        """The whole part of the line lies within the bars, which are 20 ms high, from the first day to the last."""
        view = trend_view(drift("car1"), columns(DAYS))
        assert view is not None
        drawn = picture(view)
        bars = re.findall(r"M([\d.]+) ([\d.]+)V([\d.]+)", drawn.partition('class="ink" stroke-width="1.2"')[2])
        line = re.search(r'class="accent" stroke-width="1.4" d="M([\d.]+) ([\d.]+)L([\d.]+) ([\d.]+)"', drawn)
        assert line is not None
        x0, y0, x1, y1 = map(float, line.groups())
        assert len(bars) >= 21
        first, last = bars[0], bars[20]
        for (x, top, foot), (at, y) in zip((first, last), ((x0, y0), (x1, y1)), strict=True):
            # Days are counted from midnight, bars stand at noon.
            assert abs(float(x) - at) < 3
            assert float(top) - 1 <= y <= float(foot) + 1

    @pytest.mark.parametrize("until", [90, None])
    def test_what_is_foretold_reaches_the_limit(self, until: int | None) -> None:
        """Broken lines lead from the end of the line to the limit, on the days that the words name."""
        view = trend_view(drift("car1", until_day=until), columns(DAYS))
        assert view is not None
        drawn = picture(view)
        found = re.search(r'stroke-dasharray="4 2.5" d="([^"]*)"', drawn)
        limit = re.search(r'class="quiet" stroke-width="0.8" d="M[\d.]+ ([\d.]+)H', drawn)
        assert found is not None
        assert limit is not None
        ends = re.findall(r"M([\d.]+) ([\d.]+)L([\d.]+) ([\d.]+)", found[1])
        assert len(ends) == (1 if until is None else 2)
        uprights = re.findall(r"M([\d.]+) [\d.]+V", drawn.partition("4 2.5")[2])
        for _, begin, x, y in ends:
            assert float(begin) > float(y) == float(limit[1])
            assert x in uprights

    @pytest.mark.parametrize("worst", [900.0, 5000.0])
    def test_the_worst_day_is_within(self, worst: float) -> None:
        view = trend_view(drift("car1"), columns([*DAYS, (30, worst - 20, worst)]))
        assert view is not None
        bars = re.findall(r"M[\d.]+ ([\d.]+)V([\d.]+)", picture(view).partition('class="ink" stroke-width="1.2"')[2])
        assert float(bars[21][0]) > TOP
        assert float(bars[21][0]) < min(float(top) for top, _ in bars[:21])

    def test_a_day_on_which_it_never_came_is_open(self) -> None:
        whole, broken = ([*DAYS[:20], (20, 400.0, latest)] for latest in (410.0, None))
        dotted = []
        for seen in (whole, broken):
            view = trend_view(drift("car1"), columns(seen))
            assert view is not None
            dotted.append('class="accent" stroke-width="1.2" stroke-dasharray="1.5 1.5"' in picture(view))
        assert dotted == [False, True]

    def test_a_drift_without_a_line(self) -> None:
        """What the ledger of another version does not hold is left out."""
        view = trend_view(anomaly(numbers={"slope_ms_per_day": 1.0}), columns(DAYS))
        assert view is not None
        assert 'stroke-width="1.4"' not in picture(view)
