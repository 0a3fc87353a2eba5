"""Timelines and findings as columns of numbers, packed so that an hour of a car fits into a small file.

Times count whole microseconds from the capture's first frame. Columns hold differences where they grow, and number
the values that occur instead of repeating them; the bytes of one rank stand together, which deflate likes. The pack
is::

    4 bytes   length of the header, least byte first
    header    JSON in UTF-8: everything but the columns, and for each column its place, width and length
    columns   for each the lowest bytes of all its numbers, then the next, and so on
"""

import json
import zlib
from collections.abc import Mapping, Sequence
from types import MappingProxyType
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from buslens.checks.findings import Result
from buslens.expectations.model import Expectations
from buslens.report.finding_layout import FindingLayout
from buslens.report.formatting import clean, unknown_text
from buslens.report.lanes import Shape, high_state
from buslens.report.number_scale import limits_of, number_scale
from buslens.report.page.page_events import (
    discontinuity_entries,
    events,
    finding_entries,
    handshake_entries,
    microseconds,
)
from buslens.report.style import Tone
from buslens.report.view import View
from buslens.timeline.model import UNKNOWN_STATE, Timeline, UnknownReason
from buslens.units import NS_PER_US

UNKNOWN_FROM: Final = 0xFF00
"""State codes from here on mean unknown; the rest says why, as a place in the list of reasons."""
_MOST_REASONS: Final = 0x10000 - UNKNOWN_FROM
_MOST_UNNAMED: Final = 32
"""Values without a name of one lane that are told one by one."""

_MOST_U32: Final = 2**32 - 1


class _Pack:
    """Columns one behind the other, and where each of them is."""

    def __init__(self) -> None:
        self.parts: list[bytes] = []
        self.size = 0

    def add(self, numbers: NDArray[Any]) -> list[int]:
        """Append a column; return its place, the bytes of one number, and how many there are."""
        plain = np.ascontiguousarray(numbers, dtype=numbers.dtype.newbyteorder("<"))
        width = plain.dtype.itemsize
        planes = plain.view(np.uint8).reshape(-1, width).T.tobytes()
        place = [self.size, width, len(plain)]
        self.parts.append(planes)
        self.size += len(planes)
        return place


def pack(
    result: Result, placed: Sequence[FindingLayout], view: View, numbers: Mapping[int, int] = MappingProxyType({})
) -> bytes:
    """Return everything that the page draws and reads out, compressed.

    Parameters
    ----------
    view : View
        What is shown first, and the order of the lanes.
    numbers : mapping of int to int
        Number in the list of each finding that is not OK, by its id.
    """
    origin = result.origin_ns
    columns = _Pack()
    roles = [*view.roles, *view.left_out]
    whys = [unknown_text(why)[0] for why in sorted(UnknownReason, key=lambda it: it.value)]
    lanes = [_lane(columns, result.timelines[role], result.expectations, origin, whys) for role in roles]
    lane_of = {role: number for number, role in enumerate(roles)}
    last = max([origin, result.stats.last_ns or origin, *(t.end_ns for t in result.timelines.values())])
    header = {
        "clock": result.stats.clock.name.lower(),
        # As text: it is more than a number of the browser's can hold.
        "origin_ns": str(origin),
        "end": max(microseconds(last, origin), 1),
        "view": [microseconds(view.start_ns, origin), microseconds(view.end_ns, origin)],
        "why": whys,
        "unknown_from": UNKNOWN_FROM,
        "lanes": lanes,
        "findings": finding_entries(placed, lane_of, origin, numbers),
        "handshakes": handshake_entries(result, placed, origin),
        "events": events(result, lane_of, origin),
        "seams": discontinuity_entries(result, origin),
        # What paper is printed with, whatever the screen shows.
        "ink": {tone.name.lower(): tone.value for tone in Tone},
    }
    text = json.dumps(header, ensure_ascii=False, separators=(",", ":"), allow_nan=False).encode("utf-8")
    whole = b"".join([len(text).to_bytes(4, "little"), text, *columns.parts])
    return zlib.compress(whole, 9)


