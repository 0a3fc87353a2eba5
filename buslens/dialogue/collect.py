"""The frames of a capture that may belong to a dialogue.

Of each identifier is counted how many of its frames the transport protocol has and how many messages begin like a
request or an answer. Frames of those that may still be of a dialogue are kept. They are few where a car is asked
something, and each is a small object from there on.
"""

from collections import defaultdict
from collections.abc import Iterable
from typing import Final, NamedTuple, Self

import numpy as np
from numpy.typing import NDArray

from buslens.capture.frames import Flag, Frames
from buslens.capture.read import payloads
from buslens.dialogue.pairs import GivenPair
from buslens.dialogue.services import NEGATIVE, POSITIVE, SERVICES
from buslens.dialogue.transport import TransportFrame

OFFSETS: Final = (0, 1)
"""Bytes before the protocol's own: none in normal addressing, one in extended and mixed addressing."""
LEAST_PART: Final = 0.9
"""Part of an identifier's frames that the protocol must have, and of its messages that begin with a known number."""

_FEW: Final = 50
"""Frames of an identifier before it is dropped for what they are."""
_KNOWN: Final = np.zeros(256, np.bool_)
_KNOWN[[*SERVICES, *(number + POSITIVE for number in SERVICES), NEGATIVE]] = True
_NOT_DATA: Final = np.uint16(Flag.REMOTE | Flag.ERROR)


class SenderKey(NamedTuple):
    """An identifier on a channel."""

    channel: str
    can_id: int
    is_extended: bool


class Survey:
    """Counts what the frames of each identifier look like, and keeps those that may be of a dialogue."""

    def __init__(self) -> None:
        self.kept = Collection()
        #: Identifiers of which nothing is kept any more.
        self.dropped: set[SenderKey] = set()
        #: For each identifier and offset: frames, those of the protocol, beginnings of messages, those that are
        #: known, flow controls.
        self.counts: defaultdict[tuple[SenderKey, int], NDArray[np.int64]] = defaultdict(lambda: np.zeros(5, np.int64))

    def add(self, frames: Frames) -> None:
        """Take a run of frames."""
        rows = np.flatnonzero(frames.flags & _NOT_DATA == 0)
        is_extended = (frames.flags[rows] & Flag.EXTENDED != 0).astype(np.int64)
        keys = frames.channel[rows].astype(np.int64) << 33 | is_extended << 32 | frames.can_id[rows]
        found, index = np.unique(keys, return_inverse=True)
        names = [SenderKey(frames.channels[key >> 33], key & 0xFFFFFFFF, bool(key >> 32 & 1)) for key in found.tolist()]
        first = _first_words(frames, rows)
        for offset in OFFSETS:
            kinds = _classify(first, frames.length[rows].astype(np.int64), offset)
            sums = [np.bincount(index, kind, len(found)).astype(np.int64) for kind in kinds]
            for k, name in enumerate(names):
                self.counts[name, offset] += [column[k] for column in sums]
        self._drop(names)
        promising = [name not in self.dropped for name in names]
        self.kept.add_rows(frames, rows[np.array(promising, np.bool_)[index]])

    def merge(self, later: Self) -> None:
        """Append what another survey has taken of the time right behind this one."""
        for key, counts in later.counts.items():
            self.counts[key] += counts
        self.kept.merge(later.kept)
        self.dropped |= later.dropped
        self._drop([name for name, _ in later.counts])

    def _drop(self, names: Iterable[SenderKey]) -> None:
        """Let go of frames of identifiers that are of no dialogue by what they have shown so far."""
        for name in names:
            seen = [self.counts[name, offset] for offset in OFFSETS]
            if name in self.dropped or all(one[0] >= _FEW and not _may_speak(one) for one in seen):
                self.dropped.add(name)
                self.kept.frames.pop(name, None)

    def candidates(self) -> dict[SenderKey, tuple[int, ...]]:
        """Return the identifiers that may belong to a dialogue, with the offsets at which they do."""
        found: defaultdict[SenderKey, tuple[int, ...]] = defaultdict(tuple)
        for (name, offset), counts in self.counts.items():
            if _may_speak(counts):
                found[name] += (offset,)
        return dict(found)


