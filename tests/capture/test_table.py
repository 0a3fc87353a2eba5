from __future__ import annotations

import random
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from support.examples import examples
from support.tables import Sent, Written, traffic

from buslens.capture import _table_kernel as kernel
from buslens.capture import _table_wide_kernel
from buslens.capture._scan_kernel import FRAMES as FRAMES_READ
from buslens.capture._scan_kernel import PADDING, STOP, UNUSUAL_ROW, character_codes
from buslens.capture.frames import Clock
from buslens.capture.open import open_capture
from buslens.capture.read import read_frames
from buslens.capture.read_options import ReadOptions
from buslens.capture.reduce import reduce_frames
from buslens.capture.registry import FORMATS
from buslens.capture.scan import Scanner
from buslens.capture.table import TABLE, recognise, sniff, table_toml
from buslens.capture.table_layout import UnclearLayoutError
from buslens.capture.table_settings import TableSettings, load_table
from buslens.capture.table_text import text_form_of
from buslens.errors import CaptureError, UsageError

if TYPE_CHECKING:
    from support.logs import Row as LogRow

    from buslens.capture.frames import Frames, ReadStats
    from buslens.capture.log_format import FormatMatch

FRAMES = traffic(1)
QUICK = (Phase.explicit, Phase.reuse, Phase.generate)
SAMPLES = Path(__file__).parents[2] / "sample_logs"
NS_PER_MS = 1_000_000
DAMAGE = b'0179afxX#$,;:.-+ \t\r\n\0"()TRex'
"""Characters that mean something in a table."""


@st.composite
def layouts(draw: st.DrawFn) -> Written:
    """Draw a layout that says enough."""
    separator = draw(st.sampled_from([",", ";", "\t", " ", "  ", ", ", " | ", "|"]))
    is_hard = separator == "\t" or bool(separator.strip())
    times = ["us", "ns", "10us", "ms", "ms.1", "s.6", "s.4", "epoch.6", "epoch ms", "hex ms", "clock", "clock ms",
             "date", "two", "wrap16", "minus"]  # fmt: skip
    times += ["datetime"] * is_hard + ["s,6"] * (separator.strip() != ",")
    data_form = draw(st.sampled_from(["cells", "together", "0x", ":", "-", *([" "] * is_hard)]))
    columns = ["time", "id", "length", "data"]
    if draw(st.booleans()):
        columns.insert(1, draw(st.sampled_from(["bus", "bus number"])))
    for word, at in (("direction", "length"), ("extended", "length"), ("number", "time")):
        if draw(st.booleans()):
            columns.insert(columns.index(at), word)
    if data_form != "cells" and draw(st.booleans()):
        columns.remove("length")
    if draw(st.booleans()):
        columns.append("remark")
    mark = draw(st.sampled_from([b"", b"", b"\xef\xbb\xbf", b"\xff\xfe"]))
    return Written(
        separator=separator,
        columns=columns,
        header=draw(st.booleans()),
        time=draw(st.sampled_from(times)),
        header_unit=draw(st.booleans()),
        id_form=draw(st.sampled_from(["{:X}", "{:03X}", "0x{:X}", "{:08X}", "0x{:08x}", "{:x}"])),
        data_form=data_form,
        filled=is_hard and "length" in columns and draw(st.booleans()),
        digits=draw(st.sampled_from(["{:02X}", "{:02x}", "0x{:02X}", "{:X}"])),
        preamble=draw(st.sampled_from([0, 1, 5, 30])),
        trailing=separator.strip() * draw(st.sampled_from([0, 1, 3])),
        line_end=draw(st.sampled_from(["\n", "\r\n", "\r"])),
        encoding="utf-16-le" if mark == b"\xff\xfe" else "latin-1",
        mark=mark,
        quotes=is_hard,
    )


