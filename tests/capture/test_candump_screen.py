"""The form in which candump shows frames on a screen, pasted into a file."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from support.examples import examples
from support.rows import Row, read_rows

from buslens.capture.frames import Clock, Flag, ReadStats

if TYPE_CHECKING:
    from pathlib import Path

EXT, REMOTE, ERROR, FD, BRS, ESI, TX = (
    int(flag) for flag in (Flag.EXTENDED, Flag.REMOTE, Flag.ERROR, Flag.FD, Flag.BRS, Flag.ESI, Flag.TX)
)
US = 1_000
MS = 1_000_000
S = 1_000_000_000
FD_LENGTHS = (0, 1, 2, 3, 4, 5, 6, 7, 8, 12, 16, 20, 24, 32, 48, 64)
EIGHT = "01 02 03 04 05 06 07 08"
BARE = EIGHT.replace(" ", "")


def read(folder: Path, text: str) -> tuple[list[Row], ReadStats]:
    return read_rows(folder / "pasted.txt", text.encode())


# (line without its stamp, channel, id, flags, dlc, data)
FRAME_ROWS = {
    "classical": (f"  can0  202   [8]  {EIGHT}", ("can0", 0x202, 0, 8, BARE)),
    "short": ("  can0  202   [2]  E8 B7", ("can0", 0x202, 0, 2, "E8B7")),
    "without data": ("  can0  202   [0] ", ("can0", 0x202, 0, 0, "")),
    "extended": ("  vcan10  1F334455   [1]  11", ("vcan10", 0x1F334455, EXT, 1, "11")),
    "extended with a small id": ("  can0  00000202   [1]  11", ("can0", 0x202, EXT, 1, "11")),
    "indented": ("  can0       202   [1]  11", ("can0", 0x202, 0, 1, "11")),
    "FD": (f"  can0  202  [08]  {EIGHT}", ("can0", 0x202, FD, 8, BARE)),
    "FD of 12 bytes": (f"  can0  202  [12]  {EIGHT} 09 0A 0B 0C", ("can0", 0x202, FD, 9, BARE + "090A0B0C")),
    "FD of 64 bytes": (f"  can0  202  [64]  {' '.join([EIGHT] * 8)}", ("can0", 0x202, FD, 15, BARE * 8)),
    "FD without data": ("  can0  202  [00]", ("can0", 0x202, FD, 0, "")),
    "raw DLC 8": (f"  can0  202   {{8}}  {EIGHT}", ("can0", 0x202, 0, 8, BARE)),
    "raw DLC 15": (f"  can0  202   {{F}}  {EIGHT}", ("can0", 0x202, 0, 15, BARE)),
    "received": ("  can0  RX - -  202   [1]  11", ("can0", 0x202, 0, 1, "11")),
    "sent": ("  can0  TX - -  202   [1]  11", ("can0", 0x202, TX, 1, "11")),
    "sent FD": ("  can0  TX B E  202  [01]  11", ("can0", 0x202, TX | FD | BRS | ESI, 1, "11")),
    "received FD": ("  can0  RX B -  00000202  [01]  11", ("can0", 0x202, EXT | FD | BRS, 1, "11")),
    "remote": ("  can0  202   [0]  remote request", ("can0", 0x202, REMOTE, 0, "")),
    "remote with length": ("  can0  1F334455   [8]  remote request", ("can0", 0x1F334455, EXT | REMOTE, 8, "")),
    "remote with raw DLC": ("  can0  202   {C}  remote request", ("can0", 0x202, REMOTE, 12, "")),
    "error frame": (
        "  can0  20000204   [8]  00 08 00 00 00 00 60 00   ERRORFRAME",
        ("can0", 0x204, ERROR, 8, "0008000000006000"),
    ),
    "error frame without its word": (
        "  can0  20000040   [8]  00 00 00 00 00 00 00 00",
        ("can0", 0x40, ERROR, 8, "0000000000000000"),
    ),
    "characters": ("  can0  202   [4]  41 23 27 5B   'A#'['", ("can0", 0x202, 0, 4, "4123275B")),
    "characters that look like data": ("  can0  202   [2]  41 42   '41 42'", ("can0", 0x202, 0, 2, "4142")),
    "tabs": ("\tcan0\t202\t[1]\t11", ("can0", 0x202, 0, 1, "11")),
    "a channel that looks like a direction": ("  RX  202   [1]  11", ("RX", 0x202, 0, 1, "11")),
    "a channel that looks like an id": ("  202  203   [1]  11", ("202", 0x203, 0, 1, "11")),
    "lower case": ("  can0  2ab   [1]  ff", ("can0", 0x2AB, 0, 1, "FF")),
}
OTHER_ROWS = (
    "",
    " \t",
    "# the van, ignition off",
    "// the van, ignition off",
    "DROPCOUNT: dropped 3 CAN frames on 'can0' socket (total drops 3)",
    "\tcontroller-problem{tx-error-warning}",
    "\tno-acknowledgement-on-tx",
    "\terror-counter-tx-rx{{96}{0}}",
)
BROKEN_ROWS = (
    ("  can0  202   [8]  01 02 03", "fewer"),
    ("  can0  202   [8]", "fewer"),
    ("  can0  202   [3]  01 02 '..'", "fewer"),
    ("  can0  202   [2]  01 02 03", "more"),
    ("  can0  202   [2]  01 2", "two"),
    ("  can0  202   [2]  0102", "two"),
    ("  can0  202   [9]  01 02 03 04 05 06 07 08 09", "length"),
    ("  can0  202  [09]  01 02 03 04 05 06 07 08 09", "length"),
    ("  can0  202  [99]  01", "length"),
    ("  can0  202   {G}  01", "length"),
    ("  can0  202  01 02 03", "[8]"),
    ("  can0  2020   [1]  01", "3 or 8"),
    ("  can0  800   [1]  01", "7FF"),
    ("  can0  40000000   [1]  01", "1FFFFFFF"),
    ("  can0  door   [1]  01", "3 or 8"),
    ("  can0", "3 or 8"),
    ("  can0  TX - X 202   [1]  01", "3 or 8"),
    ("  an-interface-name-that-is-far-too-long  202   [1]  01", "31"),
)
GOOD = "  can0  7AA   [1]  FF\n"


class TestFrameRows:
    """Each line of a frame becomes that frame."""

    @pytest.mark.parametrize("end", ["\n", "\r\n"])
    @pytest.mark.parametrize(
        ("stamp", "time_ns"),
        [
            ("", 0),
            (" (1436509052.249713)", 1_436_509_052 * S + 249_713 * US),
            (" (1436509052.249713123)", 1_436_509_052 * S + 249_713_123),
            (" (000.000123)", 123 * US),
            (" (2026-11-25 13:05:01.123456)", 1_795_611_901 * S + 123_456 * US),
        ],
    )
    def test_rows(self, tmp_path: Path, stamp: str, time_ns: int, end: str) -> None:
        (alone,), _ = read(tmp_path, stamp + GOOD)
        assert alone == Row(time_ns, "can0", 0x7AA, 0, 1, b"\xff")
        # Many lines with one stamp tell their order only.
        rows, stats = read(tmp_path, "".join(f"{stamp}{line}{end}" for line, _ in FRAME_ROWS.values()))
        sent = [frame for _, frame in FRAME_ROWS.values()]
        assert [row._replace(time_ns=0) for row in rows] == [
            Row(0, channel, can_id, flags, dlc, bytes.fromhex(data)) for channel, can_id, flags, dlc, data in sent
        ]
        assert (stats.frames, stats.broken, stats.other_lines) == (len(sent), 0, 0)
        assert stats.remote == sum(bool(flags & REMOTE) for _, _, flags, _, _ in sent)
        assert stats.errors == sum(bool(flags & ERROR) for _, _, flags, _, _ in sent)

    def test_error_classes_are_counted(self, tmp_path: Path) -> None:
        _, stats = read(tmp_path, FRAME_ROWS["error frame"][0] + "\n")
        assert stats.error_classes == {0x4: 1, 0x200: 1}


class TestOtherRows:
    """A line that is no frame and need not be is counted and nothing else."""

    @pytest.mark.parametrize("line", OTHER_ROWS)
    def test_counted(self, tmp_path: Path, line: str) -> None:
        rows, stats = read(tmp_path, f"{GOOD}{line}\n{GOOD}")
        assert len(rows) == 2
        assert (stats.other_lines, stats.broken) == (1, 0)


class TestBrokenRows:
    """A line that should be a frame and is none is counted with its number and a reason."""

    @pytest.mark.parametrize(("line", "words"), BROKEN_ROWS)
    def test_reason(self, tmp_path: Path, line: str, words: str) -> None:
        rows, stats = read(tmp_path, f"{GOOD}{line}\n{GOOD}")
        assert [each.can_id for each in rows] == [0x7AA, 0x7AA]
        (skipped,) = stats.skipped
        assert skipped.line == 2
        assert words in skipped.reason

    @pytest.mark.parametrize(
        "stamp",
        [
            "(2026-02-29 13:05:01.123456)",
            "(2026-13-01 13:05:01.123456)",
            "(2026-11-25 24:05:01.123456)",
            "(2026-11-25 13:60:01.123456)",
            "(2026-11-25 13:05:61.123456)",
            "(2026-11-25)",
            "(2026-11-25 13:05:01.123456",
            "(1436509052.249713)",
        ],
    )
    def test_date_that_is_none(self, tmp_path: Path, stamp: str) -> None:
        good = f" (2026-11-25 13:05:00.000000){GOOD}"
        rows, stats = read(tmp_path, f"{good} {stamp}{GOOD}{good}")
        assert len(rows) == 2
        assert stats.broken == 1

    def test_stamp_that_the_lines_before_do_not_have(self, tmp_path: Path) -> None:
        _, stats = read(tmp_path, f"{GOOD}{GOOD} (1.0){GOOD}")
        assert stats.broken == 1

    def test_missing_stamp(self, tmp_path: Path) -> None:
        _, stats = read(tmp_path, f" (1.0){GOOD} (1.1){GOOD}{GOOD}")
        assert stats.broken == 1


class TestStamps:
    """What the stamps count from is told from their form, and gaps are told from running time."""

    def times(self, folder: Path, stamps: list[str]) -> tuple[list[int], ReadStats]:
        rows, stats = read(folder, "".join(f" ({stamp}){GOOD}" for stamp in stamps))
        return [row.time_ns for row in rows], stats

    def test_wall_clock(self, tmp_path: Path) -> None:
        times, stats = self.times(tmp_path, ["1436509052.249713", "1436509052.249813"])
        assert times[1] - times[0] == 100 * US
        assert stats.clock is Clock.WALL

    def test_calendar(self, tmp_path: Path) -> None:
        times, stats = self.times(tmp_path, ["2024-02-28 23:59:59.999999", "2024-02-29 00:00:00.000000"])
        assert times[1] - times[0] == US
        assert stats.clock is Clock.LOCAL

    def test_zero_based(self, tmp_path: Path) -> None:
        stamps = [f"{i // 10:03d}.{i % 10}00000" for i in range(50)]
        times, stats = self.times(tmp_path, stamps)
        assert times == [i * 100 * MS for i in range(50)]
        assert stats.clock is Clock.RELATIVE

    def test_zero_based_of_two_channels_a_little_out_of_order(self, tmp_path: Path) -> None:
        stamps = [f"000.{i * 1000 - (900 if i % 8 == 7 else 0):06d}" for i in range(64)]
        stamps[40], stamps[41] = stamps[41], stamps[40]
        lines = [f" ({stamp}){GOOD.replace('can0', f'can{i % 2}')}" for i, stamp in enumerate(stamps)]
        rows, stats = read(tmp_path, "".join(lines))
        assert rows[-1].time_ns == 62_100 * US
        assert (stats.reordered, stats.discontinuities) == (1, [])

    def test_gaps_are_added_up_and_said(self, tmp_path: Path) -> None:
        gaps = ["000.000000", "000.010000", "000.000120", "000.009880", "000.000110", "000.010200"]
        times, stats = self.times(tmp_path, gaps)
        assert times == [0, 10_000 * US, 10_120 * US, 20_000 * US, 20_110 * US, 30_310 * US]
        assert stats.clock is Clock.RELATIVE
        (note,) = stats.notes
        assert "gap" in note

    @pytest.mark.parametrize("byte", ["x", " ", ""])
    def test_a_gap_that_is_lost_is_a_discontinuity(self, tmp_path: Path, byte: str) -> None:
        gaps = ["000.010100", f"0{byte}0.000120" if byte else "000.000120)  can0  202   [0]  (000.1", "000.009880"]
        path = tmp_path / "gap.log"
        usual = "".join(f" (000.0{100 - n % 2}000)  can0  {101 + n}   [1]  11\n" for n in range(20))
        path.write_text(usual + "".join(f" ({gap})  can0  202   [1]  11\n" for gap in gaps))
        rows, stats = read_rows(path, path.read_bytes())
        assert len(rows) == 22
        assert [(discontinuity.line, discontinuity.is_lost) for discontinuity in stats.discontinuities] == [(23, True)]

    def test_stamps_that_stand_still_tell_the_order_only(self, tmp_path: Path) -> None:
        times, stats = self.times(tmp_path, ["000.010000"] * 10)
        assert times == list(range(10))
        assert stats.clock is Clock.MISSING
        assert "only the order" in stats.notes[0]

    @pytest.mark.parametrize("step_ms", [10, 20, 100])
    def test_running_time_of_low_resolution(self, tmp_path: Path, step_ms: int) -> None:
        """Six in ten are equal to the one before, and none is smaller: that is time, not gaps."""
        stamps = [f"{i * 2 // 5 * step_ms / 1000:010.6f}" for i in range(200)]
        times, stats = self.times(tmp_path, stamps)
        assert times == [i * 2 // 5 * step_ms * MS for i in range(200)]
        assert stats.clock is Clock.RELATIVE
        assert stats.resolution_ns == step_ms * MS
        (note,) = stats.notes
        assert f"differ by at least {step_ms} ms" in note

    def test_few_equal_stamps_are_not_rounded(self, tmp_path: Path) -> None:
        _, stats = self.times(tmp_path, [f"{(i - (i == 50)) * 0.0001:.6f}" for i in range(100)])
        assert (stats.resolution_ns, stats.notes) == (0, [])

    def test_padded_with_blanks(self, tmp_path: Path) -> None:
        times, stats = self.times(tmp_path, [f"{i * 0.001:13.6f}" for i in range(20)])
        assert times == [i * MS for i in range(20)]
        assert stats.broken == 0

    def test_gap_of_a_broken_line_counts(self, tmp_path: Path) -> None:
        lines = [" (000.000000)", " (000.010000)", " (000.000100)", " (000.010000)", " (000.000100)"]
        bodies = [GOOD, GOOD, "  can0  202   [2]  01\n", GOOD, GOOD]
        rows, _ = read(tmp_path, "".join(map(str.__add__, lines, bodies)))
        assert [row.time_ns for row in rows] == [0, 10_000 * US, 20_100 * US, 20_200 * US]

    def test_too_few_lines_to_tell_are_said(self, tmp_path: Path) -> None:
        _, stats = self.times(tmp_path, ["000.000000", "000.010000"])
        (note,) = stats.notes
        assert "gaps" in note

    def test_none_at_all(self, tmp_path: Path) -> None:
        rows, stats = read(tmp_path, GOOD * 3 + "  can0  202   [2]  01\n" + GOOD)
        assert [row.time_ns for row in rows] == [0, 1, 2, 3]
        assert stats.clock is Clock.MISSING

    @given(moment=st.datetimes(min_value=datetime(1905, 1, 1), max_value=datetime(2080, 1, 1)))  # noqa: DTZ001
    @settings(max_examples=examples(40), deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
    def test_any_calendar_date(self, tmp_path: Path, moment: datetime) -> None:
        rows, _ = read(tmp_path, f" ({moment:%Y-%m-%d %H:%M:%S.%f}){GOOD}")
        since = moment.replace(tzinfo=UTC) - datetime(1970, 1, 1, tzinfo=UTC)
        assert [row.time_ns for row in rows] == [since // timedelta(microseconds=1) * US]


@st.composite
def shown(draw: st.DrawFn) -> tuple[str, tuple[str, int, int, int, bytes]]:
    """Draw a frame, and how it is shown (the layout follows the documentation of candump's options)."""
    extended = draw(st.booleans())
    can_id = draw(st.integers(0, 0x1FFFFFFF if extended else 0x7FF))
    channel = draw(st.sampled_from(["can0", "can1", "vcan12"]))
    flags = EXT * extended
    identifier = f"{can_id:08X}" if extended else f"{can_id:03X}"
    kind = draw(st.sampled_from(["classical", "fd", "raw", "remote"]))
    columns = ""
    if draw(st.booleans()):
        sent, brs, esi = draw(st.booleans()), draw(st.booleans()), draw(st.booleans())
        brs, esi = brs and kind == "fd", esi and kind == "fd"
        columns = f"{'TX' if sent else 'RX'} {'B' if brs else '-'} {'E' if esi else '-'}  "
        flags |= TX * sent | BRS * brs | ESI * esi
    if kind == "remote":
        dlc = draw(st.integers(0, 8))
        text = f"  {channel}  {columns}{identifier}   [{dlc}]  remote request"
        return text, (channel, can_id, flags | REMOTE, dlc, b"")
    dlc = draw(st.integers(0, {"classical": 8, "fd": 15, "raw": 15}[kind]))
    size = FD_LENGTHS[dlc] if kind == "fd" else min(dlc, 8)
    data = draw(st.binary(min_size=size, max_size=size))
    length = {"classical": f"  [{dlc}]", "fd": f" [{size:02d}]", "raw": f"  {{{dlc:X}}}"}[kind]
    text = f"  {channel}  {columns}{identifier} {length}  {data.hex(' ').upper()}"
    if draw(st.booleans()):
        text += "   '" + "".join(chr(c) if 32 <= c < 127 else "." for c in data) + "'"
    return text, (channel, can_id, flags | FD * (kind == "fd"), dlc, data)


class TestAnyFrame:
    """Whatever frame is shown in this form is read back."""

    @settings(max_examples=examples(40), deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
    @given(frames=st.lists(shown(), min_size=1, max_size=20))
    def test_comes_back(self, tmp_path: Path, frames: list[tuple[str, tuple[str, int, int, int, bytes]]]) -> None:
        rows, stats = read(tmp_path, "".join(f"{text}\n" for text, _ in frames))
        assert [row[1:] for row in rows] == [expected for _, expected in frames]
        assert (stats.frames, stats.broken, stats.other_lines) == (len(frames), 0, 0)


class TestIdentifiersWithoutZeros:
    """Where the log writes identifiers with as many digits as they need, they are frames of any width."""

    def rows(self, folder: Path, *identifiers: str) -> list[tuple[int, bool]]:
        path = folder / "ids.log"
        path.write_text("".join(f"  can0  {it}  [1]  {n % 256:02X}\n" for n, it in enumerate(identifiers)))
        rows, self.stats = read_rows(path, path.read_bytes())
        return [(row.can_id, bool(row.flags & Flag.EXTENDED)) for row in rows]

    def test_read(self, tmp_path: Path) -> None:
        found = self.rows(tmp_path, "39", "1A0", "7", "39", "7FF", "800", "18FEF100", "FEF1")
        assert found == [
            (0x39, False),
            (0x1A0, False),
            (0x7, False),
            (0x39, False),
            (0x7FF, False),
            (0x800, True),
            (0x18FEF100, True),
            (0xFEF1, True),
        ]
        assert self.stats.broken == 0

    def test_damaged_where_the_log_writes_three_digits(self, tmp_path: Path) -> None:
        found = self.rows(tmp_path, *["039", "1A0", "007"] * 20, "39", "7")
        assert len(found) == 60
        assert self.stats.broken == 2
