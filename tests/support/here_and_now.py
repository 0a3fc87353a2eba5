"""A pool without processes."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator


class HereAndNow:
    """A pool without processes."""

    is_local = True

    def each(self, function: Callable[[Any], Any], items: Iterable[Any]) -> Iterator[tuple[Any, Any]]:
        for item in items:
            yield item, function(item)

    def __enter__(self) -> HereAndNow:
        return self

    def __exit__(self, *_: object) -> None: ...
