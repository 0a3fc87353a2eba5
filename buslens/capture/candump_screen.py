"""What candump shows on a screen, pasted into a file.

      can0  202   [8]  E8 B7 00 00 00 00 00 00
     (1436509052.249713)  can0  1F334455   [2]  11 22   '."'
     (000.000123)  can0  RX - -  202   [8]  remote request
     (2026-11-25 13:05:01.123456)  can0  20000004   [8]  00 08 00 00 00 00 60 00   ERRORFRAME

What stands in a line, and what is made of it:

=====================================  ======================================================================
``(1436509052.249713)``                seconds from 1970
``(000.000123)``                       seconds from the start, or since the line before: see `stamps_of`; where all are
                                       alike, only the order of the frames is known
``(2026-11-25 13:05:01.123456)``       calendar time without a zone, taken as it stands
no stamp                               only the order of the frames is known
``202``, ``00000202``                  11 bits, 29 bits: by width, never by value
``39``, ``18FEF100``                   where the log writes identifiers without zeros before them throughout: 29 bits
                                       if above 7FF
``20000004``                           error frame, with its class bits, whether ERRORFRAME stands there or not
``[8]``, ``[08]``, ``{F}``             bytes of a classical frame, of a CAN FD frame; raw DLC of a classical one
``RX - -``, ``TX B E``                 direction, bit rate switch, error state
``remote request``                     remote frame
``'."'``                               the bytes as characters: never data
=====================================  ======================================================================
"""

import itertools
import re
from collections import Counter
from collections.abc import Mapping, Sequence
from functools import partial
from types import MappingProxyType
from typing import Final, NamedTuple

from buslens.capture import _candump_screen_kernel as kernel
from buslens.capture._pattern_scan import scan_by_pattern
from buslens.capture.frames import Clock
from buslens.capture.log_format import FormatMatch, LogFormat
from buslens.capture.stamp_resolution import COARSE_NS, FEW, are_unpadded, coarse_note, resolution_note, resolution_of
from buslens.units import NS_PER_S

_COMMON: Final = re.compile(
    rb"""
    [ ]* \( (?P<seconds> \d{1,9}|[123]\d{9} ) \. (?P<micros> \d{6} ) \)    #  (1436509052.249713)
    [ ]+ (?P<label> [^\s\0]{1,31} ) (?P<way>)                             #   can0
    [ ]+ (?: (?P<standard> [0-7][0-9A-Fa-f]{2} ) | (?P<extended> [01][0-9A-Fa-f]{7} ) )    # 202
    [ ]+ \[ (?P<size> [0-8] ) \]                                          #    [8]
    (?P<digits> (?: [ ]+[0-9A-Fa-f]{2} ){0,8} ) [ ]* \r?\n                #   E8 B7 00 00 00 00 00 00
    """,
    re.VERBOSE,
)
"""Of lines of classical data frames."""
_ROW: Final = re.compile(
    rb"""
    [ \t]* (?: \( [ \t]* (?P<stamp> [\d.,: -]+ ) \) [ \t]+ )?      # (1436509052.249713)
    (?!\[) (?P<channel> \S{1,31} ) [ \t]+                   # can0
    (?: [RT]X [ \t]+ [-B] [ \t]+ [-E] [ \t]+ )?             # RX - -
    (?P<id> [0-9A-Fa-f]{1,8} ) [ \t]+                       # 202
    (?: \[ \d{1,2} \] | \{ [0-9A-Fa-f] \} )                 # [8]
    """,
    re.VERBOSE,
)
_MOST_CHANNELS: Final = 16
"""Names of channels among the first lines; with more the word is none."""
_SECONDS: Final = re.compile(rb"(\d{1,10})(?:[.,](\d{1,9}))?")
_EPOCH_STAMPS_NS: Final = 100_000_000 * NS_PER_S
"""Stamps from here on count from 1970; smaller ones (less than three years) from a start of the recorder's."""


class ScreenStamps(NamedTuple):
    """What the stamps of a log are."""

    #: NONE, SECONDS, DELTA, CALENDAR or STILL of the kernel.
    form: int
    clock: Clock
    #: A sentence for the user about how that was decided; empty where there is no doubt.
    note: str = ""
    #: Step by which they were rounded, ns; 0: they were not.
    resolution_ns: int = 0


def stamps_of(head: bytes) -> ScreenStamps | None:
    """Return what the stamps are, from the first lines of a log; None if none of them is a line of this format.

    The form is that of most lines, so that a damaged one decides nothing. Small numbers of seconds may run
    from the start or count from the line before. Running time hardly ever falls: frames of several channels
    come a little out of order now and then. Gaps fall about every second time. So they are gaps if at least one
    in four of the stamps that differ from the one before is below it. Equal stamps say nothing: they were rounded.
    """
    return _stamps_of([match for line in head.splitlines() if (match := _ROW.match(line)) is not None])


