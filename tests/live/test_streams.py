"""Logs that are still being written, and lines for frames."""

from __future__ import annotations

import os
import threading
from pathlib import Path
from typing import TYPE_CHECKING

import can
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from buslens import read_frames
from buslens.capture.frames import Flag
from buslens.live.bus import candump_line, label_of
from buslens.live.capture_writer import CaptureWriter
from buslens.live.playback_clock import PlaybackClock
from buslens.live.streams import InterruptibleStream, LineStream, TailStream

if TYPE_CHECKING:
    from collections.abc import Iterable


class Chunks:
    """A stream of given chunks."""

    damage = ""

    def __init__(self, chunks: Iterable[bytes]) -> None:
        self._chunks = list(chunks)

    def read_into(self, view: memoryview) -> int:
        if not self._chunks:
            return 0
        chunk = self._chunks.pop(0)
        view[: len(chunk)] = chunk
        return len(chunk)

    def close(self) -> None:
        pass


def all_of(stream: object, size: int = 64) -> list[bytes]:
    """Return what a stream yields, read by read."""
    buffer = memoryview(bytearray(size))
    found = []
    while n := stream.read_into(buffer):  # type: ignore[attr-defined]
        found.append(bytes(buffer[:n]))
    return found


class TestWholeLines:
    """Whatever the chunks, only whole lines come out; the last one without an end only if the stream ended itself."""

    @given(st.lists(st.text("ab\n", min_size=1, max_size=9).map(str.encode), max_size=12))
    def test_all_at_the_end(self, chunks: list[bytes]) -> None:
        assert b"".join(all_of(LineStream(Chunks(chunks), threading.Event()))) == b"".join(chunks)

    @given(st.lists(st.text("ab\n", min_size=1, max_size=9).map(str.encode), max_size=12))
    def test_no_half_line_when_stopped(self, chunks: list[bytes]) -> None:
        stop = threading.Event()
        stop.set()
        text = b"".join(chunks)
        assert b"".join(all_of(LineStream(Chunks(chunks), stop))) == text[: text.rfind(b"\n") + 1]


class TestInterruptible:
    """What blocks for ever can be left, and what fails fails where it is read."""

    def test_left(self) -> None:
        stop = threading.Event()
        reading, writing = os.pipe()
        with open(reading, "rb", buffering=0) as pipe, open(writing, "wb", buffering=0):  # noqa: PTH123 - no paths
            from buslens.capture.stream import FileStream

            stream = InterruptibleStream(FileStream(pipe, keep_open=True), stop)
            threading.Timer(0.1, stop.set).start()
            assert stream.read_into(memoryview(bytearray(8))) == 0

    def test_fails(self) -> None:
        class Broken(Chunks):
            def read_into(self, view: memoryview) -> int:
                raise OSError(len(view), "the device failed")

        with pytest.raises(OSError, match="the device failed"):
            InterruptibleStream(Broken([]), threading.Event()).read_into(memoryview(bytearray(8)))


class TestFollowing:
    """A file is read on as it grows, from its start when it is cut short, and its successor after it."""

    def next(self, stream: LineStream) -> bytes:
        buffer = memoryview(bytearray(99))
        return bytes(buffer[: stream.read_into(buffer)])

    def test_life_of_a_file(self, tmp_path: Path) -> None:
        path, stop, remarks = tmp_path / "a.log", threading.Event(), []
        path.write_bytes(b"one\n")
        stream = LineStream(TailStream(path, stop, remarks), stop)
        assert self.next(stream) == b"one\n"
        with path.open("ab") as file:
            file.write(b"two\nthr")
        assert self.next(stream) == b"two\n"
        path.rename(tmp_path / "old.log")  # on Windows, too
        path.write_bytes(b"four\n")
        assert self.next(stream) == b"thr\n"
        assert self.next(stream) == b"four\n"
        assert "another file" in remarks[-1]
        path.write_bytes(b"5\n")
        assert self.next(stream) == b"5\n"
        assert "cut short" in remarks[-1]
        stop.set()
        assert self.next(stream) == b""
        stream.close()

    @pytest.mark.skipif(os.name == "nt", reason="an open file cannot be replaced there")
    def test_line_written_just_before_another_file_comes(self, tmp_path: Path) -> None:
        class Rotated(type(tmp_path)):  # type: ignore[misc]
            """Gets a successor while one looks whether there is one."""

            def stat(self, **how: bool) -> os.stat_result:
                if not (tmp_path / "old.log").exists():
                    with self.open("ab") as file:
                        file.write(b"late\n")
                    os.link(self, tmp_path / "old.log")
                    (tmp_path / "new.log").write_bytes(b"next\n")
                    (tmp_path / "new.log").replace(self)
                return super().stat(**how)

        path, stop, remarks = Rotated(tmp_path / "a.log"), threading.Event(), []
        path.write_bytes(b"one\n")
        stream = LineStream(TailStream(path, stop, remarks), stop)
        assert [self.next(stream) for _ in range(3)] == [b"one\n", b"late\n", b"next\n"]
        stream.close()


