"""One bad byte in a log, and how far it reaches."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    from random import Random

    from buslens.checks.findings import Finding, Result

_LIKELY = b"0123456789ABCDEFxXrRtT#()._- :\t\n\r\0/"
"""What is more likely to make another line of a line than any byte."""


class Damaged(NamedTuple):
    """A log with one byte changed, put in or taken out."""

    data: bytes
    #: First and last line, from 0, that are not what they were; numbers of the log as it was.
    first: int
    last: int


def with_one_bad_byte(log: bytes, dice: Random, *, start: int = 0) -> Damaged:
    """Return a log with one bad byte at a place from `start` on."""
    at = dice.randrange(start, len(log))
    byte = bytes([dice.choice(_LIKELY) if dice.random() < 0.6 else dice.randrange(256)])
    kind = dice.randrange(3)
    data = log[:at] + (b"" if kind == 2 else byte) + log[at + (kind != 1) :]
    first = log.count(b"\n", 0, at)
    # Without its line end a line runs on into the next one.
    return Damaged(data, first, first + (log[at : at + 1] == b"\n"))


def line_starts(log: bytes) -> list[int]:
    """Return where each line begins, and where the last one ends."""
    starts = [0, *(match.end() for match in re.finditer(rb"\n", log))]
    return starts if starts[-1] == len(log) else [*starts, len(log)]


def span_of(finding: Finding, result: Result) -> tuple[int, int]:
    """Return the first and the last moment that a finding is about, ns; its whole handshake, if it is of one."""
    moments: list[int | None] = [finding.time_ns]
    for evidence in finding.evidence:
        moments += [evidence.time.earliest_ns, evidence.time.latest_ns]
    if finding.reference is not None:
        moments += [finding.reference.earliest_ns, finding.reference.latest_ns]
        if finding.delay is not None:
            later, longest = finding.reference.latest_ns, finding.delay.latest_ns
            moments.append(None if later is None or longest is None else later + longest)
    for shake in result.handshakes:
        if (shake.rule, shake.number) == (finding.rule, finding.handshake):
            moments += [shake.start.earliest_ns, shake.start.latest_ns, shake.end_ns]
    end_ns = result.stats.last_ns or 0
    known = [end_ns if moment is None else moment for moment in moments]
    return min(known), max(known)
