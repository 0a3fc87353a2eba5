"""What is sent on change tells when a change was only where the frame of the change itself is in the log."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.examples import examples
from support.stage import Samples, becomes, perform

from buslens.checks.findings import Outcome, TimeBounds
from buslens.expectations.model import Sequence, Step
from buslens.units import NS_PER_MS

CYCLE = 20.0
LAG = 4.0
END = 1000.0


class World(NamedTuple):
    """What really happened, in ms: a line goes on, and off again."""

    on: float
    off: float


def sent(world: World, *, restarts: bool, seed: int, lost: float) -> Samples:
    """Return what a unit sends by the clock and at each change, without the frames that were lost.

    The clock goes on, or starts anew with each change; a change is sent up to `LAG` after it.
    """
    random = np.random.default_rng(seed)
    changes = sorted(at + float(random.uniform(0, LAG)) for at in world)
    times: list[float] = []
    beat = float(random.uniform(0, CYCLE))
    for stop in [*changes, END]:
        while beat < stop:
            times.append(beat + float(random.uniform(-0.9, 0.9)))
            beat += CYCLE
        if stop < END:
            times.append(stop)
            beat = stop + CYCLE if restarts else beat
    kept = [at for at in sorted(times) if random.random() >= lost]
    return [(at, "on" if world.on <= at < world.off else "off") for at in kept if at > 0]


def ns(milliseconds: float) -> int:
    return round(milliseconds * NS_PER_MS)


@st.composite
def worlds(draw: st.DrawFn) -> World:
    on = 200 + draw(st.integers(0, 3000)) / 10 + 0.01
    return World(on=on, off=on + 150 + draw(st.integers(0, 2000)) / 10)


class TestLostFrames:
    @settings(max_examples=examples(60), deadline=None)
    @given(
        a=worlds(),
        b=worlds(),
        limits=st.tuples(st.integers(0, 300), st.integers(1, 500)),
        restarts=st.booleans(),
        seed=st.integers(0, 2**32 - 1),
        lost=st.sampled_from([0.0, 0.2, 0.5]),
    )
    def test_no_verdict_is_untrue(
        self, a: World, b: World, limits: tuple[int, int], restarts: bool, seed: int, lost: float
    ) -> None:
        after, within = limits[0], limits[0] + limits[1]
        rule = Sequence(
            name="rule",
            start=becomes("a", "on"),
            steps=(Step(name="b", await_=becomes("b", "on"), after_ns=ns(after), within_ns=ns(within)),),
        )
        lanes = {
            "a": sent(a, restarts=restarts, seed=seed, lost=lost),
            "b": sent(b, restarts=restarts, seed=seed + 1, lost=lost),
        }
        result = perform(
            lanes,
            rule,
            lags={"a": LAG + 0.1, "b": LAG + 0.1},
            timeouts={"a": 3 * CYCLE, "b": 3 * CYCLE},
            has_beat=True,
            also={"a": {"on", "off"}, "b": {"on", "off"}},
        )
        true = b.on - a.on
        for finding in result.findings:
            match finding.outcome:
                case Outcome.MET:
                    assert after <= true <= within
                case Outcome.EARLY:
                    assert true < after
                case Outcome.LATE:
                    assert true > within
                case Outcome.MISSING:
                    assert not after <= true <= within
            if finding.delay is not None and finding.outcome is not Outcome.UNDECIDED:
                assert finding.delay.earliest_ns <= ns(true) + 1
                assert finding.delay.latest_ns is None or ns(true) <= finding.delay.latest_ns + 1


def delay(b: list[float], on: float) -> TimeBounds:
    """Return the delay between two changes; frames show the second one from a time on."""
    cyclic: Samples = [(at, "off" if at < 200 else "on") for at in np.arange(0, 600, 20).tolist()]
    frames: Samples = [(at, "off" if at < on else "on") for at in b]
    rule = Sequence(
        name="rule",
        start=becomes("a", "on"),
        steps=(Step(name="b", await_=becomes("b", "on"), within_ns=ns(500)),),
    )
    (finding,) = perform({"a": cyclic, "b": frames}, rule, lags={"b": 2}, has_beat=True).findings
    assert finding.delay is not None
    return finding.delay


class TestBeat:
    """The change of the second lane, less that of the first, which is in doubt for 20 ms."""

    BEATS = np.arange(0, 600, 20).tolist()

    @pytest.mark.parametrize(
        ("frames", "on", "doubt"),
        [
            (sorted([*BEATS, 311.0]), 305, 22),
            (BEATS, 295, 40),
            ([at for at in BEATS if at != 300], 295, 60),
            (sorted([*(at for at in BEATS if at != 300), 306.0]), 295, 46),
        ],
        ids=["off the beat", "on it", "on the next", "late, so that one may have been lost"],
    )
    def test_doubt(self, frames: list[float], on: float, doubt: float) -> None:
        span = delay(frames, on)
        assert span.latest_ns is not None
        assert (span.latest_ns - span.earliest_ns) / NS_PER_MS == pytest.approx(doubt, abs=0.01)

    def test_without_a_beat_it_is_trusted(self) -> None:
        """Of a unit that sends at changes only nothing tells that a frame was lost."""
        span = delay([0, 170, 311], 300)
        assert span.latest_ns is not None
        assert (span.latest_ns - span.earliest_ns) / NS_PER_MS == pytest.approx(22, abs=0.01)
