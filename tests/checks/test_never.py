from __future__ import annotations

from dataclasses import replace
from functools import partial

import pytest
from support.in_full import after, between, finding, seen, span
from support.stage import Samples, all_of, holds, outcomes, perform, sampled

from buslens.capture.frames import Clock
from buslens.checks.findings import Evidence, Finding, Limit, Outcome, Result, TimeBounds, Verdict
from buslens.expectations.model import HeldFor, Is, IsUnknown, Never, Not, Or, WrittenCondition
from buslens.units import NS_PER_MS

BOTH = all_of(holds("ignition", "on"), holds("lock", "locked"))
FREE = sampled([(0, "free")], every=10, until=1000)
OFF = sampled([(0, "off")], every=10, until=1000)


def never(tolerated: float | None = None, when: WrittenCondition = BOTH) -> Never:
    return Never(
        name="never",
        when=when,
        longer_than_ns=None if tolerated is None else round(tolerated * NS_PER_MS),
    )


def run(rule: Never, *, ignition: Samples = OFF, lock: Samples = FREE, **how: object) -> Result:
    also = {"ignition": {"on", "off"}, "lock": {"locked", "free"}}
    return perform({"ignition": ignition, "lock": lock}, rule, also=also, **how)  # type: ignore[arg-type]


def fault(result: Result) -> Finding:
    (found,) = [finding for finding in result.findings if finding.outcome.value != "met"]
    return found


def locked(start: float, stop: float, *, until: float = 1000) -> Samples:
    """Return a lock that is locked in frames from start to before stop, of one frame per 10 ms."""
    return sampled([(0, "free"), (start, "locked"), (stop, "free")], every=10, until=until)


ON = sampled([(0, "on")], every=10, until=1000)


class TestWithoutTolerance:
    """A condition that must never hold is violated by the first frame that shows it."""

    def test_kept(self) -> None:
        result = run(never())
        assert outcomes(result) == [("never", "met")]
        assert result.verdict is Verdict.AS_EXPECTED

    def test_one_frame_is_enough(self) -> None:
        result = run(never(), ignition=ON, lock=locked(300, 310))
        finding = fault(result)
        assert finding.outcome.value == "violated"
        assert finding.reason.startswith("ignition was on and lock was locked for")
        assert finding.time_ns == 300 * NS_PER_MS
        assert result.verdict is Verdict.FAULTY

    def test_each_violation_is_told(self) -> None:
        lock = sampled(
            [(0, "free"), (300, "locked"), (400, "free"), (700, "locked"), (800, "free")], every=10, until=1000
        )
        found = run(never(), ignition=ON, lock=lock).findings
        assert [finding.outcome.value for finding in found] == ["violated", "violated", "met"]
        assert found[-1].count == 3

    def test_what_may_have_held_between_two_frames_only_is_met(self) -> None:
        """Ignition goes on and the lock is released between the same two frames: the order is not asked for."""
        ignition = sampled([(0, "off"), (500, "on")], every=10, until=1000)
        lock = sampled([(0, "locked"), (500, "free")], every=10, until=1000)
        assert outcomes(run(never(), ignition=ignition, lock=lock)) == [("never", "met")]

    def test_from_the_first_frame_on(self) -> None:
        result = run(never(), ignition=ON, lock=sampled([(0, "locked")], every=10, until=1000))
        assert outcomes(result) == [("never", "violated")]

    def test_in_the_last_frame(self) -> None:
        assert fault(run(never(), ignition=ON, lock=locked(1000, 2000))).outcome.value == "violated"


class TestTolerance:
    """A length is judged by the interval in which it lies; the tolerated length itself is tolerated."""

    # Locked in frames 300 to 390 ms: for longer than 90 ms and less than 110 ms.
    @pytest.mark.parametrize(
        ("tolerated", "outcome"),
        [(90, "violated"), (91, "undecided"), (100, "undecided"), (109, "undecided"), (110, "met")],
    )
    def test_by_both_ends(self, tolerated: float, outcome: str) -> None:
        result = run(never(tolerated), ignition=ON, lock=locked(300, 400))
        assert result.findings[0].outcome.value == outcome

    # With changes told at once the length is exact.
    @pytest.mark.parametrize(("tolerated", "outcome"), [(100 - 1e-6, "violated"), (100, "met")])
    def test_exactly_that_long(self, tolerated: float, outcome: str) -> None:
        result = run(never(tolerated), ignition=ON, lock=locked(300, 400), lags={"ignition": 0, "lock": 0})
        assert result.findings[0].outcome.value == outcome

    def test_too_close_names_length_limit_and_rate(self) -> None:
        reason = fault(run(never(100), ignition=ON, lock=locked(300, 400))).reason
        assert reason == (
            "ignition was on and lock was locked for 90 to 110 ms; allowed up to 100 ms: too close to call at one frame"
            " per 10 ms"
        )

    def test_tolerated_stretches_are_counted(self) -> None:
        (met,) = run(never(200), ignition=ON, lock=locked(300, 400)).findings
        assert met.count == 3

    def test_between_two_frames_only_is_judged_by_its_length(self) -> None:
        """Who sets a tolerance gets its doubt told, even of 0 ms."""
        ignition = sampled([(0, "off"), (500, "on")], every=10, until=1000)
        lock = sampled([(0, "locked"), (500, "free")], every=10, until=1000)
        assert fault(run(never(0), ignition=ignition, lock=lock)).outcome.value == "undecided"
        assert outcomes(run(never(10), ignition=ignition, lock=lock)) == [("never", "met")]


