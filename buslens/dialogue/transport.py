"""ISO 15765-2 (2016): the frames of one sender become messages, as somebody sees them who only listens.

==================  ==========================================================================================
first byte          frame (after the address byte, in extended and mixed addressing)
==================  ==========================================================================================
0L                  single, L bytes
00 LL               single with escape (CAN FD, more than 8 bytes in the frame), LL bytes
1L LL               first of a message of LLL bytes
10 00 LL LL LL LL   first with escape, of a message of more than 4095 bytes
2N                  consecutive, number N: 1 after the first frame, 0 after 15
30, 31, 32          flow control of the receiver: go on, wait, no room
==================  ==========================================================================================

A gap in the numbers ends what is known of a message: bytes behind it are dropped, for nobody knows how many are
missing. Two consecutive frames with exchanged numbers are read in the order of their numbers and counted as out of
order: no sender sends so, but recorders and gateways may hand on so. A consecutive frame with the number and the bytes
of the frame before counts as repeated. Had fifteen frames been lost instead, the message would end too short, and is
incomplete either way. If the end of one message and the beginning of the next are lost, the numbers may fit by chance:
then the receiver's flow control, which comes once for each block, comes too early and shows it. Where that is not
recorded either, nobody can notice.
"""

from collections.abc import Iterable, Sequence
from typing import Final, NamedTuple

from buslens.dialogue.model import Address, MessageEnd, TransportCounts, TransportMessage
from buslens.units import NS_PER_S, NS_PER_US

TIMEOUT_NS: Final = NS_PER_S
"""N_Bs and N_Cr, after which either side gives a message up (ISO 15765-2, table of time-outs; from memory)."""


_TWICE_NS: Final = 200 * NS_PER_US
"""Two flow controls, or two equal single frames, closer than this are one that was recorded twice, as it was sent and
as it was received: nobody asks the same again so soon."""


class TransportFrame(NamedTuple):
    """A frame without its address."""

    time_ns: int
    #: From the protocol's own first byte on.
    data: bytes
    #: Count of clock discontinuities before it.
    segment: int = 0


class FrameHead(NamedTuple):
    """What a single or first frame says."""

    #: Bytes of the message.
    length: int
    #: Those of them in this frame.
    data: bytes
    is_single: bool


def head_of(data: bytes) -> FrameHead | None:
    """Return what a single or first frame says; None for any other frame."""
    if not data:
        return None
    kind, low = data[0] >> 4, data[0] & 15
    room = len(data) - 1
    if kind == 0 and low and low <= min(room, 7):
        return FrameHead(low, data[1 : 1 + low], is_single=True)
    if kind == 0 and not low and len(data) > 8 and 0 < data[1] <= room - 1:
        return FrameHead(data[1], data[2 : 2 + data[1]], is_single=True)
    if kind == 1 and len(data) >= 7:
        length = low << 8 | data[1]
        start = 2
        if not length:
            length, start = int.from_bytes(data[2:6]), 6
        if length > (room if len(data) <= 8 else room - 1):
            return FrameHead(length, data[start:], is_single=False)
    return None


