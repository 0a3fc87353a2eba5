"""What the kernels of all log formats share: the slots of their state, the classes of characters, and lexing.

Everything here runs plain or compiled (`buslens.kernels`), so: whole numbers of 64 bits, flat buffers, no objects, no
exceptions. A buffer that holds text ends in a line feed at ``stop - 1`` and has `PADDING` bytes behind it, so that no
loop over the characters of a line needs to watch the end.
"""

from __future__ import annotations

from collections.abc import MutableSequence, Sequence
from typing import Final, TypeAlias

Numbers: TypeAlias = Sequence[int]
"""Read-only whole numbers: bytes or a list when plain, an array when compiled."""
Slots: TypeAlias = MutableSequence[int]
"""Whole numbers that a kernel writes: a memory view when plain, an array when compiled."""

Columns: TypeAlias = tuple[Slots, ...]
"""Of frames: time, channel, identifier, flags, dlc, length, and the place of the first word of the payload."""

PADDING: Final = 64
"""Bytes that may be read behind the end of a window."""
LABEL_ROOM: Final = 32
"""Bytes per channel label in the table of labels: 31 and a zero."""
MOST_CHANNELS: Final = 256
"""Labels that the table of labels holds."""
SORTED_NS: Final = 100_000_000
"""Frames of several channels may be this much out of order; a clock that runs back further is a clock discontinuity.

Frames of one channel are never put in another order than that of the file: there any step back is a discontinuity.
"""
STAMP_LIMIT: Final = 4_000_000_000_000_000_000
"""Stamps lie within plus and minus this, ns: until the year 2096."""
AXIS_LIMIT: Final = 9_000_000_000_000_000_000
"""Times on the axis, clock discontinuities added up, stay below this, ns."""
NO_TIME: Final = -(2**62)
"""Stands in `LARGEST` and below every stamp: no frame yet."""
MOST_WORDS: Final = 8
"""Payload words of the longest frame."""
QUIET_NS: Final = 33_000_000
"""A channel on which nothing comes for longer has a gap, ns: a third of the shortest that may be a pause."""

# --- slots of the state: int64[STATE_SIZE] -----------------------------------------------------------------

STATE_SIZE: Final = 4_512
#: Why the kernel came back: one of the five below.
STOP: Final = 0
#: Where the line that it came back for begins.
AT: Final = 1
#: Code of what was wrong with that line, after BROKEN.
REASON: Final = 2
#: Line ends passed.
LINES: Final = 3
FRAMES: Final = 4
REMOTE: Final = 5
ERRORS: Final = 6
OTHER: Final = 7
BROKEN: Final = 8
REORDERED: Final = 9
#: Largest axis time so far, or NO_TIME.
LARGEST: Final = 10
#: Smallest axis time before the first clock discontinuity, or AXIS_LIMIT.
SMALLEST: Final = 11
#: Axis time minus recorded time.
SHIFT: Final = 12
#: Frames and payload words in the columns; the caller sets them to 0 when it has emptied them.
COUNT: Final = 13
WORDS: Final = 14
#: Labels in the table, and the one that was used last.
CHANNELS: Final = 15
CHANNEL: Final = 16
#: The kernel comes back for this many broken lines, and then only counts.
KEEP: Final = 17
#: 1: every frame goes into the columns, whatever `ids` says.
EVERYTHING: Final = 18
#: Size of the hash table of 29-bit ids minus 1.
ID_MASK: Final = 19
#: 1: no clock discontinuities and no shift; the columns hold what was recorded, in file order.
AS_RECORDED: Final = 20
#: Not 0: the kernel comes back at the next frame, whatever its stamp; one of the four below.
BREAK: Final = 21
#: How far the clock ran back, ns, after SEAM.
BACK: Final = 22
#: Clock discontinuities so far.
SEGMENT: Final = 23
#: Room in the columns, in frames and in words.
ROOM: Final = 24
WORD_ROOM: Final = 25
#: No time may come before this one, even if it runs back by less than SORTED_NS: what is older has been handed on.
FLOOR: Final = 26
#: 1: there are wanted J1939 groups in the table of 29-bit ids.
GROUPS: Final = 27
#: Not 0: only the clock of this channel, counted from 1, counts. Frames of others take the time of its latest frame.
ONLY_CLOCK: Final = 28
#: After SEAM: the channel, counted from 1, if its own stamps did not run back; else 0.
IN_ORDER_ON: Final = 29
#: LIN headers that nobody answered.
UNANSWERED: Final = 30
#: Error frames per class bit: 29 slots from here.
ERROR_CLASS: Final = 32
#: Slots from here on belong to the format; a piece of a log may start in the middle only if they are the same there.
FORMAT: Final = 64
FORMAT_END: Final = 128
#: For the first WIDE_CHANNELS labels of up to 7 characters: the label and a blank as one little endian word, the bits
#: of the word that they take, and how many characters they are. A longer label has the word 1 and no bits, which
#: nothing equals.
LABEL_WORD: Final = 128
LABEL_MASK: Final = 144
LABEL_SIZE: Final = 160
WIDE_CHANNELS: Final = 16
#: Gaps in the table of gaps; the caller sets it to 0 when it has emptied the table.
GAPS: Final = 176
#: Per channel: times of its first and latest frame, as FRAMES_ON, ONLY_ID and the table of gaps kept by `note_frame`.
FIRST_ON: Final = 192
LATEST_ON: Final = FIRST_ON + MOST_CHANNELS
#: Frames of the channel.
FRAMES_ON: Final = LATEST_ON + MOST_CHANNELS
#: The one id that came on it, with its flag bits and plus 1; 0: none yet; SEVERAL.
ONLY_ID: Final = FRAMES_ON + MOST_CHANNELS
SEVERAL: Final = -1
#: The table of gaps: channel, or EVERY_CHANNEL, and the times of the frames before and behind.
GAP_TABLE: Final = ONLY_ID + MOST_CHANNELS
MOST_GAPS: Final = 1_024
EVERY_CHANNEL: Final = -1

