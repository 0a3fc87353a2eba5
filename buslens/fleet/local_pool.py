"""Workers of this machine: processes that are started once, and replaced when they die or have to be ended.

Each worker has a pipe of its own, so that one that ends in the middle of a word takes nothing from the others, and it
is always known which item it had. A pool whose workers share a queue cannot promise that: a worker that is killed while
it holds the lock of the queue stops them all.
"""

import os
import pickle
import signal
import sys
import threading
import time
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from multiprocessing.connection import Connection
from typing import Any, Final, Generic, Self, TypeVar

from buslens.capture.reduce import usable_cores
from buslens.errors import BuslensError
from buslens.fleet.model import FailureKind
from buslens.fleet.worker_pool import Failure
from buslens.units import NS_PER_S, format_duration

I = TypeVar("I")  # noqa: E741
O = TypeVar("O")  # noqa: E741

_MOST_ON_WINDOWS: Final = 60
"""Workers: of more than 63 pipes at once, Python cannot wait for one to speak there (from memory)."""
_AT_A_TIME: Final = 2
"""Items that a worker has: the one that it works on, and one more so that it never waits for this process."""
_TRIES: Final = 2
"""A worker can be ended for what is no fault of its item, such as the memory that another program took."""
_FAILED_STARTS: Final = 3
"""Workers in a row that end before their first item, after which no more are started."""
_LOOK_S: Final = 0.2
"""Seconds after which a wait is interrupted, to look at the clock and so that Ctrl-C is heard on every system."""
_END_S: Final = 5.0
"""Seconds that a worker has to end by itself once there is no more to do."""

_READY: Final = "ready"
_DONE: Final = "done"
_RAISED: Final = "raised"


@dataclass(slots=True)
class _Entry(Generic[I]):
    """An item on its way."""

    item: I
    tries: int = 1


@dataclass(slots=True, eq=False)
class _Worker(Generic[I]):
    """A process, this side of its pipe, and the items that it has, the one that it works on first."""

    process: Any
    pipe: Connection
    has: deque[_Entry[I]] = field(default_factory=deque)
    is_ready: bool = False
    #: When it began with its first item, on the monotonic clock.
    since: float = 0.0


