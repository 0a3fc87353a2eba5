"""A value that is exactly on a limit is within it, whatever the scale makes of it in floating point."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction
from typing import TYPE_CHECKING

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.examples import examples

from buslens.checks.check import check
from buslens.checks.findings import Outcome

if TYPE_CHECKING:
    from pathlib import Path

    from buslens.checks.findings import Finding

HEAD = """format = 1
definitions = ["number.dbc"]
[roles.number]
signal = "M.NUMBER"
unit = "V"
timeout = "never"
[roles.line]
signal = "M.LINE"
states = { off = 0, on = 1 }
timeout = "never"
"""


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("limits")


def findings(folder: Path, scale: str, offset: str, counts: list[int], rules: str) -> tuple[Finding, ...]:
    """Return what rules find where a signed number has these counts, each for 100 ms."""
    dbc = f'BO_ 1 M: 3 X\n SG_ NUMBER : 0|16@1- ({scale},{offset}) [0|0] "V" X\n SG_ LINE : 16|1@1+ (1,0) [0|0] "" X\n'
    (folder / "number.dbc").write_text(dbc)
    (folder / "rules.toml").write_text(HEAD + rules)
    lines = [
        f"({index / 10:.6f}) can0 001#{(count & 0xFFFF).to_bytes(2, 'little').hex()}{index % 2:02x}"
        for index, count in enumerate(counts)
    ]
    (folder / "log.log").write_text("\n".join(lines) + "\n")
    return check(folder / "log.log", expectations=folder / "rules.toml").findings


def outcomes(folder: Path, scale: str, offset: str, counts: list[int], rules: str) -> list[Outcome]:
    found = findings(folder, scale, offset, counts, rules)
    return [finding.outcome for finding in found if finding.outcome is not Outcome.MET]


def written(number: Fraction) -> str:
    return f"{Decimal(number.numerator) / number.denominator:f}"


def rule(kind: str, keys: str, name: str = "r") -> str:
    return f'[[rules]]\nname = "{name}"\nkind = "{kind}"\n{keys}\n'


class TestOnTheLimit:
    """Values on a limit belong to what the limit allows, and those one count beyond it do not."""

    @given(
        st.sampled_from(["0.1", "0.05", "0.2", "-0.1", "0.7", "0.004", "-0.0125", "1e-3"]),
        st.sampled_from(["0", "-40", "0.3", "-12.7", "5.05"]),
        st.integers(-30_000, 30_000),
    )
    @settings(max_examples=examples(40), deadline=None)
    def test_every_way_to_write_it(self, folder: Path, scale: str, offset: str, count: int) -> None:
        at = Fraction(scale) * count + Fraction(offset)
        limit = written(at)
        up = 1 if Fraction(scale) > 0 else -1  # the count by which the value rises
        rules = (
            rule("range", f'of = "number"\nmost = "{limit} V"', "most")
            + rule("range", f'of = "number"\nleast = "{limit} V"', "least")
            + rule("never", f'when = "number > {limit} V"', "above")
            + rule("never", f'when = "number < {limit} V"', "below")
            + rule("never", f'when = "not number <= {limit} V"', "not at most")
            + rule("never", f'when = "not number >= {limit} V"', "not at least")
            + rule("never", f'when = "not number between {limit} V and {limit} V"', "beside")
        )
        above, below = ["most", "above", "not at most", "beside"], ["least", "below", "not at least", "beside"]
        for counts, broken in (([count] * 3, []), ([count, count + up], above), ([count, count - up], below)):
            found = findings(folder, scale, offset, counts, rules)
            assert [it.rule for it in found if it.outcome is Outcome.VIOLATED] == broken
            assert {it.outcome for it in found} <= {Outcome.MET, Outcome.VIOLATED}

    def test_what_must_be_given(self, folder: Path) -> None:
        """At 12.6 V the start counts under ``given = "number >= 12.6 V"``, and one count below it does not."""
        keys = (
            'start = "line becomes on"\ngiven = "number >= 12.6 V"\n'
            'steps = [{ name = "s", await = "number < 0 V", within = "20 ms" }]'
        )
        assert outcomes(folder, "0.1", "0", [126] * 5, rule("sequence", keys)) == [Outcome.MISSING] * 2
        assert outcomes(folder, "0.1", "0", [125] * 5, rule("sequence", keys)) == []

    def test_a_millivolt_is_a_thousandth_of_a_volt(self, folder: Path) -> None:
        assert outcomes(folder, "0.1", "0", [126], rule("range", 'of = "number"\nmost = "12600 mV"')) == []
        assert outcomes(folder, "0.1", "0", [126], rule("range", 'of = "number"\nmost = "12599.9 mV"')) != []

    def test_a_value_outside_is_told_with_the_digits_that_show_it(self, folder: Path) -> None:
        rules = rule("range", 'of = "number"\nmost = "12.34573 V"')
        (found,) = findings(folder, "1e-6", "12.34", [5731], rules)
        assert found.reason.endswith("; highest 12.345731 V")