class TestEndsOfTheCapture:
    """What the capture cuts off is violated only if it is too long already."""

    @pytest.mark.parametrize(("start", "outcome"), [(890, "violated"), (900, "undecided"), (950, "undecided")])
    def test_still_holds_at_the_end(self, start: float, outcome: str) -> None:
        finding = fault(run(never(100), ignition=ON, lock=locked(start, 2000)))
        assert finding.outcome.value == outcome
        if outcome == "undecided":
            assert "when the capture ends" in finding.reason

    @pytest.mark.parametrize(("stop", "outcome"), [(110, "violated"), (100, "met"), (50, "met")])
    def test_holds_already_at_the_start(self, stop: float, outcome: str) -> None:
        lock = sampled([(0, "locked"), (stop, "free")], every=10, until=1000)
        assert outcomes(run(never(100), ignition=ON, lock=lock))[0] == ("never", outcome)

    def test_holds_already_as_the_lock_is_first_seen(self) -> None:
        """Unknown until then, it may have held since the capture began."""
        lock = sampled([(0, "locked"), (110, "free")], every=10, until=1000, start=60)
        finding = fault(run(never(100), ignition=ON, lock=lock))
        assert finding.outcome.value == "undecided"
        assert outcomes(run(never(110), ignition=ON, lock=lock)) == [("never", "met")]

    @pytest.mark.parametrize("tolerated", [None, 100])
    def test_as_far_as_last_seen(self, tolerated: float | None) -> None:
        """Ignition goes on behind the last frame of a locked lock: that is no proof, but nothing to call met."""
        lock = sampled([(0, "locked")], every=10, until=500)
        to_the_end = sampled([(0, "off"), (700, "on")], every=10, until=1000)
        for_a_while = sampled([(0, "off"), (700, "on"), (900, "off")], every=10, until=1000)
        for ignition in (to_the_end, for_a_while):
            assert fault(run(never(tolerated), ignition=ignition, lock=lock)).outcome.value == "undecided"

    def test_last_frames_apart(self) -> None:
        """That roles are not seen in one and the same last frame alone is no doubt."""
        lock = sampled([(0, "free")], every=10, until=995)
        assert outcomes(run(never(), ignition=ON, lock=lock)) == [("never", "met")]

    def test_last_frames_apart_behind_a_violation(self) -> None:
        """What was violated before is none of what the end may hide."""
        lock = sampled([(0, "free"), (300, "locked"), (400, "free")], every=10, until=995)
        assert outcomes(run(never(), ignition=ON, lock=lock)) == [("never", "violated"), ("never", "met")]

    def test_unknown_behind_the_last_frame_of_the_other(self) -> None:
        """The ignition was off when last seen; that the lock is unknown behind that alone is no doubt."""
        ignition = sampled([(0, "off")], every=10, until=500)
        lock = sampled([(0, "free")], every=10, until=600)
        other: Samples = [(0, "x"), (1000, "x")]
        also = {"ignition": {"on", "off"}, "lock": {"locked", "free"}}
        samples = {"ignition": ignition, "lock": lock, "other": other}
        assert outcomes(perform(samples, never(), also=also, timeouts={"lock": 50})) == [("never", "met")]

    def test_time_before_a_first_frame_is_not_blamed(self) -> None:
        """A role whose first frame comes in good time is not called unknown before it."""
        lock = sampled([(50, "free")], every=10, until=1000, start=50)
        assert outcomes(run(never(), ignition=ON, lock=lock, timeouts={"lock": 60})) == [("never", "met")]

    def test_first_frame_later_than_the_timeout(self) -> None:
        lock = sampled([(70, "free")], every=10, until=1000, start=70)
        finding = fault(run(never(), ignition=ON, lock=lock, timeouts={"lock": 60}))
        assert finding.outcome.value == "undecided"
        assert "its first frame has not come yet" in finding.reason


