"""Recording at the car, in a process of its own: what comes is written, checked and drawn, and nothing is ever sent.

The process ends when it is told to, when the bus goes, and when the desk is gone; whichever it is, what was written
becomes a capture of the job.
"""

from __future__ import annotations

import os
import threading
import time
from contextlib import suppress
from dataclasses import dataclass
from multiprocessing.connection import Connection
from pathlib import Path
from typing import TYPE_CHECKING, Final

from buslens.capture.stream import Stream
from buslens.desk.running import STOP, State, tell
from buslens.errors import BuslensError, UsageError
from buslens.files import os_error_text
from buslens.live.bus import BusStream, Receiver
from buslens.live.capture_writer import CaptureWriter
from buslens.units import NS_PER_S

if TYPE_CHECKING:
    from buslens.live.engine import Engine

_LOOK_S: Final = 0.3
"""Seconds between two pictures."""
_SHOWN_NS: Final = 20 * NS_PER_S
_MOST_TOLD: Final = 12
MARK: Final = "mark"


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordingTask:
    """What is to be recorded, and where."""

    #: Kind and channel, as `buslens.live.bus.parse_interface` reads them.
    interface: str
    bitrate: int | None
    #: The capture, and where it lies until it is whole.
    path: Path
    temporary: Path
    #: Gets a line for each mark.
    marks: Path
    #: Empty for a car that has none yet; then nothing is checked.
    expectations: str
    #: How many times each handshake has to run; None for the usual number.
    wanted: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordingState(State):
    """What a recording shows."""

    #: Of the interface; empty until it is open.
    listening: str = ""
    frames: int = 0
    seconds: int = 0
    #: Lanes of late, as HTML that is safe.
    lanes: str = ""
    #: What to do, how far it is, whether it is done.
    guide: tuple[tuple[str, str, bool], ...] = ()
    is_complete: bool = False
    #: What was found, the newest first: mark and words.
    told: tuple[str, ...] = ()
    #: Seconds from the first frame, and words.
    marks: tuple[str, ...] = ()


def run(pipe: Connection, task: RecordingTask) -> None:
    """Record, as the whole of a process; Ctrl-C is for the desk, which then closes the pipe."""
    import signal

    signal.signal(signal.SIGINT, signal.SIG_IGN)
    record(pipe, task)


def record(pipe: Connection, task: RecordingTask) -> None:
    """Record until told otherwise.

    Parameters
    ----------
    pipe : Connection
        Takes a `RecordingState` whenever something has changed; gives STOP, or MARK with words.
    task : RecordingTask
    """
    problem, session = "", None
    try:
        session = _Session(pipe, task)
        session.run()
    except BuslensError as error:
        problem = error.problem
    except OSError as error:
        problem = os_error_text(error)
    finally:
        last = RecordingState() if session is None else session.state()
        if session is not None:
            problem = session.finish() or problem
        with suppress(OSError):
            from dataclasses import replace

            tell(pipe, replace(last, problem=problem, has_ended=True))
            pipe.close()


