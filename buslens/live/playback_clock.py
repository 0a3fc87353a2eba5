"""The play head: what time of a capture it is, while it is played."""

import time
from collections.abc import Callable
from typing import Final

from buslens.units import NS_PER_S

SLOWEST: Final = 0.1
"""Times real time."""
FASTEST: Final = 10.0
"""Times real time."""


class PlaybackClock:
    """A clock that runs at some speed of the real one, and can stand still.

    Parameters
    ----------
    speed : float
        Times real time.
    clock : callable
        Returns seconds that never run back.
    """

    def __init__(self, speed: float = 1.0, *, clock: Callable[[], float] = time.monotonic) -> None:
        self.speed = speed
        self.is_paused = False
        self._clock = clock
        self._at_ns: int | None = None
        self._since = clock()

    @property
    def has_begun(self) -> bool:
        """Whether it has been set."""
        return self._at_ns is not None

    def now_ns(self) -> int:
        """Return the time of the capture, ns; ValueError if it has not been set."""
        if self._at_ns is None:
            raise ValueError("the play head has not been set")
        if self.is_paused:
            return self._at_ns
        return self._at_ns + round((self._clock() - self._since) * self.speed * NS_PER_S)

    def wait_s(self, time_ns: int) -> float:
        """Return the real seconds until a time of the capture; endless while it stands still."""
        if self.is_paused:
            return float("inf")
        return max(time_ns - self.now_ns(), 0) / NS_PER_S / self.speed

    def set(self, time_ns: int) -> None:
        """Put it to a time of the capture, ns."""
        self._at_ns, self._since = time_ns, self._clock()

    def pause(self) -> None:
        """Let it stand still."""
        if self.has_begun:
            self.set(self.now_ns())
        self.is_paused = True

    def go_on(self) -> None:
        """Let it run."""
        if self.has_begun:
            self.set(self.now_ns())
        self.is_paused = False
