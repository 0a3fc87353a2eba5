"""Rehearsed captures judged without being written down: frames go from the simulated recorder into ours."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from pathlib import Path
from random import Random
from typing import TYPE_CHECKING, Final

import numpy as np
from support.stage import select

from buslens.capture.frames import Clock, ClockDiscontinuity, Flag, Frames, ReadStats
from buslens.capture.pauses import TrafficByChannel
from buslens.checks.evaluate import evaluate_rules
from buslens.checks.setup import plan_tracks
from buslens.definitions.load import load_definitions
from buslens.expectations.load import load_expectations
from buslens.rehearsal.bus import simulate_bus
from buslens.rehearsal.car import simulate_car
from buslens.rehearsal.faults import FAULTS, adjusted
from buslens.rehearsal.harness import Harness
from buslens.rehearsal.lock_unit import Mechanics
from buslens.rehearsal.random_streams import RandomStreams
from buslens.rehearsal.recorder import record
from buslens.rehearsal.rehearse import rehearse
from buslens.rehearsal.scenario import Onset
from buslens.timeline.history import CaptureHistory
from buslens.units import NS_PER_MS

if TYPE_CHECKING:
    from buslens.checks.findings import Result
    from buslens.definitions.model import Definitions
    from buslens.expectations.model import Expectations
    from buslens.rehearsal.scenario import Scenario

FOLDER: Final = Path(__file__).parents[2] / "signal_defs"
INTERLEAVE_NS: Final = 10 * NS_PER_MS
"""Stamps that run back further are a clock discontinuity."""

OWN_BATTERY: Final = frozenset({"low-battery"})
"""What is wrong with these is the battery, so that none is drawn for them."""
WITHIN_LIMITS: Final = frozenset({"sluggish", "slow-recording"})
"""Slow, but by their own description within every limit: severity, battery and weather are drawn so that it is so."""

PARKED_ONLY: Final = frozenset({"jammed-bolt"})
"""A bolt that is stuck in the column has not come out of it before a drive."""


@cache
def expectations() -> Expectations:
    return load_expectations(FOLDER / "steering_lock.toml")


@cache
def definitions() -> Definitions:
    return load_definitions(*expectations().definitions)


@dataclass(frozen=True, slots=True, kw_only=True)
class Draw:
    """One rehearsal, drawn at random: all that it takes to have it again."""

    fault: str
    seed: int
    severity: float
    battery_volts: float | None
    temperature: float | None
    begins: str
    background_ids: int

    @property
    def scenario(self) -> Scenario:
        return adjusted(
            FAULTS[self.fault].scenario(self.severity), temperature=self.temperature, battery_volts=self.battery_volts
        )


def draw(number: int, *, base: int) -> Draw:
    """Return the rehearsal of that number: faults in turn, everything else at random, the same for the same base."""
    fault = list(FAULTS)[number % len(FAULTS)]
    dice = Random(f"{base}/{number}")
    severity, battery, temperature = dice.uniform(0.75, 1.4), dice.uniform(12.1, 12.9), dice.uniform(-5.0, 35.0)
    if fault in WITHIN_LIMITS:
        severity, battery, temperature = dice.uniform(0.3, 1.0), dice.uniform(12.5, 12.9), -9.0
    scenario = FAULTS[fault].scenario(severity)
    can_begin = fault not in PARKED_ONLY and (scenario.harness != Harness() or scenario.mechanics != Mechanics())
    return Draw(
        fault=fault,
        seed=dice.randrange(1, 2**40),
        severity=severity,
        battery_volts=None if fault in OWN_BATTERY else battery,
        temperature=temperature,
        begins="driving" if can_begin and dice.random() < 0.3 else "parked",
        background_ids=dice.randrange(0, 8),
    )


def judged(drawn: Draw) -> Result:
    """Rehearse, and judge by the expectations of the club."""
    made = rehearse(
        drawn.fault,
        seed=drawn.seed,
        severity=drawn.severity,
        battery_volts=drawn.battery_volts,
        temperature=drawn.temperature,
        begins=drawn.begins,
        background_ids=drawn.background_ids,
    )
    return judge_frames(made.frames)


def judged_scenario(scenario: Scenario, seed: int) -> Result:
    """Let any car live from the beginning, and judge what it says."""
    return judge_frames(frames_of(scenario, seed, background_ids=2))


def frames_of(scenario: Scenario, seed: int, *, background_ids: int) -> Frames:
    """Let any car live from the beginning, and return what its bus says; times count from there."""
    streams = RandomStreams(seed)
    life = simulate_car(scenario, Onset.PARKED, streams, duration_ms=None)
    heard = simulate_bus(life, streams, background_ids=background_ids, car_number=1)
    traffic, _ = record(heard, life, scenario.recorder)
    count = len(traffic.time_ns)
    return Frames(
        time_ns=traffic.time_ns,
        channel=np.zeros(count, dtype=np.uint16),
        can_id=traffic.can_id,
        flags=np.where(traffic.is_extended, Flag.EXTENDED, 0).astype(np.uint16),
        dlc=traffic.length,
        length=traffic.length,
        word=np.arange(count, dtype=np.int64),
        words=traffic.word,
        channels=("can0",),
    )


def judge_frames(frames: Frames) -> Result:
    """Judge frames as if they had been read from a log."""
    steps = np.diff(frames.time_ns)
    back = np.flatnonzero(steps < -INTERLEAVE_NS) + 1
    time_ns = frames.time_ns.copy()
    discontinuities = []
    for row in back.tolist():
        # Times count on from before the jump.
        lost = int(time_ns[row - 1] - time_ns[row])
        time_ns[row:] += lost
        discontinuities.append(ClockDiscontinuity(time_ns=int(time_ns[row]), line=row + 1, back_ns=lost))
    recorder = CaptureHistory(plan_tracks(expectations(), definitions()))
    traffic = TrafficByChannel()
    for segment, rows in enumerate(np.split(np.arange(len(frames)), back)):
        part = select(frames, rows, segment)
        part.time_ns[:] = time_ns[rows]
        recorder.add(part)
        traffic.add(part)
    recorder.finish()
    stats = ReadStats(
        clock=Clock.WALL,
        frames=len(frames),
        first_ns=int(time_ns[0]),
        last_ns=int(time_ns.max()),
        discontinuities=discontinuities,
        pauses=traffic.pauses(int(time_ns[0]), int(time_ns.max())),
        lone_channels=traffic.lone(),
    )
    return evaluate_rules("rehearsed", expectations(), recorder, stats)
