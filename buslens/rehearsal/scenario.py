"""All that can be set about one rehearsal; a fault is a scenario that differs from the healthy one."""

from dataclasses import dataclass, field
from enum import Enum

from buslens.rehearsal.harness import Harness
from buslens.rehearsal.lock_unit import Mechanics, PairingState


class Onset(Enum):
    """When what is wrong comes about."""

    PARKED = "parked"
    """Before the capture begins."""
    DRIVING = "driving"
    """On the first drive, so that the lock handshake at its end is the first to show it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LoggerSettings:
    """What the recording device does to what it hears."""

    #: One frame of each message per this time, ms; 0: all.
    thinning_ms: int = 0
    #: Its clock is set back by so much, ms, in the middle of the first handshake; 0: never.
    set_back_ms: int = 0
    #: It loses power in the middle of this handshake, counted from 1, and of a line; 0: never.
    cut_in_handshake: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Scenario:
    """One car on one day."""

    script: str = "trip"
    #: Whether the bolt is locked when the capture begins.
    starts_locked: bool = True
    pairing: PairingState = PairingState.PAIRED
    harness: Harness = field(default_factory=Harness)
    mechanics: Mechanics = field(default_factory=Mechanics)
    #: Of the air and of the lock unit, degC.
    temperature: float = 18.0
    #: Of the battery without load, V.
    battery_volts: float = 12.6
    #: Inner resistance of the battery, ohm.
    battery_ohm: float = 0.012
    #: The driver stage drives the enable wire by itself for so long, ms, on the first drive; 0: never.
    stray_pulse_ms: int = 0
    #: The control unit is off the bus for so long, ms, from the first press of the start button; 0: never.
    off_bus_ms: int = 0
    key_recognised: bool = True
    #: Shown by the speed sensor of a car that stands, km/h.
    phantom_speed: float = 0.0
    in_park: bool = True
    foot_on_brake: bool = True
    #: A unit beside the control unit was replaced, and is not registered with it.
    partner_registered: bool = True
    #: The second guard takes the supply away from the lock whenever it is driven.
    guard_cuts: bool = False
    #: Control unit and lock unit sleep until the driver's door is opened.
    asleep: bool = False
    recorder: LoggerSettings = field(default_factory=LoggerSettings)
