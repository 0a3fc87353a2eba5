"""Listing that runs ahead of the work, so that it is known early how much there is."""

import queue
import threading
import time
from collections.abc import Callable, Iterator
from typing import Final, Self

from buslens.fleet.listing import CaptureFinder, FoundCapture

MOST: Final = 50_000
"""Captures that are known of and not yet taken; beyond that the listing waits."""
_LOOK_S: Final = 0.2
"""Seconds after which a wait is interrupted, so that Ctrl-C is heard on every system."""
_SILENCE_S: Final = 20.0
"""Seconds without a capture after which whoever waits is told what for."""


class PrefetchedListing:
    """Captures of a listing, which a thread looks for; a context manager that ends it.

    Parameters
    ----------
    listing : Listing
        What it has to say of problems is said by whoever takes the captures, in their order.
    on_silence : callable
        Is told in one sentence that a source is waited for: a store that gives no answer is given up after minutes.
    """

    def __init__(self, listing: CaptureFinder, on_silence: Callable[[str], object] = lambda _sentence: None) -> None:
        self._listing = listing
        self._on_silence = on_silence
        self._tell: Callable[[str], object] = listing.on_problem
        self._found: queue.Queue[FoundCapture | str | BaseException | None] = queue.Queue(MOST)
        self._is_over = threading.Event()
        self._thread = threading.Thread(target=self._look, name="listing", daemon=True)
        self._count = 0
        #: How many captures there are; None until the last one has been found.
        self.total: int | None = None

    def __enter__(self) -> Self:
        self._listing.on_problem = self._put
        self._thread.start()
        return self

    def __exit__(self, kind: type[BaseException] | None, *_: object) -> None:
        self._is_over.set()
        if kind is None:
            self._thread.join()

    def __iter__(self) -> Iterator[FoundCapture]:
        """Yield the captures.

        Raises
        ------
        BuslensError, OSError
            What the listing raised.
        """
        since: float | None = time.monotonic()
        while True:
            try:
                found = self._found.get(timeout=_LOOK_S)
            except queue.Empty:
                if since is not None and time.monotonic() - since > _SILENCE_S:
                    since = None
                    self._on_silence(f"{self._listing.at}: no answer for a while; still waiting")
                continue
            if found is None:
                return
            if isinstance(found, BaseException):
                raise found
            if isinstance(found, str):
                self._tell(found)
            else:
                yield found
            since = time.monotonic()

    def _look(self) -> None:
        try:
            for one in self._listing:
                self._count += 1
                self._put(one)
                if self._is_over.is_set():
                    return
        except BaseException as exc:  # it is raised where the captures are taken
            self._put(exc)
            return
        self.total = self._count
        self._put(None)

    def _put(self, one: FoundCapture | str | BaseException | None) -> None:
        while not self._is_over.is_set():
            try:
                self._found.put(one, timeout=_LOOK_S)
            except queue.Full:
                continue
            return
