"""Rows that hold frames and must not be read as a table of them: each is refused, with what to write instead.

A row that is read in silence as another frame is worse than one that is not read. So what a layout leaves unexplained
is looked at before it is used, and what a header names and the cells do not hold is told.
"""

from __future__ import annotations

import itertools
import re
from collections import Counter
from operator import eq
from typing import TYPE_CHECKING, Final

from buslens.capture import _table_kernel as kernel
from buslens.capture.table_layout import UnclearLayoutError, UnclearTimeError
from buslens.capture.table_rows import BYTE, Rows, named, payload_size, whole

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from buslens.capture.table_layout import TableLayout
    from buslens.capture.table_rows import Column

_RUN_TOGETHER: Final = re.compile(r"[tTrR]?[0-9A-Fa-f]{12,}")
_SPOILED: Final = re.compile(r"[+-]?\d+([.,]\d+)?[eE][+-]?\d+|#+|\d{1,3}([.,' ]\d{3})+")
"""What a spreadsheet makes of what it takes for a number."""
_BY_SPREADSHEET: Final = (
    "a spreadsheet took it for a number, and digits are lost; use the file that the recorder wrote, or export the "
    "table again with this column as text"
)
_EXPONENT: Final = re.compile(r"\d[.,]\d+[eE]\+\d+")
_SHORTENED: Final = re.compile(r"[1-9]\d(\d\d)*\d|\d+([.,]\d+)?[eE]\+\d+")
"""Digits that are no whole bytes and have no zero in front, or a number with an exponent."""
_FEW: Final = 9
_LEAST_SPOILED: Final = 3
"""Different cells; a line that was cut gives one or two."""
_LOOKS_LIKE_TIME: Final = re.compile(r"[-+]?\d[\d.,:;/+\-T_ ']{2,}(Z|[A-Za-z]{1,3})?")
_OCTAL: Final = re.compile(r"(?<=[ \t,;])[0-3][0-7]{2}([ ,;][0-3][0-7]{2})+(?=\s*$)")
_LARGEST_BYTE: Final = 255
_DUMPED: Final = re.compile(
    r"\s*(?:0[xX])?([0-9A-Fa-f]{4,8}):?\s+((?:[0-9A-Fa-f]{2,4}[ -]{1,3}){3,}[0-9A-Fa-f]{2,4})(?:\s|$)"
)
_FEW_LINES: Final = 10
_MANY_BITS: Final = 100
"""States count less far."""
_IDENTIFIER: Final = re.compile(r"(0[xX]|[#$])?0{0,8}[0-9A-Fa-f]{1,10}[hHxX]?(\.0+)?")
_MOST_ROWS: Final = 2000
_LEAST_PGNS: Final = 4
_LEAST_RUNS: Final = 4
"""Identifiers of which each has its rows behind those of another."""
_LONGEST_SHORT: Final = 0x7FF
_LARGEST_PGN: Final = 0x3FFFF
"""Of 18 bits (SAE J1939-21)."""
_PARTS: Final = (
    "each row seems to hold a part of a frame, for most have no identifier, or the time and the identifier of the row "
    "before: write a row for each frame, with all of its data"
)
_DOWNWARDS: Final = re.compile(r"(?<!\d)(?:7\D{1,8}0|8\D{1,8}1)(?!\d)")
_ORDER_ALONE: Final = 'or write a file with [table] and time = "none" to use the order of the rows alone'


def refuse_unreadable_text(lines: Sequence[str]) -> None:
    """Refuse frames that are written in a way in which no columns can be told.

    Raises UnclearLayoutError if the rows are so.
    """
    rows = [line for line in lines[:200] if line.strip()]
    if 2 * sum(_RUN_TOGETHER.fullmatch(row.strip()) is not None for row in rows) > len(rows):
        raise UnclearLayoutError(
            "time, identifier and data of a row run together, so nothing tells where one ends: write the rows again "
            "with a comma between the cells"
        )
    if 2 * sum(_OCTAL.search(row) is not None for row in rows) > len(rows) > 0 and any(
        int(byte) > _LARGEST_BYTE
        for row in rows
        for found in [_OCTAL.search(row)]
        if found
        for byte in found[0].split()
    ):
        raise UnclearLayoutError(
            "the data bytes seem to be octal: write identifiers and bytes in hexadecimal digits, such as 2CF and 05 0C"
        )


