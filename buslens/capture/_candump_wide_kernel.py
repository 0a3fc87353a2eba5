"""Reads the common lines of a candump log file eight characters at a time; leaves all others to `_candump_kernel`.

Compiled only. Where a plain loop looks at one character, arithmetic on a word of 64 bits looks at eight at once, a byte
each: a sum sets the top bit of every byte that is beyond a limit. Words are read little endian. They are signed, and a
sum that overflows is undefined to the compiler, so the eighth character is left out of such sums and looked up.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from buslens.capture import _scan_kernel as kit
from buslens.capture._candump_kernel import scan

if TYPE_CHECKING:
    from buslens.capture._scan_kernel import Columns, Numbers, Slots

TOPS: Final = 0x0080808080808080
LOWS: Final = 0x007F7F7F7F7F7F7F
ZEROS: Final = 0x3030303030303030  # "00000000"
PAIRS: Final = 0x00FF00FF00FF00FF


def are_digits(x: int, code: Numbers) -> bool:
    """Return whether all eight characters are decimal digits."""
    return (x | ((x ^ ZEROS) & LOWS) + 0x0076767676767676) & TOPS == 0 and code[x >> 56 & 0xFF] < 10


def decimal(x: int) -> int:
    """Return the number that eight decimal digits stand for."""
    x ^= ZEROS
    x = x * 10 + (x >> 8)  # two digits in every other byte
    return (x & 0xFF) * 1_000_000 + (x >> 16 & 0xFF) * 10_000 + (x >> 32 & 0xFF) * 100 + (x >> 48 & 0xFF)


def hex_mask(x: int) -> int:
    """Return a word with the top bit set in each of the first seven bytes that is a hexadecimal digit."""
    digit = ((x ^ ZEROS) & LOWS) + 0x0076767676767676  # top bit: not 0 to 9
    letter = ((x | 0x2020202020202020) ^ 0x6060606060606060) & LOWS  # 1 to 6: a to f
    return ~x & (~digit | ~(letter + 0x0079797979797979) & (letter + LOWS)) & TOPS


def are_hex(x: int, code: Numbers) -> bool:
    """Return whether all eight characters are hexadecimal digits."""
    return hex_mask(x) == TOPS and code[x >> 56 & 0xFF] < 16


def four_bytes(x: int) -> int:
    """Return the four bytes that eight hexadecimal digits stand for, the first one lowest."""
    x = (x & 0x0F0F0F0F0F0F0F0F) + 9 * (x >> 6 & 0x0101010101010101)
    x = (x << 4 | x >> 8) & PAIRS
    x = (x | x >> 8) & 0x0000FFFF0000FFFF
    return (x | x >> 16) & 0xFFFFFFFF


def scan_wide(
    text: Numbers,
    wide: Numbers,
    start: int,
    stop: int,
    s: Slots,
    code: Numbers,
    ids: Numbers,
    labels: Slots,
    columns: Columns,
    words: Slots,
) -> int:
    """Read lines from start to stop, exactly as `_candump_kernel.scan` does.

    wide : int64[n], the eight bytes of text from each place on.
    """
    p = start
    # The ten digits and the point of the seconds that the last line had, and their worth; -1: none, as no text is.
    upper = 0
    lower = -1
    second = 0
    while p < stop:
        if kit.is_full(s):
            return p
        ok = text[p] == 40 and wide[p + 1] == upper and wide[p + 9] & 0xFFFFFF == lower
        q = 0
        stamp = 0
        c = 0
        identifier = 0
        flag = 0
        data = 0
        n = 0
        at = 0
        if ok:
            x = wide[p + 12]
            if x >> 48 & 0xFFFF == 0x2029:  # ") " behind six decimals
                x = x << 16 | 0x3030
                ok = are_digits(x, code)
                if ok:
                    stamp = second + decimal(x) * 1_000
                q = p + 20
            elif wide[p + 20] & 0xFFFF00 == 0x202900 and code[text[p + 20]] < 10:  # behind nine
                ok = are_digits(x, code)
                if ok:
                    stamp = second + decimal(x) * 10 + code[text[p + 20]]
                q = p + 23
            else:
                ok = False
        if ok:
            x = wide[q]
            c = s[kit.CHANNEL]
            if c >= kit.WIDE_CHANNELS or x & s[kit.LABEL_MASK + c] != s[kit.LABEL_WORD + c]:
                c = 0
                known = min(s[kit.CHANNELS], kit.WIDE_CHANNELS)
                while c < known and x & s[kit.LABEL_MASK + c] != s[kit.LABEL_WORD + c]:
                    c += 1
                ok = c < known
            if ok:
                s[kit.CHANNEL] = c
                q += s[kit.LABEL_SIZE + c]
        if ok:
            x = wide[q]
            if x >> 24 & 0xFF == 35:
                identifier = code[x & 0xFF] << 8 | code[x >> 8 & 0xFF] << 4 | code[x >> 16 & 0xFF]
                ok = (code[x & 0xFF] | code[x >> 8 & 0xFF] | code[x >> 16 & 0xFF]) < 16 and identifier < 0x800
                q += 4
            elif text[q + 8] == 35 and are_hex(x, code):
                x = four_bytes(x)
                identifier = (x & 0xFF) << 24 | (x & 0xFF00) << 8 | x >> 8 & 0xFF00 | x >> 24
                ok = identifier < 0x20000000
                flag = kit.EXTENDED_FLAG
                q += 9
            else:
                ok = False
        if ok:
            data = q
            if are_hex(wide[q], code):
                q += 8
            if q > data and are_hex(wide[q], code):
                q += 8
            else:
                mask = hex_mask(wide[q])
                while mask & 0x80 != 0:
                    mask >>= 8
                    q += 1
            n = q - data
            ok = n & 1 == 0
            n >>= 1
            if text[q] == 32:
                if text[q + 1] == 84:  # 'T'
                    flag |= kit.TX_FLAG
                elif text[q + 1] != 82:  # 'R'
                    ok = False
                q += 2
            if text[q] == 13:
                q += 1
            ok = ok and text[q] == 10
        if ok:
            at = kit.place_in_time(stamp, c, s)
            ok = at != -kit.AXIS_LIMIT
        if not ok:
            frames = s[kit.FRAMES]
            q = scan(text, p, p + 1, s, code, ids, labels, columns, words)
            if s[kit.STOP] != kit.END:
                return q
            if s[kit.FRAMES] != frames and text[p] == 40 and text[p + 11] == 46:
                stamp, _ = kit.seconds(text, p + 1, code)
                if stamp >= 1_000_000_000_000_000_000:  # only ten digits make so much, and the point is behind them
                    upper = wide[p + 1]
                    lower = wide[p + 9] & 0xFFFFFF
                    second = stamp // 1_000_000_000 * 1_000_000_000
            p = q
            continue
        p = q + 1
        s[kit.LINES] += 1
        at_word = s[kit.WORDS]
        if kit.take_frame(at, c, identifier, kit.frame_key(identifier, flag), flag, n, n, s, ids, columns):
            # Characters behind the digits make bytes that are no part of the payload.
            value = four_bytes(wide[data]) | four_bytes(wide[data + 8]) << 32
            words[at_word] = value & (1 << 8 * n) - 1 if n < 8 else value
    s[kit.STOP] = kit.END
    return p
