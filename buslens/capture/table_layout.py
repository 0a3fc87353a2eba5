"""Which column of a table holds what, from what the cells hold; names in a header are a hint only.

==============  ==============================================================================================
payload         a run of cells of one byte each, one cell of many, or cells of 32 bits, that agrees with a length
length          a small number that says how many of those bytes belong to the frame
identifier      the column by whose values the payloads are most alike from one time to the next
stamp           see `table_time`
bus, direction  few different labels, or the words for received and sent
flags           yes and no, that agree with the identifiers or that the header names
==============  ==============================================================================================
"""

import itertools
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Final

from buslens.capture import _table_kernel as kernel
from buslens.capture.table_rows import BYTE, CellSplit, Column, Rows, named, payload_size, whole

_LONGEST_SHORT: Final = 0x7FF
_MOST_LIKE: Final = 10.0
"""No column scores so much as an identifier."""
_LENGTHS: Final = frozenset({*range(9), 12, 16, 20, 24, 32, 48, 64})
_NEARLY_ALL: Final = 0.99
_MOSTLY: Final = 0.85
"""Part of the rows that agree with a length right before their bytes, at least: the others are of another layout."""
_FULL: Final = 8
"""Bytes in each row where cells beyond the length are filled up, at least."""
_FD_SIZES: Final = {9: 12, 10: 16, 11: 20, 12: 24, 13: 32, 14: 48, 15: 64}

_DIRECTIONS: Final = re.compile(r"(?i)(rx|tx|r|t|in|out|recv|receive[d]?|sent|send|transmit(ted)?|txrq)")
_NO_DATA: Final = re.compile(r"(?i:(remote|error)?[ _-]?frame|remote|rtr|request|req|error|err)")
"""Words where other rows have bytes."""
_BYTE_OR_NONE: Final = re.compile(rf"{BYTE.pattern}|{_NO_DATA.pattern}")
_DIGITS: Final = re.compile(r"(0[xX])?[0-9A-Fa-f]+[hH]?([ .,:-][0-9A-Fa-f]+)*([.,]\d+)?([eE]\+\d+)?")
_FLAGS: Final = re.compile(
    r"(?i)(true|false|yes|no|0|1|std|ext|standard|extended|(11|29)([ -]?bits?)?|s|x|e|b|-|y|n|t|f|rtr|fd)"
)
_WIDTHS: Final = re.compile(r"(?i)(11|29)[ -]?bits?|std|ext|standard|extended")
_YES: Final = re.compile(r"(?i)true|t|yes|1|ext|extended|29([ -]?bits?)?|x|y|e")
_KINDS: Final = re.compile(
    r"(?i)(d|r|e|s|x|dt|rr|rtr|er|err|error|fd|fb|fe|data|remote|std|ext|standard|extended|can|canfd|can fd|"
    r"(data|remote|error|standard|extended|classic\w*)[ _-]?(frame)?|errorframe|-)"
)
_LABEL: Final = re.compile(
    r"(?i)(v?s?l?can|bus|ch|channel|port|hs|ms|ls|b|c)?[ _-]?[a-z]{0,2}\d{1,2}|[a-z]{1,4}-?can|can[a-z]?|"
    r"(can|bus|lin)[-_ ][a-z0-9_]+|[a-z0-9_]+[-_ ](can|bus|lin)|v?s?l?can\d{1,2}:"
)


_NO_LENGTHS: Final = ("bus", "number", "time", "direction", "extended", "remote", "error", "fd", "received")
"""What columns of small numbers are called that are no lengths."""


class UnclearLayoutError(Exception):
    """More than one reading fits, or none.

    Parameters
    ----------
    problem : str
        The readings, and what to write.
    """

    def __init__(self, problem: str) -> None:
        super().__init__(problem)
        self.problem = problem


class UnclearTimeError(UnclearLayoutError):
    """A column holds times in a form of several words, which may be read where rows are cut at blanks."""


