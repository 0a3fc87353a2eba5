"""What must not change a finding, and in which direction a change may move it."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.examples import examples
from support.stage import Samples, all_of, becomes, holds, perform, step

from buslens.checks.findings import Evidence, Finding, Outcome, Result, TimeBounds, Verdict
from buslens.expectations.model import (
    Agree,
    Alive,
    AnyRule,
    HeldFor,
    Is,
    Never,
    Precedes,
    Pulse,
    Range,
    Sequence,
    Step,
    WrittenCondition,
)
from buslens.units import NS_PER_MS

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

pytestmark = pytest.mark.slow

BADNESS = {Outcome.MET: 0, Outcome.UNDECIDED: 1}
"""Every fault is worse than both."""
ROLES = ("door", "enable", "feedback")
ALSO = {role: {"on", "off"} for role in ROLES}
LARGEST = 220
"""A limit that no draw exceeds, ms."""


def ms(value: float) -> int:
    return round(value * NS_PER_MS)


def rules(limit: float) -> list[AnyRule]:
    """Return a rule of each kind, none of which gets stricter as the limit grows."""
    return [
        Never(name="never", when=all_of(holds("door", "on"), holds("feedback", "on")), longer_than_ns=ms(limit)),
        Agree(name="agree", first=holds("enable", "on"), second=holds("feedback", "on"), settle_ns=ms(limit)),
        Pulse(name="pulse", of=holds("enable", "on"), most_ns=ms(limit)),
        Precedes(name="precedes", first=becomes("enable", "on"), then=becomes("feedback", "on"), within_ns=ms(limit)),
        Sequence(
            name="sequence",
            start=becomes("door", "on"),
            abandon=becomes("door", "off"),
            steps=(
                step("enable", "enable", "on", within=limit),
                step("feedback", "feedback", "on", within=limit, after=0),
            ),
        ),
        Pulse(name="least", of=holds("enable", "on"), least_ns=ms(LARGEST - limit)),
        Never(
            name="held",
            when=WrittenCondition(
                condition=HeldFor(part=Is(role="enable", state="on"), duration_ns=ms(limit + 1)), text="enable is held"
            ),
        ),
        Alive(name="alive", message="ENABLE", timeout_ns=ms(limit + 1)),
        Range(name="low", of="volts", least=(LARGEST - limit) / 20),
        Range(name="high", of="volts", most=10 + limit / 20),
        Range(name="dip", of="volts", least=9.0, while_=holds("enable", "on"), longer_than_ns=ms(limit)),
        Sequence(
            name="spaced",
            start=becomes("door", "on"),
            abandon=becomes("door", "off"),
            steps=(
                step("enable", "enable", "on", within=90),
                step("feedback", "feedback", "on", within=400, after=LARGEST - limit),
                step("volts", "feedback", "off", within=limit, from_="enable"),
            ),
        ),
    ]


@st.composite
def lane(draw: st.DrawFn) -> Samples:
    """Draw what a role sends by a clock of its own, with gaps now and then."""
    time, state = float(draw(st.integers(0, 9))), draw(st.booleans())
    samples: Samples = []
    for _ in range(draw(st.integers(3, 25))):
        samples.append((time, "on" if state else "off"))
        time += draw(st.sampled_from([10, 10, 10, 13, 20, 90]))
        state ^= draw(st.integers(0, 3)) == 0
    return samples


@st.composite
def numbers(draw: st.DrawFn) -> Samples:
    """Draw what a role sends that is a number."""
    levels = st.sampled_from(draw(st.lists(st.sampled_from([12.0, 9.0, 8.9, 2.0, 16.1]), min_size=1, max_size=3)))
    return [(time, draw(levels)) for time, _ in draw(lane())]


LANES = st.fixed_dictionaries({role: lane() for role in ROLES} | {"volts": numbers()})
LIMITS = st.integers(0, 120)
TIMEOUTS = st.sampled_from([None, 40.0])


def judged(lanes: dict[str, Samples], *of: AnyRule, timeout: float | None, **how: object) -> Result:
    timeouts = {} if timeout is None else dict.fromkeys(lanes, timeout)
    return perform(lanes, *of, also=ALSO, timeouts=timeouts, **how)  # type: ignore[arg-type]


def moved(finding: Finding, by_ns: int) -> Finding:
    """Return a finding of a capture that began so much later."""

    def later(span: TimeBounds | None) -> TimeBounds | None:
        if span is None:
            return None
        latest_ns = None if span.latest_ns is None else span.latest_ns + by_ns
        return TimeBounds(earliest_ns=span.earliest_ns + by_ns, latest_ns=latest_ns)

    def later_evidence(evidence: Evidence) -> Evidence:
        span = later(evidence.time)
        assert span is not None
        return replace(evidence, time=span)

    return replace(
        finding,
        time_ns=None if finding.time_ns is None else finding.time_ns + by_ns,
        reference=later(finding.reference),
        evidence=tuple(map(later_evidence, finding.evidence)),
    )


def changed(lanes: dict[str, Samples], change: Callable[[float], float]) -> dict[str, Samples]:
    return {role: [(change(time), state) for time, state in samples] for role, samples in lanes.items()}


class TestSameFindings:
    """What a finding does not rest on does not change it."""

    @given(LANES, LIMITS, TIMEOUTS, st.integers(1, 10**9))
    @settings(max_examples=examples(15), deadline=None)
    def test_shifted_times(self, lanes: dict[str, Samples], limit: int, timeout: float | None, by: int) -> None:
        before = judged(lanes, *rules(limit), timeout=timeout)
        after = judged(changed(lanes, lambda time: time + by), *rules(limit), timeout=timeout)
        assert [moved(finding, ms(by)) for finding in before.findings] == list(after.findings)
        assert before.verdict is after.verdict

    @given(LANES, LIMITS, TIMEOUTS)
    @settings(max_examples=examples(15), deadline=None)
    def test_duplicated_frames(self, lanes: dict[str, Samples], limit: int, timeout: float | None) -> None:
        """Frames that were recorded twice, with one stamp, say nothing new."""
        twice = {role: [sample for sample in samples for _ in range(2)] for role, samples in lanes.items()}
        before, after = (judged(it, *rules(limit), timeout=timeout) for it in (lanes, twice))
        # The usual time between frames, which words and a proposed rate rest on, is another one.
        assert [replace(it, reason="") for it in before.findings] == [replace(it, reason="") for it in after.findings]

    @given(LANES, LIMITS, TIMEOUTS, lane())
    @settings(max_examples=examples(15), deadline=None)
    def test_unrelated_traffic(
        self, lanes: dict[str, Samples], limit: int, timeout: float | None, other: Samples
    ) -> None:
        first = min(samples[0][0] for samples in lanes.values())
        last = max(samples[-1][0] for samples in lanes.values())
        inside = [sample for sample in other if first <= sample[0] <= last]
        before = judged(lanes, *rules(limit), timeout=timeout)
        after = judged({"other": inside, **lanes}, *rules(limit), timeout=timeout)
        assert before.findings == after.findings

    @given(LANES, LIMITS, TIMEOUTS)
    @settings(max_examples=examples(15), deadline=None)
    def test_frames_of_one_stamp_in_another_order(
        self, lanes: dict[str, Samples], limit: int, timeout: float | None
    ) -> None:
        """Frames of different messages that bear one stamp came in no order that the log could tell."""
        backwards = dict(reversed(lanes.items()))
        before, after = (judged(it, *rules(limit), timeout=timeout) for it in (lanes, backwards))
        assert before.findings == after.findings

    @given(LANES, LIMITS, TIMEOUTS)
    @settings(max_examples=examples(10), deadline=None)
    def test_other_rules(self, lanes: dict[str, Samples], limit: int, timeout: float | None) -> None:
        together = judged(lanes, *rules(limit), timeout=timeout)
        apart = [finding for rule in rules(limit) for finding in judged(lanes, rule, timeout=timeout).findings]
        assert list(together.findings) == apart


def worst(findings: Iterable[Finding]) -> int:
    return max((BADNESS.get(it.outcome, 2) for it in findings), default=0)


def by_step(findings: Iterable[Finding]) -> dict[tuple[int | None, str | None], int]:
    return {(it.handshake, it.step): BADNESS.get(it.outcome, 2) for it in findings}


def assert_no_worse(before: Result, after: Result) -> None:
    """Hold what a wider limit found to what the strict one found.

    A sequence judges a step in each handshake. One whose step before was not found is not judged at all; where a wider
    limit finds that step, the next one is judged for the first time, and may be a fault. So steps are compared one by
    one, and a verdict may go from undecided to faulty by such a step: that is what the wider limit brought to light.
    """
    name = before.expectations.rules[0].name
    if name in {"sequence", "spaced", "drawn"}:
        were = by_step(before.findings)
        for key, badness in by_step(after.findings).items():
            assert badness <= were.get(key, 2)
    else:
        assert worst(after.findings) <= worst(before.findings)
        at = {it.time_ns: BADNESS.get(it.outcome, 2) for it in before.findings}
        for finding in after.findings if name not in {"held", "low", "high"} else ():
            # In an episode without a finding the strict limit was kept, too. What begins later for a wider limit is
            # compared with nothing but the worst.
            assert BADNESS.get(finding.outcome, 2) <= at.get(finding.time_ns, 0)
        order = [Verdict.AS_EXPECTED, Verdict.UNDECIDED, Verdict.FAULTY]
        assert order.index(after.verdict) <= order.index(before.verdict)


class TestWiderLimits:
    """A wider limit never makes a finding worse, and so a tighter one never better.

    A role's own timeout is no such limit: with a longer one more is known, faults too.
    """

    @given(LANES, LIMITS, st.integers(1, 100), TIMEOUTS)
    @settings(max_examples=examples(25), deadline=None)
    def test_worst_outcome(self, lanes: dict[str, Samples], limit: int, more: int, timeout: float | None) -> None:
        for strict, wide in zip(rules(limit), rules(limit + more), strict=True):
            before = judged(lanes, strict, timeout=timeout)
            after = judged(lanes, wide, timeout=timeout)
            assert_no_worse(before, after)

    @given(LANES, st.lists(LIMITS, min_size=3, max_size=3), st.integers(0, 2), st.integers(1, 100), TIMEOUTS)
    @settings(max_examples=examples(25), deadline=None)
    def test_one_limit_of_a_sequence(
        self, lanes: dict[str, Samples], limits: list[int], which: int, more: int, timeout: float | None
    ) -> None:
        before = judged(lanes, drawn_sequence(limits), timeout=timeout)
        wider = [limit + more * (place == which) for place, limit in enumerate(limits)]
        assert_no_worse(before, judged(lanes, drawn_sequence(wider), timeout=timeout))

    @given(LANES, st.lists(LIMITS, min_size=3, max_size=3), st.integers(1, 3), TIMEOUTS)
    @settings(max_examples=examples(25), deadline=None)
    def test_more_tries(self, lanes: dict[str, Samples], limits: list[int], tries: int, timeout: float | None) -> None:
        """More tries start the clock of the second step anew, which only shortens its delay: what is met stays met.

        What one try leaves open, another one may decide. The end of the pulse is asked of the last try: with one more,
        it is that of another pulse.
        """
        before = judged(lanes, drawn_sequence(limits, tries=tries), timeout=timeout)
        after = judged(lanes, drawn_sequence(limits, tries=tries + 1), timeout=timeout)
        were, are = (by_step([it for it in of.findings if it.step != "again"]) for of in (before, after))
        assert all(were.get(key, 2) or not badness for key, badness in are.items())

    def test_more_tries_and_a_first_one_in_the_dark(self) -> None:
        """When the first try began is not known well enough to say what came after it; the second one has no answer."""
        lanes: dict[str, Samples] = {
            "door": [(82.0, "off"), (325.0, "on")],
            "enable": [(1.0, "off"), (114.0, "on"), (124.0, "off"), (174.0, "on")],
            "feedback": [(38.0, "on"), (573.0, "off")],
            "volts": [(331.0, 12.0)],
        }
        found = {}
        for tries in (1, 2):
            result = judged(lanes, drawn_sequence([34, 38, 27], tries=tries), timeout=None)
            found[tries] = next(it.outcome for it in result.findings if it.step == "feedback")
        assert found == {1: Outcome.UNDECIDED, 2: Outcome.MISSING}

    def test_more_tries_and_another_pulse(self) -> None:
        """With one more try the end of the pulse is that of a longer one, which may be too long."""
        lanes: dict[str, Samples] = {
            "door": [(0.0, "off"), (10.0, "on"), (300.0, "on")],
            "enable": [(float(at), "on" if at in {30, 50, 70, 80, 90, 100} else "off") for at in range(0, 301, 10)],
            "feedback": [(float(at), "off") for at in range(0, 301, 10)],
        }
        found = {}
        for tries in (2, 3):
            result = judged(lanes, drawn_sequence([100, 300, 25], tries=tries), timeout=None)
            found[tries] = next(it.outcome for it in result.findings if it.step == "again")
        assert found == {2: Outcome.MET, 3: Outcome.LATE}

    def test_more_tries_and_too_early(self) -> None:
        """A delay that is shorter for it can be too short: with ``after``, more tries are no wider limit."""
        lanes: dict[str, Samples] = {
            "door": [(0.0, "off"), (5.0, "on"), (300.0, "on")],
            "enable": [(float(at), "on" if at in {20, 80} else "off") for at in range(0, 301, 10)],
            "feedback": [(float(at), "on" if at >= 100 else "off") for at in range(0, 301, 10)],
        }
        steps = (step("enable", "enable", "on", within=50), step("feedback", "feedback", "on", within=100, after=50))
        outcome = {}
        for tries in (1, 2):
            rule = Sequence(name="s", start=becomes("door", "on"), tries=tries, steps=steps)
            outcome[tries] = judged(lanes, rule, timeout=None).findings[-1].outcome
        assert outcome == {1: Outcome.MET, 2: Outcome.EARLY}


JITTER = 4
"""ms: less than half of the time between two frames of a lane, so that they keep their order."""


def stamped_twice(lanes: dict[str, Samples], seed: int) -> list[dict[str, Samples]]:
    """Return the same frames as two recorders stamp them that are each up to 4 ms late."""
    late = np.random.default_rng(seed)
    return [changed(lanes, lambda time: time + late.integers(0, JITTER, endpoint=True).item()) for _ in range(2)]


class TestRetimed:
    """Stamps that are up to 4 ms late never turn met into a fault, nor a fault into met: the doubt lies between.

    A delay is known to the time between two frames, which is 10 ms and more here, so what one recording shows to be
    within a limit, no other one shows to be beyond it.

    Save for order: where no frame lies between two changes, a sequence and ``precedes`` take their order to be right,
    and a recording with a frame between them may show that it was wrong. So these two are asked about changes that lie
    apart.
    """

    @given(st.integers(40, 150), st.integers(-12, 12), st.sampled_from([10, 20]), st.integers(0, 2**32 - 1))
    @settings(max_examples=examples(25), deadline=None)
    def test_a_delay_or_a_length(self, length: int, beyond: int, period: int, seed: int) -> None:
        limit = length + beyond

        def sent(phase: int, before: str | float, since_ms: int, after: str | float, until_ms: int = 500) -> Samples:
            times = range(phase, 500, period)
            return [(float(at), after if since_ms <= at < until_ms else before) for at in times]

        lanes = {
            "door": sent(0, "off", 100, "on"),
            "enable": sent(3, "off", 100 + length, "on"),
            "feedback": sent(5, "off", 100, "on", 100 + length),
            "volts": sent(7, 12.0, 100, 8.0, 100 + length),
        }
        both_on = all_of(holds("door", "on"), holds("feedback", "on"))
        apart: list[AnyRule] = [
            Sequence(name="s", start=becomes("door", "on"), steps=(step("e", "enable", "on", within=limit),)),
            Sequence(
                name="a", start=becomes("door", "on"), steps=(step("e", "enable", "on", within=300, after=limit),)
            ),
            Precedes(name="p", first=becomes("door", "on"), then=becomes("enable", "on"), within_ns=ms(limit)),
            Never(name="never", when=both_on, longer_than_ns=ms(limit)),
            Agree(name="agree", first=holds("door", "on"), second=holds("enable", "on"), settle_ns=ms(limit)),
            Pulse(name="most", of=holds("feedback", "on"), most_ns=ms(limit)),
            Pulse(name="least", of=holds("feedback", "on"), least_ns=ms(limit)),
            Range(name="dip", of="volts", least=9.0, longer_than_ns=ms(limit)),
        ]
        twice = stamped_twice(lanes, seed)
        for rule in apart:
            found = {worst(judged(late, rule, timeout=None).findings) for late in twice}
            assert found != {0, 2}, rule.name


def drawn_sequence(limits: list[int], *, tries: int = 1) -> Sequence:
    steps: tuple[Step, ...] = (
        step("enable", "enable", "on", within=limits[0]),
        step("feedback", "feedback", "on", within=limits[1]),
        step("again", "enable", "off", within=limits[2], from_="enable"),
    )
    return Sequence(name="drawn", start=becomes("door", "on"), abandon=becomes("door", "off"), tries=tries, steps=steps)


class TestCutShort:
    """A capture that ends early is never better than what it shows."""

    @given(LANES, LIMITS, TIMEOUTS)
    @settings(max_examples=examples(8), deadline=None)
    def test_at_every_frame(self, lanes: dict[str, Samples], limit: int, timeout: float | None) -> None:
        """From the moment of a fault on no cut makes the rule as expected, not even while the fault is to come.

        Save for a message that must keep coming: every recording ends in a silence, so its fault is not open until the
        timeout has run out.
        """
        times = sorted({time for samples in lanes.values() for time, _ in samples})
        for rule in rules(limit):
            whole = judged(lanes, rule, timeout=timeout)
            open_ns = (rule.timeout_ns or 0) + 1 if isinstance(rule, Alive) else 0
            faults = [
                finding.time_ns + open_ns
                for finding in whole.findings
                if finding.outcome.is_fault and finding.time_ns is not None
            ]
            first_ns = min(faults, default=None)
            if first_ns is None:
                continue
            for cut in [time for time in times if ms(time) >= first_ns][:12]:
                short = {role: [sample for sample in samples if sample[0] <= cut] for role, samples in lanes.items()}
                assert judged(short, rule, timeout=timeout).verdict is not Verdict.AS_EXPECTED
