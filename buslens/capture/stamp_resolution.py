"""What the time stamps and identifiers of a log's first lines say about how the rest was written."""

from __future__ import annotations

import itertools
import math
from collections import Counter
from typing import TYPE_CHECKING, Final

from buslens.units import format_duration

if TYPE_CHECKING:
    from collections.abc import Sequence

FINE_NS: Final = 100_000
"""Steps of stamps that are finer do not matter: a frame takes about as long on the bus."""
_DECADES: Final = (FINE_NS, 1_000_000, 10_000_000, 100_000_000, 1_000_000_000)
COARSE_NS: Final = 100_000_000
"""Stamps that are coarser tell the order and no times: several frames of nearly every message then share a stamp."""
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


def step_of(stamps: Sequence[int], likely: int = 0) -> int:
    """Return the step of which nearly all stamps are multiples, ns, up to a common offset; 0 where it is a fine one.

    A step below `FINE_NS` is shorter than a frame on the bus, and changes nothing. A few stamps may be damaged.
    """
    known = sorted(stamps)
    steps = Counter(later - earlier for earlier, later in itertools.pairwise(known) if later - earlier > 1_000)
    if len(known) < FEW or not steps:
        return 0
    # As near as seconds since 1970 can be told in a float.
    close_ns = 1_000
    middle = known[len(known) // 2]
    often = [round(step / FINE_NS) * FINE_NS for step, _ in steps.most_common(4)]
    candidates = {likely, *often, min(often), math.gcd(*often), *_DECADES}
    for step in sorted(candidates - {0}, reverse=True):
        near = sum((stamp - middle + close_ns) % step <= 2 * close_ns for stamp in known)
        if _PER_HUNDRED * near >= (_PER_HUNDRED - 2) * len(known):
            return step
    return 0


def rounding_of(stamps: Sequence[int]) -> int:
    """Return by how much the stamps of a table may have been rounded, ns; 0 where nothing says that they were.

    A table says it by its digits, too. Where a clock that ticks more slowly was written with finer digits, both add up.
    """
    tick = resolution_of(stamps)
    step = step_of(stamps, tick)
    return tick + step if tick > step else step


def resolution_note(resolution_ns: int) -> str:
    """Return what a person should know of rounded stamps."""
    return (
        f"the time stamps differ by at least {format_duration(resolution_ns)}: "
        "every measured time is uncertain by that much in both directions"
    )


def coarse_note(resolution_ns: int) -> str:
    """Return what a person should know of stamps that are too coarse."""
    return (
        f"the time stamps differ by at least {format_duration(resolution_ns)}, which is too coarse for any time limit: "
        "only the order of the frames is used"
    )


def are_unpadded(identifiers: Sequence[bytes]) -> bool:
    """Return whether a log writes identifiers with as many digits as they need, not with 3 or 8.

    More than one in a hundred then has another number of digits, and hardly any begins with a zero.
    """
    odd = sum(len(digits) not in _USUAL_WIDTHS for digits in identifiers)
    padded = sum(len(digits) > 1 and digits.startswith(b"0") for digits in identifiers)
    return odd > 1 and _PER_HUNDRED * odd > len(identifiers) and 10 * padded < odd
