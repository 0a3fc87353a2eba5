"""What a log format promises: one short page that every format of ours keeps.

A format is a way to recognise a log by its first bytes, and a kernel that turns lines into columns. Windows, threads,
sorting, clock discontinuities, counting and gzip are the engine's business (`scan`, `fold`).
"""

import re
import sys
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from buslens.capture._scan_kernel import Slots
from buslens.capture.frames import Clock, ReadStats


@dataclass(frozen=True, slots=True, kw_only=True)
class FormatMatch:
    """What the first bytes of a log say about the rest."""

    clock: Clock
    #: Slots of the format, with the values that they have before the first line.
    slots: Mapping[int, int] = field(default_factory=dict)
    #: Sentences for the user.
    notes: tuple[str, ...] = ()
    #: A line can only be understood after all that came before it, so that it is no use to read pieces side by side.
    in_one_piece: bool = False
    #: The times that the kernel works out never run back, so that nothing has to be held back for sorting.
    in_order: bool = False
    #: Step by which the stamps were rounded, ns; 0: they were not.
    resolution_ns: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class LogFormat:
    """One format of recorded logs.

    The kernel is ``kernel(text, start, stop, s, code, ids, labels, columns, words) -> p``: it reads the lines from
    start to stop, puts the frames that are wanted into the columns, counts every line in exactly one class, and comes
    back as `_scan_kernel` says, with ``s[STOP]`` set.
    """

    name: str
    #: A line as it stands in such a log; part of the refusal of a file that no format knows.
    example: str
    #: Recognises a log by its first bytes (up to 64 KiB, without a byte order mark); pure; None: not this format.
    sniff: Callable[[bytes], FormatMatch | None]
    kernel: Callable[..., int]
    #: What was wrong and what would be right, by the format's codes from FORMAT_REASON on.
    reasons: Mapping[int, str]
    #: Does the same, and is compiled in place of `kernel`: takes, behind the text, the eight bytes from each place on
    #: as a little endian word. May also come back with UNUSUAL_ROW or UNUSUAL_ROWS.
    wide_kernel: Callable[..., int] | None = None
    #: Does the same, and runs in place of `kernel` as plain Python.
    plain_kernel: Callable[..., int] | None = None
    #: So much of a log is read by plain Python before the compiler is asked for: to load compiled code takes as long.
    plain_bytes: int = 2_500_000
    #: So much of all its logs is read by plain Python in one process before the kernel is compiled where that was
    #: never done; for a kernel that takes long to compile.
    unmade_bytes: int = 0
    #: Is given a line for which the kernel came back with ASK; sets slots, may add sentences for the user.
    on_line: Callable[[bytes, Slots, list[str]], None] | None = None
    #: Finds in a broken line, as its first group, the hexadecimal digits of an identifier that is whole.
    identifier: re.Pattern[bytes] | None = None
    #: Is given the slots when all has been read, to complete what the stats says of the clock.
    finish: Callable[[Slots, ReadStats], None] | None = None

    @property
    def compiled_kernel(self) -> Callable[..., int]:
        """The kernel that is worth compiling."""
        return self.kernel if self.wide_kernel is None or sys.byteorder != "little" else self.wide_kernel
