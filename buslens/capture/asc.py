"""ASC logs: a header, then one row per frame or event, in columns that blanks part.

    date Sat Sep 30 15:06:13.191 2017
    base hex  timestamps absolute
    internal events logged
    Begin Triggerblock Sat Sep 30 15:06:13.191 2017
       0.000000 Start of measurement
       0.015991 1  6F9             Rx   d 8 05 0C 00 00 00 00 00 00  Length = 240015 BitCount = 124
       0.018512 2  18EBFF00x       Tx   r 8
       0.020114 1  ErrorFrame
       0.024771 CANFD   1 Rx        5  ColumnState  1 0 8  8 01 02 03 04 05 06 07 08
       0.026100 Li      13 Rx       2 05 0C  checksum = 1A
    End TriggerBlock

What the rows say, and what is made of it:

==========================================  ==================================================================
header lines                                in any order, anywhere, or missing; base hex, absolute stamps then
``base dec``                                identifiers, data bytes and classical DLC are decimal; the CAN FD
                                            data length always is
``timestamps relative``                     each stamp counts from the timed row before, whatever that row is;
                                            an unreadable one is a clock discontinuity: elapsed time unknown
``date``, ``Begin Triggerblock``            time on the axis is the date, as if it were UTC, plus the stamp
a block whose stamps restart                counts from its own date: a clock discontinuity
an identifier that ends in ``x``            29 bits
``r``                                       remote frame, with or without a DLC
CANFD, DLC above 0 with a length of 0       classical remote frame: CAN FD has none
``ErrorFrame``                              error frame; the class is "bus error", the row tells no more
``TxRq``                                    no frame: the same one comes again as Tx when it has been sent
more columns before the identifier          a frame, where the first rows of the log have as many; else broken
``Li``, ``L2`` for a channel (from memory)  LIN frame, of that channel; parity and ``checksum = XX`` must fit
the same, and ``TransmErr`` (from memory)   a LIN header without an answer: a remote frame
rows sent, on a clock of their own          left out, for nothing tells how far apart the two clocks are
first rows before one jump back             left out: they are from an earlier run
any other row with a time stamp             an event that is no frame
==========================================  ==================================================================
"""

import re
from collections import Counter
from collections.abc import Mapping
from functools import partial
from itertools import pairwise
from types import MappingProxyType
from typing import Final, NamedTuple

from buslens.capture import _asc_kernel as kernel
from buslens.capture._pattern_scan import scan_by_pattern
from buslens.capture._scan_kernel import FORMAT, FORMAT_END, SORTED_NS, STATE_SIZE, Slots
from buslens.capture.asc_date import parse_date_ns
from buslens.capture.frames import Clock, ReadStats
from buslens.capture.log_format import FormatMatch, LogFormat
from buslens.capture.stamp_resolution import resolution_note, resolution_of
from buslens.units import NS_PER_S

_COMMON: Final = re.compile(
    rb"""
    [ ]* (?P<seconds> \d{1,9} ) \. (?P<micros> \d{6} )         #    0.015991
    [ ]+ (?P<label> [1-9]\d{0,3} )                              # 1
    [ ]+ (?: (?P<standard> [0-7]?[0-9A-Fa-f]{1,2} ) | (?P<extended> [01]?[0-9A-Fa-f]{1,7} ) x )    # 6F9
    [ ]+ (?P<way> R|T ) x [ ]+ d [ ] (?P<size> [0-8] )          #             Rx   d 8
    (?P<digits> (?: [ ][0-9A-Fa-f]{2} ){0,8} ) (?: [ ][^\n\0]* )? \r?\n    #  05 0C 00 00 00 00 00 00  Length = 240015
    """,
    re.VERBOSE,
)
"""Of lines of classical data frames."""
_HINT: Final = re.compile(
    rb"""
      base [ \t]+ (hex|dec) \b                                          # base hex  timestamps absolute
    | (no [ \t]+)? internal [ \t]+ events [ \t]+ logged
    | begin [ \t]+ triggerblock \b
    | -? \d+ ([.,]\d+)? [ \t]+ (                                        # 0.015991
          \d+ [ \t]+ \S+ [ \t]+ (Rx|Tx|TxRq) [ \t]+ [dr] \b             #   1  6F9  Rx   d 8 05 ...
        | \d+ [ \t]+ (ErrorFrame | Statistic:)
        | CANFD [ \t]+ \d+ [ \t]+ (Rx|Tx|TxRq) [ \t]                    #   CANFD  1 Rx  5  1 0 8  8 01 ...
        | Start [ \t] of [ \t] measurement
      )
    """,
    re.VERBOSE | re.IGNORECASE,
)
_DATE: Final = re.compile(rb"date[ \t]+(.*)", re.IGNORECASE)
_BLOCK: Final = re.compile(rb"begin[ \t]+triggerblock\b[ \t]*(.*)", re.IGNORECASE)
_BASE: Final = re.compile(rb"base[ \t]+(hex|dec)\b(?:[ \t]+timestamps[ \t]+(absolute|relative)\b)?", re.IGNORECASE)
_TIMED: Final = re.compile(rb"(-?)(\d{1,10})(?:[.,](\d{1,9}))?(?=[ \t]|$)")


