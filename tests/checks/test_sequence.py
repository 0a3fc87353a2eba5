from __future__ import annotations

from dataclasses import replace

import pytest
from support.handshakes import (
    DOOR,
    feedback,
    handshake,
    of_step,
    run,
)
from support.in_full import span
from support.stage import becomes, holds, outcomes, perform, sampled, step

from buslens.checks.findings import Verdict
from buslens.expectations.model import Compare, GuardedEdge, Step, Trigger
from buslens.units import NS_PER_MS


class TestMet:
    def test_every_step_in_time(self) -> None:
        """A handshake whose delays lie wholly within their limits is met, with the delay and both its ends."""
        result = run(handshake())
        assert outcomes(result) == [("enable", "met"), ("release ends", "met")]
        assert result.verdict is Verdict.AS_EXPECTED
        delay = of_step(result, "release ends").delay
        assert delay is not None
        # Enable came in (1090, 1100], the feedback in (1375, 1400].
        assert (delay.earliest_ns, delay.latest_ns) == (275 * NS_PER_MS + 1, 310 * NS_PER_MS - 1)

    @pytest.mark.parametrize(
        ("within", "outcome"),
        [(310, "met"), (309, "undecided"), (276, "undecided"), (275, "late")],
    )
    def test_limits_are_judged_by_both_ends(self, within: float, outcome: str) -> None:
        """A delay in [275 ms + 1 ns, 310 ms - 1 ns] is late only when wholly above its limit."""
        rule = handshake(
            steps=(step("enable", "enable", "on", within=400), step("b", "feedback", "locked", within=within))
        )
        assert of_step(run(rule), "b").outcome.value == outcome

    @pytest.mark.parametrize(("late_over", "outcome"), [(310, "met"), (276, "met"), (275, "late"), (100, "late")])
    def test_what_is_surely_greater_is_late_within_its_limit(self, late_over: float, outcome: str) -> None:
        """A delay in [275 ms + 1 ns, 310 ms - 1 ns] is late from 275 ms on, whatever a wider limit leaves room for."""
        second = replace(step("b", "feedback", "locked", within=900), late_over_ns=int(late_over * NS_PER_MS))
        found = of_step(run(handshake(steps=(step("enable", "enable", "on", within=400), second))), "b")
        assert found.outcome.value == outcome
        if outcome == "late":
            assert found.limit is not None
            assert found.limit.most == late_over * NS_PER_MS
            assert f"maximum {late_over} ms: late by at least" in found.reason

    @pytest.mark.parametrize(
        ("after", "outcome"), [(275, "met"), (276, "undecided"), (310, "early"), (309, "undecided")]
    )
    def test_least_delay_is_judged_by_both_ends(self, after: float, outcome: str) -> None:
        """A delay in [275 ms + 1 ns, 310 ms - 1 ns] is early only when wholly below its least delay."""
        rule = handshake(
            steps=(step("enable", "enable", "on", within=400), step("b", "feedback", "locked", after=after, within=900))
        )
        assert of_step(run(rule), "b").outcome.value == outcome

    def test_both_ends_of_a_limit_count(self) -> None:
        """A delay exactly as long as its limit is met, where the unit tells its changes without delay."""
        rule = handshake(
            steps=(step("enable", "enable", "on", within=100), step("b", "feedback", "locked", after=300, within=300))
        )
        result = run(rule, lags=dict.fromkeys(("door", "enable", "feedback"), 0))
        assert outcomes(result) == [("enable", "met"), ("b", "met")]

    def test_too_close_to_call_names_the_rate(self) -> None:
        """An undecided delay tells limit, doubt, the rate of the recording and the one that would decide."""
        rule = handshake(
            steps=(step("enable", "enable", "on", within=400), step("b", "feedback", "locked", within=300))
        )
        reason = of_step(run(rule), "b").reason
        assert reason.startswith("feedback became locked 275 to 310 ms after enable; limit 300 ms: too close to call")
        assert "at one frame per 25 ms; about one frame per 10 ms would decide" in reason


class TestStart:
    def test_no_handshake_while_given_is_false(self) -> None:
        """A start while `given` is false is none, and a capture without a handshake proves nothing."""
        result = run(handshake(), ignition=sampled([(0, "on")], every=100, until=4000))
        assert result.findings == ()
        assert result.unexercised == ("lock",)
        assert result.verdict is Verdict.UNDECIDED
        assert "record again: door open" in result.summary

    def test_undecided_while_given_is_unknown(self) -> None:
        """A start while `given` is unknown is undecided, and the text names the role."""
        ignition = sampled([(0, "off")], every=100, until=500)
        result = run(handshake(), ignition=ignition, timeouts={"ignition": 300})
        (finding,) = result.findings
        assert finding.outcome.value == "undecided"
        assert "ignition is unknown (message timeout)" in finding.reason

    def test_given_is_judged_just_before_the_start(self) -> None:
        """Ignition on in the very frame time of the door's opening does not prevent the handshake."""
        result = run(handshake(), ignition=sampled([(0, "off"), (1000, "on")], every=20, until=4000))
        assert [finding.outcome.value for finding in result.findings] == ["met", "met"]


