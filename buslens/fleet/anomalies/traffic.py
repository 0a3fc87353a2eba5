"""Messages that came, went or changed their cycle time, against the vehicle's own past.

Counted in days, for captures of one day share a recorder and a place on the bus. Channels count as equal: their
labels are the recorder's.

*Came or went*: the days on which an identifier was there, and on which it was not, in the order of time. If nothing had
changed, any order of them would be as probable; the probability that the last r days are all alike, with a of n days
alike in all, is that of drawing r of the a first (hypergeometric)::

    C(n - r, a - r) / C(n, a)

twice, for it may have come or gone. A capture says that an identifier is absent only if it is long enough for five of
its frames. A first capture that differs from all that follow (a flat battery, a short one) has a probability of 1 / n,
and so tells nothing.

*Cycle time*: the days' medians of the last 3, 5 and 10 days, and of the last quarter, half and three quarters of all
days, against those before, by the test of Mann and Whitney; the least p-value counts as often as there were tests
(Bonferroni). A change of less than 5 % is of no interest.

A vehicle has one p-value for each of the two: the least of its identifiers', times their number (Bonferroni); where
an identifier was there on all days or on none, no test is made (Tarone 1990, from memory).
"""

from dataclasses import dataclass, replace
from math import comb
from typing import Final

import numpy as np
from numpy.typing import NDArray

from buslens.fleet.anomalies.columns import VehicleTraffic
from buslens.fleet.anomalies.medians import grouped_medians, median
from buslens.units import NS_PER_DAY

FRAMES_AWAITED: Final = 5
"""A capture in which fewer frames of an identifier would be usual does not say that it is absent."""
LATELY: Final = (3, 5, 10)
"""Last days whose cycle times are compared with those before."""
QUARTERS: Final = (1, 2, 3)
"""And last quarters of all days, for what was changed long ago."""
FEWEST_BEFORE: Final = 5
"""Days before them, at least."""
LEAST_PART: Final = 0.05
"""Least change of a cycle time, as a part of it."""
TOLD: Final = 0.05
"""Identifiers whose own p-value, times their number, is above this are not named."""


@dataclass(frozen=True, slots=True, kw_only=True)
class IdChange:
    """One identifier that came, went or is sent otherwise."""

    #: Times two, and one more for a 29-bit one.
    identifier: int
    p_value: float
    #: First day on which it was so.
    since_day: int
    #: Days since then, and before.
    days_lately: int
    days_before: int
    #: Whether it is there now; for cycle times always.
    is_there: bool
    #: Cycle time before and now, ns; None for messages that came or went.
    cycle_before_ns: float | None = None
    cycle_now_ns: float | None = None


def message_changes(traffic: VehicleTraffic) -> tuple[float, list[IdChange]] | None:
    """Return the p-value of a vehicle and which of its identifiers came or went, the most certain first.

    None where there is nothing to test.
    """
    day = traffic.recorded_ns // NS_PER_DAY
    changes = []
    for identifier in np.unique(traffic.identifier).tolist():
        rows = traffic.row[traffic.identifier == identifier]
        frames = traffic.frames[traffic.identifier == identifier]
        seen = np.zeros(len(day), dtype=np.int64)
        np.add.at(seen, rows, frames)
        there = seen > 0
        usual = median(seen[there] / np.maximum(traffic.duration_ns[there], 1))
        tells = there | (usual * traffic.duration_ns >= FRAMES_AWAITED)
        days, place = np.unique(day[tells], return_inverse=True)
        present = np.zeros(len(days), dtype=np.bool_)
        np.logical_or.at(present, place, there[tells])
        change = _final_run(identifier, days, present)
        if change is not None:
            changes.append(change)
    return _together(changes)


def _final_run(identifier: int, days: NDArray[np.int64], present: NDArray[np.bool_]) -> IdChange | None:
    """Return how improbable it is that so many last days are alike; None where all days are."""
    alike = present == present[-1]
    if alike.all():
        return None
    run = int(np.argmin(alike[::-1]))
    total, of_them = len(days), int(alike.sum())
    # All of `run` drawn from `total`, of which `of_them` are alike.
    p_value = 2.0 * (comb(total - run, of_them - run) / comb(total, of_them))
    return IdChange(
        identifier=identifier,
        p_value=min(p_value, 1.0),
        since_day=int(days[total - run]),
        days_lately=run,
        days_before=total - run,
        is_there=bool(present[-1]),
    )


def cycle_changes(traffic: VehicleTraffic) -> tuple[float, list[IdChange]] | None:
    """Return the p-value of a vehicle and which of its identifiers are sent oftener or less often, as above."""
    day = traffic.recorded_ns // NS_PER_DAY
    changes = []
    for identifier in np.unique(traffic.identifier).tolist():
        kept = (traffic.identifier == identifier) & (traffic.cycle_ns > 0)
        days, cycles, _ = grouped_medians(day[traffic.row[kept]], traffic.cycle_ns[kept].astype(np.float64))
        change = _shift(identifier, days, cycles)
        if change is not None:
            changes.append(change)
    return _together(changes)


def _shift(identifier: int, days: NDArray[np.int64], cycles: NDArray[np.float64]) -> IdChange | None:
    from scipy import stats

    best: IdChange | None = None
    tests = 0
    for window in sorted({*LATELY, *(len(days) * quarters // 4 for quarters in QUARTERS)}):
        if window < LATELY[0] or len(days) - window < FEWEST_BEFORE:
            continue
        before, now = cycles[:-window], cycles[-window:]
        tests += 1
        was, is_now = median(before), median(now)
        p_value = 1.0
        if abs(is_now - was) >= LEAST_PART * was:
            p_value = float(stats.mannwhitneyu(before, now, alternative="two-sided").pvalue)
        if best is None or p_value < best.p_value:
            # From the first day behind the last on which it was nearer to what it had been.
            nearer = np.flatnonzero(np.abs(cycles - was) <= np.abs(cycles - is_now))
            run = (len(days) - 1 - int(nearer[-1]) if len(nearer) else window) or window
            best = IdChange(
                identifier=identifier,
                p_value=p_value,
                since_day=int(days[-run]),
                days_lately=run,
                days_before=len(days) - run,
                is_there=True,
                cycle_before_ns=was,
                cycle_now_ns=is_now,
            )
    if best is None:
        return None
    return replace(best, p_value=min(1.0, tests * best.p_value))


def _together(changes: list[IdChange]) -> tuple[float, list[IdChange]] | None:
    if not changes:
        return None
    ordered = sorted(changes, key=lambda change: (change.p_value, change.identifier))
    p_value = min(1.0, len(ordered) * ordered[0].p_value)
    return p_value, [change for change in ordered if len(ordered) * change.p_value <= TOLD]
