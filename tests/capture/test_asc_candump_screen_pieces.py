"""ASC logs and the screen form come out the same however they are cut, and whether compiled or not."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st
from support.examples import examples
from support.rows import read_rows

from buslens.errors import CaptureError

if TYPE_CHECKING:
    from pathlib import Path

FOREVER = 1 << 40
DIRECTIVES = (
    "date Sat Sep 30 15:06:13.191 2017",
    "date Yesterday",
    "base hex  timestamps absolute",
    "base dec  timestamps absolute",
    "base hex  timestamps relative",
    "Begin Triggerblock Sat Sep 30 15:06:13.191 2017",
    "Begin Triggerblock Sat Sep 30 15:09:00 2017",
    "Begin Triggerblock Yesterday",
)


@st.composite
def asc_logs(draw: st.DrawFn) -> bytes:
    """Draw a log whose clock goes on, now and then runs back, and whose header may change on the way."""
    stamp_us = 0
    lines = draw(st.lists(st.sampled_from(DIRECTIVES), max_size=3))
    for kind in draw(st.lists(st.integers(0, 20), min_size=1, max_size=60)):
        stamp_us += draw(st.sampled_from([0, 250, 1000, 12_000, 5_000_000]))
        if kind == 20:
            stamp_us = max(0, stamp_us - draw(st.sampled_from([300, 9_000, 11_000, 4_000_000])))
        stamp = f"{stamp_us // 1_000_000:4d}.{stamp_us % 1_000_000:06d}"
        lines.append(
            {
                0: "// remark",
                1: f"{stamp} log trigger event",
                2: f"{stamp} 2  ErrorFrame",
                3: f"{stamp} 1  ColumnState Rx d 1 01",
                4: f"{stamp} 1  10 Rx d 8 01",
                5: f"{stamp} CANFD 3 Rx 10 1 0 9 12 {'10 ' * 12}",
                6: "lorem ipsum",
                7: f"{stamp} 1  200x Tx r 3",
                8: draw(st.sampled_from(DIRECTIVES)),
            }.get(kind, f"{stamp} {kind % 3}  {kind}  Rx   d 2 10 {kind}")
        )
    end = draw(st.sampled_from(["\n", "\r\n"]))
    return (end.join(lines) + draw(st.sampled_from(["", end]))).encode()


@st.composite
def screens(draw: st.DrawFn) -> bytes:
    """Draw lines with stamps of one form, some of them broken."""
    form = draw(st.sampled_from(["none", "absolute", "delta", "calendar"]))
    lines = []
    second = 0
    for kind in draw(st.lists(st.integers(0, 12), min_size=1, max_size=60)):
        second += draw(st.integers(0, 3)) - (kind == 12)
        stamp = {
            "none": "",
            "absolute": f"({1_700_000_000 + second}.000250) ",
            "delta": f"(00{draw(st.integers(0, 3))}.000250) ",
            "calendar": f"(2026-11-25 13:{second // 60 % 60:02d}:{second % 60:02d}.000250) ",
        }[form]
        lines.append(
            {
                0: "# remark",
                1: f" {stamp} can0  202   [8]  01 02",
                2: " can0  202   [1]  01",
                3: f" {stamp} can1  202   [1]  remote request",
                4: f" {stamp} can1  20000004   [8]  00 08 00 00 00 00 60 00   ERRORFRAME",
            }.get(kind, f" {stamp} can{kind % 3}  0000020{kind % 10}  [12]  {'10 ' * 12}")
        )
    return "\n".join([f" {stamp} can0  202   [1]  01", *lines, ""]).encode()


class TestPieces:
    """Any cut, any window, plain or compiled: the same frames and the same account."""

    @pytest.mark.parametrize("logs", [asc_logs(), screens()], ids=["asc", "screen"])
    def test_same(self, tmp_path: Path, logs: st.SearchStrategy[bytes]) -> None:
        first = b"base hex\n   0.0 1 1 Rx d 0\n"

        @settings(max_examples=examples(25), deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
        @given(log=logs, workers=st.integers(2, 5), window=st.integers(200, 1000), is_plain=st.booleans())
        def check(log: bytes, workers: int, window: int, is_plain: bool) -> None:
            text = log if b"can0" in log else first + log
            path = tmp_path / "log.txt"
            whole = read_rows(path, text, workers=1, plain_bytes=FOREVER)
            pieces = read_rows(
                path,
                text,
                workers=workers,
                piece_bytes=1,
                window_bytes=window,
                plain_bytes=FOREVER if is_plain else 0,
            )
            assert pieces == whole

        check()

    def test_time_lost_right_at_a_cut(self, tmp_path: Path) -> None:
        """A broken line loses the time of a log whose stamps count from the line before, wherever it is cut."""
        begin = b"base hex\n   0.0 1 1 Rx d 0\nbase hex  timestamps relative\n"
        path = tmp_path / "log.txt"
        for remarks in range(20):
            # Without a line end, for then the head, by which the second piece guesses its clock, ends before the frame.
            log = begin + b"// remark\n" * remarks + b"lorem ipsum\n   0.012 1 2 Rx d 0"
            whole = read_rows(path, log, workers=1, plain_bytes=FOREVER)
            assert [discontinuity.is_lost for discontinuity in whole[1].discontinuities] == [True]
            assert read_rows(path, log, workers=2, piece_bytes=1, plain_bytes=FOREVER) == whole


@st.composite
def damaged(draw: st.DrawFn, logs: st.SearchStrategy[bytes]) -> bytes:
    """Draw a log in which some bytes are anything but a zero or a line feed, which would part lines."""
    log = bytearray(draw(logs))
    for _ in range(draw(st.integers(1, 12))):
        place = draw(st.integers(0, len(log) - 1))
        if log[place] != 0x0A:
            log[place] = draw(st.sampled_from([*range(1, 10), *range(11, 256), *b"0019afxr .,-()[]{}"]))
    return bytes(log)


class TestDamage:
    """Whatever the bytes are, every line is in exactly one class, and compiled code sees what plain Python sees."""

    @pytest.mark.parametrize(
        ("first", "logs"),
        [(b"base hex\n   0.0 1 1 Rx d 0\n", asc_logs()), (b"  can0  202   [0]\n", screens())],
        ids=["asc", "screen"],
    )
    def test_every_line_is_counted_once(self, tmp_path: Path, first: bytes, logs: st.SearchStrategy[bytes]) -> None:
        @settings(max_examples=examples(25), deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
        @given(log=damaged(logs))
        def check(log: bytes) -> None:
            text = log if log.startswith(b" ") and b"can0" in log[:60] else first + log
            path = tmp_path / "log.txt"
            try:
                rows, stats = read_rows(path, text, plain_bytes=FOREVER)
            except CaptureError:
                assume(False)
            assert len(rows) == stats.frames
            assert stats.frames + stats.other_lines + stats.broken == text.count(b"\n") + (not text.endswith(b"\n"))
            assert {row.channel for row in rows} == set(stats.channels)
            assert (rows, stats) == read_rows(path, text, plain_bytes=0)

        check()
