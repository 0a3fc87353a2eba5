from __future__ import annotations

import random

import pytest

from buslens.discovery.limits import CONFIDENCE, COVERAGE, FREE_FROM, STEP_NS, least_of, most_of, tolerance_factor
from buslens.units import NS_PER_MS


class TestFactor:
    """The factor of the normal tolerance limit is the exact one."""

    @pytest.mark.parametrize(
        ("count", "coverage", "confidence", "factor"),
        [
            # NIST/SEMATECH e-Handbook of Statistical Methods, 7.2.6.3.
            (43, 0.90, 0.99, 1.8740),
            (6, 0.90, 0.99, 4.4111),
        ],
    )
    def test_published(self, count: int, coverage: float, confidence: float, factor: float) -> None:
        assert tolerance_factor(count, coverage=coverage, confidence=confidence) == pytest.approx(factor, abs=6e-5)

    def test_covers_as_often_as_it_says(self) -> None:
        """Of many samples of 5 from a normal distribution, 95 % give a limit above its 95 % point (seeded)."""
        hand = random.Random(1)
        factor = tolerance_factor(5)
        good = 0
        for _ in range(4000):
            values = [hand.gauss() for _ in range(5)]
            mean = sum(values) / 5
            spread = (sum((value - mean) ** 2 for value in values) / 4) ** 0.5
            good += mean + factor * spread >= 1.6448536
        # Four standard deviations of the count either way.
        assert abs(good - 3800) < 4 * (4000 * 0.95 * 0.05) ** 0.5


class TestDistributionFree:
    """From 59 values on the extreme one is a limit (Wilks 1941)."""

    def test_59_is_the_first(self) -> None:
        assert 1 - COVERAGE**FREE_FROM >= CONFIDENCE > 1 - COVERAGE ** (FREE_FROM - 1)

    def test_extremes(self) -> None:
        values = [n * STEP_NS for n in range(1, FREE_FROM + 1)]
        assert most_of(values).limit_ns == FREE_FROM * STEP_NS
        assert least_of(values).limit_ns == STEP_NS
        assert "Wilks" in most_of(values).method

    def test_one_less_is_not_enough(self) -> None:
        values = [n * STEP_NS for n in range(1, FREE_FROM)]
        assert "NIST" in most_of(values).method
        assert most_of(values).limit_ns > max(values)


class TestFew:
    """One or two values give a guess that says so; no limit calls wrong what it was learned from."""

    @pytest.mark.parametrize(
        ("values_ms", "most_ms", "least_ms"), [([204], 310, 100), ([100, 300], 450, 50), ([3], 10, 0)]
    )
    def test_guess(self, values_ms: list[int], most_ms: int, least_ms: int) -> None:
        values = [value * NS_PER_MS for value in values_ms]
        assert (most_of(values).limit_ns, least_of(values).limit_ns) == (most_ms * NS_PER_MS, least_ms * NS_PER_MS)
        assert most_of(values).method.startswith("A GUESS: 1.5 times")

    def test_none(self) -> None:
        with pytest.raises(ValueError, match="at least one"):
            most_of([])

    @pytest.mark.parametrize("count", [1, 2, 3, 10, 58, 59, 100])
    def test_contains_all(self, count: int) -> None:
        hand = random.Random(count)
        values = [hand.randrange(NS_PER_MS, 900 * NS_PER_MS) for _ in range(count)]
        assert least_of(values).limit_ns <= min(values)
        assert most_of(values).limit_ns >= max(values)

    def test_of_equal_values(self) -> None:
        assert most_of([STEP_NS] * 5).limit_ns == STEP_NS
