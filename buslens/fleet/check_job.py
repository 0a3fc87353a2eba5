"""One capture of a fleet, checked: what a worker does, whichever pool it belongs to.

What captures are checked on is loaded once per process and group. A worker that has little to read does without
compiled kernels: to make them takes longer than to read a few captures.
"""

import errno
import stat
import time
import traceback
from collections import Counter
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Final

from buslens.capture.frame_hash import FrameHash, never_joined
from buslens.capture.frames import Clock, Frames
from buslens.capture.open import Capture, open_capture
from buslens.capture.reduce import reduce_frames
from buslens.capture.registry import FORMATS
from buslens.capture.values import ValuesCapture
from buslens.checks.check import open_any
from buslens.checks.evaluate import evaluate_capture, evaluate_table
from buslens.checks.findings import Finding, Outcome, Result
from buslens.checks.setup import CheckSetup, prepare, wanted_ids
from buslens.errors import BuslensError, CaptureError, UnrelatedCaptureError, UsageError
from buslens.expectations.model import Range, Sequence
from buslens.expectations.subjects import roles_in, roles_of_trigger
from buslens.files import os_error_text
from buslens.fleet.fetch import MissingLibrary, fetched
from buslens.fleet.hashes import content_hash, setup_hash
from buslens.fleet.id_traffic import IdTrafficCounter
from buslens.fleet.ledger import Ledger
from buslens.fleet.model import CaptureJob, DelayRow, FailureKind, FindingRow, Group, HandshakeRow, JobResult
from buslens.kernels import is_made
from buslens.timeline.history import CaptureHistory

_LOADED: Final[dict[tuple[Group, str], CheckSetup]] = {}
"""By group and ground, what this process has loaded."""
_READ: Final[Counter[str]] = Counter()
"""Bytes of captures that this process has read, by format."""
_COMPILING: Final = 10
"""To compile a kernel takes so many times as long as to load it (measured: 10 s of processor against 1 s)."""
_PACKED: Final = 5
"""A packed log is about so many times as long (the bundled samples)."""
_LONGEST_REASON: Final = 2000


@dataclass(frozen=True, slots=True, kw_only=True)
class Task:
    """What is sent to a worker; what its job names is found from any folder."""

    job: CaptureJob
    ground: str
    #: Folder of a ledger that this worker may look into, so that a copy of what is known is not checked; None: none.
    ledger: str | None = None
    #: Folder from which the capture's path is seen, if it is a path; empty: the worker's own.
    folder: str = ""
    #: Why it is checked again, such as "the expectations changed"; empty: it never was.
    why_again: str = ""


def load(group: Group) -> tuple[CheckSetup, str]:
    """Return what a group is checked on, and its hash.

    Raises BuslensError if one of the files cannot be used, or they do not fit each other; OSError if one cannot be
    read.
    """
    ready = prepare(group.expectations, [*group.definitions] if group.definitions else None)
    return ready, setup_hash(group, definitions_of(group, ready))


def definitions_of(group: Group, ready: CheckSetup) -> tuple[str, ...]:
    """Return the definitions files of a group: its own, else those that its expectations name."""
    return group.definitions or tuple(file.path for file in ready.expectations.definitions)


def check_job(task: Task) -> JobResult:
    """Return what comes of one capture; its troubles are part of that.

    Raises UsageError if the files that it is checked against have changed or are not to be had, or the library for its
    store is not installed: that concerns the run, not the capture; MemoryError if there is not enough; whoever runs the
    worker makes a trouble of it.
    """
    begun = time.perf_counter()
    ready = _ready(task)
    content = ""
    trouble = FailureKind.UNREADABLE
    try:
        with fetched(task.job.address) as found:
            path = Path(task.folder, found)
            before = path.stat()
            if not stat.S_ISREG(before.st_mode):
                raise CaptureError("is a folder" if path.is_dir() else "is a pipe or a device, which no capture is")
            content = content_hash(path)
            if _is_known(task, content):
                return JobResult(content=content, ground=task.ground)
            judged = _checked(task, ready, path, content, begun)
            after = path.stat()
            if (before.st_size, before.st_mtime_ns) != (after.st_size, after.st_mtime_ns):
                content = ""
                raise CaptureError("changed while it was read; the next run reads it again")
    except (MissingLibrary, MemoryError):
        raise
    except UnrelatedCaptureError as exc:
        trouble = FailureKind.UNRELATED
        problem = exc.problem
    except BuslensError as exc:
        problem = exc.problem
    except OSError as exc:
        if exc.errno == errno.ENOMEM:
            raise MemoryError from exc
        # Not the log's fault, though its bytes were had once: worth another try.
        content = ""
        problem = os_error_text(exc, "").removeprefix(": ")
    except Exception as exc:  # a defect of ours: it must not take a night's run with it, and is told in full
        trouble = FailureKind.DIED
        problem = defect_text(exc)
    else:
        return judged
    return JobResult(
        content=content,
        ground=task.ground,
        trouble=trouble,
        summary=problem[:_LONGEST_REASON],
        seconds=time.perf_counter() - begun,
    )


