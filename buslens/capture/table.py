"""Tables of frames: rows of cells in a layout that is worked out from what they hold, or told.

    Time,ID,Dir,Len,D0,D1,D2,D3,D4,D5,D6,D7
    0.001250,0x3E9,Rx,8,05,0C,00,00,00,00,00,00

    1)      1059.9  Rx         0300  7  00 00 00 00 04 00 00

The layout is worked out from the first rows, then the kernel holds every row to it.
"""

import re
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

from buslens.capture import _table_kernel as kernel
from buslens.capture._scan_kernel import Slots
from buslens.capture._table_wide_kernel import scan_wide
from buslens.capture.frames import Clock, ReadStats
from buslens.capture.log_format import FormatMatch, LogFormat
from buslens.capture.table_layout import (
    TableLayout,
    UnclearLayoutError,
    UnclearTimeError,
    columns_of,
    heads_frames,
    unsaid_directions,
)
from buslens.capture.table_lin import lin_note, lin_slots
from buslens.capture.table_pgn import PART_COLUMNS, id_parts, parts_note
from buslens.capture.table_refusals import (
    refuse_bare_numbers,
    refuse_base64,
    refuse_dump,
    refuse_odd_cells,
    refuse_spoiled_data,
    refuse_unreadable_text,
    require_no_pgn,
    require_time_before_bytes,
    require_whole_frames,
)
from buslens.capture.table_rows import CUTS, MOST_ROWS, CellSplit, Column, Rows, named, payload_size, rows_of, whole
from buslens.capture.table_settings import COLUMN_KEYS, NOTHING_TOLD, TableSettings
from buslens.capture.table_time import TimeColumn, repetition_note, stamps_of, unit_name
from buslens.capture.trial_read import part_read, trial_read

SAMPLE_BYTES: Final = 1 << 20
"""Of a file, so much is looked at to work out the layout."""
_MOST_SEARCHED: Final = 1 << 28
"""Bytes that are searched for a letter in an identifier, at most."""
_LEAST_FIT: Final = 0.5
_PROVED: Final = 0.99
_FEW_ROWS: Final = 400
_LONGEST_ROW: Final = 4096
"""Bytes of a row and what stands between it and the next, on average."""
_LEAST_IDS: Final = 5
_LEAST_SIZES: Final = 2
_LONGEST_SHORT: Final = 0x7FF

REASONS: Final[Mapping[int, str]] = {
    kernel.NO_NUMBER: "the identifier is no number in the table's number base",
    kernel.ID_RANGE: "an identifier above 7FF that is not marked as one of 29 bits",
    kernel.EXTENDED_RANGE: "an identifier above 1FFFFFFF, the largest of 29 bits",
    kernel.BAD_LENGTH: "no length that a frame can have: 0 to 8 bytes, or for CAN FD 12, 16, 20, 24, 32, 48 or 64",
    kernel.FEW_BYTES: "fewer data bytes than the length says",
    kernel.BAD_BYTE: "a data byte is no number from 0 to 255 in the table's number base",
    kernel.NO_STAMP: "no time stamp, as the other rows have one",
    kernel.OTHER_LAYOUT: "the row holds data bytes, but not in the layout of the table",
    kernel.RUN_TOGETHER: "more digits than the data of a frame has, as where two rows run together",
    kernel.LIN_PARITY: "the two parity bits of a LIN identifier do not fit the others",
    kernel.LIN_CHECKSUM: "the checksum of a LIN frame fits neither its bytes nor those with its identifier",
    kernel.CUT_SHORT: "nothing stands behind the time stamp, as where the row was cut",
    kernel.LONELY_STAMP: "the time stamp lies far from those of the rows before and behind, which agree",
}


@dataclass(frozen=True, kw_only=True)
class TableReading:
    """How a table is read."""

    rows: Rows
    layout: TableLayout
    stamps: TimeColumn
    match: FormatMatch
    #: Part of the rows of the sample that the layout fits, 0 to 1.
    fit: float
    #: One sentence.
    words: str


