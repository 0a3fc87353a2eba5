"""A fleet, checked: every capture that is not known already goes to a worker, and what came of it into the ledger.

The run may be killed at any moment. The ledger then holds every capture up to the last commit, and the next run goes on
from there: what has not changed since is not even opened, what has is read, and checked unless its content is known.
What is no longer there keeps its verdict; if it had none, it is forgotten.
"""

import os
import time
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Final

from buslens.checks.findings import Verdict
from buslens.fleet.check_job import Task, check_job, definitions_of, load
from buslens.fleet.fetch import Absence, local_path
from buslens.fleet.hashes import setup_parts
from buslens.fleet.ledger import Ledger
from buslens.fleet.model import CaptureJob, FailureKind, Group, JobResult
from buslens.fleet.progress import Progress
from buslens.fleet.worker_pool import Failure, WorkerPool

_COMMIT_S: Final = 1.0
"""Seconds of work that a killed run loses at most."""
_MOST_UNCOMMITTED: Final = 500
_TELL_S: Final = 0.2
_SETUPS: Final = "setups"
"""What each group was checked on, in the ledger's own table: the hash of each part."""


@dataclass(slots=True, kw_only=True)
class RunSummary:
    """What a run did."""

    #: Captures that were found.
    listed: int = 0
    #: Checked in this run, troubles among them.
    judged: int = 0
    #: Not changed since an earlier run; they were not opened.
    unchanged: int = 0
    #: Read, and known by their content.
    copies: int = 0
    #: Of those checked in this run.
    verdicts: Counter[Verdict] = field(default_factory=Counter)
    troubles: Counter[FailureKind] = field(default_factory=Counter)
    #: Of those checked in this run, why they were checked again, such as "the expectations changed".
    again: Counter[str] = field(default_factory=Counter)
    seconds: float = 0.0
    #: What was done after the checking, such as "comparing the fleet", and the seconds that it took.
    after: dict[str, float] = field(default_factory=dict)


def run(
    jobs: Iterable[CaptureJob],
    ledger: Ledger,
    pool: WorkerPool,
    *,
    on_progress: Callable[[Progress], object] | None = None,
    total: Callable[[], int | None] = lambda: None,
) -> RunSummary:
    """Check captures and enter them into a ledger.

    Parameters
    ----------
    jobs : iterable of CaptureJob
        Taken one after the other as workers become free.
    total : callable, optional
        Returns how many captures there are, as soon as that is known before all have been taken.

    Returns
    -------
    RunSummary
        What was done.

    Raises
    ------
    BuslensError
        If the files that captures are checked against cannot be used, or the ledger cannot be written.
    """
    return _FleetRun(ledger, pool, on_progress, total).work(jobs)


