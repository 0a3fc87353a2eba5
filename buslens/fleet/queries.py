"""What a ledger tells of a fleet: rows for a page, columns for statistics.

All of them tell of captures that count: checked on what their group is checked on now, and no second copy of another
capture of the same vehicle. Only `fleet_summary` counts the others too. The records are in `views.py`.
"""

from __future__ import annotations

import json
import math
from typing import TYPE_CHECKING, Final, NamedTuple, cast

from buslens.checks.findings import Outcome, Verdict
from buslens.fleet.anomalies.skew import USUAL_PATHS
from buslens.fleet.columns import delays_of_step, delays_of_vehicle, traffic_of, tries_of
from buslens.fleet.ledger_file import as_text
from buslens.fleet.model import Anomaly, AnomalyKind, FailureKind, FindingRow
from buslens.fleet.query_scope import CURRENT_CAPTURES, corruption_guard, kind_of, only, window
from buslens.fleet.views import CaptureRow, FleetSummary, FoundRow, StepRow, TroubleRow, VehicleRow

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from buslens.fleet.ledger import Ledger

__all__ = [
    "address_of",
    "anomalies",
    "captures_of",
    "delays_of_step",
    "delays_of_vehicle",
    "findings_of",
    "fleet_summary",
    "steps",
    "traffic_of",
    "tries_of",
    "troubles",
    "vehicles",
]

_CAPTURE_COLUMNS: Final = (
    "capture.id, address, vehicle, capture.grouping, recorded_ns, is_named, size, verdict, trouble, summary, met, "
    "faults, undecided, handshakes, frames, skipped_lines, duration_ns, unexercised, seconds"
)

_FINDING_COLUMNS: Final = (
    "capture.id, address, vehicle, capture.grouping, recorded_ns, rule, kind, step, handshake, outcome, reason, "
    "time_ns, delay_earliest, delay_latest, limit_least, limit_most, unit, roles"
)


def fleet_summary(ledger: Ledger) -> FleetSummary:
    """Return how many of everything there are."""
    with corruption_guard(ledger), ledger.snapshot():
        total = only(ledger, "SELECT count(*) FROM capture")
        standing = only(ledger, f"SELECT count(*) FROM {CURRENT_CAPTURES}")  # noqa: S608  # text of ours
        distinct = only(ledger, f"SELECT count(DISTINCT vehicle) FROM {CURRENT_CAPTURES} WHERE copy = 0")  # noqa: S608  # text of ours
        query = (
            "SELECT coalesce(verdict, trouble), count(*), sum(frames), sum(skipped_lines), sum(handshakes), "  # noqa: S608
            f"sum(duration_ns), sum(seconds), min(recorded_ns), max(recorded_ns) FROM {CURRENT_CAPTURES} "
            "WHERE copy = 0 GROUP BY verdict, trouble"
        )
        rows = [cast("tuple[int, ...]", row) for row in ledger.rows(query)]
        # No verdict has the name of a trouble.
        kinds = {ledger.word(row[0]): row[1] for row in rows}
        captures = sum(kinds.values())
        return FleetSummary(
            captures=captures,
            vehicles=distinct,
            as_expected=kinds.get(Verdict.AS_EXPECTED.value, 0),
            faulty=kinds.get(Verdict.FAULTY.value, 0),
            undecided=kinds.get(Verdict.UNDECIDED.value, 0),
            troubles={kind: kinds[kind.value] for kind in FailureKind if kind.value in kinds},
            copies=standing - captures,
            outdated=total - standing,
            frames=sum(row[2] for row in rows),
            skipped_lines=sum(row[3] for row in rows),
            handshakes=sum(row[4] for row in rows),
            duration_ns=sum(row[5] for row in rows),
            seconds=sum(row[6] for row in rows),
            first_ns=min((row[7] for row in rows if row[7] is not None), default=None),
            last_ns=max((row[8] for row in rows if row[8] is not None), default=None),
        )


def vehicles(ledger: Ledger) -> list[VehicleRow]:
    """Return every vehicle, by name."""
    query = (
        "SELECT vehicle, verdict, count(*), sum(handshakes), min(recorded_ns), max(recorded_ns) "  # noqa: S608
        f"FROM {CURRENT_CAPTURES} WHERE copy = 0 GROUP BY vehicle, verdict"
    )
    found: dict[int, list[_Counted]] = {}
    with corruption_guard(ledger):
        for vehicle, verdict, *counts in ledger.rows(query):
            counted = _Counted(
                None if verdict is None else kind_of(ledger, Verdict, verdict), *cast("list[int]", counts)
            )
            found.setdefault(cast("int", vehicle), []).append(counted)
        rows = [_vehicle(ledger.word(vehicle), counted) for vehicle, counted in found.items()]
    return sorted(rows, key=lambda row: row.vehicle)


