"""Changes in time, one and many: each came about at a moment between two frames."""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass, field
from itertools import accumulate
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from buslens.checks.outcome import TimeBounds

NO_EDGE_NS: Final = 2**62
"""Stands for both times of an edge that there is not, among many."""


class Edge(NamedTuple):
    """Something that happened in ``(since_ns, seen_ns]``."""

    since_ns: int
    seen_ns: int
    #: Recording that shows it, and how much of its doubt is that of its clock, ns: within one recording that is none.
    source: str = ""
    doubt_ns: int = 0

    @property
    def span(self) -> TimeBounds:
        """The same as a span with both ends included."""
        return TimeBounds(earliest_ns=self.since_ns + 1, latest_ns=self.seen_ns)

    def delay_after(self, reference: Edge) -> TimeBounds:
        """Return the time from a reference to this edge."""
        shared_ns = self.doubt_ns + reference.doubt_ns if self.source == reference.source else 0
        return TimeBounds(
            earliest_ns=self.since_ns + 1 - reference.seen_ns + shared_ns,
            latest_ns=self.seen_ns - reference.since_ns - 1 - shared_ns,
        )


class Edges(NamedTuple):
    """Many of them that one recording shows, an element each: int64[n], ns."""

    since_ns: NDArray[np.int64]
    seen_ns: NDArray[np.int64]
    source: str = ""
    doubt_ns: int = 0

    def at(self, index: int) -> Edge:
        """Return one of them."""
        return Edge(int(self.since_ns[index]), int(self.seen_ns[index]), self.source, self.doubt_ns)

    def of(self, which: NDArray[np.bool_] | NDArray[np.intp]) -> Edges:
        """Return some of them."""
        return self._replace(since_ns=self.since_ns[which], seen_ns=self.seen_ns[which])

    def are(self, others: Edges) -> NDArray[np.bool_]:
        """Return which of them are the same as those of as many others."""
        same: NDArray[np.bool_] = (self.since_ns == others.since_ns) & (self.seen_ns == others.seen_ns)
        return same


@dataclass(frozen=True, slots=True, kw_only=True, order=True)
class BlindInterval:
    """A stretch in which something may have happened that the log does not show: in ``(since_ns, until_ns]``."""

    from_ns: int
    until_ns: int
    #: Why, as words that stand behind "because": "unlock_feedback is unknown (its message was silent)".
    why: str
    is_discontinuity: bool = False
    #: Whether it lies between two samples that are too far apart.
    is_gap: bool = False


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TriggerTimes:
    """When a trigger came about: occurrence i in ``(since_ns[i], seen_ns[i]]``, in the order in which seen."""

    since_ns: NDArray[np.int64]
    seen_ns: NDArray[np.int64]
    #: Occurrences that there may have been.
    possible: tuple[BlindInterval, ...]
    #: Occurrences that there were, at a moment that the log does not show: a role was unknown meanwhile.
    unlocated: tuple[BlindInterval, ...]
    #: Roles that the trigger speaks of, in its order, each once.
    roles: tuple[str, ...]
    #: Recording that shows it, where there are several, and what its clock adds to each end, ns.
    source: str = ""
    doubt_ns: int = 0
    #: The latest end of `possible` up to each of them, ns.
    _reach_ns: list[int] = field(init=False, repr=False)

    def __len__(self) -> int:
        return len(self.seen_ns)

    def __post_init__(self) -> None:
        object.__setattr__(self, "_reach_ns", list(accumulate((it.until_ns for it in self.possible), max)))

    def first_possible(self, since_ns: int) -> tuple[BlindInterval, ...]:
        """Return the first of `possible` that ends behind a time, if there is one."""
        first = bisect_right(self._reach_ns, since_ns)
        return self.possible[first : first + 1]

    @property
    def edges(self) -> Edges:
        """The occurrences as edges."""
        return Edges(self.since_ns, self.seen_ns, self.source, self.doubt_ns)


def first_after(found: TriggerTimes, ends_after_ns: NDArray[np.int64], skip: NDArray[np.bool_] | int = 0) -> Edges:
    """Return the first occurrences that end after some times, or the next ones where one is to be skipped."""
    index = np.searchsorted(found.seen_ns, ends_after_ns, side="right") + skip
    none = [NO_EDGE_NS] * 2
    return Edges(np.append(found.since_ns, none)[index], np.append(found.seen_ns, none)[index])
