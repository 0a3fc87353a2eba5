"""Checking a few captures again, wherever they lie: for their timing diagrams, and for what explains them."""

from collections.abc import Callable, Iterable
from dataclasses import replace

from buslens.causes.diagnosis import diagnose
from buslens.causes.load import find_causes, load_causes
from buslens.causes.model import Causes
from buslens.checks.check import check
from buslens.checks.findings import Result, Verdict
from buslens.checks.setup import CheckSetup, prepare
from buslens.errors import BuslensError, UsageError
from buslens.fleet.fetch import fetched
from buslens.fleet.model import Group
from buslens.fleet.views import CaptureRow
from buslens.report.diagnosis import share
from buslens.report.formatting import clean


def checking(groups: Iterable[Group]) -> Callable[[CaptureRow], Result]:
    """Return what checks a capture again by the files of its group, each of which is loaded once."""
    by_name = {group.name: group for group in groups}
    loaded: dict[str, CheckSetup] = {}

    def again(capture: CaptureRow) -> Result:
        group = by_name.get(capture.group)
        if group is None:
            raise UsageError(f"group '{capture.group}' is no longer in the fleet file")
        if group.name not in loaded:
            loaded[group.name] = prepare(group.expectations, [*group.definitions] if group.definitions else None)
        return check_again(capture.address, group, loaded[group.name])

    return again


def check_again(address: str, group: Group, setup: CheckSetup, *, workers: int | None = None) -> Result:
    """Return a capture as it is checked with its group, under its own address; workers and errors as of `check`."""
    with fetched(address) as path:
        result = check(
            path,
            setup.expectations,
            setup.definitions,
            channels=dict(group.channels),
            table=group.table,
            workers=workers,
        )
    return replace(result, path=address)


def explaining() -> Callable[[Result], str]:
    """Return what names the leading cause of a faulty capture: ``load fuse blown (84 %)``.

    The causes are those beside the expectations; each file is loaded once. Where there is none, or nothing to
    explain, the name is empty.
    """
    loaded: dict[str, Causes | None] = {}

    def explain(result: Result) -> str:
        path = result.expectations.path
        if path not in loaded:
            try:
                file = find_causes(path) if path else None
                loaded[path] = load_causes(file, result.expectations) if file is not None and file.is_file() else None
            except BuslensError:
                # What is wrong with the file is for who diagnoses; the fleet has its rows without it.
                loaded[path] = None
        causes = loaded[path]
        if causes is None or result.verdict is not Verdict.FAULTY:
            return ""
        first = diagnose([result], causes).ranking.hypotheses[0]
        return f"{clean(first.title)} ({share(first.posterior)})"

    return explain
