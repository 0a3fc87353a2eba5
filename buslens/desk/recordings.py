"""Recordings at the car that are under way: each is a process, and at most one writes into a job."""

from __future__ import annotations

import asyncio
import multiprocessing
import threading
from contextlib import suppress
from typing import TYPE_CHECKING, Final

from buslens.desk import recorder
from buslens.desk.recorder import MARK, STOP, RecordingState

if TYPE_CHECKING:
    from multiprocessing.connection import Connection

    from buslens.desk.recorder import RecordingTask

_END_S: Final = 10.0


class Recording:
    """One recording.

    Parameters
    ----------
    task : RecordingTask
    at : str
        Address of its page.
    """

    def __init__(self, task: RecordingTask, at: str) -> None:
        self.task, self.at = task, at
        self.state = RecordingState()
        #: Set and replaced whenever the state is another one.
        self._changed = asyncio.Event()
        self._loop = asyncio.get_running_loop()
        context = multiprocessing.get_context("spawn")
        self._pipe, theirs = context.Pipe()
        self._process = context.Process(target=recorder.run, args=(theirs, task), name="buslens recording")
        self._process.start()
        theirs.close()
        threading.Thread(target=self._listen, args=(self._pipe,), daemon=True, name="recording").start()

    def order(self, what: str, words: str = "") -> None:
        """Tell the process something."""
        with suppress(OSError):  # it has ended by itself
            recorder.tell(self._pipe, (what, words))

    async def changed(self, wait_s: float) -> bool:
        """Wait for another state, for some seconds; return whether there is one."""
        with suppress(TimeoutError):
            async with asyncio.timeout(wait_s):
                await self._changed.wait()
                return True
        return False

    async def ended(self) -> RecordingState:
        """Return the last state, once there is one."""
        while not self.state.has_ended and await self.changed(_END_S):
            pass
        return self.state

    def _listen(self, pipe: Connection) -> None:
        state = self.state
        try:
            while not state.has_ended:
                state = pipe.recv()
                self._loop.call_soon_threadsafe(self._take, state)
        except (EOFError, OSError, RuntimeError):  # the process was killed, or the desk has ended
            with suppress(RuntimeError):
                self._loop.call_soon_threadsafe(self._lose)

    def _take(self, state: RecordingState) -> None:
        self.state = state
        changed, self._changed = self._changed, asyncio.Event()
        changed.set()

    def _lose(self) -> None:
        from dataclasses import replace

        if not self.state.has_ended:
            self._take(replace(self.state, has_ended=True, problem="The recording was killed; what it wrote is kept."))


class Recordings:
    """All of them, by what they belong to: a job or a car."""

    def __init__(self) -> None:
        self._of: dict[str, Recording] = {}

    def of(self, owner: str) -> Recording | None:
        """Return the recording that runs for an owner, or that has just ended."""
        return self._of.get(owner)

    def begin(self, owner: str, task: RecordingTask, at: str) -> Recording:
        """Begin to record; whatever runs already for the owner goes on instead."""
        known = self._of.get(owner)
        if known is None or known.state.has_ended:
            known = self._of[owner] = Recording(task, at)
        return known

    def forget(self, owner: str) -> None:
        """Forget a recording that has ended."""
        self._of.pop(owner, None)

    async def close(self) -> None:
        """End all of them, and wait until what they wrote is in its place."""
        for one in self._of.values():
            one.order(STOP)
        for one in self._of.values():
            await one.ended()


__all__ = ["MARK", "STOP", "Recording", "Recordings"]
