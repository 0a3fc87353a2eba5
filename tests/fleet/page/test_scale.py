"""Scales: round numbers, round dates."""

from __future__ import annotations

from datetime import UTC, datetime
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from buslens.fleet.page.dates import crossing_text, day, minute, moment_of, period
from buslens.fleet.page.scale import Axis, dates, ticks

NS = 1_000_000_000
DAY_NS = 86_400 * NS

numbers = st.floats(0, 1e6)


class TestTicks:
    """Marks are round, equally far apart, within the ends, and neither too many nor too few."""

    @given(numbers, st.floats(1e-3, 1e6), st.integers(2, 8))
    def test_any(self, low: float, span: float, most: int) -> None:
        high = low + span
        if high - low < 1e-3:
            return
        marks = ticks(low, high, most=most)
        assert len(marks) <= most + 1
        assert all(low - 1e-6 * span <= mark <= high + 1e-6 * span for mark in marks)
        gaps = [after - before for before, after in pairwise(marks)]
        for gap in gaps:
            assert gap == pytest.approx(gaps[0], rel=1e-6, abs=1e-6 * span)
            assert float(f"{gap:.3e}"[0]) in {1, 2, 5}

    def test_zero_is_one(self) -> None:
        assert ticks(0, 45, most=5) == [0, 10, 20, 30, 40]


class TestAxis:
    """Ends stand at the ends, and what is outside too."""

    @given(numbers, st.floats(1, 1e6), numbers)
    def test_held(self, low: float, span: float, value: float) -> None:
        axis = Axis(10, 200, low, low + span)
        assert 10 - 1e-6 <= axis.held(value) <= 200 + 1e-6
        assert axis.place(low) == 10
        assert axis.place(low + span) == pytest.approx(200)


class TestDates:
    """Dates are round, ascending, within the ends, and not too many; their words are no locale's."""

    @given(st.integers(0, 2**62), st.integers(1, 20_000), st.integers(3, 8))
    def test_any(self, first_ns: int, days: int, most: int) -> None:
        last_ns = first_ns + days * DAY_NS
        found = dates(first_ns, last_ns, most=most)
        places = [at for at, _ in found]
        assert places == sorted(set(places))
        assert all(first_ns <= at <= last_ns for at in places)
        assert len(found) <= 2 * most
        assert all(at % DAY_NS == 0 for at in places)

    def test_months(self) -> None:
        first, last = (round(datetime(2026, month, 10, tzinfo=UTC).timestamp()) * NS for month in (1, 5))
        assert [words for _, words in dates(first, last, most=6)] == ["Feb", "Mar", "Apr", "May"]

    def test_days(self) -> None:
        first, last = (round(datetime(2026, 2, of, tzinfo=UTC).timestamp()) * NS for of in (26, 28))
        assert [words for _, words in dates(first, last, most=6)] == ["27 Feb", "28 Feb"]

    def test_years(self) -> None:
        first, last = (round(datetime(year, 6, 1, tzinfo=UTC).timestamp()) * NS for year in (2024, 2027))
        assert [words for _, words in dates(first, last, most=4)] == ["2025", "2026", "2027"]


class TestWords:
    """Calendar times as ISO 8601 writes them."""

    @given(st.integers(-(2**63), 2**63 - 1))
    def test_every_time_has_a_date(self, recorded_ns: int) -> None:
        seconds = recorded_ns // NS
        assert day(recorded_ns) == str(moment_of(recorded_ns).date())
        assert (moment_of(recorded_ns) - datetime(1970, 1, 1, tzinfo=UTC)).total_seconds() // 1 == seconds
        assert minute(recorded_ns).startswith(day(recorded_ns))

    def test_undated(self) -> None:
        assert period(None, None) == "undated"

    def test_one_day(self) -> None:
        assert crossing_text((0, 5)) == "on 1970-01-01"
