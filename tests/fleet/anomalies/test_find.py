from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest
from support.club_fleet import FleetFault
from support.rehearsed_fleets import GROUP, SKEWS, in_columns, recorded_fleet

from buslens.checks.findings import Outcome, Verdict
from buslens.fleet.anomalies.columns import UNDATED, StepDelays, Tries
from buslens.fleet.anomalies.compare import compare_delays, compare_tries
from buslens.fleet.anomalies.discovery_rate import LEVEL
from buslens.fleet.anomalies.find import find_anomalies, significant
from buslens.fleet.ledger import Ledger
from buslens.fleet.model import AnomalyKind, CaptureJob, DelayRow, HandshakeRow, JobResult, TrafficRow
from buslens.units import NS_PER_DAY

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

    from support.rehearsed_fleets import Recorded

    from buslens.fleet.anomalies.compare import StatisticalTest

MS = 1_000_000


@pytest.fixture(scope="module")
def fleet() -> Recorded:
    """Return a rehearsed fleet of seven cars over some weeks, one of them with a motor that fails within these."""
    return recorded_fleet(77, cars=7, days=24, starts_per_day=0.7, ailing={FleetFault.SLOW_MOTOR: 1})


def enter(folder: Path, captures: Iterable[tuple[CaptureJob, JobResult]]) -> Ledger:
    with Ledger.writing(folder) as ledger:
        for job, judged in captures:
            ledger.put(job, judged)
    return Ledger.reading(folder)


@pytest.mark.slow
class TestRehearsed:
    """A rehearsed fleet, from the simulated cars over a ledger to what is told."""

    def test_told(self, fleet: Recorded, tmp_path: Path) -> None:
        with enter(tmp_path / "out", fleet.captures) as ledger:
            found = find_anomalies(ledger, skews=SKEWS)
        kinds = {(it.vehicle, it.kind) for it in found}
        assert ("car001", AnomalyKind.DRIFT) in kinds
        assert {vehicle for vehicle, _ in kinds} == {"car001"}
        drift = next(it for it in found if it.kind is AnomalyKind.DRIFT)
        assert drift.sentence.startswith(f"{drift.rule}, {drift.step}: the delay grows by ")
        assert drift.numbers["slope_low_ms_per_day"] > 0.0
        # The same in columns that never were in a ledger.
        assert found == in_columns(fleet).anomalies()
        assert all(0.0 <= it.p_value <= it.q_value <= LEVEL for it in found)
        assert [it.q_value for it in found] == sorted(it.q_value for it in found)

    def test_kept_by_the_ledger(self, fleet: Recorded, tmp_path: Path) -> None:
        """What was found goes into the ledger's own table, and comes out as it was."""
        from buslens.fleet import queries

        with Ledger.writing(tmp_path / "out") as ledger:
            for job, judged in fleet.captures:
                ledger.put(job, judged)
            found = find_anomalies(ledger, skews=SKEWS)
            assert found
            ledger.put_anomalies(found)
            ledger.commit()
            assert sorted(queries.anomalies(ledger), key=repr) == sorted(found, key=repr)


def made(
    vehicle: str, day: int | None, delay_ms: float, *, most_ms: int = 600, number: int = 0, can_id: int = 0x123
) -> tuple[CaptureJob, JobResult]:
    """Return a capture with one handshake."""
    address = f"{vehicle}/{day}_{number}.log"
    start_ns = None if day is None else (20_514 + day) * NS_PER_DAY
    earliest_ns = int((delay_ms - 10.0) * MS)
    judged = JobResult(
        content=address,
        ground="club",
        verdict=Verdict.AS_EXPECTED,
        duration_ns=8_000 * MS,
        handshakes=(HandshakeRow("lock", 1, 0, 0, 700 * MS, True, "", 1),),
        delays=(
            DelayRow("lock", 1, "release", Outcome.MET, 0, earliest_ns, earliest_ns + 20 * MS, None, most_ms * MS),
        ),
        traffic=(TrafficRow("can0", 0x100, False, 400, 20 * MS), TrafficRow("can0", can_id, False, 400, 20 * MS)),
    )
    return CaptureJob(address=address, vehicle=vehicle, recorded_ns=start_ns, group=GROUP, size=1, stamp=""), judged


