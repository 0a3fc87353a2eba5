"""A run over a fleet, in a process of its own: `buslens fleet` with another way of telling how far it is."""

from contextlib import suppress
from dataclasses import dataclass, replace
from multiprocessing.connection import Connection
from typing import Final

from buslens.desk.running import State, tell
from buslens.errors import BuslensError
from buslens.files import os_error_text
from buslens.fleet.worker_pool import WorkerPool

_MOST_NOTES: Final = 20


@dataclass(frozen=True, slots=True, kw_only=True)
class FleetTask:
    """What is to be checked."""

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
    """Check what is new, compare the vehicles, write the sheet; as the whole of a process.

    A desk that goes away ends it: what was checked until then is in the ledger, and the next run goes on from there.
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
    from buslens.fleet.local_pool import LocalPool

    run_fleet(Teller(pipe), task, LocalPool())


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
    from buslens.fleet.run_fleet import FleetListener
    from buslens.fleet.run_fleet import run_fleet as run_whole_fleet
    from buslens.fleet.text import progress_line, run_sentence

    listener = FleetListener(
        note=teller.note,
        progress=lambda it: teller.say(line=progress_line(it), done=it.done, total=it.total),
        stage=lambda words: teller.say(line=words.capitalize()),
    )
    try:
        done = run_whole_fleet(
            task.source,
            task.out,
            name=task.pattern or None,
            expectations=task.expectations or None,
            workers=workers,
            pages=True,
            listener=listener,
        )
        teller.say(line=run_sentence(done.done), has_ended=True)
    except BuslensError as error:
        teller.say(problem=str(error), has_ended=True)
    except OSError as error:
        teller.say(problem=os_error_text(error), has_ended=True)
