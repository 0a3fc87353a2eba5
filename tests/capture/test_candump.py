from __future__ import annotations

import inspect
import re
from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st
from support.logs import ENGINES, Row, gather, read_slowly

from buslens.capture import _candump_kernel as kernel
from buslens.capture.candump import CANDUMP, REASONS
from buslens.capture.frames import Clock, Flag
from buslens.capture.read import read_frames
from buslens.errors import CaptureError

if TYPE_CHECKING:
    from pathlib import Path

S = 1_000_000_000
T = 1_700_000_000 * S


@pytest.fixture(params=ENGINES)
def engine(request: pytest.FixtureRequest) -> str:
    return str(request.param)


def read_line(tmp_path: Path, line: bytes, engine: str) -> Row:
    """Return the one frame of a log of one line, between two that are common."""
    path = tmp_path / "one.log"
    common = b"(1700000000.000000) can0 001#\n"
    path.write_bytes(common + line + b"\n" + common)
    rows, stats = gather(path, engine=engine)
    assert stats.skipped == []
    assert len(rows) == 3
    (row,) = [row for row in rows if row.can_id != 1]
    return row


class TestForms:
    """Every form of a line that candump writes is read, whatever engine reads it."""

    @pytest.mark.parametrize(
        ("line", "expected"),
        [
            (b"(1700000000.000000) can0 202#", Row(T, "can0", 0x202, Flag(0), 0, b"")),
            (b"(1700000000.000000) can0 202#E8b7", Row(T, "can0", 0x202, Flag(0), 2, b"\xe8\xb7")),
            (
                b"(1700000000.000000) can0 7FF#0102030405060708",
                Row(T, "can0", 0x7FF, Flag(0), 8, bytes(range(1, 9))),
            ),
            (b"(1700000000.000000) can0 00000486#11", Row(T, "can0", 0x486, Flag.EXTENDED, 1, b"\x11")),
            (b"(1700000000.000000) can0 1FFFFFFF#11", Row(T, "can0", 0x1FFFFFFF, Flag.EXTENDED, 1, b"\x11")),
            (b"(1700000000.000000) can0 202#R", Row(T, "can0", 0x202, Flag.REMOTE, 0, b"")),
            (b"(1700000000.000000) can0 202#R8", Row(T, "can0", 0x202, Flag.REMOTE, 8, b"")),
            (b"(1700000000.000000) can0 202#r3", Row(T, "can0", 0x202, Flag.REMOTE, 3, b"")),
            (b"(1700000000.000000) can0 202#R8_B", Row(T, "can0", 0x202, Flag.REMOTE, 11, b"")),
            (
                b"(1700000000.000000) can0 202#0102030405060708_F",
                Row(T, "can0", 0x202, Flag(0), 15, bytes(range(1, 9))),
            ),
            (b"(1700000000.000000) can0 202##0", Row(T, "can0", 0x202, Flag.FD, 0, b"")),
            (b"(1700000000.000000) can0 202##1AB", Row(T, "can0", 0x202, Flag.FD | Flag.BRS, 1, b"\xab")),
            (b"(1700000000.000000) can0 202##2AB", Row(T, "can0", 0x202, Flag.FD | Flag.ESI, 1, b"\xab")),
            (b"(1700000000.000000) can0 202##f", Row(T, "can0", 0x202, Flag.FD | Flag.BRS | Flag.ESI, 0, b"")),
            (b"(1700000000.000000) can0 202##4" + b"5A" * 12, Row(T, "can0", 0x202, Flag.FD, 9, b"\x5a" * 12)),
            (
                b"(1700000000.000000) can0 12345678##5" + bytes(range(64)).hex().encode(),
                Row(T, "can0", 0x12345678, Flag.FD | Flag.BRS | Flag.EXTENDED, 15, bytes(range(64))),
            ),
            (b"(1700000000.000000) can0 202#11 R", Row(T, "can0", 0x202, Flag(0), 1, b"\x11")),
            (b"(1700000000.000000) can0 202#11 T", Row(T, "can0", 0x202, Flag.TX, 1, b"\x11")),
            (b"(1700000000.000000) can0 202#11 t ", Row(T, "can0", 0x202, Flag.TX, 1, b"\x11")),
            (b"(1700000000.000000) can0 202#11\r", Row(T, "can0", 0x202, Flag(0), 1, b"\x11")),
            (b"(1700000000.000000) can0 202#11 T\r", Row(T, "can0", 0x202, Flag.TX, 1, b"\x11")),
            (b"\t(1700000000.000000)\tcan0   202#11  ", Row(T, "can0", 0x202, Flag(0), 1, b"\x11")),
            (b"(1700000000) can0 202#11", Row(T, "can0", 0x202, Flag(0), 1, b"\x11")),
            (b"(1700000000.) can0 202#11", Row(T, "can0", 0x202, Flag(0), 1, b"\x11")),
            (b"(1700000000.002) can0 202#11", Row(T + 2_000_000, "can0", 0x202, Flag(0), 1, b"\x11")),
            (b"(1700000000.00000001) can0 202#11", Row(T + 10, "can0", 0x202, Flag(0), 1, b"\x11")),
            (b"(1700000000.000000001) can0 202#11", Row(T + 1, "can0", 0x202, Flag(0), 1, b"\x11")),
            (b"(1700000000.000001) can0 202#11", Row(T + 1000, "can0", 0x202, Flag(0), 1, b"\x11")),
            (b"(1700000000.000000) " + b"x" * 31 + b" 202#11", Row(T, "x" * 31, 0x202, Flag(0), 1, b"\x11")),
            (b"(1700000000.000000) c 202#11", Row(T, "c", 0x202, Flag(0), 1, b"\x11")),
            (b"(1700000000.000000) B\xc3\xbcs 202#11", Row(T, "B\xfcs", 0x202, Flag(0), 1, b"\x11")),
            (b"(1700000000.000000) can0 20000040#00", Row(T, "can0", 0x40, Flag.ERROR, 1, b"\0")),
            (
                b"(1700000000.000000) can0 20000204#0008000000006000",
                Row(T, "can0", 0x204, Flag.ERROR, 8, bytes.fromhex("0008000000006000")),
            ),
        ],
        ids=lambda value: value.decode("latin-1") if isinstance(value, bytes) else "",
    )
    def test_form(self, tmp_path: Path, engine: str, line: bytes, expected: Row) -> None:
        assert read_line(tmp_path, line, engine) == expected