class TestLedger:
    """What the ledger holds besides healthy captures with dates."""

    def test_empty(self, tmp_path: Path) -> None:
        with enter(tmp_path / "out", []) as ledger:
            assert find_anomalies(ledger) == []

    def test_one_vehicle(self, tmp_path: Path) -> None:
        """A single vehicle cannot be compared, and its drift could be the weather's."""
        rows = [made("car1", day, 280.0 + 5.0 * day) for day in range(40)]
        with enter(tmp_path / "out", rows) as ledger:
            assert find_anomalies(ledger) == []

    def test_without_dates(self, tmp_path: Path) -> None:
        """Captures without a date are compared with the fleet, not with the past."""
        dice = np.random.default_rng(4)
        rows = [
            made(f"car{car}", None, float(dice.normal(280.0, 8.0)), number=number)
            for car in range(9)
            for number in range(20)
        ]
        rows.append(made("car3", None, 520.0, number=99))
        with enter(tmp_path / "out", rows) as ledger:
            found = find_anomalies(ledger)
        assert [(it.vehicle, it.kind, it.address) for it in found] == [
            ("car3", AnomalyKind.OUTLIER, "car3/None_99.log")
        ]
        assert found[0].recorded_ns is None

    def test_other_limits(self, tmp_path: Path) -> None:
        """Vehicles that are judged by other limits are of another kind, and are not compared with these."""
        dice = np.random.default_rng(4)
        rows = [made(f"car{car}", day, float(dice.normal(280.0, 8.0))) for car in range(9) for day in range(12)]
        rows += [made("van", day, float(dice.normal(900.0, 8.0)), most_ms=1500) for day in range(12)]
        with enter(tmp_path / "out", rows) as ledger:
            assert find_anomalies(ledger) == []
        with enter(tmp_path / "same", [*rows[:-12], *(made("van", day, 590.0) for day in range(12))]) as ledger:
            assert {it.vehicle for it in find_anomalies(ledger)} == {"van"}

    def test_messages(self, tmp_path: Path) -> None:
        """A message that went is told with the first capture without it, and the one that came in its place."""
        rows = [made("car1", day, 280.0, can_id=0x123 if day < 20 else 0x124) for day in range(28)]
        with enter(tmp_path / "out", rows) as ledger:
            found = find_anomalies(ledger)
        assert [(it.kind, it.address, it.recorded_ns) for it in found] == [
            (AnomalyKind.MESSAGES, "car1/20_0.log", 20_534 * NS_PER_DAY)
        ]
        assert found[0].sentence == (
            "123 is no longer there since 2026-03-22 (on 8 days, after 20); 124 is there that was not before since"
            " 2026-03-22 (on 8 days, after 20)"
        )

    def test_skew(self, tmp_path: Path) -> None:
        """The same test under its own name, where the step is one feedback following the other."""
        dice = np.random.default_rng(4)
        rows = [made(f"car{car}", day, float(dice.normal(280.0, 8.0))) for car in range(9) for day in range(30)]
        rows += [made("van", day, 280.0 + 6.0 * day) for day in range(30)]
        with enter(tmp_path / "out", rows) as ledger:
            plain, skew = find_anomalies(ledger), find_anomalies(ledger, skews={("lock", "release")})
        assert {it.kind for it in plain} == {AnomalyKind.OUTLIER, AnomalyKind.DRIFT}
        assert {it.kind for it in skew} == {AnomalyKind.SKEW}
        assert {it.vehicle for it in plain} == {"van"} == {it.vehicle for it in skew}
        drift = next(it for it in plain if it.kind is AnomalyKind.DRIFT)
        assert drift.numbers["slope_ms_per_day"] == pytest.approx(6.0, abs=0.5)
        assert drift.crossing_ns is not None
        # 280 ms and 6 ms a day: 600 ms on day 53.3; a delay is 20 ms wide.
        first, last = (None if it is None else it / NS_PER_DAY - 20_514 for it in drift.crossing_ns)
        assert first is not None
        assert 48.0 < first <= 53.4
        assert last is not None
        assert 53.3 <= last < 59.0


