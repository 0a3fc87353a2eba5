"""What pools have in common: handing out tasks, a bounded number at a time, and taking back what came of them.

A pool works on items that it is given one after the other, and yields each with what came of it in the order in which
they are done. What happens to a worker (it dies, takes too long or too much memory) is a `Failure` of its item alone.
"""

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from typing import Protocol, Self, TypeVar

from buslens.fleet.model import FailureKind

I = TypeVar("I")  # noqa: E741
O = TypeVar("O")  # noqa: E741


@dataclass(frozen=True, slots=True, kw_only=True)
class Failure:
    """What happened to the worker of an item."""

    trouble: FailureKind
    #: One sentence.
    reason: str


class WorkerPool(Protocol):
    """Workers, on this machine or elsewhere."""

    #: Whether workers see the files of this process: its paths, and its ledger.
    is_local: bool

    def each(self, function: Callable[[I], O], items: Iterable[I]) -> Iterator[tuple[I, O | Failure]]:
        """Yield every item with what a function makes of it, as they are done.

        Items are taken from `items` only as workers become free. What the function raises is raised here, save
        `MemoryError`, which is a failure of its item.

        Parameters
        ----------
        function : callable
            Of a module, so that a worker can find it.
        items : iterable
            Each of them, and what is made of it, can be pickled.
        """
        ...

    def __enter__(self) -> Self: ...

    def __exit__(self, kind: type[BaseException] | None, *_: object) -> None: ...
