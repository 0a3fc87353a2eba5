"""ASC logs: rows of every kind, headers in every state, trigger blocks."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

import pytest
from support.rows import Row, read_rows, row

from buslens.capture.frames import Clock, Flag, ReadStats
from buslens.capture.open import open_capture
from buslens.errors import CaptureError

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

EXT, REMOTE, ERROR, FD, BRS, ESI, TX = (
    int(flag) for flag in (Flag.EXTENDED, Flag.REMOTE, Flag.ERROR, Flag.FD, Flag.BRS, Flag.ESI, Flag.TX)
)
MS = 1_000_000
S = 1_000_000_000
BUS_ERROR = 0x80  # CAN_ERR_BUSERROR, Linux kernel, include/uapi/linux/can/error.h
START = "Sat Sep 30 15:06:13.191 2017"
START_NS = (
    (datetime(2017, 9, 30, 15, 6, 13, tzinfo=UTC) - datetime(1970, 1, 1, tzinfo=UTC)) // timedelta(seconds=1)
) * S + 191 * MS
HEADER = (f"date {START}", "base hex  timestamps absolute", "internal events logged")
DECIMAL = (f"date {START}", "base dec  timestamps absolute", "internal events logged")


def read(
    folder: Path, lines: Sequence[str], header: Sequence[str] = HEADER, end: str = "\n"
) -> tuple[list[Row], ReadStats]:
    return read_rows(folder / "log.txt", end.join([*header, *lines, ""]).encode("cp1252"))


EIGHT = "01 02 03 04 05 06 07 08"
BARE = EIGHT.replace(" ", "")

# Rows in the manner of recorders, with invented contents: (line, the frame that it is).
FRAME_ROWS = {
    "standard": (f"   0.015991 1  6F9             Rx   d 8 {EIGHT}", row(15_991_000, "1", 0x6F9, 0, 8, BARE)),
    "with what follows the data": (
        "   0.015991 1  6F9   Rx   d 2 05 0C  Length = 240015 BitCount = 124 ID = 1785",
        row(15_991_000, "1", 0x6F9, 0, 2, "050C"),
    ),
    "extended": (
        "  18.015997 1  18EBFF00x       Rx   d 3 01 A0 0F  ID = 418119424x",
        row(18_015_997_000, "1", 0x18EBFF00, EXT, 3, "01A00F"),
    ),
    "extended with a small id": ("1.0 1 1X Rx d 1 FF", row(S, "1", 1, EXT, 1, "FF")),
    "sent": ("   1.000000 2  C8              Tx   d 1 FF", row(S, "2", 0xC8, TX, 1, "FF")),
    "letters of the other case": ("1.0 1 6f9 RX D 2 aB Cd", row(S, "1", 0x6F9, 0, 2, "ABCD")),
    "no data": ("   1.000000 1  C8              Rx   d 0", row(S, "1", 0xC8, 0, 0)),
    "no data and what follows": ("1.0 1 C8 Rx d 0 Length = 0 BitCount = 1", row(S, "1", 0xC8, 0, 0)),
    "one digit bytes": ("1.0 1 C8 Rx d 3 1 2 F", row(S, "1", 0xC8, 0, 3, "01020F")),
    "tabs": ("\t1.0\t1\tC8\tRx\td\t1\tFF\t", row(S, "1", 0xC8, 0, 1, "FF")),
    "DLC above 8": (f"1.0 1 C8 Rx d f {EIGHT}", row(S, "1", 0xC8, 0, 15, BARE)),
    "DLC 9": (f"1.0 1 C8 Rx d 9 {EIGHT}", row(S, "1", 0xC8, 0, 9, BARE)),
    "remote": ("   2.501000 1  C8              Rx   r", row(2_501 * MS, "1", 0xC8, REMOTE, 0)),
    "remote with DLC": ("2.501 1  C8x  Tx   r 8", row(2_501 * MS, "1", 0xC8, EXT | REMOTE | TX, 8)),
    "remote with what follows": (
        "2.501 1 C8 Rx r Length = 0 BitCount = 0 ID = 200",
        row(2_501 * MS, "1", 0xC8, REMOTE, 0),
    ),
    "error frame": ("   2.501000 1  ErrorFrame", row(2_501 * MS, "1", BUS_ERROR, ERROR, 0)),
    "error frame with a code": (
        "   2.501010 1  ErrorFrame\tECC: 10100010 ",
        row(2_501_010_000, "1", BUS_ERROR, ERROR, 0),
    ),
    "error frame with flags": (
        "2.5 2  ErrorFrame\tFlags = 0xe\tCodeExt = 0x20a2\tCode = 0x82\tID = 0\tDLC = 0\tPosition = 5\tLength = 11300",
        row(2_500 * MS, "2", BUS_ERROR, ERROR, 0),
    ),
    "channel of two digits": ("1.0 12 C8 Rx d 1 FF", row(S, "12", 0xC8, 0, 1, "FF")),
    "negative stamp": ("  -0.000250 1  C8 Rx d 1 FF", row(-250_000, "1", 0xC8, 0, 1, "FF")),
    "decimal comma": ("   0,015991 1  C8 Rx d 1 FF", row(15_991_000, "1", 0xC8, 0, 1, "FF")),
    "three decimals": ("   0.015 1  C8 Rx d 1 FF", row(15 * MS, "1", 0xC8, 0, 1, "FF")),
    "nine decimals": ("   0.000000017 1  C8 Rx d 1 FF", row(17, "1", 0xC8, 0, 1, "FF")),
    "whole seconds": ("   3 1  C8 Rx d 1 FF", row(3 * S, "1", 0xC8, 0, 1, "FF")),
    "FD": (
        f"   1.0 CANFD   1 Rx        5  0 0 8  8 {EIGHT}   102203  133   303000 e0006659 46500250 4b140250",
        row(S, "1", 5, FD, 8, BARE),
    ),
    "FD, fast, passive, extended, sent": (
        "1.0 CANFD 2 Tx 1C4D80A7x  1 1 1 1 12",
        row(S, "2", 0x1C4D80A7, EXT | FD | BRS | ESI | TX, 1, "12"),
    ),
    "FD of 12 bytes": (f"1.0 CANFD 1 Rx 5 1 0 9 12 {EIGHT} 9 A B C", row(S, "1", 5, FD | BRS, 9, BARE + "090A0B0C")),
    "FD of 64 bytes": (
        f"1.0 CANFD 1 Rx 5 1 0 f 64 {' '.join([EIGHT] * 8)} 1331984 11 0 46500250 460a0250",
        row(S, "1", 5, FD | BRS, 15, BARE * 8),
    ),
    "FD with a name": (f"1.0 CANFD 1 Tx 4EE ColumnState 0 1 8 8 {EIGHT}", row(S, "1", 0x4EE, FD | ESI | TX, 8, BARE)),
    "FD with a name of digits": (f"1.0 CANFD 1 Rx 4EE 42 1 0 8 8 {EIGHT}", row(S, "1", 0x4EE, FD | BRS, 8, BARE)),
    "FD with a name that could be a flag": (
        f"1.0 CANFD 1 Rx 4EE 1 0 0 8 8 {EIGHT}",
        row(S, "1", 0x4EE, FD, 8, BARE),
    ),
    "FD without data": ("1.0 CANFD 1 Rx 4EE 1 0 0 0 130000 130", row(S, "1", 0x4EE, FD | BRS, 0)),
    "FD without data, named": ("1.0 CANFD 1 Rx 4EE Wake 1 0 0 0", row(S, "1", 0x4EE, FD | BRS, 0)),
    "remote frame of an FD channel": ("1.0 CANFD 1 Rx 4EE 0 0 5 0 130000 130", row(S, "1", 0x4EE, REMOTE, 5)),
    "error frame of an FD channel": (
        "1.0 CANFD   1 Rx ErrorFrame Not Acknowledge error, dominant error flag fffe c7 31ca Arb. 556 44 0 0 f0",
        row(S, "1", BUS_ERROR, ERROR, 0),
    ),
    "bare error frame of an FD channel": ("1.0 CANFD 3 Tx ErrorFrame", row(S, "3", BUS_ERROR, ERROR | TX, 0)),
}
DECIMAL_ROWS = {
    "standard": ("1.0 1 1785 Rx d 3 5 255 016", row(S, "1", 1785, 0, 3, "05FF10")),
    "extended": ("1.0 1 418119424x Rx d 1 10", row(S, "1", 418_119_424, EXT, 1, "0A")),
    "DLC above 8": ("1.0 1 200 Rx d 15 1 2 3 4 5 6 7 8", row(S, "1", 200, 0, 15, BARE)),
    "remote": ("1.0 1 200 Rx r 8", row(S, "1", 200, REMOTE, 8)),
    "FD": ("1.0 CANFD 1 Rx 200 1 0 9 12 1 2 3 4 5 6 7 8 9 10 11 255", row(S, "1", 200, FD | BRS, 9, BARE + "090A0BFF")),
    "FD with a decimal DLC": (
        f"1.0 CANFD 1 Rx 200 1 0 13 32 {' '.join(['16'] * 32)}",
        row(S, "1", 200, FD | BRS, 13, "10" * 32),
    ),
    "FD with a DLC in hex all the same": (
        f"1.0 CANFD 1 Rx 200 1 0 d 32 {' '.join(['16'] * 32)}",
        row(S, "1", 200, FD | BRS, 13, "10" * 32),
    ),
}
# Rows that are no frame and need not be.
EVENT_ROWS = (
    "",
    "   \t ",
    "// version 9.0.0",
    "  // Prüfstand",
    "internal events logged",
    "no internal events logged",
    "End TriggerBlock",
    " End Triggerblock",
    "   0.000000 Start of measurement",
    "   0.000000 CANFD Start of measurement",
    "   0.015991 CAN 1 Status:chip status error passive - TxErr: 132 RxErr: 0",
    "   0.015991 CANFD 1 Status:chip status error active - TxErr: 0 RxErr: 0",
    "   1.015991 1  Statistic: D 0 R 0 XD 0 XR 0 E 0 O 0 B 0.00%",
    "   1.015991 CANFD 1 Statistic: D 0 R 0 XD 0 XR 0 E 0 O 0 B 0.00%",
    "   2.5 SV: 2 0 1 ::Column::Supply = 12.4",
    "   3.113016 log trigger event",
    "   3.113016 log direct start (0ms)",
    "   3.2 Li 1 3C Rx 8 01 02 03 04 05 06 07 08  checksum = 70",
    "   3.2 L1 Sleep",
    "   3.2 Fr RMSG  0 0 1 1 22 0 0 0 5 20 20 10 01",
    "   3.2 ETH 1 Rx 3C:ffffffffffff0c8b4d4d4d4d0806",
    "   3.248765 1  J1939TP FEE3p 6  0   0  -   Rx   d 23 A0 0F A6 60 3B D1 40 1F DE 80",
    "   3.248765 J1939TP FEE3p 6  0   0  -   Rx   d 23 A0 0F A6 60 3B D1 40 1F DE 80",
    "   3.3 1  6F9             TxRq d 2 05 0C",
    "   3.3 CANFD   1 TxRq  6F9 0 0 1 1 05",
    "   3.3 CANFD   1 TxRq  6F9 ColumnState 0 0 1 1 05",
    "   3.4 1  OverloadFrame",
    "   3.5",
    "\x00\x00\x00\x00",
)
# (line, words that the reason holds)
BROKEN_ROWS = (
    ("   1.0 1  6F9             Rx   d 8 05 0C 00", "fewer"),
    ("   1.0 1  6F9             Rx   d 3 05 0C  Length = 240015 BitCount = 124", "fewer"),
    ("   1.0 1  6F9             Rx   d 2 05 GG", "byte"),
    ("   1.0 1  6F9             Rx   d 1 100", "byte"),
    ("   1.0 1  6F9             Rx   d", "DLC"),
    ("   1.0 1  6F9             Rx   d 10 01", "DLC"),
    ("   1.0 1  6F9             Rx   q 1 01", "d or r"),
    ("   1.0 1  6F9             Rx", "d or r"),
    ("   1.0 1  6F9", "Rx or Tx"),
    ("   1.0 1  6F9             Up   d 1 01", "Rx or Tx"),
    ("   1.0 1  800             Rx   d 1 01", "7FF"),
    ("   1.0 1  20000000x       Rx   d 1 01", "1FFFFFFF"),
    ("   1.0 1  123456789ABx    Rx   d 1 01", "1FFFFFFF"),
    ("   1.0 1  ColumnState     Rx   d 1 01", "name"),
    ("   1.0 CANFD 1 Rx ColumnState 0 0 1 1 05", "name"),
    ("   1.0 CANFD 1 Rx 4EE 0 0 8 7 01 02 03 04 05 06 07", "DLC"),
    ("   1.0 CANFD 1 Rx 4EE 0 0 9 9 01 02 03 04 05 06 07 08 09", "DLC"),
    ("   1.0 CANFD 1 Rx 4EE 0 0", "DLC"),
    ("   1.0 CANFD 1 Rx 4EE 0 0 8 8 01 02 03", "fewer"),
    ("   1.0 CANFD 1 4EE 0 0 1 1 05", "Rx or Tx"),
    ("   1.0.0 1  6F9 Rx d 1 01", "time stamp"),
    ("   12345678901234567890.0 1  6F9 Rx d 1 01", "time stamp"),
    ("   3999999999.0 1  6F9 Rx d 1 01", "2096"),
    ("lorem ipsum", "time stamp"),
)


class TestFrameRows:
    """Each row of a frame becomes that frame, on the axis of the log's date."""

    @pytest.mark.parametrize("name", FRAME_ROWS)
    @pytest.mark.parametrize("end", ["\n", "\r\n"])
    def test_base_hex(self, tmp_path: Path, name: str, end: str) -> None:
        line, expected = FRAME_ROWS[name]
        rows, stats = read(tmp_path, [line], end=end)
        assert rows == [expected._replace(time_ns=expected.time_ns + START_NS)]
        assert (stats.frames, stats.broken, stats.other_lines, stats.skipped) == (1, 0, 3, [])
        assert (stats.remote, stats.errors) == (bool(expected.flags & REMOTE), bool(expected.flags & ERROR))
        assert stats.clock is Clock.LOCAL

    @pytest.mark.parametrize("name", DECIMAL_ROWS)
    def test_base_dec(self, tmp_path: Path, name: str) -> None:
        line, expected = DECIMAL_ROWS[name]
        rows, stats = read(tmp_path, [line], header=DECIMAL)
        assert rows == [expected._replace(time_ns=expected.time_ns + START_NS)]
        assert stats.broken == 0

    def test_last_line_without_an_end(self, tmp_path: Path) -> None:
        rows, stats = read_rows(tmp_path / "log.txt", b"base hex timestamps absolute\n0.5 1 C8 Rx d 1 FF")
        assert rows == [row(500 * MS, "1", 0xC8, 0, 1, "FF")]
        assert stats.broken == 0

    def test_last_line_cut_by_power_loss_is_broken(self, tmp_path: Path) -> None:
        rows, stats = read_rows(
            tmp_path / "log.txt", b"base hex timestamps absolute\n0.5 1 C8 Rx d 1 FF\n0.6 1 C8 Rx d 2 F"
        )
        assert len(rows) == 1
        assert [skipped.line for skipped in stats.skipped] == [3]


