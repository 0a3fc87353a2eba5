"""Tables of values whose rows have to be rewritten, line by line, before they are rows with a time and columns.

* A row for each value, ``0.512;Enable;12.3;V`` below ``Time;Name;Value;Unit``: each name gets a column.
* Samples without times, where ``Sample interval;10 ms`` stands above them: they get times that count from 0.
"""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass
from itertools import count, pairwise
from typing import TYPE_CHECKING, Final

from buslens.capture.stream import PassingStream, Stream
from buslens.capture.table_rows import CUTS, CellSplit
from buslens.capture.values_layout import NUMBER, key_of, split_unit
from buslens.units import NS_PER_S, TIME_UNITS

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

    from buslens.capture.values_layout import ValuesLayout

_NAME: Final = re.compile(r"(?i)\b(name|signal|channel|parameter|label|item|variable|quantity|kanal|bezeichnung)\b")
_VALUE: Final = re.compile(r"(?i)\b(value|wert|messwert|reading|valeur|valor)\b")
_UNIT: Final = re.compile(r"(?i)\b(units?|einheit|unit\S)\b")
_INTERVAL: Final = re.compile(
    r"(?i)\b(?:sampl\w*[ _-]?(?:interval|period|time)|interval|x?[ _-]?increment|abtast\w*)\b[^\d\n+-]{0,16}?"
    r"\+?(\d+[.,]?\d*(?:e[+-]?\d+)?)[\s\",;]*(ns|us|µs|ms|s)?\b"
)
_RATE: Final = re.compile(
    r"(?i)\b(?:sampl\w*[ _-]?(?:rate|freq\w*)|abtastrate)\b\D{0,16}?"
    r"(\d+[.,]?\d*(?:e[+-]?\d+)?)[\s\",;]*([kM]?)(?:Hz|Sa?/s)"
)
_INCREMENT: Final = re.compile(r"(?i)\b(x?increment|interval)\b")
_LEAST_PART: Final = 0.8
"""Part of the lines that have the form of a row."""
_MOST_NAMES: Final = 200
_CHUNK: Final = 1 << 17


@dataclass(frozen=True, slots=True, kw_only=True)
class Rewriting:
    """What is done to the lines of a table."""

    #: Lines before the first row, and the header that stands for them.
    n_before: int
    heading: str
    #: Returns what rewrites the rows of one reading.
    rows: Callable[[], Callable[[str], str]]
    #: As a sentence.
    note: str

    def applied(self, text: bytes) -> bytes:
        """Return the beginning of a table as it is read; an unfinished last line is left out."""
        row = self.rows()
        *lines, _ = text.decode("latin-1").split("\n")
        heading = [*[""] * (self.n_before - 1), self.heading] if self.n_before else []
        return "".join(f"{line}\n" for line in (*heading, *map(row, lines[self.n_before :]))).encode("latin-1")


class RewrittenStream(PassingStream):
    """A stream whose lines are rewritten."""

    def __init__(self, stream: Stream, rewriting: Rewriting) -> None:
        super().__init__(stream)
        self._rewriting = rewriting
        self._row = rewriting.rows()
        self._left = rewriting.n_before
        self._buffer = bytearray(_CHUNK)
        self._half = self._ready = b""

    def read_into(self, view: memoryview) -> int:
        """Fill the view."""
        while not self._ready:
            n = self._stream.read_into(memoryview(self._buffer))
            if not n and not self._half:
                return 0
            text = self._half + (bytes(self._buffer[:n]) if n else b"\n")
            *lines, self._half = text.split(b"\n")
            self._ready = b"".join(self._rewritten(line.decode("latin-1")) for line in lines)
        n = min(len(view), len(self._ready))
        view[:n], self._ready = self._ready[:n], self._ready[n:]
        return n

    def _rewritten(self, line: str) -> bytes:
        if self._left:
            self._left -= 1
            return f"{'' if self._left else self._rewriting.heading}\n".encode("latin-1")
        return f"{self._row(line)}\n".encode("latin-1")


def one_value_a_row(head: bytes, wanted: Sequence[str | int]) -> Rewriting | None:
    """Return how rows with the name of their value are rewritten; None if they are none.

    They are where the names that are wanted stand in a column of texts and not in the header, or where nothing is
    wanted, and the header says so.
    """
    lines = head.decode("latin-1").split("\n")[:400]
    names = {key_of(split_unit(one)[0]) for one in wanted if isinstance(one, str)}
    if len(names) < len(wanted):
        return None
    for cut in CUTS:
        table = [cut.cells(line) for line in lines] if cut.separator else []
        width, n_rows = Counter(map(len, table)).most_common(1)[0] if table else (0, 0)
        if width < 3 or n_rows < _LEAST_PART * sum(map(bool, map(any, table))):
            continue
        place = next(k for k, row in enumerate(table) if len(row) == width)
        header = table[place]
        if names & {key_of(split_unit(_text(name))[0]) for name in header} or any(map(NUMBER.fullmatch, header)):
            continue
        body = [row for row in table[place + 1 :] if len(row) == width and row != header]
        found = _named_column(header, body, names)
        if found is not None:
            return _wide(cut, place, header, body, found)
    return None


