"""What tells whether a LIN frame is whole: the two parity bits of its identifier, and its checksum.

Both as ISO 17987-3 has them, and before it the LIN specification 2.2A: parity 2.3.1.3, checksum 2.3.1.5 (numbers of
sections from memory).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from buslens.capture._scan_kernel import Slots

LARGEST_ID: Final = 0x3F
FIRST_DIAGNOSTIC_ID: Final = 0x3C
"""Frames from here on have the classic checksum whatever others have."""


def protected(identifier: int) -> int:
    """Return an identifier of 6 bits with P0 = ID0^ID1^ID2^ID4 in bit 6 and P1 = not ID1^ID3^ID4^ID5 in bit 7."""
    p0 = (identifier ^ identifier >> 1 ^ identifier >> 2 ^ identifier >> 4) & 1
    p1 = ~(identifier >> 1 ^ identifier >> 3 ^ identifier >> 4 ^ identifier >> 5) & 1
    return identifier | p0 << 6 | p1 << 7


def checksum(words: Slots, at: int, n: int, first: int) -> int:
    """Return the inverted sum of n bytes in words from `at` on, each carry added.

    The classic checksum begins with 0, the enhanced one with the identifier and its parity.
    """
    total = first
    for k in range(n):
        total += words[at + (k >> 3)] >> 8 * (k & 7) & 255
        if total > 255:
            total -= 255
    return 255 - total


def is_whole(identifier: int, words: Slots, at: int, n: int, found: int) -> bool:
    """Return whether the checksum of a frame is right: classic, or enhanced for identifiers below 3C."""
    if checksum(words, at, n, 0) == found:
        return True
    return identifier < FIRST_DIAGNOSTIC_ID and checksum(words, at, n, protected(identifier)) == found
