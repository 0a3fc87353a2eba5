"""Bytes of a log that is still being written."""

import os
import queue
import threading
from collections.abc import Callable
from pathlib import Path
from typing import IO, Any, Final

from buslens.capture.stream import PassingStream, Stream, poured
from buslens.errors import CaptureError, SourceLocation

_LOOK_S: Final = 0.05
"""Seconds between two looks for more."""
_CHUNK: Final = 1 << 16
_READ: Final = 0x80000000
_SHARE_ALL: Final = 0x1 | 0x2 | 0x4
_OPEN_EXISTING: Final = 3
"""GENERIC_READ, FILE_SHARE_READ with WRITE and DELETE, and OPEN_EXISTING of Windows' CreateFileW."""


class InterruptibleStream(PassingStream):
    """A stream that is read by a thread of its own, so that whoever waits for it can be stopped.

    Parameters
    ----------
    stream : Stream
        Read to its end, in chunks as they come.
    stop : threading.Event
        Ends it.
    """

    def __init__(self, stream: Stream, stop: threading.Event) -> None:
        super().__init__(stream)
        self._stop = stop
        self._chunks: queue.Queue[bytes | Exception] = queue.Queue(64)
        self._rest = b""
        threading.Thread(target=self._read, daemon=True, name="buslens input").start()

    def _read(self) -> None:
        buffer = bytearray(_CHUNK)
        view = memoryview(buffer)
        while not self._stop.is_set():
            try:
                n = self._stream.read_into(view)
            except Exception as exc:  # whatever it is, the reader of the chunks has to know
                self._put(exc)
                return
            self._put(bytes(view[:n]))
            if n == 0:
                return

    def _put(self, chunk: bytes | Exception) -> None:
        while not self._stop.is_set():
            try:
                self._chunks.put(chunk, timeout=_LOOK_S)
            except queue.Full:
                continue
            return

    def read_into(self, view: memoryview) -> int:
        """Fill the view with what has come; wait for more if nothing has."""
        while not self._rest:
            if self._stop.is_set():
                return 0
            try:
                chunk = self._chunks.get(timeout=_LOOK_S)
            except queue.Empty:
                continue
            if isinstance(chunk, Exception):
                raise chunk
            if not chunk:
                return 0
            self._rest = chunk
        n, self._rest = poured(self._rest, view)
        return n

    def close(self) -> None:
        """Leave the stream to its thread, which may be waiting in it."""


class TailStream:
    """A growing file, read as by tail -f: its end waits for more.

    When the file becomes shorter it is read from its start again; when another file has got its name, the old one is
    read to its end and then the new one. `remarks` tells of both.

    Parameters
    ----------
    path : Path
        The file; it has to be there.
    remarks : list of str
        Is told, as sentences, what happens to the file.
    """

    damage = ""

    def __init__(self, path: Path, stop: threading.Event, remarks: list[str]) -> None:
        self.remarks = remarks
        self._path = path
        self._stop = stop
        self._file: IO[bytes] = _open_shared(path)
        self._ends_line = True

    def read_into(self, view: memoryview) -> int:
        """Fill the view with what has been written."""
        while not self._stop.is_set():
            n = self._file.readinto(view)  # type: ignore[attr-defined]  # IO[bytes] is silent about it
            if n:
                self._ends_line = view[n - 1] == 0x0A
                return int(n)
            if self._has_begun_anew() and not self._ends_line:
                self._ends_line = True
                view[0] = 0x0A  # what stood last in the old file is no beginning of a line of the new one
                return 1
            self._stop.wait(_LOOK_S)
        return 0

    def _has_begun_anew(self) -> bool:
        mine = os.fstat(self._file.fileno())
        if mine.st_size < self._file.tell():
            self._file.seek(0)
            self.remarks.append(f"{self._path} was cut short while it was followed, and was read from its start again")
            return True
        try:
            other = self._path.stat()
        except OSError:
            return False  # its successor has not been made yet
        if (other.st_dev, other.st_ino) == (mine.st_dev, mine.st_ino):
            return False
        if os.fstat(self._file.fileno()).st_size > self._file.tell():
            return False  # written after the last look, before the other file came; the next look finds it
        self._file.close()
        self._file = _open_shared(self._path)
        self.remarks.append(f"another file took the place of {self._path} while it was followed, and was read on")
        return True

    def close(self) -> None:
        """Close the file."""
        self._file.close()


def _open_shared(path: Path) -> IO[bytes]:
    """Open a file so that whoever writes it can rename it meanwhile, which Windows would refuse them."""
    return open(path, "rb", buffering=0, opener=_shared if os.name == "nt" else None)


def _shared(path: str, _flags: int) -> int:
    import ctypes
    import msvcrt

    system: Any = ctypes.WinDLL("kernel32", use_last_error=True)  # type: ignore[attr-defined,unused-ignore]
    system.CreateFileW.restype = ctypes.c_void_p
    handle = system.CreateFileW(os.fspath(path), _READ, _SHARE_ALL, None, _OPEN_EXISTING, 0, None)
    if handle == ctypes.c_void_p(-1).value:
        problem: OSError = ctypes.WinError(ctypes.get_last_error())  # type: ignore[attr-defined,unused-ignore]
        raise type(problem)(problem.errno, problem.strerror, os.fspath(path), getattr(problem, "winerror", None))
    return int(msvcrt.open_osfhandle(handle, os.O_RDONLY))  # type: ignore[attr-defined,unused-ignore]


class LineStream(PassingStream):
    """The whole lines of a stream; a last one without an end only if the stream ended by itself.

    Parameters
    ----------
    stream : Stream
        Where the bytes come from.
    stop : threading.Event
        Set when the end of the stream is none of its own.
    """

    def __init__(self, stream: Stream, stop: threading.Event) -> None:
        super().__init__(stream)
        self._stop = stop
        self._ready = b""
        self._begun = b""

    def read_into(self, view: memoryview) -> int:
        """Fill the view with the beginning of what is ready."""
        while not self._ready:
            n = self._stream.read_into(view)
            if n == 0:
                self._ready, self._begun = b"" if self._stop.is_set() else self._begun, b""
                if not self._ready:
                    return 0
                break
            text = self._begun + bytes(view[:n])
            stop = text.rfind(b"\n") + 1
            if not stop and len(text) >= len(view):
                stop = len(text)  # longer than any line
            self._ready, self._begun = text[:stop], text[stop:]
        n, self._ready = poured(self._ready, view)
        return n


def first_lines(stream: Stream, recognises: Callable[[bytes], bool], *, most: int, name: str) -> bytes:
    """Return the first bytes of a stream, as many as it takes to recognise what it is, and no more.

    Raises CaptureError if it ends without a single byte.
    """
    head = bytearray()
    buffer = memoryview(bytearray(most))
    while len(head) < most and not (head and recognises(bytes(head))):
        n = stream.read_into(buffer[: most - len(head)])
        if n == 0:
            break
        head += buffer[:n]
    if not head:
        raise CaptureError(
            "no frame received; check the bit rate, the wiring and whether the bus is awake", SourceLocation(name)
        )
    return bytes(head)
