"""What a ledger tells of a fleet, against lists that are walked in plain Python."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from support.ledgers import DAY_NS, START_NS, fill, generated, jobs, judged, scratch
from support.remembered import Memory

from buslens.checks.findings import Verdict
from buslens.fleet import queries
from buslens.fleet.ledger import Ledger
from buslens.fleet.views import NO_UPPER_END, OUTCOMES, UNDATED, DelayColumns

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from buslens.fleet.model import CaptureJob, JobResult

    Pairs = list[tuple[CaptureJob, JobResult]]

NEVER = -(2**70)


def when(pair: tuple[CaptureJob, JobResult]) -> int | None:
    job, result = pair
    return result.clock_start_ns if job.recorded_ns is None else job.recorded_ns


def column_date(pair: tuple[CaptureJob, JobResult]) -> int:
    date = when(pair)
    return UNDATED if date is None else date


def oldest_first(pairs: Iterable[tuple[CaptureJob, JobResult]]) -> Pairs:
    """Order captures that are in the order of their addresses by date, those without one first."""
    return sorted(pairs, key=lambda pair: NEVER if (date := when(pair)) is None else date)


def as_rows(delays: DelayColumns) -> Counter[tuple[Any, ...]]:
    assert list(delays.vehicles) == sorted(set(delays.vehicles))
    assert delays.censored.tolist() == (delays.latest_ns == NO_UPPER_END).tolist()
    keys = list(zip(delays.vehicle.tolist(), delays.recorded_ns.tolist(), strict=True))
    assert keys == sorted(keys)
    return Counter(
        zip(
            [delays.vehicles[place] for place in delays.vehicle],
            delays.recorded_ns.tolist(),
            delays.handshake.tolist(),
            [OUTCOMES[number] for number in delays.outcome],
            delays.earliest_ns.tolist(),
            delays.latest_ns.tolist(),
            delays.least_ns.tolist(),
            delays.most_ns.tolist(),
            strict=True,
        )
    )


def expected_delays(pairs: Pairs, rule: str, step: str) -> Counter[tuple[Any, ...]]:
    return Counter(
        (
            pair[0].vehicle,
            column_date(pair),
            one.handshake,
            one.outcome,
            one.earliest_ns,
            NO_UPPER_END if one.latest_ns is None else one.latest_ns,
            UNDATED if one.least_ns is None else one.least_ns,
            NO_UPPER_END if one.most_ns is None else one.most_ns,
        )
        for pair in pairs
        for one in pair[1].delays
        if (one.rule, one.step) == (rule, step)
    )


def compare(ledger: Ledger, memory: Memory) -> None:
    """Hold every answer to what plain lists say."""
    counted, standing = memory.counted(), memory.standing()
    verdicts = Counter(result.verdict for _, result in counted)
    dates = [date for pair in counted if (date := when(pair)) is not None]
    summary = queries.fleet_summary(ledger)
    assert summary.captures == len(counted)
    assert summary.copies == len(standing) - len(counted)
    assert summary.outdated == len(memory.captures) - len(standing)
    assert summary.vehicles == len({job.vehicle for job, _ in counted})
    assert summary.troubles == Counter(result.trouble for _, result in counted if result.trouble)
    assert (summary.as_expected, summary.faulty, summary.undecided) == tuple(
        verdicts[kind] for kind in (Verdict.AS_EXPECTED, Verdict.FAULTY, Verdict.UNDECIDED)
    )
    assert summary.frames == sum(result.frames for _, result in counted)
    assert summary.handshakes == sum(len(result.handshakes) for _, result in counted)
    assert summary.duration_ns == sum(result.duration_ns for _, result in counted)
    assert (summary.first_ns, summary.last_ns) == (min(dates, default=None), max(dates, default=None))

    assert [row.address for row in queries.troubles(ledger)] == [job.address for job, one in counted if one.trouble]
    rows = queries.vehicles(ledger)
    assert [row.vehicle for row in rows] == sorted({job.vehicle for job, _ in counted})
    for row in rows:
        own = oldest_first(pair for pair in counted if pair[0].vehicle == row.vehicle)
        compare_vehicle(ledger, row, own)
    for vehicle in {job.vehicle for job, _, _ in memory.captures.values()} - {row.vehicle for row in rows}:
        assert queries.captures_of(ledger, vehicle) == []

    limits = Counter((d.rule, d.step, d.least_ns, d.most_ns) for _, one in counted for d in one.delays)
    assert Counter({tuple(step[:4]): step.delays for step in queries.steps(ledger)}) == limits
    for rule, step in {(rule, step) for rule, step, _, _ in limits}:
        delays = queries.delays_of_step(ledger, rule, step)
        assert as_rows(delays) == expected_delays(counted, rule, step)
        for place, number in zip(delays.vehicle, delays.capture, strict=True):
            address = queries.address_of(ledger, int(number))
            assert memory.captures[address].job.vehicle == delays.vehicles[place]
    numbers = {row.vehicle: number for number, row in enumerate(rows)}
    assert Counter(
        (one.rule, *cells)
        for one in queries.tries_of(ledger, numbers)
        for cells in zip(one.vehicle.tolist(), one.recorded_ns.tolist(), one.tries.tolist(), strict=True)
    ) == Counter(
        (run.rule, numbers[pair[0].vehicle], max(column_date(pair), -1), run.tries)
        for pair in counted
        for run in pair[1].handshakes
        if run.tries > 0
    )


def compare_vehicle(ledger: Ledger, row: queries.VehicleRow, own: Pairs) -> None:
    """Hold every answer on one vehicle to what its captures, oldest first, say."""
    verdicts = Counter(result.verdict for _, result in own)
    assert row.captures == len(own)
    assert (row.as_expected, row.faulty, row.undecided, row.troubled) == tuple(
        verdicts[kind] for kind in (Verdict.AS_EXPECTED, Verdict.FAULTY, Verdict.UNDECIDED, None)
    )
    with_verdict = [(when(pair), pair[1].verdict) for pair in own if pair[1].verdict]
    faulty = [date for date, verdict in with_verdict if verdict is Verdict.FAULTY and date is not None]
    assert row.last_faulty_ns == max(faulty, default=None)

    found = queries.captures_of(ledger, row.vehicle)
    assert [
        (one.address, one.recorded_ns, one.verdict, one.trouble, one.summary, one.unexercised) for one in found
    ] == [
        (pair[0].address, when(pair), pair[1].verdict, pair[1].trouble, pair[1].summary, pair[1].unexercised)
        for pair in own
    ]
    assert [one.seconds for one in found] == [result.seconds for _, result in own]
    dates = [date for pair in own if (date := when(pair)) is not None]
    if dates:
        since, until = sorted([dates[0], dates[len(dates) // 2]])
        inside = [pair[0].address for pair in own if (date := when(pair)) is not None and since <= date <= until]
        between = queries.captures_of(ledger, row.vehicle, since_ns=since, until_ns=until)
        assert [one.address for one in between] == inside
        assert [one.address for one in found if one in between] == inside

    findings = queries.findings_of(ledger, row.vehicle)
    assert [one.finding for one in findings] == [one for _, result in own for one in result.findings]
    faults = queries.findings_of(ledger, row.vehicle, faults_only=True)
    assert faults == [one for one in findings if one.finding.outcome.is_fault]

    of_steps = queries.delays_of_vehicle(ledger, row.vehicle)
    assert set(of_steps) == {(one.rule, one.step) for _, result in own for one in result.delays}
    for (rule, step), delays in of_steps.items():
        assert as_rows(delays) == expected_delays(own, rule, step)
    traffic = queries.traffic_of(ledger, row.vehicle)
    assert Counter(
        zip(
            traffic.identifier.tolist(),
            traffic.recorded_ns[traffic.row].tolist(),
            traffic.duration_ns[traffic.row].tolist(),
            traffic.frames.tolist(),
            traffic.cycle_ns.tolist(),
            strict=True,
        )
    ) == Counter(
        (
            2 * one.can_id + one.is_extended,
            date,
            result.duration_ns,
            one.frames,
            -1 if one.cycle_ns is None else one.cycle_ns,
        )
        for (_, result), date in zip(own, map(column_date, own), strict=True)
        for one in result.traffic
        if date >= 0
    )


class TestAnswers:
    """Every answer is what plain lists of everything that was entered say."""

    @given(entered=st.lists(st.tuples(jobs(), judged()), max_size=8))
    def test_of_anything(self, entered: Pairs) -> None:
        memory = Memory()
        with scratch() as name:
            with Ledger.writing(Path(name)) as ledger:
                for job, result in entered:
                    ledger.put(job, result)
                    memory.put(job, result)
            with Ledger.reading(Path(name)) as ledger:
                compare(ledger, memory)

    def test_of_a_generated_fleet(self) -> None:
        memory = Memory()
        with scratch() as name, Ledger.writing(Path(name)) as ledger:
            for job, result in generated(vehicles=9, captures=150):
                ledger.put(job, result)
                memory.put(job, result)
            compare(ledger, memory)
            slow = next(row for row in queries.vehicles(ledger) if row.vehicle == "car0007")
            assert slow.faulty


class TestOneVehicleLastYear:
    """A stretch of calendar time has both its ends, and nothing without a date."""

    @pytest.fixture
    def ledger(self) -> Iterator[Ledger]:
        with scratch() as name:
            fill(Path(name), vehicles=3, captures=90)
            with Ledger.reading(Path(name)) as ledger:
                yield ledger

    def test_every_answer_keeps_to_it(self, ledger: Ledger) -> None:
        everything = queries.captures_of(ledger, "car0001")
        assert len(everything) == 30
        since_ns, until_ns = everything[10].recorded_ns, everything[20].recorded_ns
        stretch = {"since_ns": since_ns, "until_ns": until_ns}
        inside = queries.captures_of(ledger, "car0001", **stretch)
        assert inside == everything[10:21]
        assert queries.captures_of(ledger, "car0001", since_ns=START_NS + 400 * DAY_NS) == []

    def test_it_is_looked_up_not_walked(self, ledger: Ledger) -> None:
        """Questions on one vehicle and one step go through an index, so that they do not grow with the fleet."""
        asked: list[str] = []
        ledger._connection.set_trace_callback(asked.append)
        queries.captures_of(ledger, "car0001", since_ns=START_NS)
        queries.findings_of(ledger, "car0001", since_ns=START_NS)
        queries.delays_of_vehicle(ledger, "car0001")
        queries.traffic_of(ledger, "car0001")
        queries.delays_of_step(ledger, "lock handshake", "enable on")
        ledger._connection.set_trace_callback(None)
        for query in {query for query in asked if "capture" in query}:
            plan = [str(row[3]) for row in ledger.rows(f"EXPLAIN QUERY PLAN {query}")]
            assert not [line for line in plan if line.startswith("SCAN") and line != "SCAN step"], query

    def test_unknown_names(self, ledger: Ledger) -> None:
        assert queries.captures_of(ledger, "car9") == []
        assert queries.findings_of(ledger, "car9") == []
        assert queries.delays_of_vehicle(ledger, "car9") == {}
        assert len(queries.traffic_of(ledger, "car9").frames) == 0
        assert len(queries.delays_of_step(ledger, "lock handshake", "no such step").vehicle) == 0
        with pytest.raises(LookupError, match="no capture of number 7000"):
            queries.address_of(ledger, 7000)
        (tries,) = queries.tries_of(ledger, {f"car000{place}": place for place in range(3)})
        number = int(tries.capture[0])
        assert queries.address_of(ledger, np.int64(number)).startswith("/captures/car0000/")  # type: ignore[arg-type]


class TestLimitsThatDiffer:
    """Steps of one name with different limits are one step in columns and two among the steps."""

    def test_two_groups(self, tmp_path: Path) -> None:
        (job, result), (other, its) = generated(vehicles=2, captures=2, seed=3)
        its = replace(its, delays=tuple(one._replace(most_ns=7) for one in its.delays))
        with Ledger.writing(tmp_path) as ledger:
            ledger.put(job, result)
            ledger.put(other, its)
            mosts = [row.most_ns for row in queries.steps(ledger) if row.step == "enable on"]
            assert mosts == [7, 400_000_000]
            delays = queries.delays_of_step(ledger, "lock handshake", "enable on")
            assert delays.most_ns.tolist() == [400_000_000] * 3 + [7] * 3
            assert len(queries.delays_of_vehicle(ledger, other.vehicle)["lock handshake", "enable on"].vehicle) == 3
