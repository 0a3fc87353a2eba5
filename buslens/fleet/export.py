"""The ledger as tables for other programs: each as Parquet and as CSV, with the same rows and columns.

    captures      one row each, second copies marked
    handshakes    one row for each run of a sequence
    delays        one row for each step of each of them, with its doubt and its limits
    findings      one row for each finding that is not met

Rows of the last three name their capture by `address`; handshakes and delays name each other by `address`, `rule` and
`handshake`. Captures that were checked on what their group is no longer checked on are in none of them, second copies
in the first only. Times have their unit in the name of the column; a delay without a `latest_ns` has no known upper
end.

The CSV is that of RFC 4180, in UTF-8. A text that a spreadsheet would take for a formula begins with an apostrophe
there; the Parquet file has it as it is. What is no text in the name of a file stands as an escape, such as U+DCFF for
the byte FF, written with a backslash.
"""

import csv
import json
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from functools import lru_cache
from itertools import islice
from pathlib import Path
from typing import Any, Final, Literal, NamedTuple, TypeAlias, cast

import numpy as np

from buslens.checks.tables import DELAYS, HANDSHAKES, TableColumn
from buslens.errors import BuslensError
from buslens.files import atomic_replace, os_error_text
from buslens.fleet.ledger import Ledger
from buslens.fleet.ledger_file import as_text
from buslens.fleet.ledger_rows import hash_text
from buslens.fleet.query_scope import CURRENT_CAPTURES, corruption_guard
from buslens.text_tables import tables_beside

Kind: TypeAlias = Literal["text", "words", "hash", "whole", "real", "truth", "date"]

_BATCH: Final = 20_000
"""Rows in memory at a time, and in each group of rows of a Parquet file."""

_WORDS_KEPT: Final = 100_000
"""Texts that are remembered, so that memory does not grow with the fleet."""

FORMULA: Final = ("=", "+", "-", "@", "\t", "\r", "\n", "\uff1d", "\uff0b", "\uff0d", "\uff20")
"""How a text begins that some spreadsheet takes for a formula; the last four are the wide forms of the first."""


class _Column(NamedTuple):
    """One column of a table."""

    name: str
    kind: Kind
    #: In a few words, beside the name in the Parquet file.
    meaning: str
    #: What is asked of the ledger for it.
    asked: str


@dataclass(frozen=True, slots=True)
class _Table:
    """What is exported under one name."""

    name: str
    columns: tuple[_Column, ...]
    #: Behind the captures that stand: where the rows come from, which, and in which order.
    source: str


def _declared(columns: Iterable[TableColumn], **asked: str) -> Iterator[_Column]:
    """Yield the columns of a table of one capture, which the ledger has by the same names save those that are given."""
    kinds: dict[str, Kind] = {"string": "text", "Int64": "whole", "Float64": "real", "boolean": "truth"}
    return (_Column(it.name, kinds[it.dtype], it.meaning, asked.get(it.name, it.name)) for it in columns)


_OWN: Final = tables_beside(__file__, "export.txt")


def _listed(table: str) -> Iterator[_Column]:
    """Yield the columns that ``export.txt`` lists under a title."""
    for name, kind, meaning, *asked in _OWN[table]:
        yield _Column(name, cast("Kind", kind), meaning, asked[0] if asked else name)


TABLES: Final = (
    _Table("captures", (*_listed("whose"), *_listed("captures")), "ORDER BY address"),
    _Table(
        "handshakes",
        (*_listed("whose"), *_declared(HANDSHAKES, handshake="number")),
        "CROSS JOIN handshake ON handshake.judgement = judgement.id WHERE copy = 0 ORDER BY address, place",
    ),
    _Table(
        "delays",
        (*_listed("whose"), *_declared(DELAYS, rule="step.rule", step="step.step")),
        "CROSS JOIN step CROSS JOIN delay ON delay.step = step.id AND delay.judgement = judgement.id "
        "WHERE copy = 0 ORDER BY address, place",
    ),
    _Table(
        "findings",
        (*_listed("whose"), *_listed("findings")),
        "CROSS JOIN finding ON finding.judgement = judgement.id WHERE copy = 0 ORDER BY address, place",
    ),
)
"""What is exported, in the order of `export`."""


