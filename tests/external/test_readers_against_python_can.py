"""python-can's readers of candump and ASC logs against ours, line by line, over lines of great variety.

python-can is the oracle for what a right line means (LGPL, https://python-can.readthedocs.io). Where it errs, the
difference stands in `support.differences` with the published source of who is right, and both sides are held to it.
"""

from __future__ import annotations

import re
from io import StringIO
from pathlib import Path
from typing import Final

import pytest
from can.io.asc import ASCReader
from hypothesis import given, settings
from hypothesis import strategies as st
from support.differences import DIFFERENCES, Difference, by_python_can, by_us, frame_text, unexplained
from support.examples import examples
from support.mixed_lines import asc_lines, candump_lines

PROOFS: Final = Path(__file__).parents[1] / "PROOFS.md"
LINES: Final = {"candump": candump_lines, "ASC": asc_lines}
LISTED: Final = [
    pytest.param(log_format, entry, id=f"{log_format}: {entry.name}")
    for log_format, entries in DIFFERENCES.items()
    for entry in entries
]


@pytest.fixture(autouse=True)
def _quiet(caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level("ERROR", "can")


class TestSameFrames:
    """On every line that python-can takes for a frame we see the same frame, or the difference is in the list."""

    @settings(max_examples=examples(12))
    @given(seed=st.integers(0, 2**40), log_format=st.sampled_from(sorted(LINES)))
    def test_lines_of_every_kind(self, seed: int, log_format: str) -> None:
        assert list(unexplained(LINES[log_format](seed, 200), log_format)) == []

    @pytest.mark.parametrize(
        "line",
        [
            "3999999999.759 CANFD   2 Tx   2934E65x   C\xa0lumnState 0 0 1  0 52",
            "1700679063.696 CANFD  01 Rx   1CCC287Ax  Co\x1cumnState 1 1 8 0 87 45 ef 25 a6 20 15 c1",
        ],
    )
    def test_lines_that_were_found_at_volume(self, line: str) -> None:
        assert by_python_can(line, "ASC") != by_us([line], "ASC")[0][0]
        assert list(unexplained([line], "ASC")) == []

    @pytest.mark.parametrize("log_format", LINES)
    def test_enough_of_them_are_right(self, log_format: str) -> None:
        """The property says something only if python-can takes many lines, and we agree on many."""
        lines = LINES[log_format](7, 300)
        both = [
            ours == [theirs]
            for line, ours in zip(lines, by_us(lines, log_format), strict=True)
            if isinstance(theirs := by_python_can(line, log_format), dict)
        ]
        assert len(both) > 80
        assert both.count(True) > 40


class TestList:
    """Every difference in the list is one, on both sides, and stands in the developers' table."""

    @pytest.mark.parametrize(("log_format", "entry"), LISTED)
    def test_both_sides(self, log_format: str, entry: Difference) -> None:
        assert entry.is_about(entry.line)
        theirs = by_python_can(entry.line, log_format)
        assert isinstance(theirs, dict)
        assert frame_text(theirs) == entry.theirs
        ours = by_us([entry.line], log_format)[0]
        assert [frame_text(frame) for frame in ours] == ([] if entry.ours in {"broken", "nothing"} else [entry.ours])
        assert entry.may_be_none == (not ours)

    def test_the_first_row_behind_no_header(self) -> None:
        """python-can takes it for one of the header."""
        rows = "1.0 1 C8 Rx d 1 01\n2.0 1 C9 Rx d 1 02\n"
        assert [message.arbitration_id for message in ASCReader(StringIO(rows))] == [0xC9]
        assert [[frame["arbitration_id"] for frame in frames] for frames in by_us(rows.splitlines(), "ASC")] == [
            [0xC8],
            [0xC9],
        ]

    def test_the_table(self) -> None:
        section = PROOFS.read_text("utf-8").split("## Where python-can and buslens differ")[1].split("\n## ")[0]
        rows = re.findall(
            r"^\| (candump|ASC) \| (.+?) \| `(.+?)` \| (.+?) \| (.+?) \| (.+?) \|$", section, re.MULTILINE
        )
        assert rows == [
            table_row(log_format, entry) for log_format, entries in DIFFERENCES.items() for entry in entries
        ]


def table_row(log_format: str, entry: Difference) -> tuple[str, ...]:
    """Return what stands in the table for a difference."""
    line = "".join(c if c.isprintable() else f"\\x{ord(c):02x}" for c in entry.line)
    return log_format, entry.name, line, entry.theirs, entry.ours, entry.why


if __name__ == "__main__":
    for log_format, entries in DIFFERENCES.items():
        for entry in entries:
            form, name, line, *rest = table_row(log_format, entry)
            print("|", " | ".join((form, name, f"`{line}`", *rest)), "|")  # noqa: T201  (the rows of the table)
