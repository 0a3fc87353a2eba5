"""What the modules of the fleet hand to each other.

    Job        a capture that is to be checked, and what is known of it before it is read
    Checked     what came of reading it: small, plain, and fit to travel between processes
    Anomaly    something that no rule forbids, and that stands out from the fleet or from the vehicle's own past

Times of a capture count from its first frame, in ns; `recorded_ns` is a calendar time, ns since 1970-01-01 in the
calendar of whoever named the file (or in UTC where the capture's own clock had to tell).
"""

from dataclasses import dataclass, field
from enum import Enum
from typing import Final, NamedTuple

from buslens.capture.table_settings import NOTHING_TOLD, TableSettings
from buslens.checks.findings import Outcome, Verdict


class FailureKind(Enum):
    """Why a capture has no verdict."""

    #: Its bytes are not available, or are not a log.
    UNREADABLE = "unreadable"
    #: It has not one message that is needed: another car, bus or channel.
    UNRELATED = "another car"
    #: It took longer than was allowed.
    TIME = "out of time"
    #: It needed more memory than was allowed.
    MEMORY = "out of memory"
    #: The process that read it ended without a word.
    DIED = "worker died"


LASTING: Final = (FailureKind.UNREADABLE, FailureKind.UNRELATED)
"""Troubles that the same bytes have again, checked on the same ground."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Group:
    """Vehicles that are checked against the same files."""

    name: str
    #: Names of vehicles; '*', '?' and '[...]' stand for what they do in file names.
    vehicles: tuple[str, ...]
    expectations: str
    #: Empty: those that the expectations name.
    definitions: tuple[str, ...] = ()
    #: Channels as the logs call them and as the definitions do, where the two differ.
    channels: tuple[tuple[str, str], ...] = ()
    #: What is said about tables of frames.
    table: TableSettings = NOTHING_TOLD


@dataclass(frozen=True, slots=True, kw_only=True)
class CaptureJob:
    """A capture that is to be checked."""

    #: A path, or an address such as "s3://bucket/name.log".
    address: str
    vehicle: str
    #: As the name or the list of captures says; None: as the capture's own clock says.
    recorded_ns: int | None
    group: Group
    #: Bytes, as listed; None if the store does not tell.
    size: int | None
    #: What changes when the content does: time of the last change or the store's tag; empty if there is none.
    stamp: str


class HandshakeRow(NamedTuple):
    """One run of a sequence."""

    rule: str
    number: int
    start_earliest_ns: int
    start_latest_ns: int | None
    end_ns: int
    completed: bool
    abandoned: str
    tries: int


class DelayRow(NamedTuple):
    """One step of one handshake, checked: its delay with its doubt."""

    rule: str
    handshake: int
    step: str
    outcome: Outcome
    #: Moment to look at.
    time_ns: int | None
    #: The delay is at least this long; for a step that never came, as long as it was surely waited for.
    earliest_ns: int
    #: And at most this; None: no upper end is known (censored).
    latest_ns: int | None
    least_ns: int | None
    most_ns: int | None


class FindingRow(NamedTuple):
    """A finding that is not met; those that are met are counted, and their steps stand among the delays."""

    rule: str
    kind: str
    step: str | None
    handshake: int | None
    outcome: Outcome
    reason: str
    time_ns: int | None
    #: Measured delay or length, ns.
    delay_earliest: float | None
    delay_latest: float | None
    #: In `unit`: "ns", or the unit of the role.
    limit_least: float | None
    limit_most: float | None
    unit: str
    #: Roles that it is about: those that a step awaits, those of the condition of another rule.
    roles: tuple[str, ...] = ()


class TrafficRow(NamedTuple):
    """What one identifier did on one channel."""

    channel: str
    can_id: int
    is_extended: bool
    frames: int
    #: Median time between two frames; None for fewer than two.
    cycle_ns: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class JobResult:
    """What came of one capture; either a verdict or a trouble."""

    #: Hash of the capture's bytes as they lie; empty if they could not be had.
    content: str
    #: Hash over expectations, definitions, channels and program version: same content and same ground, same result.
    ground: str
    #: Hash of its frames, the same in every copy whatever the bytes; empty without frames.
    frames_hash: str = ""
    verdict: Verdict | None = None
    trouble: FailureKind | None = None
    #: One sentence: why this verdict, or what the trouble was.
    summary: str = ""
    frames: int = 0
    skipped_lines: int = 0
    duration_ns: int = 0
    #: The recorder's stamp of the first frame where it is one of a calendar.
    clock_start_ns: int | None = None
    #: Findings that are met.
    met: int = 0
    unexercised: tuple[str, ...] = ()
    handshakes: tuple[HandshakeRow, ...] = ()
    delays: tuple[DelayRow, ...] = ()
    findings: tuple[FindingRow, ...] = ()
    traffic: tuple[TrafficRow, ...] = ()
    #: Wall-clock seconds that it took.
    seconds: float = 0.0


class AnomalyKind(Enum):
    """What stands out."""

    #: A delay far from what the fleet takes for the step.
    OUTLIER = "outlier"
    #: Delays of one vehicle that grow or shrink with time.
    DRIFT = "drift"
    #: A first step that has to be sent more and more often.
    RETRIES = "retries"
    #: Messages that came or went against the vehicle's own past.
    MESSAGES = "messages"
    #: A cycle time that changed against the vehicle's own past.
    CYCLE = "cycle time"
    #: One feedback that lags behind the other more than the fleet's, or more than it used to.
    SKEW = "feedback skew"


@dataclass(frozen=True, slots=True, kw_only=True)
class Anomaly:
    """Something that no rule forbids and that stands out."""

    kind: AnomalyKind
    vehicle: str
    #: One sentence for a person, with the numbers and their doubt.
    sentence: str
    #: Probability of something as far out in a vehicle that is sound, by the test that the module names.
    p_value: float
    #: The same after Benjamini-Hochberg over all tests of the fleet.
    q_value: float
    rule: str = ""
    step: str = ""
    #: Capture to look at; empty if no single one shows it.
    address: str = ""
    #: Calendar time of the first sign.
    recorded_ns: int | None = None
    #: For a drift: calendar times between which the limit will be crossed; None where the data do not carry one.
    crossing_ns: tuple[int, int | None] | None = None
    #: Measured size of the effect by name, such as {"slope_ms_per_day": 0.8}.
    numbers: dict[str, float] = field(default_factory=dict)