def export(ledger: Ledger, folder: Path) -> list[Path]:
    """Write every table into a folder, as Parquet and as CSV; all of one moment, and each file whole or not at all.

    Parameters
    ----------
    folder : Path
        Where to; files of the names in `TABLES` there are replaced.

    Returns
    -------
    list of Path
        captures.parquet, captures.csv, handshakes.parquet and so on.

    Raises
    ------
    BuslensError
        If a file cannot be written or the ledger cannot be read; the files that were there then stay.
    """
    paths: list[Path] = []
    try:
        # Renamed together at the end, so that tables of two moments hardly ever lie side by side.
        with ExitStack() as stack, ledger.snapshot(), corruption_guard(ledger):
            for table in TABLES:
                pair = [folder / f"{table.name}{suffix}" for suffix in (".parquet", ".csv")]
                parquet, text = [stack.enter_context(atomic_replace(path)) for path in pair]
                _write(ledger, table, parquet, text)
                paths += pair
    except OSError as exc:
        raise BuslensError(os_error_text(exc, exc.filename or folder)) from exc
    return paths


def in_a_cell(text: str) -> str:
    """Return a text that no spreadsheet runs.

    >>> in_a_cell("=2+2"), in_a_cell("car 2")
    ("'=2+2", 'car 2')
    """
    return f"'{text}" if text.startswith(FORMULA) else text


def _write(ledger: Ledger, table: _Table, parquet: Path, text: Path) -> None:
    import pyarrow as pa
    from pyarrow.parquet import ParquetWriter

    arrow = {"whole": pa.int64(), "real": pa.float64(), "truth": pa.bool_(), "date": pa.timestamp("ns")}
    schema = pa.schema(
        pa.field(it.name, arrow.get(it.kind, pa.string()), metadata={"meaning": it.meaning}) for it in table.columns
    )
    names, kinds, _, asked_of = zip(*table.columns, strict=True)
    asked = ", ".join(asked_of)
    query = f"SELECT {asked} FROM {CURRENT_CAPTURES} {table.source}"  # noqa: S608  # text of ours
    readers = [_reader(kind) for kind in kinds]
    with (
        parquet.open("wb") as columns_file,
        text.open("w", encoding="utf-8", newline="") as rows_file,
        ParquetWriter(columns_file, schema, compression="zstd") as columns_writer,
    ):
        rows_writer = csv.writer(rows_file)
        rows_writer.writerow(names)
        for rows in _batches(ledger.rows(query)):
            columns = [
                list(cells) if reader is None else [None if cell is None else reader(cell) for cell in cells]
                for cells, reader in zip(zip(*rows, strict=True), readers, strict=True)
            ]
            arrays = [pa.array(cells, type=field.type) for cells, field in zip(columns, schema, strict=True)]
            columns_writer.write_batch(pa.record_batch(arrays, schema=schema))
            rows_writer.writerows(zip(*map(_cells, columns, kinds), strict=True))


def _batches(rows: Iterator[tuple[Any, ...]]) -> Iterator[list[tuple[Any, ...]]]:
    while batch := list(islice(rows, _BATCH)):
        yield batch


def _reader(kind: Kind) -> Callable[[Any], Any] | None:
    """Return what makes a value of the ledger one of a table; None if it is one already."""
    readers: dict[str, Callable[[Any], Any]] = {"text": _text, "words": _words, "hash": _hash, "truth": bool}
    return readers.get(kind)


@lru_cache(_WORDS_KEPT)
def _text(stored: str | bytes) -> str:
    return _as_utf8(as_text(stored))


@lru_cache(_WORDS_KEPT)
def _words(stored: str) -> str:
    return _as_utf8("; ".join(json.loads(stored)))


def _hash(stored: str | bytes) -> str:
    return _as_utf8(hash_text(stored))


def _as_utf8(text: str) -> str:
    try:
        text.encode()
    except UnicodeEncodeError:
        return text.encode(errors="backslashreplace").decode()
    return text


def _cells(values: Sequence[Any], kind: Kind) -> Sequence[Any]:
    """Return a column as the texts and numbers of a CSV file."""
    if kind in {"text", "words", "hash"}:
        return [value and in_a_cell(value) for value in values]
    if kind == "truth":
        return ["true" if value else "false" for value in values]
    if kind == "date":
        return [value if value is None else _date(value) for value in values]
    return values


@lru_cache(maxsize=1000)
def _date(time_ns: int) -> str:
    """Return a calendar time to the nanosecond, without zeros at its end.

    >>> _date(1_767_600_000_500_000_000)
    '2026-01-05 08:00:00.5'
    """
    whole, fraction = str(np.datetime64(time_ns, "ns")).replace("T", " ").split(".")
    fraction = fraction.rstrip("0")
    return f"{whole}.{fraction}" if fraction else whole
