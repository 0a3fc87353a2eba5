"""Reads lines of an ASC log; `asc` has the grammar and what each reason means."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from buslens.capture import _scan_kernel as kit
from buslens.capture._lin_kernel import LARGEST_ID, is_whole, protected

if TYPE_CHECKING:
    from buslens.capture._scan_kernel import Columns, Numbers, Slots

# --- the format's slots of the state -----------------------------------------------------------------------

#: 16 or 10: identifiers, data bytes and classical data length codes.
BASE: Final = kit.FORMAT
#: 1: each stamp counts from the timed row before.
RELATIVE: Final = kit.FORMAT + 1
#: 1: there is a date, and ORIGIN is its time, ns; else ORIGIN is 0.
DATED: Final = kit.FORMAT + 2
ORIGIN: Final = kit.FORMAT + 3
#: 1: a trigger block with the date BLOCK, ns, has begun and its first timed row has not come; else BLOCK is 0.
PENDING: Final = kit.FORMAT + 4
BLOCK: Final = kit.FORMAT + 5
#: Relative stamps added up, ns.
CLOCK: Final = kit.FORMAT + 6
#: 1: a timed row has come.
STARTED: Final = kit.FORMAT + 7
#: 1: the stamps of a block restarted.
RESTARTED: Final = kit.FORMAT + 8
#: 1: there was a date that cannot be read, and the user has been told.
UNREADABLE: Final = kit.FORMAT + 9
#: So many columns more than usual stand before the identifier of rows that are frames all the same.
EXTRA: Final = kit.FORMAT + 11
#: 1: rows that were sent run on a clock of their own, and are left out.
SENT_APART: Final = kit.FORMAT + 12
#: So many frames from here on are left over from an earlier run, and are left out.
LEFTOVER: Final = kit.FORMAT + 13
#: 1: a trigger block has begun behind a timed row, and none of its own has come: nothing was recorded in between.
APART: Final = kit.FORMAT + 10

# --- what may be wrong with a line -------------------------------------------------------------------------

NO_DIRECTION: Final = kit.FORMAT_REASON
NO_KIND: Final = kit.FORMAT_REASON + 1
BAD_DLC: Final = kit.FORMAT_REASON + 2
BAD_BYTE: Final = kit.FORMAT_REASON + 3
FEW_BYTES: Final = kit.FORMAT_REASON + 4
NO_NUMBER: Final = kit.FORMAT_REASON + 5
ID_RANGE: Final = kit.FORMAT_REASON + 6
EXTENDED_RANGE: Final = kit.FORMAT_REASON + 7
FD_SHAPE: Final = kit.FORMAT_REASON + 8
EXTRA_COLUMNS: Final = kit.FORMAT_REASON + 9
LIN_PARITY: Final = kit.FORMAT_REASON + 10
LIN_CHECKSUM: Final = kit.FORMAT_REASON + 11
LIN_RECEIVE: Final = kit.FORMAT_REASON + 12

#: Kinds of row beside a reason: a frame, and one that is none and need not be.
IS_FRAME: Final = 0
IS_EVENT: Final = -1


# Words of the format as `packed` returns them.
DATE_WORD: Final = int.from_bytes(b"date")
BASE_WORD: Final = int.from_bytes(b"base")
BEGIN_WORD: Final = int.from_bytes(b"begin")
END_WORD: Final = int.from_bytes(b"end")
NO_WORD: Final = int.from_bytes(b"no")
INTERNAL_WORD: Final = int.from_bytes(b"internal")
CANFD_WORD: Final = int.from_bytes(b"canfd")
ERROR_WORD: Final = int.from_bytes(b"errorfra")
RX_WORD: Final = int.from_bytes(b"rx")
TX_WORD: Final = int.from_bytes(b"tx")
NO_ANSWER_WORD: Final = int.from_bytes(b"transmer")
LIN_ERROR_WORD: Final = int.from_bytes(b"rcverror")
LIN_CHECKSUM_WORD: Final = int.from_bytes(b"cserror")
CHECKSUM_WORD: Final = int.from_bytes(b"checksum")
TXRQ_WORD: Final = int.from_bytes(b"txrq")
J1939_WORD: Final = int.from_bytes(b"j1939tp")

#: Words of a row that are looked at for a direction.
MOST_COLUMNS: Final = 10


def packed(text: Numbers, p: int, code: Numbers) -> tuple[int, int]:
    """Return the first 8 characters of the word at p in lower case, as the bytes of a number, and its end."""
    value = 0
    stop = p + 8
    while not kit.ends_word(code[text[p]]):
        if p < stop:
            value = value << 8 | (text[p] | 32) & 127
        p += 1
    return value, p


def number(text: Numbers, p: int, code: Numbers, base: int, most: int) -> tuple[int, int]:
    """Read the word at p as a number of at most `most`: its value, or -1 if it is none, and the place behind."""
    first = p
    value = 0
    d = code[text[p]]
    while d < base:
        if value <= most:
            value = value * base + d
        p += 1
        d = code[text[p]]
    if p == first or value > most or not kit.ends_word(d):
        return -1, p
    return value, p


def identifier(text: Numbers, p: int, code: Numbers, base: int) -> tuple[int, int, int, int]:
    """Read the identifier at p: a reason or 0, its value, its flag, and the place behind."""
    first = p
    value = 0
    d = code[text[p]]
    while d < base:
        if value < 0x20000000:
            value = value * base + d
        p += 1
        d = code[text[p]]
    if p > first and kit.ends_word(d):
        return (ID_RANGE if value > 0x7FF else 0), value, 0, p
    if p > first and text[p] | 32 == 120 and kit.ends_word(code[text[p + 1]]):  # 'x'
        return (EXTENDED_RANGE if value > 0x1FFFFFFF else 0), value, kit.EXTENDED_FLAG, p + 1
    return NO_NUMBER, 0, 0, kit.skip_word(text, p, code)


def regular_payload(text: Numbers, p: int, code: Numbers, length: int, words: Slots, at: int) -> int:
    """Read `length` bytes in the usual layout, one blank and two hexadecimal digits each: the place behind, or 0."""
    value = 0
    shift = 0
    stop = p + 3 * length
    for k in range(p, stop, 3):
        high = code[text[k + 1]]
        low = code[text[k + 2]]
        if code[text[k]] != kit.BLANK or high > 15 or low > 15:
            return 0
        value |= (high << 4 | low) << shift
        shift += 8
        if shift == 64:
            words[at] = value
            at += 1
            value = 0
            shift = 0
    if shift:
        words[at] = value
    return stop if kit.ends_word(code[text[stop]]) else 0


def far_line_end(text: Numbers, p: int, code: Numbers) -> int:
    """Return the place, from p on, where the line ends, which may be far."""
    while (
        code[text[p]]
        | code[text[p + 1]]
        | code[text[p + 2]]
        | code[text[p + 3]]
        | code[text[p + 4]]
        | code[text[p + 5]]
        | code[text[p + 6]]
        | code[text[p + 7]]
    ) & kit.LINE_FEED == 0:
        p += 8
    while code[text[p]] & kit.LINE_FEED == 0:
        p += 1
    return p


def payload(text: Numbers, p: int, code: Numbers, base: int, length: int, words: Slots, at: int) -> tuple[int, int]:
    """Read `length` bytes, each behind a blank, into words from `at` on: a reason or 0, and the place behind."""
    if base == 16:
        q = regular_payload(text, p, code, length, words, at)
        if q > 0:
            return 0, q
    for k in range(length):
        p = kit.skip_blanks(text, p, code)
        high = code[text[p]]
        if high >= base:
            return FEW_BYTES, p
        p += 1
        low = code[text[p]]
        if low < base:
            high = high * base + low
            p += 1
            low = code[text[p]]
            if low < base and base == 10:
                high = high * 10 + low
                p += 1
                low = code[text[p]]
        if high > 255 or not kit.ends_word(low):
            return BAD_BYTE, p
        kit.put_byte(words, at, k, high)
    return 0, p


def fd_shape(text: Numbers, p: int, code: Numbers, base: int) -> tuple[int, int, int, int]:
    """Read ``BRS ESI DLC LENGTH`` at p: flags, dlc, length, and the place behind or 0 if they do not agree.

    The length is always decimal; a DLC that agrees with it in the other base is accepted. A length of 0 with
    a DLC above 0 is a classical remote frame, which recorders of CAN FD channels write in this form too.
    """
    flags = 0
    brs, p = number(text, p, code, 10, 1)
    if brs < 0:
        return 0, 0, 0, 0
    esi, p = number(text, kit.skip_blanks(text, p, code), code, 10, 1)
    if esi < 0:
        return 0, 0, 0, 0
    first = kit.skip_blanks(text, p, code)
    dlc, _ = number(text, first, code, base, 15)
    other, _ = number(text, first, code, 26 - base, 15)
    length, p = number(text, kit.skip_blanks(text, kit.skip_word(text, first, code), code), code, 10, 64)
    if length < 0:
        return 0, 0, 0, 0
    flags = kit.FD_FLAG | brs * kit.BRS_FLAG | esi * kit.ESI_FLAG
    if dlc >= 0 and kit.fd_length(dlc) == length:
        return flags, dlc, length, p
    if other >= 0 and kit.fd_length(other) == length:
        return flags, other, length, p
    if length == 0 and dlc > 0:
        return kit.REMOTE_FLAG, dlc, 0, p
    return 0, 0, 0, 0


def fd_row(
    text: Numbers, p: int, code: Numbers, base: int, words: Slots, at: int
) -> tuple[int, int, int, int, int, int]:
    """Read what follows the channel of a CANFD row: as `classical_row`."""
    way, q = packed(text, p, code)
    if way != RX_WORD and way != TX_WORD:  # noqa: PLR1714  (compiled to two comparisons)
        # A number where the direction belongs is an identifier: a frame that lacks its direction.
        reason, _, _, _ = identifier(text, p, code, base)
        return (IS_EVENT if reason == NO_NUMBER else NO_DIRECTION), 0, 0, 0, 0, q
    flags = kit.TX_FLAG if way == TX_WORD else 0
    p = kit.skip_blanks(text, q, code)
    word, q = packed(text, p, code)
    if word == ERROR_WORD:
        return IS_FRAME, kit.BUS_ERROR, flags | kit.ERROR_FLAG, 0, 0, q
    reason, can_id, extended, p = identifier(text, p, code, base)
    if reason != 0:
        return reason, 0, 0, 0, 0, p
    flags |= extended
    p = kit.skip_blanks(text, p, code)
    shape, dlc, length, q = fd_shape(text, p, code, base)
    for _ in range(2):
        if q != 0 and shape != kit.REMOTE_FLAG:
            break
        # The word may be a symbolic name, even one of digits, or one of two: then the four columns stand behind them.
        p = kit.skip_blanks(text, kit.skip_word(text, p, code), code)
        named, named_dlc, named_length, named_q = fd_shape(text, p, code, base)
        if q == 0 or named_length > 0:
            shape, dlc, length, q = named, named_dlc, named_length, named_q
    if q == 0:
        return FD_SHAPE, 0, 0, 0, 0, p
    reason, p = payload(text, q, code, base, length, words, at)
    return reason, can_id, flags | shape, dlc, length, p


def classical_row(
    text: Numbers, p: int, code: Numbers, base: int, words: Slots, at: int
) -> tuple[int, int, int, int, int, int]:
    """Read what follows the channel of a row that is not CANFD.

    Returns
    -------
    tuple of int
        IS_FRAME, IS_EVENT or a reason; identifier, flags, dlc, length; the place behind.
    """
    reason, can_id, flags, q = identifier(text, p, code, base)
    if reason == NO_NUMBER:
        word, _ = packed(text, p, code)
        if word == ERROR_WORD:
            return IS_FRAME, kit.BUS_ERROR, kit.ERROR_FLAG, 0, 0, q
    way, p = packed(text, kit.skip_blanks(text, q, code), code)
    if way == TXRQ_WORD:
        return IS_EVENT, 0, 0, 0, 0, p
    if way == TX_WORD:
        flags |= kit.TX_FLAG
    elif way != RX_WORD:
        # Statistics and the like begin with a word of their own; a number here is a frame cut short.
        return (IS_EVENT if reason == NO_NUMBER else NO_DIRECTION), 0, 0, 0, 0, p
    if reason != 0:
        return reason, 0, 0, 0, 0, p
    p = kit.skip_blanks(text, p, code)
    kind = text[p] | 32
    if not kit.ends_word(code[text[p + 1]]) or (kind != 100 and kind != 114):  # 'd', 'r'  # noqa: PLR1714
        return NO_KIND, 0, 0, 0, 0, p
    dlc, q = number(text, kit.skip_blanks(text, p + 1, code), code, base, 15)
    if kind == 114:
        return IS_FRAME, can_id, flags | kit.REMOTE_FLAG, max(dlc, 0), 0, q
    if dlc < 0:
        return BAD_DLC, 0, 0, 0, 0, q
    length = min(dlc, 8)
    reason, p = payload(text, q, code, base, length, words, at)
    return reason, can_id, flags, dlc, length, p


def columns_before(text: Numbers, p: int, code: Numbers) -> tuple[int, int, int, int]:
    """Look for ``Rx d`` or the like behind the stamp of a row that is in no usual order.

    Returns
    -------
    tuple of int
        Words before it, 0 if there is none; where the last of them begins, the identifier; where the first of the
        others begins that can be a channel, and ends, both 0 if there is none.
    """
    n = 0
    last = 0
    label = 0
    label_end = 0
    while n <= MOST_COLUMNS and not kit.ends_word(code[text[p]]):
        first = p
        word, p = packed(text, p, code)
        if word == J1939_WORD:
            return 0, 0, 0, 0
        if word in (RX_WORD, TX_WORD) and n > 0:
            q = kit.skip_blanks(text, p, code)
            kind = text[q] | 32
            if kind in (100, 114) and kit.ends_word(code[text[q + 1]]):  # 'd', 'r'
                if label == last:
                    label = 0
                return n, last, label, label_end
        value, q = number(text, first, code, 10, 65535)
        if value >= 0 and label == 0:
            label = first
            label_end = q
        last = first
        n += 1
        p = kit.skip_blanks(text, p, code)
    return 0, 0, 0, 0


def begins_lin(text: Numbers, p: int, code: Numbers) -> bool:
    """Return whether the word at p is the channel of a LIN row: Li, L2, L3 ..."""
    second = text[p + 1]
    if text[p] | 32 != 108 or not (second | 32 == 105 or code[second] < 10):  # 'l', 'i'
        return False
    p += 2
    while code[text[p]] < 10:
        p += 1
    return code[text[p]] == kit.BLANK


def lin_row(text: Numbers, p: int, code: Numbers, base: int, words: Slots, s: Slots) -> tuple[int, int, int, int, int]:
    """Read what follows the channel of a LIN row: a reason or a kind of row, identifier, flags, length, and the end.

    A header that nobody answered is a remote frame: it asks, and shows that the bus is awake.

    The identifier is hexadecimal, with or without its parity. What else the row says is not looked at but for
    ``checksum = XX``.
    """
    value, p = number(text, p, code, 16, 255)
    if value < 0:
        return IS_EVENT, 0, 0, 0, p
    if value > LARGEST_ID:
        if protected(value & LARGEST_ID) != value:
            return LIN_PARITY, 0, 0, 0, p
        value &= LARGEST_ID
    p = kit.skip_blanks(text, p, code)
    way, p = packed(text, p, code)
    if way == NO_ANSWER_WORD:
        return IS_FRAME, value, kit.REMOTE_FLAG, 0, p
    if way == LIN_ERROR_WORD:
        return LIN_RECEIVE, 0, 0, 0, p
    if way == LIN_CHECKSUM_WORD:
        return LIN_CHECKSUM, 0, 0, 0, p
    if way not in (RX_WORD, TX_WORD):
        return IS_EVENT, 0, 0, 0, p
    n, p = number(text, kit.skip_blanks(text, p, code), code, base, 8)
    if n < 1:
        return BAD_DLC, 0, 0, 0, p
    reason, p = payload(text, p, code, base, n, words, s[kit.WORDS])
    if reason != 0:
        return reason, 0, 0, 0, p
    while code[text[p]] & kit.LINE_FEED == 0:
        p = kit.skip_blanks(text, p, code)
        word, p = packed(text, p, code)
        if word == CHECKSUM_WORD:
            p = kit.skip_blanks(text, p, code)
            if text[p] == 61:  # '='
                p = kit.skip_blanks(text, p + 1, code)
            found, p = number(text, p, code, 16, 255)
            if found >= 0 and not is_whole(value, words, s[kit.WORDS], n, found):
                return LIN_CHECKSUM, 0, 0, 0, p
            break
    return IS_FRAME, value, kit.TX_FLAG if way == TX_WORD else 0, n, p


def begin_block(clock: int, s: Slots) -> None:
    """Decide, by its first timed row, what the stamps of a trigger block count from.

    They go on if that puts the row nearer to the date of the block than counting from that date would: so it
    is for a block that holds some time from before its trigger, and for dates without a fraction.
    """
    date = s[BLOCK]
    s[PENDING] = 0
    s[BLOCK] = 0
    if s[DATED] == 0:
        if s[STARTED] == 0:
            s[DATED] = 1
            s[ORIGIN] = date
        return
    if s[RELATIVE] != 0 and s[STARTED] != 0:
        return
    if abs(s[ORIGIN] + clock - date) > abs(clock):
        s[ORIGIN] = date
        if s[STARTED] != 0:
            s[RESTARTED] = 1
            s[kit.BREAK] = kit.RESTARTS


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
    base = s[BASE]
    while p < stop:
        begin = p
        if kit.is_full(s):
            return begin
        p = kit.skip_blanks(text, p, code)
        c = code[text[p]]
        negative = text[p] == 45
        if negative:
            p += 1
            c = code[text[p]]
        clock = 0
        timed = False
        reason = IS_EVENT
        each, flag, raw, n = 0, 0, 0, 0
        label, label_end = 0, 0
        if c < 10:
            stamp, p = kit.seconds(text, p, code)
            if p > 0 and not kit.ends_word(code[text[p]]):
                p = -kit.BAD_STAMP
            if negative:
                stamp = -stamp
            clock = stamp
            if s[RELATIVE] != 0:
                clock += s[CLOCK]
            if p > 0 and (clock > kit.STAMP_LIMIT or clock < -kit.STAMP_LIMIT):
                p = -kit.STAMP_RANGE
            if p < 0:
                reason = -p
                p = begin
            else:
                timed = True
                if s[PENDING] != 0:
                    begin_block(clock, s)
                p = kit.skip_blanks(text, p, code)
                ahead = p
                if code[text[p]] < 10:
                    label = p
                    value, label_end = number(text, p, code, 10, 65535)
                    if value >= 0:
                        reason, each, flag, raw, n, p = classical_row(
                            text, kit.skip_blanks(text, label_end, code), code, base, words, s[kit.WORDS]
                        )
                elif begins_lin(text, p, code):
                    label = p
                    label_end = kit.skip_word(text, p, code)
                    p = kit.skip_blanks(text, label_end, code)
                    reason, each, flag, n, p = lin_row(text, p, code, base, words, s)
                    raw = n
                else:
                    value, p = packed(text, p, code)
                    if value == CANFD_WORD:
                        label = kit.skip_blanks(text, p, code)
                        value, label_end = number(text, label, code, 10, 65535)
                        if value >= 0:
                            reason, each, flag, raw, n, p = fd_row(
                                text, kit.skip_blanks(text, label_end, code), code, base, words, s[kit.WORDS]
                            )
                if reason in (IS_EVENT, NO_DIRECTION):
                    n_before, place, other, other_end = columns_before(text, ahead, code)
                    if n_before > 2:
                        reason = EXTRA_COLUMNS
                        if n_before - 2 == s[EXTRA] and other > 0:
                            label, label_end = other, other_end
                            reason, each, flag, raw, n, p = classical_row(text, place, code, base, words, s[kit.WORDS])
        elif negative:
            reason = kit.BAD_STAMP
        elif (c < kit.BLANK or c == kit.OTHER_CHARACTER) and (text[p] != 47 or text[p + 1] != 47):  # '//'
            value, p = packed(text, p, code)
            if value in (DATE_WORD, BASE_WORD, BEGIN_WORD):
                s[kit.OTHER] += 1
                s[kit.STOP] = kit.ASK
                s[kit.AT] = begin
                return kit.next_line(text, far_line_end(text, p, code), s)
            if value not in (END_WORD, NO_WORD, INTERNAL_WORD):
                reason = kit.BAD_STAMP
        at = 0
        before = 0
        index = 0
        left_out = s[SENT_APART] != 0 and flag & kit.TX_FLAG != 0
        if reason == IS_FRAME and s[LEFTOVER] > 0:
            left_out = True
            if flag & (kit.ERROR_FLAG | kit.FD_FLAG) == 0:
                s[LEFTOVER] -= 1
        if reason == IS_FRAME and left_out and s[kit.AS_RECORDED] == 0:
            reason = IS_EVENT
        if reason == IS_FRAME:
            # 001 is channel 1; without its zeros a number of at most 65535 also fits the table of labels.
            while text[label] == 48 and label + 1 < label_end:
                label += 1
            index = s[kit.CHANNEL]
            if kit.same_channel(text, label, code, s, labels) != label_end:
                index = kit.channel_of(text, label, label_end, s, labels)
            if index < 0:
                reason = kit.TOO_MANY_CHANNELS
        if reason == IS_FRAME and (s[ORIGIN] + clock > kit.STAMP_LIMIT or s[ORIGIN] + clock < -kit.STAMP_LIMIT):
            reason = kit.STAMP_RANGE
        if reason == IS_FRAME:
            before = s[kit.LARGEST]
            at = kit.place_in_time(s[ORIGIN] + clock, index, s)
            if at == -kit.AXIS_LIMIT:
                if s[kit.STOP] == kit.SEAM:
                    s[kit.AT] = begin
                    return begin
                reason = s[kit.REASON]
        if reason == IS_FRAME and s[APART] != 0:
            s[APART] = 0
            if at > before:  # a piece of a log may begin with a block: the frame before is in the piece before
                kit.note_gap(kit.EVERY_CHANNEL, before, at, s)
        if timed:
            s[CLOCK] = clock if s[RELATIVE] != 0 else 0
            s[STARTED] = 1
        p = kit.next_line(text, far_line_end(text, p, code), s)
        if reason == IS_EVENT:
            s[kit.OTHER] += 1
            continue
        if reason != IS_FRAME:
            if s[RELATIVE] != 0 and not timed:
                s[kit.BREAK] = kit.LOST
            if kit.stops_at_broken(begin, reason, s):
                return p
            continue
        key = kit.frame_key(each, flag)
        if flag & kit.REMOTE_FLAG and text[label] | 32 == 108:  # 'l': a LIN header alone is no answer
            s[kit.UNANSWERED] += 1
            key |= kit.REMOTE_FLAG << 29
        kit.take_frame(at, index, each, key, flag, raw, n, s, ids, columns)
    s[kit.STOP] = kit.END
    return p
