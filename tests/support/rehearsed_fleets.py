"""Rehearsed fleets, judged: what the ledger of such a fleet would hold, without files."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, fields, replace
from functools import cache
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from support.club_fleet import make_cars, make_starts, record_start
from support.rehearsed import expectations, judge_frames

from buslens.capture.frames import Flag
from buslens.checks.findings import Outcome
from buslens.fleet.anomalies.columns import CENSORED, StepDelays, Tries, VehicleTraffic
from buslens.fleet.anomalies.compare import StatisticalTest, compare_delays, compare_traffic, compare_tries
from buslens.fleet.anomalies.find import significant
from buslens.fleet.model import CaptureJob, DelayRow, Group, HandshakeRow, JobResult, TrafficRow

if TYPE_CHECKING:
    from collections.abc import Mapping

    from support.club_fleet import FleetCar, FleetFault, Start

    from buslens.capture.frames import Frames
    from buslens.checks.findings import Result
    from buslens.fleet.model import Anomaly

SKEWS: Final = frozenset({("unlock handshake", "data feedback"), ("lock handshake", "data feedback")})
"""Steps of the club's expectations that are one feedback following the other."""
GROUP: Final = Group(name="club", vehicles=("*",), expectations="steering_lock.toml")


@cache
def limits() -> dict[tuple[str, str], tuple[int | None, int]]:
    """Return the limits of each step of the club's expectations, ns."""
    return {
        (rule.name, step.name): (step.after_ns, step.within_ns)
        for rule in expectations().rules
        if hasattr(rule, "steps")
        for step in rule.steps
    }


def judged_start(start: Start) -> tuple[CaptureJob, JobResult]:
    """Let a start happen, record it, judge it."""
    frames = record_start(start)
    result = judge_frames(frames)
    job = CaptureJob(
        address=start.name, vehicle=start.car.name, recorded_ns=start.start_ns, group=GROUP, size=None, stamp=start.name
    )
    return job, as_judged(result, frames, content=start.name)


def as_judged(result: Result, frames: Frames, *, content: str) -> JobResult:
    """Return what a worker of the fleet would hand over."""
    origin_ns = result.origin_ns
    delays = []
    for finding in result.findings:
        if finding.step is None or finding.handshake is None:
            continue
        least_ns, most_ns = limits()[finding.rule, finding.step]
        if finding.delay is not None:
            earliest_ns, latest_ns = finding.delay.earliest_ns, finding.delay.latest_ns
        elif finding.outcome is Outcome.MISSING:
            earliest_ns, latest_ns = most_ns, None
        else:
            continue
        delays.append(
            DelayRow(
                rule=finding.rule,
                handshake=finding.handshake,
                step=finding.step,
                outcome=finding.outcome,
                time_ns=None if finding.time_ns is None else finding.time_ns - origin_ns,
                earliest_ns=earliest_ns,
                latest_ns=latest_ns,
                least_ns=least_ns,
                most_ns=most_ns,
            )
        )
    return JobResult(
        content=content,
        ground="club",
        verdict=result.verdict,
        summary=result.summary,
        frames=len(frames),
        duration_ns=int(frames.time_ns[-1] - frames.time_ns[0]),
        clock_start_ns=int(frames.time_ns[0]),
        handshakes=tuple(
            HandshakeRow(
                rule=it.rule,
                number=it.number,
                start_earliest_ns=it.start.earliest_ns - origin_ns,
                start_latest_ns=None if it.start.latest_ns is None else it.start.latest_ns - origin_ns,
                end_ns=it.end_ns - origin_ns,
                completed=it.completed,
                abandoned=it.abandoned,
                tries=it.tries,
            )
            for it in result.handshakes
        ),
        delays=tuple(delays),
        traffic=traffic(frames),
    )


def traffic(frames: Frames) -> tuple[TrafficRow, ...]:
    """Return what each identifier did."""
    rows = []
    extended = (frames.flags & Flag.EXTENDED) != 0
    identity = frames.can_id.astype(np.int64) * 2 + extended
    for value in np.unique(identity).tolist():
        times = frames.time_ns[identity == value]
        cycle_ns = int(np.median(np.diff(times))) if len(times) > 1 else None
        rows.append(TrafficRow("can0", value >> 1, bool(value & 1), len(times), cycle_ns))
    return tuple(rows)


@dataclass(frozen=True, slots=True, kw_only=True)
class Recorded:
    """A rehearsed fleet with all of its captures, judged."""

    seed: int
    cars: tuple[FleetCar, ...]
    days: int
    captures: tuple[tuple[CaptureJob, JobResult], ...]

    @property
    def names(self) -> list[str]:
        return [car.name for car in self.cars]


