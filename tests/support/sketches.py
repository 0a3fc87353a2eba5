"""Captures for pictures: an invented lock recorded well, late, not at all, with holes, with a discontinuity."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from typing import TYPE_CHECKING

import numpy as np
from hypothesis import strategies as st
from support.handmade import result as handmade_result
from support.stage import Samples, all_of, becomes, holds, perform, sampled, step

from buslens.checks.findings import Evidence, Finding, Handshake, Limit, Outcome, Result, TimeBounds, Verdict
from buslens.expectations.model import Agree, Alive, Expectations, Never, Precedes, Pulse, Range, Role, Sequence
from buslens.timeline.model import Timeline
from buslens.units import NS_PER_MS

if TYPE_CHECKING:
    from collections.abc import Mapping

LOCK = Sequence(
    name="lock handshake",
    basis="invented for the tests",
    start=becomes("door_open", "open"),
    given=holds("ignition", "off"),
    abandon=becomes("door_open", "closed"),
    steps=(
        step("enable on", "lock_enable", "on", within=400),
        step("wire feedback", "unlock_feedback", "locked", after=50, within=600),
        step("data feedback", "data_feedback", "locked", within=300),
        step("enable off", "lock_enable", "off", from_="enable on", within=900),
    ),
)
RULES = (
    LOCK,
    Pulse(name="enable pulse", of=holds("lock_enable", "on"), least_ns=150 * NS_PER_MS, most_ns=700 * NS_PER_MS),
    Never(name="ignition interlock", when=all_of(holds("ignition", "on"), holds("unlock_feedback", "locked"))),
    Agree(
        name="feedback agreement",
        first=holds("unlock_feedback", "locked"),
        second=holds("data_feedback", "locked"),
        settle_ns=350 * NS_PER_MS,
    ),
    Range(name="supply while enabled", of="supply", least=11.0, most=16.0, while_=holds("lock_enable", "on")),
)


@cache
def lock(
    *,
    locked: float | None = 1225,
    second: float | None = 1360,
    enable: tuple[float, float] = (1075, 1425),
    ignition_on: float | None = None,
    silence: tuple[float, float] | None = None,
    discontinuities: tuple[float, ...] = (),
    until: float = 4000,
    period: float = 25,
    dip: float = 11.2,
) -> Result:
    """Return a capture in which the door opens at 1 s and the lock does as told; times in milliseconds."""

    def changes(first: str, *later: tuple[float | None, str]) -> list[tuple[float, str]]:
        return [(0.0, first), *((time, state) for time, state in later if time is not None)]

    samples: Mapping[str, Samples] = {
        "door_open": sampled(changes("closed", (1000, "open")), every=50, until=until),
        "ignition": sampled(changes("off", (ignition_on, "on")), every=40, until=until, start=35),
        "lock_enable": sampled(changes("off", (enable[0], "on"), (enable[1], "off")), every=25, until=until),
        "unlock_feedback": sampled(changes("unlocked", (locked, "locked")), every=period, until=until),
        "data_feedback": [
            row
            for row in sampled(changes("unlocked", (second, "locked")), every=60, until=until)
            if silence is None or not silence[0] < row[0] < silence[1]
        ],
        "pairing_state": sampled([(0.0, "paired")], every=200, until=until),
        "supply": [(t, dip if enable[0] < t < enable[1] else 12.4 + t % 300 / 1000) for t in range(0, int(until), 100)],
    }
    return perform(
        samples,
        *RULES,
        timeouts=dict.fromkeys(samples, 400),
        discontinuities=discontinuities,
        also={
            "door_open": {"closed", "open"},
            "lock_enable": {"off", "on"},
            "ignition": {"off", "on"},
            "unlock_feedback": {"locked", "unlocked"},
            "data_feedback": {"locked", "unlocked"},
            "pairing_state": {"paired", "cleared", "new"},
        },
    )


SKETCHES = {
    "healthy": lock,
    "late": lambda: lock(locked=1900, second=2060, enable=(1075, 2010)),
    "missing": lambda: lock(locked=None, second=None, enable=(1075, 2100)),
    "out of order": lambda: lock(locked=1000, second=900),
    "too close": lambda: lock(locked=1700, second=1800, enable=(1075, 1600), period=100),
    "ignition": lambda: lock(ignition_on=1500),
    "silent": lambda: lock(silence=(1180, 2500)),
    "low supply": lambda: lock(dip=9.4),
    "seam": lambda: lock(discontinuities=(1300,)),
    "cut short": lambda: lock(locked=None, second=None, until=1500),
    "no handshake": lambda: lock(until=900),
}
"""Captures by what they show."""


# --- anything that a result can hold --------------------------------------------------------------------

_TIMES = st.integers(-(10**9), 20 * 10**9)
_WORDS = st.text(max_size=12) | st.sampled_from(["on", "off", "$x$", "שלום", "a" * 200, "x\ny", "_", "\u202e"])
_ROLES = ("door", "enable", "feedback", "volts")


@st.composite
def any_timeline(draw: st.DrawFn, role: str, *, number: bool = False, most: int = 40) -> Timeline:
    """Return states or values in time, known and unknown, near to one another and far."""
    gaps = draw(st.lists(st.integers(1, 10**9) | st.integers(1, 10**6), max_size=most))
    seen = np.concatenate([[0], np.cumsum(np.array(gaps, dtype=np.int64))]).astype(np.int64)
    n = len(seen)
    states = () if number else tuple(draw(st.lists(_WORDS, min_size=1, max_size=4, unique=True)))
    known = np.array(draw(st.lists(st.booleans(), min_size=n, max_size=n)))
    code = np.arange(n) % max(len(states), 1)
    values = draw(st.lists(st.floats(allow_nan=False, allow_infinity=False), min_size=n, max_size=n))
    doubt = np.minimum(np.diff(seen, prepend=-(10**6)), draw(st.integers(1, 10**9)))
    return Timeline(
        role=role,
        seen_ns=seen,
        gap_ns=np.maximum(doubt, 1),
        state=np.where(known, code, -1).astype(np.int32),
        raw=np.array(values) if number else None,
        why=np.where(known, 0, 1 + np.arange(n) % 4).astype(np.int8),
        states=states,
        unit=draw(_WORDS) if number else "",
        last_frame_ns=int(seen[-1]),
        period_ns=None,
        timeout_ns=None,
        end_ns=int(seen[-1]) + draw(st.integers(1, 10**9)),
    )


def any_span() -> st.SearchStrategy[TimeBounds]:
    """Return times or lengths of time, with and without an upper end."""
    return st.builds(
        lambda low, more: TimeBounds(earliest_ns=low, latest_ns=None if more is None else low + more),
        _TIMES,
        st.none() | st.integers(0, 10**9),
    )


def any_finding() -> st.SearchStrategy[Finding]:
    """Return findings that fit the rules, and ones that fit nothing."""
    number = st.none() | st.floats(-1e12, 1e12)
    return st.builds(
        Finding,
        rule=st.sampled_from(["lock", "enable pulse", "never"]) | _WORDS,
        kind=st.sampled_from(["sequence", "pulse", "never", "agree", "alive", "range", "precedes"]),
        outcome=st.sampled_from(Outcome),
        reason=_WORDS,
        time_ns=st.none() | _TIMES,
        delay=st.none() | any_span(),
        limit=st.none() | st.builds(Limit, least=number, most=number, unit=st.sampled_from(["ns", "V", ""])),
        reference=st.none() | any_span(),
        evidence=st.lists(
            st.builds(Evidence, what=_WORDS, role=st.sampled_from([*_ROLES, ""]), time=any_span()), max_size=2
        ).map(tuple),
        step=st.none() | st.sampled_from(["first", "second"]) | _WORDS,
        handshake=st.none() | st.integers(1, 3),
        basis=_WORDS,
    )


@st.composite
def any_result(draw: st.DrawFn) -> Result:
    """Return a result that no engine would give: nothing in it need fit anything else."""
    timelines = {role: draw(any_timeline(role, number=role == "volts")) for role in _ROLES[: draw(st.integers(0, 4))]}
    rules = (
        Sequence(
            name="lock",
            start=becomes("door", "open"),
            steps=(step("first", "enable", "on", within=400), step("second", "feedback", "on", within=400)),
        ),
        Pulse(name="enable pulse", of=holds("enable", "on")),
        Never(name="never", when=holds("feedback", "on")),
        Alive(name="alive", message="M"),
        Range(name="range", of="volts", least=-1.0, most=1.0),
        Precedes(name="precedes", first=becomes("door", "a"), then=becomes("enable", "b"), within_ns=1),
    )
    roles = {role: Role(name=role, message="M", signal="S") for role in timelines}
    runs = st.builds(
        lambda number, start, end, abandoned: Handshake(
            rule="lock", number=number, start=start, end_ns=end, completed=False, abandoned=abandoned
        ),
        st.integers(1, 3),
        any_span(),
        _TIMES,
        _WORDS,
    )
    return replace(
        handmade_result(*draw(st.lists(any_finding(), max_size=8))),
        path=draw(_WORDS),
        summary=draw(_WORDS),
        verdict=draw(st.sampled_from(Verdict)),
        timelines=timelines,
        handshakes=tuple(draw(st.lists(runs, max_size=3, unique_by=lambda run: run.number))),
        expectations=Expectations(path="x.toml", roles=roles, rules=rules),
        stats=replace(handmade_result().stats, first_ns=0, last_ns=None, discontinuities=[]),
    )
