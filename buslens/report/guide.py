"""What has still to happen at the car for a recording that shows something, made from the rules."""

from collections.abc import Callable, Iterable, Iterator
from typing import Final, NamedTuple

from buslens.checks.occasion import what_to_do
from buslens.expectations.model import AnyRule, Sequence
from buslens.live.final_findings import FinalFinding
from buslens.report.formatting import capitalised, clean
from buslens.report.replay import ReplayState, Screen

USUAL: Final = 5
"""So many of each prove a repair after a fault that came two times of two; a fault that comes seldom needs more."""
_BELL: Final = "\a"


class GuideItem(NamedTuple):
    """One thing that has to happen at the car."""

    name: str
    #: What to do.
    words: str
    seen: int
    wanted: int

    @property
    def mark(self) -> str:
        """How far it is."""
        return "done" if self.seen == self.wanted else f"{self.seen} of {self.wanted}"


class Guide:
    """Counts handshakes that have run, whether they went well or not; cancelled ones show nothing.

    Parameters
    ----------
    wanted : int
        How many of each.
    """

    def __init__(self, rules: Iterable[AnyRule], wanted: int = USUAL) -> None:
        self._rules = [rule for rule in rules if isinstance(rule, Sequence)]
        self._wanted = wanted
        self._seen = dict.fromkeys((rule.name for rule in self._rules), 0)

    @property
    def is_complete(self) -> bool:
        """Whether all has happened often enough."""
        return all(count >= self._wanted for count in self._seen.values())

    def tick(self, told: FinalFinding) -> bool:
        """Count a handshake; return whether it was one that is wanted."""
        run = told.handshake
        if run is None or run.abandoned or run.rule not in self._seen:
            return False
        self._seen[run.rule] += 1
        return self._seen[run.rule] <= self._wanted

    def items(self) -> Iterator[GuideItem]:
        """Yield what has to happen, with how often it has; what several rules ask for, once."""
        by_words: dict[str, list[str]] = {}
        for rule in self._rules:
            by_words.setdefault(clean(what_to_do(rule)), []).append(rule.name)
        for words, names in by_words.items():
            seen = min(self._wanted, *(self._seen[name] for name in names))
            yield GuideItem(" and ".join(map(clean, names)), words, seen, self._wanted)

    def lines(self) -> Iterator[str]:
        """Yield the same, one line each."""
        for it in self.items():
            yield f"{capitalised(it.name)}, {it.mark}: {it.words}"


class GuideScreen:
    """Shows what another screen shows, and what has still to happen."""

    def __init__(self, inner: Screen, guide: Guide, write: Callable[[str], object]) -> None:
        self._inner, self._guide, self._write = inner, guide, write
        self._tell("To do while this records; nothing is sent:")

    def show_finding(self, told: FinalFinding, origin_ns: int) -> None:
        """Show what has been found, and what is left to do."""
        self._inner.show_finding(told, origin_ns)
        if not self._guide.tick(told):
            return
        if self._guide.is_complete:
            self._write(f"{_BELL}All is there. Ctrl-C ends the recording.\n")
        else:
            self._tell("Still to do:")

    def show(self, sight: ReplayState) -> None:
        """Show a moment."""
        self._inner.show(sight)

    def close(self) -> None:
        """Leave the terminal as it was."""
        self._inner.close()

    def _tell(self, title: str) -> None:
        self._write("".join(f"{line}\n" for line in (title, *(f"    {it}" for it in self._guide.lines()))))
