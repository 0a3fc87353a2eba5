"""Findings, delays and handshakes as tables: what each column is called, holds and means is declared here, once.

Times are whole nanoseconds on the axis of the capture. A number that there is not is ``<NA>``: none is made a float for
its sake. Of a log with the time of day, times are those since 1970 in UTC, and a column ``time`` has the moment to look
at, of a handshake its start, as ``datetime64[ns]``.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final, Literal

import numpy as np

from buslens.checks.outcome import Limit, TimeBounds
from buslens.checks.records import ColumnRecords, JoinedRecords

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True, slots=True)
class TableColumn:
    """One column of a table; a name that ends in ``_ns`` is in ns."""

    name: str
    dtype: Literal["string", "Int64", "Float64", "boolean"]
    meaning: str
    #: What stands in it for one record.
    value: Callable[[Any], object]


def _earliest(bounds: TimeBounds | None) -> int | None:
    return None if bounds is None else bounds.earliest_ns


def _latest(bounds: TimeBounds | None) -> int | None:
    return None if bounds is None else bounds.latest_ns


def _limit_ns(limit: Limit | None, end: Literal["least", "most"]) -> int | None:
    value = None if limit is None else getattr(limit, end)
    return None if value is None else round(value)


_STEP: Final = (
    TableColumn("rule", "string", "name of the rule", lambda it: it.rule),
    TableColumn("handshake", "Int64", "number of the handshake, from 1", lambda it: it.handshake),
    TableColumn("step", "string", "name of the step", lambda it: it.step),
    TableColumn(
        "outcome", "string", "met, early, late, missing, out_of_order, violated, undecided", lambda it: it.outcome.value
    ),
    TableColumn("time_ns", "Int64", "moment to look at", lambda it: it.time_ns),
    TableColumn("earliest_ns", "Int64", "least that the delay or length can have been", lambda it: _earliest(it.delay)),
    TableColumn(
        "latest_ns", "Int64", "greatest that it can have been; none if not known", lambda it: _latest(it.delay)
    ),
)

DELAYS: Final = (
    *_STEP,
    TableColumn("least_ns", "Int64", "least that is allowed", lambda it: _limit_ns(it.limit, "least")),
    TableColumn("most_ns", "Int64", "greatest that is allowed", lambda it: _limit_ns(it.limit, "most")),
)
"""One row for each step of each handshake that was checked."""

FINDINGS: Final = (
    *_STEP[:1],
    TableColumn("kind", "string", "kind of the rule", lambda it: it.kind),
    *_STEP[1:],
    TableColumn("least", "Float64", "least that is allowed", lambda it: None if it.limit is None else it.limit.least),
    TableColumn("most", "Float64", "greatest that is allowed", lambda it: None if it.limit is None else it.limit.most),
    TableColumn(
        "unit",
        "string",
        "unit of both: ns, or that of the role",
        lambda it: None if it.limit is None else it.limit.unit,
    ),
    TableColumn(
        "from_earliest_ns", "Int64", "where the delay counts from, at the earliest", lambda it: _earliest(it.reference)
    ),
    TableColumn("from_latest_ns", "Int64", "the same at the latest", lambda it: _latest(it.reference)),
    TableColumn("count", "Int64", "how often what is met throughout was checked", lambda it: it.count),
    TableColumn("reason", "string", "the sentence for a person", lambda it: it.reason),
)
"""One row for each finding."""

HANDSHAKES: Final = (
    TableColumn("rule", "string", "name of the rule", lambda it: it.rule),
    TableColumn("handshake", "Int64", "its number, from 1", lambda it: it.number),
    TableColumn("start_earliest_ns", "Int64", "earliest moment of the start", lambda it: it.start.earliest_ns),
    TableColumn("start_latest_ns", "Int64", "latest moment of the start", lambda it: it.start.latest_ns),
    TableColumn("end_ns", "Int64", "when nothing more is awaited", lambda it: it.end_ns),
    TableColumn("completed", "boolean", "whether every step was seen", lambda it: it.completed),
    TableColumn("abandoned", "string", "what ended it early", lambda it: it.abandoned or None),
    TableColumn("tries", "Int64", "how often the first step came", lambda it: it.tries),
)
"""One row for each run of a sequence."""


def to_pandas(columns: Iterable[TableColumn], records: JoinedRecords[Any]) -> pd.DataFrame:
    """Return records as a table with a row each, straight from the columns of those that are not made."""
    import pandas as pd

    columns = tuple(columns)

    def of_records(made: Iterable[object]) -> pd.DataFrame:
        made = tuple(made)
        return pd.DataFrame({it.name: pd.Series([it.value(each) for each in made], dtype=it.dtype) for it in columns})

    def of_columns(part: ColumnRecords[Any]) -> pd.DataFrame:
        known, rows = part.columns(), range(len(part) - len(part.made))
        found = {it.name: known[it.name]() if it.name in known else pd.NA for it in columns}
        rest = pd.DataFrame({it.name: pd.Series(found[it.name], index=rows, dtype=it.dtype) for it in columns})
        whole = pd.concat([rest, of_records(part.made)]) if part.made else rest
        return whole.iloc[np.where(part.order < 0, len(rest) - 1 - part.order, part.order)]

    parts = [of_columns(it) if isinstance(it, ColumnRecords) else of_records(it) for it in records.parts]
    table = pd.concat([of_records(()), *(part for part in parts if len(part))], ignore_index=True)
    if records.is_dated:
        moments = next(table[name] for name in ("time_ns", "start_latest_ns") if name in table)
        table["time"] = pd.to_datetime(moments)
    return table
