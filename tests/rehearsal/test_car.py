from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.examples import examples

from buslens.rehearsal import car
from buslens.rehearsal.faults import FAULTS
from buslens.rehearsal.random_streams import RandomStreams
from buslens.rehearsal.scenario import Onset, Scenario

if TYPE_CHECKING:
    from buslens.rehearsal.car import CarTrace


def lived(scenario: Scenario, onset: Onset, seed: int, duration_ms: int | None) -> CarTrace:
    return car.simulate_car(scenario, onset, RandomStreams(seed), duration_ms=duration_ms)


class TestIdle:
    """Milliseconds in which nothing happens are passed over; what comes of a car is the same."""

    @given(
        fault=st.sampled_from(list(FAULTS)),
        severity=st.floats(0.3, 2.5),
        script=st.sampled_from(["seated", "seated", "trip", "second-thoughts"]),
        onset=st.sampled_from(Onset),
        seed=st.integers(0, 2**32),
        duration_ms=st.sampled_from([None, 9_000]),
        off_bus_ms=st.sampled_from([0, 900]),
        battery_volts=st.sampled_from([None, 8.5]),
    )
    @settings(max_examples=examples(15), deadline=None)
    def test_every_millisecond_lived(
        self,
        fault: str,
        severity: float,
        script: str,
        onset: Onset,
        seed: int,
        duration_ms: int | None,
        off_bus_ms: int,
        battery_volts: float | None,
    ) -> None:
        scenario = replace(FAULTS[fault].scenario(severity), script=script, off_bus_ms=off_bus_ms)
        if battery_volts is not None:
            scenario = replace(scenario, battery_volts=battery_volts)
        quick = lived(scenario, onset, seed, duration_ms)
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(car._CarSimulation, "idle_ms", lambda *_: 0)
            slow = lived(scenario, onset, seed, duration_ms)
        assert quick.changed_at.tolist() == slow.changed_at.tolist()
        assert quick.snapshots == slow.snapshots
        assert quick.spoken_at.tolist() == slow.spoken_at.tolist()
        assert quick.broken_at == slow.broken_at
        for name, values in slow.analog.items():
            assert np.array_equal(quick.analog[name], values), name

    def test_most_of_a_trip_is_idle(self) -> None:
        """The property says something."""
        steps = []
        step = car._CarSimulation.step
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(car._CarSimulation, "step", lambda it, now: (steps.append(now), step(it, now)))
            life = lived(FAULTS["healthy"].scenario(1.0), Onset.PARKED, 1, None)
        assert 3 * len(steps) < life.ticks
