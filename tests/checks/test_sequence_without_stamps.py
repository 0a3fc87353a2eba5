from __future__ import annotations

import pytest
from support.handshakes import handshake, of_step, run
from support.stage import holds, outcomes, sampled, step

from buslens.capture.frames import Clock
from buslens.checks.findings import Verdict
from buslens.expectations.model import HeldFor, WrittenCondition

STEPS = (step("enable", "enable", "on", within=400), step("release ends", "feedback", "locked", after=50, within=600))


class TestOrder:
    """Of a log without time stamps the order of the steps is judged, and no delay."""

    def test_right_order(self) -> None:
        result = run(handshake(steps=STEPS), clock=Clock.MISSING)
        assert outcomes(result) == [("enable", "undecided"), ("release ends", "undecided")]
        assert all("carries no time stamps" in it.reason and it.delay is None for it in result.findings)
        assert "enable became on after door became open, as it should" in result.findings[0].reason
        assert result.findings[1].limit is not None
        assert result.findings[1].limit.most == 600_000_000
        assert result.handshakes[0].completed
        assert result.verdict is Verdict.UNDECIDED

    def test_wrong_order(self) -> None:
        feedback = sampled([(0, "free"), (1050, "locked")], every=10, until=4000)
        result = run(handshake(steps=STEPS), feedback=feedback, clock=Clock.MISSING)
        assert sorted(outcomes(result)) == [("enable", "undecided"), ("release ends", "out_of_order")]
        finding = of_step(result, "release ends")
        assert finding.reason == "feedback became locked before enable became on; expected after it"
        assert finding.delay is None
        assert result.verdict is Verdict.FAULTY

    @pytest.mark.parametrize("until", [1200, 40_000])
    def test_what_did_not_come_may_not_be_due(self, until: float) -> None:
        feedback = sampled([(0, "free")], every=10, until=until)
        result = run(handshake(steps=STEPS), feedback=feedback, clock=Clock.MISSING)
        assert outcomes(result) == [("enable", "undecided"), ("release ends", "undecided")]
        assert "cannot decide whether it was overdue" in result.findings[1].reason

    def test_a_role_that_is_unknown_is_named(self) -> None:
        late = sampled([(0, "free")], every=25, until=4000, start=3900)
        result = run(handshake(steps=STEPS), feedback=late, clock=Clock.MISSING)
        assert "feedback is unknown" in result.findings[-1].reason

    def test_a_length_of_time_is_not_known(self) -> None:
        held = WrittenCondition(
            condition=HeldFor(part=holds("ignition", "off").condition, duration_ns=1), text="off for 1 ns"
        )
        (finding,) = run(handshake(steps=STEPS, given=held), clock=Clock.MISSING).findings
        assert finding.reason.startswith("the log carries no time stamps, so that nothing")
