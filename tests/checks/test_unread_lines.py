from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from buslens.checks.check import check
from buslens.checks.findings import Outcome
from buslens.report.document import capture_entry

if TYPE_CHECKING:
    from collections.abc import Callable

    from buslens.checks.findings import Result

ROOT = Path(__file__).parents[2]
LINES = (ROOT / "sample_logs" / "car01_healthy.log").read_text(encoding="ascii").splitlines(keepends=True)
FIRST_S = float(LINES[0][1:18])
COLUMN = " 137#"
"""Begins the frames of the message that must keep coming: one every 25 ms, a silence of at most 400 ms."""


def after(line: str) -> float:
    return float(line[1:18]) - FIRST_S


def whole(line: str) -> str:
    return line


def without_a_digit(line: str) -> str:
    return f"{line.rstrip()[:-1]}\n"


def without_identifier(line: str) -> str:
    return f"{line[:20]}\n"


def absent(_line: str) -> str:
    return ""


def judged(folder: Path, change: Callable[[str], str], begin: float = 4.0, end: float = 6.0) -> Result:
    """Judge the healthy car's log with the column's frames of two seconds changed."""
    log = folder / "log.log"
    log.write_text("".join(change(it) if COLUMN in it and begin < after(it) < end else it for it in LINES))
    return check(log, expectations=ROOT / "signal_defs" / "steering_lock.toml")


def outcomes(result: Result, rule: str) -> set[Outcome]:
    return {it.outcome for it in result.findings if it.rule == rule} - {Outcome.MET}


class TestASilence:
    """A message whose frames may be among the lines that could not be read is not said to be silent there."""

    @pytest.mark.parametrize("rule", ["column message", "data line"])
    @pytest.mark.parametrize("change", [without_a_digit, without_identifier])
    def test_undecided(self, tmp_path: Path, change: Callable[[str], str], rule: str) -> None:
        result = judged(tmp_path, change)
        assert outcomes(result, rule) == {Outcome.UNDECIDED}
        (finding,) = (it for it in result.findings if it.rule == "column message" and it.outcome is Outcome.UNDECIDED)
        assert "lines between 4.011 s and 6 s could not be read" in finding.reason

    def test_from_first_to_last(self, tmp_path: Path) -> None:
        result = judged(tmp_path, without_a_digit, -1, 99)
        assert outcomes(result, "column message") == {Outcome.UNDECIDED}
        assert not any(it.outcome.is_fault for it in result.findings)

    def test_frames_that_are_not_there_are_missed(self, tmp_path: Path) -> None:
        assert outcomes(judged(tmp_path, absent), "column message") == {Outcome.VIOLATED}

    def test_one_such_line_leaves_the_rest_of_the_silence(self, tmp_path: Path) -> None:
        result = judged(tmp_path, lambda line: "login: root\n" if 4.99 < after(line) < 5.015 else "")
        assert result.stats.broken == 1
        assert outcomes(result, "column message") == {Outcome.VIOLATED}

    def test_broken_lines_of_another_message(self, tmp_path: Path) -> None:
        result = judged(tmp_path, lambda line: without_a_digit(line.replace(COLUMN, " 7A5#")))
        assert result.stats.broken == 80
        assert outcomes(result, "column message") == {Outcome.VIOLATED}

    def test_between_frames_in_their_time_nothing_is_hidden(self, tmp_path: Path) -> None:
        result = judged(tmp_path, lambda line: without_a_digit(line) if int(after(line) * 1000) % 5 == 0 else line)
        assert result.stats.broken
        assert not any(outcomes(result, rule.name) for rule in result.expectations.rules)


class TestNotes:
    """What the first line of the report says stands in the document, too."""

    def test_told_when_many(self, tmp_path: Path) -> None:
        notes = capture_entry(judged(tmp_path, without_a_digit))["notes"]
        assert notes[0].startswith("80 lines of the log could not be read")

    def test_not_told_when_none(self, tmp_path: Path) -> None:
        assert capture_entry(judged(tmp_path, whole))["notes"] == []
