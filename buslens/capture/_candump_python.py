"""Reads the common lines of a candump log file by a pattern: classical data frames with microseconds."""

import re
from binascii import unhexlify
from typing import Final

from buslens.capture import _candump_kernel as kernel
from buslens.capture._pattern_scan import Common, is_on_axis, scan_by_pattern
from buslens.capture._scan_kernel import TX_FLAG, Slots

_COMMON: Final = re.compile(
    rb"""
    \( (\d{1,9}|[123]\d{9}) \. (\d{6}) \)                   # (1700000000.000072)
    [ ] ([^\s\0]{1,31})                                     # can0
    [ ] ( [0-7][0-9A-Fa-f]{2} | [01][0-9A-Fa-f]{7} ) \#     # 202#
    ( (?:[0-9A-Fa-f]{2}){0,8} )                             # E8B7
    ( [ ][RT] )? \r?\n
    """,
    re.VERBOSE,
)


def scan_plain(text: bytearray, start: int, stop: int, s: Slots, *buffers: Slots) -> int:
    """Read lines from start to stop, exactly as `_candump_kernel.scan` does."""

    def frame_of(found: re.Match[bytes]) -> Common | None:
        seconds, micros, label, digits, data, tail = found.groups()
        stamp = int(seconds) * 1_000_000_000 + int(micros) * 1_000
        if not is_on_axis(stamp):
            return None
        flag = TX_FLAG if tail == b" T" else 0
        return stamp, label, int(digits, 16), len(digits) == 8, flag, unhexlify(data)

    return scan_by_pattern(_COMMON, lambda: True, frame_of, kernel.scan, text, start, stop, s, *buffers)  # type: ignore[arg-type]
