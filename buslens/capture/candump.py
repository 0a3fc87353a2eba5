"""candump log files: what ``candump -l`` writes.

    (1700000000.000072) can0 202#E8B7000000000000
    (1700000000.000072123) can1 1F334455#1122 R
    (0.002500) vcan0 123##35A7B9CDE

What stands in a line, and what is made of it:

=======================  ==================================================================================
``(1700000000.000072)``  time stamp in seconds with 0 to 9 decimals; never through a float
``can0``                 channel, 1 to 31 characters
``202``, ``00000202``    11 bits, 29 bits: by width, never by value
``39``, ``18FEF1``       where the log writes identifiers without zeros before them throughout: 29 bits if above 7FF
``20000040``             error frame: eight digits and bit 0x20000000 (Linux kernel, include/uapi/linux/can.h)
``#E8B7``                0 to 8 bytes
``#...._9``              8 bytes, and the raw data length code 9 to F
``#R``, ``#R8``          remote frame, with the length that it asks for
``##3E8B7``              CAN FD: flags (1 BRS, 2 ESI, 4 FDF), then 0 to 8, 12, 16, 20, 24, 32, 48 or 64 bytes
`` R``, `` T``           received, or sent by the recorder; either case
``# ...``, empty         no frame
=======================  ==================================================================================
"""

import re
from functools import partial
from itertools import islice
from typing import Final

from buslens.capture import _candump_kernel as kernel
from buslens.capture._candump_wide_kernel import scan_wide
from buslens.capture._pattern_scan import scan_by_pattern
from buslens.capture.frames import Clock
from buslens.capture.log_format import FormatMatch, LogFormat
from buslens.capture.stamp_resolution import FEW, are_unpadded, resolution_note, resolution_of
from buslens.capture.text_marks import of_unpadded
from buslens.units import NS_PER_S

# A length in brackets stands behind no '#': that is a line of the screen form in which one byte is wrong.
_LINE: Final = re.compile(
    rb"[\0 \t]*\([ \t]*(\d{1,10})(?:[.,](\d{0,9}))?\)[ \t]+\S{1,31}[ \t]+([0-9A-Fa-f]{1,8})#(?![ \t]*[\[{])"
)
_LOOKED_ROWS: Final = 400
"""Rows that tell how stamps and identifiers are written; all of the first bytes would take as long as 60,000 rows."""
_EPOCH_STAMPS_S: Final = 100_000_000
"""Stamps from here on count from 1970; smaller ones (less than three years) from a start of the recorder's."""

_COMMON: Final = re.compile(
    rb"""
    \( (?P<seconds> \d{1,9}|[123]\d{9} ) \. (?P<micros> \d{6} ) \)                         # (1700000000.000072)
    [ ] (?P<label> [^\s\0]{1,31} )                                                         # can0
    [ ] (?: (?P<standard> [0-7][0-9A-Fa-f]{2} ) | (?P<extended> [01][0-9A-Fa-f]{7} ) ) \#   # 202#
    (?P<size>) (?P<digits> (?:[0-9A-Fa-f]{2}){0,8} )                                        # E8B7
    (?: [ ] (?P<way> [RT] ) )? \r?\n
    """,
    re.VERBOSE,
)
"""Of lines of classical data frames."""
_IDENTIFIER: Final = re.compile(rb"[\0 \t]*\([ \t]*[\d.,]+\)[ \t]+\S{1,31}[ \t]+([0-9A-Fa-f]{3}|[0-9A-Fa-f]{8})#")

REASONS: Final = {
    kernel.NO_BRACKET: "a line begins with the time stamp in brackets, such as (1700000000.000123) can0 123#11",
    kernel.UNCLOSED: "a closing bracket and a blank were expected behind the time stamp",
    kernel.NO_HASH: "an id in hexadecimal digits and then '#' were expected behind the channel",
    kernel.ID_WIDTH: "an id has 3 digits (11 bits) or 8 digits (29 bits)",
    kernel.ID_RANGE: "the id is beyond 7FF for 3 digits, or beyond 1FFFFFFF for 8 digits",
    kernel.ODD_DIGITS: "a byte has two digits; there is one too few or too many",
    kernel.TOO_MUCH_DATA: "more than 8 bytes; a CAN FD frame would have '##' and a digit of flags before them",
    kernel.FD_LENGTH: "a CAN FD frame has 0 to 8, 12, 16, 20, 24, 32, 48 or 64 bytes",
    kernel.FD_FLAGS: "a digit of flags was expected behind '##'",
    kernel.RAW_DLC: "a raw data length code of 9 to F is expected behind '_', and 8 bytes before it",
    kernel.TAIL: "the line should end behind the payload, or go on with a blank and R or T",
}
"""What was wrong with a line and what would be right, by reason."""


def sniff(head: bytes) -> FormatMatch | None:
    """Recognise a log by one of its first lines; the stamp of that line tells the clock."""
    found = (_LINE.match(line) for line in head.split(b"\n"))
    rows = list(islice((row for row in found if row is not None), _LOOKED_ROWS))
    if not rows:
        return None
    if 0 < sum(len(row[2] or b"") < 6 for row in rows) < len(rows) and of_unpadded([row[0] for row in rows]):
        return None  # what stands behind the seconds is no fraction
    stamps = [int(row[1]) * NS_PER_S + int((row[2] or b"").ljust(9, b"0")) for row in rows]
    if len(rows) >= FEW and len(set(stamps)) == 1:
        return None  # they tell no time: `candump_untimed`
    resolution_ns = resolution_of(stamps)
    return FormatMatch(
        clock=Clock.WALL if int(rows[0][1]) >= _EPOCH_STAMPS_S else Clock.RELATIVE,
        slots={kernel.UNPADDED: int(are_unpadded([row[3] for row in rows]))},
        notes=(resolution_note(resolution_ns),) if resolution_ns else (),
        resolution_ns=resolution_ns,
    )


CANDUMP: Final = LogFormat(
    name="candump",
    example="(1700000000.000072) can0 202#E8B7000000000000",
    sniff=sniff,
    kernel=kernel.scan,
    wide_kernel=scan_wide,
    plain_kernel=partial(scan_by_pattern, _COMMON, kernel.scan, lambda _: True, None),
    plain_bytes=10_000_000,
    reasons=REASONS,
    identifier=_IDENTIFIER,
)