def refuse_dump(lines: Sequence[str]) -> None:
    """Refuse rows of bytes behind a number that counts them, as a dump of a file has.

    Raises UnclearLayoutError if most rows are so.
    """
    found = [match for line in lines[:200] if (match := _DUMPED.match(line)) is not None]
    steps = [int(b[1], 16) - int(a[1], 16) for a, b in itertools.pairwise(found)]
    sizes = [len(re.findall("[0-9A-Fa-f]{2}", match[2])) for match in found]
    if 2 * len(found) > len(lines[:200]) > _FEW_LINES and 9 * len(steps) <= 10 * sum(map(eq, steps, sizes)):
        raise UnclearLayoutError(
            "the rows are the bytes of a file, with the number of the first in front, and not frames: give the file "
            "itself, or write a row for each frame, with its time, identifier and data"
        )


def refuse_bare_numbers(rows: Rows) -> None:
    """Refuse rows without any letter that end with eight numbers up to 255, which may be frames or values.

    Raises UnclearLayoutError if they are so.
    """
    last = rows.columns[-8:]
    if rows.has_names or rows.width < 10 or not all(c.is_int and len(c.filled) == len(c.cells) for c in last):
        return
    values = [max(value or 0 for value in column.values(10)) for column in last]
    if max(values) > _LARGEST_BYTE or sum(value > _MANY_BITS for value in values) < 2:
        return
    ids = [c for c in rows.columns[:-8] if c.is_int and 1 < len(c.counts) < len(c.filled)]
    place = ids[-1].index + 1 if ids else rows.width - 8
    raise UnclearLayoutError(
        f"columns {rows.width - 7} to {rows.width} hold numbers up to 255, as eight data bytes in decimal do, but no "
        "length and no letter tell frames from values: if they are frames, write a file with [table], "
        f'id = {place}, id_base = "decimal", data = [{rows.width - 7}, {rows.width}] and data_base = "decimal", and '
        "give it as --table FILE.toml"
    )


def refuse_odd_cells(rows: Rows) -> None:
    """Refuse a table whose header names identifier and data, where the cells below are none.

    Raises
    ------
    UnclearLayoutError
        In any case, with the first column whose cells are odd.
    """
    payload = [column for column in rows.columns if named(column, "payload")]
    ids = [column for column in rows.columns if named(column, "id") and column not in payload]
    for column in payload if ids else []:
        alone = sum(bool(data) and not one for data, one in zip(column.cells, ids[0].cells, strict=True))
        if 2 * alone > len(column.filled) > 0 and ids[0].filled:
            raise UnclearLayoutError(_PARTS)
    for what, columns, fits in (
        ("an identifier", ids, _IDENTIFIER.fullmatch),
        ("data bytes", payload, BYTE.fullmatch if len(payload) > 1 else _is_payload),
    ):
        if any(not odd for odd in (_odd(column, fits) for column in columns) if what == "an identifier"):
            continue
        for column in columns:
            if odd := _odd(column, fits):
                raise _odd_cell(column, odd, what)
    raise UnclearLayoutError(
        "the header names identifier and data, but the rows do not agree with it: write a file with [table] that says "
        "which column holds what, and give it as --table FILE.toml"
    )


def refuse_base64(rows: Rows) -> None:
    """Refuse a table whose column of data, by its header, holds base64, whatever others hold.

    Raises UnclearLayoutError if that is so.
    """
    for column in rows.columns:
        is_word = len(column.counts) == 1  # of a sentence
        if named(column, "payload") and not is_word and (odd := _odd(column, _is_payload)) and _is_base64(odd):
            raise _odd_cell(column, odd, "data bytes")


def _odd_cell(column: Column, odd: str, what: str) -> UnclearLayoutError:
    name = f", '{column.name}'," if column.name else ""
    is_decimal = what == "data bytes" and column.all_match(re.compile(r"\d+")) and max(map(len, column.counts)) > 16
    advice = (
        "all bytes seem to be one decimal number; write two hexadecimal digits for each" if is_decimal else _advice(odd)
    )
    return UnclearLayoutError(f"column {column.index + 1}{name} holds '{odd}', which is not {what}: {advice}")


def refuse_spoiled_data(rows: Rows, layout: TableLayout) -> None:
    """Refuse data in one cell that a spreadsheet took for numbers.

    It makes 1,2E+05 of 12E4, and leaves out zeros in front: 10000 of 00010000 shows, but 0 of 000000 reads as a byte.
    So no row of such a table is believed.

    Raises UnclearLayoutError if some cells are so, with the column and one of them.
    """
    if layout.payload_role == kernel.PAYLOAD and layout.byte_base == 16:
        column = rows.columns[layout.payload[0]]
        if len(spoiled := [cell for cell in column.counts if _SHORTENED.fullmatch(cell)]) >= _LEAST_SPOILED:
            raise UnclearLayoutError(f"column {column.index + 1} holds '{max(spoiled, key=len)}': {_BY_SPREADSHEET}")


