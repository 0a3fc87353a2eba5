"""What follows what: the moves of the lock, told from what happens around the pulses of a signal.

A move begins with a pulse of the enable and ends with the bolt at its other end. Of any signal that makes pulses it is
asked which others have another value after each pulse than before (the feedbacks), which change before those in one
direction (the door, the start button), and which change behind those in one direction (the ignition). All times and
weights are rules of thumb, no source.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Final, Self

import numpy as np
from numpy.typing import NDArray

from buslens.discovery.traces import UNSEEN, ShownSignals, Trace
from buslens.units import NS_PER_MS, NS_PER_S

LONGEST_PULSE_NS: Final = 6 * NS_PER_S
"""A pulse of the enable is shorter."""
SETTLED_NS: Final = 3 * NS_PER_S
"""Behind the start of a pulse: then the bolt is at its end."""
BEFORE_NS: Final = 8 * NS_PER_S
"""A cause lies at most so long before the pulse: some cars lock only seconds after the door has opened ..."""
AFTER_NS: Final = 6 * NS_PER_S
"""... and a consequence so long behind it."""
_EVEN_NS: Final = 150 * NS_PER_MS
"""A control unit answers in its own time, which hardly varies; a person's two actions do not."""
_NEAR_NS: Final = 800 * NS_PER_MS
"""... and it answers soon."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Around:
    """How one signal's changes to one value lie around the moves in one direction."""

    raw: int
    #: Part of the moves that have such a change near.
    share: float
    #: 0 to 1: how alike the times between the two are.
    evenness: float
    #: Median from the change to the pulse, or from the pulse to the change, ns.
    lag_ns: int

    @property
    def strength(self) -> float:
        """0 to 1."""
        nearness = float(np.exp(-max(self.lag_ns, 0) / _NEAR_NS))
        return self.share * (0.4 + 0.3 * self.evenness + 0.3 * nearness)

    @property
    def closeness(self) -> float:
        """0 to 1: the same without what two things have that only come in turn."""
        return max(self.strength - 0.4 * self.share, 0.0) / 0.6


