"""What a history keeps of frames among which nothing is out of the ordinary.

`MessageHistory.add` knows every case, on columns of all frames at once. In a large log nearly all runs of frames are of
the plainest kind: each message has one sender, its frames are long enough, none is late. Of those this loop returns the
same rows in one pass over all messages, or says of which messages the frames are not plain.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from buslens.capture._scan_kernel import Numbers, Slots

# --- slots of a message ------------------------------------------------------------------------------------

#: Identifier, with the flags that tell a frame of data in its bits from 29 on.
KEY: Final = 0
#: The channel that it comes on, and whether frames of others are none of its.
CHANNEL: Final = 1
IS_TIED: Final = 2
#: Bytes that a frame must have more of.
LAST_BYTE: Final = 3
#: A frame that comes later than this behind the one before is not plain; behind more than LOST it makes a row, ns.
TIMEOUT: Final = 4
LOST: Final = 5
#: Its tracks: the first, and the one behind the last.
TRACKS: Final = 6
TRACKS_END: Final = 7
#: Time of the frame before, ns.
BEFORE: Final = 8
#: How many of its frames came; NOT_PLAIN as soon as one was not plain.
TAKEN: Final = 9
#: The word of the payload that all tracks stand in, if each frame carries all of them, else -1; its bits that they
#: take, and the word of the frame before: where these bits are the same there is nothing new.
ONLY_WORD: Final = 10
USED_BITS: Final = 11
LATEST: Final = 12
MESSAGE_SLOTS: Final = 13

NOT_PLAIN: Final = -1

# --- slots of a track --------------------------------------------------------------------------------------

#: Its field: see `field_of`.
WORD: Final = 0
FROM_BYTE: Final = 1
TO_BYTE: Final = 2
SHIFT: Final = 3
MASK: Final = 4
#: Slots as those five: the field that selects the track, and the value of it with which a frame carries the track.
SELECTOR: Final = 5
SELECTED: Final = 10
#: Of the frame before that carried it: the field, and, where not all do, the time, ns.
BITS: Final = 11
CARRIED: Final = 12
#: Rows that were written.
ROWS: Final = 13
TRACK_SLOTS: Final = 14


def place_of(key: int, mask: int) -> int:
    """Return where in a hash table of `mask` + 1 places a key is looked for first."""
    return (key ^ key >> 7 ^ key >> 19) & mask


def field_of(words: Numbers, first: int, slots: Numbers, at: int) -> int:
    """Return the field that five slots name, of the payload whose words begin at `first`; 0 if its mask is 0.

    It is ``word >> SHIFT & MASK`` of word number WORD; if TO_BYTE is not 0, of the number that the bytes from FROM_BYTE
    on make, the first one highest.
    """
    if slots[at + MASK] == 0:
        return 0
    value = words[first + slots[at + WORD]]
    if slots[at + TO_BYTE] != 0:
        whole = value
        value = 0
        for b in range(slots[at + FROM_BYTE], slots[at + TO_BYTE]):
            value = value << 8 | whole >> 8 * b & 0xFF
    return value >> slots[at + SHIFT] & slots[at + MASK]


def keep_rows(
    start: int,
    stop: int,
    time: Numbers,
    channel: Numbers,
    can_id: Numbers,
    flags: Numbers,
    length: Numbers,
    word: Numbers,
    words: Numbers,
    table: Numbers,
    mask: int,
    messages: Slots,
    tracks: Slots,
    room: int,
    out_time: Slots,
    out_gap: Slots,
    out_bits: Slots,
) -> None:
    """Write the rows that some frames make into columns with `room` rows for each track, and the rest into the slots.

    `table` is an open-addressing hash table, of a size that is a power of two and never full: for each message 1 and
    where its slots begin. Of a message that is not plain neither slots nor rows mean anything.
    """
    for row in range(start, stop):
        key = can_id[row] | (flags[row] & 7) << 29
        k = place_of(key, mask)
        while table[k] != 0:
            m = table[k] - 1
            k = (k + 1) & mask
            if messages[m + KEY] != key or messages[m + TAKEN] == NOT_PLAIN:
                continue
            if channel[row] != messages[m + CHANNEL]:
                if messages[m + IS_TIED] == 0:
                    messages[m + TAKEN] = NOT_PLAIN
                continue
            at = time[row]
            gap = at - messages[m + BEFORE]
            if length[row] <= messages[m + LAST_BYTE] or gap > messages[m + TIMEOUT]:
                messages[m + TAKEN] = NOT_PLAIN
                continue
            messages[m + BEFORE] = at
            messages[m + TAKEN] += 1
            first = word[row]
            if messages[m + ONLY_WORD] >= 0:
                latest = words[first + messages[m + ONLY_WORD]]
                is_same = (latest ^ messages[m + LATEST]) & messages[m + USED_BITS] == 0
                messages[m + LATEST] = latest
                if is_same and messages[m + TAKEN] > 1 and gap <= messages[m + LOST]:
                    continue
            for number in range(messages[m + TRACKS], messages[m + TRACKS_END]):
                t = TRACK_SLOTS * number
                since = gap
                if tracks[t + SELECTOR + MASK] != 0:
                    if field_of(words, first, tracks, t + SELECTOR) != tracks[t + SELECTED]:
                        continue
                    since = at - tracks[t + CARRIED]
                    tracks[t + CARRIED] = at
                value = field_of(words, first, tracks, t)
                if value != tracks[t + BITS] or since > messages[m + LOST]:
                    kept = number * room + tracks[t + ROWS]
                    out_time[kept] = at
                    out_gap[kept] = since
                    out_bits[kept] = value
                    tracks[t + BITS] = value
                    tracks[t + ROWS] += 1
