from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st

from buslens.discovery.marks import Mark, actions_of, load_marks, parse_mark, reject_outside
from buslens.errors import UsageError
from buslens.units import NS_PER_S

if TYPE_CHECKING:
    from pathlib import Path


class TestOneMark:
    """A mark is a time in seconds and words."""

    @pytest.mark.parametrize(
        ("text", "time_ns", "words"),
        [
            ("12.3 driver door opens", 12_300_000_000, "driver door opens"),
            ("0 start", 0, "start"),
            ("12,5   s  door  shuts ", 12_500_000_000, "door shuts"),
            ("7s brake", 7_000_000_000, "brake"),
            ("1.5 second row seat folds", 1_500_000_000, "second row seat folds"),
            ("0.123456789 x", 123_456_789, "x"),
        ],
    )
    def test_read(self, text: str, time_ns: int, words: str) -> None:
        mark = parse_mark(text)
        assert (mark.time_ns, mark.words) == (time_ns, words)

    @pytest.mark.parametrize(
        ("text", "problem"),
        [
            ("", "this mark is empty"),
            ("door opens", "'door' is no time"),
            ("12.3", "not what was done"),
            ("12.3 s", "not what was done"),
            ("-1 door", "'-1' is no time in seconds"),
            ("1:02 door", "'1:02' is no time in seconds"),
        ],
    )
    def test_refused(self, text: str, problem: str) -> None:
        with pytest.raises(UsageError) as caught:
            parse_mark(text)
        assert problem in str(caught.value)
        assert "12.3 driver door opens" in str(caught.value)

    @given(st.integers(0, 10**15))
    def test_time_is_exact_to_the_nanosecond(self, time_ns: int) -> None:
        written = f"{time_ns // NS_PER_S}.{time_ns % NS_PER_S:09d} x"
        assert parse_mark(written).time_ns == time_ns


class TestFile:
    """A file has one mark on each line; every bad line is told with line and column."""

    def test_comments_and_blank_lines(self, tmp_path: Path) -> None:
        file = tmp_path / "marks.txt"
        file.write_bytes("\ufeff# t\u00fcr\r\n\r\n 1.5 door opens  # first\r\n2 door#2 closes".encode())
        assert [(mark.time_ns, mark.words) for mark in load_marks(str(file))] == [
            (1_500_000_000, "door opens"),
            (2_000_000_000, "door#2 closes"),
        ]

    def test_every_bad_line_is_told(self, tmp_path: Path) -> None:
        file = tmp_path / "marks.txt"
        file.write_text("1 ok\n  soon door\n3\n")
        with pytest.raises(UsageError) as caught:
            load_marks(str(file))
        assert str(caught.value).splitlines()[0].startswith(f"{file}:2:3: 'soon' is no time")
        assert str(caught.value).splitlines()[1].startswith(f"{file}:3:2: there is a time")

    def test_old_encoding(self, tmp_path: Path) -> None:
        file = tmp_path / "marks.txt"
        file.write_bytes("1 T\u00fcr auf".encode("cp1252"))
        assert load_marks(str(file))[0].words == "T\u00fcr auf"

    @pytest.mark.parametrize("content", [b"", b"# nothing\n", b"\0\0\0"])
    def test_nothing(self, content: bytes, tmp_path: Path) -> None:
        file = tmp_path / "marks.txt"
        file.write_bytes(content)
        with pytest.raises(UsageError, match="mark"):
            load_marks(str(file))


class TestActions:
    """The same words are the same action; letter case and spaces do not count."""

    def test_grouped(self) -> None:
        marks = [parse_mark(text) for text in ("3 Door  opens", "1 door opens", "2 door shuts")]
        assert [(action.words, action.times_ns) for action in actions_of(marks)] == [
            ("door opens", (1_000_000_000, 3_000_000_000)),
            ("door shuts", (2_000_000_000,)),
        ]

    def test_behind_the_end(self) -> None:
        with pytest.raises(UsageError, match=r"'12.5 door' is behind the end of the capture, which lasts 10.000 s"):
            reject_outside([Mark(time_ns=12_500_000_000, words="door")], 10 * NS_PER_S)
        reject_outside([Mark(time_ns=10 * NS_PER_S, words="door")], 10 * NS_PER_S)
