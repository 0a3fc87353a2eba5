"""The candidates for the roles of the handshake, drawn around the first move of the lock that a capture shows."""

import re
from dataclasses import replace
from pathlib import Path
from typing import Final

from buslens.capture.table_settings import NOTHING_TOLD, TableSettings
from buslens.checks.check import check
from buslens.discovery.roles import HANDSHAKE, RoleMatch
from buslens.discovery.start import StartResult
from buslens.discovery.traces import is_column
from buslens.errors import UsageError
from buslens.expectations.model import Expectations, Role, Timeout
from buslens.expectations.quantities import parse_threshold
from buslens.report.figure import draw
from buslens.units import NS_PER_S

_BEFORE_S: Final = 2.0
_AFTER_S: Final = 3.0
_OF_EACH: Final = 3


def draw_candidates(made: StartResult, path: str, table: TableSettings = NOTHING_TOLD) -> Path:
    """Draw the best candidates of each role, with the values that they show, and return the file.

    Parameters
    ----------
    made : StartResult
    path : str
        Picture to write.
    table : TableSettings
        What is said about tables.

    Raises
    ------
    UsageError
        If there is nothing to draw.
    """
    roles: dict[str, Role] = {}
    for role in HANDSHAKE:
        proposal = made.proposals[role]
        listed = [] if proposal.best is None else [proposal.best, *proposal.others]
        for place, fit in enumerate(listed[:_OF_EACH]):
            name = role if not place else f"{role}_{place + 1}_{_slug(fit.signal.name)}"
            roles[name] = _role(name, fit)
    if not roles:
        raise UsageError("there is no candidate for any role of the handshake, so that there is nothing to draw")
    result = check(made.captures[0], Expectations(path="", roles=roles, rules=()), made.definitions, table=table)
    result = replace(result, summary="which of these signals are the roles? The best of each stands first")
    length_s = ((result.stats.last_ns or 0) - (result.stats.first_ns or 0)) / NS_PER_S
    begin_s = 0.0
    if made.moves is not None and len(made.moves):
        begin_s = float(made.moves.since_ns[0]) / NS_PER_S
    window = (max(begin_s - _BEFORE_S, 0.0), min(begin_s + _AFTER_S, length_s))
    return draw(result, path, window=window if window[1] > window[0] else "all")


def _role(name: str, fit: RoleMatch) -> Role:
    """Return a role that shows a signal or column as its values are named, or as numbers."""
    if is_column(fit.message):
        return _column_role(name, fit)
    values = sorted(fit.signal.labels) or range(min(1 << fit.signal.length, 16))
    states = {
        _slug(fit.signal.labels.get(raw, f"is_{raw}")) + ("" if _is_own(fit, raw) else f"_{raw}"): (raw,)
        for raw in values
    }
    return Role(name=name, message=fit.message.name, signal=fit.signal.name, states=states, timeout=Timeout.NEVER)


def _column_role(name: str, fit: RoleMatch) -> Role:
    """Return a role that shows a column by its words, its numbers or the limits of its two levels."""
    labels = [label for _, label in sorted(fit.signal.labels.items())]
    limits = {label: (found,) for label in labels if (found := parse_threshold(label)) is not None}
    states = {label: () if label in limits else (label,) for label in labels}
    numbers = {str(raw): (raw,) for raw in range(1 << fit.signal.length)}
    return Role(name=name, column=fit.signal.name, states=states or numbers, thresholds=limits, timeout=Timeout.NEVER)


def _is_own(fit: RoleMatch, raw: int) -> bool:
    slugs = [_slug(label) for label in fit.signal.labels.values()]
    return raw not in fit.signal.labels or slugs.count(_slug(fit.signal.labels[raw])) == 1


def _slug(text: str) -> str:
    return re.sub(r"[^0-9a-z]+", "_", text.lower()).strip("_") or "value"
