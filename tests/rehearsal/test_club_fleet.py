from __future__ import annotations

import hashlib
import math
from typing import TYPE_CHECKING

import numpy as np
import pytest
from support.club_fleet import (
    _IDS,
    FIRST_DAY,
    LOST,
    NS_PER_DAY,
    SLOWED,
    FleetFault,
    _wave,
    _weather,
    make_cars,
    make_starts,
    record_start,
)

from buslens.rehearsal.messages import LAYOUTS

if TYPE_CHECKING:
    from support.club_fleet import Start


def starts(ailment: FleetFault = FleetFault.NONE, *, seed: int = 3, days: int = 100) -> list[Start]:
    cars = make_cars(seed, cars=1, days=days, ailing={ailment: 1})
    return list(make_starts(seed, cars, days=days, starts_per_day=1.0))


class TestFleet:
    """Cars, and the days on which they are started."""

    def test_same_seed(self) -> None:
        one, two = (
            [(it.name, it.scenario, it.seed) for it in make_starts(5, make_cars(5, cars=3, days=30), days=30)]
            for _ in range(2)
        )
        assert one == two
        assert one != [(it.name, it.scenario, it.seed) for it in make_starts(6, make_cars(6, cars=3, days=30), days=30)]

    def test_more_cars_change_no_other(self) -> None:
        few, many = (make_cars(5, cars=count, days=30) for count in (3, 9))
        assert many[:3] == few

    def test_in_the_order_of_time(self) -> None:
        found = starts(days=60)
        times = [it.start_ns for it in found]
        assert times == sorted(times)
        assert FIRST_DAY * NS_PER_DAY <= times[0] < times[-1] < (FIRST_DAY + 60) * NS_PER_DAY
        assert len({it.seed for it in found}) == len(found) == len({it.name for it in found})

    def test_starts_per_day(self) -> None:
        cars = make_cars(1, cars=4, days=100)
        for wanted in (0.5, 2.0):
            count = len(list(make_starts(1, cars, days=100, starts_per_day=wanted)))
            # Four chances a day, binomial: six deviations.
            spread = math.sqrt(4 * 100 * 4 * wanted / 4.0 * (1.0 - wanted / 4.0))
            assert count == pytest.approx(400 * wanted, abs=6.0 * spread)

    def test_too_many_ail(self) -> None:
        with pytest.raises(ValueError, match="3 of 2 cars cannot ail"):
            make_cars(1, cars=2, days=10, ailing={FleetFault.RETRIES: 3})

    def test_ailment_grows(self) -> None:
        for ailment in FleetFault:
            (car,) = make_cars(3, cars=1, days=100, ailing={ailment: 1})
            course = [car.ailing(day) for day in range(101)]
            assert course == sorted(course)
            assert course[int(car.begins)] == 0.0
            if ailment is FleetFault.NONE:
                assert course[-1] == 0.0
            else:
                assert car.ailing(car.full) == pytest.approx(1.0)


class TestWeather:
    """The season, and weather that lasts some days."""

    def test_wave(self) -> None:
        """It is nearly a cosine."""
        for step in range(200):
            turns = step / 100.0
            assert _wave(turns) == pytest.approx(math.cos(2.0 * math.pi * turns), abs=0.06)

    def test_summer_is_warmer(self) -> None:
        found = np.mean([_weather(seed, 365) for seed in range(6)], axis=0)
        assert found[120:150].mean() - found[300:330].mean() > 12.0

    def test_today_is_like_yesterday(self) -> None:
        found = np.array(_weather(3, 800))
        rest = found - np.convolve(found, np.ones(61) / 61.0, mode="same")
        assert np.corrcoef(rest[100:-101], rest[101:-100])[0, 1] > 0.5


class TestRecords:
    """What the recorder hears of a start."""

    def test_on_every_machine(self) -> None:
        """A digest taken once, on Linux with Python 3.11 and numpy 2."""
        frames = record_start(starts()[0])
        digest = hashlib.sha256(frames.time_ns.tobytes() + frames.can_id.tobytes() + frames.words.tobytes()).hexdigest()
        assert digest == "e6f99abb3abfbcbd32047524a4456a10e9310cf8b64bb758f45433662f7cf386"

    def test_calendar(self) -> None:
        chosen = starts()[7]
        frames = record_start(chosen)
        assert 0 <= frames.time_ns[0] - chosen.start_ns < 100_000_000

    def test_messages_of_a_car(self) -> None:
        """A car has the same messages on each day, and not all those of another."""
        one = [set(record_start(it).can_id.tolist()) for it in starts()[:2]]
        other = set(record_start(starts(seed=4)[0]).can_id.tolist())
        assert one[0] == one[1]
        assert len(one[0]) == len(LAYOUTS) + 3
        assert other != one[0]

    @pytest.mark.parametrize("ailment", [FleetFault.MESSAGE_LOST, FleetFault.CYCLE_CHANGED])
    def test_new_software(self, ailment: FleetFault) -> None:
        own = starts(ailment)
        before = record_start(next(it for it in own if it.ailing == 0.0))
        after = record_start(own[-1])
        name = LOST if ailment is FleetFault.MESSAGE_LOST else SLOWED
        was, is_now = ((frames.can_id == _IDS[name]).sum() for frames in (before, after))
        lasts = [(frames.time_ns[-1] - frames.time_ns[0]) / 20e6 for frames in (before, after)]
        assert was == pytest.approx(lasts[0], rel=0.05)
        assert is_now == pytest.approx(0.0 if ailment is FleetFault.MESSAGE_LOST else lasts[1] / 2.0, rel=0.05)

    def test_slow_motor(self) -> None:
        """The worn motor turns slower on the last day than on the first, and nothing else of the car has changed."""
        own = starts(FleetFault.SLOW_MOTOR)
        first, last = own[0].scenario.mechanics, own[-1].scenario.mechanics
        assert last.wear > 1.8 * first.wear
        assert last.friction > 1.3 * first.friction
        healthy = starts(FleetFault.NONE)
        assert {it.scenario.mechanics.wear for it in healthy} == {first.wear}
        assert [it.scenario.battery_volts for it in healthy] == [it.scenario.battery_volts for it in own]

    def test_retries(self) -> None:
        own = starts(FleetFault.RETRIES, days=200)
        bound = [(it.ailing, it.scenario.mechanics.bound_pulses) for it in own]
        early = [pulses for ailing, pulses in bound if ailing == 0.0]
        late = [pulses for ailing, pulses in bound if ailing > 0.8]
        assert np.mean(early) < 0.06
        assert 0.3 < np.mean(late) < 0.7
