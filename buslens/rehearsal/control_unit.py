"""The control unit: when it drives the lock, how often it tries, and when it clears the ignition.

Invented, in the manner of such units. The core is fed with the body and always talks; the lock driver logic hangs
on the logic fuse: without it nothing is driven and nothing is read back.
"""

from dataclasses import dataclass
from enum import Enum, IntEnum
from typing import Final

from buslens.rehearsal.lock_unit import TELEGRAM_MS, BoltTarget, DataLineMessage, PairingState
from buslens.rehearsal.random_streams import RandomStreams

TASK_MS: Final = 5
"""Time between two runs of the unit's program (invented, as all numbers below)."""
TRIES: Final = 3
PULSE_MOST_MS: Final = 1200
IDLE_MS: Final = 250
"""A pulse ends when the motor has drawn nothing for this long."""
STALL_AMPERE: Final = 7.5
STALL_MS: Final = 200
"""A pulse ends when the motor has drawn more than that for this long."""
HOLD_MS: Final = 40
"""The pulse goes on for so long after both feedbacks have arrived."""
PAUSE_MS: Final = 250
"""Between two tries."""
CLEARANCE_MS: Final = 120
"""From the end of the pulse to the clearance of the ignition."""
CLEARANCE_LASTS_MS: Final = 3000
"""A clearance that nobody makes use of runs out after this."""
DOOR_MS: Final = 80
BUTTON_MS: Final = 30
"""How long door and button must hold before they count."""
DATA_MS: Final = 100
"""Age at which the last telegram no longer counts."""


class Clearance(IntEnum):
    """Whether the ignition may come on; the values are those of the definitions."""

    WAITING = 0
    GRANTED = 1
    REFUSED = 2


class FaultCode(IntEnum):
    """Fault codes of the unit; the values are those of the definitions."""

    NONE = 0
    NO_MOVEMENT = 1
    BLOCKED = 2
    DISAGREE = 3
    NO_DATA = 4
    NOT_TAUGHT = 5
    LOW_SUPPLY = 6
    ENABLE_LINE = 7


_REFUSING: Final = frozenset({FaultCode.DISAGREE, FaultCode.NO_DATA, FaultCode.NOT_TAUGHT, FaultCode.ENABLE_LINE})
"""With one of these stored the ignition is refused, whatever the lock says now."""


class _Phase(Enum):
    REST = "at rest"
    WAIT = "before the first pulse"
    PULSE = "pulse"
    HOLD = "end of a pulse that did it"
    PAUSE = "between two tries"


@dataclass(slots=True, kw_only=True)
class Inputs:
    """What reaches the control unit over its pins and the bus."""

    door_open: bool
    button_pressed: bool
    key_present: bool
    ignition_on: bool
    #: The unlock feedback wire is pulled to ground.
    unlocked: bool
    #: The enable pin is high.
    pin_high: bool
    #: In the supply wire, A.
    current: float
    #: At the plug, V.
    supply: float
    #: The latest since the last run; None if none came.
    telegram: DataLineMessage | None


