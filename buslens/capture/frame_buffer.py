"""The buffers that a kernel fills, and the frames in them that wait for their place in time."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from buslens.capture.frames import Frames


class FrameBuffer:
    """Frames that have been read and not handed on, in file order."""

    def __init__(self, room: int, word_room: int) -> None:
        self.time = np.empty(room, np.int64)
        self.channel = np.empty(room, np.uint16)
        self.can_id = np.empty(room, np.uint32)
        self.flags = np.empty(room, np.uint16)
        self.dlc = np.empty(room, np.uint8)
        self.length = np.empty(room, np.uint8)
        self.word = np.empty(room, np.int64)
        self.words = np.empty(word_room, np.uint64)

    def all(self) -> tuple[NDArray[Any], ...]:
        """Return the columns in the order of `Frames`, without the payload words."""
        return self.time, self.channel, self.can_id, self.flags, self.dlc, self.length, self.word

    def plain(self) -> tuple[tuple[memoryview, ...], memoryview]:
        """Return what plain Python writes to most quickly: columns, and words of payloads."""
        columns: tuple[Any, ...] = self.all()  # an array is a buffer
        return tuple(map(memoryview, columns)), memoryview(self.words)  # type: ignore[arg-type]

    def compiled(self) -> tuple[tuple[NDArray[Any], ...], NDArray[Any]]:
        """Return what compiled code writes to; there words are signed like everything else."""
        return self.all(), self.words.view(np.int64)

    def release(
        self, n: int, n_words: int, *, limit_ns: int | None, is_sorted: bool, channels: tuple[str, ...], segment: int
    ) -> tuple[Frames | None, int, int]:
        """Take out the frames up to a time, sorted by time unless they are so, and move the others to the front.

        Parameters
        ----------
        limit_ns : int or None
            Later frames stay; None: all go.
        is_sorted : bool
            Leave the order as it is.

        Returns
        -------
        frames, n, n_words
            What was taken out, None if that is nothing; frames and words that there are now.
        """
        if n == 0:
            return None, 0, 0
        arrays = [column[:n] for column in self.all()]
        if not is_sorted and not bool((arrays[0][1:] >= arrays[0][:-1]).all()):
            # Put in order where they are: what stays must not be sorted again and again.
            order = np.argsort(arrays[0], kind="stable")
            for array in arrays:
                array[:] = array[order]
        cut = n if limit_ns is None else int(np.searchsorted(arrays[0], limit_ns, "right"))
        if cut == 0:
            return None, n, n_words
        time_ns, channel, can_id, flags, dlc, length, word = (array[:cut].copy() for array in arrays)
        words = self.words[:n_words].copy()
        left = n - cut
        for array in arrays:
            array[:left] = array[cut:].copy()
        # Only the words of frames that stay are kept, one frame's behind the other's.
        sizes = (self.length[:left].astype(np.int64) + 7) // 8
        starts = np.cumsum(sizes) - sizes
        left_words = int(sizes.sum())
        self.words[:left_words] = words[np.repeat(self.word[:left] - starts, sizes) + np.arange(left_words)]
        self.word[:left] = starts
        frames = Frames(
            time_ns=time_ns,
            channel=channel,
            can_id=can_id,
            flags=flags,
            dlc=dlc,
            length=length,
            word=word,
            words=words,
            channels=channels,
            segment=segment,
        )
        return frames, left, left_words
