from __future__ import annotations

import pytest

from buslens.definitions.model import ByteOrder
from buslens.discovery.candidates import BitField
from buslens.discovery.changes import FrameKey
from buslens.report.discovery import chance, place


class TestChance:
    """A corrected p-value is told as how often luck would do as well, rounded down."""

    @pytest.mark.parametrize(
        ("p", "words"),
        [
            (1.0, "may well be chance (100 %)"),
            (0.05, "may well be chance (5 %)"),
            (0.0499, "by luck 1 time in 20"),
            (1 / 1234, "by luck 1 time in 1,200"),
            (3e-7, "by luck 1 time in 3,300,000"),
            (0.0, "by luck less than 1 time in 1,000,000,000,000"),
        ],
    )
    def test_words(self, p: float, words: str) -> None:
        assert chance(p) == words


class TestPlace:
    """A field is told by channel, identifier, byte and bit, with the byte order where it can be told."""

    @pytest.mark.parametrize(
        ("bits", "order", "words"),
        [
            ((17,), ByteOrder.INTEL, "can0 202 byte 2 bit 1"),
            ((1, 2), ByteOrder.INTEL, "can0 202 byte 0 bits 1 to 2"),
            ((6, 7, 8), ByteOrder.INTEL, "can0 202 byte 0 bit 6 to byte 1 bit 0 (Intel)"),
            ((14, 15, 0), ByteOrder.MOTOROLA, "can0 202 byte 1 bit 6 to byte 0 bit 0 (Motorola)"),
        ],
    )
    def test_words(self, bits: tuple[int, ...], order: ByteOrder, words: str) -> None:
        assert place(BitField(origin=FrameKey("can0", 0x202, False), bits=bits, order=order)) == words

    def test_what_a_channel_is_called_cannot_drive_the_terminal(self) -> None:
        shown = place(BitField(origin=FrameKey("c\x1b[2J", 0x18FF50A1, True), bits=(0,), order=ByteOrder.INTEL))
        assert shown == "c\\x1b[2J 18FF50A1 byte 0 bit 0"