class TestMissing:
    def test_says_in_which_state_it_stayed(self) -> None:
        """A change that never comes, while the log shows the role all the time, is missing."""
        result = run(handshake(), feedback=sampled([(0, "free")], every=25, until=4000))
        finding = of_step(result, "release ends")
        assert finding.outcome.value == "missing"
        assert "did not become locked within 600 ms after enable; it stayed free" in finding.reason
        assert result.verdict is Verdict.FAULTY

    def test_so_from_the_beginning(self) -> None:
        """An awaited state that holds already and never comes anew is missing: it was already."""
        finding = of_step(run(handshake(), feedback=sampled([(0, "locked")], every=25, until=4000)), "release ends")
        assert finding.outcome.value == "missing"
        assert "it was already" in finding.reason

    def test_the_reference_ends_what_was_before(self) -> None:
        """An enable that comes on was off before; if it never ends it stayed on, and was not already off."""
        rule = handshake(
            steps=(
                step("enable", "enable", "on", within=400),
                step("enable ends", "enable", "off", within=600, from_="enable"),
            )
        )
        finding = of_step(run(rule, enable=sampled([(0, "off"), (1100, "on")], every=10, until=4000)), "enable ends")
        assert "it stayed on" in finding.reason

    def test_straggler_is_mentioned(self) -> None:
        """A change later than three times the limit is no answer, but worth a word."""
        finding = of_step(
            run(handshake(), feedback=sampled([(0, "free"), (3200, "locked")], every=25, until=4000)), "release ends"
        )
        assert finding.outcome.value == "missing"
        assert "it came only 2." in finding.reason
        assert "stayed" not in finding.reason

    @pytest.mark.parametrize(("frame", "outcome"), [(1700, "met"), (1705, "late"), (2900, "late"), (2905, "missing")])
    def test_to_the_nanosecond(self, frame: float, outcome: str) -> None:
        """The limit itself is in time, and three times the limit is still late, where changes are told at once."""
        door = sampled(
            [(0, "closed"), (1000, "open"), (1700, "closed")] if frame == 1700 else DOOR, every=20, until=4000
        )
        enable = sampled([(0, "off"), (1100, "on")], every=5, until=4000)
        feedback = sampled([(0, "free"), (frame, "locked")], every=5, until=4000)
        result = run(handshake(), door=door, enable=enable, feedback=feedback, lags={"enable": 0, "feedback": 0})
        assert of_step(result, "release ends").outcome.value == outcome

    def test_which_of_several_roles_stayed(self) -> None:
        """A number stays in no state; of several roles with states each is told."""
        either = Trigger(
            moments=(
                GuardedEdge(edge=Compare(role="supply", operator="<", value=9)),
                *becomes("feedback", "locked").moments,
                *becomes("data", "locked").moments,
            ),
            text="any",
        )
        samples = {
            "door": DOOR,
            "supply": [(time, 12.0) for time in range(0, 4000, 20)],
            "feedback": sampled([(0, "free")], every=20, until=4000),
            "data": sampled([(0, "free")], every=20, until=4000),
        }
        also = {"feedback": {"locked"}, "data": {"locked"}}
        both = Step(name="any", await_=either, within_ns=600 * NS_PER_MS)
        number = replace(both, await_=replace(either, moments=either.moments[:1]))
        for it, stayed in ((both, "feedback stayed free and data stayed free"), (number, "it never happened")):
            rule = handshake(given=None, abandon=None, steps=(it,))
            reason = of_step(perform(samples, rule, also=also), "any").reason
            assert reason == f"'any' did not happen within 600 ms after door became open; {stayed}"

    def test_late_up_to_three_times_the_limit(self) -> None:
        """A change above its limit, but within three times of it, is late."""
        finding = of_step(
            run(handshake(), feedback=sampled([(0, "free"), (2000, "locked")], every=25, until=4000)), "release ends"
        )
        assert finding.outcome.value == "late"
        assert "late by at least 275 ms" in finding.reason

    def test_a_step_without_its_reference_is_not_judged(self) -> None:
        """Where a step never came, there is no moment from which the next could be counted."""
        result = run(handshake(), enable=sampled([(0, "off")], every=10, until=4000))
        assert outcomes(result) == [("enable", "missing")]

    def test_a_named_reference_is_judged_all_the_same(self) -> None:
        """A step that counts from an earlier one does not suffer from the one between."""
        steps = (
            step("enable", "enable", "on", within=400),
            step("b", "feedback", "locked", within=600),
            step("ends", "enable", "off", within=900, from_="enable"),
        )
        result = run(handshake(steps=steps), feedback=sampled([(0, "free")], every=25, until=4000))
        assert outcomes(result) == [("enable", "met"), ("b", "missing"), ("ends", "met")]