class Moves:
    """The pulses of one signal as moves of the lock.

    Parameters
    ----------
    shown : Shown
        All captures.
    enable : Trace
        The signal.
    on : sequence of int
        Its values during a pulse.
    feedback : Trace, optional
        What the pulses move: one that moved nothing is one move together with the next, which was another try.
    """

    def __init__(self, shown: ShownSignals, enable: Trace, on: Sequence[int], feedback: Trace | None = None) -> None:
        self.enable = enable
        self.on = tuple(on)
        self._shown = shown
        self.since_ns, self.seen_ns = enable.changes_to(on)
        following = np.append(self.since_ns[1:], np.iinfo(np.int64).max)
        ends = np.array([span.end_ns for span in shown.spans], np.int64)
        own_end = ends[np.searchsorted(ends, self.seen_ns)] if len(self.seen_ns) else np.empty(0, np.int64)
        self.settled_ns = np.minimum(np.minimum(self.seen_ns + SETTLED_NS, following), own_end)
        self._last_ns = self.seen_ns
        if feedback is not None and len(self):
            before, after = self.ends_of(feedback)
            is_tried = (before == after)[:-1] & (self.seen_ns[1:] - self.seen_ns[:-1] <= BEFORE_NS)
            is_first, is_last = np.append(True, ~is_tried), np.append(~is_tried, True)
            self.since_ns, self.seen_ns = self.since_ns[is_first], self.seen_ns[is_first]
            self.settled_ns, self._last_ns = self.settled_ns[is_last], self._last_ns[is_last]

    def __len__(self) -> int:
        return len(self.seen_ns)

    @cached_property
    def pulse_ns(self) -> NDArray[np.int64]:
        """How long each pulse is, from the first of several tries to the end of the last, ns."""
        rows = np.searchsorted(self.enable.seen_ns, self._last_ns)
        inside = np.isin(self.enable.raw, self.on)
        lengths = []
        for row, begun_ns in zip(rows.tolist(), self.seen_ns.tolist(), strict=True):
            stop = row
            while stop + 1 < len(inside) and inside[stop + 1] and self.enable.is_change[stop + 1]:
                stop += 1
            lengths.append(int(self.enable.stop_ns[stop] - begun_ns))
        return np.array(lengths, np.int64)

    def ends_of(self, trace: Trace) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Return the value of a signal before and after each move."""
        return trace.at(self.since_ns), trace.at(self.settled_ns)

    def feedback_share(self, trace: Trace) -> float:
        """Return, 0 to 1, how well a signal changes with the moves, and only with them."""
        before, after = self.ends_of(trace)
        known = (before != UNSEEN) & (after != UNSEEN)
        moved = known & (before != after)
        if not moved.any():
            return 0.0
        changes = trace.seen_ns[trace.is_event]
        if not len(changes):
            return 0.0
        index = np.searchsorted(self.since_ns, changes, side="right") - 1
        near = (index >= 0) & (changes <= self.settled_ns[np.maximum(index, 0)] + SETTLED_NS // 3)
        return float(moved.sum() / known.sum()) * float(near.mean())

    def agreement(self, trace: Trace, other: Trace) -> float:
        """Return, 0 to 1, in how many of the moves both signals change, or neither does."""
        ends = [*self.ends_of(trace), *self.ends_of(other)]
        known = np.logical_and.reduce([it != UNSEEN for it in ends])
        same = (ends[0] != ends[1]) == (ends[2] != ends[3])
        return float(same[known].mean()) if known.any() else 0.0

    def nearness(self, trace: Trace) -> float:
        """Return, 0 to 1, how soon a signal changes behind the pulses."""
        changes = trace.seen_ns[trace.is_change]
        index = np.searchsorted(changes, self.seen_ns)
        lags = changes[index[index < len(changes)]] - self.seen_ns[index < len(changes)]
        return float(np.exp(-np.median(lags) / _NEAR_NS)) if len(lags) else 0.0

    def begins_behind(self, other: Self) -> bool:
        """Return whether each pulse begins while one of the other's is on, and at least one surely later than that."""
        if not len(other):
            return False
        before = np.searchsorted(other.seen_ns, self.seen_ns, side="right") - 1
        other_ns = other.seen_ns[np.maximum(before, 0)]
        is_inside = (before >= 0) & (other_ns + other.pulse_ns[np.maximum(before, 0)] >= self.since_ns)
        return bool(is_inside.all() and (other_ns <= self.since_ns).any())

    def reached(self, trace: Trace) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Return since and seen of the last change of a feedback in each move; of the pulse where there is none."""
        rows = np.flatnonzero(trace.is_change)
        index = np.searchsorted(trace.seen_ns[rows], self.settled_ns, side="right") - 1
        row = rows[np.maximum(index, 0)] if len(rows) else np.zeros(len(self), np.intp)
        came = (index >= 0) & (trace.seen_ns[row] >= self.seen_ns)
        return (
            np.where(came, np.maximum(trace.since_ns[row], self.since_ns), self.since_ns),
            np.where(came, trace.seen_ns[row], self.seen_ns),
        )

    def around(self, trace: Trace, moves: NDArray[np.bool_], *, behind: Trace | None = None) -> Around | None:
        """Return the value whose changes lie best around some of the moves; None if there are none.

        Parameters
        ----------
        trace : Trace
            Any signal.
        moves : ndarray of bool, shape (len(self),)
            The moves of one direction.
        behind : Trace, optional
            A feedback: look behind what it has reached, and count from there; default: look before the pulses.
        """
        since, seen = (self.since_ns, self.seen_ns) if behind is None else self.reached(behind)
        since, seen = since[moves], seen[moves]
        if not len(seen):
            return None
        best: Around | None = None
        for raw in np.unique(trace.raw[trace.is_change]).tolist():
            from_ns, to_ns = trace.changes_to([raw])
            if not len(to_ns):
                continue
            if behind is None:
                index = np.searchsorted(from_ns, seen) - 1
                ok = (index >= 0) & (to_ns[np.maximum(index, 0)] >= since - BEFORE_NS)
                lag = seen - to_ns[np.maximum(index, 0)]
            else:
                index = np.searchsorted(to_ns, since, side="right")
                capped = np.minimum(index, len(to_ns) - 1)
                ok = (index < len(to_ns)) & (from_ns[capped] <= seen + AFTER_NS)
                lag = np.maximum(to_ns[capped] - seen, 0)
            if not ok.any():
                continue
            lags = lag[ok]
            spread = float(np.std(lags)) if len(lags) > 1 else float(_EVEN_NS)
            # Frames alone cause some of it, at either end.
            spread = max(spread - float(np.median(to_ns - from_ns) + np.median(seen - since)) / 4, 0.0)
            found = Around(
                raw=raw,
                share=float(ok.sum() / len(seen)),
                evenness=float(np.exp(-spread / _EVEN_NS)),
                lag_ns=int(np.median(lags)),
            )
            if best is None or (found.strength, -abs(found.lag_ns)) > (best.strength, -abs(best.lag_ns)):
                best = found
        return best


def common(values: NDArray[np.int64]) -> int:
    """Return the most common of values, `UNSEEN` if there are none."""
    known = values[values != UNSEEN]
    if not len(known):
        return UNSEEN
    listed, counts = np.unique(known, return_counts=True)
    return int(listed[np.argmax(counts)])


def rest_of(trace: Trace, invalid: Mapping[int, bool]) -> int:
    """Return the value that a signal has most of the time, of those that are values."""
    return next((raw for raw in trace.held_ns if not invalid.get(raw, False)), next(iter(trace.held_ns)))
