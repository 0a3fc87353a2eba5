from __future__ import annotations

from dataclasses import replace
from typing import ClassVar

import pytest
from support.handshakes import (
    feedback,
    handshake,
    of_step,
    run,
)
from support.stage import outcomes, sampled, step

from buslens.units import NS_PER_MS


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

    @pytest.mark.parametrize(("usual", "outcome"), [(None, "met"), (2, "met"), (1, "undecided")])
    def test_an_unusual_try_is_told(self, usual: int | None, outcome: str) -> None:
        """What follows more tries than usual is in doubt where it is as it should be, and a fault where it is not."""
        enable = sampled(self.ENABLE, every=10, until=4000)
        for locked, found in ((2000, outcome), (2500, "late"), (9000, "missing")):
            result = run(
                handshake(tries=3, usual_tries=usual),
                enable=enable,
                feedback=sampled([(0, "free"), (locked, "locked")], every=10, until=4000),
            )
            assert outcomes(result) == [("enable", "met"), ("release ends", found)]
            is_told = "but that took 2 tries; usual: 1" in of_step(result, "release ends").reason
            assert is_told == (found == "undecided")

    def test_an_optional_step_may_stay_out(self) -> None:
        """It only is what others count from: without it, neither is checked."""
        steps = (
            step("enable", "enable", "on", within=400),
            replace(step("released", "feedback", "locked", within=600), optional=True),
            step("ends", "enable", "off", within=600),
        )
        for locked, found in ((1300, ["enable", "released", "ends"]), (9000, ["enable"])):
            samples = sampled([(0, "free"), (locked, "locked")], every=25, until=4000)
            result = run(handshake(steps=steps), feedback=samples)
            assert outcomes(result) == [(name, "met") for name in found]
            assert result.handshakes[0].completed is (locked < 4000)

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
        reason = "feedback did not become locked within 600 ms after enable; it stayed free"
        if outcome == "undecided":
            shown = {2000: "900 ms", 2880: "1.78 s"}[until]
            reason += f"; but the capture ends {shown} after enable, and another try could follow; record longer"
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
        tail = "; but the capture ends 0 ms after enable, and another try could follow; record longer"
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

    @pytest.mark.parametrize(("again", "found"), [(None, "missing"), (3000, "met")])
    def test_tries_that_are_far_apart(self, again: int | None, found: str) -> None:
        """`again_within` says how long after a try the next may come; else three times the limit of the answer."""
        enable = [(0, "off"), (1100, "on"), (1300, "off"), (3600, "on"), (3800, "off")]
        result = run(
            handshake(tries=2, again_within_ns=None if again is None else again * NS_PER_MS),
            enable=sampled(enable, every=10, until=6000),
            feedback=sampled([(0, "free"), (3900, "locked")], every=10, until=6000),
            until=6000,
        )
        assert outcomes(result) == [("enable", "met"), ("release ends", found)]
