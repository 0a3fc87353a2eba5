"""Which frames a reader hands on: all that no role needs are passed over where they stand in the file."""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Self, TypeAlias

import numpy as np
from numpy.typing import NDArray

Ids: TypeAlias = Iterable[tuple[int, bool]]
"""Pairs of an id and whether it is a 29-bit one."""

N_STANDARD = 2048
"""11-bit ids."""


@dataclass(frozen=True, slots=True)
class IdFilter:
    """A set of ids; error frames are not among them.

    Raises ValueError if an id does not fit its width.
    """

    ids: frozenset[tuple[int, bool]]
    #: 29-bit ids that stand for their whole J1939 group, whatever priority, source and (PDU1) destination are.
    groups: frozenset[int] = frozenset()

    def __post_init__(self) -> None:
        for can_id, is_extended in (*self.ids, *((member, True) for member in self.groups)):
            if not 0 <= can_id < (1 << 29 if is_extended else N_STANDARD):
                raise ValueError(f"{can_id:#x} is no {'29' if is_extended else '11'}-bit id")

    @classmethod
    def of(cls, ids: Self | Ids | None) -> Self | None:
        """Return the set of these ids; None stands for all frames and stays None."""
        return ids if ids is None or isinstance(ids, IdFilter) else cls(frozenset(ids))

    def table(self) -> NDArray[np.int64]:
        """Return the ids as a kernel looks them up: see `_scan_kernel.passes_filter`."""
        extended = sorted(can_id for can_id, is_extended in self.ids if is_extended)
        extended += sorted({_group_key(can_id) for can_id in self.groups})
        size = 8
        while size < 2 * len(extended):
            size *= 2
        table = np.zeros(N_STANDARD + size, np.int64)
        for can_id, is_extended in self.ids:
            if not is_extended:
                table[can_id] = 1
        for can_id in extended:
            k = (can_id ^ can_id >> 11 ^ can_id >> 19) & size - 1
            while table[N_STANDARD + k]:
                k = k + 1 & size - 1
            table[N_STANDARD + k] = can_id + 1
        return table


def _group_key(can_id: int) -> int:
    """Return what stands in the table for the J1939 group of an id: see `_scan_kernel.passes_filter`."""
    is_pdu1 = (can_id >> 16 & 0xFF) < 240
    return can_id & (0x03FF0000 if is_pdu1 else 0x03FFFF00) | 1 << 29
