"""One writer at a time: a lock of the operating system's, which ends with the process that holds it, however it ends.

A file that holds a process number proves nothing once the machine was switched off or the number given to another
process; the system's own lock does. What the file says beside the lock is for people.
"""

import errno
import json
import os
import platform
import sys
from contextlib import suppress
from datetime import datetime
from pathlib import Path
from typing import BinaryIO

from buslens.errors import SourceLocation, UsageError

_PLACE = 1 << 30
"""Byte that is locked where locks belong to bytes: behind the text, since a locked byte cannot be read by others."""


class WriterLock:
    """The right to write, held until `release` or until the process ends.

    Parameters
    ----------
    guarded : Path
        What may be written by the holder only, for the text of the refusal.

    Raises
    ------
    UsageError
        If another holds the lock, with what is known of it, or if the file system has no locks.
    OSError
        If the file cannot be opened.
    """

    def __init__(self, path: Path, guarded: Path, refusal: str = "another run is writing this ledger") -> None:
        # Never truncated on opening: until the lock is held, the text is the holder's.
        flags = os.O_RDWR | os.O_CREAT | getattr(os, "O_BINARY", 0)
        self._file: BinaryIO = os.fdopen(os.open(path, flags, 0o666), "r+b", buffering=0)
        try:
            _lock(self._file)
        except BlockingIOError:
            text = _holder(self._file)
            self._file.close()
            raise UsageError(
                f"{refusal}{text}; wait until it is done, or choose another folder", SourceLocation(str(guarded))
            ) from None
        except OSError as exc:
            self._file.close()
            raise UsageError(
                f"the file system of this folder has no locks ({exc.strerror or exc}), so that two runs could spoil "
                "each other's ledger; choose a folder on a local disk",
                SourceLocation(str(guarded)),
            ) from exc
        who = {
            "process": os.getpid(),
            "host": platform.node(),
            "since": datetime.now().astimezone().isoformat(" ", "seconds"),
        }
        # Only for people: a full disk must not take the lock away.
        with suppress(OSError):
            self._file.truncate(0)
            self._file.seek(0)
            self._file.write(json.dumps(who).encode() + b"\n")

    def release(self) -> None:
        """Give the right to write back; once more does no harm."""
        if not self._file.closed:
            with suppress(OSError):
                self._file.truncate(0)
            self._file.close()


if sys.platform == "win32":
    import msvcrt

    _HELD = {errno.EACCES, errno.EDEADLK, 0}
    """What the C library says of a byte that another holds; the one of Wine says that it failed, and not why."""

    def _lock(file: BinaryIO) -> None:
        file.seek(_PLACE)
        try:
            msvcrt.locking(file.fileno(), msvcrt.LK_NBLCK, 1)
        except OSError as exc:
            if exc.errno not in _HELD:
                raise
            raise BlockingIOError(exc.errno, exc.strerror) from exc

else:
    import fcntl

    def _lock(file: BinaryIO) -> None:
        # Not the locks of POSIX, which a process loses as soon as it closes any other handle of the file.
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)


def _holder(file: BinaryIO) -> str:
    """Return what the holder wrote of itself, to stand behind a sentence; empty if it is not there (yet)."""
    try:
        file.seek(0)
        who = json.loads(file.read(1000))
        return f" (process {int(who['process'])} on {who['host']}, since {who['since']})"
    except (OSError, ValueError, KeyError, TypeError):
        return ""
