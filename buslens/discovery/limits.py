"""Measured lengths of time become limits, with the method in words.

A limit shall hold for 95 % of all handshakes of a vehicle like this one, with 95 % confidence: a two-sided tolerance
interval of the population, not of the sample.

* From 93 values on, least and greatest are such limits, whatever the distribution (S. S. Wilks, Annals of Mathematical
  Statistics 12, 1941).
* From 3 values on, mean and standard deviation give them if the values are normally distributed: mean +/- k s, with
  Howe's k (NIST/SEMATECH e-Handbook of Statistical Methods, 7.2.6.3).
* Below 10 values a standard deviation may be small or large by luck. Then the limits reach at least 30 % of the middle
  beyond it, and at most half of it beyond the values seen (rules of thumb, no source).
* One or two values give no spread. The limits are then a guess, and say so.

A measured length is an interval, for the log shows a change only between two frames. Its middle stands for the true
length; the spread that the frames alone cause is taken off. The widest doubt is then added at both ends, for the next
capture may show the same length with so much doubt, and what one lost frame adds to it: what is inside the tolerance
interval is then decided, and as expected. What is surely longer than the tolerance interval without that doubt is none
of these lengths, whatever frames leave open.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from buslens.units import NS_PER_MS

COVERAGE: Final = 0.95
CONFIDENCE: Final = 0.95
FREE_FROM: Final = 93
"""Values from which on the extreme ones are limits whatever the distribution."""
NORMAL_FROM: Final = 3
"""Values from which on a normal distribution is taken (rule of thumb)."""
MANY_FROM: Final = 10
"""Values from which on a standard deviation is trusted by itself (rule of thumb)."""
FEW_LEAST: Final = 0.3
FEW_MOST: Final = 0.5
GUESS: Final = 0.5
"""How far beyond the middle limits from few values reach, as a part of it (rules of thumb)."""
LEAST_SPREAD: Final = 0.03
"""A mechanism's times vary by at least that part of them (rule of thumb)."""
STEP_NS: Final = 10 * NS_PER_MS
"""Limits are written in whole steps, rounded outwards."""
MEAN_ASTRAY: Final = 3.0
"""Standard errors that frames may put the mean astray (rule of thumb)."""
OUTLIER: Final = 3.5
"""Modified z-score above which a value is an outlier (NIST/SEMATECH e-Handbook, 1.3.5.17) ..."""
OUTLIER_PART: Final = 0.5
"""... if it also lies that part of the median away from it (rule of thumb)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class EstimatedLimit:
    """Limits and where they come from."""

    least_ns: int
    most_ns: int
    #: The values they rest on.
    count: int
    #: How they were made, as words for a comment.
    method: str
    #: What about ten values with the same spread would give, ns; None if there are so many.
    later_ns: tuple[int, int] | None = None
    #: A length that is surely greater is none of these, ns: the limit without the doubt of the next length.
    sure_ns: int


def limits_of(spans: Sequence[tuple[int, int]], doubt_ns: int = 0, lost_ns: int = 0) -> EstimatedLimit:
    """Return limits from measured lengths, each with its least and greatest value, ns.

    `doubt_ns` is the doubt that the next length may have at least, whatever that of these is; `lost_ns` what one lost
    frame adds to it.

    Raises ValueError if there are none.
    """
    if not spans:
        raise ValueError("a limit needs at least one value")
    count = len(spans)
    low, high = min(span[0] for span in spans), max(span[1] for span in spans)
    surely = max(span[0] for span in spans)
    own_doubt = max(span[1] - span[0] for span in spans)
    doubt = max(own_doubt, doubt_ns)
    middles = [(span[0] + span[1]) / 2 for span in spans]
    mean = sum(middles) / count
    if count >= FREE_FROM:
        method = (
            f"least and greatest of {count}: hold for 95 % at 95 % confidence whatever the distribution (Wilks 1941)"
        )
        return _learned(min(middles), max(middles), low, high, surely, doubt, lost_ns, count, method)
    if count < NORMAL_FROM:
        method = f"A GUESS: half of the {'value' if count == 1 else 'mean of two'} either way"
        return _learned(mean - GUESS * mean, mean + GUESS * mean, low, high, surely, doubt, lost_ns, count, method)
    spread = _spread(middles, mean, own_doubt)
    factor = tolerance_factor(count)
    least, most = mean - factor * spread, mean + factor * spread
    method = (
        f"mean +/- {factor:.2f} standard deviations of {count}: 95 % at 95 % confidence if normally distributed"
        " (NIST 7.2.6.3)"
    )
    later = None
    if count < MANY_FROM:
        least = max(min(least, mean - FEW_LEAST * mean), min(middles) - FEW_MOST * mean)
        most = min(max(most, mean + FEW_LEAST * mean), max(middles) + FEW_MOST * mean)
        method += (
            "; with so few at least 30 % of the mean, and at most half of it beyond what was seen (rules of thumb)"
        )
        reach = tolerance_factor(MANY_FROM) * spread
        later = _outwards(mean - reach - doubt - lost_ns, mean + reach + doubt + lost_ns)
    return _learned(least, most, low, high, surely, doubt, lost_ns, count, method, later)


def tolerance_factor(count: int, *, coverage: float = COVERAGE, confidence: float = CONFIDENCE) -> float:
    """Return k of the two-sided normal tolerance interval mean +/- k s, after Howe.

    >>> round(tolerance_factor(43, coverage=0.90, confidence=0.99), 3)
    2.217
    """
    from scipy.stats import chi2, norm

    free = count - 1
    reach = norm.ppf((1 + coverage) / 2)
    return float(reach * math.sqrt(free * (1 + 1 / count) / chi2.ppf(1 - confidence, free)))


def outliers_of(spans: Sequence[tuple[int, int]]) -> list[int]:
    """Return the indices of lengths that are far from the others, beyond their doubt."""
    if len(spans) < NORMAL_FROM:
        return []
    middles = [(span[0] + span[1]) / 2 for span in spans]
    median = _median(middles)
    deviation = _median([abs(middle - median) for middle in middles])
    doubt = max(span[1] - span[0] for span in spans)
    far = max(OUTLIER / 0.6745 * deviation, doubt, OUTLIER_PART * median, STEP_NS)
    return [index for index, middle in enumerate(middles) if abs(middle - median) > far]


def _spread(middles: Sequence[float], mean: float, doubt: int) -> float:
    """Return the standard deviation without what frames alone cause: of a sum of two even errors."""
    variance = sum((middle - mean) ** 2 for middle in middles) / (len(middles) - 1)
    return max(math.sqrt(max(variance - doubt**2 / 24, 0.0)), LEAST_SPREAD * abs(mean), NS_PER_MS)


def _median(values: Sequence[float]) -> float:
    ordered = sorted(values)
    half = len(ordered) // 2
    return ordered[half] if len(ordered) % 2 else (ordered[half - 1] + ordered[half]) / 2


def _learned(
    least: float,
    most: float,
    low: int,
    high: int,
    surely: int,
    doubt: int,
    lost_ns: int,
    count: int,
    method: str,
    later: tuple[int, int] | None = None,
) -> EstimatedLimit:
    """Return limits widened by the doubt, that hold all that was seen."""
    reach_ns = doubt + lost_ns
    least_ns, most_ns = _outwards(min(least - reach_ns, low), max(most + reach_ns, high))
    # What frames cause in each middle is the sum of two even errors; the mean of several middles has less of it.
    astray = MEAN_ASTRAY * doubt / math.sqrt(24 * count)
    sure_ns = min(_outwards(0, max(most + astray, surely))[1], most_ns)
    return EstimatedLimit(
        least_ns=least_ns, most_ns=most_ns, count=count, method=method, later_ns=later, sure_ns=sure_ns
    )


def _outwards(least: float, most: float) -> tuple[int, int]:
    return max(math.floor(least / STEP_NS), 0) * STEP_NS, max(math.ceil(most / STEP_NS), 1) * STEP_NS
