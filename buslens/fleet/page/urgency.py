"""How urgent a vehicle is: which of the steps of one ladder it stands on, and before which others of that step.

Only what was recorded lately counts, so that a vehicle that was mended leaves the list. The words of each step are
printed with the list.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from enum import Enum
from typing import Final

from buslens.checks.findings import Verdict
from buslens.fleet.anomalies.discovery_rate import LEVEL
from buslens.fleet.model import Anomaly, FailureKind
from buslens.fleet.views import USUAL_PATHS, CaptureRow, FoundRow, VehicleRow
from buslens.units import NS_PER_DAY

LATELY: Final = 10
"""How many of a vehicle's last captures count at least."""
LATELY_NS: Final = 14 * NS_PER_DAY
"""How far before its last capture all count, ns: two weeks."""


class Urgency(Enum):
    """Steps of the ladder, the most urgent first; the values are what a table calls them."""

    IGNITION = "faulty, ignition"
    FAULTY = "faulty"
    AT_TIMES = "intermittent fault"
    CROSSING = "will cross a limit"
    STANDS_OUT = "unusual"
    NOT_KNOWN = "no verdict"
    AS_EXPECTED = "as expected"

    @property
    def is_called_in(self) -> bool:
        """Whether a vehicle of this step is to be called in."""
        return self is not Urgency.AS_EXPECTED

    @property
    def is_fault(self) -> bool:
        """Whether a rule was broken lately."""
        return self in {Urgency.IGNITION, Urgency.FAULTY, Urgency.AT_TIMES}


DEFINITIONS: Final = {
    Urgency.IGNITION: (
        "a rule about the ignition was broken lately: something that must never be with the ignition on, or must come "
        "before it (rules of kind never and precedes about what, by a rule of kind precedes, may come on only after a "
        "feedback; where there is none, about the role ignition)"
    ),
    Urgency.FAULTY: (
        "faulty in the last capture that could be decided, and not just once: so was another capture lately, or it "
        "holds at least two handshakes and none of them went well, or it is the only one and no handshake went well"
    ),
    Urgency.AT_TIMES: "faulty lately, but only once, or not in the last capture that could be decided",
    Urgency.CROSSING: "nothing wrong lately, but a delay drifts and will cross its limit; the earliest date first",
    Urgency.STANDS_OUT: (
        "nothing wrong lately, but it is unusual against the fleet or its own past, at a false discovery rate of "
        f"{100 * LEVEL:g} %; the surest first"
    ),
    Urgency.NOT_KNOWN: "no capture could be decided lately: undecided, or not readable",
}
"""What each step means; the order within a step where it is not said is that of `ORDER`."""

