"""A log of another car is no evidence about this one."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from buslens.checks.check import check
from buslens.errors import UnrelatedCaptureError
from buslens.report.document import capture_entry
from buslens.report.text import text

if TYPE_CHECKING:
    from collections.abc import Callable

ROOT = Path(__file__).parents[2]
HEALTHY = ROOT / "sample_logs" / "car01_healthy.log"
RULES = ROOT / "signal_defs" / "steering_lock.toml"


@pytest.fixture
def changed(tmp_path: Path) -> Callable[[Callable[[str], str]], Path]:
    """Return a log with each line of a healthy one changed; those that become empty are left out."""

    def write(change: Callable[[str], str]) -> Path:
        lines = filter(None, map(change, HEALTHY.read_text("ascii").splitlines(keepends=True)))
        path = tmp_path / "other.log"
        path.write_text("".join(lines), "ascii")
        return path

    return write


def other_ids(line: str) -> str:
    """Return a line with an identifier that no definition has: 7F0 on, by its first digit."""
    stamp, channel, frame = line.split()[:3]
    return f"{stamp} {channel} 7F{frame[0]}#{frame.partition('#')[2]}\n"


class TestNothingOfIt:
    """Not one needed message: the capture is unusable, and what is there is told."""

    def test_another_car(self, changed: Callable[[Callable[[str], str]], Path]) -> None:
        with pytest.raises(UnrelatedCaptureError) as caught:
            check(changed(other_ids), expectations=RULES)
        count = sum(line.split()[2][0] == "1" for line in HEALTHY.read_text("ascii").splitlines())
        assert "none of the 9 messages that these expectations need is in this log" in caught.value.problem
        assert "another car, bus or channel?" in caught.value.problem
        assert f"7F1 ({count:,})" in caught.value.problem

    def test_only_some_ids_are_named(self, tmp_path: Path) -> None:
        path = tmp_path / "other.log"
        path.write_text("".join(f"({n}.0) can0 {0x700 + n % 10:03X}#00\n" for n in range(12)))
        with pytest.raises(UnrelatedCaptureError, match=r"700 \(2\), 701 \(2\), .*, 705 \(1\) and 4 more"):
            check(path, expectations=RULES)

    def test_one_frame_is_enough(self, changed: Callable[[Callable[[str], str]], Path]) -> None:
        path = changed(other_ids)
        with path.open("a", encoding="ascii") as log:
            log.write("(1773473415.000000) can0 137#0000000000000000\n")
        assert len(check(path, expectations=RULES).absent) == 8

    def test_another_channel(self, tmp_path: Path) -> None:
        (tmp_path / "a.dbc").write_text('BO_ 1 M: 1 X\n SG_ S : 0|8@1+ (1,0) [0|0] "" X\n')
        (tmp_path / "a.toml").write_text(
            'format = 1\ndefinitions = [{ file = "a.dbc", channel = "can0" }]\n'
            '[[rules]]\nname = "r"\nkind = "alive"\nmessage = "M"\ntimeout = "1 s"\n'
        )
        (tmp_path / "a.log").write_text("(1.0) vcan7 001#00\n(1.1) vcan7 001#00\n")
        with pytest.raises(UnrelatedCaptureError, match=r"M, the only message .* write --channel vcan7=can0"):
            check(tmp_path / "a.log", expectations=tmp_path / "a.toml")
        assert check(tmp_path / "a.log", expectations=tmp_path / "a.toml", channels={"vcan7": "can0"}).absent == ()


class TestSomeOfIt:
    """Some messages are absent from first to last: the report begins with that."""

    def test_said_first(self, changed: Callable[[Callable[[str], str]], Path]) -> None:
        result = check(changed(lambda line: "" if " 137#" in line else line), expectations=RULES)
        note = "COLUMN_STATE (id 137) is not in the capture"
        assert result.absent == (note,)
        assert capture_entry(result)["notes"][0] == note
        shown = text(result)
        assert shown.count(note) == 1
        assert shown.index(note) < shown.index("More faults")

    def test_nothing_absent(self) -> None:
        assert check(HEALTHY, expectations=RULES).absent == ()
