"""Reading logs in tests, in every way in which the engine can, and a slow reader to hold it against."""

from __future__ import annotations

import re
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, NamedTuple

from buslens.capture.frames import Flag
from buslens.capture.open import open_capture
from buslens.capture.read import payloads
from buslens.capture.reduce import reduce_frames

if TYPE_CHECKING:
    from pathlib import Path

    from buslens.capture.frames import Frames, ReadStats

PLAIN = {"plain_bytes": 1 << 60}
COMPILED = {"plain_bytes": 0}
ENGINES = ("plain", "kernel", "compiled", "compiled kernel")
"""By a pattern, by the kernel as plain Python, by words of 64 bits, by the compiled kernel."""
SORTED_NS = 100_000_000


class Row(NamedTuple):
    """One frame."""

    time_ns: int
    channel: str
    can_id: int
    flags: Flag
    dlc: int
    data: bytes
    segment: int = 0


def rows_of(frames: Frames) -> list[Row]:
    """Return frames as rows."""
    return [
        Row(time_ns, frames.channels[channel], can_id, Flag(flags), dlc, data, frames.segment)
        for time_ns, channel, can_id, flags, dlc, data in zip(
            frames.time_ns.tolist(),
            frames.channel.tolist(),
            frames.can_id.tolist(),
            frames.flags.tolist(),
            frames.dlc.tolist(),
            payloads(frames),
            strict=True,
        )
    ]


def gather(
    path: Path,
    *,
    wanted: list[tuple[int, bool]] | None = None,
    engine: str = "plain",
    workers: int = 1,
    piece_bytes: int = 1,
    window_bytes: int = 1 << 16,
    batch: int = 1 << 15,
) -> tuple[list[Row], ReadStats]:
    """Return all frames of a capture, and the account of its lines."""
    capture = open_capture(path)
    if capture.format is not None and engine.endswith("kernel"):
        capture.format = replace(capture.format, plain_kernel=None, wide_kernel=None)
    return reduce_frames(
        capture,
        wanted=wanted,
        make=list,
        update=lambda rows, frames: rows.extend(rows_of(frames)),
        merge=lambda rows, more: rows.extend(more),
        workers=workers,
        piece_bytes=piece_bytes,
        window_bytes=window_bytes,
        batch=batch,
        plain_bytes=0 if engine.startswith("compiled") else 1 << 60,
    )


_LINE = re.compile(
    rb"""
    [ \t\r]* \( [ \t\r]* (?P<whole>\d{1,10}) (?: [.,] (?P<part>\d{0,9}) )? \)
    [ \t\r]+ (?P<channel> [^ \t\r\n\0]{1,31} )
    [ \t\r]+ (?P<id> [0-7][0-9A-Fa-f]{2} | [0-3][0-9A-Fa-f]{7} )
    (?: \# (?P<data> (?:[0-9A-Fa-f]{2}){0,8} )
      | \# (?P<full> [0-9A-Fa-f]{16} ) _ (?P<raw> [9A-Fa-f] )
      | \# [Rr] (?P<asked> [0-9A-Fa-f]? )
      | \# [Rr] 8 _ (?P<asked_raw> [9A-Fa-f] )
      | \#\# (?P<flags> [0-9A-Fa-f] ) (?P<fd> (?:[0-9A-Fa-f]{2}){0,64} )
    )
    (?: [ \t\r]+ (?P<way> [RrTt]? ) [ \t\r]* )?
    """,
    re.VERBOSE,
)
_FD_LENGTHS = (*range(9), 12, 16, 20, 24, 32, 48, 64)


@dataclass
class Reading:
    """What the slow reader made of a candump log."""

    #: In file order, with the times as recorded.
    recorded: list[Row] = field(default_factory=list)
    other: int = 0
    #: Lines, counted from 1.
    broken: list[int] = field(default_factory=list)
    #: Line of each frame.
    lines: list[int] = field(default_factory=list)
    #: Frames, counted from 0, before which there is a hole.
    holes: set[int] = field(default_factory=set)

    @property
    def on_axis(self) -> tuple[list[Row], int, list[tuple[int, int, int]]]:
        """Frames in order of time; how many had to be sorted; clock discontinuities as (time, line, how far back)."""
        segments: list[list[Row]] = [[]]
        discontinuities = []
        shift, reordered = 0, 0
        largest: int | None = None
        floor = 0  # nothing behind a clock discontinuity comes before it
        latest: dict[str, int] = {}
        for number, (row, line) in enumerate(zip(self.recorded, self.lines, strict=True)):
            time = row.time_ns + shift
            falls = largest is not None and time < max(largest - SORTED_NS, floor, latest.get(row.channel, time))
            if largest is not None and (falls or number in self.holes):
                discontinuities.append((largest + 1, line, largest - time))
                shift += max(largest + 1 - time, 0)
                time = max(largest + 1, time)
                floor = largest + 1
                segments.append([])
            elif largest is not None and time < largest:
                reordered += 1
            latest[row.channel] = time
            largest = time if largest is None else max(largest, time)
            segments[-1].append(row._replace(time_ns=time, segment=len(segments) - 1))
        return (
            [row for segment in segments for row in sorted(segment, key=lambda row: row.time_ns)],
            reordered,
            discontinuities,
        )


def read_slowly(log: bytes) -> Reading:
    """Read a candump log, one line after the other."""
    reading = Reading()
    number = 1
    # A zero byte ends a line like a line feed, but does not count as one.
    for match in re.finditer(rb"([^\n\0]*)(\0+\n?|\n|\Z)", log):
        line, end = match.groups()
        if not line and not end:
            break
        row = _row(line)
        if row is not None:
            reading.recorded.append(row)
            reading.lines.append(number)
        elif not line.strip(b" \t\r") or line.lstrip(b" \t\r").startswith(b"#"):
            reading.other += 1
        else:
            reading.broken.append(number)
        number += end.count(b"\n")
        if end.count(b"\0") > 1:
            reading.holes.add(len(reading.recorded))
    return reading


def _row(line: bytes) -> Row | None:
    found = _LINE.fullmatch(line)
    if found is None or int(found["whole"]) >= 4_000_000_000:
        return None
    can_id = int(found["id"], 16)
    flags = Flag(0)
    if len(found["id"]) == 8:
        flags |= Flag.ERROR if can_id >= 0x20000000 else Flag.EXTENDED
    data = b""
    if found["fd"] is not None:
        data = bytes.fromhex(found["fd"].decode())
        if len(data) not in _FD_LENGTHS:
            return None
        nibble = int(found["flags"], 16)
        flags |= Flag.FD | (Flag.BRS if nibble & 1 else Flag(0)) | (Flag.ESI if nibble & 2 else Flag(0))
        dlc = _FD_LENGTHS.index(len(data))
    elif found["asked"] is not None or found["asked_raw"] is not None:
        flags |= Flag.REMOTE
        dlc = int(found["asked"] or found["asked_raw"] or b"0", 16)
    else:
        data = bytes.fromhex((found["data"] if found["data"] is not None else found["full"]).decode())
        dlc = int(found["raw"], 16) if found["raw"] else len(data)
    if (found["way"] or b"").lower() == b"t":
        flags |= Flag.TX
    time_ns = int(found["whole"]) * 10**9 + int((found["part"] or b"").ljust(9, b"0"))
    return Row(time_ns, found["channel"].decode("utf-8", "backslashreplace"), can_id & 0x1FFFFFFF, flags, dlc, data)
