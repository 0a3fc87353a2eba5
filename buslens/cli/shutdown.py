"""Requests to end, by Ctrl-C or by the system: heard at once, and so that nothing half written is left.

Python raises KeyboardInterrupt wherever the main thread happens to be. In the midst of an import that goes wrong: a
library takes it for a missing part of itself, or Python prints it and goes on. So it does in the library that holds
compiled kernels: what calls back from there loses it, and what it cuts off while something is freed is freed twice.
So a request waits until neither is under way.
"""

import _thread
import signal
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType
from typing import Any, Final

from buslens.cli.status import Status

_STATUS: Final = {"SIGTERM": Status.TERMINATED, "SIGHUP": Status.HUNG_UP, "SIGBREAK": Status.TERMINATED}
"""Signals by name, for not every system has them; the last one is how Windows asks a program to end (Ctrl-Break)."""
_AGAIN_S: Final = 0.005
_LONGEST_S: Final = 5.0
"""Seconds that a request waits at most: a caller within an import must be able to end it, too."""


class TerminationRequested(KeyboardInterrupt):
    """The system asked the process to end."""

    def __init__(self, status: Status) -> None:
        super().__init__(status)
        self.status = status


@contextmanager
def deferred_signals() -> Iterator[None]:
    """Raise KeyboardInterrupt at Ctrl-C, `TerminationRequested` on a request to end; neither during an import.

    For the program alone, whose process is its own. What is ignored, or handled by somebody else, stays as it is.
    """
    usual = {"SIGINT": signal.default_int_handler, **dict.fromkeys(_STATUS, signal.SIG_DFL)}
    requests = _Requests()
    before: dict[int, Any] = {}
    for name, handler in usual.items():
        number = getattr(signal, name, None)
        if number is not None and signal.getsignal(number) == handler:
            before[number] = signal.signal(number, requests.hear)
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
        requests.forget()


class _Requests:
    """What is asked for, also at a moment that is not good for it."""

    def __init__(self) -> None:
        #: Signals that will come again, and when they came first.
        self._put_off: dict[int, float] = {}

    def hear(self, number: int, frame: FrameType | None) -> None:
        """Raise in the main thread what a signal asks for, or see to it that the signal comes again."""
        now = time.monotonic()
        if _is_delicate(frame) and now - self._put_off.get(number, now) < _LONGEST_S:
            if number not in self._put_off:
                self._put_off[number] = now
                # Not a Thread, whose locks the main thread may hold right now.
                _thread.start_new_thread(self._send_again, (number,))
            return
        self._put_off.pop(number, None)
        name = signal.Signals(number).name
        raise TerminationRequested(_STATUS[name]) if name in _STATUS else KeyboardInterrupt

    def forget(self) -> None:
        """Let no signal come again."""
        self._put_off.clear()

    def _send_again(self, number: int) -> None:
        """Send a signal now and then until it is heard."""
        while True:
            time.sleep(_AGAIN_S)
            if number not in self._put_off:
                return
            if hasattr(signal, "pthread_kill"):
                # A real one: what the main thread waits for by then has to be interrupted.
                signal.pthread_kill(threading.main_thread().ident or 0, number)
            else:
                _thread.interrupt_main(signal.Signals(number))


def _is_delicate(frame: FrameType | None) -> bool:
    """Whether the main thread is importing something, or is where compiled kernels are loaded and freed."""
    while frame is not None:
        if frame.f_code.co_filename.startswith("<frozen importlib"):
            return True
        if str(frame.f_globals.get("__name__")).partition(".")[0] == "llvmlite":
            return True
        frame = frame.f_back
    return False