class TestOrder:
    def test_out_of_order(self) -> None:
        """A step wholly before the one that it follows is out of order."""
        finding = of_step(
            run(handshake(), feedback=sampled([(0, "free"), (1050, "locked")], every=10, until=4000)), "release ends"
        )
        assert finding.outcome.value == "out_of_order"
        assert "feedback became locked 40 to 60 ms before enable" in finding.reason

    @pytest.mark.parametrize(
        ("locked", "outcome"), [(980, "missing"), (1000, "out_of_order"), (1090, "out_of_order"), (1100, "undecided")]
    )
    def test_between_the_start_and_the_step_before(self, locked: float, outcome: str) -> None:
        """Seen up to the frame before the enable, and not before the door was last seen shut, it came out of order."""
        feedback = sampled([(0, "free"), (locked, "locked")], every=10, until=4000)
        steps = (step("enable", "enable", "on", within=400), step("b", "feedback", "locked", after=0, within=600))
        finding = of_step(run(handshake(steps=steps), feedback=feedback), "b")
        assert finding.outcome.value == outcome

    def test_what_came_out_of_order_can_be_counted_from(self) -> None:
        steps = (
            step("enable", "enable", "on", within=400),
            step("b", "feedback", "locked", within=600),
            step("c", "enable", "off", within=400),
        )
        result = run(handshake(steps=steps), feedback=feedback((1050, "locked")))
        assert outcomes(result) == [("b", "out_of_order"), ("enable", "met"), ("c", "late")]
        assert of_step(result, "c").reason.startswith(
            "enable became off 440 to 475 ms after b; maximum 400 ms: late by"
        )

    def test_one_interval_without_least_delay(self) -> None:
        """Changes whose order the log cannot tell are taken to be in order."""
        steps = (step("enable", "enable", "on", within=400), step("b", "feedback", "locked", within=600))
        enable = sampled([(0, "off"), (1095, "on")], every=25, until=4000)
        feedback = sampled([(0, "free"), (1085, "locked")], every=25, until=4000)
        result = run(handshake(steps=steps), enable=enable, feedback=feedback)
        assert outcomes(result) == [("enable", "met"), ("b", "met")]
        delay = of_step(result, "b").delay
        assert delay is not None
        assert delay.earliest_ns == 0

    def test_one_interval_with_least_delay(self) -> None:
        """Who asks for strict order gets to know that the log cannot tell it."""
        steps = (step("enable", "enable", "on", within=400), step("b", "feedback", "locked", after=0, within=600))
        enable = sampled([(0, "off"), (1095, "on")], every=25, until=4000)
        feedback = sampled([(0, "free"), (1085, "locked")], every=25, until=4000)
        finding = of_step(run(handshake(steps=steps), enable=enable, feedback=feedback), "b")
        assert finding.outcome.value == "undecided"
        assert finding.reason.endswith("limit 600 ms: the log cannot tell which of the two came first")

    def test_not_before_but_perhaps_too_soon(self) -> None:
        """Locked in [1100, 1120] ms after an enable at 1100 ms: the order is known, the least delay is not."""
        steps = (step("enable", "enable", "on", within=400), step("b", "feedback", "locked", after=5, within=600))
        feedback = sampled([(0, "free"), (1120, "locked")], every=30, until=4000, start=10)
        rule, lags = handshake(steps=steps), {"enable": 0, "feedback": 20}
        finding = of_step(run(rule, feedback=feedback, lags=lags), "b")
        assert finding.delay == span(0, 20)
        assert "too close to call at one frame per" in finding.reason


