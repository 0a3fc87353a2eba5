"""Reads lines of a candump log file; `candump` has the grammar and what each reason means."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from buslens.capture import _scan_kernel as kit

if TYPE_CHECKING:
    from buslens.capture._scan_kernel import Columns, Numbers, Slots

#: 1: identifiers have as many digits as they need, not 3 or 8.
UNPADDED: Final = kit.FORMAT
#: 1: the stamps tell no time, so that frames are numbered, 1 ns apart; how many there were.
UNTIMED: Final = kit.FORMAT + 1
ORDER: Final = kit.FORMAT + 2
#: 1: a line has no stamp, and begins with its channel.
BARE: Final = kit.FORMAT + 3

NO_BRACKET: Final = kit.FORMAT_REASON
UNCLOSED: Final = kit.FORMAT_REASON + 1
ID_WIDTH: Final = kit.FORMAT_REASON + 2
ID_RANGE: Final = kit.FORMAT_REASON + 3
NO_HASH: Final = kit.FORMAT_REASON + 4
ODD_DIGITS: Final = kit.FORMAT_REASON + 5
TOO_MUCH_DATA: Final = kit.FORMAT_REASON + 6
FD_LENGTH: Final = kit.FORMAT_REASON + 7
RAW_DLC: Final = kit.FORMAT_REASON + 8
TAIL: Final = kit.FORMAT_REASON + 9
FD_FLAGS: Final = kit.FORMAT_REASON + 10


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
        q = kit.hex_run(text, p + 2, code)
        digits = q - p - 2
        if digits & 1:
            return 0, 0, 0, -ODD_DIGITS
        dlc = kit.fd_code(digits >> 1)
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
    q = kit.hex_run(text, p, code)
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
    columns: Columns,
    words: Slots,
) -> int:
    """Read lines from start to stop; return where it came back, with s[STOP] saying why."""
    p = start
    while p < stop:
        begin = p
        if kit.is_full(s):
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
            p = kit.skip_blanks(text, p, code)
            if (code[text[p]] >= 32 and code[text[p]] < 64) or text[p] == 35:
                s[kit.OTHER] += 1
                p = kit.next_line(text, kit.line_end(text, p, code), s)
                continue
        if s[BARE] == 0:
            if text[p] == 40:
                stamp, p = kit.seconds(text, kit.skip_blanks(text, p + 1, code), code)
            else:
                p = -NO_BRACKET
            if p > 0:
                is_closed = text[p] == 41 and code[text[p + 1]] == kit.BLANK
                p = kit.skip_blanks(text, p + 1, code) if is_closed else -UNCLOSED
        if p > 0 or s[BARE] != 0:  # without a stamp the channel may stand at the very beginning
            label = p
            label_end = kit.same_channel(text, p, code, s, labels)
            p = label_end
            if p == 0:
                p = kit.skip_word(text, label, code)
                n = p - label
                if n == 0 or n >= kit.LABEL_ROOM:
                    p = -kit.BAD_LABEL
        if p > 0:
            end = p
            p = kit.skip_blanks(text, p, code)
            data = kit.hex_run(text, p, code)
            digits = data - p
            if text[data] != 35:
                p = -NO_HASH
            elif digits == 3:
                identifier = code[text[p]] << 8 | code[text[p + 1]] << 4 | code[text[p + 2]]
                if identifier > 0x7FF and s[UNPADDED] != 0:
                    digits = 8
                p = data + 1 if identifier < 0x800 or digits == 8 else -ID_RANGE
            elif digits == 8:
                identifier = kit.hex_value(text, p, data, code)
                p = data + 1 if identifier < 0x40000000 else -ID_RANGE
            elif s[UNPADDED] != 0 and digits > 0 and digits < 8:
                identifier = kit.hex_value(text, p, data, code)
                digits = 8 if identifier > 0x7FF else 3
                p = data + 1
            else:
                p = -ID_WIDTH
        if p > 0:
            data = p
            flag, raw, n, p = payload(text, p, code)
        if p > 0:
            c = code[text[p]]
            if c == kit.BLANK:
                p = kit.skip_blanks(text, p, code)
                if text[p] | 32 == 116:  # 't'
                    flag |= 64
                    p = kit.skip_blanks(text, p + 1, code)
                elif text[p] | 32 == 114:  # 'r'
                    p = kit.skip_blanks(text, p + 1, code)
                c = code[text[p]]
            if c < 32 or c == 64:
                p = -TAIL
        at = 0
        if p > 0:
            c = s[kit.CHANNEL]
            if label_end == 0:
                c = kit.channel_of(text, label, end, s, labels)
            if c < 0:
                p = -kit.TOO_MANY_CHANNELS
        if p > 0:
            if s[UNTIMED] != 0:
                s[ORDER] += 1
                stamp = s[ORDER]
            at = kit.place_in_time(stamp, c, s)
            if at == -kit.AXIS_LIMIT:
                if s[kit.STOP] == kit.SEAM:
                    s[kit.AT] = begin
                    return begin
                p = -s[kit.REASON]
        if p <= 0:
            reason = -p
            p = kit.next_line(text, kit.line_end(text, begin, code), s)
            if kit.stops_at_broken(begin, reason, s):
                return p
            continue
        p = kit.next_line(text, p, s)
        if identifier >= 0x20000000:
            identifier &= 0x1FFFFFFF
            flag |= kit.ERROR_FLAG
        elif digits == 8:
            flag |= kit.EXTENDED_FLAG
        if flag & kit.FD_FLAG:
            data += 2
        at_word = s[kit.WORDS]
        if kit.take_frame(at, c, identifier, kit.frame_key(identifier, flag), flag, raw, n, s, ids, columns):
            kit.hex_words(text, data, n, code, words, at_word)
    s[kit.STOP] = kit.END
    return p
