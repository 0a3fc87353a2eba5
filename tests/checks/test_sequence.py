from __future__ import annotations

from dataclasses import replace
from functools import partial
from typing import ClassVar

import pytest
from support.in_full import after, between, finding, seen, span
from support.stage import Samples, becomes, holds, outcomes, perform, sampled, step

from buslens.checks.findings import Finding, Handshake, Limit, Outcome, Result, Verdict
from buslens.expectations.model import Compare, Moment, Sequence, Step, Trigger
from buslens.units import NS_PER_MS

LATE = [("enable", "met"), ("release ends", "late")]
DOOR = sampled([(0, "closed"), (1000, "open")], every=20, until=4000)


def handshake(**changes: object) -> Sequence:
    """Return the lock handshake: enable within 400 ms, feedback locked 50 to 600 ms after it."""
    fields: dict[str, object] = {
        "name": "lock",
        "start": becomes("door", "open"),
        "given": holds("ignition", "off"),
        "abandon": becomes("door", "closed"),
        "steps": (
            step("enable", "enable", "on", within=400),
            step("release ends", "feedback", "locked", after=50, within=600),
        ),
    }
    return Sequence(**{**fields, **changes})  # type: ignore[arg-type]


def run(
    rule: Sequence,
    *,
    door: Samples = DOOR,
    ignition: Samples | None = None,
    enable: Samples | None = None,
    feedback: Samples | None = None,
    until: float = 4000,
    **how: object,
) -> Result:
    samples = {
        "door": door,
        "ignition": ignition or sampled([(0, "off")], every=100, until=until),
        "enable": enable or sampled([(0, "off"), (1100, "on"), (1500, "off")], every=10, until=until),
        "feedback": feedback or sampled([(0, "free"), (1400, "locked")], every=25, until=until),
    }
    also = {"ignition": {"on", "off"}, "enable": {"on"}, "feedback": {"locked"}}
    return perform(samples, rule, also=also, **how)  # type: ignore[arg-type]


def of_step(result: Result, name: str) -> Finding:
    (found,) = [finding for finding in result.findings if finding.step == name]
    return found


in_full = partial(finding, "lock", "sequence")

OPENED = seen("door became open", "door", 980, 1000)
ENABLED = seen("enable became on", "enable", 1090, 1100)
ENABLE_LIMIT, RELEASE_LIMIT = Limit(most=400 * NS_PER_MS), Limit(least=50 * NS_PER_MS, most=600 * NS_PER_MS)

#: What the first step of every handshake below is.
ENABLE = in_full(
    Outcome.MET,
    "enable became on 90 to 120 ms after door became open; limit 400 ms",
    time_ns=1100 * NS_PER_MS,
    delay=between(90, 120),
    limit=ENABLE_LIMIT,
    reference=after(980, 1000),
    evidence=(OPENED, ENABLED),
    step="enable",
    handshake=1,
)


def feedback(*changes: tuple[float, str], until: float = 4000) -> Samples:
    return sampled([(0, "free"), *changes], every=25, until=until)


def came(outcome: Outcome, words: str, frame: float, delay: tuple[float, float] | None) -> Finding:
    """Return the second step, shown by a frame."""
    return in_full(
        outcome,
        f"feedback became locked {words}",
        time_ns=round(frame * NS_PER_MS),
        delay=None if delay is None else between(*delay),
        limit=RELEASE_LIMIT,
        reference=after(1090, 1100),
        evidence=(ENABLED, seen("feedback became locked", "feedback", frame - 25, frame)),
        step="release ends",
        handshake=1,
    )


def absent(outcome: Outcome, reason: str) -> Finding:
    """Return the second step where no change is told."""
    return in_full(
        outcome,
        reason,
        time_ns=1100 * NS_PER_MS,
        limit=RELEASE_LIMIT,
        reference=after(1090, 1100),
        evidence=(ENABLED,),
        step="release ends",
        handshake=1,
    )


def record(*, end: float, completed: bool, abandoned: str = "", tries: int = 1) -> Handshake:
    return Handshake(
        rule="lock",
        number=1,
        start=after(980, 1000),
        end_ns=round(end * NS_PER_MS),
        completed=completed,
        abandoned=abandoned,
        tries=tries,
    )