class TestReferences:
    """Each step counts from the one that it names, else from the step before."""

    STEPS = (
        step("enable", "enable", "on", within=400),
        step("locked", "feedback", "locked", within=600),
        step("released", "enable", "off", within=900, from_="enable"),
    )

    @pytest.mark.parametrize(("off", "outcome"), [(1500, "met"), (1990, "met"), (2050, "late")])
    def test_limit_counts_from_the_named_step(self, off: float, outcome: str) -> None:
        """The enable came in (1090, 1100] ms, so that 900 ms after it end at 1990 to 2000 ms."""
        enable = sampled([(0, "off"), (1100, "on"), (off, "off")], every=10, until=4000)
        assert of_step(run(handshake(steps=self.STEPS), enable=enable), "released").outcome.value == outcome

    def test_finding_carries_both_edges(self) -> None:
        finding = of_step(run(handshake(steps=self.STEPS)), "released")
        assert [(it.what, it.role) for it in finding.evidence] == [
            ("enable became on", "enable"),
            ("enable became off", "enable"),
        ]
        assert finding.reference == finding.evidence[0].time

    def test_the_same_change_twice(self) -> None:
        """A step that awaits what its reference already is waits for the next one."""
        steps = (
            step("first", "enable", "on", within=400),
            step("second", "enable", "on", within=600),
        )
        enable = sampled([(0, "off"), (1100, "on"), (1200, "off"), (1500, "on")], every=10, until=4000)
        finding = of_step(run(handshake(steps=steps), enable=enable), "second")
        assert finding.outcome.value == "met"
        assert finding.delay is not None
        assert finding.delay.earliest_ns > 380 * NS_PER_MS

    def test_the_same_change_in_other_places(self) -> None:
        """Neither one before the handshake nor a later one is what the second step waits for."""
        steps = (step("first", "enable", "on", within=400), step("second", "enable", "on", within=600))
        pulses = [(500, "on"), (600, "off"), (1100, "on"), (1200, "off"), (1500, "on"), (1600, "off"), (2000, "on")]
        enable = sampled([(0, "off"), *pulses], every=10, until=4000)
        assert of_step(run(handshake(steps=steps), enable=enable), "second").time_ns == 1500 * NS_PER_MS

    @pytest.mark.parametrize(
        ("limit", "tail"),
        [
            ((None, 300), "limit 300 ms: too close to call at one frame per 25 ms; about one frame per 10 ms"),
            ((300, 900), "limit 300 to 900 ms: too close to call at one frame per 25 ms; about one frame per 10 ms"),
            ((300, 310 - 1e-6), "too close to call at one frame per 25 ms; about one frame per 10 ms"),
            ((280, 300), "limit 280 to 300 ms: too close to call at one frame per 25 ms; about one frame per 10 ms"),
        ],
    )
    def test_rate_that_would_decide(self, limit: tuple[float | None, float], tail: str) -> None:
        """It is told for the limit that the delay lies across; where it lies across both, for the greater."""
        steps = (
            step("enable", "enable", "on", within=400),
            step("b", "feedback", "locked", after=limit[0], within=limit[1]),
        )
        assert of_step(run(handshake(steps=steps)), "b").reason.endswith(f"{tail} would decide")

    def test_rate_of_the_slower_of_the_two(self) -> None:
        enable = sampled([(0, "off"), (1100, "on")], every=100, until=4000)
        steps = (step("enable", "enable", "on", within=400), step("b", "feedback", "locked", within=350))
        assert (
            "too close to call at one frame per 100 ms"
            in of_step(run(handshake(steps=steps), enable=enable), "b").reason
        )


class TestAlternatives:
    def test_step_that_may_come_in_two_ways(self) -> None:
        """The first of the ways counts."""
        either = Trigger(
            moments=becomes("feedback", "locked").moments + becomes("data", "locked").moments,
            text="feedback becomes locked or data becomes locked",
        )
        steps = (step("enable", "enable", "on", within=400), Step(name="any", await_=either, within_ns=600 * NS_PER_MS))
        samples = {
            "door": DOOR,
            "enable": sampled([(0, "off"), (1100, "on")], every=10, until=4000),
            "feedback": sampled([(0, "free")], every=10, until=4000),
            "data": sampled([(0, "free"), (1300, "locked")], every=10, until=4000),
        }
        rule = handshake(given=None, steps=steps)
        assert outcomes(perform(samples, rule, also={"feedback": {"locked"}})) == [("enable", "met"), ("any", "met")]

    def test_start_that_may_have_been_one(self) -> None:
        """A start whose second half is in doubt is told, and runs no handshake."""
        start = Trigger(
            moments=(GuardedEdge(edge=becomes("door", "open").moments[0].edge, while_=holds("key", "in").condition),),
            text="door becomes open and key is in",
        )
        samples = {"door": DOOR, "enable": sampled([(0, "off")], every=10, until=4000), "key": []}
        rule = handshake(start=start, given=None, abandon=None, steps=(step("enable", "enable", "on", within=400),))
        result = perform(samples, rule, also={"key": {"in"}, "enable": {"on"}})
        (finding,) = result.findings
        assert finding.outcome.value == "undecided"
        assert "may have come about here: key is unknown" in finding.reason
        assert finding.time_ns == 1000 * NS_PER_MS
        assert result.handshakes == ()


