"""What a ledger is to know, remembered in plain dictionaries: slow, and simple enough to be right."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from buslens.fleet.model import FailureKind

if TYPE_CHECKING:
    from buslens.fleet.model import CaptureJob, JobResult


class Known(NamedTuple):
    """What a plain memory of a ledger keeps of a capture."""

    job: CaptureJob
    content: str
    ground: str


class Memory:
    """The plain dictionaries."""

    def __init__(self) -> None:
        self.captures: dict[str, Known] = {}
        #: By group: the ground that it was last judged on.
        self.standard: dict[str, str] = {}
        self.judged: dict[tuple[str, str], JobResult] = {}

    def put(self, job: CaptureJob, result: JobResult) -> None:
        key = result.content or f"none of {job.address}", result.ground
        if key not in self.judged or self.judged[key].verdict is None:
            self.judged[key] = result
        self.captures[job.address] = Known(job, *key)
        self.standard[job.group.name] = result.ground
        standing = {(known.content, known.ground) for known in self.captures.values()}
        for key, one in list(self.judged.items()):
            if not self.lasts(one) and key not in standing:
                del self.judged[key]

    @staticmethod
    def lasts(result: JobResult) -> bool:
        return result.verdict is not None or (
            result.trouble in {FailureKind.UNREADABLE, FailureKind.UNRELATED} and bool(result.content)
        )

    def has(self, content: str, ground: str) -> bool:
        there = self.judged.get((content, ground))
        return there is not None and self.lasts(there)

    def standing(self) -> list[tuple[CaptureJob, JobResult]]:
        """Return the captures that are judged on what their group is judged on now, by address."""
        return [
            (known.job, self.judged[known.content, known.ground])
            for _, known in sorted(self.captures.items(), key=lambda item: _place(item[0]))
            if self.standard[known.job.group.name] == known.ground
        ]

    def counted(self) -> list[tuple[CaptureJob, JobResult]]:
        """Return those of them that are no second copy; the first by address counts, outdated or not."""
        first: dict[tuple[str, str, str], str] = {}
        for address, known in sorted(self.captures.items(), key=lambda item: _place(item[0])):
            first.setdefault((known.job.vehicle, known.content, known.ground), address)
        return [(job, one) for job, one in self.standing() if job.address in first.values()]


def _place(address: str) -> tuple[bool, bytes]:
    """Return where an address stands in an ascending order: what is no text comes last."""
    data = address.encode("utf-8", "surrogatepass")
    return any("\ud800" <= sign <= "\udfff" for sign in address), data
