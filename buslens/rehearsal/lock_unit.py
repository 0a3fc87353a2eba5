"""The lock unit: a motor that moves a bolt, a contact, a position sensor, and a little electronics.

All of it is invented, in the manner of such units. The run time of the motor follows from the voltage that is left
at its terminals, from friction, wear and temperature. A pulse on the enable wire lets the motor run; to where, the
request on the data line says. Without a request a pulse can only release, for locking is the dangerous direction.
"""

from dataclasses import dataclass
from enum import IntEnum
from typing import Final, NamedTuple

MOTOR_OHM: Final = 0.9
"""Winding and brushes (invented)."""
LOAD_AMPERE: Final = 2.4
"""What a new motor draws while it moves the bolt, at 20 degC (invented)."""
VOLT_SECONDS: Final = 2.66
"""Volts behind the winding for one full travel per second (invented: 0.26 s for a travel at 12.4 V)."""
RISE_PER_MS: Final = 1.0 / 15.0
"""How fast the motor takes up speed: a time constant of 15 ms (invented)."""
REST_AMPERE: Final = 0.04
"""Electronics at rest (invented)."""
BOOT_MS: Final = 50
"""From supply to the first telegram (invented)."""
TELEGRAM_MS: Final = 40
"""Time between telegrams on the data line (invented)."""
LEAST_VOLT: Final = 5.5
"""Below this the electronics stop (invented)."""
HELD_VOLT_PER_MS: Final = 0.06
"""How fast the electronics lose their voltage without supply (invented)."""


class PairingState(IntEnum):
    """Whether the unit is paired with the car; the values are those of the definitions."""

    NEW = 0
    PAIRED = 1
    CLEARED = 2
    UNKNOWN = 3


class BoltTarget(IntEnum):
    """Where the bolt is to go; the values are those of the definitions."""

    NONE = 0
    RELEASE = 1
    LOCK = 2


class DataLineMessage(NamedTuple):
    """What the unit says on the data line."""

    unlocked: bool
    pairing: PairingState
    temperature: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Mechanics:
    """What the moving parts are like."""

    #: Drag, 1 when new.
    friction: float = 1.0
    #: Slower by this factor at the same voltage, 1 when new.
    wear: float = 1.0
    #: The bolt does not pass this position (0 locked, 1 released); None: it moves freely.
    blocked_at: float | None = None
    #: So many pulses find the bolt under load, and blocked; then it is free.
    bound_pulses: int = 0
    #: The position sensor says locked, whatever the bolt does.
    sensor_stuck: bool = False
    #: The position sensor follows the bolt so much later, ms.
    sensor_lag_ms: int = 0
    #: The unit draws no current and says nothing, whatever reaches its plug.
    is_dead: bool = False


