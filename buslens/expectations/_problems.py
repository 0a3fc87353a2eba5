"""Many problems of one file, said in one error."""

from collections.abc import Iterable
from typing import Final, NoReturn

from buslens.errors import ExpectationError

_MOST_SHOWN: Final = 20


def raise_all(problems: Iterable[ExpectationError]) -> NoReturn:
    """Raise one error that lists all problems in the order of the file; its place is the first one's."""
    first, *others = sorted(problems, key=_place)
    lines = [_one_line(first.problem), *(_one_line(str(problem)) for problem in others[: _MOST_SHOWN - 1])]
    if len(others) >= _MOST_SHOWN:
        lines.append(f"and {len(others) + 1 - _MOST_SHOWN} more problems")
    raise ExpectationError("\n".join(lines), first.source)


def _place(problem: ExpectationError) -> tuple[int, int]:
    source = problem.source
    return (0, 0) if source is None else (source.line or 0, source.column or 0)


def _one_line(text: str) -> str:
    """Return a text in which what the user wrote cannot break the line or steer the terminal."""
    return "".join(char if char.isprintable() else char.encode("unicode_escape").decode("ascii") for char in text)
