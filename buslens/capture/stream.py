"""Bytes of a log, from wherever they come, in windows of whole lines."""

from __future__ import annotations

import re
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from queue import Empty, SimpleQueue
from typing import IO, Final, Protocol, TypeVar

from zlib_ng import zlib_ng as zlib  # unpacks more than twice as fast as zlib does

from buslens.capture._scan_kernel import PADDING

WINDOW_BYTES: Final = 1 << 21
"""Bytes read at a time; a line that is as long is broken. More would take memory, less would cost turns of Python."""
HEAD_BYTES: Final = 1 << 16
"""Bytes by which a format is recognised."""
GZIP_MAGIC: Final = b"\x1f\x8b"
"""RFC 1952, 2.3.1."""
BOM: Final = b"\xef\xbb\xbf"
"""Byte order mark of UTF-8."""

_GZIP_WINDOW: Final = 31
"""zlib: the largest window, in a gzip wrapping."""
_CHUNK: Final = 1 << 17
_LOOK_S: Final = 0.2
"""Seconds after which a thread that waits looks up."""


class LateDamage(str):
    """Damage that shows behind the place where it is: what came before it may be wrong, too."""

    __slots__ = ()


class Stream(Protocol):
    """Bytes in their order."""

    @property
    def damage(self) -> str:
        """Why there were no more bytes, if that was not the end; else empty."""

    def read_into(self, view: memoryview) -> int:
        """Fill the view from its start and return how many bytes there were; 0 only at the end."""

    def close(self) -> None:
        """Give back what the stream holds."""


Held = TypeVar("Held", bytes, memoryview)


def poured(held: Held, view: memoryview) -> tuple[int, Held]:
    """Fill a view from its start with bytes that are held; return how many went, and what is left of them."""
    n = min(len(view), len(held))
    view[:n] = held[:n]
    return n, held[n:]


class FileStream:
    """An open file, from where it stands, up to a number of bytes."""

    def __init__(self, file: IO[bytes], n_bytes: int | None = None, *, keep_open: bool = False) -> None:
        self.damage = ""
        self._file = file
        self._left = n_bytes
        self._keep_open = keep_open

    @classmethod
    def of(cls, path: Path, start: int = 0, stop: int | None = None) -> FileStream:
        """Open a file from start to stop."""
        file = path.open("rb", buffering=0)
        file.seek(start)
        return cls(file, None if stop is None else stop - start)

    def read_into(self, view: memoryview) -> int:
        """Fill the view."""
        room = len(view) if self._left is None else min(len(view), self._left)
        n: int | None = self._file.readinto(view[:room])  # type: ignore[attr-defined]  # IO[bytes] is silent about it
        while n is None:  # a pipe that another program has set not to block
            time.sleep(_LOOK_S / 10)
            n = self._file.readinto(view[:room])  # type: ignore[attr-defined]
        if self._left is not None:
            self._left -= n
        return n

    def close(self) -> None:
        """Close the file, unless it is someone else's."""
        if not self._keep_open:
            self._file.close()


class PassingStream:
    """A stream that hands on another one, with its damage."""

    def __init__(self, stream: Stream) -> None:
        self._stream = stream

    @property
    def damage(self) -> str:
        """Damage of the stream."""
        return self._stream.damage

    def close(self) -> None:
        """Close the stream."""
        self._stream.close()


class ChainedStream(PassingStream):
    """Some bytes that have been read already, and the stream that they came from."""

    def __init__(self, head: bytes, rest: Stream) -> None:
        super().__init__(rest)
        self._head = memoryview(head)

    def read_into(self, view: memoryview) -> int:
        """Fill the view."""
        if self._head:
            n, self._head = poured(self._head, view)
            return n
        return self._stream.read_into(view)


