"""What SAE J1939 lays down about identifiers and values.

A J1939 identifier of 29 bits is, from the top: priority (3), reserved and data page (2), PDU format PF (8), PDU
specific PS (8), source address (8). With PF below 240 (PDU1) PS is the destination, from 240 on (PDU2) it is part of
the group number. A definition stands for its group, whatever the priority, the source and, in PDU1, the destination.
(Linux kernel, Documentation/networking/j1939.rst)
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable
from dataclasses import replace
from typing import TYPE_CHECKING, Final

from buslens.definitions.model import EVERY_BIT, Message, Signal, ValueType

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from buslens.definitions.unpack import Numbers

PDU1_GROUP: Final = 0x03FF0000
"""Bits of an identifier that make the group number where PF is below 240."""
PDU2_GROUP: Final = 0x03FFFF00
"""The same where PF is 240 or more."""
_ANY_PRIORITY: Final = 0x03FFFFFF
_FIRST_PDU2: Final = 240

RESERVED: Final = "reserved"
ERROR: Final = "error"
NOT_AVAILABLE: Final = "not available"
SPECIAL: Final = (RESERVED, ERROR, NOT_AVAILABLE)
"""What a value can say instead of a value; codes 1, 2 and 3 of `special_codes`."""
ERROR_CODE: Final = 2
"""The first of the codes of `special_codes` that never stand for a state."""


def group_mask(can_id: int) -> int:
    """Return the bits of a 29-bit identifier that make its group number.

    >>> hex(0x18EAFF03 & group_mask(0x18EAFF03)), hex(0x0CF00400 & group_mask(0x0CF00400))
    ('0xea0000', '0xf00400')
    """
    return PDU1_GROUP if can_id >> 16 & 0xFF < _FIRST_PDU2 else PDU2_GROUP


def group_number(can_id: int) -> int:
    """Return the parameter group number (PGN) of a 29-bit identifier.

    >>> group_number(0x18EAFF03), group_number(0x0CF00400)
    (59904, 61444)
    """
    return (can_id & group_mask(can_id)) >> 8


def separate_senders(messages: Iterable[Message]) -> tuple[Message, ...]:
    """Return the messages with the bits that tell each J1939 message.

    Where one file defines the same group several times, it means to tell senders (in PDU1, destinations) apart, and
    their addresses count.
    """
    kept = tuple(messages)
    masks: tuple[Callable[[int], int], ...] = (group_mask, lambda _: _ANY_PRIORITY, lambda _: EVERY_BIT)
    counts = [Counter(message.can_id & mask(message.can_id) for message in kept if message.is_j1939) for mask in masks]

    def with_mask(message: Message) -> Message:
        for mask, count in zip(masks, counts, strict=True):
            bits = mask(message.can_id)
            if count[message.can_id & bits] == 1:
                return replace(message, id_mask=bits)
        return message

    return tuple(with_mask(message) if message.is_j1939 else message for message in kept)


def has_special_values(signal: Signal, message: Message) -> bool:
    """Return whether some values of a signal say instead of a value that there is none.

    SAE J1939-71 says so of whole bytes, judged by the most significant one, and of two bits.
    """
    return message.is_j1939 and signal.kind is ValueType.UNSIGNED and signal.length in {2, 8, 16, 24, 32}


def special_codes(raw: Numbers, signal: Signal) -> NDArray[np.int8]:
    """Return for each raw value of a signal that has special ones which it is: an index into `SPECIAL` plus 1, or 0.

    Up to 0xFA in the most significant byte are values, 0xFB to 0xFD reserved, 0xFE is an error and 0xFF not available
    (so 0xFF00 is not available, too); of two bits, 10 is an error and 11 not available. (SAE J1939-71, table of ranges)
    """
    import numpy as np

    if signal.length == 2:
        return np.where(raw >= 2, raw, 0).astype(np.int8)
    top = (raw.astype(np.uint64) >> np.uint64(signal.length - 8)).astype(np.int64)
    return np.select([top == 0xFF, top == 0xFE, top >= 0xFB], [3, 2, 1], 0).astype(np.int8)