@dataclass(kw_only=True)
class TableLayout:
    """What the columns of a table hold; columns count from 0."""

    cut: CellSplit
    #: Column by role of the kernel, for the roles that one column has.
    column: dict[int, int] = field(default_factory=dict)
    #: The cells of the payload.
    payload: tuple[int, ...] = ()
    payload_role: int = kernel.BYTE
    id_base: int = 16
    byte_base: int = 16
    length_base: int = 10
    lengths: int = kernel.AS_CLASSICAL
    #: A column or a mark says which identifiers have 29 bits.
    extends: bool = False
    #: Identifiers of eight digits have 29 bits, for others have three.
    extends_by_width: bool = False
    low_first: bool | None = None
    #: Slots by which identifiers are made of their parts; empty: they are whole.
    parts: dict[int, int] = field(default_factory=dict)
    #: How sure the columns are, to choose between two ways of cutting.
    score: float = 0.0

    @property
    def ends_with_direction(self) -> bool:
        """Whether blanks part the cells, and the direction stands behind the bytes, wherever those end."""
        place = self.column.get(kernel.DIRECTION, -1)
        return self.payload_role == kernel.BYTE and not self.cut.separator and place > self.payload[0]


def heads_frames(rows: Rows) -> bool:
    """Return whether the header of a table names an identifier and data, and has about as many cells as the rows."""
    if not rows.has_names or abs(len(rows.header) - rows.usual_width) > 2:
        return False
    names = [Column(k, name.lower(), []) for k, name in enumerate(rows.header)]
    ids = [column for column in names if named(column, "id")]
    return bool(ids) and any(named(column, "payload") and column not in ids for column in names)


def holds_frames(rows: Rows) -> bool:
    """Return whether the header names an identifier and data, and nothing but digits stands below them."""
    columns = [column for column in rows.columns if named(column, "id") or named(column, "payload")]
    return heads_frames(rows) and all(_DIGITS.fullmatch(cell) for column in columns for cell in column.counts)


def columns_of(rows: Rows, told: dict[int, int]) -> TableLayout | None:
    """Return which column holds what, without the stamps; None if there is no identifier or no payload.

    Parameters
    ----------
    rows : Rows
        The body of the table.
    told : dict
        Column by role, as far as the user says; a role that is told is not looked for.
    """
    layout = TableLayout(cut=rows.cut, column=dict(told))
    all_rows, rows = rows, rows.thinned()
    taken = {column for role, column in told.items() if role not in {kernel.BYTE, kernel.PAYLOAD, kernel.WORD}}
    if not _find_payload(rows, layout, taken):
        return None
    taken |= set(layout.payload) | set(layout.column.values())
    if kernel.IDENTIFIER not in layout.column and not _find_identifier(rows, layout, taken):
        return None
    taken |= set(layout.column.values())
    layout.byte_base = layout.byte_base or _byte_base(all_rows, layout)
    _find_labels(all_rows, layout, taken)
    return layout


# --- payload ----------------------------------------------------------------------------------------------------


def _find_payload(rows: Rows, layout: TableLayout, taken: set[int]) -> bool:
    """Find the payload and its length: the pair that agrees best."""
    columns = rows.columns
    told_start = next(
        (layout.column[role] for role in (kernel.BYTE, kernel.PAYLOAD, kernel.WORD) if role in layout.column), None
    )
    small = [c.index for c in columns if c.index not in taken and c.is_hex and _may_be_length(c)]
    small = [k for k in small if not named(columns[k], "payload") or named(columns[k], "length")]
    best: tuple[float, TableLayout] | None = None
    for start, stop, role, sizes in _payloads(rows, taken):
        if told_start is not None and start != told_start:
            continue
        told_length = layout.column.get(kernel.LENGTH)
        lengths: list[int | None] = [None]
        if told_length is not None:
            lengths = [told_length]
        else:
            lengths += [index for index in small if not start <= index < stop]
        for length in lengths:
            score, base, meaning = _agreement(rows, start, stop, sizes, length, role)
            if told_start is not None and length is None:
                score = max(score, 1.0)
            if told_length is not None:
                score = max(score, 1.0)
            if score > 0 and (best is None or score > best[0]):
                found = TableLayout(cut=layout.cut, column=dict(layout.column))
                found.payload = tuple(range(start, stop))
                found.payload_role = role
                found.length_base, found.lengths = base, meaning
                if length is not None:
                    found.column[kernel.LENGTH] = length
                best = score, found
    if best is None:
        return False
    found = best[1]
    layout.payload, layout.payload_role = found.payload, found.payload_role
    layout.length_base, layout.lengths, layout.score = found.length_base, found.lengths, best[0]
    for role in (kernel.BYTE, kernel.PAYLOAD, kernel.WORD):
        layout.column.pop(role, None)
    layout.column.update({r: c for r, c in found.column.items() if r == kernel.LENGTH})
    layout.byte_base = _byte_base(rows, layout)
    return True


