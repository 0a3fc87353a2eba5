from __future__ import annotations

from support.handshakes import handshake, run
from support.stage import holds, perform, sampled, step

from buslens.expectations.model import Agree, Never, Pulse
from buslens.units import NS_PER_MS


def test_a_later_step_that_waits_does_not_lead() -> None:
    """An enable that stays on because the bolt is late runs out of time first; the bolt is what to read of."""
    rule = handshake(
        steps=(
            step("enable", "enable", "on", within=400),
            step("release ends", "feedback", "locked", within=1500),
            step("enable ends", "enable", "off", within=600, from_="enable"),
        )
    )
    result = run(
        rule,
        enable=sampled([(0, "off"), (1100, "on"), (3800, "off")], every=10, until=6000),
        feedback=sampled([(0, "free"), (3700, "locked")], every=25, until=6000),
    )
    assert [it.step for it in result.findings if it.outcome.is_fault] == ["enable ends", "release ends"]
    assert result.summary.startswith("feedback became locked")


def test_feedbacks_that_differed_before_lead() -> None:
    """A handshake that only began because one feedback was stuck is not what to read of first; the feedback is."""
    rule = handshake(steps=(step("enable", "enable", "on", within=400),))
    same = Agree(
        name="both",
        first=holds("feedback", "free"),
        second=holds("second", "free"),
        settle_ns=300 * NS_PER_MS,
    )
    samples = {
        "door": sampled([(0, "closed"), (1000, "open")], every=10, until=4000),
        "ignition": sampled([(0, "off")], every=100, until=4000),
        "enable": sampled([(0, "off")], every=10, until=4000),
        "feedback": sampled([(0, "free")], every=25, until=4000),
        "second": sampled([(0, "locked")], every=25, until=4000),
    }
    result = perform(
        samples,
        rule,
        same,
        also={"door": {"open"}, "ignition": {"on"}, "enable": {"on"}, "feedback": {"locked"}, "second": {"free"}},
    )
    assert {it.rule for it in result.findings if it.outcome.is_fault} == {rule.name, "both"}
    assert result.summary.startswith("feedback was free, but second was not, for")


def test_what_stood_before_leads() -> None:
    """Where a command cannot come since it is there already, or something forbidden holds, that is what to read of."""
    rule = handshake(steps=(step("enable", "enable", "on", within=400),))
    pulse = Pulse(name="pulse", of=holds("enable", "on"), most_ns=900 * NS_PER_MS)
    paired = Never(name="paired", when=holds("second", "new"))
    lamp = Never(name="lamp", when=holds("lamp", "lit"), longer_than_ns=300 * NS_PER_MS)
    samples = {
        "door": sampled([(0, "closed"), (2000, "open")], every=10, until=4000),
        "ignition": sampled([(0, "off")], every=100, until=4000),
        "lamp": sampled([(0, "lit")], every=100, until=4000),
        "enable": sampled([(0, "on")], every=10, until=4000),
        "second": sampled([(0, "ready"), (2500, "new")], every=25, until=4000),
    }
    also = {"door": {"open"}, "ignition": {"on"}, "enable": {"on", "off"}, "lamp": {"dark"}, "second": {"ready"}}
    result = perform(samples, rule, pulse, paired, lamp, also=also)
    assert {it.rule for it in result.findings if it.outcome.is_fault} == {rule.name, "pulse", "paired", "lamp"}
    assert result.summary.startswith("enable was on for at least")
    samples["enable"] = sampled([(0, "off")], every=10, until=4000)
    assert perform(samples, rule, pulse, paired, lamp, also=also | {"enable": {"on"}}).summary.startswith(
        "enable did not"
    )
    samples["second"] = sampled([(0, "ready"), (1000, "new")], every=25, until=4000)
    result = perform(samples, rule, pulse, paired, lamp, also=also)
    assert result.summary.startswith("second was new for")
