"""Reads the common lines of a log by a pattern; leaves all others to a format's kernel.

Plain only: for a small capture the compiler is not worth its start, and a pattern takes a line in one step where
a kernel takes one for each character. What a line means is the kernel's to say: a pattern may only match lines of
which the kernel would make the same frame.
"""

import re
from binascii import unhexlify
from collections.abc import Callable
from typing import Final

from buslens.capture import _scan_kernel as kit
from buslens.capture._scan_kernel import Columns, Numbers, Slots

_PARTS: Final = ("seconds", "micros", "label", "standard", "extended", "way", "size", "digits")
"""Groups of a pattern: T stands for sent, an empty size for none that is stated."""


def scan_by_pattern(  # noqa: PLR0915  (one flat loop, for speed)
    pattern: re.Pattern[bytes],
    scan: Callable[..., int],
    is_usual: Callable[[Slots], object],
    origin: int | None,
    text: bytearray,
    start: int,
    stop: int,
    s: Slots,
    code: Numbers,
    ids: Numbers,
    labels: bytearray,
    columns: Columns,
    words: Slots,
) -> int:
    """Read lines from start to stop, exactly as the kernel `scan` does.

    Parameters
    ----------
    pattern : re.Pattern
        Matches whole lines of classical data frames with their ends, and has all groups of `_PARTS`.
    is_usual : callable
        Whether the format's slots are such that lines may be read this way; asked after each line of the kernel's.
    origin : int or None
        The slot of what stamps count from; None: there is none.
    """
    time, channel, can_id, flags, dlc, length, word = columns
    match = pattern.match
    everything = s[kit.EVERYTHING]
    known: dict[bytes, int] = {}
    traffic = _TrafficCounter(s)
    largest, shift, offset, count, n_words, most = kit.NO_TIME, 0, 0, 0, 0, 0
    # Frames since the slots were last written; each is a line.
    fresh = 0
    is_stale = True
    p = start
    while p < stop:
        if is_stale:
            known = labels_of(s, labels)
            traffic.fetch()
            largest, shift, count, n_words = s[kit.LARGEST], s[kit.SHIFT], s[kit.COUNT], s[kit.WORDS]
            most = min(s[kit.ROOM] - count, s[kit.WORD_ROOM] - n_words - kit.MOST_WORDS)
            offset = shift if origin is None else shift + s[origin]
            if s[kit.BREAK] or largest == kit.NO_TIME or not is_usual(s):
                most = 0
            is_stale = False
        found = match(text, p) if fresh < most and s[kit.GAPS] + 2 <= kit.MOST_GAPS else None
        is_common = False
        if found is not None:
            seconds, micros, label, standard, extended, way, size, digits = found.group(*_PARTS)
            stamp = int(seconds) * 1_000_000_000 + int(micros) * 1_000 + offset
            data = unhexlify(digits.replace(b" ", b""))
            n = len(data)
            is_common = largest <= stamp < kit.STAMP_LIMIT + shift and label in known and (not size or n == int(size))
        if found is None or not is_common:
            s[kit.LARGEST], s[kit.COUNT], s[kit.WORDS] = largest, count, n_words
            s[kit.FRAMES] += fresh
            s[kit.LINES] += fresh
            traffic.store()
            fresh = 0
            is_stale = True
            p = scan(text, p, p + 1, s, code, ids, labels, columns, words)
            if s[kit.STOP] != kit.END:
                return p
            continue
        is_extended = standard is None
        identifier = int(extended if is_extended else standard, 16)
        p = found.end()
        fresh += 1
        largest = stamp
        traffic.note(known[label], identifier | is_extended << 29, largest)
        if everything or (kit.passes_filter(identifier, 1, s, ids) if is_extended else ids[identifier]):
            time[count] = largest
            channel[count] = known[label]
            can_id[count] = identifier
            flags[count] = is_extended | (kit.TX_FLAG if way == b"T" else 0)
            dlc[count] = length[count] = n
            word[count] = n_words
            if n:
                words[n_words] = int.from_bytes(data, "little")
                n_words += 1
            count += 1
    if not is_stale:
        traffic.store()
        s[kit.LARGEST], s[kit.COUNT], s[kit.WORDS] = largest, count, n_words
        s[kit.FRAMES] += fresh
        s[kit.LINES] += fresh
    s[kit.STOP] = kit.END
    return p


def labels_of(s: Slots, labels: bytearray) -> dict[bytes, int]:
    """Return the channels on which a frame has come, by label."""
    return {
        bytes(labels[base : labels.index(0, base)]): base // kit.LABEL_ROOM
        for base in range(0, s[kit.CHANNELS] * kit.LABEL_ROOM, kit.LABEL_ROOM)
        if s[kit.FRAMES_ON + base // kit.LABEL_ROOM]
    }


class _TrafficCounter:
    """What `note_frame` keeps of the channels, in lists: Python is quicker with those than with the slots."""

    def __init__(self, s: Slots) -> None:
        self._s = s
        self._latest: list[int] = []
        self._frames: list[int] = []
        self._only: list[int] = []

    def fetch(self) -> None:
        """Take over what the slots say."""
        s, channels = self._s, range(self._s[kit.CHANNELS])
        self._latest = [s[kit.LATEST_ON + c] for c in channels]
        self._frames = [s[kit.FRAMES_ON + c] for c in channels]
        self._only = [s[kit.ONLY_ID + c] for c in channels]

    def store(self) -> None:
        """Let the slots say what is known."""
        s = self._s
        for c, (latest, frames, only) in enumerate(zip(self._latest, self._frames, self._only, strict=True)):
            s[kit.LATEST_ON + c], s[kit.FRAMES_ON + c], s[kit.ONLY_ID + c] = latest, frames, only

    def note(self, channel: int, key: int, time: int) -> None:
        """Note a frame on a channel on which there has been one, none of them later."""
        latest = self._latest
        if time - latest[channel] > kit.QUIET_NS:
            kit.note_gap(channel, latest[channel], time, self._s)
        latest[channel] = time
        self._frames[channel] += 1
        if self._only[channel] != key + 1:
            self._only[channel] = kit.SEVERAL