class CancellableStream(PassingStream):
    """A stream that ends early when an event is set."""

    def __init__(self, stream: Stream, stop: threading.Event) -> None:
        super().__init__(stream)
        self._stop = stop

    def read_into(self, view: memoryview) -> int:
        """Fill the view, or not if the event is set."""
        return 0 if self._stop.is_set() else self._stream.read_into(view)


class GzipStream:
    """What was packed into a gzip stream (RFC 1952) of one or more members, up to the first damage.

    Not `gzip.GzipFile`, which gives up what it has unpacked of a chunk when it meets damage in it.
    """

    def __init__(self, packed: Stream) -> None:
        self.damage = ""
        self._packed = packed
        self._chunk = bytearray(_CHUNK)
        self._input = b""
        self._unpacker: zlib._Decompress | None = None
        self._members = 0
        self._ended = False

    def read_into(self, view: memoryview) -> int:
        """Fill the view with unpacked bytes."""
        while not self._ended:
            if not self._input:
                n = self._packed.read_into(memoryview(self._chunk))
                self._input = bytes(self._chunk[:n])
                if n == 0:
                    # Where the view was too small, some of what was unpacked may still wait.
                    data = b"" if self._unpacker is None else self._unpacker.decompress(b"", len(view))
                    if data:
                        view[: len(data)] = data
                        return len(data)
                    self._end("the gzip data stops in the middle" if self._unpacker is not None else "")
                    break
            if self._unpacker is None:
                # Zero bytes may fill up the last block of a tape behind the last member.
                self._input = self._input.lstrip(b"\0") if self._members else self._input
                if not self._input:
                    continue
                self._unpacker = zlib.decompressobj(_GZIP_WINDOW)
                self._members += 1
            data = self._unpack(len(view))
            if data:
                view[: len(data)] = data
                return len(data)
        return 0

    def _unpack(self, most: int) -> bytes:
        unpacker = self._unpacker
        assert unpacker is not None  # noqa: S101  (read_into has just made one)
        before = unpacker.copy()
        try:
            data: bytes = unpacker.decompress(self._input, most)
        except zlib.error as problem:
            self._end(LateDamage(f"the gzip data is damaged here or before ({problem})"))
            return _unpack_to_damage(before, self._input, most)
        self._input = unpacker.unconsumed_tail
        if unpacker.eof:
            self._input = unpacker.unused_data
            self._unpacker = None
        return data

    def _end(self, damage: str) -> None:
        self._ended = True
        self.damage = damage or self._packed.damage

    def close(self) -> None:
        """Close the packed stream."""
        self._packed.close()


def _unpack_to_damage(unpacker: zlib._Decompress, packed: bytes, most: int) -> bytes:
    """Return what can be unpacked before the damage, found by halving."""
    data = b""
    step = len(packed)
    while packed and len(data) < most:
        trial = unpacker.copy()
        try:
            more = trial.decompress(packed[:step], most - len(data))
        except zlib.error:
            if step == 1:
                break
            step = (step + 1) // 2
            continue
        data += more
        packed = trial.unconsumed_tail + packed[step:]
        unpacker = trial
        step = min(step, len(packed))
    return data