class TestUnknown:
    """An unknown role leaves undecided what it could decide, and nothing else."""

    def test_never_sent(self) -> None:
        finding = fault(run(never(), ignition=ON, lock=[]))
        assert finding.outcome.value == "undecided"
        assert "lock is unknown (the capture has no frame that carries it)" in finding.reason

    def test_silence(self) -> None:
        lock = [sample for sample in FREE if not 400 < sample[0] < 600]
        finding = fault(run(never(), ignition=ON, lock=lock, timeouts={"lock": 50}))
        assert finding.outcome.value == "undecided"
        assert "lock is unknown (message timeout)" in finding.reason

    def test_silence_while_the_other_role_settles_it(self) -> None:
        lock = [sample for sample in FREE if not 400 < sample[0] < 600]
        assert outcomes(run(never(), ignition=OFF, lock=lock, timeouts={"lock": 50})) == [("never", "met")]

    @pytest.mark.parametrize(
        ("tolerated", "outcome"), [(199, "undecided"), (200 - 2e-6, "undecided"), (200 - 1e-6, "met"), (200, "met")]
    )
    def test_silence_too_short_to_hide_a_violation(self, tolerated: float, outcome: str) -> None:
        """Free at 400 ms and again at 600 ms: it may have been locked for less than 200 ms."""
        lock = [sample for sample in FREE if not 400 < sample[0] < 600]
        result = run(never(tolerated), ignition=ON, lock=lock, timeouts={"lock": 50})
        assert result.findings[0].outcome.value == outcome

    @pytest.mark.parametrize(("tolerated", "outcome"), [(100, "undecided"), (120, "met")])
    def test_unknown_throughout_but_the_other_holds_only_briefly(self, tolerated: float, outcome: str) -> None:
        """Where one role is known to hold for less than tolerated, it does not matter what the other did."""
        ignition = sampled([(0, "off"), (300, "on"), (400, "off")], every=10, until=1000)
        result = run(never(tolerated), ignition=ignition, lock=[])
        assert result.findings[0].outcome.value == outcome

    def test_discontinuity_leaves_a_length_unknown(self) -> None:
        """Between free and free, across a clock that ran back, any time may have passed."""
        result = run(never(500), ignition=ON, discontinuities=[505])
        finding = fault(result)
        assert finding.outcome.value == "undecided"
        assert "recorder clock jumped back" in finding.reason

    def test_in_the_very_last_moment(self) -> None:
        """A value without a name in the last frame, of a unit that tells its changes at once."""
        lock: Samples = [*FREE[:-1], (1000, "odd")]
        result = run(never(), ignition=ON, lock=lock, lags={"lock": 0}, unnamed={"lock": {"odd"}})
        assert fault(result).reason == (
            "cannot decide whether ignition was on and lock was locked for too long: lock is unknown (its value 'odd'"
            " is not assigned to a state)"
        )

    def test_unknown_can_itself_be_forbidden(self) -> None:
        lock = [sample for sample in FREE if not 400 < sample[0] < 600]
        when = WrittenCondition(condition=IsUnknown(role="lock"), text="lock is unknown")
        result = run(never(100, when), lock=lock, timeouts={"lock": 50})
        assert fault(result).outcome.value == "violated"
        assert outcomes(run(never(150, when), lock=lock, timeouts={"lock": 50})) == [("never", "met")]

    @pytest.mark.parametrize(
        ("lock", "why"),
        [
            ([(time, "odd" if 400 < time < 600 else state) for time, state in FREE], "its value 'odd' is not assigned"),
            ([sample for sample in FREE if not 400 < sample[0] < 600], "message timeout"),
            (FREE[20:], "its first frame has not come yet"),
            ([], "the capture has no frame that carries it"),
        ],
    )
    def test_unknown_is_told_with_its_reason(self, lock: Samples, why: str) -> None:
        """A line that is open and a message that has stopped lead to different wires."""
        when = WrittenCondition(condition=IsUnknown(role="lock"), text="lock is unknown")
        finding = fault(run(never(100, when), lock=lock, timeouts={"lock": 50}, unnamed={"lock": {"odd"}}))
        assert finding.outcome is Outcome.VIOLATED
        assert finding.reason.startswith(f"lock was unknown ({why}")

    def test_alternatives_are_judged_together(self) -> None:
        """One that surely holds settles an ``or``, whatever is unknown of the other."""
        either = Or(parts=(Is(role="ignition", state="on"), Is(role="lock", state="locked")))
        result = run(never(None, WrittenCondition(condition=either, text="either")), ignition=ON, lock=[])
        assert outcomes(result) == [("never", "violated")]

    def test_negation_of_unknown_is_unknown(self) -> None:
        negated = WrittenCondition(condition=Not(part=Is(role="lock", state="free")), text="not lock is free")
        assert fault(run(never(None, negated), lock=[])).outcome.value == "undecided"