def _is_base64(cell: str) -> bool:
    return re.fullmatch("(?=.*[G-Zg-z+/])([A-Za-z0-9+/]{4})*([A-Za-z0-9+/]{2}[A-Za-z0-9+/=]=)?", cell) is not None


def _odd(column: Column, fits: object) -> str:
    """Return the most frequent cell of those that do not fit; empty if nearly all do."""
    odd = Counter({cell: n for cell, n in column.counts.items() if not fits(cell)})  # type: ignore[operator]
    return odd.most_common(1)[0][0][:40] if sum(odd.values()) > 0.02 * len(column.filled) else ""


def _is_payload(cell: str) -> bool:
    return re.fullmatch(r"[\[({{]?[0-9A-Fa-fxXhH :\-._,;|']*[\])}}]?", cell) is not None and payload_size(cell) >= 0


def _advice(cell: str) -> str:
    if _SPOILED.fullmatch(cell):
        return _BY_SPREADSHEET
    if _is_base64(cell):
        return "that seems to be base64; write the bytes in hexadecimal digits, in Python with data.hex()"
    if re.fullmatch("[01]{8,}", cell):
        return "write the bytes in hexadecimal digits"
    if re.fullmatch(r"0[xX][0-9A-Fa-f]+|[0-9A-Fa-f]+", cell):
        return "half a byte is missing, as where zeros in front were left out; write two digits for each byte"
    return "write the cells in hexadecimal digits, such as '0x2CF' and '05 0C 00'"


def require_whole_frames(rows: Rows, layout: TableLayout, times: tuple[int, ...]) -> None:
    """Require that a row holds one frame, and the whole of it; the stamps stand in columns `times`.

    Raises UnclearLayoutError if it holds two, or a part of one, or if its identifier stands in two columns.
    """
    few = Rows(
        cut=rows.cut, n_before=rows.n_before, header=rows.header, preamble=rows.preamble, rows=rows.rows[:_MOST_ROWS]
    )
    _require_all_cells(few, layout)
    _require_order(few, layout)
    _require_first_bytes(few, layout, times)
    _require_whole_identifier(few, layout)
    _require_all_parts(few, layout, times)
    _require_single(few, layout, times)
    _require_order_in_time(rows, layout, times)


def _require_order_in_time(rows: Rows, layout: TableLayout, times: tuple[int, ...]) -> None:
    """Refuse rows that were sorted by their identifiers, so that the times of each begin anew."""
    cells = rows.columns[layout.column[kernel.IDENTIFIER]].cells
    runs = [cell for cell, _ in itertools.groupby(cells)]
    if times and _LEAST_RUNS <= len(runs) == len(set(runs)) and 4 * len(runs) < len(cells):
        raise UnclearLayoutError(
            f"the rows are sorted by the identifier in column {layout.column[kernel.IDENTIFIER] + 1}: sort them by the "
            "time, for the order of frames says what came first"
        )


def _require_all_cells(rows: Rows, layout: TableLayout) -> None:
    """Refuse cells of several bytes where the header says that each holds one, and bytes that would be left out."""
    last, behind = (
        rows.columns[k] if k < len(rows.columns) else None for k in (layout.payload[-1], layout.payload[-1] + 1)
    )
    if layout.payload_role == kernel.BYTE and last and behind and behind.filled and _follows(last.name, behind.name):
        raise UnclearLayoutError(
            f"column {behind.index + 1}, '{behind.name}', holds '{behind.filled[0]}', which is not data bytes: write "
            "whole numbers, as in the columns before it"
        )
    if layout.payload_role != kernel.PAYLOAD:
        return
    first = layout.payload[0]
    numbered = [c for c in rows.columns if re.fullmatch(r"(d|b|data|byte)[ _]?\d", c.name)]
    if len(numbered) >= 4 and rows.columns[first] in numbered:
        refuse_odd_cells(rows)


def _follows(name: str, following: str) -> bool:
    """Return whether two names of columns count on.

    >>> _follows("b3", "b4"), _follows("b3", "sum")
    (True, False)
    """
    one, other = (re.fullmatch(r"(\D*)(\d+)", text) for text in (name, following))
    return one is not None and other is not None and one[1] == other[1] and int(other[2]) == int(one[2]) + 1