class PrefetchStream(PassingStream):
    """A stream that fetches its next bytes in a thread of its own while the last ones are looked at.

    The thread may be waiting for a pipe through which nothing comes; nobody waits for the thread.
    """

    def __init__(self, stream: Stream, n_bytes: int = WINDOW_BYTES) -> None:
        super().__init__(stream)
        self._free: SimpleQueue[memoryview] = SimpleQueue()
        #: A buffer and how much of it has been filled, or what went wrong.
        self._filled: SimpleQueue[tuple[memoryview, int] | BaseException] = SimpleQueue()
        self._free.put(memoryview(bytearray(n_bytes)))
        #: The buffer that is looked at, and what has not been handed on of it.
        self._buffer, self._left = memoryview(bytearray(n_bytes)), memoryview(b"")
        self._is_closed = False
        self._thread = threading.Thread(target=self._run, daemon=True, name="buslens read ahead")
        self._thread.start()

    def _run(self) -> None:
        try:
            while not self._is_closed:
                buffer = self._free.get()
                n = self._fill(buffer)
                self._filled.put((buffer, n))
                if n == 0:
                    break
        except BaseException as problem:  # whatever it is, whoever waits has to know
            self._filled.put(problem)
        finally:
            if self._is_closed:
                self._stream.close()

    def _fill(self, buffer: memoryview) -> int:
        n = 0
        while n < len(buffer) and not self._is_closed:
            more = self._stream.read_into(buffer[n:])
            if more == 0:
                break
            n += more
        return n

    def read_into(self, view: memoryview) -> int:
        """Fill the view."""
        if not self._left:
            self._left = self._next()
        n, self._left = poured(self._left, view)
        return n

    def _next(self) -> memoryview:
        while True:
            try:
                # With a time limit, so that Ctrl-C gets through on every system.
                found = self._filled.get(timeout=_LOOK_S)
            except Empty:
                continue
            break
        if isinstance(found, BaseException):
            self._filled.put(found)
            raise found
        buffer, n = found
        if n == 0:
            self._filled.put(found)  # the end stays the end
            return buffer[:0]
        self._free.put(self._buffer)
        self._buffer = buffer
        return buffer[:n]

    def close(self) -> None:
        """End the thread and close the stream; a thread that is stuck does so when it comes free."""
        self._is_closed = True
        self._free.put(memoryview(b""))
        self._thread.join(_LOOK_S)
        if not self._thread.is_alive():
            self._stream.close()

    def __enter__(self) -> PrefetchStream:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def read_head(stream: Stream, n_bytes: int = HEAD_BYTES) -> bytes:
    """Return the first bytes of a stream."""
    buffer = bytearray(n_bytes)
    view = memoryview(buffer)
    n = 0
    while n < n_bytes and (more := stream.read_into(view[n:])):
        n += more
    return bytes(buffer[:n])


@dataclass(slots=True, kw_only=True)
class LineBlock:
    """Whole lines at the start of a buffer, valid until the next window is asked for."""

    #: The lines end here: a line feed stands before.
    stop: int
    #: It is the beginning of a line that is longer than the buffer; the rest of it has been left out.
    is_too_long: bool = False
    #: The last line had no end of its own.
    is_cut: bool = False


def line_blocks(stream: Stream, buffer: bytearray) -> Iterator[LineBlock]:
    """Yield the lines of a stream, as many at a time as fit into a buffer.

    Parameters
    ----------
    stream : Stream
        Read to its end.
    buffer : bytearray
        `PADDING` bytes at its end are never filled with text.
    """
    view = memoryview(buffer)
    size = len(buffer) - PADDING
    filled = 0
    in_long_line = False
    while n := stream.read_into(view[filled:size]):
        fresh, filled = filled, filled + n
        if in_long_line:
            feed = buffer.find(b"\n", 0, filled)
            rest = b"" if feed < 0 else bytes(view[feed + 1 : filled])
            buffer[: len(rest)] = rest
            fresh, filled, in_long_line = 0, len(rest), feed < 0
        stop = buffer.rfind(b"\n", fresh, filled) + 1
        if stop:
            yield LineBlock(stop=stop)
            rest = bytes(view[stop:filled])
            buffer[: len(rest)] = rest
            filled = len(rest)
        elif filled == size:
            # A block of zero bytes, as a power cut leaves it, is told by two of them.
            fewer = re.sub(rb"\0{3,}", b"\0\0", buffer[:filled])
            if len(fewer) < filled:
                buffer[: len(fewer)] = fewer
                filled = len(fewer)
                continue
            buffer[size] = 0x0A
            yield LineBlock(stop=size + 1, is_too_long=True)
            filled, in_long_line = 0, True
    if filled:
        buffer[filled] = 0x0A
        yield LineBlock(stop=filled + 1, is_cut=True)
