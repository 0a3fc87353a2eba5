"""The doubt of sampling is told truly: a verdict is right for what really happened, and what is clear is decided."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from support.examples import examples
from support.stage import Samples, all_of, becomes, holds, perform

from buslens.checks.findings import Finding, Outcome
from buslens.expectations.model import Agree, Never, Precedes, Pulse, Sequence, Step
from buslens.units import NS_PER_MS

#: Longest time between two frames, ms: a period of 20 with a jitter of 6 either way.
SLOWEST = 26.0
#: Twice that is the most by which a delay between two roles, or a length, can be in doubt.
DOUBT = 2 * SLOWEST
#: Later than any start and the longest limit behind it.
END = 1200.0


class World(NamedTuple):
    """What really happened, in ms: a line goes on, and off again."""

    on: float
    off: float


@st.composite
def worlds(draw: st.DrawFn) -> World:
    """Draw true times that fall between frames, on a scale finer than that of the frames."""
    on = 200 + draw(st.integers(0, 3000)) / 10 + 0.01
    return World(on=on, off=on + 60 + draw(st.integers(0, 3000)) / 10)


@st.composite
def clocks(draw: st.DrawFn) -> list[float]:
    """Draw when a unit sends: every 20 ms, each time up to 6 ms early or late."""
    seed = draw(st.integers(0, 2**32 - 1))
    jitter = np.random.default_rng(seed).integers(-30, 31, size=62) / 10
    return [20.0 * index + float(late) + 3 for index, late in enumerate(jitter) if 20 * index + late + 3 < END]


def shown(world: World, clock: list[float]) -> Samples:
    return [(time, "on" if world.on <= time < world.off else "off") for time in clock]


def ns(milliseconds: float) -> int:
    return round(milliseconds * NS_PER_MS)


def spans_truth(finding: Finding, true: float) -> bool:
    delay = finding.delay
    assert delay is not None
    return delay.earliest_ns <= ns(true) and (delay.latest_ns is None or ns(true) <= delay.latest_ns)


LIMITS = st.integers(0, 500)
ALSO = {"a": {"on", "off"}, "b": {"on", "off"}}


class TestSequence:
    @given(worlds(), worlds(), clocks(), clocks(), LIMITS, LIMITS)
    @settings(max_examples=examples(60), deadline=None)
    def test_delay(self, a: World, b: World, clock_a: list[float], clock_b: list[float], one: int, other: int) -> None:
        """A delay between two roles that send by clocks of their own."""
        after, within = sorted((one, other + 1))
        rule = Sequence(
            name="rule",
            start=becomes("a", "on"),
            steps=(Step(name="b", await_=becomes("b", "on"), after_ns=ns(after), within_ns=ns(within)),),
        )
        (finding,) = perform({"a": shown(a, clock_a), "b": shown(b, clock_b)}, rule, also=ALSO).findings
        true = b.on - a.on
        match finding.outcome:
            case Outcome.MET:
                assert after <= true <= within
            case Outcome.EARLY:
                assert -DOUBT <= true < after
            case Outcome.LATE:
                assert true > within
            case Outcome.MISSING:
                assert true < 0 or true > within
            case Outcome.UNDECIDED:
                assert min(abs(true - after), abs(true - within), abs(true)) <= DOUBT
            case outcome:
                raise AssertionError(outcome)
        if finding.delay is not None:
            assert spans_truth(finding, true)

    @given(worlds(), worlds(), worlds(), st.tuples(clocks(), clocks(), clocks()), LIMITS)
    @settings(max_examples=examples(40), deadline=None)
    def test_order(
        self, a: World, b: World, c: World, clocks_: tuple[list[float], list[float], list[float]], within: int
    ) -> None:
        """Out of order is only called what came in the wrong order."""
        rule = Sequence(
            name="rule",
            start=becomes("a", "on"),
            steps=(
                Step(name="b", await_=becomes("b", "on"), within_ns=ns(2000)),
                Step(name="c", await_=becomes("c", "on"), after_ns=0, within_ns=ns(within)),
            ),
        )
        lanes = {role: shown(world, clock) for role, world, clock in zip("abc", (a, b, c), clocks_, strict=True)}
        found = {it.step: it for it in perform(lanes, rule, also={**ALSO, "c": {"on", "off"}}).findings}
        if "c" not in found or found["b"].outcome is not Outcome.MET:
            return
        true = c.on - b.on
        match found["c"].outcome:
            case Outcome.MET:
                assert 0 <= true <= within
            case Outcome.LATE:
                assert true > within
            case Outcome.OUT_OF_ORDER:
                assert true < 0
            case Outcome.UNDECIDED:
                assert min(abs(true), abs(true - within)) <= DOUBT


class TestPulse:
    @given(worlds(), clocks(), LIMITS, LIMITS)
    @settings(max_examples=examples(40), deadline=None)
    def test_length(self, a: World, clock: list[float], one: int, other: int) -> None:
        least, most = sorted((one, other))
        rule = Pulse(name="rule", of=holds("a", "on"), least_ns=ns(least), most_ns=ns(most))
        (finding,) = perform({"a": shown(a, clock)}, rule, also=ALSO).findings
        true = a.off - a.on
        match finding.outcome:
            case Outcome.MET:
                assert least <= true <= most
            case Outcome.VIOLATED:
                assert not least <= true <= most
            case _:
                assert min(abs(true - least), abs(true - most)) <= DOUBT
        if finding.delay is not None:
            assert spans_truth(finding, true)


class TestNever:
    @given(worlds(), worlds(), clocks(), clocks(), LIMITS)
    @settings(max_examples=examples(40), deadline=None)
    def test_length(self, a: World, b: World, clock_a: list[float], clock_b: list[float], limit: int) -> None:
        """How long two roles were on together."""
        rule = Never(name="rule", when=all_of(holds("a", "on"), holds("b", "on")), longer_than_ns=ns(limit))
        outcomes = {it.outcome for it in perform({"a": shown(a, clock_a), "b": shown(b, clock_b)}, rule).findings}
        true = max(min(a.off, b.off) - max(a.on, b.on), 0)
        if Outcome.VIOLATED in outcomes:
            assert true > limit
        elif Outcome.UNDECIDED in outcomes:
            assert abs(true - limit) <= DOUBT
        else:
            assert true <= limit


class TestAgree:
    @given(worlds(), worlds(), clocks(), clocks(), LIMITS)
    @settings(max_examples=examples(40), deadline=None)
    def test_settle(self, a: World, b: World, clock_a: list[float], clock_b: list[float], settle: int) -> None:
        rule = Agree(name="rule", first=holds("a", "on"), second=holds("b", "on"), settle_ns=ns(settle))
        outcomes = {it.outcome for it in perform({"a": shown(a, clock_a), "b": shown(b, clock_b)}, rule).findings}
        if max(a.on, b.on) <= min(a.off, b.off):
            lengths = [abs(a.on - b.on), abs(a.off - b.off)]
            gap = min(a.off, b.off) - max(a.on, b.on)
        else:
            lengths = [a.off - a.on, b.off - b.on]
            gap = max(a.on, b.on) - min(a.off, b.off)
        if Outcome.VIOLATED in outcomes:
            assert max(lengths) > settle
        elif Outcome.UNDECIDED in outcomes:
            # Two differences with a short agreement between them may have been one.
            assert any(abs(length - settle) <= DOUBT for length in lengths) or gap <= DOUBT
        else:
            assert max(lengths) <= settle


class TestPrecedes:
    @given(worlds(), worlds(), clocks(), clocks(), st.integers(0, 150))
    @settings(max_examples=examples(40), deadline=None)
    def test_delay(self, a: World, b: World, clock_a: list[float], clock_b: list[float], within: int) -> None:
        rule = Precedes(name="rule", first=becomes("a", "on"), then=becomes("b", "on"), within_ns=ns(within))
        (finding,) = perform({"a": shown(a, clock_a), "b": shown(b, clock_b)}, rule, also=ALSO).findings
        true = b.on - a.on
        match finding.outcome:
            case Outcome.MET:
                # An order that the log cannot tell is taken to be right.
                assert -DOUBT <= true <= within
            case Outcome.VIOLATED:
                assert not 0 <= true <= within
            case _:
                assert min(abs(true - within), abs(true)) <= DOUBT