class TestOtherRows:
    """A row that is no frame is counted, never fatal, never broken, never a frame."""

    @pytest.mark.parametrize("line", EVENT_ROWS)
    def test_counted_as_other(self, tmp_path: Path, line: str) -> None:
        rows, stats = read(tmp_path, [line, "   9.0 1  C8 Rx d 1 FF"])
        assert rows == [row(START_NS + 9 * S, "1", 0xC8, 0, 1, "FF")]
        assert (stats.other_lines, stats.broken) == (len(HEADER) + 1, 0)

    def test_remarks_in_any_encoding(self, tmp_path: Path) -> None:
        remarks = "// Größe für später\n".encode("cp1252") + "// Größe für später\n".encode()
        _, stats = read_rows(
            tmp_path / "log.txt", b"base hex timestamps absolute\n" + remarks + b"0.5 1 C8 Rx d 1 FF\n"
        )
        assert (stats.frames, stats.other_lines, stats.broken) == (1, 3, 0)


class TestBrokenRows:
    """A row that should be a frame and is none is counted with its line number and a reason."""

    @pytest.mark.parametrize(("line", "words"), BROKEN_ROWS)
    def test_reason(self, tmp_path: Path, line: str, words: str) -> None:
        rows, stats = read(tmp_path, [line, "   9.0 1  C8 Rx d 1 FF"])
        assert [each.can_id for each in rows] == [0xC8]
        assert (stats.broken, stats.other_lines) == (1, len(HEADER))
        (skipped,) = stats.skipped
        assert skipped.line == len(HEADER) + 1
        assert words in skipped.reason

    @pytest.mark.parametrize(
        ("line", "words"),
        [("1.0 1 1A0 Rx d 1 10", "name"), ("1.0 1 100 Rx d 1 256", "byte"), ("1.0 1 100 Rx d 16 1", "DLC")],
    )
    def test_reason_under_base_dec(self, tmp_path: Path, line: str, words: str) -> None:
        _, stats = read(tmp_path, [line, "   9.0 1  100 Rx d 1 1"], header=DECIMAL)
        assert stats.broken == 1
        assert words in stats.skipped[0].reason


