"""Recordings in formats that are not ours to parse, through python-can's reader for their suffix.

Such a reader yields one object per frame, so this is some hundred times slower than a format of our own; the
columns that come out are the same.
"""

from __future__ import annotations

import errno
import logging
import os
import threading
from array import array
from base64 import b64decode
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Final

from buslens.capture.frames import Clock, Flag, Frames
from buslens.errors import CaptureError, SourceLocation
from buslens.units import NS_PER_S

if TYPE_CHECKING:
    from can import Message

_NAIVE_SUFFIXES: Final = frozenset({".blf", ".trc"})
"""Formats whose header holds a calendar date without a zone; python-can takes it as it stands."""
_NUMBERED_FROM_ONE: Final = frozenset({".blf"})
"""Formats that number channels from 1, from which python-can subtracts 1."""
_EPOCH_STAMPS_S: Final = 100_000_000
"""Stamps from here on count from 1970; smaller ones (less than three years) from a start of the recorder's."""
_FD_CODES: Final = {length: 9 + i for i, length in enumerate((12, 16, 20, 24, 32, 48, 64))}
"""Data length codes of CAN FD payloads above 8 bytes, ISO 11898-1."""
_BUS_ERROR: Final = 0x80
"""CAN_ERR_BUSERROR of the Linux kernel's can/error.h: all that an error frame without a class says."""
_KEPT_REMARKS: Final = 5
"""What a reader says is kept this often, and then only counted."""
_BEGINNINGS: Final = {".trc": b";$FILEVERSION=", ".csv": b"timestamp,arbitration_id,extended,remote,error,dlc,data"}
"""First bytes of the text formats that a table could be taken for."""
_CSV_COLUMNS: Final = 7
_EXTRAS: Final = {".mf4": "python-can[mf4]"}
"""What some readers of python-can need beside it."""


def python_can_suffixes() -> tuple[str, ...]:
    """Return the suffixes that python-can has a reader for, in alphabetical order."""
    from can.io.player import MESSAGE_READERS

    return tuple(sorted(MESSAGE_READERS))


def python_can_suffix(path: Path) -> str:
    """Return the suffix that tells the format, in lower case; that before ``.gz`` for a compressed file."""
    return Path(path.stem).suffix.lower() if path.suffix.lower() == ".gz" else path.suffix.lower()


class PythonCanRecording:
    """One recording, read through python-can.

    Iterating yields `Frames` in file order, their times as recorded. A float of seconds since 1970 resolves no
    more than 0.24 us, so such stamps are rounded to the microsecond, smaller ones to the nanosecond.
    """

    def __init__(self, path: Path, *, batch: int = 65_536) -> None:
        self.path = path
        self.suffix = python_can_suffix(path)
        #: Set by the first frame.
        self.clock = Clock.RELATIVE
        #: Why the file could not be read to its end, after what was read; empty if it could.
        self.damage = ""
        #: What the reader had to say, the first few of it, such as about rows that it left out; and how often.
        self.remarks: list[str] = []
        self.remark_count = 0
        self._batch = batch
        self._channels: dict[str, int] = {}

    @property
    def is_text(self) -> bool:
        """Whether its suffix is one that tables have, too: then only its first bytes make it a recording."""
        return self.suffix in _BEGINNINGS

    def begins_as_its_suffix_says(self, head: bytes) -> bool:
        """Return whether a file of text begins as its suffix says."""
        own = _BEGINNINGS.get(self.suffix)
        return own is not None and head.lstrip().startswith(own)

    def is_surely_its_own(self, head: bytes) -> bool:
        """Return whether a file begins as its suffix says, and a first frame can be read of it."""
        if not self.begins_as_its_suffix_says(head) or (self.suffix == ".csv" and not _is_base64(head)):
            return False
        try:
            next(iter(self))
        except (CaptureError, StopIteration):
            return False
        return True

    def __iter__(self) -> Iterator[Frames]:
        """Yield the frames in runs.

        Raises CaptureError if not a single frame can be read: no reader for the suffix, a package that it needs is
        missing, or the file is not what its suffix says; OSError if the system does not give the file, or not all of
        it.
        """
        import can

        self.clock = Clock.RELATIVE
        self.damage = ""
        self.remarks = []
        self.remark_count = 0
        self._channels = {}
        columns = _FrameBatch()
        seen = False
        try:
            if not self.path.is_file():
                raise FileNotFoundError(errno.ENOENT, os.strerror(errno.ENOENT), str(self.path))
            with self._listening(), can.LogReader(self.path) as reader:
                for message in reader:
                    if not seen:
                        self.clock = self._clock_of(message.timestamp)
                        seen = True
                    columns.add(message, self._channel_of(message.channel), whole_us=self.clock is not Clock.RELATIVE)
                    if len(columns) == self._batch:
                        yield columns.frames(tuple(self._channels))
                        columns = _FrameBatch()
        except NotImplementedError as problem:
            raise self._refusal(problem) from problem
        except OSError as problem:
            if _is_of_the_system(problem):
                # As for a log of our own: what the device did not give may hold anything.
                problem.filename = problem.filename or str(self.path)
                raise
            self._give_up(problem, seen=seen)
        except Exception as problem:  # a reader that is not ours, for a damaged file: anything may come
            self._give_up(problem, seen=seen)
        if not seen:
            raise CaptureError("there is not a single frame in the file", SourceLocation(str(self.path)))
        if len(columns):
            yield columns.frames(tuple(self._channels))

    @contextmanager
    def _listening(self) -> Iterator[None]:
        """Take down what python-can logs on this thread, instead of letting it go to standard error."""
        logger = logging.getLogger("can")
        scribe = _WarningCollector(self)
        logger.addHandler(scribe)
        try:
            yield
        finally:
            logger.removeHandler(scribe)

    def _clock_of(self, first: float) -> Clock:
        if first < _EPOCH_STAMPS_S:
            return Clock.RELATIVE
        return Clock.LOCAL if self.suffix in _NAIVE_SUFFIXES else Clock.WALL

    def _channel_of(self, channel: object) -> int:
        if isinstance(channel, int) and self.suffix in _NUMBERED_FROM_ONE:
            channel += 1
        label = "-" if channel is None else str(channel)
        return self._channels.setdefault(label, len(self._channels))

    def _give_up(self, problem: Exception, *, seen: bool) -> None:
        """Take a reader's error for damage behind what was read, or for a refusal of the whole file."""
        if not seen:
            raise self._refusal(problem) from problem
        self.damage = f"the reader for '{self.suffix}' gave up here: {_sentence(problem)}"

    def _refusal(self, problem: Exception) -> CaptureError:
        source = SourceLocation(str(self.path))
        if self.suffix not in python_can_suffixes():
            known = ", ".join(python_can_suffixes())
            return CaptureError(
                f"neither a candump nor an ASC log, and no reader knows the suffix '{self.suffix}'; known: {known}",
                source,
            )
        if isinstance(problem, ImportError | NotImplementedError):
            extra = _EXTRAS.get(self.suffix)
            hint = f'; it needs: pip install "{extra}"' if extra else ""
            return CaptureError(f"'{self.suffix}' cannot be read here: {_sentence(problem)}{hint}", source)
        return CaptureError(
            f"the file is damaged, or not what its suffix '{self.suffix}' says ({_sentence(problem)})", source
        )