class TestAbandon:
    def test_nothing_is_judged_behind_it(self) -> None:
        """A handshake that is abandoned before a step is counted, and the step is not judged."""
        door = sampled([(0, "closed"), (1000, "open"), (1300, "closed")], every=20, until=4000)
        result = run(handshake(), door=door, feedback=sampled([(0, "free")], every=25, until=4000))
        assert outcomes(result) == [("enable", "met")]
        (run_,) = result.handshakes
        assert run_.abandoned == "door became closed"
        assert not run_.completed
        assert result.verdict is Verdict.UNDECIDED

    def test_what_was_overdue_stays_a_fault(self) -> None:
        """A limit that had run out before the handshake was abandoned is a fault all the same."""
        door = sampled([(0, "closed"), (1000, "open"), (2500, "closed")], every=20, until=4000)
        result = run(handshake(), door=door, feedback=sampled([(0, "free")], every=25, until=4000))
        assert of_step(result, "release ends").outcome.value == "missing"

    def test_change_before_it_counts(self) -> None:
        """A step that came before the handshake was abandoned is judged."""
        door = sampled([(0, "closed"), (1000, "open"), (1500, "closed")], every=20, until=4000)
        assert outcomes(run(handshake(), door=door)) == [("enable", "met"), ("release ends", "met")]

    def test_start_again_while_running(self) -> None:
        """A second start ends the first handshake as if abandoned, and begins one of its own."""
        rule = handshake(start=becomes("button", "down"), abandon=None, given=None)
        samples = {
            "button": sampled([(0, "up"), (1000, "down"), (1050, "up"), (1300, "down")], every=10, until=4000),
            "enable": sampled([(0, "off"), (1100, "on"), (1200, "off"), (1400, "on")], every=10, until=4000),
            "feedback": sampled([(0, "free"), (1700, "locked")], every=25, until=4000),
        }
        result = perform(samples, rule)
        first, second = result.handshakes
        assert first.abandoned == "the start came again"
        assert second.completed
        assert [(finding.handshake, finding.step, finding.outcome.value) for finding in result.findings] == [
            (1, "enable", "met"),
            (2, "enable", "met"),
            (2, "release ends", "met"),
        ]

    @pytest.mark.parametrize(
        ("shut", "ended"),
        [(2000, "the start came again"), (1300, "the start came again"), (1280, "door became closed")],
    )
    def test_what_ended_it_is_what_came_first(self, shut: float, ended: str) -> None:
        rule = handshake(start=becomes("button", "down"), given=None)
        samples = {
            "door": sampled([(0, "open"), (shut, "closed")], every=10, until=4000),
            "button": sampled([(0, "up"), (1000, "down"), (1050, "up"), (1300, "down")], every=10, until=4000),
            "enable": sampled([(0, "off"), (1100, "on")], every=10, until=4000),
            "feedback": sampled([(0, "free")], every=25, until=4000),
        }
        first = perform(samples, rule, also={"feedback": {"locked"}}).handshakes[0]
        assert (first.abandoned, first.end_ns) == (ended, min(shut, 1300) * NS_PER_MS)

    def test_a_change_right_behind_it(self) -> None:
        """Last seen free in the very frame that shows the door shut: it came behind that, and counts for nothing."""
        door = sampled([(0, "closed"), (1000, "open"), (1300, "closed")], every=20, until=4000)
        result = run(handshake(), door=door, feedback=feedback((1325, "locked")))
        assert outcomes(result) == [("enable", "met")]
        assert result.handshakes[0].abandoned == "door became closed"

    def test_two_handshakes_close_together(self) -> None:
        """Handshakes that do not overlap are judged each on its own, however close."""
        door = sampled([(0, "closed"), (1000, "open"), (1450, "closed"), (1500, "open")], every=10, until=4000)
        enable = sampled([(0, "off"), (1100, "on"), (1300, "off"), (1600, "on"), (1800, "off")], every=10, until=4000)
        feedback = sampled([(0, "free"), (1400, "locked"), (1550, "free"), (1900, "locked")], every=10, until=4000)
        result = run(handshake(), door=door, enable=enable, feedback=feedback)
        assert [finding.outcome.value for finding in result.findings] == ["met"] * 4
        assert [shake.completed for shake in result.handshakes] == [True, True]