class TestHeader:
    """The header may be whole, in any order, in part or missing; no frame is lost to it."""

    FRAME = "   0.500000 1  C8              Rx   d 1 10"

    @pytest.mark.parametrize("order", [(0, 1, 2), (2, 1, 0), (1, 0, 2), (2, 0, 1)])
    def test_any_order(self, tmp_path: Path, order: tuple[int, ...]) -> None:
        rows, stats = read(tmp_path, [self.FRAME], header=[HEADER[i] for i in order])
        assert rows == [row(START_NS + 500 * MS, "1", 0xC8, 0, 1, "10")]
        assert stats.notes == []

    def test_none_at_all(self, tmp_path: Path) -> None:
        rows, stats = read(tmp_path, [self.FRAME, self.FRAME], header=())
        assert [each.time_ns for each in rows] == [500 * MS, 500 * MS]
        assert stats.clock is Clock.RELATIVE
        assert stats.other_lines == 0

    def test_base_line_alone(self, tmp_path: Path) -> None:
        rows, _ = read(tmp_path, ["   0.500000 1  200             Rx   d 1 10"], header=["base dec"])
        assert rows == [row(500 * MS, "1", 200, 0, 1, "0A")]

    def test_words_in_capitals(self, tmp_path: Path) -> None:
        header = [f"DATE {START}", "Base  DEC  Timestamps  Relative"]
        rows, _ = read(tmp_path, ["0.5 1 200 Rx d 1 10", "0.5 1 200 Rx d 1 11"], header=header)
        assert [each.time_ns - START_NS for each in rows] == [500 * MS, S]

    def test_header_behind_the_first_frame_holds_from_there(self, tmp_path: Path) -> None:
        rows, _ = read(tmp_path, ["0.5 1 200 Rx d 1 10", "base dec", "0.6 1 200 Rx d 1 10"], header=())
        assert [each.can_id for each in rows] == [0x200, 200]

    def test_remark_before_the_header(self, tmp_path: Path) -> None:
        _, stats = read(tmp_path, [self.FRAME], header=["// made by hand", "", *HEADER])
        assert (stats.frames, stats.other_lines) == (1, 5)

    @pytest.mark.parametrize(
        "date", ["Sam Sep 30 15:06:13.191 2017", "sam. sept. 30 03:06:13,191 pm 2017", "Sep 30 15:06:13.191 pm 2017"]
    )
    def test_date_of_other_languages(self, tmp_path: Path, date: str) -> None:
        rows, stats = read(tmp_path, [self.FRAME], header=[f"date {date}", "base hex timestamps absolute"])
        assert rows[0].time_ns == START_NS + 500 * MS
        assert stats.clock is Clock.LOCAL

    def test_unreadable_date_counts_from_zero_and_says_so_once(self, tmp_path: Path) -> None:
        header = ["date Yesterday", "base hex timestamps absolute", "Begin Triggerblock Yesterday"]
        rows, stats = read(tmp_path, [self.FRAME], header=header)
        assert rows[0].time_ns == 500 * MS
        assert stats.clock is Clock.RELATIVE
        (note,) = stats.notes
        assert "Yesterday" in note

    def test_date_of_the_trigger_block_alone(self, tmp_path: Path) -> None:
        rows, stats = read(tmp_path, [self.FRAME], header=["base hex", f"Begin Triggerblock {START}"])
        assert rows[0].time_ns == START_NS + 500 * MS
        assert stats.clock is Clock.LOCAL

    def test_nothing_readable_is_refused(self, tmp_path: Path) -> None:
        path = tmp_path / "letter.asc"
        path.write_text("Dear club,\nthe van will not start.\n")
        with pytest.raises(CaptureError, match="Dear club"):
            open_capture(path)


