"""Where a rule can be put in signal temporal logic, an independent monitor has to say the same.

rtamt 0.3 judges traces that are sampled at the same instants. A role that tells its changes at once (a lag of 0) is
known exactly at all times, so that no verdict is undecided and both must agree. Without that, what changed between
two frames is in doubt; holding each value until the next frame is then one of the worlds that fit the log, so that
whatever we call met must hold in it, and whatever we call a fault must be one in it.
"""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.examples import examples
from support.stage import Samples, becomes, holds, perform

from buslens.checks.findings import Outcome, Result
from buslens.expectations.model import (
    Agree,
    And,
    AnyRule,
    Condition,
    HeldFor,
    Never,
    Not,
    Or,
    Precedes,
    Pulse,
    Range,
    Sequence,
    Step,
    WrittenCondition,
)
from buslens.units import NS_PER_MS

temporal = pytest.importorskip("support.temporal", reason="rtamt is not installed")

TICK = 10
"""Milliseconds between two samples of a trace."""
QUIET = 8
"""Samples without an event at both ends of a trace: longer than any window, so that nothing is cut off."""

Trace = list[int]
LIMITS = st.integers(0, QUIET - 2)


@st.composite
def states(draw: st.DrawFn) -> Trace:
    """Draw a state that stays for a few samples each time; it is off at both ends."""
    lengths = draw(st.lists(st.integers(1, 6), max_size=8))
    body = [1 - index % 2 for index, length in enumerate(lengths) for _ in range(length)]
    return [0] * QUIET + (body + [0] * 40)[:28] + [0] * QUIET


@st.composite
def one_rise(draw: st.DrawFn) -> Trace:
    """Draw a state that comes once and goes once."""
    start = QUIET + draw(st.integers(0, 20))
    length = draw(st.integers(1, 6))
    return [int(start <= index < start + length) for index in range(28 + 2 * QUIET)]


def ns(ticks: int) -> int:
    return ticks * TICK * NS_PER_MS


def samples(trace: Trace, every: int = 1) -> Samples:
    """Return the samples at every so-manieth tick, and at the first and the last."""
    shown = [index for index in range(len(trace)) if index % every == 0 or index == len(trace) - 1]
    return [(TICK * index, "on" if trace[index] else "off") for index in shown]


def held(trace: Trace, every: int) -> Trace:
    """Return the trace in which each sample is held until the next."""
    last = len(trace) - 1
    return [trace[index if index == last else index - index % every] for index in range(len(trace))]


def outcomes_of(rule: AnyRule, traces: dict[str, Trace], *, every: dict[str, int] | None = None) -> Result:
    """Judge traces: exactly, or sampled at every so-manieth tick per role and with all the doubt of that."""
    also = {name: {"on", "off"} for name in traces}
    if every is None:
        return perform(
            {name: samples(trace) for name, trace in traces.items()}, rule, also=also, lags=dict.fromkeys(traces, 0)
        )
    return perform({name: samples(trace, every[name]) for name, trace in traces.items()}, rule, also=also)


def is_faulty(result: Result) -> bool:
    assert all(finding.outcome is not Outcome.UNDECIDED for finding in result.findings), "an exact log leaves no doubt"
    return any(finding.outcome.is_fault for finding in result.findings)


def assert_agree(
    rule: AnyRule, formula: str, traces: dict[str, Trace], every: dict[str, int], *, order_counts: bool = True
) -> None:
    """Assert that rtamt agrees on the exact traces, and on the held ones as far as we decide.

    Where `order_counts` is false, the rule takes two changes whose order the log cannot tell to be in order: then it
    may call met what is not so in every world. With all roles sampled at the same instants it is so in the held one.
    """
    assert is_faulty(outcomes_of(rule, traces)) != temporal.satisfied(formula, traces)
    if not order_counts:
        every = dict.fromkeys(every, every["a"]) if every["c"] % 2 else every
    result = outcomes_of(rule, traces, every=every)
    in_held_world = temporal.satisfied(formula, {name: held(trace, every[name]) for name, trace in traces.items()})
    if any(finding.outcome.is_fault for finding in result.findings):
        assert not in_held_world
    decides = order_counts or len(set(every.values())) == 1
    if (
        decides
        and all(finding.outcome is Outcome.MET for finding in result.findings)
        and not any(handshake.abandoned for handshake in result.handshakes)
    ):
        assert in_held_world


EVERY = st.fixed_dictionaries({name: st.integers(1, 4) for name in "abc"})
A, B = holds("a", "on").condition, holds("b", "on").condition

