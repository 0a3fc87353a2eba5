from __future__ import annotations

from itertools import pairwise

import pytest

from buslens.rehearsal.lock_unit import MOTOR_OHM, REST_AMPERE, BoltTarget, LockUnit, Mechanics, PairingState

WIRES_OHM = 0.2
NEW = Mechanics()


def unit(*, locked: bool = True, pairing: PairingState = PairingState.PAIRED, temperature: float = 20.0) -> LockUnit:
    """Return a unit that has been awake for a while."""
    made = LockUnit(locked=locked, pairing=pairing, temperature=temperature)
    run(made, 200, enable=False)
    return made


def run(
    lock: LockUnit,
    milliseconds: int,
    mechanics: Mechanics = NEW,
    *,
    enable: bool,
    request: BoltTarget = BoltTarget.RELEASE,
    volts: float = 12.4,
) -> int:
    """Let time pass, and return how many telegrams came."""
    telegrams = 0
    for _ in range(milliseconds):
        lock.step(mechanics, volts=volts, ohm=WIRES_OHM, enable=enable, request=request)
        telegrams += lock.telegram is not None
    return telegrams


def run_time(mechanics: Mechanics, volts: float, temperature: float) -> int:
    """Return the milliseconds from the enable until the contact closes."""
    lock = unit(temperature=temperature)
    for passed in range(5000):
        if lock.contact_closed:
            return passed
        run(lock, 1, mechanics, enable=True, volts=volts)
    pytest.fail("the bolt did not arrive")


class TestRunTime:
    """The bolt moves as fast as voltage, friction, wear and temperature let it."""

    @pytest.mark.parametrize(
        "worsening",
        [
            [(NEW, volts, 20.0) for volts in (14.0, 12.4, 11.0, 9.5)],
            [(Mechanics(friction=friction), 12.4, 20.0) for friction in (1.0, 1.5, 2.0)],
            [(Mechanics(wear=wear), 12.4, 20.0) for wear in (1.0, 1.5, 2.5)],
            [(NEW, 12.4, temperature) for temperature in (20.0, 0.0, -30.0)],
        ],
        ids=["less voltage", "more friction", "more wear", "colder"],
    )
    def test_is_longer_with(self, worsening: list[tuple[Mechanics, float, float]]) -> None:
        times = [run_time(*conditions) for conditions in worsening]
        assert all(earlier < later for earlier, later in pairwise(times))


class TestPulse:
    """What a pulse on the enable wire moves."""

    @pytest.mark.parametrize(
        ("locked", "asked", "released"),
        [
            (True, BoltTarget.RELEASE, True),
            (False, BoltTarget.LOCK, False),
            (True, BoltTarget.NONE, True),
            (False, BoltTarget.NONE, True),
        ],
    )
    def test_goes_where_asked_and_without_a_request_only_releases(
        self, locked: bool, asked: BoltTarget, released: bool
    ) -> None:
        lock = unit(locked=locked)
        run(lock, 600, enable=True, request=asked)
        assert lock.position == (1.0 if released else 0.0)
        assert lock.contact_closed is released

    @pytest.mark.parametrize("pairing", [PairingState.NEW, PairingState.CLEARED])
    def test_moves_nothing_in_a_unit_that_is_not_paired(self, pairing: PairingState) -> None:
        lock = unit(pairing=pairing)
        run(lock, 600, enable=True)
        assert lock.position == 0.0

    def test_that_ends_early_leaves_the_bolt_between(self) -> None:
        lock = unit()
        run(lock, 120, enable=True)
        run(lock, 500, enable=False)
        assert 0.1 < lock.position < 0.9
        assert not lock.contact_closed
        run(lock, 600, enable=True)
        assert lock.position == 1.0

    def test_that_is_there_when_the_unit_wakes_is_none(self) -> None:
        lock = unit()
        run(lock, 500, enable=True, volts=0.0)
        run(lock, 600, enable=True)
        assert lock.position == 0.0


class TestCurrent:
    """The motor draws its load, the stall current when it cannot turn, and nothing much at rest."""

    def test_at_rest(self) -> None:
        assert unit().current == REST_AMPERE

    def test_falls_from_the_inrush_to_the_load(self) -> None:
        lock = unit()
        run(lock, 2, enable=True)
        inrush = lock.current
        run(lock, 150, enable=True)
        assert inrush > 2 * lock.current > 4.0

    def test_stalls(self) -> None:
        lock = unit()
        run(lock, 300, Mechanics(blocked_at=0.01), enable=True)
        assert lock.current == pytest.approx(12.4 / (MOTOR_OHM + WIRES_OHM), rel=0.02)
        assert lock.position == 0.01


class TestTelegrams:
    """The data line speaks as long as the electronics live."""

    def test_come_regularly_and_stop_without_supply(self) -> None:
        lock = unit()
        assert run(lock, 4000, enable=False) == 100
        run(lock, 200, enable=False, volts=0.0)
        assert run(lock, 1000, enable=False, volts=0.0) == 0

    def test_a_short_gap_in_the_supply_is_bridged(self) -> None:
        lock = unit()
        run(lock, 50, enable=False, volts=0.0)
        assert run(lock, 400, enable=False) == 10

    def test_a_stuck_sensor_contradicts_the_contact(self) -> None:
        lock = unit()
        stuck = Mechanics(sensor_stuck=True)
        run(lock, 600, stuck, enable=True)
        said = []
        for _ in range(40):
            run(lock, 1, stuck, enable=True)
            said += [lock.telegram.unlocked] if lock.telegram else []
        assert said == [False]
        assert lock.contact_closed