messages = st.builds(
    lambda can_id, data, is_extended, kind, stamp: can.Message(
        timestamp=stamp / 1_000_000,
        arbitration_id=can_id if is_extended else can_id & 0x7FF,
        is_extended_id=is_extended,
        is_remote_frame=kind == "remote",
        is_fd=kind == "fd",
        bitrate_switch=kind == "fd" and len(data) % 2 == 0,
        dlc=len(data),
        data=None if kind == "remote" else data,
    ),
    st.integers(0, 2**29 - 1),
    st.binary(max_size=8),
    st.booleans(),
    st.sampled_from(["data", "remote", "fd"]),
    st.integers(1, 2**40),
)


class TestLine:
    """A line that was written for a frame is read as that frame."""

    @settings(deadline=None)  # the first frame of all waits for pandas
    @given(st.lists(messages, min_size=1, max_size=5))
    def test_read_again(self, sent: list[can.Message]) -> None:
        import tempfile

        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "a.log"
            path.write_bytes(b"".join(candump_line(message, "can0") for message in sent))
            table = read_frames(path)
        for message, row in zip(sent, table.itertuples(), strict=True):
            assert row.can_id == message.arbitration_id
            assert row.is_extended == message.is_extended_id
            assert row.is_remote == message.is_remote_frame
            assert row.is_fd == message.is_fd
            assert row.data == bytes(message.data)
            assert row.time == pytest.approx(message.timestamp, abs=2e-6)

    def test_error_frame(self) -> None:
        message = can.Message(timestamp=1.5, arbitration_id=0x40, is_error_frame=True, data=bytes(8))
        assert candump_line(message, "can0") == b"(1.500000) can0 20000040#0000000000000000\n"
        assert Flag.ERROR  # bit 0x20000000: Linux kernel, include/uapi/linux/can.h

    def test_without_a_stamp(self) -> None:
        stamp = float(candump_line(can.Message(arbitration_id=1), "can0")[1:].partition(b")")[0])
        assert stamp > 1_700_000_000

    @given(st.text(max_size=60))
    def test_label(self, channel: str) -> None:
        label = label_of(channel)
        assert 1 <= len(label) <= 31
        assert label.isascii()
        assert " " not in label
        assert label.isprintable()


class TestKeeper:
    """A kept capture lies under a temporary name until it is whole, and takes no other file's place."""

    def test_whole(self, tmp_path: Path) -> None:
        keeper = CaptureWriter(str(tmp_path / "a.log"))
        keeper.write(b"one\n")
        assert [path.name for path in tmp_path.iterdir()] == ["a.log.part"]
        assert keeper.finish() == tmp_path / "a.log"
        assert (tmp_path / "a.log").read_bytes() == b"one\n"
        assert len(list(tmp_path.iterdir())) == 1

    def test_name_was_taken_meanwhile(self, tmp_path: Path) -> None:
        (tmp_path / "a.log.part").write_bytes(b"of a crash\n")
        keeper = CaptureWriter(str(tmp_path / "a.log"))
        keeper.write(b"one\n")
        (tmp_path / "a.log").write_bytes(b"other\n")
        kept = keeper.finish()
        assert kept.read_bytes() == b"one\n"
        assert (tmp_path / "a.log").read_bytes() == b"other\n"
        assert (tmp_path / "a.log.part").read_bytes() == b"of a crash\n"


class TestPace:
    """The play head runs at its speed, stands still when paused, and goes where it is put."""

    def test_head(self) -> None:
        now = [10.0]
        pace = PlaybackClock(0.5, clock=lambda: now[0])
        assert not pace.has_begun
        pace.set(1_000)
        now[0] += 2e-6
        assert pace.now_ns() == 2_000
        assert pace.wait_s(3_000) == pytest.approx(2e-6)
        pace.pause()
        now[0] += 5.0
        assert pace.now_ns() == 2_000
        assert pace.wait_s(3_000) == float("inf")
        pace.go_on()
        now[0] += 2e-6
        assert pace.now_ns() == pytest.approx(3_000, abs=1)

    def test_not_set(self) -> None:
        with pytest.raises(ValueError, match="has not been set"):
            PlaybackClock().now_ns()
