"""Whether the rows of a table are LIN frames: their checksums prove it, or the parity of their identifiers."""

import re
from collections.abc import Callable, Iterator, Sequence
from typing import Final

from buslens.capture import _table_kernel as kernel
from buslens.capture._lin_kernel import LARGEST_ID, is_whole, protected
from buslens.capture.table_layout import TableLayout
from buslens.capture.table_rows import Rows, whole

_MOST_ROWS: Final = 2_000
_LEAST_ROWS: Final = 20
_PROVED: Final = 0.98
_LEAST_IDS: Final = 6
"""Different identifiers whose parity fits before it is no chance: it does so for one in four."""


def lin_slots(rows: Rows, layout: TableLayout) -> dict[int, int]:
    """Return the slots by which the kernel reads LIN frames; empty if the rows are none."""
    frames = list(_frames(rows, layout))
    if len(frames) < _LEAST_ROWS or any(not 0 <= identifier <= 0xFF for identifier, _, _ in frames):
        return {}
    answered = [frame for frame in frames if frame[1]]
    start, n_columns = layout.payload[0], len(rows.columns)
    places: dict[tuple[int, int], Callable[[bytes, Sequence[str]], str]] = {}
    if layout.payload_role == kernel.BYTE:
        places[kernel.BEHIND_BYTES, 0] = lambda data, row: (
            row[start + len(data)] if start + len(data) < len(row) else ""
        )
    taken = {*layout.payload, *layout.column.values()}
    for column in (k for k in range(n_columns) if k not in taken and rows.columns[k].is_byte):
        places[kernel.IN_COLUMN, column] = lambda _, row, k=column: row[k] if k < len(row) else ""  # type: ignore[misc]
    for (place, column), cell in places.items():
        good = sum(_fits(identifier, data, cell(data, row), layout.byte_base) for identifier, data, row in answered)
        if len(answered) >= _LEAST_ROWS and good >= _PROVED * len(answered):
            return {kernel.LIN: place, kernel.CHECKSUM: column}
    ids = {identifier for identifier, _, _ in frames}
    fitting = sum(protected(identifier & LARGEST_ID) == identifier for identifier, _, _ in frames)
    if len(ids) >= _LEAST_IDS and fitting >= _PROVED * len(frames) and max(ids) > LARGEST_ID:
        return {kernel.LIN: kernel.NOWHERE}
    return {}


def lin_note(slots: dict[int, int]) -> str:
    """Return what made the rows LIN frames."""
    proof = "the parity of their identifiers fits" if slots[kernel.LIN] == kernel.NOWHERE else "their checksums fit"
    return f"the rows are LIN frames, for {proof}; identifiers are given without parity"


def _fits(identifier: int, data: bytes, cell: str, base: int) -> bool:
    found = whole(cell, base) if cell else None
    words = [int.from_bytes(data, "little")]
    return found is not None and is_whole(identifier & LARGEST_ID, words, 0, len(data), found)


def _frames(rows: Rows, layout: TableLayout) -> Iterator[tuple[int, bytes, list[str]]]:
    """Yield identifier, data and cells of the first rows; an identifier of -1 for one that is none of LIN."""
    length = layout.column.get(kernel.LENGTH)
    start = layout.payload[0]
    for row in rows.rows[:_MOST_ROWS]:
        place = layout.column[kernel.IDENTIFIER]
        identifier = whole(row[place], layout.id_base) if place < len(row) else None
        stated = whole(row[length], layout.length_base) if length is not None and length < len(row) else None
        cells = row[start : layout.payload[-1] + 1]
        if layout.payload_role == kernel.PAYLOAD:
            cells = re.findall("[0-9A-Fa-f]{2}" if layout.byte_base == 16 else r"\\d+", cells[0]) if cells else []
        values = [whole(cell, layout.byte_base) for cell in cells[: 9 if stated is None else stated]]
        known = [value for value in values if value is not None and value < 256]
        if stated is None and layout.payload_role == kernel.BYTE:
            known = known[:-1]  # without a length the last may be the checksum
        is_none = identifier is None or len(known) > 8
        yield -1 if is_none else int(identifier or 0), bytes(known), row