class TestInFull:
    """Everything that a finding and a handshake carry, for each way in which a handshake can go."""

    @pytest.mark.parametrize(
        ("frame", "told", "end"),
        [
            (1400, came(Outcome.MET, "275 to 310 ms after enable; limit 50 to 600 ms", 1400, (275, 310)), 1400),
            (
                1800,
                came(
                    Outcome.LATE,
                    "675 to 710 ms after enable; limit 50 to 600 ms: late by at least 75 ms",
                    1800,
                    (675, 710),
                ),
                1800,
            ),
            (
                1125,
                came(
                    Outcome.EARLY,
                    "0 to 35 ms after enable; limit 50 to 600 ms: early by at least 15 ms",
                    1125,
                    (0, 35),
                ),
                1125,
            ),
            (
                1700,
                came(
                    Outcome.UNDECIDED,
                    "575 to 610 ms after enable; limit 50 to 600 ms: too close to call at one frame per 25 ms;"
                    " about one frame per 10 ms would decide",
                    1700,
                    (575, 610),
                ),
                1700,
            ),
        ],
        ids=["met", "late", "early", "too close"],
    )
    def test_a_change(self, frame: float, told: Finding, end: float) -> None:
        result = run(replace(handshake(), basis="invented"), feedback=feedback((frame, "locked")))
        assert list(result.findings) == [ENABLE, told]
        assert list(result.handshakes) == [record(end=end, completed=True)]

    @pytest.mark.parametrize(
        ("samples", "tail"),
        [
            (feedback(), "feedback stayed free"),
            (
                feedback((3500, "locked")),
                "feedback stayed free; it came 2.375 to 2.41 s after it, too late to be the answer",
            ),
            (feedback((100, "locked")), "it was so from the beginning"),
        ],
        ids=["never", "straggler", "was so"],
    )
    def test_no_change(self, samples: Samples, tail: str) -> None:
        result = run(replace(handshake(), basis="invented"), feedback=samples)
        reason = f"'feedback becomes locked' did not come within 600 ms after enable; {tail}"
        assert list(result.findings) == [ENABLE, absent(Outcome.MISSING, reason)]
        assert list(result.handshakes) == [record(end=1700, completed=False)]

    def test_out_of_order(self) -> None:
        result = run(replace(handshake(), basis="invented"), feedback=feedback((1050, "locked")))
        told = came(Outcome.OUT_OF_ORDER, "40 to 75 ms before enable, not after it", 1050, None)
        assert list(result.findings) == [told, ENABLE]
        assert list(result.handshakes) == [record(end=1100, completed=True)]

    def test_abandoned(self) -> None:
        door = sampled([(0, "closed"), (1000, "open"), (1300, "closed")], every=20, until=4000)
        result = run(replace(handshake(), basis="invented"), door=door, feedback=feedback())
        assert list(result.findings) == [ENABLE]
        assert list(result.handshakes) == [record(end=1300, completed=False, abandoned="door became closed")]

    def test_the_start_again(self) -> None:
        door = sampled([(0, "closed"), (1000, "open"), (1200, "closed"), (1300, "open")], every=20, until=4000)
        result = run(replace(handshake(abandon=None), basis="invented"), door=door, feedback=feedback())
        again = "'enable becomes on' did not come within 400 ms after door became open; it was so from the beginning"
        assert list(result.findings) == [
            ENABLE,
            in_full(
                Outcome.MISSING,
                again,
                time_ns=1300 * NS_PER_MS,
                limit=ENABLE_LIMIT,
                reference=after(1280, 1300),
                evidence=(seen("door became open", "door", 1280, 1300),),
                step="enable",
                handshake=2,
            ),
        ]
        first, second = result.handshakes
        assert first == record(end=1300, completed=False, abandoned="the start came again")
        assert second == replace(record(end=1700, completed=False, tries=0), number=2, start=after(1280, 1300))

    def test_the_capture_ends(self) -> None:
        door = sampled([(0, "closed"), (1000, "open")], every=20, until=1500)
        result = run(replace(handshake(), basis="invented"), door=door, feedback=feedback(until=1500), until=1500)
        reason = (
            "the capture ends 400 ms after enable, before 'feedback becomes locked' could be overdue"
            " (limit 50 to 600 ms)"
        )
        assert list(result.findings) == [ENABLE, absent(Outcome.UNDECIDED, reason)]
        assert list(result.handshakes) == [record(end=1500, completed=False)]

    def test_a_silence(self) -> None:
        samples = [sample for sample in feedback((1400, "locked")) if not 1300 < sample[0] < 1900]
        result = run(replace(handshake(), basis="invented"), feedback=samples, timeouts={"feedback": 75})
        reason = (
            "the log cannot tell whether 'feedback becomes locked' came in time: feedback is unknown (its message has"
            " stopped)"
        )
        assert list(result.findings) == [ENABLE, absent(Outcome.UNDECIDED, reason)]
        assert list(result.handshakes) == [record(end=1700, completed=False)]

    def test_a_seam(self) -> None:
        result = run(replace(handshake(), basis="invented"), seams=[1250])
        reason = "the recorded clock ran back while 'feedback becomes locked' was awaited"
        assert list(result.findings) == [ENABLE, absent(Outcome.UNDECIDED, reason)]
        assert list(result.handshakes) == [record(end=1400, completed=False)]

    def test_it_may_have_been_abandoned(self) -> None:
        door = [sample for sample in DOOR if not 1200 < sample[0] < 3000]
        result = run(replace(handshake(), basis="invented"), door=door, feedback=feedback(), timeouts={"door": 60})
        reason = (
            "'feedback becomes locked' did not come within 600 ms after enable, but the handshake may have been"
            " abandoned: door is unknown (its message has stopped)"
        )
        assert list(result.findings) == [ENABLE, absent(Outcome.UNDECIDED, reason)]

    def test_given_is_unknown(self) -> None:
        ignition = [sample for sample in sampled([(0, "off")], every=100, until=4000) if not 500 < sample[0] < 1500]
        result = run(replace(handshake(), basis="invented"), ignition=ignition, timeouts={"ignition": 300})
        reason = (
            "door became open, but the log cannot tell whether 'ignition is off' held: ignition is unknown (its message"
            " has stopped)"
        )
        assert list(result.findings) == [
            in_full(Outcome.UNDECIDED, reason, time_ns=1000 * NS_PER_MS, evidence=(OPENED,))
        ]
        assert result.handshakes == ()

    @pytest.mark.parametrize(
        ("tries", "told_try", "delay", "last"), [(3, 3, (275, 310), 1500), (2, 2, (475, 510), 1300)]
    )
    def test_tries(self, tries: int, told_try: int, delay: tuple[float, float], last: float) -> None:
        """The clock starts anew with each try that is allowed; all are counted."""
        times = [(0, "off"), (1100, "on"), (1150, "off"), (1300, "on"), (1350, "off"), (1500, "on"), (1550, "off")]
        enable = sampled(times, every=10, until=4000)
        rule = replace(handshake(), basis="invented", tries=tries)
        result = run(rule, enable=enable, feedback=feedback((1800, "locked")))
        words = f"{delay[0]} to {delay[1]} ms after enable (try {told_try}); limit 50 to 600 ms"
        told = came(Outcome.MET, words, 1800, delay)
        tried = seen("enable became on", "enable", last - 10, last)
        told = replace(told, reference=tried.time, evidence=(tried, told.evidence[1]))
        assert list(result.findings) == [ENABLE, told]
        assert list(result.handshakes) == [record(end=1800, completed=True, tries=3)]


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
        assert "door becomes open" in result.summary

    def test_undecided_while_given_is_unknown(self) -> None:
        """A start while `given` is unknown is undecided, and the text names the role."""
        ignition = sampled([(0, "off")], every=100, until=500)
        result = run(handshake(), ignition=ignition, timeouts={"ignition": 300})
        (finding,) = result.findings
        assert finding.outcome.value == "undecided"
        assert "ignition is unknown (its message has stopped)" in finding.reason

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
        assert "did not come within 600 ms after enable; feedback stayed free" in finding.reason
        assert result.verdict is Verdict.FAULTY

    def test_so_from_the_beginning(self) -> None:
        """An awaited state that holds already and never comes anew is missing: it was so from the beginning."""
        finding = of_step(run(handshake(), feedback=sampled([(0, "locked")], every=25, until=4000)), "release ends")
        assert finding.outcome.value == "missing"
        assert "it was so from the beginning" in finding.reason

    def test_straggler_is_mentioned(self) -> None:
        """A change later than three times the limit is no answer, but worth a word."""
        finding = of_step(
            run(handshake(), feedback=sampled([(0, "free"), (3200, "locked")], every=25, until=4000)), "release ends"
        )
        assert finding.outcome.value == "missing"
        assert "too late to be the answer" in finding.reason

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
                Moment(edge=Compare(role="supply", operator="<", value=9)),
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
        for it, stayed in ((both, "feedback stayed free and data stayed free"), (number, "it never came about")):
            rule = handshake(given=None, abandon=None, steps=(it,))
            reason = of_step(perform(samples, rule, also=also), "any").reason
            assert reason == f"'any' did not come within 600 ms after door became open; {stayed}"

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
        assert of_step(result, "c").reason.startswith("enable became off 440 to 475 ms after b; limit 400 ms: late by")

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
        assert "too close to call at one frame per 30 ms" in finding.reason


