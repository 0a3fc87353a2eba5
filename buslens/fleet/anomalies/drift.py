"""Delays of one vehicle that grow or shrink with time, and when they will cross their limit.

One value a day: the median of the day's delays, freed of the season, for captures of one day share weather and
battery.

*Whether* there is a drift, Kendall's rank correlation of value and day says (the trend test of Mann and Kendall),
which asks for no shape of the noise, and takes a day without an upper end as longer than any other. Its variance is
that of independent days; days that resemble their neighbours make it larger by (1 + r) / (1 - r), with r the
correlation of neighbouring days about a straight trend (von Storch 1995; Yue and Wang 2004, from memory). That r is
the fleet's, the median over its vehicles: a vehicle's own would take a trend that is not straight, as wear is not,
for memory. *How fast*, the slope of Theil and Sen says (Sen 1968), with its confidence interval, widened by the same
factor. Both engines are scipy's.

The whole past of a vehicle and its last 120, 60 and 30 days are tried, for an old vehicle may have begun to fail
lately; the least p-value counts as often as there were tests (Bonferroni).

*When* the limit is crossed: a line through the middle of the shortest of these windows in which the slope is sure,
with the slopes of both ends of its confidence interval. It counts from when the first delay could be over the limit
(latest end, steepest slope, and the slope growing on as it has grown, for wear feeds on itself) to when all surely
are (earliest end, flattest slope), the season staying as it was at last. It is told only where the interval of the
slope does not hold zero, and not further ahead than the drift reaches back. Where delays were beyond the limit already,
nothing is foretold: since when and how often is a fact.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import inf, nan
from typing import Final

import numpy as np
from numpy.typing import NDArray

from buslens.fleet.anomalies.medians import median

WINDOWS: Final = (None, 120, 60, 30)
"""Last days of a vehicle's past that are tried; None for all of it."""
FEWEST_DAYS: Final = 8
"""Days on which a vehicle was recorded, at least."""
SHORTEST: Final = 14
"""Days from the first to the last, at least."""
ASKED: Final = 200
"""So many vehicles of a fleet tell how much neighbouring days resemble each other."""
LEAST_PART: Final = 0.05
"""A change over all days of less than this part of the median is of no interest to anybody."""
HOPELESS: Final = 0.05
"""A p-value from which on no test of a family is told at that level, whatever the others are."""
CONFIDENCE: Final = 0.95
"""Of the interval of the slope."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Trend:
    """How the delays of one vehicle go with time; of what is plainly no trend, no more than its p-value."""

    p_value: float
    #: First and last day that it rests on, and how many there are.
    first_day: int
    last_day: int
    days: int
    #: ms per day, with the ends of its confidence interval.
    slope: float = 0.0
    slope_low: float = -inf
    slope_high: float = inf
    #: Median at the middle of the days, and how sure it is, ms.
    level: float = nan
    level_doubt: float = inf
    middle_day: float = nan
    #: Median of the first and of the last fifth of the days, ms.
    first_level: float = nan
    last_level: float = nan

    @property
    def change(self) -> float:
        """Of the delay from the first day to the last, ms."""
        return self.slope * (self.last_day - self.first_day)

    @property
    def is_sure(self) -> bool:
        """Whether the interval of the slope does not hold zero."""
        return self.slope_low > 0.0 or self.slope_high < 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Drift:
    """What the windows of one vehicle say together."""

    #: The window that is most improbable by chance, with the p-value of all together.
    trend: Trend
    #: The shortest window that is sure and goes the same way; the same where none is.
    latest: Trend
    #: How much the slope grows, ms per day and day; never against the trend.
    growth: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Beyond:
    """Delays of a drift that were surely beyond the limit that it approaches."""

    #: Day of the first of them.
    first_day: int
    #: How many there are, of how many delays from that day on.
    count: int
    of: int


def find_drift(day: NDArray[np.int64], value: NDArray[np.float64], *, factor: float = 1.0) -> Drift | None:
    """Return how the days of a vehicle go; None where they are too few.

    Parameters
    ----------
    day : ndarray of int64, shape (n,)
        Ascending, no day twice.
    value : ndarray of float64, shape (n,)
        ms; infinite where no upper end is known.
    factor : float
        By which neighbouring days that resemble each other make a variance larger, from `memory`.
    """
    tried: list[Trend] = []
    for window in WINDOWS:
        kept = np.ones(len(day), dtype=np.bool_) if window is None or not len(day) else day > day[-1] - window
        if window is not None and tried and kept.all():
            continue
        trend = fit(day[kept], value[kept], factor=factor)
        if trend is not None:
            tried.append(trend)
    if not tried:
        return None
    best = min(tried, key=lambda trend: trend.p_value)
    sure = [trend for trend in tried if trend.is_sure and trend.slope * best.slope > 0.0]
    growth = 0.0
    if len(sure) > 1 and sure[-1].middle_day > sure[-2].middle_day:
        growth = (sure[-1].slope - sure[-2].slope) / (sure[-1].middle_day - sure[-2].middle_day)
    return Drift(
        trend=replace(best, p_value=min(1.0, len(tried) * best.p_value)),
        latest=sure[-1] if sure else best,
        growth=growth if growth * best.slope > 0.0 else 0.0,
    )


def fit(day: NDArray[np.int64], value: NDArray[np.float64], *, factor: float = 1.0) -> Trend | None:
    """Return the trend of some days; None where they are too few."""
    from scipy import stats

    finite = np.isfinite(value)
    if finite.sum() < FEWEST_DAYS or day[finite][-1] - day[finite][0] < SHORTEST:
        return None
    days, values = day[finite].astype(np.float64), value[finite]
    # Places in order, so that what is infinite is the largest, and a tie with all others that are.
    _, places = np.unique(value, return_inverse=True)
    p_value = float(stats.kendalltau(day, places).pvalue)
    first_day, last_day = int(days[0]), int(days[-1])
    if not p_value < HOPELESS:
        # Also where it is not a number, because all days are alike. Nothing else of it is ever told.
        p_value = 1.0 if np.isnan(p_value) else p_value
        return Trend(p_value=p_value, first_day=first_day, last_day=last_day, days=len(days))
    slope, intercept, low, high = stats.theilslopes(values, days, CONFIDENCE)
    rest = values - (intercept + slope * days)
    if factor > 1.0:
        p_value = 2.0 * float(stats.norm.sf(stats.norm.isf(p_value / 2.0) / factor**0.5))
        wider = 2.0 * float(stats.norm.cdf(stats.norm.ppf(0.5 + CONFIDENCE / 2.0) * factor**0.5)) - 1.0
        # Beyond that the interval is that of all slopes anyway, and the engine cannot say it.
        _, _, low, high = stats.theilslopes(values, days, min(wider, 1.0 - 1e-12))
    if abs(slope) * (days[-1] - days[0]) < LEAST_PART * abs(median(values)):
        p_value = 1.0
    spread = float(stats.median_abs_deviation(rest, scale="normal"))
    # Of a median, at 95 %: 1.96 times 1.2533 times the deviation by the root of the count (normal distribution).
    doubt = float(1.96 * 1.2533 * spread * (factor / len(days)) ** 0.5)
    return Trend(
        p_value=min(p_value, 1.0),
        slope=float(slope),
        slope_low=float(low),
        slope_high=float(high),
        first_day=first_day,
        last_day=last_day,
        days=len(days),
        level=median(values),
        level_doubt=doubt,
        middle_day=median(days),
        first_level=median(values[: fifth(days)]),
        last_level=median(values[-fifth(days) :]),
    )


def fifth(days: NDArray[np.float64]) -> int:
    """Return a fifth of the count of some days, rounded up."""
    return (len(days) + 4) // 5


def variance_inflation(series: Sequence[tuple[NDArray[np.int64], NDArray[np.float64]]]) -> float:
    """Return by what factor days that resemble their neighbours make a variance larger; never below 1.

    Parameters
    ----------
    series : sequence of (ndarray of int64, ndarray of float64)
        Days and values of each vehicle of a fleet, as in `find_trend`.
    """
    some = series[:: max(1, len(series) // ASKED)]
    found = [likeness for likeness in (_lag1_correlation(*days) for days in some) if likeness is not None]
    if not found:
        return 1.0
    likeness = min(max(median(np.array(found)), 0.0), 0.9)
    return (1.0 + likeness) / (1.0 - likeness)


def _lag1_correlation(day: NDArray[np.int64], value: NDArray[np.float64]) -> float | None:
    """Return the rank correlation of neighbouring days about a straight trend; None where they are too few."""
    from scipy import stats

    finite = np.isfinite(value)
    count = int(finite.sum())
    if count < 2 * FEWEST_DAYS:
        return None
    days, values = day[finite].astype(np.float64), value[finite]
    slope, intercept, _, _ = stats.theilslopes(values, days)
    ranks = stats.rankdata(values - (intercept + slope * days))
    centred = ranks - ranks.mean()
    power = float((centred * centred).sum())
    if power == 0.0:
        return None
    raw = float((centred[1:] * centred[:-1]).sum()) / power
    # What is left beside a fitted trend is less alike than the days were: by (2 + 4 r) / n for a straight one
    # (Marriott and Pope 1954, from memory).
    return (raw + 2.0 / count) / (1.0 - 4.0 / count)


def crossing(
    drift: Drift, *, season_ms: float, half_width_ms: float, least_ms: float | None, most_ms: float | None
) -> tuple[float, float | None] | None:
    """Return the days between which a limit will be crossed; None where the data do not carry it.

    Parameters
    ----------
    drift : Drift
        Of the delays, freed of the season.
    season_ms : float
        What the season adds at last.
    half_width_ms : float
        Half of the width of a delay's interval.
    least_ms, most_ms : float or None
        Limits of the step.

    Returns
    -------
    tuple of float and float or None, or None
        First day on which a delay could be outside, and day from which all surely are; None for the latter if it lies
        further ahead than the drift reaches back. Days since 1970-01-01, with a fraction.
    """
    latest = drift.latest
    if not latest.is_sure:
        return None
    sign = 1.0 if latest.slope > 0.0 else -1.0
    limit = most_ms if sign > 0.0 else least_ms
    if limit is None:
        return None
    steep = max(sign * latest.slope_low, sign * latest.slope_high)
    flat = min(sign * latest.slope_low, sign * latest.slope_high)
    doubt = half_width_ms + latest.level_doubt
    away = sign * (limit - latest.level - season_ms)
    first = latest.middle_day + _days_until(away - doubt, steep, sign * drift.growth)
    last = latest.middle_day + (away + doubt) / flat
    horizon = latest.last_day + max(drift.trend.last_day - drift.trend.first_day, latest.last_day - latest.first_day)
    if last <= latest.last_day or first > horizon:
        return None
    return max(first, float(latest.last_day)), last if last <= horizon else None


def _days_until(away: float, slope: float, growth: float) -> float:
    """Return in how many days something with a slope that grows has gone so far."""
    if away <= 0.0 or growth <= 0.0:
        return away / slope
    return float((np.sqrt(slope * slope + 2.0 * growth * away) - slope) / growth)
