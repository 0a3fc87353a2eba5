"""Delays and vehicles that are far from what the fleet takes for a step.

The modified z-score of Iglewicz and Hoaglin (1993; NIST/SEMATECH e-Handbook 1.3.5.17)::

    M = 0.6745 (x - median) / MAD            an outlier above 3.5

A delay is an interval: it is scored by the end that is nearer to the median, so that it is an outlier wherever in the
interval it lies, and not at all if the median lies within. Each vehicle has equal weight in the median and in the MAD,
however often it was recorded.

The MAD is never taken to be less than a quarter of the usual width of the intervals, which is what intervals of that
width make of delays that do not differ at all (a value spread evenly over a width w has a MAD of w / 4). Where that
is zero too, there is no scale, and nothing is told.

How improbable a score is, goes by Student's t. Its degrees of freedom are those of a spread that is taken from the
MAD: 0.37 (n - 1), for the MAD of a normal sample is 37 % as sure as its standard deviation (Hampel 1974, from
memory), n being the number of delays that are worth an independent one (Kish's design effect, from memory); and not
more than fit the tails that the fleet itself has.
"""

from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from buslens.fleet.anomalies.columns import StepDelays
from buslens.fleet.anomalies.medians import equal_weights, grouped_medians, interval_median, weighted_median

PER_MAD: Final = 0.6745
"""MAD of a normal distribution of deviation 1 (Iglewicz and Hoaglin 1993)."""
FAR: Final = 3.5
"""Score from which on something is an outlier (Iglewicz and Hoaglin 1993)."""
FLOOR: Final = 0.25
"""Least MAD as a part of the width of the intervals."""
MAD_EFFICIENCY: Final = 0.37
"""How sure the MAD of a normal sample is, against its standard deviation."""
TAIL_COUNT: Final = 50
"""Of fewer delays it cannot be told how heavy their tails are."""
FEWEST_VEHICLES: Final = 5
"""A fleet of fewer has no usual to compare with."""
FEWEST_DAYS: Final = 5
"""A vehicle that was recorded on fewer days is not scored as a whole."""


class RobustSpread(NamedTuple):
    """What a fleet takes for a step, ms."""

    median: float
    #: Never below the floor; not a number where nothing can be told.
    mad: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Outlier:
    """The most distant delay of a vehicle, or the vehicle as a whole."""

    vehicle: int
    #: Modified z-score of the nearer end; 0 where the median lies within.
    score: float
    p_value: float
    #: ms; the latest is infinite where no upper end is known.
    earliest_ms: float
    latest_ms: float
    scale: RobustSpread
    #: Place of the delay in its columns; None for the vehicle as a whole.
    place: int | None


def fleet_scale(middle: NDArray[np.float64], width: NDArray[np.float64], weight: NDArray[np.float64]) -> RobustSpread:
    """Return median and MAD of delays, infinite ones among them.

    Parameters
    ----------
    middle, width : ndarray of float64, shape (n,)
        Middles and widths of the intervals, ms; infinite where no upper end is known.
    weight : ndarray of float64, shape (n,)
        The say of each.
    """
    nothing = RobustSpread(float("nan"), float("nan"))
    if not len(middle):
        return nothing
    median = weighted_median(middle, weight)
    if not np.isfinite(median):
        return nothing
    mad = weighted_median(np.abs(middle - median), weight)
    mad = max(mad, FLOOR * weighted_median(width, weight))
    return RobustSpread(median, mad) if np.isfinite(mad) and mad > 0.0 else RobustSpread(median, float("nan"))


def scores(earliest: NDArray[np.float64], latest: NDArray[np.float64], scale: RobustSpread) -> NDArray[np.float64]:
    """Return the modified z-score of the nearer end of each interval; 0 where the median lies within."""
    nearer = np.where(earliest > scale.median, earliest - scale.median, np.minimum(latest - scale.median, 0.0))
    found: NDArray[np.float64] = PER_MAD * nearer / scale.mad
    return found


def delay_outliers(delays: StepDelays) -> list[Outlier]:
    """Return the most distant delay of each vehicle, and how probable one so distant is among so many.

    Nothing where the fleet is too small, or half of it or more has no upper end.
    """
    from scipy import stats

    vehicles, counts = np.unique(delays.vehicle, return_counts=True)
    if len(vehicles) < FEWEST_VEHICLES:
        return []
    middle, weight = delays.middle_ms, equal_weights(delays.vehicle)
    scale = fleet_scale(middle, delays.width_ms, weight)
    if np.isnan(scale.mad):
        return []
    earliest = delays.earliest_ns / 1e6
    latest = np.where(delays.is_censored, np.inf, delays.latest_ns / 1e6)
    found = scores(earliest, latest, scale)
    freedom = _freedom(delays.vehicle, middle, scale)
    # The last of each vehicle's in ascending order of distance; the first recorded of several that are equal.
    order = np.lexsort((-delays.recorded_ns, np.abs(found), delays.vehicle))
    last = np.cumsum(counts) - 1
    result = []
    for vehicle, count, place in zip(vehicles.tolist(), counts.tolist(), order[last].tolist(), strict=True):
        single = 2.0 * float(stats.t.sf(abs(found[place]), freedom))
        # Sidak 1967: the most distant of so many; delays of one vehicle depend on each other, which makes it less.
        p_value = 1.0 if single >= 1.0 else float(-np.expm1(count * np.log1p(-single)))
        result.append(
            Outlier(
                vehicle=vehicle,
                score=float(found[place]),
                p_value=p_value,
                earliest_ms=float(earliest[place]),
                latest_ms=float(latest[place]),
                scale=scale,
                place=place,
            )
        )
    return result