class _WarningCollector(logging.Handler):
    """Writes what is logged on the thread that made it into a recording's remarks."""

    def __init__(self, recording: PythonCanRecording) -> None:
        super().__init__(logging.WARNING)
        self._recording = recording
        self._thread = threading.get_ident()

    def emit(self, record: logging.LogRecord) -> None:
        """Take one remark down."""
        if record.thread != self._thread:
            return
        self._recording.remark_count += 1
        if len(self._recording.remarks) < _KEPT_REMARKS:
            self._recording.remarks.append(" ".join(record.getMessage().split()))


def _is_base64(head: bytes) -> bool:
    """Return whether the rows of a file with the columns of python-can's own hold payloads as it writes them.

    Others write the same columns with payloads in hexadecimal digits, of which base64 makes other bytes.
    """
    rows = [row for line in head.splitlines()[1:] if len(row := line.split(b",")) == _CSV_COLUMNS and row[6].strip()]
    fits = [_has_bytes(row[6], row[5]) for row in rows]
    return 2 * sum(fits) >= len(fits)


def _has_bytes(text: bytes, count: bytes) -> bool:
    try:
        return len(b64decode(text, validate=True)) == int(count)
    except ValueError:
        return False


class _FrameBatch:
    """Frames being gathered."""

    def __init__(self) -> None:
        self.time = array("q")
        self.channel = array("H")
        self.can_id = array("I")
        self.flags = array("H")
        self.dlc = array("B")
        self.length = array("B")
        self.word = array("q")
        self.payload = bytearray()

    def __len__(self) -> int:
        return len(self.time)

    def add(self, message: Message, channel: int, *, whole_us: bool) -> None:
        """Take one frame."""
        stamp = message.timestamp
        self.time.append(round(stamp * 1_000_000) * 1_000 if whole_us else round(stamp * NS_PER_S))
        self.channel.append(channel)
        data = bytes(message.data) if not message.is_remote_frame else b""
        flags = Flag(0)
        can_id = message.arbitration_id & 0x1FFFFFFF
        if message.is_error_frame:
            flags |= Flag.ERROR
            can_id = can_id or _BUS_ERROR
        elif message.is_extended_id:
            flags |= Flag.EXTENDED
        if message.is_remote_frame:
            flags |= Flag.REMOTE
        if message.is_fd:
            flags |= Flag.FD
            if message.bitrate_switch:
                flags |= Flag.BRS
            if message.error_state_indicator:
                flags |= Flag.ESI
        if not message.is_rx:
            flags |= Flag.TX
        # python-can's dlc is the number of bytes.
        self.can_id.append(can_id)
        self.flags.append(int(flags))
        self.dlc.append(_FD_CODES.get(message.dlc, min(message.dlc, 15)))
        self.length.append(len(data))
        self.word.append(len(self.payload) // 8)
        self.payload += data.ljust(-(-len(data) // 8) * 8, b"\0")

    def frames(self, channels: tuple[str, ...]) -> Frames:
        """Return what has been gathered."""
        import numpy as np

        return Frames(
            time_ns=np.array(self.time, np.int64),
            channel=np.array(self.channel, np.uint16),
            can_id=np.array(self.can_id, np.uint32),
            flags=np.array(self.flags, np.uint16),
            dlc=np.array(self.dlc, np.uint8),
            length=np.array(self.length, np.uint8),
            word=np.array(self.word, np.int64),
            words=np.frombuffer(bytes(self.payload), "<u8").astype(np.uint64),
            channels=channels,
        )


def _is_of_the_system(problem: OSError) -> bool:
    """Whether the system refused something: what libraries raise themselves of this kind has no number."""
    # EINVAL: a reader that a damaged file has sent to a place before its beginning.
    return problem.errno is not None and problem.errno != errno.EINVAL


def _sentence(problem: Exception) -> str:
    """Return what a foreign error says, on one line; its kind where it says nothing."""
    return " ".join(str(problem).split()) or type(problem).__name__
