from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.examples import examples

from buslens.fleet.anomalies.common_mode import CROWD, common_mode_shift


def fleet(vehicles: int, days: int, *, winter: float = 0.2) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return days of vehicles that differ by a factor and all grow slower by the same part."""
    vehicle = np.repeat(np.arange(vehicles), days)
    day = np.tile(np.arange(days), vehicles)
    value = (250.0 + 10.0 * vehicle) * (1.0 + winter * day / days)
    return vehicle, day, value


class TestSeason:
    """What all vehicles do at the same time is the season's."""

    @pytest.mark.parametrize("vehicles", [6, 12, CROWD])
    def test_taken_off(self, vehicles: int) -> None:
        """Without the season, vehicles that only follow it do not change."""
        vehicle, day, value = fleet(vehicles, 60)
        freed = value - common_mode_shift(vehicle, day, value)
        for name in range(vehicles):
            own = freed[vehicle == name]
            # At the ends the nearest days lie on one side.
            assert np.ptp(own) < 0.03 * np.median(own)
            assert np.ptp(value[vehicle == name]) > 0.15 * np.median(own)

    def test_small_fleet(self) -> None:
        """Four others cannot tell a season."""
        assert np.isnan(common_mode_shift(*fleet(5, 60))).all()

    def test_far_in_time(self) -> None:
        """Others that were recorded half a year before do not tell it."""
        vehicle, day, value = fleet(7, 30)
        alone = np.concatenate([day, np.arange(200, 230)])
        found = common_mode_shift(
            np.concatenate([vehicle, np.zeros(30, dtype=np.int64)]), alone, np.concatenate([value, value[:30]])
        )
        assert np.isfinite(found[: len(day)]).all()
        assert np.isnan(found[len(day) :]).all()

    def test_drift_of_one(self) -> None:
        """What one vehicle does alone is not taken off it, nor put on the others."""
        vehicle, day, value = fleet(8, 60, winter=0.0)
        value[vehicle == 3] += 4.0 * day[vehicle == 3]
        found = common_mode_shift(vehicle, day, value)
        assert np.abs(found[vehicle == 3]).max() == pytest.approx(0.0, abs=1e-9)
        assert np.abs(found).max() < 0.02 * 250.0

    def test_ailing_are_not_asked(self) -> None:
        vehicle, day, value = fleet(11, 40, winter=0.0)
        ailing = vehicle < 5
        value[ailing] += 10.0 * day[ailing]
        found = common_mode_shift(vehicle, day, value, ailing=frozenset(range(5)))
        assert np.abs(found).max() == pytest.approx(0.0, abs=1e-9)
        assert np.abs(common_mode_shift(vehicle, day, value)).max() > 0.0

    @settings(max_examples=examples(10))
    @given(seed=st.integers(0, 1000), shift=st.integers(-5000, 5000))
    def test_order_and_dates(self, seed: int, shift: int) -> None:
        """Neither the order of rows nor the origin of the calendar makes a difference."""
        dice = np.random.default_rng(seed)
        vehicle, day, value = fleet(7, 20)
        value = value + dice.normal(0.0, 5.0, size=len(value))
        kept = dice.uniform(size=len(value)) < 0.7
        vehicle, day, value = vehicle[kept], day[kept], value[kept]
        plain = common_mode_shift(vehicle, day, value)
        order = dice.permutation(len(value))
        assert common_mode_shift(vehicle[order], day[order] + shift, value[order]) == pytest.approx(
            plain[order], nan_ok=True
        )

    def test_never_came(self) -> None:
        """Of a vehicle whose step mostly never came there is nothing to take a season off."""
        vehicle, day, value = fleet(7, 20)
        value[vehicle == 4] = np.inf
        found = common_mode_shift(vehicle, day, value)
        assert np.isnan(found[vehicle == 4]).all()
        assert np.isfinite(found[vehicle != 4]).all()