def _may_be_length(column: Column) -> bool:
    """Return whether nearly all cells are numbers that are not above the longest length of a frame in any base."""
    small = (n for cell, n in column.counts.items() if (value := whole(cell, 10)) is None or value <= 64)
    return sum(small) >= 0.9 * len(column.filled)


def _payloads(rows: Rows, taken: set[int]) -> list[tuple[int, int, int, list[int]]]:
    """Return what may be a payload: first column, the one behind the last, role, and bytes in each row."""
    columns = rows.columns
    found: list[tuple[int, int, int, list[int]]] = []
    begin = 0
    while begin < len(columns):
        if not _may_be_byte(columns[begin]) or begin in taken:
            begin += 1
            continue
        stop = begin
        while (
            stop < len(columns)
            and stop not in taken
            and (_may_be_byte(columns[stop]) or _is_tail(columns, stop, begin))
        ):
            stop += 1
        while not columns[stop - 1].filled:
            stop -= 1
        # The length may stand behind the bytes.
        last = columns[stop - 1]
        is_length = last.is_int and len(last.filled) == len(last.cells) and max(v or 0 for v in last.values(10)) <= 8
        for end in (stop, stop - 1) if is_length else (stop,):
            for start in (k for k in range(begin, min(end, begin + 12)) if not _is_narrow(columns, k, end)):
                sizes = [_bytes_from(row, start, end) for row in rows.rows]
                if any(sizes):
                    found.append((start, end, kernel.BYTE, sizes))
        begin = stop
    for column in columns:
        k = column.index
        is_payload = column.is_payload or (named(column, "payload") and column.is_mostly_payload)
        if k in taken or not is_payload or not column.filled:
            continue
        decimal = any(re.search(r"(?<![0-9A-Fa-f])\d{3}(?![0-9A-Fa-f])", cell) for cell in column.filled)
        sizes = [payload_size(cell, decimal=decimal) if cell else 0 for cell in column.cells]
        if max(sizes) > 1:
            found.append((k, k + 1, kernel.PAYLOAD, sizes))
    for first, second in itertools.pairwise(columns):
        if not {first.index, second.index} & taken and _may_be_words(first, second):
            sizes = [4 * (bool(a) + bool(b)) for a, b in zip(first.cells, second.cells, strict=True)]
            found.append((first.index, second.index + 1, kernel.WORD, sizes))
    return found


def _is_narrow(columns: Sequence[Column], start: int, stop: int) -> bool:
    """Return whether the first of some columns has one digit in each cell where all others have two."""
    return (
        stop - start > 2
        and all(len(cell) == 1 for cell in columns[start].counts)
        and all(len(cell) == 2 for column in columns[start + 1 : stop] for cell in column.counts)
    )


def _may_be_byte(column: Column) -> bool:
    if not named(column, "payload") and any(
        named(column, what) for what in ("id", "length", "checksum", "time", "bus")
    ):
        return False
    of_words = sum(n for cell, n in column.counts.items() if _NO_DATA.fullmatch(cell))
    is_byte = column.is_byte or (of_words > 0 and column.all_match(_BYTE_OR_NONE) and 2 * of_words < len(column.filled))
    return is_byte and all((whole(c, 10) or 0) <= 255 for c in column.filled if len(c) == 3 and c.isdigit())


def _is_tail(columns: Sequence[Column], k: int, begin: int) -> bool:
    """Return whether a column of runs of blanks goes on a payload: bytes of long frames, text behind short ones."""
    if not columns[k].filled or k - begin < 1:
        return not columns[k].filled
    good = sum(1 for cell in columns[k].filled if BYTE.fullmatch(cell))
    return 10 * good >= len(columns[k].filled)


def _may_be_words(first: Column, second: Column) -> bool:
    return all(
        c.is_hex and c.has_letters and max(len(cell.lower().removeprefix("0x")) for cell in c.filled) in {5, 6, 7, 8}
        for c in (first, second)
    )


