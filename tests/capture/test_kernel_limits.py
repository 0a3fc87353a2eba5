"""What kernels do at the limits of their buffers and numbers."""

from __future__ import annotations

import base64
from typing import TYPE_CHECKING

import pytest
from support.logs import ENGINES, gather

from buslens.capture.fold import fold
from buslens.capture.open import open_capture
from buslens.capture.read import read_frames

if TYPE_CHECKING:
    from pathlib import Path

    from buslens.capture.frames import Frames


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
        rows, tally = gather(log, engine=engine)
        assert [(row.channel, row.data) for row in rows] == [("7", b"\1"), ("7", b"\2"), ("0", b"\3"), ("12", b"\4")]
        assert tally.channels == ("7", "0", "12")
        assert tally.broken == 0

    @pytest.mark.parametrize("length", [1, 7, 8, 31, 32, 300])
    def test_channel_name(self, tmp_path: Path, engine: str, length: int) -> None:
        name = b"n" * length
        log = tmp_path / "a.log"
        log.write_bytes(b"(1.0) can0 123#11\n" + b"(1.0) " + name + b" 123#22\n(1.0) can0 123#33\n")
        rows, tally = gather(log, engine=engine)
        expected = ["can0", name.decode(), "can0"] if length <= 31 else ["can0", "can0"]
        assert [row.channel for row in rows] == expected
        assert tally.broken == (length > 31)


@pytest.mark.parametrize("engine", ENGINES)
class TestSecondsThatAreRemembered:
    """Only the seconds of a time stamp are taken for those of the line before, never what merely stands there."""

    def test_zero_bytes(self, tmp_path: Path, engine: str) -> None:
        log = tmp_path / "a.log"
        log.write_bytes(b"(0.0) can0 123#11\n(" + bytes(11) + b"000001) can0 123#22\n")
        rows, tally = gather(log, engine=engine)
        assert [row.data for row in rows] == [b"\x11"]
        assert tally.broken == 2

    def test_a_label_with_a_point(self, tmp_path: Path, engine: str) -> None:
        log = tmp_path / "a.log"
        log.write_bytes(b"(1.0) can0 123#11\n(1.0) canny.5 123#22\n(1.0) canny.123456) can0 123#33\n")
        rows, tally = gather(log, engine=engine)
        assert [row.data for row in rows] == [b"\x11", b"\x22"]
        assert tally.broken == 1


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

        _, tally = fold(
            open_capture(path),
            wanted=[(0x7FF, False), (0x12345678, True)],
            new=lambda: seen,
            step=step,
            join=list.extend,
        )
        assert seen == [0x7FF, 0x12345678]
        assert (tally.frames, tally.broken) == (2, 2)
        assert ["7FF" in line.reason for line in tally.skipped] == [True, True]
        assert [line.line for line in tally.skipped] == [2, 3]

    @pytest.mark.parametrize("length", [64, 65, 255])
    def test_length(self, tmp_path: Path, length: int) -> None:
        # More words than there is room for, if nobody looks.
        rows = [(1 + i / 1e5, 0x100, False, bytes([7]) * (length if i else 64)) for i in range(5000)]
        table = read_frames(self.write(tmp_path / "a.csv", *rows))
        tally = table.attrs["tally"]
        assert table["data"].tolist() == [bytes([7]) * 64] * (5000 if length == 64 else 1)
        assert tally.broken == 5000 - len(table)
        assert {(line.reason, line.text) for line in tally.skipped} <= {
            ("more than 64 bytes, which no frame has", f"100 [{length}]")
        }