class TestRelativeStamps:
    """``timestamps relative``: each stamp counts from the timed row before, whatever that row is."""

    def test_added_up_over_all_timed_rows(self, tmp_path: Path) -> None:
        header = [f"date {START}", "base hex  timestamps relative", "internal events logged"]
        lines = [
            "   0.100000 1  C8 Rx d 1 01",
            "   0.200000 1  Statistic: D 0 R 0 XD 0 XR 0 E 0 O 0 B 0.00%",
            "   0.300000 log trigger event",
            "// a remark has no stamp",
            "   0.400000 1  C8 TxRq d 1 02",
            "   0.500000 1  C8 Tx d 1 02",
            "   0.600000 1  C8 Rx d 2 02",
            "   0.700000 1  ErrorFrame",
        ]
        rows, stats = read(tmp_path, lines, header=header)
        assert [each.time_ns - START_NS for each in rows] == [100 * MS, 1500 * MS, 2800 * MS]
        assert stats.broken == 1

    @pytest.mark.parametrize("damaged", ["   0.0x0000 1  C8 Rx d 1 02", "x  0.300000 1  C8 Rx d 1 02"])
    def test_a_stamp_that_is_lost_is_a_discontinuity(self, tmp_path: Path, damaged: str) -> None:
        """Nobody knows how much time passed there; a row that is damaged behind its stamp loses no time."""
        lines = ["   0.100000 1  C8 Rx d 1 01", damaged, "   0.200000 1  C8 Rx d 1 03"]
        rows, stats = read(tmp_path, lines, header=["base hex  timestamps relative"])
        assert [each.data for each in rows] == [b"\x01", b"\x03"]
        assert [(discontinuity.line, discontinuity.is_lost) for discontinuity in stats.discontinuities] == [(4, True)]
        _, stats = read(tmp_path, lines, header=["base hex  timestamps absolute"])
        assert stats.discontinuities == []
        lines[1] = "   0.300000 1  C8 Rx d 2 02"
        rows, stats = read(tmp_path, lines, header=["base hex  timestamps relative"])
        assert [each.time_ns for each in rows] == [100 * MS, 600 * MS]
        assert stats.discontinuities == []

    def test_long_log_in_several_pieces(self, tmp_path: Path) -> None:
        lines = ["   0.001000 1  C8 Rx d 1 01"] * 3000
        rows, _ = read(tmp_path, lines, header=["base hex  timestamps relative"])
        assert [each.time_ns for each in rows] == [MS * (i + 1) for i in range(3000)]


