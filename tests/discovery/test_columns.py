"""A first expectations file from tables of values alone."""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING

import numpy as np
import pytest
import tester_at_work

from buslens.checks.check import check
from buslens.checks.findings import Verdict
from buslens.discovery.columns import two_levels
from buslens.discovery.start import StartResult, start
from buslens.errors import UsageError
from buslens.expectations.load import load_expectations
from buslens.rehearsal import oscilloscope
from buslens.rehearsal.rehearse import Rehearsal, rehearse

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

LISTED = {
    "door_open": "Driver door",
    "start_button": "Start button",
    "ignition": "Ignition",
    "lock_enable": "Steering lock enable",
    "unlock_feedback": "Unlock feedback",
    "warning_lamp": "Steering lock lamp",
}


@cache
def lived(fault: str, seed: int) -> Rehearsal:
    return rehearse(fault, seed=seed, background_ids=0)


def as_list(made: Rehearsal) -> str:
    return tester_at_work.tester_list(made, 20)


def as_trace(made: Rehearsal) -> str:
    probe = oscilloscope.Probe(zero=0.1)
    return oscilloscope.wire_trace(made, per_second=200, wires=("Enable", "Feedback", "Supply"), probe=probe)


def learned(folder: Path, show: Callable[[Rehearsal], str]) -> StartResult:
    paths = []
    for seed in range(3):
        path = folder / f"good{seed}.csv"
        path.write_text(show(lived("healthy", 500 + seed)), "utf-8")
        paths.append(str(path))
    made = start(paths, output=str(folder / "table.toml"))
    (folder / "table.toml").write_text(made.text, "utf-8")
    return made


def verdict(folder: Path, show: Callable[[Rehearsal], str], fault: str) -> tuple[Verdict, str]:
    path = folder / "next.csv"
    path.write_text(show(lived(fault, 600)), "utf-8")
    result = check(path, folder / "table.toml")
    return result.verdict, result.summary


@pytest.mark.slow
def test_list(tmp_path: Path) -> None:
    """Columns of words become roles; what the list does not show is said, and keeps the file from passing anything."""
    made = learned(tmp_path, as_list)
    assert made.certain == LISTED
    assert [it.partition(":")[0] for it in made.missing] == ["data_feedback"]
    expected = load_expectations(tmp_path / "table.toml")
    assert expected.roles["lock_enable"].column == "Steering lock enable"
    assert {rule.name for rule in expected.rules} >= {"unlock handshake", "lock handshake", "enable pulse"}
    assert verdict(tmp_path, as_list, "healthy")[0] is Verdict.UNDECIDED
    assert verdict(tmp_path, as_list, "unlock-feedback-open")[0] is Verdict.FAULTY
    asked_at_once = made.text.replace('# read_before = "10 ms"', 'read_before = "10 ms"')
    (tmp_path / "table.toml").write_text(asked_at_once, "utf-8")
    found, summary = verdict(tmp_path, as_list, "unlock-feedback-open")
    assert found is Verdict.FAULTY
    assert "unlock feedback did not become unlocked" in summary


@pytest.mark.slow
def test_trace(tmp_path: Path) -> None:
    """Voltages become states between their two levels, and the order of events tells which is which."""
    made = learned(tmp_path, as_trace)
    assert made.certain == {
        "lock_enable": "Enable at lock",
        "unlock_feedback": "Feedback at lock",
        "supply_voltage": "Supply at lock",
    }
    roles = load_expectations(tmp_path / "table.toml").roles
    (on,), (off,) = roles["lock_enable"].thresholds["on"], roles["lock_enable"].thresholds["off"]
    assert (on.operator, off.operator, on.unit) == (">", "<", "V")
    assert 3 < off.limit < on.limit < 9
    assert [it.operator for it in roles["unlock_feedback"].thresholds["unlocked"]] == ["<"]
    found, summary = verdict(tmp_path, as_trace, "slow-motor")
    assert found is Verdict.FAULTY
    assert "unlock feedback became unlocked" in summary


def test_stamps_of_whole_seconds(tmp_path: Path) -> None:
    """Two columns of which each may begin behind the other, by their stamps, are not tried in turn for ever."""
    begins = (3.137, 8.511, 14.203, 19.777)
    rows = [
        f"10:15:{int(7 + at):02};{'On' * on or 'Off'};{'Free' * free or 'Locked'}\n"
        for at in (k / 5 for k in range(120))
        for on in [any(begin <= at < begin + 1.5 for begin in begins)]
        for free in [any(begin + 0.2 <= at < begin + 2.6 for begin in begins)]
    ]
    (tmp_path / "x.csv").write_text("".join(["Time;Enable;Feedback\n", *rows]), "ascii")
    made = start([str(tmp_path / "x.csv")], output=str(tmp_path / "x.toml"))
    assert made.certain == {"lock_enable": "Enable", "unlock_feedback": "Feedback"}


def test_nothing_to_tell(tmp_path: Path) -> None:
    """A table whose columns say nothing names them with their values, and what to write."""
    rows = "".join(f"{k / 10},{k % 2},{'xy'[k % 2]}\n" for k in range(40))
    (tmp_path / "x.csv").write_text(f"Time (s),Alpha,Beta\n{rows}", "ascii")
    with pytest.raises(UsageError, match=r"'Alpha' \(0, 1\); 'Beta' \(x, y\).*\[roles.lock_enable\] with column = "):
        start([str(tmp_path / "x.csv")], output=str(tmp_path / "x.toml"))


@pytest.mark.parametrize(
    ("row", "cells", "states"),
    [
        ("{};{}", ["0", "4800", "OL", "5200"], "< 1700 mV, > 3300 mV"),
        ("t={} Feedback={}", ["60mV", "4.9V", "---", "5.1V"], "< 1.7 V, > 3.4 V"),
    ],
)
def test_odd_cells(tmp_path: Path, row: str, cells: list[str], states: str) -> None:
    """Numbers beyond a range, absent ones, and units in the cells leave two levels what they are."""
    rows = "".join(row.format(k / 100, cells[k // 8 % 4]) + "\n" for k in range(160))
    (tmp_path / "x.csv").write_text(rows if row.startswith("t") else f"Time (s);Feedback (mV)\n{rows}", "ascii")
    with pytest.raises(UsageError, match=rf"'Feedback' \({states}\)"):
        start([str(tmp_path / "x.csv")], output=str(tmp_path / "x.toml"))


@pytest.mark.parametrize(
    ("values", "levels"),
    [
        ([], None),
        ([5.0, 5.0], None),
        ([0.0, 0.1, 12.0, 11.9, 0.0, 12.0], (0.0, 12.0)),
        (list(range(100)), None),
        ([0.0] * 5000 + [12.0] * 2, None),
    ],
)
def test_two_levels(values: list[float], levels: tuple[float, float] | None) -> None:
    """Levels are told where numbers stay at two of them; not from a ramp, nor from a few strays."""
    assert two_levels(np.array(values)) == levels
