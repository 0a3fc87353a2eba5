"""What a probe at the lock's plug sees of the five wires, against bare metal of the body.

It follows from the car's own currents, and from what is the matter with the wires. How a broken wire reads is common
practice without a source: a pin that nothing drives reads nothing, and the ground pin of a unit that has lost its
ground is drawn up to the supply by the unit itself. Levels are invented for the demonstration.
"""

from collections.abc import Mapping
from typing import Final

import numpy as np
from numpy.typing import NDArray

from buslens.rehearsal.car import TELEGRAM_TRAVEL_MS, WARM_UP_MS, CarTrace
from buslens.rehearsal.harness import Harness, Wire, wire_ohm
from buslens.rehearsal.random_streams import RandomStreams
from buslens.rehearsal.rehearse import Rehearsal
from buslens.units import NS_PER_MS

WIRES: Final = ("Supply", "Ground", "Enable", "Feedback", "Data line")
"""The five wires, as the columns of a trace name them."""
_NOTHING: Final = 0.05
"""What a pin reads that nothing drives, V (as all levels, invented)."""
_DIODE: Final = 0.7
"""Lost from supply to what a unit drives, V."""
_PULLED_UP: Final = 4.95
"""The feedback wire while the contact is open, V ..."""
_CLOSED: Final = 0.35
"""... and above the ground of the lock while it is closed, V."""
_BOUNCE_NS: Final = 3 * NS_PER_MS
_TOUCHES: Final = 5
"""Changes of a contact that bounces, at most."""
_BIT_NS: Final = NS_PER_MS // 2
"""Length of a bit on the data line."""


def plug_voltages(rehearsal: Rehearsal, time_ns: NDArray[np.int64]) -> Mapping[str, NDArray[np.float64]]:
    """Return the voltage at each pin of the lock's plug at some times, V."""
    life, scenario = rehearsal.life, rehearsal.scenario
    streams = RandomStreams(rehearsal.seed)
    tick = np.clip((time_ns - rehearsal.start_ns) // NS_PER_MS + WARM_UP_MS, 0, life.ticks - 1)
    broken = tick >= life.broken_at
    wire = wire_ohm(scenario.temperature)
    harness = scenario.harness

    def by(whole: NDArray[np.float64], faulty: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.where(broken, faulty, whole)

    source, current = life.analog["SUPPLY"][tick], life.analog["CURRENT"][tick]
    supply = by(source - current * wire, _supply(source, current, wire, harness))
    ground = by(current * wire, _ground(supply, current, wire, harness))
    driven = life.values("LOCK_ENABLE", tick) == 1
    level = life.analog["VOLTAGE"][tick] - _DIODE
    is_high = driven & ~(broken & (harness.enable is Wire.OPEN))
    enable = np.where(is_high, level, _NOTHING)
    released = _bouncing(life, time_ns - rehearsal.start_ns, tick, streams)
    closed = np.where(released == 1, np.minimum(ground + _CLOSED, _PULLED_UP), _PULLED_UP)
    feedback = by(closed, _feedback(closed, harness))
    return {
        "Supply": supply,
        "Ground": ground,
        "Enable": enable,
        "Feedback": feedback,
        "Data line": by(*_data_line(life, time_ns - rehearsal.start_ns, supply, harness, streams)),
    }


def _supply(
    source: NDArray[np.float64], current: NDArray[np.float64], wire: float, harness: Harness
) -> NDArray[np.float64]:
    if harness.supply is not Wire.WHOLE:
        return np.full(len(source), _NOTHING)
    return np.maximum(source - current * (wire + harness.contact_ohm), 0.0)


def _ground(
    supply: NDArray[np.float64], current: NDArray[np.float64], wire: float, harness: Harness
) -> NDArray[np.float64]:
    if harness.ground is not Wire.WHOLE:
        return np.maximum(supply - _DIODE, 0.0)
    return current * (wire + harness.ground_contact_ohm)


def _feedback(closed: NDArray[np.float64], harness: Harness) -> NDArray[np.float64]:
    """Return the feedback pin with the wire as it is: its voltage comes from the control unit."""
    if harness.unlock_feedback in {Wire.OPEN, Wire.TO_GROUND}:
        return np.full(len(closed), _NOTHING)
    return np.full(len(closed), _PULLED_UP) if harness.ground is not Wire.WHOLE else closed


def _bouncing(
    life: CarTrace, since_ns: NDArray[np.int64], tick: NDArray[np.int64], streams: RandomStreams
) -> NDArray[np.int64]:
    """Return whether the contact is closed; it opens and closes again a few times within some ms of each change."""
    values = life.values("contact", tick)
    ticks, states = life.changes("contact")
    changes_ns = (ticks - WARM_UP_MS) * NS_PER_MS
    for change_ns, before in zip(changes_ns[1:].tolist(), states[:-1].tolist(), strict=True):
        touches = np.sort(streams.uniform("bounce", _TOUCHES)) * _BOUNCE_NS
        for open_ns, close_ns in zip(touches[::2].tolist(), touches[1::2].tolist(), strict=False):
            values[(since_ns >= change_ns + open_ns) & (since_ns < change_ns + close_ns)] = before
    return values


def _data_line(
    life: CarTrace, since_ns: NDArray[np.int64], supply: NDArray[np.float64], harness: Harness, streams: RandomStreams
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return what the lock unit says at its plug, and what is there of it with the wires as they are.

    Both units hold the line up; bits of a message draw it down.
    """
    spoken_ns = (life.spoken_at - WARM_UP_MS) * NS_PER_MS
    index = np.searchsorted(spoken_ns, since_ns, side="right") - 1
    into_ns = since_ns - spoken_ns[np.maximum(index, 0)] if len(spoken_ns) else np.full(len(since_ns), -1)
    is_said = (index >= 0) & (into_ns >= 0) & (into_ns < TELEGRAM_TRAVEL_MS * NS_PER_MS)
    bits = streams.uniform("bits of the data line", TELEGRAM_TRAVEL_MS * NS_PER_MS // _BIT_NS) < 0.5
    is_low = is_said & bits[np.clip(into_ns // _BIT_NS, 0, len(bits) - 1)]
    whole = np.where(is_low, _NOTHING, np.maximum(supply, life.analog["VOLTAGE"].max() - 1.0) - _DIODE)
    if harness.data_line is Wire.OPEN:
        whole_of_unit = np.where(is_low, _NOTHING, np.maximum(supply - _DIODE, _NOTHING))
        return whole, whole_of_unit
    return whole, np.full(len(whole), _NOTHING) if harness.data_line is Wire.TO_GROUND else whole
