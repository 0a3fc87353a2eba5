"""What kernels do at the limits of their buffers and numbers."""

from __future__ import annotations

import base64
from dataclasses import replace
from functools import cache
from io import BytesIO
from typing import TYPE_CHECKING

import numpy as np
import pytest
from fuzz.readings import UNSEEN
from fuzz.seeds import ASC_LINES, CANDUMP_LINES, SCREEN_LINES
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from support.examples import examples
from support.logs import ENGINES, gather, rows_of
from support.mixed_lines import asc_lines, candump_lines

from buslens.capture._scan_kernel import PADDING
from buslens.capture.frames import Flag, Frames
from buslens.capture.id_filter import IdFilter
from buslens.capture.open import open_capture
from buslens.capture.read import read_frames
from buslens.capture.read_options import ReadOptions, python_can_read_options
from buslens.capture.reduce import reduce_frames
from buslens.capture.registry import FORMATS
from buslens.capture.scan import Scanner
from buslens.capture.stream import FileStream
from buslens.errors import CaptureError

if TYPE_CHECKING:
    from pathlib import Path

    from support.logs import Row as LogRow

    from buslens.capture.frames import ReadStats


@pytest.mark.parametrize("engine", ENGINES)
class TestLongLabels:
    """No channel label reaches out of the table of labels."""

    @pytest.mark.parametrize("zeros", [1, 30, 31, 32, 40, 8300])
    def test_channel_number_with_zeros_before_it(self, tmp_path: Path, engine: str, zeros: int) -> None:
        log = tmp_path / "a.asc"
        log.write_bytes(
            b"base hex timestamps absolute\n1.0 "
            + b"0" * zeros
            + b"7 C8 Rx d 1 01\n2.0 7 C8 Rx d 1 02\n3.0 CANFD "
            + b"0" * zeros
            + b" Rx C8 0 0 1 1 03\n4.0 12 C8 Rx d 1 04\n"
        )
        rows, stats = gather(log, engine=engine)
        assert [(row.channel, row.data) for row in rows] == [("7", b"\1"), ("7", b"\2"), ("0", b"\3"), ("12", b"\4")]
        assert stats.channels == ("7", "0", "12")
        assert stats.broken == 0

    @pytest.mark.parametrize("length", [1, 7, 8, 31, 32, 300])
    def test_channel_name(self, tmp_path: Path, engine: str, length: int) -> None:
        name = b"n" * length
        log = tmp_path / "a.log"
        log.write_bytes(b"(1.0) can0 123#11\n" + b"(1.0) " + name + b" 123#22\n(1.0) can0 123#33\n")
        rows, stats = gather(log, engine=engine)
        expected = ["can0", name.decode(), "can0"] if length <= 31 else ["can0", "can0"]
        assert [row.channel for row in rows] == expected
        assert stats.broken == (length > 31)


@pytest.mark.parametrize("engine", ENGINES)
class TestSecondsThatAreRemembered:
    """Only the seconds of a time stamp are taken for those of the line before, never what merely stands there."""

    def test_zero_bytes(self, tmp_path: Path, engine: str) -> None:
        log = tmp_path / "a.log"
        log.write_bytes(b"(0.0) can0 123#11\n(" + bytes(11) + b"000001) can0 123#22\n")
        rows, stats = gather(log, engine=engine)
        assert [row.data for row in rows] == [b"\x11"]
        assert stats.broken == 2

    def test_a_label_with_a_point(self, tmp_path: Path, engine: str) -> None:
        log = tmp_path / "a.log"
        log.write_bytes(b"(1.0) can0 123#11\n(1.0) canny.5 123#22\n(1.0) canny.123456) can0 123#33\n")
        rows, stats = gather(log, engine=engine)
        assert [row.data for row in rows] == [b"\x11", b"\x22"]
        assert stats.broken == 1


