"""Reads the common lines of candump's screen form by a pattern: classical data frames stamped in seconds."""

import re
from binascii import unhexlify
from typing import Final

from buslens.capture import _candump_screen_kernel as kernel
from buslens.capture._pattern_scan import Common, is_on_axis, scan_by_pattern
from buslens.capture._scan_kernel import Slots

_COMMON: Final = re.compile(
    rb"""
    [ ]* \( (\d{1,9}|[123]\d{9}) \. (\d{6}) \)              #  (1436509052.249713)
    [ ]+ ([^\s\0]{1,31})                                    #   can0
    [ ]+ (?: ([0-7][0-9A-Fa-f]{2}) | ([01][0-9A-Fa-f]{7}) ) #   202
    [ ]+ \[ ([0-8]) \]                                      #    [8]
    ( (?: [ ]+[0-9A-Fa-f]{2} ){0,8} ) [ ]* \r?\n            #   E8 B7 00 00 00 00 00 00
    """,
    re.VERBOSE,
)


def scan_plain(text: bytearray, start: int, stop: int, s: Slots, *buffers: Slots) -> int:
    """Read lines from start to stop, exactly as `_screen_kernel.scan` does."""

    def is_usual() -> bool:
        return s[kernel.STAMPS] == kernel.SECONDS

    def frame_of(found: re.Match[bytes]) -> Common | None:
        seconds, micros, label, standard, extended, n, digits = found.groups()
        stamp = int(seconds) * 1_000_000_000 + int(micros) * 1_000
        data = unhexlify(digits.replace(b" ", b""))
        if len(data) != int(n) or not is_on_axis(stamp):
            return None
        if standard is None:
            return stamp, label, int(extended, 16), True, 0, data
        return stamp, label, int(standard, 16), False, 0, data

    return scan_by_pattern(_COMMON, is_usual, frame_of, kernel.scan, text, start, stop, s, *buffers)  # type: ignore[arg-type]
