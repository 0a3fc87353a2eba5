"""Tables of values as captures: the columns that the expectations name become the timelines of their roles."""

from collections.abc import Callable, Iterable
from dataclasses import replace
from difflib import get_close_matches
from pathlib import Path
from typing import Final, NamedTuple

import numpy as np

from buslens.capture.frames import Pause, ReadStats
from buslens.capture.table_settings import TableSettings
from buslens.capture.values import CHANNEL, ColumnNews, ValuesBlock, ValuesCapture, open_values, read_values
from buslens.capture.values_layout import absent_columns
from buslens.checks.shortest_states import shortest_of
from buslens.errors import SourceLocation, UnrelatedCaptureError
from buslens.expectations.model import Expectations, Role, Timeout
from buslens.timeline.build import build_timeline
from buslens.timeline.columns import ColumnHistory, ColumnSource
from buslens.timeline.history import NO_TIMEOUT
from buslens.timeline.model import UNKNOWN_STATE, Timeline, UnknownReason

_MOST_WORDS: Final = 8
"""Words without a state that are told."""
_LEAST_ROWS: Final = 5
_NEAR: Final = 0.75
"""How alike the name of a column must be to be named for another (rule of thumb; 1: the same)."""


def table_of_values(path: str | Path, expected: Expectations, table: TableSettings) -> ValuesCapture | None:
    """Return a capture that has at least one of the columns that roles are read from; None for any other.

    Raises CaptureError if it does not say enough, OSError if the system refuses the file.
    """
    wanted = columns_of(expected)
    if not wanted or str(path) == "-":
        return None
    return open_values(path, wanted, table)


def columns_of(expected: Expectations) -> tuple[str | int, ...]:
    """Return the columns that roles are read from, each once."""
    return tuple(dict.fromkeys(role.column for role in expected.roles.values() if role.column is not None))


def other_columns(path: str | Path, expected: Expectations, table: TableSettings) -> UnrelatedCaptureError | None:
    """Return the error for a table of values that has none of the wanted columns; None if the file is no such table."""
    found = open_values(path, (), table)
    if found is None:
        return None
    names = ", ".join(f"'{column.shown}'" for column in found.columns[:20])
    shown = [column.shown for column in found.columns]
    near = [text for one in columns_of(expected) if (text := near_column(one, shown))]
    example = f'column = "{shown[0]}"' if shown else 'column = "..."'
    told = "; ".join(near) or f"tie each role to its column, such as {example}"
    text = f"it is a table of values with the columns {names}, and no role of the expectations is read from one: {told}"
    return UnrelatedCaptureError(text, SourceLocation(str(path)))


def near_column(wanted: str | int, shown: Iterable[str]) -> str:
    """Return that a column is absent and which one is called nearly so; empty if none is.

    >>> near_column("Enable staus", ["Enable status", "Speed"])
    "no column 'Enable staus'; near: 'Enable status'"
    """
    by_case = {name.casefold(): name for name in shown}
    near = get_close_matches(str(wanted).casefold(), by_case, n=1, cutoff=_NEAR)
    return f"no column '{wanted}'; near: '{by_case[near[0]]}'" if near else ""


class ColumnsRead(NamedTuple):
    """What a table of values shows."""

    #: By role.
    timelines: dict[str, Timeline]
    stats: ReadStats
    #: What is absent, as sentences.
    absent: tuple[str, ...]
    #: How far off the middle between two rows each value may have been read, ns.
    moved_ns: int