def recorded_fleet(
    seed: int, *, cars: int, days: int, starts_per_day: float, ailing: Mapping[FleetFault, int] | None = None
) -> Recorded:
    """Let a fleet live, record it, judge it."""
    made = make_cars(seed, cars=cars, days=days, ailing=ailing)
    starts = make_starts(seed, made, days=days, starts_per_day=starts_per_day)
    return Recorded(seed=seed, cars=made, days=days, captures=tuple(judged_start(start) for start in starts))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Compared:
    """Columns of a fleet, as a ledger would give them."""

    names: list[str]
    addresses: list[str]
    delays: list[StepDelays]
    tries: list[Tries]
    traffic: dict[int, VehicleTraffic]

    def until(self, time_ns: int) -> Compared:
        """Return what there was before a time."""
        return Compared(
            names=self.names,
            addresses=self.addresses,
            delays=[_before(delays, time_ns) for delays in self.delays],
            tries=[_before(tries, time_ns) for tries in self.tries],
            traffic={vehicle: _heard_before(heard, time_ns) for vehicle, heard in self.traffic.items()},
        )

    def comparisons(self) -> list[StatisticalTest]:
        """Return all tests of the fleet."""
        tested: list[StatisticalTest] = []
        for delays in self.delays:
            tested += compare_delays(delays, is_skew=(delays.rule, delays.step) in SKEWS)
        for tries in self.tries:
            tested += compare_tries(tries)
        for vehicle, heard in self.traffic.items():
            tested += compare_traffic(vehicle, heard)
        return tested

    def anomalies(self) -> list[Anomaly]:
        """Return what stands out."""
        return significant(self.comparisons(), self.names, self.addresses.__getitem__)


def in_columns(fleet: Recorded) -> Compared:
    """Put a fleet into columns."""
    index = {name: place for place, name in enumerate(fleet.names)}
    delays: dict[tuple[str, str, int | None, int | None], list[tuple[int, ...]]] = defaultdict(list)
    tries: dict[str, list[tuple[int, ...]]] = defaultdict(list)
    captures: dict[int, list[tuple[int, ...]]] = defaultdict(list)
    heard: dict[int, list[tuple[int, ...]]] = defaultdict(list)
    for number, (job, judged) in enumerate(fleet.captures):
        vehicle, recorded_ns = index[job.vehicle], job.recorded_ns or 0
        for row in judged.delays:
            latest_ns = CENSORED if row.latest_ns is None else row.latest_ns
            key = (row.rule, row.step, row.least_ns, row.most_ns)
            delays[key].append((vehicle, recorded_ns, row.earliest_ns, latest_ns, number))
        for run in judged.handshakes:
            if run.tries:
                tries[run.rule].append((vehicle, recorded_ns, run.tries, number))
        for sent in judged.traffic:
            cycle_ns = -1 if sent.cycle_ns is None else sent.cycle_ns
            identifier = 2 * sent.can_id + sent.is_extended
            heard[vehicle].append((len(captures[vehicle]), identifier, sent.frames, cycle_ns))
        captures[vehicle].append((recorded_ns, judged.duration_ns, number))
    return Compared(
        names=fleet.names,
        addresses=[job.address for job, _ in fleet.captures],
        delays=[
            StepDelays(
                rule=rule,
                step=step,
                least_ns=least_ns,
                most_ns=most_ns,
                **_columns(rows, "vehicle", "recorded_ns", "earliest_ns", "latest_ns", "capture"),
            )
            for (rule, step, least_ns, most_ns), rows in delays.items()
        ],
        tries=[
            Tries(rule=rule, **_columns(rows, "vehicle", "recorded_ns", "tries", "capture"))
            for rule, rows in tries.items()
        ],
        traffic={
            vehicle: VehicleTraffic(
                **_columns(captures[vehicle], "recorded_ns", "duration_ns", "capture"),
                **_columns(rows, "row", "identifier", "frames", "cycle_ns"),
            )
            for vehicle, rows in heard.items()
        },
    )


def _columns(rows: list[tuple[int, ...]], *names: str) -> dict[str, Any]:
    table = np.array(rows, dtype=np.int64).reshape(len(rows), len(names))
    return {name: table[:, place].copy() for place, name in enumerate(names)}


def _before(columns: Any, time_ns: int) -> Any:
    kept = columns.recorded_ns < time_ns
    cut = {
        field.name: getattr(columns, field.name)[kept]
        for field in fields(columns)
        if isinstance(getattr(columns, field.name), np.ndarray)
    }
    return replace(columns, **cut)


def _heard_before(heard: VehicleTraffic, time_ns: int) -> VehicleTraffic:
    kept = heard.recorded_ns < time_ns
    place = np.cumsum(kept) - 1
    rows = kept[heard.row]
    return VehicleTraffic(
        recorded_ns=heard.recorded_ns[kept],
        duration_ns=heard.duration_ns[kept],
        capture=heard.capture[kept],
        row=place[heard.row[rows]],
        identifier=heard.identifier[rows],
        frames=heard.frames[rows],
        cycle_ns=heard.cycle_ns[rows],
    )