def _are_whole_words(columns: Sequence[Column], start: int) -> bool:
    """Return whether two columns hold eight digits in each row, and another one may be the identifier."""
    pair = columns[start : start + 2]
    others = [c for c in columns if c not in pair and c.is_hex and len(c.counts) > 1 and c.steps(16)[2]]
    return (
        all(len(cell.lower().removeprefix("0x")) == 8 for column in pair for cell in column.cells)
        and not any(named(column, "id") for column in pair)
        and any(named(c, "id") or not c.name for c in others)
    )


def _bytes_from(row: Sequence[str], start: int, stop: int) -> int:
    """Return how many bytes stand in some cells of a row; -1 if words say that there are none to be."""
    if start < len(row) and _NO_DATA.fullmatch(row[start]):
        return -1
    n = 0
    for cell in row[start:stop]:
        if not _is_one_byte(cell):
            break
        n += 1
    return n


@lru_cache(maxsize=1 << 14)
def _is_one_byte(cell: str) -> bool:
    return re.fullmatch(r"(0[xX])?[0-9A-Fa-f]{1,2}[hH]?|\d{1,3}(\.0+)?", cell) is not None


def _agreement(  # noqa: PLR0912, PLR0915
    rows: Rows, start: int, stop: int, sizes: list[int], length: int | None, role: int
) -> tuple[float, int, int]:
    """Return how well a payload and a length agree (0: not), the base of the length, and what lengths from 9 mean."""
    columns = rows.columns
    n_rows = len(sizes)
    hint = 0.5 * named(columns[start], "payload")
    mean = min(sum(sizes) / max(n_rows, 1), 8.0)
    if role == kernel.PAYLOAD and (named(columns[start], "time") or _counts_up(columns[start])):
        hint -= 3.0  # digits of a time may be even in number
    if mean < 2:
        hint -= 3.0  # a column of small numbers is most things, but seldom a payload
    if length is None:
        # No length: the cells that there are count. Only believed of what can hardly be anything else.
        if role == kernel.WORD:
            return (3.5 if _are_whole_words(columns, start) else 0.0), 10, kernel.AS_BYTES
        good = sum(1 for n in sizes if n in _LENGTHS or n < 0)
        most = max(sizes)
        if good < 0.99 * n_rows or (most < 2 and hint <= 0):
            return 0.0, 10, kernel.AS_BYTES
        return 1.0 + hint + 0.25 * mean, 10, kernel.AS_BYTES
    best = (0.0, 10, kernel.AS_BYTES)
    column = columns[length]
    for base in (10, 16):
        values = column.values(base)
        if base == 16 and values == column.values(10):
            continue
        pairs = Counter(zip(sizes, values, strict=True))
        for meaning in (kernel.AS_CLASSICAL, kernel.AS_BYTES, kernel.AS_FD_CODES):
            exact = over = stated = 0
            behind: Counter[int] = Counter()
            for (size, value), n_alike in pairs.items():
                if value is None:
                    continue
                expected = _expected(value, meaning)
                stated += n_alike * (expected >= 0)
                size = expected if size < 0 else size  # noqa: PLW2901
                exact += n_alike * (size == expected)
                over += n_alike * (size > expected >= 0)
                behind[size - expected] += n_alike
            if length == start - 1 and role == kernel.BYTE and behind[1] >= 0.99 * stated > 0:
                exact, over = behind[1], 0  # one cell more than bytes in each row, such as a checksum
                hint -= 0.5
            if stated < 0.9 * n_rows:
                continue
            is_named = named(column, "length")
            is_near = length == start - 1
            part = (exact + over) / stated
            is_mostly = is_near and exact >= _MOSTLY * stated and not named(column, "payload")
            if part < _NEARLY_ALL and not is_mostly and not (is_named and part > 0):
                continue
            different = len(set(values) - {None})
            filled = over and len({s for s in sizes if s}) == 1 and max(sizes) >= _FULL
            if not (exact or filled or is_named):
                continue
            if exact < _NEARLY_ALL * stated and not filled and not (is_mostly or is_named):
                continue
            zero = all(value == 0 for value in values)
            if zero or (different == 1 and not exact and not is_named):
                continue  # of a bus, say: nothing shows that it has to do with the cells
            # Lengths that there are not count against a meaning, however few rows have them.
            score = 2.0 + 2.0 * exact / len(column.filled) + is_near + is_named + hint + 0.2 * min(different, 3)
            score += 0.1 * mean - 1.5 * any(named(column, what) for what in _NO_LENGTHS)
            score -= 0.01 * (meaning != kernel.AS_CLASSICAL) + 0.5 * (part < _NEARLY_ALL)
            score += 0.02 * (stop - start) if exact == stated else 0
            if score > best[0]:
                best = score, base, meaning
    return best