def _require_order(rows: Rows, layout: TableLayout) -> None:
    """Refuse bytes that the header counts downwards, and numbers of so many bits that zeros in front are left away."""
    first = layout.payload[0]
    names = [re.search(r"(\d+)$", rows.columns[k].name) for k in layout.payload[:8] if k < len(rows.columns)]
    numbers = [int(name[1]) for name in names if name]
    is_down = layout.payload_role == kernel.PAYLOAD and _DOWNWARDS.search(rows.columns[first].name)
    if is_down or (len(numbers) >= 4 and all(b == a - 1 for a, b in itertools.pairwise(numbers))):
        raise UnclearLayoutError(
            f"the header counts the bytes from column {first + 1} on downwards: write the first byte of a frame first"
        )
    halves = {cell for k in layout.payload for cell in rows.columns[k].counts if k < len(rows.columns)}
    if layout.payload_role == kernel.BYTE and len(halves) >= 12 and all(len(cell) == 1 for cell in halves):
        raise UnclearLayoutError(
            f"each digit of a byte stands in a cell of its own from column {first + 1} on: write the two digits of a "
            "byte together"
        )
    cells = rows.columns[first].filled
    odd = [
        cell for cell in cells if len(re.sub(r"^0[xX]", "", cell)) % 2 and re.fullmatch(r"0[xX][0-9A-Fa-f]{3,}", cell)
    ]
    if layout.payload_role == kernel.PAYLOAD and len(odd) > 0.01 * len(cells):
        raise UnclearLayoutError(
            f"column {first + 1} holds the data as one number ('{odd[0]}'), without the zeros in front of it: "
            "write two digits for each byte"
        )


def _require_first_bytes(rows: Rows, layout: TableLayout, times: tuple[int, ...]) -> None:
    """Refuse bytes that stand between the identifier and what was taken for the first byte."""
    index, first = layout.column[kernel.IDENTIFIER], layout.payload[0]
    taken = {*layout.column.values(), *times}
    between = [c for c in rows.columns[index + 1 : first] if c.index not in taken and c.filled]
    is_likely = layout.payload_role == kernel.BYTE and not (rows.has_names or rows.cut.separator)
    if is_likely and between and between[-1].has_letters and between[-1].is_byte and len(between[-1].counts) > 2:
        raise UnclearLayoutError(
            f"column {between[-1].index + 1} holds bytes, too, in front of those in column {first + 1}, so that "
            "nothing tells where the data begins: part the cells with commas, the identifier in one of them"
        )


def _require_whole_identifier(rows: Rows, layout: TableLayout) -> None:
    index = layout.column[kernel.IDENTIFIER]
    low = rows.columns[index]
    for high in rows.columns[max(index - 1, 0) : index + 2]:
        if high is low or high.index in layout.payload or any(len(cell) > 2 for cell in (*low.counts, *high.counts)):
            continue
        is_split = named(low, "id") and named(high, "id")
        is_split |= not rows.has_names and high.index < index and high.all_match(re.compile("0[0-7]"))
        if is_split and high.is_hex and high.filled and all(len(cell) == 2 for cell in low.counts):
            raise UnclearLayoutError(
                f"the identifier seems to stand in two parts in columns {min(high.index, index) + 1} and "
                f"{max(high.index, index) + 1}: write both into one column"
            )


def require_no_pgn(rows: Rows, layout: TableLayout, base: int) -> None:
    """Require that the identifiers are no parameter group numbers, by the header or because all have 18 bits.

    Raises UnclearLayoutError if they are.
    """
    column = rows.columns[layout.column[kernel.IDENTIFIER]]
    values = [whole(cell, base) or 0 for cell in column.counts]
    if named(column, "pgn") or (
        len(values) >= _LEAST_PGNS and min(values) > _LONGEST_SHORT and max(values) <= _LARGEST_PGN
    ):
        raise UnclearLayoutError(
            f"column {column.index + 1} seems to hold parameter group numbers ('{column.filled[0]}'), without the "
            "priority and the addresses of an identifier of 29 bits: add a column SA with the source addresses (and DA "
            "with the destinations), or write the whole identifier into one column, in Python as priority << 26 | "
            "pgn << 8 | source, with the destination in bits 8 to 15 where the PGN is below "
            f"F000; or write a file with [table] and id = {column.index + 1}, and give it as --table FILE.toml"
        )


def _require_all_parts(rows: Rows, layout: TableLayout, times: tuple[int, ...]) -> None:
    """Refuse rows of which several in turn have the stamp and the identifier of the one before, but other cells."""
    if not times:
        return
    places = (*times, layout.column[kernel.IDENTIFIER])
    keys = [tuple(row[k] if k < len(row) else "" for k in places) for row in rows.rows]
    pairs = list(itertools.pairwise(zip(keys, rows.rows, strict=True)))
    same = sum(a[0] == b[0] and a[1] != b[1] for a, b in pairs)
    if len(pairs) >= 20 and 2 * same > len(pairs):
        raise UnclearLayoutError(_PARTS)