class TestUntimed:
    """Without time stamps only what needs no time is judged."""

    def test_plain_never_is_judged(self) -> None:
        result = run(never(), ignition=ON, lock=locked(300, 310), clock=Clock.MISSING)
        assert ("never", "violated") in outcomes(result)

    @pytest.mark.parametrize(
        "rule",
        [
            never(50),
            never(None, WrittenCondition(condition=HeldFor(part=BOTH.condition, duration_ns=1), text="both for 1 ns")),
            never(
                None, WrittenCondition(condition=Not(part=HeldFor(part=BOTH.condition, duration_ns=1)), text="not both")
            ),
        ],
        ids=["longer than", "for", "not for"],
    )
    def test_lengths_are_not(self, rule: Never) -> None:
        result = run(rule, ignition=ON, lock=locked(300, 800), clock=Clock.MISSING)
        assert outcomes(result) == [("never", "undecided")]
        assert "no time stamps" in result.findings[0].reason
        assert result.verdict is Verdict.UNDECIDED

    def test_no_silence_without_a_clock(self) -> None:
        """A role is not called unknown for frames of others that came between."""
        lock = [sample for sample in FREE if not 400 < sample[0] < 600]
        result = run(never(), ignition=ON, lock=lock, timeouts={"lock": 50}, clock=Clock.MISSING)
        assert outcomes(result) == [("never", "met")]


class TestHeldFor:
    """``... for 50 ms`` holds once it has held so long."""

    # Locked in frames 300 to 390 ms: for longer than 90 ms and less than 110 ms.
    @pytest.mark.parametrize(
        ("duration", "outcome"), [(90, "violated"), (91, "undecided"), (109, "undecided"), (110, "met")]
    )
    def test_in_a_rule(self, duration: float, outcome: str) -> None:
        """Where the length cannot be told from the duration, it is too close to call."""
        result = run(never(None, self.locked_for(duration)), lock=locked(300, 400))
        assert result.findings[0].outcome.value == outcome

    def test_from_before_the_capture(self) -> None:
        lock = sampled([(0, "locked"), (50, "free")], every=10, until=1000)
        finding = fault(run(never(None, self.locked_for(100)), lock=lock))
        assert finding.outcome.value == "undecided"
        assert "the state before the capture began is unknown" in finding.reason

    @staticmethod
    def locked_for(duration: float) -> WrittenCondition:
        part = HeldFor(part=Is(role="lock", state="locked"), duration_ns=round(duration * NS_PER_MS))
        return WrittenCondition(condition=part, text=f"lock is locked for {duration:g} ms")


in_full = partial(finding, "never", "never")


