from __future__ import annotations

import math
from itertools import combinations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from support.examples import examples

from buslens.fleet.anomalies.drift import FEWEST_DAYS, Drift, Trend, crossing, find_drift, fit, variance_inflation


def falling_pairs(count: int) -> list[int]:
    """Return how many orders of so many values have 0, 1, 2, ... pairs the wrong way round (Mahonian numbers)."""
    ways = [1]
    for size in range(2, count + 1):
        longer = [0] * (len(ways) + size - 1)
        for wrong, many in enumerate(ways):
            for more in range(size):
                longer[wrong + more] += many
        ways = longer
    return ways


class TestFit:
    """One window of days."""

    @settings(max_examples=examples(30))
    @given(order=st.permutations(range(9)))
    def test_by_counting(self, order: list[int]) -> None:
        """The p-value is the share of all orders that are as far from half of the pairs, the slope the middle one."""
        day = np.arange(9) * 3
        value = 300.0 + 40.0 * np.array(order, dtype=float)
        found = fit(day, value)
        assert found is not None
        ways = falling_pairs(9)
        wrong = sum(value[i] > value[j] for i, j in combinations(range(9), 2))
        extreme = abs(wrong - 18)
        p_value = sum(many for k, many in enumerate(ways) if abs(k - 18) >= extreme) / math.factorial(9)
        slopes = sorted((value[j] - value[i]) / (day[j] - day[i]) for i, j in combinations(range(9), 2))
        if p_value < 0.05:
            assert found.p_value == pytest.approx(p_value)
            assert found.slope == pytest.approx((slopes[17] + slopes[18]) / 2.0)
            assert found.slope_low <= found.slope <= found.slope_high
        else:
            assert found.p_value >= 0.05

    def test_too_small_to_matter(self) -> None:
        """A change of 3 % is sure here, and of no interest."""
        day = np.arange(30)
        found = fit(day, 300.0 + 9.0 * day / 29.0)
        assert found is not None
        assert found.p_value == 1.0
        larger = fit(day, 300.0 + 18.0 * day / 29.0)
        assert larger is not None
        assert larger.p_value < 1e-6

    def test_no_upper_end_is_longer_than_any(self) -> None:
        """Days on which the step never came strengthen a rise, and weaken a fall."""
        day = np.arange(12)
        rising = 300.0 + 20.0 * np.array([0, 2, 1, 3, 2, 5, 4, 6, 7, 5, 8, 9.0])
        more = np.append(day, [12, 13, 14])
        never = [np.inf] * 3
        plain, stronger = fit(more[:-3] * 2, rising), fit(more * 2, np.append(rising, never))
        falling, weaker = fit(more[:-3] * 2, rising[::-1].copy()), fit(more * 2, np.append(rising[::-1], never))
        assert plain is not None
        assert stronger is not None
        assert falling is not None
        assert weaker is not None
        assert stronger.p_value < plain.p_value
        assert weaker.p_value > falling.p_value
        assert stronger.slope == plain.slope

    @pytest.mark.parametrize("days", [range(FEWEST_DAYS - 1), range(FEWEST_DAYS + 2)])
    def test_too_few(self, days: range) -> None:
        """Seven days, or ten within a fortnight, carry no trend."""
        day = np.array(days)
        assert fit(day, 300.0 + 50.0 * day) is None

    def test_all_alike(self) -> None:
        found = fit(np.arange(20), np.full(20, 300.0))
        assert found is not None
        assert found.p_value == 1.0


class TestFindDrift:
    """Several windows together."""

    def test_lately(self) -> None:
        """What began in the last month of a long past is found, and rests on that month."""
        dice = np.random.default_rng(5)
        day = np.arange(300)
        value = 280.0 + dice.normal(0.0, 10.0, size=300) + np.maximum(day - 270, 0) * 4.0
        found = find_drift(day, value)
        assert found is not None
        assert found.trend.p_value < 1e-5
        assert found.latest.first_day >= 270
        assert found.latest.slope == pytest.approx(4.0, abs=1.0)

    def test_nothing(self) -> None:
        assert find_drift(np.array([], dtype=np.int64), np.array([])) is None

    def test_healthy(self) -> None:
        """Days that resemble their neighbours, as weather does, do not drift oftener than the level says."""
        dice = np.random.default_rng(8)
        series = []
        for _ in range(80):
            departure, values = 0.0, []
            for _ in range(50):
                departure = 0.5 * departure + dice.normal(0.0, 15.0)
                values.append(280.0 + departure)
            series.append((np.arange(50), np.array(values)))
        factor = variance_inflation(series)
        assert factor == pytest.approx(3.0, abs=0.5)
        found = [find_drift(*own, factor=factor) for own in series]
        below = sum(it is not None and it.trend.p_value < 0.05 for it in found)
        assert stats.binom.sf(below - 1, 80, 0.05) > 1e-3
        careless = [find_drift(*own) for own in series]
        assert sum(it is not None and it.trend.p_value < 0.05 for it in careless) > below

    def test_memory_of_independent_days(self) -> None:
        dice = np.random.default_rng(9)
        series = [(np.arange(40), dice.normal(280.0, 10.0, size=40)) for _ in range(60)]
        assert variance_inflation(series) < 1.15
        assert variance_inflation([]) == 1.0