class TestDoubt:
    def test_a_silence_that_could_hide_the_change(self) -> None:
        """A role that is unknown while its change is awaited leaves the step undecided, and is named."""
        feedback = sampled([(0, "free"), (1300, "locked")], every=25, until=4000)
        feedback = [sample for sample in feedback if not 1200 < sample[0] < 1600]
        finding = of_step(run(handshake(), feedback=feedback, timeouts={"feedback": 75}), "release ends")
        assert finding.outcome.value == "undecided"
        assert "feedback is unknown (its message has stopped)" in finding.reason

    def test_a_silence_elsewhere_does_not_matter(self) -> None:
        """A role that is unknown before the handshake is judged in it all the same."""
        feedback = sampled([(0, "free"), (1400, "locked")], every=25, until=4000)
        feedback = [sample for sample in feedback if not 200 < sample[0] < 600]
        assert outcomes(run(handshake(), feedback=feedback, timeouts={"feedback": 75}))[-1][1] == "met"

    @pytest.mark.parametrize(("until", "outcome"), [(1650, "undecided"), (1675, "undecided"), (1700, "missing")])
    def test_capture_ends_before_the_limit(self, until: float, outcome: str) -> None:
        """Missing needs a frame at or behind the last moment of the limit: 600 ms after 1100 ms."""
        feedback = sampled([(0, "free")], every=25, until=until)
        assert of_step(run(handshake(), feedback=feedback, until=until), "release ends").outcome.value == outcome

    @pytest.mark.parametrize("last", [1075, 1100])
    def test_capture_ends_at_once(self, last: float) -> None:
        """A role last seen before the step that its change follows has been shown for no time behind it."""
        result = run(handshake(), feedback=sampled([(0, "free")], every=25, until=last))
        assert of_step(result, "release ends").reason.startswith("the capture ends 0 ns after enable, before ")

    def test_seam_inside(self) -> None:
        """A clock that ran back while a step was awaited leaves it undecided."""
        result = run(handshake(), seams=[1250.5])
        finding = of_step(result, "release ends")
        assert finding.outcome.value == "undecided"
        assert "clock ran back" in finding.reason
        assert result.verdict is Verdict.UNDECIDED

    def test_unnamed_value(self) -> None:
        """A value that the expectations do not name is unknown, and can hide the change."""
        feedback = sampled([(0, "free"), (1200, "odd"), (1300, "locked")], every=25, until=4000)
        finding = of_step(run(handshake(), feedback=feedback, unnamed={"feedback": {"odd"}}), "release ends")
        assert finding.outcome.value == "undecided"
        assert "no name in the expectations" in finding.reason

    def test_abandon_may_be_hidden(self) -> None:
        """Who cannot see whether the door was shut again cannot say that the lock failed."""
        door = [sample for sample in DOOR if sample[0] < 1200]
        result = run(
            handshake(), door=door, feedback=sampled([(0, "free")], every=25, until=4000), timeouts={"door": 60}
        )
        finding = of_step(result, "release ends")
        assert finding.outcome.value == "undecided"
        assert "may have been abandoned: door is unknown" in finding.reason


