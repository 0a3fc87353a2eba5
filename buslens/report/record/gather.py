"""What a record rests on: the hash of every file, and what explains the captures."""

from collections.abc import Callable, Iterable, Sequence
from contextlib import suppress

from buslens.causes.diagnosis import diagnose
from buslens.causes.model import Causes
from buslens.causes.readings import Reading
from buslens.checks.findings import Result
from buslens.dialogue.read import Dialogue, read_dialogue
from buslens.errors import CaptureError, UsageError
from buslens.report.record.inputs import Input, take
from buslens.report.record.ranked_causes import Suspects, suspects_of


def rules(results: Iterable[Result], tell: Callable[[str], object] = str) -> list[Input]:
    """Return what captures were checked against: expectations, then definitions.

    Parameters
    ----------
    tell : callable, optional
        Hears of each file before it is hashed.

    Raises
    ------
    OSError
        If a file cannot be read any more.
    """
    found = list(results)
    expectations = dict.fromkeys(result.expectations.path for result in found)
    definitions = dict.fromkeys(file.path for result in found for file in result.expectations.definitions)
    return [*taken(expectations, "expectations", tell), *taken(definitions, "definitions", tell)]


def explained(
    results: Sequence[Result],
    causes: Causes,
    readings: Sequence[Reading],
    *,
    session: str | None = None,
    tell: Callable[[str], object] = str,
) -> tuple[Suspects, list[Input]]:
    """Return what explains captures of one condition of a vehicle, and the files that say so.

    Parameters
    ----------
    results : sequence of Result
        Before the repair, where there is a repair.
    session : str or None
        File that holds readings.
    tell : callable, optional
        Hears of each file before it is hashed.
    """
    sources = {cause.source.path for cause in causes.causes.values() if cause.source is not None}
    inputs = taken(sorted({str(causes.path), *sources}), "causes", tell)
    inputs += taken([session] if session else [], "readings", tell)
    return suspects_of(diagnose(results, causes, readings)), inputs


def heard(results: Iterable[Result]) -> dict[str, Dialogue]:
    """Return by capture what a tester asked and was answered; nothing of one without, or that is no log."""
    found = {}
    for result in results:
        with suppress(CaptureError, UsageError):  # a table of values, or a log without time stamps
            dialogue = read_dialogue(result.path, table=result.table)
            if dialogue.exchanges:
                found[result.path] = dialogue
    return found


def taken(paths: Iterable[str], kind: str, tell: Callable[[str], object] = str) -> list[Input]:
    """Return the hashes of files of one kind; UsageError or OSError if one is no file, or cannot be read."""
    found = []
    for path in paths:
        tell(path)
        found.append(take(path, kind))
    return found
