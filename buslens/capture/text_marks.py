"""Forms of bytes, dates and numbers that the kernel does not read, found in most lines, and what stands for them.

marks_of      the patterns that a text needs
of_unpadded   those that fill up the rest of a second
notes_of      what a person should know of them
are_dates     whether they put seconds in place of a date
are_base64    whether some cells are bytes in base64
"""

from __future__ import annotations

import re
import time
from base64 import b64decode
from calendar import timegm
from collections import Counter
from functools import partial
from itertools import pairwise
from typing import TYPE_CHECKING, Final, TypeAlias

from buslens.capture.text_words import ARROW, WORD, has_arrows, has_foreign_words, in_english, of_arrow

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Sequence

Mark: TypeAlias = "tuple[re.Pattern[bytes], bytes | Callable[[re.Match[bytes]], bytes]]"
"""A pattern, and what stands for what it finds."""
_BYTE_LABEL: Final = re.compile(
    rb"\b(?:b|d|byte|data)[ _]?\[?(\d{1,2})\]?[=:] ?(?=(?:0[xX])?[0-9A-Fa-f]{1,3}\b)", re.IGNORECASE
)
_BRACKETS: Final = re.compile(
    rb"(?<![\"'])[\[{(] ?((?:(?:0[xX])?[0-9A-Fa-f]{1,3}[ ,]+)+(?:0[xX])?[0-9A-Fa-f]{1,3}) ?[\])}]"
)
_CLOSING_TAG: Final = re.compile(rb"</[A-Za-z_][\w.:-]*>|/>|<(?:table|tbody)\b[^>\n]*>", re.IGNORECASE)
_UNPADDED: Final = re.compile(
    rb"(?<![\d.:])((?:\d{1,3}:)?\d{1,3}:\d{1,2}[.,]|\d{1,3}:\d\d?:\d\d?:|\d{9,10}[.,])(\d{1,9})(?![\d:])"
)
"""A time, and what stands behind its seconds."""
_DATED: Final = re.compile(
    rb"\((\d{4})-(\d\d)-(\d\d)[ T_](\d\d):(\d\d):(\d\d)([.,]\d{1,9})?\)(?=[ \t]+\S{1,31}[ \t]+[0-9A-Fa-f]{1,8}#)"
)
"""A date and time in the place of the seconds of a candump log file."""
_HEX_LITERAL: Final = re.compile(rb"\b[xX]'([0-9A-Fa-f]*)'")
_ESCAPED: Final = re.compile(
    rb"(?<=['\",;:=\s(])((?:\\{1,2}x[0-9A-Fa-f]{2})+[0-9A-Fa-f]*)(?=['\",;\s)}]|$)", re.MULTILINE
)
"""Bytes such as ``\\x05\\x0c``, or ``\\x050c``."""
_BITS: Final = re.compile(rb"(?<![0-9A-Za-z.])(?:[01]{8}[ _:-]?){0,63}[01]{8}(?![0-9A-Za-z.])")
_WITH_UNIT: Final = re.compile(rb"(?<![\w.,:])(\d+(?:[.,]\d+)?) ?(ns|us|\xc2?\xb5s|ms|s)(?![\w:])")
_WHOLE: Final = re.compile(rb"(?<=[;\t])(\d{1,3}),0{1,9}(?=[;\t\r\n]|$)", re.MULTILINE)
"""A whole number with a decimal comma, as of columns that are empty in some rows."""
_WHOLE_PAIR: Final = re.compile(rb"[;\t]\d{1,3},0{1,9}[;\t]\d{1,3},0{1,9}(?=[;\t\r\n]|$)")
_SIGNED: Final = re.compile(rb"(?<=[\[,; \t\"])-(\d{1,3})(?=[\],; \t\"\r\n]|$)")
"""A byte as a number from -128 to 127, if it is below 0."""
_SIGN_EXTENDED: Final = re.compile(rb"\b(?:0[xX])?[Ff]{6}([89A-Fa-f][0-9A-Fa-f])\b")
"""A byte above 7F that a program printed as a number of 32 bits with a sign."""
_LITERAL: Final = re.compile(
    rb"(\"?)(?:bytearray\()?(?<!\w)b(?:'((?:[^'\\\n]|\\.)*)'|\"\"?((?:[^\"\\\n]|\\.)*)\"\"?)\)?\1"
)
"""Bytes as Python writes them; within a quoted cell, quotes are doubled."""
_ESCAPE: Final = re.compile(rb"\\(?:x([0-9A-Fa-f]{2})|(.))")
_MONTHS: Final = (b"Jan", b"Feb", b"Mar", b"Apr", b"May", b"Jun", b"Jul", b"Aug", b"Sep", b"Oct", b"Nov", b"Dec")
_YEAR_1: Final = 621_355_968_000_000_000
_YEAR_1601: Final = 116_444_736_000_000_000
"""From when on until 1970, in steps of 100 ns."""
_ESCAPES: Final = {b"n": b"\n", b"r": b"\r", b"t": b"\t"}
_SPAN: Final = re.compile(
    rb"(?<![\w.])(?=\d+ ?[dhm]|PT\d)(?:P?(\d+) ?DT?|PT)? ?(?:(\d+) ?h ?)?(?:(\d+) ?m(?:in)? ?)?"
    rb"(\d+)(?:[.,](\d+))? ?s(?:ec)?(?: ?(\d{1,3}) ?ms)?(?: ?(\d{1,3}) ?(?:u|\xc2?\xb5)s)?(?!\w)",
    re.IGNORECASE,
)
"""A time in hours, minutes and seconds with their units, or as ISO 8601 writes a duration."""
_DAYS: Final = re.compile(rb"(?<![\w.])(\d+) days?,? (\d\d?):(\d\d):(\d\d)(?:\.(\d{1,9}))?(?!\w)")
"""A time since the start, as Python, pandas and databases write it."""
_RUN_TOGETHER: Final = re.compile(
    rb"(?<![\w#])(?:([tr])([0-7][0-9A-Fa-f]{2})|([TR])([01][0-9A-Fa-f]{7}))([0-8])((?:[0-9A-Fa-f]{2}){0,10})(?!\w)"
)
"""A letter for the kind of frame, identifier, length, data and perhaps a stamp in ms, without marks between them."""
_ONE_NUMBER: Final = re.compile(
    rb"(?<![\w#.])(?:0[xX])?(?:([01][0-9A-Fa-f]{7})(0[0-8])|([0-7][0-9A-Fa-f]{2})([0-8]))"
    rb"((?:[0-9A-Fa-f]{2}){0,8})(?=[ \t]*\r?$)",
    re.MULTILINE,
)
"""Identifier, length and data as one number at the end of a line; the data may be filled up."""
_MEMORY: Final = re.compile(
    rb"(?m)(?:(?:(?<=[ \t])|^)[0-9A-Fa-f]{4,8}:?[ \t]+)?(?<![0-9A-Fa-f])((?:[0-9A-Fa-f]{2} ?){4}) {0,2}(0[0-8]) ?"
    rb"((?:00 ?){3}) {0,3}((?:[0-9A-Fa-f]{2} {0,2}){0,8})(?![0-9A-Fa-f])[ \t]*(?:\|.*)?(?=\r?$)"
)
"""Four bytes of an identifier with its flags, length, three bytes 0 and data, as Linux holds a frame (linux/can.h)."""
_LONG, _REMOTE, _ERROR = 0x80000000, 0x40000000, 0x20000000
"""Flags of such an identifier: it has 29 bits, asks for data, or is a code of errors."""
_LONGEST_SHORT: Final = 0x7FF
_LARGEST: Final = 0x1FFFFFFF
_FEW_LINES: Final = 9
_WORDS: Final = re.compile(
    rb"(?<![\w.])\[?([3-8])\]?[ \t]+((?:[0-9A-Fa-f]{4} )+[0-9A-Fa-f]{2,4})(?=[ \t]*\r?$)", re.MULTILINE
)
"""Data in groups of two bytes, behind their length."""
_ID_NAME: Final = re.compile(rb"(?i)\bid\b|ident|kennung|address|^(?:can|frame|msg|message)?[ _-]?id$")
_PARTED_ID: Final = re.compile(
    rb"0[0-7][ :-][0-9A-Fa-f]{2}|[01][0-9A-Fa-f](?:[ :-][0-9A-Fa-f]{2}){3}|00[ :-]00[ :-]0[0-7][ :-][0-9A-Fa-f]{2}"
)
_AS_TEXT: Final = re.compile(rb"((?:[ \t][0-9A-Fa-f]{2}){1,64})[ \t]+\|([^\n]{1,64})\|(?=[ \t]*\r?$)", re.MULTILINE)
_LEAST_BACKWARDS: Final = 4
"""Names of bytes that count downwards."""
_LINE_NUMBER: Final = re.compile(rb"(?m)^([1-9]\d*):(?=[^\n]*[,;\t ])")
_RECORD_KIND: Final = re.compile(rb"\"?\$?([A-Za-z_]\w{0,15})\"?[,;\t|]")
"""A word at the start of a row that says what it holds."""
_TICKS: Final = re.compile(rb"(?<![\w.])(6[3-4]\d{16}|1[3-4]\d{16})(?![\w.])")
"""Steps of 100 ns since the year 1, or since 1601."""
_BASE64: Final = re.compile(rb"[A-Za-z0-9+/]{2,86}={0,2}")


