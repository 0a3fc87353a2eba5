"""The lock handshake of the tests of sequences: what is sent, what the rule asks, what is found in full."""

from __future__ import annotations

from functools import partial

from support.in_full import after, between, finding, seen
from support.stage import Samples, becomes, holds, perform, sampled, step

from buslens.checks.findings import Finding, Handshake, Limit, Outcome, Result
from buslens.expectations.model import Sequence
from buslens.units import NS_PER_MS

DOOR = sampled([(0, "closed"), (1000, "open")], every=20, until=4000)


def handshake(**changes: object) -> Sequence:
    """Return the lock handshake: enable within 400 ms, feedback locked 50 to 600 ms after it."""
    fields: dict[str, object] = {
        "name": "lock",
        "start": becomes("door", "open"),
        "given": holds("ignition", "off"),
        "abandon": becomes("door", "closed"),
        "steps": (
            step("enable", "enable", "on", within=400),
            step("release ends", "feedback", "locked", after=50, within=600),
        ),
    }
    return Sequence(**{**fields, **changes})  # type: ignore[arg-type]


def run(
    rule: Sequence,
    *,
    door: Samples = DOOR,
    ignition: Samples | None = None,
    enable: Samples | None = None,
    feedback: Samples | None = None,
    until: float = 4000,
    **how: object,
) -> Result:
    samples = {
        "door": door,
        "ignition": ignition or sampled([(0, "off")], every=100, until=until),
        "enable": enable or sampled([(0, "off"), (1100, "on"), (1500, "off")], every=10, until=until),
        "feedback": feedback or sampled([(0, "free"), (1400, "locked")], every=25, until=until),
    }
    also = {"ignition": {"on", "off"}, "enable": {"on"}, "feedback": {"locked"}}
    return perform(samples, rule, also=also, **how)  # type: ignore[arg-type]


def of_step(result: Result, name: str) -> Finding:
    (found,) = [finding for finding in result.findings if finding.step == name]
    return found


in_full = partial(finding, "lock", "sequence")

OPENED = seen("door became open", "door", 980, 1000)
ENABLED = seen("enable became on", "enable", 1090, 1100)
ENABLE_LIMIT, RELEASE_LIMIT = Limit(most=400 * NS_PER_MS), Limit(least=50 * NS_PER_MS, most=600 * NS_PER_MS)

#: What the first step of every handshake below is.
ENABLE = in_full(
    Outcome.MET,
    "enable became on 90 to 120 ms after door became open; limit 400 ms",
    time_ns=1100 * NS_PER_MS,
    delay=between(90, 120),
    limit=ENABLE_LIMIT,
    reference=after(980, 1000),
    evidence=(OPENED, ENABLED),
    step="enable",
    handshake=1,
)


def feedback(*changes: tuple[float, str], until: float = 4000) -> Samples:
    return sampled([(0, "free"), *changes], every=25, until=until)


def came(outcome: Outcome, words: str, frame: float, delay: tuple[float, float] | None) -> Finding:
    """Return the second step, shown by a frame."""
    return in_full(
        outcome,
        f"feedback became locked {words}",
        time_ns=round(frame * NS_PER_MS),
        delay=None if delay is None else between(*delay),
        limit=RELEASE_LIMIT,
        reference=after(1090, 1100),
        evidence=(ENABLED, seen("feedback became locked", "feedback", frame - 25, frame)),
        step="release ends",
        handshake=1,
    )


def absent(outcome: Outcome, reason: str) -> Finding:
    """Return the second step where no change is told."""
    return in_full(
        outcome,
        reason,
        time_ns=1100 * NS_PER_MS,
        limit=RELEASE_LIMIT,
        reference=after(1090, 1100),
        evidence=(ENABLED,),
        step="release ends",
        handshake=1,
    )


def record(*, end: float, completed: bool, abandoned: str = "", tries: int = 1) -> Handshake:
    return Handshake(
        rule="lock",
        number=1,
        start=after(980, 1000),
        end_ns=round(end * NS_PER_MS),
        completed=completed,
        abandoned=abandoned,
        tries=tries,
    )
