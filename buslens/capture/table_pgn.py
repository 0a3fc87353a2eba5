"""Identifiers in parts: a parameter group number, addresses and a priority in columns of their own (SAE J1939-21)."""

import re
from typing import Final

from buslens.capture import _table_kernel as kernel
from buslens.capture.table_layout import TableLayout
from buslens.capture.table_rows import Column, Rows, named, whole

_NAMES: Final = {kernel.SOURCE: "source", kernel.DESTINATION: "destination", kernel.PRIORITY: "priority"}
PART_COLUMNS: Final = tuple(_NAMES)
"""Slots for columns, counted from 1."""
_LARGEST_PGN: Final = 0x3FFFF
"""Of 18 bits."""


def id_parts(rows: Rows, layout: TableLayout) -> dict[int, int]:
    """Return the slots by which the kernel makes identifiers of their parts; empty if they are whole, or lack a source.

    The number base of the parameter group numbers is set, too.
    """
    numbers = rows.columns[layout.column[kernel.IDENTIFIER]]
    if not named(numbers, "pgn"):
        return {}
    slots: dict[int, int] = {}
    for column in rows.columns:
        for slot, name in _NAMES.items():
            if slot not in slots and column is not numbers and named(column, name) and column.filled:
                slots[slot] = column.index + 1
    if kernel.SOURCE not in slots:
        return {}
    layout.id_base = layout.id_base or _base(numbers, _LARGEST_PGN) or 16
    layout.extends = True
    addresses = [rows.columns[slots[slot] - 1] for slot in (kernel.SOURCE, kernel.DESTINATION) if slot in slots]
    bases = [base for column in addresses if (base := _base(column, 0xFF))]
    slots[kernel.ADDRESS_BASE] = bases[0] if bases else layout.id_base
    return slots


def parts_note(parts: dict[int, int]) -> str:
    """Return of what the identifiers were made, and what was assumed."""
    assumed = [
        text
        for slot, text in (
            (kernel.DESTINATION, "the destination is taken to be all (FF)"),
            (kernel.PRIORITY, "the priority is taken to be 6"),
        )
        if slot not in parts
    ]
    columns = ", ".join(map(str, sorted(parts[slot] for slot in PART_COLUMNS if slot in parts)))
    text = f"the identifiers of 29 bits were made from parts, also in column {columns} (SAE J1939-21)"
    return "; ".join([text, *assumed])


def _base(column: Column, largest: int) -> int:
    """Return the number base of numbers that are at most so large; 0 if they say nothing about it."""
    if column.has_letters or re.search(r"\bhex", column.name):
        return 16
    if re.search(r"\bdec", column.name) or any((whole(cell, 16) or 0) > largest for cell in column.counts):
        return 10
    return 0
