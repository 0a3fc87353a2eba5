"""Recordings in other formats, written by python-can and read through its readers."""

from __future__ import annotations

import errno
import gc
import gzip
import os
import random
import re
from pathlib import Path
from typing import TYPE_CHECKING

import can
import numpy as np
import pytest
from can.io.player import MESSAGE_READERS
from support.rows import Row, append_rows

from buslens.capture.frames import Clock, Flag
from buslens.capture.open import open_capture
from buslens.capture.python_can_reader import PythonCanRecording, python_can_suffix, python_can_suffixes
from buslens.capture.read import read_frames
from buslens.capture.reduce import reduce_frames
from buslens.errors import CaptureError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

SAMPLES = Path(__file__).parents[2] / "sample_logs"
START = 1_700_000_000


def message(stamp: float, can_id: int, data: bytes = b"", **more: object) -> can.Message:
    return can.Message(timestamp=stamp, arbitration_id=can_id, data=data, channel=1, check=True, **more)  # type: ignore[arg-type]


TRAFFIC = (
    message(START, 0x202, b"\x01\x02", is_extended_id=False),
    message(START + 0.25, 0x18EBFF00, bytes(range(8))),
    message(START + 0.5, 0x7FF, is_extended_id=False, is_remote_frame=True, dlc=5),
    message(START + 0.75, 0x1, bytes(range(12)), is_extended_id=False, is_fd=True, bitrate_switch=True),
    message(START + 1.0, 0x2, bytes(64), is_fd=True, error_state_indicator=True, is_rx=False),
)
CLASSICAL = TRAFFIC[:2]


def write(path: Path, messages: tuple[can.Message, ...]) -> Path:
    with can.Logger(path) as logger:
        for each in messages:
            logger.on_message_received(each)
    return path


def read(path: Path, **options: int) -> tuple[list[tuple[int, str, int, int, int, bytes]], PythonCanRecording]:
    recording = PythonCanRecording(path, **options)
    rows = []
    for frames in recording:
        payload = frames.words.astype("<u8").tobytes()
        for i in range(len(frames)):
            first = 8 * int(frames.word[i])
            rows.append(
                (
                    int(frames.time_ns[i]),
                    frames.channels[int(frames.channel[i])],
                    int(frames.can_id[i]),
                    int(frames.flags[i]),
                    int(frames.dlc[i]),
                    payload[first : first + int(frames.length[i])],
                )
            )
    return rows, recording


class TestColumns:
    """What python-can wrote comes back in our columns, with raw data length codes and recorded channel labels."""

    def test_binary_log_with_every_kind_of_frame(self, tmp_path: Path) -> None:
        rows, recording = read(write(tmp_path / "a.blf", TRAFFIC))
        second, quarter = 10**9, 250_000_000
        start = START * second
        assert rows == [
            (start, "2", 0x202, 0, 2, b"\x01\x02"),
            (start + quarter, "2", 0x18EBFF00, Flag.EXTENDED, 8, bytes(range(8))),
            (start + 2 * quarter, "2", 0x7FF, Flag.REMOTE, 5, b""),
            (start + 3 * quarter, "2", 0x1, Flag.FD | Flag.BRS, 9, bytes(range(12))),
            (start + second, "2", 0x2, Flag.EXTENDED | Flag.FD | Flag.ESI | Flag.TX, 15, bytes(64)),
        ]
        assert recording.clock is Clock.LOCAL
        assert recording.damage == ""

    @pytest.mark.parametrize("suffix", [".db", ".csv", ".trc"])
    def test_other_suffixes(self, tmp_path: Path, suffix: str) -> None:
        rows, _ = read(write(tmp_path / f"a{suffix}", CLASSICAL))
        assert [row[2:] for row in rows] == [
            (0x202, 0, 2, b"\x01\x02"),
            (0x18EBFF00, Flag.EXTENDED, 8, bytes(range(8))),
        ]
        assert rows[1][0] - rows[0][0] == 250_000_000

    def test_suffix_in_capitals_and_compressed(self, tmp_path: Path) -> None:
        plain = write(tmp_path / "a.csv", CLASSICAL)
        packed = tmp_path / "b.CSV.gz"
        packed.write_bytes(gzip.compress(plain.read_bytes()))
        assert python_can_suffix(packed) == ".csv"
        assert [row[2:] for row in read(packed)[0]] == [row[2:] for row in read(plain)[0]]

    def test_error_frame(self, tmp_path: Path) -> None:
        error = message(START, 0, is_error_frame=True)
        rows, _ = read(write(tmp_path / "a.blf", (error,)))
        assert rows == [(START * 10**9, "2", 0x80, Flag.ERROR, 0, b"")]

    def test_any_batch_gives_the_same_frames(self, tmp_path: Path) -> None:
        dice = random.Random(1)
        traffic = tuple(
            message(START + i / 1000, dice.randrange(1 << 29), dice.randbytes(dice.randrange(9))) for i in range(100)
        )
        path = write(tmp_path / "a.blf", traffic)
        expected = [(each.arbitration_id, bytes(each.data)) for each in traffic]
        for batch in (1, 7, 100, 1000):
            assert [(row[2], row[5]) for row in read(path, batch=batch)[0]] == expected

    def test_words_are_zero_padded(self, tmp_path: Path) -> None:
        (frames,) = PythonCanRecording(write(tmp_path / "a.blf", CLASSICAL))
        assert frames.words.dtype == np.uint64
        assert frames.words.tolist() == [0x0201, int.from_bytes(bytes(range(8)), "little")]