def defect_text(error: Exception) -> str:
    """Return what to tell where the program failed on a capture: what a person needs who is to mend it."""
    where = traceback.extract_tb(error.__traceback__)[-1]
    return (
        "internal error; please report it with this capture:"
        f" {type(error).__name__}: {error} ({Path(where.filename).name}, line {where.lineno})"
    )


def make_ready() -> None:
    """Load and, where that was never done, compile what checking may need, so that no capture's time goes into it."""
    with TemporaryDirectory(prefix="buslens-") as folder:
        for entry in FORMATS.values():
            example = Path(folder) / "example.log"
            example.write_text(entry.example, "utf-8")
            with suppress(BuslensError):  # an example need not be a whole log
                reduce_frames(
                    open_capture(example),
                    wanted=None,
                    make=IdTrafficCounter,
                    update=IdTrafficCounter.add,
                    merge=never_joined,
                    workers=1,
                    plain_bytes=0,
                )


def _ready(task: Task) -> CheckSetup:
    key = (task.job.group, task.ground)
    if key not in _LOADED:
        try:
            ready, ground = load(task.job.group)
        except OSError as exc:
            raise UsageError(
                f"a worker cannot reach the files that captures are checked against: {os_error_text(exc)}"
            ) from exc
        if ground != task.ground:
            name = task.job.group.name
            raise UsageError(
                f"the expectations or definitions of group '{name}', or the program, are not the same for this worker"
                " as when the run began; start the run again"
            )
        _LOADED[key] = ready
    return _LOADED[key]


def _is_known(task: Task, content: str) -> bool:
    """Whether a ledger within reach has a judgement of the same bytes on the same ground."""
    if task.ledger is None:
        return False
    try:
        with Ledger.reading(Path(task.ledger)) as ledger:
            return ledger.has(content, task.ground)
    except BuslensError:
        return False  # to look is only to save work


def _checked(task: Task, ready: CheckSetup, path: Path, content: str, begun: float) -> JobResult:
    channels = dict(task.job.group.channels)
    opened = open_any(path, ready.expectations, task.job.group.table)
    if isinstance(opened, ValuesCapture):
        result = evaluate_table(task.job.address, ready.expectations, opened)
        return _result(task, result, content, begun, IdTrafficCounter(is_plain=True), FrameHash())
    is_plain = _is_read_plain(opened, path)
    (recorder, census, frames_hash), stats = reduce_frames(
        opened,
        wanted=None,
        make=lambda: (
            CaptureHistory(ready.tracks, channels, ready.pairs),
            IdTrafficCounter(is_plain=is_plain),
            FrameHash(),
        ),
        update=_take,
        merge=never_joined,
        workers=1,
        plain_bytes=None if is_plain else 0,
    )
    if stats.apart_ns:
        recorder, stats = reduce_frames(
            opened,
            wanted=wanted_ids(ready.tracks, ready.pairs),
            make=lambda: CaptureHistory(ready.tracks, channels, ready.pairs),
            update=CaptureHistory.add,
            merge=CaptureHistory.merge,
            workers=1,
        )
    address, expected = task.job.address, ready.expectations
    result = evaluate_capture(address, expected, recorder, stats, look=census.counts, keep_rows=False)
    return _result(task, result, content, begun, census, frames_hash)


def _is_read_plain(capture: Capture, path: Path) -> bool:
    """Whether compiled kernels would not pay yet: not until this process has read as long as it takes to have them."""
    entry = capture.format
    if entry is None:
        return True
    size = path.stat().st_size * _PACKED if capture.size is None else capture.size
    _READ[entry.name] += size
    longest = entry.plain_bytes * (1 if is_made(entry.compiled_kernel) else _COMPILING)
    return _READ[entry.name] <= longest and size <= entry.plain_bytes


