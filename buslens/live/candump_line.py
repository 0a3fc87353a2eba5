"""A frame from a bus as a line of a candump log, which is what is kept and what is checked.

(1700000000.000072) can0 202#E8B7000000000000
"""

from __future__ import annotations

import time
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from can import Message

_ERROR: Final = 0x20000000
_BUS_ERROR: Final = 0x80
"""Class of an error frame for which the driver gives none (Linux kernel, include/uapi/linux/can/error.h)."""
_MOST_LABEL: Final = 31


def label_of(channel: object) -> str:
    """Return the name of a channel as it can stand in a log: printable ASCII without blanks.

    >>> label_of("bench bus"), label_of("")
    ('bench_bus', 'can')
    """
    text = "".join(char if char.isascii() and char.isprintable() and char != " " else "_" for char in str(channel))
    return text[:_MOST_LABEL] or "can"


def candump_line(message: Message, label: str) -> bytes:
    """Return the line for a frame, with its line feed.

    Parameters
    ----------
    message : can.Message
        As received. A stamp of 0 is none: the time of this moment takes its place.
    """
    stamp = message.timestamp or time.time()
    data = bytes(message.data or b"")
    if message.is_error_frame:
        error_class = message.arbitration_id & 0x1FFFFFFF & ~_ERROR or _BUS_ERROR
        return f"({stamp:.6f}) {label} {_ERROR | error_class:08X}#{data[:8].hex().upper()}\n".encode()
    can_id = f"{message.arbitration_id:08X}" if message.is_extended_id else f"{message.arbitration_id:03X}"
    if message.is_remote_frame:
        length = min(message.dlc, 8)
        payload = f"#R{length}" if length else "#R"
    elif message.is_fd:
        payload = f"##{4 | message.bitrate_switch | message.error_state_indicator << 1:X}{data.hex().upper()}"
    else:
        payload = f"#{data.hex().upper()}"
    direction = "" if message.is_rx else " T"
    return f"({stamp:.6f}) {label} {can_id}{payload}{direction}\n".encode()