def recognise(
    text: bytes,
    told: TableSettings = NOTHING_TOLD,
    *,
    is_whole: bool = True,
    rest: Callable[[], Iterable[bytes]] | None = None,
) -> TableReading | None:
    """Work out the layout of a table; None if it is none.

    Parameters
    ----------
    text : bytes
        The first rows, in the form that the kernel reads.
    told : TableSettings
        What the user says.
    is_whole : bool
        Whether that is all; else the last line is left out.
    rest : callable or None
        Returns what follows, in pieces, to search it.

    Raises
    ------
    UnclearLayoutError
        If several readings fit, with what to write.
    """
    lines = text.decode("latin-1").split("\n")
    if not is_whole or not lines[-1]:
        lines.pop()
    behind = lines[MOST_ROWS + 200 :]
    lines = [line.rstrip("\r") for line in lines[: MOST_ROWS + 200]]

    def later() -> Iterator[bytes]:
        yield "\n".join(["", *behind, ""]).encode("latin-1")
        if rest is not None:
            yield from rest()

    best: TableReading | None = None
    problem: UnclearLayoutError | None = None
    if not told.names_columns:
        refuse_dump(lines)
    for cut in CUTS if told.separator is None else _told_cuts(told.separator):
        if best is not None and best.stamps.is_complete and ":" in cut.soft:
            continue  # parts of a clock that is known to be too coarse are no finer
        rows = rows_of(lines, cut)
        of_time = False
        is_headed = bool(cut.separator) and rows is not None and heads_frames(rows)
        try:
            found = None if rows is None else _try(lines, rows, told, later)
            if rows is not None and found is None and not told.names_columns:
                (refuse_odd_cells if is_headed else refuse_bare_numbers)(rows)
        except UnclearLayoutError as unclear:
            problem = problem or unclear
            found, of_time = None, isinstance(unclear, UnclearTimeError)
        if found is not None and (best is None or _rank(found) > _rank(best)):
            best = found
        has_time = rows is not None and any(named(column, "time") for column in rows.columns)
        if is_headed and has_time and (of_time or (found is not None and not found.stamps.form)):
            continue  # a time of several words, such as '0 days 00:00:01', may be read where blanks part cells
        if is_headed or (best is not None and best.fit >= _PROVED and best.stamps.form):
            break
    if best is not None and len(text) > _LONGEST_ROW * max(len(best.rows.rows), 1) and len(best.rows.rows) < MOST_ROWS:
        best = None  # some of a text that is something else
    if best is None:
        refuse_unreadable_text(lines)
    # Where no time was found, it says why one that is there cannot be read.
    if problem is not None and (best is None or not (best.stamps.form or told.names_columns)):
        raise problem
    return best


def _rank(found: TableReading) -> float:
    """Return what decides between two ways of cutting: rows that fit, and that stamps were found."""
    return round(found.fit, 1) + (0.5 if found.stamps.form else 0.0)


def _told_cuts(separator: str) -> Sequence[CellSplit]:
    cuts = [cut for cut in CUTS if cut.separator == separator]
    return cuts or [CellSplit(separator, " \t\r".replace(separator, ""))]


