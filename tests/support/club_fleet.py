"""A fleet of cars through months: the weather, their batteries, their age, and what slowly fails in some of them.

Everything is invented: how much cars differ, how the season changes, how a motor wears. The same seed gives the same
fleet on every machine. Each start is a capture of few seconds with a release and a lock in it; its stamps count
from the calendar. What is set here are causes (wear, battery, weather), never what a check would find.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import Enum
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from buslens.capture.frames import Flag, Frames
from buslens.rehearsal.bus import simulate_bus
from buslens.rehearsal.car import simulate_car
from buslens.rehearsal.faults import FAULTS
from buslens.rehearsal.lock_unit import Mechanics
from buslens.rehearsal.messages import LAYOUTS
from buslens.rehearsal.random_streams import RandomStreams
from buslens.rehearsal.recorder import record
from buslens.rehearsal.scenario import LoggerSettings, Onset, Scenario
from buslens.units import NS_PER_DAY, NS_PER_S

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from numpy.typing import NDArray

    from buslens.rehearsal.bus import BusTrace

FIRST_DAY: Final = 20_514
"""Days from 1970-01-01 to the first day of every fleet, 2026-03-02."""
COLDEST_DAY: Final = 20_468
"""The middle of January 2026, in days from 1970-01-01."""
BACKGROUND_IDS: Final = 3
"""Messages of units that the definitions do not describe, the same in all captures of a car."""
LOST: Final = "COLUMN_ANGLE"
"""Message that a unit no longer sends after its software was changed."""
SLOWED: Final = "ROAD_SPEED"
"""Message that is sent half as often after a software change."""

_IDS: Final = {layout.name: layout.can_id for layout in LAYOUTS}


class FleetFault(Enum):
    """What comes over a car of the fleet."""

    NONE = "healthy"
    #: The lock motor wears and its grease dries, over months, until a handshake fails.
    SLOW_MOTOR = "slow motor"
    #: The bolt stands under load more and more often, and needs a second pulse.
    RETRIES = "retries"
    #: After a software change a unit no longer sends a message.
    MESSAGE_LOST = "message lost"
    #: After a software change a unit sends a message half as often.
    CYCLE_CHANGED = "cycle changed"


@dataclass(frozen=True, slots=True, kw_only=True)
class FleetCar:
    """One car, as it was when the fleet was new."""

    number: int
    seed: int
    wear: float
    friction: float
    #: At rest at 20 degC, V.
    battery_volts: float
    #: Inner resistance, ohm.
    battery_ohm: float
    #: Warmer than the weather by so much, for it stands in a garage or in the sun, K.
    warmer: float
    ailment: FleetFault
    #: Day of the fleet on which the ailment begins.
    begins: float
    #: Day on which the ailment has its full weight: a slow motor is then as slow as the fault of that name.
    full: float
    #: The ailment grows with this power of time.
    power: float

    @property
    def name(self) -> str:
        """How the club calls it."""
        return f"car{self.number:03d}"

    def ailing(self, day: float) -> float:
        """Return how far the ailment has come: 0 before it begins, 1 with its full weight, and on from there."""
        if self.ailment is FleetFault.NONE or day <= self.begins:
            return 0.0
        part = (day - self.begins) / (self.full - self.begins)
        # By multiplication and not by a power, so that it is the same to the bit everywhere.
        return part * part if self.power == 2.0 else part


class Start(NamedTuple):
    """One start of one car, which is recorded."""

    car: FleetCar
    #: Of the fleet, counted from 0.
    day: int
    #: Calendar time at which the recording begins, ns from 1970-01-01.
    start_ns: int
    #: How far the ailment of the car has come.
    ailing: float
    scenario: Scenario
    seed: int

    @property
    def name(self) -> str:
        """A file name that sorts by car and time."""
        return f"{self.car.name}/day{self.day:03d}_{self.start_ns // NS_PER_S}.log"


class _OwnBackground(RandomStreams):
    """The numbers of one start, save those that say which unknown messages the car has."""

    def __init__(self, seed: int, car_seed: int) -> None:
        super().__init__(seed)
        self._of_car = RandomStreams(car_seed)

    def uniform(self, concern: str, count: int, low: float = 0.0, high: float = 1.0) -> NDArray[np.float64]:
        if concern == "background ids":
            return self._of_car.uniform(concern, count, low, high)
        return super().uniform(concern, count, low, high)


def make_cars(
    seed: int, *, cars: int, days: int, ailing: Mapping[FleetFault, int] | None = None
) -> tuple[FleetCar, ...]:
    """Return the cars of a fleet; those that ail come first.

    Parameters
    ----------
    seed : int
        Of the fleet.
    cars, days : int
        How many, and for how long they are recorded.
    ailing : mapping of Ailment to int, optional
        How many cars have what; the others are healthy.

    Raises
    ------
    UsageError
        If more cars ail than there are.
    """
    wanted = [ailment for ailment, count in (ailing or {}).items() for _ in range(count)]
    if len(wanted) > cars:
        raise ValueError(f"{len(wanted)} of {cars} cars cannot ail; ask for more cars, or for fewer that ail")
    made = []
    for number in range(1, cars + 1):
        own = _RandomSource(RandomStreams(seed), f"car {number}")
        ailment = wanted[number - 1] if number <= len(wanted) else FleetFault.NONE
        begins = days * own.even(0.15, 0.45)
        made.append(
            FleetCar(
                number=number,
                seed=int(own.even(0.0, 2.0**40)),
                wear=1.04 + 0.04 * own.bell(),
                friction=1.02 + 0.02 * own.bell(),
                battery_volts=12.6 + 0.08 * own.bell(),
                battery_ohm=own.even(0.010, 0.016),
                warmer=2.0 * own.bell(),
                ailment=ailment,
                begins=begins,
                full=begins + days * own.even(0.35, 0.5),
                power=2.0 if own.even(0.0, 1.0) < 0.5 else 1.0,
            )
        )
    return tuple(made)


def make_starts(seed: int, cars: tuple[FleetCar, ...], *, days: int, starts_per_day: float = 1.5) -> Iterator[Start]:
    """Yield the starts of a fleet that are recorded, car by car in the order of time.

    A car is not started every day. About one recording in fifty is made by a device that keeps only one frame of each
    message per 100 ms, and at one start in a hundred the bolt of a healthy car stands under load. One car in four has
    just been helped out of a flat battery when it is recorded for the first time.

    Parameters
    ----------
    seed : int
        Of the fleet; the weather hangs on it.
    cars : tuple of Car
        From `make_cars`.
    days : int
        For how long.
    starts_per_day : float
        On average, 0 to 4.
    """
    weather = _weather(seed, days)
    for car in cars:
        own = _RandomSource(RandomStreams(seed), f"days of car {car.number}")
        charge = 0.0
        flat = 1.4 if own.even(0.0, 1.0) < 0.25 else 0.0
        for day in range(days):
            charge = 0.8 * charge + 0.04 * own.bell()
            for turn in range(4):
                # All numbers of a turn are drawn, whether it takes place or not: a day hangs on no other.
                takes_place = own.even(0.0, 1.0) < starts_per_day / 4.0
                hour = 6.0 + 4.0 * turn + own.even(0.0, 3.5)
                breeze, load, coarse = own.bell(), own.even(0.0, 1.0), own.even(0.0, 1.0)
                if not takes_place:
                    continue
                ailing = car.ailing(day + hour / 24.0)
                warmth = weather[day] + car.warmer + 0.5 * breeze + 0.5 * min(hour - 6.0, 20.0 - hour)
                yield Start(
                    car=car,
                    day=day,
                    start_ns=(FIRST_DAY + day) * NS_PER_DAY + int(hour * 3600) * NS_PER_S,
                    ailing=ailing,
                    scenario=_scenario(
                        car,
                        ailing=ailing,
                        warmth=warmth,
                        charge=charge - flat,
                        load=load,
                        recorder=LoggerSettings(thinning_ms=100) if coarse < 0.02 else LoggerSettings(),
                    ),
                    seed=(car.seed << 14) + day * 4 + turn,
                )
                flat = 0.0


def _scenario(
    car: FleetCar, *, ailing: float, warmth: float, charge: float, load: float, recorder: LoggerSettings
) -> Scenario:
    mechanics = Mechanics(friction=car.friction, wear=car.wear)
    if car.ailment is FleetFault.SLOW_MOTOR:
        worn = FAULTS["slow-motor"].scenario(ailing).mechanics
        mechanics = Mechanics(friction=car.friction * worn.friction, wear=car.wear * worn.wear)
    chance = 0.01 + (0.5 * min(ailing, 1.0) if car.ailment is FleetFault.RETRIES else 0.0)
    return Scenario(
        script="seated",
        mechanics=replace(mechanics, bound_pulses=int(load < chance)),
        temperature=min(max(warmth, -30.0), 45.0),
        battery_volts=car.battery_volts + charge + 0.003 * (warmth - 20.0),
        battery_ohm=car.battery_ohm * (1.0 + 0.006 * max(20.0 - warmth, 0.0)),
        recorder=recorder,
    )


def record_start(start: Start) -> Frames:
    """Let a start happen, and return what its recorder has heard."""
    streams = _OwnBackground(start.seed, start.car.seed)
    life = simulate_car(start.scenario, Onset.PARKED, streams, duration_ms=None)
    heard = simulate_bus(life, streams, background_ids=BACKGROUND_IDS, car_number=start.car.number % 256)
    if start.ailing > 0.0:
        heard = _changed(heard, start.car.ailment)
    traffic, _ = record(heard, life, start.scenario.recorder)
    count = len(traffic.time_ns)
    return Frames(
        time_ns=start.start_ns + traffic.time_ns,
        channel=np.zeros(count, dtype=np.uint16),
        can_id=traffic.can_id,
        flags=np.where(traffic.is_extended, Flag.EXTENDED, 0).astype(np.uint16),
        dlc=traffic.length,
        length=traffic.length,
        word=np.arange(count, dtype=np.int64),
        words=traffic.word,
        channels=("can0",),
    )


def _changed(heard: BusTrace, ailment: FleetFault) -> BusTrace:
    """Return what is heard of a car after the software of one of its units was changed."""
    kept = np.ones(len(heard.can_id), dtype=np.bool_)
    if ailment is FleetFault.MESSAGE_LOST:
        kept = heard.can_id != _IDS[LOST]
    elif ailment is FleetFault.CYCLE_CHANGED:
        kept[np.flatnonzero(heard.can_id == _IDS[SLOWED])[1::2]] = False
    return heard._replace(**{name: column[kept] for name, column in heard._asdict().items()})


class _RandomSource:
    """The numbers of one concern, with the shapes that are needed here."""

    def __init__(self, streams: RandomStreams, concern: str) -> None:
        self._streams = streams
        self._concern = concern

    def even(self, low: float, high: float) -> float:
        """Return a number evenly spread over ``[low, high)``."""
        return self._streams.draw(self._concern, low, high)

    def bell(self) -> float:
        """Return a number of mean 0 and deviation 1, nearly normal: the sum of twelve even ones less six."""
        total = 0.0
        for value in self._streams.uniform(self._concern, 12).tolist():
            total += value
        return total - 6.0


def _weather(seed: int, days: int) -> list[float]:
    """Return the temperature at six in the morning of each day, degC: the season, and weather that lasts some days."""
    dice = _RandomSource(RandomStreams(seed), "weather")
    departure = 0.0
    found = []
    for day in range(days):
        departure = 0.75 * departure + 2.0 * dice.bell()
        found.append(9.0 - 10.0 * _wave((FIRST_DAY + day - COLDEST_DAY) / 365.25) + departure)
    return found


def _wave(turns: float) -> float:
    """Return about the cosine of so many turns, from parabolas: the cosine of a library differs between machines."""
    part = (turns + 0.25) % 1.0
    bow = part % 0.5
    arch = 16.0 * bow * (0.5 - bow)
    return arch if part < 0.5 else -arch
