"""The whole car through time, in steps of a millisecond: driver, control unit, wires, lock unit, battery, lamps.

Milliseconds in which nothing happens cost little: then only what never rests is worked out (`_CarSimulation.coast`).

`simulate_car` lets it happen and returns a `CarTrace`: what each unit would put on the bus at each millisecond.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from buslens.rehearsal.control_unit import TASK_MS, Clearance, ControlUnit, FaultCode, Inputs
from buslens.rehearsal.driver import Controls, Driver
from buslens.rehearsal.harness import FEED_OHM, Harness
from buslens.rehearsal.lock_unit import BoltTarget, DataLineMessage, LockUnit, Mechanics
from buslens.rehearsal.random_streams import RandomStreams
from buslens.rehearsal.scenario import Onset, Scenario

WARM_UP_MS: Final = 300
"""The car lives this long before the capture begins, so that everything has settled."""
STARTER_OHM: Final = 0.065
"""Of the starter while it turns the engine (invented)."""
LONGEST_MS: Final = 120_000
"""A script that has not ended by then is cut off."""
_WINDOW_MS: Final = 2500
"""How long after a press the power unit waits for the clearance (invented, as all below)."""
_CRANK_AFTER_MS: Final = 450
_LAMP_TEST_MS: Final = 1500
_INVALID_KEY: Final = 3
"""As the definitions have it."""
_MISSED_MS: Final = 500
"""Silence of the control unit after which the cluster warns."""
_NO_FAULT: Final = FaultCode.NONE
TELEGRAM_TRAVEL_MS: Final = 12
"""Length of a telegram on the data line."""
_ACCELERATION: Final = 0.0108
_BRAKING: Final = 0.018
"""Change of speed in a millisecond, km/h."""


class Snapshot(NamedTuple):
    """All that has few values; named like the signals of the definitions, by which `messages` finds them."""

    DRIVER_DOOR: int
    CENTRAL_LOCKING: int
    START_BUTTON: int
    KEY: int
    BRAKE_PEDAL: int
    STAGE: int
    ENGINE_RUNNING: int
    REQUEST: int
    LOCK_ENABLE: int
    START_CLEARANCE: int
    TRY: int
    FAULT_STORED: int
    FAULT_CODE: int
    UNLOCK_FEEDBACK: int
    DATA_FEEDBACK: int
    PAIRING: int
    LAST_RUN_TIME: int
    STEERING_LOCK_LAMP: int
    BATTERY_LAMP: int
    #: Not on the bus: the bolt has reached an end, 0 locked, 1 released, 2 between.
    bolt: int
    #: Not on the bus: the hard-wired contact in the lock unit is closed.
    contact: int
    #: Not on the bus: whether the control unit and its lock driver logic put their messages on it.
    core_talks: int
    logic_talks: int


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CarTrace:
    """What happened; tick k is k milliseconds after the car began to live."""

    #: int64[m], ticks at which anything in `snapshots` changed, ascending, the first is 0.
    changed_at: NDArray[np.int64]
    snapshots: Sequence[Snapshot]
    #: float64[n] per tick: "SUPPLY" and "VOLTAGE" in V, "CURRENT" (lock) and "LOAD" (battery)
    #: in A, "SPEED" in km/h.
    analog: Mapping[str, NDArray[np.float64]]
    temperature: float
    #: int64[n], ticks at which the lock unit began to say something on the data line, heard or not.
    spoken_at: NDArray[np.int64]
    #: Tick at which what is wrong had come about.
    broken_at: int

    @property
    def ticks(self) -> int:
        """How many milliseconds the car lived, warm-up included."""
        return len(self.analog["SPEED"])

    def values(self, name: str, ticks: NDArray[np.int64]) -> NDArray[np.int64]:
        """Return a field of the snapshots at some ticks."""
        column = np.array([getattr(snapshot, name) for snapshot in self.snapshots], dtype=np.int64)
        return column[np.searchsorted(self.changed_at, ticks, side="right") - 1]

    def changes(self, name: str) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Return the ticks at which a field took a new value, and the values; the first is how it began."""
        column = np.array([getattr(snapshot, name) for snapshot in self.snapshots], dtype=np.int64)
        new = np.append(True, column[1:] != column[:-1])
        return self.changed_at[new], column[new]


