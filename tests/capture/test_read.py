from __future__ import annotations

import math
import warnings
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.examples import examples
from support.log_lines import any_lines
from support.logs import read_slowly

from buslens import read_frames
from buslens.capture.frames import Flag
from buslens.errors import CaptureError

if TYPE_CHECKING:
    from collections.abc import Iterator

COLUMNS = ["time", "time_ns"]
COLUMNS += ["channel", "can_id", "is_extended", "is_fd", "is_remote", "is_error", "is_rx", "dlc", "data"]


@pytest.fixture(scope="module")
def folder() -> Iterator[Path]:
    with TemporaryDirectory() as name:
        yield Path(name)


def sane_lines(*, fd: bool, direction: bool) -> st.SearchStrategy[list[str]]:
    """Lines that the libraries' readers get right: no raw DLC, no error frame, one blank between the words."""
    data = st.sampled_from((*range(9), 12, 64) if fd else tuple(range(9)))
    payload = data.flatmap(lambda n: st.binary(min_size=n, max_size=n)).map(
        lambda data: ("##1" if len(data) > 8 else "#") + data.hex().upper()
    )
    can_id = st.one_of(
        st.integers(0, 0x7FF).map(lambda can_id: f"{can_id:03X}"),
        st.integers(0, 0x1FFFFFFF).map(lambda can_id: f"{can_id:08X}"),
    )
    words = st.tuples(
        st.integers(10**15, 2 * 10**15).map(lambda us: f"({us // 10**6}.{us % 10**6:06d})"),
        st.sampled_from(("can0", "can1", "vcan12")),
        st.tuples(can_id, st.one_of(payload, st.sampled_from(("#R", "#R8", "#R3")))).map("".join),
        st.sampled_from(("", " R", " T") if direction else ("",)),
    )
    line = words.map(lambda words: f"{words[0]} {words[1]} {words[2]}{words[3]}\n")
    return st.lists(line, min_size=1, max_size=20)


class TestContract:
    """The table holds every frame in file order, as recorded, in the promised columns."""

    def test_columns(self, folder: Path) -> None:
        path = folder / "table.log"
        path.write_text("(2.5) can0 202#E8B7 T\n(1.25) can1 00000202##1AA\n(3.0) can0 20000040#\n(0) c 101#R4\n")
        table = read_frames(path)
        assert list(table.columns) == COLUMNS
        assert (table["time"].dtype, table["time_ns"].dtype) == (np.float64, np.int64)
        assert table["time"].tolist() == [2.5, 1.25, 3.0, 0.0]
        assert table["channel"].tolist() == ["can0", "can1", "can0", "c"]
        assert table["can_id"].tolist() == [0x202, 0x202, 0x40, 0x101]
        assert table["is_extended"].tolist() == [False, True, False, False]
        assert table["is_fd"].tolist() == [False, True, False, False]
        assert table["is_remote"].tolist() == [False, False, False, True]
        assert table["is_error"].tolist() == [False, False, True, False]
        assert table["is_rx"].tolist() == [False, True, True, True]
        assert table["dlc"].tolist() == [2, 1, 0, 4]
        assert table["data"].tolist() == [b"\xe8\xb7", b"\xaa", b"", b""]
        assert all(table[name].dtype == bool for name in COLUMNS if name.startswith("is_"))
        assert pd.api.types.is_integer_dtype(table["can_id"])

    def test_account(self, folder: Path) -> None:
        path = folder / "account.log"
        path.write_text("(1.0) can0 202#E8B7\nbad\n")
        stats = read_frames(str(path)).attrs["tally"]
        assert (stats.frames, stats.broken, stats.skipped[0].line) == (1, 1, 2)

    def test_nothing_readable(self, folder: Path) -> None:
        path = folder / "nothing.log"
        path.write_text("(1.0) can0 202#E8B\n")
        with pytest.raises(CaptureError, match="two digits"):
            read_frames(path)

    @settings(max_examples=examples(25), deadline=None)
    @given(log=any_lines())
    def test_as_recorded(self, folder: Path, log: bytes) -> None:
        path = folder / "recorded.log"
        path.write_bytes(log)
        table = read_frames(path)
        expected = read_slowly(log).recorded
        assert table["can_id"].tolist() == [row.can_id for row in expected]
        assert table["channel"].tolist() == [row.channel for row in expected]
        assert table["data"].tolist() == [row.data for row in expected]
        assert table["dlc"].tolist() == [row.dlc for row in expected]
        assert table["is_rx"].tolist() == [Flag.TX not in row.flags for row in expected]
        for time, row in zip(table["time"].tolist(), expected, strict=True):
            assert abs(time - row.time_ns / 1e9) <= math.ulp(time)
        assert table["time_ns"].tolist() == [row.time_ns for row in expected]

    def test_more_frames_than_one_run(self, folder: Path) -> None:
        path = folder / "many.log"
        n = 70_000
        path.write_bytes(
            b"".join(b"(%d.%06d) can0 101#%04X\n" % (*divmod(100 * i, 10**6), i % 65536) for i in range(n))
        )
        table = read_frames(path)
        assert table["data"].tolist() == [(i % 65536).to_bytes(2, "big") for i in range(n)]


class TestAgainstPythonCan:
    """python-can's reader sees the same frames."""

    @settings(max_examples=examples(25), deadline=None)
    @given(lines=sane_lines(fd=True, direction=True))
    def test_same(self, folder: Path, lines: list[str]) -> None:
        from can.io import CanutilsLogReader

        path = folder / "python-can.log"
        path.write_text("".join(lines))
        table = read_frames(path)
        with CanutilsLogReader(path) as reader:
            messages = list(reader)
        assert len(messages) == len(table)
        for row, message in zip(table.itertuples(), messages, strict=True):
            assert abs(row.time - message.timestamp) <= math.ulp(row.time)
            assert row.channel == message.channel
            assert row.can_id == message.arbitration_id
            assert row.is_extended == message.is_extended_id
            assert row.is_fd == message.is_fd
            assert row.is_remote == message.is_remote_frame
            assert row.is_rx == message.is_rx
            assert row.data == bytes(message.data)
            if not message.is_fd:  # python-can's dlc of a CAN FD frame is its number of bytes
                assert row.dlc == message.dlc


class TestAgainstScapy:
    """scapy's reader, written independently, sees the same frames."""

    @settings(max_examples=examples(25), deadline=None)
    @given(lines=sane_lines(fd=False, direction=False))
    def test_same(self, folder: Path, lines: list[str]) -> None:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of scapy's own imports
            can = pytest.importorskip("scapy.layers.can")
            path = folder / "scapy.log"
            path.write_text("".join(lines))
            reader = can.CandumpReader(str(path))
            packets = reader.read_all()
            reader.close()
        table = read_frames(path)
        assert len(packets) == len(table)
        for row, packet in zip(table.itertuples(), packets, strict=True):
            assert abs(row.time - float(packet.time)) <= math.ulp(row.time)
            assert row.can_id == packet.identifier
            assert row.is_extended == ("extended" in str(packet.flags))
            assert row.data == bytes(packet.data)
            assert row.dlc == packet.length
