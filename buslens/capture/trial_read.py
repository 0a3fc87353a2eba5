"""How much of a log a format reads: what decides between formats that both find a line of theirs in it."""

from collections.abc import Sequence
from io import BytesIO
from typing import Final

from buslens.capture._scan_kernel import CHANNELS, FRAMES
from buslens.capture.id_filter import IdFilter
from buslens.capture.log_format import FormatMatch, LogFormat
from buslens.capture.read_options import ReadOptions
from buslens.capture.scan import Scanner
from buslens.capture.stream import FileStream

_FEW: Final = 8


def part_read(entry: LogFormat, match: FormatMatch, lines: Sequence[bytes]) -> float:
    """Return the part of some lines that are read as frames, 0 to 1, by the kernel itself."""
    scanner = trial_read(entry, match, lines)
    n = int(scanner.state[FRAMES])
    # Where every other frame has a channel of its own, what was taken for channels is something else.
    return 0.0 if not lines or (n >= _FEW and 2 * int(scanner.state[CHANNELS]) > n) else n / len(lines)


def trial_read(entry: LogFormat, match: FormatMatch, lines: Sequence[bytes]) -> Scanner:
    """Return what has read some lines by the kernel itself, for what it says of them."""
    text = b"\n".join([*lines, b""])
    scanner = Scanner(
        ReadOptions(
            format=entry, match=match, wanted=IdFilter(frozenset()), as_recorded=True, plain_bytes=len(text) + 1,
            window_bytes=len(text) + 1, room=64,
        )
    )  # fmt: skip
    for _ in scanner.read(FileStream(BytesIO(text))):
        pass
    return scanner