def simulate_car(scenario: Scenario, onset: Onset, streams: RandomStreams, *, duration_ms: int | None) -> CarTrace:
    """Let the car live until its driver's script has ended, or for a time in which the script is repeated."""
    car = _CarSimulation(scenario, onset, streams)
    end = LONGEST_MS if duration_ms is None else WARM_UP_MS + duration_ms
    changed_at: list[int] = []
    snapshots: list[Snapshot] = []
    analog: list[tuple[float, ...]] = []
    before: Snapshot | None = None
    idle = 0
    for now in range(end):
        if idle:
            car.coast(now)
        else:
            car.step(now)
            snapshot = car.snapshot(now)
            if snapshot != before:
                changed_at.append(now)
                snapshots.append(snapshot)
                before = snapshot
        idle = idle - 1 if idle else car.idle_ms(now + 1)
        speed = max(car.controls.speed, scenario.phantom_speed)
        analog.append((car.supply, car.volts, car.lock.current, speed, car.load))
        if car.driver.done:
            if duration_ms is None:
                break
            car.driver.again(now + streams.draw_ms("driver", 4000, 6000))
    return CarTrace(
        changed_at=np.array(changed_at, dtype=np.int64),
        snapshots=snapshots,
        analog=dict(zip(("SUPPLY", "VOLTAGE", "CURRENT", "SPEED", "LOAD"), np.array(analog).T.copy(), strict=True)),
        temperature=scenario.temperature,
        spoken_at=np.array(car.spoken_at, dtype=np.int64),
        broken_at=car.broken_at,
    )


