"""Random numbers that stay the same on every machine, one independent stream for each concern.

Only the raw output of PCG64 is used: numpy promises that it never changes, while the methods of its Generator may
(NumPy Enhancement Proposal 19). What is derived from it uses +, -, * and / alone, which IEEE 754 fixes to the bit.
"""

from zlib import crc32

import numpy as np
from numpy.typing import NDArray


class RandomStreams:
    """All random numbers of one rehearsal.

    A concern draws from a stream of its own, named by it: a message that is added changes no draw of another.
    """

    def __init__(self, seed: int) -> None:
        self._seed = seed
        self._sources: dict[str, np.random.PCG64] = {}

    def uniform(self, concern: str, count: int, low: float = 0.0, high: float = 1.0) -> NDArray[np.float64]:
        """Return the next `count` numbers of a concern's stream, evenly spread over ``[low, high)``."""
        if concern not in self._sources:
            self._sources[concern] = np.random.PCG64(np.random.SeedSequence([self._seed, crc32(concern.encode())]))
        raw = np.asarray(self._sources[concern].random_raw(count), dtype=np.uint64)
        return low + (high - low) * ((raw >> np.uint64(11)).astype(np.float64) * 2.0**-53)

    def draw(self, concern: str, low: float, high: float) -> float:
        """Return the next number of a concern's stream."""
        return float(self.uniform(concern, 1, low, high)[0])

    def draw_ms(self, concern: str, low: int, high: int) -> int:
        """Return the next whole number of a concern's stream, from `low` to below `high`."""
        return int(self.draw(concern, low, high))

    def bytes(self, concern: str, count: int) -> NDArray[np.uint8]:
        """Return the next `count` random bytes of a concern's stream."""
        return (self.uniform(concern, count) * 256.0).astype(np.uint8)
