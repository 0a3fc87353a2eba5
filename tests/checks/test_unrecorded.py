"""Doubts that a pause or a jump of the clock alone makes are one sentence, and any other doubt keeps its own."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Final

import pytest

from buslens.checks.check import check
from buslens.checks.findings import Outcome, Verdict

if TYPE_CHECKING:
    from collections.abc import Callable

SAMPLES: Final = Path(__file__).parents[2] / "sample_logs"
RULES: Final = SAMPLES.parent / "signal_defs" / "steering_lock.toml"


def stamped(change: Callable[[float], float | None], path: Path) -> Path:
    """Write the healthy sample with other stamps, without the frames that have none."""
    lines = []
    for line in (SAMPLES / "car01_healthy.log").read_text("ascii").splitlines():
        stamp, rest = line[1:].split(")", 1)
        if (other := change(float(stamp))) is not None:
            lines.append(f"({other:.6f}){rest}\n")
    path.write_text("".join(lines), "ascii")
    return path


def begin() -> float:
    with (SAMPLES / "car01_healthy.log").open(encoding="ascii") as log:
        return float(log.readline()[1:].split(")")[0])


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda at: None if 6.5 < at < 9.1 else at, "nothing at all was recorded from 6.491 s to 9.1 s"),
        (lambda at: at + 4.25 * (at > 6.9), "nothing at all was recorded from 6.892 s to 11.15 s"),
        (lambda at: at - 0.5 * (at > 6.9), "recorder clock jumped back at 6.892 s"),
    ],
)
def test_one_reason(change: Callable[[float], float | None], words: str, tmp_path: Path) -> None:
    first = begin()

    def moved(at: float) -> float | None:
        other = change(at - first)
        return None if other is None else first + other

    result = check(stamped(moved, tmp_path / "healthy.log"), RULES)
    doubts = {it.rule for it in result.findings.unmet if it.outcome is Outcome.UNDECIDED}
    assert result.verdict is Verdict.UNDECIDED
    assert result.summary.startswith(words)
    assert result.summary.endswith(f"; {len(doubts)} rules are undecided there, all else OK")


def test_another_reason_beside_it(tmp_path: Path) -> None:
    """Where the log ends within a handshake, that is told, whatever else is in doubt."""
    first = begin()

    def moved(at: float) -> float | None:
        return None if 6.5 < at - first < 9.1 or at - first > 10.8 else at

    result = check(stamped(moved, tmp_path / "cut.log"), RULES)
    assert result.verdict is Verdict.UNDECIDED
    assert "all else OK" not in result.summary
