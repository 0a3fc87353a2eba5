from __future__ import annotations

from dataclasses import replace
from itertools import groupby, pairwise
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from support.examples import examples
from support.traffic import ANYWHERE, LAST, ON_CAN1, PLAIN, WHEN_1, WHEN_2, Frame, columns, discontinuities_of, traffic

from buslens.capture.frames import ClockDiscontinuity, Flag
from buslens.definitions.model import ByteOrder, Message, MuxCondition, Signal, ValueType
from buslens.timeline import growing, history
from buslens.timeline.build import build_timeline
from buslens.timeline.growing import GrowingColumn, inserted, short_times
from buslens.timeline.history import (
    CYCLES_PER_TIMEOUT,
    MEASURED_INTERVALS,
    NO_TIMEOUT,
    CaptureHistory,
    CycleEstimator,
    MessageHistory,
    Track,
    TrackHistory,
)

if TYPE_CHECKING:
    from buslens.capture.frames import Frames
    from buslens.timeline.model import Timeline

FIELDS = ("seen_ns", "changed_after_ns", "state", "value", "why", "last_frame_ns", "period_ns", "timeout_ns", "end_ns")
STATES = {"low": frozenset({0}), "high": frozenset({1})}


def tracks(timeout: int | None) -> list[Track]:
    return [
        Track(name="plain", message=ANYWHERE, signal=PLAIN, timeout_ns=timeout),
        Track(name="when 1", message=ANYWHERE, signal=WHEN_1, timeout_ns=7),
        Track(name="when 2", message=ANYWHERE, signal=WHEN_2, timeout_ns=timeout),
        Track(name="presence", message=ANYWHERE, signal=None, timeout_ns=timeout),
        Track(name="last", message=ON_CAN1, signal=LAST, timeout_ns=timeout),
    ]


def timelines(recorder: CaptureHistory, frames: list[Frame], *, lag: int | None = None) -> dict[str, Timeline]:
    return {
        track.name: build_timeline(
            log,
            index,
            states={"present": frozenset({0})} if track.signal is None else STATES,
            unit="",
            lag_ns=lag,
            discontinuities=[
                ClockDiscontinuity(time_ns=time, line=1, back_ns=1) for time in discontinuities_of(frames)
            ],
            first_ns=frames[0].time,
            end_ns=frames[-1].time,
        )
        for log in recorder.messages
        for index, track in enumerate(log.tracks)
    }


def assert_same(one: dict[str, Timeline], other: dict[str, Timeline], *, but: tuple[str, ...] = ()) -> None:
    assert one.keys() == other.keys()
    for name, timeline in one.items():
        for field in FIELDS:
            if field not in but:
                np.testing.assert_array_equal(
                    getattr(timeline, field), getattr(other[name], field), err_msg=f"{name}: {field}"
                )


def take(recorder: CaptureHistory, frames: list[Frame]) -> None:
    """Let a recorder take frames as runs that reach across no clock discontinuity."""
    for _, run in groupby(frames, key=lambda frame: frame.segment):
        recorder.add(columns(list(run)))


def at_once(frames: list[Frame], timeout: int | None) -> CaptureHistory:
    recorder = CaptureHistory(tracks(timeout))
    take(recorder, frames)
    recorder.finish()
    return recorder


def recorded(frames: list[Frame], timeout: int) -> CaptureHistory:
    recorder = CaptureHistory(tracks(timeout))
    if frames:
        take(recorder, frames)
    return recorder


def pieces(frames: list[Frame], cuts: list[int]) -> list[list[Frame]]:
    bounds = sorted({0, len(frames), *(cut % (len(frames) + 1) for cut in cuts)})
    return [frames[start:stop] for start, stop in pairwise(bounds)]


FRONT_EMPTY_BACK = [(0, ANYWHERE.can_id), (5, 0x303), (10, ANYWHERE.can_id)]
CUTS = st.lists(st.integers(0, 100), max_size=6)
TIMEOUTS = st.sampled_from([3, 6, 20, NO_TIMEOUT])


