"""Judging a few captures again, wherever they lie, for their timing diagrams."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from buslens.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from buslens.checks.check import CheckSetup
    from buslens.checks.findings import Result
    from buslens.fleet.model import Group
    from buslens.fleet.views import CaptureRow


def checking(groups: Iterable[Group]) -> Callable[[CaptureRow], Result]:
    """Return what judges a capture again by the files of its group, each of which is loaded once.

    Parameters
    ----------
    groups : iterable of Group
        All that captures of the fleet can belong to.
    """
    from buslens.checks.check import check, prepare
    from buslens.fleet.fetch import fetched

    by_name = {group.name: group for group in groups}
    loaded: dict[str, CheckSetup] = {}

    def again(capture: CaptureRow) -> Result:
        group = by_name.get(capture.group)
        if group is None:
            raise UsageError(f"nothing is said any more of the group '{capture.group}'")
        if group.name not in loaded:
            loaded[group.name] = prepare(group.expectations, [*group.definitions] if group.definitions else None)
        ground = loaded[group.name]
        with fetched(capture.address) as path:
            result = check(path, ground.expectations, ground.definitions, channels=dict(group.channels))
        return replace(result, path=capture.address)

    return again