class TestBroken:
    """A line that is no frame and should be one is broken, with its number, reason and text; the rest is read."""

    @pytest.mark.parametrize(
        ("line", "reason"),
        [
            (b"(1700000000.000000) can0 202#E8B", "two digits"),
            (b"(1700000000.000000) can0 202#112233445566778899", "more than 8 bytes"),
            (b"(1700000000.000000) can0 202##" + b"0" + b"11" * 9, "CAN FD frame has"),
            (b"(1700000000.000000) can0 202##011223", "two digits"),
            (b"(1700000000.000000) can0 202##", "flags"),
            (b"(1700000000.000000) can0 202##G", "flags"),
            (b"(1700000000.000000) can0 800#11", "7FF"),
            (b"(1700000000.000000) can0 FFF#11", "7FF"),
            (b"(1700000000.000000) can0 40000000#11", "1FFFFFFF"),
            (b"(1700000000.000000) can0 FFFFFFFF#11", "1FFFFFFF"),
            (b"(1700000000.000000) can0 0202#11", "3 digits"),
            (b"(1700000000.000000) can0 #11", "3 digits"),
            (b"(1700000000.000000) can0 202#0102030405060708_8", "raw data length"),
            (b"(1700000000.000000) can0 202#01_9", "raw data length"),
            (b"(1700000000.000000) can0 202#R7_9", "raw data length"),
            (b"(1700000000.000000) can0 202 [1] 11", "'#'"),
            (b"(1700000000.000000) can0", "'#'"),
            (b"(1700000000.000000) 202#11", "'#'"),
            (b"(1700000000.000000) ", "channel name"),
            (b"(1700000000.000000) " + b"x" * 32 + b" 202#11", "channel name"),
            (b"(1700000000.000000)can0 202#11", "closing bracket"),
            (b"(1.000000 can0 202#11", "closing bracket"),
            (b"(-1.000000) can0 202#11", "time stamp"),
            (b"() can0 202#11", "time stamp"),
            (b"(1.0000000001) can0 202#11", "9 decimals"),
            (b"(4000000000.0) can0 202#11", "2096"),
            (b"(99999999999999999999.0) can0 202#11", "2096"),
            (b"can0 202#11", "brackets"),
            (b"garbage", "brackets"),
            (b"\xff\xfe\x80", "brackets"),
            (b"(1700000000.000000) can0 202#1G", "two digits"),
            (b"(1700000000.000000) can0 202#0123456789abcdeg", "two digits"),
            (b"(1700000000.000000) can0 202#0123456g", "two digits"),
            (b"(1700000000.000000) can0 20@#11", "'#'"),
            (b"(1700000000.000000) can0 1234567g#11", "'#'"),
            (b"(1700000000.00000a) can0 202#11", "closing bracket"),
            (b"(170000000a.000000) can0 202#11", "closing bracket"),
            (b"(1700000000.00000000a) can0 202#11", "closing bracket"),
            (b"(1700000000.000000) can0 202#11 X", "end behind"),
            (b"(1700000000.000000) can0 202#11 R T", "end behind"),
            (b"(1700000000.000000) can0 202#11G", "end behind"),
            (b"(1700000000.000000) can0 202#1122(1.000100) can0 203#33", "end behind"),
        ],
        ids=lambda value: value.decode("latin-1") if isinstance(value, bytes) else "",
    )
    def test_line(self, tmp_path: Path, engine: str, line: bytes, reason: str) -> None:
        path = tmp_path / "broken.log"
        path.write_bytes(b"(1700000000.000000) can0 001#\n" + line + b"\n(1700000000.000000) can0 002#\n")
        rows, stats = gather(path, engine=engine)
        assert [row.can_id for row in rows] == [1, 2]
        assert (stats.frames, stats.broken, stats.other_lines) == (2, 1, 0)
        assert stats.channels == ("can0",)
        (skipped,) = stats.skipped
        assert skipped.line == 2
        assert reason in skipped.reason
        assert skipped.text.isascii()

    def test_first_few_are_kept(self, tmp_path: Path, engine: str) -> None:
        path = tmp_path / "broken.log"
        path.write_bytes(b"(1700000000.000000) can0 001#\n" + b"bad\n" * 50)
        _, stats = gather(path, engine=engine)
        assert stats.broken == 50
        assert [line.line for line in stats.skipped] == list(range(2, 10))

    def test_unwanted_frames_are_checked_too(self, tmp_path: Path, engine: str) -> None:
        path = tmp_path / "broken.log"
        path.write_bytes(
            b"(1700000000.000000) can0 001#\n(1700000000.000000) can0 002#1\n(1700000000.000000) can0 002#11\n"
        )
        rows, stats = gather(path, engine=engine, wanted=[(1, False)])
        assert [row.can_id for row in rows] == [1]
        assert (stats.frames, stats.broken) == (2, 1)

    def test_nothing_readable_is_refused(self, tmp_path: Path) -> None:
        path = tmp_path / "broken.log"
        path.write_bytes(b"(1700000000.000000) can0 001#1\n(1700000000.000000) can0 001#1\n")
        with pytest.raises(CaptureError, match=r"broken\.log:1: .*001#1.*two digits"):
            gather(path)


