"""Sequences of records of which not all are made: the others are rows of columns, and made when they are read."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from itertools import accumulate, chain
from typing import TYPE_CHECKING, Any, TypeVar, overload
from weakref import WeakValueDictionary

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

T = TypeVar("T")


class Records(Sequence[T]):
    """Equal to any other sequence of the same records."""

    def at(self, index: int) -> T:
        """Return one of them, counted from 0."""
        raise NotImplementedError

    @overload
    def __getitem__(self, index: int) -> T: ...
    @overload
    def __getitem__(self, index: slice) -> tuple[T, ...]: ...
    def __getitem__(self, index: int | slice) -> T | tuple[T, ...]:
        places = range(len(self))[index]
        return self.at(places) if isinstance(places, int) else tuple(map(self.at, places))

    def __iter__(self) -> Iterator[T]:
        return map(self.at, range(len(self)))

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, Sequence):
            return NotImplemented
        return len(self) == len(other) and all(one == it for one, it in zip(self, other, strict=True))

    __hash__ = None  # type: ignore[assignment]  # no more than a list

    def __repr__(self) -> str:
        return f"<{len(self):,} {type(self).__name__.lower()}>"


class ColumnRecords(Records[T]):
    """Records of one rule.

    Parameters
    ----------
    made : sequence
        Those that are records already.
    order : int64[n]
        For each its row of the columns; -1 - i for number i of those made.
    """

    def __init__(self, made: Sequence[T], order: NDArray[np.int64]) -> None:
        self.made = tuple(made)
        self.order = order
        #: Those that somebody still has: asked again, the same record is given, as of any sequence.
        self._read: WeakValueDictionary[int, Any] = WeakValueDictionary()

    def __len__(self) -> int:
        return len(self.order)

    def at(self, index: int) -> T:
        """Return one of them, counted from 0."""
        row = int(self.order[index])
        return self.made[-1 - row] if row < 0 else self.record(row)

    def record(self, row: int) -> T:
        """Return the record of a row of the columns."""
        known: T | None = self._read.get(row)
        if known is None:
            self._read[row] = known = self._make(row)
        return known

    def _make(self, row: int) -> T:
        raise NotImplementedError

    def columns(self) -> Mapping[str, Callable[[], object]]:
        """Return what makes each column of a table of what is not made; what is missing is empty in all rows."""
        raise NotImplementedError


class JoinedRecords(Records[T]):
    """Records of one rule after the other.

    Parameters
    ----------
    parts : iterable of sequences
        Of one rule each.
    """

    #: Whether times are those of a calendar, so that tables show them as such, too.
    is_dated = False

    def __init__(self, parts: Iterable[Sequence[T]]) -> None:
        self.parts = tuple(parts)
        self._ends = tuple(accumulate(map(len, self.parts)))

    def __len__(self) -> int:
        return self._ends[-1] if self._ends else 0

    def __iter__(self) -> Iterator[T]:
        return chain.from_iterable(self.parts)

    def at(self, index: int) -> T:
        """Return one of them, counted from 0."""
        number = bisect_right(self._ends, index)
        return self.parts[number][index - (self._ends[number - 1] if number else 0)]

    @property
    def made(self) -> tuple[T, ...]:
        """Those that are records already, in their order; all others are met."""
        parts = (part.made if isinstance(part, ColumnRecords) else part for part in self.parts)
        return tuple(chain.from_iterable(parts))