class LocalPool:
    """Processes of this machine; a context manager that ends them.

    An item whose worker dies is tried once more, by another one.

    Parameters
    ----------
    workers : int, optional
        Processes, on Windows 60 at most; default: one per core that this process may use.
    seconds : float, optional
        Longest time for one item; a worker that takes longer is ended.
    memory_bytes : int, optional
        Most memory that a worker may take, where the system can hold it to that (Linux and other Unix).
    begin : callable, optional
        Is called in every worker before its first item, to load what all items need. The first worker is waited for
        before others are started, so that what one leaves for the next ones (a cache) is made once.
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
        self.workers = workers or usable_cores()
        if sys.platform == "win32":
            self.workers = min(self.workers, _MOST_ON_WINDOWS)
        self._seconds = seconds
        self._memory_bytes = memory_bytes
        self._begin = begin
        self._all: list[_Worker[Any]] = []
        self._failed_starts = 0
        self._has_begun = False

    def __enter__(self) -> Self:
        self._start()
        return self

    def __exit__(self, kind: type[BaseException] | None, *_: object) -> None:
        if kind is None:
            for worker in self._all:
                with suppress(OSError):
                    worker.pipe.send(None)
            last = time.monotonic() + _END_S
            for worker in self._all:
                worker.process.join(max(last - time.monotonic(), 0))
        for worker in self._all:
            worker.process.kill()
        for worker in self._all:
            self._close(worker)
        self._all = []

    def each(self, function: Callable[[I], O], items: Iterable[I]) -> Iterator[tuple[I, O | Failure]]:
        """Yield every item with what a function makes of it, as they are done; see `WorkerPool`.

        Raises BuslensError if workers cannot be started.
        """
        from multiprocessing.connection import wait

        source = iter(items)
        again: deque[_Entry[I]] = deque()
        is_over = False
        while True:
            while self._can_start() or any(len(worker.has) < _AT_A_TIME for worker in self._all):
                if not again and not is_over:
                    try:
                        again.append(_Entry(next(source)))
                    except StopIteration:
                        is_over = True
                if not again:
                    break
                self._dispatch(self._free(), function, again.popleft())
            if not any(worker.has for worker in self._all):
                return
            heard = wait([worker.pipe for worker in self._all], timeout=_LOOK_S)
            for worker in [worker for worker in self._all if worker.pipe in heard]:
                yield from self._receive(worker, again)
            yield from self._kill_overdue(again)

    def _can_start(self) -> bool:
        return not self._all or (self._has_begun and len(self._all) < self.workers)

    def _free(self) -> _Worker[Any]:
        """Return the worker with the least to do, a new one if all have something and one more may be started."""
        least = min(self._all, key=lambda worker: len(worker.has), default=None)
        if least is None or (least.has and self._can_start()):
            return self._start()
        return least

    def _start(self) -> _Worker[Any]:
        import multiprocessing

        # Not forked from this process: it may have threads, whose locks a copy would find taken for ever.
        context = multiprocessing.get_context("spawn")
        here, there = context.Pipe()
        process = context.Process(
            target=_serve, args=(there, self._memory_bytes, self._begin), name="buslens worker", daemon=True
        )
        try:
            with deaf_to_ctrl_c():
                process.start()
        except OSError as exc:
            raise BuslensError(f"a process cannot be started: {exc.strerror or exc}; give fewer --workers") from exc
        finally:
            there.close()
        worker: _Worker[Any] = _Worker(process, here)
        self._all.append(worker)
        return worker

    def _dispatch(self, worker: _Worker[I], function: Callable[[I], O], entry: _Entry[I]) -> None:
        if worker.is_ready and not worker.has:
            worker.since = time.monotonic()
        worker.has.append(entry)
        with suppress(OSError):  # it has died: that is heard next
            worker.pipe.send((function, entry.item))

    def _receive(self, worker: _Worker[I], again: deque[_Entry[I]]) -> Iterator[tuple[I, Any]]:
        """Take what a worker says, or that it is no more."""
        try:
            what, value = worker.pipe.recv()
        except (EOFError, OSError):
            yield from self._reap(worker, again)
            return
        worker.since = time.monotonic()
        if what == _READY:
            worker.is_ready = self._has_begun = True
            self._failed_starts = 0
            return
        if not worker.is_ready:
            if isinstance(value, MemoryError):
                raise BuslensError(f"a worker cannot begin: {_too_much(self._memory_bytes)}; allow it more") from value
            raise value
        item = worker.has.popleft().item
        if what == _DONE:
            yield item, value
        elif isinstance(value, MemoryError):
            yield item, Failure(trouble=FailureKind.MEMORY, reason=_too_much(self._memory_bytes))
        else:
            raise value

    def _reap(self, worker: _Worker[I], again: deque[_Entry[I]]) -> Iterator[tuple[I, Failure]]:
        """Let go of a worker that has died, and see what becomes of its items."""
        worker.process.join(_END_S)
        died = _died(worker.process.exitcode)
        self._remove(worker)
        if not worker.is_ready:
            self._failed_starts += 1
            if self._failed_starts >= _FAILED_STARTS:
                raise BuslensError(f"workers cannot be started: {died.removeprefix('its ')} before it had begun")
        elif worker.has:
            culprit = worker.has.popleft()
            if culprit.tries < _TRIES:
                culprit.tries += 1
                again.append(culprit)
            else:
                yield culprit.item, Failure(trouble=FailureKind.DIED, reason=f"{died}; it was tried twice")
        again.extend(worker.has)

    def _kill_overdue(self, again: deque[_Entry[I]]) -> Iterator[tuple[I, Failure]]:
        if self._seconds is None:
            return
        for worker in list(self._all):
            if not worker.is_ready or not worker.has or time.monotonic() - worker.since <= self._seconds:
                continue
            if worker.pipe.poll():
                continue  # it is done after all
            worker.process.kill()
            self._remove(worker)
            late = worker.has.popleft()
            again.extend(worker.has)
            longest = format_duration(round(self._seconds * NS_PER_S))
            yield late.item, Failure(trouble=FailureKind.TIME, reason=f"not done within {longest}")

    def _remove(self, worker: _Worker[Any]) -> None:
        self._all.remove(worker)
        self._close(worker)

    @staticmethod
    def _close(worker: _Worker[Any]) -> None:
        worker.pipe.close()
        worker.process.kill()
        worker.process.join()
        worker.process.close()


@contextmanager
def deaf_to_ctrl_c() -> Iterator[None]:
    """Let processes that start meanwhile never hear Ctrl-C, which a terminal sends to all; this one hears it after."""
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _serve(pipe: Connection, memory_bytes: int | None, begin: Callable[[], object] | None) -> None:
    """Work on items until there are no more: the life of a worker."""
    for name in ("SIGINT", "SIGBREAK"):  # where it could not be started deaf
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), signal.SIG_IGN)
    threading.Thread(target=_end_with_parent, daemon=True).start()
    if memory_bytes is not None:
        limit_memory(memory_bytes)
    with suppress(EOFError, OSError):  # the other side is gone
        try:
            if begin is not None:
                begin()
        except Exception as exc:  # whatever it is, it is raised on the other side
            _say_raised(pipe, exc)
            return
        pipe.send((_READY, None))
        while True:
            try:
                task = pipe.recv()
            except (EOFError, OSError):
                return
            except Exception as exc:  # it came, and cannot be understood: a function that is not to be found here
                _say_raised(pipe, exc)
                continue
            if task is None:
                return
            function, item = task
            try:
                value = function(item)
            except Exception as exc:  # whatever it is, it is raised on the other side
                _say_raised(pipe, exc)
            else:
                pipe.send((_DONE, value))


def _say_raised(pipe: Connection, error: Exception) -> None:
    try:
        pickle.loads(pickle.dumps(error))  # noqa: S301  (its own bytes: some errors go, and cannot be read)
    except Exception:  # errors of libraries: anything may come
        error = RuntimeError(f"{type(error).__name__}: {error}")
    pipe.send((_RAISED, error))


def _end_with_parent() -> None:
    """End as soon as the process that started this one does, however it does: nobody would take the result."""
    import multiprocessing

    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)


def limit_memory(memory_bytes: int) -> bool:
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
        more = " (so ends a process that takes more memory than the machine has)" if name == "SIGKILL" else ""
        return f"its worker was ended by {name}{more}"
    return f"its worker ended by itself, with status {exitcode}"


def _too_much(memory_bytes: int | None) -> str:
    if memory_bytes is None:
        return "it took more memory than there is"
    return f"it took more than the {memory_bytes / 1e6:,.0f} MB that a worker may take"
