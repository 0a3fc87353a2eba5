"""The worst delay of a vehicle lately, as a part of its own limit: one scale on which all vehicles stand."""

from collections.abc import Collection, Mapping
from dataclasses import dataclass

import numpy as np

from buslens.checks.findings import Outcome
from buslens.fleet.views import NO_UPPER_END, OUTCOMES, DelayColumns
from buslens.units import NS_PER_MS

_FAULTS = tuple(place for place, outcome in enumerate(OUTCOMES) if outcome.is_fault)


@dataclass(frozen=True, slots=True, kw_only=True)
class WorstDelay:
    """One delay against its longest allowed."""

    rule: str
    step: str
    outcome: Outcome
    #: Ends of the delay as parts of the limit; the later one is infinite where it did not come.
    earliest: float
    latest: float
    earliest_ms: float
    latest_ms: float
    least_ms: float | None
    most_ms: float

    @property
    def words(self) -> str:
        """What it is, against what is allowed."""
        limit = f"{self.most_ms:,.0f} ms"
        if self.latest == np.inf:
            return "did not come"
        span = f"{self.earliest_ms:,.0f} to {self.latest_ms:,.0f}"
        if self.outcome is Outcome.EARLY and self.least_ms is not None:
            return f"{span}, at least {self.least_ms:,.0f} ms"
        if self.outcome is Outcome.UNDECIDED:
            return f"{span} of {limit}: too close to call"
        return f"{span} of {limit}"


def worst_delay(delays: Mapping[tuple[str, str], DelayColumns], captures: Collection[int] | None) -> WorstDelay | None:
    """Return the worst delay: one that did not come, else one that broke its limit, else the nearest to it.

    Parameters
    ----------
    delays : mapping of (str, str) to DelayColumns
        Of one vehicle, by rule and step.
    captures : collection of int or None
        Numbers of the captures that count; None: all.

    Returns
    -------
    WorstDelay or None
        None where no delay has a longest allowed.
    """
    found: list[tuple[tuple[bool, bool, float], DelayColumns, int]] = []
    wanted = None if captures is None else np.fromiter(captures, dtype=np.int64)
    for columns in delays.values():
        kept = (columns.most_ns != NO_UPPER_END) & (columns.most_ns > 0)
        if wanted is not None:
            kept &= np.isin(columns.capture, wanted)
        rows = np.flatnonzero(kept)
        if not len(rows):
            continue
        faulty = np.isin(columns.outcome[rows], _FAULTS)
        missing = columns.censored[rows] & faulty
        # One that has no upper end because the capture ended is no more than it was surely waited for.
        end_ns = np.where(columns.censored[rows], columns.earliest_ns[rows], columns.latest_ns[rows])
        part = end_ns / columns.most_ns[rows]
        at = int(np.lexsort((part, faulty, missing))[-1])
        found.append(((bool(missing[at]), bool(faulty[at]), float(part[at])), columns, int(rows[at])))
    if not found:
        return None
    (missing_, _, _), columns, row = max(found, key=lambda one: one[0])
    most_ns, least_ns = int(columns.most_ns[row]), int(columns.least_ns[row])
    earliest_ns = int(columns.earliest_ns[row])
    latest_ns = earliest_ns if columns.censored[row] else int(columns.latest_ns[row])
    return WorstDelay(
        rule=columns.rule,
        step=columns.step,
        outcome=OUTCOMES[columns.outcome[row]],
        earliest=earliest_ns / most_ns,
        latest=np.inf if missing_ else latest_ns / most_ns,
        earliest_ms=earliest_ns / NS_PER_MS,
        latest_ms=np.inf if missing_ else latest_ns / NS_PER_MS,
        least_ms=least_ns / NS_PER_MS if least_ns > 0 else None,
        most_ms=most_ns / NS_PER_MS,
    )