class TestFramesOfOthers:
    """A frame that there cannot be, which another reader hands on all the same, is broken and breaks nothing."""

    def write(self, path: Path, *rows: tuple[float, int, bool, bytes]) -> Path:
        lines = ["timestamp,arbitration_id,extended,remote,error,dlc,data"]
        for stamp, can_id, is_extended, data in rows:
            text = base64.b64encode(data).decode()
            lines.append(f"{stamp},{can_id:#x},{int(is_extended)},0,0,{len(data)},{text}")
        path.write_text("\n".join(lines) + "\n")
        return path

    def test_identifier(self, tmp_path: Path) -> None:
        path = self.write(
            tmp_path / "a.csv",
            (1.0, 0x7FF, False, b"1"),
            (1.1, 0x800, False, b"2"),
            (1.2, 0x12345678, False, b"3"),
            (1.3, 0x12345678, True, b"4"),
        )
        seen: list[int] = []

        def step(into: list[int], frames: Frames) -> None:
            into += frames.can_id.tolist()

        _, stats = reduce_frames(
            open_capture(path),
            wanted=[(0x7FF, False), (0x12345678, True)],
            make=lambda: seen,
            update=step,
            merge=list.extend,
        )
        assert seen == [0x7FF, 0x12345678]
        assert (stats.frames, stats.broken) == (2, 2)
        assert ["7FF" in line.reason for line in stats.skipped] == [True, True]
        assert [line.line for line in stats.skipped] == [2, 3]

    @pytest.mark.parametrize("length", [8, 9, 64, 65, 255])
    def test_length(self, tmp_path: Path, length: int) -> None:
        # More words than there is room for, if nobody looks.
        rows = [(1 + i / 1e5, 0x100, False, bytes([7]) * (length if i else 8)) for i in range(5000)]
        table = read_frames(self.write(tmp_path / "a.csv", *rows))
        stats = table.attrs["tally"]
        assert table["data"].tolist() == [bytes([7]) * 8] * (5000 if length == 8 else 1)
        assert stats.broken == 5000 - len(table)
        assert {(line.reason, line.text) for line in stats.skipped} <= {
            ("more than 8 bytes in a classical CAN frame (CAN FD: 64)", f"100 [{length}]")
        }


ASC_HEAD = b"base hex timestamps absolute\n"
FRAME_LINES = {
    "candump": b"(%d.000000) can0 00000123##0" + b"A5" * 20 + b"\n",
    "ASC": b"%d.000000 CANFD 1 Rx 123x 0 0 b 20" + b" A5" * 20 + b"\n",
    "candump, screen form": b" (%d.000000)  can0  00000123  [20] " + b" A5" * 20 + b"\n",
}
NAMED_LINES = {
    "candump": b"(1.0) n%d 123#11\n",
    "ASC": b"1.0 %d 123 Rx d 1 11\n",
    "candump, screen form": b" (1.0)  n%d  123   [1]  11\n",
}
SHORT_LINES = {
    "candump": b"(%d.0) can0 123#11\n",
    "ASC": b"%d.0 1 123 Rx d 1 11\n",
    "candump, screen form": b" (%d.0)  can0  123   [1]  11\n",
}


def scanned(
    log: bytes, name: str, engine: str, behind: bytes = b"\0", **options: int
) -> tuple[list[LogRow], ReadStats]:
    """Read a log, with those bytes over and over in the buffer that its windows are read into."""
    entry = FORMATS[name]
    if engine.endswith("kernel"):
        entry = replace(entry, plain_kernel=None, wide_kernel=None)
    match = entry.sniff(log[: 1 << 16]) or UNSEEN[name]
    plain = 0 if engine.startswith("compiled") else 1 << 60
    scanner = Scanner(ReadOptions(format=entry, match=match, wanted=None, plain_bytes=plain, **options))
    size = scanner.plan.window_bytes + PADDING
    scanner._buffer = bytearray((behind * size)[:size])
    rows = [row for frames in scanner.read(FileStream(BytesIO(log))) for row in rows_of(frames)]
    rows += [row for frames in scanner.flush() for row in rows_of(frames)]
    return rows, scanner.stats()


