"""How two clocks are brought together: by events that both recordings show, by what is stated, or by the time of day.

An event that one recording shows in ``(since, seen]`` and the other in ``(since', seen']`` allows every offset between
the clocks from ``since - seen'`` to ``seen - since'``. The offset is what all pairs of events allow that fit together.
Two clocks may also run at rates that differ by up to `DRIFT`. From three pairs on the rate is found, up to
`FOUND_DRIFT`.
"""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from buslens.units import format_at_most, format_duration

DRIFT: Final = 1e-4
"""Rates of two clocks of quartz differ by no more (common practice, no source)."""
FOUND_DRIFT: Final = 2e-3
"""Rates that three or more pairs of events can show."""
_PAIRS_FOR_DRIFT: Final = 3
_MOST_EVENTS: Final = 300
"""Events of each recording that are compared."""

Event = tuple[int, int]
"""It came about in ``(since, seen]``, ns."""
_Corner = tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Alignment:
    """What has to be added to the times of one recording to have those of another: a polygon of offset and rate."""

    #: Times between which the recording lies, ns; the rate counts from the first.
    first_ns: int
    last_ns: int
    #: Offset that all others count from, ns.
    base_ns: int
    #: Corners of the polygon: offset beyond `base_ns`, ns, and rate.
    corners: tuple[_Corner, ...]
    #: Pairs of events that it rests on; 0: it was stated, or the time of day.
    pairs: int = 0
    #: Sentences about what does not fit.
    odd: tuple[str, ...] = ()

    @property
    def rate(self) -> float:
        """The rate that is nearest to none: lengths of time within the recording stay as they are where they can."""
        rates = [rate for _, rate in self.corners]
        return min(max(0.0, min(rates)), max(rates))

    @property
    def _ends(self) -> tuple[float, float]:
        """Least and greatest offset beyond `base_ns` that are possible in the recording, its rate taken off."""
        span = float(self.last_ns - self.first_ns)
        all_of = [offset + (rate - self.rate) * at for offset, rate in self.corners for at in (0.0, span)]
        return min(all_of), max(all_of)

    def placed(self, time_ns: NDArray[np.int64]) -> NDArray[np.int64]:
        """Return times of the recording on the axis of the other one, by the middle of what is possible."""
        low, high = self._ends
        behind = np.rint(self.rate * (time_ns - self.first_ns)).astype(np.int64)
        found: NDArray[np.int64] = time_ns + (self.base_ns + round((low + high) / 2)) + behind
        return found

    @property
    def doubt_ns(self) -> int:
        """By how much such a time can be wrong, ns."""
        low, high = self._ends
        return int((high - low) / 2) + 1

    def text(self, origin_ns: int) -> str:
        """Return what was found, for a person, on an axis that begins at a time."""
        (begin_ns,) = (self.placed(np.array([self.first_ns], np.int64)) - origin_ns).tolist()
        begins = f"begins {format_duration(abs(begin_ns))} {'before' if begin_ns < 0 else 'after'} the first frame"
        by = f"by {self.pairs} shared event{'s' * (self.pairs > 1)}" if self.pairs else "as stated"
        drift = f", its clock drifts by {1e6 * self.rate:.0f} millionths" if self.rate else ""
        return f"{begins}, uncertain by {format_at_most(self.doubt_ns)} {by}{drift}"


def stated(offset_ns: int, doubt_ns: int, first_ns: int, last_ns: int) -> Alignment:
    """Return the alignment by an offset that somebody knows."""
    corners = tuple((float(side * doubt_ns), 0.0) for side in (-1, 1))
    return Alignment(first_ns=first_ns, last_ns=last_ns, base_ns=offset_ns, corners=corners)


