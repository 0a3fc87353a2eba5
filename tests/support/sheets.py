"""A made-up fleet with a vehicle on each step of urgency, as the ledger knows it, and captures to see it by."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from support.ledgers import DAY_NS, GROUP, START_NS
from support.stage import becomes, holds, perform, sampled, step

from buslens.checks.findings import Outcome, Verdict
from buslens.expectations.model import Never, Sequence
from buslens.fleet.ledger import Ledger
from buslens.fleet.model import (
    Anomaly,
    AnomalyKind,
    CaptureJob,
    DelayRow,
    FailureKind,
    FindingRow,
    HandshakeRow,
    JobResult,
)
from buslens.fleet.views import FORBIDDING, CaptureRow, FoundRow, VehicleRow
from buslens.units import NS_PER_MS, NS_PER_S

if TYPE_CHECKING:
    from pathlib import Path

    from buslens.checks.findings import Result

RULE: Final = "lock handshake"
STEP: Final = "wire feedback"
LEAST_MS, MOST_MS = 50, 600

HOSTILE: Final = "</style><script>alert('x')</script>\"' \u202ecar\n\x1b[2J\udcff&amp;"
"""What a folder may be called."""


def fault(
    outcome: Outcome = Outcome.LATE,
    *,
    rule: str = RULE,
    kind: str = "sequence",
    reason: str = "unlock_feedback became locked 812 to 837 ms after enable on",
    roles: tuple[str, ...] = ("unlock_feedback",),
) -> FindingRow:
    """Return something that is wrong."""
    name = STEP if kind == "sequence" else None
    number = 1 if kind == "sequence" else None
    limits = (float(LEAST_MS * NS_PER_MS), float(MOST_MS * NS_PER_MS))
    return FindingRow(rule, kind, name, number, outcome, reason, 3 * NS_PER_S, 8.12e8, 8.37e8, *limits, "ns", roles)


def capture(
    number: int, verdict: Verdict | None = Verdict.AS_EXPECTED, *, vehicle: str = "car1", at_day: int | None = None
) -> CaptureRow:
    """Return a capture as the ledger tells of it."""
    return CaptureRow(
        capture=number,
        address=f"/captures/{vehicle}/{number}.log",
        vehicle=vehicle,
        group=GROUP.name,
        recorded_ns=START_NS + (number if at_day is None else at_day) * DAY_NS,
        is_named=True,
        size=1000,
        verdict=verdict,
        trouble=FailureKind.UNREADABLE if verdict is None else None,
        summary="made up",
        met=4,
        faults=int(verdict is Verdict.FAULTY),
        undecided=int(verdict is Verdict.UNDECIDED),
        handshakes=1,
        frames=1000,
        skipped_lines=0,
        duration_ns=10 * NS_PER_S,
        unexercised=(),
        seconds=0.1,
    )


def found(one: CaptureRow, finding: FindingRow) -> FoundRow:
    """Return what a capture shows."""
    is_forbidden = finding.outcome.is_fault and finding.kind in FORBIDDING
    about_ignition = is_forbidden and "ignition" in finding.roles
    return FoundRow(one.capture, one.address, one.vehicle, one.group, one.recorded_ns, finding, about_ignition)


def row_of(captures: list[CaptureRow], vehicle: str = "car1") -> VehicleRow:
    """Return what the ledger counts for a vehicle with these captures, oldest first."""
    count = {verdict: sum(one.verdict is verdict for one in captures) for verdict in (None, *Verdict)}
    faulty = [one.recorded_ns for one in captures if one.verdict is Verdict.FAULTY]
    return VehicleRow(
        vehicle=vehicle,
        captures=len(captures),
        as_expected=count[Verdict.AS_EXPECTED],
        faulty=count[Verdict.FAULTY],
        undecided=count[Verdict.UNDECIDED],
        troubled=count[None],
        handshakes=len(captures),
        first_ns=captures[0].recorded_ns if captures else None,
        last_ns=captures[-1].recorded_ns if captures else None,
        last_faulty_ns=faulty[-1] if faulty else None,
    )


def anomaly(
    vehicle: str = "car1", *, q_value: float = 0.01, kind: AnomalyKind = AnomalyKind.OUTLIER, **more: object
) -> Anomaly:
    """Return something that stands out."""
    fields: dict[str, object] = {
        "kind": kind,
        "vehicle": vehicle,
        "sentence": "the delay was 412 to 455 ms; the fleet takes 281 ms",
        "p_value": q_value / 10,
        "q_value": q_value,
        "rule": RULE,
        "step": STEP,
    }
    return Anomaly(**{**fields, **more})  # type: ignore[arg-type]


def drift(vehicle: str, *, until_day: int | None = 90) -> Anomaly:
    """Return a delay that grows by 5 ms a day from 300 ms, and crosses the limit from the 60th day on."""
    first = START_NS // DAY_NS
    return anomaly(
        vehicle,
        q_value=1e-6,
        kind=AnomalyKind.DRIFT,
        sentence="the delay grows by 5 ms a day",
        crossing_ns=(START_NS + 60 * DAY_NS, None if until_day is None else START_NS + until_day * DAY_NS),
        numbers={
            "slope_ms_per_day": 5.0,
            "slope_low_ms_per_day": 4.0,
            "slope_high_ms_per_day": 6.0,
            "level_ms": 350.0,
            "middle_day": first + 10.0,
            "first_day": float(first),
            "last_day": first + 20.0,
            "days": 21.0,
            "latest_slope_ms_per_day": 5.0,
            "latest_level_ms": 350.0,
            "latest_middle_day": first + 10.0,
            "latest_first_day": float(first),
        },
    )


def judged(
    content: str, *faults: FindingRow, verdict: Verdict | None = None, delay_ms: float | None = 300, tries: int = 1
) -> JobResult:
    """Return what came of a capture with one handshake; without a delay, its step never came."""
    outcome = Outcome.MET if delay_ms is not None and LEAST_MS <= delay_ms <= MOST_MS else Outcome.LATE
    earliest = 3 * MOST_MS if delay_ms is None else delay_ms - 20
    delay = DelayRow(
        RULE,
        1,
        STEP,
        Outcome.MISSING if delay_ms is None else outcome,
        3 * NS_PER_S,
        round(earliest * NS_PER_MS),
        None if delay_ms is None else round(delay_ms * NS_PER_MS),
        LEAST_MS * NS_PER_MS,
        MOST_MS * NS_PER_MS,
    )
    verdict = verdict or (Verdict.FAULTY if any(one.outcome.is_fault for one in faults) else Verdict.AS_EXPECTED)
    return JobResult(
        content=content,
        ground="ground",
        verdict=verdict,
        summary=faults[0].reason if faults else "1 complete handshake",
        frames=1000,
        duration_ns=10 * NS_PER_S,
        met=4,
        handshakes=(HandshakeRow(RULE, 1, NS_PER_S, NS_PER_S + 1, 4 * NS_PER_S, delay_ms is not None, "", tries),),
        delays=(delay,),
        findings=faults,
    )


def fill(folder: Path, *, hostile: str = HOSTILE) -> Path:
    """Make a ledger with a vehicle on each step, several of them more than once; return the folder."""
    forbidden = fault(
        Outcome.VIOLATED,
        rule="ignition interlock",
        kind="never",
        reason="ignition is on and data_feedback is locked",
        roles=("data_feedback", "ignition"),
    )
    open_end = fault(Outcome.UNDECIDED, reason="the capture ends before it could be overdue")
    with Ledger.writing(folder) as ledger:

        def put(vehicle: str, day: int, result: JobResult) -> None:
            address = f"/captures/{vehicle}/{day:03}.log"
            recorded_ns = START_NS + day * DAY_NS
            ledger.put(
                CaptureJob(
                    address=address, vehicle=vehicle, recorded_ns=recorded_ns, group=GROUP, size=1000, stamp=str(day)
                ),
                result,
            )

        for day in range(21):
            for number in range(3):
                put(f"sound{number}", day, judged(f"sound{number} {day}", delay_ms=290 + 5 * number))
            put("drifting", day, judged(f"drifting {day}", delay_ms=300 + 5 * day))
        for day in range(4):
            put("failing", day, judged(f"failing {day}", *[fault()] * (day > 0), delay_ms=837 if day else 590))
            put("locked", day, judged(f"locked {day}", *[forbidden] * (day == 1)))
            put("dead", day, judged(f"dead {day}", fault(Outcome.MISSING), delay_ms=None))
            put("mended", day, judged(f"mended {day}", *[fault()] * (day == 0), delay_ms=310 if day else 837))
        put("odd", 0, judged("odd 0", delay_ms=455))
        put("short", 0, judged("short 0", open_end, verdict=Verdict.UNDECIDED))
        put(
            hostile,
            0,
            JobResult(content="", ground="ground", trouble=FailureKind.UNREADABLE, summary=f"no log: {hostile}"),
        )
        put(
            hostile, 1, JobResult(content="long", ground="ground", trouble=FailureKind.TIME, summary="longer than 60 s")
        )
        ledger.put_anomalies(
            [
                drift("drifting"),
                anomaly("odd", address="/captures/odd/000.log", recorded_ns=START_NS),
                anomaly(hostile, q_value=0.02),
            ]
        )
    return folder


CALLED_IN: Final = ["locked", "dead", "failing", "mended", "drifting", "odd"]
"""Whom the list names first, the most urgent first; then come the hostile name and the one that was cut short."""


def performed(*, release_ms: float = 900) -> Result:
    """Return a handshake whose second step comes so late, with an ignition that must not be on."""
    rule = Sequence(
        name=RULE,
        start=becomes("door_open", "open"),
        steps=(
            step("enable on", "lock_enable", "on", within=400),
            step(STEP, "unlock_feedback", "locked", after=LEAST_MS, within=MOST_MS),
        ),
        basis="invented for the test",
    )
    never = Never(name="no ignition while open", when=holds("ignition", "on"), longer_than_ns=50 * NS_PER_MS)
    changes = {
        "door_open": [(0, "closed"), (1000, "open")],
        "lock_enable": [(0, "off"), (1100, "on")],
        "unlock_feedback": [(0, "unlocked"), (1100 + release_ms, "locked")],
        "ignition": [(0, "off"), (5000, "on"), (5400, "off")],
        "speed": [(0, "still")],
    }
    samples = {role: sampled(of, every=20, until=8000) for role, of in changes.items()}
    return perform(samples, rule, never)
