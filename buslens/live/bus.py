"""Receiving from a bus, and nothing but receiving.

Whatever comes is written as lines of a candump log at once, and these lines are what is checked and what is kept. So
the findings are those that ``buslens check`` has on the kept file.
"""

from __future__ import annotations

import re
import sys
import threading
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from buslens.capture.stream import poured
from buslens.errors import CaptureError, SourceLocation, UsageError, did_you_mean

if TYPE_CHECKING:
    from can import BusABC, Message

EXAMPLES: Final = "socketcan:can0, udp_multicast:239.74.163.2 or virtual:bench"
_LOOK_S: Final = 0.05
_MOST_AT_ONCE: Final = 2000
"""Frames that are taken before what has come is handed on."""

_ERROR: Final = 0x20000000
_BUS_ERROR: Final = 0x80
"""Class of an error frame for which the driver gives none (Linux kernel, include/uapi/linux/can/error.h)."""
_MOST_LABEL: Final = 31

_IP_MULTICAST_ALL: Final = 49
_IPV6_MULTICAST_ALL: Final = 29
"""Numbers of options in linux/in.h and linux/in6.h, for which Python has no names."""

VIRTUAL: Final = frozenset({"virtual", "udp_multicast"})
"""Interfaces of python-can behind which there is never a wire: frames are passed on within a process, or by network."""

_SEARCHED_FOR: Final = frozenset({"socketcand"})
"""Interfaces that are found only by listening to the network for seconds; they can be named all the same."""


@dataclass(frozen=True, slots=True)
class Interface:
    """A bus as python-can names it."""

    kind: str
    channel: str

    def __str__(self) -> str:
        return f"{self.kind}:{self.channel}"


def parse_interface(text: str) -> Interface:
    """Return the interface that a word of the command line means.

    Raises UsageError if there is no such kind of interface, or no channel is named.
    """
    import can

    kind, colon, channel = text.partition(":")
    if kind not in can.VALID_INTERFACES:
        is_channel = not colon and re.fullmatch(r"v?s?l?can\d+", kind)
        hint = f"; did you mean 'socketcan:{kind}'?" if is_channel else did_you_mean(kind, can.VALID_INTERFACES)
        raise UsageError(f"'{text}': there is no kind of interface '{kind}'{hint}; write it as {EXAMPLES}")
    if not colon or not channel:
        raise UsageError(f"'{text}' names no channel; write it as {EXAMPLES}")
    return Interface(kind, channel)


def available_interfaces() -> list[Interface]:
    """Return the adapters that are plugged in, as far as their drivers tell."""
    import logging

    import can

    # What drivers that are not installed say of themselves is no news.
    before = logging.root.manager.disable
    logging.disable(logging.CRITICAL)
    try:
        found = can.detect_available_configs(sorted(set(can.VALID_INTERFACES) - VIRTUAL - _SEARCHED_FOR))
    finally:
        logging.disable(before)
    return sorted({Interface(str(it["interface"]), str(it["channel"])) for it in found}, key=str)


def listen_only_options(kind: str) -> Mapping[str, Any]:
    """Return the options by which a driver's controller is told not even to acknowledge frames; empty: it has none."""
    from can import BusState

    options: dict[str, dict[str, Any]] = {
        "cantact": {"monitor": True},
        "kvaser": {"driver_mode": False},
        "nixnet": {"listen_only": True},
        "pcan": {"state": BusState.PASSIVE},
        "seeedstudio": {"operation_mode": "silent"},
        "slcan": {"listen_only": True},
        "systec": {"state": BusState.PASSIVE},
        "vector": {"listen_only": True},
    }
    return options.get(kind, {})


def describe_listening(interface: Interface) -> str:
    """Return, as one sentence, how passive listening on an interface is."""
    if interface.kind in VIRTUAL:
        return f"listening on {interface}, behind which there is no wire"
    if listen_only_options(interface.kind):
        return f"listening on {interface}; its controller is told to listen only, and acknowledges nothing"
    if interface.kind == "socketcan":
        return (
            f"listening on {interface}; nothing is sent, but whether its controller acknowledges frames is set outside,"
            f" with 'ip link set {interface.channel} type can listen-only on' before the link is brought up"
        )
    return (
        f"listening on {interface}; nothing is sent, but this driver cannot be told to listen only:"
        " its controller acknowledges frames as every node does"
    )


def label_of(channel: object) -> str:
    """Return the name of a channel as it can stand in a log: printable ASCII without blanks.

    >>> label_of("bench bus"), label_of("")
    ('bench_bus', 'can')
    """
    text = "".join(char if char.isascii() and char.isprintable() and char != " " else "_" for char in str(channel))
    return text[:_MOST_LABEL] or "can"