@pytest.mark.parametrize("engine", ENGINES)
@pytest.mark.parametrize("name", SHORT_LINES)
class TestRoom:
    """Columns, labels and the list of broken lines take no more than they have room for."""

    @pytest.mark.parametrize("room", [8, 9, 16, 50])
    def test_columns(self, name: str, engine: str, room: int) -> None:
        log = b"".join(FRAME_LINES[name] % second for second in range(50))
        rows, stats = scanned(log, name, engine, room=room, window_bytes=1 << 16)
        assert [(row.time_ns, row.data) for row in rows] == [(s * 10**9, b"\xa5" * 20) for s in range(50)]
        assert stats.broken == 0

    def test_labels(self, name: str, engine: str) -> None:
        log = b"".join(NAMED_LINES[name] % n for n in range(300)) + NAMED_LINES[name] % 7
        rows, stats = scanned(log, name, engine, window_bytes=1 << 16)
        assert [int(row.channel.strip("n")) for row in rows] == [*range(256), 7]
        assert stats.broken == 44
        assert {line.reason for line in stats.skipped} == {"more than 256 different channel names"}

    def test_broken_lines(self, name: str, engine: str) -> None:
        bad, good = b"(x\n", SHORT_LINES[name] % 1
        log = good + 20 * bad + good
        rows, stats = scanned(log, name, engine, window_bytes=1 << 16)
        assert (len(rows), stats.broken) == (2, 20)
        assert [line.line for line in stats.skipped] == list(range(2, 10))

    def test_time(self, name: str, engine: str) -> None:
        """Three clocks that start anew run the axis to its end; what would lie behind it is broken."""
        late = SHORT_LINES[name] % 3_999_999_999
        log = b"".join((SHORT_LINES[name] % 0, late, SHORT_LINES[name] % 0, late, SHORT_LINES[name] % 0, late, late))
        rows, stats = scanned(log, name, engine, window_bytes=1 << 16)
        assert len(rows) == 5
        assert rows[-1].time_ns == rows[-2].time_ns + 1 == 2 * 3_999_999_999 * 10**9 + 2
        assert stats.broken == 2
        assert {line.reason for line in stats.skipped} == {"the time stamp, in seconds, is beyond the year 2096"}


