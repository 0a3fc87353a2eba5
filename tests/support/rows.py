"""Frames of a capture, one by one, for tests that compare them."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from buslens.capture.fold import fold
from buslens.capture.open import open_capture

if TYPE_CHECKING:
    from pathlib import Path

    from buslens.capture.frames import Frames, Tally


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


def read_rows(path: Path, text: bytes, **options: int) -> tuple[list[Row], Tally]:
    """Write a log to a path, and read it."""
    path.write_bytes(text)
    return fold(
        open_capture(path),
        wanted=None,
        new=list[Row],
        step=append_rows,
        join=lambda rows, more: rows.extend(more),
        **options,
    )
