"""Many problems of one file, said in one error."""

from collections.abc import Iterable, Sequence
from typing import Final, NoReturn

from buslens.errors import ExpectationError

_MOST_SHOWN: Final = 20


def raise_all(problems: Iterable[ExpectationError]) -> NoReturn:
    """Raise one error that lists all problems in the order of the file; its place is the first one's.

    What is wrong in the same way in several places is said at the first, with the lines of the others.
    """
    alike: dict[str, list[ExpectationError]] = {}
    for problem in sorted(problems, key=_place):
        alike.setdefault(problem.problem, []).append(problem)
    (first, *again), *others = alike.values()
    lines = [_one_line(first.problem) + _also(again)]
    lines += [_one_line(str(problem)) + _also(again) for problem, *again in others[: _MOST_SHOWN - 1]]
    if len(others) >= _MOST_SHOWN:
        lines.append(f"and {len(others) + 1 - _MOST_SHOWN} more problems")
    raise ExpectationError("\n".join(lines), first.source)


def _also(again: Sequence[ExpectationError]) -> str:
    """Return in which lines else a problem stands; empty if in none."""
    numbers = list(dict.fromkeys(f"{_place(it)[0]}" for it in again))
    more = f" and {len(numbers) - 3} more" if len(numbers) > 3 else ""
    return f" (also in line{'s' if len(numbers) > 1 else ''} {', '.join(numbers[:3])}{more})" if numbers else ""


def _place(problem: ExpectationError) -> tuple[int, int]:
    source = problem.source
    return (0, 0) if source is None else (source.line or 0, source.column or 0)


def _one_line(text: str) -> str:
    """Return a text in which what the user wrote cannot break the line or steer the terminal."""
    return "".join(char if char.isprintable() else char.encode("unicode_escape").decode("ascii") for char in text)
