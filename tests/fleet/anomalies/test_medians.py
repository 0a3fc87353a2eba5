from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import optimize

from buslens.fleet.anomalies.medians import equal_weights, grouped_medians, interval_median, weighted_median

VALUES = st.lists(st.tuples(st.integers(0, 4), st.integers(-1000, 1000)), min_size=1, max_size=40)


class TestGroupedMedians:
    """One median for each group, whatever the order of the values."""

    @given(rows=VALUES)
    def test_as_numpy(self, rows: list[tuple[int, int]]) -> None:
        group, value = (np.array(column) for column in zip(*rows, strict=True))
        found = grouped_medians(group, value.astype(float))
        assert found.group.tolist() == sorted(set(group.tolist()))
        assert found.size.sum() == len(rows)
        for name, median in zip(found.group.tolist(), found.median.tolist(), strict=True):
            assert median == np.median(value[group == name])

    def test_nothing(self) -> None:
        assert grouped_medians(np.array([], dtype=np.int64), np.array([])).group.tolist() == []

    @given(
        finite=st.lists(st.integers(0, 100), min_size=1, max_size=20),
        beyond=st.lists(st.integers(101, 10_000), max_size=19),
    )
    def test_censored(self, finite: list[int], beyond: list[int]) -> None:
        """While fewer than half have no upper end, it does not matter how long they would have been."""
        count = len(finite) + len(beyond)
        group = np.zeros(count, dtype=np.int64)
        censored = grouped_medians(group, np.array([*finite, *[np.inf] * len(beyond)])).median[0]
        if 2 * len(beyond) < count:
            known = np.median([*finite, *beyond])
            # With an even count the upper one of the middle two may be among those that have no upper end.
            assert censored == known or (censored == np.inf and len(finite) == len(beyond) + 1 and count % 2 == 0)
        else:
            assert censored == np.inf


class TestWeightedMedian:
    """Weights stand for how often a value counts."""

    @given(rows=st.lists(st.tuples(st.integers(-50, 50), st.integers(1, 5)), min_size=1, max_size=20))
    def test_whole_weights(self, rows: list[tuple[int, int]]) -> None:
        value, weight = (np.array(column, dtype=float) for column in zip(*rows, strict=True))
        repeated = sorted(np.repeat(value, weight.astype(int)).tolist())
        assert weighted_median(value, weight) == repeated[(len(repeated) - 1) // 2]

    def test_half_censored(self) -> None:
        value = np.array([1.0, 2.0, np.inf, np.inf])
        assert weighted_median(value, np.array([1.0, 1.0, 0.9, 0.9])) == 2.0
        assert weighted_median(value, np.array([1.0, 1.0, 1.1, 1.1])) == np.inf

    def test_equal_say(self) -> None:
        """All delays of a vehicle together weigh as much as those of another."""
        vehicle = np.array([3, 3, 3, 3, 7])
        weight = equal_weights(vehicle)
        assert weight[vehicle == 3].sum() == weight[vehicle == 7].sum() == 1.0


class TestIntervalMedian:
    """The median of values that lie anywhere in their intervals."""

    @given(
        rows=st.lists(st.tuples(st.floats(0, 100), st.floats(0.01, 50)), min_size=1, max_size=15),
    )
    def test_by_its_meaning(self, rows: list[tuple[float, float]]) -> None:
        """Half of the values are below it, on average over all that they may be."""
        low, width = (np.array(column) for column in zip(*rows, strict=True))

        def below(point: float) -> float:
            return float(np.clip((point - low) / width, 0.0, 1.0).sum()) - len(low) / 2.0

        found = interval_median(low, low + width)
        assert below(found) == pytest.approx(0.0, abs=1e-6)
        reference = optimize.brentq(below, -1.0, 200.0)
        # Where nothing lies between two groups, any point between them is a median.
        assert found == pytest.approx(reference, abs=1e-6) or below((found + reference) / 2.0) == pytest.approx(0.0)

    def test_whole_cycles(self) -> None:
        """Delays in whole cycles of 20 ms: the middles' median jumps by 20 ms, this one follows how many there are."""
        for few in range(1, 20):
            middle = np.array([360.0] * (20 - few) + [380.0] * few)
            found = interval_median(middle - 20.0, middle + 20.0)
            assert found == pytest.approx(360.0 + few, abs=0.51 * few)
            assert 360.0 < found < 380.0

    def test_censored(self) -> None:
        low = np.array([1.0, 2.0, 5.0])
        assert interval_median(low, np.array([2.0, 3.0, np.inf])) == pytest.approx(2.5)
        assert interval_median(low, np.array([2.0, np.inf, np.inf])) == np.inf

    def test_points(self) -> None:
        value = np.array([4.0, 1.0, 9.0])
        assert 1.0 <= interval_median(value, value) <= 4.0
