from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.examples import examples
from support.reference import Entry, Seen, timeline_entries
from support.traffic import ANYWHERE, LAST, ON_CAN1, PLAIN, WHEN_1, WHEN_2, Frame, columns, discontinuities_of, traffic

from buslens.capture.frames import ClockDiscontinuity, Pause
from buslens.definitions.model import Message, Signal, ValueType
from buslens.timeline.build import WAKING_NS, build_timeline, typed_raw
from buslens.timeline.history import NO_TIMEOUT, CaptureHistory, Track
from buslens.timeline.model import UNKNOWN_STATE, UnknownReason

if TYPE_CHECKING:
    from buslens.timeline.model import Timeline

#: The value 2 has no name.
STATES = {"low": frozenset({0}), "high": frozenset({1})}


def build(
    frames: list[Frame],
    *,
    message: Message = ANYWHERE,
    signal: Signal | None = PLAIN,
    timeout: int = NO_TIMEOUT,
    lag: int | None = None,
    discontinuities: list[int] | None = None,
    number: bool = False,
    first: int | None = None,
    end: int | None = None,
    is_timed: bool = True,
    pauses: tuple[Pause, ...] = (),
    sleeps: bool = False,
    is_event: bool = False,
    is_own_event: bool = False,
) -> Timeline:
    recorder = CaptureHistory([Track(name="role", message=message, signal=signal, timeout_ns=timeout)])
    for segment in sorted({frame.segment for frame in frames}):
        recorder.add(columns([frame for frame in frames if frame.segment == segment]))
    recorder.finish()
    return build_timeline(
        recorder.messages[0],
        0,
        states={} if number else STATES,
        unit="V" if number else "",
        lag_ns=lag,
        discontinuities=[
            ClockDiscontinuity(time_ns=time, line=1, back_ns=1)
            for time in (discontinuities_of(frames) if discontinuities is None else discontinuities)
        ],
        first_ns=frames[0].time if first is None else first,
        end_ns=frames[-1].time if end is None else end,
        is_timed=is_timed,
        pauses=pauses,
        sleeps=sleeps,
        is_event=is_event,
        is_own_event=is_own_event,
    )


def entries(timeline: Timeline) -> list[Entry]:
    rows = zip(timeline.seen_ns, timeline.changed_after_ns, timeline.state, timeline.why, strict=True)
    return [Entry(int(seen), int(since), int(state), UnknownReason(int(why))) for seen, since, state, why in rows]


def values(data: list[tuple[int, int]]) -> list[Frame]:
    """Return frames of time and first byte."""
    return [Frame(time, data=(value, 1, 0, 0)) for time, value in data]


class TestAgainstReference:
    """A timeline is what the written rules say, asked at every ns."""

    @given(
        frames=traffic(),
        what=st.sampled_from(
            [(ANYWHERE, PLAIN), (ANYWHERE, WHEN_1), (ANYWHERE, WHEN_2), (ANYWHERE, LAST), (ON_CAN1, LAST)]
        ),
        timeout=st.sampled_from([None, 2, 5, 17]),
        lag=st.sampled_from([None, 0, 1, 4]),
        tail=st.integers(0, 30),
    )
    @settings(max_examples=examples(100), deadline=None)
    def test_entries(
        self,
        frames: list[Frame],
        what: tuple[Message, Signal],
        timeout: int | None,
        lag: int | None,
        tail: int,
    ) -> None:
        message, signal = what
        end = frames[-1].time + tail
        mine = [
            frame
            for frame in frames
            if frame.value(Signal(name="any", start=0, length=1), message) is not None
            or (not frame.data and frame._replace(data=(0,)).value(PLAIN, message) is not None)
        ]
        seen = []
        for frame in mine:
            value = frame.value(signal, message)
            seen.append(Seen(time=frame.time, carries=value is not None, state=value if value in {0, 1} else None))
        found = build(
            frames,
            message=message,
            signal=signal,
            timeout=NO_TIMEOUT if timeout is None else timeout,
            lag=lag,
            end=end,
        )
        expected = timeline_entries(
            seen, timeout=timeout, lag=lag, discontinuities=discontinuities_of(frames), first=frames[0].time, end=end
        )
        assert entries(found) == expected
        carried = [it.time for it in seen if it.carries]
        assert found.last_frame_ns == (carried[-1] if carried else None)


