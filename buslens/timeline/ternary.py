"""Three-valued conditions through time, after Kleene, with the doubt that sampling leaves kept apart from ignorance.

Between the frame that last showed one state and the frame that first shows the next, a condition that differs in the
two is in *doubt*; where a role is unknown it is *unknown*. Both behave as Kleene's third value, and unknown outweighs
doubt where they meet, so that nobody takes a gap in the log for a question of recording rate.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, fields
from typing import Final

import numpy as np
from numpy.typing import NDArray

from buslens.timeline.model import STOPPED, UNKNOWN_STATE, Timeline, UnknownReason

FALSE: Final = 0
TRUE: Final = 1
IN_TRANSITION: Final = 2
"""Between two frames that show different truths."""
UNKNOWN: Final = 3
"""A role that decides it is unknown."""

#: Kleene's tables, indexed by the two values; order as above.
_AND: Final = np.array([[0, 0, 0, 0], [0, 1, 2, 3], [0, 2, 2, 3], [0, 3, 3, 3]], np.int8)
_OR: Final = np.array([[0, 1, 2, 3], [1, 1, 1, 1], [2, 1, 2, 3], [3, 1, 3, 3]], np.int8)
_DIFFER: Final = np.array([[0, 1, 2, 3], [1, 0, 2, 3], [2, 2, 2, 3], [3, 3, 3, 3]], np.int8)
_NOT: Final = np.array([1, 0, 2, 3], np.int8)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TernaryTimeline:
    """A condition through one capture: ``value[i]`` from ``at_ns[i]`` until ``at_ns[i + 1]`` or the end."""

    #: int64[n], ns, strictly ascending; the first is the start of the capture.
    at_ns: NDArray[np.int64]
    #: int8[n], FALSE, TRUE, DOUBT or IGNORANT; neighbours differ.
    value: NDArray[np.int8]
    #: Time of the last frame of the capture, ns.
    end_ns: int

    def at(self, time_ns: int) -> int:
        """Return the value at a time; before the capture nothing is known."""
        index = int(np.searchsorted(self.at_ns, time_ns, side="right")) - 1
        return UNKNOWN if index < 0 else int(self.value[index])

    def over(self, since_ns: int, until_ns: int) -> int:
        """Return the value that holds from one time to another, both included; IN_TRANSITION where several do."""
        first = int(np.searchsorted(self.at_ns, since_ns, side="right")) - 1
        if first < 0:
            return UNKNOWN
        values = self.value[first : int(np.searchsorted(self.at_ns, until_ns, side="right"))]
        if (values == UNKNOWN).any():
            return UNKNOWN
        return int(values[0]) if (values == values[0]).all() else IN_TRANSITION

    def values_at(self, time_ns: NDArray[np.int64]) -> NDArray[np.int8]:
        """Return the values at many times."""
        index = np.searchsorted(self.at_ns, time_ns, side="right") - 1
        return np.where(index < 0, np.int8(UNKNOWN), self.value[index])

    def certain_ns(self) -> list[tuple[int, int]]:
        """Return the stretches through which it surely holds, each from its begin to its end."""
        true = np.concatenate(([False], self.value == TRUE, [False]))
        edges = np.flatnonzero(true[1:] != true[:-1])
        times = np.append(self.at_ns, self.end_ns)[edges].tolist()
        return list(zip(times[::2], times[1::2], strict=True))

    def is_false(self, since_ns: int, until_ns: int) -> bool:
        """Return whether it surely does not hold at any moment from one time to another, both included."""
        first = max(int(np.searchsorted(self.at_ns, since_ns, side="right")) - 1, 0)
        last = int(np.searchsorted(self.at_ns, until_ns, side="right"))
        return since_ns >= self.at_ns[0] and bool((self.value[first:last] == FALSE).all())

    def __and__(self, other: TernaryTimeline) -> TernaryTimeline:
        return self._with(other, _AND)

    def __or__(self, other: TernaryTimeline) -> TernaryTimeline:
        return self._with(other, _OR)

    def __invert__(self) -> TernaryTimeline:
        return TernaryTimeline(at_ns=self.at_ns, value=_NOT[self.value], end_ns=self.end_ns)

    def differs_from(self, other: TernaryTimeline) -> TernaryTimeline:
        """Return where exactly one of the two holds."""
        return self._with(other, _DIFFER)

    def _with(self, other: TernaryTimeline, table: NDArray[np.int8]) -> TernaryTimeline:
        at_ns = _union(self.at_ns, other.at_ns)
        mine = self.value[np.searchsorted(self.at_ns, at_ns, side="right") - 1]
        theirs = other.value[np.searchsorted(other.at_ns, at_ns, side="right") - 1]
        return _merged(at_ns, table[mine, theirs], max(self.end_ns, other.end_ns))

    def held_for(self, duration_ns: int) -> TernaryTimeline:
        """Return where the condition has held without a break for that long, this length included.

        At t it is Kleene's *and* over all moments from ``t - duration_ns`` to t; of those before the capture
        nothing is known.
        """
        begin_ns = self.at_ns
        # A stretch counts in every window that still reaches back into it.
        end_ns = np.append(begin_ns[1:], self.end_ns + 1) + duration_ns
        known_from_ns = begin_ns[0] + duration_ns
        at_ns = _union(begin_ns, end_ns, [known_from_ns])
        at_ns = at_ns[at_ns <= self.end_ns]
        value = np.full(len(at_ns), TRUE, np.int8)
        for weight in (IN_TRANSITION, UNKNOWN, FALSE):
            mine = self.value == weight
            begun = np.searchsorted(begin_ns[mine], at_ns, side="right")
            value[begun > np.searchsorted(end_ns[mine], at_ns, side="right")] = weight
            if weight == UNKNOWN:
                value[at_ns < known_from_ns] = UNKNOWN
        return _merged(at_ns, value, self.end_ns)

    def smeared(self, doubt_ns: int, *, keeps_moments: bool = False) -> TernaryTimeline:
        """Return what is sure of the condition if its clock may be wrong by so much, either way.

        With `keeps_moments`, of each stretch in which it holds one moment stays, in its middle: when it held is not
        sure, that it did is.
        """
        if doubt_ns <= 0 or len(self.at_ns) == 1:
            return self
        begin_ns = self.at_ns - doubt_ns
        begin_ns[0] = self.at_ns[0]
        stop_ns = np.append(self.at_ns[1:] + doubt_ns, np.iinfo(np.int64).max)
        at_ns = _union(begin_ns, stop_ns[:-1])
        at_ns = at_ns[(at_ns >= self.at_ns[0]) & (at_ns <= self.end_ns)]
        possible = np.zeros((4, len(at_ns)), np.bool_)
        for each in (FALSE, TRUE, IN_TRANSITION, UNKNOWN):
            mine = self.value == each
            begun = np.searchsorted(np.sort(begin_ns[mine]), at_ns, side="right")
            possible[each] = begun > np.searchsorted(np.sort(stop_ns[mine]), at_ns, side="right")
        several = (possible[FALSE] & possible[TRUE]) | possible[IN_TRANSITION]
        known = np.where(several, IN_TRANSITION, possible[TRUE])
        sure = _merged(at_ns, np.where(possible[UNKNOWN], UNKNOWN, known).astype(np.int8), self.end_ns)
        if not keeps_moments:
            return sure
        stops_ns = np.append(self.at_ns[1:], self.end_ns + 1)
        held = (self.value == TRUE) & (stops_ns - self.at_ns <= 2 * doubt_ns)
        moment_ns = (self.at_ns[held] + stops_ns[held] - 1) // 2
        behind_ns = moment_ns[moment_ns < self.end_ns] + 1
        at_ns = np.concatenate((sure.at_ns, behind_ns, moment_ns))
        value = np.concatenate((sure.value, sure.values_at(behind_ns), np.full(len(moment_ns), TRUE, np.int8)))
        return _in_order(at_ns, value, self.end_ns)

    def from_time(self, time_ns: int) -> TernaryTimeline:
        """Return the same truth without what lies before a time."""
        if time_ns <= self.at_ns[0]:
            return self
        first = int(np.searchsorted(self.at_ns, time_ns, side="right")) - 1
        at_ns = self.at_ns[first:].copy()
        at_ns[0] = time_ns
        return TernaryTimeline(at_ns=at_ns, value=self.value[first:], end_ns=self.end_ns)

    def until(self, time_ns: int, behind: TernaryTimeline) -> TernaryTimeline:
        """Return this truth up to a time, and another one from there on."""
        behind = behind.from_time(time_ns)
        before = int(np.searchsorted(self.at_ns, behind.at_ns[0]))
        at_ns = np.concatenate((self.at_ns[:before], behind.at_ns))
        return _merged(at_ns, np.concatenate((self.value[:before], behind.value)), self.end_ns)

    def _runs(self) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
        """Return the first and one past the last index of each run of stretches that are not false."""
        edges = np.flatnonzero(np.diff(np.concatenate(([False], self.value != FALSE, [False])).astype(np.int8)))
        return edges[::2], edges[1::2]

    def edges(self, *, rising: bool = True) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Return the changes to true (or to false) that the log shows, as arrays of since and seen.

        Each change came about in ``(since, seen]``. A change hidden by an unknown stretch is none of them.
        """
        settled = np.flatnonzero(self.value != IN_TRANSITION)
        value = self.value[settled]
        before, after = (FALSE, TRUE) if rising else (TRUE, FALSE)
        found = np.flatnonzero((value[:-1] == before) & (value[1:] == after))
        return self.at_ns[settled[found] + 1] - 1, self.at_ns[settled[found + 1]]

    def edges_across_unknown(self) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64]]:
        """Return the changes to true that came about where nothing is known: false before it, and true behind it.

        Arrays of since and seen, as of `edges`, and of the time from which it is not known.
        """
        settled = np.flatnonzero(self.value != IN_TRANSITION)
        value = self.value[settled]
        begun = np.flatnonzero(np.append(True, value[1:] != value[:-1])[: len(value)])
        value = value[begun]
        found = np.flatnonzero((value[:-2] == FALSE) & (value[1:-1] == UNKNOWN) & (value[2:] == TRUE))
        before, unknown, behind = settled[begun[found + 1] - 1], settled[begun[found + 1]], settled[begun[found + 2]]
        return self.at_ns[before + 1] - 1, self.at_ns[behind], self.at_ns[unknown]

    def episodes(self) -> Episodes:
        """Return the stretches in which the condition is not false throughout, in order of time."""
        stops_ns = np.append(self.at_ns[1:], self.end_ns)
        start, stop = self._runs()
        true = np.flatnonzero(self.value == TRUE)
        own = np.searchsorted(start, true, side="right") - 1
        length_ns = (stops_ns - self.at_ns)[true]
        # Of each run the longest, and of those as long the first.
        longest = np.lexsort((-length_ns, own))
        longest = longest[np.append(True, np.diff(own[longest]) > 0)[: len(longest)]]
        certain = own[longest]
        certain_from_ns, certain_ns = self.at_ns[start], np.zeros(len(start), np.int64)
        certain_from_ns[certain], certain_ns[certain] = self.at_ns[true[longest]], length_ns[longest]
        is_certain, has_unknown = np.zeros(len(start), np.bool_), np.zeros(len(start), np.bool_)
        is_certain[certain] = True
        has_unknown[np.searchsorted(start, np.flatnonzero(self.value == UNKNOWN), side="right") - 1] = True
        return Episodes(
            from_ns=self.at_ns[start],
            to_ns=stops_ns[stop - 1],
            is_certain=is_certain,
            certain_from_ns=certain_from_ns,
            certain_ns=certain_ns,
            has_unknown=has_unknown,
            # Elsewhere the condition is false right before and right behind, even of what is unknown.
            begins_unseen=start == 0,
            at_end=stop == len(self.value),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Episode:
    """A stretch in which a condition holds or may hold."""

    #: Earliest beginning and latest end, ns.
    from_ns: int
    to_ns: int
    #: Whether it surely holds at some moment of the stretch.
    is_certain: bool
    #: Longest time through which it surely holds, and when that begins, ns.
    certain_from_ns: int
    certain_ns: int
    #: Whether a role is unknown in it.
    has_unknown: bool
    #: Whether its beginning is not in the log.
    begins_unseen: bool
    #: Whether it lasts to the end of the capture.
    at_end: bool

    @property
    def most_ns(self) -> int | None:
        """Longest time that it can have lasted by the axis, ns; None when an end is not in the log."""
        return None if self.begins_unseen or self.at_end else self.to_ns - self.from_ns


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Episodes:
    """Many of them in order of time, an element each; fields as of `Episode`."""

    from_ns: NDArray[np.int64]
    to_ns: NDArray[np.int64]
    is_certain: NDArray[np.bool_]
    certain_from_ns: NDArray[np.int64]
    certain_ns: NDArray[np.int64]
    has_unknown: NDArray[np.bool_]
    begins_unseen: NDArray[np.bool_]
    at_end: NDArray[np.bool_]

    def __len__(self) -> int:
        return len(self.from_ns)

    def __getitem__(self, index: int) -> Episode:
        return Episode(**{it.name: getattr(self, it.name)[index].item() for it in fields(self)})

    def __iter__(self) -> Iterator[Episode]:
        return map(self.__getitem__, range(len(self)))


def ternary_of(timeline: Timeline, holds: Callable[[Timeline], NDArray[np.bool_]]) -> TernaryTimeline:
    """Return the truth of a condition on one role.

    Parameters
    ----------
    holds : callable
        Tells for each entry of the timeline whether the condition holds in it; asked of known entries.
    """
    code = np.where(timeline.state == UNKNOWN_STATE, np.int8(UNKNOWN), holds(timeline).view(np.int8))
    changed = np.append(0, np.flatnonzero(code[1:] != code[:-1]) + 1)[: len(code)]
    code, why = code[changed], timeline.why[changed]
    seen_ns = timeline.seen_ns[changed]
    since_ns = seen_ns - timeline.gap_ns[changed]
    known = code != UNKNOWN
    between = np.flatnonzero(known[1:] & known[:-1]) + 1
    # A value that nobody named may have come at once after the frame before.
    unnamed = (
        np.flatnonzero(np.isin(why[1:], (UnknownReason.UNMAPPED.value, UnknownReason.CONTRADICTED.value)) & known[:-1])
        + 1
    )
    at_ns = seen_ns.copy()
    at_ns[unnamed] = since_ns[unnamed] + 1
    doubts_ns = [since_ns[between] + 1]
    # After the last frame before a silence, a clock discontinuity or the end, no frame has confirmed the state.
    stops = np.isin(why[1:], STOPPED)
    unconfirmed = np.flatnonzero(stops & known[:-1]) + 1
    doubts_ns.append(np.maximum(since_ns[unconfirmed] + 1, seen_ns[unconfirmed - 1] + 1))
    last_ns = timeline.last_frame_ns
    if len(known) and known[-1] and last_ns is not None and last_ns < timeline.end_ns:
        # Of frames with one stamp the later ones are moved on by some ns: the state is then seen behind it.
        unconfirmed_ns = max(last_ns, int(seen_ns[-1])) + 1
        if unconfirmed_ns <= timeline.end_ns:
            doubts_ns.append(np.array([unconfirmed_ns]))
    doubt_ns = np.concatenate(doubts_ns)
    merged_at = np.concatenate((doubt_ns, at_ns))
    merged = np.concatenate((np.full(len(doubt_ns), IN_TRANSITION, np.int8), code))
    shown = _in_order(merged_at, merged, timeline.end_ns)
    return _with_gaps(shown, timeline.sampling.blind_ns) if timeline.sampling.is_polled else shown


def _with_gaps(truth: TernaryTimeline, gaps_ns: NDArray[np.int64]) -> TernaryTimeline:
    """Return the truth without what it says between two frames, their own times left out, of each gap."""
    if not len(gaps_ns):
        return truth
    from_ns, to_ns = gaps_ns[:, 0] + 1, gaps_ns[:, 1]
    # At its end a frame tells the state, even where nothing changed that would be an entry.
    behind = truth.value[np.searchsorted(truth.at_ns, to_ns, side="right") - 1]
    outside = np.searchsorted(from_ns, truth.at_ns, side="right") == np.searchsorted(to_ns, truth.at_ns, side="right")
    at_ns = np.concatenate((truth.at_ns[outside], to_ns, from_ns))
    value = np.concatenate((truth.value[outside], behind, np.full(len(from_ns), UNKNOWN, np.int8)))
    return _in_order(at_ns, value, truth.end_ns)


_NO_EVIDENCE: Final = (
    UnknownReason.NOT_RECORDED.value,
    UnknownReason.CONTRADICTED.value,
    UnknownReason.NOT_CARRIED.value,
)
"""Reasons for which a role is unknown, and nobody knows whether a value was sent."""


def is_unknown(timeline: Timeline) -> TernaryTimeline:
    """Return where a role is unknown; that itself is known, except where the log is no evidence of what was sent."""
    unknown = (timeline.state == UNKNOWN_STATE).astype(np.int8)
    unknown[np.isin(timeline.why, _NO_EVIDENCE)] = UNKNOWN
    shown = _merged(timeline.seen_ns, unknown, timeline.end_ns)
    # A tester may have got no value between two that it lists, or one between two that it lacks.
    return _with_gaps(shown, timeline.sampling.wide_ns) if timeline.sampling.is_polled else shown


def _union(*times_ns: NDArray[np.int64] | list[int]) -> NDArray[np.int64]:
    """Return times, ascending in each column, in one, each once; columns in order are merged, not sorted."""
    at_ns = np.sort(np.concatenate(times_ns), kind="stable")
    is_new = np.append(True, at_ns[1:] != at_ns[:-1])[: len(at_ns)]
    return np.asarray(at_ns[is_new], np.int64)


def _in_order(at_ns: NDArray[np.int64], value: NDArray[np.int8], end_ns: int) -> TernaryTimeline:
    """Return the truth of changes in any order; of several at one time the last one given counts."""
    order = np.argsort(at_ns, kind="stable")
    at_ns, value = at_ns[order], value[order]
    last = np.append(at_ns[1:] != at_ns[:-1], True)
    return _merged(at_ns[last], value[last], end_ns)


def _merged(at_ns: NDArray[np.int64], value: NDArray[np.int8], end_ns: int) -> TernaryTimeline:
    """Return the truth with equal neighbours made one."""
    kept = np.append(True, value[1:] != value[:-1])
    return TernaryTimeline(at_ns=at_ns[kept], value=value[kept], end_ns=end_ns)
