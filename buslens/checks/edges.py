"""Changes in time, one and many: each came about at a moment between two frames."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from buslens.checks.findings import TimeBounds

if TYPE_CHECKING:
    from buslens.checks.context import TriggerTimes

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


def first_after(found: TriggerTimes, ends_after_ns: NDArray[np.int64], skip: NDArray[np.bool_] | int = 0) -> Edges:
    """Return the first occurrences that end after some times, or the next ones where one is to be skipped."""
    index = np.searchsorted(found.seen_ns, ends_after_ns, side="right") + skip
    none = [NO_EDGE_NS] * 2
    return Edges(np.append(found.since_ns, none)[index], np.append(found.seen_ns, none)[index])