#: Conditions and their formulas.
CONDITIONS: list[tuple[Condition, str]] = [
    (A, "(a >= 0.5)"),
    (And(parts=(A, B)), "((a >= 0.5) and (b >= 0.5))"),
    (And(parts=(A, Not(part=B))), "((a >= 0.5) and not(b >= 0.5))"),
    (
        And(parts=(Or(parts=(A, B)), Not(part=And(parts=(A, B))))),
        "(((a >= 0.5) or (b >= 0.5)) and not((a >= 0.5) and (b >= 0.5)))",
    ),
    (HeldFor(part=A, duration_ns=ns(2)), "(historically[0:2](a >= 0.5))"),
    (
        And(parts=(HeldFor(part=Not(part=B), duration_ns=ns(1)), A)),
        "((historically[0:1](not(b >= 0.5))) and (a >= 0.5))",
    ),
]


class TestNever:
    @pytest.mark.parametrize(("condition", "formula"), CONDITIONS, ids=[formula for _, formula in CONDITIONS])
    @given(a=states(), b=states(), every=EVERY)
    @settings(max_examples=examples(25), deadline=None)
    def test_at_all(self, condition: Condition, formula: str, a: Trace, b: Trace, every: dict[str, int]) -> None:
        rule = Never(name="rule", when=WrittenCondition(condition=condition, text="it"))
        assert_agree(rule, f"not({formula})", {"a": a, "b": b}, every, order_counts=False)

    @pytest.mark.parametrize(("condition", "formula"), CONDITIONS[:4], ids=[formula for _, formula in CONDITIONS[:4]])
    @given(a=states(), b=states(), limit=LIMITS, every=EVERY)
    @settings(max_examples=examples(25), deadline=None)
    def test_longer_than(
        self, condition: Condition, formula: str, a: Trace, b: Trace, limit: int, every: dict[str, int]
    ) -> None:
        """On for n samples is on for n ticks: longer than the limit is n samples of limit + 1 or more."""
        rule = Never(name="rule", when=WrittenCondition(condition=condition, text="it"), longer_than_ns=ns(limit))
        assert_agree(rule, f"not(always[0:{limit}]({formula}))", {"a": a, "b": b}, every)


class TestAgree:
    @given(a=states(), b=states(), settle=LIMITS, every=EVERY)
    @settings(max_examples=examples(25), deadline=None)
    def test_settle(self, a: Trace, b: Trace, settle: int, every: dict[str, int]) -> None:
        rule = Agree(name="rule", first=holds("a", "on"), second=holds("b", "on"), settle_ns=ns(settle))
        differ = "(((a >= 0.5) and not(b >= 0.5)) or ((b >= 0.5) and not(a >= 0.5)))"
        assert_agree(rule, f"not(always[0:{settle}]({differ}))", {"a": a, "b": b}, every)


class TestResponse:
    @given(a=states(), b=states(), within=LIMITS, every=EVERY)
    @settings(max_examples=examples(40), deadline=None)
    def test_one_step(self, a: Trace, b: Trace, within: int, every: dict[str, int]) -> None:
        """Every start is answered within the limit, unless it comes again before that has run out."""
        rule = Sequence(
            name="rule",
            start=becomes("a", "on"),
            steps=(Step(name="b", await_=becomes("b", "on"), within_ns=ns(within)),),
        )
        answered = f"(eventually[0:{within}](rise(b >= 0.5)))"
        again = f" or (eventually[1:{within}](rise(a >= 0.5)))" if within else ""
        assert_agree(rule, f"(rise(a >= 0.5)) implies ({answered}{again})", {"a": a, "b": b}, every, order_counts=False)

    @given(a=one_rise(), b=one_rise(), least=st.integers(1, 4), more=st.integers(0, 2), every=EVERY)
    @settings(max_examples=examples(25), deadline=None)
    def test_least_delay(self, a: Trace, b: Trace, least: int, more: int, every: dict[str, int]) -> None:
        rule = Sequence(
            name="rule",
            start=becomes("a", "on"),
            steps=(Step(name="b", await_=becomes("b", "on"), after_ns=ns(least), within_ns=ns(least + more)),),
        )
        formula = f"(rise(a >= 0.5)) implies (eventually[{least}:{least + more}](rise(b >= 0.5)))"
        assert_agree(rule, formula, {"a": a, "b": b}, every)

    @given(a=one_rise(), b=states(), c=states(), first=LIMITS, second=LIMITS, every=EVERY)
    @settings(max_examples=examples(40), deadline=None)
    def test_two_steps(self, a: Trace, b: Trace, c: Trace, first: int, second: int, every: dict[str, int]) -> None:
        """The first answer counts, and from it the second is awaited."""
        # Nothing is judged of what the end of the trace cuts off.
        traces = {name: [*trace, *([trace[-1]] * QUIET)] for name, trace in {"a": a, "b": b, "c": c}.items()}
        rule = Sequence(
            name="rule",
            start=becomes("a", "on"),
            steps=(
                Step(name="b", await_=becomes("b", "on"), within_ns=ns(first)),
                Step(name="c", await_=becomes("c", "on"), within_ns=ns(second)),
            ),
        )
        then = f"((rise(b >= 0.5)) and (eventually[0:{second}](rise(c >= 0.5))))"
        formula = f"(rise(a >= 0.5)) implies ((not(rise(b >= 0.5))) until[0:{first}] {then})"
        assert_agree(rule, formula, traces, every, order_counts=False)