class LockUnit:
    """The unit through time, one call of `step` for each millisecond.

    Attributes
    ----------
    position : float
        Of the bolt: 0 locked, 1 released.
    current : float
        Drawn from the supply, A.
    contact_closed : bool
        The hard-wired contact: closed while the bolt is released.
    telegram : DataLineMessage or None
        What the unit would say on the data line at this moment; None while it says nothing.
    """

    def __init__(self, *, locked: bool, pairing: PairingState, temperature: float) -> None:
        self.position = 0.0 if locked else 1.0
        self.current = 0.0
        self.contact_closed = not locked
        self.telegram: DataLineMessage | None = None
        self._pairing = pairing
        self._temperature = temperature
        self._speed = 0.0
        self._unlocked = not locked
        self._moved_ms = 0
        self._goal = BoltTarget.NONE
        self._enable_before = True
        self._alive_ms = 0
        self._pulses = 0
        self._held_volts = 12.0

    def step(self, mechanics: Mechanics, *, volts: float, ohm: float, enable: bool, request: BoltTarget) -> None:
        """Let one millisecond pass.

        Parameters
        ----------
        mechanics : Mechanics
            What the moving parts are like.
        volts : float
            At the control unit's plug; 0 if no current can flow.
        ohm : float
            Of the wires from there to the unit and back.
        enable : bool
            Level of the enable wire at the unit.
        request : BoltTarget
            What the data line asks for; `BoltTarget.NONE` if it asks for nothing or is broken.
        """
        self._held_volts = max(volts - self.current * ohm, self._held_volts - HELD_VOLT_PER_MS)
        if mechanics.is_dead:
            volts = self._held_volts = 0.0
        if volts == 0.0:
            self._speed = self.current = 0.0
        if self._held_volts < LEAST_VOLT:
            self._alive_ms = self._moved_ms = 0
            self._speed = 0.0
            self._goal = BoltTarget.NONE
            # A level that is there when the electronics wake is no pulse.
            self._enable_before = True
            self.current = 0.0
            self.telegram = None
            return
        self._alive_ms += 1
        if enable and not self._enable_before and self._alive_ms >= BOOT_MS:
            self._begin(request)
        if self._alive_ms >= BOOT_MS:
            self._enable_before = enable
        if not enable:
            self._goal = BoltTarget.NONE
        if volts > 0.0:
            self._move(mechanics, volts, MOTOR_OHM + ohm)
        if self._alive_ms >= BOOT_MS and self._alive_ms % TELEGRAM_MS == 0:
            lags = self._moved_ms > 0 and self._alive_ms - self._moved_ms < mechanics.sensor_lag_ms
            unlocked = self._unlocked != lags and not mechanics.sensor_stuck
            self.telegram = DataLineMessage(unlocked, self._pairing, self._temperature)
        else:
            self.telegram = None

    def idle_ms(self, mechanics: Mechanics, volts: float, *, enable: bool) -> int:
        """Return for how many milliseconds `idle` does all that `step` does, while the same reaches its plug."""
        if self._alive_ms == 0:
            return TELEGRAM_MS if volts == 0.0 or mechanics.is_dead else 0
        waits = self._goal is BoltTarget.NONE and self._enable_before == enable and self.current == REST_AMPERE
        if not waits or volts == 0.0 or self._alive_ms < BOOT_MS:
            return 0
        until_low = int((self._held_volts - LEAST_VOLT) / HELD_VOLT_PER_MS) - 1
        return max(min(TELEGRAM_MS - 1 - self._alive_ms % TELEGRAM_MS, until_low), 0)

    def idle(self, volts: float, ohm: float) -> None:
        """Let one millisecond pass in which the unit only waits."""
        self._held_volts = max(volts - self.current * ohm, self._held_volts - HELD_VOLT_PER_MS)
        if self._alive_ms:
            self._alive_ms += 1

    def _begin(self, request: BoltTarget) -> None:
        if self._pairing is not PairingState.PAIRED:
            return
        self._goal = BoltTarget.RELEASE if request is BoltTarget.NONE else request
        self._pulses += 1

    def _move(self, mechanics: Mechanics, volts: float, ohm: float) -> None:
        arrived = self.position >= 1.0 if self._goal is BoltTarget.RELEASE else self.position <= 0.0
        if self._goal is BoltTarget.NONE or arrived:
            self._speed = 0.0
            self.current = REST_AMPERE
            return
        cold = 1.0 + 0.008 * max(20.0 - self._temperature, 0.0)
        load = LOAD_AMPERE * mechanics.friction * cold
        full = max(volts - load * ohm, 0.0) / (VOLT_SECONDS * mechanics.wear)
        before = self.position
        self._speed += (full - self._speed) * RISE_PER_MS
        travel = self._speed / 1000.0
        self.position = min(before + travel, 1.0) if self._goal is BoltTarget.RELEASE else max(before - travel, 0.0)
        self._hold_back(mechanics, before)
        rising = (full - self._speed) * VOLT_SECONDS * mechanics.wear / ohm
        self.current = REST_AMPERE + load + max(rising, 0.0)
        if self._speed == 0.0:
            self.current = REST_AMPERE + volts / ohm
        # The contact has snap action, so it changes when the bolt has nearly arrived, either way.
        if self.position >= 0.9:
            self.contact_closed = True
        elif self.position <= 0.1:
            self.contact_closed = False
        there = True if self.position >= 0.97 else False if self.position <= 0.03 else self._unlocked
        if there != self._unlocked:
            self._unlocked, self._moved_ms = there, self._alive_ms

    def _hold_back(self, mechanics: Mechanics, before: float) -> None:
        """Stop the bolt where something is in its way."""
        wall = mechanics.blocked_at
        if wall is None and self._pulses <= mechanics.bound_pulses:
            wall = 0.02 if self._goal is BoltTarget.RELEASE else 0.98
        if wall is not None and (before - wall) * (self.position - wall) <= 0.0:
            self.position = wall
            self._speed = 0.0