class Assembler:
    """Takes the frames of one sender, and its partners' flow control, in order of time."""

    def __init__(self, sender: Address) -> None:
        self.messages: list[TransportMessage] = []
        self.counts = TransportCounts()
        self._sender = sender
        self._first = b""  # the first frame of the open message; empty: there is none
        self._data = bytearray()
        self._length = 0
        self._first_ns = self._last_ns = self._alive_ns = 0
        self._segment = 0
        self._number = 0  # of the last consecutive frame
        self._before = b""
        self._ahead: TransportFrame | None = None  # a consecutive frame that came one number too early
        self._single = b""  # the latest frame that began a message, if it was single
        self._frames_left = 0
        self._has_gap = False
        #: Latest "go on" of the receiver, ns; None: none since the message began, or since it said "wait".
        self._granted_ns: int | None = None
        self._block = 0  # frames that it allows; 0: all
        self._granted_at = 0  # number of the last frame before it

    def add(self, frame: TransportFrame) -> None:
        """Take a frame of the sender."""
        data = frame.data
        self._expire(frame)
        kind = data[0] >> 4 if data else 15
        if kind == 2 and len(data) >= 2:
            self._consecutive(frame)
        elif kind == 3 and len(data) >= 3 and data[0] & 15 <= 2:
            self.counts.flow_control += 1
        elif (head := head_of(data)) is None:
            self.counts.invalid += 1
        elif head.is_single and data == self._single and frame.time_ns - self._first_ns <= _TWICE_NS:
            self.counts.repeated += 1
        elif not head.is_single and self._first == data and not self._number and not self._has_gap:
            self.counts.repeated += 1
            self._alive_ns = frame.time_ns
        else:
            self._begin(frame, head)

    def add_flow_control(self, frame: TransportFrame) -> None:
        """Take a frame of a partner; anything but flow control is passed over."""
        data = frame.data
        if not self._first or len(data) < 3 or data[0] >> 4 != 3:
            return
        self._expire(frame)
        self._give_up_waiting()
        if not self._first:
            return
        status, before_ns = data[0] & 15, self._granted_ns
        is_due = before_ns is None or 0 < self._block <= self._number - self._granted_at
        if status == 2:
            self._close(MessageEnd.REFUSED)
        elif status == 1:
            self._granted_ns = None
        elif before_ns is not None and not is_due and frame.time_ns - before_ns > _TWICE_NS:
            self._close(MessageEnd.LOST if self._has_gap else MessageEnd.INTERRUPTED)
        else:
            self._granted_ns, self._block, self._granted_at = frame.time_ns, data[1], self._number
        self._alive_ns = frame.time_ns

    def finish(self) -> None:
        """End with the recording."""
        self._give_up_waiting()
        if self._first:
            self._close(MessageEnd.LOST if self._has_gap else MessageEnd.CUT)

    def _expire(self, frame: TransportFrame) -> None:
        is_late = frame.time_ns - self._alive_ns > TIMEOUT_NS
        if not self._first or (frame.segment == self._segment and not is_late):
            return
        self._give_up_waiting()
        if self._first and frame.segment != self._segment:
            self._close(MessageEnd.DISCONTINUITY)
        elif self._first:
            self._close(MessageEnd.LOST if self._has_gap else MessageEnd.TIMED_OUT)

    def _begin(self, frame: TransportFrame, head: FrameHead) -> None:
        self._give_up_waiting()
        if self._first:
            self._close(MessageEnd.LOST if self._has_gap else MessageEnd.INTERRUPTED)
        self._data[:] = head.data
        self._length = head.length
        self._first_ns = self._last_ns = self._alive_ns = frame.time_ns
        self._single = frame.data if head.is_single else b""
        self._segment = frame.segment
        self._number, self._before, self._has_gap, self._ahead = 0, b"", False, None
        self._granted_ns = None
        if head.is_single:
            self.counts.single += 1
            self._close(MessageEnd.COMPLETE)
            return
        self.counts.first += 1
        self._first = frame.data
        each = len(frame.data) - 1
        self._frames_left = -(-(head.length - len(head.data)) // each)

    def _consecutive(self, frame: TransportFrame) -> None:
        number = frame.data[0] & 15
        is_same = number == self._number & 15 and frame.data == self._before
        if is_same and frame.segment == self._segment and frame.time_ns - self._last_ns <= TIMEOUT_NS:
            self.counts.repeated += 1
            return
        ahead = self._ahead
        if ahead is not None and ahead.data == frame.data:
            self.counts.repeated += 1
            return
        self.counts.consecutive += 1
        if not self._first:
            self.counts.unexpected += 1
            self.counts.unexpected_ns.append(frame.time_ns)
            return
        is_next = number == (self._number + 1) & 15
        if ahead is None and number == (self._number + 2) & 15 and not self._has_gap and self._frames_left > 1:
            self._ahead, self._alive_ns = frame, frame.time_ns
            return
        if ahead is not None and is_next:
            self.counts.out_of_order += 1
            self._ahead = None
            self._take(frame)
            frame = ahead
        self._give_up_waiting()
        self._take(frame)

    def _give_up_waiting(self) -> None:
        """Take the frame that came too early as one after a gap."""
        frame, self._ahead = self._ahead, None
        if frame is not None and self._first:
            self._take(frame)

    def _take(self, frame: TransportFrame) -> None:
        missing = ((frame.data[0] & 15) - self._number - 1) % 16
        self.counts.lost += missing
        self._has_gap |= missing > 0
        self._number += 1 + missing
        self._frames_left -= 1 + missing
        self._before = frame.data
        self._last_ns = self._alive_ns = max(frame.time_ns, self._last_ns)
        if not self._has_gap:
            self._data += frame.data[1 : 1 + self._length - len(self._data)]
        is_whole = not self._has_gap and len(self._data) == self._length
        if is_whole:
            self._close(MessageEnd.COMPLETE)
        elif self._has_gap and self._frames_left <= 0:
            self._close(MessageEnd.LOST, is_end_seen=self._frames_left == 0)

    def _close(self, end: MessageEnd, *, is_end_seen: bool | None = None) -> None:
        self.messages.append(
            TransportMessage(
                sender=self._sender,
                data=bytes(self._data),
                length=self._length,
                first_ns=self._first_ns,
                last_ns=self._last_ns,
                end=end,
                is_end_seen=end is MessageEnd.COMPLETE if is_end_seen is None else is_end_seen,
            )
        )
        self._first = b""


def assemble(
    sender: Address, frames: Sequence[TransportFrame], partners: Iterable[Sequence[TransportFrame]] = ()
) -> tuple[list[TransportMessage], TransportCounts]:
    """Return the messages of a sender, in order of their ends, and what its frames were.

    Parameters
    ----------
    sender : Address
        Whose frames they are.
    frames : sequence of TransportFrame
        In order of time.
    partners : iterable of sequences of TransportFrame
        Frames of those who receive its messages: their flow control keeps a message open, or refuses it.
    """
    from heapq import merge

    own = ((frame.time_ns, 1, frame) for frame in frames)
    others = [((frame.time_ns, 0, frame) for frame in rows) for rows in partners]
    assembler = Assembler(sender)
    for _, is_own, frame in merge(own, *others, key=lambda item: item[:2]):
        if is_own:
            assembler.add(frame)
        else:
            assembler.add_flow_control(frame)
    assembler.finish()
    return assembler.messages, assembler.counts
