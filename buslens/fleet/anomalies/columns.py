"""What the statistics compare, as columns: one element per delay, handshake or identifier."""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from buslens.units import NS_PER_DAY

CENSORED: Final = -1
"""Latest end of a delay of which no upper end is known: the step had not come when it was no longer waited for."""
UNDATED: Final = -1
"""Day of a capture of which nobody knows when it was recorded."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StepDelays:
    """All delays of one step in vehicles that share its limits."""

    rule: str
    step: str
    #: int64[n], index into the names of the vehicles.
    vehicle: NDArray[np.int64]
    #: int64[n], when the capture was recorded, ns from 1970-01-01; `UNDATED` where that is not known.
    recorded_ns: NDArray[np.int64]
    #: int64[n], ns: the delay is at least this long.
    earliest_ns: NDArray[np.int64]
    #: int64[n], ns: and at most this; `CENSORED` where no upper end is known.
    latest_ns: NDArray[np.int64]
    #: int64[n], which capture; how it is numbered is the caller's.
    capture: NDArray[np.int64]
    #: Limits of the step, ns; None where there is none.
    least_ns: int | None
    most_ns: int | None

    @property
    def day(self) -> NDArray[np.int64]:
        """int64[n], calendar day, counted from 1970-01-01; `UNDATED` where that is not known."""
        days: NDArray[np.int64] = np.where(self.recorded_ns < 0, UNDATED, self.recorded_ns // NS_PER_DAY)
        return days

    @property
    def is_censored(self) -> NDArray[np.bool_]:
        """bool[n], whether the upper end is not known."""
        censored: NDArray[np.bool_] = self.latest_ns < 0
        return censored

    @property
    def middle_ms(self) -> NDArray[np.float64]:
        """float64[n], middle of each interval, ms; infinite where the upper end is not known."""
        return np.where(self.is_censored, np.inf, (self.earliest_ns + self.latest_ns) / 2e6)

    @property
    def width_ms(self) -> NDArray[np.float64]:
        """float64[n], width of each interval, ms; infinite where the upper end is not known."""
        return np.where(self.is_censored, np.inf, (self.latest_ns - self.earliest_ns) / 1e6)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Tries:
    """How often the first step of one sequence had to come, handshake by handshake."""

    rule: str
    #: int64[n], index into the names of the vehicles.
    vehicle: NDArray[np.int64]
    #: int64[n], as in `StepDelays`.
    recorded_ns: NDArray[np.int64]
    #: int64[n], 1 or more.
    tries: NDArray[np.int64]
    #: int64[n], which capture.
    capture: NDArray[np.int64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class VehicleTraffic:
    """What the identifiers of one vehicle did, capture by capture."""

    #: int64[c], when each capture was recorded, ns from 1970-01-01.
    recorded_ns: NDArray[np.int64]
    #: int64[c], how long each capture is, ns.
    duration_ns: NDArray[np.int64]
    #: int64[c], which capture.
    capture: NDArray[np.int64]
    #: int64[n], index into the captures.
    row: NDArray[np.int64]
    #: int64[n], identifier times two, and one more for a 29-bit one.
    identifier: NDArray[np.int64]
    #: int64[n], how many frames.
    frames: NDArray[np.int64]
    #: int64[n], median time between two frames, ns; negative where there were fewer than two.
    cycle_ns: NDArray[np.int64]
