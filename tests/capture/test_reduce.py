from __future__ import annotations

import gzip
from itertools import pairwise
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING

import pytest
from hypothesis import assume, example, given, settings
from hypothesis import strategies as st
from support.examples import examples
from support.log_lines import any_lines, common_lines
from support.logs import ENGINES, Row, gather, read_slowly

from buslens.capture.frames import Flag
from buslens.capture.open import open_capture
from buslens.capture.reduce import reduce_frames
from buslens.capture.stream import BOM
from buslens.errors import CaptureError

if TYPE_CHECKING:
    from collections.abc import Iterator

    from buslens.capture.frames import Frames, ReadStats

MS = 1_000_000


@pytest.fixture(scope="module")
def folder() -> Iterator[Path]:
    with TemporaryDirectory() as name:
        yield Path(name)


def fits(log: bytes, window_bytes: int) -> bool:
    """Return whether no line is as long as a window; lines that only zero bytes part count as one here."""
    return max(map(len, log.split(b"\n"))) < window_bytes


def assert_read_as_slowly(log: bytes, rows: list[Row], stats: ReadStats) -> None:
    """Hold a reading against the slow reader's."""
    expected = read_slowly(log)
    on_axis, reordered, discontinuities = expected.on_axis
    assert rows == on_axis
    assert [
        (discontinuity.time_ns, discontinuity.line, discontinuity.back_ns) for discontinuity in stats.discontinuities
    ] == discontinuities
    assert stats.reordered == reordered
    assert stats.frames == len(on_axis)
    assert stats.remote == sum(Flag.REMOTE in row.flags for row in on_axis)
    assert stats.errors == sum(Flag.ERROR in row.flags for row in on_axis)
    assert stats.other_lines == expected.other
    assert stats.broken == len(expected.broken)
    assert [line.line for line in stats.skipped] == expected.broken[:8]
    assert stats.channels == tuple(dict.fromkeys(row.channel for row in expected.recorded))
    assert stats.first_ns == min(row.time_ns for row in on_axis if row.segment == 0)
    assert stats.last_ns == max(row.time_ns for row in on_axis)


def rows_of_two_buses(form: str, apart_s: float, *, from_row: int = 0, n: int = 300) -> tuple[str, list[int]]:
    """Return a log of two buses, whose clocks part at a row, and the times of the first one, ns."""
    rows, times = [], []
    for k in range(n):
        bus = int(k % 3 == 1)
        time = 50_000 * MS + k * 4 * MS
        if not bus:
            times.append(time)
        stamp = f"{(time + bus * (k >= from_row) * round(apart_s * 1000) * MS) / 1e9:.6f}"
        data = f"{k % 256:02X} 1F"
        rows.append(
            {
                "candump": f"({stamp}) can{bus} 1A{bus}#{data.replace(' ', '')}",
                "ASC": f"{stamp} {bus + 1}  1A{bus}  Rx   d 2 {data}",
                "table": f"{stamp};can{bus};1A{bus};2;{data};A",
            }[form]
        )
    head = "base hex  timestamps absolute\n" if form == "ASC" else ""
    return head + "\n".join(rows) + "\n", times


class TestClocksOfBuses:
    """Buses of one log whose clocks part anywhere: the one that is needed is read by its own clock, two are refused."""

    @pytest.mark.parametrize("form", ["candump", "ASC", pytest.param("table", marks=pytest.mark.slow)])
    @pytest.mark.parametrize(("apart_s", "from_row"), [(5.0, 0), (-0.7, 0), (1000.0, 150)])
    def test_one_is_needed(self, tmp_path: Path, form: str, apart_s: float, from_row: int) -> None:
        path = tmp_path / "two"
        text, times = rows_of_two_buses(form, apart_s, from_row=from_row)
        path.write_text(text)
        for workers in (1, 3):
            rows, stats = gather(path, wanted=[(0x1A0, False)], workers=workers)
            assert [row.time_ns for row in rows] == times
            assert stats.discontinuities == []
            assert any("clocks of their own" in note and "its clock was used" in note for note in stats.notes)

    def test_both_are_needed(self, tmp_path: Path) -> None:
        path = tmp_path / "two"
        path.write_text(rows_of_two_buses("candump", 5.0)[0])
        with pytest.raises(CaptureError, match="can0 and can1 run on clocks of their own"):
            gather(path, wanted=[(0x1A0, False), (0x1A1, False)])
        _, stats = gather(path)
        assert 4_900 * MS < stats.apart_ns <= 5_000 * MS

    @pytest.mark.parametrize("apart_s", [0.0, 0.02, -0.09])
    def test_one_clock(self, tmp_path: Path, apart_s: float) -> None:
        path = tmp_path / "two"
        path.write_text(rows_of_two_buses("candump", apart_s)[0])
        rows, stats = gather(path, wanted=[(0x1A0, False), (0x1A1, False)])
        assert (len(rows), stats.apart_ns, stats.discontinuities) == (300, 0, [])

    def test_recorder_that_begins_anew(self, tmp_path: Path) -> None:
        """All channels are set back, each time from where the one before ended: no clocks of their own."""
        path = tmp_path / "anew"
        one = rows_of_two_buses("candump", 0.0, n=60)[0]
        path.write_text(one * 9)
        rows, stats = gather(path, wanted=[(0x1A0, False), (0x1A1, False)])
        assert (len(rows), stats.apart_ns, len(stats.discontinuities)) == (540, 0, 8)


