"""What a ledger tells of a fleet: rows for a page, columns for statistics.

All of them tell of captures that count: checked on what their group is checked on now, and no second copy of another
capture of the same vehicle. Only `fleet_summary` counts the others too. The records are in `views.py`.
"""

import json
import math
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import fields
from types import NoneType, UnionType
from typing import Any, Final, TypeAlias, cast, get_args, get_origin, get_type_hints

import numpy as np
from numpy.typing import NDArray

from buslens.checks.findings import Outcome, Verdict
from buslens.expectations.role_purposes import USUAL_IGNITION
from buslens.fleet.anomalies import columns
from buslens.fleet.anomalies.columns import Tries, VehicleTraffic
from buslens.fleet.ledger import Ledger
from buslens.fleet.ledger_file import as_stored, as_text
from buslens.fleet.model import Anomaly, AnomalyKind, FailureKind, FindingRow
from buslens.fleet.query_scope import CURRENT_CAPTURES, DATED, corruption_guard, only, window
from buslens.fleet.views import (
    FORBIDDING,
    NO_UPPER_END,
    OUTCOMES,
    UNDATED,
    USUAL_PATHS,
    CaptureRow,
    DelayColumns,
    FleetSummary,
    FoundRow,
    StepRow,
    TroubleRow,
    VehicleRow,
)

FEEDBACK_PATHS: Final = "feedback paths"
IGNITION_ROLES: Final = "ignition roles"
"""What the last run knew of the roles, in the ledger's own table."""

Column: TypeAlias = tuple[str, Callable[[Any], object] | None]
"""What is asked of the ledger, and how it is read; None: it is there as it is."""

_READERS: Final[dict[object, Callable[[Any], object]]] = {
    str: as_text,
    bool: bool,
    tuple: lambda stored: tuple(json.loads(stored)),
    dict: json.loads,
    Verdict: Verdict,
    FailureKind: FailureKind,
    Outcome: Outcome,
    AnomalyKind: AnomalyKind,
}
"""How a value of a type is read."""


def columns_of(record: type, **asked: str) -> list[Column]:
    """Return the columns for the fields of a record, in order; `asked` has those of other names than their field."""
    found: list[Column] = []
    for name, kind in get_type_hints(record).items():
        # What may be missing is read as what else it may be.
        known = next(it for it in get_args(kind) if it is not NoneType) if isinstance(kind, UnionType) else kind
        found.append((asked.get(name, name), _READERS.get(get_origin(known) or known)))
    return found


_WHOSE: Final = {"capture": "capture.id", "group": "capture.grouping"}
_CAPTURE: Final = columns_of(CaptureRow, **_WHOSE)
_FOUND: Final = columns_of(FoundRow, **_WHOSE)[:5] + columns_of(FindingRow)
_TROUBLE: Final = columns_of(TroubleRow, **_WHOSE)
_STEP: Final = columns_of(StepRow, rule="step.rule", step="step.step", delays="count(*)")
_ANOMALY: Final = columns_of(Anomaly)


