"""What a ledger tells of a fleet: rows for a page, columns for statistics.

All of them tell of captures that count: checked on what their group is checked on now, and no second copy of another
capture of the same vehicle. Only `fleet_summary` counts the others too. The records are in `views.py`.
"""

from __future__ import annotations

import json
import math
from typing import TYPE_CHECKING, Any, Final, NamedTuple, cast

from buslens.checks.findings import Outcome, Verdict
from buslens.fleet.anomalies.skew import USUAL_PATHS
from buslens.fleet.columns import delays_of_step, delays_of_vehicle, traffic_of, tries_of
from buslens.fleet.ledger_file import as_text
from buslens.fleet.model import Anomaly, AnomalyKind, FailureKind, FindingRow
from buslens.fleet.query_scope import CURRENT_CAPTURES, corruption_guard, kind_of, only, window
from buslens.fleet.views import CaptureRow, FleetSummary, FoundRow, StepRow, TroubleRow, VehicleRow

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

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

# What is asked for, in the order of the fields of a record: each column, and behind a colon how it is read.
_OF_CAPTURE: Final = "capture.id, address:text, vehicle:word, capture.grouping:word, recorded_ns"
_CAPTURE: Final = (
    f"{_OF_CAPTURE}, is_named:truth, size, verdict:verdict, trouble:trouble, summary:text, met, faults, undecided, "
    "handshakes, frames, skipped_lines, duration_ns, unexercised:words, seconds"
)
_FINDING: Final = (
    "rule:word, kind:word, step:word, handshake, outcome:outcome, reason:text, time_ns, delay_earliest, delay_latest, "
    "limit_least, limit_most, unit:word, roles:words"
)
_TROUBLE: Final = "capture.id, address:text, vehicle:word, recorded_ns, trouble:trouble, summary:text"
_STEP: Final = "step.rule:word, step.step:word, least_ns, most_ns, count(*)"
_ANOMALY: Final = (
    "kind:kind, vehicle:text, sentence:text, p_value, q_value, rule:text, step:text, address:text, "
    "recorded_ns, crossing_from_ns, crossing_to_ns, numbers:json"
)

_READERS: Final[dict[str, Callable[[Ledger, Any], object]]] = {
    "text": lambda _, stored: as_text(stored),
    "word": lambda ledger, number: ledger.word(number),
    "words": lambda ledger, number: tuple(json.loads(ledger.word(number))),
    "truth": lambda _, number: bool(number),
    "verdict": lambda ledger, number: kind_of(ledger, Verdict, number),
    "trouble": lambda ledger, number: kind_of(ledger, FailureKind, number),
    "outcome": lambda ledger, number: kind_of(ledger, Outcome, number),
    "kind": lambda _, stored: AnomalyKind(stored),
    "json": lambda _, stored: json.loads(stored),
}


def _rows(ledger: Ledger, columns: str, rest: str, values: Sequence[object] = ()) -> Iterator[list[Any]]:
    """Yield what columns hold, as it was before it was entered; what there is not is None."""
    names, kinds = zip(*(column.partition(":")[::2] for column in columns.split(", ")), strict=True)
    readers = [_READERS.get(kind) for kind in kinds]
    with corruption_guard(ledger):
        for row in ledger.rows(f"SELECT {', '.join(names)} FROM {rest}", values):  # noqa: S608  # text of ours
            yield [
                cell if cell is None or read is None else read(ledger, cell)
                for cell, read in zip(row, readers, strict=True)
            ]


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
    which = f"{CURRENT_CAPTURES} WHERE vehicle = ? AND copy = 0{during} ORDER BY recorded_ns, address"
    return [CaptureRow(*row) for row in _rows(ledger, _CAPTURE, which, (ledger.number(vehicle), *values))]


def findings_of(
    ledger: Ledger, vehicle: str, *, since_ns: int | None = None, faults_only: bool = False
) -> list[FoundRow]:
    """Return what is not met in the captures of a vehicle, oldest first; parameters as of `captures_of`."""
    during, values = window(since_ns, None)
    which = (
        f"{CURRENT_CAPTURES} CROSS JOIN finding ON finding.judgement = judgement.id "
        f"WHERE vehicle = ? AND copy = 0{during} ORDER BY recorded_ns, address, place"
    )
    rows = _rows(ledger, f"{_OF_CAPTURE}, {_FINDING}", which, (ledger.number(vehicle), *values))
    found = [FoundRow._make([*row[:5], FindingRow(*row[5:])]) for row in rows]
    return [one for one in found if one.finding.outcome.is_fault or not faults_only]


def troubles(ledger: Ledger) -> Iterator[TroubleRow]:
    """Yield the captures without a verdict, by address."""
    which = f"{CURRENT_CAPTURES} WHERE trouble IS NOT NULL AND copy = 0 ORDER BY address"
    return (TroubleRow(*row) for row in _rows(ledger, _TROUBLE, which))


def steps(ledger: Ledger) -> list[StepRow]:
    """Return the steps of which there are delays, each with its limits and with how many delays there are."""
    which = (
        f"{CURRENT_CAPTURES} JOIN delay ON delay.judgement = judgement.id JOIN step ON step.id = delay.step "
        "WHERE copy = 0 GROUP BY delay.step"
    )
    none = -1
    return sorted(
        (StepRow(*row) for row in _rows(ledger, _STEP, which)),
        key=lambda row: (
            row.rule,
            row.step,
            none if row.least_ns is None else row.least_ns,
            none if row.most_ns is None else row.most_ns,
        ),
    )


def address_of(ledger: Ledger, capture: int) -> str:
    """Return where a capture lies, by its number in the columns.

    Raises
    ------
    LookupError
        If there is no capture of that number.
    """
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
    found = []
    for row in _rows(ledger, _ANOMALY, "anomaly ORDER BY id"):
        kind, vehicle, sentence, p_value, q_value, rule, step, address, recorded_ns, begin, end, numbers = row
        found.append(
            Anomaly(
                kind=kind,
                vehicle=vehicle,
                sentence=sentence,
                # What is no number goes in as nothing.
                p_value=math.nan if p_value is None else p_value,
                q_value=math.nan if q_value is None else q_value,
                rule=rule,
                step=step,
                address=address,
                recorded_ns=recorded_ns,
                crossing_ns=None if begin is None else (begin, end),
                numbers=numbers,
            )
        )
    return found


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
