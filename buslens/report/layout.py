"""How a capture is understood, as text: the format, the layout of a table, and the first frames."""

from collections.abc import Iterator
from typing import Final

import numpy as np

from buslens.capture.frames import Flag, Frames, ReadStats
from buslens.capture.open import Capture
from buslens.capture.read import payloads
from buslens.capture.read_options import python_can_read_options, read_options_for
from buslens.capture.scan import Scanner
from buslens.capture.values import Cells, ValuesBlock, ValuesCapture, read_values
from buslens.report.formatting import clean
from buslens.units import NS_PER_S

_MOST_TEXTS: Final = 6
_FLAG_WORDS = {
    Flag.EXTENDED: "29 bits",
    Flag.REMOTE: "remote",
    Flag.ERROR: "error frame",
    Flag.FD: "CAN FD",
    Flag.TX: "sent",
}


def layout_text(capture: Capture, *, most: int) -> str:
    """Return how a capture is read, and its first frames."""
    frames, stats = _first_frames(capture, most)
    head = f"{clean(capture.path)}: {stats.format}"
    notes = [f"    {clean(note)}" for note in stats.notes if not note.startswith("the last line,")]
    lines = [head, *notes]
    broken = [f"    line {line.line} cannot be read: {line.reason}: {line.text}" for line in stats.skipped[:3]]
    if frames is None or not len(frames):
        return "\n".join([*lines, "    no frame in the first rows", *broken, ""])
    rows = [("time", "bus", "identifier", "length", "data", "")]
    times = (frames.time_ns[:most] - frames.time_ns[0]).tolist()
    for k, (time, data) in enumerate(zip(times, payloads(frames), strict=False)):
        flags = Flag(int(frames.flags[k]))
        words = ", ".join(word for flag, word in _FLAG_WORDS.items() if flag in flags)
        shown = f"{time / NS_PER_S:.6f}" if capture.clock is None or capture.clock.name != "MISSING" else "-"
        label = frames.channels[int(frames.channel[k])]
        rows.append(
            (shown, label, f"{int(frames.can_id[k]):X}", str(int(frames.length[k])), data.hex(" ").upper(), words)
        )
    widths = [max(len(row[k]) for row in rows) for k in range(6)]
    lines.append("")
    lines += [
        "    "
        + f"{row[0]:>{widths[0]}}  {row[1]:<{widths[1]}}  {row[2]:>{widths[2]}}  {row[3]:>{widths[3]}}  "
        f"{row[4]:<{widths[4]}}  {row[5]}".rstrip()
        for row in rows
    ]
    return "\n".join([*lines, *broken, ""])


def values_text(capture: ValuesCapture) -> str:
    """Return how a table of values is read, and what each of its columns holds: what to write for its roles."""
    kinds = [_ColumnContent() for _ in capture.columns]

    def take(block: ValuesBlock) -> None:
        for kind, cells in zip(kinds, block.cells, strict=True):
            kind.take(cells)

    stats = read_values(capture, take, as_text=[False] * len(capture.columns))
    rows = [("column", "header", "holds")]
    rows += [
        (str(column.index + 1), clean(column.shown), clean(f"{kind} {column.unit}".rstrip()))
        for column, kind in zip(capture.columns, kinds, strict=True)
    ]
    widths = [max(len(row[k]) for row in rows) for k in range(2)]
    return "\n".join(
        [
            f"{clean(capture.path)}: table of values, {stats.frames:,} rows",
            *(f"    {clean(note)}" for note in capture.notes),
            "",
            *(f"    {number:>{widths[0]}}  {header:<{widths[1]}}  {holds}".rstrip() for number, header, holds in rows),
            '    a role reads a column by its header: column = "..."',
            "",
        ]
    )


class _ColumnContent:
    """What the cells of a column hold: different texts, and the range of the numbers."""

    def __init__(self) -> None:
        self._texts: set[str] = set()
        self._least, self._most = float("inf"), float("-inf")

    def take(self, cells: Cells) -> None:
        """Add some rows."""
        if cells.is_text.any():
            self._texts.update(cells.texts[int(place)] for place in np.unique(cells.digits[cells.is_text]))
        if cells.is_number.any():
            numbers = cells.numbers()[cells.is_number]
            self._least, self._most = min(self._least, float(numbers.min())), max(self._most, float(numbers.max()))

    def __str__(self) -> str:
        texts = sorted(self._texts)
        more = f" and {len(texts) - _MOST_TEXTS} more" if len(texts) > _MOST_TEXTS else ""
        parts = [", ".join(f'"{text}"' for text in texts[:_MOST_TEXTS]) + more] if texts else []
        if self._least <= self._most:
            parts.append(f"numbers from {self._least:g} to {self._most:g}")
        return "; ".join(parts) or "nothing"


def _first_frames(capture: Capture, most: int) -> tuple[Frames | None, ReadStats]:
    if capture.foreign is not None:
        scanner = Scanner(python_can_read_options(capture.name, wanted=None, as_recorded=True))
        for run in capture.foreign:
            for frames in scanner.feed(run):
                return frames, scanner.stats()
        return None, scanner.stats()
    scanner = Scanner(read_options_for(capture, wanted=None, as_recorded=True, window_bytes=1 << 16, batch=most))
    with capture.stream() as stream:
        runs: Iterator[Frames] = scanner.read(stream)
        first = next(runs, None)
    if first is None:
        first = next(scanner.flush(), None)
    return first, scanner.stats()
