"""Which columns of a table of values are meant, and where its rows begin, from the line with their names.

    Time (s);Enable status;Supply voltage (V)
    0,50;Off;12,3

A column is named by the text of its header, with or without the unit that stands behind it, or by its number. The line
that has most of the wanted names is the header; a line of units may follow.
"""

import re
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import zip_longest
from typing import Final

from buslens.capture.table_layout import UnclearLayoutError, holds_frames
from buslens.capture.table_rows import CUTS, MOST_ROWS, CellSplit, Rows, rows_of
from buslens.capture.table_settings import NOTHING_TOLD, TableSettings
from buslens.capture.table_time import TimeColumn, stamps_of_values

MOST_COLUMNS: Final = 256
"""Columns of the widest table of values."""
_MOST_BEFORE: Final = 200
"""Lines before the header, at most."""
_ALIKE: Final = 50
"""What rows with as many cells as the header add to its score; less than one more name that is found."""
_LOOKED_BELOW: Final = 5
"""Lines below a header that should have as many cells."""
_BRACKETS: Final = re.compile(r"(?P<name>.*\S)\s*[\[(](?P<unit>[^\[\]()]*)[\])]")
_BEHIND: Final = re.compile(r"(?P<name>.*\S)\s*(?:/|,|\bin\b)\s*(?P<unit>[^\s\d,/]\S{0,5})")
UNITS_ONLY: Final = re.compile(r"[\[(]?\s*[^\s\d()\[\]]{0,8}\s*[\])]?")
_SAMPLING: Final = re.compile(r"(?i)\b(start|x?increment|interval)\b")
NUMBER: Final = re.compile(r"[+-]?(\d+[.,]?\d*|[.,]\d+)([eE][+-]?\d+)?")


@dataclass(frozen=True, slots=True, kw_only=True)
class ValueColumn:
    """One column of a table of values."""

    #: Counted from 0.
    index: int
    #: As the header has it, without the unit; empty without a header.
    name: str
    #: What the header, or the line below it, gives as the unit; empty if nothing.
    unit: str

    @property
    def shown(self) -> str:
        """What to call it: its name, else its number."""
        return self.name or f"column {self.index + 1}"


@dataclass(frozen=True, slots=True, kw_only=True)
class ValuesLayout:
    """How a table of values is read."""

    cut: CellSplit
    #: Lines before the first row.
    n_before: int
    columns: tuple[ValueColumn, ...]
    #: By what was wanted, the column that it is; what is not there is left out.
    found: dict[str | int, ValueColumn]
    stamps: TimeColumn
    #: Cells of the first rows, for those who have to look at them.
    rows: Rows

    def values(self) -> list[ValueColumn]:
        """Return the columns that hold no part of the stamp."""
        return [column for column in self.columns if column.index not in self.stamps.columns]


@lru_cache(maxsize=4096)
def split_unit(header: str) -> tuple[str, str]:
    """Return the name and the unit of a header.

    >>> split_unit("Supply voltage [V]"), split_unit("Supply"), split_unit("Supply / mV")
    (('Supply voltage', 'V'), ('Supply', ''), ('Supply', 'mV'))
    """
    text = " ".join(header.split())
    match = _BRACKETS.fullmatch(text) or _BEHIND.fullmatch(text)
    return (text, "") if match is None else (match["name"], match["unit"].strip())


def layout_of(
    text: bytes, wanted: Sequence[str | int], told: TableSettings = NOTHING_TOLD, *, is_whole: bool = True
) -> ValuesLayout | None:
    """Work out how a table of values is read; None if not one of the wanted columns is in it.

    Parameters
    ----------
    text : bytes
        Its beginning, one byte for a character.
    wanted : sequence of str or int
        Columns by header or by number from 1; none: whatever table of values it may be.
    is_whole : bool
        Whether that is all; else the last line is left out.

    Raises
    ------
    UnclearLayoutError
        If it is one and does not say enough, with what to write.
    """
    lines = text.decode("latin-1").split("\n")
    if not is_whole or not lines[-1]:
        lines.pop()
    lines = [line.rstrip("\r") for line in lines[: MOST_ROWS + _MOST_BEFORE]]
    best: tuple[int, int, CellSplit, int, list[str]] | None = None
    for order, cut in enumerate(CUTS if told.separator is None else [_cut_of(told.separator)]):
        for place, line in enumerate(lines[:_MOST_BEFORE]):
            if not re.search(r"[^\W\d]", line):
                continue  # a row of numbers
            # The mark of a comment, unless it parts cells: then the first name is empty.
            comment = "#/; \t".replace(cut.separator, "")
            cells = cut.cells(line.lstrip(comment) if place == 0 or line.startswith("#") else line)
            if len(cells) < 2:
                continue
            score = _score(cells, wanted, lines, place, cut)
            if score and (best is None or score > best[0]):
                best = score, order, cut, place, cells
            if score >= 100 * max(len(wanted), 1) + _ALIKE:
                break
    numbers = [one for one in wanted if isinstance(one, int)]
    if best is None and wanted and len(numbers) == len(wanted):
        best = _without_header(lines, numbers, told)
    if best is None:
        return None
    _, _, cut, place, cells = best
    if not wanted and (rows := rows_of(lines, cut)) is not None and holds_frames(rows):
        return None  # why its frames cannot be read is said when they are
    if place >= 0:  # of several alike, as on the pages of a list, the first
        place = next(k for k, line in enumerate(lines) if line.strip() == lines[place].strip())
    return _complete(lines, cut, place, [_plain_text(cell) for cell in cells], wanted, told)


