"""When each bit of each identifier changed: what is kept of a capture whose frames nobody has defined.

A frame's payload is compared with the one before of the same identifier. Bits that change more often than a cap, such
as those of counters and checks, are given up: they coincide with everything, and would take all the memory. What
stays is one row per change of a quiet bit. Bits are numbered as in a DBC: bit b is bit b % 8 of byte b // 8.
"""

from dataclasses import dataclass
from typing import Any, Final, NamedTuple, Self

import numpy as np
from numpy.typing import NDArray

from buslens.capture.frames import Flag, Frames

BITS: Final = 512
"""Bits of the longest payload, of CAN FD."""
_WORDS: Final = BITS // 64
_FULL: Final = (1 << 64) - 1
#: Masks of a word of which so many bytes count.
_BYTE_MASKS: Final = np.array([(1 << 8 * n) - 1 for n in range(8)] + [_FULL], np.uint64)
_COMPACT_ROWS: Final = 1 << 18


class FrameKey(NamedTuple):
    """Where frames came from."""

    channel: str
    can_id: int
    is_extended: bool


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BitToggles:
    """All changes of quiet bits; rows are in order of bit, then of time."""

    origins: tuple[FrameKey, ...]
    #: int64[origins], frames of each.
    frames: NDArray[np.int64]
    #: int64[origins], usual time between frames, ns; 0 with fewer than two.
    period_ns: NDArray[np.int64]
    #: int64[origins], bytes of the longest payload.
    length: NDArray[np.int64]
    #: int64[n], BITS * index of the origin + number of the bit.
    code: NDArray[np.int64]
    #: int64[n], ns: the frame that first shows the new value, and the one before of the same identifier.
    seen_ns: NDArray[np.int64]
    since_ns: NDArray[np.int64]
    #: bool[n], whether the bit became 1.
    rising: NDArray[np.bool_]
    #: Bits that were given up because they change all the time.
    n_busy: int

    def of(self, code: int) -> slice:
        """Return the rows of a bit."""
        return slice(*np.searchsorted(self.code, [code, code + 1]).tolist())


