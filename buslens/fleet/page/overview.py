"""The first screen of the sheet: one row a vehicle, the most urgent first, on axes that all rows share.

Places along an axis are parts of its width, so that a row stretches with the window and its words do not. Marks of
captures lie in a picture of their own that stretches with them; lines keep their weight.
"""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final, cast

from buslens.checks.findings import Outcome, Verdict
from buslens.fleet.page.action import VisitAction, VisitAdvice
from buslens.fleet.page.dates import date_text
from buslens.fleet.page.lateness import WorstDelay
from buslens.fleet.page.scale import Axis, dates
from buslens.fleet.page.urgency import VehicleStatus
from buslens.fleet.views import CaptureRow
from buslens.report.inline_svg import number
from buslens.report.record.markup import Markup, tag
from buslens.units import NS_PER_DAY

MOST_ROWS: Final = 2_000
"""Vehicles in the table; the rest stands in captures.csv."""

TWICE: Final = 2.1
"""Where the axis of delays ends, in limits."""

FILTERS: Final = (
    ("road", "off the road", (VisitAction.OFF_THE_ROAD,)),
    ("now", "call in now", (VisitAction.CALL_IN_NOW,)),
    ("times", "wrong at times", (VisitAction.CALL_IN, VisitAction.PROVE)),
    ("cross", "will cross a limit", (VisitAction.CALL_IN_BY,)),
    ("look", "look closer", (VisitAction.ASK, VisitAction.RECORD)),
    ("fine", "nothing to do", (VisitAction.NOTHING,)),
)
"""Name, words and verbs of each filter."""

_NOTHING: Final = cast("Mapping[str, str]", MappingProxyType({}))
_GROUP: Final = {action: name for name, _, actions in FILTERS for action in actions}
_TALL, _LOW = 40.0, 26.0
_AHEAD: Final = 0.45
"""What lies ahead takes at most so much of the calendar."""
_BINS: Final = 500
"""Captures nearer to each other than this part of the calendar are one mark, of the gravest of them."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One vehicle."""

    standing: VehicleStatus
    advice: VisitAdvice
    captures: Sequence[CaptureRow]
    worst: WorstDelay | None


def headline(rows: Sequence[Row]) -> str:
    """Return what is to be done, in one sentence."""
    count = Counter(_GROUP[row.advice.action] for row in rows)
    if not rows:
        return "No capture has been checked yet"
    parts = []
    if off := count["road"]:
        parts.append(f"take {off:,} vehicle{'' if off == 1 else 's'} off the road")
    if now := count["now"]:
        parts.append(f"call in {now:,}{'' if off else ' vehicle' if now == 1 else ' vehicles'} now")
    said = " and ".join(parts)
    rest = []
    if at_times := count["times"]:
        rest.append(f"{at_times:,}{' more' if said else ''} {'was' if at_times == 1 else 'were'} wrong at times")
    if crossing := count["cross"]:
        rest.append(f"{crossing:,} more will cross a limit" if said or rest else f"{crossing:,} will cross a limit")
    if look := count["look"]:
        rest += [] if said or rest else [f"nothing to call in; look closer at {look:,}"]
    said = "; ".join([*([said] if said else []), ", ".join(rest)] if rest else [said])
    if not said:
        return f"Nothing to do: {'the only vehicle is' if len(rows) == 1 else f'all {len(rows):,} vehicles are'} OK"
    return said[0].upper() + said[1:]


@dataclass(frozen=True, slots=True, kw_only=True)
class ShownRow:
    """One row of the table."""

    it: Row
    #: Filter that it belongs to, and whether it is the first of that.
    group: str
    is_first: bool
    is_fine: bool
    #: Leading cause of its fault; empty where what was found is shown.
    cause: str
    calendar: Markup
    delay: Markup
    seen: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Overview:
    """The filter and the table."""

    #: Name, words and vehicles of each filter.
    choices: Sequence[tuple[str, str, int]]
    #: Heads of the columns that are pictures.
    calendar: Markup
    scale: Markup
    rows: Sequence[ShownRow]
    #: Vehicles that are not shown.
    more: int