def candump_line(message: Message, label: str) -> bytes:
    """Return the line of a candump log for a frame, with its line feed, such as ``(1700000000.000072) can0 202#E8B7``.

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


class Receiver:
    """A bus that can be received from, and has no other use.

    Parameters
    ----------
    bitrate : int, optional
        Bits per second, where the driver wants to be told.

    Raises
    ------
    UsageError
        If the driver or the bus is not available.
    """

    def __init__(self, interface: Interface, *, bitrate: int | None = None) -> None:
        if interface.kind == "socketcan" and sys.platform != "linux":
            raise UsageError(
                f"{interface} cannot be opened: SocketCAN is a part of Linux; name the kind that the driver of your "
                "adapter has in python-can"
            )
        import can

        options = dict(listen_only_options(interface.kind))
        if bitrate is not None:
            options["bitrate"] = bitrate
        self.interface = interface
        #: Name of the channel in the log.
        self.label = label_of(interface.channel)
        try:
            # Not what a settings file of python-can's says: a bus is opened as the command names it.
            self._bus: BusABC = can.Bus(
                interface=interface.kind, channel=interface.channel, ignore_config=True, **options
            )
        except Exception as exc:  # a driver that is not ours: anything may come
            raise UsageError(f"{interface} cannot be opened: {_reason(interface.kind, exc)}") from exc
        if interface.kind == "udp_multicast" and sys.platform == "linux":
            _receive_own_group_only(self._bus.fileno())

    def receive(self, timeout_s: float) -> Message | None:
        """Return the next frame; None if none has come in time.

        Raises CaptureError if the bus has gone.
        """
        try:
            return self._bus.recv(timeout_s)
        except Exception as exc:  # as above
            raise CaptureError(f"the bus has gone: {_reason('', exc)}", SourceLocation(str(self.interface))) from exc

    def close(self) -> None:
        """Give the bus back."""
        self._bus.shutdown()


class BusStream:
    """The frames of a bus as lines of a candump log, as they come.

    Parameters
    ----------
    keep : callable, optional
        Is given the lines too.
    seconds : float, optional
        Ends it after so long.
    """

    damage = ""

    def __init__(
        self,
        receiver: Receiver,
        stop: threading.Event,
        *,
        keep: Callable[[bytes], object] | None = None,
        seconds: float | None = None,
    ) -> None:
        #: Why it ended before its time; empty if it did not.
        self.problem = ""
        self._receiver = receiver
        self._stop = stop
        self._keep = keep
        self._until = None if seconds is None else time.monotonic() + seconds
        self._rest = b""

    def read_into(self, view: memoryview) -> int:
        """Fill the view with lines."""
        while not self._rest:
            if self._stop.is_set() or self.problem or self._is_over():
                return 0
            self._rest = self._gather()
            if self._keep is not None:
                self._keep(self._rest)
        n, self._rest = poured(self._rest, view)
        return n

    def _is_over(self) -> bool:
        return self._until is not None and time.monotonic() >= self._until

    def _gather(self) -> bytes:
        lines: list[bytes] = []
        try:
            message = self._receiver.receive(_LOOK_S)
            while message is not None:
                lines.append(candump_line(message, self._receiver.label))
                message = self._receiver.receive(0) if len(lines) < _MOST_AT_ONCE else None
        except CaptureError as exc:
            self.problem = str(exc)
        return b"".join(lines)

    def close(self) -> None:
        """Give the bus back."""
        self._receiver.close()


def _receive_own_group_only(descriptor: int) -> None:
    """Have a socket receive packets for groups that it has joined itself, and not for those that others have.

    Linux does the latter unless it is told otherwise (ip(7) and ipv6(7): IP_MULTICAST_ALL, IPV6_MULTICAST_ALL), so that
    frames of another group would be checked as if they had come on this bus.
    """
    import os
    import socket

    with socket.socket(fileno=os.dup(descriptor)) as own:
        if own.family == socket.AF_INET6:
            own.setsockopt(socket.IPPROTO_IPV6, _IPV6_MULTICAST_ALL, 0)
        else:
            own.setsockopt(socket.IPPROTO_IP, _IP_MULTICAST_ALL, 0)


def _reason(kind: str, error: Exception) -> str:
    text = " ".join(str(error).split()) or type(error).__name__
    if kind == "udp_multicast" and "msgpack" in text:
        return f"{text}; it needs: pip install msgpack"
    return text