def by_events(
    mine: Sequence[Sequence[Event]], theirs: Sequence[Sequence[Event]], apart_ns: int, first_ns: int, last_ns: int
) -> Alignment | str:
    """Return the alignment by shared events; why there is none, if they do not tell it.

    Parameters
    ----------
    mine, theirs : sequence of sequence of Event
        For each kind of shared event, its events in the recording whose axis counts, and in the other one.
    apart_ns : int
        So much can lie between the two for another reason, such as a filter of the unit, ns.
    first_ns, last_ns : int
        Times between which the other recording lies, ns.
    """
    pairs = [
        (one, other)
        for of_mine, of_theirs in zip(mine, theirs, strict=True)
        for one in of_mine[:_MOST_EVENTS]
        for other in of_theirs[:_MOST_EVENTS]
    ]
    if not pairs:
        return "they share no event"
    allowed = np.array([_allowed(one, other, apart_ns) for one, other in pairs], np.int64)
    slack_ns = int(DRIFT * (last_ns - first_ns))
    low, high, count, is_single = _deepest(pairs, allowed[:, 0] - slack_ns, allowed[:, 1] + slack_ns)
    # Those of which another partner would do only for a part of the offsets are no evidence against the rest.
    fits = np.flatnonzero((allowed[:, 0] - slack_ns <= low) & (allowed[:, 1] + slack_ns >= high))
    if not is_single or (count == 1 and len(pairs) > 1) or not len(fits):
        return (
            f"their shared events fit together in more than one way ({count} at a time): name one that comes once, or"
            " the offset, under [align]"
        )
    place = low + (high - low) // 2
    fits = fits[np.argsort([pairs[it][1][1] for it in fits.tolist()], kind="stable")]
    limits = [
        (float(pairs[it][1][1] - first_ns), float(allowed[it, 0] - place), float(allowed[it, 1] - place))
        for it in fits.tolist()
    ]
    corners, used = _polygon(limits, DRIFT, slack_ns)
    if len(used) < len(fits) and len(fits) >= _PAIRS_FOR_DRIFT:
        found = _polygon(limits, FOUND_DRIFT, slack_ns)
        corners, used = found if len(found[1]) > len(used) else (corners, used)
    matched = [pairs[fits[it]] for it in used]
    lonely = [
        it for of in mine for it in of if not any(it == pair[0] for pair in matched) and _is_inside(it, theirs, -place)
    ]
    lonely += [
        it for of in theirs for it in of if not any(it == pair[1] for pair in matched) and _is_inside(it, mine, place)
    ]
    odd = len(fits) - len(used)
    notes = [f"{odd} pair{'s' * (odd > 1)} of shared events do not fit the others"] if odd else []
    if lonely:
        notes.append(f"{len(lonely)} shared event{'s' * (len(lonely) > 1)} in one recording only")
    return Alignment(
        first_ns=first_ns, last_ns=last_ns, base_ns=place, corners=tuple(corners), pairs=len(used), odd=tuple(notes)
    )


def _polygon(
    limits: Sequence[tuple[float, float, float]], rate: float, slack_ns: int
) -> tuple[list[_Corner], list[int]]:
    """Return the offsets and rates that pairs allow, each by its time and its two limits, and the pairs that fit."""
    far_ns = max(max(abs(low), abs(high)) for _, low, high in limits) + slack_ns * FOUND_DRIFT / DRIFT + 1
    corners: list[_Corner] = [(-far_ns, -rate), (far_ns, -rate), (far_ns, rate), (-far_ns, rate)]
    used = []
    for index, (behind_ns, low, high) in enumerate(limits):
        clipped = _clipped(_clipped(corners, 1.0, behind_ns, low), -1.0, -behind_ns, -high)
        if clipped:
            corners = clipped
            used.append(index)
    return corners, used


def _allowed(one: Event, other: Event, apart_ns: int) -> tuple[int, int]:
    """Return the offsets that a pair of events allows, both included."""
    return one[0] + 1 - other[1] - apart_ns, one[1] - other[0] - 1 + apart_ns


def _deepest(
    pairs: Sequence[tuple[Event, Event]], low: NDArray[np.int64], high: NDArray[np.int64]
) -> tuple[int, int, int, bool]:
    """Return the offsets at which most events have a partner, how many, and whether there are no others as good."""
    # A begin comes before an end at the same offset, for both ends of an interval belong to it.
    ends = sorted([(int(it), 0, k) for k, it in enumerate(low)] + [(int(it) + 1, 1, k) for k, it in enumerate(high)])
    having: tuple[Counter[Event], Counter[Event]] = (Counter(), Counter())
    most, best = 0, list[tuple[int, int]]()
    for place, (at, is_end, k) in enumerate(ends):
        for partners, event in zip(having, pairs[k], strict=True):
            partners[event] += -1 if is_end else 1
            if not partners[event]:
                del partners[event]
        following = ends[place + 1][0] if place + 1 < len(ends) else at
        count = min(map(len, having))
        if following == at or count < max(most, 1):
            continue
        if count > most:
            most, best = count, []
        if best and best[-1][1] == at:
            best[-1] = best[-1][0], following
        else:
            best.append((at, following))
    return best[0][0], best[0][1] - 1, most, len(best) == 1


def _clipped(corners: Sequence[_Corner], x: float, y: float, least: float) -> list[_Corner]:
    """Return the part of a convex polygon in which ``x * offset + y * rate >= least`` (Sutherland and Hodgman 1974)."""
    found: list[_Corner] = []
    for before, corner in zip([corners[-1], *corners[:-1]], corners, strict=True) if corners else ():
        here, there = x * corner[0] + y * corner[1] - least, x * before[0] + y * before[1] - least
        if (here < 0) != (there < 0):
            part = there / (there - here)
            found.append((before[0] + part * (corner[0] - before[0]), before[1] + part * (corner[1] - before[1])))
        if here >= 0:
            found.append(corner)
    return found


def _is_inside(event: Event, others: Sequence[Sequence[Event]], offset_ns: int) -> bool:
    """Return whether an event of one recording lies among those of the other, and should have a partner there."""
    ends = [it for of in others for it in of]
    return bool(ends) and min(it[0] for it in ends) < event[1] + offset_ns < max(it[1] for it in ends)