class _FleetRun:
    def __init__(
        self,
        ledger: Ledger,
        pool: WorkerPool,
        on_progress: Callable[[Progress], object] | None,
        total: Callable[[], int | None],
    ) -> None:
        self.ledger = ledger
        self.pool = pool
        self.on_progress = on_progress
        self.total = total
        self.done = RunSummary()
        self.is_listed = False
        self.begun = self.committed = self.told = time.monotonic()
        self.uncommitted = 0
        self.grounds: dict[Group, tuple[Group, str]] = {}
        self.folder = str(ledger.path.parent) if pool.is_local else None
        #: By group, the parts of what it was checked on by the last run that was not ended, and by this one.
        self.parts_before: dict[str, dict[str, str]] = ledger.meta(_SETUPS) or {}
        self.parts: dict[str, dict[str, str]] = {}

    def work(self, jobs: Iterable[CaptureJob]) -> RunSummary:
        self.ledger.forget_troubled(Absence().is_gone)
        try:
            for task, outcome in self.pool.each(check_job, self._unknown(jobs)):
                self._enter(task, outcome)
                self._after_one()
            self.ledger.put_meta(_SETUPS, self.parts_before | self.parts)
        finally:
            # Ctrl-C too: what is done is done.
            self.ledger.commit()
            self.done.seconds = time.monotonic() - self.begun
        self._tell()
        return self.done

    def _unknown(self, jobs: Iterable[CaptureJob]) -> Iterator[Task]:
        """Yield a task for each capture that has to be read."""
        for job in jobs:
            self.done.listed += 1
            group, ground = self._ground(job.group)
            content = self.ledger.known_content(job.address, job.size, job.stamp)
            if content is not None and self.ledger.has(content, ground):
                self.ledger.link(job, content, ground)
                self.done.unchanged += 1
                self._after_one()
                continue
            yield Task(
                job=replace(job, group=group),
                ground=ground,
                ledger=self.folder,
                folder=str(Path.cwd()),
                why_again=self._why_again(job),
            )
        self.is_listed = True

    def _why_again(self, job: CaptureJob) -> str:
        """Return why a capture is checked again; empty if it never was."""
        is_unchanged = self.ledger.is_unchanged(job.address, job.size, job.stamp)
        if is_unchanged is None:
            return ""
        if not is_unchanged:
            return "the file changed"
        now, before = self.parts[job.group.name], self.parts_before.get(job.group.name)
        if before is None:
            return "the vehicle belongs to another group"
        changed = [name for name, part in now.items() if before.get(name) != part]
        return f"{' and '.join(changed)} changed" if changed else "the last try gave no verdict"

    def _ground(self, group: Group) -> tuple[Group, str]:
        """Return a group as it is sent to workers, and the hash of what its captures are checked on."""
        if group not in self.grounds:
            # Its vehicles may be thousands, and no worker needs them.
            sent = replace(
                group,
                vehicles=(),
                expectations=os.path.abspath(group.expectations),  # noqa: PTH100  (links are not to be followed)
                definitions=tuple(os.path.abspath(path) for path in group.definitions),  # noqa: PTH100
            )
            ready, ground = load(group)
            self.grounds[group] = sent, ground
            self.parts[group.name] = setup_parts(group, definitions_of(group, ready))
        return self.grounds[group]

    def _enter(self, task: Task, outcome: JobResult | Failure) -> None:
        if isinstance(outcome, Failure):
            outcome = JobResult(content="", ground=task.ground, trouble=outcome.trouble, summary=outcome.reason)
        if outcome.trouble is FailureKind.UNREADABLE and not outcome.content and not self.pool.is_local:
            outcome = self._seen_from_here(task, outcome)
        if outcome.verdict is None and outcome.trouble is None:
            self.ledger.link(task.job, outcome.content, outcome.ground)
            self.done.copies += 1
            return
        self.ledger.put(task.job, outcome)
        self.done.judged += 1
        if task.why_again:
            self.done.again[task.why_again] += 1
        if outcome.verdict is not None:
            self.done.verdicts[outcome.verdict] += 1
        if outcome.trouble is not None:
            self.done.troubles[outcome.trouble] += 1

    @staticmethod
    def _seen_from_here(task: Task, outcome: JobResult) -> JobResult:
        """Say so where only the workers elsewhere do not reach a capture."""
        path = local_path(task.job.address)
        if path is None or not Path(path).exists():
            return outcome
        more = "; it lies here, but its worker does not reach it: name it by an address that all machines share"
        return replace(outcome, summary=outcome.summary + more)

    def _after_one(self) -> None:
        now = time.monotonic()
        self.uncommitted += 1
        if now - self.committed >= _COMMIT_S or self.uncommitted >= _MOST_UNCOMMITTED:
            self.ledger.commit()
            self.committed, self.uncommitted = time.monotonic(), 0
        if now - self.told >= _TELL_S:
            self._tell()
            self.told = now

    def _tell(self) -> None:
        if self.on_progress is None:
            return
        self.on_progress(
            Progress(
                listed=self.done.listed,
                total=self.done.listed if self.is_listed else self.total(),
                judged=self.done.judged,
                known=self.done.unchanged + self.done.copies,
                troubled=sum(self.done.troubles.values()),
                seconds=time.monotonic() - self.begun,
            )
        )
