from __future__ import annotations

from itertools import pairwise

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from buslens.rehearsal.bus import arbitrate, frame_ns, rank


def waiting_frames() -> st.SearchStrategy[list[tuple[int, int, int]]]:
    """Frames as (queued, lasts, rank), crowded enough that many wait; ranks are distinct, as identifiers are."""
    frame = st.tuples(st.integers(0, 60), st.integers(1, 9))
    return st.lists(frame, max_size=24).flatmap(
        lambda frames: st.permutations(range(len(frames))).map(
            lambda ranks: [(*timing, place) for timing, place in zip(frames, ranks, strict=True)]
        )
    )


def passed_by_the_book(frames: list[tuple[int, int, int]]) -> list[int]:
    """Return when each frame has passed, by living through it step by step."""
    left = set(range(len(frames)))
    passed = [0] * len(frames)
    now = 0
    while left:
        ready = [index for index in left if frames[index][0] <= now]
        if not ready:
            now += 1
            continue
        chosen = min(ready, key=lambda index: frames[index][2])
        now += frames[chosen][1]
        passed[chosen] = now
        left.remove(chosen)
    return passed


class TestArbitrate:
    """The lowest rank of those that wait goes next, and nothing interrupts a frame."""

    @given(waiting_frames())
    def test_is_as_by_the_book(self, frames: list[tuple[int, int, int]]) -> None:
        queued, lasts, ranks = (np.array([frame[part] for frame in frames], dtype=np.int64) for part in range(3))
        assert arbitrate(queued, lasts, ranks).tolist() == passed_by_the_book(frames)

    def test_a_frame_on_the_bus_is_not_interrupted(self) -> None:
        queued, lasts, ranks = np.array([0, 1, 2]), np.array([10, 10, 10]), np.array([9, 5, 1])
        assert arbitrate(queued, lasts, ranks).tolist() == [10, 30, 20]


class TestRank:
    """Identifiers contend bit by bit: lower wins, and a standard one over an extended one that begins alike."""

    def test_order(self) -> None:
        frames = [(0x0B6, False), (0x112, False), (0x112 << 18, True), ((0x112 << 18) + 5, True), (0x113, False)]
        can_id = np.array([frame[0] for frame in frames], dtype=np.uint32)
        ranks = rank(can_id, np.array([frame[1] for frame in frames])).tolist()
        assert all(earlier < later for earlier, later in pairwise(ranks))


class TestFrameLength:
    """Frames take at least as long as the standard's bits (Linux kernel, include/linux/can/length.h)."""

    def test_eight_bytes_at_500_kbit(self) -> None:
        lasts = frame_ns(np.array([8, 8], dtype=np.uint8), np.array([False, True]))
        # 222 and 262 us without stuff bits; each run of at least five bits can add one, so a quarter at most.
        assert 222_000 <= lasts[0] <= 222_000 * 1.25
        assert 262_000 <= lasts[1] <= 262_000 * 1.25
