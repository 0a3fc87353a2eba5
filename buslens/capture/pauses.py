"""Where nothing at all was recorded on a channel: the bus slept, or the recorder paused.

A silence of everything says nothing about any one message, so it has to be told from the silence of one message while
others keep coming. A channel is *not recorded* in a gap between two frames of any id that is longer than
`USUAL_GAPS` times the longest gap that is usual there, and than `LEAST_PAUSE_NS`. A gap is usual

* if gaps of that length and longer make up a `USUAL_PART` of all, and there are at least `LEAST_USUAL` of them: a
  channel on which every message is slow;
* where it is one of `LEAST_ROW` or more in a row, with hardly anything between them and of like length: one slow
  message is left when the others have stopped, and shows with each of its frames that recording goes on.

Between two trigger blocks of an ASC log nothing is recorded, however short that is.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray

from buslens.capture._scan_kernel import EVERY_CHANNEL, NO_TIME, QUIET_NS, SEVERAL
from buslens.capture.frames import Flag, Frames, Pause

LEAST_PAUSE_NS: Final = 100_000_000
"""A gap that is no longer is no pause, ns (common practice, no source)."""
USUAL_GAPS: Final = 3
USUAL_PART: Final = 64
LEAST_USUAL: Final = 3
LEAST_ROW: Final = 4
_APART: Final = 3
"""In a row, what lies between two gaps is shorter than the shorter of them by this factor."""

_NONE: Final = np.empty((0, 2), np.int64)


@dataclass(slots=True)
class ChannelTraffic:
    """What is kept of all frames of one channel."""

    first_ns: int
    latest_ns: int
    frames: int
    #: Id and flag bits plus 1, as `_scan_kernel.note_frame` keeps it; `SEVERAL` if there is more than one.
    only_id: int
    #: Gaps longer than `QUIET_NS`: int64[n, 2], times of the frames before and behind, in order of time.
    gaps: list[NDArray[np.int64]] = field(default_factory=list)

    def add(self, time_ns: NDArray[np.int64], key: NDArray[np.int64]) -> None:
        """Take frames that are not earlier than all before."""
        ends_ns = np.append(self.latest_ns, time_ns)
        quiet = np.flatnonzero(np.diff(ends_ns) > QUIET_NS)
        if len(quiet):
            self.gaps.append(np.column_stack((ends_ns[quiet], ends_ns[quiet + 1])))
        self.latest_ns = int(ends_ns[-1])
        self.frames += len(time_ns)
        if not (key + 1 == self.only_id).all():
            self.only_id = SEVERAL

    def join(self, later: ChannelTraffic) -> None:
        """Append what was kept of later frames."""
        if later.first_ns - self.latest_ns > QUIET_NS:
            self.gaps.append(np.array([[self.latest_ns, later.first_ns]]))
        self.gaps += later.gaps
        self.latest_ns = max(self.latest_ns, later.latest_ns)
        self.frames += later.frames
        if self.only_id != later.only_id:
            self.only_id = SEVERAL

    def pauses(self, first_ns: int, last_ns: int) -> list[Pause]:
        """Return where in a capture the channel was not recorded; in order of time."""
        gaps = np.concatenate([_NONE, *self.gaps])
        length = gaps[:, 1] - gaps[:, 0]
        most_ns = max(LEAST_PAUSE_NS, USUAL_GAPS * _usual_ns(length, self.frames))
        is_pause = length > most_ns
        if is_pause.any():
            is_pause &= ~_in_a_row(gaps, length)
        between = (Pause(*gap) for gap in gaps[is_pause].tolist())
        found = [Pause(first_ns, self.first_ns), *between, Pause(self.latest_ns, last_ns)]
        return [pause for pause in found if pause.to_ns - pause.from_ns > most_ns]


def _usual_ns(length: NDArray[np.int64], frames: int) -> int:
    """Return the longest of the lengths that are usual among all gaps between so many frames."""
    usual = max(LEAST_USUAL, -(-frames // USUAL_PART))
    return int(np.partition(length, -usual)[-usual]) if len(length) >= usual else 0


def _in_a_row(gaps: NDArray[np.int64], length: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Return which gaps follow each other so closely, and are so much alike, that recording went on."""
    shorter = np.minimum(length[1:], length[:-1])
    follows = gaps[1:, 0] - gaps[:-1, 1] <= shorter // _APART
    bounds = np.concatenate(([0], np.flatnonzero(~follows) + 1, [len(gaps)]))
    found = np.zeros(len(gaps), np.bool_)
    for row in np.flatnonzero(np.diff(bounds) >= LEAST_ROW).tolist():
        begin, end = bounds[row], bounds[row + 1]
        found[begin:end] = length[begin:end] <= USUAL_GAPS * np.median(length[begin:end])
    return found


