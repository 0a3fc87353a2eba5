"""What a worker does for a car without definitions: finds the signals that follow what a person did."""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Final

from buslens.desk.folder import FOUND, GOOD, LAYOUT, stamp_of
from buslens.desk.plain_words import without_options
from buslens.desk.seek_state import SeekState, load_state
from buslens.desk.view import LayoutView
from buslens.discovery.marks import Mark
from buslens.errors import BuslensError
from buslens.files import os_error_text, write_atomically

if TYPE_CHECKING:
    from buslens.discovery.candidates import Candidate
    from buslens.discovery.changes import BitToggles
    from buslens.discovery.seek import SeekResult

_MOST: Final = 8
"""Candidates for each action: beside what was acted on also what the lock then does."""
_LEAST_MARKS: Final = 40
_SELDOM: Final = 60
"""A bit that changes more often is not drawn: it would hide those that a person moves."""
_COLUMNS: Final = 500
_HEIGHT: Final = 44
_LANE: Final = 22
_MOST_DRAWN: Final = 400
"""A bit that changes more often is not drawn as a lane."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundSignal:
    """A signal that may be what an action changes."""

    place: str
    #: At how many marks it changes, and how often otherwise.
    brief: str
    #: What it does, and how likely that is by luck.
    reasons: tuple[str, ...]
    #: Its value over the whole capture under the marks, as HTML that is safe; empty if it changes too often.
    lane: str
    #: Whether it is more than chance.
    is_sure: bool
    is_taken: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundAction:
    """One thing that was acted on, and the signals that follow."""

    #: Each action on it, as it was marked, and how often: a door opens, and closes.
    words: tuple[str, ...]
    marks: tuple[int, ...]
    signals: tuple[FoundSignal, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class SeekView:
    """What the page of a car shows of it."""

    length_s: float = 0.0
    #: When quiet bits change, as HTML that is safe.
    drawing: str = ""
    actions: tuple[FoundAction, ...] = ()
    problem: str = ""
    #: For a table that cannot be read, or of which something was said.
    layout: LayoutView | None = None


def seek_signals(folder: str) -> SeekView:
    """Return the time line of a car's marked capture, and the signals that follow the marks."""
    from buslens.desk.layouts import car_layout, layout_view, unclear_layout

    os.chdir(folder)
    state, layout = load_state(Path()), car_layout()
    try:
        changes, first_ns, end_ns = _read(state)
        view = SeekView(
            length_s=(end_ns - first_ns) / 1e9,
            drawing=_drawing(changes, first_ns, end_ns, _marks(state)),
            layout=None if layout is None else layout_view(Path(GOOD) / state.capture, layout),
        )
        if not state.marks:
            return view
        found = _sought(changes, first_ns, end_ns, state)
        return replace(view, actions=tuple(_action(found, indices, state, changes) for indices in _things(found)))
    except BuslensError as error:
        return SeekView(problem=without_options(error.problem), layout=unclear_layout(error, layout))
    except OSError as error:
        return SeekView(problem=os_error_text(error))


def write_found(folder: str) -> str:
    """Write the chosen signals as definitions; return why that cannot be."""
    from buslens.discovery.found_dbc import found_dbc

    os.chdir(folder)
    state = load_state(Path())
    try:
        changes, first_ns, end_ns = _read(state)
        found = _sought(changes, first_ns, end_ns, state)
        chosen: list[Candidate] = []
        for index in range(len(found.actions)):
            chosen += [it for it in _taken(found, index, state) if all(it.field != other.field for other in chosen)]
        write_atomically(FOUND, found_dbc(found, chosen))
    except BuslensError as error:
        return error.problem
    except OSError as error:
        return os_error_text(error)
    return ""


def _marks(state: SeekState) -> list[Mark]:
    from buslens.discovery.marks import parse_mark

    return [parse_mark(line) for line in state.marks]


_read_last: dict[str, tuple[BitToggles, int, int]] = {}
"""The capture that was read last, for marks come one after the other."""


def _read(state: SeekState) -> tuple[BitToggles, int, int]:
    from buslens.desk.layouts import car_layout
    from buslens.discovery.seek import cap_for, read_changes

    # A bit that was given up with few marks may count with more.
    capture, n_marks = Path(GOOD) / state.capture, max(len(state.marks), _LEAST_MARKS)
    status, layout = capture.stat(), car_layout()
    key = f"{capture.resolve()} {status.st_size} {status.st_mtime_ns} {cap_for(n_marks)} {stamp_of(Path(LAYOUT))}"
    if key not in _read_last:
        changes, stats = read_changes(capture, n_marks, table=layout)
        _read_last.clear()
        _read_last[key] = changes, stats.first_ns or 0, stats.last_ns or 0
    return _read_last[key]


def _sought(changes: BitToggles, first_ns: int, end_ns: int, state: SeekState) -> SeekResult:
    from buslens.discovery.seek import sought

    return sought(changes, _marks(state), first_ns=first_ns, end_ns=end_ns, most=_MOST, path=state.capture)


def _taken(found: SeekResult, action: int, state: SeekState) -> list[Candidate]:
    """Return what was chosen for an action; else what is proposed."""
    from buslens.report.discovery import place

    places = state.chosen.get(found.actions[action].words.casefold())
    if places is None:
        return [it for it in [_proposed(found).get(action)] if it is not None]
    return [it for it in found.candidates[action] if place(it.field) in places]


