"""From the ledger to what the page shows: records without markup, all of one moment of the ledger."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final, NamedTuple, cast

from buslens.checks.findings import Verdict
from buslens.checks.verdict import WORST_FIRST
from buslens.fleet import queries
from buslens.fleet.anomalies.discovery_rate import LEVEL
from buslens.fleet.ledger import Ledger
from buslens.fleet.ledger_file import as_stored, as_text
from buslens.fleet.model import Anomaly, FailureKind, FindingRow
from buslens.fleet.page.action import VisitAction, advice
from buslens.fleet.page.distribution import StepView, step_views
from buslens.fleet.page.lateness import worst_delay
from buslens.fleet.page.overview import MOST_ROWS, Row
from buslens.fleet.page.trends import SLOPE, TrendView, trend_view
from buslens.fleet.page.urgency import (
    LATELY,
    LATELY_NS,
    VehicleStatus,
    recent_captures_of,
    vehicle_status,
)
from buslens.fleet.query_scope import CURRENT_CAPTURES
from buslens.fleet.views import CaptureRow, FleetSummary, TroubleRow, VehicleRow

MOST_TROUBLES: Final = 50
"""Captures that are named for each sort of trouble; the rest is counted."""
MOST_TRENDS: Final = 60
"""Drifts that are drawn."""
MOST_DOUBTS: Final = 40
"""Sorts of what is undecided that are told."""


class Doubt(NamedTuple):
    """What could not be decided, of one sort."""

    rule: str
    step: str
    findings: int
    captures: int
    vehicles: int
    #: The last of them, in full.
    example: str


@dataclass(frozen=True, slots=True, kw_only=True)
class FleetView:
    """All that the page shows."""

    summary: FleetSummary
    #: Every vehicle, the most urgent first.
    standings: tuple[VehicleStatus, ...]
    steps: tuple[StepView, ...]
    #: What stands out, the surest first.
    anomalies: tuple[Anomaly, ...]
    #: What may be chance: its q-value is above the level of the fleet.
    unsure: tuple[Anomaly, ...]
    #: Drawn drifts, in the order of the vehicles' urgency.
    trends: tuple[TrendView, ...]
    #: What is undecided, the most frequent first; captures in which nothing happened have no rule.
    doubts: tuple[Doubt, ...]
    #: Captures without a verdict by the sort of trouble: how many, and the first of them.
    troubles: dict[FailureKind, tuple[int, tuple[TroubleRow, ...]]]


def gather(ledger: Ledger) -> FleetView:
    """Return what the page shows."""
    with ledger.snapshot():
        told = queries.anomalies(ledger)
        by_vehicle: dict[str, list[Anomaly]] = {}
        for anomaly in told:
            by_vehicle.setdefault(anomaly.vehicle, []).append(anomaly)
        rows, paths = queries.vehicles(ledger), queries.feedback_paths(ledger)
        standings = sorted(
            (_standing(ledger, row, by_vehicle.get(row.vehicle, ()), paths) for row in rows), key=lambda one: one.order
        )
        return FleetView(
            summary=queries.fleet_summary(ledger),
            standings=tuple(standings),
            steps=tuple(_steps(ledger)),
            anomalies=tuple(one for one in told if not one.q_value > LEVEL),
            unsure=tuple(one for one in told if one.q_value > LEVEL),
            trends=tuple(_trends(ledger, standings)),
            doubts=tuple(_doubts(ledger)),
            troubles=_troubles(ledger),
        )


def first_screen(ledger: Ledger, view: FleetView) -> list[Row]:
    """Return what the first screen shows: every vehicle, what is to be done first foremost."""
    with ledger.snapshot():
        said = []
        for one in view.standings:
            captures = queries.captures_of(ledger, one.row.vehicle)
            said.append((one, advice(one, captures, view.summary.last_ns), captures))
        # Of those that will cross a limit, the earliest date first; else as they stand already.
        said.sort(key=lambda it: (list(VisitAction).index(it[1].action), it[1].until_ns or 0))
        rows = []
        for place, (one, advised, captures) in enumerate(said):
            found = None
            if place < MOST_ROWS:
                counted = {row.capture for row in (one.lately or recent_captures_of(captures))}
                found = worst_delay(queries.delays_of_vehicle(ledger, one.row.vehicle), counted)
            rows.append(Row(standing=one, advice=advised, captures=captures, worst=found))
        return rows


def moment_to_see(ledger: Ledger, one: VehicleStatus) -> tuple[CaptureRow, FindingRow | Anomaly | None] | None:
    """Return the capture that shows best why a vehicle is called in, and what to look at in it; None if none does.

    Of faults, the gravest of those lately, and the last of these; of what stands out, the capture that it names; of a
    vehicle of which nothing is known, the last capture that was read.
    """
    by_number = {row.capture: row for row in one.lately}
    if one.urgency.is_fault:
        order = [row.capture for row in one.lately]
        worst = min(
            one.faults,
            key=lambda fault: (
                not fault.is_about_ignition,
                WORST_FIRST.index(fault.finding.outcome),
                -order.index(fault.capture),
            ),
            default=None,
        )
        return None if worst is None else (by_number[worst.capture], worst.finding)
    for anomaly in one.anomalies:
        if anomaly.address and anomaly.rule:
            named = _capture_at(ledger, one.row.vehicle, anomaly)
            return None if named is None else (named, anomaly)
    undecided = [row for row in one.lately if row.verdict is Verdict.UNDECIDED]
    return (undecided[-1], None) if undecided and not one.anomalies else None


def _capture_at(ledger: Ledger, vehicle: str, anomaly: Anomaly) -> CaptureRow | None:
    """Return the capture that an anomaly names, if it has a verdict; looked for first when the anomaly was seen."""
    at = anomaly.recorded_ns
    rows = [] if at is None else queries.captures_of(ledger, vehicle, since_ns=at, until_ns=at)
    if all(row.address != anomaly.address for row in rows):
        rows = queries.captures_of(ledger, vehicle)
    return next((row for row in rows if row.address == anomaly.address and row.verdict is not None), None)


def _standing(
    ledger: Ledger, row: VehicleRow, anomalies: Iterable[Anomaly], paths: frozenset[frozenset[str]]
) -> VehicleStatus:
    if not (row.faulty or row.undecided or row.troubled):
        return vehicle_status(row, (), (), anomalies, paths)
    since_ns = _since(ledger, row.vehicle)
    lately = recent_captures_of(queries.captures_of(ledger, row.vehicle, since_ns=since_ns))
    faults = []
    if any(one.verdict is Verdict.FAULTY for one in lately):
        faults = queries.findings_of(ledger, row.vehicle, since_ns=since_ns, faults_only=True)
    return vehicle_status(row, lately, faults, anomalies, paths)


def _since(ledger: Ledger, vehicle: str) -> int | None:
    """Return from when on a vehicle's captures may count as its last; None if that is unknown."""
    query = (
        f"SELECT recorded_ns FROM {CURRENT_CAPTURES} WHERE vehicle = ? AND copy = 0 "  # noqa: S608  # text of ours
        "ORDER BY recorded_ns DESC LIMIT ?"
    )
    times = [cast("int | None", row[0]) for row in ledger.rows(query, (as_stored(vehicle), LATELY))]
    if len(times) < LATELY or times[0] is None or times[-1] is None:
        return None
    return min(times[-1], times[0] - LATELY_NS)