class TestOtherLines:
    """Blank lines and remarks are no frames and not broken."""

    def test_other(self, tmp_path: Path, engine: str) -> None:
        path = tmp_path / "other.log"
        path.write_bytes(b"# from the club\n\n  \t\r\n(1.0) can0 001#\n   # more (1.0) can0 001#\n\n")
        rows, stats = gather(path, engine=engine)
        assert len(rows) == 1
        assert (stats.frames, stats.other_lines, stats.broken) == (1, 5, 0)

    def test_zero_bytes(self, tmp_path: Path, engine: str) -> None:
        path = tmp_path / "zeros.log"
        path.write_bytes(b"(1.0) can0 001#\n(1.0) can0 002#1" + bytes(4000) + b"(1.0) can0 003#33\n(1.0) can0 4#\n")
        rows, stats = gather(path, engine=engine)
        assert [row.can_id for row in rows] == [1, 3]
        assert [line.line for line in stats.skipped] == [2, 3]


class TestIds:
    """An 11-bit and a 29-bit id of the same number are two ids; error frames are neither."""

    def test_wanted(self, tmp_path: Path, engine: str) -> None:
        path = tmp_path / "ids.log"
        path.write_bytes(
            b"(1.0) c 001#\n(2.0) c 00000001#\n(3.0) c 20000001#\n(4.0) c 002#\n(5.0) c 1FFFFFFF#\n(6.0) c 00000002#\n"
        )
        for wanted in ([(1, False)], [(1, True)], [(0x1FFFFFFF, True), (2, False)], []):
            rows, stats = gather(path, engine=engine, wanted=wanted)
            assert {(row.can_id, bool(row.flags & Flag.EXTENDED)) for row in rows} == set(wanted)
            assert len(rows) == len(wanted)
            assert (stats.frames, stats.errors) == (6, 1)

    @given(st.sets(st.integers(0, 2**29 - 1), min_size=1, max_size=40), st.sets(st.integers(0, 2**29 - 1), max_size=40))
    def test_many_wanted(self, tmp_path_factory: pytest.TempPathFactory, wanted: set[int], unwanted: set[int]) -> None:
        path = tmp_path_factory.getbasetemp() / "many.log"
        ids = sorted(wanted | unwanted)
        path.write_bytes(b"".join(b"(1700000000.000000) can0 %08X#\n" % can_id for can_id in ids))
        for engine in ("kernel", "compiled"):
            rows, _ = gather(path, engine=engine, wanted=[(can_id, True) for can_id in wanted])
            assert [row.can_id for row in rows] == sorted(wanted)


