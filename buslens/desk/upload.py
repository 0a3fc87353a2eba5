"""A capture on its way to the disk: streamed, with a limit, gone if it is cut off."""

from __future__ import annotations

import filecmp
import os
import secrets
import shutil
from typing import TYPE_CHECKING, Final

from starlette.concurrency import run_in_threadpool
from starlette.requests import ClientDisconnect

from buslens.desk.folder import UNFINISHED, CaptureFile
from buslens.desk.kinds import HEAD_BYTES, wrong_kind
from buslens.desk.names import file_name

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path
    from typing import BinaryIO

    from starlette.requests import Request

    from buslens.desk.folder import JobFolder

MOST_BYTES: Final = 64_000_000_000
"""Of one capture."""
_SPARE_BYTES: Final = 200_000_000
"""Left free on the disk, for what else has to be written."""
_PIECE_BYTES: Final = 4_000_000


class RefusedError(Exception):
    """A file is not taken.

    Parameters
    ----------
    status : int
        Of the answer.
    problem : str
        Why, and what would be right.
    """

    def __init__(self, status: int, problem: str) -> None:
        super().__init__(problem)
        self.status, self.problem = status, problem


async def receive_capture(
    request: Request, job: JobFolder, side: str, sent_as: str, most: int = MOST_BYTES
) -> CaptureFile | None:
    """Write the body of a request into a job as a capture.

    Parameters
    ----------
    request : Request
        Its body is the file.
    job : JobFolder
    side : str
        "before" or "after".
    sent_as : str
        What the browser calls the file; only letters and digits of it come into the name.
    most : int
        Bytes.

    Returns
    -------
    CaptureFile or None
        None if the browser went away before all was there; then nothing is left of it.

    Raises
    ------
    RefusedError
        If it is empty, too large, surely no capture, or there already.
    OSError
        If the disk does not take it.
    """

    def target() -> Path:
        # Both sides share the names, so that people can, too.
        taken = {it.name.lower() for it in job.captures()}
        return job.side_folder(side) / file_name(sent_as, taken, "capture")

    taken = await receive_file(
        request, job.path, target, lambda: [it.path for it in job.captures()], most, is_for_job=True
    )
    return None if taken is None else job.capture(side, taken.name)


async def receive_file(
    request: Request,
    scratch: Path,
    target: Callable[[], Path],
    others: Callable[[], list[Path]],
    most: int,
    *,
    is_for_job: bool = False,
) -> Path | None:
    """Write the body of a request into a file.

    Parameters
    ----------
    request : Request
    scratch : Path
        Folder on the same disk, for what is not complete.
    target : callable
        Says what the file is called, once it is there.
    others : callable
        Lists files that must not hold the same.
    most : int
        Bytes.
    is_for_job : bool
        Whether it must be a capture; a car takes definitions and expectations, too.

    Returns
    -------
    Path or None
        The file; None if the browser went away before all was there; then nothing is left of it.

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
    try:
        size = await _write(request, unfinished, most)
        if announced is not None and size != announced:
            return None
        if not size:
            raise RefusedError(400, "This file is empty. Record again.")
        with unfinished.open("rb") as file:
            wrong = wrong_kind(file.read(HEAD_BYTES), is_for_job=is_for_job)
        if wrong:
            raise RefusedError(415, wrong)
        same = await run_in_threadpool(_same, others(), unfinished, size)
        if same:
            raise RefusedError(409, f"This recording is here already: {same}. It would count twice.")
        # Nothing else runs between looking for a free name and renaming.
        path = target()
        unfinished.replace(path)
    except ClientDisconnect:
        return None
    finally:
        unfinished.unlink(missing_ok=True)
    return path


async def _write(request: Request, path: Path, most: int) -> int:
    size, pieces, waiting = 0, bytearray(), 0
    descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0), 0o600)
    with os.fdopen(descriptor, "wb", buffering=0) as file:
        async for chunk in request.stream():
            size += len(chunk)
            if size > most:
                raise RefusedError(413, _too_large(most))
            pieces += chunk
            waiting += len(chunk)
            if waiting >= _PIECE_BYTES:
                await run_in_threadpool(_put, file, pieces)
                _demand_room(path.parent, 0, most)
                pieces, waiting = bytearray(), 0
        await run_in_threadpool(_put, file, pieces)
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