class _Session:
    """One recording."""

    def __init__(self, pipe: Connection, task: RecordingTask) -> None:
        from buslens.live.bus import Receiver, describe_listening, parse_interface
        from buslens.live.capture_writer import CaptureWriter
        from buslens.report.guide import USUAL, Guide

        self._pipe, self._task = pipe, task
        self._engine = _engine(task)
        self._guide = Guide(() if self._engine is None else self._engine.expected.rules, task.wanted or USUAL)
        interface = parse_interface(task.interface)
        self._receiver: Receiver = Receiver(interface, bitrate=task.bitrate)
        self._listening = describe_listening(interface)
        self._streams: list[BusStream] = []
        try:
            self._writer: CaptureWriter = CaptureWriter(str(task.path), task.temporary)
        except BaseException:
            self._receiver.close()
            raise
        self._told: list[str] = []
        self._marks: list[str] = []
        #: Frames that were written, of which the last few may still wait to be checked; seconds of the first and last.
        self._kept = 0
        self._first_s = self._last_s = 0.0
        self._came_s = time.monotonic()

    def run(self) -> None:
        """Take frames until it is told to stop, the bus goes, or the desk does."""
        from buslens.live.bus import BusStream
        from buslens.live.capture_reader import read_stream

        def make(stop: threading.Event) -> Stream:
            self._streams.append(BusStream(self._receiver, stop, keep=self._keep))
            return self._streams[-1]

        reader = read_stream(self._task.interface, make)
        sent_s, is_stopped = 0.0, False
        tell(self._pipe, self.state())
        while reader.stats is None:
            batch = reader.next(0.05)
            if batch is not None and self._engine is not None:
                self._engine.clock = batch.clock
                self._engine.take(batch.frames, batch.discontinuities)
            if not is_stopped and not self._obey():
                reader.stop()
                is_stopped = True
            now_s = time.monotonic()
            if now_s - sent_s >= _LOOK_S and not is_stopped:
                self._tick()
                with suppress(OSError):  # then the desk has gone, and the next look says so
                    tell(self._pipe, self.state())
                # A machine that is slow at drawing must not be late at receiving.
                sent_s = max(time.monotonic(), now_s + 2 * (time.monotonic() - now_s) - _LOOK_S)

    def finish(self) -> str:
        """Make a capture of what was written; return why the recording ended before its time, if it did."""
        self._receiver.close()
        kept = self._writer.finish()
        if not self._kept and not kept.exists():
            return (
                "No frame came, so nothing was saved. Look at the plug and at the bit rate, switch the ignition on,"
                " and start again."
            )
        return next((it.problem for it in self._streams if it.problem), "")

    def state(self) -> RecordingState:
        """Return what is shown now."""
        return RecordingState(
            listening=self._listening,
            frames=self._kept,
            seconds=int(self._last_s - self._first_s),
            lanes=self._lanes(),
            guide=tuple((it.words, it.mark, it.seen == it.wanted) for it in self._guide.items()),
            is_complete=self._engine is not None and self._guide.is_complete,
            told=tuple(self._told[::-1][:_MOST_TOLD]),
            marks=tuple(self._marks),
        )

    def _keep(self, lines: bytes) -> None:
        self._writer.write(lines)
        if not lines:
            return
        if not self._kept:
            self._first_s = _stamp_s(lines)
        self._last_s, self._came_s = _stamp_s(lines[lines.rfind(b"\n", 0, -1) + 1 :]), time.monotonic()
        self._kept += lines.count(b"\n")

    def _obey(self) -> bool:
        """Do what the desk asks for; return whether to go on."""
        try:
            while self._pipe.poll():
                order, words = self._pipe.recv()
                if order == STOP:
                    return False
                self._mark(words)
        except (EOFError, OSError):
            return False
        return True

    def _mark(self, words: str) -> None:
        if not self._kept:
            return
        line = f"{self._last_s - self._first_s + time.monotonic() - self._came_s:.2f} {words}"
        self._marks.append(line)
        self._task.marks.parent.mkdir(exist_ok=True)
        with self._task.marks.open("a", encoding="utf-8") as file:
            file.write(f"{line}\n")
            file.flush()
            os.fsync(file.fileno())

    def _tick(self) -> None:
        """Take down what was found since the last look."""
        from buslens.report.replay import finding_lines

        if self._engine is None:
            return
        for told in self._engine.tell():
            self._guide.tick(told)
            if told.handshake is None and not told.findings[0].outcome.is_fault:
                continue  # what cannot be decided yet would hide what can
            lines = finding_lines(told, self._engine.first_ns or 0)
            self._told.append(" ".join("".join(it.text for it in line.pieces).strip() for line in lines))

    def _lanes(self) -> str:
        from buslens.report.page.drawing import strip_svg
        from buslens.report.strip import recent_strip

        engine = self._engine
        if engine is None or engine.last_look is None or engine.first_ns is None or engine.last_ns is None:
            return ""
        result = engine.last_look
        strip = recent_strip(result, engine.first_ns, engine.last_ns, _SHOWN_NS)
        return "" if strip is None else strip_svg(result, strip, {}, "The lanes of the last seconds")


def _stamp_s(line: bytes) -> float:
    """Return the stamp of a line that `buslens.live.bus.candump_line` has written, s."""
    return float(line[1 : line.index(b")")])


def _engine(task: RecordingTask) -> Engine | None:
    from buslens.expectations.load import load_expectations
    from buslens.live.engine import Engine

    if not task.expectations:
        return None
    return Engine.of(load_expectations(task.expectations), path=task.path.name)


def interfaces() -> list[tuple[str, str]]:
    """Return the adapters that are there, each with how it listens."""
    from buslens.live.bus import available_interfaces, describe_listening

    return [(str(it), describe_listening(it)) for it in available_interfaces()]


def require_interface(text: str) -> None:
    """Refuse a word that names no interface; UsageError if it does not."""
    from buslens.live.bus import parse_interface

    if not text:
        raise UsageError("Choose an adapter, or type kind and channel.")
    parse_interface(text)
