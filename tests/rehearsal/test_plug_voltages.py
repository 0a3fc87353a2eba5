"""The voltages at the lock's plug, from the car's currents and what is the matter with the wires."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from buslens.rehearsal.car import WARM_UP_MS
from buslens.rehearsal.oscilloscope import Probe, wire_trace
from buslens.rehearsal.plug_voltages import WIRES, plug_voltages
from buslens.rehearsal.rehearse import Rehearsal, rehearse
from buslens.units import NS_PER_MS


@cache
def pins(fault: str) -> tuple[Rehearsal, dict[str, np.ndarray], np.ndarray]:
    """Return a rehearsal, its pins each millisecond, and when the enable was driven."""
    made = rehearse(fault, seed=3)
    ticks = np.arange(WARM_UP_MS, made.life.ticks)
    voltages = plug_voltages(made, made.start_ns + (ticks - WARM_UP_MS) * NS_PER_MS)
    return made, dict(voltages), made.life.values("LOCK_ENABLE", ticks) == 1


def test_healthy() -> None:
    """Supply less the drop in its wire, ground by the drop in its own, a pulse, a contact that follows the bolt."""
    made, volts, driven = pins("healthy")
    current = made.life.analog["CURRENT"][WARM_UP_MS:]
    drop = made.life.analog["SUPPLY"][WARM_UP_MS:] - volts["Supply"] + volts["Ground"]
    assert drop == pytest.approx(current * made.scenario.harness.resistance(made.scenario.temperature))
    assert volts["Enable"][driven].min() > 9
    assert volts["Enable"][~driven].max() < 1
    released = made.life.values("bolt", np.arange(WARM_UP_MS, made.life.ticks)) == 1
    at_rest = (current < 1) & ~driven
    assert volts["Feedback"][released & at_rest].max() < 1
    assert set(volts) == set(WIRES)


@pytest.mark.parametrize(
    ("fault", "wire", "least", "most"),
    [
        ("supply-open", "Supply", 0.0, 0.1),
        ("load-fuse-blown", "Supply", 0.0, 0.1),
        ("ground-open", "Ground", 10.0, 14.0),
        ("enable-open", "Enable", 0.0, 0.1),
        ("enable-shorted-on", "Enable", 9.0, 14.0),
        ("unlock-feedback-open", "Feedback", 0.0, 0.1),
        ("unlock-feedback-stuck", "Feedback", 0.0, 0.1),
        ("lock-unit-dead", "Supply", 11.0, 13.0),
        ("lock-unit-dead", "Data line", 10.0, 13.0),
        ("lock-unit-dead", "Ground", 0.0, 0.0),
    ],
)
def test_driven(fault: str, wire: str, least: float, most: float) -> None:
    """What a pin reads while the enable is driven, or should be."""
    _, volts, driven = pins(fault)
    assert least <= volts[wire][driven].min()
    assert volts[wire][driven].max() <= most


def test_bad_contact() -> None:
    """A bad contact takes what its resistance makes of the current, on its own side."""
    for fault, wire, other in (("supply-contact-bad", "Supply", "Ground"), ("ground-contact-bad", "Ground", "Supply")):
        made, volts, _ = pins(fault)
        current = made.life.analog["CURRENT"][WARM_UP_MS:]
        harness = made.scenario.harness
        ohm = harness.contact_ohm + harness.ground_contact_ohm
        whole = plug_voltages(made, np.array([made.start_ns]))
        assert np.abs(volts[wire] - whole[wire]).max() > 0.9 * ohm * current.max()
        assert np.abs(volts[other] - whole[other]).max() < 3


def test_data_line_talks_behind_the_break() -> None:
    """A lock unit goes on talking at its own plug; one that is dead says nothing."""
    _, talks, _ = pins("data-line-open")
    _, silent, _ = pins("lock-unit-dead")
    assert (talks["Data line"] < 3).mean() > 0.05
    assert not (silent["Data line"] < 3).any()


def test_probe() -> None:
    """Samples stand on the steps of 8 bits; a slow probe smooths what is fast; times are those of the day if asked."""
    made, _, _ = pins("healthy")
    how = {"per_second": 1000, "from_s": 3.0, "to_s": 4.5}
    rows = [line.split(",") for line in wire_trace(made, **how, by_day=True).splitlines()]  # type: ignore[arg-type]  # numbers
    assert rows[0] == ["Time (s)", *(f"{wire} at lock (V)" for wire in WIRES)]
    assert float(rows[1][0]) == pytest.approx(made.start_ns / 1e9 + 3.0)
    values = np.array([[float(cell) for cell in row[1:]] for row in rows[1:]])
    assert values * 256 / 20 == pytest.approx(np.round(values * 256 / 20), abs=0.02)
    slow = wire_trace(made, **how, probe=Probe(slow_ms=50, gain=0.5))  # type: ignore[arg-type]  # numbers
    smoothed = np.array([[float(cell) for cell in line.split(",")[1:]] for line in slow.splitlines()[1:]])
    assert np.abs(np.diff(smoothed[:, 2])).max() < 0.3 * np.abs(np.diff(values[:, 2])).max()
    assert smoothed[:, 0].max() < 0.6 * values[:, 0].max()