class _CarSimulation:
    """Everything that changes, and how it changes within a millisecond."""

    def __init__(self, scenario: Scenario, onset: Onset, streams: RandomStreams) -> None:
        self.scenario = scenario
        self.streams = streams
        self.controls = Controls()
        self.driver = Driver(scenario.script, self.controls, streams)
        self.harness, self.mechanics = scenario.harness, scenario.mechanics
        self.waits_for_drive = onset is Onset.DRIVING
        if self.waits_for_drive:
            self.harness, self.mechanics = Harness(), Mechanics()
        self.lock = LockUnit(locked=scenario.starts_locked, pairing=scenario.pairing, temperature=scenario.temperature)
        self.control = ControlUnit(
            streams, unlocked=not scenario.starts_locked, has_logic=self.harness.logic_fuse_whole
        )
        self.volts = scenario.battery_volts
        self.supply = self.volts
        self.driven = self.pin_high = False
        self.stage = 0
        self.power_since = 0
        self.pressed_at: int | None = None
        self.button_before = False
        self.charge = 0.0
        #: Out of the battery, A; negative while it is charged.
        self.load = 0.0
        self.telegrams: list[tuple[int, DataLineMessage]] = []
        self.spoken_at: list[int] = []
        self.broken_at = LONGEST_MS if self.waits_for_drive else 0
        self.plugged, self.plug_until = True, 0
        #: What the three below were found for, as they seldom change: harness, and whether the plug is in.
        self.wires_for: tuple[Harness, bool] | None = None
        self.fed, self.talks, self.ohm = False, False, 0.0
        self.stray_until: int | None = None
        self.off_bus: tuple[int, int] | None = None
        self.awake = not scenario.asleep
        self.silent_ms = 0
        self.lamp_until = 0
        self.lamp_test_until = 0

    def step(self, now: int) -> None:
        """Let one millisecond pass."""
        if now >= WARM_UP_MS:
            self.driver.step(now - WARM_UP_MS)
        if self.waits_for_drive and self.controls.speed > 5.0:
            self.waits_for_drive, self.broken_at = False, now
            self.harness, self.mechanics = self.scenario.harness, self.scenario.mechanics
            self.control.has_logic = self.harness.logic_fuse_whole
        self.awake = self.awake or self.controls.door_open
        if self.harness.loose_plug:
            self._shake(now)
        if self.controls.speed != self.controls.wanted_speed:
            self._move()
        self.driven = self.control.enable or self._strays(now)
        self.pin_high = self.harness.enable_at_pin(driven=self.driven)
        self._step_lock(driven=self.driven, now=now)
        self._step_battery()
        if now % TASK_MS == 0:
            self._step_control(now)
        self._step_power(now)
        self._step_lamp(now)
        self.button_before = self.controls.button_pressed

    def idle_ms(self, now: int) -> int:
        """Return for how many milliseconds from `now` on `coast` does all that `step` does, and no snapshot changes."""
        it = self.controls
        moves = it.speed != it.wanted_speed
        if (
            self.driven != self.control.enable
            or self.harness.loose_plug
            or (self.silent_ms and (self.control.has_logic or self.silent_ms <= _MISSED_MS))
            or (moves and (self.waits_for_drive or self.scenario.stray_pulse_ms))
        ):
            return 0
        count = min([WARM_UP_MS + self.driver.acts_at_ms, *(event for event in self._events() if event >= now)]) - now
        if moves:
            count = min(count, int(abs(it.speed - it.wanted_speed) / _BRAKING) - 1)
        if not self.control.rests(self._inputs(None)):
            count = min(count, -now % TASK_MS)
        if count <= 0:
            return 0
        enable = self.harness.enable_at_lock(driven=self.driven, plugged=self.plugged)
        return min(count, self.lock.idle_ms(self.mechanics, self.supply if self.fed else 0.0, enable=enable))

    def _events(self) -> list[int]:
        """Return when something happens by a clock, or has happened."""
        events = [self.lamp_until, self.lamp_test_until, *(self.off_bus or ())]
        if self.telegrams:
            events.append(self.telegrams[0][0] + -self.telegrams[0][0] % TASK_MS)
        if self.pressed_at is not None:
            events.append(self.pressed_at + _WINDOW_MS + 1)
        if self.controls.ignition_on and not self.controls.engine_running:
            begins = self.power_since + _CRANK_AFTER_MS
            events += [begins, begins + self._crank_ms()]
        return events

    def coast(self, now: int) -> None:
        """Let one millisecond pass in which nothing happens but what never rests: voltages, the speed, and ages."""
        if self.controls.speed != self.controls.wanted_speed:
            self._move()
        self.lock.idle(self.supply if self.fed else 0.0, self.ohm)
        self._step_battery()
        if now % TASK_MS == 0:
            self.control.rest()

    # --- wires and lock ---------------------------------------------------------------------------------

    def _shake(self, now: int) -> None:
        """Let a loose plug open and close."""
        if now >= self.plug_until:
            self.plugged = not self.plugged
            low, high = (400, 2600) if self.plugged else (30, 600)
            self.plug_until = now + self.streams.draw_ms("loose plug", low, high)

    def _step_lock(self, *, driven: bool, now: int) -> None:
        if self.wires_for != (self.harness, self.plugged):
            self.wires_for = self.harness, self.plugged
            self.fed = self.harness.feeds_lock(plugged=self.plugged)
            self.talks = self.harness.carries_data(plugged=self.plugged)
            self.ohm = self.harness.resistance(self.scenario.temperature)
        talks = self.talks
        self.lock.step(
            self.mechanics,
            volts=self.supply if self.fed else 0.0,
            ohm=self.ohm,
            enable=self.harness.enable_at_lock(driven=driven, plugged=self.plugged),
            request=self.control.request if talks and self.control.has_logic else BoltTarget.NONE,
        )
        if self.lock.telegram is not None:
            self.spoken_at.append(now)
            if talks:
                self.telegrams.append((now + TELEGRAM_TRAVEL_MS, self.lock.telegram))

    def _may_release(self) -> bool:
        """Whether what the control unit asks for before it drives the lock is there."""
        has = self.scenario
        stands = max(self.controls.speed, has.phantom_speed) < 3.0
        known = has.key_recognised and has.partner_registered
        return known and stands and has.in_park and has.foot_on_brake

    def _strays(self, now: int) -> bool:
        """Whether the driver stage drives the enable wire by itself."""
        if self.scenario.stray_pulse_ms and self.stray_until is None and self.controls.speed > 8.0:
            self.stray_until = now + self.scenario.stray_pulse_ms
        return self.stray_until is not None and now < self.stray_until

    def _step_control(self, now: int) -> None:
        telegram: DataLineMessage | None = None
        while self.telegrams and self.telegrams[0][0] <= now:
            telegram = self.telegrams.pop(0)[1]
        self.control.step(now, self._inputs(telegram))

    def _inputs(self, telegram: DataLineMessage | None) -> Inputs:
        it = self.controls
        return Inputs(
            door_open=it.door_open,
            button_pressed=it.button_pressed,
            key_present=it.key_present and self._may_release(),
            ignition_on=it.ignition_on,
            unlocked=self.harness.reads_unlocked(contact_closed=self.lock.contact_closed, plugged=self.plugged),
            pin_high=self.pin_high,
            current=self.lock.current,
            supply=self.supply,
            telegram=telegram,
        )

    # --- battery, engine, wheels ------------------------------------------------------------------------

    def _step_battery(self) -> None:
        it = self.controls
        ohm = self.scenario.battery_ohm
        rested = self.scenario.battery_volts + self.charge
        other = rested / (ohm + STARTER_OHM) if self.stage == 3 else 9.0 if it.ignition_on else 3.0
        self.load = other + self.lock.current
        target = rested - self.load * ohm
        if it.engine_running:
            target = 14.2
            self.load = -14.0
            # The plates keep a little of the charging voltage for a while.
            self.charge += (0.35 - self.charge) * 0.0005
        else:
            self.charge -= self.charge * 0.00005
        self.volts += (target - self.volts) * 0.2
        fed = self.harness.load_fuse_whole
        fed = fed and not (self.scenario.guard_cuts and self.control.enable)
        self.supply = self.volts - self.lock.current * FEED_OHM if fed else 0.0

    def _move(self) -> None:
        it = self.controls
        if it.speed < it.wanted_speed:
            it.speed = min(it.speed + _ACCELERATION, it.wanted_speed)
        elif it.speed > it.wanted_speed:
            it.speed = max(it.speed - _BRAKING, it.wanted_speed)

    def _step_power(self, now: int) -> None:
        """Let the power unit act: on with a clearance only, off whenever the car stands."""
        it = self.controls
        if it.button_pressed and not self.button_before:
            if not it.ignition_on:
                self.pressed_at = now if it.brake_pressed and it.key_present else None
                if self.scenario.off_bus_ms and self.off_bus is None:
                    self.off_bus = (now + 60, now + 60 + self.scenario.off_bus_ms)
            elif it.speed < 3.0:
                self.pressed_at = None
                it.ignition_on = it.engine_running = False
                self.stage, self.power_since = 0, now
                self.control.ignition_off()
        if self.pressed_at is not None:
            cleared = self.control.clearance is Clearance.GRANTED and not self._is_off_bus(now)
            if now - self.pressed_at > _WINDOW_MS:
                self.pressed_at = None
            elif cleared and not it.ignition_on:
                self.pressed_at = None
                it.ignition_on = True
                self.stage, self.power_since = 2, now
                self.lamp_test_until = now + _LAMP_TEST_MS
        if it.ignition_on and not it.engine_running:
            self._step_engine(now - self.power_since)

    def _step_engine(self, since_ms: int) -> None:
        it = self.controls
        cranks = _CRANK_AFTER_MS <= since_ms < _CRANK_AFTER_MS + self._crank_ms()
        if self.stage == 3 and not cranks:
            it.engine_running = self._is_strong()
        self.stage = 3 if cranks else 2

    def _is_strong(self) -> bool:
        return self.scenario.battery_volts >= 11.0

    def _crank_ms(self) -> int:
        return 700 if self._is_strong() else 1200

    # --- what the driver is shown -----------------------------------------------------------------------

    def _is_off_bus(self, now: int) -> bool:
        return self.off_bus is not None and self.off_bus[0] <= now < self.off_bus[1]

    def _step_lamp(self, now: int) -> None:
        misses = self._is_off_bus(now) or not self.control.has_logic
        self.silent_ms = self.silent_ms + 1 if misses else 0
        if self.silent_ms > _MISSED_MS or self.control.trouble is not _NO_FAULT:
            self.lamp_until = now + 4000

    def snapshot(self, now: int) -> Snapshot:
        """Return all that has few values, as it is now."""
        it, unit = self.controls, self.control
        locked, released = self.lock.position <= 0.03, self.lock.position >= 0.97
        flashes = now < self.lamp_until
        talks = self.awake and not self._is_off_bus(now)
        # By place, in the order of the fields: names would take half as long again, each millisecond.
        return Snapshot(
            it.door_open,
            it.central_locked,
            it.button_pressed,
            it.key_present if self.scenario.key_recognised else _INVALID_KEY * it.key_present,
            it.brake_pressed and self.scenario.foot_on_brake,
            self.stage,
            it.engine_running,
            unit.request,
            self.pin_high and unit.has_logic,
            unit.clearance,
            unit.tries,
            unit.trouble is not _NO_FAULT,
            unit.trouble,
            unit.unlocked,
            0 if unit.data_unlocked is None else 1 + unit.data_unlocked,
            unit.pairing,
            unit.run_time_ms,
            2 if flashes else int(now < self.lamp_test_until and it.ignition_on),
            it.ignition_on and not it.engine_running,
            1 if released else 0 if locked else 2,
            self.lock.contact_closed,
            talks,
            talks and unit.has_logic,
        )