def straight(slope: float, *, level: float = 300.0, doubt: float = 0.0, sure: float = 0.0) -> Drift:
    """Return a drift over days 100 to 200, through `level` on day 150."""
    trend = Trend(
        p_value=1e-9,
        slope=slope,
        slope_low=slope - sure,
        slope_high=slope + sure,
        first_day=100,
        last_day=200,
        days=101,
        level=level,
        level_doubt=doubt,
        middle_day=150.0,
        first_level=level,
        last_level=level,
    )
    return Drift(trend=trend, latest=trend, growth=0.0)


def cross(drift: Drift, *, most: float | None = 600.0, least: float | None = 50.0, width: float = 0.0) -> object:
    return crossing(drift, season_ms=0.0, half_width_ms=width, least_ms=least, most_ms=most)


class TestCrossing:
    """When the limit is crossed."""

    def test_straight(self) -> None:
        """300 ms on day 150 and 3 ms a day: 600 ms on day 250; a delay 30 ms wide may be over it 5 days before."""
        assert cross(straight(3.0)) == (250.0, 250.0)
        assert cross(straight(3.0), width=15.0) == (245.0, 255.0)
        assert cross(straight(3.0, doubt=15.0)) == (245.0, 255.0)
        assert cross(straight(3.0, sure=0.5)) == (pytest.approx(150.0 + 300.0 / 3.5), pytest.approx(270.0))

    def test_season(self) -> None:
        """What the season adds brings the limit nearer."""
        assert crossing(straight(3.0), season_ms=30.0, half_width_ms=0.0, least_ms=None, most_ms=600.0) == (
            240.0,
            240.0,
        )

    def test_lower_limit(self) -> None:
        """A delay that shrinks meets the lower limit; mirrored, the days are the same."""
        assert cross(straight(-3.0, level=350.0), width=15.0) == (245.0, 255.0)
        assert cross(straight(-3.0), least=None) is None

    def test_not_further_than_it_reaches_back(self) -> None:
        """A hundred days tell of no more than a hundred days."""
        assert cross(straight(2.0)) == (300.0, 300.0)
        assert cross(straight(1.9)) is None
        first, last = cross(straight(2.0), width=10.0)  # type: ignore[misc]
        assert (first, last) == (295.0, None)

    def test_not_sure(self) -> None:
        assert cross(straight(3.0, sure=3.1)) is None

    def test_beyond_already(self) -> None:
        """What is over the limit now will not cross it; what may be over it now crosses from now on."""
        assert cross(straight(3.0, level=500.0)) is None
        assert cross(straight(3.0, level=450.0), width=15.0) == (200.0, 205.0)

    def test_growing(self) -> None:
        """A slope that grows brings the first end nearer, and leaves the last."""
        drift = straight(3.0)
        first, last = cross(Drift(trend=drift.trend, latest=drift.latest, growth=0.05))  # type: ignore[misc]
        # 3 t + 0.025 t^2 = 300.
        assert first == pytest.approx(max(150.0 + (math.sqrt(9.0 + 30.0) - 3.0) / 0.05, 200.0))
        assert last == 250.0

    @given(shift=st.integers(-3000, 3000), added=st.integers(-200, 200), seed=st.integers(0, 20))
    @settings(max_examples=examples(15))
    def test_dates_and_levels(self, shift: int, added: int, seed: int) -> None:
        """Shifting all dates shifts the crossing; adding to delays and limits alike leaves it."""
        dice = np.random.default_rng(seed)
        day = np.flatnonzero(dice.uniform(size=60) < 0.6)
        value = 1000.0 + 4.0 * day + dice.normal(0.0, 12.0, size=len(day))
        plain, moved = find_drift(day, value), find_drift(day + shift, value + added)
        assert plain is not None
        assert moved is not None
        limits = {"least_ms": None, "season_ms": 0.0, "half_width_ms": 20.0}
        one = crossing(plain, most_ms=1300.0, **limits)
        other = crossing(moved, most_ms=1300.0 + added, **limits)
        assert one is not None
        assert other is not None
        assert other[0] - shift == pytest.approx(one[0], abs=1e-6)
        assert (one[1] is None) == (other[1] is None)
        if one[1] is not None and other[1] is not None:
            assert other[1] - shift == pytest.approx(one[1], abs=1e-6)
