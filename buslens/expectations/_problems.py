"""Many problems of one file, said in one error."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, NoReturn

from buslens.errors import ExpectationError

if TYPE_CHECKING:
    from collections.abc import Iterable

_MOST_SHOWN: Final = 20


def raise_all(problems: Iterable[ExpectationError]) -> NoReturn:
    """Raise one error that lists all problems in the order of the file; its place is the first one's."""
    ordered = sorted(
        problems,
        key=lambda problem: (problem.source.line or 0, problem.source.column or 0) if problem.source else (0, 0),
    )
    first, *others = ordered
    lines = [first.problem, *map(str, others[: _MOST_SHOWN - 1])]
    if len(ordered) > _MOST_SHOWN:
        lines.append(f"and {len(ordered) - _MOST_SHOWN} more problems")
    raise ExpectationError("\n".join(lines), first.source)