def vehicle_outliers(
    vehicle: NDArray[np.int64], day: NDArray[np.int64], middle: NDArray[np.float64], width: NDArray[np.float64]
) -> list[Outlier]:
    """Return how far the usual delay of each vehicle is from those of the others.

    Parameters
    ----------
    vehicle, day : ndarray of int64, shape (n,)
        Of each day of a vehicle.
    middle, width : ndarray of float64, shape (n,)
        Middle, ms, freed of the season where that can be done, and width of its interval.
    """
    from scipy import stats

    usual = [_usual(own, middle, width) for own in _places(vehicle)]
    told = [it for it in usual if np.isfinite(it.level)]
    if len(told) < FEWEST_VEHICLES or len(told) * 2 <= len(usual):
        return []
    levels = np.array([it.level for it in usual])
    scale = RobustSpread(float(np.median(levels)), float(stats.median_abs_deviation(levels)))
    freedom = MAD_EFFICIENCY * (len(usual) - 1)
    result = []
    for own, it in zip(_places(vehicle), usual, strict=True):
        if not np.isfinite(it.level) or len(np.unique(day[own])) < FEWEST_DAYS:
            continue
        mad = float(np.hypot(scale.mad, it.mad))
        if not np.isfinite(mad) or mad == 0.0:
            continue
        earliest, latest = it.level - it.doubt, it.level + it.doubt
        score = float(scores(np.array(earliest), np.array(latest), RobustSpread(scale.median, mad)))
        result.append(
            Outlier(
                vehicle=int(vehicle[own[0]]),
                score=score,
                p_value=2.0 * float(stats.t.sf(abs(score), freedom)),
                earliest_ms=float(earliest),
                latest_ms=float(latest),
                scale=RobustSpread(scale.median, mad),
                place=None,
            )
        )
    return result


class _Usual(NamedTuple):
    """What one vehicle takes as a rule, ms."""

    #: Infinite where it cannot be told.
    level: float
    #: How far the level may be from what it would be without intervals.
    doubt: float
    #: How sure the level is, as a MAD.
    mad: float


def _usual(own: NDArray[np.int64], middle: NDArray[np.float64], width: NDArray[np.float64]) -> _Usual:
    middles, widths = middle[own], width[own]
    finite = np.isfinite(middles)
    halves = np.where(finite, widths, 0.0) / 2.0
    level = interval_median(np.where(finite, middles - halves, 0.0), np.where(finite, middles + halves, np.inf))
    if not np.isfinite(level):
        return _Usual(level, 0.0, 0.0)
    usual_width = float(np.median(widths[finite]))
    spread = max(float(np.median(np.abs(middles - level))), FLOOR * usual_width)
    # Where frames fall within a cycle is chance, so that n intervals are as narrow as one of a root of n.
    doubt = usual_width / 2.0 / len(own) ** 0.5
    # A median of n values is less sure than one value by 1.2533 / sqrt(n) (normal distribution).
    return _Usual(level, doubt, 1.2533 * spread / len(own) ** 0.5)


def _places(vehicle: NDArray[np.int64]) -> list[NDArray[np.int64]]:
    """Return the places of each vehicle's values."""
    order = np.argsort(vehicle, kind="stable")
    parts: list[NDArray[np.int64]] = np.split(order, np.flatnonzero(np.diff(vehicle[order])) + 1)
    return parts if len(vehicle) else []


def _freedom(vehicle: NDArray[np.int64], middle: NDArray[np.float64], scale: RobustSpread) -> float:
    """Return the degrees of freedom with which a delay is checked against the fleet's."""
    names, medians, counts = grouped_medians(vehicle, middle)
    place = np.searchsorted(names, vehicle)
    finite = np.isfinite(medians)
    away = np.abs(middle - np.where(finite, medians, 0.0)[place])
    spread = grouped_medians(vehicle, away).median
    within, counts = spread[finite], counts[finite]
    # Intraclass correlation: how much of the spread lies between vehicles.
    inner = float(np.median(within))
    share = 1.0 - min(inner / scale.mad, 1.0) ** 2
    worth = float((counts / (1.0 + (counts - 1.0) * share)).sum())
    usable = (finite & (spread > 0.0))[place]
    tails = _tail_freedom(away[usable], spread[place][usable])
    return max(min(MAD_EFFICIENCY * (worth - 1.0), tails), 1.0)


def _tail_freedom(away: NDArray[np.float64], own_mad: NDArray[np.float64]) -> float:
    """Return the degrees of freedom of the t whose tails are those of the delays, each vehicle by its own spread.

    By the 95th percentile of the distances from the vehicle's median, in MADs: 2.906 for a normal distribution, more
    for heavier tails. A vehicle that drifts has a large MAD of its own, and so does not look heavy-tailed.
    """
    from scipy import optimize, stats

    if len(away) < TAIL_COUNT:
        return float("inf")
    ratio = float(np.quantile(away / own_mad, 0.95, method="higher"))

    def excess(freedom: float) -> float:
        return float(stats.t.ppf(0.975, freedom) / stats.t.ppf(0.75, freedom)) - ratio

    if excess(1.0) <= 0.0:
        return 1.0
    if excess(200.0) >= 0.0:
        return float("inf")
    return float(optimize.brentq(excess, 1.0, 200.0))