def marks_of(lines: list[bytes], *, of_frames: bool) -> tuple[Mark, ...]:
    """Return what is to be replaced in most lines: times in any table, and in one of frames what stands for bytes."""
    found: list[Mark] = []
    most = len(lines) // 2
    if of_frames:
        if sum(len(_BYTE_LABEL.findall(line)) > 1 for line in lines) > most:
            found.append((_BYTE_LABEL, b""))
        behind = [line[match.end() :] for line in lines if (match := _BRACKETS.search(line)) is not None]
        if sum(text.strip(b" \t\r,;)}") != b"" for text in behind) > most:
            found.append((_BRACKETS, rb' "\1" '))
    for pattern, mark in (*_TIME_FORMS, *(_FRAME_FORMS if of_frames else ())):
        if sum(pattern.search(line) is not None for line in lines) > most:
            found.append((pattern, mark))
    first_units = Counter(match[2] for line in lines if (match := _WITH_UNIT.search(line)))
    if len(first_units) > 1 and sum(first_units.values()) > 0.9 * len(lines):
        found.append((_WITH_UNIT, _as_seconds))
    if not of_frames:
        return tuple(found)
    if 20 * sum(_WHOLE_PAIR.search(line) is not None for line in lines) > len(lines):
        found.append((_WHOLE, rb"\1"))
    signed = [_SIGNED.findall(line) for line in lines]
    if 3 * sum(map(bool, signed)) > len(lines) and len({one for row in signed for one in row}) > 3:
        found.append((_SIGNED, _as_byte))
    bits = [[one for one in _BITS.findall(line) if len(one) >= 16 or len(_BITS.findall(line)) > 1] for line in lines]
    if 10 * sum(map(bool, bits)) > 9 * len(lines) > 0 and len({one for row in bits for one in row}) > 8:
        found.append((_BITS, _as_hex))
    extended = [_SIGN_EXTENDED.findall(line) for line in lines]
    if 4 * sum(map(bool, extended)) > len(lines) and len({one for row in extended for one in row}) > 3:
        found.append((_SIGN_EXTENDED, rb"\1"))
    words = ((has_foreign_words, WORD, in_english), (has_arrows, ARROW, of_arrow))
    found += [(pattern, mark) for are_there, pattern, mark in words if are_there(lines)]
    return (*found, *_frame_marks(lines), *_column_marks(lines))


