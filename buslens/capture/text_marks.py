"""Forms of bytes, dates and numbers that the kernel does not read, found in most lines, and what stands for them.

marks_of     the patterns that a text needs
are_base64   whether some cells are bytes in base64
"""

from __future__ import annotations

import re
from base64 import b64decode
from collections import Counter
from typing import TYPE_CHECKING, Final, TypeAlias

from buslens.capture.text_words import WORD, has_foreign_word, in_english

if TYPE_CHECKING:
    from collections.abc import Callable

Mark: TypeAlias = "tuple[re.Pattern[bytes], bytes | Callable[[re.Match[bytes]], bytes]]"
"""A pattern, and what stands for what it finds."""
_BYTE_LABEL: Final = re.compile(
    rb"\b(?:b|d|byte|data)[ _]?\[?(\d{1,2})\]?[=:] ?(?=(?:0[xX])?[0-9A-Fa-f]{1,3}\b)", re.IGNORECASE
)
_BRACKETS: Final = re.compile(rb"(?<![\"'])\[((?:(?:0[xX])?[0-9A-Fa-f]{1,3}[ ,]+)+(?:0[xX])?[0-9A-Fa-f]{1,3})\]")
_CLOSING_TAG: Final = re.compile(rb"</[A-Za-z_][\w.:-]*>|/>")
_HEX_LITERAL: Final = re.compile(rb"\b[xX]'([0-9A-Fa-f]*)'")
_ESCAPED: Final = re.compile(
    rb"(?<=['\",;:=\s(])((?:\\{1,2}x[0-9A-Fa-f]{2})+[0-9A-Fa-f]*)(?=['\",;\s)}]|$)", re.MULTILINE
)
"""Bytes such as ``\\x05\\x0c``, or ``\\x050c``."""
_BITS: Final = re.compile(rb"(?<![0-9A-Za-z.])(?:[01]{8}[ _:-]?){0,63}[01]{8}(?![0-9A-Za-z.])")
_WITH_UNIT: Final = re.compile(rb"(?<![\w.,:])(\d+(?:[.,]\d+)?) ?(ns|us|\xc2?\xb5s|ms|s)(?![\w:])")
_SIGNED: Final = re.compile(rb"(?<=[\[,; \t\"])-(\d{1,3})(?=[\],; \t\"\r\n]|$)")
"""A byte as a number from -128 to 127, if it is below 0."""
_SIGN_EXTENDED: Final = re.compile(rb"\b(?:0[xX])?[Ff]{6}([89A-Fa-f][0-9A-Fa-f])\b")
"""A byte above 7F that a program printed as a number of 32 bits with a sign."""
_LITERAL: Final = re.compile(
    rb"(\"?)(?:bytearray\()?(?<!\w)b(?:'((?:[^'\\\n]|\\.)*)'|\"\"?((?:[^\"\\\n]|\\.)*)\"\"?)\)?\1"
)
"""Bytes as Python writes them; within a quoted cell, quotes are doubled."""
_ESCAPE: Final = re.compile(rb"\\(?:x([0-9A-Fa-f]{2})|(.))")
_ESCAPES: Final = {b"n": b"\n", b"r": b"\r", b"t": b"\t"}
_SPAN: Final = re.compile(
    rb"(?<![\w.])(?=\d+ ?[dhm])(?:(\d+) ?d ?)?(?:(\d+) ?h ?)?(?:(\d+) ?m(?:in)? ?)?(\d+)(?:[.,](\d+))? ?s(?:ec)?"
    rb"(?: ?(\d{1,3}) ?ms)?(?: ?(\d{1,3}) ?(?:u|\xc2?\xb5)s)?(?!\w)"
)
"""A time in hours, minutes and seconds with their units."""
_BASE64: Final = re.compile(rb"[A-Za-z0-9+/]{2,86}={0,2}")