class TestThroughTheFrontDoor:
    """A recording in another format is read like any other."""

    def test_table(self, tmp_path: Path) -> None:
        table = read_frames(write(tmp_path / "a.blf", TRAFFIC))
        assert table["data"].tolist() == [bytes(each.data) for each in TRAFFIC]
        assert table["can_id"].tolist() == [each.arbitration_id for each in TRAFFIC]
        assert table["is_extended"].tolist() == [each.is_extended_id for each in TRAFFIC]
        assert table["is_fd"].tolist() == [each.is_fd for each in TRAFFIC]
        assert table["is_remote"].tolist() == [each.is_remote_frame for each in TRAFFIC]
        assert table["is_rx"].tolist() == [each.is_rx for each in TRAFFIC]
        assert table["time"].tolist() == [each.timestamp for each in TRAFFIC]

    def test_only_what_is_wanted(self, tmp_path: Path) -> None:
        rows: list[Row] = []
        path = write(tmp_path / "a.blf", TRAFFIC)
        _, stats = reduce_frames(
            open_capture(path), wanted=[(0x202, False)], make=lambda: rows, update=append_rows, merge=list.extend
        )
        assert [row.can_id for row in rows] == [0x202]
        assert (stats.frames, stats.remote, stats.format, stats.clock) == (len(TRAFFIC), 1, "blf", Clock.LOCAL)


