"""Reads lines of a candump log file; `candump` has the grammar and what each reason means."""

from __future__ import annotations

from typing import Final

from buslens.capture._scan_kernel import (
    AT,
    AXIS_LIMIT,
    BAD_LABEL,
    BLANK,
    CHANNEL,
    END,
    ERROR_FLAG,
    EXTENDED_FLAG,
    FD_FLAG,
    FORMAT,
    FORMAT_REASON,
    LABEL_ROOM,
    OTHER,
    REASON,
    SEAM,
    STOP,
    TOO_MANY_CHANNELS,
    WORDS,
    Numbers,
    Slots,
    channel_of,
    fd_code,
    frame_key,
    hex_run,
    hex_value,
    hex_words,
    is_full,
    line_end,
    next_line,
    place_in_time,
    same_channel,
    seconds,
    skip_blanks,
    skip_word,
    stops_at_broken,
    take_frame,
)

#: 1: identifiers have as many digits as they need, not 3 or 8.
UNPADDED: Final = FORMAT
#: 1: the stamps tell no time, so that frames are numbered, 1 ns apart; how many there were.
UNTIMED: Final = FORMAT + 1
ORDER: Final = FORMAT + 2
#: 1: a line has no stamp, and begins with its channel.
BARE: Final = FORMAT + 3

NO_BRACKET: Final = FORMAT_REASON
UNCLOSED: Final = FORMAT_REASON + 1
ID_WIDTH: Final = FORMAT_REASON + 2
ID_RANGE: Final = FORMAT_REASON + 3
NO_HASH: Final = FORMAT_REASON + 4
ODD_DIGITS: Final = FORMAT_REASON + 5
TOO_MUCH_DATA: Final = FORMAT_REASON + 6
FD_LENGTH: Final = FORMAT_REASON + 7
RAW_DLC: Final = FORMAT_REASON + 8
TAIL: Final = FORMAT_REASON + 9
FD_FLAGS: Final = FORMAT_REASON + 10


def payload(text: Numbers, p: int, code: Numbers) -> tuple[int, int, int, int]:
    """Read what follows ``ID#``: flags, dlc, length and the place behind it or a negative reason.

    The digits begin at p for a data frame, at p + 2 for a CAN FD frame.
    """
    c = text[p]
    if c == 35:  # '#': CAN FD
        nibble = code[text[p + 1]]
        if nibble > 15:
            return 0, 0, 0, -FD_FLAGS
        flags = 8 | (nibble & 1) << 4 | (nibble & 2) << 4
        q = hex_run(text, p + 2, code)
        digits = q - p - 2
        if digits & 1:
            return 0, 0, 0, -ODD_DIGITS
        dlc = fd_code(digits >> 1)
        if dlc < 0:
            return 0, 0, 0, -FD_LENGTH
        return flags, dlc, digits >> 1, q
    if c | 32 == 114:  # 'R': remote
        dlc = 0
        p += 1
        if code[text[p]] < 16:
            dlc = code[text[p]]
            p += 1
        if text[p] == 95:
            raw = code[text[p + 1]]
            if dlc != 8 or raw < 9 or raw > 15:
                return 0, 0, 0, -RAW_DLC
            return 2, raw, 0, p + 2
        return 2, dlc, 0, p
    q = hex_run(text, p, code)
    digits = q - p
    if digits & 1:
        return 0, 0, 0, -ODD_DIGITS
    if digits > 16:
        return 0, 0, 0, -TOO_MUCH_DATA
    length = digits >> 1
    if text[q] == 95:  # '_': raw data length code
        raw = code[text[q + 1]]
        if length != 8 or raw < 9 or raw > 15:
            return 0, 0, 0, -RAW_DLC
        return 0, raw, length, q + 2
    return 0, length, length, q