class TestUnreadLines:
    """Where the lines stand that could not be read is the same, however a log is cut into pieces."""

    @pytest.mark.parametrize("engine", ["plain", "compiled"])
    def test_in_pieces(self, tmp_path: Path, engine: str) -> None:
        rows = [f"(1700000000.{n:06d}) can0 {'123#1' if n % 7 == 3 else '202#11'}\n" for n in range(400)]
        rows[50] = rows[200] = rows[201] = "login: root\n"
        (tmp_path / "log.log").write_text("boot\n" + "".join(rows) + "end\n")
        plain_bytes = {"plain": 1 << 30, "compiled": 0}[engine]
        capture = open_capture(tmp_path / "log.log")
        found = []
        for workers, piece_bytes in ((1, 1 << 20), (4, 1000), (9, 300)):
            _, stats = reduce_frames(
                capture,
                wanted=None,
                make=list,
                update=list.append,
                merge=list.extend,
                workers=workers,
                piece_bytes=piece_bytes,
                plain_bytes=plain_bytes,
            )
            found.append(stats.unread)
        assert found[0] == found[1] == found[2]
        start = 1_700_000_000_000_000_000
        us = 1_000
        assert [one.can_id for one in found[0] if one.can_id != 0x123] == [None, None, None]
        assert found[0][0] == (None, start, None)
        assert found[0][1] == (start + 2 * us, start + 4 * us, 0x123)
        assert (start + 198 * us, start + 202 * us, None) in found[0]


class TestAnyEngine:
    """All ways of reading a log give what a slow reader of one line after the other gives."""

    @settings(max_examples=examples(60), deadline=None)
    @given(log=st.one_of(any_lines(), common_lines().filter(bool)), engine=st.sampled_from(ENGINES))
    @example(log=b"(1.0) can0 101#\n(0.5) can0 101#\n(0.495) can0 101#", engine="compiled")
    def test_equal(self, folder: Path, log: bytes, engine: str) -> None:
        path = folder / "any.log"
        path.write_bytes(log)
        assert_read_as_slowly(log, *gather(path, engine=engine))


class TestAnyCut:
    """However a log is cut into pieces and windows, the result is the same, to the last line number."""

    @settings(max_examples=examples(60), deadline=None)
    @given(
        log=st.one_of(any_lines(), common_lines().filter(bool)),
        engine=st.sampled_from(ENGINES),
        workers=st.integers(1, 9),
        window_bytes=st.integers(200, 900),
        batch=st.integers(1, 6),
        wanted=st.none() | st.lists(st.sampled_from([(0x101, False), (0x101, True), (0x7FF, False)])),
    )
    def test_equal(
        self,
        folder: Path,
        log: bytes,
        engine: str,
        workers: int,
        window_bytes: int,
        batch: int,
        wanted: list[tuple[int, bool]] | None,
    ) -> None:
        assume(fits(log, window_bytes))
        path = folder / "cut.log"
        path.write_bytes(log)
        rows, stats = gather(
            path, engine=engine, workers=workers, window_bytes=window_bytes, batch=batch, wanted=wanted
        )
        whole, account = gather(path, wanted=wanted)
        assert rows == whole
        assert stats == account
        if wanted is None:
            assert_read_as_slowly(log, rows, stats)
        else:
            everything, _, _ = read_slowly(log).on_axis
            kept = [
                row
                for row in everything
                if not row.flags & Flag.ERROR and (row.can_id, bool(row.flags & Flag.EXTENDED)) in wanted
            ]
            assert rows == kept

    def test_a_piece_may_be_shorter_than_the_disorder(self, folder: Path) -> None:
        log = b"(100.000000) can0 101#\n(100.000000) can0 102#\n(99.999999) can0 103#\n"
        path = folder / "short.log"
        path.write_bytes(log)
        assert_read_as_slowly(log, *gather(path, workers=3))

    @settings(max_examples=examples(15), deadline=None)
    @given(log=any_lines(), window_bytes=st.integers(200, 900), batch=st.integers(1, 6))
    def test_gzip(self, folder: Path, log: bytes, window_bytes: int, batch: int) -> None:
        assume(fits(log, window_bytes))
        path = folder / "cut.log.gz"
        half = len(log) // 2
        path.write_bytes(gzip.compress(log[:half]) + gzip.compress(log[half:]))
        rows, stats = gather(path, window_bytes=window_bytes, batch=batch)
        assert_read_as_slowly(log, rows, stats)

    def test_error_classes_add_up(self, folder: Path) -> None:
        path = folder / "errors.log"
        path.write_bytes(b"(1.0) can0 20000040#\n(1.0) can0 20000204#\n(1.0) can0 20000044#\n")
        for workers in (1, 2, 3):
            _, stats = gather(path, workers=workers)
            assert stats.error_classes == {0x4: 2, 0x40: 2, 0x200: 1}