def _try(  # noqa: PLR0912
    lines: list[str], rows: Rows, told: TableSettings, rest: Callable[[], Iterable[bytes]]
) -> TableReading | None:
    if rows.width < 2:
        return None
    if not told.names_columns:
        refuse_base64(rows)
    layout = columns_of(rows, _told_columns(rows, told))
    if layout is None or not _is_likely(rows, layout, told):
        return _refuse_told(lines, rows, None, told)
    data = told.column("data")
    if data is not None and len(data) == 2:
        layout.payload = tuple(range(_place(rows, data[0]), _place(rows, data[1]) + 1))
    layout.low_first = told.low_first
    layout.byte_base = told.data_base or layout.byte_base
    layout.id_base = told.id_base or 0
    match = _match(rows, _with_bases(rows, layout), None)
    if _fit(lines, rows, match) < _LEAST_FIT:
        return _refuse_told(lines, rows, match, told)
    # From here on it is a table, and what it does not say has to be asked for.
    time = told.column("time")
    columns = None if time is None else tuple(_place(rows, one) for one in time)
    layout.parts = id_parts(rows, layout)
    if not (told.names_columns or layout.parts):
        require_no_pgn(rows, layout, layout.id_base or 16)
    layout.id_base = layout.id_base or _id_base(rows, layout, rest)
    if not layout.byte_base:
        layout.byte_base = _data_base(rows, layout)
    refuse_spoiled_data(rows, layout)
    if layout.payload_role == kernel.WORD and layout.low_first is None:
        first = layout.payload[0] + 1
        raise UnclearLayoutError(
            f"the 32-bit words in columns {first} and {first + 1} may have their low or their high byte first: write a "
            'file with [table] and word_order = "low byte first" or "high byte first", and give it as --table FILE.toml'
        )
    stamps = stamps_of(rows, layout, columns=columns, unit=told.time_unit, date_order=told.date_order)
    match = _match(rows, layout, stamps)
    fit = _fit(lines, rows, match)
    if fit < _LEAST_FIT:
        return _refuse_told(lines, rows, match, told)
    if not (told.names_columns or rows.cut.separator) and _is_shifted(rows, layout, match):
        raise UnclearLayoutError(
            "rows have different numbers of words before the identifier, so its column changes from row to row: part "
            "the cells with tabs or commas, or leave the words away"
        )
    if not told.names_columns:
        require_whole_frames(rows, layout, stamps.columns)
    if fit < _PROVED and not told.names_columns:
        require_time_before_bytes(rows, layout)
    if fit < _PROVED and _is_behind_bytes(layout, stamps) and not told.names_columns:
        raise UnclearLayoutError(
            f"what stands behind the data bytes is in another column where there are fewer of them, so only {fit:.0%} "
            "of the rows can be read: write it before the data, or part the cells with commas and leave cells empty"
        )
    lin = {} if layout.parts else lin_slots(rows, layout)
    if lin:
        last = max(match.slots[kernel.LAST], lin.get(kernel.CHECKSUM, 0))
        match = replace(match, slots={**match.slots, **lin, kernel.LAST: last})
    words = "read as a table: " + ", ".join(_words(layout, stamps))
    notes = [
        words,
        *stamps.notes,
        *([lin_note(lin)] if lin else []),
        *([parts_note(layout.parts)] if layout.parts else []),
        *unsaid_directions(rows, layout),
    ]
    if fit < _PROVED:
        notes.append(f"only {fit:.0%} of the first rows are read in this layout; the others are skipped or broken")
    if told.id_base is None and _are_short_in_decimal(ids := rows.columns[layout.column[kernel.IDENTIFIER]]):
        longest = max(ids.counts, key=int)
        notes.append(
            f"the identifiers were taken to be decimal, for '{longest}' as a hexadecimal number has more than 11 bits; "
            "--id-base hex says otherwise"
        )
    if told.time_unit is None and (note := repetition_note(rows, layout, stamps)):
        notes.append(note)
    return TableReading(
        rows=rows, layout=layout, stamps=stamps, match=replace(match, notes=tuple(notes)), fit=fit, words=words
    )


def _is_behind_bytes(layout: TableLayout, stamps: TimeColumn) -> bool:
    """Return whether a row of blanks has what it needs behind bytes in cells of their own."""
    places = (layout.column[kernel.IDENTIFIER], layout.column.get(kernel.LENGTH, 0), *stamps.columns)
    return not layout.cut.separator and layout.payload_role == kernel.BYTE and max(places) > layout.payload[0]


def _with_bases(rows: Rows, layout: TableLayout) -> TableLayout:
    """Return a layout whose bases are taken for hexadecimal where they are not known yet and that can be."""
    ids = rows.columns[layout.column[kernel.IDENTIFIER]]
    id_base = layout.id_base or (10 if _is_out_of_range(ids) or _is_marked_short(rows, layout) else 16)
    return replace(layout, id_base=id_base, byte_base=layout.byte_base or 16)


def _is_marked_short(rows: Rows, layout: TableLayout) -> bool:
    """Return whether an identifier that has more than 11 bits if it is hexadecimal is marked as one of 11 bits."""
    ids = rows.columns[layout.column[kernel.IDENTIFIER]]
    if ids.has_letters or not layout.extends or kernel.IS_EXTENDED not in layout.column:
        return False
    marks = rows.columns[layout.column[kernel.IS_EXTENDED]].cells
    no = {"0", "false", "f", "no", "std", "standard", "11", "s", "b", "n", "-", ""}
    return any(
        (whole(cell, 16) or 0) > _LONGEST_SHORT and mark.lower() in no
        for cell, mark in zip(ids.cells, marks, strict=True)
    )


