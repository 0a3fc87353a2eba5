"""Timelines that are made when somebody asks for them: many a role is in no rule."""

from collections.abc import Callable, Iterable, Iterator, Mapping
from threading import Lock

from buslens.timeline.model import Timeline


class TimelinesOnDemand(Mapping[str, Timeline]):
    """Timelines by role, each made once, when it is first asked for.

    Parameters
    ----------
    makers : mapping of str to callable
        What makes the timeline of each role.
    """

    def __init__(self, makers: Mapping[str, Callable[[], Timeline]]) -> None:
        self._makers: dict[str, Callable[[], Timeline] | None] = dict(makers)
        self._made: dict[str, Timeline] = {}
        self._lock = Lock()

    def __getitem__(self, role: str) -> Timeline:
        with self._lock:
            make = self._makers[role]
            if make is not None:
                self._made[role] = make()
                self._makers[role] = None
            return self._made[role]

    def make(self, roles: Iterable[str]) -> None:
        """Make some of them now, in their order."""
        for role in roles:
            self[role]

    def __iter__(self) -> Iterator[str]:
        return iter(self._makers)

    def __len__(self) -> int:
        return len(self._makers)

    def __repr__(self) -> str:
        return f"<{len(self)} timelines: {', '.join(list(self)[:3])}{', ...' if len(self) > 3 else ''}>"

    def __reduce__(self) -> tuple[type[dict[str, Timeline]], tuple[dict[str, Timeline]]]:
        """Go to another process with all of them."""
        return dict, (dict(self),)