def captures_of(
    ledger: Ledger, vehicle: str, *, since_ns: int | None = None, until_ns: int | None = None
) -> list[CaptureRow]:
    """Return the captures of a vehicle, oldest first, those without a date before them.

    Parameters
    ----------
    since_ns, until_ns : int or None
        Calendar times, ns, both included, between which they were recorded; with one of them, only dated captures.
    """
    during, values = window(since_ns, until_ns)
    query = (
        f"SELECT {_CAPTURE_COLUMNS} FROM {CURRENT_CAPTURES} WHERE vehicle = ? AND copy = 0{during} "  # noqa: S608  # text of ours
        "ORDER BY recorded_ns, address"
    )
    with corruption_guard(ledger):
        number = ledger.number(vehicle)
        return [] if number is None else [_capture(ledger, row) for row in ledger.rows(query, (number, *values))]


def findings_of(
    ledger: Ledger,
    vehicle: str,
    *,
    since_ns: int | None = None,
    until_ns: int | None = None,
    faults_only: bool = False,
) -> list[FoundRow]:
    """Return what is not met in the captures of a vehicle, oldest first; parameters as of `captures_of`."""
    during, values = window(since_ns, until_ns)
    query = (
        f"SELECT {_FINDING_COLUMNS} FROM {CURRENT_CAPTURES} CROSS JOIN finding ON finding.judgement = judgement.id "  # noqa: S608
        f"WHERE vehicle = ? AND copy = 0{during} ORDER BY recorded_ns, address, place"
    )
    with corruption_guard(ledger):
        number = ledger.number(vehicle)
        if number is None:
            return []
        found = [_found(ledger, row) for row in ledger.rows(query, (number, *values))]
    return [one for one in found if one.finding.outcome.is_fault or not faults_only]


def troubles(ledger: Ledger) -> Iterator[TroubleRow]:
    """Yield the captures without a verdict, by address."""
    query = (
        "SELECT capture.id, address, vehicle, recorded_ns, trouble, summary "  # noqa: S608  # text of ours
        f"FROM {CURRENT_CAPTURES} WHERE trouble IS NOT NULL AND copy = 0 ORDER BY address"
    )
    with corruption_guard(ledger):
        for row in ledger.rows(query):
            capture, address, vehicle, recorded, trouble, summary = cast("tuple[int, str, int, int, int, str]", row)
            yield TroubleRow(
                capture,
                as_text(address),
                ledger.word(vehicle),
                recorded,
                kind_of(ledger, FailureKind, trouble),
                as_text(summary),
            )


def steps(ledger: Ledger) -> list[StepRow]:
    """Return the steps of which there are delays, each with its limits and with how many delays there are."""
    query = (
        "SELECT step.rule, step.step, least_ns, most_ns, count(*) "  # noqa: S608  # text of ours
        f"FROM {CURRENT_CAPTURES} JOIN delay ON delay.judgement = judgement.id JOIN step ON step.id = delay.step "
        "WHERE copy = 0 GROUP BY delay.step"
    )
    with corruption_guard(ledger):
        rows = [
            StepRow(ledger.word(rule), ledger.word(step), least, most, count)
            for rule, step, least, most, count in cast(
                "Iterator[tuple[int, int, int | None, int | None, int]]", ledger.rows(query)
            )
        ]
    none = -1
    return sorted(
        rows,
        key=lambda row: (
            row.rule,
            row.step,
            none if row.least_ns is None else row.least_ns,
            none if row.most_ns is None else row.most_ns,
        ),
    )


def address_of(ledger: Ledger, capture: int) -> str:
    """Return where a capture lies, by its number in the columns."""
    for (address,) in ledger.rows("SELECT address FROM capture WHERE id = ?", (int(capture),)):
        return as_text(cast("str | bytes", address))
    raise LookupError(f"the ledger has no capture of number {capture}")


def feedback_paths(ledger: Ledger) -> frozenset[frozenset[str]]:
    """Return the pairs of roles that are the two feedback paths, as the last run knew them."""
    with corruption_guard(ledger):
        told = [
            json.loads(cast("str", row[0]))
            for row in ledger.rows("SELECT value FROM meta WHERE name = 'feedback paths'")
        ]
        return frozenset(map(frozenset, told[0])) if told else USUAL_PATHS


def anomalies(ledger: Ledger) -> list[Anomaly]:
    """Return what stood out when the fleet was last compared, in the order in which it was entered."""
    query = (
        "SELECT kind, vehicle, sentence, p_value, q_value, rule, step, address, recorded_ns, crossing_from_ns, "
        "crossing_to_ns, numbers FROM anomaly ORDER BY id"
    )
    with corruption_guard(ledger):
        return [_anomaly(row) for row in ledger.rows(query)]


