"""Frames from rows of what was sent."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from buslens.capture.frames import Frames

if TYPE_CHECKING:
    from collections.abc import Sequence

#: Of one frame: time since the one before in ns, channel, id, flags, payload.
Sent = tuple[int, int, int, int, bytes]


def frames_of(sent: Sequence[Sent], start_ns: int = 0, segment: int = 0) -> Frames:
    """Return frames as a reader gives them."""
    words: list[int] = []
    word = []
    for *_, payload in sent:
        word.append(len(words))
        padded = payload + bytes(-len(payload) % 8)
        words += [int.from_bytes(padded[k : k + 8], "little") for k in range(0, len(padded), 8)]
    return Frames(
        time_ns=start_ns + np.cumsum([row[0] for row in sent], dtype=np.int64),
        channel=np.array([row[1] for row in sent], np.uint16),
        can_id=np.array([row[2] for row in sent], np.uint32),
        flags=np.array([row[3] for row in sent], np.uint16),
        dlc=np.zeros(len(sent), np.uint8),
        length=np.array([len(row[4]) for row in sent], np.uint8),
        word=np.array(word, np.int64),
        words=np.array(words, np.uint64),
        channels=("can0", "can1"),
        segment=segment,
    )