def overview(rows: Sequence[Row], now_ns: int | None, likely: Mapping[str, str] = _NOTHING) -> Overview | None:
    """Return the filter and the table; None where there are no vehicles.

    Parameters
    ----------
    likely : mapping of str to str
        Vehicle to the leading cause of its fault; those without one show what was found.
    """
    if not rows:
        return None
    shown = rows[:MOST_ROWS]
    axis, now = _axis(shown, now_ns)
    marks = [] if axis is None else dates(int(axis.low), int(axis.high), most=5)
    groups = [_GROUP[row.advice.action] for row in rows]
    count = Counter(groups)
    calendar, scale = _heads(axis, now, marks, now_ns)
    table = []
    for row, group, before in zip(shown, groups, [None, *groups], strict=False):
        one, is_fine = row.standing.row, row.advice.action is VisitAction.NOTHING
        height = _LOW if is_fine else _TALL
        table.append(
            ShownRow(
                it=row,
                group=group,
                is_first=group != before,
                is_fine=is_fine,
                cause=likely.get(one.vehicle, ""),
                calendar=_calendar(row, axis, now, [at for at, _ in marks], height),
                delay=_delay(row.worst, height, one.vehicle or "without a name"),
                seen="" if one.last_ns is None else date_text(one.last_ns, None if axis is None else now_ns),
            )
        )
    return Overview(
        choices=[("all", "all", len(rows)), *((it, words, count[it]) for it, words, _ in FILTERS if count[it])],
        calendar=calendar,
        scale=scale,
        rows=table,
        more=len(rows) - len(shown),
    )


def _axis(rows: Sequence[Row], now_ns: int | None) -> tuple[Axis | None, float]:
    """Return the calendar of all rows, and where on it today is; None where nothing is dated."""
    times = [row.standing.row.first_ns for row in rows if row.standing.row.first_ns is not None]
    if now_ns is None or not times:
        return None, 0.0
    first = min(times)
    span = max(now_ns - first, 7 * NS_PER_DAY)
    ends = [row.standing.crossing_ns for row in rows if row.advice.action is VisitAction.CALL_IN_BY]
    ahead = [float((last or first_) - now_ns) for first_, last in (one for one in ends if one is not None)]
    room = min(max([1.1 * it for it in ahead] + [0.05 * span]), span * _AHEAD / (1 - _AHEAD))
    axis = Axis(0.0, 100.0, float(now_ns - 1.02 * span), float(now_ns + room))
    return axis, axis.place(float(now_ns))


def _heads(
    axis: Axis | None, now: float, marks: Sequence[tuple[int, str]], now_ns: int | None
) -> tuple[Markup, Markup]:
    """Draw the heads of the columns of captures and of delays."""
    calendar: list[Markup] = []
    if axis is not None:
        for at, words in marks:
            x = axis.place(float(at))
            # What would stand under today's date, or hang over an end, is left out.
            if 0 <= x <= 85 and abs(x - now) > 1.5:
                calendar.append(_text(x, 30, words, "t-quiet", dx=2))
        anchor = "end" if now > 85 else "middle"
        calendar += [_stroke(now, 16, 34, "ink"), _text(now, 13, date_text(now_ns, now_ns), "bold", anchor=anchor)]
    limit = 100 / TWICE
    scale = [
        _text(0, 30, "0", "t-quiet"),
        _text(limit, 13, "limit", "bold", anchor="middle"),
        _stroke(limit, 16, 34, "ink"),
        _text(100, 30, "twice", "t-quiet", anchor="end"),
    ]
    return (
        tag("svg", *calendar, height="34", role="img", aria_label="time"),
        tag("svg", *scale, height="34", role="img", aria_label="delay"),
    )


def _calendar(row: Row, axis: Axis | None, now: float, marks: Sequence[int], height: float) -> Markup:
    """Draw the captures of a vehicle, and between which days a limit will be crossed."""
    if axis is None:
        return Markup("")
    floor = height - 8.5
    parts = [_stroke(axis.place(float(at)), 0, height, "hair") for at in marks if axis.low <= at <= axis.high]
    parts.append(_level(0, 100, floor, "hair"))
    crossing = row.standing.crossing_ns
    if crossing is not None and row.advice.action is VisitAction.CALL_IN_BY and crossing[0] < axis.high:
        left = max(axis.held(float(crossing[0])), now)
        right = axis.held(float(crossing[1] or axis.high))
        box = {"x": f"{number(left)}%", "y": "5", "width": f"{number(max(right - left, 0.4))}%"}
        parts.append(tag("rect", **box, height=number(floor - 5), class_="doubt edge"))
    parts += [_marks(row.captures, axis, floor), _stroke(now, 0, height, "ink")]
    count = Counter(_kind(capture) for capture in row.captures)
    said = ", ".join(f"{count[kind]:,} {kind}" for kind in ("OK", "faulty", "undecided", "not read") if count[kind])
    label = f"{len(row.captures):,} captures of {row.standing.row.vehicle}: {said}"
    return tag("svg", *parts, height=number(height), role="img", aria_label=label)


