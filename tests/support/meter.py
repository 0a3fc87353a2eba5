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
from buslens.rehearsal.harness import COPPER_PER_KELVIN, FEED_OHM, OHM_PER_METRE, WIRE_METRES, Harness, Wire
from buslens.rehearsal.lock_unit import BOOT_MS, Goal, Learn, LockUnit
from buslens.rehearsal.scenario import Recorder, Scenario

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
        return self._volts(self.battery_volts * self.wire_ohm / (LAMP_OHM + self.wire_ohm))

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
        taught = self.scenario.learn is Learn.TAUGHT
        return self.harness.logic_fuse_whole and taught and self.harness.enable is not Wire.TO_SUPPLY

    def _enable_at_lock(self) -> str:
        if self.harness.enable_at_lock(driven=False, plugged=True):
            return "always"
        pulse = self._is_driven() and self.harness.enable_at_lock(driven=True, plugged=True)
        return "pulse" if pulse else "nothing"

    def _unit_driven(self) -> tuple[LockUnit, list[float], set[bool]]:
        """Let the lock unit release once as it is wired, and return it, its currents and its contact's states."""
        # An unlocked unit with its key in the car is locked first by the person who measures.
        unit = LockUnit(locked=True, learn=self.scenario.learn, temperature=self.scenario.temperature)
        ohm = self.harness.resistance(self.scenario.temperature) + FEED_OHM + self.scenario.battery_ohm
        currents: list[float] = []
        contact = {unit.contact_closed}
        for now in range(2 * BOOT_MS + 600):
            driven = self._is_driven() and now > 2 * BOOT_MS
            unit.step(
                self.scenario.mechanics,
                volts=self.battery_volts if self.harness.feeds_lock(plugged=True) else 0.0,
                ohm=ohm,
                enable=self.harness.enable_at_lock(driven=driven, plugged=True),
                request=Goal.RELEASE,
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
        # The bolt is moved by hand or by the unit: the contact of the rehearsed units always follows it.
        return "follows"

    def _learn_state(self) -> str:
        return {Learn.FACTORY_NEW: "factory_new", Learn.NEUTRALISED: "neutralised"}.get(self.scenario.learn, "taught")

    def _record_again(self) -> str:
        """Record the same car again with a recorder that is in order, and have it judged."""
        scenario = replace(self.scenario, recorder=Recorder())
        if scenario.script != "trip" and scenario.harness == Harness():
            scenario = replace(scenario, script="trip")
        judged = judged_scenario(scenario, self.seed + 1)
        return "whole" if judged.verdict is Verdict.AS_EXPECTED else "same"
