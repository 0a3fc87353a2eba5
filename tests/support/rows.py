"""Frames of a capture, one by one, for tests that compare them."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from buslens.capture.open import open_capture
from buslens.capture.reduce import reduce_frames

if TYPE_CHECKING:
    from pathlib import Path

    from buslens.capture.frames import Frames, ReadStats


class Row(NamedTuple):
    """One frame, as the tests write it."""

    time_ns: int
    channel: str
    can_id: int
    flags: int
    dlc: int
    data: bytes


def row(time_ns: int, channel: str, can_id: int, flags: int, dlc: int, data: str = "") -> Row:
    """Return a frame whose data is written in hexadecimal digits."""
    return Row(time_ns, channel, can_id, flags, dlc, bytes.fromhex(data))


def append_rows(rows: list[Row], frames: Frames) -> None:
    """Append the frames of a run."""
    for i in range(len(frames)):
        first = int(frames.word[i])
        length = int(frames.length[i])
        payload = frames.words[first : first + (length + 7) // 8].astype("<u8").tobytes()
        assert not any(payload[length:]), "words are zero-padded"
        rows.append(
            Row(
                int(frames.time_ns[i]),
                frames.channels[int(frames.channel[i])],
                int(frames.can_id[i]),
                int(frames.flags[i]),
                int(frames.dlc[i]),
                payload[:length],
            )
        )


def read_rows(path: Path, text: bytes, **options: int) -> tuple[list[Row], ReadStats]:
    """Write a log to a path, and read it."""
    path.write_bytes(text)
    return reduce_frames(
        open_capture(path),
        wanted=None,
        make=list[Row],
        update=append_rows,
        merge=lambda rows, more: rows.extend(more),
        **options,
    )
