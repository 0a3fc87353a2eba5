from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from support.examples import examples

from buslens.fleet.anomalies.columns import CENSORED, StepDelays
from buslens.fleet.anomalies.outliers import (
    FAR,
    FLOOR,
    Outlier,
    RobustSpread,
    delay_outliers,
    fleet_scale,
    scores,
    vehicle_outliers,
)

MS = 1_000_000


def columns(rows: list[tuple[int, float, float]], *, day: int = 20_000) -> StepDelays:
    """Return delays from vehicle, earliest and latest, ms; infinite for none."""
    vehicle, earliest, latest = (np.array(column, dtype=float) for column in zip(*rows, strict=True))
    return StepDelays(
        rule="lock handshake",
        step="wire feedback",
        vehicle=vehicle.astype(np.int64),
        recorded_ns=(day * 86_400_000_000_000 + np.arange(len(rows)) * 1_000_000_000).astype(np.int64),
        earliest_ns=(earliest * MS).astype(np.int64),
        latest_ns=np.where(np.isinf(latest), CENSORED, np.where(np.isinf(latest), 0.0, latest) * MS).astype(np.int64),
        capture=np.arange(len(rows)),
        least_ns=50 * MS,
        most_ns=600 * MS,
    )


def fleet(seed: int, *, vehicles: int = 12, each: int = 20, width: float = 20.0) -> StepDelays:
    """Return delays of a healthy fleet in whole ms: vehicles differ a little, delays of one differ more."""
    dice = np.random.default_rng(seed)
    rows = []
    for vehicle in range(vehicles):
        usual = dice.normal(280.0, 5.0)
        for delay in dice.normal(usual, 10.0, size=each):
            low = round(delay - dice.uniform(0.0, width))
            rows.append((vehicle, float(low), low + width))
    return columns(rows)


class TestScores:
    """The modified z-score of the nearer end."""

    def test_handbook(self) -> None:
        """NIST/SEMATECH e-Handbook 1.3.5.17.1: median 201.37, MAD 0.995, M(245.57) = 29.9627."""
        data = np.array([199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57])
        scale = RobustSpread(float(np.median(data)), float(stats.median_abs_deviation(data)))
        assert scale == pytest.approx((201.37, 0.995))
        found = scores(data, data, scale)
        assert found[-1] == pytest.approx(29.9627, abs=5e-5)
        assert np.flatnonzero(np.abs(found) > FAR).tolist() == [7]

    @pytest.mark.parametrize(
        ("earliest", "latest", "score"),
        [
            (290.0, 310.0, 0.0),
            (300.0, 310.0, 0.0),
            (320.0, 340.0, 0.6745 * 2.0),
            (270.0, 290.0, -0.6745),
            (320.0, np.inf, 0.6745 * 2.0),
            (100.0, np.inf, 0.0),
        ],
    )
    def test_nearer_end(self, earliest: float, latest: float, score: float) -> None:
        found = scores(np.array([earliest]), np.array([latest]), RobustSpread(300.0, 10.0))
        assert found[0] == pytest.approx(score)


class TestFleetScale:
    """What a fleet takes for a step."""

    @given(
        middle=st.lists(st.integers(0, 1000), min_size=3, max_size=41).filter(lambda it: len(it) % 2 == 1),
        width=st.integers(0, 40),
    )
    def test_equal_weights(self, middle: list[int], width: int) -> None:
        """With an odd count and equal weights: numpy's median, scipy's MAD, with the floor."""
        value = np.array(middle, dtype=float)
        found = fleet_scale(value, np.full(len(value), float(width)), np.ones(len(value)))
        mad = max(float(stats.median_abs_deviation(value)), FLOOR * width)
        assert found.median == np.median(value)
        assert found.mad == mad or (mad == 0.0 and np.isnan(found.mad))

    def test_delays_that_do_not_differ(self) -> None:
        """Delays that all fall into the same cycle have the spread of the cycle, not none."""
        same = np.full(50, 300.0)
        assert fleet_scale(same, np.full(50, 40.0), np.ones(50)).mad == 10.0
        assert np.isnan(fleet_scale(same, np.zeros(50), np.ones(50)).mad)

    def test_half_without_upper_end(self) -> None:
        middle = np.array([300.0, 310.0, np.inf, np.inf, np.inf])
        assert np.isnan(fleet_scale(middle, np.full(5, 20.0), np.ones(5)).median)
        middle[2] = 320.0
        assert fleet_scale(middle, np.full(5, 20.0), np.ones(5)).median == 320.0


