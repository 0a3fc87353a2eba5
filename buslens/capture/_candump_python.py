"""Reads the common lines of a candump log file by a pattern; leaves all others to `_candump_kernel`.

Plain only: for a small capture the compiler is not worth its start, and a pattern takes a line in one step where the
kernel takes one for each character.
"""

from __future__ import annotations

import re
from binascii import unhexlify
from typing import TYPE_CHECKING, Final

from buslens.capture._candump_kernel import scan
from buslens.capture._pattern_scan import _TrafficCounter, labels_of
from buslens.capture._scan_kernel import (
    AXIS_LIMIT,
    BREAK,
    COUNT,
    END,
    EVERYTHING,
    FRAMES,
    GAPS,
    LARGEST,
    LINES,
    MOST_GAPS,
    MOST_WORDS,
    NO_TIME,
    ROOM,
    SHIFT,
    STOP,
    WORD_ROOM,
    WORDS,
    passes_filter,
)

if TYPE_CHECKING:
    from buslens.capture._scan_kernel import Numbers, Slots

_COMMON: Final = re.compile(
    rb"""
    \( (\d{1,9}|[123]\d{9}) \. (\d{6}) \)                   # (1700000000.000072)
    [ ] ([^\s\0]{1,31})                                     # can0
    [ ] ( [0-7][0-9A-Fa-f]{2} | [01][0-9A-Fa-f]{7} ) \#     # 202#
    ( (?:[0-9A-Fa-f]{2}){0,8} )                             # E8B7
    ( [ ][RT] )? \r?\n
    """,
    re.VERBOSE,
)


def scan_plain(  # noqa: PLR0915  (one flat loop, for speed)
    text: bytearray,
    start: int,
    stop: int,
    s: Slots,
    code: Numbers,
    ids: Numbers,
    labels: bytearray,
    time: Slots,
    channel: Slots,
    can_id: Slots,
    flags: Slots,
    dlc: Slots,
    length: Slots,
    word: Slots,
    words: Slots,
) -> int:
    """Read lines from start to stop, exactly as `_candump_kernel.scan` does."""
    columns = time, channel, can_id, flags, dlc, length, word, words
    match = _COMMON.match
    everything = s[EVERYTHING]
    traffic = _TrafficCounter(s)
    p = start
    known: dict[bytes, int] = {}
    largest, shift, count, n_words = NO_TIME, 0, 0, 0
    # Frames since the slots were last written; each is a line.
    fresh = 0
    is_stale = True
    while p < stop:
        if is_stale:
            known = labels_of(s, labels)
            traffic.fetch()
            largest, shift, count, n_words = s[LARGEST], s[SHIFT], s[COUNT], s[WORDS]
            most = min(s[ROOM] - count, s[WORD_ROOM] - n_words - MOST_WORDS)
            if s[BREAK] or largest == NO_TIME:
                most = 0
            is_stale = False
        found = match(text, p) if fresh < most and s[GAPS] + 2 <= MOST_GAPS else None
        at = -AXIS_LIMIT
        if found is not None:
            seconds, micros, label, digits, data, tail = found.groups()
            at = int(seconds) * 1_000_000_000 + int(micros) * 1_000 + shift
        if found is None or at < largest or at > AXIS_LIMIT or label not in known:
            s[LARGEST], s[COUNT], s[WORDS] = largest, count, n_words
            s[FRAMES] += fresh
            s[LINES] += fresh
            traffic.store()
            fresh = 0
            is_stale = True
            p = scan(text, p, p + 1, s, code, ids, labels, *columns)
            if s[STOP] != END:
                return p
            continue
        p = found.end()
        fresh += 1
        largest = at
        c = known[label]
        identifier = int(digits, 16)
        is_extended = len(digits) == 8
        traffic.note(c, identifier | is_extended << 29, at)
        if everything or (passes_filter(identifier, 1, s, ids) if is_extended else ids[identifier]):
            n = len(data) // 2
            time[count] = at
            channel[count] = c
            can_id[count] = identifier
            flags[count] = is_extended | (64 if tail == b" T" else 0)
            dlc[count] = length[count] = n
            word[count] = n_words
            if n:
                words[n_words] = int.from_bytes(unhexlify(data), "little")
                n_words += 1
            count += 1
    if not is_stale:
        traffic.store()
        s[LARGEST], s[COUNT], s[WORDS] = largest, count, n_words
        s[FRAMES] += fresh
        s[LINES] += fresh
    s[STOP] = END
    return p