def _lane(
    columns: _Pack, timeline: Timeline, expectations: Expectations, origin: int, whys: list[str]
) -> dict[str, Any]:
    """Return the entry of a lane; reasons of not knowing that are its own are added to those of all."""
    of_states = Shape.LEVELS if len(timeline.states) == 2 else Shape.BOXES
    shape = Shape.NUMBER if timeline.is_number else of_states
    # Rounded as absolute times, so that differences do not add up their rounding.
    seen = (2 * (timeline.seen_ns - origin) + NS_PER_US) // (2 * NS_PER_US)
    doubt = -(-timeline.gap_ns.astype(np.int64) // NS_PER_US)
    known = timeline.state != UNKNOWN_STATE
    code = np.where(known, timeline.state, UNKNOWN_FROM + _reasons(timeline, whys))
    lane: dict[str, Any] = {
        "role": clean(timeline.role),
        "name": clean(expectations.shown_name(timeline.role)),
        "shape": shape.value,
        "states": [clean(state.replace("_", " ")) for state in timeline.states],
        "unit": clean(timeline.unit),
        "high": high_state(timeline.states) if shape is Shape.LEVELS else 1,
        "first": int(seen[0]) if len(seen) else 0,
        "end": microseconds(timeline.end_ns, origin),
        "clock": timeline.clock_ns / NS_PER_US,
        # Longer gaps than fit are told in full beside the column.
        "gaps": columns.add(np.minimum(np.diff(seen), _MOST_U32).astype(np.uint32)),
        "long_gaps": _long_gaps(seen),
        "doubts": columns.add(np.clip(doubt, 0, _MOST_U32).astype(np.uint32)),
        "codes": columns.add(code.astype(np.uint16)),
    }
    if shape is Shape.NUMBER:
        shown = timeline.value
        values = np.where(known & np.isfinite(shown), shown, 0.0)
        palette, picks = np.unique(values, return_inverse=True)
        few = len(palette) <= 2**16
        lane["palette"] = columns.add(palette.astype(np.float64) if few else values.astype(np.float64))
        lane["picks"] = columns.add(picks.reshape(-1).astype(np.uint16)) if few else None
        # A value that is no number cannot be drawn, and is told as one that is not named.
        odd = known & ~np.isfinite(shown)
        if odd.any():
            lane["codes"] = columns.add(
                np.where(odd, UNKNOWN_FROM + UnknownReason.UNMAPPED.value, code).astype(np.uint16)
            )
        limits = limits_of(timeline.role, expectations)
        drawn = shown[known & ~odd]
        lane["limits"] = limits
        lane["scale"] = number_scale((float(drawn.min()), float(drawn.max())), limits) if len(drawn) else None
    return lane


def _reasons(timeline: Timeline, whys: list[str]) -> NDArray[np.int64]:
    """Return for each entry the number of its reason in a list, to which values without a name are added."""
    reasons = timeline.why.astype(np.int64)
    if timeline.unnamed_at is None or len(timeline.unnamed) > _MOST_UNNAMED:
        return reasons
    words = [unknown_text(UnknownReason.UNMAPPED, value)[0] for value in timeline.unnamed]
    added = [text for text in dict.fromkeys(words) if text not in whys]
    if len(whys) + len(added) > _MOST_REASONS:
        return reasons
    whys += added
    number = np.array([whys.index(text) for text in words], np.int64)
    return np.where(timeline.unnamed_at >= 0, number[timeline.unnamed_at], reasons)


def _long_gaps(seen: NDArray[np.int64]) -> list[list[int]]:
    gaps = np.diff(seen)
    return [[int(index), int(gaps[index])] for index in np.flatnonzero(gaps > _MOST_U32)]