# --- values of STOP ----------------------------------------------------------------------------------------

#: The window is finished.
END: Final = 0
#: There is no room for another frame in the columns.
FULL: Final = 1
#: The frame at AT is behind a clock discontinuity; nothing of it has been counted.
SEAM: Final = 2
#: The line at AT is broken, and has been counted as such.
BROKEN_LINE: Final = 3
#: The line at AT is one for the format's own `on_line`; it has been counted.
ASK: Final = 4
#: The format's `kernel` has to read the next row, or all that follow in the window, for the `wide_kernel` cannot.
UNUSUAL_ROW: Final = 5
UNUSUAL_ROWS: Final = 6

# --- values of BREAK, beside 0 -----------------------------------------------------------------------------

#: The stamps restart.
RESTARTS: Final = 1
#: A stamp that counts from the line before could not be read, so that nobody knows how much time passed.
LOST: Final = 2
#: A block of zero bytes stands in the log: nobody knows what stood there.
HOLE: Final = 3
#: No segment begins: the kernel is asked to come back at the next frame, so that its time is known.
UNREAD: Final = 4

# --- what may be wrong with a line of any format -----------------------------------------------------------

TOO_LONG: Final = 1
TOO_MANY_CHANNELS: Final = 2
BAD_STAMP: Final = 3
BAD_FRACTION: Final = 4
STAMP_RANGE: Final = 5
BAD_LABEL: Final = 6
#: Of frames that another reader has made.
NO_SUCH_ID: Final = 7
TOO_MUCH_DATA: Final = 8
#: Codes from here on belong to the format.
FORMAT_REASON: Final = 16

# --- flags of a frame --------------------------------------------------------------------------------------

EXTENDED_FLAG: Final = 1
REMOTE_FLAG: Final = 2
ERROR_FLAG: Final = 4
FD_FLAG: Final = 8
BRS_FLAG: Final = 16
ESI_FLAG: Final = 32
TX_FLAG: Final = 64
#: CAN_ERR_BUSERROR of the Linux kernel's can/error.h: all that a row which only names an error is sure to say.
BUS_ERROR: Final = 0x80

# --- classes of characters: entries of `code`, 256 of them -------------------------------------------------
# Hexadecimal digits stand for themselves, so that `< 10` and `< 16` ask for a digit and an OR of several asks for all.

BLANK: Final = 16
LINE_FEED: Final = 32
#: A zero byte, as a recorder leaves them that lost its power: ends a line like a line feed, but is not counted.
ZERO: Final = 33
OTHER_CHARACTER: Final = 64


def character_codes() -> list[int]:
    """Return the class of each of the 256 bytes; a carriage return is a blank, so that CRLF needs no care."""
    codes = [OTHER_CHARACTER] * 256
    for value in range(16):
        codes[ord(f"{value:X}")] = codes[ord(f"{value:x}")] = value
    for blank in b" \t\r":
        codes[blank] = BLANK
    codes[0x0A] = LINE_FEED
    codes[0x00] = ZERO
    return codes