class TestClock:
    """Stamps from 1970 on are a wall clock, small ones count from a start."""

    @pytest.mark.parametrize(("stamp", "clock"), [(b"1700000000.000072", Clock.WALL), (b"0.5", Clock.RELATIVE)])
    def test_clock(self, tmp_path: Path, stamp: bytes, clock: Clock) -> None:
        path = tmp_path / "clock.log"
        path.write_bytes(b"(%b) can0 001#\n" % stamp)
        assert gather(path)[1].clock is clock

    @pytest.mark.parametrize("mark", [b"T", b" "])
    def test_dates_in_place_of_seconds(self, tmp_path: Path, mark: bytes) -> None:
        path = tmp_path / "dated.log"
        lines = [b"123#AABB", b"00012345##1AABBCC", b"124#R", b"20000080#0000000000000000"]
        path.write_bytes(
            b"".join(b"(2024-03-01%b12:00:0%d.123456) can0 %b\n" % (mark, k, one) for k, one in enumerate(lines))
        )
        table = read_frames(path)
        assert table["time_ns"].tolist() == [(1_709_294_400 + k) * S + 123_456_000 for k in range(4)]
        assert table[["is_extended", "is_fd", "is_remote", "is_error"]].sum().tolist() == [1, 1, 1, 1]
        assert table["data"].tolist()[:2] == [b"\xaa\xbb", b"\xaa\xbb\xcc"]
        assert table.attrs["tally"].clock is Clock.LOCAL

    @given(st.integers(0, 4 * 10**18 - 1))
    def test_stamps_are_exact(self, tmp_path_factory: pytest.TempPathFactory, time_ns: int) -> None:
        path = tmp_path_factory.getbasetemp() / "exact.log"
        line = b"(%d.%09d) can0 001#\n" % divmod(time_ns, S)
        path.write_bytes(2 * line)
        for engine in ENGINES:
            assert [row.time_ns for row in gather(path, engine=engine)[0]] == [time_ns, time_ns]


class TestReasons:
    """Every reason a kernel can give has its words."""

    def test_every_code_has_a_sentence(self) -> None:
        codes = re.findall(r"^(\w+): Final = kit.FORMAT_REASON", inspect.getsource(kernel), re.MULTILINE)
        assert codes
        assert {getattr(kernel, code) for code in codes} == set(REASONS)
        assert all(reason[0].islower() or reason.startswith("CAN") for reason in REASONS.values())

    def test_example_is_of_the_format(self) -> None:
        reading = read_slowly(CANDUMP.example.encode())
        assert len(reading.recorded) == 1
        assert CANDUMP.sniff(CANDUMP.example.encode()) is not None


class TestAsTheLogWritesThroughout:
    """Blanks before the seconds, and identifiers without zeros before them, where all lines have them."""

    @pytest.mark.parametrize("engine", ENGINES)
    def test_read(self, tmp_path: Path, engine: str) -> None:
        ids = ["39", "1A0", "7", "7FF", "800", "18FEF100", "FEF1"] * 3
        path = tmp_path / "any.log"
        path.write_text("".join(f"({n * 0.01:13.6f}) can0 {it}#{n:02X}\n" for n, it in enumerate(ids)))
        rows, stats = gather(path, engine=engine)
        assert [row.can_id for row in rows] == [int(it, 16) for it in ids]
        assert [bool(row.flags & Flag.EXTENDED) for row in rows] == [int(it, 16) > 0x7FF for it in ids]
        assert [row.time_ns for row in rows] == [n * 10_000_000 for n in range(len(ids))]
        assert stats.broken == 0

    @pytest.mark.parametrize("engine", ENGINES)
    def test_rounded_stamps(self, tmp_path: Path, engine: str) -> None:
        path = tmp_path / "coarse.log"
        path.write_text("".join(f"({n // 3 * 0.05:.6f}) can0 1A0#{n:02X}\n" for n in range(60)))
        _, stats = gather(path, engine=engine)
        assert stats.resolution_ns == 50_000_000
        assert stats.discontinuities == []