def _kind(capture: CaptureRow) -> str:
    if capture.verdict is None:
        return "not read"
    return {Verdict.AS_EXPECTED: "OK", Verdict.FAULTY: "faulty", Verdict.UNDECIDED: "undecided"}[capture.verdict]


def _marks(captures: Sequence[CaptureRow], axis: Axis, floor: float) -> Markup:
    """Draw one upright for each place: as high as it is grave."""
    grave = ("OK", "not read", "undecided", "faulty")
    seen: dict[int, int] = {}
    for capture in captures:
        if capture.recorded_ns is not None:
            at = round(axis.place(float(capture.recorded_ns)) / 100 * _BINS)
            seen[at] = max(seen.get(at, 0), grave.index(_kind(capture)))
    looks = (("quiet", 6.0, 1.4), ("ink", 10.0, 1.4), ("ink", 10.0, 1.6), ("accent", floor - 6.0, 2.4))
    paths = []
    for kind, (look, length, weight) in enumerate(looks):
        places = sorted(at for at, found in seen.items() if found == kind)
        if places:
            path = "".join(f"M{at} {number(floor)}v{number(-length)}" for at in places)
            dash = "2 2" if grave[kind] in {"undecided", "not read"} else None
            paths.append(tag("path", class_=look, stroke_width=number(weight), stroke_dasharray=dash, d=path))
    box = {"viewBox": f"0 0 {_BINS} {number(floor)}", "preserveAspectRatio": "none", "height": number(floor)}
    return tag("svg", *paths, **box, class_="marks")


def _delay(worst: WorstDelay | None, height: float, vehicle: str) -> Markup:
    """Draw the worst delay against its limit."""
    middle, limit = height / 2, 100 / TWICE
    parts = [_level(0, 100, middle, "hair"), _stroke(limit, 0, height, "ink")]
    label = f"{vehicle}: no delay against a limit"
    if worst is not None:
        label = f"Worst delay of {vehicle} lately: {worst.words}"
        axis = Axis(0.0, 100.0, 0.0, TWICE)
        is_fault = worst.outcome.is_fault
        left, right = axis.held(worst.earliest), axis.held(worst.latest)
        if worst.latest == float("inf"):
            parts.append(_level(limit, 100, middle, "accent", 1.8))
            cross = tag("path", class_="accent", stroke_width="2.2", d="M-11 -4l8 8m-8 0l8 -8")
            parts.append(tag("svg", cross, x="100%", y=number(middle), width="1", height="1", class_="over"))
        else:
            if is_fault and left > limit:
                parts.append(_level(limit, right, middle, "accent", 1.8))
            look = "f-accent" if is_fault else "doubt edge" if worst.outcome is Outcome.UNDECIDED else "f-ink"
            box = {"x": f"{number(left)}%", "width": f"{number(max(right - left, 2.5))}%"}
            parts.append(tag("rect", **box, y=number(middle - 6), height="12", class_=look))
    return tag("svg", *parts, height=number(height), role="img", aria_label=label)


def _stroke(x: float, top: float, foot: float, look: str) -> Markup:
    place = f"{number(x)}%"
    return tag("line", x1=place, x2=place, y1=number(top), y2=number(foot), class_=look)


def _level(left: float, right: float, y: float, look: str, weight: float = 1.0) -> Markup:
    ends = {"x1": f"{number(left)}%", "x2": f"{number(right)}%", "y1": number(y), "y2": number(y)}
    return tag("line", **ends, class_=look, stroke_width=number(weight))


def _text(x: float, y: float, words: str, look: str, *, anchor: str | None = None, dx: int | None = None) -> Markup:
    shift = None if dx is None else str(dx)
    return tag("text", words, x=f"{number(x)}%", y=number(y), dx=shift, text_anchor=anchor, class_=look)