ORDER: Final = (
    f"Lately: in a vehicle's last {LATELY} captures, or in all of its last 14 days where these are more. Within a step "
    "come first those in whose last faulty capture no handshake went well, then those with faults on both feedback "
    "paths (their findings are about both roles that a rule of kind agree compares, or a step did not come while no "
    "rule says that the two disagree), then by the share of faulty captures, then the last fault first."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class VehicleStatus:
    """Where a vehicle stands, and what that rests on."""

    row: VehicleRow
    urgency: Urgency
    #: Its last captures, oldest first; empty where nothing was ever wrong with it.
    lately: tuple[CaptureRow, ...] = ()
    #: What is wrong in these.
    faults: tuple[FoundRow, ...] = ()
    on_both_paths: bool = False
    #: What stands out, the surest first.
    anomalies: tuple[Anomaly, ...] = ()
    #: Calendar time of the earliest crossing of a limit, and the other end of its interval.
    crossing_ns: tuple[int, int | None] | None = field(default=None)

    @property
    def is_called_in(self) -> bool:
        """Whether it is called in; not for captures of another car, which say nothing about this one."""
        unrelated = bool(self.lately) and all(one.trouble is FailureKind.UNRELATED for one in self.lately)
        return self.urgency.is_called_in and not (self.urgency is Urgency.NOT_KNOWN and unrelated)

    @property
    def faulty_lately(self) -> int:
        """How many of its last captures are faulty."""
        return sum(one.verdict is Verdict.FAULTY for one in self.lately)

    @property
    def failed_handshakes(self) -> tuple[int, int]:
        """How many handshakes of its last captures failed, of how many."""
        return _failed_handshakes(self.lately, self.faults)

    @property
    def never_goes(self) -> bool:
        """Whether no handshake in its last faulty capture went well."""
        last = [one for one in self.lately if one.verdict is Verdict.FAULTY][-1:]
        failed, of = _failed_handshakes(last, self.faults)
        return 0 < of <= failed

    @property
    def order(self) -> tuple[object, ...]:
        """What vehicles are sorted by."""
        share = self.faulty_lately / len(self.lately) if self.lately else 0.0
        q_value = min((one.q_value for one in self.anomalies), default=1.0)
        crossing = 0 if self.crossing_ns is None else self.crossing_ns[0]
        last = self.row.last_faulty_ns
        rank = list(Urgency).index(self.urgency)
        if self.urgency.is_fault:
            return (
                rank,
                not self.never_goes,
                not self.on_both_paths,
                -share,
                0 if last is None else -last,
                self.row.vehicle,
            )
        return (rank, crossing, q_value, 0, self.row.vehicle)


def vehicle_status(
    row: VehicleRow,
    lately: Sequence[CaptureRow],
    faults: Iterable[FoundRow],
    anomalies: Iterable[Anomaly],
    paths: Iterable[frozenset[str]] = USUAL_PATHS,
) -> VehicleStatus:
    """Return where a vehicle stands.

    Parameters
    ----------
    lately : sequence of CaptureRow
        Its last captures, oldest first; what is too long ago is cut off.
    faults : iterable of FoundRow
        Faults of its captures; those of others than its last are left out.
    anomalies : iterable of Anomaly
        What stands out about it; what has no q-value, or one above the level, is left out.
    paths : iterable of frozenset of str
        The two roles of each pair of feedback paths.
    """
    lately = recent_captures_of(lately)
    numbers = {one.capture for one in lately}
    found = tuple(one for one in faults if one.capture in numbers and one.finding.outcome.is_fault)
    told = sorted((one for one in anomalies if one.q_value <= LEVEL), key=lambda one: (one.q_value, one.sentence))
    crossings = [one.crossing_ns for one in told if one.crossing_ns is not None]
    crossing = min(crossings, key=lambda ends: ends[0], default=None)
    return VehicleStatus(
        row=row,
        urgency=_urgency(row, lately, found, told, crossing),
        lately=lately,
        faults=found,
        on_both_paths=any(on_both_paths(found, pair) for pair in paths),
        anomalies=tuple(told),
        crossing_ns=crossing,
    )


def recent_captures_of(captures: Sequence[CaptureRow]) -> tuple[CaptureRow, ...]:
    """Return those of a vehicle's captures, oldest first, that count: the last few, or those of the last days."""
    last = captures[-1].recorded_ns if captures else None
    few = max(len(captures) - LATELY, 0)
    return tuple(
        one
        for place, one in enumerate(captures)
        if place >= few or (last is not None and one.recorded_ns is not None and one.recorded_ns >= last - LATELY_NS)
    )


def on_both_paths(faults: Iterable[FoundRow], pair: frozenset[str]) -> bool:
    """Whether faults lie on both feedback paths, which are two roles, as `ORDER` says it."""
    named: set[str] = set()
    in_vain: dict[int, bool] = {}
    apart: set[int] = set()
    for one in faults:
        finding = one.finding
        if finding.kind == "agree":
            apart.add(one.capture)
            continue
        roles = pair.intersection(finding.roles)
        named |= roles
        if finding.kind == "sequence" and finding.outcome.value == "missing" and roles:
            in_vain[one.capture] = True
    return named >= pair or any(capture not in apart for capture in in_vain)


def _urgency(
    row: VehicleRow,
    lately: Sequence[CaptureRow],
    faults: Sequence[FoundRow],
    anomalies: Sequence[Anomaly],
    crossing: tuple[int, int | None] | None,
) -> Urgency:
    if any(fault.is_about_ignition for fault in faults):
        return Urgency.IGNITION
    decided = [one.verdict for one in lately if one.verdict in {Verdict.FAULTY, Verdict.AS_EXPECTED}]
    faulty = decided.count(Verdict.FAULTY)
    if faulty:
        return Urgency.FAULTY if _is_faulty_now(lately, faults, faulty) else Urgency.AT_TIMES
    if crossing is not None:
        return Urgency.CROSSING
    if anomalies:
        return Urgency.STANDS_OUT
    is_silent = not decided and bool(lately)
    return Urgency.NOT_KNOWN if is_silent or not (row.as_expected or row.faulty) else Urgency.AS_EXPECTED


def _is_faulty_now(lately: Sequence[CaptureRow], faults: Sequence[FoundRow], faulty: int) -> bool:
    """Whether a vehicle is faulty and not just once, as `DEFINITIONS` says it, of so many faulty captures lately."""
    decided = [one for one in lately if one.verdict in {Verdict.FAULTY, Verdict.AS_EXPECTED}]
    if decided[-1].verdict is not Verdict.FAULTY:
        return False
    failed, of = _failed_handshakes(decided[-1:], faults)
    return faulty > 1 or (failed >= of and (of > 1 or len(decided) == 1))


def _failed_handshakes(captures: Iterable[CaptureRow], faults: Iterable[FoundRow]) -> tuple[int, int]:
    """Return how many handshakes of some captures failed, of how many."""
    handshakes = {one.capture: one.handshakes for one in captures}
    failed = {
        (fault.capture, fault.finding.rule, fault.finding.handshake)
        for fault in faults
        if fault.capture in handshakes and fault.finding.handshake is not None
    }
    return len(failed), sum(handshakes.values())
