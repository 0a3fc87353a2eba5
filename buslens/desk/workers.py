"""Processes that do the work, so that the server answers at once whatever is being read."""

import asyncio
import multiprocessing
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import suppress
from typing import Final, TypeVar

from buslens.desk import work
from buslens.errors import UsageError
from buslens.fleet.local_pool import deaf_to_ctrl_c

_R = TypeVar("_R")

_WORKERS: Final = 2
"""One may read a long capture; the other answers."""
_LONG_S: Final = 2.0
"""Seconds after which work is a long one, and the other process is started: for less it would only take its time."""
_IDLE_S: Final = 60.0
"""Seconds without work after which the processes, and their memory, are given back."""


class WorkerLostError(UsageError):
    """A worker ended amid its work."""


class Workers:
    """Runs functions in other processes, starting them when they are needed.

    The first that has nothing to do takes the work. So one process does all of it, and has at hand what it read before,
    unless it is at a long capture; then the next one answers.
    """

    def __init__(self) -> None:
        self._pools: list[ProcessPoolExecutor | None] = [None] * _WORKERS
        self._at_work = [0] * _WORKERS
        self._rest: asyncio.TimerHandle | None = None

    async def run(self, function: Callable[..., _R], *args: object) -> _R:
        """Return what a function returns.

        Raises
        ------
        WorkerLostError
            If its process ended before it did.
        """
        loop = asyncio.get_running_loop()
        number = self._at_work.index(min(self._at_work))
        pool = self._started(number)
        self._at_work[number] += 1
        self._rest_later()
        is_long = loop.call_later(_LONG_S, self.warm)
        try:
            return await loop.run_in_executor(pool, function, *args)
        except BrokenProcessPool:
            if self._pools[number] is pool:
                self._pools[number] = None
            raise WorkerLostError(
                "the process that worked on this ended before it was done, perhaps for want of memory; try again"
            ) from None
        finally:
            is_long.cancel()
            self._at_work[number] -= 1
            self._rest_later()

    def begin(self, function: Callable[..., object], *args: object) -> None:
        """Let the process that would take the next work do something first, of which nothing is awaited."""
        with suppress(BrokenProcessPool):  # whoever runs something next is told
            self._started(self._at_work.index(min(self._at_work))).submit(function, *args)
        self._rest_later()

    def warm(self) -> None:
        """Start the process that would take the next work, so that it does not wait for that."""
        if self._pools[self._at_work.index(min(self._at_work))] is None:
            self.begin(work.is_ready)

    def close(self) -> None:
        """End the processes; what they were doing is given up."""
        pools, self._pools = self._pools, [None] * _WORKERS
        for pool in filter(None, pools):
            processes = list((pool._processes or {}).values())  # noqa: SLF001 - a long read cannot be called off otherwise
            pool.shutdown(wait=False, cancel_futures=True)
            for process in processes:
                process.terminate()

    def _rest_later(self) -> None:
        """Put the rest off, until there is nothing to do."""
        if self._rest is not None:
            self._rest.cancel()
        if not any(self._at_work):
            with suppress(RuntimeError):  # the desk is not running yet
                self._rest = asyncio.get_running_loop().call_later(_IDLE_S, self.close)

    def _started(self, number: int) -> ProcessPoolExecutor:
        pool = self._pools[number]
        if pool is None:
            # A fresh process, not a copy of this one, whose threads would be lost in it.
            context = multiprocessing.get_context("spawn")
            pool = self._pools[number] = ProcessPoolExecutor(1, context, initializer=work.prepare)
            with deaf_to_ctrl_c():
                pool.submit(work.is_ready)
        return pool