def _counts_up(column: Column) -> bool:
    rise, stay, fall = column.steps()
    return column.is_number and rise > 0 and fall == 0 and stay <= rise


def _expected(value: int, meaning: int) -> int:
    if value <= 8:
        return value
    if meaning == kernel.AS_CLASSICAL:
        return 8 if value <= 15 else -1
    if meaning == kernel.AS_BYTES:
        return value if value in _LENGTHS else -1
    return _FD_SIZES.get(value, -1)


def _byte_base(rows: Rows, layout: TableLayout) -> int:
    """Return the number base of the bytes; 0 if they say nothing about it."""
    if layout.payload_role == kernel.WORD:
        return 16
    if re.search(r"\b(dec|decimal)\b", rows.columns[layout.payload[0]].name):
        return 10
    length = layout.column.get(kernel.LENGTH)
    says_hex = says_decimal = False
    for row in rows.rows:
        n = 64
        if length is not None and layout.payload_role == kernel.BYTE:
            value = whole(row[length], layout.length_base) if length < len(row) else None
            n = 64 if value is None else max(_expected(value, layout.lengths), 0)
        for k in layout.payload[:n]:
            cell = row[k] if k < len(row) else ""
            if layout.payload_role == kernel.BYTE:
                cell, point, _ = cell.partition(".") if BYTE.fullmatch(cell) else ("", "", "")
                says_decimal |= bool(point)
            for part in re.findall(r"(0[xX]|(?<![0-9A-Fa-f]))([0-9A-Fa-f]+)", cell):
                digits = part[1]
                if (
                    part[0]
                    or re.search("[A-Fa-f]", digits)
                    or len(digits) > 3
                    or digits == "00"
                    or (len(digits) == 2 and digits[0] == "0")
                ):
                    says_hex = True
                elif len(digits) == 3 and digits.isdigit():
                    says_decimal = True
    if says_decimal and not says_hex:
        return 10
    return 16 if says_hex else 0


# --- identifier -------------------------------------------------------------------------------------------------


def _find_identifier(rows: Rows, layout: TableLayout, taken: set[int]) -> bool:
    scores: list[tuple[float, int]] = []
    for column in rows.columns:
        is_hex = column.is_hex or (named(column, "id") and column.is_mostly_hex)
        if column.index in taken or not is_hex or len(column.filled) < 0.9 * len(column.cells):
            continue
        values = [whole(cell, 16) for cell in column.filled]
        if any(value is not None and value > 0x9FFFFFFF for value in values) and not _fits_decimal(column):
            continue
        scores.append((_likeness(rows, layout, column) + _looks_like_id(rows, layout, column), column.index))
    if not any(named(column, "id") for column in rows.columns):
        scores += [(_MOST_LIKE, c.index) for c in rows.columns if named(c, "pgn") and c.index not in taken]
    scores.sort(reverse=True)
    if not scores or scores[0][0] < 0.3:
        return False
    best, index = scores[0]
    if len(scores) > 1 and best - scores[1][0] < 0.05:
        first, second = rows.columns[index], rows.columns[scores[1][1]]
        if named(first, "id") == named(second, "id") and not _same_ids(first, second):
            raise UnclearLayoutError(
                f"the identifier may stand in column {min(index, scores[1][1]) + 1} or {max(index, scores[1][1]) + 1}: "
                f"write a file with [table] and id = {index + 1}, and give it as --table FILE.toml"
            )
    layout.column[kernel.IDENTIFIER] = index
    layout.score += best
    return True


def _fits_decimal(column: Column) -> bool:
    return all((whole(cell, 10) or 0) <= 0x9FFFFFFF for cell in column.filled) and not column.has_letters


def _same_ids(first: Column, second: Column) -> bool:
    pairs = set(zip(first.cells, second.cells, strict=True))
    return len(pairs) == len({a for a, _ in pairs}) == len({b for _, b in pairs})


