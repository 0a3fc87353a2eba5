"""How a capture is understood, as text: the format, the layout of a table, and the first frames."""

from __future__ import annotations

from typing import TYPE_CHECKING

from buslens.capture.frames import Flag
from buslens.capture.read import payloads
from buslens.capture.read_options import python_can_read_options, read_options_for
from buslens.capture.scan import Scanner
from buslens.report.formatting import clean
from buslens.units import NS_PER_S

if TYPE_CHECKING:
    from collections.abc import Iterator

    from buslens.capture.frames import Frames, ReadStats
    from buslens.capture.open import Capture

_FLAG_WORDS = {
    Flag.EXTENDED: "29 bits",
    Flag.REMOTE: "remote",
    Flag.ERROR: "error frame",
    Flag.FD: "CAN FD",
    Flag.TX: "sent",
}


def layout_text(capture: Capture, *, most: int) -> str:
    """Return how a capture is read, and its first frames.

    Parameters
    ----------
    capture : Capture
        From `open_capture`.
    most : int
        Frames that are shown.
    """
    frames, stats = _first_frames(capture, most)
    head = f"{clean(capture.path)}: {stats.format}"
    notes = [f"    {clean(note)}" for note in stats.notes if not note.startswith("the last line,")]
    lines = [head, *notes]
    if frames is None or not len(frames):
        return "\n".join([*lines, "    no frame in the first rows", ""])
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
    for line in stats.skipped[:3]:
        lines.append(f"    line {line.line} cannot be read: {line.reason}: {line.text}")
    return "\n".join([*lines, ""])


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
