from __future__ import annotations

from dataclasses import replace
from functools import partial

import pytest
from support.in_full import after, between, finding, seen
from support.stage import Samples, holds, outcomes, perform, sampled

from buslens.capture.frames import Clock
from buslens.checks.findings import Finding, Limit, Outcome, Result, Verdict
from buslens.expectations.model import Agree
from buslens.units import NS_PER_MS


def agree(settle: float) -> Agree:
    return Agree(
        name="agree",
        first=holds("first", "locked"),
        second=holds("second", "locked"),
        settle_ns=round(settle * NS_PER_MS),
    )


def leading(count: int, lead: float) -> tuple[Samples, Samples]:
    """Return two that change so often, a second apart, shown every 10 ms."""
    changes = [(1000 * number + 503, ("locked", "free")[number % 2]) for number in range(count)]
    until = 1000.0 * count + 900
    first = sampled([(0, "free"), *changes], every=10, until=until)
    return first, sampled([(0, "free"), *((at + lead, state) for at, state in changes)], every=10, until=until)


def changing(at: float, *, until: float = 1000, start: float = 0) -> Samples:
    return sampled([(0, "free"), (at, "locked")], every=10, until=until, start=start)


def run(rule: Agree, first: Samples, second: Samples, **how: object) -> Result:
    also = {"first": {"free", "locked"}, "second": {"free", "locked"}}
    return perform({"first": first, "second": second}, rule, also=also, **how)  # type: ignore[arg-type]


def told(result: Result) -> Finding:
    return result.findings[0]


class TestSettle:
    """Two conditions may differ while they settle, this length included."""

    # First is locked from 300 ms on, second from 400 ms on; each change is known to 10 ms.
    @pytest.mark.parametrize(
        ("settle", "outcome"),
        [(90, "violated"), (91, "undecided"), (109, "undecided"), (110, "met")],
    )
    def test_by_both_ends(self, settle: float, outcome: str) -> None:
        assert told(run(agree(settle), changing(300), changing(400))).outcome.value == outcome

    @pytest.mark.parametrize(("settle", "outcome"), [(100 - 1e-6, "violated"), (100, "met")])
    def test_exactly_that_long(self, settle: float, outcome: str) -> None:
        result = run(agree(settle), changing(300), changing(400), lags={"first": 0, "second": 0})
        assert told(result).outcome.value == outcome

    def test_says_which_one_held(self) -> None:
        assert "first was locked, but second was not" in told(run(agree(50), changing(300), changing(400))).reason
        assert "second was locked, but first was not" in told(run(agree(50), changing(400), changing(300))).reason

    def test_agreeing_throughout(self) -> None:
        result = run(agree(0), changing(300), changing(300), lags={"first": 0, "second": 0})
        assert outcomes(result) == [("agree", "met")]
        assert result.verdict is Verdict.AS_EXPECTED

    def test_changes_between_the_same_two_frames(self) -> None:
        """How far apart they were is known to less than the time between frames."""
        assert told(run(agree(10), changing(300), changing(300))).outcome.value == "met"
        assert told(run(agree(9), changing(300), changing(300))).outcome.value == "undecided"


class TestEndsOfTheCapture:
    @pytest.mark.parametrize(("at", "outcome"), [(890, "violated"), (900, "undecided")])
    def test_still_differ_at_the_end(self, at: float, outcome: str) -> None:
        """A difference that has not lasted too long when the capture ends is undecided."""
        assert told(run(agree(100), changing(at), changing(2000))).outcome.value == outcome

    @pytest.mark.parametrize(("at", "outcome"), [(110, "violated"), (100, "met")])
    def test_differ_already_at_the_start(self, at: float, outcome: str) -> None:
        """Of a difference that had begun before the capture, only what the log shows of it is checked."""
        assert run(agree(100), changing(-1), changing(at)).findings[0].outcome.value == outcome


