"""Logs held in memory, read in every way in which the engine can, and what must hold of any reading.

An oracle raises `AssertionError`. So does whatever is no error of the user's: a target lets through nothing but
`BuslensError` and `OSError`.
"""

from __future__ import annotations

import re
import zlib
from dataclasses import replace
from functools import cache
from io import BytesIO
from typing import TYPE_CHECKING, Any, Final

from support.logs import ENGINES, read_slowly, rows_of

from buslens.capture import _asc_kernel, _candump_kernel, _candump_screen_kernel
from buslens.capture.frames import Clock, Flag
from buslens.capture.log_format import FormatMatch
from buslens.capture.read_options import ReadOptions
from buslens.capture.registry import FORMATS
from buslens.capture.scan import KEPT_LINES, Scanner
from buslens.capture.stream import FileStream

if TYPE_CHECKING:
    from support.logs import Row

    from buslens.capture.frames import ReadStats
    from buslens.capture.log_format import LogFormat
    from buslens.capture.stream import Stream

#: What each format takes for granted of a log whose beginning it does not know.
UNSEEN: Final = {
    "candump": FormatMatch(clock=Clock.RELATIVE),
    "candump, without times": FormatMatch(
        clock=Clock.MISSING,
        slots={_candump_kernel.UNTIMED: 1, _candump_kernel.BARE: 1},
        in_one_piece=True,
        in_order=True,
    ),
    "ASC": FormatMatch(clock=Clock.RELATIVE, slots={_asc_kernel.BASE: 16}),
    "candump, screen form": FormatMatch(
        clock=Clock.RELATIVE, slots={_candump_screen_kernel.STAMPS: _candump_screen_kernel.SECONDS}
    ),
}
#: A zero byte ends a line like a line feed, but does not count as one.
_UNIT: Final = re.compile(rb"([^\n\0]*)(\0+\n?|\n|\Z)")


@cache
def _bare(name: str) -> LogFormat:
    return replace(FORMATS[name], plain_kernel=None, wide_kernel=None)


def read(
    stream: Stream, name: str, match: FormatMatch, *, engine: str = "plain", **options: Any
) -> tuple[list[Row], ReadStats, tuple[int, ...]]:
    """Return the frames of a stream, the account of its lines, and the format's slots at the end."""
    entry = _bare(name) if engine.endswith("kernel") else FORMATS[name]
    most = 0 if engine.startswith("compiled") else 1 << 60
    scanner = Scanner(ReadOptions(format=entry, match=match, wanted=None, plain_bytes=most, **options))
    rows: list[Row] = []
    for frames in scanner.read(stream):
        rows += rows_of(frames)
    for frames in scanner.flush():
        rows += rows_of(frames)
    return rows, scanner.stats(), tuple(scanner.state.tolist())


def units(log: bytes) -> int:
    """Return how many lines a log has, those that zero bytes end among them."""
    return sum(1 for found in _UNIT.finditer(log) if found[0])


def assert_sound(rows: list[Row], stats: ReadStats, *, may_be_silent: bool = False) -> None:
    """Hold a reading to what must be so whatever the log was; a channel may be silent that only broken frames had."""
    assert stats.frames == len(rows)
    assert stats.remote == sum(Flag.REMOTE in row.flags for row in rows)
    assert stats.errors == sum(Flag.ERROR in row.flags for row in rows)
    assert len(stats.skipped) == min(stats.broken, KEPT_LINES)
    assert [line.line for line in stats.skipped] == sorted(line.line for line in stats.skipped)
    assert all(line.line >= 1 and line.reason and line.text.isprintable() for line in stats.skipped)
    times = [(row.segment, row.time_ns) for row in rows]
    assert times == sorted(times), "the time axis runs back"
    assert [row.segment for row in rows] == sorted(row.segment for row in rows)
    last = [max(row.time_ns for row in rows if row.segment == segment) for segment in {row.segment for row in rows}]
    first = [min(row.time_ns for row in rows if row.segment == segment) for segment in {row.segment for row in rows}]
    assert all(later > earlier for earlier, later in zip(last, first[1:], strict=False)), "a seam does not part"
    silent = set(stats.channels) - {row.channel for row in rows}
    assert not silent or may_be_silent
    assert {row.channel for row in rows} <= set(stats.channels)
    assert (stats.first_ns is None) == (not rows)
    if rows:
        assert stats.first_ns == min(row.time_ns for row in rows if row.segment == 0)
        assert stats.last_ns == max(row.time_ns for row in rows)
    for row in rows:
        assert 0 <= row.can_id < (1 << 29 if row.flags & (Flag.EXTENDED | Flag.ERROR) else 1 << 11)
        assert len(row.data) <= (64 if Flag.FD in row.flags else 8)
        assert not (Flag.REMOTE in row.flags and row.data)


def assert_same_everywhere(log: bytes, name: str) -> None:
    """Read a log by every engine and by windows of several sizes; hold the readings against each other."""
    match = FORMATS[name].sniff(log[: 1 << 16]) or UNSEEN[name]
    dice = zlib.crc32(log)
    longest = max(map(len, log.split(b"\n")), default=0)
    options = [{"window_bytes": 1 << 16}, {"window_bytes": longest + 2 + dice % 300, "batch": 1 + dice % 7}]
    if dice % 3 == 0:  # lines that are too long, columns that are full
        options.append({"window_bytes": 24 + dice % 200, "room": 16 + dice % 16, "batch": 1 + dice % 7})
    readings = []
    for option in options:
        found = [read(FileStream(BytesIO(log)), name, match, engine=engine, **option) for engine in ENGINES]
        for engine, other in zip(ENGINES, found, strict=True):
            assert other[:2] == found[0][:2], f"{engine} reads otherwise than {ENGINES[0]}, with {option}"
        assert_sound(*found[0][:2])
        readings.append(found[0][:2])
    if longest + 2 < 1 << 16:
        rows, stats = readings[0]
        assert readings[1] == readings[0], f"windows mean something: {options[1]}"
        assert stats.frames + stats.other_lines + stats.broken == units(log), "a line is in no class, or in two"
        if name == "candump":
            assert_as_slowly(log, rows, stats)


def assert_as_slowly(log: bytes, rows: list[Row], stats: ReadStats) -> None:
    """Hold a reading of a candump log against the slow reader's."""
    expected = read_slowly(log)
    on_axis, reordered, discontinuities = expected.on_axis
    assert rows == on_axis
    assert (stats.other_lines, stats.broken, stats.reordered) == (expected.other, len(expected.broken), reordered)
    assert [line.line for line in stats.skipped] == expected.broken[:KEPT_LINES]
    assert [
        (discontinuity.time_ns, discontinuity.line, discontinuity.back_ns)
        for discontinuity in stats.discontinuities[:1000]
    ] == discontinuities[:1000]
