"""Reads the rows of a table of frames, by the layout in the slots; `table_layout` has what they stand for."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from buslens.capture import _scan_kernel as kit
from buslens.capture._asc_kernel import far_line_end
from buslens.capture._candump_screen_kernel import days_of
from buslens.capture._lin_kernel import LARGEST_ID, is_whole, protected

if TYPE_CHECKING:
    from buslens.capture._scan_kernel import Columns, Numbers, Slots

# --- the format's slots of the state -----------------------------------------------------------------------

#: The character between two cells; 0: cells are parted by runs of soft characters.
SEPARATOR: Final = kit.FORMAT
#: Two words of a bit per ASCII character: what is skipped before a cell, and what parts cells where SEPARATOR is 0.
SOFT: Final = kit.FORMAT + 1
#: 1: a comma may stand before the decimals of a number.
COMMA: Final = kit.FORMAT + 3
#: 16 or 10.
ID_BASE: Final = kit.FORMAT + 4
BYTE_BASE: Final = kit.FORMAT + 5
LENGTH_BASE: Final = kit.FORMAT + 6
#: Roles of the columns, 4 bits each, 16 in a word.
ROLES: Final = kit.FORMAT + 7
#: Columns that roles are kept of.
MOST_COLUMNS: Final = 96
#: The last column that means something.
LAST: Final = kit.FORMAT + 13
#: Which parts a frame must have: a union of the bits below.
NEEDED: Final = kit.FORMAT + 14
#: How the two parts of a stamp are written: a form below, 0 for a part that there is not.
FORM: Final = kit.FORMAT + 15
FORM_2: Final = kit.FORMAT + 16
#: ns of the last digit of a stamp with 0 to 9 decimals; 0 where that is no whole number.
SCALE: Final = kit.FORMAT + 17
#: ns of one unit of the two parts.
UNIT: Final = kit.FORMAT + 27
UNIT_2: Final = kit.FORMAT + 28
#: Three periods after which the stamps begin at their lowest value again, ns; 0: none.
WRAP: Final = kit.FORMAT + 29
#: What those have added up to, ns, and how often.
CLOCK: Final = kit.FORMAT + 32
WRAPPED: Final = kit.FORMAT + 33
#: Lines that are still to be passed over at the start.
LEAVE_OUT: Final = kit.FORMAT + 34
#: 1: rows that the recorder sent itself are passed over.
SENT_OUT: Final = kit.FORMAT + 35
#: Which identifiers have 29 bits. 1: a column or a mark says it; 2: those of eight digits, for others have three;
#: 0: those above 7FF.
EXTENDS: Final = kit.FORMAT + 36
#: 1: the least byte of a 32-bit word is the first of the frame.
LOW_FIRST: Final = kit.FORMAT + 37
#: Of dates: 0 year first, 1 day first, 2 month first.
DATE_ORDER: Final = kit.FORMAT + 38
#: Frames so far, where only their order is known; kept at 0 where there are stamps.
ORDER: Final = kit.FORMAT + 39
#: What lengths from 9 on mean: one of the three below.
LENGTHS: Final = kit.FORMAT + 40
#: 1: each stamp counts from the row before; CLOCK has their sum.
SUMS: Final = kit.FORMAT + 41
#: Not 0: the rows are LIN frames; where their checksum stands: one of the three below.
LIN: Final = kit.FORMAT + 42
#: Column of the checksum, counted from 0, where it has one of its own.
CHECKSUM: Final = kit.FORMAT + 43
#: 1: only the first row is read.
SINGLE: Final = kit.FORMAT + 44
#: 1: a row without a stamp has that of the row above.
BLANKS: Final = kit.FORMAT + 45
#: Where identifiers are parameter group numbers: columns of the other parts of an identifier, counted from 1; 0: none.
SOURCE: Final = kit.FORMAT + 46
DESTINATION: Final = kit.FORMAT + 47
PRIORITY: Final = kit.FORMAT + 48
#: Number base of the two addresses.
ADDRESS_BASE: Final = kit.FORMAT + 49
#: How many more rows than the usual ones need all of this module: `_table_wide_kernel`.
UNUSUAL: Final = kit.FORMAT + 50
#: 1: behind the bytes, wherever those end in a row, the direction stands.
BEHIND: Final = kit.FORMAT + 51

# --- roles of columns --------------------------------------------------------------------------------------

REMARK: Final = 0
TIME: Final = 1
TIME_2: Final = 2
IDENTIFIER: Final = 3
LENGTH: Final = 4
#: One byte in a cell.
BYTE: Final = 5
#: Any number of bytes in a cell.
PAYLOAD: Final = 6
#: 32 bits in a cell, written as a number.
WORD: Final = 7
DIRECTION: Final = 8
BUS: Final = 9
#: Yes or no.
IS_EXTENDED: Final = 10
IS_REMOTE: Final = 11
IS_ERROR: Final = 12
IS_FD: Final = 13
#: A word or letter for the kind of frame: data, remote, error, FD, extended.
KIND: Final = 14
#: Yes or no: the frame was received.
IS_RECEIVED: Final = 15

# --- bits of NEEDED, and of what a row has -----------------------------------------------------------------

HAS_TIME: Final = 1
HAS_TIME_2: Final = 2
HAS_ID: Final = 4
HAS_LENGTH: Final = 8

# --- forms of stamps ---------------------------------------------------------------------------------------

NUMBER: Final = 1
HEX_NUMBER: Final = 2
#: Hours, minutes and seconds of two digits each without a mark between them, and a fraction.
CLOCK_DIGITS: Final = 3
#: Hours, minutes, seconds, and perhaps a fraction; or minutes, seconds and a fraction.
CLOCK_TIME: Final = 4
DATE: Final = 5
DATE_TIME: Final = 6

# --- meanings of lengths from 9 on -------------------------------------------------------------------------

#: Bytes of a CAN FD frame.
AS_BYTES: Final = 0
#: Codes of a classical frame: 8 bytes.
AS_CLASSICAL: Final = 1
#: Codes of a CAN FD frame.
AS_FD_CODES: Final = 2

# --- places of the checksum of a LIN frame ---------------------------------------------------------------------------

NOWHERE: Final = 1
BEHIND_BYTES: Final = 2
IN_COLUMN: Final = 3

# --- what may be wrong with a row --------------------------------------------------------------------------

NO_NUMBER: Final = kit.FORMAT_REASON
ID_RANGE: Final = kit.FORMAT_REASON + 1
EXTENDED_RANGE: Final = kit.FORMAT_REASON + 2
BAD_LENGTH: Final = kit.FORMAT_REASON + 3
FEW_BYTES: Final = kit.FORMAT_REASON + 4
BAD_BYTE: Final = kit.FORMAT_REASON + 5
NO_STAMP: Final = kit.FORMAT_REASON + 6
LONELY_STAMP: Final = kit.FORMAT_REASON + 7
OTHER_LAYOUT: Final = kit.FORMAT_REASON + 8
RUN_TOGETHER: Final = kit.FORMAT_REASON + 9
LIN_PARITY: Final = kit.FORMAT_REASON + 10
LIN_CHECKSUM: Final = kit.FORMAT_REASON + 11
CUT_SHORT: Final = kit.FORMAT_REASON + 12

IS_FRAME: Final = 0
IS_EVENT: Final = -1

DAY_NS: Final = 86_400_000_000_000
#: A stamp that lies further from the one before than this is held against the one behind.
FAR_NS: Final = 10_000_000_000
#: A stamp that begins anew does so within this.
MOST_WRAP_NS: Final = 10_000_000_000


def is_soft(c: int, s: Slots) -> bool:
    """Return whether a character is skipped before a cell."""
    return c < 128 and s[SOFT + (c >> 6)] >> (c & 63) & 1 != 0


def ends_cell(text: Numbers, p: int, code: Numbers, s: Slots) -> bool:
    """Return whether a cell ends at p: a separator, a soft character, a quote, or the end of the line."""
    c = text[p]
    return c == s[SEPARATOR] or c == 34 or code[c] & kit.LINE_FEED != 0 or is_soft(c, s)


def decimal(text: Numbers, p: int, code: Numbers, comma: int) -> tuple[int, int, int]:
    """Read ``-12.5e3`` at p: its digits as a number, how many of them are decimals, and the place behind or -1.

    Digits beyond the eighteenth are left out.
    """
    negative = text[p] == 45
    if negative or text[p] == 43:
        p += 1
    value = 0
    places = 0
    first = p
    d = code[text[p]]
    while d < 10:
        if value >= 100_000_000_000_000_000:
            places -= 1
        else:
            value = value * 10 + d
        p += 1
        d = code[text[p]]
    n = p - first
    if text[p] == 46 or (comma != 0 and text[p] == 44):
        p += 1
        first = p
        d = code[text[p]]
        while d < 10:
            if value < 100_000_000_000_000_000:
                value = value * 10 + d
                places += 1
            p += 1
            d = code[text[p]]
        n += p - first
    if n == 0:
        return 0, 0, -1
    if text[p] | 32 == 101:  # 'e'
        q = p + 1
        down = text[q] == 45
        if down or text[q] == 43:
            q += 1
        if code[text[q]] < 10:
            power = 0
            while code[text[q]] < 10:
                if power < 1000:
                    power = power * 10 + code[text[q]]
                q += 1
            places += power if down else -power
            p = q
    return (-value if negative else value), places, p


def in_ns(value: int, places: int, unit: int) -> int:
    """Return a number with that many decimals, in units of so many ns, as ns, rounded; AXIS_LIMIT: out of range."""
    negative = value < 0
    if negative:
        value = -value
    while places > 0 and unit % 10 == 0:
        unit //= 10
        places -= 1
    while places < 0 and value != 0:
        if unit > kit.STAMP_LIMIT // 10:
            return kit.AXIS_LIMIT
        unit *= 10
        places += 1
    if places > 18:
        return 0
    if value > kit.STAMP_LIMIT // unit:
        # The decimals may bring it back into range.
        while places > 0 and value > kit.STAMP_LIMIT // unit:
            value = (value + 5) // 10
            places -= 1
        if value > kit.STAMP_LIMIT // unit:
            return kit.AXIS_LIMIT
    value *= unit
    divisor = 1
    while places > 0:
        divisor *= 10
        places -= 1
    value = (value + divisor // 2) // divisor
    return -value if negative else value


def small_number(text: Numbers, p: int, code: Numbers, most: int) -> tuple[int, int]:
    """Read up to nine decimal digits at p: the number, and the place behind; -1: none, or too large."""
    first = p
    value = 0
    while code[text[p]] < 10 and p < first + 9:
        value = value * 10 + code[text[p]]
        p += 1
    if p == first or value > most or code[text[p]] < 10:
        return -1, p
    return value, p


def clock_time(text: Numbers, p: int, code: Numbers, sep: int) -> tuple[int, int]:
    """Read ``13:05:01.123`` at p, perhaps with a zone or, where `sep` parts cells, PM behind.

    Returns ns, and the place behind or -1.
    """
    hours, p = small_number(text, p, code, 999)
    if hours < 0 or text[p] != 58:
        return 0, -1
    minutes, p = small_number(text, p + 1, code, 60)
    if minutes < 0:
        return 0, -1
    if text[p] == 46 or (text[p] == 44 and sep != 44):  # minutes and seconds alone
        seconds = minutes
        minutes = hours
        hours = 0
    elif text[p] == 58 and minutes < 60:
        seconds, p = small_number(text, p + 1, code, 60)
        if seconds < 0:
            return 0, -1
    else:
        return 0, -1
    fraction = 0
    if (text[p] == 46 or (text[p] == 44 and sep != 44) or text[p] == 58) and code[text[p + 1]] < 10:
        p += 1
        first = p
        while code[text[p]] < 10:
            if p < first + 9:
                fraction = fraction * 10 + code[text[p]]
            p += 1
        places = min(p - first, 9)
        if p - first == 3 and (text[p] in (46, 58) or (text[p] == 44 and sep != 44)) and code[text[p + 1]] < 10:
            # Thousandths of a second, and thousandths of those: 12.345.678.
            p += 1
            while code[text[p]] < 10 and places < 6:
                fraction = fraction * 10 + code[text[p]]
                places += 1
                p += 1
        while places < 9:
            fraction *= 10
            places += 1
    elif text[p] == 46:  # the decimals are all zero, and left away
        p += 1
    q = p
    while text[q] == 32 and sep != 0:
        q += 1
    half = text[q] | 32
    if sep != 0 and (half == 97 or half == 112) and text[q + 1] | 32 == 109:  # AM, PM  # noqa: PLR1714
        if hours > 12:
            return 0, -1
        hours = hours % 12 + (12 if half == 112 else 0)
        p = q + 2
    ns = ((hours * 60 + minutes) * 60 + seconds) * 1_000_000_000 + fraction
    if text[p] | 32 == 122:  # 'Z'
        p += 1
    elif (text[p] == 43 or text[p] == 45) and code[text[p + 1]] < 10 and code[text[p + 2]] < 10:
        zone = (code[text[p + 1]] * 10 + code[text[p + 2]]) * 60
        q = p + 3
        if text[q] == 58:
            q += 1
        if code[text[q]] < 10 and code[text[q + 1]] < 10:
            zone += code[text[q]] * 10 + code[text[q + 1]]
            q += 2
        ns -= (zone if text[p] == 43 else -zone) * 60_000_000_000
        p = q
    return ns, p


def date(text: Numbers, p: int, code: Numbers, order: int) -> tuple[int, int]:
    """Read ``2026-11-25``, ``25.11.2026`` or ``11/25/2026`` at p: ns since 1970, and the place behind or -1."""
    first, p = small_number(text, p, code, 9999)
    mark = text[p]
    if first < 0 or (mark != 45 and mark != 46 and mark != 47):  # noqa: PLR1714
        return 0, -1
    second, p = small_number(text, p + 1, code, 31)
    if second < 0 or text[p] != mark:
        return 0, -1
    third, p = small_number(text, p + 1, code, 9999)
    if third < 0:
        return 0, -1
    year, month, day = first, second, third
    if order == 1:
        year, month, day = third, second, first
    elif order == 2:
        year, month, day = third, first, second
    if year < 100:
        year += 2000
    if month < 1 or month > 12 or day < 1 or day > 31 or year < 1900 or year > 2095:
        return 0, -1
    return days_of(year, month, day) * DAY_NS, p


def stamp_at(text: Numbers, p: int, code: Numbers, s: Slots, form: int, unit: int) -> tuple[int, int]:
    """Read one part of a stamp at p: ns, and the place behind or a negative reason."""
    if form == NUMBER:
        value, places, p = decimal(text, p, code, s[COMMA])
        if p < 0:
            return 0, -kit.BAD_STAMP
        if unit == s[UNIT] and 0 <= places < 10 and s[SCALE + places] > 0:
            scale = s[SCALE + places]
            if -kit.STAMP_LIMIT // scale < value < kit.STAMP_LIMIT // scale:
                return value * scale, p
        value = in_ns(value, places, unit)
        if value == kit.AXIS_LIMIT:
            return 0, -kit.STAMP_RANGE
        return value, p
    if form == HEX_NUMBER:
        if text[p] == 48 and text[p + 1] | 32 == 120:
            p += 2
        first = p
        value = 0
        while code[text[p]] < 16 and p < first + 15:
            value = value << 4 | code[text[p]]
            p += 1
        if p == first:
            return 0, -kit.BAD_STAMP
        value = in_ns(value, 0, unit)
        if value == kit.AXIS_LIMIT:
            return 0, -kit.STAMP_RANGE
        return value, p
    if form == CLOCK_DIGITS:
        value, places, p = decimal(text, p, code, s[COMMA])
        if p < 0 or places < 0 or places > 9 or value < 0:
            return 0, -kit.BAD_STAMP
        divisor = 1
        for _ in range(places):
            divisor *= 10
        whole = value // divisor
        if whole >= 1_000_000:
            return 0, -kit.BAD_STAMP
        clock = (whole // 10_000 * 60 + whole // 100 % 100) * 60 + whole % 100
        return in_ns(clock * divisor + value % divisor, places, 1_000_000_000), p
    days = 0
    if form >= DATE:
        days, p = date(text, p, code, s[DATE_ORDER])
        if p < 0:
            return 0, -kit.BAD_STAMP
        if form == DATE:
            return days, p
        if text[p] | 32 == 116 or text[p] == 58 or text[p] == 95 or text[p] == 45:  # 'T', ':', '_', '-'
            p += 1
        while text[p] == 32 or text[p] == 9:
            p += 1
    ns, p = clock_time(text, p, code, s[SEPARATOR])
    if p < 0:
        return 0, -kit.BAD_STAMP
    return days + ns, p


def behind_unit(text: Numbers, p: int) -> int:
    """Return the place behind ``s``, ``ms``, ``us`` or ``ns`` at p; p if there is none."""
    q = p
    if text[q] == 0xC2:  # of the two bytes of a micro sign in UTF-8
        q += 1
    if text[q] in (109, 117, 110, 0xB5):
        q += 1
    return q + 1 if text[q] == 115 else p


def whole_number(text: Numbers, p: int, code: Numbers, base: int) -> tuple[int, int]:
    """Read digits at p, perhaps behind 0x or #: the number, at most 2**40, and the place behind or -1."""
    if text[p] == 48 and text[p + 1] | 32 == 120 and code[text[p + 2]] < 16:
        p += 2
        base = 16
    elif text[p] == 35 or text[p] == 36:  # '#', '$'
        p += 1
        base = 16
    first = p
    value = 0
    while code[text[p]] < base:
        if value < 1 << 40:
            value = value * base + code[text[p]]
        p += 1
    if p == first:
        return 0, -1
    return value, p


