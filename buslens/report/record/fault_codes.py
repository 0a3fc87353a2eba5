"""Fault codes in a job record: what a tester read before the repair and after it, code by code."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import TYPE_CHECKING, Final

from buslens.dialogue.fault_codes import DiagnosticCode, by_j2012
from buslens.dialogue.fault_history import CLEARING, CodeReading, code_lists, fault_history
from buslens.dialogue.model import AnswerOutcome
from buslens.report.formatting import seconds
from buslens.report.record.markup import Markup, join, table, tag

if TYPE_CHECKING:
    from buslens.dialogue.read import Dialogue

_BITS: Final = {
    "testFailed": "fails now",
    "pendingDTC": "pending",
    "confirmedDTC": "confirmed",
    "warningIndicatorRequested": "lamp requested",
}
"""Bits of a status that a record tells, in plain words."""

Key = tuple[str, bytes]


def fault_codes(before: Sequence[Dialogue], after: Sequence[Dialogue], *, is_repaired: bool) -> Markup:
    """Return a row for each code that any dialogue names; nothing where nobody read any.

    Parameters
    ----------
    before, after : sequence of Dialogue
        What was recorded before the repair, and after it; without a repair all are `after`.
    """
    sides = [_told(it) for it in ((before, after) if is_repaired else (after,))]
    keys = sorted({key for side in sides for key in side})
    if not keys:
        return Markup("")
    gone = _gone(before, after) if is_repaired else set()
    rows = []
    for unit, number in keys:
        cells = [side.get((unit, number), "not read") for side in sides]
        if (unit, number) in gone:
            cells[-1] = "no longer listed, asked in the same way"
        rows.append((f"{number.hex().upper()} of {unit} ({by_j2012(number)})", *cells))
    heads = ("Before the repair", "After the repair") if is_repaired else ("What was read",)
    small = (
        "As units answered a tester while the bus was recorded; times from the first frame of each capture. In brackets"
        " the code as SAE J2012 would write it, and the status in hexadecimal digits (ISO 14229-1)."
    )
    cleared = [tag("p", text) for dialogue in (*before, *after) for text in _cleared(dialogue)]
    return join([table(("Code, of unit", *heads), rows, kind="plain"), *cleared, tag("p", small, class_="quiet")])


def _cleared(dialogue: Dialogue) -> Iterator[str]:
    """Yield when codes were cleared: what is then gone may come back."""
    for exchange in dialogue.exchanges:
        if exchange.outcome is AnswerOutcome.ANSWERED and exchange.request.data[:1] in CLEARING:
            when = seconds(exchange.request.first_ns - (dialogue.stats.first_ns or 0))
            yield f"{dialogue.path}: codes were cleared at {when}; a code that is gone since then may come back."


def _told(dialogues: Iterable[Dialogue]) -> dict[Key, str]:
    """Return by unit and code what was read of it, capture by capture."""
    told: dict[Key, list[str]] = {}
    for dialogue in dialogues:
        for history in fault_history(dialogue.exchanges):
            readings = [_reading_text(it, dialogue.stats.first_ns or 0) for it in history.readings]
            told.setdefault((str(history.unit), history.number), []).append("; ".join(readings))
    return {key: " | ".join(texts) for key, texts in told.items()}


def _reading_text(reading: CodeReading, origin_ns: int) -> str:
    after = ", after clearing" if reading.after_clearing else ""
    said = "no longer listed" if reading.code is None else _status_text(reading.code)
    return f"{seconds(reading.time_ns - origin_ns)}: {said}{after}"


def _status_text(code: DiagnosticCode) -> str:
    if code.status is None:
        return "listed"
    words = ", ".join(_BITS[bit] for bit in code.bits if bit in _BITS) or "neither failing nor stored"
    return f"{words} ({code.status:02X})"


def _gone(before: Iterable[Dialogue], after: Iterable[Dialogue]) -> set[Key]:
    """Return the codes that the last list lacks which was asked for as one that had them."""
    listed: dict[Key, set[bytes]] = {}
    for dialogue in before:
        for unit, lists in code_lists(dialogue.exchanges).items():
            for asked, numbers in lists.ever.items():
                for number in numbers:
                    listed.setdefault((str(unit), number), set()).add(asked)
    latest: dict[str, dict[bytes, frozenset[bytes]]] = {}
    named: set[Key] = set()
    for dialogue in after:
        named |= {(str(it.unit), it.number) for it in fault_history(dialogue.exchanges)}
        for unit, lists in code_lists(dialogue.exchanges).items():
            latest.setdefault(str(unit), {}).update(lists.latest)
    return {
        (unit, number)
        for (unit, number), asked in listed.items()
        if (unit, number) not in named and asked & latest.get(unit, {}).keys()
    }
