"""A first step that has to be sent oftener than it used to be.

Counted in days: a day on which any handshake took a second try, among the days with a handshake, for the handshakes
of one day share weather and battery. The last 14, 30 and 60 days of a vehicle are compared with its days before, by
Fisher's exact test in the direction *oftener*; the least p-value counts three times. Where other vehicles were
recorded in the same days, it must be oftener than theirs too: a cold week is no sign of any one vehicle. Of the two
p-values the larger counts, which keeps it a p-value.
"""

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from buslens.fleet.anomalies.columns import Tries
from buslens.units import NS_PER_DAY

LATELY: Final = (14, 30, 60)
"""Last days of a vehicle that are compared with those before."""
FEWEST_LATELY: Final = 3
FEWEST_BEFORE: Final = 5
"""Days with a handshake, at least."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RetryIncrease:
    """How the tries of one vehicle went."""

    vehicle: int
    p_value: float
    #: Days lately: with a second try, and in all.
    again_lately: int
    days_lately: int
    again_before: int
    days_before: int
    #: First day of those lately.
    since_day: int


def rising_retries(tries: Tries) -> list[RetryIncrease]:
    """Return for each vehicle with enough days how its tries went."""
    dated = tries.recorded_ns >= 0
    day = tries.recorded_ns[dated] // NS_PER_DAY
    pairs, place = np.unique(np.stack([tries.vehicle[dated], day]), axis=1, return_inverse=True)
    again = np.zeros(pairs.shape[1], dtype=np.bool_)
    np.logical_or.at(again, place.ravel(), tries.tries[dated] > 1)
    vehicle, days = pairs[0], pairs[1]
    by_day = _ByDay(days, again)
    cuts = np.flatnonzero(np.diff(vehicle)) + 1
    result = []
    for part in np.split(np.arange(len(vehicle)), cuts):
        if len(part):
            rise = _rise(int(vehicle[part[0]]), days[part], again[part], by_day)
            if rise is not None:
                result.append(rise)
    return result


class _ByDay:
    """Days of the whole fleet, to be counted between two dates."""

    def __init__(self, days: NDArray[np.int64], again: NDArray[np.bool_]) -> None:
        order = np.argsort(days, kind="stable")
        self._days = days[order]
        self._again = np.concatenate([[0], np.cumsum(again[order])])

    def between(self, first: int, last: int) -> tuple[int, int]:
        """Return how many days had a second try, and how many there were in all."""
        low, high = np.searchsorted(self._days, [first, last + 1])
        return int(self._again[high] - self._again[low]), int(high - low)


def _rise(vehicle: int, days: NDArray[np.int64], again: NDArray[np.bool_], fleet: _ByDay) -> RetryIncrease | None:
    last = int(days[-1])
    found: list[RetryIncrease] = []
    for window in LATELY:
        lately = days > last - window
        recent, before = int(lately.sum()), int((~lately).sum())
        if recent < FEWEST_LATELY or before < FEWEST_BEFORE:
            continue
        often, earlier = int(again[lately].sum()), int(again[~lately].sum())
        since = int(days[lately][0])
        all_often, all_days = fleet.between(since, last)
        others, other_days = all_often - often, all_days - recent
        p_value = _oftener(often, recent, earlier, before)
        if other_days:
            p_value = max(p_value, _oftener(often, recent, others, other_days))
        found.append(
            RetryIncrease(
                vehicle=vehicle,
                p_value=p_value,
                again_lately=often,
                days_lately=recent,
                again_before=earlier,
                days_before=before,
                since_day=since,
            )
        )
    if not found:
        return None
    best = min(found, key=lambda rise: rise.p_value)
    return replace(best, p_value=min(1.0, len(found) * best.p_value))


def _oftener(often: int, days: int, other: int, other_days: int) -> float:
    """Return how probable it is, if both are alike, that so many of the first days or more are marked."""
    from scipy import stats

    if not often:
        return 1.0
    return float(stats.fisher_exact([[often, days - often], [other, other_days - other]], "greater").pvalue)
