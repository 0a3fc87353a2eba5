"""A meter at the simulated car: what each measurement of the causes file reads, from the physics of the rehearsal.

Nothing here looks into the causes file: readings come from the harness, the battery and the lock unit as they were
simulated, with the noise of a workshop meter. Contacts have 10 milliohm more or less (invented).
"""

from __future__ import annotations

from dataclasses import replace
from random import Random
from typing import TYPE_CHECKING

from support.rehearsed import judged_scenario

from buslens.checks.findings import Verdict
from buslens.rehearsal.car import simulate_car
from buslens.rehearsal.harness import COPPER_PER_KELVIN, FEED_OHM, OHM_PER_METRE, WIRE_METRES, Harness, Wire
from buslens.rehearsal.lock_unit import BOOT_MS, BoltTarget, LockUnit, PairingState
from buslens.rehearsal.random_streams import RandomStreams
from buslens.rehearsal.scenario import LoggerSettings, Onset, Scenario

if TYPE_CHECKING:
    from collections.abc import Callable

LAMP_OHM = 12.0**2 / 21.0
"""A 21 W lamp at 12 V."""
OPEN_OHM = 1e7
"""What a meter shows of a wire that is broken."""


class Meter:
    """Readings at one simulated car, as a person would write them down.

    Parameters
    ----------
    scenario : Scenario
        The car.
    seed : int
        Of the noise.
    """

    def __init__(self, scenario: Scenario, seed: int) -> None:
        self.scenario = scenario
        self.harness = scenario.harness
        self.dice = Random(seed)
        self.seed = seed
        warm = 1.0 + COPPER_PER_KELVIN * (scenario.temperature - 20.0)
        self.wire_ohm = WIRE_METRES * OHM_PER_METRE * warm
        self.battery_volts = scenario.battery_volts

    def read(self, measurement: str) -> str:
        """Return the reading, with its unit where it has one."""
        way: Callable[[], str] = getattr(self, f"_{measurement}")
        return way()

    # --- voltages ---------------------------------------------------------------------------------------

    def _volts(self, value: float) -> str:
        return f"{max(value + self.dice.gauss(0.0, 0.03), 0.0):.2f} V"

    def _through_lamp(self, *, ohm: float, flows: bool) -> float:
        """Return the voltage across a lamp behind some resistance."""
        return self.battery_volts * LAMP_OHM / (LAMP_OHM + ohm) if flows else 0.0

    def _supply_flows(self) -> bool:
        return self.harness.load_fuse_whole and self.harness.supply is Wire.WHOLE

    def _battery(self) -> str:
        return self._volts(self.battery_volts)

    def _supply_at_lock(self) -> str:
        # With its plug off a loose contact is not in the way.
        ohm = self.scenario.battery_ohm + FEED_OHM + self.harness.resistance(self.scenario.temperature)
        return self._volts(self._through_lamp(ohm=ohm, flows=self.harness.feeds_lock(plugged=True)))

    def _supply_to_body(self) -> str:
        ohm = self.scenario.battery_ohm + FEED_OHM + self.wire_ohm + self.harness.contact_ohm
        return self._volts(self._through_lamp(ohm=ohm, flows=self._supply_flows()))

    def _ground_at_lock(self) -> str:
        if self.harness.ground is not Wire.WHOLE:
            return self._volts(self.battery_volts)
        ohm = self.wire_ohm + self.harness.ground_contact_ohm
        return self._volts(self.battery_volts * ohm / (LAMP_OHM + ohm))

    def _supply_driven(self) -> str:
        if not self._supply_flows() or self.scenario.guard_cuts:
            return self._volts(0.0)
        _, currents, _ = self._unit_driven()
        ohm = self.scenario.battery_ohm + FEED_OHM + self.wire_ohm + self.harness.contact_ohm
        return self._volts(self.battery_volts - max(currents[60:]) * ohm)

    def _ground_driven(self) -> str:
        if self.harness.ground is not Wire.WHOLE:
            return self._volts(self.battery_volts if self._supply_flows() else 0.0)
        _, currents, _ = self._unit_driven()
        return self._volts(max(currents[60:]) * (self.wire_ohm + self.harness.ground_contact_ohm))

    def _feedback_at_inrush(self) -> str:
        held_down = self.harness.unlock_feedback in {Wire.OPEN, Wire.TO_GROUND}
        return self._volts(0.05 if held_down else 4.95)

    def _control_unit_feed(self) -> str:
        return self._volts(5.0 * FEED_OHM)

    # --- fuses, plugs and wires -------------------------------------------------------------------------

    def _load_fuse(self) -> str:
        return "whole" if self.harness.load_fuse_whole else "blown"

    def _logic_fuse(self) -> str:
        return "whole" if self.harness.logic_fuse_whole else "blown"

    def _plug_at_lock(self) -> str:
        return "loose" if self.harness.loose_plug else "seated"

    def _ohms(self, value: float) -> str:
        return f"{value + abs(self.dice.gauss(0.0, 0.02)):.2f} ohm"

    def _from_end_to_end(self, wire: Wire) -> str:
        return self._ohms(OPEN_OHM if wire is Wire.OPEN else self.wire_ohm + 0.01)

    def _shorted(self, wire: Wire) -> str:
        return {Wire.TO_GROUND: "to_ground", Wire.TO_SUPPLY: "to_supply"}.get(wire, "clear")

    def _supply_wire_short(self) -> str:
        return self._ohms(0.1 if self.harness.supply is Wire.TO_GROUND else OPEN_OHM)

    def _enable_wire(self) -> str:
        return self._from_end_to_end(self.harness.enable)

    def _enable_short(self) -> str:
        return self._shorted(self.harness.enable)

    def _feedback_wire(self) -> str:
        return self._from_end_to_end(self.harness.unlock_feedback)

    def _feedback_short(self) -> str:
        return self._shorted(self.harness.unlock_feedback)

    def _data_wire(self) -> str:
        return self._from_end_to_end(self.harness.data_line)

    def _data_short(self) -> str:
        return self._shorted(self.harness.data_line)

    def _harness_moved(self) -> str:
        # No wire of the rehearsed cars chafes now and then: what touches, touches always.
        return "quiet"

    # --- the unit in motion -----------------------------------------------------------------------------

    def _is_driven(self) -> bool:
        """Whether the control unit drives the enable when start is pressed."""
        has = self.scenario
        asked = has.key_recognised and has.in_park and has.foot_on_brake and has.partner_registered
        paired = has.pairing is PairingState.PAIRED and asked and not has.phantom_speed
        return self.harness.logic_fuse_whole and paired and self.harness.enable is not Wire.TO_SUPPLY

    def _enable_at_lock(self) -> str:
        if self.harness.enable_at_lock(driven=False, plugged=True):
            return "always"
        pulse = self._is_driven() and self.harness.enable_at_lock(driven=True, plugged=True)
        return "pulse" if pulse else "nothing"

    def _enable_peak(self) -> str:
        return self._volts({"nothing": 0.0}.get(self._enable_at_lock(), self.battery_volts))

    def _is_fed(self, *, driven: bool) -> bool:
        return self.harness.feeds_lock(plugged=True) and not (driven and self.scenario.guard_cuts)

    def _unit_driven(self) -> tuple[LockUnit, list[float], set[bool]]:
        """Let the lock unit release once as it is wired, and return it, its currents and its contact's states."""
        # An unlocked unit with its key in the car is locked first by the person who measures.
        unit = LockUnit(locked=True, pairing=self.scenario.pairing, temperature=self.scenario.temperature)
        ohm = self.harness.resistance(self.scenario.temperature) + FEED_OHM + self.scenario.battery_ohm
        currents: list[float] = []
        contact = {unit.contact_closed}
        for now in range(2 * BOOT_MS + 600):
            driven = self._is_driven() and now > 2 * BOOT_MS
            unit.step(
                self.scenario.mechanics,
                volts=self.battery_volts if self._is_fed(driven=driven) else 0.0,
                ohm=ohm,
                enable=self.harness.enable_at_lock(driven=driven, plugged=True),
                request=BoltTarget.RELEASE,
            )
            contact.add(unit.contact_closed)
            if now > 2 * BOOT_MS:
                currents.append(unit.current)
        return unit, currents, contact

    def _motor_current(self) -> str:
        _, currents, _ = self._unit_driven()
        # A clamp shows what lasts, not the inrush: the middle of what flows while the motor runs.
        running = sorted(it for it in currents[60:] if it > 0.5)
        value = running[len(running) // 2] if running else max(currents[60:])
        return f"{max(value + self.dice.gauss(0.0, 0.05), 0.0):.2f} A"

    def _feedback_contact(self) -> str:
        if self.scenario.mechanics.is_dead:
            return "always_open"
        # The bolt is moved by hand or by the unit: the contact of the rehearsed units always follows it.
        return "follows"

    def _pairing_state(self) -> str:
        return {PairingState.NEW: "new", PairingState.CLEARED: "cleared"}.get(self.scenario.pairing, "paired")

    def _wheel_turned(self) -> str:
        """Press start of the same car once more, with no load on the bolt."""
        mechanics = replace(self.scenario.mechanics, bound_pulses=0)
        scenario = replace(self.scenario, mechanics=mechanics, script="trip")
        life = simulate_car(scenario, Onset.PARKED, RandomStreams(self.seed + 2), duration_ms=None)
        return "starts" if life.values("STAGE", life.changed_at).max() >= 2 else "same"

    def _data_against_wheel(self) -> str:
        unit, _, _ = self._unit_driven()
        if not (self.harness.feeds_lock(plugged=True) and self.harness.carries_data(plugged=True)):
            return "no_data"
        if not self.harness.logic_fuse_whole or self.scenario.mechanics.is_dead:
            return "no_data"
        if self.scenario.mechanics.sensor_stuck and unit.position >= 0.97:
            return "contradicts"
        return "late" if self.scenario.mechanics.sensor_lag_ms >= 500 else "agrees"

    # --- questions --------------------------------------------------------------------------------------

    def _brake_held(self) -> str:
        return "yes" if self.scenario.foot_on_brake else "no"

    def _in_park(self) -> str:
        return "yes" if self.scenario.in_park else "no"

    def _key_found(self) -> str:
        return "found" if self.scenario.key_recognised else "not_found"

    def _speed_shown(self) -> str:
        return "not_zero" if self.scenario.phantom_speed else "zero"

    def _units_replaced(self) -> str:
        return "none_or_registered" if self.scenario.partner_registered else "not_registered"

    def _door_wakes(self) -> str:
        if not self.harness.logic_fuse_whole:
            return "silent"
        return "come" if self.scenario.asleep else "there"

    def _second_guard(self) -> str:
        return "cut" if self.scenario.guard_cuts else "no"

    def _ignition_relay(self) -> str:
        # The power unit of the rehearsed cars is always in order.
        return "good"

    def _record_again(self) -> str:
        """Record the same car again with a recorder that is in order, and have it judged."""
        # Whoever records again opens the door, which wakes what slept.
        scenario = replace(self.scenario, recorder=LoggerSettings(), asleep=False)
        if scenario.script != "trip" and scenario.harness == Harness():
            scenario = replace(scenario, script="trip")
        judged = judged_scenario(scenario, self.seed + 1)
        return "whole" if judged.verdict is Verdict.AS_EXPECTED else "same"
