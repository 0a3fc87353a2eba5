"""Errors that a user of buslens can cause, and the place that each of them points at.

    BuslensError
    ├── CaptureError        a recorded log cannot be read
    │   └── UnrelatedCaptureError   it has not one message that is needed
    ├── DefinitionError     a DBC file cannot be used
    ├── ExpectationError    an expectations file cannot be used
    └── UsageError          a request cannot be carried out as it was made

The text is always place, what was found, what would be right:
``door.toml:14:9: unknown signal 'DoorOpn'; did you mean 'DoorOpen'?``
"""

import re
from bisect import bisect_right
from collections.abc import Iterable
from dataclasses import dataclass
from difflib import get_close_matches


@dataclass(frozen=True, slots=True)
class SourceLocation:
    """A place in a file of the user's."""

    #: The file as the user named it.
    path: str
    #: Line, counted from 1; None when the place is the file as a whole.
    line: int | None = None
    #: Column in characters, counted from 1; None when the place is the line as a whole.
    column: int | None = None

    def __str__(self) -> str:
        return ":".join(str(part) for part in (self.path, self.line, self.column) if part is not None)


class Lines:
    """Lines and columns of a text whose lines end in line feeds."""

    def __init__(self, text: str) -> None:
        self._text = text
        self._starts = [0, *(match.end() for match in re.finditer("\n", text))]

    def line(self, offset: int) -> int:
        """Return the line of an offset, counted from 1."""
        return bisect_right(self._starts, offset)

    def column(self, offset: int) -> int:
        """Return the column of an offset, counted from 1."""
        return offset - self._starts[self.line(offset) - 1] + 1

    def location(self, path: str, offset: int) -> SourceLocation:
        """Return the place of an offset in a file."""
        return SourceLocation(path, self.line(offset), self.column(offset))

    def rest_of_line(self, offset: int) -> str:
        """Return what stands at an offset, to the line's end, cut to what fits into an error text."""
        found = self._text[offset:].split("\n", 1)[0].strip()
        return found if len(found) <= 40 else found[:37] + "..."


class BuslensError(Exception):
    """Something that the user can put right; carries the place where."""

    def __init__(self, problem: str, source: SourceLocation | None = None) -> None:
        super().__init__(problem, source)
        self.problem = problem
        self.source = source

    def __str__(self) -> str:
        return self.problem if self.source is None else f"{self.source}: {self.problem}"


class CaptureError(BuslensError, ValueError):
    """A recorded log cannot be read."""


class UnrelatedCaptureError(CaptureError):
    """A recorded log has not one message that the expectations need: it is of another car, bus or channel."""


class DefinitionError(BuslensError, ValueError):
    """A DBC file cannot be used."""


class ExpectationError(BuslensError, ValueError):
    """An expectations file cannot be used."""


class UsageError(BuslensError, ValueError):
    """A request cannot be carried out as it was made."""


def did_you_mean(word: str, known: Iterable[str]) -> str:
    """Return a hint that ends an error text: the nearest known word, else all of them if they are few.

    >>> did_you_mean("DoorOpn", ["DoorOpen", "Speed"])
    "; did you mean 'DoorOpen'?"
    >>> did_you_mean("POWR", ["power", "speed"])
    "; did you mean 'power'?"
    """
    names = sorted(known)
    folded = {name.casefold(): name for name in names}
    near = get_close_matches(word.casefold(), folded, n=1)
    if near:
        return f"; did you mean '{folded[near[0]]}'?"
    if 0 < len(names) <= 12:
        return "; known: " + ", ".join(names)
    return ""
