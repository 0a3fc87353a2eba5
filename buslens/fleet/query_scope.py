"""What every question to a ledger needs: which captures count, and values as they were before they were entered."""

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Final, cast

from buslens.errors import BuslensError
from buslens.fleet.ledger import Ledger
from buslens.fleet.ledger_file import damaged
from buslens.fleet.views import UNDATED

CURRENT_CAPTURES: Final = (
    "capture CROSS JOIN judgement ON judgement.id = capture.judgement "
    "CROSS JOIN standard ON standard.grouping = capture.grouping AND standard.ground = judgement.ground"
)
"""Captures that are checked on what their group is checked on now; those with `copy = 0` count. In this order: a few
captures are looked up, then what belongs to them, or all of them are walked."""

DATED: Final = f"coalesce(capture.recorded_ns, {UNDATED})"
"""Calendar time for a column of whole numbers."""


@contextmanager
def corruption_guard(ledger: Ledger) -> Iterator[None]:
    """Take a value that cannot have been entered, such as a text where a number is to be, as damage to the file."""
    try:
        yield
    except (ValueError, TypeError, OverflowError) as exc:
        if isinstance(exc, BuslensError):
            raise
        raise damaged(ledger.path, str(exc)) from exc


def only(ledger: Ledger, query: str) -> int:
    """Return the one number that a query yields."""
    (row,) = ledger.rows(query)
    return int(cast("int", row[0]))


def window(since_ns: int | None, until_ns: int | None) -> tuple[str, list[int]]:
    """Return the condition, to follow others, that keeps to a stretch of calendar time, and its values.

    Both ends are included; what has no date is left out as soon as one is given.
    """
    text, values = "", []
    if since_ns is not None:
        text, values = " AND capture.recorded_ns >= ?", [since_ns]
    if until_ns is not None:
        text, values = f"{text} AND capture.recorded_ns <= ?", [*values, until_ns]
    return text, values