class TestBothEnds:
    """Every change is known to lie between the last frame that carried the old value and the first with the new."""

    def test_change(self) -> None:
        found = build(values([(0, 0), (10, 0), (20, 1)]))
        assert entries(found) == [Entry(0, -1, 0, UnknownReason.KNOWN), Entry(20, 10, 1, UnknownReason.KNOWN)]

    def test_frames_without_the_signal_do_not_confirm(self) -> None:
        """With a multiplexed signal the frame before is not the message's frame before."""
        frames = [Frame(0, data=(0, 1, 0)), Frame(10, data=(0, 2, 1)), Frame(20, data=(0, 1, 1))]
        assert entries(build(frames, signal=WHEN_1))[-1] == Entry(20, 0, 1, UnknownReason.KNOWN)

    def test_silence_of_a_multiplexed_signal(self) -> None:
        """The message counts for the timeout, and the signal's own last frame for what was last seen of it."""
        frames = [Frame(0, data=(0, 1, 0)), Frame(10, data=(0, 2, 1)), Frame(60, data=(0, 1, 0))]
        assert entries(build(frames, signal=WHEN_1, timeout=20))[1] == Entry(
            30, 0, UNKNOWN_STATE, UnknownReason.TIMED_OUT
        )

    def test_lag_narrows(self) -> None:
        frames = values([(0, 0), (100, 1)])
        assert entries(build(frames, lag=7))[-1] == Entry(100, 92, 1, UnknownReason.KNOWN)

    def test_lag_does_not_widen(self) -> None:
        frames = values([(0, 0), (100, 1)])
        assert entries(build(frames, lag=500))[-1] == Entry(100, 0, 1, UnknownReason.KNOWN)

    def test_lag_says_nothing_of_lost_frames(self) -> None:
        """Behind a silence frames have been lost, and with them the moment of a change."""
        frames = values([(0, 0), (100, 1)])
        assert entries(build(frames, lag=7, timeout=50))[-1].since == 0

    def test_lag_says_nothing_across_a_discontinuity(self) -> None:
        frames = [*values([(0, 0)]), Frame(20, data=(1, 1, 0, 0), segment=1), Frame(40, data=(0, 1, 0, 0), segment=1)]
        assert entries(build(frames, lag=3, discontinuities=[5])) == [
            Entry(0, -1, 0, UnknownReason.KNOWN),
            Entry(5, 0, UNKNOWN_STATE, UnknownReason.DISCONTINUITY),
            Entry(20, 0, 1, UnknownReason.KNOWN),
            Entry(40, 36, 0, UnknownReason.KNOWN),
        ]

    def test_lag_narrows_before_a_discontinuity_too(self) -> None:
        frames = [*values([(0, 0), (10, 1)]), Frame(20, data=(1, 1, 0, 0), segment=1)]
        assert entries(build(frames, lag=3, discontinuities=[15]))[1] == Entry(10, 6, 1, UnknownReason.KNOWN)

    def test_lag_where_a_segment_begins_with_a_frame(self) -> None:
        """It lies behind the discontinuity, and the frame that follows it has no discontinuity before it."""
        frames = [*values([(0, 0)]), Frame(5, data=(1, 1, 0, 0), segment=1), Frame(12, data=(0, 1, 0, 0), segment=1)]
        found = entries(build(frames, lag=1, discontinuities=[5]))
        assert [(entry.state, entry.since) for entry in found] == [(0, -1), (UNKNOWN_STATE, 0), (1, 0), (0, 10)]

    def test_of_frames_of_one_stamp_the_first_may_show_nothing_new(self) -> None:
        """A change lies before the moment that shows it, though a frame of that stamp still had the old value."""
        assert entries(build(values([(0, 0), (10, 0), (10, 1)])))[-1] == Entry(10, 9, 1, UnknownReason.KNOWN)


