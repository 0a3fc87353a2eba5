"""Whether two captures are the same recording: by their frames, whatever the bytes of their files.

A copy that was compressed, has other line ends or one comment more holds the same frames. Two captures are the same if
their frames are: time since the first frame, channel, identifier, flags and payload, in order.
"""

import hashlib
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from buslens.capture.frames import Frames

_COLUMNS: Final = 6


class FrameHash:
    """Hash of the frames of one capture (SHA-256, FIPS 180-4); how they are parted into runs means nothing."""

    def __init__(self) -> None:
        # Each column is a stream of its own, so that no run has to be laid out frame by frame.
        self._columns = tuple(hashlib.sha256() for _ in range(_COLUMNS))
        self._first_ns: int | None = None
        self._channels: tuple[str, ...] = ()

    def add(self, frames: Frames) -> None:
        """Add a run of frames, later than all before."""
        if not len(frames):
            return
        if self._first_ns is None:
            self._first_ns = int(frames.time_ns[0])
        self._channels = frames.channels
        columns: tuple[NDArray[Any], ...] = (
            frames.time_ns - self._first_ns,
            frames.channel,
            frames.can_id,
            frames.flags,
            frames.length,
            _payloads(frames),
        )
        for digest, column in zip(self._columns, columns, strict=True):
            digest.update(np.ascontiguousarray(column, dtype=column.dtype.newbyteorder("<")).data)

    def hexdigest(self) -> str:
        """Return the hash; empty without frames, which tell no recording from another."""
        if self._first_ns is None:
            return ""
        whole = hashlib.sha256()
        for column in self._columns:
            whole.update(column.digest())
        for label in self._channels:
            whole.update(label.encode("utf-8", "surrogateescape") + b"\n")
        return whole.hexdigest()


def frames_hash(path: str) -> str:
    """Return the hash of all frames of a capture; empty if it has none.

    Raises CaptureError if it is no capture, OSError if it cannot be read.
    """
    from buslens.capture.open import open_capture
    from buslens.capture.reduce import reduce_frames

    # Each run goes on where the one before ended: one piece.
    found, _ = reduce_frames(
        open_capture(path), wanted=None, make=FrameHash, update=FrameHash.add, merge=never_joined, workers=1
    )
    return found.hexdigest()


def _payloads(frames: Frames) -> NDArray[np.uint64]:
    """Return the words of the payloads, frame after frame."""
    count = (frames.length.astype(np.int64) + 7) >> 3
    before = np.cumsum(count) - count
    return frames.words[np.repeat(frames.word - before, count) + np.arange(int(count.sum()))]


def never_joined(_one: object, _other: object) -> None:
    """Stand for the joining of pieces where a capture is read in one."""
    raise AssertionError("one thread reads a capture in one piece")