def zero_decimals(text: Numbers, p: int) -> int:
    """Return the place behind ``.0``, as programs write whole numbers where some are missing; p if there is none."""
    if text[p] == 46 and text[p + 1] == 48:
        p += 2
        while text[p] == 48:
            p += 1
    return p


def says_long(text: Numbers, p: int) -> bool:
    """Return whether behind an identifier, at p, stands that it has 29 bits, such as ``(ext)``."""
    if text[p] != 32 and text[p] != 40:
        return False
    while text[p] == 32:
        p += 1
    if text[p] == 40:
        p += 1
    first = text[p] | 32
    return (first == 101 and text[p + 1] | 32 != 114) or first == 120  # not 'error'


def byte_at(text: Numbers, p: int, code: Numbers, base: int) -> tuple[int, int]:
    """Read one byte at p: its value, and the place behind or -1."""
    first = p
    value, p = whole_number(text, p, code, base)
    if p < 0 or value > 255 or p - first > 4:
        return 0, -1
    if base == 10:
        return value, zero_decimals(text, p)
    if text[p] | 32 == 104:  # 'h'
        p += 1
    return value, p


def is_filler(text: Numbers, p: int, code: Numbers) -> bool:
    """Return whether the cell at p stands for a byte that the frame does not have: ``--``, ``XX``, ``N/A``, ``nan``."""
    first = text[p]
    second = text[p + 1] | 32
    if first | 32 == 110:  # N/A, nan, None, null
        return second in (47, 97, 111, 117)
    return first in (42, 45, 46, 63, 88, 95, 120) and code[text[p + 1]] >= 16


