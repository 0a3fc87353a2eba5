"""Long work, each in a process of its own, which tells how far it is: recordings, and runs over a fleet."""

from __future__ import annotations

import asyncio
import json
import multiprocessing
import pickle
import threading
from collections.abc import AsyncIterator, Callable
from contextlib import suppress
from dataclasses import asdict, dataclass, replace
from multiprocessing.connection import Connection
from typing import TYPE_CHECKING, Any, Final, Generic, TypeVar

if TYPE_CHECKING:
    from starlette.requests import Request

_END_S: Final = 10.0
_QUIET_S: Final = 15.0
STOP: Final = "stop"


@dataclass(frozen=True, slots=True, kw_only=True)
class State:
    """What such work tells, and each kind adds to."""

    #: Why it ended before its time; empty if it did not.
    problem: str = ""
    #: Whether nothing more will come.
    has_ended: bool = False


_S = TypeVar("_S", bound=State)


def tell(pipe: Connection, what: object) -> None:
    """Hand something to the process at the other end, which takes it by `recv`.

    Nothing here has a `send`: what holds a bus shall not even look as if it did.
    """
    pipe.send_bytes(pickle.dumps(what))


class Running(Generic[_S]):
    """One such work.

    Parameters
    ----------
    function : callable
        Is given a pipe, which takes states and gives orders, and the task; the whole of the process.
    task : object
        What is to be done.
    blank : State
        Before the first one comes.
    at : str
        Address of its page.
    """

    def __init__(self, function: Callable[[Connection, Any], None], task: object, blank: _S, at: str) -> None:
        self.task, self.at = task, at
        self.state: _S = blank
        #: Set and replaced whenever the state is another one.
        self._changed = asyncio.Event()
        self._loop = asyncio.get_running_loop()
        context = multiprocessing.get_context("spawn")
        self._pipe, theirs = context.Pipe()
        context.Process(target=function, args=(theirs, task), name="buslens at work").start()
        theirs.close()
        threading.Thread(target=self._listen, args=(self._pipe,), daemon=True, name="running").start()

    def order(self, what: str, words: str = "") -> None:
        """Tell the process something."""
        with suppress(OSError):  # it has ended by itself
            tell(self._pipe, (what, words))

    async def changed(self, wait_s: float) -> bool:
        """Wait for another state, for some seconds; return whether there is one."""
        with suppress(TimeoutError):
            async with asyncio.timeout(wait_s):
                await self._changed.wait()
                return True
        return False

    async def ended(self) -> _S:
        """Return the last state, once there is one."""
        while not self.state.has_ended and await self.changed(_END_S):
            pass
        return self.state

    async def events(self, request: Request, is_ending: asyncio.Event) -> AsyncIterator[str]:
        """Yield every state as an event, until it is the last one or the desk ends."""
        while not is_ending.is_set() and not await request.is_disconnected():
            shown = self.state
            yield f"data: {json.dumps(asdict(shown))}\n\n"
            if shown.has_ended:
                return
            if self.state is shown and not await self.changed(_QUIET_S):
                yield ": still here\n\n"
        yield "event: end\ndata: {}\n\n"

    def _listen(self, pipe: Connection) -> None:
        state = self.state
        try:
            while not state.has_ended:
                state = pipe.recv()
                self._loop.call_soon_threadsafe(self._take, state)
        except (EOFError, OSError, RuntimeError):  # the process was killed, or the desk has ended
            with suppress(RuntimeError):
                self._loop.call_soon_threadsafe(self._lose)

    def _take(self, state: _S) -> None:
        self.state = state
        changed, self._changed = self._changed, asyncio.Event()
        changed.set()

    def _lose(self) -> None:
        if not self.state.has_ended:
            problem = "The system ended this before it was done. What was written is kept."
            self._take(replace(self.state, has_ended=True, problem=problem))


class AllRunning(Generic[_S]):
    """All of one kind, at most one for each owner: a job, a car, a fleet.

    Parameters
    ----------
    function, blank
        As for `Running`.
    """

    def __init__(self, function: Callable[[Connection, Any], None], blank: _S) -> None:
        self._function, self._blank = function, blank
        self._of: dict[str, Running[_S]] = {}

    def of(self, owner: str) -> Running[_S] | None:
        """Return what runs for an owner, or has just ended."""
        return self._of.get(owner)

    def going(self, owner: str) -> Running[_S] | None:
        """Return what still runs for an owner."""
        found = self._of.get(owner)
        return None if found is None or found.state.has_ended else found

    def begin(self, owner: str, task: object, at: str) -> Running[_S]:
        """Begin; whatever still runs for the owner goes on instead."""
        known = self.going(owner)
        if known is None:
            known = self._of[owner] = Running(self._function, task, self._blank, at)
        return known

    def forget(self, owner: str) -> None:
        """Forget what has ended."""
        self._of.pop(owner, None)

    async def close(self) -> None:
        """End all, and wait until what they wrote is in its place."""
        for one in self._of.values():
            one.order(STOP)
        for one in self._of.values():
            await one.ended()
