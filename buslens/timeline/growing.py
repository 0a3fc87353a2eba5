"""A column that grows at its end, in blocks, so that nothing that stands in it is moved and little room is spare."""

from __future__ import annotations

import mmap
from contextlib import suppress
from typing import TYPE_CHECKING, Any, Final

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

_LEAST_ROOM: Final = 16
_MOST_ROOM: Final = 1 << 18
"""Numbers in a block."""
_LARGE_BYTES: Final = 1 << 18
_HUGE_BYTES: Final = 1 << 22
SHORT_NS: Final = 2**32 - 1
"""The longest time that a column of short times holds, ns: 4.3 s."""


class GrowingColumn:
    """Numbers one behind the other."""

    __slots__ = ("_blocks", "_dtype", "_used")

    def __init__(self, dtype: type[np.generic] = np.int64) -> None:
        self._dtype = dtype
        self._blocks: list[NDArray[Any]] = []
        #: Numbers in the last block.
        self._used = 0

    def __len__(self) -> int:
        return sum(map(len, self._blocks[:-1])) + self._used

    def extend(self, values: NDArray[Any]) -> None:
        """Append numbers."""
        done = 0
        if self._blocks and self._blocks[-1].dtype == values.dtype:
            block = self._blocks[-1]
            done = min(len(values), len(block) - self._used)
            block[self._used : self._used + done] = values[:done]
            self._used += done
        if done < len(values):
            self._close()
            left = values[done:]
            block = _room(max(len(left), min(max(len(self), _LEAST_ROOM), _MOST_ROOM)), values.dtype)
            block[: len(left)] = left
            self._blocks.append(block)
            self._used = len(left)

    def _close(self) -> None:
        """Let nothing be appended to the last block any more."""
        if self._blocks:
            self._blocks[-1] = self._blocks[-1][: self._used]

    def joined(self) -> NDArray[Any]:
        """Return all numbers, which then stand in one block; not to be written to."""
        if not self._blocks:
            return np.empty(0, self._dtype)
        if len(self._blocks) > 1:
            self._close()
            whole = _room(len(self), np.result_type(*self._blocks))
            self._blocks = [np.concatenate(self._blocks, out=whole)]
            self._used = len(whole)
        return self._blocks[0][: self._used]

    def start_with(self, values: NDArray[Any]) -> None:
        """Put other numbers in the place of the first ones."""
        self._close()
        self._blocks[:1] = [values, self._blocks[0][len(values) :]]
        self._used = len(self._blocks[-1])

    def absorb(self, later: GrowingColumn) -> None:
        """Append the numbers of another column; blocks are shared, for what stands in one is never changed."""
        if later._blocks:
            self._close()
            self._blocks += [*later._blocks[:-1], later._blocks[-1][: later._used]]
            self._used = later._used

    def clear(self) -> None:
        """Forget all numbers."""
        self._blocks, self._used = [], 0


def _room(n: int, dtype: np.dtype[Any]) -> NDArray[Any]:
    """Return room for numbers; much of it comes from the system itself, and goes back to it when it is not needed."""
    n_bytes = n * dtype.itemsize
    if n_bytes < _LARGE_BYTES or not hasattr(mmap, "MAP_PRIVATE"):
        # Windows gives large memory back by itself.
        return np.empty(n, dtype)
    memory = mmap.mmap(-1, n_bytes, access=mmap.ACCESS_COPY)
    if n_bytes >= _HUGE_BYTES and hasattr(mmap, "MADV_HUGEPAGE"):
        # A page of 2 MB costs the system as much as one of 4 kB.
        with suppress(OSError):
            memory.madvise(mmap.MADV_HUGEPAGE)
    return np.frombuffer(memory, dtype)


def inserted(
    column: NDArray[Any], place: NDArray[np.intp], values: NDArray[Any], kept: NDArray[np.bool_]
) -> NDArray[Any]:
    """Return a column with others inserted before some places, and of the whole what is kept.

    The same as ``np.insert(column, place, values)[kept]`` without a second copy of the column.
    """
    whole = _room(int(np.count_nonzero(kept)), column.dtype)
    done = at = 0
    for begin in range(0, len(column) + 1, _MOST_ROOM):
        stop = begin + _MOST_ROOM
        first, last = np.searchsorted(place, [begin, stop])
        part = np.insert(column[begin:stop], place[first:last] - begin, values[first:last])
        part = part[kept[at : at + len(part)]]
        at += min(stop, len(column)) - begin + last - first
        whole[done : done + len(part)] = part
        done += len(part)
    return whole


def short_times(time_ns: NDArray[np.int64]) -> NDArray[Any]:
    """Return lengths of time, none below 0, in half the room if each of them fits into it."""
    return time_ns.astype(np.uint32) if not len(time_ns) or int(time_ns.max()) <= SHORT_NS else time_ns
