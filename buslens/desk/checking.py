"""What is known of each job: renewed by workers whenever its files have changed, by whomever."""

import asyncio
import os
import time
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Final, TypeVar

from buslens.desk import work
from buslens.desk.folder import JobFolder
from buslens.desk.task import Checked, DeskTask
from buslens.desk.view import JobView
from buslens.desk.workers import WorkerLostError, Workers
from buslens.errors import BuslensError
from buslens.files import os_error_text

_R = TypeVar("_R")

_MOST_CHECKED: Final = 400


@dataclass(slots=True)
class Standing:
    """What is known of one job."""

    #: What the view was made from; another one than the job's own key while it is being renewed.
    key: str = ""
    view: JobView = field(default_factory=JobView)
    #: Capture that is being read, and since when; empty while none is.
    reading: str = ""
    since: float = 0.0
    #: Why the view could not be renewed.
    problem: str = ""
    renewal: asyncio.Task[None] | None = None
    #: When that began, s, on the clock of the loop.
    begun: float = 0.0
    lock: asyncio.Lock = field(default_factory=asyncio.Lock)
    #: Windows in which the job is open.
    windows: int = 0

    @property
    def is_renewing(self) -> bool:
        """Whether a worker is at it."""
        return self.renewal is not None and not self.renewal.done()


class Checking:
    """Keeps the views of jobs up to date.

    Parameters
    ----------
    workers : Workers
    """

    def __init__(self, workers: Workers) -> None:
        self._workers = workers
        self._standings: dict[str, Standing] = {}
        self._checked: OrderedDict[str, Checked] = OrderedDict()
        # One capture is read at a time, so that a worker is left for what takes no time.
        self._reading = asyncio.Semaphore(1)

    def standing(self, job: JobFolder) -> Standing:
        """Return what is known of a job, however old."""
        return self._standings.setdefault(job.name, Standing())

    async def renewed(self, job: JobFolder, wait_s: float) -> Standing:
        """Return what is known of a job, renewed if that takes no longer than some seconds from its beginning."""
        standing = self.standing(job)
        if standing.key != job.key():
            now = asyncio.get_running_loop().time()
            if not standing.is_renewing:
                standing.renewal, standing.begun = asyncio.create_task(self._renew(job, standing)), now
            left_s = standing.begun + wait_s - now
            if standing.renewal is not None and left_s > 0:
                await asyncio.wait({standing.renewal}, timeout=left_s)
        return standing

    async def change(self, job: JobFolder, function: Callable[..., _R], *args: str) -> _R:
        """Let a worker change files of a job, one change at a time."""
        async with self.standing(job).lock:
            return await self._workers.run(function, self._task(job, with_results=False), *args)

    async def ask(self, job: JobFolder, function: Callable[..., _R], *args: str) -> _R:
        """Let a worker make something of all captures of a job, which are read first if need be."""
        await self._read_all(job, self.standing(job))
        return await self._workers.run(function, self._task(job), *args)

    async def _renew(self, job: JobFolder, standing: Standing) -> None:
        while standing.key != (key := job.key()):
            standing.problem = ""
            try:
                await self._read_all(job, standing)
                # A capture that came or went meanwhile has changed the key, too.
                view = JobView()
                if job.expectations() is not None:
                    view = await self._workers.run(work.summarise, self._task(job))
                standing.view = view
            except BuslensError as error:
                standing.problem = str(error)
            except OSError as error:
                standing.problem = os_error_text(error)
            finally:
                standing.reading = ""
            standing.key = key

    async def _read_all(self, job: JobFolder, standing: Standing) -> None:
        for capture in job.captures() if job.expectations() is not None else ():
            key = _capture_key(job, capture.key)
            if key in self._checked:
                continue
            async with self._reading:
                standing.reading, standing.since = capture.name, time.monotonic()
                task = self._task(job, with_results=False)
                try:
                    done = await self._workers.run(work.check_capture, task, capture.side, capture.name, key)
                except WorkerLostError as error:
                    # The next start of the desk tries again; until then the other captures are to be had.
                    done = Checked(side=capture.side, name=capture.name, key=key, problem=str(error))
            self._checked[key] = done
            while len(self._checked) > _MOST_CHECKED:
                self._checked.popitem(last=False)

    def _task(self, job: JobFolder, *, with_results: bool = True) -> DeskTask:
        expectations = job.expectations()
        checked = []
        for capture in job.captures():
            known = self._checked.get(_capture_key(job, capture.key))
            if known is not None and with_results:
                self._checked.move_to_end(known.key)
                checked.append(known)
            elif not with_results:
                checked.append(Checked(side=capture.side, name=capture.name, key=capture.key))
        return DeskTask(
            folder=str(job.path),
            expectations="" if expectations is None else os.path.relpath(expectations, job.path),
            setup=f"{job.path}|{job.setup_key()}",
            checked=tuple(checked),
        )


def _capture_key(job: JobFolder, key: str) -> str:
    return f"{job.name}|{key}|{job.setup_key()}"
