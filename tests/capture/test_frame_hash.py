"""Two captures are one recording if their frames are the same, whatever the bytes of their files."""

from __future__ import annotations

import gzip
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from support.stage import select
from support.traffic import Frame, columns, traffic

from buslens.capture.frame_hash import FrameHash, frames_hash

if TYPE_CHECKING:
    from pathlib import Path

LINES = (
    "(1700000000.000000) can0 101#0102030405060708",
    "(1700000000.010000) can1 18FEF100#11",
    "(1700000000.010000) can0 123##10102030405060708090A0B0C",
    "(1700000000.020000) can0 101#R4",
    "(1700000000.030000) can0 101#",
)


def hashed(frames: list[Frame], cuts: tuple[int, ...] = ()) -> str:
    """Return the hash of frames that are handed over in runs."""
    found, whole = FrameHash(), columns(frames)
    for rows in np.split(np.arange(len(frames)), sorted(cut % (len(frames) + 1) for cut in cuts)):
        found.add(select(whole, rows))
    return found.hexdigest()


def written(folder: Path, name: str, text: bytes) -> str:
    """Write a capture; return its hash."""
    path = folder / name
    path.write_bytes(text)
    return frames_hash(str(path))


class TestFrames:
    """The hash goes with the frames and their order, and with nothing else."""

    @given(traffic(discontinuities=False), st.lists(st.integers(0, 200), max_size=5))
    def test_runs_mean_nothing(self, frames: list[Frame], cuts: list[int]) -> None:
        assert hashed(frames, tuple(cuts)) == hashed(frames)

    @given(traffic(discontinuities=False), st.integers(-1000, 10**18))
    def test_time_counts_from_the_first_frame(self, frames: list[Frame], later_ns: int) -> None:
        moved = [frame._replace(time=frame.time + later_ns) for frame in frames]
        assert hashed(moved) == hashed(frames)

    @given(traffic(discontinuities=False).filter(lambda frames: len(frames) > 1), st.data())
    def test_each_field_counts(self, frames: list[Frame], data: st.DataObject) -> None:
        place = data.draw(st.integers(1, len(frames) - 1))
        frame = frames[place]
        other = data.draw(
            st.sampled_from(
                [
                    frame._replace(time=frame.time + 1),
                    frame._replace(can_id=frame.can_id + 1),
                    frame._replace(channel=1 - frame.channel),
                    frame._replace(flags=frame.flags ^ 8),
                    frame._replace(data=(*frame.data, 0)),
                    frame._replace(data=(7, *frame.data[1:]) if frame.data else (7,)),
                ]
            )
        )
        assert hashed([*frames[:place], other, *frames[place + 1 :]]) != hashed(frames)

    def test_order_counts(self) -> None:
        one, other = Frame(time=5, can_id=1), Frame(time=5, can_id=2)
        assert hashed([one, other]) != hashed([other, one])

    def test_channels_are_those_of_the_log(self) -> None:
        frames = columns([Frame(time=0)])
        found = [FrameHash(), FrameHash()]
        found[0].add(frames)
        found[1].add(replace(frames, channels=("can7", "can1")))
        assert found[0].hexdigest() != found[1].hexdigest()

    def test_no_frames(self) -> None:
        assert FrameHash().hexdigest() == ""


class TestFiles:
    """Copies of one recording in other bytes."""

    PLAIN = "\n".join(LINES).encode() + b"\n"

    @pytest.mark.parametrize(
        ("name", "text"),
        [
            ("a.log.gz", gzip.compress(PLAIN)),
            ("a.log", PLAIN.replace(b"\n", b"\r\n")),
            ("a.log", b"# recorded by hand\n" + PLAIN),
            ("a.log", PLAIN + b"\n\n"),
            ("a.log", PLAIN.replace(b"(17000", b"(16000")),
        ],
        ids=["compressed", "line ends", "comment", "blank lines", "another day"],
    )
    def test_same(self, tmp_path: Path, name: str, text: bytes) -> None:
        assert written(tmp_path, name, text) == written(tmp_path, "plain.log", self.PLAIN)

    @pytest.mark.parametrize("place", range(len(LINES)))
    def test_a_frame_less(self, tmp_path: Path, place: int) -> None:
        fewer = "\n".join([*LINES[:place], *LINES[place + 1 :]]).encode()
        assert written(tmp_path, "a.log", fewer) != written(tmp_path, "plain.log", self.PLAIN)