class TrafficByChannel:
    """When frames of any id came on each channel of a capture."""

    def __init__(self) -> None:
        self.channels: dict[str, ChannelTraffic] = {}
        #: Stretches in which surely nothing was recorded on any channel.
        self.apart: list[Pause] = []
        #: First frame, where a new trigger block began right before it: nothing was recorded from the piece before on.
        self.begins_apart_ns: int | None = None

    def add(self, frames: Frames) -> None:
        """Take a run of frames, all that were recorded, in order of time and later than all before."""
        bits = (frames.flags & np.uint16(Flag.EXTENDED | Flag.ERROR)).astype(np.int64)
        key = frames.can_id.astype(np.int64) | bits << 29
        for channel, label in enumerate(frames.channels):
            rows = np.flatnonzero(frames.channel == channel)
            if not len(rows):
                continue
            if label not in self.channels:
                first_ns = int(frames.time_ns[rows[0]])
                self.channels[label] = ChannelTraffic(first_ns, first_ns, 0, int(key[rows[0]]) + 1)
            self.channels[label].add(frames.time_ns[rows], key[rows])

    def add_gaps(self, names: Sequence[str], gaps: NDArray[np.int64]) -> None:
        """Take gaps in order of time, int64[n, 3]: channel or `EVERY_CHANNEL`, and the frames before and behind."""
        for from_ns, to_ns in gaps[gaps[:, 0] == EVERY_CHANNEL, 1:].tolist():
            if from_ns == NO_TIME:
                self.begins_apart_ns = to_ns
            else:
                self.apart.append(Pause(from_ns, to_ns))
        for channel in np.unique(gaps[:, 0]).tolist():
            if channel != EVERY_CHANNEL:
                self.channels[names[channel]].gaps.append(gaps[gaps[:, 0] == channel, 1:])

    def of(self, channel: str) -> TrafficByChannel:
        """Return what is kept of one channel alone."""
        found = TrafficByChannel()
        found.channels = {label: one for label, one in self.channels.items() if label == channel}
        found.apart, found.begins_apart_ns = self.apart, self.begins_apart_ns
        return found

    def join(self, later: TrafficByChannel) -> None:
        """Append what was kept of later frames."""
        if later.begins_apart_ns is not None:
            latest_ns = max((channel.latest_ns for channel in self.channels.values()), default=None)
            if latest_ns is None:
                self.begins_apart_ns = later.begins_apart_ns
            elif later.begins_apart_ns > latest_ns:
                self.apart.append(Pause(latest_ns, later.begins_apart_ns))
        self.apart += later.apart
        for label, channel in later.channels.items():
            if label in self.channels:
                self.channels[label].join(channel)
            else:
                self.channels[label] = channel

    def pauses(self, first_ns: int, last_ns: int) -> dict[str, tuple[Pause, ...]]:
        """Return by channel, in order of time, the stretches of a capture in which it was not recorded.

        Parameters
        ----------
        first_ns, last_ns : int
            Times of the first and of the last frame of the capture, on whatever channel.
        """
        found = {}
        for label, channel in self.channels.items():
            found[label] = merge_pauses([*channel.pauses(first_ns, last_ns), *self.apart])
        return found

    def lone(self) -> frozenset[str]:
        """Return the channels on which there is one message only, so that its silence is that of everything."""
        return frozenset(label for label, channel in self.channels.items() if channel.only_id != SEVERAL)


def merge_pauses(pauses: Iterable[Pause]) -> tuple[Pause, ...]:
    """Return stretches in order of time, those that overlap made one; between two that touch there is a frame."""
    found: list[Pause] = []
    for pause in sorted(pauses):
        if found and pause.from_ns < found[-1].to_ns:
            found[-1] = Pause(found[-1].from_ns, max(found[-1].to_ns, pause.to_ns))
        else:
            found.append(pause)
    return tuple(found)


def common_pauses(several: Iterable[Sequence[Pause]]) -> tuple[Pause, ...]:
    """Return the stretches that lie in one of each of several lists, which are in order of time."""
    found: list[Pause] | None = None
    for pauses in several:
        if found is None:
            found = list(pauses)
            continue
        both, mine, theirs = [], 0, 0
        while mine < len(found) and theirs < len(pauses):
            a, b = found[mine], pauses[theirs]
            from_ns, to_ns = max(a.from_ns, b.from_ns), min(a.to_ns, b.to_ns)
            if from_ns < to_ns:
                both.append(Pause(from_ns, to_ns))
            if a.to_ns <= b.to_ns:
                mine += 1
            else:
                theirs += 1
        found = both
    return tuple(found or ())