class ControlUnit:
    """The unit through time, one call of `step` for each run of its program.

    Attributes
    ----------
    enable : bool
        What it drives.
    request : BoltTarget
        What it asks for on the data line.
    clearance : Clearance
        Whether the ignition may come on.
    tries : int
        Pulses of the attempt.
    trouble : FaultCode
        The latest fault.
    unlocked : bool
        The hard-wired feedback, filtered.
    data_unlocked : bool or None
        The feedback of the data line; None without data.
    pairing : PairingState
        What the lock unit says of itself.
    """

    def __init__(self, streams: RandomStreams, *, unlocked: bool, has_logic: bool) -> None:
        self.enable = False
        self.request = BoltTarget.NONE
        self.clearance = Clearance.WAITING
        self.tries = 0
        self.trouble = FaultCode.NONE
        self.unlocked = unlocked
        self.data_unlocked: bool | None = None
        self.pairing = PairingState.UNKNOWN
        self.temperature = 0.0
        self.run_time_ms = 0
        self.has_logic = has_logic
        self._streams = streams
        self._phase = _Phase.REST
        self._until_ms = 0
        self._pulse_ms = 0
        self._latched: set[FaultCode] = set()
        self._button_is_spent = False
        self._torn_ms = 0
        self._pending = BoltTarget.NONE
        self._door_ms = 0
        self._button_ms = 0
        self._feedback_ms = 0
        self._data_age_ms = DATA_MS + 1
        self._idle_ms = 0
        self._stall_ms = 0
        self._differ_ms = 0
        self._pin_ms = 0
        self._low_ms = 0
        self._clear_at_ms: int | None = None

    def step(self, now_ms: int, seen: Inputs) -> None:
        """Run the program once."""
        self._read(seen)
        self._watch(seen)
        self._accept(seen)
        self._act(now_ms, seen)
        if seen.ignition_on:
            self.request = BoltTarget.NONE
        elif self._clear_at_ms is not None and now_ms - self._clear_at_ms > CLEARANCE_LASTS_MS:
            self.clearance, self._clear_at_ms = Clearance.WAITING, None

    def rests(self, seen: Inputs) -> bool:
        """Return whether `rest` does all that `step` does while it sees this, from one telegram to the next at most."""
        counts = (self._feedback_ms, self._low_ms, self._button_ms, self._differ_ms, self._pin_ms, self._torn_ms)
        hears = self.data_unlocked is not None and self._data_age_ms + TELEGRAM_MS <= DATA_MS
        is_deaf = self.data_unlocked is None and self.pairing is PairingState.UNKNOWN
        return (
            self._phase is _Phase.REST
            and self._pending is BoltTarget.NONE
            and not any(counts)
            and seen.unlocked == self.unlocked
            and not seen.button_pressed
            and not self._button_is_spent
            and (not seen.door_open or self._door_ms >= DOOR_MS)
            and (seen.door_open or not self._door_ms)
            and not (seen.pin_high and self.has_logic)
            and (not seen.ignition_on or self.unlocked or not self.has_logic)
            and (self._clear_at_ms is None or (seen.ignition_on and self.clearance is not Clearance.WAITING))
            and ((hears and self.data_unlocked == self.unlocked) or (is_deaf and self._data_age_ms > 1000))
        )

    def rest(self) -> None:
        """Run the program once while it `rests`."""
        self._data_age_ms += TASK_MS

    def ignition_off(self) -> None:
        """Take the clearance back: the power unit has switched off."""
        self.clearance, self._clear_at_ms = Clearance.WAITING, None

    # --- reading back -----------------------------------------------------------------------------------

    def _read(self, seen: Inputs) -> None:
        self._feedback_ms = self._feedback_ms + TASK_MS if seen.unlocked != self.unlocked else 0
        if self._feedback_ms >= 2 * TASK_MS:
            self.unlocked, self._feedback_ms = seen.unlocked, 0
        self._data_age_ms += TASK_MS
        if seen.telegram is not None:
            self._data_age_ms = 0
            self.data_unlocked, self.pairing = seen.telegram.unlocked, seen.telegram.pairing
            self.temperature = seen.telegram.temperature
        elif self._data_age_ms > DATA_MS:
            self.data_unlocked, self.pairing = None, PairingState.UNKNOWN

    def _watch(self, seen: Inputs) -> None:
        """Look for faults that need no attempt to show."""
        if not self.has_logic:
            return
        rests = self._phase is _Phase.REST
        differs = rests and self.data_unlocked is not None and self.data_unlocked != self.unlocked
        self._differ_ms = self._differ_ms + TASK_MS if differs else 0
        self._pin_ms = self._pin_ms + TASK_MS if seen.pin_high and not self.enable else 0
        self._low_ms = self._low_ms + TASK_MS if self.enable and seen.supply < 9.3 else 0
        if self._differ_ms > 800:
            self._fail(FaultCode.DISAGREE)
        if self._data_age_ms > 1000:
            self._fail(FaultCode.NO_DATA)
        if self._pin_ms > 60:
            self._fail(FaultCode.ENABLE_LINE)
        if self.pairing not in {PairingState.PAIRED, PairingState.UNKNOWN}:
            self._fail(FaultCode.NOT_TAUGHT)
        if self._low_ms > 60:
            self._fail(FaultCode.LOW_SUPPLY)
        self._torn_ms = self._torn_ms + TASK_MS if seen.ignition_on and not self.unlocked else 0
        if self._torn_ms > 100:
            self._fail(FaultCode.DISAGREE)

    def _fail(self, trouble: FaultCode) -> None:
        if trouble not in self._latched:
            self._latched.add(trouble)
            self.trouble = trouble

    # --- requests ---------------------------------------------------------------------------------------

    def _accept(self, seen: Inputs) -> None:
        door_before, button_before = self._door_ms, self._button_ms
        self._door_ms = self._door_ms + TASK_MS if seen.door_open else 0
        self._button_ms = self._button_ms + TASK_MS if seen.button_pressed else 0
        # A press that switches off asks for nothing more.
        self._button_is_spent = seen.button_pressed and (self._button_is_spent or seen.ignition_on)
        if seen.ignition_on or self._button_is_spent:
            self._button_ms = 0
        if seen.ignition_on:
            return
        if door_before < DOOR_MS <= self._door_ms and (self.unlocked or not self.has_logic):
            self._pending = BoltTarget.LOCK
        if button_before < BUTTON_MS <= self._button_ms and seen.key_present:
            self._pending = BoltTarget.RELEASE

    # --- the attempt ------------------------------------------------------------------------------------

    def _act(self, now_ms: int, seen: Inputs) -> None:
        match self._phase:
            case _Phase.REST if self._pending is not BoltTarget.NONE:
                self._take_up(now_ms)
            case _Phase.WAIT | _Phase.PAUSE if now_ms >= self._until_ms:
                self.tries += 1
                self.enable = self.has_logic
                self._pulse_ms = now_ms
                self._idle_ms = self._stall_ms = 0
                self._phase = _Phase.PULSE
            case _Phase.PULSE:
                self._follow(now_ms, seen)
            case _Phase.HOLD if now_ms >= self._until_ms:
                self.enable = False
                self._phase = _Phase.REST
                self.run_time_ms = now_ms - self._pulse_ms
                self._finish(now_ms)
        if self._clear_at_ms is not None and now_ms >= self._clear_at_ms and self.clearance is Clearance.WAITING:
            self.clearance = Clearance.GRANTED

    def _take_up(self, now_ms: int) -> None:
        goal, self._pending = self._pending, BoltTarget.NONE
        self.tries = 0
        self.request = goal
        self._clear_at_ms = None
        self.clearance = Clearance.WAITING
        if self.pairing not in {PairingState.PAIRED, PairingState.UNKNOWN} or self._pin_ms > 60:
            # A unit that is not paired, or has an enable wire that is high by itself, is not driven.
            self._give_up(self.trouble)
        elif goal is BoltTarget.RELEASE and self.has_logic and self.unlocked and self.data_unlocked:
            self._finish(now_ms)
        else:
            self._phase = _Phase.WAIT
            self._until_ms = now_ms + self._streams.draw_ms("control unit", 40, 110)

    def _follow(self, now_ms: int, seen: Inputs) -> None:
        wanted = self.request is BoltTarget.RELEASE
        wire, data = self.unlocked == wanted, self.data_unlocked == wanted
        self._idle_ms = self._idle_ms + TASK_MS if seen.current < 0.5 else 0
        self._stall_ms = self._stall_ms + TASK_MS if seen.current > STALL_AMPERE else 0
        if wire and data:
            self._phase = _Phase.HOLD
            self._until_ms = now_ms + HOLD_MS
        elif self._stall_ms >= STALL_MS:
            self._end_try(now_ms, FaultCode.BLOCKED)
        elif self._idle_ms >= IDLE_MS or now_ms - self._pulse_ms >= PULSE_MOST_MS:
            silent = self.data_unlocked is None and wire
            disagrees = FaultCode.NO_DATA if silent else FaultCode.DISAGREE
            self._end_try(now_ms, disagrees if wire or data else FaultCode.NO_MOVEMENT)

    def _end_try(self, now_ms: int, trouble: FaultCode) -> None:
        self.enable = False
        if self.tries < TRIES:
            self._phase = _Phase.PAUSE
            self._until_ms = now_ms + PAUSE_MS
        else:
            self._phase = _Phase.REST
            self._give_up(trouble)

    def _give_up(self, trouble: FaultCode) -> None:
        self._fail(trouble)
        self.clearance = Clearance.REFUSED
        self.request = BoltTarget.NONE

    def _finish(self, now_ms: int) -> None:
        goal, self.request = self.request, BoltTarget.NONE
        if goal is BoltTarget.RELEASE:
            if self._latched & _REFUSING:
                self.clearance = Clearance.REFUSED
            else:
                self._clear_at_ms = now_ms + CLEARANCE_MS
