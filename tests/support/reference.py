"""Slow references in plain Python: conditions moment by moment, and a timeline straight from the written rules."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, NamedTuple

from buslens.timeline.model import UNKNOWN_STATE, UnknownReason
from buslens.timeline.ternary import FALSE, IN_TRANSITION, TRUE, UNKNOWN

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from buslens.timeline.model import Timeline
    from buslens.timeline.ternary import TernaryTimeline

#: The value of a condition at every ns of a capture.
Values = list[int]


def values_of(truth: TernaryTimeline) -> Values:
    """Return a truth at every ns from its first to the end of the capture."""
    return [truth.at(time_ns) for time_ns in range(int(truth.at_ns[0]), truth.end_ns + 1)]


# --- Kleene's logic, from what is possible ------------------------------------------------------------------


def _possible(value: int) -> set[bool]:
    return {FALSE: {False}, TRUE: {True}}.get(value, {False, True})


def combine(table: Callable[[bool, bool], bool], one: Values, other: Values) -> Values:
    """Return what two-valued logic says in every case that is possible; where that differs, why it is not known."""
    found = []
    for a, b in zip(one, other, strict=True):
        results = {table(x, y) for x in _possible(a) for y in _possible(b)}
        if len(results) == 1:
            found.append(TRUE if results.pop() else FALSE)
        else:
            found.append(UNKNOWN if UNKNOWN in {a, b} else IN_TRANSITION)
    return found


def held_for(values: Values, duration: int) -> Values:
    """Return where the condition held in every moment of the window that ends there."""
    found = []
    for index in range(len(values)):
        window = values[max(index - duration, 0) : index + 1]
        before = [UNKNOWN] if index < duration else []
        found.append(next(it for it in (FALSE, UNKNOWN, IN_TRANSITION, TRUE) if it in window + before))
    return found


def edges(values: Values, *, rising: bool = True) -> list[tuple[int, int]]:
    """Return (last moment of the old value, first moment of the new one) with nothing but doubt between."""
    before, after = (FALSE, TRUE) if rising else (TRUE, FALSE)
    found = []
    last: tuple[int, int] | None = None
    for time, value in enumerate(values):
        if value != IN_TRANSITION:
            if last is not None and (last[1], value) == (before, after):
                found.append((last[0], time))
            last = (time, value)
    return found


@dataclass(frozen=True)
class Stretch:
    """What `buslens.timeline.ternary.Episode` says, measured by counting."""

    first: int
    last: int
    #: Moments of the longest part that is surely true.
    longest_true: int
    has_unknown: bool


def stretches(values: Values) -> list[Stretch]:
    """Return the maximal stretches in which the condition is never false."""
    found = []
    for first, last in _parts(values, lambda value: value != FALSE):
        part = values[first : last + 1]
        true = [stop - start + 1 for start, stop in _parts(part, lambda value: value == TRUE)]
        found.append(Stretch(first=first, last=last, longest_true=max(true, default=0), has_unknown=UNKNOWN in part))
    return found


def _parts(values: Values, wanted: Callable[[int], bool]) -> Iterator[tuple[int, int]]:
    start = None
    for time, value in enumerate([*values, None]):
        inside = value is not None and wanted(value)
        if inside and start is None:
            start = time
        if not inside and start is not None:
            yield start, time - 1
            start = None


def truth_values(timeline: Timeline, holds: Callable[[int], bool]) -> Values:
    """Return a condition on the state code of a role at every ns of the capture."""
    seen = [int(time) for time in timeline.seen_ns]
    since = [int(time) for time in timeline.changed_after_ns]
    state = [int(code) for code in timeline.state]
    why = [UnknownReason(int(code)) for code in timeline.why]

    def code(index: int) -> int:
        return UNKNOWN if state[index] == UNKNOWN_STATE else int(holds(state[index]))

    found = []
    for time in range(seen[0], timeline.end_ns + 1):
        index = max(i for i, at in enumerate(seen) if at <= time)
        value = code(index)
        is_last = index + 1 == len(seen)
        if value != UNKNOWN and is_last and timeline.last_frame_ns is not None and time > timeline.last_frame_ns:
            value = IN_TRANSITION
        if value != UNKNOWN and not is_last and time > since[index + 1]:
            match why[index + 1]:
                case UnknownReason.UNMAPPED:
                    value = UNKNOWN
                case UnknownReason.TIMED_OUT | UnknownReason.DISCONTINUITY:
                    value = IN_TRANSITION
                case _ if code(index + 1) != value:
                    value = IN_TRANSITION
                case _:
                    pass
        found.append(value)
    return found


# --- a timeline from frames, by the rules of the plan -------------------------------------------------------


class Seen(NamedTuple):
    """A frame of a message as far as one signal goes."""

    time: int
    #: Whether the frame carried the signal, and what the expectations call its value (None: they do not name it).
    carries: bool
    state: int | None


class Entry(NamedTuple):
    """One entry of a timeline."""

    seen: int
    since: int
    state: int
    why: UnknownReason


def timeline_entries(
    frames: list[Seen],
    *,
    timeout: int | None,
    lag: int | None,
    discontinuities: list[int],
    first: int,
    end: int,
) -> list[Entry]:
    """Return the entries of a timeline, found by asking at every ns what is known then.

    No two frames have one time, and no clock discontinuity the time of a frame.
    """
    found: list[Entry] = []
    for time in range(first, end + 1):
        state, why = _known_at(time, frames, timeout, discontinuities, end)
        if not found or (found[-1].state, found[-1].why) != (state, why):
            since = _since(time, why, frames, timeout, lag, discontinuities, first, end)
            found.append(Entry(time, min(since, time - 1), state, why))
    return found


def _silences(frames: list[Seen], timeout: int | None, end: int) -> list[tuple[int, int]]:
    """Return last frame before and first time after each silence."""
    if timeout is None or not frames:
        return []
    times = [frame.time for frame in frames]
    return [(a, b) for a, b in pairwise([*times, end]) if b - a > timeout]


def _known_at(
    time: int, frames: list[Seen], timeout: int | None, discontinuities: list[int], end: int
) -> tuple[int, UnknownReason]:
    carried = [frame for frame in frames if frame.carries and frame.time <= time]
    last = carried[-1].time if carried else -(10**9)
    breaks = [
        (discontinuity, UnknownReason.DISCONTINUITY)
        for discontinuity in discontinuities
        if last < discontinuity <= time
    ]
    for begin, _ in _silences(frames, timeout, end):
        if begin >= last and timeout is not None and begin + timeout <= time:
            breaks.append((begin + timeout, UnknownReason.TIMED_OUT))
            break  # while the signal has not come again, the first silence is the one that counts
    if breaks:
        # The latest is told; of a silence and a clock discontinuity at one time the clock discontinuity.
        return UNKNOWN_STATE, max(breaks, key=lambda it: (it[0], it[1] is UnknownReason.DISCONTINUITY))[1]
    if not carried:
        return UNKNOWN_STATE, UnknownReason.NO_FRAME_YET
    state = carried[-1].state
    return (UNKNOWN_STATE, UnknownReason.UNMAPPED) if state is None else (state, UnknownReason.KNOWN)


def _since(
    time: int,
    why: UnknownReason,
    frames: list[Seen],
    timeout: int | None,
    lag: int | None,
    discontinuities: list[int],
    first: int,
    end: int,
) -> int:
    never = first - 1
    carried = [frame.time for frame in frames if frame.carries]
    if why is UnknownReason.NO_FRAME_YET:
        return never
    if why is UnknownReason.TIMED_OUT:
        assert timeout is not None
        return max((at for at in carried if at <= time - timeout), default=never)
    before = max((at for at in carried if at < time), default=None)
    if why is UnknownReason.DISCONTINUITY or before is None:
        return never if before is None else before
    hole = any(before < discontinuity <= time for discontinuity in discontinuities) or any(
        before <= begin and stop <= time for begin, stop in _silences(frames, timeout, end)
    )
    return before if lag is None or hole else max(before, time - lag - 1)


def hidden_edges(values: list[int]) -> list[tuple[int, int, int]]:
    """Return, moment by moment, last moment of false, first of true behind it, and first unknown one between them."""
    found = []
    last_false = first_unknown = None
    for moment, value in enumerate(values):
        if value == FALSE:
            last_false, first_unknown = moment, None
        elif value == UNKNOWN:
            first_unknown = moment if first_unknown is None else first_unknown
        elif value == TRUE:
            if last_false is not None and first_unknown is not None:
                found.append((last_false, moment, first_unknown))
            last_false = first_unknown = None
    return found