class TestRuns:
    """What is recorded does not depend on how a capture is divided into runs."""

    @given(traffic(ties=True), CUTS, st.one_of(TIMEOUTS, st.none()))
    @settings(max_examples=examples(25), deadline=None)
    def test_any_runs(self, frames: list[Frame], cuts: list[int], timeout: int | None) -> None:
        recorder = CaptureHistory(tracks(timeout))
        for piece in pieces(frames, cuts):
            take(recorder, piece)
        recorder.finish()
        assert_same(timelines(recorder, frames), timelines(at_once(frames, timeout), frames))
        for log in recorder.messages:
            mine = (0x101, None) if log.message is ANYWHERE else (0x202, 1)
            assert log.frames == sum(
                frame.can_id == mine[0] and not frame.flags and mine[1] in {None, frame.channel} for frame in frames
            )

    @pytest.mark.parametrize("between", [Frame(3, 0x303, segment=1), Frame(3, data=(0, 2, 0, 0), segment=1)])
    def test_discontinuity_that_is_long_past(self, between: Frame) -> None:
        """Behind a discontinuity a role is known again by its own next frame only, however many others come first."""
        frames = [Frame(0), between, between._replace(time=5), Frame(6, segment=1)]
        recorder = CaptureHistory(tracks(NO_TIMEOUT))
        for frame in frames:
            take(recorder, [frame])
        found = timelines(recorder, frames)["when 1"]
        assert (found.seen_ns.tolist(), found.state.tolist()) == ([0, 1, 6], [0, -1, 0])


def joined(frames: list[Frame], cuts: list[int], timeout: int | None) -> CaptureHistory:
    """Record piece by piece; a piece with a discontinuity in or before it continues, as when reading."""
    whole = CaptureHistory(tracks(timeout))
    segment = 0
    for piece in pieces(frames, cuts):
        if {frame.segment for frame in piece} == {segment}:
            blank = CaptureHistory(tracks(timeout))
            take(blank, [frame._replace(segment=0) for frame in piece])
            blank.finish()
            whole.merge(blank)
        else:
            take(whole, piece)
        segment = piece[-1].segment
    whole.finish()
    return whole