def _likeness(rows: Rows, layout: TableLayout, column: Column) -> float:
    """Return how alike payloads of the same value are from one time to the next: 0 to 2."""
    last: dict[str, list[str]] = {}
    length = layout.column.get(kernel.LENGTH)
    total, pairs = 0.0, 0
    start, stop = layout.payload[0], layout.payload[-1] + 1
    for row in rows.rows[:4000]:
        cell = row[column.index] if column.index < len(row) else ""
        data = row[start:stop]
        if layout.payload_role == kernel.PAYLOAD and data:
            data = re.findall("..", re.sub(r"0[xX]|[^0-9A-Fa-f]", "", data[0]))
        if length is not None and length < len(row):
            data = [row[length], *data]
        before = last.get(cell)
        if before is not None:
            n = max(len(data), len(before))
            total += sum(a == b for a, b in zip(data, before, strict=False)) / n if n else 1.0
            pairs += 1
        last[cell] = data
    if not pairs:
        return 0.0
    repeats = pairs / max(len(rows.rows[:4000]), 1)
    return 2.0 * total / pairs * min(1.0, 4 * repeats) + 0.02 * min(len(last), 20)


def _looks_like_id(rows: Rows, layout: TableLayout, column: Column) -> float:
    score = 0.0
    if named(column, "id"):
        score += 1.5
    elif any(
        named(column, what)
        for what in ("time", "bus", "direction", "number", "delta", "extended", "error", "remote", "checksum")
    ):
        score -= 1.0
    widths = {len(cell.lower().removeprefix("0x").rstrip("hx")) for cell in column.filled}
    if column.has_letters:
        score += 0.5
    if widths <= {3, 8} or min(widths) >= 3:
        score += 0.4
    rise, stay, fall = column.steps()
    if column.is_int and fall == 0 and stay == 0 and rise > 1:
        score -= 1.5
    if len(column.counts) == 1 and max(widths) <= 2:
        score -= 1.0
    if column.is_int and max(whole(cell, 10) or 0 for cell in column.filled) <= 1:
        score -= 1.5
    first = min(column.index for column in rows.columns)
    score += 0.1 * (column.index > first and column.index < layout.payload[0])
    return score


# --- labels and flags -------------------------------------------------------------------------------------------


def _find_labels(rows: Rows, layout: TableLayout, taken: set[int]) -> None:
    ids = rows.columns[layout.column[kernel.IDENTIFIER]]
    bases = (16,) if ids.has_letters else (16, 10)
    large = [[(whole(cell, base) or 0) > _LONGEST_SHORT for cell in ids.cells] for base in bases]
    if any(re.search(r"(?i)[0-9a-f]x$|[ (]\(?[ex][a-z.]*\)?$", cell) for cell in ids.counts):
        layout.extends = True
    digits = [cell.lower().removeprefix("0x") for cell in ids.counts]
    # A spreadsheet leaves zeros in front away where there is no letter.
    layout.extends_by_width = {len(cell) for cell in digits} == {3, 8} and any(
        len(cell) == 3 and not cell.isdigit() for cell in digits
    )
    numbers: list[int] = []
    buses: list[Column] = []
    length = layout.column.get(kernel.LENGTH)
    for column in rows.columns:
        if column.index in taken or not column.filled or column.index in layout.column.values():
            continue
        if not column.name and 2 * len(column.filled) < len(column.cells):
            continue  # what a few rows have behind their end
        role = _label_role(column, large)
        is_length = length is not None and column.cells == rows.columns[length].cells
        if role is None and _may_number_buses(column) and not is_length and column.index < layout.payload[0]:
            numbers.append(column.index)
        if role == kernel.BUS:
            buses.append(column)
        if role is None or role in layout.column or role == kernel.BUS:
            continue
        layout.column[role] = column.index
        if role == kernel.IS_EXTENDED:
            layout.extends = True
        if role == kernel.KIND and any(re.match(r"(?i)ext|x$", cell) for cell in column.filled):
            layout.extends = True
    if buses and kernel.BUS not in layout.column:
        # One that the header names, else one with several labels, the more frames each the better.
        layout.column[kernel.BUS] = min(
            buses, key=lambda c: (not (rows.has_names and c.name), len(c.counts) == 1, len(c.counts), -c.index)
        ).index
    bus = layout.column.get(kernel.BUS)
    if bus is not None and len(rows.columns[bus].counts) == 1 and bus + 1 in numbers:
        layout.column[kernel.BUS] = bus + 1  # behind a word, as in 'CAN 1'
    if numbers and bus is None:
        before = [k for k in numbers if k < layout.column[kernel.IDENTIFIER]]
        layout.column[kernel.BUS] = before[-1] if before else numbers[0]


