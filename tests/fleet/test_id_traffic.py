"""Identifiers and their cycle times are those of counting by hand, however frames are parted into runs."""

from __future__ import annotations

from collections import defaultdict
from itertools import pairwise
from statistics import median

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from support.stage import select
from support.traffic import Frame, columns

from buslens.capture.frames import Flag
from buslens.fleet import _id_traffic_kernel as k
from buslens.fleet.id_traffic import IdTrafficCounter
from buslens.fleet.model import TrafficRow

IDS = st.sampled_from([0, 1, 0x101, 0x7FF, 0x101 + 8192, 0x18FEF100, 0x1FFFFFFF])


@st.composite
def traffic(draw: st.DrawFn) -> list[Frame]:
    """Draw frames of few identifiers, in order of time, of all kinds, on two channels and in two segments."""
    count = draw(st.integers(1, 150))
    gaps = draw(st.lists(st.integers(0, 5), min_size=count, max_size=count))
    behind = draw(st.integers(0, count))
    flags = st.sampled_from([0, 0, 0, int(Flag.EXTENDED), int(Flag.REMOTE), int(Flag.ERROR), int(Flag.FD)])
    return [
        Frame(
            time=int(time),
            can_id=draw(IDS),
            channel=draw(st.integers(0, 1)),
            segment=int(index >= behind),
            flags=draw(flags),
        )
        for index, time in enumerate(np.cumsum(gaps))
    ]


def by_hand(frames: list[Frame]) -> list[TrafficRow]:
    """Return what the census should say, from lists."""
    of: dict[tuple[str, int, bool], list[Frame]] = defaultdict(list)
    for frame in frames:
        if not frame.flags & (Flag.REMOTE | Flag.ERROR):
            of[f"can{frame.channel}", frame.can_id, bool(frame.flags & Flag.EXTENDED)].append(frame)
    rows = []
    for (channel, can_id, is_extended), mine in sorted(of.items()):
        pairs = list(pairwise(mine))[: k.KEPT]
        gaps = [b.time - a.time for a, b in pairs if a.segment == b.segment and b.time > a.time]
        rows.append(TrafficRow(channel, can_id, is_extended, len(mine), int(median(gaps)) if gaps else None))
    return rows


def counted(frames: list[Frame], cuts: list[int], *, is_plain: bool = False) -> list[TrafficRow]:
    census = IdTrafficCounter(is_plain=is_plain)
    whole = columns(frames)
    for rows in np.split(np.arange(len(frames)), sorted(cut % len(frames) for cut in cuts)):
        for segment in (0, 1):
            mine = [row for row in rows if frames[row].segment == segment]
            if mine:
                census.add(select(whole, np.array(mine), segment))
    return list(census.rows())


class TestCount:
    @given(traffic(), st.lists(st.integers(0, 200), max_size=4))
    def test_by_hand(self, frames: list[Frame], cuts: list[int]) -> None:
        assert counted(frames, cuts) == counted(frames, cuts, is_plain=True) == by_hand(frames)

    @pytest.mark.parametrize("is_plain", [False, True])
    def test_more_identifiers_than_any_vehicle_has(self, is_plain: bool) -> None:
        """Those beyond the table are left out; those in it are still counted."""
        ids = [number for number in range(k.MOST + 50) for _ in range(2)]
        frames = [Frame(time=index, can_id=can_id) for index, can_id in enumerate(ids)]
        rows = counted(frames, [], is_plain=is_plain)
        assert [row.can_id for row in rows] == list(range(k.MOST))
        assert {(row.frames, row.cycle_ns) for row in rows} == {(2, 1)}

    def test_cycle_of_many_frames_is_that_of_the_first(self) -> None:
        steps = [10] * k.KEPT + [70] * 500
        frames = [Frame(time=int(time)) for time in np.cumsum([0, *steps])]
        (row,) = counted(frames, [])
        assert (row.frames, row.cycle_ns) == (len(steps) + 1, 10)