class TestSentOnlyOnChange:
    """Frames that come with changes only: each tells its moment, and silence that there was none."""

    def test_silence_confirms(self) -> None:
        frames = values([(0, 0), (100, 1)])
        assert build(frames, lag=7, end=500, is_event=True).last_frame_ns == 493
        assert build(frames, lag=7, end=500).last_frame_ns == 100

    def test_nothing_known_without_a_frame(self) -> None:
        assert build([Frame(0, can_id=9), Frame(50, can_id=9)], lag=7, is_event=True).last_frame_ns is None

    def test_pause(self) -> None:
        """What changed while nothing was recorded was sent then, or when the bus woke up."""
        found = build(values([(0, 0), (100, 1)]), lag=7, is_event=True, pauses=(Pause(10, 95),), sleeps=True)
        assert entries(found)[-1] == Entry(100, 94, 1, UnknownReason.KNOWN)

    @pytest.mark.parametrize(("is_event", "shown_ns"), [(True, 43), (False, 0)])
    def test_known_until_a_pause(self, is_event: bool, shown_ns: int) -> None:
        frames = values([(0, 0), (100, 1)])
        found = build(frames, lag=7, is_event=is_event, pauses=(Pause(50, 95),))
        assert entries(found)[1] == Entry(51, shown_ns, UNKNOWN_STATE, UnknownReason.NOT_RECORDED)


class TestSleep:
    """Where the bus may sleep, a pause of the recording leaves the state as it was."""

    FRAMES = values([(0, 0), (10, 0), (200, 0), (210, 1), (220, 1)])

    def test_state_is_kept(self) -> None:
        pauses = (Pause(10, 190),)
        awake = entries(build(self.FRAMES, timeout=30, pauses=pauses))
        assert Entry(11, 10, UNKNOWN_STATE, UnknownReason.NOT_RECORDED) in awake
        found = entries(build(self.FRAMES, timeout=30, pauses=pauses, sleeps=True))
        assert found == [Entry(0, -1, 0, UnknownReason.KNOWN), Entry(210, 200, 1, UnknownReason.KNOWN)]

    def test_what_changed_meanwhile_changed_on_waking(self) -> None:
        frames = values([(0, 0), (10, 0), (200, 1)])
        found = entries(build(frames, timeout=30, pauses=(Pause(10, 190),), sleeps=True))
        assert found[-1] == Entry(200, 189, 1, UnknownReason.KNOWN)

    def test_message_that_does_not_wake_up_is_missed(self) -> None:
        frames = values([(0, 0), (10, 0)])
        found = entries(build(frames, timeout=30, pauses=(Pause(10, 190),), sleeps=True, end=400 + WAKING_NS))
        assert found[-1] == Entry(190 + WAKING_NS, 10, UNKNOWN_STATE, UnknownReason.TIMED_OUT)
        found = entries(build(frames, timeout=30, pauses=(Pause(10, 190),), sleeps=True, end=190 + WAKING_NS))
        assert found == [Entry(0, -1, 0, UnknownReason.KNOWN)]