class TestUntellable:
    """Where the log cannot tell whether blame is due, there is none."""

    FREE = sampled([(0, "free")], every=25, until=4000)

    @pytest.mark.parametrize(("shut", "found"), [(1690, [("enable", "met")]), (1760, LATE)])
    def test_late_but_perhaps_abandoned_in_time(self, shut: float, found: list[tuple[str, str]]) -> None:
        """The door is shut around the limit's end and the change comes late: only a door shut surely later blames."""
        door = sampled([(0, "closed"), (1000, "open"), (shut, "closed")], every=100, until=4000, start=50)
        feedback = sampled([(0, "free"), (1705, "locked")], every=10, until=4000)
        steps = (step("enable", "enable", "on", within=400), step("release ends", "feedback", "locked", within=600))
        assert outcomes(run(handshake(steps=steps), door=door, feedback=feedback)) == found

    @pytest.mark.parametrize(
        ("shut", "found"),
        [(1690, [("enable", "met")]), (1760, [("enable", "met"), ("release ends", "missing")])],
    )
    def test_missing_but_perhaps_abandoned_in_time(self, shut: float, found: list[tuple[str, str]]) -> None:
        """The same where the change never comes."""
        door = sampled([(0, "closed"), (1000, "open"), (shut, "closed")], every=100, until=4000, start=50)
        assert outcomes(run(handshake(), door=door, feedback=self.FREE)) == found

    def test_late_but_the_abandoning_may_be_hidden(self) -> None:
        """Who cannot see whether the door was shut again cannot say that the lock was late."""
        door = [sample for sample in DOOR if not 1200 < sample[0] < 1600]
        feedback = sampled([(0, "free"), (2000, "locked")], every=25, until=4000)
        finding = of_step(run(handshake(), door=door, feedback=feedback, timeouts={"door": 60}), "release ends")
        assert finding == in_full(
            Outcome.UNDECIDED,
            "'feedback becomes locked' did not come within 600 ms after enable, but the handshake may have been"
            " abandoned: door is unknown (its message has stopped)",
            time_ns=2000 * NS_PER_MS,
            limit=RELEASE_LIMIT,
            reference=after(1090, 1100),
            evidence=(ENABLED, seen("feedback became locked", "feedback", 1975, 2000)),
            step="release ends",
            handshake=1,
            basis="",
        )

    @pytest.mark.parametrize("locked", [1710, 5000])
    def test_abandoned_behind_the_last_moment_of_the_limit(self, locked: float) -> None:
        """The door was last seen open when the limit ran out at 1700 ms: whenever it was shut, it was too late."""
        door = sampled([(0, "closed"), (1000, "open"), (1720, "closed")], every=20, until=4000)
        result = run(handshake(), door=door, feedback=sampled([(0, "free"), (locked, "locked")], every=10, until=4000))
        assert outcomes(result)[1] == ("release ends", "late" if locked < 4000 else "missing")

    def test_silence_of_the_door_behind_the_limit_excuses_nothing(self) -> None:
        door = [sample for sample in DOOR if not 1800 < sample[0] < 2500]
        result = run(handshake(), door=door, feedback=self.FREE, timeouts={"door": 60})
        assert of_step(result, "release ends").outcome.value == "missing"

    def test_start_in_a_silence(self) -> None:
        """A door that was shut before a silence and is open behind it was opened: nobody knows when, but it is told."""
        door = [sample for sample in DOOR if not 900 < sample[0] < 1200]
        (finding,) = run(handshake(), door=door, timeouts={"door": 60}).findings
        why = "door became open at a moment that the log does not show: door is unknown (its message has stopped)"
        assert (finding.outcome.value, finding.reason) == ("undecided", why)
        assert finding.time_ns == 1200 * NS_PER_MS

    def test_start_in_a_silence_that_does_not_count(self) -> None:
        """Where `given` surely did not hold there was no handshake, whenever in the silence the door was opened."""
        door = [sample for sample in DOOR if not 900 < sample[0] < 1200]
        ignition = sampled([(0, "on")], every=100, until=4000)
        assert run(handshake(), door=door, ignition=ignition, timeouts={"door": 60}).findings == ()

    @pytest.mark.parametrize("ignition", [[(0, "on"), (1150, "off")], [(0, "off"), (950, "on")]])
    def test_start_in_a_silence_that_may_count(self, ignition: list[tuple[float, str]]) -> None:
        """`given` has to be false all that while: the door may have been opened while it held."""
        door = [sample for sample in DOOR if not 900 < sample[0] < 1200]
        result = run(handshake(), door=door, ignition=sampled(ignition, every=10, until=4000), timeouts={"door": 60})
        assert outcomes(result) == [("lock", "undecided")]

    def test_silence_without_a_start(self) -> None:
        door = [sample for sample in DOOR if not 300 < sample[0] < 600]
        assert outcomes(run(handshake(), door=door, timeouts={"door": 60})) == [
            ("enable", "met"),
            ("release ends", "met"),
        ]

    def test_given_changes_around_the_start(self) -> None:
        """Ignition last seen off long before the start and seen on after it: undecided, and said why."""
        ignition = sampled([(0, "off"), (1150, "on")], every=300, until=4000)
        (finding,) = run(handshake(), ignition=ignition).findings
        assert finding.outcome.value == "undecided"
        assert "ignition changed between two frames around it" in finding.reason

    def test_given_was_last_seen_before(self) -> None:
        (finding,) = run(handshake(), ignition=sampled([(0, "off")], every=100, until=500)).findings
        assert finding.outcome.value == "undecided"
        assert "no frame shows ignition any more" in finding.reason


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
            moments=(Moment(edge=becomes("door", "open").moments[0].edge, while_=holds("key", "in").condition),),
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