def _are_numbered(lines: Sequence[bytes]) -> bool:
    """Return whether the number of the line stands in front of each, as where lines were searched for."""
    numbers = [int(match[1]) for line in lines if (match := _LINE_NUMBER.match(line)) is not None]
    steps = sum(b == a + 1 for a, b in pairwise(numbers))
    return len(numbers) > _FEW_LINES and len(numbers) == len(lines) and steps >= 0.98 * (len(lines) - 1)


def _other_records(lines: Sequence[bytes]) -> list[bytes]:
    """Return the words that rows of something else begin with, where those of frames begin with a word such as CAN."""
    kinds = Counter(match[1] for line in lines if (match := _RECORD_KIND.match(line)) is not None)
    of_frames = {kind for kind in kinds if re.match(rb"(?i)can", kind)}
    others = [kind for kind in kinds if kind not in of_frames and kinds[kind] >= max(3, len(lines) // 100)]
    n = sum(kinds[kind] for kind in of_frames)
    return others if n > _FEW_LINES and 2 * (n + sum(kinds[kind] for kind in others)) > len(lines) else []


def of_unpadded(lines: Sequence[bytes]) -> tuple[Mark, ...]:
    """Return what fills up the rest of a second, if it is written as a whole number without zeros before it.

    As decimals such numbers run back where they become longer, as ms, us or ns they do not.
    """
    found = [match for line in lines if (match := _UNPADDED.search(line)) is not None]
    rests = [match[2] for match in found]
    sizes = set(map(len, rests))
    if len(sizes) < 2 or 2 * len(found) < len(lines) or any(rest[:1] == b"0" != rest for rest in rests):
        return ()
    width = 3 * -(-max(sizes) // 3)

    seconds = [[int(part) for part in re.findall(rb"\d+", match[1])] for match in found]

    def falls(of_seconds: Iterable[bytes]) -> int:
        times = [[*whole, int(rest)] for whole, rest in zip(seconds, of_seconds, strict=True)]
        return sum(b < a for a, b in pairwise(times))

    if falls(rest.ljust(9, b"0") for rest in rests) <= 4 * falls(rests):
        return ()
    return ((_UNPADDED, partial(_padded, width)),)


def notes_of(marks: Sequence[Mark]) -> tuple[str, ...]:
    """Return what a text does not say for certain, and was taken so."""
    found = []
    for _, mark in marks:
        if mark is of_arrow:
            found.append("arrows that point to the left or down were taken for received, the others for sent")
        elif mark is _backwards:
            found.append("the header counts the bytes downwards, so they were turned round")
        elif isinstance(mark, partial) and mark.func is _padded:
            unit = {3: "ms", 6: "us", 9: "ns"}[mark.args[0]]
            found.append(f"what stands behind the seconds of a time is a number of {unit} without leading zeros")
    return tuple(found)


def are_dates(marks: Sequence[Mark]) -> bool:
    """Return whether seconds since 1970 are put in place of the dates of a candump log file."""
    return any(mark is _since_1970 for _, mark in marks)


def _padded(width: int, match: re.Match[bytes]) -> bytes:
    """Return a time whose rest of a second has leading zeros."""
    return match[1] + match[2].rjust(width, b"0")


def _since_1970(match: re.Match[bytes]) -> bytes:
    """Return a date and time as seconds since 1970."""
    try:
        seconds = timegm((*map(int, match.groups()[:6]),))
    except ValueError:
        return match[0]
    return b"(%d%s)" % (seconds, match[7] or b"")


def _frame_marks(lines: list[bytes]) -> Iterator[Mark]:
    """Yield what is to be replaced in front of rows, where parts of a frame run together, or its data is in groups."""
    if _are_numbered(lines):
        yield _LINE_NUMBER, b""
    if others := _other_records(lines):
        yield re.compile(rb"(?m)^\"?(?:%s)\"?[,;\t|][^\n]*" % b"|".join(map(re.escape, others))), b"#"
    if sum(_parts_of_run(line) is not None for line in lines) > 0.9 * len(lines) > 9:
        yield _RUN_TOGETHER, _parted
    numbers = [_of_one_number(match) for line in lines if (match := _ONE_NUMBER.search(line)) is not None]
    if sum(number is not None for number in numbers) > 0.9 * len(lines) > 9:
        yield _ONE_NUMBER, _parted_number
    if (in_memory := _in_memory(lines)) is not None:
        yield in_memory
    groups = [match for line in lines if (match := _WORDS.search(line)) is not None]
    if 2 * len(groups) > max(len(lines), 18) and all(len(_bytes_in(m[2])) == int(m[1]) for m in groups):
        yield _WORDS, _joined


def _column_marks(lines: list[bytes]) -> Iterator[Mark]:
    """Yield what is to be replaced in columns: base64, identifiers in binary or byte by byte, bytes backwards."""
    for separator in (b";", b"\t", b",", b"|"):
        if (place := _backwards_from(lines, separator)) is not None:
            cell, sep = rb"[^%s\r\n]*" % re.escape(separator), re.escape(separator)
            pattern = rb"(?m)^((?:%s%s){%d})(%s(?:%s%s){%d})" % (cell, sep, place[0], cell, sep, cell, place[1] - 1)
            yield re.compile(pattern), _backwards
            return
        rows = [[cell.strip(b' "') for cell in line.rstrip(b"\r").split(separator)] for line in lines]
        n_cells = Counter(map(len, rows[1:])).most_common(1)[0][0] if len(rows) > 1 else 0
        if n_cells < 2:
            continue
        rows = [row for row in rows if len(row) == n_cells]
        names, rows = rows[0], rows[1:]
        for k in range(n_cells):
            cells = [row[k] for row in rows if row[k]]
            for fits, mark in (
                (are_base64, unpacked),
                (_are_binary, _binary),
                (_are_parted, _without_blanks) if _ID_NAME.search(names[k]) else (_are_binary, _binary),
            ):
                if fits(cells):
                    cell = rb'(?m)^((?:[^%s\n]*%s){%d}[ "]*)([\w+/]+={0,2}|[0-9A-Fa-f :-]+)(?=[ "]*(?:[%s\r\n]|$))'
                    sep = re.escape(separator)
                    yield re.compile(cell % (sep, sep, k, sep), re.ASCII), mark
                    return


def _backwards_from(lines: list[bytes], separator: bytes) -> tuple[int, int] | None:
    """Return the first of the columns whose names count downwards to 0 or 1, and how many they are; None: none do."""
    names = next((line.split(separator) for line in lines[:40] if line.count(separator) > _LEAST_BACKWARDS), [])
    numbers = [int(found[1]) if (found := re.search(rb"(\d+)\W*$", name)) else -1 for name in names]
    most = max(numbers, default=0)
    for lowest in (0, 1):
        downwards = list(range(most, lowest - 1, -1))
        first = numbers.index(most) if _LEAST_BACKWARDS <= most - lowest + 1 <= len(numbers) else len(numbers)
        if downwards and numbers[first : first + len(downwards)] == downwards:
            return first, len(downwards)
    return None


def _backwards(match: re.Match[bytes]) -> bytes:
    """Return cells in the other order."""
    mark = re.search(rb"[;\t,|]", match[2])
    return match[0] if mark is None else match[1] + mark[0].join(match[2].split(mark[0])[::-1])


def _are_binary(cells: list[bytes]) -> bool:
    """Return whether all cells are identifiers of 11 or 29 bits in binary digits."""
    return len(cells) > 9 and all(len(cell) in {11, 29} and not cell.strip(b"01") for cell in cells)


def _are_parted(cells: list[bytes]) -> bool:
    """Return whether all cells are identifiers of two or four bytes, high byte first, with marks between them."""
    return len(cells) > 9 and all(_PARTED_ID.fullmatch(cell) for cell in cells)


def _binary(match: re.Match[bytes]) -> bytes:
    """Return an identifier in binary digits as a hexadecimal number."""
    is_digits = match[2] and not match[2].strip(b"01")
    return match[1] + (b"0x%X" % int(match[2], 2) if is_digits else match[2])


def _without_blanks(match: re.Match[bytes]) -> bytes:
    """Return an identifier as one number."""
    return match[1] + (re.sub(rb"[ :-]", b"", match[2]) if _PARTED_ID.fullmatch(match[2].strip()) else match[2])


def are_base64(cells: list[bytes]) -> bool:
    """Return whether all cells are bytes in base64 (RFC 4648), and some are filled up with signs as nothing else is."""
    filled = [cell for cell in cells if cell]
    return 10 * sum(cell.endswith(b"=") for cell in filled) > len(filled) > 9 and all(
        _BASE64.fullmatch(cell) and len(cell) % 4 == 0 for cell in filled
    )


def unpacked(match: re.Match[bytes]) -> bytes:
    """Return bytes in base64 as hexadecimal digits."""
    try:
        return match[1] + b64decode(match[2], validate=True).hex().encode()
    except ValueError:
        return match[0]


def _in_digits(match: re.Match[bytes]) -> bytes:
    """Return bytes as Python writes them as hexadecimal digits."""
    text = match[2] if match[2] is not None else match[3]
    if match[1]:
        text = text.replace(b'""', b'"')
    data = _ESCAPE.sub(lambda m: bytes.fromhex(m[1].decode()) if m[1] else _ESCAPES.get(m[2], m[2]), text)
    return b'"' + data.hex().encode() + b'"'


def _span(match: re.Match[bytes]) -> bytes:
    """Return a time in parts as seconds."""
    *parts, fraction, ms, us = (*match.groups(b""), b"", b"")[:7]
    days, hours, minutes, seconds = (int(part or 0) for part in parts)
    fraction = fraction or b"%03d%03d" % (int(ms or 0), int(us or 0))
    return b"%d.%s" % (((days * 24 + hours) * 60 + minutes) * 60 + seconds, fraction)


def _ticks(match: re.Match[bytes]) -> bytes:
    """Return steps of 100 ns since the year 1, or since 1601, as date and time, whatever unit they are told to have."""
    value = int(match[1])
    seconds, part = divmod(value - (_YEAR_1 if value > _YEAR_1 else _YEAR_1601), 10_000_000)
    return b"%s.%07dZ" % (time.strftime("%Y-%m-%dT%H:%M:%S", time.gmtime(seconds)).encode(), part)


def _parts_of_run(line: bytes) -> re.Match[bytes] | None:
    """Return a frame whose parts run together, if it is as long as it says."""
    match = _RUN_TOGETHER.search(line)
    return match if match is not None and len(match[6]) - _digits_in_run(match) in {0, 4} else None


def _digits_in_run(match: re.Match[bytes]) -> int:
    """Return how many digits the data of such a frame has; a remote frame has none."""
    return 0 if (match[1] or match[3]) in {b"r", b"R"} else 2 * int(match[5])


def _parted(match: re.Match[bytes]) -> bytes:
    """Return a frame whose parts run together with blanks between them, and the stamp first."""
    if _parts_of_run(match[0]) is None:
        return match[0]
    kind, n = match[1] or match[3], _digits_in_run(match)
    data = b"remote" if kind in {b"r", b"R"} else match[6][:n]
    stamp = b"%d " % int(match[6][n:], 16) if match[6][n:] else b""
    return stamp + b"0x%s%s %s %s" % (match[2] or match[4], b"x" if kind in {b"T", b"R"} else b"", match[5], data)


def _of_one_number(match: re.Match[bytes]) -> tuple[bytes, int, bytes] | None:
    """Return identifier, length and data of a frame that is one number; None if the length does not fit."""
    n, data = int(match[2] or match[4]), match[5]
    if len(data) not in {2 * n, 16} or data[2 * n :].strip(b"0"):
        return None
    return match[1] or match[3], n, data[: 2 * n]


def _parted_number(match: re.Match[bytes]) -> bytes:
    """Return a frame that is one number with blanks between its parts."""
    parts = _of_one_number(match)
    return match[0] if parts is None else b"0x%s %d %s" % parts


def _in_memory(lines: list[bytes]) -> Mark | None:
    """Return what reads frames as they are held in memory, if many lines are such, by the order of their bytes."""
    found = [match for line in lines if (match := _MEMORY.search(line)) is not None]
    if 3 * len(found) <= len(lines) or len(found) <= _FEW_LINES or any(len(_bytes_in(m[4])) < int(m[2]) for m in found):
        return None
    if 2 * sum(int(match[2]) > 0 for match in found) <= len(found):
        return None  # data of zeros
    orders = []
    for order in (-1, 1):
        words = [int.from_bytes(_bytes_in(match[1])[::order], "big") for match in found]
        if all(word >= _ERROR or word <= _LONGEST_SHORT for word in words):
            orders.append((sum(word <= _LONGEST_SHORT or word >> 29 == _LONG >> 29 for word in words), order))
    return (_MEMORY, partial(_of_memory, max(orders)[1])) if orders else None


def _of_memory(order: int, match: re.Match[bytes]) -> bytes:
    """Return a frame that is written as it is held in memory as identifier, length and data."""
    word = int.from_bytes(_bytes_in(match[1])[::order], "big")
    data: bytes = _bytes_in(match[4])[: int(match[2])].hex().encode()
    if word & _ERROR:
        data = b"error"
    elif word & _REMOTE:
        data = b"remote"
    return b"0x%X%s %s %s" % (word & _LARGEST, b"x" if word & _LONG else b"", match[2], data)


def _bytes_in(text: bytes) -> bytes:
    return bytes.fromhex(text.decode())


def _joined(match: re.Match[bytes]) -> bytes:
    """Return data in groups without the blanks between them."""
    return match[1] + b" " + match[2].replace(b" ", b"")


def _without_text(match: re.Match[bytes]) -> bytes:
    """Return bytes without the characters behind them, if they are as many."""
    return match[1] if len(match[1].split()) == len(match[2]) else match[0]


def _from_octal(match: re.Match[bytes]) -> bytes:
    """Return an octal number as a hexadecimal one."""
    return b"0x%X" % int(match[1], 8)


def _without_marks(match: re.Match[bytes]) -> bytes:
    """Return the digits of bytes that are written as a programming language does."""
    return re.sub(rb"\\{1,2}x", b"", match[1])


def _as_byte(match: re.Match[bytes]) -> bytes:
    """Return a byte below 0 as a number without a sign."""
    value = int(match[1])
    return b"%d" % (256 - value if value <= 128 else -value)


def _as_seconds(match: re.Match[bytes]) -> bytes:
    """Return a number with a unit of time as seconds."""
    places = {b"s": 0, b"m": 3, b"n": 9}.get(match[2][:1], 6)
    return b"%.9f s" % (float(match[1].replace(b",", b".")) / 10**places)


def _as_whole(match: re.Match[bytes]) -> bytes:
    """Return a number with an exponent as it is written without one; as it is where digits of it are missing."""
    if int(match[2]) > len(match[1]):
        return match[0]
    value = float(match[0].replace(b",", b"."))
    return b"%d" % value if value == int(value) else b"%.9f" % value


def _as_hex(match: re.Match[bytes]) -> bytes:
    """Return binary digits as hexadecimal ones, two for each byte."""
    digits = re.sub(rb"[^01]", b"", match[0])
    return b"%0*X" % (len(digits) // 4, int(digits, 2))


_TIME_FORMS: Final[tuple[Mark, ...]] = (
    (_SPAN, _span),
    (_DAYS, _span),
    (_TICKS, _ticks),
    # A clock with points between its parts, and a date and time of digits alone.
    (re.compile(rb"(?<![\d.])([01]\d|2[0-3])\.([0-5]\d)\.([0-5]\d)(?=[.,]\d)"), rb"\1:\2:\3"),
    (
        re.compile(
            rb"(?<![\w.])(20\d\d)(0[1-9]|1[0-2])([0-3]\d)[ _T-]?([01]\d|2[0-3])([0-5]\d)([0-5]\d)[.,]?(\d{3,6})(?!\w)"
        ),
        rb"\1-\2-\3T\4:\5:\6.\7",
    ),
    # Dates with the name of a month in front.
    (
        re.compile(
            rb"\b(Jan|Feb|Mar|Apr|May|Jun|Jul|Aug|Sep|Oct|Nov|Dec)[a-z]{0,6} (\d\d?),? (20\d\d),?"
            rb"(?: @| at)? (?=\d\d?:\d\d:)"
        ),
        lambda m: b"%s-%02d-%02d " % (m[3], _MONTHS.index(m[1]) + 1, int(m[2])),
    ),
    # Times since 1970 as a spreadsheet has written them.
    (re.compile(rb"(?<![\w.])\d\.(\d{2,})[eE]\+(0[89]|1\d)(?![\w.])"), _as_whole),
    # What tells a spreadsheet to take a cell for text.
    (re.compile(rb"(?<=[,;\t])'(?=[0-9A-Fa-f][^',;\t\n]*(?:[,;\t\r\n]|$))"), b""),
)
_FRAME_FORMS: Final[tuple[Mark, ...]] = (
    (re.compile(rb"(?<![\w.])[+-]?\d[.,](\d{2,})[eE]\+(\d\d+)(?![\w.])"), _as_whole),
    (re.compile(rb"\b0[oO]([0-7]+)\b"), _from_octal),
    # Marks of the number base in several languages, and letters behind a number for its type.
    (re.compile(rb"(?<![\w&$#])(?:16#|&[hH]|\$)(?=[0-9A-Fa-f]+(?!\w))"), b"0x"),
    (re.compile(rb"(?<![\w.])(0[xX][0-9A-Fa-f]+|\d+)(?:[uU][lL]{0,2}|[lL]{1,2}[uU]?)(?!\w)"), rb"\1"),
    # Versions of the standard for the length of an identifier, and values of names in quotes of another kind.
    (re.compile(rb"(?<!\w)(?:CAN ?)?2\.0 ?([ABab])(?!\w)"), lambda m: b"ext" if m[1] in b"Bb" else b"std"),
    (re.compile(rb"(?<==)'([^'\n]*)'"), rb'"\1"'),
    # The bytes once more as characters, and a full stop.
    (_AS_TEXT, _without_text),
    (re.compile(rb"(?<=[0-9A-Fa-f]{2})\.(?=[ \t]*\r?$)", re.MULTILINE), b""),
    # A mark before the bytes.
    (re.compile(rb"(?<=[,;\t])[xX]\| ?(?=[0-9A-Fa-f]{2}\b)"), b""),
    # Names with values in one quoted cell, and a number that is written twice.
    (re.compile(rb'"([A-Za-z][A-Za-z ]*: ?[^"\n]*: ?[^"\n]*)"'), rb" \1 "),
    (re.compile(rb"\b\d+ \((0x[0-9A-Fa-f]+)\)"), rb"\1"),
    (re.compile(rb"\b(0x[0-9A-Fa-f]+) \(\d+\)"), rb"\1"),
    # An identifier behind a name.
    (
        re.compile(rb"(?<=[;,\t|])[^;,\t|\n\"(]*[G-Zg-z][^;,\t|\n\"(]*\((0[xX][0-9A-Fa-f]{1,8})\)(?=[;,\t|\r\n]|$)"),
        rb"\1",
    ),
    (_DATED, _since_1970),
    (_LITERAL, _in_digits),
    (_CLOSING_TAG, b" "),
    (_HEX_LITERAL, rb'"\1"'),
    (_ESCAPED, _without_marks),
    # Groups of bytes with a dash between them.
    (re.compile(rb"(?<=[ \t][0-9A-Fa-f]{2})[ \t]+-[ \t]+(?=(?:[0-9A-Fa-f]{2}\b)|$)", re.MULTILINE), b" "),
)
"""Forms of which most lines have one, and what stands for them."""