class _Counted(NamedTuple):
    """The captures of one vehicle that have one verdict, or none."""

    verdict: Verdict | None
    captures: int
    handshakes: int
    first_ns: int | None
    last_ns: int | None


def _vehicle(name: str, counted: Sequence[_Counted]) -> VehicleRow:
    by_verdict = {one.verdict: one for one in counted}
    count = {verdict: by_verdict[verdict].captures if verdict in by_verdict else 0 for verdict in (None, *Verdict)}
    judged = [one for one in counted if one.verdict is not None]
    # Of two captures of one moment, the graver tells.
    gravity = (Verdict.AS_EXPECTED, Verdict.UNDECIDED, Verdict.FAULTY)
    last = max(
        judged,
        key=lambda one: (one.last_ns is not None, one.last_ns or 0, gravity.index(one.verdict or Verdict.AS_EXPECTED)),
        default=None,
    )
    faulty = by_verdict.get(Verdict.FAULTY)
    return VehicleRow(
        vehicle=name,
        captures=sum(one.captures for one in counted),
        as_expected=count[Verdict.AS_EXPECTED],
        faulty=count[Verdict.FAULTY],
        undecided=count[Verdict.UNDECIDED],
        troubled=count[None],
        handshakes=sum(one.handshakes for one in counted),
        first_ns=min((one.first_ns for one in counted if one.first_ns is not None), default=None),
        last_ns=max((one.last_ns for one in counted if one.last_ns is not None), default=None),
        last_verdict=None if last is None else last.verdict,
        last_faulty_ns=None if faulty is None else faulty.last_ns,
    )


def _capture(ledger: Ledger, row: tuple[object, ...]) -> CaptureRow:
    number, address, vehicle, group, recorded, is_named, size, verdict, trouble, summary, *counts = row
    met, faults, undecided, handshakes, frames, skipped, duration, unexercised, seconds = counts
    return CaptureRow(
        capture=cast("int", number),
        address=as_text(cast("str", address)),
        vehicle=ledger.word(cast("int", vehicle)),
        group=ledger.word(cast("int", group)),
        recorded_ns=cast("int | None", recorded),
        is_named=bool(is_named),
        size=cast("int | None", size),
        verdict=None if verdict is None else kind_of(ledger, Verdict, verdict),
        trouble=None if trouble is None else kind_of(ledger, FailureKind, trouble),
        summary=as_text(cast("str", summary)),
        met=cast("int", met),
        faults=cast("int", faults),
        undecided=cast("int", undecided),
        handshakes=cast("int", handshakes),
        frames=cast("int", frames),
        skipped_lines=cast("int", skipped),
        duration_ns=cast("int", duration),
        unexercised=tuple(json.loads(ledger.word(cast("int", unexercised)))),
        seconds=cast("float", seconds),
    )


def _found(ledger: Ledger, row: tuple[object, ...]) -> FoundRow:
    number, address, vehicle, group, recorded, rule, kind, step, handshake, outcome, reason, *measured = row
    time, earliest, latest, least, most, unit, roles = measured
    return FoundRow(
        capture=cast("int", number),
        address=as_text(cast("str", address)),
        vehicle=ledger.word(cast("int", vehicle)),
        group=ledger.word(cast("int", group)),
        recorded_ns=cast("int | None", recorded),
        finding=FindingRow(
            rule=ledger.word(cast("int", rule)),
            kind=ledger.word(cast("int", kind)),
            step=None if step is None else ledger.word(cast("int", step)),
            handshake=cast("int | None", handshake),
            outcome=kind_of(ledger, Outcome, outcome),
            reason=as_text(cast("str", reason)),
            time_ns=cast("int | None", time),
            delay_earliest=cast("float | None", earliest),
            delay_latest=cast("float | None", latest),
            limit_least=cast("float | None", least),
            limit_most=cast("float | None", most),
            unit=ledger.word(cast("int", unit)),
            roles=tuple(json.loads(ledger.word(cast("int", roles)))),
        ),
    )


def _anomaly(row: tuple[object, ...]) -> Anomaly:
    kind, vehicle, sentence, p_value, q_value, rule, step, address, recorded, begin, end, numbers = row
    return Anomaly(
        kind=AnomalyKind(kind),
        vehicle=as_text(cast("str", vehicle)),
        sentence=as_text(cast("str", sentence)),
        # What is no number goes in as nothing.
        p_value=math.nan if p_value is None else cast("float", p_value),
        q_value=math.nan if q_value is None else cast("float", q_value),
        rule=as_text(cast("str", rule)),
        step=as_text(cast("str", step)),
        address=as_text(cast("str", address)),
        recorded_ns=cast("int | None", recorded),
        crossing_ns=None if begin is None else (cast("int", begin), cast("int | None", end)),
        numbers=json.loads(cast("str", numbers)),
    )
