"""What the time stamps and identifiers of a log's first lines say about how the rest was written."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

from buslens.capture._scan_kernel import STAMP_LIMIT
from buslens.units import format_duration

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

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
    import numpy as np

    known = _possible(stamps)
    equal = int(np.count_nonzero(known[1:] == known[:-1]))
    if len(known) < FEW or _EQUAL_PART * equal < len(known) - 1:
        return 0
    different = np.unique(known)
    return int(np.diff(different).min()) if len(different) > 1 else 0


def step_of(stamps: Sequence[int], likely: int = 0) -> int:
    """Return the step of which nearly all stamps are multiples, ns, up to a common offset; 0 where it is a fine one.

    A step below `FINE_NS` is shorter than a frame on the bus, and changes nothing. A few stamps may be damaged.
    """
    import numpy as np

    known = np.sort(_possible(stamps))
    steps = np.diff(known)
    steps = steps[steps > 1_000]
    if len(known) < FEW or not len(steps):
        return 0
    # As near as seconds since 1970 can be told in a float.
    close_ns = 1_000
    values, first, counts = np.unique(steps, return_index=True, return_counts=True)
    most = values[np.lexsort((first, -counts))[:4]].tolist()
    often = [round(step / FINE_NS) * FINE_NS for step in most]
    candidates = {likely, *often, min(often), math.gcd(*often), *_DECADES}
    off = known - known[len(known) // 2] + close_ns
    for step in sorted(candidates - {0}, reverse=True):
        near = int(np.count_nonzero(off % step <= 2 * close_ns))
        if _PER_HUNDRED * near >= (_PER_HUNDRED - 2) * len(known):
            return int(step)
    return 0


def _possible(stamps: Sequence[int]) -> NDArray[np.int64]:
    import numpy as np

    return np.array([stamp for stamp in stamps if -STAMP_LIMIT <= stamp <= STAMP_LIMIT], np.int64)


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
