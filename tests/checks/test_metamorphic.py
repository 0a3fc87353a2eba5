"""What must not change a finding, and in which direction a change may move it."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from hypothesis import given, settings
from hypothesis import strategies as st
from support.stage import Samples, all_of, becomes, holds, perform, step

from buslens.checks.findings import Evidence, Finding, Outcome, Result, Span, Verdict
from buslens.expectations.model import Agree, AnyRule, Never, Precedes, Pulse, Sequence
from buslens.units import NS_PER_MS

if TYPE_CHECKING:
    from collections.abc import Callable

BADNESS = {Outcome.MET: 0, Outcome.UNDECIDED: 1}
"""Every fault is worse than both."""
ROLES = ("door", "enable", "feedback")
ALSO = {role: {"on", "off"} for role in ROLES}


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


LANES = st.fixed_dictionaries({role: lane() for role in ROLES})
LIMITS = st.integers(0, 120)
TIMEOUTS = st.sampled_from([None, 40.0])


def judged(lanes: dict[str, Samples], *of: AnyRule, timeout: float | None, **how: object) -> Result:
    timeouts = {} if timeout is None else dict.fromkeys(ROLES, timeout)
    return perform(lanes, *of, also=ALSO, timeouts=timeouts, **how)  # type: ignore[arg-type]


def moved(finding: Finding, by_ns: int) -> Finding:
    """Return a finding of a capture that began so much later."""

    def later(span: Span | None) -> Span | None:
        if span is None:
            return None
        latest_ns = None if span.latest_ns is None else span.latest_ns + by_ns
        return Span(earliest_ns=span.earliest_ns + by_ns, latest_ns=latest_ns)

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
    @settings(max_examples=40, deadline=None)
    def test_shifted_times(self, lanes: dict[str, Samples], limit: int, timeout: float | None, by: int) -> None:
        before = judged(lanes, *rules(limit), timeout=timeout)
        after = judged(changed(lanes, lambda time: time + by), *rules(limit), timeout=timeout)
        assert [moved(finding, ms(by)) for finding in before.findings] == list(after.findings)
        assert before.verdict is after.verdict

    @given(LANES, LIMITS, TIMEOUTS)
    @settings(max_examples=40, deadline=None)
    def test_duplicated_frames(self, lanes: dict[str, Samples], limit: int, timeout: float | None) -> None:
        """Frames that were recorded twice, with one stamp, say nothing new."""
        twice = {role: [sample for sample in samples for _ in range(2)] for role, samples in lanes.items()}
        before, after = (judged(it, *rules(limit), timeout=timeout) for it in (lanes, twice))
        # The usual time between frames, which words and a proposed rate rest on, is another one.
        assert [replace(it, reason="") for it in before.findings] == [replace(it, reason="") for it in after.findings]

    @given(LANES, LIMITS, TIMEOUTS, lane())
    @settings(max_examples=40, deadline=None)
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
    @settings(max_examples=20, deadline=None)
    def test_other_rules(self, lanes: dict[str, Samples], limit: int, timeout: float | None) -> None:
        together = judged(lanes, *rules(limit), timeout=timeout)
        apart = [finding for rule in rules(limit) for finding in judged(lanes, rule, timeout=timeout).findings]
        assert list(together.findings) == apart


class TestWiderLimits:
    """A wider limit never makes a finding worse."""

    @given(LANES, LIMITS, st.integers(1, 100), TIMEOUTS)
    @settings(max_examples=100, deadline=None)
    def test_worst_outcome(self, lanes: dict[str, Samples], limit: int, more: int, timeout: float | None) -> None:
        for strict, wide in zip(rules(limit), rules(limit + more), strict=True):
            before = judged(lanes, strict, timeout=timeout).findings
            after = judged(lanes, wide, timeout=timeout).findings
            if isinstance(strict, Sequence):
                # A step is judged in each handshake; one whose step before came at last is judged for the first time.
                worst = {(it.handshake, it.step): BADNESS.get(it.outcome, 2) for it in before}
                for finding in after:
                    key = (finding.handshake, finding.step)
                    assert BADNESS.get(finding.outcome, 2) <= worst.get(key, 2)
            else:
                assert max((BADNESS.get(it.outcome, 2) for it in after), default=0) <= max(
                    (BADNESS.get(it.outcome, 2) for it in before), default=0
                )


class TestCutShort:
    """A capture that ends early is never better than what it shows."""

    @given(LANES, LIMITS, TIMEOUTS)
    @settings(max_examples=40, deadline=None)
    def test_at_every_frame(self, lanes: dict[str, Samples], limit: int, timeout: float | None) -> None:
        """From the moment of a fault on no cut makes the rule as expected, not even while the fault is to come."""
        times = sorted({time for samples in lanes.values() for time, _ in samples})
        for rule in rules(limit):
            whole = judged(lanes, rule, timeout=timeout)
            faults = [finding.time_ns for finding in whole.findings if finding.outcome.is_fault]
            first_ns = min((time_ns for time_ns in faults if time_ns is not None), default=None)
            if first_ns is None:
                continue
            for cut in [time for time in times if ms(time) >= first_ns][:12]:
                short = {role: [sample for sample in samples if sample[0] <= cut] for role, samples in lanes.items()}
                assert judged(short, rule, timeout=timeout).verdict is not Verdict.AS_EXPECTED
