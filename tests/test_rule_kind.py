"""The worked example of DEVELOPERS.md: a kind of rule of one's own, in four places."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path
from typing import Any, Final

import pytest

import buslens
from buslens.checks import context, evaluate_rule, findings, never
from buslens.checks.findings import Outcome
from buslens.expectations import model, schema
from buslens.report.text import text
from buslens.text_tables import read_tables

ROOT: Final = Path(__file__).parent.parent


@pytest.fixture
def _count(monkeypatch: pytest.MonkeyPatch) -> None:
    """Enter the rule as the document says."""
    document = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    blocks = re.findall(r"```(?:python|text)\n(.*?)```", document, re.DOTALL)
    record, keys, evaluate = (it for it in blocks if "COUNT" in it or "Count" in it)
    words: dict[str, Any] = {**vars(model)}
    exec(record, words)  # noqa: S102  # text of ours
    kind = words["Count"]
    # The choices of `kind` are those of the records, as they were when the module was loaded.
    named = replace(schema.RULE["kind"], choices=(*schema.RULE["kind"].choices, "count"))
    table = schema.RULE | {"kind": named} | schema.keys_of(read_tables(keys))["count"]
    words = {**vars(never), **vars(findings), "Count": kind, "EvaluationContext": context.EvaluationContext}
    exec(evaluate, words)  # noqa: S102
    monkeypatch.setitem(model.RULE_KINDS, "count", kind)
    monkeypatch.setitem(schema.KINDS, "count", table)  # type: ignore[arg-type]
    monkeypatch.setitem(evaluate_rule._EVALUATE, kind, words["evaluate"])  # type: ignore[arg-type]


@pytest.mark.usefixtures("_count")
@pytest.mark.parametrize(("most", "outcome"), [(1, Outcome.VIOLATED), (2, Outcome.MET)])
def test_is_checked_and_told(most: int, outcome: Outcome, tmp_path: Path) -> None:
    """The healthy sample has two pulses; the rule is read, checked and written like those that are there."""
    shipped = (ROOT / "signal_defs" / "steering_lock.toml").read_text(encoding="utf-8")
    rules = tmp_path / "rules.toml"
    own = f'[[rules]]\nkind = "count"\nname = "enable count"\nof = "lock_enable becomes on"\nmost = {most}\n'
    rules.write_text(f"{shipped}\n{own}", encoding="utf-8")
    (tmp_path / "pinewick.dbc").write_bytes((ROOT / "signal_defs" / "pinewick.dbc").read_bytes())
    result = buslens.check(ROOT / "sample_logs" / "car01_healthy.log", rules)
    found = next(it for it in result.findings if it.rule == "enable count")
    assert (found.outcome, found.reason) == (outcome, f"lock enable became on 2 times; allowed up to {most}")
    assert ("enable count: rule broken" in text(result, in_full=True)) is (outcome is Outcome.VIOLATED)


@pytest.mark.usefixtures("_count")
def test_a_key_that_is_wrong(tmp_path: Path) -> None:
    """Problems have their place without a line of code for it."""
    rules = tmp_path / "rules.toml"
    rules.write_text(
        'format = 1\n[roles.door]\nsignal = "A.B"\nstates = { open = 1 }\n[[rules]]\nkind = "count"\n'
        'name = "doors"\nof = "door becomes open"\nmost = "three"\n',
        encoding="utf-8",
    )
    with pytest.raises(buslens.BuslensError, match=r"rules\.toml:9:8: .*'most' must be a whole number"):
        buslens.load_expectations(rules)