class ChangeLog:
    """Takes the frames of a capture in order of time.

    Parameters
    ----------
    cap : int
        A bit that changes more often is given up.
    """

    def __init__(self, cap: int) -> None:
        self._cap = cap
        self._origins: dict[FrameKey, int] = {}
        self._channels: dict[str, int] = {}
        self._keys = np.empty(0, np.int64)
        self._slots = np.empty(0, np.int64)
        self._segment: int | None = None
        self._had_discontinuity = False
        self._frames = np.zeros(0, np.int64)
        self._length = np.zeros(0, np.int64)
        #: First frame of each key, whether it came before any discontinuity; last frame, whether it still counts.
        self._first_ns = np.zeros(0, np.int64)
        self._first_length = np.zeros(0, np.int64)
        self._first_counts = np.zeros(0, np.bool_)
        self._last_ns = np.zeros(0, np.int64)
        self._last_length = np.zeros(0, np.int64)
        self._last_counts = np.zeros(0, np.bool_)
        self._first_words = np.zeros((0, _WORDS), np.uint64)
        self._last_words = np.zeros((0, _WORDS), np.uint64)
        self._busy = np.zeros((0, _WORDS), np.uint64)
        self._counts = np.zeros((0, BITS), np.int64)
        self._rows: list[tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64], NDArray[np.bool_]]] = []
        self._n_rows = 0

    # --- taking frames ----------------------------------------------------------------------------------

    def take(self, frames: Frames) -> None:
        """Take a run of frames, later than all before."""
        if self._segment is not None and frames.segment != self._segment:
            self._last_counts[:] = False
            self._had_discontinuity = True
        self._segment = frames.segment
        data = np.flatnonzero(frames.flags & np.uint16(Flag.REMOTE | Flag.ERROR) == 0)
        if not len(data):
            return
        unsorted = self._slots_of(frames, data)
        order = np.argsort(unsorted, kind="stable")  # of 16 bits, which numpy sorts by radix
        rows, slot = data[order], unsorted[order].astype(np.int64)
        time_ns = frames.time_ns[rows]
        length = frames.length[rows].astype(np.int64)
        first = np.flatnonzero(np.append(True, slot[1:] != slot[:-1]))
        last = np.append(first[1:], len(slot)) - 1
        heads = slot[first]
        before_ns = _before(time_ns, first, self._last_ns[heads])
        before_length = _before(length, first, self._last_length[heads])
        compared = np.ones(len(slot), np.bool_)
        compared[first] = self._last_counts[heads]
        common = np.where(compared, np.minimum(length, before_length), 0)
        new = self._frames[heads] == 0
        for k in range(-(-int(length.max()) // 8)):
            word = _word(frames, rows, length, k)
            before = _before(word, first, self._last_words[heads, k])
            mask = _BYTE_MASKS[np.clip(common - 8 * k, 0, 8)] & ~self._busy[slot, k]
            self._add(slot, k, word, (word ^ before) & mask, time_ns, before_ns)
            self._first_words[heads[new], k] = word[first[new]]
            self._last_words[heads, k] = word[last]
        self._first_ns[heads[new]] = time_ns[first[new]]
        self._first_length[heads[new]] = length[first[new]]
        self._first_counts[heads[new]] = not self._had_discontinuity
        self._last_ns[heads], self._last_length[heads] = time_ns[last], length[last]
        self._last_counts[heads] = True
        self._frames[heads] += last - first + 1
        self._length[heads] = np.maximum(self._length[heads], np.maximum.reduceat(length, first))
        if self._n_rows > _COMPACT_ROWS:
            self._compact()

    def _add(
        self,
        slot: NDArray[np.int64],
        k: int,
        word: NDArray[np.uint64],
        difference: NDArray[np.uint64],
        seen_ns: NDArray[np.int64],
        since_ns: NDArray[np.int64],
    ) -> None:
        """Keep the changes of word k of the payloads; bit b of `difference` says whether bit b changed."""
        changed = np.flatnonzero(difference)
        if not len(changed):
            return
        each = np.unpackbits(
            difference[changed].astype("<u8", copy=False).view(np.uint8).reshape(-1, 8), axis=1, bitorder="little"
        )
        which, bit = np.nonzero(each)
        row = changed[which]
        rising = (word[row] >> bit.astype(np.uint64)) & np.uint64(1) == 1
        code = slot[row] * BITS + 64 * k + bit
        self._rows.append((code, seen_ns[row], since_ns[row], rising))
        self._n_rows += len(code)
        self._count(np.bincount(code, minlength=self._counts.size))

    def _count(self, more: NDArray[np.int64]) -> None:
        """Count changes, and give up the bits that have had too many."""
        counts = self._counts.reshape(-1)
        counts += more
        touched = np.flatnonzero((more > 0) & (counts > self._cap))
        flag = np.uint64(1) << (touched % 64).astype(np.uint64)
        np.bitwise_or.at(self._busy, (touched // BITS, touched % BITS // 64), flag)

    def _compact(self) -> None:
        """Forget the rows of bits that were given up."""
        code, seen_ns, since_ns, rising = self._joined()
        kept = ~self._is_busy(code)
        self._rows = [(code[kept], seen_ns[kept], since_ns[kept], rising[kept])]
        self._n_rows = 0  # what is left is bounded by the cap, and need not be looked at again

    def _is_busy(self, code: NDArray[np.int64]) -> NDArray[np.bool_]:
        return np.asarray(self._counts.reshape(-1)[code] > self._cap)

    def _joined(self) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64], NDArray[np.bool_]]:
        none = np.empty(0, np.int64)
        if not self._rows:
            return none, none, none, np.empty(0, np.bool_)
        code, seen_ns, since_ns, rising = zip(*self._rows, strict=True)
        return np.concatenate(code), np.concatenate(seen_ns), np.concatenate(since_ns), np.concatenate(rising)

    # --- origins ----------------------------------------------------------------------------------------

    def _slots_of(self, frames: Frames, data: NDArray[np.intp]) -> NDArray[np.uint16]:
        """Return the index of each frame's origin, after making room for new ones."""
        for name in frames.channels:
            self._channels.setdefault(name, len(self._channels))
        own = np.array([self._channels[name] for name in frames.channels], np.int64)
        extended = (frames.flags[data] & np.uint16(Flag.EXTENDED) != 0).astype(np.int64)
        key = own[frames.channel[data]] << 32 | extended << 31 | frames.can_id[data]
        place = np.searchsorted(self._keys, key)
        known = np.zeros(len(key), np.bool_)
        if len(self._keys):
            known = self._keys[np.minimum(place, len(self._keys) - 1)] == key
        if not known.all():
            names = list(self._channels)
            for number in np.unique(key[~known]).tolist():
                self._slot(FrameKey(names[number >> 32], number & 0x1FFF_FFFF, bool(number >> 31 & 1)))
            place = np.searchsorted(self._keys, key)
        return np.asarray(self._slots[place], np.uint16)

    def _slot(self, origin: FrameKey) -> int:
        """Return the index of an origin, after making room for it if it is new."""
        if origin in self._origins:
            return self._origins[origin]
        slot = self._origins[origin] = len(self._origins)
        channel = self._channels.setdefault(origin.channel, len(self._channels))
        key = channel << 32 | origin.is_extended << 31 | origin.can_id
        place = int(np.searchsorted(self._keys, key))
        self._keys, self._slots = np.insert(self._keys, place, key), np.insert(self._slots, place, slot)
        for name in ("frames", "length", "first_ns", "first_length", "first_counts", "last_ns", "last_length"):
            self._grow(name)
        for name in ("last_counts", "first_words", "last_words", "busy", "counts"):
            self._grow(name)
        return slot

    def _grow(self, name: str) -> None:
        array = getattr(self, f"_{name}")
        setattr(self, f"_{name}", np.concatenate((array, np.zeros((1, *array.shape[1:]), array.dtype))))

    # --- joining and ending -----------------------------------------------------------------------------

    def join(self, later: Self) -> None:
        """Append what another log has taken of the time right behind this one."""
        if later._segment is None:
            return
        slots = np.array([self._slot(origin) for origin in later._origins], np.int64)
        had_discontinuity = self._had_discontinuity
        self._had_discontinuity |= later._had_discontinuity
        fresh = self._frames[slots] == 0
        linked = self._last_counts[slots] & later._first_counts & ~fresh
        common = np.where(linked, np.minimum(self._last_length[slots], later._first_length), 0)
        for k in range(_WORDS):
            word = later._first_words[:, k]
            difference = (word ^ self._last_words[slots, k]) & _BYTE_MASKS[np.clip(common - 8 * k, 0, 8)]
            self._add(slots, k, word, difference, later._first_ns, self._last_ns[slots])
        code, seen_ns, since_ns, rising = later._joined()
        code = slots[code // BITS] * BITS + code % BITS if len(code) else code
        self._rows.append((code, seen_ns, since_ns, rising))
        self._n_rows += len(code)
        more = np.zeros_like(self._counts)
        more[slots] = later._counts
        self._count(more.reshape(-1))
        self._first_ns[slots] = np.where(fresh, later._first_ns, self._first_ns[slots])
        self._first_length[slots] = np.where(fresh, later._first_length, self._first_length[slots])
        first_counts = later._first_counts & (not had_discontinuity)
        self._first_counts[slots] = np.where(fresh, first_counts, self._first_counts[slots])
        self._first_words[slots] = np.where(fresh[:, None], later._first_words, self._first_words[slots])
        if later._had_discontinuity:
            self._last_counts[:] = False
        self._last_ns[slots], self._last_length[slots] = later._last_ns, later._last_length
        self._last_counts[slots] = later._last_counts
        self._last_words[slots] = later._last_words
        self._frames[slots] += later._frames
        self._length[slots] = np.maximum(self._length[slots], later._length)
        self._segment = later._segment
        if self._n_rows > _COMPACT_ROWS:
            self._compact()

    def finish(self) -> BitToggles:
        """Return all changes of bits that were not given up."""
        code, seen_ns, since_ns, rising = self._joined()
        kept = np.flatnonzero(~self._is_busy(code))
        order = kept[np.lexsort((seen_ns[kept], code[kept]))]
        intervals = np.maximum(self._frames - 1, 1)
        return BitToggles(
            origins=tuple(self._origins),
            frames=self._frames,
            period_ns=np.where(self._frames > 1, (self._last_ns - self._first_ns) // intervals, 0),
            length=self._length,
            code=code[order],
            seen_ns=seen_ns[order],
            since_ns=since_ns[order],
            rising=rising[order],
            n_busy=int((self._counts > self._cap).sum()),
        )


def _word(frames: Frames, rows: NDArray[np.intp], length: NDArray[np.int64], k: int) -> NDArray[np.uint64]:
    """Return word k of each payload, 0 where it has none."""
    word = np.zeros(len(rows), np.uint64)
    there = np.flatnonzero(length > 8 * k)
    word[there] = frames.words[frames.word[rows[there]] + k]
    return word


def _before(values: NDArray[Any], first: NDArray[np.intp], carried: NDArray[Any]) -> NDArray[Any]:
    """Return what each frame's predecessor of the same origin had; `carried`: of each origin's first frame."""
    result = np.empty_like(values)
    result[1:] = values[:-1]
    result[first] = carried
    return result