def _is_out_of_range(ids: Column) -> bool:
    """Return whether the identifiers are none if they are hexadecimal, and may be so if they are decimal."""
    values = [whole(cell, 16) or 0 for cell in ids.counts]
    return not ids.has_letters and any(0x1FFFFFFF < value < 0x80000000 or value > 0x9FFFFFFF for value in values)


def _is_likely(rows: Rows, layout: TableLayout, told: TableSettings) -> bool:
    """Return whether a payload and an identifier are frames and no table of values: a length agrees, or letters do."""
    if kernel.LENGTH in layout.column or told.names_columns:
        return True
    ids = rows.columns[layout.column[kernel.IDENTIFIER]]
    payload = [rows.columns[k] for k in layout.payload]
    if _sizes_follow(ids, _sizes(rows, layout)):
        return True
    has_letters = any(re.search("[A-Fa-f]", cell) for column in payload for cell in column.filled)
    return (ids.has_letters or named(ids, "id") or named(ids, "pgn")) and (has_letters or named(payload[0], "payload"))


def _sizes(rows: Rows, layout: TableLayout) -> Sequence[int]:
    """Return how many bytes stand in each row."""
    columns = [rows.columns[k].cells for k in layout.payload]
    if layout.payload_role == kernel.PAYLOAD:
        return [payload_size(cell, decimal=layout.byte_base == 10) for cell in columns[0]]
    return [sum(map(bool, cells)) for cells in zip(*columns, strict=True)]


def _sizes_follow(ids: Column, of_rows: Sequence[int]) -> bool:
    """Return whether each identifier has data of one length, and the lengths differ."""
    sizes: dict[str, Counter[int]] = {}
    for one, size in zip(ids.cells, of_rows, strict=True):
        sizes.setdefault(one, Counter())[size] += 1
    usual = [counts.most_common(1)[0] for counts in sizes.values()]
    return (
        len(sizes) >= _LEAST_IDS
        and len({size for size, _ in usual}) >= _LEAST_SIZES
        and sum(n for _, n in usual) >= _PROVED * len(ids.cells)
        and len(ids.cells) >= 4 * len(sizes)
    )


# --- what is told -----------------------------------------------------------------------------------------------


def _place(rows: Rows, column: int | str) -> int:
    """Return the index of a column that is told by number or name."""
    if isinstance(column, int):
        if column > rows.width:
            raise UnclearLayoutError(f"there is no column {column}, as [table] says; the widest row has {rows.width}")
        return column - 1
    names = [name.lower() for name in rows.header]
    if column.lower() in names:
        return names.index(column.lower())
    known = f"; it has {', '.join(repr(name) for name in rows.header)}" if rows.header else ", for it has no header"
    raise UnclearLayoutError(f"there is no column '{column}', as [table] says{known}")


def _told_columns(rows: Rows, told: TableSettings) -> dict[int, int]:
    places = {COLUMN_KEYS[key]: _place(rows, of[0]) for key, of in told.columns if key in COLUMN_KEYS}
    if (data := told.column("data")) is not None:
        places[kernel.BYTE] = _place(rows, data[0])
    return places


# --- number bases -----------------------------------------------------------------------------------------------


def _id_base(rows: Rows, layout: TableLayout, rest: Callable[[], Iterable[bytes]]) -> int:
    """Return the number base of the identifiers: 16 for one letter anywhere, 10 where 16 cannot be."""
    ids = rows.columns[layout.column[kernel.IDENTIFIER]]
    if ids.has_letters or re.search(r"\bhex", ids.name):
        return 16
    if re.search(r"\b(dec|decimal)\b", ids.name) or any(".0" in cell for cell in ids.counts):
        return 10
    as_decimal = [whole(cell, 10) or 0 for cell in ids.filled]
    if _is_out_of_range(ids):
        return 10
    if max(as_decimal) > 0x1FFFFFFF:
        return 16
    if _is_marked_short(rows, layout):
        return 10
    if layout.byte_base == 10 and len(ids.counts) >= 8:
        return 10
    if _are_short_in_decimal(ids):
        return 10
    if _finds_letter(rows, ids, rest()):
        return 16
    shown = max(ids.counts, key=lambda cell: (len(cell), ids.counts[cell]))
    raise UnclearLayoutError(
        f"no identifier in column {ids.index + 1} has a letter, so they may be hexadecimal or decimal ('{shown}' is "
        f"{int(whole(shown, 16) or 0)} or {whole(shown, 10)}): write --id-base hex or --id-base decimal"
    )