class TestJoin:
    """Pieces that were recorded apart and joined in order are one recording of all."""

    @given(traffic(ties=True), CUTS, TIMEOUTS, st.sampled_from([None, 1, 3]))
    @settings(max_examples=examples(50), deadline=None)
    def test_any_cut(self, frames: list[Frame], cuts: list[int], timeout: int, lag: int | None) -> None:
        recorder = joined(frames, cuts, timeout)
        assert_same(timelines(recorder, frames, lag=lag), timelines(at_once(frames, timeout), frames, lag=lag))
        assert [log.frames for log in recorder.messages] == [log.frames for log in at_once(frames, timeout).messages]

    @given(traffic(), CUTS, TIMEOUTS)
    @settings(max_examples=examples(25), deadline=None)
    def test_wanted_frames_only(self, frames: list[Frame], cuts: list[int], timeout: int) -> None:
        """A history without a frame after a discontinuity, before the next piece is merged, still knows of it.

        Only the usual time between frames may then count the one interval across the discontinuity.
        """
        wanted = [frame for frame in frames if frame.can_id != 0x303]
        whole = CaptureHistory(tracks(timeout))
        segment = 0
        for piece in pieces(frames, cuts):
            mine = [frame for frame in piece if frame in wanted]
            if {frame.segment for frame in piece} == {segment}:
                blank = CaptureHistory(tracks(timeout))
                take(blank, [frame._replace(segment=0) for frame in mine])
                whole.merge(blank)
            else:
                take(whole, mine)
            segment = piece[-1].segment
        whole.finish()
        found, expected = timelines(whole, frames), timelines(at_once(frames, timeout), frames)
        assert_same(found, expected, but=("period_ns",))

    def test_discontinuity_at_a_joint_before_the_same_value(self) -> None:
        """The first frame behind a clock discontinuity makes a role known again, even if its value is the old one."""
        frames = [Frame(0), Frame(10), Frame(20, 0x303, segment=1), Frame(30, segment=1), Frame(40, segment=1)]
        plain = timelines(joined(frames, [3], NO_TIMEOUT), frames)["plain"]
        assert plain.seen_ns.tolist() == [0, 11, 30]
        assert plain.state.tolist() == [0, -1, 0]

    def test_channels_are_united(self) -> None:
        recorder = joined([Frame(0, channel=0), Frame(5, channel=1)], [1], NO_TIMEOUT)
        assert recorder.messages[0].channels == {"can0", "can1"}

    def test_identifiers_are_united(self) -> None:
        """Of a message that several senders may send, each sender counts, in whichever piece it came."""
        group = replace(ANYWHERE, can_id=0xFEF100, is_extended=True, id_mask=0x3FFFF00)
        track = Track(name="plain", message=group, signal=PLAIN, timeout_ns=NO_TIMEOUT)
        one, other = CaptureHistory([track]), CaptureHistory([track])
        take(one, [Frame(0, 0x18FEF101, flags=int(Flag.EXTENDED)), Frame(5, 0x18FEF102, flags=int(Flag.EXTENDED))])
        take(other, [Frame(9, 0x18FEF103, flags=int(Flag.EXTENDED)), Frame(12, 0x18EEF103, flags=int(Flag.EXTENDED))])
        one.merge(other)
        assert one.messages[0].ids == {0x18FEF101, 0x18FEF102, 0x18FEF103}
        assert one.messages[0].frames == 3

    @given(traffic(discontinuities=False), st.integers(0, 40), st.integers(0, 40), TIMEOUTS)
    @settings(max_examples=examples(15), deadline=None)
    def test_order_of_joining_does_not_matter(self, frames: list[Frame], one: int, other: int, timeout: int) -> None:
        """Two pieces may be joined before the one in front of them is."""
        parts = pieces(frames, [one, other])
        left, right = ([recorded(part, timeout) for part in parts] for _ in range(2))
        for recorder in left[1:]:
            left[0].merge(recorder)
        for before, behind in reversed(list(pairwise(right))):
            before.merge(behind)
        assert_same(timelines(left[0], frames), timelines(right[0], frames))
        for log, same in zip(left[0].messages, right[0].messages, strict=True):
            assert (log.first_ns, log.last_ns, log.frames) == (same.first_ns, same.last_ns, same.frames)
            assert log.period_ns == same.period_ns

    def test_no_interval_across_a_discontinuity_at_a_joint(self) -> None:
        """A recorder that saw a clock discontinuity after its last frame counts no interval from there on."""
        whole, later = CaptureHistory(tracks(NO_TIMEOUT)), CaptureHistory(tracks(NO_TIMEOUT))
        take(whole, [Frame(0), Frame(10), Frame(20, 0x303, segment=1)])
        take(later, [Frame(500), Frame(530)])
        whole.merge(later)
        assert whole.messages[0].period_ns == (10 + 30) // 2

    def test_no_interval_of_a_signal_across_a_discontinuity(self) -> None:
        """The same for a signal that has not come again since, though its message has."""
        whole, later = CaptureHistory(tracks(NO_TIMEOUT)), CaptureHistory(tracks(NO_TIMEOUT))
        take(whole, [Frame(0), Frame(10), Frame(20, data=(0, 2, 0, 0), segment=1)])
        take(later, [Frame(500), Frame(530)])
        whole.merge(later)
        names = [track.name for track in whole.messages[0].tracks]
        assert whole.messages[0].rows[names.index("when 1")].cadence.period_ns == (10 + 30) // 2

    def test_a_piece_without_a_frame_in_between(self) -> None:
        """The interval across it counts, whichever two are joined first."""
        front, empty, back = (recorded([Frame(time, can_id)], NO_TIMEOUT) for time, can_id in FRONT_EMPTY_BACK)
        empty.merge(back)
        front.merge(empty)
        assert front.messages[0].period_ns == 10
        assert front.messages[0].rows[0].cadence.period_ns == 10
        assert (front.messages[0].rows[0].first_ns, front.messages[0].rows[0].last_ns) == (0, 10)

    def test_other_tracks_are_refused(self) -> None:
        """Recorders of different things have nothing to join: of fewer messages, or of fewer signals of a message."""
        plain, *_, last = tracks(NO_TIMEOUT)
        for mine, theirs in (([plain, last], [plain]), (tracks(NO_TIMEOUT)[:4], [plain])):
            other = CaptureHistory(theirs)
            take(other, [Frame(0)])
            with pytest.raises(ValueError, match="shorter"):
                CaptureHistory(mine).merge(other)