def _may_number_buses(column: Column) -> bool:
    """Return whether a column without a name holds few different numbers, counted from 0, 1 or 2."""
    if column.name or len(column.counts) > 8 or not column.all_match(re.compile(r"\d{1,2}:?")):
        return False
    values = [int(cell.rstrip(":")) for cell in column.counts if cell.rstrip(":").isdigit()]
    return min(values) <= 2 and max(values) <= 16


def _agrees(column: Column, is_large: Sequence[bool]) -> bool:
    """Return whether nearly all identifiers above 7FF are marked as long ones."""
    marks = [re.fullmatch(_YES, cell) is not None for cell, large in zip(column.cells, is_large, strict=True) if large]
    return sum(marks) >= 0.98 * len(marks)


def _tells_apart(column: Column, is_large: Sequence[bool]) -> bool:
    """Return whether a column without a name says yes for all identifiers above 7FF, and no for nearly all others."""
    yes = [re.fullmatch(_YES, cell) is not None for cell in column.cells]
    return (
        any(yes)
        and any(is_large)
        and all(y or not large for y, large in zip(yes, is_large, strict=True))
        and sum(y == large for y, large in zip(yes, is_large, strict=True)) >= 0.98 * len(yes)
    )


def _label_role(column: Column, large: Sequence[Sequence[bool]]) -> int | None:
    """Return what a column of labels or of yes and no is, None if it may be anything.

    In `large` stands which identifiers are above 7FF, in each number base that they may have.
    """
    if column.all_match(_DIRECTIONS) and (named(column, "direction") or not named(column, "kind")):
        letters = {cell.lower()[0] for cell in column.filled}
        if letters <= set("rtio") | {"s"} and (
            len(letters) > 1 or len(column.filled[0]) > 1 or named(column, "direction")
        ):
            return kernel.DIRECTION
    if column.all_match(_FLAGS):
        if (role := _direction_of_flags(column)) is not None:
            return role
        for what, role in (
            ("extended", kernel.IS_EXTENDED),
            ("remote", kernel.IS_REMOTE),
            ("error", kernel.IS_ERROR),
            ("fd", kernel.IS_FD),
        ):
            if named(column, what):
                if role == kernel.IS_EXTENDED and not any(_agrees(column, one) for one in large):
                    return None
                return role
        is_full = len(column.counts) == 2 and len(column.filled) == len(column.cells)
        fits = _agrees if column.all_match(_WIDTHS) else _tells_apart
        if is_full and any(fits(column, one) for one in large):
            return kernel.IS_EXTENDED
    if named(column, "bus") and len(column.counts) <= 64:
        return kernel.BUS
    if (
        column.all_match(_KINDS)
        and (column.name or len(column.counts) > 1)
        and not column.all_match(re.compile(r"[-0-9]+"))
        and len(column.counts) <= 8
    ):
        return kernel.KIND
    if column.name:
        return None
    if len(column.counts) <= 8 and column.all_match(_LABEL) and not column.is_int:
        return kernel.BUS
    return None


def _direction_of_flags(column: Column) -> int | None:
    """Return which direction a column of yes and no is about; None if it is about none, or does not say."""
    if not named(column, "direction"):
        return kernel.IS_RECEIVED if named(column, "received") else kernel.DIRECTION if named(column, "sent") else None
    told = re.search(r"([01]) ?[=:] ?([rtsio])", column.name)
    return told and (kernel.DIRECTION if (told[1] == "1") == (told[2] in "tso") else kernel.IS_RECEIVED)


def unsaid_directions(rows: Rows, layout: TableLayout) -> list[str]:
    """Return what is to be told of a column of directions that does not say which number means sent."""
    known = {kernel.DIRECTION, kernel.IS_RECEIVED} & set(layout.column)
    return [
        f"column {c.index + 1} ('{c.name}') does not say which number means sent, so all rows count as received: in a "
        f"file with [table], direction = {c.index + 1} takes 1 for sent, received = {c.index + 1} for received"
        for c in rows.columns
        if not known and named(c, "direction") and set(c.counts) == {"0", "1"}
    ]
