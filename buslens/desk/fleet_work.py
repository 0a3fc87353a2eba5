"""A run over a fleet, in a process of its own: `buslens fleet` with another way of telling how far it is."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Final

from buslens.desk.running import State, tell
from buslens.errors import BuslensError
from buslens.files import os_error_text

if TYPE_CHECKING:
    from multiprocessing.connection import Connection

    from buslens.fleet.listing import FoundCapture
    from buslens.fleet.progress import Progress
    from buslens.fleet.work import WorkerPool

_MOST_NOTES: Final = 20


@dataclass(frozen=True, slots=True, kw_only=True)
class FleetTask:
    """What is to be judged."""

    source: str
    out: str
    #: Empty: by folder or file name.
    pattern: str
    #: Empty: by what lies beside each capture.
    expectations: str


@dataclass(frozen=True, slots=True, kw_only=True)
class FleetState(State):
    """How far a run is."""

    line: str = "Getting ready; the first time on this machine takes up to a minute"
    done: int = 0
    #: None until all have been found.
    total: int | None = None
    notes: tuple[str, ...] = ()


def run(pipe: Connection, task: FleetTask) -> None:
    """Judge what is new, compare the vehicles, write the sheet; as the whole of a process.

    A desk that goes away ends it: what was judged until then is in the ledger, and the next run goes on from there.
    """
    import os
    import signal
    import threading

    signal.signal(signal.SIGINT, signal.SIG_IGN)

    def obey() -> None:
        with suppress(EOFError, OSError):
            pipe.recv()
        with suppress(OSError):
            tell(pipe, FleetState(has_ended=True, problem="Stopped. What was checked is kept."))
        os._exit(0)

    threading.Thread(target=obey, daemon=True, name="orders").start()
    from buslens.fleet.check_job import make_ready
    from buslens.fleet.local import LocalPool

    run_fleet(Teller(pipe), task, LocalPool(begin=make_ready))


class Teller:
    """Keeps the state, and hands on every new one."""

    def __init__(self, pipe: Connection) -> None:
        self._pipe, self._state = pipe, FleetState()

    def say(self, **changed: object) -> None:
        """Change some of the state."""
        self._state = replace(self._state, **changed)  # type: ignore[arg-type]
        with suppress(OSError):
            tell(self._pipe, self._state)

    def note(self, sentence: str) -> None:
        """Add a remark."""
        self.say(notes=(*self._state.notes, sentence)[-_MOST_NOTES:])


def run_fleet(teller: Teller, task: FleetTask, workers: WorkerPool) -> None:
    """Do the run by some workers, and tell of it."""
    from buslens.fleet.jobs import expectations_group
    from buslens.fleet.ledger import Ledger
    from buslens.fleet.naming import Pattern
    from buslens.fleet.pages import write_pages
    from buslens.fleet.text import progress_line, run_sentence
    from buslens.fleet.whole import WholeFleet

    def progress(it: Progress) -> None:
        teller.say(line=progress_line(it), done=it.done, total=it.total)

    def unnamed(capture: FoundCapture) -> None:
        teller.note(f"The pattern does not name a vehicle for {capture.address}.")

    try:
        whole = WholeFleet(
            [task.source],
            Path(task.out),
            by=Pattern(task.pattern) if task.pattern else None,
            chosen=expectations_group(task.expectations) if task.expectations else None,
            note=teller.note,
            unnamed=unnamed,
            progress=progress,
            stage=lambda words: teller.say(line=words.capitalize()),
        )
        with Ledger.writing(Path(task.out)) as ledger, workers as pool:
            done = whole.judge(ledger, pool)
            teller.say(line="Writing the pages of what is faulty")
            pages = write_pages(ledger, pool, whole.groups, whole.out)
            for problem in pages.problems:
                whole.problem(problem)
            whole.compare(ledger, done, pages.paths)
        teller.say(line=run_sentence(done), has_ended=True)
    except BuslensError as error:
        teller.say(problem=str(error), has_ended=True)
    except OSError as error:
        teller.say(problem=os_error_text(error), has_ended=True)