class TestTriggerBlocks:
    """Several blocks: stamps that go on keep one time base; stamps that restart take the new block's date."""

    LATER = "Sat Sep 30 15:08:13.191 2017"
    FIRST = (*HEADER, f"Begin Triggerblock {START}", "1.0 1 C8 Rx d 1 01", "2.0 1 C8 Rx d 1 02", "End Triggerblock")

    def test_stamps_that_go_on(self, tmp_path: Path) -> None:
        lines = [f"Begin Triggerblock {self.LATER}", "120.5 1 C8 Rx d 1 03", "End Triggerblock"]
        rows, stats = read(tmp_path, lines, header=self.FIRST)
        assert [each.time_ns - START_NS for each in rows] == [S, 2 * S, 120_500 * MS]
        assert (stats.discontinuities, stats.notes) == ([], [])

    def test_stamps_that_restart(self, tmp_path: Path) -> None:
        lines = [f"Begin Triggerblock {self.LATER}", "0.5 1 C8 Rx d 1 03", "1.5 1 C8 Rx d 1 04"]
        rows, stats = read(tmp_path, lines, header=self.FIRST)
        assert [each.time_ns - START_NS for each in rows] == [S, 2 * S, 120_500 * MS, 121_500 * MS]
        (note,) = stats.notes
        assert "restart" in note

    def test_many_restarts_are_said_once(self, tmp_path: Path) -> None:
        lines = [
            line
            for minute in range(10, 20)
            for line in (
                f"Begin Triggerblock Sat Sep 30 15:{minute}:00.000 2017",
                "0.5 1 C8 Rx d 1 03",
                "End Triggerblock",
            )
        ]
        rows, stats = read(tmp_path, lines, header=self.FIRST)
        assert len(rows) == 12
        assert sum("restart" in note for note in stats.notes) == 1

    def test_stamps_before_the_trigger_are_of_the_same_base(self, tmp_path: Path) -> None:
        lines = [f"Begin Triggerblock {self.LATER}", "115.0 1 C8 Rx d 1 03"]
        rows, _ = read(tmp_path, lines, header=self.FIRST)
        assert rows[-1].time_ns - START_NS == 115 * S

    def test_first_block_begins_long_after_the_measurement(self, tmp_path: Path) -> None:
        lines = [f"Begin Triggerblock {self.LATER}", "0.5 1 C8 Rx d 1 03"]
        rows, _ = read(tmp_path, lines)
        assert rows[0].time_ns - START_NS == 120_500 * MS

    def test_restart_under_an_unreadable_date_is_a_discontinuity(self, tmp_path: Path) -> None:
        lines = ["Begin Triggerblock Yesterday", "0.5 1 C8 Rx d 1 03"]
        rows, stats = read(tmp_path, lines, header=self.FIRST)
        assert rows[-1].time_ns == rows[-2].time_ns + 1
        assert len(stats.discontinuities) == 1