def drifting(vehicle: np.ndarray, day: np.ndarray, rise: dict[int, float], *, most_ms: int) -> list[StatisticalTest]:
    """Return the tests of vehicles whose delays begin at 280 ms and grow by so many ms a day."""
    dice = np.random.default_rng(5)
    slope = np.array([rise.get(number, 0.0) for number in range(int(vehicle.max()) + 1)])
    value = 280.0 + slope[vehicle] * day + dice.normal(0.0, 6.0, size=len(day))
    earliest = (value * MS).astype(np.int64)
    delays = StepDelays(
        rule="lock",
        step="release",
        vehicle=vehicle,
        recorded_ns=day * NS_PER_DAY,
        earliest_ns=earliest,
        latest_ns=earliest + 20 * MS,
        capture=np.arange(len(day)),
        least_ns=None,
        most_ns=most_ms * MS,
    )
    drifts = [it for it in compare_delays(delays, is_skew=False) if it.sentence and it.kind is AnomalyKind.DRIFT]
    return sorted(drifts, key=lambda it: it.vehicle)


class TestDrifts:
    """Before the limit, when it will be crossed; after it, since when and how often."""

    VEHICLE = np.repeat(np.arange(9), 60)
    DAY = np.tile(np.arange(100, 160), 9)

    def test_before_the_limit(self) -> None:
        (found,) = drifting(self.VEHICLE, self.DAY, {4: 2.0}, most_ms=700)
        assert found.crossing_ns is not None
        assert "beyond" not in found.sentence

    def test_after_the_limit(self) -> None:
        """280 ms and 2 ms a day from day 0 on: beyond 580 ms from about day 150 on, and nothing is foretold."""
        (found,) = drifting(self.VEHICLE, self.DAY, {4: 2.0}, most_ms=580)
        assert found.crossing_ns is None
        since = int(found.numbers["beyond_limit_since_day"])
        assert 146 <= since <= 152
        assert found.numbers["beyond_limit_of"] == 160 - since
        assert "going on like that" not in found.sentence
        assert "; beyond the limit of 580 ms in " in found.sentence

    @pytest.mark.parametrize("ailing", [3, 4])
    def test_several_in_a_small_fleet(self, ailing: int) -> None:
        """Enough others are left to tell the season, so that the rest is neither lost nor told for nothing."""
        found = drifting(self.VEHICLE, self.DAY, {number: 3.0 + number for number in range(ailing)}, most_ms=900)
        assert {it.vehicle for it in found} == set(range(ailing))


class TestRetriesThatRise:
    """They are told before they are sure, with a q-value above the level."""

    @pytest.mark.parametrize(("lately", "is_told"), [(7, True), (1, False)])
    def test_seven_of_35(self, lately: int, is_told: bool) -> None:
        """Against 1 of 40 days before, in one of twelve vehicles."""
        day = np.tile(np.arange(100, 175), 12)
        vehicle = np.repeat(np.arange(12), 75)
        tries = np.ones(len(day), np.int64)
        marked = [3, *range(45, 45 + 4 * lately, 4)]
        tries[marked] = 2
        columns = Tries(rule="lock", vehicle=vehicle, recorded_ns=day * NS_PER_DAY, tries=tries, capture=day)
        found = significant(compare_tries(columns), [str(number) for number in range(12)], str)
        assert [(it.vehicle, it.kind) for it in found] == ([("0", AnomalyKind.RETRIES)] if is_told else [])
        assert all(it.q_value > LEVEL for it in found)


class TestFindings:
    """What a rule has told already is not told again."""

    def test_late_delay(self) -> None:
        dice = np.random.default_rng(2)
        vehicle = np.repeat(np.arange(9), 20)
        earliest = (dice.normal(280.0, 8.0, size=180) * MS).astype(np.int64)
        delays = {}
        for end in (560, 700):
            changed = earliest.copy()
            changed[70] = end * MS
            delays[end] = StepDelays(
                rule="lock",
                step="release",
                vehicle=vehicle,
                recorded_ns=np.full(180, UNDATED),
                earliest_ns=changed,
                latest_ns=changed + 20 * MS,
                capture=np.arange(180),
                least_ns=None,
                most_ns=600 * MS,
            )
        names = [f"car{number}" for number in range(9)]
        found = {
            end: significant(compare_delays(own, is_skew=False), names, lambda number: f"{number}.log")
            for end, own in delays.items()
        }
        assert [(it.vehicle, it.address) for it in found[560]] == [("car3", "70.log")]
        assert found[700] == []
