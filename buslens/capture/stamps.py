"""What the time stamps and identifiers of a log's first lines say about how the rest was written."""

from __future__ import annotations

import itertools
from typing import TYPE_CHECKING, Final

from buslens.units import format_duration

if TYPE_CHECKING:
    from collections.abc import Sequence

FEW: Final = 8
"""Stamps that are too few to tell anything from how they follow each other."""
_EQUAL_PART: Final = 10
"""Stamps of which one in so many equals the one before were rounded."""
_PER_HUNDRED: Final = 100
_USUAL_WIDTHS: Final = (3, 8)


def resolution_of(stamps: Sequence[int]) -> int:
    """Return the step by which stamps were rounded, ns; 0 where nothing says that they were.

    Where many stamps equal the one before, it is the least step between different ones.
    """
    pairs = list(itertools.pairwise(stamps))
    equal = sum(later == earlier for earlier, later in pairs)
    if len(stamps) < FEW or _EQUAL_PART * equal < len(pairs):
        return 0
    return min((later - earlier for earlier, later in itertools.pairwise(sorted(set(stamps)))), default=0)


def resolution_note(resolution_ns: int) -> str:
    """Return what a person should know of rounded stamps."""
    return (
        f"the time stamps differ by at least {format_duration(resolution_ns)}: "
        "every measured time is uncertain by that much in both directions"
    )


def are_unpadded(identifiers: Sequence[bytes]) -> bool:
    """Return whether a log writes identifiers with as many digits as they need, not with 3 or 8.

    More than one in a hundred then has another number of digits, and hardly any begins with a zero.
    """
    odd = sum(len(digits) not in _USUAL_WIDTHS for digits in identifiers)
    padded = sum(len(digits) > 1 and digits.startswith(b"0") for digits in identifiers)
    return odd > 1 and _PER_HUNDRED * odd > len(identifiers) and 10 * padded < odd