def _are_short_in_decimal(ids: Column) -> bool:
    """Return whether all identifiers have 11 bits if they are decimal, but some 29 bits if they are hexadecimal.

    Hexadecimal numbers of 29 bits seldom have four digits, and none of them a letter.
    """
    of_four = [cell for cell in ids.counts if len(cell) == 4]
    return (
        len(of_four) >= 2
        and all(len(cell) <= 4 and cell[0] != "0" and cell.isdigit() for cell in ids.counts)
        and max(int(cell) for cell in ids.counts) <= _LONGEST_SHORT
        and len(ids.counts) >= _LEAST_IDS
    )


def _finds_letter(rows: Rows, ids: Column, pieces: Iterable[bytes]) -> bool:
    searched = 0
    for piece in pieces:
        for line in piece.decode("latin-1").split("\n")[1:-1]:
            cells = rows.cut.cells(line)
            if ids.index < len(cells) and re.fullmatch(r"(0[xX])?[0-9A-Fa-f]*[A-Fa-f][0-9A-Fa-f]*", cells[ids.index]):
                return True
        searched += len(piece)
        if searched >= _MOST_SEARCHED:
            break
    return False


def _data_base(rows: Rows, layout: TableLayout) -> int:
    """Return the number base of bytes that hold no letter and none of which is above 99."""
    cells = [cell for k in layout.payload for cell in rows.columns[k].filled]
    if cells and all(len(part) == 2 for cell in cells for part in re.findall(r"[0-9A-Fa-f]+", cell)):
        return 16  # of two digits each, as nobody writes decimal numbers
    ids = rows.columns[layout.column[kernel.IDENTIFIER]]
    if not cells or (ids.has_letters and len(cells) < 16):
        return 16
    first = layout.payload[0] + 1
    raise UnclearLayoutError(
        f"no data byte from column {first} on has a letter or is above 99, so they may be hexadecimal or decimal: "
        'write a file with [table] and data_base = "hex" or "decimal", and give it as --table FILE.toml'
    )


# --- slots ------------------------------------------------------------------------------------------------------


def _match(rows: Rows, layout: TableLayout, stamps: TimeColumn | None) -> FormatMatch:
    """Return how the kernel is to read the table; without stamps, for a look at the other columns."""
    slots = stamp_slots(layout.cut, stamps)
    cut = layout.cut
    slots[kernel.ID_BASE] = layout.id_base
    slots[kernel.BYTE_BASE] = layout.byte_base
    slots[kernel.LENGTH_BASE] = layout.length_base
    slots[kernel.LENGTHS] = layout.lengths
    slots[kernel.EXTENDS] = 1 if layout.extends else 2 * layout.extends_by_width
    slots[kernel.BEHIND] = int(layout.ends_with_direction)
    slots[kernel.LOW_FIRST] = int(bool(layout.low_first))
    slots[kernel.LEAVE_OUT] = rows.n_before
    roles = dict.fromkeys(layout.payload, layout.payload_role)
    if layout.payload_role == kernel.BYTE and layout.payload[-1] == rows.width - 1 and not cut.separator:
        # Longer frames may still come.
        roles.update(
            dict.fromkeys(range(layout.payload[0], min(layout.payload[0] + 64, kernel.MOST_COLUMNS)), kernel.BYTE)
        )
    roles.update({column: role for role, column in layout.column.items()})
    slots[kernel.NEEDED] = kernel.HAS_ID | (kernel.HAS_LENGTH if kernel.LENGTH in layout.column else 0)
    if stamps is not None and stamps.form:
        roles[stamps.columns[0]] = kernel.TIME
        slots[kernel.NEEDED] |= kernel.HAS_TIME
        if len(stamps.columns) == 2:
            roles[stamps.columns[1]] = kernel.TIME_2
            slots[kernel.NEEDED] |= kernel.HAS_TIME_2
        slots[kernel.SENT_OUT] = int(stamps.sent_out)
        slots[kernel.SUMS] = int(stamps.sums)
        slots[kernel.BLANKS] = int(stamps.has_blanks)
        slots[kernel.LEAVE_OUT] += stamps.leave_out
        for k, period in enumerate(stamps.wraps):
            slots[kernel.WRAP + k] = period
    for column, role in roles.items():
        word = kernel.ROLES + (column >> 4)
        slots[word] = _signed(slots.get(word, 0) | role << 4 * (column & 15))
    slots |= layout.parts
    slots[kernel.LAST] = max(*roles, *(layout.parts.get(slot, 1) - 1 for slot in PART_COLUMNS))
    in_order = stamps is None or not stamps.form or stamps.sums or stamps.has_blanks
    return FormatMatch(
        clock=Clock.MISSING if stamps is None else stamps.clock,
        slots=slots,
        in_one_piece=in_order,
        in_order=in_order,
        resolution_ns=0 if stamps is None else stamps.resolution_ns,
    )


