"""Reads the usual rows of a table of frames, each character once; leaves all others to `_table_kernel`.

It comes back for those: that one takes as long to compile, so a single row is read by it as plain Python.

Compiled only. A row is usual if it holds one data frame, each cell of it ends where its number ends, and its stamp
follows the one before closely. Nothing is changed before a row is known to be so; all others are read as if this were
not here.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from buslens.capture import _scan_kernel as kit
from buslens.capture import _table_kernel as table
from buslens.capture._asc_kernel import far_line_end
from buslens.capture._candump_wide_kernel import are_digits, are_hex, decimal, four_bytes

if TYPE_CHECKING:
    from buslens.capture._scan_kernel import Columns, Numbers, Slots

WEIGHT: Final = 64
"""An unusual row for so many usual ones is too much for plain Python."""
MOST_UNUSUAL: Final = 256 * WEIGHT
"""So much more of them is enough to give up on a log."""


def is_blank(c: int, low: int, high: int) -> bool:
    """Return whether a character is skipped before a cell, by two words of a bit for each."""
    return c < 128 and (low if c < 64 else high) >> (c & 63) & 1 != 0


def byte_run(text: Numbers, p: int, code: Numbers, mark: int, most: int) -> tuple[int, int, int]:
    """Read bytes of two hexadecimal digits at p, perhaps behind 0x, as long as a mark stands behind each.

    Returns them as one number, the first one lowest, how many they are, at most `most`, and the place behind.
    """
    value = 0
    n = 0
    while n < most:
        q = p
        if text[q + 1] == 120 and text[q] == 48:
            q += 2
        d = code[text[q]]
        e = code[text[q + 1]]
        if (d | e) >= 16 or text[q + 2] != mark:
            break
        value |= (d << 4 | e) << 8 * n
        n += 1
        p = q + 3
    return value, n, p


def digits(text: Numbers, wide: Numbers, p: int, code: Numbers, value: int) -> tuple[int, int]:
    """Return a number of up to 18 digits with the decimal digits at p put behind it, and the place behind them."""
    if are_digits(wide[p], code):
        value = value * 100_000_000 + decimal(wide[p])
        p += 8
    d = code[text[p]]
    while d < 10:
        value = value * 10 + d
        p += 1
        d = code[text[p]]
    return value, p


def known_label(text: Numbers, p: int, stop: int, s: Slots, labels: Numbers) -> int:
    """Return the channel whose label stands from p to stop; -1: none so far."""
    size = stop - p
    if size <= 0 or size >= kit.LABEL_ROOM:
        return -1
    channel = s[kit.CHANNEL]
    for _ in range(s[kit.CHANNELS] + 1):
        base = channel * kit.LABEL_ROOM
        k = 0
        while k < size and labels[base + k] == text[p + k]:
            k += 1
        if k == size and labels[base + k] == 0:
            return channel
        channel += 1
        if channel >= s[kit.CHANNELS]:
            channel = 0
    return -1


def last_byte(s: Slots, last: int) -> int:
    """Return the last of the first columns in a row that hold a byte each; -1: there are none."""
    found = -1
    for column in range(last + 1):
        if s[table.ROLES + (column >> 4)] >> 4 * (column & 15) & 15 == table.BYTE:
            found = column
        elif found >= 0:
            break
    return found


def nearness(s: Slots) -> int:
    """Return how far behind the stamp before one may lie, ns, so that nothing has to be asked about it."""
    near = table.FAR_NS
    for k in range(3):
        if s[table.WRAP + k] != 0:
            near = min(near, s[table.WRAP + k] >> 1)
    return near


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
    """Read rows from start to stop, exactly as `_table_kernel.scan` does; s[STOP] may also be UNUSUAL_ROW or _ROWS.

    wide : int64[n], the eight bytes of text from each place on.
    """
    sep = s[table.SEPARATOR]
    low, high = s[table.SOFT], s[table.SOFT + 1]
    last = s[table.LAST]
    needed = s[table.NEEDED]
    byte_base = s[table.BYTE_BASE]
    id_base = s[table.ID_BASE]
    lengths = s[table.LENGTHS]
    near = nearness(s)
    byte_last = last_byte(s, last)
    # No character behind this one is skipped before a cell.
    top = 32 if high == 0 and low >> 33 == 0 else 127
    # Decimals of the latest stamp, what one of its last digits is worth, and the first number that is too large.
    decimals, scale, limit = -1, 0, 0
    is_unusual = s[table.LIN] != 0 or s[table.SUMS] != 0 or s[table.FORM] == 0 or s[table.SOURCE] != 0
    is_unusual = is_unusual or s[table.BEHIND] != 0
    if is_unusual:
        s[table.UNUSUAL] = MOST_UNUSUAL
    unusual = s[table.UNUSUAL]
    s[table.SINGLE] = 0
    time, channel, can_id, flags, dlc, length, word = columns
    p = start
    while p < stop:
        if kit.is_full(s):
            return p
        begin = p
        ok = s[table.LEAVE_OUT] == 0 and unusual < MOST_UNUSUAL
        column = 0
        roles = s[table.ROLES]
        has = 0
        stamp = 0
        each, flag = 0, 0
        stated, most = -1, 64
        n, value, shift, at = 0, 0, 0, s[kit.WORDS]
        is_closed = False
        label, label_end = -1, -1
        while ok and column <= last:
            c = text[p]
            while c == 32 or (c <= top and is_blank(c, low, high)):
                p += 1
                c = text[p]
            role = roles & 15
            column += 1
            roles >>= 4
            if column & 15 == 0:
                roles = s[table.ROLES + (column >> 4)]
            if c == sep:
                is_closed |= role == table.BYTE
                p += 1
                continue
            d = code[c]
            if d & kit.LINE_FEED != 0:
                break
            if c == 34:
                ok = False
                break
            is_open = False  # what stands behind the cell's meaning does not matter
            if role == table.BYTE and n < most and not is_closed:
                if n == 0 and byte_base == 16:
                    room = min(most - 1, byte_last - column + 1, 7)
                    value, n, p = byte_run(text, p, code, 32 if sep == 0 else sep, room)
                    if n > 0:
                        shift = 8 * n
                        column += n - 1
                        roles = s[table.ROLES + (column >> 4)] >> 4 * (column & 15)
                        continue
                e = code[text[p + 1]]
                got = 0
                if byte_base == 10:
                    q = p
                    while d < 10 and q < p + 3:
                        got = got * 10 + d
                        q += 1
                        d = code[text[q]]
                    ok = q > p and got < 256
                    p = q
                elif d < 16 and e < 16:
                    got = d << 4 | e
                    p += 2
                elif d == 0 and text[p + 1] | 32 == 120 and (code[text[p + 2]] | code[text[p + 3]]) < 16:
                    got = code[text[p + 2]] << 4 | code[text[p + 3]]
                    p += 4
                elif d < 16:
                    got = d
                    p += 1
                else:
                    ok = False
                value |= got << shift
                shift += 8
                n += 1
                if shift == 64:
                    words[at] = value
                    at += 1
                    value = 0
                    shift = 0
            elif role == table.REMARK or role == table.BYTE:  # noqa: PLR1714
                is_open = True
            elif role == table.TIME and s[table.FORM] == table.NUMBER:
                got, q = digits(text, wide, p, code, 0)
                size = q - p
                p = q
                places = 0
                if text[p] == 46 or (text[p] == 44 and s[table.COMMA] != 0):
                    got, q = digits(text, wide, p + 1, code, got)
                    places = q - p - 1
                    size += places
                    p = q
                if size == 0 or size > 17 or places > 9:
                    ok = False
                else:
                    if places != decimals:
                        decimals = places
                        scale = s[table.SCALE + places]
                        limit = kit.STAMP_LIMIT // scale if scale > 0 else 0
                    ok = got < limit
                    if ok:
                        stamp += got * scale
                    has |= table.HAS_TIME
            elif role == table.TIME or role == table.TIME_2:  # noqa: PLR1714
                form, unit = s[table.FORM], s[table.UNIT]
                if role == table.TIME_2:
                    form, unit = s[table.FORM_2], s[table.UNIT_2]
                got, p = table.stamp_at(text, p, code, s, form, unit)
                ok = p > 0
                p = max(p, begin)
                stamp += got
                has |= table.HAS_TIME if role == table.TIME else table.HAS_TIME_2
            elif role == table.IDENTIFIER:
                base = id_base
                if d == 0 and text[p + 1] | 32 == 120:
                    p += 2
                    d = code[text[p]]
                    base = 16
                q = p
                while d < base:
                    each = each * base + d
                    q += 1
                    d = code[text[q]]
                    if q > p + 9:
                        break
                ok = p < q <= p + 9
                if s[table.EXTENDS] == 2 and q - p >= 8:
                    flag |= kit.EXTENDED_FLAG
                p = q
                has |= table.HAS_ID
                if text[p] | 32 == 120:
                    flag |= kit.EXTENDED_FLAG
                    p += 1
                elif text[p] | 32 == 104:
                    p += 1
            elif role == table.LENGTH:
                if d < 9 and code[text[p + 1]] >= 16:
                    stated = d
                    most = d
                    p += 1
                else:
                    stated, p = table.whole_number(text, p, code, s[table.LENGTH_BASE])
                    ok = p > 0
                    p = max(p, begin)
                    most = table.bytes_of(stated, lengths)
                    ok = ok and most >= 0
                has |= table.HAS_LENGTH
            elif role == table.PAYLOAD:
                is_closed = True
                is_parted = False
                if byte_base == 16 and n == 0:
                    if d == 0 and text[p + 1] | 32 == 120:
                        p += 2
                        ok = code[text[p]] < 16
                    mark = int(text[p + 2])
                    if (
                        mark != sep
                        and (mark == 32 or mark == 45 or mark == 58)  # noqa: PLR1714
                        and (sep != 0 or not is_blank(mark, low, high))
                    ):
                        value, n, p = byte_run(text, p, code, mark, min(most - 1, 7))
                        shift = 8 * n
                    is_parted = n > 1
                    while not is_parted and n & 3 == 0 and n + 4 <= most and are_hex(wide[p], code):
                        value |= four_bytes(wide[p]) << shift
                        p += 8
                        n += 4
                        shift += 32
                        if shift == 64:
                            words[at] = value
                            at += 1
                            value = 0
                            shift = 0
                else:
                    ok = byte_base == 16
                while ok and n < most:
                    c = text[p]
                    d = code[c]
                    if d < 16:
                        e = code[text[p + 1]]
                        if e >= 16 or (is_parted and code[text[p + 2]] < 16):
                            ok = False
                            break
                        value |= (d << 4 | e) << shift
                        p += 2
                        shift += 8
                        n += 1
                        if shift == 64:
                            words[at] = value
                            at += 1
                            value = 0
                            shift = 0
                    elif c == sep or d & kit.LINE_FEED != 0 or (sep == 0 and is_blank(c, low, high)):
                        break
                    elif c == 32 or c == 13 or c == 45 or c == 46 or c == 58 or c == 95:  # noqa: PLR1714
                        p += 1
                    else:
                        ok = False
                ok = ok and code[text[p]] >= 16
                is_open = True
            elif role == table.BUS:
                label = p
                q = p
                while (
                    c != sep and code[c] & kit.LINE_FEED == 0 and c != 34 and (sep != 0 or not is_blank(c, low, high))
                ):
                    if c != 32 and c != 9 and c != 13 and c != 58:  # noqa: PLR1714
                        q = p + 1
                    p += 1
                    c = text[p]
                label_end = q
                ok = c != 34
            elif role == table.WORD:
                ok = False
            else:
                is_open = True
                flag |= table.flag_at(text, p, role)
            # To the end of the cell.
            c = text[p]
            if sep != 0:
                if is_open:
                    while c != sep and code[c] & kit.LINE_FEED == 0:
                        p += 1
                        c = text[p]
                else:
                    while c == 32 or (c <= top and is_blank(c, low, high)):
                        p += 1
                        c = text[p]
                if c == sep:
                    p += 1
                elif code[c] & kit.LINE_FEED != 0:
                    break
                else:
                    ok = False
            elif is_open:
                while code[c] & kit.LINE_FEED == 0 and not is_blank(c, low, high):
                    p += 1
                    c = text[p]
            else:
                ok = ok and (code[c] & kit.LINE_FEED != 0 or is_blank(c, low, high))
        if ok:
            if shift > 0:
                words[at] = value
            if flag & kit.EXTENDED_FLAG == 0 and s[table.EXTENDS] == 0 and each > 0x7FF:
                flag |= kit.EXTENDED_FLAG
            if stated < 0:
                most = n
                ok = kit.fd_code(n) >= 0
            if most > 8:
                flag |= kit.FD_FLAG
            ok = (
                ok
                and has & needed == needed
                and n >= most
                and flag & (kit.REMOTE_FLAG | kit.ERROR_FLAG) == 0
                and each <= (0x1FFFFFFF if flag & kit.EXTENDED_FLAG != 0 else 0x7FF)
                and (s[table.SENT_OUT] == 0 or flag & kit.TX_FLAG == 0)
                and s[kit.LARGEST] != kit.NO_TIME
            )
        index = 0
        if ok:
            before = s[kit.LARGEST] - s[kit.SHIFT]
            ok = -kit.STAMP_LIMIT <= stamp <= kit.STAMP_LIMIT
            stamp += s[table.CLOCK]
            ok = ok and before - kit.SORTED_NS <= stamp <= before + near
            if label >= 0:
                index = known_label(text, label, label_end, s, labels)
            if text[p] != 10:
                p = far_line_end(text, p, code)
            ok = ok and index >= 0 and s[kit.CHANNELS] > 0 and text[p] == 10
        axis = 0
        if ok:
            axis = kit.place_in_time(stamp, index, s)
            ok = axis != -kit.AXIS_LIMIT
        if not ok:
            unusual += WEIGHT if s[table.LEAVE_OUT] == 0 else 0
            s[table.UNUSUAL] = min(unusual, MOST_UNUSUAL)
            s[table.SINGLE] = 1 if unusual < MOST_UNUSUAL else 0
            s[kit.STOP] = kit.UNUSUAL_ROW if unusual < MOST_UNUSUAL else kit.UNUSUAL_ROWS
            return begin
        if unusual > 0:
            unusual -= 1
        p += 1
        s[kit.LINES] += 1
        s[kit.FRAMES] += 1
        if label >= 0:
            s[kit.CHANNEL] = index
        kit.note_frame(index, kit.frame_key(each, flag), axis, s)
        if kit.passes_filter(each, flag & kit.EXTENDED_FLAG, s, ids):
            k = s[kit.COUNT]
            at = s[kit.WORDS]
            if most & 7 and n > most:
                words[at + (most >> 3)] &= (1 << 8 * (most & 7)) - 1
            time[k] = axis
            channel[k] = index
            can_id[k] = each
            flags[k] = flag
            raw = most
            if stated > 8 and lengths != table.AS_BYTES:
                raw = stated
            elif most > 8:
                raw = kit.fd_code(most)
            dlc[k] = raw
            length[k] = most
            word[k] = at
            s[kit.WORDS] = at + ((most + 7) >> 3)
            s[kit.COUNT] = k + 1
    s[table.UNUSUAL] = unusual
    s[kit.STOP] = kit.END
    return p
