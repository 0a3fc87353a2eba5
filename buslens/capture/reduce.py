"""The one way in which other layers read a capture: fold its frames, in order of time, into an accumulator.

A file is cut at line ends into one piece per core. Every piece is folded from blank at the same time as the others,
then the accumulators are joined in order. A piece that would have been read differently had it been known what came
before (a clock that ran back at the cut, a format that counts stamps from line to line) is folded again, behind the
others. So any cut gives the same result.
"""

import os
import threading
from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from io import BytesIO
from pathlib import Path
from typing import IO, Final, Generic, TypeVar

from buslens.capture._scan_kernel import FORMAT, FORMAT_END, ONLY_CLOCK
from buslens.capture.frames import Frames, ReadStats
from buslens.capture.id_filter import IdFilter, Ids
from buslens.capture.open import STANDARD_INPUT, Capture, require_read_frames
from buslens.capture.read_options import ROOM, ReadOptions, python_can_read_options, read_options_for
from buslens.capture.scan import Scanner
from buslens.capture.stream import WINDOW_BYTES, CancellableStream, FileStream
from buslens.errors import CaptureError, SourceLocation
from buslens.kernels import compiled
from buslens.units import format_duration

A = TypeVar("A")

PIECE_BYTES: Final = 32 * WINDOW_BYTES
"""A piece is at least as long: a thread for less is no gain."""


_SEEK_BYTES: Final = 1 << 16


@dataclass(slots=True)
class _Piece(Generic[A]):
    scanner: Scanner
    accumulator: A


def reduce_frames(
    capture: Capture,
    *,
    wanted: IdFilter | Ids | None,
    make: Callable[[], A],
    update: Callable[[A, Frames], None],
    merge: Callable[[A, A], None],
    workers: int | None = None,
    notify: Callable[[str], None] | None = None,
    piece_bytes: int = PIECE_BYTES,
    plain_bytes: int | None = None,
    window_bytes: int = WINDOW_BYTES,
    batch: int = ROOM // 2,
) -> tuple[A, ReadStats]:
    """Fold the frames of a capture into an accumulator.

    Parameters
    ----------
    capture : Capture
        From `open_capture`.
    wanted : IdFilter, iterable of (id, is_extended) or None
        Frames to hand on; None: all of them, error frames too. All lines are checked and counted, whatever is wanted.
    make : callable
        Returns a blank accumulator; may be called more often than once, and what was folded may be thrown away.
    update : callable
        Takes an accumulator and a run of frames: in order of time, frames of the same time in the order of the file,
        within one segment. How frames are parted into runs means nothing. Called from several threads, for
        one accumulator never from two at a time.
    merge : callable
        Takes two accumulators and appends what was folded into the second, from blank, to the first. Both may stand
        within one segment.
    workers : int, optional
        Pieces that are read at the same time; default: one per core.
    notify : callable, optional
        Is told, as one sentence, what takes a while.
    piece_bytes, window_bytes, batch : int
        Least size of a piece; what is read at a time; frames that are worth a call of `update`.
    plain_bytes : int, optional
        Size up to which a capture is read by plain Python; default: the format's.

    Returns
    -------
    accumulator
        With all frames.
    ReadStats
        The account of all lines.

    Raises
    ------
    CaptureError
        If there are lines, but not one of them is a frame.
    """
    if capture.foreign is not None:
        return _fold_foreign(capture, IdFilter.of(wanted), make(), update)
    cuts = _cut(capture, workers, piece_bytes)
    plan = read_options_for(
        capture,
        wanted=IdFilter.of(wanted),
        plain_bytes=plain_bytes,
        window_bytes=window_bytes,
        batch=batch,
        notify=notify,
    )
    if len(cuts) > 1:
        compiled(plan.format.compiled_kernel, notify)  # before there are threads that would wait for it
    done = _fold_pieces(capture, plan, cuts, make, update, merge)
    for frames in done.scanner.flush():
        update(done.accumulator, frames)
    stats = done.scanner.stats()
    require_read_frames(capture, stats)
    if stats.apart_ns and wanted is not None and done.scanner.channels_used:
        return _fold_one_clock(capture, plan, done.scanner, make, update, merge)
    return done.accumulator, stats


