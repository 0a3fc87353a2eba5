"""Answers of a ledger in columns, for statistics: one step or one vehicle at a time, which bounds the memory."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final, cast

import numpy as np

from buslens.checks.findings import Outcome
from buslens.fleet.query_scope import CURRENT_CAPTURES, DATED, corruption_guard, kind_of
from buslens.fleet.views import (
    NO_UPPER_END,
    OUTCOMES,
    UNDATED,
    DelayColumns,
    Identifier,
    TrafficColumns,
    TriesColumns,
)

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from buslens.fleet.ledger import Ledger

_DELAY: Final = np.dtype(
    [(name, np.int64) for name in ("vehicle", "capture", "recorded", "earliest", "latest", "least", "most")]
    + [(name, np.int32) for name in ("step", "handshake", "outcome")]
)
_DELAY_COLUMNS: Final = (
    f"vehicle, capture.id, {DATED}, earliest_ns, coalesce(latest_ns, {NO_UPPER_END}), coalesce(least_ns, {UNDATED}), "
    f"coalesce(most_ns, {NO_UPPER_END}), delay.step, handshake, outcome"
)

_TRY: Final = np.dtype(
    [(name, np.int64) for name in ("vehicle", "rule", "capture", "recorded")]
    + [(name, np.int32) for name in ("handshake", "tries")]
)

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
        table = np.fromiter(ledger.rows(query, (ledger.number(rule), ledger.number(step))), dtype=_DELAY)
        return _delays(ledger, rule, step, table)


def delays_of_vehicle(ledger: Ledger, vehicle: str) -> dict[tuple[str, str], DelayColumns]:
    """Return the delays of one vehicle, by rule and step."""
    query = (
        # For each capture, each step is looked up: there are few, and delays lie by step.
        f"SELECT {_DELAY_COLUMNS} FROM {CURRENT_CAPTURES} CROSS JOIN step "  # noqa: S608  # text of ours
        "CROSS JOIN delay ON delay.step = step.id AND delay.judgement = judgement.id "
        "WHERE vehicle = ? AND copy = 0"
    )
    with corruption_guard(ledger):
        table = np.fromiter(ledger.rows(query, (ledger.number(vehicle),)), dtype=_DELAY)
        named = {
            cast("int", number): cast("tuple[str, str]", tuple(ledger.word(cast("int", word)) for word in words))
            for number, *words in ledger.rows("SELECT id, rule, step FROM step")
        }
        # Steps of one name with different limits are one step.
        names = sorted({named[number] for number in np.unique(table["step"]).tolist()})
        return {
            name: _delays(
                ledger, *name, table[np.isin(table["step"], [key for key, known in named.items() if known == name])]
            )
            for name in names
        }


def tries_of(ledger: Ledger) -> TriesColumns:
    """Return the handshakes of the fleet with how often their first step came."""
    query = (
        f"SELECT vehicle, rule, capture.id, {DATED}, number, tries "  # noqa: S608  # text of ours
        f"FROM {CURRENT_CAPTURES} CROSS JOIN handshake ON handshake.judgement = judgement.id WHERE copy = 0"
    )
    with corruption_guard(ledger):
        table = np.fromiter(ledger.rows(query), dtype=_TRY)
        vehicles, vehicle_of = _by_name(ledger, table["vehicle"])
        rules, rule_of = _by_name(ledger, table["rule"])
        order = np.lexsort((table["handshake"], rule_of, table["capture"], table["recorded"], vehicle_of))
        table = table[order]
        return TriesColumns(
            vehicles=vehicles,
            rules=rules,
            vehicle=vehicle_of[order],
            rule=rule_of[order],
            capture=_column(table, "capture"),
            recorded_ns=_column(table, "recorded"),
            handshake=_column(table, "handshake"),
            tries=_column(table, "tries"),
        )


def traffic_of(ledger: Ledger, vehicle: str) -> TrafficColumns:
    """Return what identifiers did in the captures of a vehicle."""
    query = (
        f"SELECT identifier, capture.id, {DATED}, judgement.duration_ns, traffic.frames, "  # noqa: S608  # text of ours
        f"coalesce(cycle_ns, -1) FROM {CURRENT_CAPTURES} CROSS JOIN traffic ON traffic.judgement = judgement.id "
        "WHERE vehicle = ? AND copy = 0"
    )
    with corruption_guard(ledger):
        table = np.fromiter(ledger.rows(query, (ledger.number(vehicle),)), dtype=_SENT)
        numbers, place = np.unique(table["identifier"], return_inverse=True)
        known = [_identifier(ledger, number) for number in numbers.tolist()]
        order = sorted(range(len(known)), key=known.__getitem__)
        rank = np.empty(len(known), dtype=np.int32)
        rank[order] = np.arange(len(known), dtype=np.int32)
        identifier = rank[place]
        order_of_rows = np.lexsort((identifier, table["capture"], table["recorded"]))
        table = table[order_of_rows]
        return TrafficColumns(
            identifiers=tuple(known[number] for number in order),
            capture=_column(table, "capture"),
            recorded_ns=_column(table, "recorded"),
            duration_ns=_column(table, "duration"),
            identifier=identifier[order_of_rows],
            frames=_column(table, "frames"),
            cycle_ns=_column(table, "cycle"),
        )


def _delays(ledger: Ledger, rule: str, step: str, table: NDArray[np.void]) -> DelayColumns:
    vehicles, vehicle = _by_name(ledger, table["vehicle"])
    order = np.lexsort((table["handshake"], table["capture"], table["recorded"], vehicle))
    table = table[order]
    numbers, place = np.unique(table["outcome"], return_inverse=True)
    outcomes = np.array(
        [OUTCOMES.index(kind_of(ledger, Outcome, number)) for number in numbers.tolist()], dtype=np.int8
    )
    return DelayColumns(
        rule=rule,
        step=step,
        vehicles=vehicles,
        vehicle=vehicle[order],
        capture=_column(table, "capture"),
        recorded_ns=_column(table, "recorded"),
        handshake=_column(table, "handshake"),
        outcome=outcomes[place],
        earliest_ns=_column(table, "earliest"),
        latest_ns=_column(table, "latest"),
        censored=table["latest"] == NO_UPPER_END,
        least_ns=_column(table, "least"),
        most_ns=_column(table, "most"),
    )


def _column(table: NDArray[np.void], name: str) -> NDArray[Any]:
    """Return a column of its own, which does not keep the whole table alive."""
    return np.ascontiguousarray(table[name])


def _by_name(ledger: Ledger, words: NDArray[np.int64]) -> tuple[tuple[str, ...], NDArray[np.int32]]:
    """Return the texts that the words stand for, ascending, and for each word its place among them."""
    numbers, place = np.unique(words, return_inverse=True)
    texts = [ledger.word(number) for number in numbers.tolist()]
    order = sorted(range(len(texts)), key=texts.__getitem__)
    rank = np.empty(len(texts), dtype=np.int32)
    rank[order] = np.arange(len(texts), dtype=np.int32)
    return tuple(texts[number] for number in order), rank[place]


def _identifier(ledger: Ledger, number: int) -> Identifier:
    query = "SELECT channel, can_id, is_extended FROM identifier WHERE id = ?"
    for channel, can_id, is_extended in ledger.rows(query, (number,)):
        return Identifier(ledger.word(cast("int", channel)), cast("int", can_id), bool(is_extended))
    raise ValueError(f"an identifier that is not there, number {number}")