def assert_read_back(path: Path, written: Written, frames: list[Sent]) -> None:
    """Hold what is read to what was written."""
    table = read_frames(path)
    step = written.resolution_ns
    assert table["can_id"].tolist() == [frame.can_id for frame in frames]
    assert table["is_extended"].tolist() == [frame.is_extended for frame in frames]
    assert table["data"].tolist() == [frame.data for frame in frames]
    first = frames[0].time_ns // step * step
    expected = [(frame.time_ns // step * step - first) / 1e9 for frame in frames]
    assert (table["time"] - table["time"][0]).tolist() == pytest.approx(expected, abs=2e-6)
    if "direction" in written.columns:
        assert table["is_rx"].tolist() == [not frame.is_sent for frame in frames]
    stats = table.attrs["tally"]
    assert (stats.broken, stats.format) == (0, "table")


class TestAnyLayout:
    """A table of any layout that says enough gives the frames that were written into it."""

    @settings(max_examples=examples(25), deadline=None, phases=QUICK, suppress_health_check=list(HealthCheck))
    @given(written=layouts(), seed=st.integers(0, 10_000))
    def test_read_back(self, tmp_path: Path, written: Written, seed: int) -> None:
        frames = traffic(seed, n_ids=10, n=250)
        path = tmp_path / "rows"
        path.write_bytes(written.text(frames))
        assert_read_back(path, written, frames)

    @settings(max_examples=examples(10), deadline=None, phases=QUICK, suppress_health_check=list(HealthCheck))
    @given(written=layouts(), seed=st.integers(0, 10_000))
    def test_written_layout_reads_the_same(self, tmp_path: Path, written: Written, seed: int) -> None:
        """The TOML that says what was understood gives the same frames without the evidence of many rows."""
        frames = traffic(seed, n_ids=10, n=250)
        path = tmp_path / "rows"
        path.write_bytes(written.text(frames))
        understood = open_capture(path).table
        assert understood is not None
        toml = tmp_path / "rows.toml"
        toml.write_text(table_toml(understood))
        assert read_frames(path, table=toml).equals(read_frames(path))


class TestOthersKeepTheirLogs:
    """A log of lines is never taken for a table, nor a table for one of those."""

    def test_samples(self) -> None:
        logs = [*SAMPLES.glob("*.log"), *SAMPLES.glob("*.asc")]
        assert logs
        for path in logs:
            capture = open_capture(path)
            assert capture.table is None, path
            assert capture.name in FORMATS

    @settings(max_examples=examples(25), deadline=None)
    @given(written=layouts())
    def test_tables(self, written: Written) -> None:
        text = written.text(FRAMES)
        assert not any(entry.sniff(text[: 1 << 16]) for entry in FORMATS.values())


class TestRefused:
    """A table that does not say enough is refused, with both readings and what to write."""

    def refusal(self, tmp_path: Path, written: Written, frames: list[Sent]) -> str:
        path = tmp_path / "rows.csv"
        path.write_bytes(written.text(frames))
        with pytest.raises(CaptureError) as refusal:
            open_capture(path)
        assert refusal.value.source is not None
        return refusal.value.problem

    def test_base_of_identifiers(self, tmp_path: Path) -> None:
        frames = [frame._replace(can_id=int(f"{frame.can_id % 700 + 100}", 16), is_extended=False) for frame in FRAMES]
        problem = self.refusal(tmp_path, Written(time="s.6"), frames)
        assert "--id-base hex or --id-base decimal" in problem
        assert "has a letter" in problem

    def test_one_letter_anywhere_tells_the_base(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        frames = [frame._replace(can_id=int(f"{frame.can_id % 700 + 100}", 16), is_extended=False) for frame in FRAMES]
        many = [frame._replace(time_ns=frame.time_ns + k * 4_000_000_000) for k in range(12) for frame in frames]
        monkeypatch.setattr("buslens.capture.table.SAMPLE_BYTES", 1 << 16)
        path = tmp_path / "rows.csv"
        path.write_bytes(Written(time="s.6").text([*many, many[-1]._replace(can_id=0x3AB)]))
        assert path.stat().st_size > 2 << 16
        assert read_frames(path)["can_id"].iloc[-1] == 0x3AB

    def test_decimal_where_hexadecimal_cannot_be(self, tmp_path: Path) -> None:
        frames = [frame._replace(can_id=400_000_000 + frame.can_id % 1000, is_extended=True) for frame in FRAMES]
        path = tmp_path / "rows.csv"
        path.write_bytes(Written(time="s.6", id_form="{:d}").text(frames))
        assert read_frames(path)["can_id"].tolist() == [frame.can_id for frame in frames]

    def test_unit_of_few_identifiers(self, tmp_path: Path) -> None:
        frames = traffic(4, n_ids=3, n=200)
        problem = self.refusal(tmp_path, Written(time="ms"), frames)
        assert "--time-unit" in problem
        path = tmp_path / "rows.csv"
        with_unit = read_frames(path, table=load_table(None, time_unit="ms"))
        assert len(with_unit) == len(frames)
        path.write_bytes(Written(time="ms", header_unit=True).text(frames))
        assert len(read_frames(path)) == len(frames)

    def test_unit_that_the_bus_could_not_carry(self, tmp_path: Path) -> None:
        text = Written(time="ms").text(FRAMES).replace(b"Time", b"Time (us)")
        path = tmp_path / "rows.csv"
        path.write_bytes(text)
        with pytest.raises(CaptureError, match="1 Mbit/s"):
            open_capture(path)

    def test_words(self, tmp_path: Path) -> None:
        rows = [
            f"{frame.time_ns / 1e9:.6f};{frame.can_id:X};8;{frame.data[:4].hex()};{frame.data[4:].hex()}"
            for frame in FRAMES
            if len(frame.data) == 8
        ]
        path = tmp_path / "rows.csv"
        path.write_text("\n".join([*rows, ""]))
        with pytest.raises(CaptureError, match="word_order"):
            open_capture(path)
        toml = tmp_path / "table.toml"
        for order, step in (("low", -1), ("high", 1)):
            toml.write_text(f'[table]\nword_order = "{order} byte first"\n')
            data = read_frames(path, table=toml)["data"][0]
            expected = next(frame.data for frame in FRAMES if len(frame.data) == 8)
            assert data == expected[:4][::step] + expected[4:][::step]

    @pytest.mark.parametrize(
        "text",
        [
            b"time;rpm;speed;temp\n" + b"".join(b"%d;%d;%d;%d\n" % (k, 800 + k, k % 7, 90) for k in range(50)),
            b"hello there\n" * 50,
            b"1\n2\n3\n",
            b"name,street,town\nanna,1 high street,york\nbert,2 low street,hull\n",
            bytes(range(256)) * 40,
        ],
    )
    def test_no_frames(self, text: bytes) -> None:
        assert sniff(text) is None


def rows_as(layout: str) -> str:
    """Return the frames as rows of a layout, with the parts of a frame by name."""
    return "".join(
        layout.format(
            us=frame.time_ns // 1000,
            s=frame.time_ns / 1e9,
            ms=frame.time_ns / 1e6,
            id=frame.can_id,
            n=len(frame.data),
            data=frame.data.hex(" "),
            digits=frame.data.hex(),
            bytes=frame.data,
        )
        + "\n"
        for frame in FRAMES
    )


class TestWordsInRows:
    """Units and brackets at stamps are read; rows that hide where a part stands are refused, with what helps."""

    @pytest.mark.parametrize(
        "layout",
        [
            "[{us}us] {id:X} {n} {data}",
            "{us}us;{id:X};{n};{digits}",
            "{us}\u00b5s,0x{id:X},{n},{digits}",
            "[{s:.6f}] {id:X} [{n}] {data}",
            "<{ms:.3f}ms> {id:X} ({n}) {data}",
            "Timestamp: {s:.6f}  ID: {id:X}  DL: {n}  {data}  Channel: can0",
        ],
    )
    def test_read(self, tmp_path: Path, layout: str) -> None:
        for encoding in ("utf-8", "latin-1"):
            path = tmp_path / "rows.txt"
            path.write_bytes(rows_as(layout).encode(encoding))
            table = read_frames(path)
            assert table["can_id"].tolist() == [frame.can_id for frame in FRAMES]
            assert table["data"].tolist() == [frame.data for frame in FRAMES]
            assert table["time"].tolist() == pytest.approx([frame.time_ns / 1e9 for frame in FRAMES], abs=2e-6)

    @pytest.mark.parametrize(
        ("layout", "helps"),
        [
            ("ID: {id:X} DLC: {n} DATA: {data} T: {s:.6f}", "before the data"),
            ("{us:08X}{id:08X}{n}{digits}", "a comma between the cells"),
        ],
    )
    def test_refused(self, tmp_path: Path, layout: str, helps: str) -> None:
        path = tmp_path / "rows.txt"
        path.write_text(rows_as(layout))
        with pytest.raises(CaptureError, match=helps):
            open_capture(path)


class TestColumnsThatLookAlike:
    def test_bus_is_no_length(self, tmp_path: Path) -> None:
        """A column of ones in front of padded identifiers is no length of a payload that they would be."""
        columns = ["time", "bus number", "id", "direction", "data"]
        written = Written(separator=", ", columns=columns, header=False, time="clock", id_form="{:08X}", data_form=":")
        frames = [frame for frame in traffic(540, n_ids=10, n=250) if len(frame.data) > 2]
        path = tmp_path / "rows"
        path.write_bytes(written.text(frames))
        assert_read_back(path, written, frames)

    def test_remark_behind_bytes(self, tmp_path: Path) -> None:
        """Where few frames have eight bytes, the last columns hold more remarks than bytes."""
        columns = ["time", "id", "extended", "length", "data", "remark"]
        written = Written(separator="\t", columns=columns, header=False, quotes=True)
        frames = traffic(0, n_ids=10, n=250)
        path = tmp_path / "rows"
        path.write_bytes(written.text(frames))
        assert_read_back(path, written, frames)

    def test_seconds_of_the_minute(self, tmp_path: Path) -> None:
        frames = [frame._replace(time_ns=frame.time_ns + 59_500_000_000) for frame in FRAMES]
        rows = [f"{f.time_ns / 1e9 % 60:.6f},{f.can_id:X},{len(f.data)},{f.data.hex()}" for f in frames]
        path = tmp_path / "rows"
        path.write_text("\n".join([*rows, ""]))
        table = read_frames(path)
        expected = [(f.time_ns - frames[0].time_ns) / 1e9 for f in frames]
        assert (table["time"] - table["time"][0]).tolist() == pytest.approx(expected, abs=2e-6)

    @pytest.mark.parametrize("end", ["\n\n", "\r\n\r\n", "\r\r\n"])
    def test_doubled_line_ends(self, tmp_path: Path, end: str) -> None:
        path = tmp_path / "rows"
        path.write_bytes(Written(time="s.6", line_end=end).text(FRAMES))
        assert read_frames(path)["data"].tolist() == [frame.data for frame in FRAMES]

    def test_cells_parted_by_zero_bytes(self, tmp_path: Path) -> None:
        path = tmp_path / "rows"
        path.write_bytes(Written(time="s.6", separator="\0", data_form="together").text(FRAMES))
        assert read_frames(path)["data"].tolist() == [frame.data for frame in FRAMES]

    def test_halves_of_the_day(self, tmp_path: Path) -> None:
        """12:59:59 PM is followed by 01:00:00 PM."""
        rows = []
        for frame in FRAMES:
            ms = 12 * 3_600_000 + 3_599_500 + frame.time_ns // NS_PER_MS
            hours, rest = ms // 3_600_000, ms % 3_600_000
            clock = f"{(hours - 1) % 12 + 1:02d}:{rest // 60_000:02d}:{rest % 60_000 / 1000:06.3f} PM"
            rows.append(f"{clock},{frame.can_id:X},{len(frame.data)},{frame.data.hex()}")
        path = tmp_path / "rows"
        path.write_text("\n".join([*rows, ""]))
        table = read_frames(path)
        expected = [(f.time_ns // NS_PER_MS - FRAMES[0].time_ns // NS_PER_MS) / 1e3 for f in FRAMES]
        assert (table["time"] - table["time"][0]).tolist() == pytest.approx(expected, abs=2e-6)


class TestRows:
    """Every row is in one class, and one that looks like a frame and is none is broken, with its reason."""

    def read(self, tmp_path: Path, text: str | bytes, **options: object) -> tuple[list[int], ReadStats]:
        path = tmp_path / "rows"
        path.write_bytes(text.encode() if isinstance(text, str) else text)
        times: list[int] = []

        def step(into: list[int], frames: Frames) -> None:
            into += frames.time_ns.tolist()

        _, stats = reduce_frames(
            open_capture(path, **options), wanted=None, make=lambda: times, update=step, merge=list.extend
        )  # type: ignore[arg-type]
        return times, stats

    def test_broken(self, tmp_path: Path) -> None:
        lines = Written(time="s.6").text(FRAMES).decode().split("\n")
        n = len(lines) - 1
        row = lines[40].split(",")
        lines[50] = ",".join([*row[:2], "8", "01", "02"])
        lines[60] = ",".join([row[0], "2CG", *row[2:]])
        lines[70] = ",".join([row[0], row[1], "8", "01", "0Q", *row[5:]])
        lines[80] = ",".join(["soon", *row[1:]])
        lines[90] = "error: the bus is off"
        lines[91] = "# a remark"
        lines[100] = ",".join([row[0], "20000000", *row[2:]])
        _, stats = self.read(tmp_path, "\n".join(lines))
        assert [(line.line, line.reason.split(",")[0].split(";")[0]) for line in stats.skipped] == [
            (51, "fewer data bytes than the length says"),
            (61, "the identifier is no number in the table's number base"),
            (71, "a data byte is no number from 0 to 255 in the table's number base"),
            (81, "no time stamp"),
            (101, "an identifier above 1FFFFFFF"),
        ]
        assert stats.other_lines == 3
        assert stats.frames == n - 3 - 5

    @pytest.mark.slow
    def test_rows_of_another_layout_are_broken(self, tmp_path: Path) -> None:
        """Rows that hold data in some other way are counted, those that hold none are remarks."""
        lines = Written(time="s.6").text(FRAMES).decode().split("\n")
        others = [
            "ID: 2CF DLC: 4 DATA: 01 02 03 04",
            "0.5;2CF;4;0A;0B;0A;0C",
            "t=1 id=123 data=0A0B0C0D",
            "7:01:02:03:04",
        ]
        remarks = [
            "bus load 12 %",
            "2026-11-30 07:12:30 door opened",
            lines[0],
            "at 12:13:14.123 off",
            "# 10 20",
            "x" * 90,
        ]
        text = "\n".join([*lines[:60], *others, *remarks, *lines[60:]])
        for plain_bytes in (0, 1 << 40):
            path = tmp_path / "rows"
            path.write_text(text)
            _, stats = reduce_frames(
                open_capture(path), wanted=None, make=list, update=lambda _, __: None, merge=list.extend,
                plain_bytes=plain_bytes,
            )  # fmt: skip
            assert [line.line for line in stats.skipped] == [61, 62, 63, 64]
            assert all("not in the layout" in line.reason for line in stats.skipped)
            assert (stats.other_lines, stats.frames) == (1 + len(remarks), len(FRAMES))

    def test_lonely_stamp(self, tmp_path: Path) -> None:
        lines = Written(time="s.6").text(FRAMES).decode().split("\n")
        lines[50] = "4000.123456," + lines[50].split(",", 1)[1]
        lines[60] = "0.000001," + lines[60].split(",", 1)[1]
        times, stats = self.read(tmp_path, "\n".join(lines))
        assert stats.broken == 2
        assert all("neighbours" in line.reason or "rows before" in line.reason for line in stats.skipped)
        assert not stats.discontinuities
        assert len(times) == len(FRAMES) - 2

    def test_left_over_rows(self, tmp_path: Path) -> None:
        early = [frame._replace(time_ns=frame.time_ns + 900_000_000_000) for frame in FRAMES[:7]]
        times, stats = self.read(tmp_path, Written(time="s.6").text([*early, *FRAMES]))
        assert len(times) == len(FRAMES)
        assert not stats.discontinuities
        assert any("the first 7 rows" in note for note in stats.notes)

    def test_sent_rows_on_another_clock(self, tmp_path: Path) -> None:
        other = [frame._replace(time_ns=frame.time_ns + 5_000_000_000) if frame.is_sent else frame for frame in FRAMES]
        written = Written(time="s.6", columns=["time", "direction", "id", "length", "data"])
        times, stats = self.read(tmp_path, written.text(other))
        assert len(times) == sum(not frame.is_sent for frame in FRAMES)
        assert not stats.discontinuities
        assert any("another clock" in note for note in stats.notes)

    @pytest.mark.parametrize("bits", [16, 32])
    def test_stamps_that_begin_anew(self, tmp_path: Path, bits: int) -> None:
        offset = (1 << bits) - 500
        rows = Written(time="ms").text(FRAMES).decode().split("\n")
        for k in range(1, len(rows) - 1):
            stamp, rest = rows[k].split(",", 1)
            rows[k] = f"{(int(stamp) + offset) % (1 << bits)},{rest}"
        times, stats = self.read(tmp_path, "\n".join(rows))
        assert [t - times[0] for t in times] == [
            (frame.time_ns // NS_PER_MS - FRAMES[0].time_ns // NS_PER_MS) * NS_PER_MS for frame in FRAMES
        ]
        assert any("began anew 1 time" in note for note in stats.notes)

    def test_no_stamps(self, tmp_path: Path) -> None:
        written = Written(columns=["id", "length", "data"])
        times, stats = self.read(tmp_path, written.text(FRAMES))
        assert stats.clock is Clock.MISSING
        assert times == sorted(times)
        assert len(times) == len(FRAMES)

    def test_all_stamps_zero(self, tmp_path: Path) -> None:
        frames = [frame._replace(time_ns=0) for frame in FRAMES]
        _, stats = self.read(tmp_path, Written(time="ms").text(frames))
        assert stats.clock is Clock.MISSING

    def test_remote_and_error_rows(self, tmp_path: Path) -> None:
        written = Written(time="s.6", columns=["time", "id", "D", "length", "data"], header=False)
        lines = written.text(FRAMES).decode().split("\n")
        lines[5] = f"{lines[5].split(',')[0]},2CF,R,4,,,,,,,,"
        lines[6] = f"{lines[6].split(',')[0]},0,E,0,,,,,,,,"
        _, stats = self.read(tmp_path, "\n".join(lines))
        assert (stats.remote, stats.errors, stats.broken) == (1, 1, 0)

    @pytest.mark.parametrize("word", ["ErrorFrame", "Error Frame", "ERRORFRAME", "error"])
    @pytest.mark.parametrize("separator", [";", "  "])
    def test_words_for_errors(self, tmp_path: Path, word: str, separator: str) -> None:
        """A row with a time and such a word in place of the identifier is an error frame; other words are none."""
        rows = []
        for k, frame in enumerate(FRAMES):
            stamp = f"{frame.time_ns / 1e9:.6f}"
            rows.append(separator.join([stamp, "1", f"{frame.can_id:X}", str(len(frame.data)), frame.data.hex(" ")]))
            rows += [separator.join([stamp, "1", word])] * (k % 10 == 5)
            rows += [f"{stamp}{separator}1{separator}terror count 5"] * (k % 100 == 8)
        _, stats = self.read(tmp_path, "\n".join([*rows, ""]))
        assert (stats.frames, stats.errors, stats.broken) == (len(FRAMES) + len(FRAMES) // 10, len(FRAMES) // 10, 0)
        assert stats.other_lines == len(FRAMES) // 100

    @pytest.mark.parametrize("word", ["remote", "RTR"])
    def test_words_for_requests(self, tmp_path: Path, word: str) -> None:
        asked = FRAMES[::20]
        path = tmp_path / "rows"
        path.write_text(
            "".join(
                f"{f.time_ns / 1e9:.6f}  {f.can_id:X}  "
                + (word if f in asked else f"{len(f.data)}  {f.data.hex(' ')}")
                + "\n"
                for f in FRAMES
            )
        )
        assert read_frames(path)["is_remote"].tolist() == [f in asked for f in FRAMES]

    @pytest.mark.parametrize(
        "arrows", [("<-", "->"), ("<==", "==>"), ("<", ">"), ("\u2190", "\u2192"), ("\u2193", "\u2191")]
    )
    @pytest.mark.parametrize("separator", [" ", ",", " | "])
    def test_arrows(self, tmp_path: Path, arrows: tuple[str, str], separator: str) -> None:
        """Arrows of both directions say what was sent; of one direction they say nothing."""
        path = tmp_path / "rows"
        for signs in (arrows, arrows[1:] * 2):
            rows = [
                separator.join(
                    [f"{f.time_ns / 1e9:.6f}", signs[f.is_sent], f"{f.can_id:X}", str(len(f.data)), f.data.hex(" ")]
                )
                for f in FRAMES
            ]
            path.write_text("\n".join([*rows, ""]), encoding="utf-8")
            table = read_frames(path)
            assert table["can_id"].tolist() == [f.can_id for f in FRAMES]
            is_told = len(set(signs)) > 1
            assert table["is_rx"].tolist() == [not (is_told and f.is_sent) for f in FRAMES]
            assert any("arrows" in note for note in table.attrs["tally"].notes) == is_told

    def test_words_for_widths(self, tmp_path: Path) -> None:
        """A column that says 11 or 29 bits is believed where identifiers of 29 bits are small."""
        path = tmp_path / "rows"
        frames = [f._replace(can_id=0x123) if f.is_extended and f.can_id % 2 else f for f in FRAMES]
        path.write_text(
            "".join(
                f"{f.time_ns / 1e9:.6f};{'29bit' if f.is_extended else '11bit'};{f.can_id:X};{f.data.hex()}\n"
                for f in frames
            )
        )
        assert read_frames(path)["is_extended"].tolist() == [f.is_extended for f in frames]

    def test_thousands_behind_the_first_second(self, tmp_path: Path) -> None:
        frames = traffic(2, n=2500)
        path = tmp_path / "rows"
        rows = [f"{f.time_ns / 1e6:,.3f};{f.can_id:X};{f.data.hex(' ')}\n" for f in frames]
        path.write_text("Time (ms);ID;Data\n" + "".join(rows))
        table = read_frames(path)
        assert (table["time"] - table["time"][0]).tolist() == pytest.approx(
            [(f.time_ns - frames[0].time_ns) / 1e9 for f in frames], abs=2e-6
        )

    def test_two_runs(self, tmp_path: Path) -> None:
        """No frame of a second run is lost where its times come near the last one of the first."""
        head, rows = Written(time="s.6").text(FRAMES).split(b"\n", 1)
        path = tmp_path / "rows"
        path.write_bytes(b"\n".join([head, rows + head, rows + rows]))
        assert read_frames(path)["data"].tolist() == [f.data for f in FRAMES] * 3

    def test_long_frames(self, tmp_path: Path) -> None:
        rows = []
        for k, frame in enumerate(FRAMES):
            data = frame.data if k % 3 else (frame.data * 8)[:12]
            rows.append(f"{frame.time_ns / 1e9:.6f} {frame.can_id:X} {len(data)} {data.hex(' ')}")
        path = tmp_path / "rows"
        path.write_text("\n".join([*rows, ""]))
        table = read_frames(path)
        assert table["is_fd"].sum() == len(range(0, len(FRAMES), 3))
        assert table["data"].map(len).max() == 12


@pytest.mark.slow
class TestKernel:
    """The compiled kernel does what the plain one does, whatever the windows are."""

    @settings(max_examples=examples(12), deadline=None, phases=QUICK, suppress_health_check=list(HealthCheck))
    @given(written=layouts(), data=st.data())
    def test_engines(self, written: Written, data: st.DataObject) -> None:
        from fuzz.readings import assert_sound

        dice = random.Random(data.draw(st.integers(0, 1 << 30)))
        recorded = written.text(FRAMES[:120])
        text = bytearray(text_form_of(recorded).applied(recorded.removeprefix(b"\xef\xbb\xbf")))
        found = recognise(bytes(text))
        assert found is not None
        whole = [
            scanned(bytes(text), found.match, engine, size)
            for engine in ("kernel", "compiled")
            for size in (1 << 16, 700)
        ]
        assert all(one == whole[0] for one in whole)
        for _ in range(dice.choice([1, 5, 40])):
            text[dice.randrange(len(text))] = dice.choice([dice.randrange(256), *DAMAGE])
        damaged = [scanned(bytes(text), found.match, engine, 1 << 16) for engine in ("kernel", "compiled")]
        assert damaged[1] == damaged[0]
        assert_sound(*damaged[0], may_be_silent=True)

    @pytest.mark.parametrize("trailing", ["", ",,,"])
    def test_usual_rows_are_read_as_they_stand(self, trailing: str) -> None:
        written = Written(columns=["time", "id", "extended", "direction", "length", "data"], trailing=trailing)
        for frames in (FRAMES, traffic(3, long_ids=False)):
            assert text_form_of(written.text(frames)).is_plain

    @pytest.mark.parametrize(
        "written",
        [
            Written(),
            Written(separator=";", time="epoch.6", id_form="0x{:X}", data_form=" "),
            Written(
                separator="\t", columns=["number", "time", "bus", "id", "direction", "length", "data"], time="clock"
            ),
            Written(separator="  ", columns=["time", "bus", "id", "length", "data"], data_form="together"),
        ],
        ids=lambda written: written.separator,
    )
    def test_usual_rows_are_read_at_once(self, written: Written) -> None:
        """Nearly no row of an undamaged table is left to the kernel that looks at everything."""
        left: list[int] = []
        text = written.text(FRAMES)
        found = recognise(text)
        assert found is not None
        scanner = Scanner(ReadOptions(format=TABLE, match=found.match, wanted=None))
        padded = text + bytes(PADDING)
        words = [int.from_bytes(padded[k : k + 8], "little", signed=True) for k in range(len(text) + PADDING - 8)]
        others = (scanner._s, character_codes(), scanner._ids.tolist(), scanner._labels, *scanner._columns.plain())
        p = _table_wide_kernel.scan_wide(padded, words, 0, len(text), *others)
        while scanner._s[STOP] == UNUSUAL_ROW:
            left.append(p)
            p = kernel.scan(padded, p, len(text), *others)
            p = _table_wide_kernel.scan_wide(padded, words, p, len(text), *others)
        assert scanner._s[FRAMES_READ] == len(FRAMES)
        assert len(left) < 20

    def test_pieces(self, tmp_path: Path) -> None:
        """A table that is read in pieces gives the same as in one."""
        many = [frame._replace(time_ns=frame.time_ns + k * 4_000_000_000) for k in range(20) for frame in FRAMES]
        path = tmp_path / "rows"
        path.write_bytes(Written(time="s.6").text(many))

        def read(**options: int) -> tuple[list[int], ReadStats]:
            def step(into: list[int], frames: Frames) -> None:
                into += frames.time_ns.tolist()

            return reduce_frames(open_capture(path), wanted=None, make=list, update=step, merge=list.extend, **options)  # type: ignore[arg-type]

        assert read(workers=3, piece_bytes=10_000) == read(workers=1)


def scanned(text: bytes, match: FormatMatch, engine: str, window_bytes: int) -> tuple[list[LogRow], ReadStats]:
    """Read a text by one engine, in windows of one size."""
    from io import BytesIO

    from support.logs import rows_of

    from buslens.capture.stream import FileStream

    most = 0 if engine.startswith("compiled") else 1 << 60
    scanner = Scanner(ReadOptions(format=TABLE, match=match, wanted=None, plain_bytes=most, window_bytes=window_bytes))
    rows = [row for frames in scanner.read(FileStream(BytesIO(text))) for row in rows_of(frames)]
    rows += [row for frames in scanner.flush() for row in rows_of(frames)]
    return rows, scanner.stats()


class TestTold:
    """What the user says counts, and what is wrong with it is told."""

    @pytest.mark.parametrize(
        ("text", "words"),
        [
            ("", r"no section \[table\]"),
            ("[table", "no TOML"),
            ("[table]\ntimeunit = 'ms'", "no key 'timeunit'; did you mean 'time_unit'"),
            ("[table]\ntime_unit = 'fortnight'", "time_unit is one of ns"),
            ("[table]\nid_base = 8", "id_base is one of hex, decimal"),
            ("[table]\nid = 0", "number of a column, counted from 1"),
            ("[table]\nid = [1, 2]", "number of a column, counted from 1"),
            ("[table]\nseparator = 'ab'", "separator is one character"),
        ],
    )
    def test_wrong(self, tmp_path: Path, text: str, words: str) -> None:
        path = tmp_path / "table.toml"
        path.write_text(text)
        with pytest.raises(UsageError, match=words):
            load_table(path)

    def test_columns_by_name(self, tmp_path: Path) -> None:
        path, toml = tmp_path / "rows.csv", tmp_path / "table.toml"
        path.write_bytes(Written(time="s.6", columns=["number", "time", "id", "length", "data"]).text(FRAMES))
        toml.write_text('[table]\nid = "ID"\ntime = "Time"\ndata = ["D0", "D7"]\n')
        assert len(read_frames(path, table=toml)) == len(FRAMES)
        toml.write_text('[table]\nid = "PGN"\n')
        with pytest.raises(CaptureError, match="no column 'PGN'"):
            read_frames(path, table=toml)
        toml.write_text("[table]\nid = 77\n")
        with pytest.raises(CaptureError, match="no column 77"):
            read_frames(path, table=toml)

    def test_no_time(self, tmp_path: Path) -> None:
        path, toml = tmp_path / "rows.csv", tmp_path / "table.toml"
        path.write_bytes(Written(time="s.6").text(FRAMES))
        toml.write_text('[table]\ntime = "none"\n')
        assert open_capture(path, table=toml).clock is Clock.MISSING

    def test_settings_travel(self) -> None:
        import pickle

        settings = TableSettings(columns=(("id", (1,)),), time_unit="ms")
        assert pickle.loads(pickle.dumps(settings)) == settings  # noqa: S301  (our own)


def test_roles_fit_their_slots() -> None:
    assert kernel.LAST == kernel.ROLES + kernel.MOST_COLUMNS // 16


def test_unclear_is_no_error_of_the_program() -> None:
    with pytest.raises(UnclearLayoutError):
        recognise(Written(time="ms").text(traffic(4, n_ids=3, n=100)))


@pytest.mark.parametrize("data", ["00 00 00 00 00 00 00 00", "10 00 00 00 00 00 00 00"])
def test_data_of_zeros_is_no_frame_as_memory_holds_it(data: str, tmp_path: Path) -> None:
    """Four bytes of an identifier, a length of 0 and nothing else look like it, too."""
    path = tmp_path / "zeros.csv"
    path.write_text("Time;ID;DLC;Data\n" + "".join(f"{at / 100:.4f};0x5A2;8;{data}\n" for at in range(40)))
    assert read_frames(path)["data"].tolist() == [bytes.fromhex(data)] * 40