def scan(
    text: Numbers,
    start: int,
    stop: int,
    s: Slots,
    code: Numbers,
    ids: Numbers,
    labels: Slots,
    time: Slots,
    channel: Slots,
    can_id: Slots,
    flags: Slots,
    dlc: Slots,
    length: Slots,
    word: Slots,
    words: Slots,
) -> int:
    """Read lines from start to stop; return where it came back, with s[STOP] saying why."""
    p = start
    while p < stop:
        begin = p
        if is_full(s):
            return begin
        stamp = 0
        label = 0
        label_end = 0
        identifier = 0
        digits = 0
        flag = 0
        data = 0
        n = 0
        raw = 0
        if text[p] != 40:
            p = skip_blanks(text, p, code)
            if (code[text[p]] >= 32 and code[text[p]] < 64) or text[p] == 35:
                s[OTHER] += 1
                p = next_line(text, line_end(text, p, code), s)
                continue
        if s[BARE] == 0:
            if text[p] == 40:
                stamp, p = seconds(text, skip_blanks(text, p + 1, code), code)
            else:
                p = -NO_BRACKET
            if p > 0:
                p = skip_blanks(text, p + 1, code) if text[p] == 41 and code[text[p + 1]] == BLANK else -UNCLOSED
        if p > 0 or s[BARE] != 0:  # without a stamp the channel may stand at the very beginning
            label = p
            label_end = same_channel(text, p, code, s, labels)
            p = label_end
            if p == 0:
                p = skip_word(text, label, code)
                n = p - label
                if n == 0 or n >= LABEL_ROOM:
                    p = -BAD_LABEL
        if p > 0:
            end = p
            p = skip_blanks(text, p, code)
            data = hex_run(text, p, code)
            digits = data - p
            if text[data] != 35:
                p = -NO_HASH
            elif digits == 3:
                identifier = code[text[p]] << 8 | code[text[p + 1]] << 4 | code[text[p + 2]]
                if identifier > 0x7FF and s[UNPADDED] != 0:
                    digits = 8
                p = data + 1 if identifier < 0x800 or digits == 8 else -ID_RANGE
            elif digits == 8:
                identifier = hex_value(text, p, data, code)
                p = data + 1 if identifier < 0x40000000 else -ID_RANGE
            elif s[UNPADDED] != 0 and digits > 0 and digits < 8:
                identifier = hex_value(text, p, data, code)
                digits = 8 if identifier > 0x7FF else 3
                p = data + 1
            else:
                p = -ID_WIDTH
        if p > 0:
            data = p
            flag, raw, n, p = payload(text, p, code)
        if p > 0:
            c = code[text[p]]
            if c == BLANK:
                p = skip_blanks(text, p, code)
                if text[p] | 32 == 116:  # 't'
                    flag |= 64
                    p = skip_blanks(text, p + 1, code)
                elif text[p] | 32 == 114:  # 'r'
                    p = skip_blanks(text, p + 1, code)
                c = code[text[p]]
            if c < 32 or c == 64:
                p = -TAIL
        at = 0
        if p > 0:
            c = s[CHANNEL]
            if label_end == 0:
                c = channel_of(text, label, end, s, labels)
            if c < 0:
                p = -TOO_MANY_CHANNELS
        if p > 0:
            if s[UNTIMED] != 0:
                s[ORDER] += 1
                stamp = s[ORDER]
            at = place_in_time(stamp, c, s)
            if at == -AXIS_LIMIT:
                if s[STOP] == SEAM:
                    s[AT] = begin
                    return begin
                p = -s[REASON]
        if p <= 0:
            reason = -p
            p = next_line(text, line_end(text, begin, code), s)
            if stops_at_broken(begin, reason, s):
                return p
            continue
        p = next_line(text, p, s)
        if identifier >= 0x20000000:
            identifier &= 0x1FFFFFFF
            flag |= ERROR_FLAG
        elif digits == 8:
            flag |= EXTENDED_FLAG
        if flag & FD_FLAG:
            data += 2
        at_word = s[WORDS]
        if take_frame(
            at, c, identifier, frame_key(identifier, flag), flag, raw, n, s, ids,
            time, channel, can_id, flags, dlc, length, word,
        ):  # fmt: skip
            hex_words(text, data, n, code, words, at_word)
    s[STOP] = END
    return p
