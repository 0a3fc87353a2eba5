"""Requests of the system to end: taken for Ctrl-C, so that nothing half written is left and the terminal is sane."""

from __future__ import annotations

import signal
import threading
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, Final

from buslens.cli.status import Status

if TYPE_CHECKING:
    from collections.abc import Iterator

_STATUS: Final = {"SIGTERM": Status.TERMINATED, "SIGHUP": Status.HUNG_UP}
"""Signals by name, for not every system has them."""


class Ended(KeyboardInterrupt):
    """The system asked the process to end.

    Parameters
    ----------
    status : Status
        The exit status that tells so.
    """

    def __init__(self, status: Status) -> None:
        super().__init__(status)
        self.status = status


@contextmanager
def ending_gently() -> Iterator[None]:
    """Raise `Ended` in the main thread where the process would end at once; what is ignored stays ignored."""
    before: dict[int, Any] = {}
    if threading.current_thread() is threading.main_thread():
        for name in _STATUS:
            number = getattr(signal, name, None)
            if number is not None and signal.getsignal(number) is signal.SIG_DFL:
                before[number] = signal.signal(number, _end)
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def _end(number: int, _frame: object) -> None:
    raise Ended(_STATUS[signal.Signals(number).name])