class TestMeasuredCycle:
    """Where nobody gives a timeout it is three times the median of the first intervals."""

    def test_three_cycles(self) -> None:
        frames = [Frame(10 * index) for index in range(20)]
        timeline = timelines(at_once(frames, None), frames)["plain"]
        assert (timeline.period_ns, timeline.timeout_ns) == (10, CYCLES_PER_TIMEOUT * 10)

    def test_timeout_that_is_given_counts(self) -> None:
        """Even where that of another signal of the message has to be measured."""
        frames = [Frame(10 * index) for index in range(20)]
        assert timelines(at_once(frames, None), frames)["when 1"].timeout_ns == 7

    @pytest.mark.parametrize(("more", "period"), [(0, 10), (MEASURED_INTERVALS * 3, 10)])
    def test_only_the_first_intervals_count(self, more: int, period: int) -> None:
        """A unit that sends ever faster later on has the cycle that it began with."""
        start = [Frame(10 * index) for index in range(MEASURED_INTERVALS + 1)]
        later = [Frame(start[-1].time + 1 + index) for index in range(more)]
        assert timelines(at_once(start + later, None), start + later)["plain"].period_ns == period

    def test_silence_before_the_cycle_was_known(self) -> None:
        """What came before the cycle could be measured is judged by it all the same."""
        times = [0, 10, 20, 80, *range(90, 90 + 10 * MEASURED_INTERVALS, 10)]
        frames = [Frame(time) for time in times]
        timeline = timelines(at_once(frames, None), frames)["plain"]
        assert timeline.seen_ns.tolist() == [0, 50, 80]

    def test_one_frame_measures_nothing(self) -> None:
        frames = [Frame(0), Frame(500, 0x303)]
        timeline = timelines(at_once(frames, None), frames)["plain"]
        assert (timeline.timeout_ns, timeline.period_ns) == (None, None)
        assert timeline.state.tolist() == [0]

    def test_discontinuity_is_no_interval(self) -> None:
        frames = [Frame(0), Frame(10), Frame(500, segment=1), Frame(530, segment=1)]
        timeline = timelines(at_once(frames, None), frames)["plain"]
        assert (timeline.period_ns, timeline.timeout_ns) == ((10 + 30) // 2, CYCLES_PER_TIMEOUT * 20)

    @pytest.mark.parametrize("run", [1, 7, 70, 150, 1000])
    def test_exactly_so_many_intervals(self, run: int) -> None:
        """Half of them of 10 ns, half of 20, and none of the longer ones behind, in runs of any length."""
        half = MEASURED_INTERVALS // 2
        times = np.cumsum([0, *[10] * half, *[20] * half, *[30] * 100])
        cadence = CycleEstimator()
        for start in range(0, len(times), run):
            cadence.add(times[start : start + run], starts_segment=False)
            cadence.add(times[:0], starts_segment=False)
        assert (cadence.count, cadence.period_ns) == (MEASURED_INTERVALS, 15)

    def test_of_nothing(self) -> None:
        assert CycleEstimator().period_ns is None
        assert len(TrackHistory()) == len(TrackHistory().since_ns()) == 0

    def test_multiplexed_signal_has_its_own_period(self) -> None:
        """A signal that every fifth frame carries is seen at a fifth of the message's rate."""
        frames = [Frame(10 * index, data=(0, 1 if index % 5 == 0 else 2, 0, 0)) for index in range(50)]
        found = timelines(at_once(frames, NO_TIMEOUT), frames)
        assert (found["plain"].period_ns, found["when 1"].period_ns, found["when 2"].period_ns) == (10, 50, 10)


class TestPlainFrames:
    """What compiled code keeps of plain frames is what is kept of any, whatever comes among them."""

    BITS = Signal(name="BITS", start=3, length=5)
    TURNED = Signal(name="TURNED", start=3, length=12, order=ByteOrder.MOTOROLA)
    SIGNED = Signal(name="SIGNED", start=16, length=8, kind=ValueType.SIGNED)
    MESSAGE = Message(name="M", can_id=0x101, length=3, signals=(BITS, TURNED, SIGNED))
    PAGE = Signal(name="PAGE", start=0, length=2)
    PICKED = Signal(name="PICKED", start=8, length=8, selection=MuxCondition(selector="PAGE", ranges=((1, 1),)))
    PAGED = Message(name="N", can_id=0x202, length=3, signals=(PAGE, PICKED))
    TIED = Message(name="T", can_id=0x303, length=3, signals=(SIGNED,), channel="can1")

    def history(self, runs: list[list[Frame]], *, plain_from: int, held: int = 0) -> tuple[CaptureHistory, int]:
        """Return what is kept, and of how many runs by the kernel."""
        followed = [
            (self.MESSAGE, self.BITS, 45),
            (self.MESSAGE, self.TURNED, None),
            (self.MESSAGE, self.SIGNED, NO_TIMEOUT),
            (self.MESSAGE, None, 60),
            (self.PAGED, self.PICKED, 500),
            (self.TIED, self.SIGNED, 500),
        ]
        recorder = CaptureHistory(
            Track(name=str(signal), message=message, signal=signal, timeout_ns=timeout, shortest_ns=16)
            for message, signal, timeout in followed
        )
        quick = 0
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(history, "PLAIN_FROM", plain_from)
            patch.setattr(history, "_HELD_ROWS", held)

            def counted(recorder: CaptureHistory, frames: Frames) -> dict[MessageHistory, int]:
                nonlocal quick
                refused = add_plain(recorder, frames)
                quick += 3 - len(refused)
                return refused

            add_plain = CaptureHistory._add_plain
            patch.setattr(CaptureHistory, "_add_plain", counted)
            for run in runs:
                take(recorder, run)
        recorder.finish()
        return recorder, quick

    @given(
        st.lists(
            st.tuples(
                st.sampled_from([10] * 6 + [15, 16, 30, 31, 46, 70]),
                st.tuples(*[st.sampled_from([0, 1, 0x7F, 0xFF])] * 3),
                st.sampled_from([3] * 9 + [2]),
                st.sampled_from([0] * 9 + [1]),
                st.sampled_from([0x101, 0x303, 0x202] * 3 + [0x77]),
                st.sampled_from([0] * 19 + [int(Flag.REMOTE), int(Flag.EXTENDED)]),
                st.sampled_from([0] * 29 + [1]),
            ),
            min_size=1,
            max_size=60,
        ),
        st.integers(1, 30),
        st.sampled_from([0, 60, 900]),
    )
    @example([(10, (0, 0, 0), 3, 0, 0x101, 0, 1)] * 2, 1, 0)  # the first frames of a segment, like those before it
    @settings(max_examples=examples(15), deadline=None)
    def test_same_rows(
        self, drawn: list[tuple[int, tuple[int, ...], int, int, int, int, int]], most: int, held: int
    ) -> None:
        steady = [Frame(10 * k, data=(k % 3, 0, 0x80)) for k in range(MEASURED_INTERVALS + 60)]
        steady += [Frame(10 * k + 5, 0x303, (1, k % 2, 0), channel) for k in range(len(steady)) for channel in (0, 1)]
        steady += [Frame(10 * k + 7, 0x202, (int(k % 8 > 0), k % 7, 0)) for k in range(MEASURED_INTERVALS + 60)]
        steady.sort(key=lambda it: it.time)
        frames, time, segment = list(steady), steady[-1].time, 0
        for gap, data, length, channel, can_id, flags, jump in drawn:
            time, segment = time + gap, segment + jump
            frames.append(Frame(time, can_id, data[:length], channel, segment, flags))
        runs = [steady[:-40]] + [frames[k : k + most] for k in range(len(steady) - 40, len(frames), most)]
        expected, none = self.history(runs, plain_from=NO_TIMEOUT)
        found, quick = self.history(runs, plain_from=0, held=held)
        assert none == 0
        assert quick >= 40 // most
        for one, other in zip(expected.messages, found.messages, strict=True):
            assert (one.frames, one.first_ns, one.last_ns) == (other.frames, other.first_ns, other.last_ns)
            assert (one.channels, one.senders.keys()) == (other.channels, other.senders.keys())
            for rows, others in zip(one.rows, other.rows, strict=True):
                for name in ("time_ns", "gap_ns", "bits", "silent_rows", "silent_from_ns"):
                    column, same = (getattr(it, name).joined() for it in (rows, others))
                    assert (column.tolist(), column.dtype) == (same.tolist(), same.dtype)
                ends = [(it.first_ns, it.last_ns, it.last_bits, it.open_gap_ns) for it in (rows, others)]
                assert ends[0] == ends[1]


class TestColumns:
    """Columns hold what was appended, and put others between it, however many blocks they have."""

    @given(parts=st.lists(st.lists(st.integers(0, 2**40), max_size=9), max_size=9), is_joined=st.booleans())
    @settings(max_examples=examples(50), deadline=None)
    def test_growing(self, parts: list[list[int]], *, is_joined: bool) -> None:
        column, other = GrowingColumn(np.uint32), GrowingColumn(np.uint32)
        for k, part in enumerate(parts):
            (column if k < 5 else other).extend(short_times(np.array(part, np.int64)))
            if is_joined:
                column.joined()
        column.absorb(other)
        whole = [number for part in parts for number in part]
        assert (len(column), column.joined().tolist()) == (len(whole), whole)
        column.extend(np.array([7]))
        assert column.joined().tolist() == [*whole, 7]
        column.start_with(np.array([8]))
        assert column.joined().tolist() == [8, *[*whole, 7][1:]]
        assert other.joined().tolist() == [number for part in parts[5:] for number in part]

    @given(st.data(), st.lists(st.integers(0, 99), max_size=20), st.integers(1, 9))
    @settings(max_examples=examples(50), deadline=None)
    def test_inserted(self, data: st.DataObject, numbers: list[int], room: int) -> None:
        column = np.array(numbers, np.int64)
        place = np.array(sorted(data.draw(st.lists(st.integers(0, len(column)), max_size=9))), np.intp)
        values = np.arange(100, 100 + len(place))
        n = len(column) + len(place)
        kept = np.array(data.draw(st.lists(st.booleans(), min_size=n, max_size=n)), np.bool_)
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(growing, "_MOST_ROOM", room)
            found = inserted(column, place, values, kept)
        assert found.tolist() == np.insert(column, place, values)[kept].tolist()

    @pytest.mark.parametrize("is_windows", [False, True])
    def test_large(self, monkeypatch: pytest.MonkeyPatch, *, is_windows: bool) -> None:
        """Blocks that come from the system hold what others hold, and can be kept longer than the column."""
        if is_windows:
            monkeypatch.delattr(growing.mmap, "MAP_PRIVATE")
        column = GrowingColumn()
        whole = np.arange(700_000)
        for part in np.array_split(whole, 7):
            column.extend(part)
        joined = column.joined()
        place = np.array([0, 700_000])
        both = inserted(joined, place, np.array([-1, -2]), np.ones(700_002, np.bool_))
        column.clear()
        assert len(column) == 0
        assert (joined == whole).all()
        assert (both == np.concatenate(([-1], whole, [-2]))).all()


class TestMemory:
    """What is kept grows with what happens, not with the length of a capture."""

    @staticmethod
    def kept(recorder: CaptureHistory) -> int:
        rows = [rows for log in recorder.messages for rows in log.rows]
        numbers = sum(len(it.joined()) for row in rows for it in (row.time_ns, row.gap_ns, row.bits, row.silent_rows))
        numbers += sum(run.time_ns.size for log in recorder.messages for run in log._unmeasured or ())
        return numbers + sum(part.size for log in recorder.messages for part in log._cadence._parts)

    @pytest.mark.parametrize("timeout", [NO_TIMEOUT, 50, None])
    def test_idle_capture(self, timeout: int | None) -> None:
        kept = []
        for windows in (3, 30):
            recorder = CaptureHistory([track for track in tracks(timeout) if track.name != "when 1"])
            for window in range(windows):
                take(recorder, [Frame(10_000 * window + 10 * index) for index in range(1000)])
            kept.append(self.kept(recorder))
        assert kept[0] == kept[1]

    def test_rows_are_changes(self) -> None:
        """One row for the first frame, and one for each change of the value."""
        values = [0] * 100 + [1] * 100 + [0] * 100
        recorder = CaptureHistory([Track(name="plain", message=ANYWHERE, signal=PLAIN, timeout_ns=NO_TIMEOUT)])
        take(recorder, [Frame(10 * index, data=(value, 1, 0, 0)) for index, value in enumerate(values)])
        assert recorder.messages[0].rows[0].time_ns.joined().tolist() == [0, 1000, 2000]
