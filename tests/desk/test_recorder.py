"""Recording at the car: what comes is judged as it comes, kept whatever happens, and never answered."""

from __future__ import annotations

import multiprocessing
import threading
import time
import uuid
from pathlib import Path
from typing import TYPE_CHECKING

import can
import pytest
from support.desk_script import CAR
from support.desks import running_desk
from support.multicast import group_of_our_own, listening
from support.patience import HANG_S

from buslens.checks.check import check
from buslens.desk.folder import RECORDING, DeskFolder
from buslens.desk.recorder import MARK, RecordingState, RecordingTask, record
from buslens.desk.running import STOP
from buslens.discovery.marks import load_marks
from buslens.report.record.job import JobDetails
from buslens.report.safety_notes import RECORDING_CAUTIONS

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from multiprocessing.connection import Connection

ROOT = Path(__file__).parents[2]
EXPECTATIONS = ROOT / "signal_defs" / "steering_lock.toml"


def wait_until(is_so: Callable[[], bool]) -> None:
    for _ in range(HANG_S * 20):
        if is_so():
            return
        threading.Event().wait(0.05)
    raise AssertionError("it never came to that")


class Recording:
    """A recording in a thread of this process, on a bus that is in it, too."""

    def __init__(self, folder: Path, *, expectations: str, wanted: int) -> None:
        self.bus = uuid.uuid4().hex
        self.task = RecordingTask(
            interface=f"virtual:{self.bus}",
            bitrate=None,
            path=folder / "new.log",
            temporary=folder / f"{RECORDING}new.log",
            marks=folder / "marks" / "new.txt",
            expectations=expectations,
            wanted=wanted,
        )
        self.pipe: Connection
        self.pipe, theirs = multiprocessing.Pipe()
        self._thread = threading.Thread(target=record, args=(theirs, self.task))
        self._thread.start()
        self.state = self.wait_for(lambda state: bool(state.listening))

    def wait_for(self, is_so: Callable[[RecordingState], bool]) -> RecordingState:
        """Return the first state of which something holds, or the last one."""
        end_s = time.monotonic() + HANG_S
        while time.monotonic() < end_s and self.pipe.poll(HANG_S):
            self.state = self.pipe.recv()
            if is_so(self.state) or self.state.has_ended:
                return self.state
        raise AssertionError("nothing more was said")

    def play(self, log: Path) -> int:
        """Send every frame of a capture with its own time; return how many."""
        sender = can.Bus(interface="virtual", channel=self.bus, preserve_timestamps=True)
        with sender as bus, can.LogReader(log) as reader:
            number = 0
            for message in reader:
                bus.send(message)
                number += 1
        self.wait_for(lambda state: state.frames == number)
        return number

    def stop(self) -> RecordingState:
        self.pipe.send((STOP, ""))
        last = self.wait_for(lambda state: state.has_ended)
        self._thread.join(HANG_S)
        return last


@pytest.fixture
def begin(tmp_path: Path) -> Iterator[Callable[..., Recording]]:
    """Begin recordings; they end with the test."""
    begun: list[Recording] = []

    def one(*, expectations: str = str(EXPECTATIONS), wanted: int = 1) -> Recording:
        begun.append(Recording(tmp_path, expectations=expectations, wanted=wanted))
        return begun[-1]

    yield one
    for it in begun:
        it.pipe.close()


