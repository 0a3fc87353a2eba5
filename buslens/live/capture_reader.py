"""Reading in a thread of its own: runs of frames, as they come, for whoever asks in time.

The frames are those that every other command reads, through the same scanner.
"""

import queue
import sys
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from buslens.capture.compression import MAGIC_BYTES, decompress, is_compressed
from buslens.capture.frames import Clock, ClockDiscontinuity, Frames, ReadStats
from buslens.capture.open import Capture, open_stream, require_file, require_read_frames
from buslens.capture.read_options import ROOM, python_can_read_options, read_options_for
from buslens.capture.registry import FORMATS
from buslens.capture.scan import Scanner
from buslens.capture.stream import BOM, HEAD_BYTES, ChainedStream, FileStream, Stream, read_head
from buslens.capture.table_settings import TableSettings, settings_of
from buslens.errors import CaptureError, SourceLocation, UsageError
from buslens.live.streams import InterruptibleStream, LineStream, TailStream, first_lines

_WAIT_S: Final = 0.05
_TABLE_BYTES: Final = 16_384
"""First bytes of a stream by which a table is recognised."""
_MOST_WAITING: Final = 16
"""Runs that are read ahead."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Batch:
    """A run of frames."""

    frames: Frames
    #: All clock discontinuities that have been found so far.
    discontinuities: tuple[ClockDiscontinuity, ...]
    clock: Clock


class CaptureReader:
    """A capture that is being read.

    Parameters
    ----------
    find : callable
        Returns the capture; called in the reading thread, for the first bytes may have to be waited for. It is given
        the event that ends the reading.
    live : bool
        Whether every frame is handed on as soon as nothing can come before it any more.
    """

    def __init__(self, find: Callable[[threading.Event], Capture], *, live: bool) -> None:
        self._find = find
        self._live = live
        self._stop = threading.Event()
        self._batches: queue.Queue[Batch | ReadStats | BaseException] = queue.Queue(_MOST_WAITING)
        #: The account of everything, once all has been handed over; None before.
        self.stats: ReadStats | None = None
        threading.Thread(target=self._run, daemon=True, name="buslens reading").start()

    def next(self, timeout_s: float = 0.0) -> Batch | None:
        """Return the next run; None if none has come in time, or none will (then there is a `stats`).

        Raises BuslensError or OSError if the capture cannot be read.
        """
        if self.stats is not None:
            return None
        try:
            item = self._batches.get(timeout=timeout_s) if timeout_s > 0 else self._batches.get_nowait()
        except queue.Empty:
            return None
        if isinstance(item, BaseException):
            raise item
        if isinstance(item, Batch):
            return item
        self.stats = item
        return None

    def stop(self) -> None:
        """Let the reading end with what has come; `next` still hands that over."""
        self._stop.set()

    def _run(self) -> None:
        try:
            capture = self._find(self._stop)
            self._batches.put(self._read(capture))
        except BaseException as exc:  # noqa: BLE001,RUF100 - whoever waits for the frames has to know
            self._batches.put(exc)

    def _read(self, capture: Capture) -> ReadStats:
        if capture.clock is Clock.MISSING:
            raise CaptureError(
                "the log carries no time stamps, so there is no time to play it in; 'buslens check' checks its order",
                SourceLocation(capture.path),
            )
        scanner, runs = _scanned(capture, live=self._live)
        clock = capture.clock or Clock.RELATIVE
        for frames in runs:
            self._batches.put(Batch(frames=frames, discontinuities=tuple(scanner.account.discontinuities), clock=clock))
            if self._stop.is_set() and not self._live:
                # Of a file nobody wants to wait for the rest.
                break
        for frames in scanner.flush():
            self._batches.put(Batch(frames=frames, discontinuities=tuple(scanner.account.discontinuities), clock=clock))
        stats = scanner.stats()
        if capture.foreign is not None:
            stats.clock = capture.foreign.clock
        require_read_frames(capture, stats)
        return stats


def _scanned(capture: Capture, *, live: bool) -> tuple[Scanner, Iterator[Frames]]:
    """Return a scanner, and the runs that it yields: all frames of the capture."""
    recording = capture.foreign
    if recording is not None:
        scanner = Scanner(python_can_read_options(capture.name, wanted=None))

        def others() -> Iterator[Frames]:
            for run in recording:
                yield from scanner.feed(run)
            if recording.damage:
                scanner.end_at_damage(recording.damage)

        return scanner, others()
    scanner = Scanner(read_options_for(capture, wanted=None, batch=1 if live else ROOM // 2))

    def runs() -> Iterator[Frames]:
        with capture.stream() as stream:
            yield from scanner.read(stream)

    return scanner, runs()


def read_file(path: str, table: TableSettings | None = None) -> CaptureReader:
    """Read a capture from a file; BuslensError or OSError if it is no capture."""
    from buslens.capture.values import open_frames

    capture = open_frames(path, table, "to replay: 'buslens page' shows it")
    return CaptureReader(lambda _stop: capture, live=False)


def read_input(table: TableSettings | None = None) -> CaptureReader:
    """Read a capture from standard input, as it comes; UsageError if standard input is a terminal."""
    if sys.stdin is None or sys.stdin.isatty():
        raise UsageError("standard input is a terminal: pipe a log into it, or name a file")
    # Not through the buffer, which waits until it is full.
    pipe = getattr(sys.stdin.buffer, "raw", sys.stdin.buffer)

    def find(stop: threading.Event) -> Capture:
        stream: Stream = InterruptibleStream(FileStream(pipe, keep_open=True), stop)
        start = read_head(stream, MAGIC_BYTES)
        stream = ChainedStream(start, stream)
        if is_compressed(start):
            stream = decompress(stream)
        return capture_of("-", LineStream(stream, stop), table)

    return CaptureReader(find, live=True)


def follow_file(path: str, table: TableSettings | None = None) -> tuple[CaptureReader, list[str]]:
    """Read a file that is being written, and return the remarks on what happens to it as well.

    Raises UsageError if it is compressed, CaptureError if it is a pipe or a device, OSError if the system refuses it.
    """
    require_file(path)
    with Path(path).open("rb") as file:
        if is_compressed(file.read(MAGIC_BYTES)):
            raise UsageError(f"{path}: a compressed log cannot be followed; leave --follow away")
    remarks: list[str] = []

    def find(stop: threading.Event) -> Capture:
        return capture_of(path, LineStream(TailStream(Path(path), stop, remarks), stop), table)

    return CaptureReader(find, live=True), remarks


def read_stream(name: str, make: Callable[[threading.Event], Stream]) -> CaptureReader:
    """Read whatever a stream brings, which is whole lines of a log."""
    return CaptureReader(lambda stop: capture_of(name, make(stop)), live=True)


def capture_of(name: str, stream: Stream, table: TableSettings | None = None) -> Capture:
    """Recognise a log by the first lines of a stream; the capture can be read once.

    Raises CaptureError if nothing comes, or nothing that is known.
    """
    settings = settings_of(table)
    head = first_lines(
        stream,
        lambda text: b"\n" in text and _is_known(text.removeprefix(BOM), settings),
        most=HEAD_BYTES,
        name="standard input" if name == "-" else name,
    )
    return open_stream(name, head.removeprefix(BOM), stream, settings)


def _is_known(text: bytes, settings: TableSettings) -> bool:
    """Return whether the first lines are enough to know what they are; a table says that only by many rows."""
    if not settings.names_columns and any(entry.sniff(text) for entry in FORMATS.values()):
        return True
    if len(text) < _TABLE_BYTES and not settings.names_columns:
        return False
    from buslens.capture.table import recognise
    from buslens.capture.table_layout import UnclearLayoutError

    try:
        return recognise(text, settings, is_whole=False) is not None
    except UnclearLayoutError:
        return False
