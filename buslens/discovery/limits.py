"""Measured lengths of time become limits, with the method in words.

A limit shall hold for 95 % of all handshakes of a vehicle like this one, with 95 % confidence (a one-sided tolerance
limit; upper and lower each by itself):

* From 59 values on, the extreme one is such a limit, whatever the distribution: 1 - 0.95**59 is above 0.95
  (S. S. Wilks, Annals of Mathematical Statistics 12, 1941).
* From 3 values on, mean and standard deviation give one if the values are normally distributed: mean + k s, with k
  from the noncentral t distribution (NIST/SEMATECH e-Handbook of Statistical Methods, 7.2.6.3). It never lies within
  the values seen.
* One or two values give none. The limit is then a guess, the extreme value times a factor, and says so.

A measured length is an interval, as the log shows both ends of each change. Upper limits rest on its upper end, lower
ones on its lower end, so that a limit never calls wrong what it was learned from.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from buslens.units import NS_PER_MS

if TYPE_CHECKING:
    from collections.abc import Sequence

COVERAGE: Final = 0.95
CONFIDENCE: Final = 0.95
FREE_FROM: Final = 59
"""Values from which on the extreme one is a limit whatever the distribution."""
NORMAL_FROM: Final = 3
"""Values from which on a normal distribution is taken; with 3 the factor is 7.7 already (rule of thumb)."""
GUESS_MOST: Final = 1.5
GUESS_LEAST: Final = 0.5
"""Factors of a guess from one or two values (rule of thumb, no source)."""
STEP_NS: Final = 10 * NS_PER_MS
"""Limits are written in whole steps, rounded outwards."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Learned:
    """A limit and where it comes from."""

    limit_ns: int
    #: The values it rests on.
    count: int
    #: How it was made, as words for a comment.
    method: str


def most_of(values_ns: Sequence[int]) -> Learned:
    """Return an upper limit from the upper ends of measured lengths.

    Raises
    ------
    ValueError
        If there are none.
    """
    return _learned(values_ns, sign=1)


def least_of(values_ns: Sequence[int]) -> Learned:
    """Return a lower limit from the lower ends of measured lengths, at least 0."""
    return _learned(values_ns, sign=-1)


def tolerance_factor(count: int, *, coverage: float = COVERAGE, confidence: float = CONFIDENCE) -> float:
    """Return k of the one-sided normal tolerance limit mean + k s, exact.

    >>> round(tolerance_factor(43, coverage=0.90, confidence=0.99), 4)
    1.874
    """
    from scipy.stats import nct, norm

    root = math.sqrt(count)
    return float(nct.ppf(confidence, count - 1, norm.ppf(coverage) * root) / root)


def _learned(values_ns: Sequence[int], *, sign: int) -> Learned:
    if not values_ns:
        raise ValueError("a limit needs at least one value")
    count = len(values_ns)
    which = "greatest" if sign > 0 else "least"
    extreme = max(values_ns) if sign > 0 else min(values_ns)
    if count >= FREE_FROM:
        limit: float = extreme
        method = f"the {which} of {count}: holds for 95 % at 95 % confidence whatever the distribution (Wilks 1941)"
    elif count >= NORMAL_FROM:
        mean = sum(values_ns) / count
        spread = math.sqrt(sum((value - mean) ** 2 for value in values_ns) / (count - 1))
        factor = tolerance_factor(count)
        limit = mean + sign * factor * spread
        limit = max(limit, extreme) if sign > 0 else min(limit, extreme)
        method = (
            f"mean {'+' if sign > 0 else '-'} {factor:.2f} standard deviations of {count}:"
            " 95 % at 95 % confidence if normally distributed (NIST 7.2.6.3)"
        )
    else:
        factor = GUESS_MOST if sign > 0 else GUESS_LEAST
        limit = factor * extreme
        method = f"A GUESS: {factor:g} times the {which} of {'only one' if count == 1 else 'only two'}"
    steps = math.ceil(limit / STEP_NS) if sign > 0 else math.floor(limit / STEP_NS)
    return Learned(limit_ns=max(steps, 1 if sign > 0 else 0) * STEP_NS, count=count, method=method)