@pytest.mark.parametrize("engine", ENGINES)
@pytest.mark.parametrize("name", FORMATS)
class TestWhatLiesBehind:
    """What happens to lie in a buffer behind the text is not read, or means nothing."""

    @settings(max_examples=examples(25), deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
    @given(data=st.data())
    def test_no_log_goes_on_there(self, name: str, engine: str, data: st.DataObject) -> None:
        lines = data.draw(st.lists(st.sampled_from(_mixed()[name]), min_size=1, max_size=6))
        head = ASC_HEAD if name == "ASC" else b""
        log = head + b"\n".join(lines)
        log = log[: data.draw(st.integers(len(head), len(log)))]
        bare = scanned(log, name, engine, window_bytes=1 << 12)
        for behind in (b"0", b"1", b"\n", b" ", b"#", b"(", b"_F", b"\xff", b" 01", lines[0] + b"\n"):
            assert scanned(log, name, engine, behind, window_bytes=1 << 12) == bare


@cache
def _mixed() -> dict[str, list[bytes]]:
    return {
        "candump": [*CANDUMP_LINES, *(line.encode() for line in candump_lines(3, 300))],
        "candump, without times": [line.partition(b") ")[2] or line for line in CANDUMP_LINES],
        "ASC": [*ASC_LINES, *(line.encode() for line in asc_lines(3, 300))],
        "candump, screen form": [*SCREEN_LINES, *SCREEN_LINES[0:1]],
    }


DATED = b" (2026-01-01 00:00:00.0)  can0  123   [1]  11\n"
BROKEN = {
    "a minus sign alone": ("ASC", ASC_HEAD, b"-x\n", "a time stamp is digits"),
    "gaps beyond 2096": ("ASC", b"base hex timestamps relative\n3900000000 x\n", b"3900000000 x\n", "2096"),
    "pasted gaps beyond 2096": (
        "candump, screen form",
        9 * (SHORT_LINES["candump, screen form"] % 0 + SHORT_LINES["candump, screen form"] % 1)
        + SHORT_LINES["candump, screen form"] % 3_900_000_000,
        SHORT_LINES["candump, screen form"] % 3_900_000_000,
        "2096",
    ),
    **{
        f"date {date}": ("candump, screen form", 2 * DATED, f" ({date})  can0  123   [1]  11\n".encode(), words)
        for date, words in (
            ("x026-01-01 00:00:00.0", "a time stamp is digits"),
            ("20x6-01-01 00:00:00.0", "a time stamp is digits"),
            ("9999-12-31 23:59:59.9", "2096"),
            ("0000-01-01 00:00:00.0", "2096"),
            ("2026-01-01 00:00:00.0123456789", "9 decimals"),
        )
    },
    "half a direction": ("candump, screen form", DATED, DATED.replace(b"123", b"RX x -  123"), "3 or 8"),
    "a bracket behind a tab": ("candump, screen form", DATED, b"\tbus-error[\n", "no time stamp in brackets"),
}


@pytest.mark.parametrize("engine", ENGINES)
class TestRareLines:
    """Lines that hardly any log has are read as the rules say."""

    @pytest.mark.parametrize("case", BROKEN)
    def test_broken(self, case: str, engine: str) -> None:
        name, before, line, words = BROKEN[case]
        _, stats = scanned(before + line, name, engine, window_bytes=1 << 12)
        assert (stats.broken, [skipped.line for skipped in stats.skipped]) == (1, [before.count(b"\n") + 1])
        assert words in stats.skipped[0].reason

    @pytest.mark.parametrize("length", [*range(9), 12, 16, 20, 24, 32, 48, 64])
    def test_every_length_of_can_fd(self, engine: str, length: int) -> None:
        data = bytes(range(length))
        log = b"(1.0) can0 123##0" + data.hex().encode() + b"\n"
        ((row,), stats) = scanned(log, "candump", engine, window_bytes=1 << 12)
        assert (row.data, row.dlc, stats.frames) == (data, CAN_FD_LENGTHS.index(length), 1)

    @pytest.mark.parametrize("decimals", range(14))
    def test_any_number_of_decimals(self, engine: str, decimals: int) -> None:
        digits = b"9" * decimals
        log = b"(3999999999." + digits + b") can0 123#11\n(3999999999.0) can0 123#22\n"
        rows, stats = scanned(log, "candump", engine, window_bytes=1 << 12)
        expected = 3_999_999_999 * 10**9 + int(digits.ljust(9, b"0"))
        assert [row.time_ns for row in rows if row.data == b"\x11"] == ([expected] if decimals <= 9 else [])
        assert stats.broken == (decimals > 9)

    def test_letters_among_nine_decimals(self, engine: str) -> None:
        good = b"(1700000000.123456789) can0 123#11\n"
        rows, stats = scanned(good + good.replace(b"34", b"3x") + good, "candump", engine, window_bytes=1 << 12)
        assert (len(rows), stats.broken) == (2, 1)


CAN_FD_LENGTHS = (*range(9), 12, 16, 20, 24, 32, 48, 64)
"""By data length code: ISO 11898-1."""


class TestRecordedFrames:
    """Frames that another reader has made meet the same limits."""

    def scanner(self, room: int = 1 << 10, wanted: IdFilter | None = None) -> Scanner:
        plan = python_can_read_options("others", wanted=wanted)
        return Scanner(replace(plan, room=room, batch=1))

    def frames(self, *rows: tuple[int, int, int, int, int], channels: tuple[str, ...] = ("a",)) -> Frames:
        """Return frames of time, channel, identifier, flags and length."""
        time, channel, can_id, flags, length = zip(*rows, strict=True)
        return Frames(
            time_ns=np.array(time, np.int64),
            channel=np.array(channel, np.uint16),
            can_id=np.array(can_id, np.uint32),
            flags=np.array(flags, np.uint16),
            dlc=np.array([CAN_FD_LENGTHS.index(each) for each in length], np.uint8),
            length=np.array(length, np.uint8),
            word=np.arange(len(rows), dtype=np.int64) * 8,
            words=np.arange(len(rows) * 8, dtype=np.uint64),
            channels=channels,
        )

    def test_columns_that_are_full(self) -> None:
        scanner = self.scanner(room=16)
        found = [
            *scanner.feed(self.frames(*((i * 10**9, 0, 0x123, Flag.FD, 64) for i in range(50)))),
            *scanner.flush(),
        ]
        words = [
            (row.time_ns // 10**9, np.frombuffer(row.data, "<u8").tolist()) for run in found for row in rows_of(run)
        ]
        assert words == [(i, list(range(8 * i, 8 * i + 8))) for i in range(50)]

    def test_a_clock_that_runs_back(self) -> None:
        scanner = self.scanner()
        found = [*scanner.feed(self.frames((5 * 10**9, 0, 1, 0, 0), (0, 0, 2, 0, 0))), *scanner.flush()]
        assert [(row.can_id, row.segment) for run in found for row in rows_of(run)] == [(1, 0), (2, 1)]
        assert [discontinuity.back_ns for discontinuity in scanner.stats().discontinuities] == [5 * 10**9]

    def test_error_frames(self) -> None:
        rows = (0, 0, 0x204, Flag.ERROR, 8), (1, 0, 0x1FFFFFFF, Flag.ERROR, 8), (2, 0, 0x100, Flag.REMOTE, 0)
        scanner = self.scanner()
        found = [*scanner.feed(self.frames(*rows)), *scanner.flush()]
        assert sum(len(run) for run in found) == 3
        stats = scanner.stats()
        assert (stats.errors, stats.remote) == (2, 1)
        assert stats.error_classes == {1 << bit: 1 + (bit in {2, 9}) for bit in range(29)}
        scanner = self.scanner(wanted=IdFilter(frozenset({(0x100, False)})))
        found = [*scanner.feed(self.frames(*rows)), *scanner.flush()]
        assert [row.can_id for run in found for row in rows_of(run)] == [0x100]

    def test_channels_beyond_the_table(self) -> None:
        scanner = self.scanner()
        channels = tuple(f"n{i}" for i in range(300))
        found = [
            *scanner.feed(self.frames(*((i, i, 1, 0, 0) for i in range(300)), channels=channels)),
            *scanner.flush(),
        ]
        assert [row.channel for run in found for row in rows_of(run)] == list(channels[:256])
        assert scanner.stats().broken == 44

    @pytest.mark.parametrize("stamp", [-4 * 10**18, 4 * 10**18, 2**63 - 1, -(2**63)])
    def test_stamps_beyond_the_axis(self, stamp: int) -> None:
        scanner = self.scanner()
        found = [*scanner.feed(self.frames((0, 0, 1, 0, 0), (stamp, 0, 2, 0, 0), (1, 0, 3, 0, 0))), *scanner.flush()]
        assert [row.can_id for run in found for row in rows_of(run)] == [1, 3]
        assert scanner.stats().broken == 1


class TestWhereAnotherReaderGivesUp:
    """The place is told in lines, broken ones among them, however many there are, and by every way to read."""

    def test_place(self, tmp_path: Path) -> None:
        path = tmp_path / "a.csv"
        head = "timestamp,arbitration_id,extended,remote,error,dlc,data\n"
        row = "1.0,0x100,0,0,0,1,AQ==\n"
        for n_bad in (3, 20):
            path.write_text(head + row + n_bad * row.replace("0x100", "0x900") + row + "2.0,0x")
            _, stats = reduce_frames(open_capture(path), wanted=None, make=list, update=list.append, merge=list.extend)
            assert read_frames(path).attrs["tally"].skipped == stats.skipped
            assert (stats.frames, stats.broken) == (2, n_bad + 1)
            assert [line.line for line in stats.skipped] == [*range(2, 2 + n_bad), n_bad + 3][:8]
            said = [line.reason for line in stats.skipped] + stats.notes
            assert any("gave up" in sentence for sentence in said)

    def test_not_one_frame(self, tmp_path: Path) -> None:
        path = tmp_path / "a.csv"
        path.write_text("timestamp,arbitration_id,extended,remote,error,dlc,data\n1.0,0x900,0,0,0,1,AQ==\n")
        with pytest.raises(CaptureError, match="no line of it could be read"):
            reduce_frames(open_capture(path), wanted=None, make=list, update=list.append, merge=list.extend)
