"""Medians of delays, some of which are only known to be longer than something.

A delay without an upper end counts as longer than any that was seen. That leaves a median right as long as fewer than
half are such (order statistics: where the largest lie does not matter); else it is infinite, and cannot be told.
"""

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray


class Grouped(NamedTuple):
    """One median for each group."""

    #: int64[g], ascending.
    group: NDArray[np.int64]
    #: float64[g]; infinite where half of the values or more are.
    median: NDArray[np.float64]
    #: int64[g], how many values there were.
    size: NDArray[np.int64]


def grouped_medians(group: NDArray[np.int64], value: NDArray[np.float64]) -> Grouped:
    """Return the median of the values of each group."""
    if not len(group):
        return Grouped(np.empty(0, dtype=np.int64), np.empty(0), np.empty(0, dtype=np.int64))
    order = np.lexsort((value, group))
    names, first, count = np.unique(group[order], return_index=True, return_counts=True)
    ordered = value[order]
    low, high = ordered[first + (count - 1) // 2], ordered[first + count // 2]
    # Not low + (high - low) / 2, which is not a number where both are infinite.
    return Grouped(names.astype(np.int64), (low + high) / 2.0, count.astype(np.int64))


def median(value: NDArray[np.number[Any]]) -> float:
    """Return the median of at least one value; that of numpy takes five times as long for so few."""
    low, high = (len(value) - 1) // 2, len(value) // 2
    ordered = np.partition(value, [low, high])
    return float((ordered[low] + ordered[high]) / 2.0)


def weighted_median(value: NDArray[np.float64], weight: NDArray[np.float64]) -> float:
    """Return the least value up to which lies half of the weight; infinite where half of the weight or more is so.

    Parameters
    ----------
    value : ndarray of float64, shape (n,)
        At least one; may be infinite.
    weight : ndarray of float64, shape (n,)
        Above zero.
    """
    # By order alone: nothing is interpolated, so that infinite values stay where they belong.
    return float(np.quantile(value, 0.5, weights=weight, method="inverted_cdf"))


def equal_weights(vehicle: NDArray[np.int64]) -> NDArray[np.float64]:
    """Return weights that give each vehicle equal weight, however often it was recorded."""
    _, place, count = np.unique(vehicle, return_inverse=True, return_counts=True)
    return 1.0 / count[place]


def interval_median(low: NDArray[np.float64], high: NDArray[np.float64]) -> float:
    """Return the median of values that lie anywhere in their intervals, evenly; infinite where it cannot be told.

    Delays that are seen by the clock of one message come in whole cycles, so that a median of the middles jumps by
    a cycle. Spread over its interval, each delay says no more than it knows, and the median moves smoothly.

    Parameters
    ----------
    low, high : ndarray of float64, shape (n,)
        Ends of the intervals, at least one; `high` may be infinite, which counts as above everything.
    """
    half = len(low) / 2.0
    finite = np.isfinite(high)
    if finite.sum() <= half:
        return float("inf")
    below, above = low[finite], high[finite]
    points = np.unique(np.concatenate([below, above]))
    wide = above > below
    widths = np.where(wide, above - below, 1.0)
    passed = (points[:, None] - below) / widths
    share = np.where(wide, np.clip(passed, 0.0, 1.0), points[:, None] >= below).sum(axis=1)
    return float(np.interp(half, share, points))