def is_yes(text: Numbers, p: int, letter: int) -> bool:
    """Return whether the cell at p says yes: 1, 29, true, yes, x, or a word that begins with a letter of its own."""
    first = text[p] | 32
    second = text[p + 1] | 32
    if text[p] == 49:
        return text[p + 1] != 49  # not 11
    if text[p] == 50:
        return text[p + 1] == 57
    if first == 102:  # 'f': not false, but FD
        return letter == 102 and second == 100
    return first == 116 or first == 121 or first == 120 or first == letter  # noqa: PLR1714


def kind_at(text: Numbers, p: int) -> int:
    """Return the flags that the word at p for a kind of frame stands for."""
    first = text[p] | 32
    second = text[p + 1] | 32
    if first == 114:  # r, RTR, remote
        return kit.REMOTE_FLAG
    if first == 120 or (first == 101 and second == 120):  # x, ext
        return kit.EXTENDED_FLAG
    if first == 101 and (second == 114 or not 97 <= second <= 122):  # e, ER, error
        return kit.ERROR_FLAG
    if first == 102 and (second == 100 or second == 98 or second == 101):  # FD, FB, FE  # noqa: PLR1714
        return kit.FD_FLAG
    return 0


def request_at(text: Numbers, p: int) -> int:
    """Return the flags that a word at p in place of data stands for: a remote request or an error, or 0."""
    first = text[p] | 32
    second = text[p + 1] | 32
    if first == 114 and (second == 116 or second == 101):  # RTR, remote, request  # noqa: PLR1714
        return kit.REMOTE_FLAG
    return kit.ERROR_FLAG if first == 101 and second == 114 else 0


