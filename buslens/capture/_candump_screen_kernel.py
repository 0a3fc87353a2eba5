"""Reads lines as candump shows them on a screen; `screen` has the grammar and what each reason means."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from buslens.capture import _scan_kernel as kit

if TYPE_CHECKING:
    from buslens.capture._scan_kernel import Columns, Numbers, Slots

# --- the format's slots of the state -----------------------------------------------------------------------

#: Which stamps the lines carry: one of the five below.
STAMPS: Final = kit.FORMAT
#: Delta stamps added up, or the number of frames so far where there are no stamps or all are alike; ns.
CLOCK: Final = kit.FORMAT + 1
#: 1: identifiers have as many digits as they need, not 3 or 8.
UNPADDED: Final = kit.FORMAT + 2

NONE: Final = 0
SECONDS: Final = 1
DELTA: Final = 2
CALENDAR: Final = 3
STILL: Final = 4

# --- what may be wrong with a line -------------------------------------------------------------------------

STAMP_LACKING: Final = kit.FORMAT_REASON
STAMP_SURPLUS: Final = kit.FORMAT_REASON + 1
ID_WIDTH: Final = kit.FORMAT_REASON + 2
ID_RANGE: Final = kit.FORMAT_REASON + 3
NO_LENGTH: Final = kit.FORMAT_REASON + 4
BAD_LENGTH: Final = kit.FORMAT_REASON + 5
FEW_BYTES: Final = kit.FORMAT_REASON + 6
BAD_BYTE: Final = kit.FORMAT_REASON + 7
TAIL: Final = kit.FORMAT_REASON + 8


def days_of(year: int, month: int, day: int) -> int:
    """Return the days from 1970-01-01 to a date of the Gregorian calendar.

    Years begin in March here, so that the leap day is the last of its year and the months before it follow
    one straight line, (153 m + 2) // 5 days.
    """
    year -= month <= 2
    month = month - 3 if month > 2 else month + 9
    return 365 * year + year // 4 - year // 100 + year // 400 + (153 * month + 2) // 5 + day - 719_469


def two_digits(text: Numbers, p: int, code: Numbers) -> int:
    """Return the number of two decimal digits at p, or -1 if they are none."""
    high = code[text[p]]
    if high > 9:
        return -1
    low = code[text[p + 1]]
    if low > 9:
        return -1
    return high * 10 + low


def calendar(text: Numbers, p: int, code: Numbers) -> tuple[int, int]:
    """Read ``2026-11-25 13:05:01.123456`` at p: ns as if it were UTC, and the place behind or a negative reason."""
    century = two_digits(text, p, code)
    if century < 0:
        return 0, -kit.BAD_STAMP
    year = two_digits(text, p + 2, code)
    if year < 0 or text[p + 4] != 45:
        return 0, -kit.BAD_STAMP
    month = two_digits(text, p + 5, code)
    if month < 1 or month > 12 or text[p + 7] != 45:
        return 0, -kit.BAD_STAMP
    day = two_digits(text, p + 8, code)
    if day < 1 or code[text[p + 10]] != kit.BLANK:
        return 0, -kit.BAD_STAMP
    year += 100 * century
    first = days_of(year, month, 1)
    if first + day > (days_of(year, month + 1, 1) if month < 12 else days_of(year + 1, 1, 1)):
        return 0, -kit.BAD_STAMP
    hour = two_digits(text, p + 11, code)
    if hour < 0 or hour > 23 or text[p + 13] != 58:
        return 0, -kit.BAD_STAMP
    minute = two_digits(text, p + 14, code)
    if minute < 0 or minute > 59 or text[p + 16] != 58 or two_digits(text, p + 17, code) < 0:
        return 0, -kit.BAD_STAMP
    rest, q = kit.seconds(text, p + 17, code)
    if q < 0:
        return 0, q
    if rest >= 61_000_000_000:
        return 0, -kit.BAD_STAMP
    whole = ((first + day - 1) * 24 + hour) * 60 + minute
    if whole < -60_000_000 or whole > 60_000_000:  # within STAMP_LIMIT
        return 0, -kit.STAMP_RANGE
    return whole * 60_000_000_000 + rest, q


def payload(text: Numbers, p: int, code: Numbers, length: int, words: Slots, at: int) -> tuple[int, int]:
    """Read `length` bytes of two digits, each behind a blank, into words from `at` on: a reason or 0, and the place."""
    p = kit.skip_blanks(text, p, code)
    for k in range(length):
        while code[text[p]] == kit.BLANK:
            p += 1
        high = code[text[p]]
        if high > 15:
            return FEW_BYTES, p
        low = code[text[p + 1]]
        if low > 15 or not kit.ends_word(code[text[p + 2]]):
            return BAD_BYTE, p
        p += 2
        kit.put_byte(words, at, k, high << 4 | low)
    return 0, p


def direction(text: Numbers, p: int, code: Numbers) -> tuple[int, int]:
    """Read the columns ``RX - -`` at p, which may be missing: the flags that they stand for, and the place behind."""
    if text[p + 1] != 88 or (text[p] != 82 and text[p] != 84) or code[text[p + 2]] != kit.BLANK:
        return 0, p
    flags = kit.TX_FLAG if text[p] == 84 else 0
    q = kit.skip_blanks(text, p + 2, code)
    if code[text[q + 1]] != kit.BLANK or (text[q] != 45 and text[q] != 66):
        return 0, p
    if text[q] == 66:
        flags |= kit.BRS_FLAG
    q = kit.skip_blanks(text, q + 1, code)
    if code[text[q + 1]] != kit.BLANK or (text[q] != 45 and text[q] != 69):
        return 0, p
    if text[q] == 69:
        flags |= kit.ESI_FLAG
    return flags, kit.skip_blanks(text, q + 1, code)


def row(
    text: Numbers, p: int, code: Numbers, unpadded: int, words: Slots, at: int
) -> tuple[int, int, int, int, int, int]:
    """Read what follows the channel.

    Returns
    -------
    tuple of int
        A reason or 0; identifier with its error bit, flags, dlc, length; the place behind.
    """
    flags, p = direction(text, p, code)
    q = kit.hex_run(text, p, code)
    width = q - p
    is_usual = width in (3, 8) or (unpadded != 0 and width > 0 and width < 8)
    if not is_usual or not kit.ends_word(code[text[q]]):
        return ID_WIDTH, 0, 0, 0, 0, p
    can_id = kit.hex_value(text, p, q, code)
    if unpadded != 0 and can_id > 0x7FF:
        width = 8
    if can_id > (0x3FFFFFFF if width == 8 else 0x7FF):
        return ID_RANGE, 0, 0, 0, 0, p
    if can_id >= 0x20000000:
        flags |= kit.ERROR_FLAG
        can_id &= 0x1FFFFFFF
    elif width == 8:
        flags |= kit.EXTENDED_FLAG
    p = kit.skip_blanks(text, q, code)
    dlc = code[text[p + 1]]
    length = 0
    if kit.ends_word(dlc):  # what stands behind is the next line's
        return NO_LENGTH, 0, 0, 0, 0, p
    if text[p] == 123 and text[p + 2] == 125:  # '{', '}': the raw data length code
        if dlc > 15:
            return BAD_LENGTH, 0, 0, 0, 0, p
        length = min(dlc, 8)
        p += 3
    elif text[p] == 91 and text[p + 2] == 93:  # '[', ']'
        if dlc > 8:
            return BAD_LENGTH, 0, 0, 0, 0, p
        length = dlc
        p += 3
    elif text[p] == 91 and dlc < 10 and not kit.ends_word(code[text[p + 2]]) and text[p + 3] == 93:
        length = two_digits(text, p + 1, code)
        dlc = kit.fd_code(length)
        if length < 0 or dlc < 0:
            return BAD_LENGTH, 0, 0, 0, 0, p
        flags |= kit.FD_FLAG
        p += 4
    else:
        return NO_LENGTH, 0, 0, 0, 0, p
    if not flags & kit.FD_FLAG:
        flags &= ~(kit.BRS_FLAG | kit.ESI_FLAG)
    q = kit.skip_blanks(text, p, code)
    if text[q] == 114 and text[q + 1] == 101 and not flags & kit.FD_FLAG:  # 're': remote request
        return 0, can_id, flags | kit.REMOTE_FLAG, dlc, 0, q
    reason, p = payload(text, p, code, length, words, at)
    if reason == 0:
        p = kit.skip_blanks(text, p, code)
        # An apostrophe begins the column of characters, an E the word ERRORFRAME; neither is ever data.
        if not kit.ends_word(code[text[p]]) and text[p] != 39 and not (text[p] == 69 and text[p + 1] == 82):
            reason = TAIL
    return reason, can_id, flags, dlc, length, p


def is_remark(text: Numbers, begin: int, p: int, code: Numbers) -> bool:
    """Return whether the line, whose first character that is no blank is at p, is no frame and need not be.

    Such are empty lines, those behind ``#`` or ``//``, the count of lost frames, and the words in which
    candump explains an error frame: on lines of their own behind a tab.
    """
    if kit.ends_word(code[text[p]]) or text[p] == 35 or (text[p] == 47 and text[p + 1] == 47):
        return True
    if text[p] == 68 and text[p + 1] == 82 and text[p + 2] == 79 and text[p + 3] == 80:  # 'DROP'
        return True
    if text[begin] != 9:
        return False
    while not kit.ends_word(code[text[p]]):
        if text[p] == 91 or text[p] == 40:
            return False
        p += 1
    return kit.ends_word(code[text[kit.skip_blanks(text, p, code)]])


def scan(
    text: Numbers,
    start: int,
    stop: int,
    s: Slots,
    code: Numbers,
    ids: Numbers,
    labels: Slots,
    columns: Columns,
    words: Slots,
) -> int:
    """Read lines from start to stop; return where it came back, with s[STOP] saying why."""
    p = start
    stamps = s[STAMPS]
    while p < stop:
        begin = p
        if kit.is_full(s):
            return begin
        p = kit.skip_blanks(text, p, code)
        if is_remark(text, begin, p, code):
            s[kit.OTHER] += 1
            p = kit.next_line(text, kit.line_end(text, p, code), s)
            continue
        reason = 0
        clock = s[CLOCK]
        gap = False
        if text[p] == 40:  # '('
            if stamps == NONE:
                reason = STAMP_SURPLUS
            elif stamps == CALENDAR:
                clock, p = calendar(text, p + 1, code)
            else:
                clock, p = kit.seconds(text, kit.skip_blanks(text, p + 1, code), code)
                if stamps == STILL and p > 0:
                    clock = s[CLOCK]
                if stamps == DELTA:
                    clock += s[CLOCK]
                    gap = p > 0
            if p < 0:
                reason = -p
            elif reason == 0 and (text[p] != 41 or code[text[p + 1]] != kit.BLANK):
                reason = kit.BAD_STAMP
            elif clock > kit.STAMP_LIMIT:
                reason = kit.STAMP_RANGE
            else:
                p = kit.skip_blanks(text, p + 1, code)
        elif stamps != NONE:
            reason = STAMP_LACKING
        each, flag, raw, n, at, index = 0, 0, 0, 0, 0, 0
        label, label_end = p, 0
        if reason == 0:
            label_end = kit.skip_word(text, p, code)
            if label_end == label or label_end - label >= kit.LABEL_ROOM:
                reason = kit.BAD_LABEL
        if reason == 0:
            reason, each, flag, raw, n, p = row(
                text, kit.skip_blanks(text, label_end, code), code, s[UNPADDED], words, s[kit.WORDS]
            )
        if reason == 0:
            index = s[kit.CHANNEL]
            if kit.same_channel(text, label, code, s, labels) != label_end:
                index = kit.channel_of(text, label, label_end, s, labels)
            if index < 0:
                reason = kit.TOO_MANY_CHANNELS
        if reason == 0:
            at = kit.place_in_time(clock, index, s)
            if at == -kit.AXIS_LIMIT:
                if s[kit.STOP] == kit.SEAM:
                    s[kit.AT] = begin
                    return begin
                reason = s[kit.REASON]
        if gap and reason != kit.STAMP_RANGE:
            # Even where the rest of the line is broken.
            s[CLOCK] = clock
        elif stamps in (NONE, STILL) and reason == 0:
            s[CLOCK] = clock + 1
        if stamps == DELTA and reason != 0 and (not gap or reason in (kit.BAD_STAMP, kit.STAMP_RANGE, TAIL)):
            # Behind too much, as where a line end is missing, there may be another stamp.
            s[kit.BREAK] = kit.LOST
        p = kit.next_line(text, kit.line_end(text, p if reason == 0 else begin, code), s)
        if reason != 0:
            if kit.stops_at_broken(begin, reason, s):
                return p
            continue
        kit.take_frame(at, index, each, kit.frame_key(each, flag), flag, raw, n, s, ids, columns)
    s[kit.STOP] = kit.END
    return p
