"""The five wires between control unit and lock unit, and the two fuses.

Supply, ground, enable, unlock feedback and data line. The supply of the lock has no fuse of its own: it comes from
the load fuse through the control unit. Of the two fuses the logic fuse feeds the lock driver logic of the control
unit. How a fault of each shows is common practice without a source, or invented; `faults` says which.
"""

from dataclasses import dataclass
from enum import Enum
from typing import Final

OHM_PER_METRE: Final = 0.026
"""Of 1 m of wire, 0.75 mm2, at 20 degC: 24.7 milliohm at most (road-vehicle cables, ISO 6722 and ISO 19642, from
memory), and 5 % more for what its terminals have (invented)."""
COPPER_PER_KELVIN: Final = 0.004
"""Rise of the resistance of copper, per kelvin from 20 degC, rounded."""
WIRE_METRES: Final = 4.0
"""Length of the supply wire, and of the ground wire (invented)."""
FEED_OHM: Final = 0.03
"""Battery to the plug of the control unit, load fuse included (invented)."""


def wire_ohm(temperature: float) -> float:
    """Return the resistance of a whole wire, ohm, at a temperature in degC."""
    return WIRE_METRES * OHM_PER_METRE * (1.0 + COPPER_PER_KELVIN * (temperature - 20.0))


class Wire(Enum):
    """What can be the matter with one wire."""

    WHOLE = "whole"
    OPEN = "open"
    TO_SUPPLY = "shorted to supply"
    TO_GROUND = "shorted to ground"


@dataclass(frozen=True, slots=True, kw_only=True)
class Harness:
    """The state of the wires and fuses."""

    supply: Wire = Wire.WHOLE
    ground: Wire = Wire.WHOLE
    enable: Wire = Wire.WHOLE
    unlock_feedback: Wire = Wire.WHOLE
    data_line: Wire = Wire.WHOLE
    logic_fuse_whole: bool = True
    load_fuse_whole: bool = True
    #: Added by a bad contact in the supply wire, ohm.
    contact_ohm: float = 0.0
    #: Added by a bad contact in the ground wire, ohm.
    ground_contact_ohm: float = 0.0
    #: Whether the plug at the lock loses contact now and then, on all five wires.
    loose_plug: bool = False

    def resistance(self, temperature: float) -> float:
        """Return the resistance of supply and ground wire together, ohm, at a temperature in degC."""
        return 2.0 * wire_ohm(temperature) + self.contact_ohm + self.ground_contact_ohm

    def feeds_lock(self, *, plugged: bool) -> bool:
        """Whether current can flow through the lock unit."""
        return plugged and self.load_fuse_whole and self.supply is Wire.WHOLE and self.ground is Wire.WHOLE

    def enable_at_pin(self, *, driven: bool) -> bool:
        """Level that the control unit reads back at its own enable pin."""
        return (driven and self.enable is not Wire.TO_GROUND) or self.enable is Wire.TO_SUPPLY

    def enable_at_lock(self, *, driven: bool, plugged: bool) -> bool:
        """Level of the enable wire at the lock unit."""
        return plugged and self.enable is not Wire.OPEN and self.enable_at_pin(driven=driven)

    def reads_unlocked(self, *, contact_closed: bool, plugged: bool) -> bool:
        """Whether the control unit finds the unlock feedback pulled to ground, which means unlocked."""
        if self.unlock_feedback is Wire.TO_GROUND:
            return True
        whole = self.unlock_feedback is Wire.WHOLE and self.ground is Wire.WHOLE
        return plugged and whole and contact_closed

    def carries_data(self, *, plugged: bool) -> bool:
        """Whether telegrams pass the data line, either way."""
        return plugged and self.data_line is Wire.WHOLE