def _require_single(rows: Rows, layout: TableLayout, times: tuple[int, ...]) -> None:
    """Refuse rows with data of two frames: of other lengths, and behind another time or identifier."""
    taken = {*layout.payload, *layout.column.values(), *times}
    free = [c for c in rows.columns if c.index not in taken and c.filled]
    first = layout.payload[0]
    if layout.payload_role != kernel.PAYLOAD:
        return
    sizes = [payload_size(cell) for cell in rows.columns[first].cells]
    for column in free:
        if not column.is_payload:
            continue
        others = [payload_size(cell) for cell in column.cells]
        unlike = sum(a != b for a, b in zip(sizes, others, strict=True))
        if max(others) >= 5 and unlike > 0.05 * len(sizes) and _has_second_key(free, column):
            low, high = sorted((first, column.index))
            raise UnclearLayoutError(
                f"each row seems to hold two frames, with data in columns {low + 1} and {high + 1}: write each into a "
                "row of its own"
            )


def _has_second_key(free: Sequence[Column], payload: Column) -> bool:
    """Return whether a time and an identifier are left over, too."""
    left = [column for column in free if column is not payload]
    rising = [c for c in left if c.is_clock or (c.is_number and c.steps()[0] > 0 and not c.steps()[2])]
    return bool(rising) and any(c.is_hex and c not in rising and 1 < len(c.counts) < len(c.filled) for c in left)


def require_time_before_bytes(rows: Rows, layout: TableLayout) -> None:
    """Require that no time stands where longer frames have bytes.

    Raises UnclearLayoutError if the rows of short frames end with one.
    """
    if layout.payload_role != kernel.BYTE:
        return
    short = [row for row in rows.rows if layout.payload[0] < len(row) <= layout.payload[-1] + 1]
    last = [row[-1] for row in short if re.fullmatch(r"\d+[.,]\d+", row[-1])]
    if len(short) >= 10 and len(last) > 0.9 * len(short):
        raise UnclearLayoutError(
            f"the time ('{last[0]}') stands behind the data bytes, in another column where there are fewer of "
            "them: write it before the data, or leave cells empty for the bytes that a frame does not have"
        )


def require_known_time(rows: Rows, layout: TableLayout) -> None:
    """Require, where no time was found, that no column looks like one; UnclearLayoutError if one does."""
    require_time_before_bytes(rows, layout)
    taken = {*layout.payload, *layout.column.values()}
    for column in rows.columns:
        if column.index not in taken and len(column.filled) > _FEW and column.all_match(_EXPONENT):
            raise UnclearLayoutError(
                f"column {column.index + 1} holds the time in too few digits ('{column.filled[0]}'): write them all, "
                f"in Python with pandas and float_format='{{:.6f}}'.format, {_ORDER_ALONE}"
            )
    for column in _unexplained(rows, layout):
        rise, stay, fall = column.steps() if column.is_number else (0, 0, 0)
        number, cell = column.index + 1, column.filled[0]
        if rise + stay + fall and not rise and fall > stay:
            raise UnclearLayoutError(
                f"column {number} seems to hold the time ('{cell}'), but it runs back from row to row: sort the rows "
                f"by it, {_ORDER_ALONE}"
            )
        error = UnclearTimeError if re.search(r"[A-Za-z:].* |\ .*[A-Za-z:]", cell) else UnclearLayoutError
        raise error(
            f"column {number} seems to hold the time ('{cell}'), in a form that cannot be read: write it in seconds "
            f"with a point, such as 12.345678, {_ORDER_ALONE}"
        )


def _unexplained(rows: Rows, layout: TableLayout) -> Iterator[Column]:
    """Yield the columns that nothing explains and that differ from row to row as times do."""
    taken = {*layout.payload, *layout.column.values()}
    for column in rows.columns:
        if column.index in taken or len(column.filled) < 0.9 * len(column.cells) or len(column.filled) < 10:
            continue
        is_named = named(column, "time") and any(re.search(r"\d", cell) for cell in column.counts)
        least = 0.1 if is_named else 0.5
        if not (is_named or column.all_match(_LOOKS_LIKE_TIME)) or len(column.counts) < least * len(column.filled):
            continue
        if named(column, "number") and not named(column, "time"):
            continue
        steps = [int(b) - int(a) for a, b in itertools.pairwise(column.filled) if a.isdigit() and b.isdigit()]
        if steps and sum(step == 1 for step in steps) > 0.9 * len(steps):
            continue  # it counts the rows
        yield column
