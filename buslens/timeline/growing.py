"""A column that grows at its end, in blocks, so that nothing that stands in it is moved and little room is spare."""

import mmap
from contextlib import suppress
from typing import Any, Final, Self

import numpy as np
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

    __slots__ = ("_blocks", "_dtype", "_lead", "_used")

    def __init__(self, dtype: type[np.generic] = np.int64) -> None:
        self._dtype = dtype
        self._blocks: list[NDArray[Any]] = []
        #: Numbers in the last block.
        self._used = 0
        #: The memory of the one block, if there is more of it before than the numbers take.
        self._lead: NDArray[Any] | None = None

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
            self._lead = _room(len(self) + _LEAST_ROOM, np.result_type(*self._blocks))
            whole, self._used, blocks = self._lead[_LEAST_ROOM:], 0, self._blocks[::-1]
            self._blocks = [whole]
            while blocks:
                # Each goes as soon as it has been copied.
                block = blocks.pop()
                whole[self._used : self._used + len(block)] = block
                self._used += len(block)
        return self._blocks[0][: self._used]

    def start_with(self, values: NDArray[Any]) -> None:
        """Put other numbers in the place of the first ones."""
        self._close()
        self._lead = None
        self._blocks[:1] = [values, self._blocks[0][len(values) :]]
        self._used = len(self._blocks[-1])

    def absorb(self, later: Self) -> None:
        """Append the numbers of another column; blocks are shared, for what stands in one is never changed."""
        if later._blocks:
            self._close()
            self._blocks += [*later._blocks[:-1], later._blocks[-1][: later._used]]
            self._used = later._used

    def clear(self) -> None:
        """Forget all numbers."""
        self._blocks, self._used, self._lead = [], 0, None

    def consumed(self, place: NDArray[np.intp], values: NDArray[Any], kept: NDArray[np.bool_]) -> NDArray[Any]:
        """Return what `inserted` makes of the numbers, where they stand if that can be; the column is empty then."""
        column = self.joined()
        is_much = 2 * np.count_nonzero(kept) > len(column)  # else the memory of all would be kept for a few
        lead = self._lead if is_much and len(place) <= _LEAST_ROOM else None
        self.clear()
        return inserted(column, place, values, kept, lead)


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
    column: NDArray[Any],
    place: NDArray[np.intp],
    values: NDArray[Any],
    kept: NDArray[np.bool_],
    room: NDArray[Any] | None = None,
) -> NDArray[Any]:
    """Return a column with others inserted before some places, and of the whole what is kept.

    The same as ``np.insert(column, place, values)[kept]`` without a second copy of the column. `room` is where to
    write, and may begin before the very column: by as many numbers as are inserted, or more.
    """
    size = int(np.count_nonzero(kept))
    whole = _room(size, column.dtype) if room is None else room[:size]
    done = at = 0
    for begin in range(0, len(column) + 1, _MOST_ROOM):
        stop = begin + _MOST_ROOM
        first, last = np.searchsorted(place, [begin, stop])
        part = column[begin:stop]
        if first < last:
            part = np.insert(part, place[first:last] - begin, values[first:last])
        is_kept = kept[at : at + len(part)]
        at += len(part)
        part = part if is_kept.all() else part[is_kept]
        whole[done : done + len(part)] = part
        done += len(part)
    return whole


def chosen(column: NDArray[Any], kept: NDArray[np.bool_]) -> NDArray[Any]:
    """Return what is kept of a column, in memory that goes back to the system when it is not needed."""
    none = np.empty(0, np.intp)
    return inserted(column, none, none, kept)


def short_times(time_ns: NDArray[np.int64]) -> NDArray[Any]:
    """Return lengths of time, none below 0, in half the room if each of them fits into it."""
    return time_ns.astype(np.uint32) if not len(time_ns) or int(time_ns.max()) <= SHORT_NS else time_ns