def names_error(text: Numbers, p: int, code: Numbers, s: Slots) -> bool:
    """Return whether a word or cell of the line at p stands for an error frame: ``ErrorFrame``, or ``error`` alone."""
    is_start = True
    while code[text[p]] & kit.LINE_FEED == 0:
        c = text[p] | 32
        is_letter = 97 <= c <= 122
        if is_start and c == 101 and text[p + 1] | 32 == 114 and text[p + 2] | 32 == 114:
            q = p + 3
            if text[q] | 32 == 111 and text[q + 1] | 32 == 114:
                q += 2
            end = q
            while text[q] == 32 or text[q] == 45 or text[q] == 95:
                q += 1
            is_frame = (
                text[q] | 32 == 102
                and text[q + 1] | 32 == 114
                and text[q + 2] | 32 == 97
                and text[q + 3] | 32 == 109
                and text[q + 4] | 32 == 101
                and not 97 <= text[q + 5] | 32 <= 122
            )
            if is_frame or code[text[q]] & kit.LINE_FEED or (s[SEPARATOR] != 0 and ends_cell(text, end, code, s)):
                return True
        is_start = not is_letter
        p += 1
    return False


def whole_identifier(pgn: int, priority: int, destination: int, source: int) -> int:
    """Return an identifier of 29 bits from its parts (SAE J1939-21).

    The destination, all where it is below 0, stands in the lowest byte of a parameter group number whose second byte
    is below 240; of the others that byte is a part of the number.
    """
    if pgn >> 8 & 255 < 240:
        given = pgn & 255 if pgn & 255 else 255
        pgn = pgn & 0x3FF00 | (given if destination < 0 else destination & 255)
    return (priority & 7) << 26 | (pgn & 0x3FFFF) << 8 | source & 255