def marks_of(lines: list[bytes]) -> tuple[Mark, ...]:
    """Return what is to be replaced in most lines: numbers of bytes, brackets around data, ends of elements."""
    found: list[Mark] = []
    most = len(lines) // 2
    if sum(len(_BYTE_LABEL.findall(line)) > 1 for line in lines) > most:
        found.append((_BYTE_LABEL, b""))
    behind = [line[match.end() :] for line in lines if (match := _BRACKETS.search(line)) is not None]
    if sum(text.strip(b" \t\r,;)}") != b"" for text in behind) > most:
        found.append((_BRACKETS, rb' "\1" '))
    for pattern, mark in _FORMS:
        if sum(pattern.search(line) is not None for line in lines) > most:
            found.append((pattern, mark))
    first_units = Counter(match[2] for line in lines if (match := _WITH_UNIT.search(line)))
    if len(first_units) > 1 and sum(first_units.values()) > 0.9 * len(lines):
        found.append((_WITH_UNIT, _as_seconds))
    signed = [_SIGNED.findall(line) for line in lines]
    if 3 * sum(map(bool, signed)) > len(lines) and len({one for row in signed for one in row}) > 3:
        found.append((_SIGNED, _as_byte))
    bits = [[one for one in _BITS.findall(line) if len(one) >= 16 or len(_BITS.findall(line)) > 1] for line in lines]
    if 10 * sum(map(bool, bits)) > 9 * len(lines) > 0 and len({one for row in bits for one in row}) > 8:
        found.append((_BITS, _as_hex))
    extended = [_SIGN_EXTENDED.findall(line) for line in lines]
    if 4 * sum(map(bool, extended)) > len(lines) and len({one for row in extended for one in row}) > 3:
        found.append((_SIGN_EXTENDED, rb"\1"))
    if sum(map(has_foreign_word, lines)) > most:
        found.append((WORD, in_english))
    packed = _base64_mark(lines)
    return (*found, packed) if packed is not None else tuple(found)


def _base64_mark(lines: list[bytes]) -> Mark | None:
    """Return what unpacks the cells of the column that holds bytes in base64; None if none does."""
    for separator in (b";", b"\t", b",", b"|"):
        rows = [[cell.strip(b' "') for cell in line.rstrip(b"\r").split(separator)] for line in lines[1:]]
        n_cells = Counter(map(len, rows)).most_common(1)[0][0] if rows else 0
        for k in range(n_cells if n_cells > 1 else 0):
            if are_base64([row[k] for row in rows if len(row) == n_cells]):
                cell = rb'(?m)^((?:[^%s\n]*%s){%d}[ "]*)([\w+/]+={0,2})(?=[ "]*(?:[%s\r\n]|$))'
                sep = re.escape(separator)
                return re.compile(cell % (sep, sep, k, sep), re.ASCII), unpacked
    return None


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
    days, hours, minutes, seconds = (int(part or 0) for part in match.group(1, 2, 3, 4))
    fraction = match[5] or b"%03d%03d" % (int(match[6] or 0), int(match[7] or 0))
    return b"%d.%s" % (((days * 24 + hours) * 60 + minutes) * 60 + seconds, fraction)


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
    return b"%.9f" % (float(match[1].replace(b",", b".")) / 10**places)


def _as_whole(match: re.Match[bytes]) -> bytes:
    """Return a number with an exponent as it is written without one."""
    value = float(match[0])
    return b"%d" % value if value == int(value) else b"%.9f" % value


def _as_hex(match: re.Match[bytes]) -> bytes:
    """Return binary digits as hexadecimal ones, two for each byte."""
    digits = re.sub(rb"[^01]", b"", match[0])
    return b"%0*X" % (len(digits) // 4, int(digits, 2))


_FORMS: Final[tuple[Mark, ...]] = (
    (_SPAN, _span),
    (re.compile(rb"\b0[oO]([0-7]+)\b"), _from_octal),
    # Names with values in one quoted cell, and a number that is written twice.
    (re.compile(rb'"([A-Za-z][A-Za-z ]*: ?[^"\n]*: ?[^"\n]*)"'), rb" \1 "),
    (re.compile(rb"\b\d+ \((0x[0-9A-Fa-f]+)\)"), rb"\1"),
    (_LITERAL, _in_digits),
    (_CLOSING_TAG, b" "),
    (_HEX_LITERAL, rb'"\1"'),
    (_ESCAPED, _without_marks),
    # A clock with points between its parts, and a date and time of digits alone.
    (re.compile(rb"(?<![\d.])([01]\d|2[0-3])\.([0-5]\d)\.([0-5]\d)(?=[.,]\d)"), rb"\1:\2:\3"),
    (
        re.compile(
            rb"(?<![\w.])(20\d\d)(0[1-9]|1[0-2])([0-3]\d)[ _T-]?([01]\d|2[0-3])([0-5]\d)([0-5]\d)[.,]?(\d{3,6})(?!\w)"
        ),
        rb"\1-\2-\3T\4:\5:\6.\7",
    ),
    # Groups of bytes with a dash between them.
    (re.compile(rb"(?<=[ \t][0-9A-Fa-f]{2})[ \t]+-[ \t]+(?=(?:[0-9A-Fa-f]{2}\b)|$)", re.MULTILINE), b" "),
    # What tells a spreadsheet to take a cell for text.
    (re.compile(rb"(?<=[,;\t])'(?=[0-9A-Fa-f][^',;\t\n]*(?:[,;\t\r\n]|$))"), b""),
    (re.compile(rb"(?<![\w.])[+-]?\d\.\d{2,}[eE]\+\d\d+(?![\w.])"), _as_whole),
)
"""Forms of which most lines have one, and what stands for them."""