class TestRefusals:
    """A recording that cannot be read is refused with the file, what was wrong and what would be right."""

    def test_unknown_suffix(self, tmp_path: Path) -> None:
        path = tmp_path / "a.xyz"
        path.write_bytes(b"hello")
        with pytest.raises(CaptureError, match=r"a\.xyz: .*'\.xyz'; known: .*\.blf"):
            list(PythonCanRecording(path))

    # python-can leaves the file open when one of its readers refuses it.
    @pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning", "ignore::ResourceWarning")
    @pytest.mark.parametrize("suffix", [".blf", ".db", ".csv", ".trc"])
    def test_file_that_is_not_what_its_suffix_says(self, tmp_path: Path, suffix: str) -> None:
        path = tmp_path / f"a{suffix}"
        path.write_bytes(b"Dear club,\nthe van will not start.\n" * 10)
        with pytest.raises(CaptureError, match=f"not what its suffix '{suffix}' says|not a single frame") as refusal:
            list(PythonCanRecording(path))
        assert refusal.value.source is not None
        assert refusal.value.source.path == str(path)
        del refusal
        gc.collect()

    def test_rows_that_the_reader_leaves_out_are_said(self, tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
        path = write(tmp_path / "a.trc", CLASSICAL)
        path.write_text(path.read_text() + "garbled row\n" * 10)
        rows, recording = read(path)
        assert len(rows) == 2
        assert recording.remark_count == 10
        assert "garbled row" in recording.remarks[0]
        assert capfd.readouterr().err == ""

    def test_missing_file_is_not_made(self, tmp_path: Path) -> None:
        path = tmp_path / "a.db"
        with pytest.raises(FileNotFoundError) as refusal:
            list(PythonCanRecording(path))
        assert refusal.value.filename == str(path)
        assert not path.exists()

    @pytest.mark.parametrize("number", [errno.EIO, errno.ENOSPC, errno.EACCES])
    @pytest.mark.parametrize("after", [0, 1])
    def test_refusal_of_the_system_is_no_damage(
        self, number: int, after: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """However much was read before: what the device did not give may hold anything."""

        class Failing(can.CSVReader):
            def __iter__(self) -> Iterator[can.Message]:
                yield from CLASSICAL[:after]
                raise OSError(number, os.strerror(number))

        path = write(tmp_path / "a.csv", CLASSICAL)
        monkeypatch.setitem(MESSAGE_READERS, ".csv", Failing)
        with pytest.raises(OSError, match=re.escape(os.strerror(number))) as refusal:
            list(PythonCanRecording(path))
        assert not isinstance(refusal.value, CaptureError)
        assert refusal.value.filename == str(path)

    @pytest.mark.parametrize("error", [gzip.BadGzipFile("Not a gzipped file"), OSError(errno.EINVAL, "Invalid")])
    def test_error_of_a_reader_is_damage(self, error: OSError, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        class Failing(can.CSVReader):
            def __iter__(self) -> Iterator[can.Message]:
                yield CLASSICAL[0]
                raise error

        path = write(tmp_path / "a.csv", CLASSICAL)
        monkeypatch.setitem(MESSAGE_READERS, ".csv", Failing)
        rows, recording = read(path)
        assert len(rows) == 1
        assert "gave up here" in recording.damage

    def test_missing_extra_says_how_to_get_it(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr("can.io.mf4.asammdf", None)
        path = tmp_path / "a.mf4"
        path.write_bytes(b"MDF     4.10")
        with pytest.raises(CaptureError, match=r'pip install "python-can\[mf4\]"'):
            list(PythonCanRecording(path))

    def test_recording_cut_short_keeps_what_was_read(self, tmp_path: Path) -> None:
        path = write(tmp_path / "a.csv", CLASSICAL)
        path.write_bytes(path.read_bytes() + b"1700000002.0,0x3")
        rows, recording = read(path)
        assert len(rows) == 2
        assert ".csv" in recording.damage

    def test_our_own_suffixes_are_known_to_python_can_too(self) -> None:
        assert {".asc", ".log", ".blf"} <= set(python_can_suffixes())


@pytest.mark.parametrize("text_of", [bytes.hex, lambda data: data.hex().upper(), lambda data: data.hex(" ")])
def test_its_columns_with_other_payloads(text_of: Callable[[bytes], str], tmp_path: Path) -> None:
    """Others write the columns of its CSV with hexadecimal digits: then the rows are a table like any other."""
    rows = [line.split() for line in (SAMPLES / "car01_healthy.log").read_text("ascii").splitlines()[:900]]
    lines = ["timestamp,arbitration_id,extended,remote,error,dlc,data"]
    for stamp, _, frame in rows:
        can_id, data = frame.split("#")
        is_extended = int(len(can_id) > 3)
        payload = bytes.fromhex(data)
        lines.append(f"{stamp[1:-1]},{int(can_id, 16):#x},{is_extended},0,0,{len(payload)},{text_of(payload)}")
    path = tmp_path / "rows.csv"
    path.write_text("\n".join(lines) + "\n", "ascii")
    found = read_frames(path)
    assert found["data"].tolist() == [bytes.fromhex(frame.split("#")[1]) for *_, frame in rows]
    assert found["can_id"].tolist() == [int(frame.split("#")[0], 16) for *_, frame in rows]