class TestDelayOutliers:
    """The most distant delay of each vehicle."""

    def told(self, delays: StepDelays, level: float = 1e-3) -> list[int]:
        found = delay_outliers(delays)
        return [it.vehicle for it in found if it.p_value < level and abs(it.score) >= FAR]

    def test_one_far_delay(self) -> None:
        delays = fleet(1)
        assert self.told(delays) == []
        far = delays.earliest_ns.copy()
        far[30] = 430 * MS
        latest = delays.latest_ns.copy()
        latest[30] = 450 * MS
        odd = replace(delays, earliest_ns=far, latest_ns=latest)
        assert self.told(odd) == [1]
        outlier = next(it for it in delay_outliers(odd) if it.vehicle == 1)
        assert (outlier.place, outlier.earliest_ms, outlier.latest_ms) == (30, 430.0, 450.0)

    def test_far_but_wide(self) -> None:
        """A delay that may have been usual is no outlier, wherever its middle lies."""
        delays = fleet(1)
        earliest, latest = delays.earliest_ns.copy(), delays.latest_ns.copy()
        earliest[30], latest[30] = 270 * MS, 900 * MS
        assert self.told(replace(delays, earliest_ns=earliest, latest_ns=latest)) == []

    def test_never_came(self) -> None:
        """Of a step that never came, the time for which it was waited counts."""
        delays = fleet(1)
        latest, earliest = delays.latest_ns.copy(), delays.earliest_ns.copy()
        latest[30], earliest[30] = CENSORED, 600 * MS
        assert self.told(replace(delays, earliest_ns=earliest, latest_ns=latest)) == [1]

    @settings(max_examples=examples(8))
    @given(seed=st.integers(0, 5), added=st.integers(-200, 200), factor=st.integers(1, 7))
    def test_shift_and_scale(self, seed: int, added: int, factor: int) -> None:
        """Adding to all delays, or another unit of time, changes no score."""
        delays = fleet(seed)
        changed = replace(
            delays,
            earliest_ns=(delays.earliest_ns + added * MS) * factor,
            latest_ns=(delays.latest_ns + added * MS) * factor,
        )
        for one, other in zip(delay_outliers(delays), delay_outliers(changed), strict=True):
            assert other.score == pytest.approx(one.score, abs=1e-6)
            assert other.p_value == pytest.approx(one.p_value, rel=1e-6)

    @settings(max_examples=examples(8))
    @given(seed=st.integers(0, 5), shuffle=st.integers(0, 1000))
    def test_order(self, seed: int, shuffle: int) -> None:
        """The order in which captures are read makes no difference."""
        delays = fleet(seed)
        order = np.random.default_rng(shuffle).permutation(len(delays.vehicle))
        named = ("vehicle", "recorded_ns", "earliest_ns", "latest_ns", "capture")
        mixed = replace(delays, **{name: getattr(delays, name)[order] for name in named})

        def plain(found: list[Outlier], capture: np.ndarray) -> list[tuple[object, ...]]:
            return [(it.vehicle, it.score, it.p_value, capture[it.place]) for it in found if it.place is not None]

        assert plain(delay_outliers(mixed), mixed.capture) == plain(delay_outliers(delays), delays.capture)

    def test_many_captures_of_one_vehicle(self) -> None:
        """A vehicle that is recorded a hundred times as often changes the fleet's scale by nothing."""
        delays = fleet(2)
        mine = delays.vehicle == 3
        often = {
            name: np.concatenate([getattr(delays, name), np.tile(getattr(delays, name)[mine], 99)])
            for name in ("vehicle", "recorded_ns", "earliest_ns", "latest_ns", "capture")
        }
        drowned = replace(delays, **often)
        assert delay_outliers(drowned)[0].scale == delay_outliers(delays)[0].scale

    def test_small_fleet(self) -> None:
        """Four vehicles have no usual that a fifth could be compared with."""
        assert delay_outliers(fleet(1, vehicles=4)) == []

    def test_healthy(self) -> None:
        """In healthy fleets, p-values below a level are about as rare as the level says, or rarer."""
        p_values = [it.p_value for seed in range(30) for it in delay_outliers(fleet(seed, vehicles=10))]
        count = len(p_values)
        for level in (0.05, 0.01):
            below = sum(p < level for p in p_values)
            assert stats.binom.sf(below - 1, count, level) > 1e-3
        assert min(p_values) < 0.5

    def test_heavy_tails(self) -> None:
        """Where every vehicle has a far delay now and then, one more is nothing to tell."""
        dice = np.random.default_rng(3)
        rows = []
        for vehicle in range(12):
            for delay in 280.0 + 8.0 * dice.standard_t(2.0, size=60):
                rows.append((vehicle, delay - 5.0, delay + 5.0))
        p_values = [it.p_value for it in delay_outliers(columns(rows))]
        assert min(p_values) > 1e-3