class TestOrder:
    """Frames of other channels up to 100 ms behind are merged, stable; a clock further behind is a discontinuity."""

    def read(
        self, folder: Path, stamps_ms: list[float], channels: str | None = None
    ) -> tuple[list[tuple[float, int, int]], ReadStats]:
        """Read frames with these stamps; by default each channel has one frame."""
        path = folder / "order.log"
        labels = [f"can{i}" for i in range(len(stamps_ms))] if channels is None else list(channels)
        path.write_text(
            "".join(
                f"({stamp / 1000:.6f}) {label} {i:03X}#\n"
                for i, (stamp, label) in enumerate(zip(stamps_ms, labels, strict=True))
            )
        )
        rows, stats = gather(path)
        return [(row.time_ns / MS, row.can_id, row.segment) for row in rows], stats

    def test_exactly_100_ms_between_channels_is_merged(self, folder: Path) -> None:
        rows, stats = self.read(folder, [1000, 1120, 1020, 1130])
        assert rows == [(1000, 0, 0), (1020, 2, 0), (1120, 1, 0), (1130, 3, 0)]
        assert (stats.reordered, stats.discontinuities) == (1, [])

    def test_a_hair_more_is_a_discontinuity(self, folder: Path) -> None:
        rows, stats = self.read(folder, [1000, 1120, 1019.999, 1130])
        assert [row[1:] for row in rows] == [(0, 0), (1, 0), (2, 1), (3, 1)]
        assert rows[2][0] == pytest.approx(1120 + 1e-6, abs=1e-9)
        (discontinuity,) = stats.discontinuities
        assert (discontinuity.time_ns, discontinuity.line, discontinuity.back_ns) == (1_120 * MS + 1, 3, 100_001_000)

    @pytest.mark.parametrize("back_ms", [0.001, 0.5, 4, 9.999, 60])
    def test_one_channel_keeps_the_order_of_the_file(self, folder: Path, back_ms: float) -> None:
        """Put in order of time, the frame behind the step would show a pulse that never was."""
        rows, stats = self.read(folder, [1000, 1070, 1070 - back_ms, 1080], "aaaa")
        assert [row[1:] for row in rows] == [(0, 0), (1, 0), (2, 1), (3, 1)]
        assert [(discontinuity.line, discontinuity.back_ns) for discontinuity in stats.discontinuities] == [
            (3, round(back_ms * MS))
        ]
        assert stats.reordered == 0

    def test_a_step_back_of_one_channel_shows_beside_another(self, folder: Path) -> None:
        rows, stats = self.read(folder, [1000, 1010, 1011, 1009, 1020], "abaab")
        assert [row[1:] for row in rows] == [(0, 0), (1, 0), (2, 0), (3, 1), (4, 1)]
        assert [discontinuity.line for discontinuity in stats.discontinuities] == [4]

    def test_a_channel_is_remembered_from_piece_to_piece(self, folder: Path) -> None:
        """Channel b runs back in the second half, against its frame in the first."""
        path = folder / "pieces.log"
        stamps = [("a", 1000), ("b", 1005), ("a", 1006), ("a", 1007), ("a", 1008), ("b", 1004), ("a", 1009)]
        path.write_text("".join(f"({stamp / 1000:.6f}) {label} 123#\n" for label, stamp in stamps))
        for workers in range(1, 8):
            _, stats = gather(path, workers=workers)
            assert [discontinuity.line for discontinuity in stats.discontinuities] == [6]

    def test_same_stamp_keeps_file_order(self, folder: Path) -> None:
        rows, _ = self.read(folder, [1000, 1005, 1000, 1005, 1000])
        assert [row[1] for row in rows] == [0, 2, 4, 1, 3]

    def test_intervals_behind_a_discontinuity_are_those_recorded(self, folder: Path) -> None:
        rows, _ = self.read(folder, [9000, 100, 150, 225], "aaaa")
        assert [b[0] - a[0] for a, b in pairwise(rows[1:])] == [50, 75]

    def test_what_is_behind_a_discontinuity_never_comes_before_it(self, folder: Path) -> None:
        rows, stats = self.read(folder, [9000, 100, 105, 99, 110, 101])
        assert [row[1:] for row in rows] == [(0, 0), (1, 1), (2, 1), (3, 2), (5, 2), (4, 2)]
        assert [row[0] for row in rows] == sorted(row[0] for row in rows)
        assert [(discontinuity.line, discontinuity.back_ns) for discontinuity in stats.discontinuities] == [
            (2, 8900 * MS),
            (4, 6 * MS),
        ]

    def test_runs_never_reach_across_a_discontinuity(self, folder: Path) -> None:
        path = folder / "runs.log"
        path.write_bytes(b"(9.0) can0 101#\n(9.1) can0 101#\n(1.0) can0 101#\n(2.0) can0 101#\n")
        runs: list[tuple[int, int]] = []

        def step(accumulator: list[tuple[int, int]], frames: Frames) -> None:
            accumulator.append((frames.segment, len(frames)))

        runs, _ = reduce_frames(open_capture(path), wanted=None, make=list, update=step, merge=list.extend)
        assert runs == [(0, 2), (1, 2)]

    def test_a_clock_that_stands_still_needs_no_more_memory(self, folder: Path) -> None:
        path = folder / "still.log"
        path.write_bytes(b"(1.000000) can0 101#\n" * 150_000)
        sizes: list[int] = []
        sizes, stats = reduce_frames(
            open_capture(path),
            wanted=None,
            make=list,
            update=lambda sizes, frames: sizes.append(len(frames)),
            merge=list.extend,
            workers=1,
        )
        assert sum(sizes) == stats.frames == 150_000
        assert max(sizes) <= 1 << 16

    def test_absurd_jumps_stay_on_the_axis(self, folder: Path) -> None:
        path = folder / "absurd.log"
        path.write_bytes(b"(3999999999.0) can0 101#\n(0.0) can0 102#\n" * 5)
        for engine in ENGINES:
            rows, stats = gather(path, engine=engine)
            assert len(rows) + stats.broken == 10
            assert stats.broken > 0
            assert max(row.time_ns for row in rows) < 2**63 - 1
            assert "2096" in stats.skipped[0].reason


