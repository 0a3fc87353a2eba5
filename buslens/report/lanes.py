"""Timelines become lanes: what of each role is to be drawn between two moments, as records and without a library.

A capture of an hour has more changes than a picture has dots, so changes that would fall on one another are drawn
together, as one stretch that says how many they are. All work is done on columns; what comes out is bounded by the
width of the picture and not by the length of the capture.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from enum import Enum
from itertools import pairwise
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from buslens.timeline.model import UNKNOWN_STATE, Timeline, UnknownReason

_RESTING_WORDS: Final = (
    "off closed shut locked low no none false inactive idle absent dark out stopped still released disabled not_pressed"
    " unpressed up 0 zero open_circuit not_active sleep asleep"
)
RESTING: Final = frozenset(_RESTING_WORDS.split())
"""State names that are drawn low, whichever way round the expectations file lists them."""

CROWD: Final = 3
"""So many changes nearer to one another than the picture resolves are drawn together."""


class Shape(Enum):
    """How a lane is drawn."""

    #: Two states: a waveform between a high and a low rail.
    LEVELS = "levels"
    #: More states: boxes with the name inside.
    BOXES = "boxes"
    #: A number: steps over a scale.
    NUMBER = "number"


@dataclass(frozen=True, slots=True, kw_only=True)
class Segment:
    """Time in which a role does not change, as far as it lies in the picture."""

    start_ns: int
    end_ns: int
    #: Index into the states, or `UNKNOWN_STATE`.
    state: int
    why: UnknownReason
    #: What the frames carried that has no name.
    value: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Transition:
    """An edge between two stretches."""

    since_ns: int
    seen_ns: int
    before: int
    after: int


@dataclass(frozen=True, slots=True, kw_only=True)
class DenseChanges:
    """Changes too many and too near to one another to be drawn one by one."""

    start_ns: int
    end_ns: int
    count: int


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Lane:
    """One role between two moments."""

    role: str
    shape: Shape
    states: tuple[str, ...]
    unit: str
    stretches: tuple[Segment, ...] = ()
    changes: tuple[Transition, ...] = ()
    crowds: tuple[DenseChanges, ...] = ()
    #: For two states: index of the one drawn high.
    high: int = 1
    #: How far all of its changes may be off those of other lanes, ns.
    clock_ns: int = 0
    #: For a number: float64[k, 2], time in ns from `steps_from_ns`, and value; a row of NaN breaks the line.
    steps: NDArray[np.float64] | None = None
    #: Axis time that the steps count from.
    steps_from_ns: int = 0
    #: For a number: least and greatest value in the picture; None if it is never known there.
    scale: tuple[float, float] | None = None


def high_state(states: Sequence[str]) -> int:
    """Return which of two states is drawn high.

    The one that is not at rest (`RESTING`), if the names tell; else the second, as files mostly list off before on.

    >>> high_state(["open", "closed"]), high_state(["off", "on"]), high_state(["red", "green"])
    (0, 1, 1)
    """
    resting = [state.casefold() in RESTING for state in states[:2]]
    return 0 if resting == [False, True] else 1


def lay_lane(timeline: Timeline, start_ns: int, end_ns: int, resolution_ns: int) -> Lane:
    """Return what of a timeline is to be drawn.

    Parameters
    ----------
    start_ns, end_ns : int
        The window, on the capture's axis. Nothing is drawn where there is no log.
    resolution_ns : int
        Changes nearer to one another than this cannot be told apart in the picture.
    """
    of_states = Shape.LEVELS if len(timeline.states) == 2 else Shape.BOXES
    shape = Shape.NUMBER if timeline.is_number else of_states
    high = high_state(timeline.states) if shape is Shape.LEVELS else 1
    start_ns = max([start_ns, *timeline.seen_ns[:1].tolist()])
    end_ns = min(end_ns, timeline.end_ns)
    empty = Lane(
        role=timeline.role,
        shape=shape,
        states=timeline.states,
        unit=timeline.unit,
        high=high,
        clock_ns=timeline.clock_ns,
        steps_from_ns=start_ns,
    )
    if not len(timeline) or end_ns <= start_ns:
        return empty
    first = max(int(np.searchsorted(timeline.seen_ns, start_ns, side="right")) - 1, 0)
    last = int(np.searchsorted(timeline.seen_ns, end_ns, side="right"))
    seen = timeline.seen_ns[first:last]
    state = timeline.state[first:last]
    why = timeline.why[first:last]
    if shape is Shape.NUMBER:
        # Only the stretches of not knowing are drawn as stretches; a value is its own picture.
        joins = np.flatnonzero(np.diff((state == UNKNOWN_STATE).astype(np.int8)) != 0) + 1
        keep = np.concatenate([[0], joins])
        steps, scale = _steps(seen, timeline.values(slice(first, last)), start_ns, end_ns, resolution_ns)
        stretches, _, crowds = _split(
            seen[keep],
            seen[keep] - 1,
            state[keep],
            why[keep],
            (start_ns, end_ns, resolution_ns),
            lambda entry: timeline.unnamed_value(first + int(keep[entry])),
        )
        unknown = tuple(it for it in stretches if it.state == UNKNOWN_STATE)
        return replace(empty, stretches=unknown, crowds=crowds, steps=steps, scale=scale)
    stretches, changes, crowds = _split(
        seen,
        seen - timeline.gap_ns[first:last],
        state,
        why,
        (start_ns, end_ns, resolution_ns),
        lambda entry: timeline.unnamed_value(first + entry),
    )
    return replace(empty, stretches=stretches, changes=changes, crowds=crowds)


def _split(
    seen: NDArray[np.int64],
    since: NDArray[np.int64],
    state: NDArray[np.signedinteger[Any]],
    why: NDArray[np.int8],
    window: tuple[int, int, int],
    unnamed_value: Callable[[int], str],
) -> tuple[tuple[Segment, ...], tuple[Transition, ...], tuple[DenseChanges, ...]]:
    """Cut entries into stretches, the changes between them, and crowds of changes."""
    start_ns, end_ns, resolution_ns = window
    stretches: list[Segment] = []
    changes: list[Transition] = []
    crowds: list[DenseChanges] = []
    edges = seen[1:]
    # A group of edges: each is nearer to the one before than the picture resolves.
    begins: list[int] = []
    if len(edges):
        begins = np.flatnonzero(np.concatenate([[True], np.diff(edges) >= resolution_ns])).tolist()
    bounds = [*begins, len(edges)]
    at, entry = start_ns, 0

    def stretch(until: int) -> None:
        if until > at:
            reason, value = UnknownReason(int(why[entry])), unnamed_value(entry)
            stretches.append(Segment(start_ns=at, end_ns=until, state=int(state[entry]), why=reason, value=value))

    for low, high in pairwise(bounds):
        if high - low >= CROWD:
            stretch(int(edges[low]))
            crowds.append(DenseChanges(start_ns=int(edges[low]), end_ns=int(edges[high - 1]), count=high - low))
            at, entry = int(edges[high - 1]), high
            continue
        for index in range(low, high):
            stretch(int(edges[index]))
            changes.append(
                Transition(
                    since_ns=max(int(since[index + 1]), start_ns),
                    seen_ns=int(edges[index]),
                    before=int(state[index]),
                    after=int(state[index + 1]),
                )
            )
            at, entry = int(edges[index]), index + 1
    stretch(end_ns)
    return tuple(stretches), tuple(changes), tuple(crowds)


def _steps(
    seen: NDArray[np.int64], value: NDArray[np.float64], start_ns: int, end_ns: int, resolution_ns: int
) -> tuple[NDArray[np.float64] | None, tuple[float, float] | None]:
    """Return the staircase of a number, thinned to what the picture resolves, and its scale.

    Of all the values in one column of dots only the first, the least, the greatest and the last are kept: the drawn
    line is the same.
    """
    known = value[np.isfinite(value)]
    if not len(known):
        return None, None
    scale = (float(known.min()), float(known.max()))
    begin = np.maximum(seen, start_ns) - start_ns
    finish = np.append(begin[1:], end_ns - start_ns)
    # Corners: each value from its beginning to its end.
    time = np.column_stack([begin, finish]).reshape(-1).astype(np.float64)
    corner = np.where(np.isfinite(value), value, np.nan).repeat(2)
    columns = max(1, (end_ns - start_ns) // max(1, resolution_ns))
    if len(time) > 8 * columns:
        time, corner = _thin(time, corner, float(max(1, resolution_ns)))
    return np.column_stack([np.where(np.isnan(corner), np.nan, time), corner]), scale


def _thin(
    time: NDArray[np.float64], value: NDArray[np.float64], width: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    column = np.floor(time / width)
    begins = np.flatnonzero(np.concatenate([[True], np.diff(column) != 0]))
    ends = np.append(begins[1:], len(time)) - 1
    holes = np.isnan(value)
    least = np.minimum.reduceat(np.where(holes, np.inf, value), begins)
    greatest = np.maximum.reduceat(np.where(holes, -np.inf, value), begins)
    empty = ~np.isfinite(least)
    least[empty] = greatest[empty] = np.nan
    thinned = np.column_stack([value[begins], least, greatest, value[ends]]).reshape(-1)
    stamps = np.column_stack([time[begins], time[begins], time[begins], time[ends]]).reshape(-1)
    return stamps, thinned