_FRAME_ROW: Final = re.compile(
    rb"""
    (-?) (\d{1,10}) (?:[.,](\d{1,9}))? [ \t]+             # 0.015991
    ( (?:\S+[ \t]+){2,9}? ) (Rx|Tx) [ \t]+ [dr] (?!\S)    #   1  6F9  Rx   d
    """,
    re.VERBOSE | re.IGNORECASE,
)
_NEAR_START: Final = 20
"""Frames that may be left over from an earlier run; five times as many must follow."""


class _RowTraits(NamedTuple):
    """What the frames among a log's first lines say of the rest."""

    #: Columns more than usual before the identifier.
    extra: int
    #: Whether those that were sent have a clock of their own.
    sent_apart: bool
    #: Frames that are left over from an earlier run.
    leftover: int
    #: Step by which the stamps were rounded, ns; 0: they were not.
    resolution_ns: int = 0


def _rows_of(rows: list[bytes], *, may_restart: bool) -> _RowTraits:
    """Return what the frames among the first lines say; their stamps say nothing where they may restart."""
    found = [match for row in rows if (match := _FRAME_ROW.match(row)) is not None]
    widths = Counter(len(match[4].split()) - 2 for match in found if b"j1939tp" not in match[4].lower())
    more, count = max(((n, count) for n, count in widths.items() if n), key=lambda it: it[1], default=(0, 0))
    extra = more if count > 1 and 100 * count > len(found) else 0
    if may_restart:
        return _RowTraits(extra, sent_apart=False, leftover=0)
    stamps = [int(match[2]) * NS_PER_S + int((match[3] or b"").ljust(9, b"0")) for match in found]
    stamps = [-stamp if match[1] else stamp for match, stamp in zip(found, stamps, strict=True)]
    resolution_ns = resolution_of(stamps)
    falls = [at for at in range(1, len(stamps)) if stamps[at] < stamps[at - 1] - SORTED_NS]
    if len(falls) == 1 and falls[0] <= _NEAR_START and 6 * falls[0] <= len(stamps):
        return _RowTraits(extra, sent_apart=False, leftover=falls[0], resolution_ns=resolution_ns)
    sent = [match[5].lower() == b"tx" for match in found]
    falls_of_one = 0
    for way in (True, False):
        own = [stamp for stamp, it in zip(stamps, sent, strict=True) if it is way]
        falls_of_one += sum(later < earlier - SORTED_NS for earlier, later in pairwise(own))
    alternating = sum(sent[at] is not sent[at - 1] for at in falls)
    is_apart = len(falls) > 2 and alternating == len(falls) and 10 * falls_of_one < len(falls)
    return _RowTraits(extra, sent_apart=is_apart, leftover=0, resolution_ns=resolution_ns)


def sniff(head: bytes) -> FormatMatch | None:
    """Recognise an ASC log by a line in its first bytes that only an ASC log has, and read its header.

    The slots are those that the header leaves behind: the kernel comes to the same when it reads the header
    again, and so a piece from the middle of the log is understood without it.
    """
    rows = [line.strip() for line in head.splitlines()]
    if not any(_HINT.match(row) or _is_dated(row) for row in rows):
        return None
    slots = [0] * STATE_SIZE
    slots[kernel.BASE] = 16
    notes: list[str] = []
    for row in rows:
        if (match := _TIMED.match(row)) is not None:
            stamp = int(match[2]) * NS_PER_S + int((match[3] or b"").ljust(9, b"0"))
            if slots[kernel.PENDING]:
                kernel.begin_block(-stamp if match[1] else stamp, slots)
            slots[kernel.STARTED] = 1
            break
        on_line(row, slots, notes)
    blocks = sum(_BLOCK.match(row) is not None for row in rows)
    found = _rows_of(rows, may_restart=blocks > 1 or bool(slots[kernel.RELATIVE]))
    slots[kernel.EXTRA] = found.extra
    slots[kernel.SENT_APART] = int(found.sent_apart)
    slots[kernel.LEFTOVER] = found.leftover
    if found.sent_apart:
        notes.append(
            "the rows that were sent (Tx) run on another clock than those received, and nothing tells how far apart the"
            " two are: only the received ones are used"
        )
    if found.leftover:
        notes.append(
            f"the first {found.leftover} frames are left over from an earlier recording, for the clock falls behind"
            " them: they are left out"
        )
    if found.resolution_ns:
        notes.append(resolution_note(found.resolution_ns))
    return FormatMatch(
        clock=_clock(slots),
        slots=dict(enumerate(slots[FORMAT:FORMAT_END], FORMAT)),
        notes=tuple(notes),
        in_one_piece=bool(slots[kernel.RELATIVE]),
        resolution_ns=found.resolution_ns,
    )


