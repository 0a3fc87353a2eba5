"""What is asked of a ledger, as it comes back: a record for each row of a page, columns for statistics."""

from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from buslens.checks.findings import Outcome, Verdict
from buslens.fleet.model import FailureKind, FindingRow

UNDATED: Final = int(np.iinfo(np.int64).min)
"""Stands in columns for the calendar time of a capture that has none."""

NO_UPPER_END: Final = int(np.iinfo(np.int64).max)
"""Stands in columns for the upper end of a delay that has none: it sorts behind every other."""

USUAL_PATHS: Final = frozenset({frozenset({"unlock_feedback", "data_feedback"})})
"""What the feedback paths are taken to be in a ledger of before it said so."""

FORBIDDING: Final = frozenset({"never", "precedes"})
"""Kinds of rules that can say what must not be with the ignition on."""

OUTCOMES: Final = tuple(Outcome)
"""What the numbers of `DelayColumns.outcome` mean."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FleetSummary:
    """How many of everything."""

    #: That count: verdicts and troubles.
    captures: int
    vehicles: int
    as_expected: int
    faulty: int
    undecided: int
    troubles: dict[FailureKind, int]
    #: Second copies of a capture of the same vehicle, which do not count.
    copies: int
    #: Checked on what their group was checked on before, which do not count until a run comes over them again.
    outdated: int
    frames: int
    skipped_lines: int
    handshakes: int
    duration_ns: int
    #: Wall-clock seconds that checking took, over all workers.
    seconds: float
    #: Calendar times of the first and the last capture; None if none is dated.
    first_ns: int | None
    last_ns: int | None


class VehicleRow(NamedTuple):
    """One vehicle."""

    vehicle: str
    captures: int
    as_expected: int
    faulty: int
    undecided: int
    troubled: int
    handshakes: int
    #: Calendar times of its first and last capture; None if none is dated.
    first_ns: int | None
    last_ns: int | None
    #: Calendar time of the last capture that is faulty; None if none is, or none of these is dated.
    last_faulty_ns: int | None


class CaptureRow(NamedTuple):
    """One capture and what came of it."""

    #: Number in the ledger, as in the columns below.
    capture: int
    address: str
    vehicle: str
    group: str
    recorded_ns: int | None
    #: Whether `recorded_ns` is what the name or the list of captures says, not the recorder's clock.
    is_named: bool
    size: int | None
    verdict: Verdict | None
    trouble: FailureKind | None
    summary: str
    met: int
    faults: int
    undecided: int
    handshakes: int
    frames: int
    skipped_lines: int
    duration_ns: int
    unexercised: tuple[str, ...]
    seconds: float


class FoundRow(NamedTuple):
    """A finding that is not met, and the capture that shows it."""

    capture: int
    address: str
    vehicle: str
    group: str
    recorded_ns: int | None
    finding: FindingRow
    #: Whether it says what must not be with the ignition on, or must come before it.
    is_about_ignition: bool = False


class TroubleRow(NamedTuple):
    """A capture without a verdict."""

    capture: int
    address: str
    vehicle: str
    recorded_ns: int | None
    trouble: FailureKind
    #: What the trouble was.
    summary: str


class StepRow(NamedTuple):
    """A step of a sequence with one pair of limits: vehicles of different groups may have different ones."""

    rule: str
    step: str
    least_ns: int | None
    most_ns: int | None
    #: How many were checked against these limits.
    delays: int


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DelayColumns:
    """Delays of one step, ordered by vehicle, then by calendar time; all columns have one length, n."""

    rule: str
    step: str
    #: Names of the vehicles, ascending.
    vehicles: tuple[str, ...]
    #: int32[n], place in `vehicles`.
    vehicle: NDArray[np.int32]
    #: int64[n], number of the capture for `address_of`.
    capture: NDArray[np.int64]
    #: int64[n], calendar time of the capture, ns; UNDATED if it has none.
    recorded_ns: NDArray[np.int64]
    #: int32[n], run of the sequence in its capture, from 1.
    handshake: NDArray[np.int32]
    #: int8[n], place in OUTCOMES.
    outcome: NDArray[np.int8]
    #: int64[n], the delay is at least this, ns; where `censored`, as long as the step was surely waited for.
    earliest_ns: NDArray[np.int64]
    #: int64[n], and at most this; NO_UPPER_END where `censored`.
    latest_ns: NDArray[np.int64]
    #: bool[n], whether the delay has no upper end.
    censored: NDArray[np.bool_]
    #: int64[n], limits by which it was checked, ns; UNDATED and NO_UPPER_END (the ends of int64) where there is none.
    least_ns: NDArray[np.int64]
    most_ns: NDArray[np.int64]
