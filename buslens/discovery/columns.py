"""Columns of tables of values as signals that roles are looked for among: texts, small whole numbers, and two levels.

A column of a voltage or a current that goes between two levels is a state with two limits, a third of the way from
either level; in between the state before goes on, as it will when the file is used.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Final

import numpy as np
from numpy.typing import NDArray

from buslens.capture.frames import ReadStats
from buslens.capture.table_settings import TableSettings
from buslens.capture.values import ValuesBlock, ValuesCapture, open_values, read_values
from buslens.definitions.model import Message, Signal
from buslens.discovery.naming import UNITS
from buslens.discovery.traces import APART_NS, COLUMN_ID, CaptureSpan, ShownSignals, Trace, joined
from buslens.errors import CaptureError, SourceLocation
from buslens.timeline.columns import cell_powers, is_no_value
from buslens.units import without_prefix

STATES_NAME: Final = "table"
NUMBERS_NAME: Final = "quantity"
"""Messages that the columns are signals of: as states, and as numbers."""
_MOST_ROWS: Final = 4_000_000
"""Rows of a table that are looked at."""
_MOST_TEXTS: Final = 32
_MOST_BITS: Final = 4
_LEAST_SHARE: Final = 0.001
"""Of the rows on either level: a pulse is short ..."""
_MOST_BETWEEN: Final = 0.05
"""... and few rows lie between the levels (rules of thumb)."""
_APART: Final = 8.0
"""Levels are so many spreads apart (rule of thumb)."""


@dataclass(slots=True)
class _Cells:
    """All cells of one column of one table."""

    unit: str
    #: Powers of ten of the units behind numbers, by text.
    powers: list[int] = field(default_factory=list)
    time_ns: list[NDArray[np.int64]] = field(default_factory=list)
    number: list[NDArray[np.float64]] = field(default_factory=list)
    text: list[NDArray[np.int64]] = field(default_factory=list)


class _Table:
    """What one table shows; texts have the same numbers in all tables.

    Parameters
    ----------
    values : ValuesCapture
        A table that has been recognised.
    texts : dict of str to int
        Every text so far, and its number; what is new is added.
    """

    def __init__(self, values: ValuesCapture, texts: dict[str, int]) -> None:
        self._texts = texts
        self._rows = 0
        names = [column.shown for column in values.columns]
        self.cells = {column.shown: _Cells(column.unit) for column in values.columns}
        self._names = names
        self.stats: ReadStats = read_values(values, self._take, as_text=[False] * len(names))
        if self.stats.first_ns is None or self.stats.last_ns is None:
            raise CaptureError("no row in it could be read", SourceLocation(values.path))
        self.first_ns, self.end_ns = self.stats.first_ns, self.stats.last_ns

    def _take(self, block: ValuesBlock) -> None:
        if self._rows >= _MOST_ROWS:
            return
        self._rows += len(block.time_ns)
        for name, cells in zip(self._names, block.cells, strict=True):
            column = self.cells[name]
            if not column.unit and cells.unit.max(initial=-1) >= 0:
                column.unit = without_prefix(cells.texts[int(cells.unit[cells.unit >= 0][0])].split()[0])[0]
            is_none = np.array([is_no_value(text) for text in cells.texts] or [False])
            kept = np.flatnonzero(cells.is_filled & ~(cells.is_text & is_none[cells.digits * cells.is_text]))
            is_text = cells.is_text[kept]
            numbers = np.array([self._texts.setdefault(text, len(self._texts)) for text in cells.texts], np.int64)
            text = np.full(len(kept), -1, np.int64)
            if is_text.any():
                text[is_text] = numbers[cells.digits[kept[is_text]]]
            column.time_ns.append(block.time_ns[kept].copy())
            column.number.append(cells.numbers(cell_powers(cells, column.unit, column.powers))[kept])
            column.text.append(text)


def read_columns_shown(paths: Sequence[str], table: TableSettings) -> tuple[tuple[Message, ...], ShownSignals] | None:
    """Return the columns of tables as messages and what they show; None if one of the files is no table of values.

    Raises CaptureError if a table does not say enough, or nothing in it can be read.
    """
    opened = []
    for path in paths:
        values = open_values(path, (), table)
        if values is None:
            return None
        opened.append(values)
    texts: dict[str, int] = {}
    tables = [_Table(values, texts) for values in opened]
    words = {number: text for text, number in texts.items()}
    spans: list[CaptureSpan] = []
    for path, one in zip(paths, tables, strict=True):
        base_ns = spans[-1].end_ns + APART_NS if spans else 0
        end_ns = base_ns + one.end_ns - one.first_ns
        spans.append(CaptureSpan(path=path, own_first_ns=one.first_ns, first_ns=base_ns, end_ns=end_ns))
    states: list[Signal] = []
    numbers: list[Signal] = []
    codes: dict[str, list[tuple[NDArray[np.int64], NDArray[np.int64]]]] = {}
    for name in dict.fromkeys(name for one in tables for name in one.cells):
        shown = [one.cells[name] for one in tables if name in one.cells]
        unit = next((it.unit for it in shown if it.unit), "")
        number = np.concatenate([part for it in shown for part in it.number] or [np.empty(0)])
        text = np.concatenate([part for it in shown for part in it.text] or [np.empty(0, np.int64)])
        if any(unit.lower() in known for known in UNITS.values()) and np.isfinite(number).any():
            numbers.append(Signal(name=name, start=0, length=16, unit=unit))
        found = _as_state(name, unit, number, text, words)
        if found is not None:
            states.append(found[0])
            codes[name] = _by_table(tables, name, found[1])
    messages = (
        Message(name=STATES_NAME, can_id=COLUMN_ID, length=8, signals=tuple(states)),
        Message(name=NUMBERS_NAME, can_id=COLUMN_ID, length=8, signals=tuple(numbers)),
    )
    traces = {
        signal.name: joined(
            [_trace(messages[0], signal, *rows, span) for rows, span in zip(codes[signal.name], spans, strict=True)]
        )
        for signal in states
    }
    nothing = np.empty(0, np.int64)
    for signal in numbers:
        trace = _trace(messages[1], signal, nothing, nothing, spans[0])
        traces[f"{NUMBERS_NAME}.{signal.name}"] = trace
    rows = sum(it.stats.frames for it in tables)
    steps = [np.diff(part) for one in tables for it in one.cells.values() for part in it.time_ns if len(part) > 1]
    period_ns = int(np.median(np.concatenate(steps))) if steps else 0
    shown_signals = ShownSignals(
        spans=tuple(spans), traces=traces, cycles_ns={STATES_NAME: period_ns}, silences_ns={}, frames=rows
    )
    return messages, shown_signals


def _as_state(
    name: str, unit: str, number: NDArray[np.float64], text: NDArray[np.int64], words: dict[int, str]
) -> tuple[Signal, NDArray[np.int64]] | None:
    """Return a column as a signal with few values and the value of each of its cells; None if it has no states."""
    is_text = text >= 0
    if 2 * is_text.sum() > len(text):
        listed = np.unique(text[is_text])
        if len(listed) > _MOST_TEXTS:
            return None
        order = {number: raw for raw, number in enumerate(listed.tolist())}
        raw = np.array([order.get(it, -1) for it in text.tolist()], np.int64)
        labels = {order[it]: words[it] for it in listed.tolist()}
        return Signal(name=name, start=0, length=max(len(listed) - 1, 1).bit_length(), labels=labels), raw
    whole = number[np.isfinite(number)]
    is_small = (whole == np.round(whole)) & (whole >= 0) & (whole < 1 << _MOST_BITS)
    if len(whole) and not unit and is_small.all():
        length = max(int(whole.max()), 1).bit_length()
        return Signal(name=name, start=0, length=length), np.where(np.isfinite(number), number, -1).astype(np.int64)
    levels = two_levels(whole)
    if levels is None:
        return None
    third = (levels[1] - levels[0]) / 3
    low, high = (f"{Decimal(f'{limit:.2g}'):f}" for limit in (levels[0] + third, levels[1] - third))
    shown = f" {unit}" if unit else ""
    raw = np.where(number < float(low), 0, np.where(number > float(high), 1, -1))
    firm = np.maximum.accumulate(np.where(raw >= 0, np.arange(len(raw)), -1))
    raw = np.where(firm >= 0, raw[np.maximum(firm, 0)], -1).astype(np.int64)
    return Signal(name=name, start=0, length=1, labels={0: f"< {low}{shown}", 1: f"> {high}{shown}"}), raw


def two_levels(values: NDArray[np.float64]) -> tuple[float, float] | None:
    """Return the two levels that numbers go between; None if they do not.

    >>> two_levels(np.array([0.1, 0.0, 0.1, 12.0, 11.9, 0.0]))
    (0.05, 11.95)
    """
    if not len(values) or np.ptp(values) == 0:
        return None
    middle = (values.min() + values.max()) / 2
    is_high = values > middle
    low, high = float(np.median(values[~is_high])), float(np.median(values[is_high]))
    third = (high - low) / 3
    between = ((values > low + third) & (values < high - third)).mean()
    spread = max(float(np.median(np.abs(values - np.where(is_high, high, low)))), 1e-9)
    is_rare = min(is_high.mean(), 1 - is_high.mean()) < _LEAST_SHARE
    return None if is_rare or between > _MOST_BETWEEN or high - low < _APART * spread else (low, high)


def _by_table(
    tables: Sequence[_Table], name: str, raw: NDArray[np.int64]
) -> list[tuple[NDArray[np.int64], NDArray[np.int64]]]:
    """Return the times and values of a column for each table; cells that show no state are left out."""
    found, begin = [], 0
    for one in tables:
        parts = one.cells[name].time_ns if name in one.cells else []
        time_ns = np.concatenate(parts) if parts else np.empty(0, np.int64)
        part = raw[begin : begin + len(time_ns)]
        begin += len(time_ns)
        found.append((time_ns[part >= 0], part[part >= 0]))
    return found


def _trace(
    message: Message, signal: Signal, time_ns: NDArray[np.int64], raw: NDArray[np.int64], span: CaptureSpan
) -> Trace:
    seen_ns = time_ns + span.first_ns - span.own_first_ns
    is_new = np.append(True, raw[1:] != raw[:-1])[: len(raw)]
    before_ns = np.append(seen_ns[:1] - 1, seen_ns[:-1])
    seen = seen_ns[is_new]
    return Trace(
        message=message,
        signal=signal,
        seen_ns=seen,
        since_ns=before_ns[is_new],
        stop_ns=np.append(seen[1:], span.end_ns)[: len(seen)],
        raw=raw[is_new],
        is_change=np.arange(len(seen)) > 0,
        is_start=np.arange(len(seen)) == 0,
    )
