"""A timeline that nobody asked for is made when somebody does, once, and is what it would have been."""

from __future__ import annotations

import pickle
from pathlib import Path

import buslens
from buslens.capture.open import open_capture
from buslens.capture.reduce import reduce_frames
from buslens.checks.evaluate import evaluate_capture
from buslens.checks.setup import prepare
from buslens.timeline.history import CaptureHistory
from buslens.timeline.model import Timeline
from buslens.timeline.on_demand import TimelinesOnDemand

ROOT = Path(__file__).parents[2]


def test_the_same_as_at_once() -> None:
    """`check` asks only for the roles of rules; a recorder that goes on has all made at once."""
    log, setup = ROOT / "sample_logs" / "car07_slow_motor.log", prepare(ROOT / "signal_defs" / "steering_lock.toml")
    recorder, stats = reduce_frames(
        open_capture(log),
        wanted=None,
        make=lambda: CaptureHistory(setup.tracks),
        update=CaptureHistory.add,
        merge=CaptureHistory.merge,
    )
    at_once = evaluate_capture(str(log), setup.expectations, recorder, stats).timelines
    later = buslens.check(log, setup.expectations, setup.definitions).timelines
    assert list(later) == list(at_once)
    sent = pickle.loads(pickle.dumps(later))  # noqa: S301  # its own bytes
    for role, timeline in at_once.items():
        for other in (later[role], sent[role]):
            assert (other.role, other.states, other.period_ns) == (timeline.role, timeline.states, timeline.period_ns)
            assert other.seen_ns.tolist() == timeline.seen_ns.tolist()
            assert other.state.tolist() == timeline.state.tolist()
            assert (other.raw is None) == (timeline.raw is None)


def test_once() -> None:
    made = []

    def make() -> Timeline:
        made.append(1)
        return None  # type: ignore[return-value]

    timelines = TimelinesOnDemand({"door": make, "lamp": make})
    assert not made
    assert "door" in timelines
    timelines.make(["door"])
    assert (timelines["door"], dict(timelines), len(timelines)) == (None, {"door": None, "lamp": None}, 2)
    assert len(made) == 2
