"""The arithmetic of proof: published numbers, scipy's tests by another way, and what an unrepaired car reaches."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from buslens.causes.repair_statistics import (
    clean_trials_needed,
    clean_trials_needed_at,
    contradicts,
    interval,
    p_unchanged,
    quiet_needed,
    upper_bound,
)

needed = cache(clean_trials_needed)


@st.composite
def counts(draw: st.DrawFn, least: int = 0, most: int = 200) -> tuple[int, int]:
    """Failures and trials."""
    trials = draw(st.integers(1, most))
    return draw(st.integers(least, trials)), trials


class TestComputed:
    """Numbers recomputed from published formulas; only the rule of three is printed as such by its source."""

    def test_rule_of_three(self) -> None:
        # Eypasch and others, BMJ 311:619 (1995): below 3/n; Clopper-Pearson for none in n trials is 1 - 0.05^(1/n).
        assert upper_bound(0, 100) == pytest.approx(0.029513, abs=5e-7)
        assert upper_bound(0, 100) == pytest.approx(1 - 0.05 ** (1 / 100))

    def test_two_sided(self) -> None:
        # From beta quantiles: 1 - 0.025^(1/100).
        assert interval(0, 100) == (0.0, pytest.approx(0.036217, abs=5e-7))
        assert interval(1, 10) == (pytest.approx(0.002529, abs=5e-7), pytest.approx(0.445016, abs=5e-7))

    def test_one_in_ten(self) -> None:
        # ln 0.05 / ln 0.9 = 28.4.
        assert clean_trials_needed_at(0.1) == 29
        assert 0.9**29 <= 0.05 < 0.9**28


class TestUnchangedChance:
    """The quotient of two binomial coefficients."""

    def test_chance_after_many_trials(self) -> None:
        expected = np.prod([(500_000 + more) / (1_000_000 + more) for more in range(1, 11)])
        assert p_unchanged(500_000, 1_000_000, 10) == pytest.approx(float(expected), rel=1e-6)

    @given(counts(), st.integers(1, 60))
    def test_fisher(self, count: tuple[int, int], clean: int) -> None:
        failed, trials = count
        table = [[failed, trials - failed], [0, clean]]
        expected = stats.fisher_exact(table, alternative="greater").pvalue
        assert p_unchanged(failed, trials, clean) == pytest.approx(expected, rel=1e-6)


class TestCleanNeeded:
    """So many are enough, and one fewer is not."""

    @pytest.mark.parametrize(
        ("failed", "trials", "enough"),
        [(1, 1, 19), (1, 2, 38), (2, 2, 5), (2, 3, 9), (3, 3, 3), (1, 10, 190), (3, 10, 16), (5, 5, 2)],
    )
    def test_by_hand(self, failed: int, trials: int, enough: int) -> None:
        """From C(N, K) / C(N + n, K) <= 1/20 in whole numbers."""
        from math import comb

        assert clean_trials_needed(failed, trials) == enough
        assert 20 * comb(trials, failed) <= comb(trials + enough, failed)
        assert 20 * comb(trials, failed) > comb(trials + enough - 1, failed)

    @given(counts(1))
    def test_one_fewer(self, count: tuple[int, int]) -> None:
        from math import comb

        (failed, trials), enough = count, clean_trials_needed(*count)
        assert 20 * comb(trials, failed) <= comb(trials + enough, failed)
        assert 20 * comb(trials, failed) > comb(trials + enough - 1, failed)

    @given(counts(1, 100))
    def test_monotone(self, count: tuple[int, int]) -> None:
        """More failures among as many, or fewer handshakes with as many failures, never ask for more."""
        failed, trials = count
        assert clean_trials_needed(failed, trials + 1) >= clean_trials_needed(failed, trials)
        assert failed == trials or clean_trials_needed(failed + 1, trials) <= clean_trials_needed(failed, trials)

    def test_large_counts(self) -> None:
        assert clean_trials_needed(1, 10**9 - 1) == pytest.approx(19 * 10**9, rel=1e-6)

    @pytest.mark.parametrize(("failed", "trials"), [(0, 10), (2, 1), (-1, 3), (0, 0)])
    def test_no_count(self, failed: int, trials: int) -> None:
        with pytest.raises(ValueError, match="no count"):
            clean_trials_needed(failed, trials)

    @pytest.mark.parametrize("rate", [0.0, 1.0, -0.1])
    def test_no_rate(self, rate: float) -> None:
        with pytest.raises(ValueError, match="no failure rate"):
            clean_trials_needed_at(rate)

    @given(st.floats(0.001, 0.999))
    def test_known_rate(self, rate: float) -> None:
        enough = clean_trials_needed_at(rate)
        assert (1 - rate) ** enough <= 0.05 * (1 + 1e-6)
        assert (1 - rate) ** (enough - 1) > 0.05 * (1 - 1e-6)


class TestUnrepaired:
    """A car on which nothing was mended passes for repaired in at most 5 % of cases, whatever its failure rate."""

    @given(st.integers(1, 40), st.floats(0.001, 0.999))
    def test_recorded_until_it_is_said(self, trials: int, rate: float) -> None:
        """Whoever goes on after the repair until there are enough, or one fails."""
        failed = np.arange(1, trials + 1)
        enough = np.array([needed(int(count), trials) for count in failed])
        assert float((stats.binom.pmf(failed, trials, rate) * (1 - rate) ** enough).sum()) <= 0.05

    @given(st.integers(1, 40), st.integers(1, 60), st.floats(0.001, 0.999))
    def test_recorded_so_often(self, trials: int, clean: int, rate: float) -> None:
        """Whoever decides before how often to try."""
        failed = np.array([count for count in range(1, trials + 1) if needed(count, trials) <= clean])
        assert float(stats.binom.pmf(failed, trials, rate).sum() * (1 - rate) ** clean) <= 0.05

    @given(st.floats(0.001, 0.999))
    def test_recorded_until_it_fails(self, rate: float) -> None:
        """Whoever records before the repair until it has failed once: the sum of p (1 - p)^(N - 1 + 19 N) over N."""
        assert rate * (1 - rate) ** 19 / (1 - (1 - rate) ** 20) <= 0.05
        assert all(needed(1, trials) == 19 * trials for trials in range(1, 40))


class TestContradicts:
    """Counted failures too few for what is stated."""

    @pytest.mark.parametrize(
        ("failed", "trials", "rate", "is_refuted"),
        [(0, 28, 0.1, False), (0, 29, 0.1, True), (1, 1, 0.1, False), (10, 10, 0.1, False), (1, 10, 0.9, True)],
    )
    def test_rows(self, failed: int, trials: int, rate: float, is_refuted: bool) -> None:
        assert contradicts(failed, trials, rate) is is_refuted


class TestQuiet:
    """The conditional test of two Poisson counts: all k events in the first T of T + t."""

    @given(st.integers(1, 50), st.integers(10**6, 10**15))
    def test_binomial(self, events: int, duration_ns: int) -> None:
        quiet_ns = quiet_needed(events, duration_ns)
        for time_ns, is_enough in ((quiet_ns + 2, True), (quiet_ns * 0.999, False)):
            share = duration_ns / (duration_ns + time_ns)
            chance = stats.binomtest(events, events, share, alternative="greater").pvalue
            assert bool(chance <= 0.05 * (1 + 1e-12)) is is_enough

    @given(st.floats(0.01, 100.0))
    def test_unrepaired(self, mean: float) -> None:
        """Events at random, `mean` of them before: the chance that so long a quiet follows all the same."""
        events = np.arange(1, int(mean + 10 * mean**0.5 + 20))
        quiet = np.array([quiet_needed(int(count), 10**12) / 1e12 for count in events])
        assert float((stats.poisson.pmf(events, mean) * np.exp(-mean * quiet)).sum()) <= 0.05

    @pytest.mark.parametrize(("events", "duration_ns"), [(0, 1), (1, 0)])
    def test_nothing_came(self, events: int, duration_ns: int) -> None:
        with pytest.raises(ValueError, match="nothing that can be proved"):
            quiet_needed(events, duration_ns)
