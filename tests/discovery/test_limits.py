from __future__ import annotations

import random

import pytest

from buslens.discovery.limits import (
    CONFIDENCE,
    COVERAGE,
    FREE_FROM,
    STEP_NS,
    limits_of,
    outliers_of,
    tolerance_factor,
)
from buslens.units import NS_PER_MS


def spans_of(values_ms: list[float], doubt_ms: float = 0) -> list[tuple[int, int]]:
    """Return lengths as a log shows them: with as much doubt either way."""
    return [(round((it - doubt_ms / 2) * NS_PER_MS), round((it + doubt_ms / 2) * NS_PER_MS)) for it in values_ms]


class TestFactor:
    """The factor of the normal tolerance interval."""

    def test_published(self) -> None:
        """NIST/SEMATECH e-Handbook of Statistical Methods, 7.2.6.3: n 43, coverage 0.90, confidence 0.99, two-sided."""
        assert tolerance_factor(43, coverage=0.90, confidence=0.99) == pytest.approx(2.217, abs=1e-3)

    def test_covers_as_often_as_it_says(self) -> None:
        """Of many samples of 10 from a normal distribution, 95 % give an interval with 95 % of it inside (seeded)."""
        from scipy.stats import norm

        hand = random.Random(1)
        factor = tolerance_factor(10)
        good = 0
        for _ in range(2000):
            values = [hand.gauss() for _ in range(10)]
            mean = sum(values) / 10
            spread = (sum((value - mean) ** 2 for value in values) / 9) ** 0.5
            good += norm.cdf(mean + factor * spread) - norm.cdf(mean - factor * spread) >= COVERAGE
        # Howe's factor is an approximation, good to some tenths of a per cent here.
        assert abs(good / 2000 - CONFIDENCE) < 0.02


class TestDistributionFree:
    """From 93 values on least and greatest are limits (Wilks 1941)."""

    def test_93_is_the_first(self) -> None:
        def confidence(count: int) -> float:
            return 1 - COVERAGE**count - count * (1 - COVERAGE) * COVERAGE ** (count - 1)

        assert confidence(FREE_FROM) >= CONFIDENCE > confidence(FREE_FROM - 1)

    def test_extremes(self) -> None:
        learned = limits_of([(n * STEP_NS, n * STEP_NS) for n in range(1, FREE_FROM + 1)])
        assert (learned.least_ns, learned.most_ns) == (STEP_NS, FREE_FROM * STEP_NS)
        assert "Wilks" in learned.method


@pytest.mark.slow
class TestHealthyCarsPass:
    """The next captures of the same car are decided, and inside."""

    @pytest.mark.parametrize("count", [3, 4, 6, 12, 30])
    @pytest.mark.parametrize("doubt_ms", [0, 40, 200])
    def test_most_of_the_next_are_inside(self, count: int, doubt_ms: float) -> None:
        hand = random.Random(f"{count} {doubt_ms}")
        inside = total = 0
        for _ in range(200):
            true = [hand.gauss(300, 15) for _ in range(count + 12)]
            shown = [(it - hand.random() * doubt_ms, doubt_ms) for it in true]
            spans = [(round(low * NS_PER_MS), round((low + wide) * NS_PER_MS)) for low, wide in shown]
            learned = limits_of(spans[:count])
            total += 12
            inside += sum(learned.least_ns <= low and high <= learned.most_ns for low, high in spans[count:])
        # Of the population 95 % at least; the doubt and the steps add to that.
        assert inside / total > 0.97

    @pytest.mark.parametrize("count", [3, 6, 12])
    @pytest.mark.parametrize("doubt_ms", [200, 1000])
    def test_none_of_the_next_is_surely_greater(self, count: int, doubt_ms: float) -> None:
        """Frames far apart leave much open; what they surely show of a healthy car is not late, of a slow one it is."""
        hand = random.Random(f"surely {count} {doubt_ms}")
        healthy = slow = total = 0
        for _ in range(200):
            true = [hand.gauss(300, 15) for _ in range(count + 6)] + [hand.gauss(300 + 1.6 * doubt_ms, 15)]
            lows = [max(it - hand.random() * doubt_ms, 0) for it in true]
            spans = [(round(low * NS_PER_MS), round((low + doubt_ms) * NS_PER_MS)) for low in lows]
            learned = limits_of(spans[:count])
            total += 6
            healthy += sum(low <= learned.sure_ns for low, _ in spans[count:-1])
            slow += spans[-1][0] > learned.sure_ns
            assert learned.sure_ns <= learned.most_ns
        assert healthy / total > 0.995
        assert slow / 200 > 0.3

    def test_a_slow_one_is_outside(self) -> None:
        learned = limits_of(spans_of([290, 300, 310], doubt_ms=40))
        assert learned.most_ns < 560 * NS_PER_MS


class TestFew:
    """One or two values give a guess that says so; no limit calls wrong what it was learned from."""

    def test_guess(self) -> None:
        learned = limits_of(spans_of([200], doubt_ms=20))
        assert (learned.least_ns, learned.most_ns) == (80 * NS_PER_MS, 320 * NS_PER_MS)
        assert learned.method.startswith("A GUESS")

    def test_none(self) -> None:
        with pytest.raises(ValueError, match="at least one"):
            limits_of([])

    @pytest.mark.parametrize("count", [1, 2, 3, 10, 92, 93, 100])
    def test_contains_all(self, count: int) -> None:
        hand = random.Random(count)
        values = [hand.uniform(1, 900) for _ in range(count)]
        spans = spans_of(values, doubt_ms=2)
        learned = limits_of(spans)
        assert learned.least_ns <= max(min(low for low, _ in spans), 0)
        assert learned.most_ns >= max(high for _, high in spans)

    def test_more_would_narrow(self) -> None:
        learned = limits_of(spans_of([290, 300, 310]))
        assert learned.later_ns is not None
        assert learned.later_ns[1] < learned.most_ns
        assert limits_of(spans_of([290.0, 300, 310] * 4)).later_ns is None


class TestOutliers:
    """A length far from the others is named, an ordinary one is not."""

    def test_named(self) -> None:
        assert outliers_of(spans_of([300, 310, 700, 305], doubt_ms=40)) == [2]

    def test_not_within_the_doubt(self) -> None:
        assert outliers_of(spans_of([50, 55, 120, 52], doubt_ms=100)) == []

    def test_of_two_none(self) -> None:
        assert outliers_of(spans_of([100, 900])) == []

    def test_hardly_ever_in_a_healthy_car(self) -> None:
        hand = random.Random(3)
        found = sum(bool(outliers_of(spans_of([hand.gauss(300, 30) for _ in range(3)]))) for _ in range(1000))
        assert found <= 2
