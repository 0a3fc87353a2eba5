from __future__ import annotations

import re
import shutil
from dataclasses import replace
from pathlib import Path

from support.rehearsed import expectations
from support.rehearsed_fleets import SKEWS

from buslens.expectations.load import load_expectations
from buslens.expectations.model import Agree, Sequence
from buslens.expectations.role_purposes import feedback_paths
from buslens.fleet.anomalies.skew import skew_steps

EXPECTATIONS = Path(__file__).resolve().parents[3] / "signal_defs" / "steering_lock.toml"


def _beside_definitions(folder: Path, text: str) -> Path:
    shutil.copy(EXPECTATIONS.with_name("pinewick.dbc"), folder)
    file = folder / "own.toml"
    file.write_text(text, encoding="utf-8")
    return file


class TestSkewSteps:
    """Steps that are one feedback following the other."""

    def test_club(self) -> None:
        assert skew_steps(expectations()) == SKEWS

    def test_counted_from_elsewhere(self) -> None:
        """The same step counted from the enable measures the motor too, and is none."""
        changed = tuple(
            replace(
                rule,
                steps=tuple(
                    replace(it, from_="enable on" if it.name == "data feedback" else it.from_) for it in rule.steps
                ),
            )
            if isinstance(rule, Sequence)
            else rule
            for rule in expectations().rules
        )
        assert skew_steps(replace(expectations(), rules=changed)) == frozenset()

    def test_paths_by_any_name(self, tmp_path: Path) -> None:
        """The paths are what a rule of kind agree compares."""
        shown = {"unlock_feedback": "lock_switch", "data_feedback": "lock_status"}
        text = EXPECTATIONS.read_text(encoding="utf-8")
        for old, new in shown.items():
            text = re.sub(rf"\b{old}\b", new, text)
        renamed = load_expectations(_beside_definitions(tmp_path, text))
        assert feedback_paths(renamed.rules) == {frozenset(shown.values())}
        assert skew_steps(renamed) == SKEWS
        without = tuple(rule for rule in renamed.rules if not isinstance(rule, Agree))
        assert skew_steps(replace(renamed, rules=without)) == frozenset()

    def test_without_sequences(self) -> None:
        rules = tuple(rule for rule in expectations().rules if not isinstance(rule, Sequence))
        assert skew_steps(replace(expectations(), rules=rules)) == frozenset()