class TestRecord:
    """One recording."""

    def test_ticks_and_judges_as_a_check_does(self, begin: Callable[..., Recording], sample: Path) -> None:
        it = begin()
        assert [mark for _, mark, _ in it.state.guide] == ["0 of 1", "0 of 1"]
        it.play(sample / "car01_healthy.log")
        done = it.wait_for(lambda state: state.is_complete)
        assert [is_done for *_, is_done in done.guide] == [True, True]
        assert any(": OK" in line for line in done.told)
        assert "<svg" in done.lanes
        assert not it.stop().problem
        kept, original = (
            check(path, expectations=EXPECTATIONS) for path in (it.task.path, sample / "car01_healthy.log")
        )
        assert [it.outcome for it in kept.findings] == [it.outcome for it in original.findings]
        assert not it.task.temporary.exists()

    def test_marks_are_a_file_for_seek(self, begin: Callable[..., Recording], sample: Path) -> None:
        it = begin(expectations="")
        it.play(sample / "car01_healthy.log")
        assert it.state.guide == ()
        it.pipe.send((MARK, "driver door opens"))
        it.wait_for(lambda state: len(state.marks) == 1)
        it.stop()
        (mark,) = load_marks(str(it.task.marks))
        assert mark.words == "driver door opens"
        # Pressed after the last frame that was taken, and before anybody could count to a minute.
        stats = check(it.task.path, expectations=EXPECTATIONS).stats
        assert -1 < (mark.time_ns - ((stats.last_ns or 0) - (stats.first_ns or 0))) / 1e9 < 60

    def test_a_desk_that_is_gone_ends_it_and_nothing_is_lost(
        self, begin: Callable[..., Recording], sample: Path
    ) -> None:
        it = begin()
        frames = it.play(sample / "car04_ground_open.log")
        it.pipe.close()
        it._thread.join(HANG_S)
        assert it.task.path.read_bytes().count(b"\n") == frames

    def test_nothing_came(self, begin: Callable[..., Recording]) -> None:
        it = begin()
        assert "No frame came" in it.stop().problem
        assert not it.task.path.exists()


class TestFolder:
    """What a kill of the recording itself leaves."""

    def test_found_again(self, tmp_path: Path) -> None:
        folder = DeskFolder(tmp_path)
        job = folder.new_job(JobDetails(date="2026-11-30"), None)
        place = job.recording_place("after")
        place.temporary.write_bytes(b"(1.0) can0 123#00\n(1.1) can0 12")
        assert job.captures() == []
        folder.sweep()
        assert [it.path for it in job.captures()] == [place.path]


class TestDesk:
    """The pages, on a bus over the network."""

    @pytest.mark.slow
    def test_killed_while_it_records(self, tmp_path: Path) -> None:
        group = group_of_our_own()
        with listening(group), running_desk(tmp_path) as desk:
            headers = desk.enter()
            job = desk.send("/jobs", headers, car=CAR).headers["location"]
            page = desk.ask("GET", f"{job}/recording/before", headers=headers).text
            assert all(line in page for line in RECORDING_CAUTIONS)
            assert page.index(RECORDING_CAUTIONS[-1]) < page.index("Start recording")
            refused = desk.send(f"{job}/recording/before", headers, typed="socketcann:can0")
            assert refused.status == 422
            assert "did you mean" in refused.text
            begun = desk.send(f"{job}/recording/before", headers, typed=f"udp_multicast:{group}")
            assert begun.status == 303
            folder = tmp_path / job.rpartition("/")[2] / "before"

            def has(frame: bytes) -> bool:
                return frame in b"".join(it.read_bytes() for it in folder.iterdir())

            with can.Bus(group, "udp_multicast", ignore_config=True) as sender:

                def is_heard() -> bool:
                    # What is sent before the process that records listens is lost.
                    sender.send(can.Message(arbitration_id=0x100, is_extended_id=False))
                    return has(b"100#")

                wait_until(is_heard)
                for number in range(20):
                    sender.send(can.Message(arbitration_id=0x123, is_extended_id=False, data=[number]))
            wait_until(lambda: has(b"123#13"))
            desk.kill()
            wait_until(lambda: not any(it.name.startswith(".") for it in folder.iterdir()))
            assert next(folder.iterdir()).read_bytes().count(b"123#") == 20


def test_the_readme_has_the_same_words() -> None:
    text = " ".join((ROOT / "README.md").read_text("utf-8").split())
    assert [it for it in RECORDING_CAUTIONS if it not in text] == []
