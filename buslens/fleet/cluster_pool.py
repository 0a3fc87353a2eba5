"""Workers of a Dask cluster: the same tasks, sent to a scheduler.

A worker needs this package in the same version, and a way to the captures and to the files that they are checked
against. A cluster cannot end one task of a worker: what takes too long is given up, and its thread stays busy until it
is done.
"""

import logging
import time
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from itertools import islice
from typing import Any, Final, Self, TypeVar

from buslens.errors import BuslensError, UsageError
from buslens.fleet.model import FailureKind
from buslens.fleet.worker_pool import Failure
from buslens.units import NS_PER_S, format_duration

I = TypeVar("I")  # noqa: E741
O = TypeVar("O")  # noqa: E741

_WAITING: Final = 3
"""Items per thread that are handed out ahead."""
_LEAST_WAITING: Final = 8
"""Items that are handed out though no worker has come yet."""
_DOUBT: Final = 2.0
"""An item may have to wait for the one before it on the same worker, once."""
_CONNECT_S: Final = 15
_LOOK_S: Final = 0.2


class ClusterPool:
    """Workers of a Dask scheduler; a context manager that lets go of them.

    Parameters
    ----------
    address : str
        Of the scheduler, such as ``tcp://192.0.2.7:8786``.
    seconds : float, optional
        Longest time for one item. When a worker begins with one is not told, so that what takes longer is given up
        once it could have been worked on for twice that time.
    """

    is_local = False

    def __init__(self, address: str, *, seconds: float | None = None) -> None:
        self._address = address
        self._seconds = seconds
        self._client: Any = None
        self._threads = 0

    def __enter__(self) -> Self:
        """Connect; UsageError if the library is not installed, or no scheduler answers."""
        try:
            import distributed
        except ImportError as exc:
            how = 'pip install "buslens[cluster]"'
            raise UsageError(f"--scheduler needs a library that is not installed: {how}") from exc
        if ":" not in self._address:  # for any name the library looks long
            raise UsageError(
                f"--scheduler {self._address}: write the address as 'dask scheduler' prints it, such as"
                " tcp://192.0.2.7:8786"
            )
        # That a connection is lost is told in a sentence, not with the traces that the library logs.
        logging.getLogger("distributed.client").setLevel(logging.CRITICAL)
        try:
            make: Any = distributed.Client
            self._client = make(self._address, timeout=_CONNECT_S, set_as_default=False)
        except (OSError, ValueError, TimeoutError) as exc:
            raise UsageError(
                f"no scheduler answers at {self._address}; start one with 'dask scheduler', and give its address as it"
                " prints it"
            ) from exc
        return self

    def __exit__(self, *_: object) -> None:
        if self._client is not None:
            self._client.close()
            self._client = None

    def each(self, function: Callable[[I], O], items: Iterable[I]) -> Iterator[tuple[I, O | Failure]]:
        """Yield every item with what a function makes of it, as they are done; see `WorkerPool`.

        Raises BuslensError if the scheduler no longer answers.
        """
        from concurrent.futures import CancelledError

        import distributed

        wait: Any = distributed.wait
        # In the order in which they were handed out, each with the time since when it may be worked on.
        running: dict[Any, tuple[I, float | None]] = {}
        # A worker that dies throws suspicion on all that it had; each of these is tried once more, by itself.
        suspects: deque[I] = deque()
        alone: Any = None
        source = iter(items)
        is_over = False
        while True:
            self._count_threads()
            while not is_over and len(running) < max(_WAITING * self._threads, _LEAST_WAITING):
                try:
                    item = next(source)
                except StopIteration:
                    is_over = True
                    break
                running[self._client.submit(function, item, pure=False)] = item, None
            if is_over and not running and suspects:
                item = suspects.popleft()
                alone = self._client.submit(function, item, pure=False)
                running[alone] = item, None
            if not running:
                return
            try:
                # `wait` asks whichever client is the current one.
                with self._client.as_current():
                    finished = wait(list(running), timeout=_LOOK_S, return_when="FIRST_COMPLETED").done
            except TimeoutError:
                finished = set()
            except CancelledError as exc:
                # With the connection, everything that was handed out is lost, even if it is made anew.
                if self._client.status != "running":
                    raise self._lost() from exc
                finished = {future for future in running if future.status != "pending"}
            for future in finished:
                item, _ = running.pop(future)
                outcome = self._outcome(future)
                future.release()
                if isinstance(outcome, Failure) and outcome.trouble is FailureKind.DIED and future is not alone:
                    suspects.append(item)
                else:
                    yield item, outcome
            yield from self._given_up(running)

    def _lost(self) -> BuslensError:
        return BuslensError(
            f"the scheduler at {self._address} no longer answers; what is checked is kept: see that it runs, and the"
            " same command goes on"
        )

    def _count_threads(self) -> None:
        try:
            self._threads = sum(self._client.nthreads().values())
        except OSError as exc:
            raise self._lost() from exc

    def _given_up(self, running: dict[Any, tuple[I, float | None]]) -> Iterator[tuple[I, Failure]]:
        if self._seconds is None:
            return
        now = time.monotonic()
        # Those that were handed out first, as many as there are threads: a worker may have begun with them.
        for future, (item, since) in list(islice(running.items(), self._threads)):
            if since is None:
                running[future] = item, now
            elif now - since > _DOUBT * self._seconds:
                del running[future]
                future.cancel()
                longest = format_duration(round(self._seconds * NS_PER_S))
                yield item, Failure(trouble=FailureKind.TIME, reason=f"not done within {longest}")

    def _outcome(self, future: Any) -> Any:
        from distributed import KilledWorker
        from distributed.client import FutureCancelledError
        from distributed.comm.core import CommClosedError

        try:
            return future.result()
        except KilledWorker as exc:
            return Failure(
                trouble=FailureKind.DIED, reason=f"its worker died, and so did those that tried again: {exc}"
            )
        except FutureCancelledError as exc:
            return Failure(trouble=FailureKind.DIED, reason=f"the cluster gave it up: {exc}")
        except CommClosedError as exc:
            raise self._lost() from exc
        except MemoryError:
            return Failure(trouble=FailureKind.MEMORY, reason="it took more memory than its worker has")