def ends_word(c: int) -> bool:
    """Return whether a character of this class stands behind a word: a blank or the end of the line."""
    return c >= BLANK and c != OTHER_CHARACTER


def skip_blanks(text: Numbers, p: int, code: Numbers) -> int:
    """Return the first place from p on that is no blank."""
    while code[text[p]] == BLANK:
        p += 1
    return p


def skip_word(text: Numbers, p: int, code: Numbers) -> int:
    """Return the first place from p on that is a blank or the end of the line."""
    c = code[text[p]]
    while c < BLANK or c == OTHER_CHARACTER:
        p += 1
        c = code[text[p]]
    return p


def line_end(text: Numbers, p: int, code: Numbers) -> int:
    """Return the place, from p on, where the line ends: a line feed or a zero byte."""
    c = code[text[p]]
    while c != LINE_FEED and c != ZERO:  # noqa: PLR1714  (compiled to two comparisons, a set would be built)
        p += 1
        c = code[text[p]]
    return p


def next_line(text: Numbers, p: int, s: Slots) -> int:
    """Return where the line begins that follows the line end at p, and count the line feed.

    One zero byte ends a line; more of them are a hole in the log.
    """
    first = p
    while text[p] == 0:
        p += 1
    if p > first + 1 and (s[BREAK] == 0 or s[BREAK] == UNREAD):
        s[BREAK] = HOLE
    if text[p] == 10:
        s[LINES] += 1
        p += 1
    return p


def hex_run(text: Numbers, p: int, code: Numbers) -> int:
    """Return the first place from p on that is no hexadecimal digit."""
    while (
        code[text[p]]
        | code[text[p + 1]]
        | code[text[p + 2]]
        | code[text[p + 3]]
        | code[text[p + 4]]
        | code[text[p + 5]]
        | code[text[p + 6]]
        | code[text[p + 7]]
    ) < 16:
        p += 8
    while code[text[p]] < 16:
        p += 1
    return p


def hex_value(text: Numbers, p: int, stop: int, code: Numbers) -> int:
    """Return the number that the hexadecimal digits from p to stop stand for; at most 15 of them."""
    value = 0
    while p < stop:
        value = value << 4 | code[text[p]]
        p += 1
    return value


def seconds(text: Numbers, p: int, code: Numbers) -> tuple[int, int]:
    """Read ``1700000000.000123`` at p: ns, and the place behind it or a negative reason.

    The fraction has 0 to 9 digits, behind a point or a decimal comma; there may be none.
    """
    value = 0
    first = p
    last = p + 11
    d = code[text[p]]
    while d < 10 and p < last:
        value = value * 10 + d
        p += 1
        d = code[text[p]]
    if p == first:
        return 0, -BAD_STAMP
    if p == last or value >= 4_000_000_000:
        return 0, -STAMP_RANGE
    if text[p] != 46 and text[p] != 44:
        return value * 1_000_000_000, p
    p += 1
    first = p
    last = p + 9  # ten decimals would not fit into 64 bits
    d = code[text[p]]
    while d < 10 and p < last:
        value = value * 10 + d
        p += 1
        d = code[text[p]]
    if d < 10:
        return 0, -BAD_FRACTION
    places = p - first
    if places == 6:
        return value * 1_000, p
    while places < 9:
        value *= 10
        places += 1
    return value, p


def same_channel(text: Numbers, p: int, code: Numbers, s: Slots, labels: Numbers) -> int:
    """Return the place behind the label at p if it is the label of the line before, else 0."""
    k = s[CHANNEL] * LABEL_ROOM
    while labels[k] != 0 and text[p] == labels[k]:
        p += 1
        k += 1
    if labels[k] == 0 and code[text[p]] == BLANK:
        return p
    return 0


def channel_of(text: Numbers, p: int, stop: int, s: Slots, labels: Slots) -> int:
    """Return the index of the label from p to stop, entering it if it is new; -1 if there is no room.

    Only for lines that are known to be frames: a broken line must not invent a channel. Only for labels of fewer than
    LABEL_ROOM characters, which the caller sees to: a longer one would be written over others, and beyond the table.
    """
    n = s[CHANNELS]
    size = stop - p
    for channel in range(n):
        base = channel * LABEL_ROOM
        k = 0
        while k < size and labels[base + k] == text[p + k]:
            k += 1
        if k == size and labels[base + k] == 0:
            s[CHANNEL] = channel
            return channel
    if n == MOST_CHANNELS:
        return -1
    for k in range(size):
        labels[n * LABEL_ROOM + k] = text[p + k]
    note_label(n, size, s, labels)
    s[CHANNELS] = n + 1
    s[CHANNEL] = n
    return n