def _result(
    task: Task, result: Result, content: str, begun: float, census: IdTrafficCounter, frames_hash: FrameHash
) -> JobResult:
    stats = result.stats
    is_dated = stats.clock in {Clock.WALL, Clock.LOCAL}
    return JobResult(
        content=content,
        ground=task.ground,
        frames_hash=frames_hash.hexdigest(),
        verdict=result.verdict,
        summary=result.summary[:_LONGEST_REASON],
        frames=stats.frames,
        skipped_lines=stats.broken,
        duration_ns=(stats.last_ns or 0) - (stats.first_ns or 0),
        clock_start_ns=stats.first_ns if is_dated else None,
        met=len(result.findings) - len(result.findings.unmet),
        unexercised=result.unexercised,
        handshakes=tuple(_handshakes(result)),
        delays=tuple(_delays(result)),
        findings=tuple(_finding(it, result) for it in result.findings.unmet),
        traffic=census.rows(),
        seconds=time.perf_counter() - begun,
    )


def _take(takers: tuple[CaptureHistory, IdTrafficCounter, FrameHash], frames: Frames) -> None:
    for one in takers:
        one.add(frames)


def _handshakes(result: Result) -> list[HandshakeRow]:
    origin = result.origin_ns
    return [
        HandshakeRow(
            rule=run.rule,
            number=run.number,
            start_earliest_ns=run.start.earliest_ns - origin,
            start_latest_ns=None if run.start.latest_ns is None else run.start.latest_ns - origin,
            end_ns=run.end_ns - origin,
            completed=run.completed,
            abandoned=run.abandoned,
            tries=run.tries,
        )
        for run in result.handshakes
    ]


def _delays(result: Result) -> list[DelayRow]:
    rows = []
    for finding in result.delays:
        waited = _waited_ns(finding, result) if finding.delay is None else finding.delay.earliest_ns
        rows.append(
            DelayRow(
                rule=finding.rule,
                handshake=finding.handshake or 0,
                step=finding.step or "",
                outcome=finding.outcome,
                time_ns=None if finding.time_ns is None else finding.time_ns - result.origin_ns,
                earliest_ns=waited,
                latest_ns=None if finding.delay is None else finding.delay.latest_ns,
                least_ns=_whole(None if finding.limit is None else finding.limit.least),
                most_ns=_whole(None if finding.limit is None else finding.limit.most),
            )
        )
    return rows


def _waited_ns(finding: Finding, result: Result) -> int:
    """Return for how long a change that has no delay was surely waited for, ns."""
    if finding.outcome is not Outcome.MISSING or finding.limit is None or finding.limit.most is None:
        # Out of order, or not to be seen: nothing is sure of how long it took.
        return 0
    begun = finding.reference.latest_ns if finding.reference is not None else None
    shown = result.stats.last_ns or 0
    return int(finding.limit.most) if begun is None else max(min(int(finding.limit.most), shown - begun), 0)


def _whole(end: float | None) -> int | None:
    return None if end is None else round(end)


def _finding(finding: Finding, result: Result) -> FindingRow:
    limit, delay = finding.limit, finding.delay
    return FindingRow(
        rule=finding.rule,
        kind=finding.kind,
        step=finding.step,
        handshake=finding.handshake,
        outcome=finding.outcome,
        reason=finding.reason[:_LONGEST_REASON],
        time_ns=None if finding.time_ns is None else finding.time_ns - result.origin_ns,
        delay_earliest=None if delay is None else delay.earliest_ns,
        delay_latest=None if delay is None else delay.latest_ns,
        limit_least=None if limit is None else limit.least,
        limit_most=None if limit is None else limit.most,
        unit="" if limit is None else limit.unit,
        roles=_roles(finding, result),
    )


def _roles(finding: Finding, result: Result) -> tuple[str, ...]:
    """Return the roles that a finding is about, by its rule."""
    rule = next(rule for rule in result.expectations.rules if rule.name == finding.rule)
    match rule:
        case Sequence(steps=steps):
            return next((roles_of_trigger(step.await_) for step in steps if step.name == finding.step), ())
        case Range(of=role):
            return (role,)
    return tuple(sorted(roles_in(rule)))
