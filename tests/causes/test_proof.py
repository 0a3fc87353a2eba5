"""The arithmetic of proof against published numbers and against scipy's own tests."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from buslens.causes.proof import (
    RULE_OF_THREE_FROM,
    clean_needed,
    event_rate_bound,
    interval,
    quiet_needed,
    rule_of_three,
    unchanged_chance,
    upper_bound,
)


@st.composite
def counts(draw: st.DrawFn) -> tuple[int, int]:
    """Failures and trials."""
    trials = draw(st.integers(1, 200))
    return draw(st.integers(0, trials)), trials


class TestPublished:
    """Numbers that others print."""

    def test_rule_of_three(self) -> None:
        # Eypasch and others, BMJ 311:619 (1995): 3/n; Clopper-Pearson for none in n trials is 1 - 0.05^(1/n).
        assert rule_of_three(100) == pytest.approx(0.03)
        assert upper_bound(0, 100) == pytest.approx(0.029513, abs=5e-7)
        assert upper_bound(0, 100) == pytest.approx(1 - 0.05 ** (1 / 100))

    def test_two_sided(self) -> None:
        # Computed with scipy's binomtest(...).proportion_ci(method="exact").
        assert interval(0, 100) == (0.0, pytest.approx(0.036217, abs=5e-7))
        assert interval(1, 10) == (pytest.approx(0.002529, abs=5e-7), pytest.approx(0.445016, abs=5e-7))

    def test_one_in_ten(self) -> None:
        # ln 0.05 / ln 0.9 = 28.4.
        assert clean_needed(1, 10) == 29
        assert 0.9**29 <= 0.05 < 0.9**28

    @pytest.mark.parametrize("trials", [RULE_OF_THREE_FROM, 100, 1000])
    def test_rule_of_three_is_close_where_it_is_meant_for(self, trials: int) -> None:
        assert upper_bound(0, trials) < rule_of_three(trials) < 1.06 * upper_bound(0, trials)


class TestAgainstScipy:
    """scipy's tests, which take another way, give the same."""

    def test_chance_after_many_trials(self) -> None:
        expected = stats.hypergeom(1_000_010, 500_000, 10).pmf(0)
        assert unchanged_chance(500_000, 1_000_000, 10) == pytest.approx(float(expected), rel=1e-6)

    @given(counts())
    def test_bounds(self, count: tuple[int, int]) -> None:
        failed, trials = count
        one_sided = stats.binomtest(failed, trials, alternative="less").proportion_ci(0.95, method="exact")
        two_sided = stats.binomtest(failed, trials).proportion_ci(0.95, method="exact")
        assert upper_bound(failed, trials) == pytest.approx(one_sided.high, abs=1e-9)
        assert interval(failed, trials) == pytest.approx((two_sided.low, two_sided.high), abs=1e-9)

    @given(counts(), st.integers(1, 60))
    def test_chance_that_nothing_changed(self, count: tuple[int, int], clean: int) -> None:
        failed, trials = count
        table = [[failed, trials - failed], [0, clean]]
        expected = stats.fisher_exact(table, alternative="greater").pvalue
        assert unchanged_chance(failed, trials, clean) == pytest.approx(expected, rel=1e-6)


class TestCleanNeeded:
    """So many are enough, and one fewer is not."""

    @given(counts().filter(lambda count: 1 <= count[0] < count[1]))
    def test_after_some_of_the_trials(self, count: tuple[int, int]) -> None:
        needed = clean_needed(*count)
        survives = 1 - count[0] / count[1]
        assert survives**needed <= 0.05 * (1 + 1e-9)
        assert survives ** (needed - 1) > 0.05 * (1 - 1e-9)

    @pytest.mark.parametrize(("trials", "needed"), [(1, 19), (2, 5), (3, 3), (4, 3), (5, 2)])
    def test_after_every_trial(self, trials: int, needed: int) -> None:
        assert clean_needed(trials, trials) == needed
        table = [[trials, 0], [0, needed]]
        assert stats.fisher_exact(table, alternative="greater").pvalue <= 0.05 + 1e-9
        fewer = [[trials, 0], [0, needed - 1]]
        assert stats.fisher_exact(fewer, alternative="greater").pvalue > 0.05

    @pytest.mark.parametrize(("failed", "trials"), [(0, 10), (2, 1), (-1, 3), (0, 0)])
    def test_no_count(self, failed: int, trials: int) -> None:
        with pytest.raises(ValueError, match=r"never showed|no count"):
            clean_needed(failed, trials)


class TestQuiet:
    """Something that came k times in T must stay away for 3 T / k."""

    @given(st.integers(1, 50), st.integers(1, 10**15))
    def test_poisson(self, events: int, duration_ns: int) -> None:
        needed = quiet_needed(events, duration_ns)
        assert stats.poisson.pmf(0, events / duration_ns * needed) <= 0.05 * (1 + 1e-6)
        assert stats.poisson.pmf(0, events / duration_ns * (needed - 1)) > 0.05 * (1 - 1e-6)

    def test_rate(self) -> None:
        assert math.exp(-event_rate_bound(7.0) * 7.0) == pytest.approx(0.05)

    def test_nothing_came(self) -> None:
        with pytest.raises(ValueError, match="never happened"):
            quiet_needed(0, 1)