def note_label(channel: int, size: int, s: Slots, labels: Numbers) -> None:
    """Set the slots that let a label be compared as one word."""
    if channel < WIDE_CHANNELS:
        s[LABEL_WORD + channel] = 1
        s[LABEL_MASK + channel] = 0
        s[LABEL_SIZE + channel] = size + 1
        if size <= 7:
            value = 32  # the blank ends up as the topmost byte that counts, the first character as the lowest
            for k in range(size):
                value = value << 8 | labels[channel * LABEL_ROOM + size - 1 - k]
            s[LABEL_WORD + channel] = value
            s[LABEL_MASK + channel] = -1 if size == 7 else (1 << 8 * (size + 1)) - 1


def passes_filter(can_id: int, extended: int, s: Slots, ids: Numbers) -> bool:
    """Return whether frames of this id go into the columns.

    ids : int64[2048 + size], 1 for each wanted 11-bit id, then an open-addressing hash table of wanted 29-bit ids
    plus 1, of a size that is a power of two and never full. In it a wanted J1939 group stands as its bits of an id
    (Linux kernel, Documentation/networking/j1939.rst) with bit 29.
    """
    if s[EVERYTHING] != 0:
        return True
    if extended == 0:
        return ids[can_id] != 0
    if in_table(can_id, s, ids):
        return True
    if s[GROUPS] == 0:
        return False
    bits = can_id & 0x03FFFF00
    if (can_id >> 16 & 0xFF) < 240:
        bits = can_id & 0x03FF0000
    return in_table(bits | 1 << 29, s, ids)


def in_table(key: int, s: Slots, ids: Numbers) -> bool:
    """Return whether the hash table of `passes_filter` has a key."""
    mask = s[ID_MASK]
    k = (key ^ key >> 11 ^ key >> 19) & mask
    while ids[2048 + k] != 0:
        if ids[2048 + k] == key + 1:
            return True
        k = (k + 1) & mask
    return False


def place_in_time(stamp: int, channel: int, s: Slots) -> int:
    """Return the axis time of a frame that was stamped so, or -AXIS_LIMIT when SEAM or STAMP_RANGE must be dealt with.

    The order of stamps is kept in LARGEST, SMALLEST and REORDERED. To be called once per valid frame, when nothing else
    can go wrong with its line, and before `note_frame`. On failure s[STOP] is SEAM, or BROKEN_LINE with s[REASON] set.
    """
    shift = s[SHIFT]
    largest = s[LARGEST]
    if s[ONLY_CLOCK] != 0 and s[ONLY_CLOCK] != channel + 1:
        return max(largest, s[FLOOR], 0)
    if stamp > AXIS_LIMIT - shift:
        s[STOP] = BROKEN_LINE
        s[REASON] = STAMP_RANGE
        return -AXIS_LIMIT
    time = stamp + shift
    if time >= largest and s[BREAK] == 0:
        s[LARGEST] = time
    elif s[AS_RECORDED] != 0:
        s[BREAK] = 0
        # What runs back further is of another run, and the frames behind it are compared with it.
        s[LARGEST] = time if largest - time > SORTED_NS else max(time, largest)
    elif (
        s[BREAK] != 0
        or (s[FRAMES_ON + channel] != 0 and time < s[LATEST_ON + channel])
        or largest - time > SORTED_NS
        or time < s[FLOOR]
    ):
        s[STOP] = SEAM
        s[BACK] = largest - time
        is_in_order = s[BREAK] == 0 and (s[FRAMES_ON + channel] == 0 or time >= s[LATEST_ON + channel])
        s[IN_ORDER_ON] = channel + 1 if is_in_order else 0
        return -AXIS_LIMIT
    else:
        s[REORDERED] += 1
    if time < s[SMALLEST] and s[SEGMENT] == 0:
        s[SMALLEST] = time
    return time


def note_frame(channel: int, key: int, time: int, s: Slots) -> None:
    """Note that a frame of any id came on a channel; `key` is the id with bits of its own for its width and for errors.

    The table must have room for a gap; the caller of a kernel empties it. A frame that came out of order ends no gap.
    """
    latest = s[LATEST_ON + channel]
    frames = s[FRAMES_ON + channel]
    s[FRAMES_ON + channel] = frames + 1
    if frames == 0:
        s[FIRST_ON + channel] = time
        s[LATEST_ON + channel] = time
        s[ONLY_ID + channel] = key + 1
        return
    if s[ONLY_ID + channel] != key + 1:
        s[ONLY_ID + channel] = SEVERAL
    if time > latest:
        s[LATEST_ON + channel] = time
        if time - latest > QUIET_NS:
            note_gap(channel, latest, time, s)


