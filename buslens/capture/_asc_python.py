"""Reads the common rows of an ASC log by a pattern: classical data frames in base hex with absolute stamps."""

import re
from binascii import unhexlify
from typing import Final

from buslens.capture import _asc_kernel as kernel
from buslens.capture._pattern_scan import Common, is_on_axis, scan_by_pattern
from buslens.capture._scan_kernel import TX_FLAG, Slots

_COMMON: Final = re.compile(
    rb"""
    [ ]* (\d{1,9}) \. (\d{6})                               #    0.015991
    [ ]+ ([1-9]\d{0,3})                                     # 1
    [ ]+ (?: ([0-7]?[0-9A-Fa-f]{1,2}) | ([01]?[0-9A-Fa-f]{1,7})x )    # 6F9
    [ ]+ (Rx|Tx) [ ]+ d [ ] ([0-8])                         #             Rx   d 8
    ( (?: [ ][0-9A-Fa-f]{2} ){0,8} ) (?: [ ][^\n\0]* )? \r?\n    #  05 0C 00 00 00 00 00 00  Length = 240015
    """,
    re.VERBOSE,
)


def scan_plain(text: bytearray, start: int, stop: int, s: Slots, *buffers: Slots) -> int:
    """Read lines from start to stop, exactly as `_asc_kernel.scan` does."""

    def is_usual() -> bool:
        is_special = s[kernel.RELATIVE] or s[kernel.PENDING] or s[kernel.APART]
        is_special = is_special or s[kernel.LEFTOVER] or s[kernel.SENT_APART]
        return bool(s[kernel.BASE] == 16 and s[kernel.STARTED] and not is_special)

    def frame_of(found: re.Match[bytes]) -> Common | None:
        seconds, micros, label, standard, extended, way, dlc, digits = found.groups()
        stamp = s[kernel.ORIGIN] + int(seconds) * 1_000_000_000 + int(micros) * 1_000
        data = unhexlify(digits.replace(b" ", b""))
        if len(data) != int(dlc) or not is_on_axis(stamp):
            return None
        flag = TX_FLAG if way == b"Tx" else 0
        if standard is None:
            return stamp, label, int(extended, 16), True, flag, data
        return stamp, label, int(standard, 16), False, flag, data

    return scan_by_pattern(_COMMON, is_usual, frame_of, kernel.scan, text, start, stop, s, *buffers)  # type: ignore[arg-type]