def _fold_one_clock(
    capture: Capture,
    plan: ReadOptions,
    first: Scanner,
    make: Callable[[], A],
    update: Callable[[A, Frames], None],
    merge: Callable[[A, A], None],
) -> tuple[A, ReadStats]:
    """Fold a capture again whose buses have clocks of their own, by the clock of the one bus that is needed.

    Raises CaptureError if frames of several of them are needed, or the capture cannot be read twice.
    """
    used = [label for label in first.channels if label in first.channels_used]
    apart = format_duration(first.stats().apart_ns)
    source = SourceLocation(capture.path)
    if len(used) > 1:
        raise CaptureError(
            f"buses {' and '.join(used)} run on clocks of their own, {apart} apart, and messages of both are needed: "
            "times of one cannot be compared with those of another; record again with one clock, or check each bus "
            "against rules of its own",
            source,
        )
    if capture.path == STANDARD_INPUT:
        raise CaptureError(
            f"its buses run on clocks of their own, {apart} apart, so it has to be read twice: save it to a file",
            source,
        )
    slots = {**plan.match.slots, ONLY_CLOCK: first.channels.index(used[0]) + 1}
    plan = replace(plan, match=replace(plan.match, slots=slots, in_one_piece=True))
    done = _fold_pieces(capture, plan, [(capture.n_mark, None)], make, update, merge)
    for frames in done.scanner.flush():
        update(done.accumulator, frames)
    stats = done.scanner.stats()
    stats.notes.append(
        f"the buses {', '.join(first.channels)} run on clocks of their own, {apart} apart: "
        f"all messages that are needed come on {used[0]}, so its clock was used"
    )
    return done.accumulator, stats


def _fold_pieces(
    capture: Capture,
    plan: ReadOptions,
    cuts: list[tuple[int, int | None]],
    new: Callable[[], A],
    step: Callable[[A, Frames], None],
    join: Callable[[A, A], None],
) -> _Piece[A]:
    """Return the last scanner and the accumulator of all pieces; what the scanner holds back is still missing."""
    give_up = threading.Event()

    def run(piece: _Piece[A], cut: tuple[int, int | None]) -> _Piece[A]:
        with capture.stream(*cut) as stream:
            for frames in piece.scanner.read(CancellableStream(stream, give_up)):
                step(piece.accumulator, frames)
        return piece

    first = _Piece(Scanner(plan), new())
    if len(cuts) == 1:
        return run(first, cuts[0])
    guess = _slots_behind_head(capture, plan)
    pieces = [first, *(_Piece(Scanner(plan, guess), new()) for _ in cuts[1:])]
    with ThreadPoolExecutor(len(cuts)) as threads:
        futures = [threads.submit(run, piece, cut) for piece, cut in zip(pieces, cuts, strict=True)]
        try:
            done = futures[0].result()
            for future, cut in zip(futures[1:], cuts[1:], strict=True):
                piece = future.result()
                if piece.scanner.follows(done.scanner):
                    for frames in done.scanner.flush():
                        step(done.accumulator, frames)
                    join(done.accumulator, piece.accumulator)
                    piece.scanner.absorb(done.scanner)
                    done.scanner = piece.scanner
                else:
                    done = run(done, cut)
        except BaseException:
            give_up.set()
            raise
    return done


def _slots_behind_head(capture: Capture, plan: ReadOptions) -> Iterable[int]:
    """Return the slots of the format that a piece in the middle will begin with, unless something comes between."""
    head = capture.head[: capture.head.rfind(b"\n") + 1]
    scanner = Scanner(ReadOptions(format=plan.format, match=plan.match, wanted=IdFilter(frozenset()), as_recorded=True))
    for _ in scanner.read(FileStream(BytesIO(head))):
        pass
    slots: list[int] = scanner.state[FORMAT:FORMAT_END].tolist()
    return slots


def _cut(capture: Capture, workers: int | None, piece_bytes: int) -> list[tuple[int, int | None]]:
    """Return the pieces of a capture as (start, stop): each begins with a line."""
    n_pieces = workers or usable_cores()
    if capture.size is None or capture.match is None or capture.match.in_one_piece:
        return [(capture.n_mark, None)]
    n_pieces = max(1, min(n_pieces, capture.size // piece_bytes))
    starts = [capture.n_mark]
    with Path(capture.path).open("rb", buffering=0) as file:
        for n in range(1, n_pieces):
            start = _line_start(file, capture.size * n // n_pieces)
            if start is not None and starts[-1] < start < capture.size:
                starts.append(start)
    return list(zip(starts, [*starts[1:], None], strict=True))


def usable_cores() -> int:
    """Return the cores that this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def _line_start(file: IO[bytes], place: int) -> int | None:
    """Return where the first line from a place on begins; None if there is none near."""
    file.seek(place - 1)
    for _ in range(WINDOW_BYTES // _SEEK_BYTES):
        chunk = file.read(_SEEK_BYTES)
        feed = chunk.find(b"\n")
        if feed >= 0:
            return place + feed
        place += len(chunk)
    return None


def _fold_foreign(
    capture: Capture, wanted: IdFilter | None, accumulator: A, step: Callable[[A, Frames], None]
) -> tuple[A, ReadStats]:
    recording = capture.foreign
    assert recording is not None  # noqa: S101  (the caller has looked)
    scanner = Scanner(python_can_read_options(capture.name, wanted=wanted))
    for run in recording:
        for frames in scanner.feed(run):
            step(accumulator, frames)
    for frames in scanner.flush():
        step(accumulator, frames)
    if recording.damage:
        scanner.end_at_damage(recording.damage)
    stats = scanner.stats()
    stats.clock = recording.clock
    require_read_frames(capture, stats)
    return accumulator, stats