class TestHoles:
    """A block of zero bytes is a hole in the log, wherever it stands and however the log is cut."""

    LINES = tuple(b"(%d.000000) can0 101#%02X\n" % (at, at) for at in range(1, 8))

    @pytest.mark.parametrize("zeros", [2, 3, 600])
    @pytest.mark.parametrize("place", [27, 54, 60, 80])
    @pytest.mark.parametrize("engine", ENGINES)
    def test_nothing_is_known_from_the_frame_before_to_the_frame_behind(
        self, folder: Path, zeros: int, place: int, engine: str
    ) -> None:
        log = b"".join(self.LINES)
        path = folder / "hole.log"
        path.write_bytes(log[:place] + bytes(zeros) + log[place:])
        rows, stats = gather(path, engine=engine)
        expected = read_slowly(path.read_bytes()).on_axis
        assert rows == expected[0]
        for workers in (1, 2, 5):
            assert gather(path, engine=engine, workers=workers, window_bytes=100) == (rows, stats)
        before = [row.time_ns for row in rows if row.segment == 0]
        behind = [row.time_ns for row in rows if row.segment == 1]
        (discontinuity,) = stats.discontinuities
        assert discontinuity.is_hole
        assert (discontinuity.time_ns, discontinuity.until_ns) == (before[-1] + 1, behind[0])
        assert all(time % 1_000_000_000 == 0 for time in behind), "the stamps go on as they were recorded"

    def test_one_zero_byte_only_ends_a_line(self, folder: Path) -> None:
        path = folder / "one.log"
        path.write_bytes(self.LINES[0].replace(b"\n", b"\0") + self.LINES[1])
        _, stats = gather(path)
        assert (stats.frames, stats.discontinuities, stats.notes) == (2, [], [])

    def test_no_frame_before_it(self, folder: Path) -> None:
        path = folder / "start.log"
        path.write_bytes(self.LINES[0][:10] + bytes(9) + b"".join(self.LINES))
        assert gather(path)[1].discontinuities == []

    def test_a_hole_at_the_end_is_told(self, folder: Path) -> None:
        path = folder / "end.log"
        path.write_bytes(self.LINES[0] + bytes(512))
        _, stats = gather(path)
        assert (stats.frames, stats.discontinuities) == (1, [])
        assert stats.notes == ["the log ends in a block of zero bytes: what was recorded there is lost"]


