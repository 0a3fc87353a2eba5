"""Tables of values whose rows have to be rewritten, line by line, before they are rows with a time and columns.

* A header with line ends within quotes: it becomes one line.
* Units in cells of their own, ``12.3;V`` below ``Value;Unit``: they go behind their numbers.
* A row for each value, ``0.512;Enable;12.3`` below ``Time;Name;Value``: each name gets a column.
* Names beside their values, ``0.512; Enable: On; Supply: 12.3 V``: each name gets a column.
* A time for each value, ``Time;Enable;Time;Supply``: each time gets a row, in order of time.
* Cells that only blanks part, two or more, for there are single ones within them.
* Samples without times, where ``Sample interval;10 ms`` stands above them: they get times that count from 0.
"""

import re
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from heapq import heappop, heappush
from itertools import chain, count, pairwise
from math import inf
from typing import Final

from buslens.capture.stream import PassingStream, Stream
from buslens.capture.table_rows import CUTS, CellSplit
from buslens.capture.values_layout import NUMBER, UNITS_ONLY, ValuesLayout, key_of, split_unit
from buslens.units import NS_PER_S, TIME_UNITS

_NAME: Final = re.compile(
    r"(?i)\b(name|signal|channel|parameter|label|item|variable|quantity|kanal|bezeichnung|messwert|messgr\S*)\b"
)
_VALUE: Final = re.compile(r"(?i)\b(value|wert|messwert|reading|valeur|valor)\b")
_UNIT: Final = re.compile(r"(?i)\b(units?|einheit|unit\S)\b")
_INTERVAL: Final = re.compile(
    r"(?i)\b(?:sampl\w*[ _-]?(?:interval|period|time)|interval|(?:x|t|dt)?[ _-]?inc(?:rement)?|dt|abtast\w*)\b"
    r"[^\d\n+-]{0,16}?"
    r"\+?(\d+[.,]?\d*(?:e[+-]?\d+)?)[\s\",;]*(ns|us|µs|ms|s)?\b"
)
_RATE: Final = re.compile(
    r"(?i)\b(?:sampl\w*[ _-]?(?:rate|freq\w*)|abtastrate)\b\D{0,16}?"
    r"(\d+[.,]?\d*(?:e[+-]?\d+)?)[\s\",;]*([kM]?)(?:Hz|Sa?/s)"
)
_INCREMENT: Final = re.compile(r"(?i)\b(x?increment|interval)\b")
_PAIRS: Final = tuple(
    (
        is_sign,
        re.compile(
            # Behind a time, blanks are enough.
            rf"(?:^(?:[\d.,:/TZ+ -]*\d[TZ]?\s)?|(?<=[{before}]))\s*([^\W\d][^;,|\t:={before}]*?)\s*"
            rf"{mark}\s*({value})(?=\s*(?:[{before}](?!\d)|$))"
        ),
    )
    for is_sign, before, mark, value in (
        (True, r";,|\t", "[:=]", r"[^;|\t:=]*?"),
        (True, r"\s", "[:=]", r"[^\s=]+"),
        (False, r";|\t", r"[;|\t]", r"[^;|\t]*?"),
        (False, r",", ",", r"[^,]*?"),
        (False, r"\s", " ", r'"[^"]*"|[^\s"]+'),
    )
)
"""A name and its value, and whether a sign stands between them; else they are cells, and each row has all names."""
_OF_FRAMES: Final = re.compile(r"(?i)(can[ _-]?)?id|dlc|len|data")
_LEAST_PART: Final = 0.8
"""Part of the lines that have the form of a row."""
_MOST_NAMES: Final = 200
_MOST_LINES: Final = 20
"""Lines of a header, at most."""
_CHUNK: Final = 1 << 17
_MOST_WAITING: Final = 1 << 18
"""Rows that wait for those of a slower column, at most."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Rewriting:
    """What is done to the lines of a table."""

    #: Lines before the first row, and the header that stands for them.
    n_before: int
    heading: str
    #: Returns what rewrites the rows of one reading; behind the last one comes an empty line.
    rows: Callable[[], Callable[[str], str]]
    #: As a sentence.
    note: str

    @property
    def is_longer(self) -> bool:
        """Whether the header is a line more than there was."""
        return bool(self.heading) and not self.n_before

    def applied(self, text: bytes) -> bytes:
        """Return the beginning of a table as it is read; an unfinished last line is left out."""
        row = self.rows()
        *lines, _ = text.decode("latin-1").split("\n")
        heading = [*[""] * (self.n_before - 1), self.heading] if self.heading else []
        return "".join(f"{line}\n" for line in (*heading, *map(row, lines[self.n_before :]))).encode("latin-1")


class RewrittenStream(PassingStream):
    """A stream whose lines are rewritten."""

    def __init__(self, stream: Stream, rewriting: Rewriting) -> None:
        super().__init__(stream)
        self._rewriting = rewriting
        self._row = rewriting.rows()
        self._left = rewriting.n_before
        self._buffer = bytearray(_CHUNK)
        self._half = b""
        self._is_over = False
        self._ready = f"{rewriting.heading}\n".encode("latin-1") if rewriting.is_longer else b""

    def read_into(self, view: memoryview) -> int:
        """Fill the view."""
        while not self._ready and not self._is_over:
            n = self._stream.read_into(memoryview(self._buffer))
            self._is_over = not n
            text = self._half + (bytes(self._buffer[:n]) if n else b"\n\n")
            *lines, self._half = text.split(b"\n")
            self._ready = b"".join(self._rewritten(line.decode("latin-1")) for line in lines)
            if self._is_over:
                self._ready = re.sub(rb"\n*\Z", b"\n", self._ready).lstrip(b"\n")
        n = min(len(view), len(self._ready))
        view[:n], self._ready = self._ready[:n], self._ready[n:]
        return n

    def _rewritten(self, line: str) -> bytes:
        if self._left:
            self._left -= 1
            return f"{'' if self._left else self._rewriting.heading}\n".encode("latin-1")
        return f"{self._row(line)}\n".encode("latin-1")


def _tables(head: bytes) -> Iterator[tuple[CellSplit, int, list[str], list[list[str]]]]:
    """Yield how rows may be cut, the place of the header, its cells and those of the rows below it."""
    lines = head.decode("latin-1").split("\n")[:400]
    for cut in CUTS:
        table = [cut.cells(line) for line in lines] if cut.separator else []
        width, n_rows = Counter(map(len, table)).most_common(1)[0] if table else (0, 0)
        if width < 3 or n_rows < _LEAST_PART * sum(map(bool, map(any, table))):
            continue
        place = next(k for k, row in enumerate(table) if len(row) == width)
        header = table[place]
        if not any(map(NUMBER.fullmatch, header)):
            yield cut, place, header, [row for row in table[place + 1 :] if len(row) == width and row != header]


def names_of_two_lines(head: bytes, _wanted: Sequence[str | int]) -> Rewriting | None:
    """Return how a header with line ends within quotes becomes one line; None where quotes end on their line."""
    lines = head.decode("latin-1").split("\n")[:400]
    odd = [k for k, line in enumerate(lines) if line.count('"') % 2]
    if len(odd) != 2 or odd[1] - odd[0] > _MOST_LINES or not any(map(str.strip, lines[odd[1] + 1 :])):
        return None
    heading = " ".join(line.strip() for line in lines[odd[0] : odd[1] + 1])
    return Rewriting(
        n_before=odd[1] + 1,
        heading=heading,
        rows=lambda: lambda line: line,
        note="its header has line ends within quotes",
    )


def units_beside(head: bytes, _wanted: Sequence[str | int]) -> Rewriting | None:
    """Return how units that stand in columns of their own are put behind their numbers; None if there are none."""
    for cut, _, header, body in _tables(head):
        units = [k for k, name in enumerate(header) if _UNIT.fullmatch(_text(name).strip("[]() "))]
        pairs = []
        for unit in units:
            beside = (k for k in range(unit - 1, -1, -1) if any(NUMBER.fullmatch(row[k]) for row in body))
            value = next(beside, None)
            if value is not None and all(map(UNITS_ONLY.fullmatch, (_text(row[unit]).split(" ")[0] for row in body))):
                pairs.append((value, unit))
        if pairs:
            return _joined_units(cut, pairs)
    return None


def _joined_units(cut: CellSplit, pairs: Sequence[tuple[int, int]]) -> Rewriting:
    mark = cut.separator

    def rewritten(line: str) -> str:
        cells = cut.cells(line)
        for value, unit in pairs:
            if unit < len(cells) and cells[unit] and NUMBER.fullmatch(cells[value]):
                cells[value] += f" {cells[unit]}"
        return mark.join(f'"{cell}"' if mark in cell else cell for cell in cells)

    return Rewriting(n_before=0, heading="", rows=lambda: rewritten, note="units stand in columns of their own")


def names_beside(head: bytes, wanted: Sequence[str | int]) -> Rewriting | None:
    """Return how rows with names beside their values are rewritten; None without these, or those wanted."""
    lines = [line.rstrip("\r") for line in head.decode("latin-1").split("\n")[:400]]
    keys = {key_of(split_unit(one)[0]) for one in wanted if isinstance(one, str)}
    for is_sign, pattern in _PAIRS:
        found = [pattern.findall(line) for line in lines]
        n_names = Counter(name for pairs in found for name, _ in pairs)
        names = [name for name, n in n_names.items() if n > 1][:_MOST_NAMES]
        rows = [k for k, pairs in enumerate(found) if sum(name in names for name, _ in pairs) > 1]
        if len(rows) < max(_LEAST_PART * sum(map(bool, lines)), 2) or len(names) > len(rows):
            continue
        if not is_sign and (
            any(n_names[name] < _LEAST_PART * len(rows) for name in names)
            or any(len(pairs) > 1 for pairs in found[: rows[0]])  # these are words below a header
        ):
            continue
        if keys & set(map(key_of, map(_text, names))) if wanted else not any(map(_OF_FRAMES.fullmatch, names)):
            return _paired(pattern, names, lines[rows[0]], rows[0])
    return None


def _paired(pattern: re.Pattern[str], names: Sequence[str], first: str, n_before: int) -> Rewriting:
    match = pattern.search(first)
    has_time = match is not None and bool(first[: match.start(1)].strip())

    def rewritten(line: str) -> str:
        pairs = list(pattern.finditer(line))
        if not pairs:
            return line
        values = {pair[1]: pair[2].strip('"') for pair in pairs}
        before = line[: pairs[0].start(1)].strip(" \t;,|")
        cells = [*[before] * has_time, *(values.get(name, "") for name in names)]
        return ";".join(f'"{cell}"' if ";" in cell else cell for cell in cells)

    heading = ";".join([*["Time"] * has_time, *names])
    return Rewriting(
        n_before=n_before, heading=heading, rows=lambda: rewritten, note="each value stands behind its name"
    )


def times_beside(head: bytes, wanted: Sequence[str | int]) -> Rewriting | None:
    """Return how rows in which values have times of their own are rewritten; None where one time holds for each row.

    Of times whose values nobody wants there are no rows.
    """
    keys = {key_of(split_unit(one)[0]) if isinstance(one, str) else one for one in wanted}
    for cut, place, header, body in _tables(head):
        times = [k for k, name in enumerate(header) if name and name == header[0]]
        n_words = next((k for k, row in enumerate(body) if NUMBER.fullmatch(row[0])), len(body))
        rows = [[row[k] for k in times if row[k]] for row in body[n_words:]]
        if any(len({*row}) > 1 for row in rows) and all(map(NUMBER.fullmatch, chain(*rows))):
            units = body[0] if n_words else [""] * len(header)
            named = [key_of(split_unit(_text(name))[0]) for name in header]
            parts = list(pairwise([*times, len(header)]))
            asked = [it for it in parts if keys & {*named[it[0] + 1 : it[1]], *range(it[0] + 2, it[1] + 1)}]
            return _in_turn(cut, place + 1 + n_words, header, units, asked or parts)
    return None


def _in_turn(
    cut: CellSplit, n_before: int, header: Sequence[str], units: Sequence[str], parts: Sequence[tuple[int, int]]
) -> Rewriting:
    """Return what makes a row of each time of a row, and hands them on once no earlier one can come.

    A part of a row is a time and the values that it holds for: its first column, and the one behind its last.
    """
    mark, width = cut.separator, len(header)

    def rows() -> Callable[[str], str]:
        waiting: list[tuple[float, int, str]] = []
        number = count()

        def rewritten(line: str) -> str:
            cells = cut.cells(line)
            given = [part for part in parts if len(cells) >= part[1] and NUMBER.fullmatch(cells[part[0]])]
            if line.strip() and not given and not any(map(NUMBER.fullmatch, cells)):
                return line
            reached = [float(cells[begin].replace(",", ".")) for begin, _ in given]
            for at, (begin, stop) in zip(reached, given, strict=True):
                text = mark.join([cells[begin], *[""] * begin, *cells[begin + 1 : stop], *[""] * (width - stop)])
                heappush(waiting, (at, next(number), text))
            found = []
            while waiting and (waiting[0][0] <= min(reached, default=inf) or len(waiting) > _MOST_WAITING):
                found.append(heappop(waiting)[2])
            return "\n".join(found)

        return rewritten

    named = [f"{name} ({unit.strip('[]() ')})" if unit else name for name, unit in zip(header, units, strict=True)]
    return Rewriting(
        n_before=n_before,
        heading=mark.join("" if k and name == named[0] else name for k, name in enumerate(named)),
        rows=rows,
        note=f"each of the columns '{_text(header[0])}' holds for the columns on its right",
    )


def blanks_between(head: bytes, _wanted: Sequence[str | int]) -> Rewriting | None:
    """Return how cells are parted that have blanks between and within them; None if they are none."""
    lines = [line for line in head.decode("latin-1").split("\n")[:400] if line.strip()]
    cells = [re.split(r"\s{2,}", line.strip()) for line in lines]
    width = Counter(map(len, cells)).most_common(1)[0][0] if cells else 0
    alike = [row for row in cells if len(row) == width]
    within = sum(any(" " in cell for cell in row) for row in alike)
    if width < 2 or len(alike) < _LEAST_PART * len(lines) or 2 * within < len(alike) or any(map(_marked, lines)):
        return None
    return Rewriting(
        n_before=0,
        heading="",
        rows=lambda: lambda line: re.sub(r"\s{2,}", "\t", line.strip()),
        note="two or more blanks part its cells",
    )


def _marked(line: str) -> bool:
    return any(mark in line for mark in ";,|\t")


def one_value_a_row(head: bytes, wanted: Sequence[str | int]) -> Rewriting | None:
    """Return how rows with the name of their value are rewritten; None if they are none.

    They are where the names that are wanted stand in a column of texts and not in the header, or where nothing is
    wanted, and the header says so.
    """
    names = {key_of(split_unit(one)[0]) for one in wanted if isinstance(one, str)}
    if len(names) < len(wanted):
        return None
    for cut, place, header, body in _tables(head):
        # A row with two of the names is the header, whatever stands above it.
        if names and (names & _names(header) or any(len(names & _names(row)) > 1 for row in body)):
            continue
        found = _named_column(header, body, names)
        if found is not None:
            return _wide(cut, place, header, body, found)
    return None


def _named_column(header: Sequence[str], body: Sequence[Sequence[str]], names: set[str]) -> int | None:
    for column in range(len(header)):
        cells = {row[column] for row in body}
        if not 0 < len(cells) <= min(_MOST_NAMES, len(body) // 2) or any(map(NUMBER.fullmatch, cells)):
            continue
        says_so = _NAME.search(header[column]) and any(_VALUE.search(it) for it in header if it != header[column])
        if names & {key_of(split_unit(_text(cell))[0]) for cell in cells} if names else says_so:
            return column if column + 1 < len(header) or any(map(_VALUE.search, header)) else None
    return None


def _wide(cut: CellSplit, place: int, header: Sequence[str], body: Sequence[Sequence[str]], name: int) -> Rewriting:
    mark = cut.separator
    value = next((k for k, cell in enumerate(header) if k != name and _VALUE.search(cell)), name + 1)
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
    numbered = [column for column in layout.values() if _counts(_cells(layout, column.index)[1:])]
    index = numbered[0].index if numbered else None

    def rows() -> Callable[[str], str]:
        samples = count()

        def rewritten(line: str) -> str:
            cells = cut.cells(line)
            left_out = width - len(cells)  # columns at the end that only the first line fills
            if left_out < 0 or (left_out and not cut.separator) or not any(cells):
                return line
            if index is not None and not cells[index].isdigit():
                return line
            number = next(samples) if index is None else int(cells[index])
            return f"{line.rstrip()}{mark * (1 + left_out)}{round(number * step_ns)}"

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
    for column in layout.columns:  # or the line of units or the first row has it, and no other
        cells = _cells(layout, column.index) or [""]
        first, *more = [column.unit, *cells] if column.unit else cells
        if _INCREMENT.search(column.name) and NUMBER.fullmatch(first) and not any(more):
            return float(first.replace(",", ".")) * NS_PER_S
    return None


def _cells(layout: ValuesLayout, k: int) -> list[str]:
    """Return the cells of a column; a row may be shorter."""
    return [row[k] if k < len(row) else "" for row in layout.rows.rows]


def _counts(cells: Iterable[str]) -> bool:
    """Return whether cells are whole numbers, each one more than the one before."""
    numbers = [int(cell) if cell.isdigit() else -1 for cell in cells]
    return len(numbers) > 1 and all(b == a + 1 for a, b in pairwise(numbers))


def _names(row: Iterable[str]) -> set[str]:
    return {key_of(split_unit(_text(name))[0]) for name in row}


def _text(cell: str) -> str:
    try:
        return cell.encode("latin-1").decode("utf-8")
    except UnicodeError:
        return cell


REWRITINGS: Final = (names_of_two_lines, blanks_between, names_beside, units_beside, times_beside, one_value_a_row)
"""Each returns how rows are rewritten by the beginning of a table and the columns that are wanted; in this order."""