def _may_speak(counts: NDArray[np.int64]) -> bool:
    """Whether an identifier may belong to a dialogue, by what its frames look like at one offset."""
    total, valid, heads, known, flow_controls = counts.tolist()
    speaks = known >= LEAST_PART * heads if heads else flow_controls == total
    return bool(total and valid >= LEAST_PART * total and speaks)


class Collection:
    """Keeps frames by identifier, in order of time.

    Parameters
    ----------
    pairs : iterable of GivenPair, optional
        Who asks and who answers, where frames of others come, too; else every frame is kept.
    """

    def __init__(self, pairs: Iterable[GivenPair] | None = None) -> None:
        self.pairs = None if pairs is None else tuple(pairs)
        self.frames: defaultdict[SenderKey, list[TransportFrame]] = defaultdict(list)

    def add(self, frames: Frames) -> None:
        """Take a run of frames."""
        is_extended = frames.flags & Flag.EXTENDED != 0
        wanted = frames.flags & _NOT_DATA == 0
        if self.pairs is not None:
            ids = [it.can_id | it.is_extended << 32 for pair in self.pairs for it in pair]
            wanted &= np.isin(frames.can_id | is_extended.astype(np.int64) << 32, ids)
        self.add_rows(frames, np.flatnonzero(wanted))

    def add_rows(self, frames: Frames, rows: NDArray[np.int64]) -> None:
        """Take some of a run of frames."""
        if not len(rows):
            return
        is_extended = frames.flags[rows] & Flag.EXTENDED != 0
        columns = (frames.channel[rows], frames.can_id[rows], is_extended, frames.time_ns[rows])
        for channel, can_id, extended, time_ns, data in zip(
            *(it.tolist() for it in columns), payloads(frames, rows), strict=True
        ):
            key = SenderKey(frames.channels[channel], can_id, extended)
            self.frames[key].append(TransportFrame(time_ns, data))

    def merge(self, later: Self) -> None:
        """Append what another collection has taken of the time right behind this one."""
        for key, rows in later.frames.items():
            self.frames[key] += rows


def _first_words(frames: Frames, rows: NDArray[np.int64]) -> NDArray[np.uint64]:
    """Return the first 8 bytes of each frame; 0 where it has none."""
    first = np.zeros(len(rows), np.uint64)
    filled = frames.length[rows] > 0
    first[filled] = frames.words[frames.word[rows[filled]]]
    return first


def _classify(first: NDArray[np.uint64], length: NDArray[np.int64], offset: int) -> list[NDArray[np.bool_]]:
    """Return what each frame is by the table of `transport`: any, valid, begin, known begin, flow control."""

    def byte(k: int) -> NDArray[np.int64]:
        return (first >> np.uint64(8 * (offset + k)) & np.uint64(0xFF)).astype(np.int64)

    n = length - offset
    room = n - 1
    kind, low, second = byte(0) >> 4, byte(0) & 15, byte(1)
    short = (kind == 0) & (low > 0) & (low <= np.minimum(room, 7))
    escaped = (kind == 0) & (low == 0) & (n > 8) & (second > 0) & (second <= room - 1)
    total = low << 8 | second
    large = (byte(2) << 24 | byte(3) << 16 | byte(4) << 8 | byte(5)) * (total == 0)
    is_first = (kind == 1) & (n >= 7) & (total + large > np.where(n <= 8, room, room - 1))
    flow_control = (kind == 3) & (low <= 2) & (n >= 3)
    head = short | escaped | is_first
    number = np.where(short, second, np.where(is_first & (total == 0), byte(6), byte(2)))
    valid = head | flow_control | ((kind == 2) & (n >= 2))
    return [np.ones(len(n), np.bool_), valid, head, head & _KNOWN[number], flow_control]
