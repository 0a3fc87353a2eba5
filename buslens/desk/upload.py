"""A capture on its way to the disk: streamed, with a limit, gone if it is cut off."""

import asyncio
import filecmp
import os
import secrets
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import BinaryIO, Final, NamedTuple

from starlette.concurrency import run_in_threadpool
from starlette.requests import ClientDisconnect, Request
from starlette.responses import JSONResponse, PlainTextResponse, Response

from buslens.capture.file_kind import kind_of
from buslens.capture.stream import HEAD_BYTES
from buslens.desk.archive import MAGIC, unpack
from buslens.desk.folder import UNFINISHED, JobFolder
from buslens.desk.names import file_name
from buslens.desk.work import expect
from buslens.desk.workers import Workers

MOST_BYTES: Final = 64_000_000_000
"""Of one capture."""
_SPARE_BYTES: Final = 200_000_000
"""Left free on the disk, for what else has to be written."""
_PIECE_BYTES: Final = 4_000_000


class RefusedError(Exception):
    """A file is not taken, with the status of the answer, why, and what would be right."""

    def __init__(self, status: int, problem: str) -> None:
        super().__init__(problem)
        self.status, self.problem = status, problem


class Received(NamedTuple):
    """What came of a file that was sent."""

    #: One; of an archive of several all that were taken.
    files: list[Path]
    #: What of an archive was not, and why.
    left: list[str]


async def receive_capture(
    request: Request, job: JobFolder, side: str, workers: Workers, most: int = MOST_BYTES
) -> Received | None:
    """Write the body of a request into a job as a capture, on the side "before" or "after"; see `receive_file`."""

    def target(sent_as: str) -> Path:
        # Both sides share the names, so that people can, too.
        taken = {it.name.lower() for it in job.captures()}
        return job.side_folder(side) / file_name(sent_as, taken, "capture")

    def others() -> list[Path]:
        return [it.path for it in job.captures()]

    return await receive_file(request, job.path, target, others, workers, most, is_for_job=True)


async def receive_file(
    request: Request,
    scratch: Path,
    target: Callable[[str], Path],
    others: Callable[[], list[Path]],
    workers: Workers,
    most: int,
    *,
    is_for_job: bool = False,
) -> Received | None:
    """Write the body of a request into a file, or into several if it is an archive of several.

    None if the browser went away before all was there; then nothing is left of it. Only letters and digits of what the
    browser calls it come into a name.

    Parameters
    ----------
    scratch : Path
        Folder on the same disk, for what is not complete.
    target : callable
        Says what a file is called, once it is there, by what it was called.
    others : callable
        Lists files that must not hold the same.
    most : int
        Bytes.
    is_for_job : bool
        Whether it must be a capture; a car takes definitions and expectations, too.

    Raises
    ------
    RefusedError
        If it is empty, too large, surely no capture, or there already.
    OSError
        If the disk does not take it.
    """
    announced = int(length) if (length := request.headers.get("content-length", "")).isdecimal() else None
    _demand_room(scratch, announced or 0, most)
    unfinished = scratch / f"{UNFINISHED}{secrets.token_hex(8)}"
    sent = [(request.query_params.get("name", ""), unfinished)]
    received = Received([], [])
    try:
        size = await _write(request, unfinished, most, lambda: workers.begin(expect, str(unfinished)))
        if announced is not None and size != announced:
            return None
        with unfinished.open("rb") as head:
            is_archive = head.read(len(MAGIC)) == MAGIC
        inside = await workers.run(unpack, str(unfinished), UNFINISHED, most) if is_archive else []
        sent += [(name, Path(place)) for name, place in inside if place]
        received.left.extend(f"{name}: no recording" for name, place in inside if not place)
        for name, file in sent[1:] if inside else sent:
            try:
                await run_in_threadpool(_require_new, file, others(), is_for_job=is_for_job)
            except RefusedError as error:
                if not inside:
                    raise
                received.left.append(f"{name}: {error.problem}")
                continue
            # Nothing else runs between looking for a free name and renaming.
            path = target(name)
            file.replace(path)
            received.files.append(path)
    except ClientDisconnect:
        return None
    finally:
        for _, file in sent:
            file.unlink(missing_ok=True)
    if not received.files:
        raise RefusedError(415, f"Nothing of this archive was taken. {' '.join(received.left)}")
    return received


def received_answer(received: Received | None) -> Response:
    """Return the answer to a file that was sent: what it is called here, and what was not taken."""
    if received is None:
        return PlainTextResponse("The browser went away before the whole file was here.", 400)
    return JSONResponse({"names": [it.name for it in received.files], "left": received.left}, 201)


def _require_new(file: Path, others: list[Path], *, is_for_job: bool) -> None:
    size = file.stat().st_size
    if not size:
        raise RefusedError(400, "This file is empty. Record again.")
    with file.open("rb") as opened:
        kind = kind_of(opened.read(HEAD_BYTES))
    if kind is not None and kind.is_of_car and is_for_job:
        raise RefusedError(
            415, f"This is {kind.name}. It belongs to a car: add it under Cars. Drop the recorded log here."
        )
    if kind is not None and not kind.is_of_car:
        raise RefusedError(
            415, f"This is {kind.name}, not a recording of the bus. Save the recording as a log file, and drop that."
        )
    same = _same(others, file, size)
    if same:
        raise RefusedError(409, f"This recording is here already: {same}. It would count twice.")


async def _write(request: Request, path: Path, most: int, is_long: Callable[[], None]) -> int:
    """Write a piece while the next one arrives; return how many bytes came."""
    size, piece, writing = 0, bytearray(), None
    descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0), 0o600)
    with os.fdopen(descriptor, "wb", buffering=0) as file:
        try:
            async for chunk in request.stream():
                size += len(chunk)
                if size > most:
                    raise RefusedError(413, _too_large(most))
                piece += chunk
                if len(piece) < _PIECE_BYTES:
                    continue
                _demand_room(path.parent, 0, most)
                if writing is not None:
                    await writing
                writing = asyncio.create_task(run_in_threadpool(_put, file, piece))
                if size == len(piece):
                    await writing
                    is_long()
                piece = bytearray()
        finally:
            if writing is not None:
                await writing
        await run_in_threadpool(_put, file, piece)
    return size


def _put(file: BinaryIO, data: bytearray) -> None:
    view = memoryview(data)
    while view:
        view = view[file.write(view) :]


def _demand_room(folder: Path, size: int, most: int) -> None:
    if size > most:
        raise RefusedError(413, _too_large(most))
    if shutil.disk_usage(folder).free < size + _SPARE_BYTES:
        raise RefusedError(507, "There is not enough room on the disk for this file. Make room, then drop it again.")


def _too_large(most: int) -> str:
    return f"A capture may have {most / 1e9:g} GB at most. Cut it, or use the commands on it where it lies."


def _same(others: list[Path], file: Path, size: int) -> str:
    """Return the name of the file that holds the same bytes; empty if there is none."""
    for other in others:
        if other.stat().st_size == size and filecmp.cmp(file, other, shallow=False):
            return other.name
    return ""
