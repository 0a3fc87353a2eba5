"""Reads the rows of a table of values: a stamp, and numbers or texts in some of the columns.

The stamp is read as in a table of frames, from the same slots. A number is kept as a whole number and how many of its
digits are decimals, so that the caller makes of it what the digits say. A text is kept as its place in a table of the
different texts; so is what stands behind a number (``12.1 V``).

Of a trace most rows tell nothing new. Where the caller says what is new (`BEAT`), `alike` passes over them by their
digits alone. What stays is read as any row: a row with something new in it, the row before it, and one in each beat.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from buslens.capture import _scan_kernel as kit
from buslens.capture import _table_kernel as table
from buslens.capture._asc_kernel import far_line_end

if TYPE_CHECKING:
    from buslens.capture._scan_kernel import Numbers, Slots

# --- slots behind those of a scanner -----------------------------------------------------------------------

#: Different texts so far.
TEXTS: Final = kit.STATE_SIZE
#: Columns that are read, and the last column of the table that is one of them or a part of the stamp.
COLUMNS: Final = kit.STATE_SIZE + 1
LAST: Final = kit.STATE_SIZE + 2
#: 1: a text was left out, for the table of texts is full.
TOO_MANY: Final = kit.STATE_SIZE + 3
#: ns after which a row stays in any case; 0: every row stays. The times in which the extremes of a number stay, ns.
BEAT: Final = kit.STATE_SIZE + 4
BUCKET: Final = kit.STATE_SIZE + 5
#: Rows that were passed over, and the stamp of the last row that stayed.
ALIKE: Final = kit.STATE_SIZE + 6
LATEST: Final = kit.STATE_SIZE + 7
#: What a column has in `limits`.
LIMITS_ROOM: Final = kit.STATE_SIZE + 8
VALUES_STATE_SIZE: Final = kit.STATE_SIZE + 9

# --- what a column of the table is, in `role` --------------------------------------------------------------

REMARK: Final = 0
TIME: Final = 1
TIME_2: Final = 2
#: 3 + k: column k of those that are read.
FIRST: Final = 3

# --- what a cell holds, in `places`, beside the decimals of a number -----------------------------------------

EMPTY: Final = 1_000
TEXT: Final = 1_001

TEXT_ROOM: Final = 64
"""Bytes of a text in the table of texts: its length and up to 63 characters; the rest is left out."""
MOST_TEXTS: Final = 512

HAS_TIME: Final = 1
HAS_TIME_2: Final = 2

# --- what is new in a number, as the first of its `limits`; else how many limits follow ----------------------

EACH_VALUE: Final = -1
EXTREMES: Final = -2

PARTS: Final = 12
"""Numbers are compared as whole numbers of parts, of which 10 to this power make 1."""
MOST_WHOLE: Final = 6
"""Digits before the point of a number that is compared so, at most."""
FAR: Final = 1 << 62


def same_text(text: Numbers, p: int, n: int, texts: Numbers, index: int) -> bool:
    """Return whether n characters at p are those of a text in the table."""
    k = index * TEXT_ROOM
    if texts[k] != n:
        return False
    for i in range(n):  # noqa: SIM110  (a kernel has no generators)
        if texts[k + 1 + i] != text[p + i]:
            return False
    return True


def text_at(text: Numbers, p: int, stop: int, s: Slots, texts: Slots, last: int) -> int:
    """Return the place in the table of the text from p to stop, which is put there if it is new; -1 if it is full."""
    n = min(stop - p, TEXT_ROOM - 1)
    if last >= 0 and same_text(text, p, n, texts, last):
        return last
    for index in range(s[TEXTS]):
        if same_text(text, p, n, texts, index):
            return index
    if s[TEXTS] >= MOST_TEXTS:
        s[TOO_MANY] = 1
        return -1
    index = s[TEXTS]
    k = index * TEXT_ROOM
    texts[k] = n
    for i in range(n):
        texts[k + 1 + i] = text[p + i]
    s[TEXTS] = index + 1
    return index


def plain_decimal(text: Numbers, p: int, sep: int, comma: int) -> tuple[int, int, int]:
    """Read ``-12.5`` or ``+1.25E-03`` at p, right up to a separator or the end of the line: as `decimal`, else -1.

    It is what nearly all cells are, read without a look at any table.
    """
    q = p
    if text[q] == 45 or text[q] == 43:
        q += 1
    first = q
    # More digits may not fit into 64 bits; what stands there is then no separator.
    last = first + 18
    value = 0
    places = 0
    d = text[q] - 48
    while 0 <= d < 10 and q < last:
        value = value * 10 + d
        q += 1
        d = text[q] - 48
    if text[q] == 46 or text[q] == comma:
        q += 1
        places = q
        d = text[q] - 48
        while 0 <= d < 10 and q < last:
            value = value * 10 + d
            q += 1
            d = text[q] - 48
        places = q - places
    n = q - first
    if n > 18 or n == 0 or (n == 1 and text[first] == 46):
        return 0, 0, -1
    if text[q] | 32 == 101:  # 'e', a sign, two digits
        d, c = text[q + 2] - 48, text[q + 3] - 48
        if (text[q + 1] != 45 and text[q + 1] != 43) or d < 0 or d > 9 or c < 0 or c > 9:
            return 0, 0, -1
        places += d * 10 + c if text[q + 1] == 45 else -d * 10 - c
        q += 4
    c = text[q]
    if c != sep and c != 10 and c != 13:  # noqa: PLR1714
        return 0, 0, -1
    return (-value if text[p] == 45 else value), places, q


def in_parts(value: int, places: int, powers: Slots) -> int:
    """Return a number as a whole number of parts; `FAR` if it is too large or too fine for that."""
    if places > PARTS or places < -MOST_WHOLE:
        return FAR
    if places < 0:
        most = powers[MOST_WHOLE + places]
        return value * powers[-places] * powers[PARTS] if -most < value < most else FAR
    most = powers[MOST_WHOLE + places]
    return value * powers[PARTS - places] if -most < value < most else FAR


def alike(text: Numbers, start: int, stop: int, s: Slots, role: Numbers, powers: Slots, spans: Slots) -> int:
    """Pass over rows that tell nothing new; return the first row that may, or where there are any the one before it.

    Such a row has a stamp that is a plain number, not before the row before, within the beat; and plain numbers, each
    within the span of its column. The last row before `stop` is not passed over.

    Parameters
    ----------
    powers
        Powers of ten.
    spans
        By column that is read, at 4 k: the least and the greatest number of parts that tells nothing new.
    """
    end = 32 if s[table.SEPARATOR] == 0 else s[table.SEPARATOR]
    comma = 44 if s[table.COMMA] != 0 else 46
    last = s[LAST]
    beat = s[BEAT]
    latest = s[LATEST]
    until = latest + beat
    if s[BUCKET] != 0:
        until = min(until, (latest // s[BUCKET] + 1) * s[BUCKET])
    before = start
    p = start
    passed = 0
    #: Of stamps with as many decimals as the one before.
    decimals, scale, most = -1, 0, 0
    while p < stop:
        q = p
        stamp = 0
        column = 0
        while column <= last:
            while text[q] == 32:
                q += 1
            what = role[column]
            if what == REMARK:
                while text[q] != end and text[q] != 10 and text[q] != 13 and text[q] != 34:
                    q += 1
            else:
                value, places, q = plain_decimal(text, q, end, comma)
                if q < 0:
                    break
                if what == TIME:
                    if places != decimals:
                        decimals = places
                        scale = s[table.SCALE + places] if 0 <= places < 10 else 0
                        most = 0 if scale == 0 else kit.STAMP_LIMIT // scale
                    stamp = value * scale
                    if not -most < value < most:
                        break
                    if stamp < latest or stamp >= until or stamp - latest >= beat:
                        break
                else:
                    k = 4 * (what - FIRST)
                    value = in_parts(value, places, powers)
                    if value < spans[k] or value > spans[k + 1]:
                        break
            column += 1
            if text[q] == end and column <= last:
                q += 1
        if column <= last or q < 0:
            break
        while text[q] > 13 or text[q] == 9:
            q += 1
        if text[q] == 13:
            q += 1
        if text[q] != 10:
            break
        before = p
        latest = stamp
        passed += 1
        p = q + 1
    if passed:
        # The row before stays, too: what is new came after it.
        s[ALIKE] += passed - 1
        s[kit.LINES] += passed - 1
        return before
    return p


def learn(
    s: Slots, stamp: int, at: int, limits: Slots, powers: Slots, spans: Slots, digits: Slots, places: Slots, unit: Slots
) -> None:
    """Note what of a row that stays tells nothing new when it comes again.

    Parameters
    ----------
    limits
        By column that is read: `EACH_VALUE`, `EXTREMES` or how many limits there are, and these in order. Numbers
        between the same two limits are alike.
    spans
        Beside what `alike` reads of it, at 4 k + 2, the least and the greatest number of parts that came.
    """
    is_new_bucket = s[BUCKET] != 0 and stamp // s[BUCKET] != s[LATEST] // s[BUCKET]
    for column in range(s[COLUMNS]):
        k = 4 * column
        value = FAR
        if places[at + column] < EMPTY and unit[at + column] < 0:
            value = in_parts(digits[at + column], places[at + column], powers)
        if value == FAR:
            spans[k], spans[k + 1] = FAR, -FAR
            continue
        first = column * s[LIMITS_ROOM]
        n = limits[first]
        if n == EACH_VALUE or (n == EXTREMES and is_new_bucket) or spans[k + 2] > spans[k + 3]:
            spans[k + 2], spans[k + 3] = value, value
        spans[k + 2], spans[k + 3] = min(spans[k + 2], value), max(spans[k + 3], value)
        low, high = -FAR, FAR
        for limit in range(first + 1, first + 1 + n):
            if limits[limit] <= value:
                low = limits[limit]
            elif limits[limit] <= high:
                high = limits[limit] - 1
        spans[k], spans[k + 1] = max(low, spans[k + 2]), min(high, spans[k + 3])
    s[LATEST] = stamp


def scan(
    text: Numbers,
    start: int,
    stop: int,
    s: Slots,
    code: Numbers,
    role: Numbers,
    reads_text: Numbers,
    texts: Slots,
    latest: Slots,
    powers: Slots,
    limits: Slots,
    spans: Slots,
    time: Slots,
    line: Slots,
    digits: Slots,
    places: Slots,
    unit: Slots,
) -> int:
    """Read rows from start to stop; return where it came back, with s[STOP] saying why.

    Parameters
    ----------
    role
        By column of the table: `REMARK`, `TIME`, `TIME_2` or `FIRST` and up.
    reads_text
        By column that is read: 1 where a cell is a text whatever it looks like.
    texts
        The table of texts.
    latest
        By column that is read: the text of its last cell and of what stood behind its last number, or -1.
    powers, limits, spans
        What `alike` and `learn` need, where the caller says what is new.
    time, line
        ns of each row, and line ends before it.
    digits, places, unit
        By row and column that is read: the digits of a number or the place of a text, the decimals or `EMPTY` or
        `TEXT`, and the place of the text behind a number or -1.
    """
    sep = s[table.SEPARATOR]
    columns = s[COLUMNS]
    last = s[LAST]
    comma = 44 if s[table.COMMA] != 0 else 46
    needed = HAS_TIME | (HAS_TIME_2 if s[table.FORM_2] != 0 else 0)
    p = start
    #: Rows that stay whatever is in them.
    staying = 0
    while p < stop:
        if s[BEAT] != 0:
            if staying == 0:
                begin = p
                p = alike(text, p, stop, s, role, powers, spans)
                staying = 1 if p == begin else 2
            staying -= 1
        begin = p
        if s[kit.COUNT] >= s[kit.ROOM]:
            s[kit.STOP] = kit.FULL
            return begin
        s[kit.STOP] = kit.END
        row = s[kit.COUNT] * columns
        for k in range(columns):
            places[row + k] = EMPTY
            digits[row + k] = 0
            unit[row + k] = -1
        column = 0
        has = 0
        filled = 0
        stamp, second, got = 0, 0, 0
        reason = 0
        while column <= last:
            c = text[p]
            while (c < 45 or c > 57) and c != sep and (c == 32 or table.is_soft(c, s)):
                p += 1
                c = text[p]
            if c == sep:
                column += 1
                p += 1
                continue
            if code[text[p]] & kit.LINE_FEED != 0:
                break
            filled += 1
            what = role[column]
            is_quoted = text[p] == 34
            if is_quoted:
                p += 1
                while text[p] == 32:
                    p += 1
            # Within quotes a comma is part of a number, also where it stands between cells.
            end, point = (34, 44) if is_quoted else (sep, comma)
            if what in (TIME, TIME_2):
                form = s[table.FORM] if what == TIME else s[table.FORM_2]
                q = -1
                if form == table.NUMBER and what == TIME:
                    value, decimals, q = plain_decimal(text, p, end, point)
                    if q > 0 and 0 <= decimals < 10 and s[table.SCALE + decimals] > 0:
                        scale = s[table.SCALE + decimals]
                        got = value * scale
                        if not -kit.STAMP_LIMIT // scale < value < kit.STAMP_LIMIT // scale:
                            q = -1
                    else:
                        q = -1
                if q < 0:
                    has_commas = s[table.COMMA]
                    s[table.COMMA] = 1 if is_quoted else has_commas
                    got, q = table.stamp_at(text, p, code, s, form, s[table.UNIT] if what == TIME else s[table.UNIT_2])
                    s[table.COMMA] = has_commas
                if form == table.NUMBER and q > 0:
                    behind = q
                    while sep != 0 and text[behind] == 32:
                        behind += 1
                    if not table.ends_cell(text, behind, code, s):
                        behind = table.behind_unit(text, behind)
                    # A number with words behind it is no stamp: "72 rows".
                    q = behind if table.ends_cell(text, behind, code, s) else -1
                if q > 0 and table.ends_cell(text, q, code, s):
                    p = q
                    if what == TIME:
                        stamp = got
                        has |= HAS_TIME
                    else:
                        second = got
                        has |= HAS_TIME_2
                else:
                    reason = kit.STAMP_RANGE if q == -kit.STAMP_RANGE else kit.BAD_STAMP
            elif what >= FIRST:
                k = what - FIRST
                at = row + k
                value, decimals, q = 0, 0, -1
                if reads_text[k] == 0:
                    value, decimals, q = plain_decimal(text, p, end, point)
                    if q < 0:
                        value, decimals, q = table.decimal(text, p, code, 1 if is_quoted else s[table.COMMA])
                behind = q
                while q > 0 and sep != 0 and text[behind] != sep and text[behind] in (9, 13, 32):
                    behind += 1
                if q > 0 and table.ends_cell(text, behind, code, s):
                    digits[at] = value
                    places[at] = decimals
                    p = q
                else:
                    # A text, or a number with its unit behind it: up to the end of the cell, without blanks there.
                    is_number = q > 0
                    if is_number:
                        while text[q] == 32 or text[q] == 9:
                            q += 1
                        is_number = code[text[q]] >= 10 and text[q] != 46 and text[q] != 44 and text[q] != 58
                    first = q if is_number else p
                    behind = first
                    q = first
                    while code[text[q]] & kit.LINE_FEED == 0 and text[q] != 34 and (is_quoted or text[q] != sep):
                        if sep == 0 and not is_quoted and table.is_soft(text[q], s):
                            break
                        if text[q] != 32 and text[q] != 9 and text[q] != 13:
                            behind = q + 1
                        q += 1
                    p = q
                    if behind > first:
                        index = text_at(text, first, behind, s, texts, latest[k])
                        latest[k] = index
                        if is_number:
                            digits[at] = value
                            places[at] = decimals
                            unit[at] = index
                        elif index >= 0:
                            digits[at] = index
                            places[at] = TEXT
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
                while code[text[p]] & kit.LINE_FEED == 0 and not table.is_soft(text[p], s):
                    p += 1
            column += 1
        line[s[kit.COUNT]] = s[kit.LINES]
        p = kit.next_line(text, far_line_end(text, p, code), s)
        stamp += second
        if has == needed and -kit.STAMP_LIMIT < stamp < kit.STAMP_LIMIT:
            time[s[kit.COUNT]] = stamp
            if s[BEAT] != 0:
                learn(s, stamp, row, limits, powers, spans, digits, places, unit)
            s[kit.COUNT] += 1
            continue
        if filled == 0:
            s[kit.OTHER] += 1
            continue
        s[kit.BROKEN] += 1
        s[kit.REASON] = kit.BAD_STAMP if reason == 0 and has != needed else kit.STAMP_RANGE if has == needed else reason
        if s[kit.BROKEN] <= s[kit.KEEP]:
            s[kit.STOP] = kit.BROKEN_LINE
            s[kit.AT] = begin
            return p
    s[kit.STOP] = kit.END
    return p
