"""Workers of this machine: processes that are started once, and replaced when they die or have to be ended."""

from __future__ import annotations

import os
import queue
import signal
import sys
from concurrent.futures import TimeoutError as FutureTimeout
from functools import partial
from typing import TYPE_CHECKING, Any, Final, TypeVar

from buslens.fleet.model import Trouble
from buslens.fleet.work import Failure
from buslens.units import NS_PER_S, format_duration

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator
    from types import TracebackType

I = TypeVar("I")  # noqa: E741
O = TypeVar("O")  # noqa: E741

_WAITING: Final = 3
"""Items per worker that are handed out ahead, so that none of them waits for this process."""
_LOOK_S: Final = 0.2
"""Seconds after which a wait is interrupted, so that Ctrl-C is heard on every system."""


class LocalPool:
    """Processes of this machine; a context manager that ends them.

    Parameters
    ----------
    workers : int, optional
        Processes; default: one per core that this process may use.
    seconds : float, optional
        Longest time for one item; a worker that takes longer is ended.
    memory_bytes : int, optional
        Most memory that a worker may take, where the system can hold it to that (Linux and other Unix).
    begin : callable, optional
        Is called in every worker before its first item, to load what all items need.
    """

    is_local = True

    def __init__(
        self,
        workers: int | None = None,
        *,
        seconds: float | None = None,
        memory_bytes: int | None = None,
        begin: Callable[[], object] | None = None,
    ) -> None:
        self.workers = workers or _cores()
        self._seconds = seconds
        self._memory_bytes = memory_bytes
        self._begin = begin
        self._pool: Any = None

    def __enter__(self) -> LocalPool:
        import multiprocessing

        from pebble import ProcessPool

        # Not forked from this process: it has threads, whose locks a copy would find taken for ever.
        context = multiprocessing.get_context("spawn")
        self._pool = ProcessPool(
            max_workers=self.workers,
            initializer=_start_worker,
            initargs=(self._memory_bytes, self._begin),
            context=context,
        )
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._pool is not None:
            if kind is None:
                self._pool.close()
            else:
                self._pool.stop()
            self._pool.join()
            self._pool = None

    def each(self, function: Callable[[I], O], items: Iterable[I]) -> Iterator[tuple[I, O | Failure]]:
        """Yield every item with what a function makes of it, as they are done; see `Pool`."""
        assert self._pool is not None  # noqa: S101  (it is used as a context manager)
        done: queue.SimpleQueue[tuple[I, Any]] = queue.SimpleQueue()
        running = 0
        source = iter(items)
        is_over = False
        while True:
            while not is_over and running < _WAITING * self.workers:
                try:
                    item = next(source)
                except StopIteration:
                    is_over = True
                    break
                future = self._pool.schedule(function, args=(item,), timeout=self._seconds)
                running += 1
                future.add_done_callback(partial(_put, done, item))
            if not running:
                return
            try:
                item, future = done.get(timeout=_LOOK_S)
            except queue.Empty:
                continue
            running -= 1
            yield item, self._outcome(future)

    def _outcome(self, future: Any) -> Any:
        from pebble import ProcessExpired

        try:
            return future.result()
        except FutureTimeout:
            longest = format_duration(round((self._seconds or 0) * NS_PER_S))
            return Failure(trouble=Trouble.TIME, reason=f"not done within {longest}")
        except ProcessExpired as exc:
            return Failure(trouble=Trouble.DIED, reason=_died(exc.exitcode))
        except MemoryError:
            return Failure(trouble=Trouble.MEMORY, reason=_too_much(self._memory_bytes))


def _put(done: queue.SimpleQueue[tuple[I, Any]], item: I, future: Any) -> None:
    done.put((item, future))


def _cores() -> int:
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def _start_worker(memory_bytes: int | None, begin: Callable[[], object] | None) -> None:
    """Make a process ready for its items."""
    if memory_bytes is not None:
        hold_to_memory(memory_bytes)
    if begin is not None:
        begin()


def hold_to_memory(memory_bytes: int) -> bool:
    """Let this process take no more memory than that; return whether the system can hold it to it."""
    try:
        import resource
    except ImportError:
        return False
    # On Linux what counts is what is written to, not the addresses that libraries set aside.
    kind = resource.RLIMIT_DATA if sys.platform == "linux" else resource.RLIMIT_AS
    _, hard = resource.getrlimit(kind)
    try:
        resource.setrlimit(kind, (memory_bytes if hard < 0 else min(memory_bytes, hard), hard))
    except (OSError, ValueError):
        return False
    return True


def _died(exitcode: int | None) -> str:
    if exitcode is not None and exitcode < 0:
        try:
            name = signal.Signals(-exitcode).name
        except ValueError:
            name = f"signal {-exitcode}"
        more = "; so ends a process that takes more memory than the machine has" if name == "SIGKILL" else ""
        return f"its worker was ended by {name}{more}"
    return f"its worker ended by itself, with status {exitcode}"


def _too_much(memory_bytes: int | None) -> str:
    if memory_bytes is None:
        return "it took more memory than there is"
    return f"it took more than the {memory_bytes / 1e6:,.0f} MB that a worker may take"