def _steps(ledger: Ledger) -> Iterable[StepView]:
    """Yield the steps in the order in which the ledger met them first, which is that of the handshake."""
    order = {
        (as_text(cast("str | bytes", rule)), as_text(cast("str | bytes", step))): place
        for place, (rule, step) in enumerate(
            ledger.rows("SELECT rule, step FROM step GROUP BY rule, step ORDER BY min(id)")
        )
    }
    names = dict.fromkeys((row.rule, row.step) for row in queries.steps(ledger))
    rules: dict[str, int] = {}
    for rule, _ in sorted(names, key=lambda name: order[name]):
        rules.setdefault(rule, len(rules))
    for rule, step in sorted(names, key=lambda name: (rules[name[0]], order[name])):
        yield from step_views(queries.delays_of_step(ledger, rule, step))


def _trends(ledger: Ledger, standings: Sequence[VehicleStatus]) -> Iterable[TrendView]:
    count = 0
    for one in standings:
        drifts = [anomaly for anomaly in one.anomalies if SLOPE in anomaly.numbers]
        if not drifts:
            continue
        delays = queries.delays_of_vehicle(ledger, one.row.vehicle)
        for anomaly in drifts:
            columns = delays.get((anomaly.rule, anomaly.step))
            view = None if columns is None else trend_view(anomaly, columns)
            if view is not None and count < MOST_TRENDS:
                count += 1
                yield view


def _doubts(ledger: Ledger) -> Iterable[Doubt]:
    """Yield what is undecided: findings by rule and step, and captures in which no handshake was carried through."""
    undecided = [Verdict.UNDECIDED.value]
    # Where max() stands, SQLite takes the other columns from the row that has it.
    found = queries.read(
        ledger,
        [
            ("rule", as_text),
            ("step", as_text),
            *((it, None) for it in ("count(*)", "count(DISTINCT capture.id)", "count(DISTINCT vehicle)")),
            ("reason", as_text),
            ("max(recorded_ns)", None),
        ],
        f"{CURRENT_CAPTURES} JOIN finding ON finding.judgement = judgement.id "
        "WHERE outcome = ? AND copy = 0 GROUP BY rule, step",
        undecided,
    )
    idle = queries.read(
        ledger,
        [("count(*)", None), ("count(DISTINCT vehicle)", None), ("summary", as_text)],
        f"{CURRENT_CAPTURES} WHERE verdict = ? AND undecided = 0 AND copy = 0 GROUP BY summary",
        undecided,
    )
    doubts = [Doubt(rule, step or "", *counts) for rule, step, *counts, _ in found]
    doubts += [Doubt("", "", captures, captures, vehicles, example) for captures, vehicles, example in idle]
    return sorted(doubts, key=lambda one: (-one.captures, one.rule, one.step, one.example))


def _troubles(ledger: Ledger) -> dict[FailureKind, tuple[int, tuple[TroubleRow, ...]]]:
    counts: dict[FailureKind, int] = {}
    first: dict[FailureKind, list[TroubleRow]] = {}
    for row in queries.troubles(ledger):
        counts[row.trouble] = counts.get(row.trouble, 0) + 1
        named = first.setdefault(row.trouble, [])
        if len(named) < MOST_TROUBLES:
            named.append(row)
    return {kind: (count, tuple(first[kind])) for kind, count in sorted(counts.items(), key=lambda one: one[0].value)}