def _named_column(header: Sequence[str], body: Sequence[Sequence[str]], names: set[str]) -> int | None:
    for column in range(len(header)):
        cells = {row[column] for row in body}
        if not 0 < len(cells) <= min(_MOST_NAMES, len(body) // 2) or any(map(NUMBER.fullmatch, cells)):
            continue
        says_so = _NAME.search(header[column]) and any(map(_VALUE.search, header))
        if names & {key_of(split_unit(_text(cell))[0]) for cell in cells} if names else says_so:
            return column if column + 1 < len(header) or any(map(_VALUE.search, header)) else None
    return None


def _wide(cut: CellSplit, place: int, header: Sequence[str], body: Sequence[Sequence[str]], name: int) -> Rewriting:
    mark = cut.separator
    value = next((k for k, cell in enumerate(header) if _VALUE.search(cell)), name + 1)
    unit = next((k for k, cell in enumerate(header) if k not in {name, value} and _UNIT.search(cell)), None)
    others = [k for k in range(len(header)) if k not in {name, value, unit}]
    units = {row[name]: row[unit] if unit is not None else "" for row in reversed(body)}
    names = list(dict.fromkeys(row[name] for row in body))
    at = {one: k for k, one in enumerate(names)}

    def rewritten(line: str) -> str:
        cells = cut.cells(line)
        if len(cells) < len(header) or cells[name] not in at:
            return "" if len(cells) >= len(header) else line
        text = f'"{cells[value]}"' if mark in cells[value] else cells[value]
        before = at[cells[name]]
        return mark.join([*(cells[k] for k in others), *[""] * before, text, *[""] * (len(names) - 1 - before)])

    return Rewriting(
        n_before=place + 1,
        heading=mark.join(
            [*(header[k] for k in others), *(f"{one} ({units[one]})" if units[one] else one for one in names)]
        ),
        rows=lambda: rewritten,
        note=f"each row has one value, whose name is in column {name + 1}",
    )


def counted_samples(layout: ValuesLayout) -> Rewriting | None:
    """Return how samples get times that have none; None if nothing above them says how far apart they are."""
    step_ns = _step_ns(layout)
    if step_ns is None:
        return None
    cut, width = layout.cut, len(layout.columns)
    mark = cut.separator or " "
    numbered = [column for column in layout.values() if _counts(row[column.index] for row in layout.rows.rows[1:])]
    index = numbered[0].index if numbered else None

    def rows() -> Callable[[str], str]:
        samples = count()

        def rewritten(line: str) -> str:
            cells = cut.cells(line)
            if len(cells) != width or not any(cells) or (index is not None and not cells[index].isdigit()):
                return line
            number = next(samples) if index is None else int(cells[index])
            return f"{line.rstrip()}{mark}{round(number * step_ns)}"

        return rewritten

    shown = [f"{column.name} ({column.unit})" if column.unit else column.name for column in layout.columns]
    return Rewriting(
        n_before=layout.n_before,
        heading=mark.join([*shown, "Time (ns)"]).encode().decode("latin-1"),
        rows=rows,
        note=f"the samples have no times: they are counted, one each {step_ns / NS_PER_S:g} s, as is said above them",
    )


def _step_ns(layout: ValuesLayout) -> float | None:
    for line in layout.rows.preamble:
        if match := _INTERVAL.search(line):
            return float(match[1].replace(",", ".")) * TIME_UNITS.get(match[2] or "s", NS_PER_S)
        if match := _RATE.search(line):
            return NS_PER_S / float(match[1].replace(",", ".")) / {"": 1, "k": 1_000, "M": 1_000_000}[match[2]]
    for column in layout.columns:  # or the first row has it, and no other
        first, *more = [row[column.index] for row in layout.rows.rows] or [""]
        if _INCREMENT.search(column.name) and NUMBER.fullmatch(first) and not any(more):
            return float(first.replace(",", ".")) * NS_PER_S
    return None


def _counts(cells: Iterable[str]) -> bool:
    """Return whether cells are whole numbers, each one more than the one before."""
    numbers = [int(cell) if cell.isdigit() else -1 for cell in cells]
    return len(numbers) > 1 and all(b == a + 1 for a, b in pairwise(numbers))


def _text(cell: str) -> str:
    try:
        return cell.encode("latin-1").decode("utf-8")
    except UnicodeError:
        return cell
