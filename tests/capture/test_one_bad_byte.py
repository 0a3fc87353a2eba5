"""A log with one bad byte loses the line that the byte is in, and its neighbour where the byte parts the two."""

from __future__ import annotations

import gzip
from functools import cache
from io import BytesIO
from pathlib import Path
from random import Random
from typing import TYPE_CHECKING, Final

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.damage import line_starts, with_one_bad_byte
from support.examples import examples
from support.logs import rows_of

from buslens.capture.open import open_capture, open_stream
from buslens.capture.read_options import read_options_for
from buslens.capture.scan import Scanner
from buslens.capture.stream import FileStream
from buslens.errors import CaptureError

if TYPE_CHECKING:
    from support.logs import Row

    from buslens.capture.frames import ReadStats
    from buslens.capture.open import Capture

pytestmark = pytest.mark.slow

LOGS: Final = Path(__file__).parents[2] / "sample_logs"
#: Every form of log that there are samples of: with absolute stamps, and with stamps that count from the line before.
ABSOLUTE: Final = (
    "car01_healthy.log",
    "car01_healthy_hot_day.asc",
    "car06_unlock_feedback_stuck.asc",
    "car09_low_battery.log",
)
FROM_THE_LINE_BEFORE: Final = ("car07_feedbacks_disagree.asc", "car12_nobody_comes.log")
HEADER_LINES: Final = 6
"""A header says how all the rest is to be read, so that its reach is the log."""


def rows_in(capture: Capture) -> tuple[list[Row], ReadStats]:
    """Return all frames as they were recorded, in the order of the file."""
    scanner = Scanner(read_options_for(capture, wanted=None, as_recorded=True, plain_bytes=1 << 60))
    with capture.stream() as stream:
        rows = [row for frames in scanner.read(stream) for row in rows_of(frames)]
    return rows + [row for frames in scanner.flush() for row in rows_of(frames)], scanner.stats()


def read(log: bytes) -> tuple[list[Row], ReadStats]:
    return rows_in(open_stream("damaged", log, FileStream(BytesIO(b""))))


@cache
def sample(name: str) -> tuple[bytes, tuple[int, ...]]:
    """Return the first lines of a sample, and how many frames there are up to each of them."""
    log = (LOGS / name).read_bytes()[:6000]
    log = log[: log.rfind(b"\n") + 1]
    starts = line_starts(log)
    counts = [0] * HEADER_LINES + [len(read(log[:start])[0]) for start in starts[HEADER_LINES:]]
    return log, tuple(counts)


def shifted(rows: list[Row], by_ns: int) -> list[Row]:
    return [row._replace(time_ns=row.time_ns + by_ns) for row in rows]


class TestOtherLines:
    """The frames of all other lines are what they were, and no line goes uncounted."""

    @settings(max_examples=examples(15))
    @given(name=st.sampled_from((*ABSOLUTE, *FROM_THE_LINE_BEFORE)), seed=st.integers(0, 2**40))
    def test_any_byte(self, name: str, seed: int) -> None:
        log, counts = sample(name)
        whole, _ = read(log)
        starts = line_starts(log)
        damaged = with_one_bad_byte(log, Random(seed), start=starts[HEADER_LINES])
        rows, stats = read(damaged.data)
        before, behind = counts[damaged.first], counts[min(damaged.last + 1, len(counts) - 1)]
        rest = whole[behind:]
        assert rows[:before] == whole[:before]
        if rest:
            later = rows[-1].time_ns - rest[-1].time_ns
            assert later == 0 or name in FROM_THE_LINE_BEFORE
            assert rows[-len(rest) :] == shifted(rest, later)
        # At most: a line parted in two, each half of which is a frame.
        assert len(rows) <= before + 2 + len(rest)
        assert stats.frames + stats.other_lines + stats.broken >= len(starts) - 2

    @pytest.mark.parametrize("name", ["car09_low_battery.log", "car12_nobody_comes.log"])
    @pytest.mark.parametrize("byte", [b"\n", b"\r", b":", b"-"])
    def test_the_first_line_does_not_decide_how_the_others_are_read(self, name: str, byte: bytes) -> None:
        log, _ = sample(name)
        whole, _ = read(log)
        for place in range(log.index(b"(") + 1, log.index(b")") + 2):
            rows, _ = read(log[:place] + byte + log[place:])
            assert [row.can_id for row in rows[-len(whole) + 2 :]] == [row.can_id for row in whole[2:]]
            steps = [row.time_ns - rows[-1].time_ns for row in rows[-len(whole) + 2 :]]
            assert steps == [row.time_ns - whole[-1].time_ns for row in whole[2:]]


class TestGzip:
    """Behind a bad byte a compressed log may be lost or be garbage, but what came before stands, and it is said."""

    @settings(max_examples=examples(25))
    @given(seed=st.integers(0, 2**40), level=st.sampled_from([1, 6, 9]))
    def test_any_byte(self, tmp_path_factory: pytest.TempPathFactory, seed: int, level: int) -> None:
        log, _ = sample("car01_healthy.log")
        packed = gzip.compress(log, level, mtime=0)
        damaged = with_one_bad_byte(packed, Random(seed), start=2).data
        path = tmp_path_factory.getbasetemp() / "damaged.log.gz"
        path.write_bytes(damaged)
        same = next((place for place, pair in enumerate(zip(packed, damaged, strict=False)) if len(set(pair)) > 1), 0)
        sure, _ = by_bytes(packed[:same])
        try:
            rows, stats = rows_in(open_capture(path))
        except CaptureError:
            assert b"\n" not in sure
            return
        whole, _ = read(log)
        if rows != whole:
            lines = sure[: sure.rfind(b"\n") + 1]
            before = read(lines)[0] if lines else []
            assert rows[: len(before)] == before
            told = [line.reason for line in stats.skipped] + stats.notes
            assert any("gzip" in sentence for sentence in told)

    def test_said_behind_many_broken_lines(self, tmp_path: Path) -> None:
        """Only the first few broken lines are shown; that the file stops is told whatever came before."""
        path = tmp_path / "cut.log.gz"
        log = b"(1.0) can0 101#\n" + b"garbage\n" * 20 + b"(1.0) can0 102#\n"
        path.write_bytes(gzip.compress(log)[:-9])
        _, stats = rows_in(open_capture(path))
        assert [note for note in stats.notes if "gzip data stops in the middle" in note]


def by_bytes(packed: bytes) -> tuple[bytes, bool]:
    """Return what zlib unpacks of a stream when it is fed one byte at a time."""
    from fuzz.targets import by_zlib

    return by_zlib(packed)
