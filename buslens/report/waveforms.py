"""Lanes are drawn onto a sheet: waveforms, boxes and staircases, with their doubt and what is unknown."""

import numpy as np

from buslens.report.annotations import TimeAxis
from buslens.report.display_list import Box, DisplayList
from buslens.report.drawing_context import DrawingContext
from buslens.report.formatting import unknown_text
from buslens.report.lanes import DenseChanges, Lane, Segment, Shape, Transition
from buslens.report.style import Format, Tone
from buslens.report.text_metrics import legible, shorten
from buslens.timeline.model import UNKNOWN_STATE


def state_name(lane: Lane, state: int) -> str:
    """Return a state's name as it is written."""
    if not 0 <= state < len(lane.states):
        return "?"
    return legible(lane.states[state].replace("_", " "))


def rooms(lane: Lane, scale: TimeAxis) -> list[tuple[Segment, float, float]]:
    """Return each stretch with the room that is surely its own: from its first frame to the doubt at its end."""
    since = {c.seen_ns: c.since_ns for c in lane.changes if UNKNOWN_STATE not in (c.before, c.after)}
    out = []
    for stretch in lane.stretches:
        end = max(stretch.start_ns, since.get(stretch.end_ns, stretch.end_ns))
        out.append((stretch, scale.x(stretch.start_ns), scale.x(end)))
    return out


def unwritten(lane: Lane, scale: TimeAxis, pen: DrawingContext) -> dict[int, tuple[float, float]]:
    """Return the states whose name fits nowhere on the lane, each with where it first shows."""
    written: set[int] = set()
    first: dict[int, tuple[float, float]] = {}
    for stretch, left, right in rooms(lane, scale):
        if stretch.state == UNKNOWN_STATE:
            continue
        first.setdefault(stretch.state, (left, right))
        if pen.width(state_name(lane, stretch.state)) + _pad(lane, pen.fmt) <= right - left:
            written.add(stretch.state)
    return {state: place for state, place in first.items() if state not in written}


def draw_lane(pen: DrawingContext, lane: Lane, scale: TimeAxis, top: float, height: float) -> None:
    """Draw the body of a lane."""
    sheet, fmt = pen.sheet, pen.fmt
    if lane.shape is Shape.NUMBER:
        _staircase(sheet, lane, scale, top, height, fmt)
    else:
        for change in lane.changes:
            _change(pen, lane, change, (scale.x(change.since_ns), scale.x(change.seen_ns)), (top, height))
            if UNKNOWN_STATE not in (change.before, change.after):
                ends = (scale.x(change.since_ns - lane.clock_ns), scale.x(change.seen_ns + lane.clock_ns))
                whisker(pen, ends, top + height + 0.32 * fmt.text, lane.clock_ns * scale.per_ns)
    for stretch, left, right in rooms(lane, scale):
        if stretch.state == UNKNOWN_STATE:
            _unknown(pen, stretch, left, right, top + height / 2)
        elif lane.shape is Shape.LEVELS:
            y = _level(lane, stretch.state, top, height)
            sheet.line([(left, y), (right, y)], fmt.wave)
        elif lane.shape is Shape.BOXES:
            _box(sheet, lane, stretch, (left, right), (top, height), fmt)
        if stretch.state != UNKNOWN_STATE and lane.shape is not Shape.NUMBER:
            _name(pen, lane, stretch, (left, right), top + height / 2)
    for crowd in lane.crowds:
        _crowd(pen, crowd, (scale.x(crowd.start_ns), scale.x(crowd.end_ns)), (top, height))


def whisker(pen: DrawingContext, ends: tuple[float, float], y: float, half: float) -> None:
    """Draw how far a clock may be off to either side of an edge, where that can be seen."""
    sheet, fmt = pen.sheet, pen.fmt
    if half > fmt.wave:
        tick = 0.16 * fmt.text
        sheet.line([(ends[0], y), (ends[1], y)], fmt.thin, Tone.QUIET)
        for x in ends:
            sheet.line([(x, y - tick), (x, y + tick)], fmt.thin, Tone.QUIET)


def _pad(lane: Lane, fmt: Format) -> float:
    return (1.3 if lane.shape is Shape.BOXES else 0.7) * fmt.text


def _level(lane: Lane, state: int, top: float, height: float) -> float:
    if state == UNKNOWN_STATE:
        return top + height / 2
    return top if state == lane.high else top + height


def _name(pen: DrawingContext, lane: Lane, stretch: Segment, ends: tuple[float, float], y: float) -> None:
    text = state_name(lane, stretch.state)
    room = ends[1] - ends[0] - _pad(lane, pen.fmt)
    if room < pen.fmt.text:
        return
    shown = shorten(pen.ruler, text, room, pen.fmt.text)
    if shown == text or len(shown) >= 6:
        pen.label(shown, (ends[0] + ends[1]) / 2, y, anchor="center")


