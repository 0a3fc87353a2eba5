"""A tester's list of what a capture showed: every role asked for some times a second."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from buslens.expectations.model import Alive
from buslens.timeline.model import UNKNOWN_STATE

if TYPE_CHECKING:
    from pathlib import Path

    from buslens.checks.findings import Result
    from buslens.expectations.model import Expectations
    from buslens.timeline.model import Timeline


def column_expectations(expected: Expectations) -> Expectations:
    """Return the same rules with each role read from a column of its name; a table has no messages to be alive."""
    roles = {
        name: replace(role, message="", signal="", column=name, states={state: (state,) for state in role.states})
        for name, role in expected.roles.items()
    }
    rules = tuple(rule for rule in expected.rules if not isinstance(rule, Alive))
    return replace(expected, definitions=(), roles=roles, rules=rules)


def write_list(result: Result, path: Path, per_second: float) -> None:
    """Write what a tester would have listed of a capture: no value where nothing was known."""
    first_ns, last_ns = result.stats.first_ns or 0, result.stats.last_ns or 0
    at_ns = np.append(np.arange(first_ns, last_ns, round(1e9 / per_second)), last_ns)
    columns = {name: _cells(timeline, at_ns) for name, timeline in result.timelines.items()}
    lines = [",".join(["Time (s)", *columns])]
    for row, time_ns in enumerate((at_ns - first_ns).tolist()):
        lines.append(
            ",".join([f"{time_ns // 10**9}.{time_ns % 10**9:09d}", *(cells[row] for cells in columns.values())])
        )
    path.write_text("\n".join(lines) + "\n", "ascii")


def _cells(timeline: Timeline, at_ns: np.ndarray) -> list[str]:
    entry = np.maximum(np.searchsorted(timeline.seen_ns, at_ns, side="right") - 1, 0)
    cells = []
    for state, value in zip(timeline.state[entry].tolist(), timeline.value[entry].tolist(), strict=True):
        if state == UNKNOWN_STATE:
            cells.append("---")
        else:
            cells.append(repr(value) if timeline.is_number else timeline.states[state])
    return cells
