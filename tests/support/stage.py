"""A stage for rules: frames of invented roles, one message each, recorded and judged without any file."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from buslens.capture.frames import Clock, ClockDiscontinuity, Frames, ReadStats
from buslens.checks.evaluate import evaluate_rules
from buslens.checks.setup import plan_tracks
from buslens.definitions.model import Definitions, Message, Signal
from buslens.expectations.model import (
    And,
    Becomes,
    Expectations,
    GuardedEdge,
    Is,
    Role,
    Step,
    Timeout,
    Trigger,
    WrittenCondition,
)
from buslens.expectations.model import Sequence as SequenceRule
from buslens.timeline.history import CaptureHistory
from buslens.units import NS_PER_MS

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from buslens.checks.findings import Result
    from buslens.expectations.model import AnyRule, Condition

#: Samples of one role: milliseconds and state name, or number.
Samples = list[tuple[float, str | float]]


def sampled(changes: Sequence[tuple[float, str]], *, every: float, until: float, start: float = 0.0) -> Samples:
    """Return what a unit sends that samples its state by the clock; a change at t is shown from the frame at t on."""
    times = np.arange(start, until + every / 1000, every).tolist()
    return [(time, next(state for at, state in reversed(changes) if at <= time)) for time in times]


def holds(role: str, state: str) -> WrittenCondition:
    """Return ``role is state``."""
    return WrittenCondition(condition=Is(role=role, state=state), text=f"{role} is {state}")


def all_of(*states: WrittenCondition) -> WrittenCondition:
    """Return states joined by ``and``."""
    parts: tuple[Condition, ...] = tuple(state.condition for state in states)
    return WrittenCondition(condition=And(parts=parts), text=" and ".join(state.text for state in states))


def becomes(role: str, state: str) -> Trigger:
    """Return ``role becomes state``."""
    return Trigger(moments=(GuardedEdge(edge=Becomes(role=role, state=state)),), text=f"{role} becomes {state}")


def step(
    name: str, role: str, state: str, *, within: float, after: float | None = None, from_: str | None = None
) -> Step:
    """Return a step with its limits in milliseconds."""
    return Step(
        name=name,
        await_=becomes(role, state),
        after_ns=None if after is None else int(after * NS_PER_MS),
        within_ns=int(within * NS_PER_MS),
        from_=from_,
    )


def frames_of(samples: Mapping[str, Samples], ids: Mapping[str, int], codes: Mapping[str, Sequence[str]]) -> Frames:
    """Return all samples as frames in order of time, ties in the order of the roles."""
    rows = sorted(
        (
            (round(time * NS_PER_MS), ids[role], _raw(state, codes[role]))
            for role, of in samples.items()
            for time, state in of
        ),
        key=lambda row: row[0],
    )
    n = len(rows)
    return Frames(
        time_ns=np.array([row[0] for row in rows], np.int64),
        channel=np.zeros(n, np.uint16),
        can_id=np.array([row[1] for row in rows], np.uint32),
        flags=np.zeros(n, np.uint16),
        dlc=np.full(n, 2, np.uint8),
        length=np.full(n, 2, np.uint8),
        word=np.arange(n, dtype=np.int64),
        words=np.array([row[2] for row in rows], np.uint64),
        channels=("can0",),
    )


def _raw(state: str | float, codes: Sequence[str]) -> int:
    return codes.index(state) if isinstance(state, str) else round(state * 10)


def perform(
    samples: Mapping[str, Samples],
    *rules: AnyRule,
    timeouts: Mapping[str, float] | None = None,
    lags: Mapping[str, float] | None = None,
    discontinuities: Iterable[float] = (),
    until: float | None = None,
    unnamed: Mapping[str, set[str]] | None = None,
    also: Mapping[str, set[str]] | None = None,
    clock: Clock = Clock.RELATIVE,
    has_beat: bool = False,
    sleeps: bool = False,
) -> Result:
    """Return what the rules find in samples; all times in milliseconds.

    A role whose first sample is a number is one, in steps of 0.1 V. A discontinuity at t starts a segment. `until`
    makes the capture last beyond the last sample, as the frames of other messages do. States in `unnamed` are sent,
    but the expectations do not name them; states in `also` are named, but need not be sent.
    A role with a lag sends once more between two frames, so that no frame is on a beat, unless `has_beat`.
    """
    if lags and not has_beat:
        samples = {role: _off_beat(of) if role in lags else of for role, of in samples.items()}
    ids = {role: 0x100 + index for index, role in enumerate(samples)}
    codes = {
        role: sorted({state for _, state in of if isinstance(state, str)} | (also or {}).get(role, set()))
        for role, of in samples.items()
    }
    timeouts = timeouts or {}
    roles, messages = {}, []
    for role, of in samples.items():
        number = bool(of) and not isinstance(of[0][1], str)
        labels = dict(enumerate(codes[role]))
        signal = Signal(name="S", start=0, length=16, scale=0.1 if number else 1, labels=labels)
        messages.append(Message(name=role.upper(), can_id=ids[role], length=2, signals=(signal,)))
        hidden = (unnamed or {}).get(role, set())
        states = {state: (state,) for state in codes[role] if state not in hidden} or {"some": (0,)}
        lag = (lags or {}).get(role)
        roles[role] = Role(
            name=role,
            message=role.upper(),
            signal="S",
            states={} if number else states,
            unit="V" if number else "",
            timeout=round(timeouts[role] * NS_PER_MS) if role in timeouts else Timeout.NEVER,
            lag_ns=None if lag is None else round(lag * NS_PER_MS),
        )
    expected = Expectations(
        path="stage.toml",
        roles=roles,
        rules=rules,
        handshake=any(isinstance(rule, SequenceRule) for rule in rules),
        sleeps=sleeps,
    )
    frames = frames_of(samples, ids, codes)
    recorder = CaptureHistory(plan_tracks(expected, Definitions(messages=tuple(messages))))
    bounds_ns = [round(discontinuity * NS_PER_MS) for discontinuity in discontinuities]
    for segment, part in enumerate(np.split(np.arange(len(frames)), np.searchsorted(frames.time_ns, bounds_ns))):
        recorder.add(select(frames, part, segment))
    recorder.finish()
    end_ns = int(frames.time_ns[-1])
    stats = ReadStats(
        clock=clock,
        frames=len(frames),
        first_ns=int(frames.time_ns[0]),
        last_ns=end_ns if until is None else round(until * NS_PER_MS),
        discontinuities=[ClockDiscontinuity(time_ns=at, line=1, back_ns=10**9) for at in bounds_ns],
    )
    return evaluate_rules("stage", expected, recorder, stats)


def _off_beat(samples: Samples) -> Samples:
    between = [(at + 0.3 * (after - at), state) for (at, state), (after, _) in pairwise(samples)]
    return sorted([*samples, *between], key=lambda sample: sample[0])


def select(frames: Frames, rows: np.ndarray, segment: int = 0) -> Frames:
    """Return some of the frames."""
    return Frames(
        time_ns=frames.time_ns[rows],
        channel=frames.channel[rows],
        can_id=frames.can_id[rows],
        flags=frames.flags[rows],
        dlc=frames.dlc[rows],
        length=frames.length[rows],
        word=frames.word[rows],
        words=frames.words,
        channels=frames.channels,
        segment=segment,
    )


def outcomes(result: Result) -> list[tuple[str, str]]:
    """Return step (or rule) and outcome of each finding."""
    return [(finding.step or finding.rule, finding.outcome.value) for finding in result.findings]
