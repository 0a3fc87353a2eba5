from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import ClassVar

import pytest
from support.handmade import step_finding

import buslens
from buslens.checks.custom_sentences import labelled, reworded
from buslens.checks.findings import Outcome
from buslens.errors import ExpectationError
from buslens.expectations.load import load_expectations
from buslens.expectations.model import Role, Rule, Sequence, Step
from buslens.expectations.schema import OUTCOMES, SLOTS

ROOT = Path(__file__).parents[2]
RULES = (ROOT / "signal_defs" / "steering_lock.toml").read_text("utf-8")


def written(tmp_path: Path, *changes: tuple[str, str]) -> Path:
    text = RULES.replace('definitions = ["pinewick.dbc"]', f"definitions = ['{ROOT / 'signal_defs' / 'pinewick.dbc'}']")
    for old, new in changes:
        assert old in text
        text = text.replace(old, new, 1)
    path = tmp_path / "own.toml"
    path.write_text(text, "utf-8")
    return path


class TestSays:
    """The file's own sentence stands where its outcome came; every slot is filled."""

    def test_slots(self) -> None:
        late = step_finding(Outcome.LATE)
        rule = Rule(name=late.rule, says={"late": "{handshake} {step}: {measured}; {limit}|{sentence}"})
        assert reworded(late, rule, {}).reason == f"1 wire feedback: 812 to 837 ms; 50 to 600 ms|{late.reason}"

    def test_other_outcomes_keep_their_sentence(self) -> None:
        met = step_finding(Outcome.MET)
        assert reworded(met, Rule(name=met.rule, says={"late": "late"}), {}) is met

    def test_nothing_measured(self) -> None:
        missing = replace(step_finding(Outcome.MISSING), delay=None, limit=None, step=None, handshake=None)
        rule = Rule(name="lamp", says={"missing": "{step},{measured},{limit},{handshake}"})
        assert reworded(missing, rule, {}).reason == f"{missing.rule},not measured,no limit,"

    def test_every_outcome_and_slot(self) -> None:
        assert {outcome.value for outcome in Outcome} == set(OUTCOMES)
        finding = step_finding()
        for slot in SLOTS:
            rule = Rule(name=finding.rule, says={finding.outcome.value: f"{{{slot}}}"})
            assert "{" not in reworded(finding, rule, {}).reason

    def test_in_a_capture(self, tmp_path: Path) -> None:
        says = 'name = "unlock handshake"\nsays = { late = "the lock opens late: {measured} ({limit})" }'
        path = written(tmp_path, ('name = "unlock handshake"', says))
        result = buslens.check(ROOT / "sample_logs" / "car07_slow_motor.log", expectations=path)
        assert result.summary.startswith("the lock opens late: 687 to 733 ms (50 to 600 ms)")

    @pytest.mark.parametrize(
        ("says", "problem"),
        [
            ('{ lat = "x" }', "'lat' is no outcome; did you mean 'late'"),
            ('{ late = "{delay}" }', "'{delay}' is no slot"),
            ('{ late = "{limit.most}" }', "'{limit.most}' is no slot"),
            ('{ late = "{limit!r}" }', "'{limit}' is no slot"),
            ('{ late = "{limit" }', "a brace is missing its other"),
            ("{ late = 3 }", "'says' must be a table of text = text"),
        ],
    )
    def test_refused(self, says: str, problem: str, tmp_path: Path) -> None:
        path = written(tmp_path, ('name = "unlock handshake"', f'name = "unlock handshake"\nsays = {says}'))
        with pytest.raises(ExpectationError) as refused:
            load_expectations(path)
        assert problem in str(refused.value)


class TestLabel:
    """People read the label of a role; code keeps its name."""

    ROLES: ClassVar = {
        "lock": Role(name="lock", label="bolt"),
        "lock_enable": Role(name="lock_enable", label="enable wire"),
        "door": Role(name="door"),
    }

    def test_the_longest_name_first(self) -> None:
        assert labelled("lock enable became on before lock; door, locked", self.ROLES) == (
            "enable wire became on before bolt; door, locked"
        )

    def test_the_name_of_a_step_stays(self) -> None:
        late, label = step_finding(Outcome.LATE), Role(name="enable", label="line 7")
        step = Step(name="enable on", await_=None, within_ns=1)
        rule = Sequence(name=late.rule, start=None, steps=(step,))
        assert "after enable on" in reworded(late, rule, {"enable": label}).reason
        assert "after line 7 on" in reworded(late, replace(rule, steps=()), {"enable": label}).reason

    def test_in_a_capture(self, tmp_path: Path) -> None:
        from buslens.report.page.page import page

        path = written(tmp_path, ("[roles.unlock_feedback] ", '[roles.unlock_feedback]\nlabel = "feedback wire"\n#'))
        result = buslens.check(ROOT / "sample_logs" / "car07_slow_motor.log", expectations=path)
        assert result.summary.startswith("feedback wire became unlocked 687 to 733 ms")
        assert "unlock_feedback" in result.timelines
        drawn = page(result)
        assert ">feedback wire<" in drawn
        assert ">unlock feedback<" not in drawn
