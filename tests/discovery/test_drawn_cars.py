"""Cars of many ways to write a lock down: none is learned so that a fault passes."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from support.drawn_cars import drawn
from support.examples import examples
from support.invented_cars import FAULTS, record

from buslens.checks.check import check
from buslens.checks.findings import Verdict
from buslens.discovery.start import start

if TYPE_CHECKING:
    from pathlib import Path

    from buslens.checks.findings import Result

SEEDS = (8, 17)
"""A button that only counts; a key state, 500 ms between frames and messages sent on change."""

pytestmark = pytest.mark.slow


@pytest.mark.parametrize("seed", [*SEEDS, *range(100, 100 + examples(1) // 30)])
def test_no_fault_passes(seed: int, tmp_path: Path) -> None:
    """A healthy capture is no fault, and as expected where the file is whole; each fault is found or left open."""
    car = drawn(seed)
    (tmp_path / "car.dbc").write_text(car.dbc(), "utf-8")
    captures = [str(record(car, tmp_path / f"good{seed}.log", seed)) for seed in range(3)]
    made = start([str(tmp_path / "car.dbc"), *captures], output=str(tmp_path / "car.toml"))
    (tmp_path / "car.toml").write_text(made.text, "utf-8")

    def checked(number: int, fault: str = "") -> Result:
        return check(record(car, tmp_path / "next.log", number, fault), expectations=tmp_path / "car.toml")

    healthy = {checked(number).verdict for number in (100, 101)}
    found = {fault: checked(7, fault) for fault in (*FAULTS, "second free")}
    faulty = {fault: result.verdict for fault, result in found.items()}
    assert healthy <= ({Verdict.AS_EXPECTED} if made.is_complete else {Verdict.AS_EXPECTED, Verdict.UNDECIDED})
    assert Verdict.AS_EXPECTED not in faulty.values(), faulty
    if seed in SEEDS:
        assert made.is_complete, made.missing
        assert set(faulty.values()) == {Verdict.FAULTY}, faulty
    counts = any(field.part == "presses" for message in car.messages for field in message.fields)
    assert counts == ('start = "start_button becomes even or start_button becomes odd"' in made.text)
    # A role is said to be sent on change only where its message is.
    at_once = {f"{it.name}.{field.name}" for it in car.messages for field in it.fields if it.on_change}
    for role, name in made.certain.items():
        table = made.text.split(f"\n[roles.{role}]")[1].split("\n\n")[0]
        assert 'sent = "on change"' not in table or name in at_once, role
