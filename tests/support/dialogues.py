"""Recordings of a tester and units, and their transport frames by a second hand."""

from __future__ import annotations

import logging
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from pathlib import Path

logging.getLogger("scapy").setLevel(logging.ERROR)


def scapy_frames(data: bytes, *, byte: int | None = None) -> list[bytes]:
    """Return a message as scapy's encoder cuts it into frames of classical CAN."""
    from scapy.contrib.isotp import ISOTP

    packet: Any = ISOTP(data, rx_id=0x7E0, rx_ext_address=byte)
    return [bytes(frame.data) for frame in packet.fragment()]


def fd_frames(data: bytes, size: int) -> list[bytes]:
    """Return a message in CAN FD frames of up to so many bytes: ISO 15765-2 (2016), tables of the first bytes.

    scapy writes no escape of a single frame, so this was written from the tables, from memory.
    """
    if len(data) <= 7:
        return [bytes([len(data)]) + data]
    if len(data) <= size - 2:
        return [bytes([0, len(data)]) + data]
    head = (0x1000 | len(data)).to_bytes(2) if len(data) < 4096 else b"\x10\x00" + len(data).to_bytes(4)
    frames, at = [head + data[: size - len(head)]], size - len(head)
    while at < len(data):
        frames.append(bytes([0x20 | len(frames) % 16]) + data[at : at + size - 1])
        at += size - 1
    return frames


@dataclass
class Recording:
    """Frames of a bus on which somebody asks; times in ns."""

    time_ns: int = 1_000_000_000
    rows: list[tuple[int, int, bytes]] = field(default_factory=list)

    def put(self, can_id: int, data: bytes, *, later_ns: int = 1_000_000) -> None:
        self.time_ns += later_ns
        self.rows.append((self.time_ns, can_id, data))

    def send(
        self, can_id: int, receiver: int, data: bytes, *, byte: int | None = None, reply: int | None = None
    ) -> None:
        """Send a message, the receiver's flow control with it if it is long."""
        first, *more = scapy_frames(data, byte=byte)
        self.put(can_id, first, later_ns=10_000_000)
        if more:
            self.put(receiver, bytes(() if reply is None else (reply,)) + b"\x30\x00\x00")
        for frame in more:
            self.put(can_id, frame)

    def ask(self, request: str, *answers: str, ids: tuple[int, int] = (0x7E0, 0x7E8)) -> None:
        """Ask, and be answered 10 ms after the last frame, each time."""
        self.send(ids[0], ids[1], bytes.fromhex(request))
        for answer in answers:
            self.send(ids[1], ids[0], bytes.fromhex(answer))
        self.time_ns += 50_000_000

    def go_on(self, seconds: float) -> None:
        """Record another message every 10 ms for a while."""
        for _ in range(round(100 * seconds)):
            self.put(0x100, b"\xff", later_ns=10_000_000)

    def write(self, path: Path, channels: dict[int, str] | None = None) -> Path:
        """Write it as candump does, with some identifiers on other channels than can0."""
        lines = []
        for time_ns, can_id, data in self.rows:
            digits = 8 if can_id > 0x7FF else 3
            channel = (channels or {}).get(can_id, "can0")
            lines.append(f"({time_ns / 1e9:.6f}) {channel} {can_id:0{digits}X}#{data.hex()}")
        path.write_text("\n".join(lines) + "\n")
        return path