class TestUnknown:
    def test_silence_that_can_hide_a_difference(self) -> None:
        second = [sample for sample in changing(2000) if not 400 < sample[0] < 600]
        finding = told(run(agree(100), changing(2000), second, timeouts={"second": 50}))
        assert finding.outcome.value == "undecided"
        assert "second is unknown (message timeout)" in finding.reason

    def test_silence_too_short_to_hide_one(self) -> None:
        second = [sample for sample in changing(2000) if not 400 < sample[0] < 600]
        assert told(run(agree(200), changing(2000), second, timeouts={"second": 50})).outcome.value == "met"

    def test_role_that_was_never_sent(self) -> None:
        assert told(run(agree(100), changing(300), [])).outcome.value == "undecided"

    def test_untimed(self) -> None:
        """Without time stamps nobody can tell how long they differed."""
        result = run(agree(100), changing(300), changing(400), clock=Clock.MISSING)
        assert outcomes(result) == [("agree", "undecided")]
        assert "no time stamps" in told(result).reason

    def test_discontinuity(self) -> None:
        result = run(agree(300), changing(2000), changing(2000), discontinuities=[505])
        assert told(result).outcome.value == "undecided"


in_full = partial(finding, "agree", "agree")


class TestInFull:
    """Everything that a finding carries: words, moment, length, limit, what it rests on, where the limit comes from."""

    @pytest.mark.parametrize(
        ("first", "second", "words"),
        [
            (300, 400, "first was locked, but second was not"),
            (400, 300, "second was locked, but first was not"),
        ],
    )
    def test_by_the_length(self, first: float, second: float, words: str) -> None:
        limit = Limit(most=50 * NS_PER_MS)
        result = run(replace(agree(50), basis="invented"), changing(first), changing(second))
        assert list(result.findings) == [
            in_full(
                Outcome.VIOLATED,
                f"{words}, for 90 to 110 ms; may differ up to 50 ms",
                time_ns=300 * NS_PER_MS,
                delay=between(90, 110),
                limit=limit,
                reference=after(290, 300),
                evidence=(seen(words, "first", 290, 300),),
            ),
            in_full(Outcome.MET, "OK in 2 other periods", time_ns=None, limit=limit, count=2),
        ]


class TestLead:
    """Which of the two comes first is told by the average of all changes, beyond what their frames make of it."""

    RULE = replace(agree(90), lead_ns=30 * NS_PER_MS, lead_spread_ns=NS_PER_MS)

    @pytest.mark.parametrize(
        ("lead", "outcome", "words"),
        [
            (30, "met", "OK in 9 of 9 periods"),
            (0, "violated", "on average of 4 changes, first changed together with second; usual: 30 ms before it"),
            (-30, "violated", "on average of 4 changes, first changed 30 ms after second; usual: 30 ms before it"),
        ],
    )
    def test_exchanged(self, lead: float, outcome: str, words: str) -> None:
        found = told(run(self.RULE, *leading(4, lead)))
        assert found.outcome.value == outcome
        assert words in found.reason

    def test_told_the_other_way_round(self) -> None:
        first, second = leading(4, 30)
        assert told(run(self.RULE, second, first)).outcome is Outcome.VIOLATED

    @pytest.mark.parametrize(
        ("spread", "words"),
        [(20, "few to tell whether one of them feeds both"), (40, "few to tell whether the two are exchanged")],
    )
    def test_too_few(self, spread: int, words: str) -> None:
        """It is said what cannot be told, and nothing is wrong."""
        rule = replace(self.RULE, lead_spread_ns=spread * NS_PER_MS)
        result = run(rule, *leading(4, 30))
        assert told(result).outcome is Outcome.MET
        assert words in told(result).reason
        assert "too few" not in told(run(rule, *leading(60, 30))).reason

    def test_one_that_never_changes(self) -> None:
        assert "exchanged" not in told(run(self.RULE, leading(4, 0)[0], leading(0, 0)[0])).reason