def _without_header(
    lines: Sequence[str], wanted: Sequence[int], told: TableSettings
) -> tuple[int, int, CellSplit, int, list[str]] | None:
    """Return how rows are cut that no header stands above, with numbers where they are wanted; None if none are."""
    for cut in CUTS if told.separator is None else [_cut_of(told.separator)]:
        rows = [cut.cells(line) for line in lines[:_MOST_BEFORE] if line.strip()]
        width = min(map(len, rows), default=0)
        if width >= max(2, *wanted) and all(NUMBER.fullmatch(row[one - 1]) for row in rows for one in wanted):
            return 1, 0, cut, -1, []
    return None


def _cut_of(separator: str) -> CellSplit:
    return next(
        (cut for cut in CUTS if cut.separator == separator), CellSplit(separator, " \t\r".replace(separator, ""))
    )


def _score(cells: Sequence[str], wanted: Sequence[str | int], lines: Sequence[str], place: int, cut: CellSplit) -> int:
    """Return how much speaks for a line being the header; 0: nothing."""
    names = [_plain_text(cell) for cell in cells]
    found = sum(isinstance(one, str) and _place_of(one, names) is not None for one in wanted)
    next_lines = lines[place + 1 : place + 1 + _LOOKED_BELOW]
    below = [cut.cells(line) for line in next_lines if found or line.strip()]
    if found:
        # Of ways to cut that find as many names, the one by which the rows have as many cells as the header.
        alike = sum(len(row) == len(cells) for row in below)
        return 100 * found + _ALIKE * alike // max(len(below), 1)
    if any(isinstance(one, str) for one in wanted):
        return 0
    # By number, or any: a line of texts, not all of them units, above the first of rows of the same width.
    is_text = not any(NUMBER.fullmatch(cell) for cell in cells) and any(
        re.match(r"[^\W\d]|[\x80-\xff]", name) for name in names
    )
    is_above = bool(below) and all(len(row) == len(cells) for row in below[1:] or below)
    has_numbers = all(any(re.match(r"[+-]?[.,]?\d", cell) for cell in row) for row in below[1:] or below)
    if not (is_text and is_above and has_numbers):
        return 0
    if cut.separator:
        return 1 + min(sum(map(bool, cells)), 90)
    return int(all(NUMBER.fullmatch(cell) for row in below[1:] or below for cell in row))