def read(
    ledger: Ledger, columns: Iterable[Column], rest: str, values: Sequence[object] | Mapping[str, object] = ()
) -> Iterator[list[Any]]:
    """Yield what columns hold, as it was before it was entered; what there is not is None."""
    names, readers = zip(*columns, strict=True)
    with corruption_guard(ledger):
        for row in ledger.rows(f"SELECT {', '.join(names)} FROM {rest}", values):  # noqa: S608  # text of ours
            yield [
                cell if cell is None or reader is None else reader(cell)
                for cell, reader in zip(row, readers, strict=True)
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
        rows = [cast("tuple[Any, ...]", row) for row in ledger.rows(query)]
        # No verdict has the name of a trouble.
        kinds = {row[0]: row[1] for row in rows}
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
    asked = columns_of(
        VehicleRow,
        captures="count(*)",
        as_expected="sum(verdict IS :as_expected)",
        faulty="sum(verdict IS :faulty)",
        undecided="sum(verdict IS :undecided)",
        troubled="sum(verdict IS NULL)",
        handshakes="sum(handshakes)",
        first_ns="min(recorded_ns)",
        last_ns="max(recorded_ns)",
        last_faulty_ns="max(CASE WHEN verdict IS :faulty THEN recorded_ns END)",
    )
    found = read(
        ledger, asked, f"{CURRENT_CAPTURES} WHERE copy = 0 GROUP BY vehicle", {it.value: it.value for it in Verdict}
    )
    return sorted((VehicleRow(*row) for row in found), key=lambda row: row.vehicle)


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
    return [CaptureRow(*row) for row in read(ledger, _CAPTURE, which, (as_stored(vehicle), *values))]


def findings_of(
    ledger: Ledger, vehicle: str, *, since_ns: int | None = None, faults_only: bool = False
) -> list[FoundRow]:
    """Return what is not met in the captures of a vehicle, oldest first; parameters as of `captures_of`."""
    during, values = window(since_ns, None)
    which = (
        f"{CURRENT_CAPTURES} CROSS JOIN finding ON finding.judgement = judgement.id "
        f"WHERE vehicle = ? AND copy = 0{during} ORDER BY recorded_ns, address, place"
    )
    rows = read(ledger, _FOUND, which, (as_stored(vehicle), *values))
    ignition = ledger.meta(IGNITION_ROLES)
    ignition = USUAL_IGNITION if ignition is None else frozenset(ignition)
    found = [_found(row, ignition) for row in rows]
    return [one for one in found if one.finding.outcome.is_fault or not faults_only]


def _found(row: Sequence[Any], ignition: frozenset[str]) -> FoundRow:
    finding = FindingRow(*row[5:])
    is_forbidden = finding.outcome.is_fault and finding.kind in FORBIDDING
    return FoundRow._make([*row[:5], finding, is_forbidden and not ignition.isdisjoint(finding.roles)])


def troubles(ledger: Ledger) -> Iterator[TroubleRow]:
    """Yield the captures without a verdict, by address."""
    which = f"{CURRENT_CAPTURES} WHERE trouble IS NOT NULL AND copy = 0 ORDER BY address"
    return (TroubleRow(*row) for row in read(ledger, _TROUBLE, which))


def steps(ledger: Ledger) -> list[StepRow]:
    """Return the steps of which there are delays, each with its limits and with how many delays there are."""
    which = (
        f"{CURRENT_CAPTURES} JOIN delay ON delay.judgement = judgement.id JOIN step ON step.id = delay.step "
        "WHERE copy = 0 GROUP BY delay.step"
    )
    none = -1
    return sorted(
        (StepRow(*row) for row in read(ledger, _STEP, which)),
        key=lambda row: (
            row.rule,
            row.step,
            none if row.least_ns is None else row.least_ns,
            none if row.most_ns is None else row.most_ns,
        ),
    )


def address_of(ledger: Ledger, capture: int) -> str:
    """Return where a capture lies, by its number in the columns.

    Raises LookupError if there is no capture of that number.
    """
    for (address,) in ledger.rows("SELECT address FROM capture WHERE id = ?", (int(capture),)):
        return as_text(cast("str | bytes", address))
    raise LookupError(f"the ledger has no capture of number {capture}")


def feedback_paths(ledger: Ledger) -> frozenset[frozenset[str]]:
    """Return the pairs of roles that are the two feedback paths, as the last run knew them."""
    with corruption_guard(ledger):
        told = ledger.meta(FEEDBACK_PATHS)
        return USUAL_PATHS if told is None else frozenset(map(frozenset, told))


def anomalies(ledger: Ledger) -> list[Anomaly]:
    """Return what stood out when the fleet was last compared, in the order in which it was entered."""
    found = []
    names = [it.name for it in fields(Anomaly)]
    for row in read(ledger, _ANOMALY, "anomaly ORDER BY id"):
        values = dict(zip(names, row, strict=True))
        # What is no number goes in as nothing.
        values |= {name: math.nan for name in ("p_value", "q_value") if values[name] is None}
        found.append(Anomaly(**values))
    return found


# --- columns, one step or one vehicle at a time, which bounds the memory --------------------------------------

_DELAY: Final = np.dtype(
    [(name, np.int64) for name in ("vehicle", "capture", "recorded", "earliest", "latest", "least", "most")]
    + [(name, np.int32) for name in ("step", "handshake", "outcome")]
)
_PLACE_OF_OUTCOME: Final = " ".join(f"WHEN '{it.value}' THEN {place}" for place, it in enumerate(OUTCOMES))
_DELAY_COLUMNS: Final = (
    f"vehicle, capture.id, {DATED}, earliest_ns, coalesce(latest_ns, {NO_UPPER_END}), coalesce(least_ns, {UNDATED}), "
    f"coalesce(most_ns, {NO_UPPER_END}), delay.step, handshake, CASE outcome {_PLACE_OF_OUTCOME} END"
)

_TRY: Final = np.dtype([(name, np.int64) for name in ("vehicle", "rule", "capture", "recorded", "tries")])
_SENT: Final = np.dtype(
    [(name, np.int64) for name in ("identifier", "capture", "recorded", "duration", "frames", "cycle")]
)


def delays_of_step(ledger: Ledger, rule: str, step: str) -> DelayColumns:
    """Return the delays of one step over the whole fleet, whatever its limits were."""
    query = (
        # In this order: what belongs to a delay is looked up.
        f"SELECT {_DELAY_COLUMNS} FROM step CROSS JOIN delay ON delay.step = step.id "  # noqa: S608  # text of ours
        "CROSS JOIN capture ON capture.judgement = delay.judgement "
        "CROSS JOIN judgement ON judgement.id = delay.judgement "
        "CROSS JOIN standard ON standard.grouping = capture.grouping AND standard.ground = judgement.ground "
        "WHERE step.rule = ? AND step.step = ? AND copy = 0"
    )
    with corruption_guard(ledger):
        return _delays(rule, step, *_coded(ledger.rows(query, (as_stored(rule), as_stored(step))), _DELAY, texts=1))


def delays_of_vehicle(ledger: Ledger, vehicle: str) -> dict[tuple[str, str], DelayColumns]:
    """Return the delays of one vehicle, by rule and step."""
    query = (
        # For each capture, each step is looked up: there are few, and delays lie by step.
        f"SELECT {_DELAY_COLUMNS} FROM {CURRENT_CAPTURES} CROSS JOIN step "  # noqa: S608  # text of ours
        "CROSS JOIN delay ON delay.step = step.id AND delay.judgement = judgement.id "
        "WHERE vehicle = ? AND copy = 0"
    )
    with corruption_guard(ledger):
        table, names = _coded(ledger.rows(query, (as_stored(vehicle),)), _DELAY, texts=1)
        of_name: dict[tuple[str, str], list[int]] = {}
        for number, rule, step in read(ledger, [("id", None), ("rule", as_text), ("step", as_text)], "step"):
            # Steps of one name with different limits are one step.
            of_name.setdefault((rule, step), []).append(number)
        parts = {name: table[np.isin(table["step"], numbers)] for name, numbers in sorted(of_name.items())}
        return {name: _delays(*name, part, names) for name, part in parts.items() if len(part)}


def tries_of(ledger: Ledger, numbers: Mapping[str, int]) -> list[Tries]:
    """Return the handshakes of the fleet, rule by rule, with how often their first step came.

    Parameters
    ----------
    numbers : mapping of str to int
        Number of each vehicle of the fleet.
    """
    query = (
        f"SELECT vehicle, rule, capture.id, {DATED}, tries FROM {CURRENT_CAPTURES} "  # noqa: S608  # text of ours
        "CROSS JOIN handshake ON handshake.judgement = judgement.id WHERE copy = 0 AND tries > 0"
    )
    with corruption_guard(ledger):
        table, (vehicles, rules) = _coded(ledger.rows(query), _TRY, texts=2)
        table = table[np.lexsort((table["capture"], table["recorded"], table["vehicle"]))]
        vehicle = np.array([numbers[name] for name in vehicles], np.int64)[table["vehicle"]]
        parts = [np.flatnonzero(table["rule"] == place) for place in range(len(rules))]
        return [
            Tries(
                rule=rule,
                vehicle=vehicle[part],
                recorded_ns=np.maximum(table["recorded"][part], columns.UNDATED),
                tries=table["tries"][part],
                capture=table["capture"][part],
            )
            for rule, part in zip(rules, parts, strict=True)
        ]


def traffic_of(ledger: Ledger, vehicle: str) -> VehicleTraffic:
    """Return what identifiers did in the dated captures of a vehicle, channels not told apart."""
    query = (
        "SELECT 2 * can_id + is_extended, capture.id, recorded_ns, judgement.duration_ns, traffic.frames, "  # noqa: S608
        f"coalesce(cycle_ns, -1) FROM {CURRENT_CAPTURES} CROSS JOIN traffic ON traffic.judgement = judgement.id "
        "CROSS JOIN identifier ON identifier.id = traffic.identifier "
        "WHERE vehicle = ? AND copy = 0 AND recorded_ns >= 0 ORDER BY recorded_ns, capture.id, place"
    )
    with corruption_guard(ledger):
        table = np.fromiter(ledger.rows(query, (as_stored(vehicle),)), dtype=_SENT)
        captures, first, row = np.unique(table["capture"], return_index=True, return_inverse=True)
        return VehicleTraffic(
            recorded_ns=table["recorded"][first],
            duration_ns=table["duration"][first],
            capture=captures,
            row=row.astype(np.int64),
            identifier=_column(table, "identifier"),
            frames=_column(table, "frames"),
            cycle_ns=_column(table, "cycle"),
        )


def _delays(rule: str, step: str, table: NDArray[np.void], names: Sequence[tuple[str, ...]]) -> DelayColumns:
    table = table[np.lexsort((table["handshake"], table["capture"], table["recorded"], table["vehicle"]))]
    return DelayColumns(
        rule=rule,
        step=step,
        vehicles=names[0],
        vehicle=table["vehicle"].astype(np.int32),
        capture=_column(table, "capture"),
        recorded_ns=_column(table, "recorded"),
        handshake=_column(table, "handshake"),
        outcome=table["outcome"].astype(np.int8),
        earliest_ns=_column(table, "earliest"),
        latest_ns=_column(table, "latest"),
        censored=table["latest"] == NO_UPPER_END,
        least_ns=_column(table, "least"),
        most_ns=_column(table, "most"),
    )


def _column(table: NDArray[np.void], name: str) -> NDArray[Any]:
    """Return a column of its own, which does not keep the whole table alive."""
    return np.ascontiguousarray(table[name])


def _coded(
    rows: Iterable[tuple[Any, ...]], dtype: np.dtype[np.void], *, texts: int
) -> tuple[NDArray[np.void], list[tuple[str, ...]]]:
    """Return rows as a table, in which each of so many first columns has numbers for texts, and these, ascending."""
    known: list[dict[str | bytes, int]] = [{} for _ in range(texts)]

    def numbered() -> Iterator[tuple[Any, ...]]:
        for row in rows:
            yield *(of.setdefault(it, len(of)) for of, it in zip(known, row, strict=False)), *row[texts:]

    table = np.fromiter(numbered(), dtype)
    names = []
    for of, column in zip(known, dtype.names or (), strict=False):
        found = list(map(as_text, of))
        names.append(tuple(sorted(found)))
        rank = {name: place for place, name in enumerate(names[-1])}
        table[column] = np.array([rank[name] for name in found], np.int64)[table[column]]
    return table, names
