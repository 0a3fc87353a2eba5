from __future__ import annotations

from dataclasses import replace

from support.rehearsed import expectations
from support.rehearsed_fleets import SKEWS

from buslens.expectations.model import Sequence
from buslens.fleet.anomalies.skew import skew_steps


class TestSkewSteps:
    """Steps that are one feedback following the other."""

    def test_club(self) -> None:
        assert skew_steps(expectations()) == SKEWS

    def test_counted_from_elsewhere(self) -> None:
        """The same step counted from the enable measures the motor too, and is none."""
        rules = [rule for rule in expectations().rules if isinstance(rule, Sequence)]
        changed = tuple(
            replace(
                rule,
                steps=tuple(
                    replace(it, from_="enable on" if it.name == "data feedback" else it.from_) for it in rule.steps
                ),
            )
            for rule in rules
        )
        assert skew_steps(replace(expectations(), rules=changed)) == frozenset()

    def test_without_sequences(self) -> None:
        rules = tuple(rule for rule in expectations().rules if not isinstance(rule, Sequence))
        assert skew_steps(replace(expectations(), rules=rules)) == frozenset()
