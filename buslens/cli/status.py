"""Exit statuses: what scripts and build servers go by."""

from __future__ import annotations

from collections.abc import Iterable
from enum import IntEnum
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from buslens.checks.findings import Verdict


class Status(IntEnum):
    """The exit status of a command."""

    MET = 0
    VIOLATED = 1
    UNUSABLE = 2
    UNDECIDED = 3
    #: EX_SOFTWARE of the BSD sysexits.
    BROKEN = 70
    #: 128 and the number of SIGHUP, as shells have it.
    HUNG_UP = 129
    #: 128 and the number of SIGINT.
    STOPPED = 130
    #: 128 and the number of SIGPIPE.
    PIPE_CLOSED = 141
    #: 128 and the number of SIGTERM.
    TERMINATED = 143


def status_of(verdict: Verdict) -> Status:
    """Return the exit status for one capture."""
    by_verdict = {"as_expected": Status.MET, "faulty": Status.VIOLATED, "undecided": Status.UNDECIDED}
    return by_verdict[verdict.value]


def gravest(statuses: Iterable[Status]) -> Status:
    """Return the status for several captures: unusable before violated before undecided before met."""
    order = (Status.MET, Status.UNDECIDED, Status.VIOLATED, Status.UNUSABLE)
    return max(statuses, key=order.index, default=Status.MET)
