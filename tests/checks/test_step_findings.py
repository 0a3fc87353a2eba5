"""Findings in columns are read as if each were a record."""

from __future__ import annotations

import pickle
from dataclasses import replace
from functools import partial

import pytest
from support.stage import Samples, becomes, perform, sampled, step

from buslens.checks.context import EvaluationContext
from buslens.checks.custom_sentences import reworded
from buslens.checks.evaluate_rule import evaluate_rule
from buslens.checks.findings import Finding, FindingColumns, Findings, Outcome, Result
from buslens.checks.step_findings import StepFindings
from buslens.checks.verdict import decide_verdict
from buslens.expectations.model import Role, Sequence
from buslens.report.document import capture_entry, dumps
from buslens.report.finding_layout import extent_of
from buslens.report.text import text
from buslens.units import NS_PER_MS

RULE = Sequence(
    name="lock handshake",
    start=becomes("door", "on"),
    steps=(
        step("enable", "enable", "on", within=60),
        step("answer", "feedback", "on", within=70, after=10),
        step("ends", "enable", "off", within=90, from_="enable"),
    ),
    basis="invented",
)


def samples(*delays: float) -> dict[str, Samples]:
    """Return handshakes of which each is answered so many ms after the enable."""
    changes = {role: [(0.0, "off")] for role in ("door", "enable", "feedback")}
    for index, delay in enumerate(delays):
        at = 30.0 + 200 * index
        changes["door"] += [(at, "on"), (at + 150, "off")]
        changes["enable"] += [(at + 7 + delay / 4, "on"), (at + 100, "off")]
        changes["feedback"] += [(at + 7 + 1.25 * delay, "on"), (at + 160, "off")]
    return {role: sampled(of, every=5, until=200 * len(delays) + 100) for role, of in changes.items()}


def ways(result: Result) -> tuple[FindingColumns, list[Finding]]:
    """Return what the rule found by columns and one by one."""
    found = []
    for by_columns in (True, False):
        context = EvaluationContext(
            timelines=result.timelines,
            presences={},
            first_ns=result.stats.first_ns or 0,
            end_ns=result.stats.last_ns or 0,
            by_columns=by_columns,
        )
        found.append(evaluate_rule(RULE, context)[0])
    together, alone = found
    assert isinstance(together, StepFindings)
    assert isinstance(alone, list)
    return together, alone


@pytest.mark.parametrize(
    "delays", [(30,), (30, 40, 52, 21), (30, 90, 44, 20), (90, 31, 62, 100, 24), (66, 40)], ids=str
)
class TestStepFindings:
    def test_places(self, delays: tuple[float, ...]) -> None:
        together, alone = ways(perform(samples(*delays), RULE))
        assert together == alone
        assert [together[place] for place in range(-len(alone), len(alone))] == alone + alone
        assert together[1:-1] == tuple(alone[1:-1])
        # Pages and drawings tell records by what they are, not by what they say.
        assert all(one is again for one, again in zip(list(together), together, strict=True))
        with pytest.raises(IndexError):
            together[len(alone)]

    @pytest.mark.parametrize("numbers", [set(), {1}, {2, 3}, {1, 2, 3, 4, 5, 9}], ids=str)
    def test_of_some_handshakes(self, delays: tuple[float, ...], numbers: set[int]) -> None:
        found = [Findings([of]).of_handshakes(RULE.name, numbers) for of in ways(perform(samples(*delays), RULE))]
        assert found[0] == found[1]
        assert {it.handshake for it in found[0]} == numbers & set(range(1, len(delays) + 1))
        assert Findings(ways(perform(samples(*delays), RULE))).of_handshakes("another", numbers) == []

    def test_during(self, delays: tuple[float, ...]) -> None:
        """What a picture of a stretch of time shows is among the findings that the stretch has to do with."""
        together, alone = ways(perform(samples(*delays), RULE))
        for first_ms in range(-50, 200 * len(delays), 45):
            first_ns, last_ns = first_ms * NS_PER_MS, (first_ms + 60) * NS_PER_MS
            found = Findings([together]).during(first_ns, last_ns)
            extents = [(it, extent_of(it)) for it in alone]
            shown = [it for it, ends in extents if ends is not None and ends[0] <= last_ns and ends[1] >= first_ns]
            assert [it for it in found if it in shown] == shown
            assert [it for it in alone if it in found] == found
            assert set(together.made) <= set(found)

    def test_in_own_words(self, delays: tuple[float, ...]) -> None:
        rule = replace(RULE, says={"met": "{step} took {measured} of {limit} in handshake {handshake}"})
        roles = {"enable": Role(name="enable", message="M", signal="S", label="the enable line")}
        together, alone = ways(perform(samples(*delays), RULE))
        assert isinstance(together, StepFindings)
        told = together.told_by(partial(reworded, rule=rule, roles=roles))
        assert told == [reworded(it, rule, roles) for it in alone]
        assert any(" of " in it.reason for it in told)
        assert pickle.loads(pickle.dumps(told)) == told  # noqa: S301 - just written

    def test_another_process(self, delays: tuple[float, ...]) -> None:
        result = perform(samples(*delays), RULE)
        copied = pickle.loads(pickle.dumps(result))  # noqa: S301 - just written
        assert copied.findings == result.findings
        assert copied.handshakes.to_pandas().equals(result.handshakes.to_pandas())

    def test_what_a_capture_says(self, delays: tuple[float, ...]) -> None:
        result = perform(samples(*delays), RULE)
        together, alone = (replace(result, findings=Findings.of(findings)) for findings in ways(result))
        assert together.findings.unmet == tuple(it for it in alone.findings if it.outcome is not Outcome.MET)
        assert text(together) == text(alone)
        assert text(together, in_full=True) == text(alone, in_full=True)
        assert dumps(capture_entry(together)) == dumps(capture_entry(alone))
        verdicts = [decide_verdict(it.findings, it.handshakes, [RULE]) for it in (together, alone)]
        assert verdicts[0] == verdicts[1]


class TestFindings:
    def test_nothing(self) -> None:
        assert Findings([]) == ()
        assert not Findings([])
        assert Findings([]).unmet == ()

    def test_several_rules(self) -> None:
        together, alone = ways(perform(samples(30, 90, 44), RULE))
        both = Findings([alone[:2], together, [], alone[:1]])
        assert both == [*alone[:2], *alone, *alone[:1]]
        assert [both[place] for place in range(len(both))] == list(both)
        assert both[-1] == alone[0]