def _complete(
    lines: Sequence[str],
    cut: CellSplit,
    place: int,
    names: Sequence[str],
    wanted: Sequence[str | int],
    told: TableSettings,
) -> ValuesLayout:
    split = [split_unit(name) for name in names[:MOST_COLUMNS]]
    n_before = place + 1
    units = cut.cells(lines[n_before]) if n_before < len(lines) else []
    # A scope may say there how far apart its samples are, and when they begin.
    own = zip_longest(names, units, fillvalue="")
    filled = [cell for name, cell in own if cell and not (_SAMPLING.search(name) and NUMBER.fullmatch(cell))]
    is_units = bool(filled) and all(UNITS_ONLY.fullmatch(_plain_text(cell)) for cell in filled)
    if is_units and _begins_rows(lines, n_before + 1, cut):
        below = [_plain_text(unit).strip("[]() ") for unit in units] + [""] * len(split)
        split = [(name, unit or own) for (name, unit), own in zip(split, below, strict=False)]
        n_before += 1
    while n_before < len(lines) and not re.search(r"\w", lines[n_before]):
        n_before += 1
    above = {line.strip() for line in lines[:n_before]}
    below = [line for line in lines[n_before:] if line.strip() not in above]
    body = [cells for line in below if len(cells := cut.cells(line)) > 1 and re.search(r"\d", line)]
    usual = Counter(map(len, body)).most_common(1)
    if usual and 2 * usual[0][1] > len(body):
        body = [cells for cells in body if len(cells) == usual[0][0]]
    _require_fitting(names, body, cut)
    width = min(max((len(row) for row in body), default=0), MOST_COLUMNS)
    split += [("", "")] * (width - len(split))
    body = [[*row, *[""] * (len(split) - len(row))] for row in body[:MOST_ROWS]]
    columns = tuple(ValueColumn(index=k, name=name, unit=unit) for k, (name, unit) in enumerate(split))
    found: dict[str | int, ValueColumn] = {}
    for one in wanted:
        index = _index_of(one, names, width)
        if index is not None:
            found[one] = columns[index]
    # The unit stands in brackets, as the reader of stamps looks for it.
    header = [f"{column.name} ({column.unit})" if column.unit else column.name for column in columns]
    rows = Rows(cut=cut, n_before=n_before, header=header, preamble=list(lines[:n_before]), rows=body)
    taken = {column.index for column in found.values()}
    time = told.column("time")
    told_places = None if time is None else tuple(_told_place(one, names, width) for one in time)
    stamps = stamps_of_values(rows, taken, columns=told_places, unit=told.time_unit, date_order=told.date_order)
    return ValuesLayout(cut=cut, n_before=n_before, columns=columns, found=found, stamps=stamps, rows=rows)


def _require_fitting(names: Sequence[str], body: Sequence[Sequence[str]], cut: CellSplit) -> None:
    """Refuse rows in which commas stand both between cells and in numbers: nobody can tell them apart."""
    filled = [len("\t".join(row).rstrip("\t").split("\t")) for row in body]
    if names and cut.separator == "," and 2 * sum(width > len(names) for width in filled) > len(filled):
        raise UnclearLayoutError(
            f"its rows have {max(filled)} cells and its header {len(names)}: with decimal commas, export it with"
            " semicolons or tabs between cells"
        )


def _begins_rows(lines: Sequence[str], place: int, cut: CellSplit) -> bool:
    """Return whether, from a line on, the first that is not blank has a number or a digit in it."""
    line = next((line for line in lines[place:] if line.strip()), "")
    return any(re.search(r"\d", cell) for cell in cut.cells(line))


def _told_place(one: str | int, names: Sequence[str], width: int) -> int:
    index = _index_of(one, names, width)
    if index is None:
        raise UnclearLayoutError(f"there is no column '{one}' for the time, as [table] says; it has {_listed(names)}")
    return index


def _index_of(one: str | int, names: Sequence[str], width: int) -> int | None:
    if isinstance(one, int):
        if one > width:
            raise UnclearLayoutError(f"there is no column {one}; the widest row has {width} cells")
        return one - 1
    return _place_of(one, names)


def _place_of(wanted: str, names: Sequence[str]) -> int | None:
    """Return the column that is called so, with or without its unit; None if none is.

    Raises UnclearLayoutError if several are.
    """
    text = key_of(wanted)
    for keys in ([key_of(name) for name in names], [key_of(split_unit(name)[0]) for name in names]):
        places = [k for k, key in enumerate(keys) if key == text]
        if len(places) > 1:
            raise UnclearLayoutError(
                f"columns {places[0] + 1} and {places[1] + 1} are both called '{wanted}': name one by its number,"
                f" column = {places[0] + 1}"
            )
        if places:
            return places[0]
    bare = key_of(split_unit(wanted)[0])
    return _place_of(split_unit(wanted)[0], names) if bare != text else None


def absent_columns(wanted: Sequence[str | int], layout: ValuesLayout) -> str:
    """Return that a table has no such columns, and which there are."""
    names = " or ".join(f"'{one}'" for one in wanted)
    return f"there is no column {names} in the table; it has {_listed([column.name for column in layout.columns])}"


def _listed(names: Iterable[str]) -> str:
    shown = [f"'{name}'" for name in names if name]
    return ", ".join(shown[:20]) + (f" and {len(shown) - 20} more" if len(shown) > 20 else "")


@lru_cache(maxsize=4096)
def key_of(name: str) -> str:
    """Return the form of a name by which it is compared."""
    return " ".join(name.split()).casefold()


def _plain_text(cell: str) -> str:
    """Return a cell of text that was read with one character for each byte."""
    try:
        return cell.encode("latin-1").decode("utf-8").strip()
    except UnicodeError:
        return cell.strip()
