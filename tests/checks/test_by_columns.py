"""What is told of all occurrences at once is what looking at each of them on its own tells."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from support.examples import examples
from support.stage import Samples, all_of, becomes, holds, perform, sampled, step

from buslens.checks.context import EvaluationContext
from buslens.checks.edges import Edges
from buslens.checks.evaluate_rule import evaluate_rule
from buslens.checks.met_handshakes import find_met_handshakes
from buslens.expectations.model import (
    Agree,
    Becomes,
    GuardedEdge,
    HeldFor,
    Is,
    Never,
    Precedes,
    Pulse,
    Range,
    Sequence,
    Trigger,
    WrittenCondition,
)
from buslens.units import NS_PER_MS

if TYPE_CHECKING:
    from buslens.checks.findings import Result
    from buslens.expectations.model import AnyRule

ROLES = ("door", "enable", "feedback")
ALSO = {role: {"on", "off"} for role in ROLES}


def ms(value: float) -> int:
    return round(value * NS_PER_MS)


def held(role: str, state: str, duration: float) -> WrittenCondition:
    condition = HeldFor(part=Is(role=role, state=state), duration_ns=ms(duration))
    return WrittenCondition(condition=condition, text=f"{role} is {state} for {duration} ms")


def either(*triggers: Trigger) -> Trigger:
    moments = tuple(moment for trigger in triggers for moment in trigger.moments)
    return Trigger(moments=moments, text=" or ".join(trigger.text for trigger in triggers))


def guarded(role: str, state: str, guard: WrittenCondition) -> Trigger:
    moment = GuardedEdge(edge=Becomes(role=role, state=state), while_=guard.condition)
    return Trigger(moments=(moment,), text=f"{role} becomes {state} and {guard.text}")


def lasts(role: str, state: str, duration: float) -> Trigger:
    written = held(role, state, duration)
    return Trigger(moments=(GuardedEdge(edge=written.condition),), text=written.text)


TRIGGERS = st.one_of(
    st.builds(becomes, st.sampled_from(ROLES), st.sampled_from(["on", "off"])),
    st.builds(lasts, st.sampled_from(ROLES), st.just("on"), st.integers(1, 40)),
    st.builds(guarded, st.sampled_from(ROLES), st.just("on"), st.just(holds("door", "on"))),
    st.just(either(becomes("enable", "on"), becomes("feedback", "on"))),
    st.just(either(becomes("enable", "on"), becomes("enable", "on"))),
)
CONDITIONS = st.one_of(
    st.builds(holds, st.sampled_from(ROLES), st.sampled_from(["on", "off"])),
    st.builds(held, st.sampled_from(ROLES), st.just("on"), st.integers(0, 40)),
    st.just(all_of(holds("door", "on"), holds("feedback", "on"))),
)
LIMITS = st.integers(0, 60) | st.sampled_from([100, 400])


@st.composite
def sequences(draw: st.DrawFn) -> Sequence:
    """Draw one that repeated handshakes can meet, or any other."""
    likely = draw(st.booleans())
    awaited = draw(st.permutations([becomes("enable", "on"), becomes("feedback", "on"), becomes("enable", "off")]))
    steps = []
    for index in range(draw(st.integers(1, 3))):
        trigger = awaited[index] if likely else draw(TRIGGERS)
        from_ = draw(st.sampled_from([None, *(it.name for it in steps)]))
        after = draw(st.sampled_from([None, None, 0, 5, 20]))
        made = step(f"step {index}", "door", "on", within=draw(LIMITS), after=after, from_=from_)
        steps.append(
            type(made)(name=made.name, await_=trigger, after_ns=made.after_ns, within_ns=made.within_ns, from_=from_)
        )
    return Sequence(
        name="sequence",
        start=becomes(draw(st.sampled_from(["door", "door", "enable"])), "on") if likely else draw(TRIGGERS),
        given=None if likely else draw(st.none() | CONDITIONS),
        abandon=draw(st.sampled_from([None, becomes("door", "off")])),
        tries=draw(st.integers(1, 3)),
        steps=tuple(steps),
    )


RULES = st.one_of(
    sequences(),
    sequences(),
    st.builds(lambda when, ns: Never(name="n", when=when, longer_than_ns=ns), CONDITIONS, st.none() | LIMITS.map(ms)),
    st.builds(
        lambda a, b, ns: Agree(name="a", first=a, second=b, settle_ns=ns), CONDITIONS, CONDITIONS, LIMITS.map(ms)
    ),
    st.builds(
        lambda of, least, most: Pulse(name="p", of=of, least_ns=least, most_ns=None if most is None else most),
        CONDITIONS,
        st.none() | LIMITS.map(ms),
        st.none() | LIMITS.map(ms),
    ),
    st.builds(lambda a, b, ns: Precedes(name="p", first=a, then=b, within_ns=ns), TRIGGERS, TRIGGERS, LIMITS.map(ms)),
    st.builds(
        lambda while_, ns: Range(name="r", of="volts", least=9, while_=while_, longer_than_ns=ns),
        st.none() | CONDITIONS,
        st.none() | LIMITS.map(ms),
    ),
)


@st.composite
def lanes(draw: st.DrawFn) -> dict[str, Samples]:
    """Draw some handshakes in a row, of which now and then one differs, and frames are lost."""
    changes: dict[str, list[tuple[float, str]]] = {role: [(0.0, "off")] for role in ROLES}
    at = 30.0
    for _ in range(draw(st.integers(1, 6))):
        delays = [draw(st.integers(0, 60)) for _ in range(3)] if draw(st.integers(0, 3)) == 0 else [12, 45, 75]
        enable, feedback, end = at + delays[0], at + delays[1], at + delays[2]
        changes["door"] += [(at, "on"), (at + 110, "off")]
        changes["enable"] += [(enable, "on"), (max(end, enable + 3), "off")]
        changes["feedback"] += [(feedback, "on"), (at + 120, "off")]
        if draw(st.integers(0, 2)) == 0:
            again = enable + draw(st.integers(3, 60))
            changes["enable"] += [(again, "on"), (again + draw(st.integers(2, 20)), "off")]
        at += draw(st.sampled_from([140, 140, 190]))
    every = draw(st.sampled_from([3, 7, 10]))
    found = {role: sampled(sorted(of), every=every, until=at) for role, of in changes.items()}
    found["volts"] = [(time, draw(st.sampled_from([12.0, 12.0, 12.0, 8.0]))) for time in np.arange(0, at, 20).tolist()]
    for _ in range(draw(st.integers(0, 4))):
        role, gap = draw(st.sampled_from(sorted(found))), draw(st.integers(1, int(at)))
        width = draw(st.integers(5, 40))
        found[role] = [it for it in found[role] if not gap < it[0] < gap + width] or found[role]
    return found


def context_of(result: Result, *, by_columns: bool) -> EvaluationContext:
    return EvaluationContext(
        timelines=result.timelines,
        presences={},
        first_ns=result.stats.first_ns or 0,
        end_ns=result.stats.last_ns or 0,
        discontinuities_ns=tuple(seam.time_ns for seam in result.stats.discontinuities),
        by_columns=by_columns,
    )


@given(
    lanes(),
    st.lists(RULES, min_size=1, max_size=4),
    st.sampled_from([None, 12.0, 30.0]),
    st.sampled_from([{}, {}, {"feedback": 2.0}]),
    st.sampled_from([[], [], [77], [150], [300]]),
    st.sampled_from([0, 0, 200]),
)
@settings(max_examples=examples(150), deadline=None)
def test_columns_and_single_looks_agree(
    samples: dict[str, Samples],
    rules: list[AnyRule],
    timeout: float | None,
    lags: dict[str, float],
    discontinuities: list[float],
    more: float,
) -> None:
    timeouts = {} if timeout is None else dict.fromkeys(samples, timeout)
    until = max(it[-1][0] for it in samples.values()) + more
    result = perform(samples, also=ALSO, timeouts=timeouts, lags=lags, discontinuities=discontinuities, until=until)
    together, one_by_one = (context_of(result, by_columns=how) for how in (True, False))
    for rule in rules:
        told, alone = evaluate_rule(rule, together), evaluate_rule(rule, one_by_one)
        assert [list(part) for part in told] == [list(part) for part in alone]


CHANGES: Final[dict[str, list[tuple[float, str]]]] = {
    "door": [(0.0, "off"), (30.0, "on"), (140.0, "off")],
    "enable": [(0.0, "off"), (40.0, "on"), (110.0, "off")],
    "feedback": [(0.0, "off"), (90.0, "on"), (150.0, "off")],
}
STEPS = (
    step("enable", "enable", "on", within=20),
    step("feedback", "feedback", "on", within=60, after=30),
    step("ends", "enable", "off", within=80, from_="enable"),
)


class TestFindMetHandshakes:
    """Most handshakes must be told so, or nothing is won; none may be of which looking at it would say more."""

    def found(self, changes: dict[str, list[tuple[float, str]]], gap: float = 0, **how: object) -> list[bool]:
        made = {"name": "sequence", "start": becomes("door", "on"), "steps": STEPS, "tries": 3}
        rule = Sequence(**made | {"abandon": becomes("door", "off")} | how)  # type: ignore[arg-type]
        samples = {role: sampled(of, every=5, until=400) for role, of in (CHANGES | changes).items()}
        # The line says nothing for a while, and then again what it said before.
        samples["feedback"] = [it for it in samples["feedback"] if not gap or not 45 <= it[0] < 45 + gap]
        result = perform(samples, also=ALSO, timeouts=dict.fromkeys(samples, 15.0))
        together, one_by_one = (context_of(result, by_columns=way) for way in (True, False))
        assert evaluate_rule(rule, together) == evaluate_rule(rule, one_by_one)
        starts = together.trigger_times(rule.start)
        return find_met_handshakes(rule, together, Edges(starts.since_ns, starts.seen_ns)).is_met.tolist()

    def test_in_order(self) -> None:
        assert self.found({}) == [True]

    def test_only_one_of_two(self) -> None:
        door = [*CHANGES["door"], (200.0, "on")]
        assert self.found({"door": door}) == [True, False]

    def test_a_gap_in_which_another_change_could_hide(self) -> None:
        assert self.found({}, gap=10) == [True]
        assert self.found({}, gap=25) == [False]

    def test_too_soon(self) -> None:
        assert self.found({"feedback": [(0.0, "off"), (60.0, "on")]}) == [False]

    def test_tried_again(self) -> None:
        again = [(0.0, "off"), (40.0, "on"), (60.0, "off"), (70.0, "on"), (110.0, "off")]
        assert self.found({"enable": again}) == [False]

    def test_ended_before_the_answer(self) -> None:
        assert self.found({"door": [(0.0, "off"), (30.0, "on"), (80.0, "off")]}) == [False]

    def test_a_step_that_awaits_the_start_again(self) -> None:
        steps = (step("again", "door", "on", within=400),)
        assert self.found({}, steps=steps, abandon=None) == [False]
        # The first of two is followed by one that may just have ended its handshake, and the second by none.
        door = [(0.0, "off"), (30.0, "on"), (60.0, "off"), (90.0, "on")]
        assert self.found({"door": door}, steps=steps, abandon=None) == [True, False]