def note_gap(channel: int, before: int, behind: int, s: Slots) -> None:
    """Put a gap into the table of gaps."""
    k = GAP_TABLE + 3 * s[GAPS]
    s[k] = channel
    s[k + 1] = before
    s[k + 2] = behind
    s[GAPS] += 1


def frame_key(can_id: int, flags: int) -> int:
    """Return what tells the frames of an id from all others."""
    return can_id | (flags & (EXTENDED_FLAG | ERROR_FLAG)) << 29


def count_error_classes(can_id: int, s: Slots) -> None:
    """Count an error frame and its class bits."""
    s[ERRORS] += 1
    for bit in range(29):
        if can_id >> bit & 1:
            s[ERROR_CLASS + bit] += 1


def is_full(s: Slots) -> bool:
    """Return whether the columns or the table of gaps may be too full for another frame, which s[STOP] then says."""
    full = s[COUNT] >= s[ROOM] or s[WORDS] + MOST_WORDS > s[WORD_ROOM] or s[GAPS] + 2 > MOST_GAPS
    s[STOP] = FULL if full else END
    return full


def stops_at_broken(begin: int, reason: int, s: Slots) -> bool:
    """Count the broken line that begins there; return whether the kernel comes back for it."""
    s[BROKEN] += 1
    s[REASON] = reason
    told = s[BROKEN] <= s[KEEP]
    s[STOP] = BROKEN_LINE if told else END
    if told:
        s[AT] = begin
    return told


def take_frame(
    at: int, c: int, identifier: int, key: int, flag: int, raw: int, n: int, s: Slots, ids: Numbers, columns: Columns
) -> bool:
    """Count a frame of n bytes and note its `key` on its channel; return whether it is wanted.

    Then it is in the columns; its payload, which may have been written already, is what ends at s[WORDS].
    """
    s[FRAMES] += 1
    if flag & REMOTE_FLAG:
        s[REMOTE] += 1
    note_frame(c, key, at, s)
    if flag & ERROR_FLAG:
        count_error_classes(identifier, s)
        if s[EVERYTHING] == 0:
            return False
    elif not passes_filter(identifier, flag & EXTENDED_FLAG, s, ids):
        return False
    time, channel, can_id, flags, dlc, length, word = columns
    k = s[COUNT]
    time[k] = at
    channel[k] = c
    can_id[k] = identifier
    flags[k] = flag
    dlc[k] = raw
    length[k] = n
    word[k] = s[WORDS]
    s[WORDS] += (n + 7) >> 3
    s[COUNT] = k + 1
    return True


def fd_code(length: int) -> int:
    """Return the data length code of a CAN FD payload (ISO 11898-1), or -1 if there is none for this length."""
    if length <= 8:
        return length
    if length == 12:
        return 9
    if length == 16:
        return 10
    if length == 20:
        return 11
    if length == 24:
        return 12
    if length == 32:
        return 13
    if length == 48:
        return 14
    if length == 64:
        return 15
    return -1


def fd_length(dlc: int) -> int:
    """Return the bytes of payload that a CAN FD data length code of 0 to 15 stands for (ISO 11898-1)."""
    if dlc <= 8:
        return dlc
    if dlc <= 12:
        return 4 * dlc - 24
    if dlc == 13:
        return 32
    return 16 * dlc - 176


def put_byte(words: Slots, at: int, n: int, value: int) -> None:
    """Write byte n, the first of which is byte 0, of a payload whose words begin at `at`; bytes come in order."""
    if n & 7:
        words[at + (n >> 3)] |= value << 8 * (n & 7)
    else:
        words[at + (n >> 3)] = value


def hex_words(text: Numbers, p: int, length: int, code: Numbers, words: Slots, at: int) -> int:
    """Write the payload of `length` bytes, two digits each without gaps from p on; return the words it took.

    Byte k becomes bits 8*(k % 8) and up of word k // 8; what is left of the last word is zero.
    """
    n = 0
    while length >= 8:
        value = 0
        for k in range(8):
            value |= (code[text[p + 2 * k]] << 4 | code[text[p + 2 * k + 1]]) << 8 * k
        words[at + n] = value
        n += 1
        p += 16
        length -= 8
    if length > 0:
        value = 0
        for k in range(length):
            value |= (code[text[p + 2 * k]] << 4 | code[text[p + 2 * k + 1]]) << 8 * k
        words[at + n] = value
        n += 1
    return n