def read_columns(
    values: ValuesCapture, expected: Expectations, notify: Callable[[str], None] | None = None
) -> ColumnsRead:
    """Read a table of values; CaptureError if it cannot be read, or a unit does not fit."""
    found = values.layout.found
    moved_ns = None if expected.read_before_ns is None else -(-expected.read_before_ns // 2)
    sources = {
        role.name: ColumnHistory(
            source_of(role, expected), found[role.column], values.path, 0 if role.is_event else moved_ns
        )
        for role in expected.roles.values()
        if role.column in found
    }
    place = {column.index: number for number, column in enumerate(values.columns)}
    at = {name: place[found[expected.roles[name].column].index] for name in sources}  # type: ignore[index]
    as_text = [
        all(sources[name].source.as_text for name in sources if at[name] == number) for number in range(len(place))
    ]

    def take(block: ValuesBlock) -> None:
        for name, history in sources.items():
            history.take(block, block.cells[at[name]])

    def news() -> list[ColumnNews] | None:
        found: dict[int, ColumnNews] = {}
        for name, history in sources.items():
            if (new := history.news) is None:
                return None
            found[at[name]] = found[at[name]] | new if at[name] in found else new
        return [found[number] for number in range(len(place))]

    stats = read_values(values, take, as_text=as_text, news=news, notify=notify)
    first_ns, end_ns = stats.first_ns or 0, stats.last_ns or 0
    timelines = {}
    for name, role in expected.roles.items():
        if name not in sources:
            timelines[name] = not_carried(role, first_ns, end_ns)
            continue
        timelines[name] = polled_timeline(
            sources[name], role, expected, stats, () if role.is_event else stats.pauses[CHANNEL]
        )
    lacking = [one for one in columns_of(expected) if one not in found]
    shown = [column.shown for column in values.layout.columns]
    near = [text for one in lacking if (text := near_column(one, shown))]
    far = [one for one in lacking if not near_column(one, shown)]
    absent = [absent_columns(far, values.layout)] if far else []
    unnamed = [_unnamed_text(expected.roles[name], history.unnamed) for name, history in sources.items()]
    unnamed += [_never_text(expected.roles[name], history) for name, history in sources.items()]
    unnamed.append(_changes_text(stats.frames, [timelines[name] for name in sources]))
    moved_ns = max((history.moved_ns for history in sources.values()), default=0)
    return ColumnsRead(timelines, stats, (*near, *absent, *filter(None, unnamed)), moved_ns)


def _unnamed_text(role: Role, texts: Iterable[str]) -> str:
    """Return which words of a column stand for no state; empty if all do."""
    words = [f"'{it}'" for it in texts]
    if not words:
        return ""
    more = f" and {len(words) - _MOST_WORDS} more" if len(words) > _MOST_WORDS else ""
    otherwise = "" if "".join(words).isascii() else ", or save the table as UTF-8 if its letters look wrong"
    return (
        f"column '{role.column}' has {', '.join(words[:_MOST_WORDS])}{more}, and no state of {role.shown_name} has such"
        f" a value: it is unknown there; name them under its states{otherwise}"
    )


def _changes_text(n_rows: int, timelines: Iterable[Timeline]) -> str:
    """Return that each row of a table may stand for a change; empty if some show none."""
    changes = [len(timeline) - 1 for timeline in timelines if timeline.states and timeline.frames_ns is None]
    if n_rows < _LEAST_ROWS or sum(changes) < n_rows - 2:
        return ""
    return (
        "each row shows a change: if its instrument writes rows for nothing else, write"
        ' sent = "only on change" and lag = "1 ms" at each role, and states are taken to last until the next row'
    )


def _never_text(role: Role, history: ColumnHistory) -> str:
    """Return which states the numbers of a column never stand for; empty if each came, or it has no limits."""
    limits: list[str] = []
    for state in history.never:
        texts = [f"{it.operator} {float(it.limit):g} {it.unit}".strip() for it in role.thresholds.get(state, ())]
        limits += [f"{state} ({' or '.join(texts)})"] * bool(texts)
    if history.span is None or not limits:
        return ""
    low, high = history.span
    return (
        f"column '{role.column}' lies between {low:.4g} and {high:.4g}, so that {role.shown_name} is never"
        f" {' or '.join(limits)}: right if the wire did nothing; else look at the ratio of the probe, its sign and the"
        " limits"
    )


def polled_timeline(
    history: ColumnHistory, role: Role, expected: Expectations, stats: ReadStats, pauses: tuple[Pause, ...]
) -> Timeline:
    """Return the timeline of a role whose values have all been taken."""
    timeline = build_timeline(
        history.finish(),
        0,
        states=history.states,
        unit=role.unit,
        lag_ns=role.lag_ns if role.is_event else None,
        is_event=role.is_event,
        discontinuities=stats.discontinuities,
        first_ns=stats.first_ns or 0,
        end_ns=stats.last_ns or 0,
        pauses=pauses,
        # An empty cell says as little as a row that is not there, and nobody has to ask on.
        is_lone=True,
        resolution_ns=stats.resolution_ns,
        moved_ns=history.moved_ns,
        shortest=shortest_of(role, expected, is_polled=True),
        period_ns=history.period_ns,
    )
    sampling = timeline.sampling._replace(apart_ns=2 * history.moved_ns, is_by_row=history.is_by_row)
    return replace(timeline, sampling=sampling)


def source_of(role: Role, expected: Expectations) -> ColumnSource:
    """Return how a role is read from its column or from answers."""
    timeout_ns = {Timeout.FROM_CYCLE: None, Timeout.NEVER: NO_TIMEOUT}.get(role.timeout, role.timeout)  # type: ignore[arg-type]
    return ColumnSource(
        name=role.name,
        texts=role.states,
        thresholds=role.thresholds,
        unit=role.unit,
        timeout_ns=timeout_ns if isinstance(timeout_ns, int) else None,
        shortest_ns=shortest_of(role, expected, is_polled=True).least_ns or 1,
    )


def not_carried(role: Role, first_ns: int, end_ns: int) -> Timeline:
    """Return the timeline of a role that a recording of this kind does not carry."""
    return Timeline(
        role=role.name,
        seen_ns=np.array([first_ns], np.int64),
        gap_ns=np.array([1], np.int64),
        state=np.array([UNKNOWN_STATE], np.int8),
        raw=None if role.states or role.thresholds else np.array([np.nan]),
        why=np.array([UnknownReason.NOT_CARRIED.value], np.int8),
        states=tuple(role.states),
        unit=role.unit,
        last_frame_ns=None,
        period_ns=None,
        timeout_ns=None,
        end_ns=end_ns,
    )