class TestPrecedes:
    @given(a=states(), b=states(), within=LIMITS, every=EVERY)
    @settings(max_examples=examples(40), deadline=None)
    def test_once(self, a: Trace, b: Trace, within: int, every: dict[str, int]) -> None:
        rule = Precedes(name="rule", first=becomes("a", "on"), then=becomes("b", "on"), within_ns=ns(within))
        formula = f"(rise(b >= 0.5)) implies (once[0:{within}](rise(a >= 0.5)))"
        assert_agree(rule, formula, {"a": a, "b": b}, every, order_counts=False)


class TestPulse:
    @given(a=states(), most=LIMITS, every=EVERY)
    @settings(max_examples=examples(25), deadline=None)
    def test_most(self, a: Trace, most: int, every: dict[str, int]) -> None:
        rule = Pulse(name="rule", of=holds("a", "on"), most_ns=ns(most))
        assert_agree(rule, f"not(always[0:{most}](a >= 0.5))", {"a": a}, every)

    @given(a=states(), least=st.integers(1, QUIET - 2), every=EVERY)
    @settings(max_examples=examples(25), deadline=None)
    def test_least(self, a: Trace, least: int, every: dict[str, int]) -> None:
        rule = Pulse(name="rule", of=holds("a", "on"), least_ns=ns(least))
        formula = f"(rise(a >= 0.5)) implies (always[0:{least - 1}](a >= 0.5))"
        assert_agree(rule, formula, {"a": a}, every)


class TestRange:
    @given(
        volts=st.lists(st.integers(90, 100), min_size=1, max_size=12),
        scope=st.lists(st.booleans(), min_size=12, max_size=12),
        tolerated=st.one_of(st.none(), st.integers(0, 3)),
    )
    @settings(max_examples=examples(25), deadline=None)
    def test_while(self, volts: list[int], scope: list[bool], tolerated: int | None) -> None:
        """A value within its limits, both included, while a state holds; excursions of so many ticks are tolerated."""
        values = [9.5] * QUIET + [volt / 10 for volt in volts] + [9.5] * QUIET
        on = [0] * QUIET + [int(it) for it in scope[: len(volts)]] + [0] * QUIET
        rule = Range(
            name="rule",
            of="u",
            least=9.2,
            most=9.8,
            while_=holds("on", "on"),
            longer_than_ns=None if tolerated is None else ns(tolerated),
        )
        result = perform(
            {"u": [(TICK * index, value) for index, value in enumerate(values)], "on": samples(on)},
            rule,
            also={"on": {"on", "off"}},
            lags={"u": 0, "on": 0},
        )
        # rtamt is asked with limits half a step outside, for it cannot tell a value on a limit from one beyond it.
        outside = "((on >= 0.5) and ((u <= 9.15) or (u >= 9.85)))"
        formula = f"not(always[0:{tolerated or 0}]({outside}))"
        assert is_faulty(result) != temporal.satisfied(formula, {"u": values, "on": on})


class TestOracle:
    """The monitor is asked what it is thought to be asked."""

    @pytest.mark.parametrize(
        ("formula", "a", "expected"),
        [
            ("not(always[0:1](a >= 0.5))", [0, 1, 0, 1, 0, 0], True),
            ("not(always[0:1](a >= 0.5))", [0, 1, 1, 0, 0, 0], False),
            ("(rise(a >= 0.5)) implies (always[0:1](a >= 0.5))", [0, 1, 1, 0, 0, 0], True),
            ("(rise(a >= 0.5)) implies (always[0:1](a >= 0.5))", [0, 1, 0, 0, 0, 0], False),
        ],
    )
    def test_windows(self, formula: str, a: list[int], expected: bool) -> None:
        assert temporal.satisfied(formula, {"a": a}) == expected