def flag_at(text: Numbers, p: int, role: int) -> int:
    """Return the flags that the cell at p of a column with some role sets; 0 of one that tells no flag."""
    if role == DIRECTION:
        c = text[p] | 32
        return kit.TX_FLAG if c in (116, 115, 111, 49, 121, 120) else 0  # Tx, sent, out, 1, yes, x
    if role == IS_RECEIVED:
        return 0 if is_yes(text, p, 114) else kit.TX_FLAG
    if role == IS_EXTENDED:
        return kit.EXTENDED_FLAG if is_yes(text, p, 101) else 0
    if role == IS_REMOTE:
        return kit.REMOTE_FLAG if is_yes(text, p, 114) else 0
    if role == IS_ERROR:
        return kit.ERROR_FLAG if is_yes(text, p, 101) else 0
    if role == IS_FD:
        return kit.FD_FLAG if is_yes(text, p, 102) else 0
    return kind_at(text, p) if role == KIND else 0


def is_direction(text: Numbers, p: int) -> bool:
    """Return whether the word at p may be one for a direction: it begins with r, t, s, o or i, as no byte does."""
    return text[p] | 32 in (114, 116, 115, 111, 105)


def bytes_of(stated: int, lengths: int) -> int:
    """Return the bytes that a stated length stands for; -1 if there is no such length."""
    if stated <= 8:
        return stated
    if lengths == AS_BYTES:
        return stated if kit.fd_code(stated) >= 0 else -1
    if stated > 15:
        return -1
    return 8 if lengths == AS_CLASSICAL else kit.fd_length(stated)


def holds_bytes(text: Numbers, p: int, code: Numbers) -> bool:
    """Return whether there is in a line, from p on, what looks like the data of a frame.

    Those are four numbers of two hexadecimal digits, each one character behind the other and not all alike, as they are
    in no time of day or date, or a number of 8 or more such digits with a letter. Names of columns (D0, D1) are none.
    """
    run = 0
    mark = 0
    first = 0
    is_alike = True
    while code[text[p]] & kit.LINE_FEED == 0:
        q = p
        n = 0
        has_letter = False
        while code[text[q]] < 16:
            has_letter |= code[text[q]] > 9
            q += 1
        n = q - p
        c = text[q]
        if n > 0 and not 97 <= c | 32 <= 122:
            if n >= 8 and n & 1 == 0 and has_letter:
                return True
            if n == 2:
                if run == 0 or text[p - 1] != mark:
                    run = 0
                    first = p
                    is_alike = True
                elif text[p] != text[first] or (code[text[p]] < 10 and text[p + 1] != text[first + 1]):
                    is_alike = False
                run += 1
                if run == 1:
                    mark = c
                if run >= 4 and not is_alike:
                    return True
            else:
                run = 0
            p = q
            if code[c] & kit.LINE_FEED == 0:
                p += 1
            continue
        run = 0
        p = q
        while code[text[p]] & kit.LINE_FEED == 0 and (
            48 <= text[p] <= 57 or 97 <= text[p] | 32 <= 122  # the rest of a word
        ):
            p += 1
        if code[text[p]] & kit.LINE_FEED == 0:
            p += 1
    return False


def same_label(text: Numbers, p: int, stop: int, s: Slots, labels: Numbers) -> bool:
    """Return whether the label from p to stop is that of the row before."""
    k = s[kit.CHANNEL] * kit.LABEL_ROOM
    if s[kit.CHANNELS] == 0:
        return False
    while p < stop:
        if labels[k] != text[p]:
            return False
        k += 1
        p += 1
    return labels[k] == 0


