from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from buslens import check, read_frames
from buslens.capture.candump import CANDUMP
from buslens.capture.candump_untimed import CANDUMP_UNTIMED
from buslens.capture.frames import Clock
from buslens.checks.findings import Outcome, Verdict

if TYPE_CHECKING:
    from pathlib import Path

HEALTHY = "sample_logs/car01_healthy.log"
RULES = "signal_defs/steering_lock.toml"


def rewritten(tmp_path: Path, stamp: str) -> Path:
    """Return a healthy log whose every line has that in place of its stamp."""
    with open(HEALTHY, encoding="ascii") as lines:  # noqa: PTH123
        path = tmp_path / "log.log"
        path.write_text("".join(stamp + line.partition(") ")[2] for line in lines), encoding="ascii")
    return path


@pytest.mark.parametrize("stamp", ["", "(0.000000) ", "(1700000000.5) "])
class TestOrder:
    """What is not recorded with a time has an order, and no verdict rests on times that it does not have."""

    def test_same_frames(self, tmp_path: Path, stamp: str) -> None:
        ours, timed = read_frames(rewritten(tmp_path, stamp)), read_frames(HEALTHY)
        assert ours["can_id"].tolist() == timed["can_id"].tolist()
        assert ours["data"].tolist() == timed["data"].tolist()
        assert ours.attrs["tally"].clock is Clock.MISSING

    def test_nothing_is_faulty_and_nothing_is_sure(self, tmp_path: Path, stamp: str) -> None:
        result = check(rewritten(tmp_path, stamp), expectations=RULES)
        assert result.verdict is Verdict.UNDECIDED
        assert {it.outcome for it in result.findings if it.kind == "sequence"} == {Outcome.UNDECIDED}
        assert "as it should" in result.summary


class TestRecognised:
    def test_by_few_lines_a_stamp_is_a_stamp(self) -> None:
        line = b"(0.000000) can0 202#11\n"
        assert CANDUMP.sniff(7 * line) is not None
        assert CANDUMP_UNTIMED.sniff(7 * line) is None
        assert CANDUMP.sniff(8 * line) is None
        assert CANDUMP_UNTIMED.sniff(8 * line) is not None

    @pytest.mark.parametrize("line", [b"not a log", b"a table#of things", b"x=1 23#45 67", b"color: 123#abc;"])
    def test_no_log(self, line: bytes) -> None:
        assert CANDUMP_UNTIMED.sniff(line + b"\n") is None