class TestColumnsBeforeTheIdentifier:
    """Rows with more columns than usual are frames where the log has many of them, and else are told."""

    USUAL = tuple(f"   {n / 100:.6f} 1  6F9             Rx   d 2 05 {n:02X}" for n in range(10))
    MORE = tuple(f"   {n / 100:.6f} 1  Gate 7  1A0      Rx   d 2 06 {n:02X}" for n in range(10, 40))

    def test_read(self, tmp_path: Path) -> None:
        rows, stats = read(tmp_path, [*self.USUAL, *self.MORE])
        assert [it.can_id for it in rows] == [0x6F9] * 10 + [0x1A0] * 30
        assert (stats.broken, stats.channels) == (0, ("1",))
        assert stats.other_lines == len(HEADER)

    def test_behind_a_word(self, tmp_path: Path) -> None:
        rows, stats = read(tmp_path, [line.replace(" 1  6F9", " Bus A 2 6F9") for line in self.USUAL])
        assert [(it.can_id, it.channel) for it in rows] == [(0x6F9, "2")] * 10
        assert stats.broken == 0

    def test_a_single_one_is_broken(self, tmp_path: Path) -> None:
        rows, stats = read(tmp_path, [*self.USUAL, self.MORE[0]])
        assert len(rows) == 10
        assert (stats.broken, stats.other_lines) == (1, len(HEADER))
        assert "more columns before the identifier" in stats.skipped[0].reason

    @pytest.mark.parametrize("names", ["", "ColumnState ", "ColumnState LockUnit ", "12 34 "])
    def test_names_before_the_columns_of_can_fd(self, tmp_path: Path, names: str) -> None:
        data = " ".join(f"{k:02X}" for k in range(12))
        rows, stats = read(tmp_path, [f"   {k}.5 CANFD 1 Rx 1B3 {names}1 0 9 12 {data}  1000 200" for k in range(4)])
        assert (len(rows), stats.broken) == (4, 0)
        assert {row.data for row in rows} == {bytes(range(12))}

    def test_events_stay_events(self, tmp_path: Path) -> None:
        events = ["1.0 1 J1939TP FEE3p 6 0 0 - Rx d 23 A0 0F", "1.0 1 Statistic: D 0 R 0 XD 0", "1.0 Li SleepFrame 0"]
        rows, stats = read(tmp_path, [*self.USUAL, *events])
        assert (len(rows), stats.broken, stats.other_lines) == (10, 0, len(HEADER) + 3)


