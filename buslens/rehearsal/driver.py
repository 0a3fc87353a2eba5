"""What the driver does: scripts that act on the car and wait for it, with the spread of a human hand."""

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Final, NamedTuple, TypeAlias

from buslens.rehearsal.random_streams import RandomStreams


class Wait(NamedTuple):
    """Let the car go on until something is so, or for a time."""

    most_ms: int
    until: Callable[[], bool] | None = None


@dataclass(slots=True, kw_only=True)
class Controls:
    """What the driver touches and sees."""

    door_open: bool = False
    button_pressed: bool = False
    brake_pressed: bool = False
    key_present: bool = False
    central_locked: bool = True
    #: Wanted by the accelerator, km/h.
    wanted_speed: float = 0.0
    # What the driver sees of the car.
    ignition_on: bool = False
    engine_running: bool = False
    speed: float = 0.0


Script: TypeAlias = Iterator[Wait]


class Driver:
    """One person at one car; `step` lets the script go on when what it waits for has come."""

    def __init__(self, name: str, controls: Controls, streams: RandomStreams) -> None:
        self._make = SCRIPTS[name]
        self._controls = controls
        self._streams = streams
        self._script = self._make(self)
        self._wait = Wait(0)
        self._since_ms = 0
        #: Whether the script has come to its end.
        self.done = False

    def step(self, now_ms: int) -> None:
        """Let one millisecond pass."""
        until = self._wait.until
        if now_ms - self._since_ms < self._wait.most_ms and not (until is not None and until()):
            return
        self._since_ms = now_ms
        following = next(self._script, None)
        if following is None:
            self.done = True
            self._wait = Wait(1 << 60)
        else:
            self._wait = following

    @property
    def acts_at_ms(self) -> int:
        """When the script goes on if the car stays as it is; a moment that has passed: at once."""
        until = self._wait.until
        return self._since_ms + (0 if until is not None and until() else self._wait.most_ms)

    def again(self, now_ms: int) -> None:
        """Begin the script once more."""
        self._script = self._make(self)
        self._wait, self._since_ms, self.done = Wait(0), now_ms, False

    def pause(self, low: int, high: int) -> Wait:
        """Return a wait of about that many milliseconds."""
        return Wait(self._streams.draw_ms("driver", low, high))

    # --- what a driver does, in pieces ------------------------------------------------------------------

    def get_in(self) -> Script:
        """Unlock the doors, open, sit down, shut."""
        it = self._controls
        yield self.pause(350, 500)
        it.central_locked, it.key_present = False, True
        yield self.pause(500, 700)
        it.door_open = True
        yield self.pause(1300, 1700)
        it.door_open = False
        yield self.pause(600, 900)

    def press(self) -> Script:
        """Press the start button and let go."""
        self._controls.button_pressed = True
        yield self.pause(280, 420)
        self._controls.button_pressed = False

    def switch_on(self, *, presses: int = 2) -> Script:
        """Press the start button with the foot on the brake, and again if nothing comes of it."""
        it = self._controls
        it.brake_pressed = True
        yield self.pause(250, 400)
        for _ in range(presses):
            yield from self.press()
            yield Wait(self._streams.draw_ms("driver", 2900, 3300), lambda: it.ignition_on)
            if it.ignition_on:
                yield Wait(2600, lambda: it.engine_running)
                yield self.pause(300, 500)
                break
        it.brake_pressed = False

    def drive(self) -> Script:
        """Go a little way and stop."""
        it = self._controls
        it.wanted_speed = self._streams.draw("driver", 12.0, 20.0)
        yield self.pause(2000, 2600)
        it.wanted_speed, it.brake_pressed = 0.0, True
        yield Wait(9000, lambda: it.speed == 0.0)
        yield self.pause(500, 700)

    def switch_off(self) -> Script:
        """Press the start button of a car that stands."""
        it = self._controls
        yield from self.press()
        yield Wait(1500, lambda: not it.ignition_on)
        it.brake_pressed = False
        yield self.pause(600, 900)

    def get_out(self) -> Script:
        """Open, stand up, shut, and go."""
        it = self._controls
        it.door_open = True
        yield self.pause(2000, 2500)
        it.door_open = False
        yield self.pause(450, 650)
        it.key_present = False
        yield self.pause(300, 500)
        it.central_locked = True
        yield self.pause(500, 700)


def trip(driver: Driver) -> Script:
    """Get in, switch on, drive a little, switch off, get out; without ignition there is nothing to drive."""
    it = driver._controls  # noqa: SLF001 (the scripts are the driver's own)
    yield from driver.get_in()
    yield from driver.switch_on()
    if it.engine_running:
        yield from driver.drive()
    if it.ignition_on:
        yield from driver.switch_off()
    yield from driver.get_out()


def restart(driver: Driver) -> Script:
    """Make a trip, and on it switch off and on again without opening the door."""
    yield from driver.get_in()
    yield from driver.switch_on()
    yield from driver.switch_off()
    yield driver.pause(700, 1000)
    yield from driver.switch_on()
    yield from driver.switch_off()
    yield from driver.get_out()


def second_thoughts(driver: Driver) -> Script:
    """Make a trip, and at its end open the door a crack, shut it again at once, and open it for good later."""
    it = driver._controls  # noqa: SLF001
    yield from driver.get_in()
    yield from driver.switch_on()
    yield from driver.switch_off()
    it.door_open = True
    yield driver.pause(60, 75)
    it.door_open = False
    yield driver.pause(1800, 2200)
    yield from driver.get_out()


def forgotten(driver: Driver) -> Script:
    """Make a trip, open the door, remember something, and switch on again while the lock still moves."""
    it = driver._controls  # noqa: SLF001
    yield from driver.get_in()
    yield from driver.switch_on()
    yield from driver.switch_off()
    it.door_open = True
    it.brake_pressed = True
    yield driver.pause(450, 550)
    yield from driver.switch_on()
    it.door_open = False
    yield driver.pause(500, 700)
    yield from driver.switch_off()
    yield from driver.get_out()


def seated(driver: Driver) -> Script:
    """Sit in the car already, switch on and off again at once, get out: both handshakes in few seconds."""
    it = driver._controls  # noqa: SLF001
    it.central_locked, it.key_present, it.brake_pressed = False, True, True
    yield driver.pause(250, 400)
    yield from driver.press()
    yield Wait(driver._streams.draw_ms("driver", 2900, 3300), lambda: it.ignition_on)  # noqa: SLF001
    yield driver.pause(150, 250)
    if it.ignition_on:
        yield from driver.switch_off()
    it.door_open = True
    yield driver.pause(1900, 2200)


def waits(driver: Driver) -> Script:
    """Come to a car that has stood for a while, and make a trip."""
    yield driver.pause(4000, 5000)
    yield from trip(driver)


def parked(driver: Driver) -> Script:
    """Nobody comes."""
    yield driver.pause(8000, 8500)


SCRIPTS: Final[Mapping[str, Callable[[Driver], Script]]] = {
    "trip": trip,
    "restart": restart,
    "second-thoughts": second_thoughts,
    "forgotten": forgotten,
    "seated": seated,
    "parked": parked,
    "waits": waits,
}
"""All scripts, by name."""