def stamp_slots(cut: CellSplit, stamps: TimeColumn | None) -> dict[int, int]:
    """Return the slots that say how rows are cut into cells, and how their stamps are written."""
    has_commas = "," not in {cut.separator, *cut.soft} or (stamps is not None and stamps.has_commas)
    slots = {kernel.SEPARATOR: ord(cut.separator) if cut.separator else 0, kernel.COMMA: int(has_commas)}
    for c in cut.soft:
        word = kernel.SOFT + (ord(c) >> 6)
        slots[word] = _signed(slots.get(word, 0) | 1 << (ord(c) & 63))
    if stamps is not None and stamps.form:
        slots[kernel.FORM], slots[kernel.FORM_2] = stamps.form, stamps.form_2
        slots[kernel.UNIT], slots[kernel.UNIT_2] = stamps.unit, stamps.unit_2
        for places in range(10):
            slots[kernel.SCALE + places] = stamps.unit // 10**places if stamps.unit % 10**places == 0 else 0
        slots[kernel.DATE_ORDER] = stamps.date_order
    return slots


def _signed(value: int) -> int:
    value &= (1 << 64) - 1
    return value - (1 << 64) if value >> 63 else value


def _fit(lines: list[str], rows: Rows, match: FormatMatch) -> float:
    """Return the part of the rows that are read as frames, by the kernel itself."""
    return part_read(TABLE, *_sample(match, lines[rows.n_before : rows.n_before + 400]))


def _sample(match: FormatMatch, lines: Sequence[str]) -> tuple[FormatMatch, list[bytes]]:
    """Return some lines that are not empty, and how each of them is read."""
    match = replace(match, slots={**match.slots, kernel.LEAVE_OUT: 0})
    return match, [line.encode("latin-1") for line in lines if line.strip(" \t\r,;|")]


def _refuse_told(lines: list[str], rows: Rows, match: FormatMatch | None, told: TableSettings) -> TableReading | None:
    """Return that it is no table, as few rows are frames or none can be; refuse it where the user names its columns."""
    if not told.names_columns:
        return None
    if match is None:
        if heads_frames(rows):
            refuse_odd_cells(rows)
        raise UnclearLayoutError(
            "the columns that [table] names leave none that may hold identifiers and data bytes; the first row is "
            f"{', '.join(repr(cell) for cell in rows.rows[0][:12])}: name both, as in id = 2 and data = 4"
        )
    skipped = trial_read(TABLE, *_sample(match, lines[rows.n_before : rows.n_before + 400])).stats().skipped
    first = f"; the first that is none is '{skipped[0].text}': {skipped[0].reason}" if skipped else ""
    raise UnclearLayoutError(f"only {_fit(lines, rows, match):.0%} of the rows are frames as [table] says{first}")


