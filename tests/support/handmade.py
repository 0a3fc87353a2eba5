"""Results made by hand: what reports are given, without anything having been read or judged."""

from __future__ import annotations

from buslens.capture.frames import Clock, ClockDiscontinuity, ReadStats, Skipped
from buslens.checks.findings import Evidence, Finding, Handshake, Limit, Outcome, Result, TimeBounds, Verdict
from buslens.expectations.model import (
    Becomes,
    Expectations,
    GuardedEdge,
    Is,
    Pulse,
    Sequence,
    Step,
    Trigger,
    WrittenCondition,
)
from buslens.units import NS_PER_MS, NS_PER_S

ORIGIN_NS = 1_762_161_245_000_000_123
"""A wall clock's nanoseconds, which no binary float holds: 2025-11-03 09:14:05 UTC and a little more."""


def ms(number: float) -> int:
    """Return milliseconds as nanoseconds."""
    return round(number * NS_PER_MS)


def at(milliseconds: float) -> int:
    """Return a moment that lies so long after the first frame."""
    return ORIGIN_NS + ms(milliseconds)


def between(low: float, high: float | None) -> TimeBounds:
    """Return a length of time in milliseconds."""
    return TimeBounds(earliest_ns=ms(low), latest_ns=None if high is None else ms(high))


def becomes(role: str, state: str) -> Trigger:
    """Return ``ROLE becomes STATE``."""
    return Trigger(moments=(GuardedEdge(edge=Becomes(role=role, state=state)),), text=f"{role} becomes {state}")


HANDSHAKE_RULE = Sequence(
    name="lock handshake",
    basis="invented for the demonstration",
    start=becomes("door_open", "open"),
    steps=(
        Step(name="enable on", await_=becomes("lock_enable", "on"), within_ns=ms(400)),
        Step(name="wire feedback", await_=becomes("unlock_feedback", "locked"), within_ns=ms(600)),
    ),
)
PULSE_RULE = Pulse(
    name="enable pulse",
    of=WrittenCondition(condition=Is(role="lock_enable", state="on"), text="lock_enable is on"),
    least_ns=ms(150),
)


def step_finding(outcome: Outcome = Outcome.LATE, *, handshake: int = 1, step: str = "wire feedback") -> Finding:
    """Return what the second step of the lock handshake found."""
    return Finding(
        rule="lock handshake",
        kind="sequence",
        outcome=outcome,
        reason=f"unlock_feedback became locked 812 to 837 ms after enable on ({outcome.value})",
        time_ns=at(3214),
        delay=between(812, 837),
        limit=Limit(least=float(ms(50)), most=float(ms(600))),
        reference=TimeBounds(earliest_ns=at(2377), latest_ns=at(2402)),
        evidence=(
            Evidence(
                what="unlock_feedback becomes locked",
                role="unlock_feedback",
                time=TimeBounds(earliest_ns=at(3189), latest_ns=at(3214)),
            ),
        ),
        step=step,
        handshake=handshake,
        basis="invented for the demonstration",
    )


def pulse_finding(outcome: Outcome = Outcome.MET) -> Finding:
    """Return what sums up all pulses, or one that is wrong."""
    return Finding(
        rule="enable pulse",
        kind="pulse",
        outcome=outcome,
        reason="2 of 2 pulses within limit at least 150 ms",
        time_ns=None if outcome is Outcome.MET else at(5000),
        limit=Limit(least=float(ms(150))),
        count=2 if outcome is Outcome.MET else None,
    )


def read_stats(**changes: object) -> ReadStats:
    """Return the count of a capture of 12.48 s."""
    fields: dict[str, object] = {
        "format": "candump",
        "clock": Clock.WALL,
        "frames": 4212,
        "first_ns": ORIGIN_NS,
        "last_ns": ORIGIN_NS + 12 * NS_PER_S + ms(480),
        "channels": ("can0",),
    }
    return ReadStats(**{**fields, **changes})  # type: ignore[arg-type]


def result(*findings: Finding, verdict: Verdict = Verdict.FAULTY, **changes: object) -> Result:
    """Return a capture with these findings."""
    fields: dict[str, object] = {
        "path": "logs/car03.log",
        "verdict": verdict,
        "summary": "lock handshake 1: unlock_feedback became locked 812 to 837 ms after enable on",
        "findings": findings,
        "handshakes": (),
        "unexercised": (),
        "timelines": {},
        "stats": read_stats(),
        "expectations": Expectations(
            path="signal_defs/steering_lock.toml", roles={}, rules=(HANDSHAKE_RULE, PULSE_RULE)
        ),
    }
    return Result(**{**fields, **changes})  # type: ignore[arg-type]


def handshake(number: int = 1, **changes: object) -> Handshake:
    """Return a run of the lock handshake that was carried through."""
    fields: dict[str, object] = {
        "rule": "lock handshake",
        "number": number,
        "start": TimeBounds(earliest_ns=at(2000), latest_ns=at(2020)),
        "end_ns": at(3214),
        "completed": True,
    }
    return Handshake(**{**fields, **changes})  # type: ignore[arg-type]


def broken_stats() -> ReadStats:
    """Return a count with everything that can be wrong with a recording."""
    return read_stats(
        broken=3,
        skipped=[Skipped(line=812, reason="odd number of digits in the data", text="(1.0) can0 1#1")],
        reordered=14,
        discontinuities=[ClockDiscontinuity(time_ns=at(6000), line=900, back_ns=4 * NS_PER_S)],
        errors=2,
        notes=["the date could not be read"],
    )
