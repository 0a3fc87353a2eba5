"""What an error frame says: a pure table after the Linux kernel's include/uapi/linux/can/error.h.

No log format says more than the class bits and eight bytes; what they mean is the same for all.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

TX_TIMEOUT: Final = 0x1
LOST_ARBITRATION: Final = 0x2
CONTROLLER: Final = 0x4
PROTOCOL: Final = 0x8
TRANSCEIVER: Final = 0x10
NO_ACKNOWLEDGE: Final = 0x20
BUS_OFF: Final = 0x40
BUS_ERROR: Final = 0x80
RESTARTED: Final = 0x100
COUNTERS: Final = 0x200

CLASSES: Final = {
    TX_TIMEOUT: "transmit timeout",
    LOST_ARBITRATION: "lost arbitration",
    CONTROLLER: "controller problem",
    PROTOCOL: "protocol violation",
    TRANSCEIVER: "transceiver problem",
    NO_ACKNOWLEDGE: "no acknowledge",
    BUS_OFF: "bus off",
    BUS_ERROR: "bus error",
    RESTARTED: "controller restarted",
    COUNTERS: "error counters",
}
"""Names of the class bits; Frames.can_id of an error frame and Tally.error_classes hold them."""

CONTROLLER_STATES: Final = {
    0x01: "receive buffer overflow",
    0x02: "transmit buffer overflow",
    0x04: "receive warning",
    0x08: "transmit warning",
    0x10: "receive passive",
    0x20: "transmit passive",
    0x40: "error active again",
}
"""Bits of data[1], with CONTROLLER."""

PROTOCOL_TYPES: Final = {
    0x01: "single bit error",
    0x02: "frame format error",
    0x04: "stuff error",
    0x08: "dominant bit could not be sent",
    0x10: "recessive bit could not be sent",
    0x20: "bus overload",
    0x40: "active error announcement",
    0x80: "error on transmission",
}
"""Bits of data[2], with PROTOCOL."""

PROTOCOL_PLACES: Final = {
    0x03: "start of frame",
    0x02: "id bits 28 to 21",
    0x06: "id bits 20 to 18",
    0x04: "substitute remote request",
    0x05: "identifier extension",
    0x07: "id bits 17 to 13",
    0x0F: "id bits 12 to 5",
    0x0E: "id bits 4 to 0",
    0x0C: "remote request",
    0x0D: "reserved bit 1",
    0x09: "reserved bit 0",
    0x0B: "data length code",
    0x0A: "data field",
    0x08: "checksum",
    0x18: "checksum delimiter",
    0x19: "acknowledge slot",
    0x1B: "acknowledge delimiter",
    0x1A: "end of frame",
    0x12: "intermission",
}
"""Values of data[3], with PROTOCOL; 0 is no place."""

WARNING_LEVEL: Final = 96
PASSIVE_LEVEL: Final = 128
BUS_OFF_LEVEL: Final = 256
"""Counts from which a controller warns, is passive, is off the bus."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BusError:
    """One error frame in words."""

    #: Names of its classes, in the order of their bits; an unnamed bit as "class 0x...".
    classes: tuple[str, ...]
    #: Controller states, kinds of protocol violation.
    states: tuple[str, ...] = ()
    violations: tuple[str, ...] = ()
    #: Where in a frame the protocol was violated; empty if that was not said.
    place: str = ""
    #: Bit at which arbitration was lost; None if that was not said.
    lost_at_bit: int | None = None
    #: None where the frame has no counters.
    transmit_errors: int | None = None
    receive_errors: int | None = None


def class_names(can_id: int) -> tuple[str, ...]:
    """Return the names of the class bits in the id of an error frame.

    >>> class_names(0x20000040), class_names(0x204)
    (('bus off',), ('controller problem', 'error counters'))
    """
    bits = [1 << bit for bit in range(29) if can_id >> bit & 1]
    return tuple(CLASSES.get(bit, f"class {bit:#x}") for bit in bits)


def explain_error_frame(can_id: int, data: bytes) -> BusError:
    """Return in words what an error frame says.

    Parameters
    ----------
    can_id : int
        With or without the flag 0x20000000.
    data : bytes
        Missing bytes count as 0: nothing said.
    """
    data = data.ljust(8, b"\0")
    is_controller, is_protocol = can_id & CONTROLLER, can_id & PROTOCOL
    return BusError(
        classes=class_names(can_id),
        states=_named(CONTROLLER_STATES, data[1]) if is_controller else (),
        violations=_named(PROTOCOL_TYPES, data[2]) if is_protocol else (),
        place=PROTOCOL_PLACES.get(data[3], "") if is_protocol else "",
        lost_at_bit=data[0] if can_id & LOST_ARBITRATION and data[0] else None,
        transmit_errors=data[6] if can_id & COUNTERS else None,
        receive_errors=data[7] if can_id & COUNTERS else None,
    )


def _named(names: dict[int, str], bits: int) -> tuple[str, ...]:
    return tuple(name for bit, name in names.items() if bits & bit)