def _proposed(found: SeekResult) -> dict[int, Candidate]:
    """Return for each action the first signal that is more than chance and not proposed for another thing.

    What follows from a button follows the mark of the button, too. The surest action has the first choice; a door that
    opens and one that closes are the same thing.
    """
    from buslens.discovery.found_dbc import thing_of

    things = [thing_of(it.words) for it in found.actions]
    sure = {index: [it for it in every if it.is_surprising] for index, every in enumerate(found.candidates)}
    chosen: dict[int, Candidate] = {}
    for action in sorted((it for it in sure if sure[it]), key=lambda it: (sure[it][0].corrected, it)):
        taken = [it.field for other, it in chosen.items() if things[other] != things[action]]
        free = (it for it in sure[action] if it.field not in taken)
        if (first := next(free, None)) is not None:
            chosen[action] = first
    return chosen


def _things(found: SeekResult) -> Iterator[list[int]]:
    """Yield the actions on each thing, such as a door that opens and closes."""
    from buslens.discovery.found_dbc import thing_of

    by_thing: dict[str, list[int]] = {}
    for index, action in enumerate(found.actions):
        by_thing.setdefault(thing_of(action.words) or action.words, []).append(index)
    yield from by_thing.values()


def _action(found: SeekResult, indices: list[int], state: SeekState, changes: BitToggles) -> FoundAction:
    from buslens.report.discovery import chance, place, response_text

    taken = [it.field for index in indices for it in _taken(found, index, state)]
    by_field = {it.field: it for index in indices for it in found.candidates[index]}
    # What follows every action on this thing comes first, whatever else follows some of them more surely.
    candidates = sorted(
        by_field.values(), key=lambda it: (-len({each.action for each in it.responses} & {*indices}), it.corrected)
    )
    marks = [at for index in indices for at in found.actions[index].times_ns]
    return FoundAction(
        words=tuple(found.actions[index].words for index in indices),
        marks=tuple(len(found.actions[index].times_ns) for index in indices),
        signals=tuple(
            FoundSignal(
                place=place(it.field),
                brief=_brief(it, indices),
                reasons=(*(response_text(found, each) for each in it.responses), chance(it.corrected)),
                lane=_lane(found, it, marks, changes),
                is_sure=it.is_surprising,
                is_taken=it.field in taken,
            )
            for it in candidates
        ),
    )


def _brief(it: Candidate, indices: list[int]) -> str:
    own = [each for each in it.responses if each.action in indices]
    hits, marks = sum(each.hits for each in own), sum(each.marks for each in own)
    other = f"{it.other_changes:,} times without one" if it.other_changes else "at nothing else"
    return f"changes at {hits} of {marks} marks, {other}"


def _lane(found: SeekResult, it: Candidate, marks_ns: Sequence[int], changes: BitToggles) -> str:
    """Return the leading bit of a field over the whole capture, and the marks behind it."""
    from buslens.discovery.changes import BITS
    from buslens.report.page.svg import svg_line

    rows = changes.of(BITS * changes.origins.index(it.field.origin) + it.field.bits[-1])
    rising, seen_ns = changes.rising[rows].tolist(), changes.seen_ns[rows].tolist()
    if not rising or len(rising) > _MOST_DRAWN:
        return ""
    length = max(found.end_ns - found.first_ns, 1)
    high, low, base = 3, _LANE - 3, _LANE
    drawn = [svg_line(100 * at / length, 0, 100 * at / length, base, "marked") for at in marks_ns]
    x, y = 0.0, low if rising[0] else high
    for is_up, at in zip(rising, seen_ns, strict=True):
        to, level = 100 * (at - found.first_ns) / length, high if is_up else low
        drawn += [svg_line(x, y, to, y, "w"), svg_line(to, y, to, level, "w")]
        x, y = to, level
    drawn.append(svg_line(x, y, 100, y, "w"))
    return f'<svg width="100%" height="{_LANE}" aria-hidden="true">{"".join(drawn)}</svg>'


def _drawing(changes: BitToggles, first_ns: int, end_ns: int, marks: Sequence[Mark]) -> str:
    """Return when bits that seldom change do, the higher the more of them at once, with the marks."""
    import numpy as np

    from buslens.report.page.svg import svg_line, svg_rect

    length = max(end_ns - first_ns, 1)
    _, of_bit, often = np.unique(changes.code, return_inverse=True, return_counts=True)
    seen_ns = changes.seen_ns[often[of_bit] <= _SELDOM]
    column = ((seen_ns - first_ns) * _COLUMNS // (length + 1)).astype(np.int64)
    count = np.bincount(column, minlength=_COLUMNS)
    drawn = []
    for at in np.flatnonzero(count).tolist():
        height = min(4 + 6 * float(np.log2(count[at])), _HEIGHT - 4)
        drawn.append(svg_rect(100 * at / _COLUMNS, _HEIGHT - height, 100 / _COLUMNS, height, "inked"))
    drawn.append(svg_line(0, _HEIGHT, 100, _HEIGHT, "ax"))
    drawn += [
        svg_line(100 * mark.time_ns / length, 0, 100 * mark.time_ns / length, _HEIGHT, "marked") for mark in marks
    ]
    label = "When bits that seldom change did; the list of marks stands beside it."
    return f'<svg width="100%" height="{_HEIGHT + 1}" role="img" aria-label="{label}">{"".join(drawn)}</svg>'
