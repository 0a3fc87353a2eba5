"""The text of logs, read back by python-can where it has a reader of that form, else by our own."""

from __future__ import annotations

import gzip
from io import StringIO
from pathlib import Path
from typing import TYPE_CHECKING

import can
import numpy as np
import pytest

import buslens
from buslens.capture.frames import Flag, Frames
from buslens.errors import UsageError
from buslens.rehearsal.log_forms import FORMS, find_log_form, log_form_for, render
from buslens.rehearsal.rehearse import START_NS, rehearse, rendered, write_rehearsal
from buslens.units import NS_PER_US

if TYPE_CHECKING:
    from buslens.rehearsal.rehearse import Rehearsal

Row = tuple[int, int, bool, bytes]


def rows(frames: Frames) -> list[Row]:
    """Return time in us, identifier, whether extended, payload of each frame."""
    return [
        (time_us, can_id, extended, word.to_bytes(8, "little")[:length])
        for time_us, can_id, extended, word, length in zip(
            (frames.time_ns // NS_PER_US).tolist(),
            frames.can_id.tolist(),
            ((frames.flags & Flag.EXTENDED) != 0).tolist(),
            frames.words[frames.word].tolist(),
            frames.length.tolist(),
            strict=True,
        )
    ]


def read_by_python_can(text: bytes, form: str) -> list[Row]:
    if form == "candump":
        messages = list(can.io.CanutilsLogReader(StringIO(text.decode())))
        origin_us = 0
    else:
        messages = list(can.io.ASCReader(StringIO(text.decode()), base="dec" if form == "asc-dec" else "hex"))
        origin_us = START_NS // NS_PER_US
    return [
        # A float64 of epoch seconds resolves 0.24 us, so that rounding finds the microsecond.
        (origin_us + round(it.timestamp * 1e6), it.arbitration_id, it.is_extended_id, bytes(it.data))
        for it in messages
    ]


@pytest.fixture(scope="module")
def short() -> Rehearsal:
    """Three seconds in which an extended identifier occurs, too."""
    return rehearse("healthy", duration=3)


class TestForms:
    """Every form carries every frame: time to the microsecond, identifier, payload."""

    @pytest.mark.parametrize("form", ["candump", "asc", "asc-dec"])
    def test_python_can_reads_back_the_same(self, short: Rehearsal, form: str) -> None:
        assert any(row[2] for row in rows(short.frames))
        assert read_by_python_can(rendered(short, form), form) == rows(short.frames)

    @pytest.mark.parametrize("form", FORMS)
    def test_our_own_reader_reads_back_the_same(self, short: Rehearsal, form: str, tmp_path: Path) -> None:
        path = tmp_path / "log"
        path.write_bytes(rendered(short, form))
        table = buslens.read_frames(path)
        expected = rows(short.frames)
        assert list(zip(table["can_id"], table["is_extended"], table["data"], strict=True)) == [
            row[1:] for row in expected
        ]
        times = table["time"].to_numpy() * 1e6
        wanted = np.array([row[0] for row in expected], dtype=np.int64)
        # Forms without a date count from their own beginning.
        origin = wanted[0] - round(times[0])
        assert np.abs(times - (wanted - origin)).max() < 1.0

    def test_candump_line_by_line(self, short: Rehearsal) -> None:
        lines = rendered(short, "candump").decode().splitlines()
        time_us, can_id, _, data = rows(short.frames)[0]
        assert lines[0] == f"({time_us / 1e6:.6f}) can0 {can_id:03X}#{data.hex().upper()}"
        assert len(lines) == len(short.frames)

    def test_asc_says_when_it_began(self, short: Rehearsal) -> None:
        first, second, *_ = rendered(short, "asc-relative").decode().splitlines()
        assert first == "date Sat Mar 14 07:30:00.000 am 2026"
        assert second == "base hex  timestamps relative"

    def test_a_stamp_before_the_beginning_is_negative(self) -> None:
        one = np.ones(1, dtype=np.uint8)
        frames = Frames(
            time_ns=np.array([-1_500_000], dtype=np.int64),
            channel=np.zeros(1, dtype=np.uint16),
            can_id=np.array([0x123], dtype=np.uint32),
            flags=np.zeros(1, dtype=np.uint16),
            dlc=one,
            length=one,
            word=np.zeros(1, dtype=np.int64),
            words=np.array([0xAB], dtype=np.uint64),
            channels=("can0",),
        )
        assert b"  -0.001500 1  123" in render(frames, "asc", start_ns=0)

    def test_an_unknown_form_names_the_known_ones(self) -> None:
        with pytest.raises(UsageError, match="no form of log is called 'ascii'; did you mean 'asc'"):
            find_log_form("ascii")


class TestFormFor:
    """The file name says the form, unless one is asked for."""

    @pytest.mark.parametrize(
        ("name", "form"),
        [
            ("a.log", "candump"),
            ("a.asc", "asc"),
            ("a.ASC", "asc"),
            ("a.asc.gz", "asc"),
            ("a.log.gz", "candump"),
            ("a", "candump"),
            ("a.asc.log", "candump"),
        ],
    )
    def test_suffix(self, name: str, form: str) -> None:
        assert log_form_for(Path(name)) == form


class TestTornEnd:
    """A log whose recorder lost power ends within its last line."""

    @pytest.mark.parametrize("form", FORMS)
    def test_only_the_last_line_differs(self, short: Rehearsal, form: str) -> None:
        way = FORMS[form]
        whole = render(short.frames, form, start_ns=START_NS).decode().removesuffix(way.line_end).split(way.line_end)
        torn = render(short.frames, form, start_ns=START_NS, is_torn=True).decode().split(way.line_end)
        frame_lines = whole[: len(whole) - len(way.closing)]
        assert torn[:-1] == frame_lines[:-1]
        assert torn[-1] != frame_lines[-1]
        assert frame_lines[-1].startswith(torn[-1])


class TestWrite:
    """A rehearsal is written whole, compressed if its name says so."""

    def test_compressed(self, short: Rehearsal, tmp_path: Path) -> None:
        path = write_rehearsal(short, tmp_path / "a.log.gz")
        with gzip.open(path) as stream:
            assert stream.read() == rendered(short, "candump")
        # No name and no time of this machine: bytes 4 to 8 are the time, bit 3 of byte 3 the name (RFC 1952).
        head = path.read_bytes()[:10]
        assert head[4:8] == bytes(4)
        assert not head[3] & 8

    def test_asked_form_wins_over_the_name(self, tmp_path: Path) -> None:
        asked = rehearse("nobody-comes", duration=1, form="asc")
        assert write_rehearsal(asked, tmp_path / "a.log").read_bytes() == rendered(asked, "asc")

    def test_nothing_is_left_behind_when_it_fails(self, short: Rehearsal, tmp_path: Path) -> None:
        with pytest.raises(OSError, match="nowhere"):
            write_rehearsal(short, tmp_path / "nowhere" / "a.log")
        assert list(tmp_path.iterdir()) == []