def _is_shifted(rows: Rows, layout: TableLayout, match: FormatMatch) -> bool:
    """Return whether many lines that are unlike the rows hold another number where those have their identifiers."""
    place = layout.column[kernel.IDENTIFIER]
    known = rows.columns[place].counts
    if part_read(TABLE, *_sample(match, rows.unlike)) > _LEAST_FIT:
        return False  # but for their few bytes they are like the others
    with_bytes = [line for line in rows.unlike if re.search(r"(?:\b[0-9A-Fa-f]{2}\b\W*){2}$", line)]
    others = [cells[place] for line in with_bytes if len(cells := rows.cut.cells(line)) > place]
    strange = sum(whole(cell, layout.id_base) is not None and cell not in known for cell in others)
    return 20 * strange > min(len(rows.rows), _FEW_ROWS) and 2 * strange > len(others)


# --- words ------------------------------------------------------------------------------------------------------


def _words(layout: TableLayout, stamps: TimeColumn) -> Iterator[str]:
    yield stamps.words
    base = "hex" if layout.id_base == 16 else "decimal"
    yield f"identifier in {base} in column {layout.column[kernel.IDENTIFIER] + 1}"
    if kernel.LENGTH in layout.column:
        yield f"length in column {layout.column[kernel.LENGTH] + 1}"
    first, last = layout.payload[0] + 1, layout.payload[-1] + 1
    base = "" if layout.byte_base == 16 else " in decimal"
    yield f"data{base} in column{'s' * (last > first)} {first}" + (f" to {last}" if last > first else "")
    for key, role in COLUMN_KEYS.items():
        if role in layout.column and key not in {"id", "length"}:
            yield f"{key} in column {layout.column[role] + 1}"


def table_toml(found: TableReading) -> str:
    """Return the ``[table]`` section that says what was understood."""
    layout, stamps = found.layout, found.stamps
    mark = layout.cut.separator
    name = {"\t": "tab", "": "blanks"}.get(mark, mark)
    lines = ["[table]", f'separator = "{name}"']
    if not stamps.form:
        lines.append('time = "none"')
    elif len(stamps.columns) == 1:
        lines.append(f"time = {stamps.columns[0] + 1}")
        if stamps.form in {kernel.NUMBER, kernel.HEX_NUMBER}:
            lines.append(f'time_unit = "{unit_name(stamps.unit)}"')
    else:
        lines.append(f"time = [{stamps.columns[0] + 1}, {stamps.columns[1] + 1}]")
    if stamps.form in {kernel.DATE, kernel.DATE_TIME}:
        lines.append(f'date_order = "{("year first", "day first", "month first")[stamps.date_order]}"')
    lines.append(f"id = {layout.column[kernel.IDENTIFIER] + 1}")
    lines.append(f'id_base = "{"hex" if layout.id_base == 16 else "decimal"}"')
    if kernel.LENGTH in layout.column:
        lines.append(f"length = {layout.column[kernel.LENGTH] + 1}")
    first, last = layout.payload[0] + 1, layout.payload[-1] + 1
    lines.append(f"data = {first}" if last == first else f"data = [{first}, {last}]")
    lines.append(f'data_base = "{"hex" if layout.byte_base == 16 else "decimal"}"')
    if layout.payload_role == kernel.WORD:
        lines.append(f'word_order = "{"low" if layout.low_first else "high"} byte first"')
    lines += [
        f"{key} = {layout.column[role] + 1}"
        for key, role in COLUMN_KEYS.items()
        if role in layout.column and key not in {"id", "length"}
    ]
    return "\n".join([*lines, ""])


def sniff(head: bytes) -> FormatMatch | None:
    """Recognise a table by its first bytes alone; one that does not say enough is none."""
    try:
        found = recognise(head, is_whole=head.endswith(b"\n"))
    except UnclearLayoutError:
        return None
    return None if found is None else found.match


def finish(state: Slots, stats: ReadStats) -> None:
    """Say how often the stamps began anew, and when much of the table was passed over."""
    if n := state[kernel.WRAPPED]:
        stats.notes.append(
            f"the time stamps began anew {n} time{'s' * (n > 1)} at the end of their range, and were continued"
        )


TABLE: Final = LogFormat(
    name="table",
    example="0.015991,0x6F9,8,05,0C,00,00,00,00,00,00",
    sniff=sniff,
    kernel=kernel.scan,
    wide_kernel=scan_wide,
    plain_bytes=1_500_000,
    unmade_bytes=12_000_000,
    reasons=REASONS,
    finish=finish,
)
