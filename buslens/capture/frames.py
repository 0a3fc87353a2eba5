"""Frames as columns: what every reader yields, whatever the log looked like."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from enum import Enum, IntFlag
from typing import TYPE_CHECKING, Literal, NamedTuple

from buslens.units import format_duration

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray


class Flag(IntFlag):
    """Bits of `Frames.flags`."""

    #: 29-bit identifier.
    EXTENDED = 1
    #: A request for data; it carries none.
    REMOTE = 2
    #: An error frame; `can_id` then holds the error class bits of the Linux kernel's can/error.h.
    ERROR = 4
    #: A CAN FD frame.
    FD = 8
    #: CAN FD bit rate switch.
    BRS = 16
    #: CAN FD error state indicator.
    ESI = 32
    #: Sent by the recording device itself.
    TX = 64


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Frames:
    """A run of frames, one array element per frame; all arrays of one run have the same length.

    Times are on the capture's own axis: nanoseconds as recorded, except that after a discontinuity they go on from
    where the clock stood before it, so that they never run backwards by more than the sorting has mended.
    """

    #: int64[n], ns.
    time_ns: NDArray[np.int64]
    #: uint16[n], index into `channels`.
    channel: NDArray[np.uint16]
    #: uint32[n], without the flag bits.
    can_id: NDArray[np.uint32]
    #: uint16[n], a union of `Flag`.
    flags: NDArray[np.uint16]
    #: uint8[n], the raw data length code as recorded, 0 to 15.
    dlc: NDArray[np.uint8]
    #: uint8[n], bytes of payload, 0 to 64.
    length: NDArray[np.uint8]
    #: int64[n], index into `words` of the frame's first word; meaningless where length is 0.
    word: NDArray[np.int64]
    #: uint64[m], payloads: byte k of a frame is bits 8*(k % 8) and up of words[word + k // 8]; zero-padded.
    words: NDArray[np.uint64]
    #: Channel labels as recorded, such as "can0" or "1".
    channels: tuple[str, ...]
    #: Count of clock discontinuities before this run; a run never reaches across one.
    segment: int = 0

    def __len__(self) -> int:
        return len(self.time_ns)

    def part(self, start: int, stop: int) -> Frames:
        """Return some of them."""
        names = ("time_ns", "channel", "can_id", "flags", "dlc", "length", "word")
        return replace(self, **{name: getattr(self, name)[start:stop] for name in names})


class Clock(Enum):
    """What the stamps of a capture count from."""

    #: The epoch, in UTC.
    WALL = "wall clock"
    #: A calendar date without a zone, taken as it stands.
    LOCAL = "local calendar time without a zone"
    #: Some zero of the recorder's.
    RELATIVE = "seconds from a start"
    #: There are no stamps: only the order of the frames is known.
    MISSING = "no time stamps"


class Skipped(NamedTuple):
    """A line that could not be read."""

    #: Counted from 1.
    line: int
    #: What was wrong and what would be right.
    reason: str
    #: The beginning of the line.
    text: str


class Pause(NamedTuple):
    """A stretch in which nothing at all was recorded on a channel: from the frame before to the frame behind."""

    from_ns: int
    to_ns: int


class Unread(NamedTuple):
    """Where lines stand that could not be read: between the frame before and the frame behind."""

    #: None: before the first frame.
    from_ns: int | None
    to_ns: int
    #: Identifier that the line begins with, without flag bits; None where it cannot be told.
    can_id: int | None


class ClockDiscontinuity(NamedTuple):
    """A place where what was known ends.

    Mostly the recorded clock ran back there: on one channel by however little, or by more than channels interleave.
    """

    #: On the capture's axis: nothing is known of any role from here until its next frame.
    time_ns: int
    #: Line of the first frame behind it, counted from 1.
    line: int
    #: How far the stamps ran back, ns; 0 or less where they restart in a new block, where one was lost, or at a hole.
    back_ns: int
    #: Whether a stamp that counts from the line before could not be read.
    is_lost: bool = False
    #: Whether a block of zero bytes stands there, so that nobody knows what was recorded.
    is_hole: bool = False

    @property
    def until_ns(self) -> int:
        """Axis time of the first frame behind it, ns: later than `time_ns` where no clock ran back."""
        return max(self.time_ns, self.time_ns - 1 - self.back_ns)

    @property
    def words(self) -> str:
        """What happened to the log there, in few words."""
        if self.is_hole or self.is_lost or self.back_ns <= 0:
            return self.short_text
        return f"{self.short_text} {format_duration(self.back_ns)}"

    @property
    def short_text(self) -> str:
        """The same in still fewer."""
        if self.is_hole:
            return "part of the log lost"
        if self.is_lost:
            return "time stamp lost"
        return "clock jumped back" if self.back_ns > 0 else "time stamps restart"


@dataclass(slots=True, kw_only=True)
class ReadStats:
    """What reading a capture counted; every line is in exactly one class."""

    #: Name of the log format.
    format: str = ""
    clock: Clock = Clock.RELATIVE
    #: All frames: data, remote and error frames.
    frames: int = 0
    remote: int = 0
    errors: int = 0
    #: Lines that are no frame and need not be: headers, comments, statistics, internal events, blank lines.
    other_lines: int = 0
    #: Lines that could not be read.
    broken: int = 0
    #: The first few of them.
    skipped: list[Skipped] = field(default_factory=list)
    #: Where they stand, in their order; those beyond the first few thousand are one stretch.
    unread: list[Unread] = field(default_factory=list)
    #: Frames that came up to 100 ms behind one of another channel, and were merged by time.
    reordered: int = 0
    discontinuities: list[ClockDiscontinuity] = field(default_factory=list)
    #: Discontinuities beyond those, at unknown places; a capture that has any cannot be checked.
    unlisted_discontinuities: int = 0
    #: How far apart the clocks of several buses are, ns; 0: nothing shows that they are.
    apart_ns: int = 0
    #: Step by which the stamps were rounded, ns: an interval between two is uncertain by as much at both ends.
    resolution_ns: int = 0
    #: Whether the packed file is damaged at a place that nobody knows, so that anything in it may be wrong.
    is_unsound: bool = False
    #: Why the log breaks off, as where a packed file stops in the middle; empty: it does not.
    damage: str = ""
    #: Axis times of the earliest frame before any clock discontinuity and of the latest frame; None without frames.
    first_ns: int | None = None
    last_ns: int | None = None
    channels: tuple[str, ...] = ()
    #: What is counted: frames, or the rows of a table of values.
    counted: Literal["frame", "row"] = "frame"
    #: By channel, where it was not recorded, in order of time.
    pauses: dict[str, tuple[Pause, ...]] = field(default_factory=dict)
    #: Channels on which there is one message only.
    lone_channels: frozenset[str] = frozenset()
    #: Error frames per class bit (Linux kernel, can/error.h).
    error_classes: dict[int, int] = field(default_factory=dict)
    #: Sentences for the user about the capture as a whole (an unreadable date, say).
    notes: list[str] = field(default_factory=list)