class TestVehicleOutliers:
    """A vehicle that is slower or faster than the others as a rule."""

    def days(self, seed: int, *, vehicles: int, slow: float = 0.0) -> list[Outlier]:
        dice = np.random.default_rng(seed)
        usual = dice.normal(280.0, 5.0, size=vehicles)
        usual[0] += slow
        vehicle = np.repeat(np.arange(vehicles), 30)
        day = np.tile(np.arange(30), vehicles)
        # Seen by the clock of one message: whole cycles of 20 ms.
        middle = 20.0 * np.round((usual[vehicle] + dice.normal(0.0, 6.0, size=len(vehicle))) / 20.0)
        return vehicle_outliers(vehicle, day, middle, np.full(len(vehicle), 40.0))

    def test_slow(self) -> None:
        found = self.days(1, vehicles=20, slow=90.0)
        assert [it.vehicle for it in found if it.p_value < 1e-3] == [0]
        assert found[0].place is None
        assert found[0].scale.median == pytest.approx(280.0, abs=6.0)

    @pytest.mark.parametrize("vehicles", [5, 9, 30])
    def test_healthy(self, vehicles: int) -> None:
        p_values = [it.p_value for seed in range(25) for it in self.days(seed, vehicles=vehicles)]
        count = len(p_values)
        for level in (0.05, 0.01):
            assert stats.binom.sf(sum(p < level for p in p_values) - 1, count, level) > 1e-3

    def test_few_days(self) -> None:
        """A vehicle that was recorded on four days is part of the fleet, and is not scored."""
        vehicle = np.concatenate([np.repeat(np.arange(6), 10), np.full(4, 6)])
        day = np.concatenate([np.tile(np.arange(10), 6), np.arange(4)])
        middle = np.where(vehicle == 6, 500.0, 280.0 + vehicle)
        assert [it.vehicle for it in vehicle_outliers(vehicle, day, middle, np.full(len(vehicle), 20.0))] == [*range(6)]

    def test_most_without_upper_end(self) -> None:
        """Of a vehicle whose step mostly never came, no usual delay can be told; the rule has told that."""
        vehicle = np.repeat(np.arange(7), 10)
        middle = 280.0 + vehicle.astype(float)
        middle[vehicle == 2] = np.inf
        found = vehicle_outliers(vehicle, np.tile(np.arange(10), 7), middle, np.where(np.isinf(middle), np.inf, 20.0))
        assert [it.vehicle for it in found] == [0, 1, 3, 4, 5, 6]