class TestLines:
    """Line ends, marks and lengths of lines do not decide what is read."""

    LOG = b"(1.0) can0 101#11\n(2.0) can0 102#2233\n"

    @pytest.mark.parametrize(
        "log",
        [LOG, LOG.replace(b"\n", b"\r\n"), LOG.rstrip(b"\n"), LOG.replace(b" ", b"\t"), BOM + LOG],
        ids=["LF", "CRLF", "no last end", "tabs", "byte order mark"],
    )
    @pytest.mark.parametrize("engine", ENGINES)
    @pytest.mark.parametrize("packed", [False, True])
    def test_same(self, folder: Path, log: bytes, engine: str, packed: bool) -> None:
        path = folder / "lines.log"
        path.write_bytes(gzip.compress(log) if packed else log)
        rows, stats = gather(path, engine=engine)
        assert [(row.can_id, row.data) for row in rows] == [(0x101, b"\x11"), (0x102, b"\x22\x33")]
        assert (stats.broken, stats.other_lines) == (0, 0)

    def test_a_last_line_without_end_is_doubted(self, folder: Path) -> None:
        path = folder / "last.log"
        path.write_bytes(self.LOG.rstrip(b"\n"))
        assert "last line, 2," in gather(path)[1].notes[0]
        path.write_bytes(self.LOG)
        assert gather(path)[1].notes == []

    @pytest.mark.parametrize("workers", [1, 4])
    def test_a_line_longer_than_a_window_is_one_broken_line(self, folder: Path, workers: int) -> None:
        path = folder / "long.log"
        path.write_bytes(b"(1.0) can0 101#\n" + b"x" * 5000 + b"\n(2.0) can0 102#\nbad\n(3.0) can0 103#" + b"0" * 9000)
        rows, stats = gather(path, window_bytes=1000, workers=workers)
        assert [row.can_id for row in rows] == [0x101, 0x102]
        assert stats.broken == 3
        assert [line.line for line in stats.skipped] == [2, 4, 5]
        assert "longer" in stats.skipped[0].reason

    def test_a_line_that_just_fits_is_read(self, folder: Path) -> None:
        path = folder / "fits.log"
        line = b"(1.0) can0 101#" + b" " * 984 + b"\n"
        path.write_bytes(3 * line)
        assert len(gather(path, window_bytes=1000)[0]) == 3

    def test_channels_beyond_the_table_are_broken(self, folder: Path) -> None:
        path = folder / "channels.log"
        path.write_bytes(b"".join(b"(%d.0) can%d 101#\n" % (i, i) for i in range(260)))
        for workers in (1, 2, 5):
            rows, stats = gather(path, workers=workers)
            assert (len(rows), stats.broken, len(stats.channels)) == (256, 4, 256)
            assert stats.skipped[0].line == 257


class TestErrorsInConsumers:
    """What a consumer raises comes out, from whatever thread, and ends the reading."""

    @pytest.mark.parametrize("workers", [1, 3])
    def test_raised(self, folder: Path, workers: int) -> None:
        path = folder / "raise.log"
        path.write_bytes(b"(1.0) can0 101#\n" * 5000)

        def step(accumulator: list[int], frames: Frames) -> None:
            raise RuntimeError(f"{len(frames)} frames were not welcome behind {len(accumulator)}")

        with pytest.raises(RuntimeError, match="not welcome"):
            reduce_frames(
                open_capture(path),
                wanted=None,
                make=list,
                update=step,
                merge=list.extend,
                workers=workers,
                piece_bytes=1,
                window_bytes=400,
            )