class TestBeforeTheFirstFrame:
    """Where frames come with changes of one signal only, the first one shows a change, too."""

    BEGIN = WAKING_NS

    @pytest.mark.parametrize(
        ("own", "at", "value", "pauses", "before"),
        [
            (True, BEGIN, 1, (), 0),
            (True, BEGIN, 0, (), 1),
            (False, BEGIN, 1, (), UNKNOWN_STATE),
            # It may repeat what was sent before the recording.
            (True, BEGIN - 1, 1, (), UNKNOWN_STATE),
            # Another may have been sent while nothing was recorded.
            (True, BEGIN, 1, (Pause(5, 500),), UNKNOWN_STATE),
            # It has no state.
            (True, BEGIN, 7, (), UNKNOWN_STATE),
        ],
    )
    def test_state(self, own: bool, at: int, value: int, pauses: tuple[Pause, ...], before: int) -> None:
        found = entries(
            build(values([(at, value)]), first=0, end=2 * at, lag=7, is_event=True, is_own_event=own, pauses=pauses)
        )
        assert found[0].state == before
        if before != UNKNOWN_STATE:
            assert found[1] == Entry(at, at - 8, value, UnknownReason.KNOWN)


class TestUnknown:
    """What the log does not show is unknown, with the reason."""

    def test_before_the_first_frame(self) -> None:
        found = build(values([(5, 0)]), first=0, end=9)
        assert entries(found) == [
            Entry(0, -1, UNKNOWN_STATE, UnknownReason.NO_FRAME_YET),
            Entry(5, -1, 0, UnknownReason.KNOWN),
        ]

    def test_never_seen(self) -> None:
        assert entries(build([Frame(0, 0x303), Frame(9, 0x303)])) == [
            Entry(0, -1, UNKNOWN_STATE, UnknownReason.NO_FRAME_YET)
        ]

    @pytest.mark.parametrize(("following", "silent"), [(50, False), (51, True)])
    def test_one_timeout_after_the_last_frame(self, following: int, silent: bool) -> None:
        """A silence of exactly the timeout is none."""
        found = entries(build(values([(0, 0), (following, 0)]), timeout=50))
        assert (Entry(50, 0, UNKNOWN_STATE, UnknownReason.TIMED_OUT) in found) == silent

    @pytest.mark.parametrize(("end", "silent"), [(50, False), (51, True)])
    def test_silent_to_the_end(self, end: int, silent: bool) -> None:
        found = entries(build(values([(0, 0)]), timeout=50, end=end))
        assert (found[-1] == Entry(50, 0, UNKNOWN_STATE, UnknownReason.TIMED_OUT)) == silent

    def test_frames_that_do_not_carry_it_keep_it_known_but_do_not_bring_it_back(self) -> None:
        frames = [
            Frame(0, data=(0, 1, 0)),
            Frame(40, data=(0, 2, 0)),
            Frame(100, data=(0, 2, 0)),
            Frame(120, data=(0, 1, 0)),
        ]
        assert entries(build(frames, signal=WHEN_1, timeout=50)) == [
            Entry(0, -1, 0, UnknownReason.KNOWN),
            Entry(90, 0, UNKNOWN_STATE, UnknownReason.TIMED_OUT),
            Entry(120, 0, 0, UnknownReason.KNOWN),
        ]

    def test_value_without_a_name(self) -> None:
        found = entries(build(values([(0, 0), (10, 2), (20, 1)])))
        assert found[1] == Entry(10, 0, UNKNOWN_STATE, UnknownReason.UNMAPPED)

    @given(st.lists(st.integers(0, 5), min_size=1, max_size=30))
    def test_what_has_no_name_is_kept(self, numbers: list[int]) -> None:
        """It is called as the definitions call it, else it is its raw number: that of the frame that first shows it."""
        signal = replace(PLAIN, labels={1: "up", 2: "no data", 3: "don't"})
        found = build(values([(10 * place, number) for place, number in enumerate(numbers)]), signal=signal)
        called = {2: "'no data'", 3: "'don't'", 4: "4", 5: "5"}
        at = [numbers[time // 10] for time in found.seen_ns.tolist()]
        told = [found.unnamed_value(index) for index in range(len(found))]
        assert told == [called.get(number, "") for number in at]

    def test_a_fraction_without_a_name(self) -> None:
        signal = Signal(name="F", start=0, length=16, kind=ValueType.FLOAT)
        message = Message(name="M", can_id=ANYWHERE.can_id, length=2, signals=(signal,))
        found = build([Frame(0, data=(0x00, 0x38)), Frame(9, data=(0x00, 0x7E))], message=message, signal=signal)
        assert [found.unnamed_value(index) for index in range(len(found))] == ["0.5"]

    def test_discontinuity(self) -> None:
        frames = [Frame(0), Frame(20, segment=1)]
        assert entries(build(frames, discontinuities=[5])) == [
            Entry(0, -1, 0, UnknownReason.KNOWN),
            Entry(5, 0, UNKNOWN_STATE, UnknownReason.DISCONTINUITY),
            Entry(20, 0, 0, UnknownReason.KNOWN),
        ]

    def test_discontinuity_right_behind_a_frame(self) -> None:
        frames = [Frame(0), Frame(4), Frame(20, segment=1)]
        assert entries(build(frames, discontinuities=[5]))[1] == Entry(5, 4, UNKNOWN_STATE, UnknownReason.DISCONTINUITY)

    def test_discontinuity_before_the_first_frame(self) -> None:
        """Nothing was seen before it: what the first frame shows may have come about as early as the capture began."""
        frames = [Frame(0, 0x303), Frame(20, segment=1)]
        assert entries(build(frames, discontinuities=[5])) == [
            Entry(0, -1, UNKNOWN_STATE, UnknownReason.NO_FRAME_YET),
            Entry(5, -1, UNKNOWN_STATE, UnknownReason.DISCONTINUITY),
            Entry(20, -1, 0, UnknownReason.KNOWN),
        ]

    def test_timeout_that_runs_out_at_a_discontinuity(self) -> None:
        frames = [Frame(0), Frame(20, segment=1)]
        assert [entry[::2] for entry in entries(build(frames, discontinuities=[5], timeout=5))] == [
            (0, 0),
            (5, UNKNOWN_STATE),
            (20, 0),
        ]

    def test_frame_at_the_discontinuity(self) -> None:
        """The segment begins with this very frame: the role was unknown for a moment, so that no change spans it."""
        frames = [*values([(0, 0)]), Frame(5, data=(1, 1, 0, 0), segment=1), Frame(9, data=(1, 1, 0, 0), segment=1)]
        found = entries(build(frames, discontinuities=[5]))
        assert [(entry.state, entry.why) for entry in found] == [
            (0, UnknownReason.KNOWN),
            (UNKNOWN_STATE, UnknownReason.DISCONTINUITY),
            (1, UnknownReason.KNOWN),
        ]
        assert found[-1].seen - found[1].seen == 1

    def test_without_stamps_there_is_no_silence(self) -> None:
        """Where time is only the number of a frame, many frames of others are no silence."""
        found = entries(build(values([(0, 0), (90, 1)]), timeout=50, end=300, is_timed=False))
        assert found == [Entry(0, -1, 0, UnknownReason.KNOWN), Entry(90, 0, 1, UnknownReason.KNOWN)]


class TestOneStamp:
    """Of several frames with one stamp none is lost: the later ones are moved on by single nanoseconds."""

    @given(st.lists(st.tuples(st.integers(0, 3), st.integers(0, 2)), min_size=1, max_size=25))
    @settings(max_examples=examples(30), deadline=None)
    def test_order_of_states_is_kept(self, steps: list[tuple[int, int]]) -> None:
        time, frames = 0, []
        for delta, value in steps:
            time += 30 * max(delta - 1, 0)
            frames.append(Frame(time, data=(value, 1, 0, 0)))
        found = build(frames)
        shown = [frame.data[0] if frame.data[0] < 2 else UNKNOWN_STATE for frame in frames]
        changes = [state for index, state in enumerate(shown) if index == 0 or state != shown[index - 1]]
        assert found.state.tolist() == changes
        assert np.all(np.diff(found.seen_ns) > 0)
        assert np.all(found.changed_after_ns < found.seen_ns)
        assert np.all(np.isin(found.seen_ns - found.seen_ns % 30, [frame.time for frame in frames]))
        assert found.seen_ns[-1] <= found.end_ns


class TestNumbers:
    """A number keeps every value, and what is not a number is unknown."""

    def test_values(self) -> None:
        signal = Signal(name="U", start=0, length=8, scale=0.1)
        message = Message(name="M", can_id=ANYWHERE.can_id, length=1, signals=(signal,))
        found = build(values([(0, 120), (10, 120), (20, 95)]), message=message, signal=signal, number=True)
        assert found.value.tolist() == pytest.approx([12.0, 9.5])
        assert found.is_number

    def test_only_changes_are_entries(self) -> None:
        """Also where two recordings of one value were joined."""
        front, back = (
            CaptureHistory([Track(name="u", message=ANYWHERE, signal=PLAIN, timeout_ns=NO_TIMEOUT)]) for _ in "ab"
        )
        front.add(columns(values([(0, 7), (5, 3)])))
        back.add(columns(values([(10, 3), (15, 7)])))
        front.merge(back)
        found = build_timeline(
            front.messages[0], 0, states={}, unit="", lag_ns=None, discontinuities=[], first_ns=0, end_ns=15
        )
        assert (found.seen_ns.tolist(), found.value.tolist()) == ([0, 5, 15], [7.0, 3.0, 7.0])

    def test_not_a_number(self) -> None:
        signal = Signal(name="F", start=0, length=16, kind=ValueType.FLOAT)
        message = Message(name="M", can_id=ANYWHERE.can_id, length=2, signals=(signal,))
        frames = [Frame(0, data=(0x00, 0x3C)), Frame(10, data=(0x00, 0x7E))]
        found = build(frames, message=message, signal=signal, number=True)
        assert entries(found)[1] == Entry(10, 0, UNKNOWN_STATE, UnknownReason.UNMAPPED)
        assert found.value[0] == 1.0

    def test_signed_states(self) -> None:
        signal = Signal(name="S", start=0, length=8, kind=ValueType.SIGNED)
        message = Message(name="M", can_id=ANYWHERE.can_id, length=1, signals=(signal,))
        recorder = CaptureHistory([Track(name="role", message=message, signal=signal, timeout_ns=NO_TIMEOUT)])
        recorder.add(columns(values([(0, 0xFF), (10, 1)])))
        recorder.finish()
        found = build_timeline(
            recorder.messages[0],
            0,
            states={"back": frozenset({-1}), "ahead": frozenset({1})},
            unit="",
            lag_ns=None,
            discontinuities=[],
            first_ns=0,
            end_ns=10,
        )
        assert found.state.tolist() == [0, 1]

    def test_floating_states(self) -> None:
        """A state may be named by a number with a fraction, where the signal has such."""
        signal = Signal(name="F", start=0, length=16, kind=ValueType.FLOAT)
        bits = np.array([0.5, -2.0, 0.25]).view(np.uint64)
        assert typed_raw(bits, signal).tolist() == [0.5, -2.0, 0.25]


class TestSpecialValues:
    """What SAE J1939-71 keeps for an error or for no value is unknown; the source is in test_j1939.py."""

    BYTE = Signal(name="BYTE", start=0, length=8)
    TWO_BITS = Signal(name="TWO_BITS", start=0, length=2)

    def shown(self, signal: Signal, raw: list[int], *, is_j1939: bool, states: dict[str, frozenset[int]]) -> Timeline:
        message = Message(name="M", can_id=ANYWHERE.can_id, length=1, signals=(signal,), is_j1939=is_j1939)
        recorder = CaptureHistory([Track(name="role", message=message, signal=signal, timeout_ns=NO_TIMEOUT)])
        recorder.add(columns(values([(10 * index, value) for index, value in enumerate(raw)])))
        recorder.finish()
        return build_timeline(
            recorder.messages[0],
            0,
            states=states,
            unit="",
            lag_ns=None,
            discontinuities=[],
            first_ns=0,
            end_ns=10 * len(raw),
        )

    def test_numbers(self) -> None:
        found = self.shown(self.BYTE, [0, 0xFA, 0xFB, 1, 0xFE, 2, 0xFF], is_j1939=True, states={})
        assert found.state.tolist() == [0, 0, UNKNOWN_STATE, 0, UNKNOWN_STATE, 0, UNKNOWN_STATE]
        np.testing.assert_array_equal(found.value, [0, 0xFA, np.nan, 1, np.nan, 2, np.nan])
        assert found.why[[1, 2]].tolist() == [UnknownReason.KNOWN.value, UnknownReason.UNMAPPED.value]
        assert [found.unnamed_value(index) for index in range(len(found))] == ["", "", "251", "", "254", "", "255"]

    def test_numbers_of_other_messages(self) -> None:
        found = self.shown(self.BYTE, [0, 0xFB, 0xFF], is_j1939=False, states={})
        assert found.value.tolist() == [0, 0xFB, 0xFF]

    def test_only_what_is_reserved_may_be_named(self) -> None:
        states = {"low": frozenset({0, 0xFE}), "high": frozenset({0xFB, 0xFF})}
        found = self.shown(self.BYTE, [0, 0xFB, 0, 0xFE, 0, 0xFF], is_j1939=True, states=states)
        assert found.state.tolist() == [0, 1, 0, UNKNOWN_STATE, 0, UNKNOWN_STATE]
        plain = self.shown(self.BYTE, [0, 0xFB, 0, 0xFE, 0, 0xFF], is_j1939=False, states=states)
        assert plain.state.tolist() == [0, 1, 0, 1]

    def test_two_bits(self) -> None:
        states = {"off": frozenset({0}), "on": frozenset({1}), "error": frozenset({2}), "none": frozenset({3})}
        found = self.shown(self.TWO_BITS, [0, 1, 2, 0, 3], is_j1939=True, states=states)
        assert found.state.tolist() == [0, 1, UNKNOWN_STATE, 0, UNKNOWN_STATE]


class TestRecord:
    """A timeline carries what its class says, in the types that it says."""

    def test_states(self) -> None:
        found = build(values([(3, 0), (13, 2), (33, 1)]), timeout=50, first=0, end=40)
        types = [found.seen_ns, found.changed_after_ns, found.state, found.value, found.why]
        assert [of.dtype for of in types] == [np.int64, np.int64, np.int8, np.float64, np.int8]
        assert (found.role, found.states, found.unit) == ("role", ("low", "high"), "")
        assert (found.last_frame_ns, found.period_ns, found.timeout_ns, found.end_ns) == (33, 15, 50, 40)
        assert found.why.tolist() == [
            code.value
            for code in (UnknownReason.NO_FRAME_YET, UnknownReason.KNOWN, UnknownReason.UNMAPPED, UnknownReason.KNOWN)
        ]
        assert np.isnan(found.value).all()
        assert not found.is_number

    def test_number(self) -> None:
        found = build(values([(0, 3), (10, 4)]), number=True)
        assert (found.states, found.unit, found.timeout_ns) == ((), "V", None)
        assert (found.state.tolist(), found.value.tolist()) == ([0, 0], [3.0, 4.0])

    def test_presence(self) -> None:
        """Of a message as such each frame says the same: it is there."""
        found = build([Frame(0, data=()), Frame(100), Frame(110)], signal=None, timeout=20)
        assert found.state.tolist() == [0, UNKNOWN_STATE, 0]
        assert found.seen_ns.tolist() == [0, 20, 100]

    def test_not_one_frame(self) -> None:
        found = build([Frame(0, 0x303), Frame(9, 0x303)], timeout=5)
        assert (found.last_frame_ns, found.period_ns, found.end_ns) == (None, None, 9)
        assert entries(found) == [Entry(0, -1, UNKNOWN_STATE, UnknownReason.NO_FRAME_YET)]