class TestClocks:
    """Several clocks in one log are not taken for one that is set back again and again."""

    @staticmethod
    def line(stamp: float, way: str, n: int, channel: int = 1) -> str:
        return f"   {stamp:.6f} {channel}  6F9             {way}   d 2 05 {n % 256:02X}"

    def test_rows_sent_on_another_clock(self, tmp_path: Path) -> None:
        lines = []
        for n in range(200):
            lines.append(self.line(10 + n * 0.1, "Rx", n))
            if n % 2:
                lines.append(self.line(3 + n * 0.1, "Tx", n))
        rows, stats = read(tmp_path, lines)
        assert len(rows) == 200
        assert stats.discontinuities == []
        assert stats.last_ns is not None
        assert stats.first_ns is not None
        assert stats.last_ns - stats.first_ns == 19_900 * MS
        assert any("another clock" in note for note in stats.notes)

    @pytest.mark.parametrize("back", [0.0001, 0.02, 0.1])
    def test_buses_that_run_back_a_little(self, tmp_path: Path, back: float) -> None:
        lines = [self.line(5 + n * 0.2 - (n % 2) * (0.2 + back), "Rx", n, channel=1 + n % 2) for n in range(100)]
        rows, stats = read(tmp_path, lines)
        assert len(rows) == 100
        assert stats.discontinuities == []
        assert [it.time_ns for it in rows] == sorted(it.time_ns for it in rows)

    def test_rows_of_an_earlier_run(self, tmp_path: Path) -> None:
        old = [self.line(812 + n * 0.01, "Rx", n) for n in range(7)]
        new = [self.line(n * 0.01, "Rx", n) for n in range(100)]
        rows, stats = read(tmp_path, [*old, *new])
        assert len(rows) == 100
        assert (stats.frames, stats.discontinuities) == (100, [])
        assert any("the first 7 frames are left over" in note for note in stats.notes)

    def test_a_jump_in_the_middle_is_a_discontinuity(self, tmp_path: Path) -> None:
        lines = [self.line(812 + n * 0.01, "Rx", n) for n in range(50)] + [
            self.line(n * 0.01, "Rx", n) for n in range(50)
        ]
        rows, stats = read(tmp_path, lines)
        assert len(rows) == 100
        assert len(stats.discontinuities) == 1
