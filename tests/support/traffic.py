"""Frames of an invented message with a multiplexed and a late signal, on two channels, amid other traffic."""

from __future__ import annotations

from itertools import pairwise
from typing import NamedTuple

import numpy as np
from hypothesis import strategies as st

from buslens.capture.frames import Flag, Frames
from buslens.definitions.model import Message, MuxCondition, Signal

#: First byte; second byte selects between the two that share the third; the last is missing from short frames.
PLAIN = Signal(name="PLAIN", start=0, length=8)
SELECTOR = Signal(name="SELECTOR", start=8, length=8)
WHEN_1 = Signal(name="WHEN_1", start=16, length=8, selection=MuxCondition(selector="SELECTOR", ranges=((1, 1),)))
WHEN_2 = Signal(name="WHEN_2", start=16, length=8, selection=MuxCondition(selector="SELECTOR", ranges=((2, 3),)))
LAST = Signal(name="LAST", start=24, length=8)

ANYWHERE = Message(name="ANYWHERE", can_id=0x101, length=4, signals=(PLAIN, SELECTOR, WHEN_1, WHEN_2, LAST))
ON_CAN1 = Message(name="ON_CAN1", can_id=0x202, length=4, signals=(PLAIN, LAST), channel="can1")


class Frame(NamedTuple):
    """One frame."""

    time: int
    can_id: int = ANYWHERE.can_id
    #: Payload.
    data: tuple[int, ...] = (0, 1, 0, 0)
    channel: int = 0
    segment: int = 0
    flags: int = 0

    def value(self, signal: Signal, message: Message) -> int | None:
        """Return the raw value of a signal, None if the frame is another one or does not carry it."""
        if self.can_id != message.can_id or self.flags:
            return None
        if message.channel is not None and message.channel != f"can{self.channel}":
            return None
        if signal.start // 8 >= len(self.data):
            return None
        if signal.selection is not None:
            (low, high), *_ = signal.selection.ranges
            if not low <= self.data[1] <= high:
                return None
        return self.data[signal.start // 8]


def columns(frames: list[Frame]) -> Frames:
    """Return frames of one segment as columns."""
    padded = [int.from_bytes(bytes(frame.data), "little") for frame in frames]
    n = len(frames)
    return Frames(
        time_ns=np.array([frame.time for frame in frames], np.int64),
        channel=np.array([frame.channel for frame in frames], np.uint16),
        can_id=np.array([frame.can_id for frame in frames], np.uint32),
        flags=np.array([frame.flags for frame in frames], np.uint16),
        dlc=np.array([len(frame.data) for frame in frames], np.uint8),
        length=np.array([len(frame.data) for frame in frames], np.uint8),
        word=np.arange(n, dtype=np.int64),
        words=np.array(padded, np.uint64),
        channels=("can0", "can1"),
        segment=frames[0].segment if frames else 0,
    )


@st.composite
def traffic(draw: st.DrawFn, *, discontinuities: bool = True, ties: bool = False) -> list[Frame]:
    """Frames in time order: changes, silences, short frames, requests; discontinuities and equal stamps if wanted."""
    step = st.one_of(st.integers(0 if ties else 1, 4), st.integers(5, 40))
    drawn = draw(
        st.lists(
            st.tuples(
                step,
                st.sampled_from([ANYWHERE.can_id] * 4 + [ON_CAN1.can_id, 0x303]),
                st.integers(0, 1),
                st.tuples(st.integers(0, 2), st.integers(0, 3), st.integers(0, 2), st.integers(0, 2)),
                st.sampled_from([4, 4, 4, 4, 3, 1, 0]),
                st.sampled_from([0] * 12 + [int(Flag.REMOTE), int(Flag.EXTENDED)]),
                st.sampled_from([0] * 9 + [1] if discontinuities else [0]),
            ),
            min_size=1,
            max_size=40,
        )
    )
    frames = []
    time, segment = 0, 0
    for delta, can_id, channel, data, length, flags, jump in drawn:
        segment += jump
        # A clock discontinuity is put right behind the frame before it: no frame has its time.
        time += max(delta, 2 * jump)
        frames.append(Frame(time, can_id, data[:length], channel, segment, flags))
    return frames


def discontinuities_of(frames: list[Frame]) -> list[int]:
    """Return the times of the clock discontinuities that lie between frames of different segments."""
    return [one.time + 1 for one, other in pairwise(frames) if one.segment != other.segment]