def _is_dated(row: bytes) -> bool:
    match = _DATE.fullmatch(row)
    return match is not None and parse_date_ns(match[1]) is not None


def _clock(slots: Slots) -> Clock:
    return Clock.LOCAL if slots[kernel.DATED] else Clock.RELATIVE


def on_line(line: bytes, state: Slots, notes: list[str]) -> None:
    """Take in a line that changes how the rows after it are read: ``date``, ``base`` or ``Begin Triggerblock``."""
    row = line.strip()
    if (match := _BASE.match(row)) is not None:
        state[kernel.BASE] = 10 if match[1].lower() == b"dec" else 16
        state[kernel.RELATIVE] = int((match[2] or b"").lower() == b"relative")
        return
    if (match := _BLOCK.match(row)) is not None:
        date = parse_date_ns(match[1])
        state[kernel.APART] = state[kernel.STARTED]
        if date is not None:
            state[kernel.PENDING] = 1
            state[kernel.BLOCK] = date
    elif (match := _DATE.match(row)) is not None:
        date = parse_date_ns(match[1])
        if date is not None and not state[kernel.STARTED]:
            state[kernel.DATED] = 1
            state[kernel.ORIGIN] = date
    else:
        return
    if date is not None or not match[1] or state[kernel.UNREADABLE]:
        return
    state[kernel.UNREADABLE] = 1
    shown = match[1][:60].decode("utf-8", "backslashreplace")
    notes.append(f"the date '{shown}' cannot be read; it was expected like 'Sat Sep 30 15:06:13.191 2017'")


REASONS: Final[Mapping[int, str]] = MappingProxyType(
    {
        kernel.NO_DIRECTION: "no direction; Rx or Tx follows the identifier",
        kernel.NO_KIND: "no kind of frame; d or r follows the direction",
        kernel.BAD_DLC: "no DLC from 0 to 15, in the log's number base, follows the d",
        kernel.BAD_BYTE: "a data byte is no number from 0 to 255 in the log's number base",
        kernel.FEW_BYTES: "fewer data bytes than the DLC says",
        kernel.NO_NUMBER: (
            "the identifier is a name, or no number in the log's number base; record with numbers instead of names"
        ),
        kernel.ID_RANGE: "an 11-bit identifier above 7FF; one of 29 bits ends in x",
        kernel.EXTENDED_RANGE: "an identifier above 1FFFFFFF, the largest of 29 bits",
        kernel.EXTRA_COLUMNS: "more columns before the identifier than in the first rows of the log",
        kernel.LIN_PARITY: "the two parity bits of a LIN identifier do not fit the others",
        kernel.LIN_CHECKSUM: "the checksum of a LIN frame fits neither its bytes nor those with its identifier",
        kernel.LIN_RECEIVE: "the recorder says that it could not receive the answer to a LIN header",
        kernel.FD_SHAPE: "bit rate switch, error state, DLC and data length do not follow, or the last two disagree",
    }
)


def finish(state: Slots, stats: ReadStats) -> None:
    """Say what the stamps turned out to count from."""
    stats.clock = _clock(state)
    if state[kernel.RESTARTED]:
        stats.notes.append(
            "the time stamps restart in a trigger block: it was put at its own date, and nothing is known between"
        )


def _is_usual(s: Slots) -> bool:
    special = (kernel.RELATIVE, kernel.PENDING, kernel.APART, kernel.LEFTOVER, kernel.SENT_APART)
    return s[kernel.BASE] == 16 and bool(s[kernel.STARTED]) and not any(s[slot] for slot in special)


ASC: Final = LogFormat(
    name="ASC",
    example="   0.015991 1  6F9             Rx   d 8 05 0C 00 00 00 00 00 00",
    sniff=sniff,
    kernel=kernel.scan,
    plain_kernel=partial(scan_by_pattern, _COMMON, kernel.scan, _is_usual, kernel.ORIGIN),
    plain_bytes=10_000_000,
    reasons=REASONS,
    on_line=on_line,
    finish=finish,
)
