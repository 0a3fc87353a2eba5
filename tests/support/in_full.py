"""Writing out findings in full, with times in milliseconds."""

from __future__ import annotations

from buslens.checks.findings import Evidence, Finding, Outcome, TimeBounds
from buslens.units import NS_PER_MS


def span(earliest: float, latest: float | None) -> TimeBounds:
    """Return a span; times in milliseconds."""
    return TimeBounds(
        earliest_ns=round(earliest * NS_PER_MS), latest_ns=None if latest is None else round(latest * NS_PER_MS)
    )


def between(earliest: float, latest: float | None) -> TimeBounds:
    """Return a length strictly between two, as that of a state whose changes lie between frames."""
    return TimeBounds(
        earliest_ns=round(earliest * NS_PER_MS) + 1,
        latest_ns=None if latest is None else round(latest * NS_PER_MS) - 1,
    )


def seen(what: str, role: str, earliest: float, latest: float | None) -> Evidence:
    """Return a change that a frame at `latest` shows, and none at `earliest` did; None: no frame shows it."""
    time = after(earliest, earliest if latest is None else latest)
    return Evidence(
        what=what, role=role, time=TimeBounds(earliest_ns=time.earliest_ns, latest_ns=latest and time.latest_ns)
    )


def after(earliest: float, latest: float) -> TimeBounds:
    """Return when a change came about that a frame at `latest` shows, and none at `earliest` did: the end is open."""
    return TimeBounds(earliest_ns=round(earliest * NS_PER_MS) + 1, latest_ns=round(latest * NS_PER_MS))


def finding(rule: str, kind: str, outcome: Outcome, reason: str, **fields: object) -> Finding:
    """Return a finding written out; what is not given is None or empty, save that its limits are invented."""
    return Finding(  # type: ignore[arg-type]
        **{"rule": rule, "kind": kind, "outcome": outcome, "reason": reason, "basis": "invented", **fields}
    )
