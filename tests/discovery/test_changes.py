from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st
from support.sent import Sent, frames_of

from buslens.capture.frames import Flag
from buslens.capture.open import open_capture
from buslens.capture.reduce import reduce_frames
from buslens.discovery.changes import BITS, ChangeLog, FrameKey
from buslens.rehearsal.rehearse import rehearse, rendered

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from buslens.capture.frames import Frames
    from buslens.discovery.changes import BitToggles

PAYLOADS = st.one_of(
    st.binary(max_size=3), st.sampled_from([b"\0" * 8, b"\x01" + b"\0" * 7, b"\0" * 9 + b"\x80" * 3, b"\xff" * 64])
)
FLAGS = st.sampled_from([0, 0, 0, int(Flag.EXTENDED), int(Flag.REMOTE), int(Flag.ERROR), int(Flag.FD)])
SENT = st.tuples(st.integers(0, 3), st.integers(0, 1), st.sampled_from([1, 2, 0x7FF]), FLAGS, PAYLOADS)


def part(frames: Frames, start: int, stop: int, segment: int) -> Frames:
    names = ("time_ns", "channel", "can_id", "flags", "dlc", "length", "word")
    return replace(frames, segment=segment, **{name: getattr(frames, name)[start:stop] for name in names})


def slowly(sent: Sequence[Sent], discontinuities: set[int], cap: int) -> set[tuple[FrameKey, int, int, int, bool]]:
    """Return the changes of bits that change at most so often: the same in plain words."""
    last: dict[FrameKey, tuple[int, bytes]] = {}
    rows: list[tuple[FrameKey, int, int, int, bool]] = []
    time = 0
    for index, (step, channel, can_id, flags, payload) in enumerate(sent):
        time += step
        if index in discontinuities:
            last.clear()
        if flags & (Flag.REMOTE | Flag.ERROR):
            continue
        origin = FrameKey(f"can{channel}", can_id, bool(flags & Flag.EXTENDED))
        if origin in last:
            since, before = last[origin]
            for bit in range(8 * min(len(before), len(payload))):
                was, now = before[bit // 8] >> bit % 8 & 1, payload[bit // 8] >> bit % 8 & 1
                if was != now:
                    rows.append((origin, bit, time, since, bool(now)))
        last[origin] = time, payload
    counts: dict[tuple[FrameKey, int], int] = {}
    for row in rows:
        counts[row[:2]] = counts.get(row[:2], 0) + 1
    return {row for row in rows if counts[row[:2]] <= cap}


def rows_of(changes: BitToggles) -> list[tuple[FrameKey, int, int, int, bool]]:
    names = [changes.origins[index] for index in (changes.code // BITS).tolist()]
    return list(
        zip(
            names,
            (changes.code % BITS).tolist(),
            changes.seen_ns.tolist(),
            changes.since_ns.tolist(),
            changes.rising.tolist(),
            strict=True,
        )
    )


class TestChanges:
    """Every change of every quiet bit is kept, with the frame before; however the frames come, the result is one."""

    @given(st.lists(SENT, min_size=1, max_size=40), st.sets(st.integers(0, 40)), st.sets(st.integers(0, 40)), st.data())
    def test_against_plain_words(
        self, sent: list[Sent], cuts: set[int], discontinuities: set[int], data: st.DataObject
    ) -> None:
        cap = data.draw(st.integers(1, 5))
        frames = frames_of(sent)
        log = ChangeLog(cap)
        bounds = sorted({0, len(sent)} | {cut for cut in cuts | discontinuities if cut < len(sent)})
        for start, stop in pairwise(bounds):
            log.take(part(frames, start, stop, sum(discontinuity <= start for discontinuity in discontinuities)))
        found = rows_of(log.finish())
        assert len(found) == len(set(found))
        assert set(found) == slowly(
            sent, {discontinuity for discontinuity in discontinuities if discontinuity > 0}, cap
        )

    @given(st.lists(SENT, min_size=1, max_size=40), st.sets(st.integers(1, 39), max_size=3), st.integers(1, 5))
    def test_pieces_read_side_by_side(self, sent: list[Sent], cuts: set[int], cap: int) -> None:
        frames = frames_of(sent)
        bounds = sorted({0, len(sent)} | {cut for cut in cuts if cut < len(sent)})
        logs = []
        for start, stop in pairwise(bounds):
            log = ChangeLog(cap)
            log.take(part(frames, start, stop, 0))
            logs.append(log)
        for log in logs[1:]:
            logs[0].join(log)
        whole = ChangeLog(cap)
        whole.take(frames)
        joined, straight = logs[0].finish(), whole.finish()
        assert set(rows_of(joined)) == set(rows_of(straight))
        assert joined.n_busy == straight.n_busy
        for name in ("frames", "period_ns", "length"):
            mine = dict(zip(joined.origins, getattr(joined, name).tolist(), strict=True))
            assert mine == dict(zip(straight.origins, getattr(straight, name).tolist(), strict=True))

    @pytest.mark.parametrize(("fault", "form"), [("healthy", "candump"), ("clock-jump", "candump"), ("healthy", "asc")])
    def test_of_a_file_in_pieces(self, fault: str, form: str, tmp_path: Path) -> None:
        """Read in many pieces at a time, or as one, clock discontinuities and all."""
        file = tmp_path / "car.log"
        file.write_bytes(rendered(rehearse(fault, duration=12.0, background_ids=8), form))

        def read(workers: int) -> BitToggles:
            log, _ = reduce_frames(
                open_capture(file),
                wanted=None,
                make=lambda: ChangeLog(50),
                update=ChangeLog.take,
                merge=ChangeLog.join,
                workers=workers,
                piece_bytes=20_000,
                window_bytes=4_096,
            )
            return log.finish()

        whole, pieces = read(1), read(7)
        assert len(whole.code) > 100
        assert set(rows_of(pieces)) == set(rows_of(whole))
        assert pieces.n_busy == whole.n_busy

    def test_goes_on_after_a_join(self) -> None:
        sent: list[Sent] = [(1, 0, 1, 0, bytes([n % 2])) for n in range(6)]
        frames = frames_of(sent)
        first, second = ChangeLog(9), ChangeLog(9)
        first.take(part(frames, 0, 2, 0))
        second.take(part(frames, 2, 4, 0))
        first.join(second)
        first.take(part(frames, 4, 6, 0))
        assert set(rows_of(first.finish())) == slowly(sent, set(), 9)

    def test_memory_is_bounded_by_the_cap(self) -> None:
        log = ChangeLog(100)
        busy = frames_of([(1, 0, 1, 0, n.to_bytes(8, "little")) for n in range(20_000)])
        for start in range(0, 20_000, 1000):
            log.take(part(busy, start, start + 1000, 0))
        changes = log.finish()
        # Bit k of a counter changes every 2**k counts.
        assert changes.n_busy == sum(20_000 // 2**k - (20_000 % 2**k == 0) > 100 for k in range(15))
        assert len(changes.code) <= 15 * 100
        assert log._n_rows < 15 * 1100
