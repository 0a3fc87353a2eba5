"""Signal layouts drawn at random, the DBC text that says them, and payloads as frames and tables."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from hypothesis import strategies as st

from buslens.capture.frames import Frames

if TYPE_CHECKING:
    from collections.abc import Sequence

LENGTHS = [0, 1, 2, 3, 4, 5, 6, 7, 8, 12, 16, 20, 24, 32, 48, 64]
"""Bytes that a CAN or CAN FD frame can have."""


@dataclass
class Field:
    """One ``SG_``, in the words of a DBC; knows nothing of how buslens stores it."""

    name: str
    start: int
    bits: int
    intel: bool
    signed: bool = False
    floating: bool = False
    scale: str = "1"
    offset: str = "0"
    labels: dict[int, str] = field(default_factory=dict)
    #: "", "M", "m5", "m5M".
    mark: str = ""
    #: Selector and selecting values, if they are said by ``SG_MUL_VAL_``.
    selector: str = ""
    ranges: list[tuple[int, int]] = field(default_factory=list)

    @property
    def cells(self) -> list[tuple[int, int]]:
        """Byte and bit in it of every bit, from the least significant on; written from the definition."""
        if self.intel:
            return [divmod(self.start + k, 8) for k in range(self.bits)]
        byte, bit = divmod(self.start, 8)
        found = []
        for _ in range(self.bits):
            found.append((byte, bit))
            byte, bit = (byte, bit - 1) if bit else (byte + 1, 7)
        return found[::-1]

    def bits_of(self, payload: bytes) -> int:
        """Return the raw bits, as an unsigned number, one bit after the other."""
        return sum((payload[byte] >> bit & 1) << k for k, (byte, bit) in enumerate(self.cells))

    def put(self, payload: bytearray, value: int) -> None:
        """Write raw bits, one after the other."""
        for k, (byte, bit) in enumerate(self.cells):
            payload[byte] = payload[byte] & ~(1 << bit) | (value >> k & 1) << bit

    def reach(self) -> int:
        """Return the bytes that a frame must have to carry it."""
        return max(byte for byte, _ in self.cells) + 1


@dataclass
class Layout:
    """One ``BO_`` and its fields."""

    length: int
    fields: list[Field]
    number: int = 0x123

    def carried(self, payload: bytes) -> set[str]:
        """Return the names of the fields that a payload carries, by what a DBC means."""
        by_name = {one.name: one for one in self.fields}

        def carries(one: Field) -> bool:
            if one.reach() > len(payload):
                return False
            if not one.mark.startswith("m"):
                return True
            selector = by_name[one.selector or "ROOT"]
            ranges = one.ranges or [(int(one.mark[1:]),) * 2]
            if not carries(selector):
                return False
            return any(low <= selector.bits_of(payload) <= high for low, high in ranges)

        return {one.name for one in self.fields if carries(one)}

    def dbc(self) -> str:
        """Return the text of a DBC file with this message."""
        lines = ['VERSION ""', "", "NS_ :", "\tVAL_", "", "BS_:", "", "BU_: NODE", ""]
        lines.append(f"BO_ {self.number} MESSAGE: {self.length} NODE")
        for one in self.fields:
            sign = "-" if one.signed else "+"
            mark = f"{one.mark} " if one.mark else ""
            lines.append(
                f" SG_ {one.name} {mark}: {one.start}|{one.bits}@{int(one.intel)}{sign} "
                f'({one.scale},{one.offset}) [0|0] "" NODE'
            )
        lines.append("")
        for one in self.fields:
            if one.floating:
                lines.append(f"SIG_VALTYPE_ {self.number} {one.name} : {2 if one.bits == 64 else 1};")
            if one.labels:
                pairs = " ".join(f'{value} "{text}"' for value, text in one.labels.items())
                lines.append(f"VAL_ {self.number} {one.name} {pairs} ;")
            if one.selector:
                ranges = ", ".join(f"{low}-{high}" for low, high in one.ranges)
                lines.append(f"SG_MUL_VAL_ {self.number} {one.name} {one.selector} {ranges};")
        return "\n".join(lines) + "\n"


SCALES = ["1", "1.0", "2", "-3", "10", "0.1", "0.125", "0.001", "-0.25", "1e-5", "2.0", "1000000007"]
OFFSETS = ["0", "0.0", "1", "-40", "-273.15", "0.1", "1000000000000", "-5.0"]


@st.composite
def fields(draw: Any, name: str, length: int, *, plain: bool = False) -> Field:
    """Draw a field somewhere in a message of so many bytes; a plain one is small, unsigned and unscaled."""
    most = min(64, 8 * length)
    floating = not plain and most >= 16 and draw(st.booleans()) and draw(st.booleans())
    if floating:
        bits = draw(st.sampled_from([size for size in (16, 32, 64) if size <= most]))
    elif plain:
        bits = draw(st.integers(2, min(6, most)))
    else:
        bits = draw(st.integers(1, most))
    intel = draw(st.booleans())
    position = draw(st.integers(0, 8 * length - bits))
    one = Field(name, position, bits, intel, floating=floating)
    if not intel:
        one.start = 8 * (position // 8) + 7 - position % 8
    if not plain:
        one.signed = draw(st.booleans())
        one.scale, one.offset = draw(st.sampled_from(SCALES)), draw(st.sampled_from(OFFSETS))
    if not floating and draw(st.booleans()):
        low, high = (-(1 << bits - 1), (1 << bits - 1) - 1) if one.signed else (0, (1 << bits) - 1)
        near = st.integers(max(low, -3), min(high, 3))
        one.labels = {value: f"is {value}" for value in draw(st.lists(near, max_size=4))}
    return one


def _add(into: list[Field], one: Field, occupied: set[tuple[int, int]]) -> bool:
    if occupied.intersection(one.cells):
        return False
    into.append(one)
    occupied.update(one.cells)
    return True


@st.composite
def plain_layouts(draw: Any) -> Layout:
    """Draw a message whose signals do not overlap and are in every frame."""
    length = draw(st.sampled_from(LENGTHS[1:]))
    found: list[Field] = []
    occupied: set[tuple[int, int]] = set()
    for number in range(draw(st.integers(1, 8))):
        _add(found, draw(fields(f"S{number}", length)), occupied)
    return Layout(length, found)


@st.composite
def multiplexed_layouts(draw: Any, *, extended: bool) -> Layout:
    """Draw a message with a selector and what it selects, in the extended form with a selector below that.

    Signals that are never in the same frame may share bits.
    """
    length = draw(st.sampled_from(LENGTHS[2:]))
    root = draw(fields("ROOT", length, plain=True))
    root.mark = "M"
    found = [root]
    occupied = set(root.cells)
    if draw(st.booleans()):
        _add(found, draw(fields("ALWAYS", length)), occupied)
    for value in draw(st.lists(st.integers(0, (1 << root.bits) - 1), min_size=1, max_size=3, unique=True)):
        ranges = [(value, value)]
        branch = set(occupied)
        for number in range(draw(st.integers(1, 3))):
            one = draw(fields(f"S{value}_{number}", length))
            one.mark = f"m{value}"
            if extended:
                one.selector, one.ranges = "ROOT", ranges
            _add(found, one, branch)
        if not extended or not draw(st.booleans()):
            continue
        below = draw(fields(f"BELOW{value}", length, plain=True))
        below.mark, below.selector, below.ranges = f"m{value}M", "ROOT", ranges
        if _add(found, below, branch):
            low = draw(st.integers(0, (1 << below.bits) - 1))
            high = draw(st.integers(low, (1 << below.bits) - 1))
            one = draw(fields(f"D{value}", length))
            one.mark, one.selector, one.ranges = f"m{low}", below.name, [(low, high)]
            _add(found, one, branch)
    return Layout(length, found)


@st.composite
def payloads(draw: Any, layout: Layout) -> bytes:
    """Draw a payload that may be short or long, with selectors that often select something."""
    content = bytearray(draw(st.binary(min_size=layout.length, max_size=layout.length)))
    for one in layout.fields:
        if one.mark.endswith("M") and draw(st.booleans()):
            chosen = [
                int(other.mark.strip("mM"))
                for other in layout.fields
                if other.mark.startswith("m") and (other.selector or "ROOT") == one.name
            ]
            if chosen:
                one.put(content, draw(st.sampled_from(chosen)))
    if draw(st.booleans()):
        fitting = draw(st.sampled_from(LENGTHS))
        content = content.ljust(fitting, b"\xa5")[:fitting]
    return bytes(content)


def frames_of(contents: Sequence[bytes]) -> Frames:
    """Return payloads as columns, laid out one after the other by plain Python."""
    words: list[int] = []
    first = []
    for content in contents:
        first.append(len(words))
        for k in range(0, len(content), 8):
            words.append(int.from_bytes(content[k : k + 8], "little"))
    n = len(contents)
    return Frames(
        time_ns=np.arange(n, dtype=np.int64),
        channel=np.zeros(n, np.uint16),
        can_id=np.full(n, 0x123, np.uint32),
        flags=np.zeros(n, np.uint16),
        dlc=np.zeros(n, np.uint8),
        length=np.array([len(content) for content in contents], np.uint8),
        word=np.array(first, np.int64),
        words=np.array(words, np.uint64),
        channels=("can0",),
    )


def frame_table(rows: Sequence[tuple[str, int, bytes]], **columns: object) -> pd.DataFrame:
    """Return channel, identifier and payload of frames in the form of ``buslens.read_frames``, 10 ms apart."""
    return pd.DataFrame(
        {
            "time": [0.01 * k for k in range(len(rows))],
            "channel": [channel for channel, _, _ in rows],
            "can_id": [can_id for _, can_id, _ in rows],
            "is_extended": [can_id > 0x7FF for _, can_id, _ in rows],
            "is_fd": False,
            "is_remote": False,
            "is_error": False,
            "is_rx": True,
            "dlc": [min(len(data), 15) for _, _, data in rows],
            "data": [data for _, _, data in rows],
            **columns,
        }
    )