def unwrapped(stamp: int, s: Slots) -> int:
    """Return a stamp with the periods added after which it began anew before, counting a further one."""
    time = stamp + s[CLOCK]
    if s[kit.LARGEST] == kit.NO_TIME:
        return time
    before = s[kit.LARGEST] - s[kit.SHIFT]
    for k in range(3):
        period = s[WRAP + k]
        if period == 0:
            continue
        if time < before - kit.SORTED_NS:
            gap = time + period - before
            if -kit.SORTED_NS <= gap <= min(period >> 5, MOST_WRAP_NS) and s[CLOCK] < kit.STAMP_LIMIT - period:
                s[CLOCK] += period
                s[WRAPPED] += 1
                return time + period
        elif s[CLOCK] >= period and time > before + (period >> 1) and before - time + period <= kit.SORTED_NS:
            return time - period  # of another bus, from before it began anew
    return time


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
    """Read rows from start to stop; return where it came back, with s[STOP] saying why."""
    sep = s[SEPARATOR]
    last = s[LAST]
    needed = s[NEEDED]
    byte_base = s[BYTE_BASE]
    lengths = s[LENGTHS]
    # Where a row begins whose stamp is held against that of the next one, and what came of that.
    held = -1
    is_lonely = False
    p = start
    while p < stop and (p == start or held != -1 or s[SINGLE] == 0):
        begin = p
        if kit.is_full(s):
            return begin
        if s[LEAVE_OUT] > 0:
            s[LEAVE_OUT] -= 1
            s[kit.OTHER] += 1
            p = kit.next_line(text, far_line_end(text, p, code), s)
            continue
        column = 0
        has = 0
        stamp, second = 0, 0
        each, flag = 0, 0
        stated, most = -1, 64
        n, at = 0, s[kit.WORDS]
        is_closed, is_bad = False, False
        reason = IS_FRAME
        label, label_end = -1, -1
        found = -1
        behind = 0
        source, destination, priority = -1, -1, 6
        while column <= last:
            while text[p] == 32 or is_soft(text[p], s):
                p += 1
            if text[p] == sep:
                if s[ROLES + (column >> 4)] >> 4 * (column & 15) & 15 == BYTE:
                    is_closed = True
                column += 1
                p += 1
                continue
            if code[text[p]] & kit.LINE_FEED != 0:
                break
            role = s[ROLES + (column >> 4)] >> 4 * (column & 15) & 15
            behind += has & HAS_TIME
            is_quoted = text[p] == 34
            if is_quoted:
                p += 1
                while text[p] == 32:
                    p += 1
            if role == BYTE:
                if n < most and not is_closed:
                    if byte_base == 16 and not is_quoted:
                        # The usual case: two digits, a separator, and again.
                        high = code[text[p]]
                        low = code[text[p + 1]]
                        mark = text[p + 2]
                        while (
                            high < 16
                            and low < 16
                            and (mark == sep or (sep == 0 and mark == 32))
                            and n < most - 1
                            and column < last
                            and s[ROLES + (column + 1 >> 4)] >> 4 * (column + 1 & 15) & 15 == BYTE
                            and code[text[p + 3]] < 16
                        ):
                            kit.put_byte(words, at, n, high << 4 | low)
                            n += 1
                            column += 1
                            p += 3
                            high = code[text[p]]
                            low = code[text[p + 1]]
                            mark = text[p + 2]
                    got, q = byte_at(text, p, code, byte_base)
                    if q > 0 and ends_cell(text, q, code, s):
                        p = q
                        kit.put_byte(words, at, n, got)
                        n += 1
                    else:
                        is_closed = True
                        flag |= request_at(text, p) if n == 0 else 0
                        is_bad = not is_filler(text, p, code)
                        if s[BEHIND] != 0 and is_direction(text, p):
                            flag |= flag_at(text, p, DIRECTION)
                            is_bad = False
                elif n == 0 and not is_closed:
                    flag |= request_at(text, p)
                elif s[BEHIND] != 0 and not is_closed:
                    flag |= flag_at(text, p, DIRECTION)
                    is_closed = True
                elif found < 0 and s[LIN] == BEHIND_BYTES:
                    found, _ = byte_at(text, p, code, byte_base)
            elif role == PAYLOAD:
                is_closed = True
                flag |= request_at(text, p)
                singles = 0
                while n < most:
                    c = text[p]
                    d = code[c]
                    if d < 16:
                        if c == 48 and text[p + 1] | 32 == 120:
                            p += 2
                        q = p
                        while code[text[q]] < byte_base:
                            q += 1
                        if byte_base == 10 or q - p <= 2:
                            got, q = byte_at(text, p, code, byte_base)
                            if q < 0:
                                is_bad = True
                                break
                            p = q
                            kit.put_byte(words, at, n, got)
                            n += 1
                            singles += 1
                        elif q - p & 1:
                            is_bad = True
                            break
                        elif singles > 1:
                            reason = RUN_TOGETHER
                            break
                        else:
                            while p < q and n < most:
                                kit.put_byte(words, at, n, code[text[p]] << 4 | code[text[p + 1]])
                                p += 2
                                n += 1
                    elif (
                        (c == sep and not is_quoted)
                        or d & kit.LINE_FEED != 0
                        or c == 34
                        or (sep == 0 and not is_quoted and is_soft(c, s))
                    ):
                        break
                    elif c in (32, 9, 13, 39, 58, 45, 46, 95, 44, 59, 91, 93, 40, 41, 123, 125, 35, 124):
                        p += 1
                    else:
                        is_bad = True
                        break
                if 0 < n == most <= 8 and code[text[p]] < 16 and byte_base == 16:
                    # More digits than the length says: a cell that is filled up, or two rows run together.
                    q = p
                    while code[text[q]] < 16:
                        q += 1
                    if q - p & 1 or 2 * n + q - p > 16:
                        reason = RUN_TOGETHER
            elif role in (TIME, TIME_2):
                form = s[FORM] if role == TIME else s[FORM_2]
                got, q = stamp_at(text, p, code, s, form, s[UNIT] if role == TIME else s[UNIT_2])
                if form == NUMBER and q > 0 and not ends_cell(text, q, code, s):
                    q = behind_unit(text, q)
                if q > 0 and ends_cell(text, q, code, s):
                    p = q
                    if role == TIME:
                        stamp = got
                        has |= HAS_TIME
                    else:
                        second = got
                        has |= HAS_TIME_2
                elif q == -kit.STAMP_RANGE:
                    reason = kit.STAMP_RANGE
            elif role == IDENTIFIER:
                got, q = whole_number(text, p, code, s[ID_BASE])
                if q > 0:
                    if s[EXTENDS] == 2 and q - p - (2 if text[p + 1] | 32 == 120 else 0) >= 8:
                        flag |= kit.EXTENDED_FLAG
                    if text[q] | 32 == 120:  # 'x'
                        flag |= kit.EXTENDED_FLAG
                        q += 1
                    elif text[q] | 32 == 114:  # 'r'
                        flag |= kit.REMOTE_FLAG
                        q += 1
                    elif text[q] | 32 == 104:  # 'h'
                        q += 1
                    else:
                        q = zero_decimals(text, q)
                    if sep != 0 and says_long(text, q):
                        flag |= kit.EXTENDED_FLAG
                    if ends_cell(text, q, code, s) or text[q] == 40:
                        each = got
                        has |= HAS_ID
                        p = q
            elif role == LENGTH:
                got, q = whole_number(text, p, code, s[LENGTH_BASE])
                if q > 0:
                    q = zero_decimals(text, q)
                if q > 0 and ends_cell(text, q, code, s):
                    stated = got
                    has |= HAS_LENGTH
                    p = q
                    most = bytes_of(stated, lengths)
                    if most < 0:
                        reason = BAD_LENGTH
                        most = 0
                elif request_at(text, p) == kit.REMOTE_FLAG:
                    flag |= kit.REMOTE_FLAG
                    has |= HAS_LENGTH
            elif role == BUS:
                label = p
                q = p
                c = text[p]
                while c != sep and code[c] & kit.LINE_FEED == 0 and c != 34 and (sep != 0 or not is_soft(c, s)):
                    if c != 32 and c != 9 and c != 13 and c != 58:  # noqa: PLR1714
                        q = p + 1
                    p += 1
                    c = text[p]
                label_end = q
            elif role == WORD:
                got, q = whole_number(text, p, code, 16)
                if q > 0 and got < 1 << 32 and ends_cell(text, q, code, s) and n <= 60:
                    p = q
                    if s[LOW_FIRST] == 0:
                        got = (got & 255) << 24 | (got & 0xFF00) << 8 | got >> 8 & 0xFF00 | got >> 24
                    for _ in range(4):
                        kit.put_byte(words, at, n, got & 255)
                        got >>= 8
                        n += 1
                else:
                    is_bad = True
            elif s[LIN] == IN_COLUMN and column == s[CHECKSUM]:
                found, _ = byte_at(text, p, code, byte_base)
            elif role == REMARK and s[SOURCE] != 0:
                got, q = whole_number(text, p, code, s[ADDRESS_BASE])
                if column + 1 == s[SOURCE]:
                    source = got if q > 0 else -1
                elif column + 1 == s[DESTINATION]:
                    destination = got if q > 0 else -1
                elif column + 1 == s[PRIORITY]:
                    priority = got
            else:
                flag |= flag_at(text, p, role)
            # To the end of the cell.
            if is_quoted:
                while text[p] != 34 and code[text[p]] & kit.LINE_FEED == 0:
                    p += 1
                if text[p] == 34:
                    p += 1
            if sep != 0:
                while text[p] != sep and code[text[p]] & kit.LINE_FEED == 0:
                    p += 1
                if text[p] != sep:
                    break
                p += 1
            else:
                while code[text[p]] & kit.LINE_FEED == 0 and not is_soft(text[p], s):
                    p += 1
            column += 1
        # What the row is.
        if s[SOURCE] != 0:
            each = whole_identifier(each, priority, destination, source)
            flag |= kit.EXTENDED_FLAG
            has &= ~HAS_ID if source < 0 else -1
        if s[BLANKS] != 0 and has & HAS_TIME == 0 and s[kit.LARGEST] != kit.NO_TIME:
            stamp = s[kit.LARGEST] - s[kit.SHIFT] - s[CLOCK]
            has |= HAS_TIME
        if flag & kit.EXTENDED_FLAG == 0 and s[EXTENDS] == 0 and each > 0x7FF:
            flag |= kit.EXTENDED_FLAG
        if 0x80000000 <= each <= 0x9FFFFFFF:  # with the flag of 29 bits in its topmost bit
            flag |= kit.EXTENDED_FLAG
            each &= 0x1FFFFFFF
        if s[LIN] != 0 and has & HAS_ID and n == 0:  # a header that nobody answered asks, and holds nothing
            flag |= kit.REMOTE_FLAG
            has |= HAS_LENGTH
        if stated < 0:
            most = n
            if kit.fd_code(n) < 0:
                reason = BAD_LENGTH
        timed = needed & HAS_TIME == 0 or (has | HAS_TIME_2 & ~needed) & 3 == 3
        if has & HAS_ID == 0 and timed and names_error(text, begin, code, s):
            flag |= kit.ERROR_FLAG
            reason = IS_FRAME
        if flag & kit.ERROR_FLAG:
            n, most = 0, 0
            each = kit.BUS_ERROR
            flag &= ~(kit.EXTENDED_FLAG | kit.REMOTE_FLAG)
            has |= HAS_ID | HAS_LENGTH
            is_bad = False
        elif flag & kit.REMOTE_FLAG:
            n, most = 0, 0
            is_bad = False
        if most > 8:
            flag |= kit.FD_FLAG
        if has & needed != needed or reason != IS_FRAME or n < most or (is_bad and stated < 0):
            timed = timed and needed & HAS_TIME != 0
            known = has & HAS_ID != 0
            sized = n > 0 and (stated < 0 or n >= most) and not (is_bad and stated < 0)
            if (known and (timed or n > 0)) or (timed and sized and has & needed & HAS_LENGTH != 0):
                if reason == IS_FRAME:
                    reason = BAD_BYTE if is_bad else FEW_BYTES
                    if not known:
                        reason = NO_NUMBER
                    elif needed & HAS_TIME != 0 and not timed:
                        reason = NO_STAMP
                    elif has & needed & HAS_LENGTH != needed & HAS_LENGTH:
                        reason = BAD_LENGTH
            else:
                reason = OTHER_LAYOUT if holds_bytes(text, begin, code) else IS_EVENT
                if timed and behind == 0 and (sep != 0 or p - begin > 4):
                    reason = CUT_SHORT
        elif flag & kit.ERROR_FLAG == 0:
            if flag & kit.EXTENDED_FLAG and each > 0x1FFFFFFF:
                reason = EXTENDED_RANGE
            elif flag & kit.EXTENDED_FLAG == 0 and each > 0x7FF:
                reason = ID_RANGE
        if reason == IS_FRAME and s[LIN] != 0:
            whole = each & LARGEST_ID
            if each > LARGEST_ID and protected(whole) != each:
                reason = LIN_PARITY
            elif (
                flag & kit.REMOTE_FLAG == 0
                and s[LIN] != NOWHERE
                and not is_whole(whole, words, s[kit.WORDS], most, found)
            ):
                reason = LIN_CHECKSUM
            each = whole
        if reason == IS_FRAME and s[SENT_OUT] != 0 and flag & kit.TX_FLAG:
            reason = IS_EVENT
        stamp += second
        if s[SUMS] != 0 and has & HAS_TIME:
            if stamp < 0 or s[CLOCK] > kit.STAMP_LIMIT - stamp:
                reason = kit.STAMP_RANGE
            else:
                s[CLOCK] += stamp
            stamp = 0
        if reason == IS_FRAME and (stamp > kit.STAMP_LIMIT or stamp < -kit.STAMP_LIMIT):
            reason = kit.STAMP_RANGE
        if held >= 0:
            # Only looked at, for the row before.
            before = s[kit.LARGEST] - s[kit.SHIFT]
            behind = stamp + s[CLOCK]
            is_lonely = reason == IS_FRAME and before - kit.SORTED_NS <= behind <= before + FAR_NS
            p = held
            held = -2
            continue
        if reason == IS_FRAME:
            if s[FORM] == 0:
                s[ORDER] += 1
                stamp = s[ORDER]
            else:
                stamp = unwrapped(stamp, s)
                before = s[kit.LARGEST] - s[kit.SHIFT]
                if (
                    held == -1
                    and label < 0
                    and s[SUMS] == 0
                    and s[kit.LARGEST] != kit.NO_TIME
                    and (stamp < before - kit.SORTED_NS or stamp > before + FAR_NS)
                ):
                    q = far_line_end(text, p, code)
                    while text[q] == 0:
                        q += 1
                    if text[q] == 10:
                        q += 1
                    if q < stop:
                        held = begin
                        is_lonely = False
                        p = q
                        continue
        held = -1
        index = 0
        if reason == IS_FRAME and is_lonely:
            reason = LONELY_STAMP
        is_lonely = False
        if reason == IS_FRAME:
            if label < 0:
                if s[kit.CHANNELS] == 0:
                    labels[0] = 45
                    kit.note_label(0, 1, s, labels)
                    s[kit.CHANNELS] = 1
                    s[kit.CHANNEL] = 0
                index = 0
            elif label_end == label or label_end - label >= kit.LABEL_ROOM:
                reason = kit.BAD_LABEL
            elif same_label(text, label, label_end, s, labels):
                index = s[kit.CHANNEL]
            else:
                index = kit.channel_of(text, label, label_end, s, labels)
                if index < 0:
                    reason = kit.TOO_MANY_CHANNELS
        axis = 0
        if reason == IS_FRAME:
            axis = kit.place_in_time(stamp, index, s)
            if axis == -kit.AXIS_LIMIT:
                if s[kit.STOP] == kit.SEAM:
                    s[kit.AT] = begin
                    return begin
                reason = s[kit.REASON]
        p = kit.next_line(text, far_line_end(text, p, code), s)
        if reason == IS_EVENT:
            s[kit.OTHER] += 1
            continue
        if reason != IS_FRAME:
            if kit.stops_at_broken(begin, reason, s):
                return p
            continue
        key = kit.frame_key(each, flag)
        if s[LIN] != 0 and flag & kit.REMOTE_FLAG:
            s[kit.UNANSWERED] += 1
            key |= kit.REMOTE_FLAG << 29
        if most & 7 and n > most:
            words[s[kit.WORDS] + (most >> 3)] &= (1 << 8 * (most & 7)) - 1
        raw = most
        if stated > 8 and lengths != AS_BYTES:
            raw = stated
        elif most > 8:
            raw = kit.fd_code(most)
        elif flag & kit.REMOTE_FLAG and 0 <= stated <= 15:
            raw = stated
        kit.take_frame(axis, index, each, key, flag, raw, most, s, ids, columns)
    s[kit.STOP] = kit.END
    return p