class TestTries:
    ENABLE: ClassVar = [(0, "off"), (1100, "on"), (1300, "off"), (1700, "on"), (1900, "off")]

    def test_clock_starts_anew(self) -> None:
        """With two tries allowed the second one starts the clock of the step that follows anew."""
        result = run(
            handshake(tries=2),
            enable=sampled(self.ENABLE, every=10, until=4000),
            feedback=sampled([(0, "free"), (2000, "locked")], every=10, until=4000),
        )
        assert outcomes(result) == [("enable", "met"), ("release ends", "met")]
        assert result.handshakes[0].tries == 2
        assert "after enable (try 2)" in of_step(result, "release ends").reason

    def test_tries_used_up(self) -> None:
        """With one try allowed a second one changes nothing but the count."""
        result = run(
            handshake(),
            enable=sampled(self.ENABLE, every=10, until=4000),
            feedback=sampled([(0, "free"), (2000, "locked")], every=10, until=4000),
        )
        assert outcomes(result) == [("enable", "met"), ("release ends", "late")]
        assert result.handshakes[0].tries == 2

    @pytest.mark.parametrize(
        ("tries", "until", "outcome"),
        [
            (2, 2000, "undecided"),
            (2, 2880, "undecided"),
            (2, 2900, "missing"),
            (2, 2920, "missing"),
            (1, 2000, "missing"),
        ],
    )
    def test_capture_ends_while_another_try_could_come(self, tries: int, until: float, outcome: str) -> None:
        """A step counted from a try is no fault before the log shows that no other try follows."""
        result = run(
            handshake(tries=tries),
            enable=sampled(self.ENABLE[:3], every=10, until=until),
            feedback=sampled([(0, "free")], every=25, until=until),
            until=until,
        )
        assert outcomes(result) == [("enable", "met"), ("release ends", outcome)]
        reason = "'feedback becomes locked' did not come within 600 ms after enable; feedback stayed free"
        if outcome == "undecided":
            shown = {2000: "900 ms", 2880: "1.78 s"}[until]
            reason += f"; but the capture ends {shown} after enable, while another try could still come"
        assert of_step(result, "release ends").reason == reason

    @pytest.mark.parametrize(("until", "outcome"), [(3475, "undecided"), (3500, "missing")])
    def test_no_other_try_could_help_any_more(self, until: float, outcome: str) -> None:
        """Once the answer even to the last try that could have come is overdue, it does not matter whether it did."""
        result = run(
            handshake(tries=2),
            enable=sampled([(0, "off"), (1100, "on")], every=10, until=1100),
            feedback=sampled([(0, "free")], every=25, until=until),
        )
        finding = of_step(result, "release ends")
        assert finding.outcome.value == outcome
        tail = "; but the capture ends 0 ns after enable, while another try could still come"
        assert finding.reason.endswith(tail) == (outcome == "undecided")

    @pytest.mark.parametrize(
        ("door", "answer", "last", "tries"),
        [
            (4000, 4000, 1700, 4),
            (4000, 4000, 2900, 4),
            (4000, 4000, 2910, 3),
            (4000, 1600, 1700, 3),
            (1600, 4000, 1700, 3),
        ],
        ids=["all", "at three times the limit", "behind it", "behind the answer", "behind the end of the handshake"],
    )
    def test_tries_that_count(self, door: float, answer: float, last: float, tries: int) -> None:
        """Beyond those allowed, tries are counted up to the answer, the end, or three times the answer's limit."""
        on = [
            (0.0, "off"),
            *((at + half, "off" if half else "on") for at in (1100, 1300, 1500, last) for half in (0, 5)),
        ]
        result = run(
            handshake(),
            door=sampled([(0, "closed"), (1000, "open"), (door, "closed")], every=20, until=4000),
            enable=sampled(on, every=5, until=4000),
            feedback=feedback((answer, "locked")),
        )
        assert result.handshakes[0].tries == tries

    @pytest.mark.parametrize(("last", "tries"), [(2900, 2), (2905, 1)])
    def test_up_to_three_times_the_limit_it_is_a_try(self, last: float, tries: int) -> None:
        enable = sampled([(0, "off"), (1100, "on"), (1200, "off"), (last, "on")], every=5, until=4000)
        result = run(handshake(tries=2), enable=enable, feedback=feedback(), lags={"enable": 0})
        assert result.handshakes[0].tries == tries

    def test_answer_right_behind_the_second_try(self) -> None:
        """Last seen free in the very frame that shows the second try: the answer is to that."""
        result = run(
            handshake(tries=2),
            enable=sampled(self.ENABLE, every=10, until=4000),
            feedback=feedback((1725, "locked")),
        )
        assert "after enable (try 2)" in of_step(result, "release ends").reason

    def test_try_right_behind_the_end_of_a_handshake(self) -> None:
        """Last seen off in the very frame that shows the door shut: that is no try of this handshake."""
        result = run(
            handshake(tries=2),
            door=sampled([(0, "closed"), (1000, "open"), (1700, "closed")], every=20, until=4000),
            enable=sampled([(0, "off"), (1100, "on"), (1300, "off"), (1710, "on")], every=10, until=4000),
            feedback=feedback(),
        )
        assert result.handshakes[0].tries == 1

    def test_only_faults_counted_from_a_try_are_in_doubt(self) -> None:
        """What is met stays so, what came out of order too, and what counts from another step does not depend on it."""
        steps = (
            step("enable", "enable", "on", within=400),
            step("before", "feedback", "locked", within=600),
            step("met", "enable", "off", within=300, from_="enable"),
            step("late", "enable", "off", within=100, from_="before"),
            step("doubt", "enable", "off", within=100, from_="enable"),
        )
        result = run(
            handshake(steps=steps, tries=2),
            enable=sampled(self.ENABLE[:3], every=10, until=2000),
            feedback=feedback((1050, "locked"), until=2000),
            until=2000,
        )
        assert {finding.step: finding.outcome.value for finding in result.findings} == {
            "enable": "met",
            "before": "out_of_order",
            "met": "met",
            "late": "late",
            "doubt": "undecided",
        }

    def test_no_other_try_comes_behind_the_end_of_a_handshake(self) -> None:
        result = run(
            handshake(tries=2),
            door=sampled([(0, "closed"), (1000, "open"), (2000, "closed")], every=20, until=2200),
            enable=sampled(self.ENABLE[:3], every=10, until=2200),
            feedback=sampled([(0, "free")], every=25, until=2200),
            until=2200,
        )
        assert outcomes(result) == [("enable", "met"), ("release ends", "missing")]

    def test_answer_before_the_second_try(self) -> None:
        """A first step that comes again behind the answer is no try of this handshake."""
        result = run(handshake(tries=2), enable=sampled(self.ENABLE, every=10, until=4000))
        assert result.handshakes[0].tries == 1
        assert outcomes(result) == [("enable", "met"), ("release ends", "met")]