def _change(
    pen: DrawingContext, lane: Lane, change: Transition, ends: tuple[float, float], body: tuple[float, float]
) -> None:
    sheet, fmt, before, after = pen.sheet, pen.fmt, change.before, change.after
    (since, seen), (top, height) = ends, body
    if UNKNOWN_STATE in (before, after):
        # Not a change that was seen: the line simply stops, or begins.
        if lane.shape is Shape.LEVELS:
            known = before if after == UNKNOWN_STATE else after
            sheet.line([(seen, _level(lane, known, top, height)), (seen, top + height / 2)], fmt.wave)
        return
    if seen - since > 1.2 * fmt.wave:
        sheet.hatch(Box(since, top, seen, top + height), 0.3 * fmt.text, 0.55 * fmt.thin)
        for y in (top, top + height):
            sheet.line([(since, y), (seen, y)], fmt.thin, Tone.HATCH)
    if lane.shape is Shape.LEVELS:
        sheet.line([(since, _level(lane, before, top, height)), (seen, _level(lane, after, top, height))], fmt.wave)


def _box(
    sheet: DisplayList, lane: Lane, stretch: Segment, ends: tuple[float, float], body: tuple[float, float], fmt: Format
) -> None:
    """Draw a box that is pointed where the state changes, and open where the picture ends."""
    (left, right), (top, height) = ends, body
    slope = min(0.22 * height, max(right - left, 0.0) / 2)
    begins = any(c.seen_ns == stretch.start_ns for c in lane.changes)
    stops = any(c.seen_ns == stretch.end_ns for c in lane.changes)
    middle, bottom = top + height / 2, top + height
    a, b = (slope if begins else 0.0), (slope if stops else 0.0)
    upper = [(left + a, top), (right - b, top)]
    lower = [(left + a, bottom), (right - b, bottom)]
    if begins:
        upper.insert(0, (left, middle))
        lower.insert(0, (left, middle))
    if stops:
        upper.append((right, middle))
        lower.append((right, middle))
    sheet.line(upper, fmt.wave)
    sheet.line(lower, fmt.wave)


def _unknown(pen: DrawingContext, stretch: Segment, left: float, right: float, y: float) -> None:
    """Draw a broken line in the middle, neither high nor low, with the reason set into it."""
    sheet, fmt = pen.sheet, pen.fmt
    dash = (0.55 * fmt.text, 0.45 * fmt.text)
    gap = 0.4 * fmt.text
    for words in unknown_text(stretch.why, stretch.value):
        width = pen.width(words)
        if width + 6 * fmt.text <= right - left:
            middle = (left + right) / 2
            pen.label(words, middle, y, anchor="center", italic=True, tone=Tone.QUIET)
            sheet.line([(left, y), (middle - width / 2 - gap, y)], fmt.wave, dash=dash)
            sheet.line([(right, y), (middle + width / 2 + gap, y)], fmt.wave, dash=dash)
            return
    sheet.line([(left, y), (right, y)], fmt.wave, dash=dash)


def _crowd(pen: DrawingContext, crowd: DenseChanges, ends: tuple[float, float], body: tuple[float, float]) -> None:
    """Draw upright lines side by side: more changes than can be told apart."""
    sheet, fmt = pen.sheet, pen.fmt
    left, right = ends[0], max(ends[1], ends[0] + 1.5 * fmt.wave)
    top, height = body
    words = f"{crowd.count} changes"
    width = pen.width(words)
    free: tuple[float, float] | None = None
    if width + 3 * fmt.text <= right - left:
        middle = (left + right) / 2
        free = (middle - width / 2 - 0.4 * fmt.text, middle + width / 2 + 0.4 * fmt.text)
        pen.label(words, middle, top + height / 2, anchor="center", italic=True)
    count = max(2, int((right - left) / (0.28 * fmt.text)) + 1)
    for x in np.linspace(left, right, count).tolist():
        if free is None or not free[0] < x < free[1]:
            sheet.line([(x, top), (x, top + height)], 0.9 * fmt.thin)
    for y in (top, top + height):
        sheet.line([(left, y), (right, y)], fmt.wave)


def _staircase(sheet: DisplayList, lane: Lane, scale: TimeAxis, top: float, height: float, fmt: Format) -> None:
    if lane.steps is None or lane.scale is None:
        return
    low, high = lane.scale
    # The steps count from where the log or the window begins, whichever is later.
    x = scale.x(lane.steps_from_ns) + lane.steps[:, 0] * scale.per_ns
    # Halved first: the whole span of float64 does not fit into a float64.
    half = high / 2 - low / 2
    share = np.full(len(x), 0.5) if half <= 0 else (lane.steps[:, 1] / 2 - low / 2) / half
    share[np.isnan(lane.steps[:, 1])] = np.nan
    y = top + height * (1 - share)
    holes = np.isnan(y)
    cuts = np.flatnonzero(np.diff(holes.astype(np.int8)) != 0) + 1
    for piece_x, piece_y in zip(np.split(x, cuts), np.split(y, cuts), strict=True):
        if len(piece_x) and not np.isnan(piece_y[0]):
            sheet.line(list(zip(piece_x.tolist(), piece_y.tolist(), strict=True)), fmt.wave)
    for level in (top, top + height) if high > low else (top + height / 2,):
        sheet.line([(scale.left - 0.3 * fmt.text, level), (scale.left, level)], fmt.thin, Tone.QUIET)