def _stamps_of(rows: list[re.Match[bytes]]) -> ScreenStamps | None:
    if not rows:
        return None
    forms = Counter(_form(row["stamp"]) for row in rows)
    form, _ = forms.most_common(1)[0]
    if form == kernel.NONE:
        return ScreenStamps(kernel.NONE, Clock.MISSING)
    if form == kernel.CALENDAR:
        return ScreenStamps(kernel.CALENDAR, Clock.LOCAL)
    stamps = [
        int(match[1]) * NS_PER_S + int((match[2] or b"").ljust(9, b"0"))
        for row in rows
        if row["stamp"] is not None and (match := _SECONDS.fullmatch(row["stamp"].strip())) is not None
    ]
    if not stamps or sorted(stamps)[len(stamps) // 2] >= _EPOCH_STAMPS_NS:
        return _rounded(stamps, Clock.WALL)
    return _running_or_gaps(stamps)


def _form(stamp: bytes | None) -> int:
    """Return what one stamp looks like; gaps look like seconds."""
    if stamp is None:
        return kernel.NONE
    return kernel.CALENDAR if b":" in stamp or b"-" in stamp else kernel.SECONDS


def _running_or_gaps(stamps: Sequence[int]) -> ScreenStamps:
    different = sum(later != earlier for earlier, later in itertools.pairwise(stamps))
    falls = sum(later < earlier for earlier, later in itertools.pairwise(stamps))
    if falls > 1 and 4 * falls >= different:
        note = (
            f"{falls} of the first {len(stamps)} time stamps are below the one before, so the stamps were taken as "
            "gaps between lines and added up; if they are running times, the times shown here are wrong"
        )
        return ScreenStamps(kernel.DELTA, Clock.RELATIVE, note)
    if different == 0 and len(stamps) >= FEW:
        note = f"the first {len(stamps)} time stamps are all the same, so only the order of the lines is known"
        return ScreenStamps(kernel.STILL, Clock.MISSING, note)
    note = ""
    if len(stamps) < FEW:
        note = (
            f"{len(stamps)} time stamps are too few to tell running time from gaps between lines: "
            "they were taken as running time"
        )
    return _rounded(stamps, Clock.RELATIVE, note)


def _rounded(stamps: Sequence[int], clock: Clock, note: str = "") -> ScreenStamps:
    """Return running stamps; those that are too coarse for times tell the order only."""
    resolution_ns = resolution_of(stamps)
    if resolution_ns > COARSE_NS:
        return ScreenStamps(kernel.STILL, Clock.MISSING, coarse_note(resolution_ns))
    return ScreenStamps(kernel.SECONDS, clock, note, resolution_ns)


REASONS: Final[Mapping[int, str]] = MappingProxyType(
    {
        kernel.STAMP_LACKING: "no time stamp in brackets, as the lines before have one",
        kernel.STAMP_SURPLUS: "a time stamp, where the lines before have none",
        kernel.ID_WIDTH: "no identifier of 3 or 8 hexadecimal digits behind the channel",
        kernel.ID_RANGE: "an identifier above 7FF in 3 digits, or above 1FFFFFFF in 8 without the error flag 20000000",
        kernel.NO_LENGTH: "no length behind the identifier, such as [8], [08] or {8}",
        kernel.BAD_LENGTH: "a length that no frame has: 0 to 8 bytes, or for CAN FD 12, 16, 20, 24, 32, 48 or 64",
        kernel.FEW_BYTES: "fewer data bytes than the length in brackets says",
        kernel.BAD_BYTE: (
            "a data byte is not two hexadecimal digits; bytes parted by ` stand in reverse order: record them as sent"
        ),
        kernel.TAIL: "more than the length in brackets says stands behind the data",
    }
)


def sniff(head: bytes) -> FormatMatch | None:
    """Recognise what candump shows by the first lines that are frames, and tell what their stamps are."""
    rows = [match for line in head.splitlines() if (match := _ROW.match(line)) is not None]
    if len({row["channel"] for row in rows}) > max(_MOST_CHANNELS, len(rows) // 4):
        return None  # the first word of each line is another one: a time, say
    stamps = _stamps_of(rows)
    if stamps is None:
        return None
    # Gaps and numbers of frames add up, so that each line needs all before it, and never fall.
    adds_up = stamps.form in {kernel.NONE, kernel.DELTA, kernel.STILL}
    notes = [stamps.note] if stamps.note else []
    if stamps.resolution_ns:
        notes.append(resolution_note(stamps.resolution_ns))
    return FormatMatch(
        clock=stamps.clock,
        slots={
            kernel.STAMPS: stamps.form,
            kernel.CLOCK: 0,
            kernel.UNPADDED: int(are_unpadded([row["id"] for row in rows])),
        },
        notes=tuple(notes),
        in_one_piece=adds_up,
        in_order=adds_up,
        resolution_ns=stamps.resolution_ns,
    )


SCREEN: Final = LogFormat(
    name="candump, screen form",
    example="  can0  202   [8]  E8 B7 00 00 00 00 00 00",
    sniff=sniff,
    kernel=kernel.scan,
    plain_kernel=partial(scan_by_pattern, _COMMON, kernel.scan, lambda s: s[kernel.STAMPS] == kernel.SECONDS, None),
    plain_bytes=5_000_000,
    reasons=REASONS,
)
