"""From where to where the scale of a number reaches, in every drawing, and its ticks: never to its noise alone."""

import math
from typing import Final

from buslens.expectations.model import Expectations, Range

_NARROWEST: Final = 0.25
"""Least span of a scale that limits decide, as a share of its greatest value: a rule of thumb."""


def limits_of(role: str, expectations: Expectations) -> tuple[float, ...]:
    """Return the limits of a number, ascending, in its unit."""
    found = {
        float(limit)
        for rule in expectations.rules
        if isinstance(rule, Range) and rule.of == role
        for limit in (rule.least, rule.most)
        if limit is not None
    }
    return tuple(sorted(found))


def number_scale(seen: tuple[float, float], limits: tuple[float, ...]) -> tuple[float, float]:
    """Return the scale of a number: what is seen and its limits; without limits from nothing to the greatest, or to 1.

    A scale that only held what is seen would show the noise of a steady signal as if it were a fault.

    >>> number_scale((11.9, 12.1), (9.5, 16.0)), number_scale((0.02, 0.03), ()), number_scale((12.3, 12.4), ())
    ((9.5, 16.0), (0.0, 1.0), (0.0, 12.4))
    >>> number_scale((12.0, 12.0), (12.0,))
    (10.5, 13.5)
    """
    low, high = min(*seen, *limits), max(*seen, *limits)
    if limits:
        middle, room = low / 2 + high / 2, _NARROWEST * max(abs(low), abs(high)) / 2
        low, high = min(low, middle - room), max(high, middle + room)
    else:
        low, high = min(low, 0.0), max(high, 0.0)
        if high - low < 1.0:
            high = low + 1.0
    return (low, high) if high > low else (low, low + 1.0)


def round_step(least: float) -> float:
    """Return the least of 1, 2, 5 times a power of ten that is, but for rounding, no less.

    >>> round_step(0.3), round_step(134.4)
    (0.5, 200.0)
    """
    power = 10.0 ** math.floor(math.log10(max(least, 1e-9)))
    return next(power * factor for factor in (1, 2, 5, 10, 20) if power * factor >= least * (1 - 1e-9))