class TestInFull:
    """Everything that a finding carries: words, moment, length, limit, what it rests on, where the limit comes from."""

    WORDS = "ignition was on and lock was locked"

    @pytest.mark.parametrize(
        ("tolerated", "outcome", "tail", "most"),
        [
            (None, Outcome.VIOLATED, "; never allowed", 0),
            (50, Outcome.VIOLATED, "; allowed up to 50 ms", 50),
            (100, Outcome.UNDECIDED, "; allowed up to 100 ms: too close to call at one frame per 10 ms", 100),
        ],
    )
    def test_by_the_length(self, tolerated: float | None, outcome: Outcome, tail: str, most: float) -> None:
        rule, limit = replace(never(tolerated), basis="invented"), Limit(most=most * NS_PER_MS)
        assert list(run(rule, ignition=ON, lock=locked(300, 400)).findings) == [
            in_full(
                outcome,
                f"{self.WORDS} for 90 to 110 ms{tail}",
                time_ns=300 * NS_PER_MS,
                delay=between(90, 110),
                limit=limit,
                reference=after(290, 300),
                evidence=(seen(self.WORDS, "ignition", 290, 300),),
            ),
            in_full(Outcome.MET, "OK in 2 other periods", time_ns=None, limit=limit, count=2),
        ]

    @pytest.mark.parametrize(
        ("lock", "tolerated", "reason", "begun", "length"),
        [
            (
                locked(0, 60),
                55,
                f"{WORDS} already when the log begins to show it, for at least 50 ms from there; allowed up to 55 ms",
                span(0, 0),
                between(50, None),
            ),
            (
                locked(970, 2000),
                50,
                f"{WORDS} when the capture ends, 30 ms after it began; allowed up to 50 ms",
                after(960, 970),
                span(30, None),
            ),
        ],
        ids=["start", "end"],
    )
    def test_at_the_ends_of_the_capture(
        self, lock: Samples, tolerated: float, reason: str, begun: TimeBounds, length: TimeBounds
    ) -> None:
        limit = Limit(most=round(tolerated * NS_PER_MS))
        assert list(run(replace(never(tolerated), basis="invented"), ignition=ON, lock=lock).findings) == [
            in_full(
                Outcome.UNDECIDED,
                reason,
                time_ns=begun.latest_ns,
                delay=length,
                limit=limit,
                reference=begun,
                evidence=(Evidence(what=self.WORDS, role="ignition", time=begun),),
            ),
            in_full(Outcome.MET, "OK in one other period", time_ns=None, limit=limit, count=1),
        ]

    def test_unknown(self) -> None:
        lock = [frame for frame in locked(300, 400) if not 310 < frame[0] < 600]
        limit = Limit(most=50 * NS_PER_MS)
        result = run(replace(never(50), basis="invented"), ignition=ON, lock=lock, timeouts={"lock": 30})
        assert list(result.findings) == [
            in_full(
                Outcome.UNDECIDED,
                f"cannot decide whether {self.WORDS} for too long: lock is unknown (message timeout)",
                time_ns=300 * NS_PER_MS,
                delay=between(10, 310),
                limit=limit,
                reference=after(290, 300),
                evidence=(seen(self.WORDS, "ignition", 290, 300),),
            ),
            in_full(Outcome.MET, "OK in 2 other periods", time_ns=None, limit=limit, count=2),
        ]

    @pytest.mark.parametrize(
        ("tolerated", "stop", "delay", "end"),
        [
            (None, 2000, span(0, None), 1000),
            (None, 900, span(0, 210 - 1e-6), 900),
            (100, 2000, span(0, None), 1000),
        ],
    )
    def test_behind_a_last_frame(self, tolerated: float | None, stop: float, delay: TimeBounds, end: float) -> None:
        """The lock is last seen locked at 500 ms, and the ignition goes on at 700 ms."""
        lock = sampled([(0, "locked")], every=10, until=500)
        ignition = sampled([(0, "off"), (700, "on"), (stop, "off")], every=10, until=1000)
        result = run(replace(never(tolerated), basis="invented"), ignition=ignition, lock=lock)
        tail = "; never allowed" if tolerated is None else "; allowed up to 100 ms"
        assert result.findings[0] == in_full(
            Outcome.UNDECIDED,
            f"{self.WORDS}, if no role changed after its last frame{tail}",
            time_ns=690 * NS_PER_MS + 1,
            delay=delay,
            limit=Limit(most=(tolerated or 0) * NS_PER_MS),
            reference=after(690, end),
            evidence=(seen(self.WORDS, "ignition", 690, end),),
        )

    def test_too_close_for_a_condition_with_a_length(self) -> None:
        part = HeldFor(part=Is(role="lock", state="locked"), duration_ns=100 * NS_PER_MS)
        rule = never(None, WrittenCondition(condition=part, text="lock is locked for 100 ms"))
        result = run(replace(rule, basis="invented"), lock=locked(300, 400))
        assert result.findings[0] == in_full(
            Outcome.UNDECIDED,
            "lock was locked for 100 ms: too close to call at one frame per 10 ms",
            time_ns=390 * NS_PER_MS + 1,
            delay=span(0, 10 - 1e-6),
            limit=Limit(most=0),
            reference=after(390, 400),
            evidence=(seen("lock was locked for 100 ms", "lock", 390, 400),),
        )

    def test_kept(self) -> None:
        limit = Limit(most=0)
        assert list(run(replace(never(), basis="invented")).findings) == [
            in_full(Outcome.MET, "OK throughout", time_ns=None, limit=limit, count=1)
        ]
        ignition = sampled([(0, "off"), (300, "on"), (400, "off")], every=10, until=1000)
        rule = replace(never(150, holds("ignition", "on")), basis="invented")
        assert list(run(rule, ignition=ignition).findings) == [
            in_full(
                Outcome.MET,
                "OK in 3 of 3 periods",
                time_ns=None,
                limit=Limit(most=150 * NS_PER_MS),
                count=3,
            )
        ]
