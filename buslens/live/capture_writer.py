"""Keeping what comes from a bus in a file, so that a crash loses little and an end loses nothing."""

import errno
import os
import time
from pathlib import Path
from typing import Final

from buslens.errors import UsageError

_FLUSH_S: Final = 0.5
"""Seconds after which what has come is in the hands of the system."""


class CaptureWriter:
    """A capture that is being written, under a temporary name until it is whole.

    Parameters
    ----------
    path : str
        Where it will lie. Nothing may be there.
    temporary : Path, optional
        Where it lies until it is whole, in the same folder; default: a free name beside it.

    Raises
    ------
    UsageError
        If something is.
    OSError
        If the folder does not take the file.
    """

    def __init__(self, path: str, temporary: Path | None = None) -> None:
        self.path = Path(path)
        if os.path.lexists(self.path):
            raise UsageError(f"--keep {path}: the file is there already; name another one")
        if not self.path.parent.is_dir():
            raise FileNotFoundError(errno.ENOENT, os.strerror(errno.ENOENT), path)
        #: Under which name it lies until it is whole.
        self.temporary = self._free() if temporary is None else temporary
        self._file = self.temporary.open("xb")
        self._flushed = time.monotonic()

    def _free(self) -> Path:
        number = 0
        while True:
            name = self.path.with_name(f"{self.path.name}.part{number or ''}")
            if not os.path.lexists(name):
                return name
            number += 1

    def write(self, lines: bytes) -> None:
        """Write whole lines."""
        if lines:
            self._file.write(lines)
        now = time.monotonic()
        if now - self._flushed >= _FLUSH_S:
            self._file.flush()
            self._flushed = now

    def finish(self) -> Path:
        """Rename the file to its final name unless that now exists; return its path.

        A file in which nothing has been written is removed.
        """
        self._file.close()
        if self.temporary.stat().st_size == 0:
            self.temporary.unlink()
            return self.path
        if os.path.lexists(self.path):
            return self.temporary
        self.temporary.rename(self.path)
        return self.path
