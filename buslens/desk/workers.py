"""Processes that do the work, so that the server answers at once whatever is being read."""

from __future__ import annotations

import asyncio
import multiprocessing
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from typing import TYPE_CHECKING, Final, TypeVar

from buslens.desk import work
from buslens.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Callable

_R = TypeVar("_R")

_WORKERS: Final = 2
"""One may read a long capture; the other answers."""
_IDLE_S: Final = 300.0
"""Seconds without work after which the processes, and their memory, are given back."""


class WorkerLostError(UsageError):
    """A worker ended amid its work."""


class Workers:
    """Runs functions in other processes, starting them when they are needed."""

    def __init__(self) -> None:
        self._pool: ProcessPoolExecutor | None = None
        self._at_work = 0
        self._rest: asyncio.TimerHandle | None = None

    async def run(self, function: Callable[..., _R], *args: object) -> _R:
        """Return what a function returns.

        Raises
        ------
        WorkerLostError
            If its process ended before it did.
        """
        loop = asyncio.get_running_loop()
        pool = self._begin()
        try:
            return await loop.run_in_executor(pool, function, *args)
        except BrokenProcessPool:
            if self._pool is pool:
                self._pool = None
            raise WorkerLostError(
                "the process that worked on this ended before it was done, perhaps for want of memory; try again"
            ) from None
        finally:
            self._at_work -= 1
            if not self._at_work:
                self._rest = loop.call_later(_IDLE_S, self.close)

    def warm(self) -> None:
        """Start a process, so that the first work does not wait for it."""
        self._begin().submit(work.is_ready)
        self._at_work -= 1

    def close(self) -> None:
        """End the processes; what they were doing is given up."""
        pool, self._pool = self._pool, None
        if pool is not None:
            processes = list((pool._processes or {}).values())  # noqa: SLF001 - a long read cannot be called off otherwise
            pool.shutdown(wait=False, cancel_futures=True)
            for process in processes:
                process.terminate()

    def _begin(self) -> ProcessPoolExecutor:
        if self._rest is not None:
            self._rest.cancel()
            self._rest = None
        self._at_work += 1
        if self._pool is None:
            # A fresh process, not a copy of this one, whose threads would be lost in it.
            context = multiprocessing.get_context("spawn")
            self._pool = ProcessPoolExecutor(_WORKERS, context, initializer=work.prepare)
        return self._pool
