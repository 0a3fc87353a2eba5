"""What a fleet does from day to day, so that winter is not taken for wear.

A cold motor is slow, and in autumn every motor grows colder. What all vehicles do at the same time is therefore no
sign of any one of them. Each vehicle's delays are compared with its own median, in parts of it; the median of these
parts over the *other* vehicles, among the captures nearest in time, is the season. It takes several other vehicles to
tell: without them nothing is told about a drift.
"""

from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from buslens.fleet.anomalies.medians import grouped_medians, median

OTHERS: Final = 5
"""Fewest other vehicles that can tell the season."""
NEAREST: Final = 40
"""So many days of other vehicles tell it, those nearest in time."""
CROWD: Final = 30
"""Of so many vehicles, none is left out when the season is told for itself."""
REACH: Final = 21
"""But none that are further away, days."""


def common_mode_shift(
    vehicle: NDArray[np.int64],
    day: NDArray[np.int64],
    value: NDArray[np.float64],
    *,
    ailing: frozenset[int] = frozenset(),
) -> NDArray[np.float64]:
    """Return by how much the season changes each value, in the unit of the values.

    Parameters
    ----------
    vehicle, day : ndarray of int64, shape (n,)
        Of each value; one value for each day of a vehicle.
    value : ndarray of float64, shape (n,)
        May be infinite.

    Returns
    -------
    ndarray of float64, shape (n,)
        To be taken off the values; not a number where too few other vehicles were recorded at that time.
    """
    departure = np.full(len(value), np.nan)
    names, medians, _ = grouped_medians(vehicle, value)
    level = medians[np.searchsorted(names, vehicle)]
    usable = np.isfinite(level) & (level > 0.0)
    asked = usable & ~np.isin(vehicle, list(ailing))
    part = np.where(usable, value / np.where(usable, level, 1.0), np.nan)
    order = np.lexsort((vehicle[asked], day[asked]))
    pool = _Pool(day[asked][order], np.searchsorted(names, vehicle[asked][order]), part[asked][order])
    # Among so many, one vehicle moves the median by so little that it need not be left out.
    is_crowd = len(np.unique(pool.vehicle)) >= CROWD
    remembered: dict[int, float] = {}
    own = np.searchsorted(names, vehicle)
    for place in np.flatnonzero(usable).tolist():
        now = int(day[place])
        if not is_crowd:
            departure[place] = _nearby(pool, now, without=int(own[place]))
            continue
        if now not in remembered:
            remembered[now] = _nearby(pool, now, without=-1)
        departure[place] = remembered[now]
    return (departure - 1.0) * level


class _Pool(NamedTuple):
    """Those that are asked, in the order of time."""

    day: NDArray[np.int64]
    vehicle: NDArray[np.int64]
    part: NDArray[np.float64]


def _nearby(pool: _Pool, day: int, *, without: int) -> float:
    """Return the median part of the values nearest in time to a day, of other vehicles than one."""
    low, high = np.searchsorted(pool.day, [day - REACH, day + REACH + 1])
    vehicle, part = pool.vehicle[low:high], pool.part[low:high]
    away = np.abs(pool.day[low:high] - day)
    others = vehicle != without
    vehicle, part, away = vehicle[others], part[others], away[others]
    everything = np.ones(len(away), dtype=np.bool_)
    near = everything
    if len(away) > NEAREST:
        # All of the last day that is reached, so that the order in which captures were read makes no difference.
        near = away <= np.partition(away, NEAREST - 1)[NEAREST - 1]
    for chosen in (near, everything):
        if np.count_nonzero(np.bincount(vehicle[chosen])) >= OTHERS:
            return median(part[chosen])
    return float("nan")
