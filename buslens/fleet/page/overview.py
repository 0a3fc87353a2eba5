"""The first screen of the sheet: one row a vehicle, the most urgent first, on axes that all rows share.

Places along an axis are parts of its width, so that a row stretches with the window and its words do not. Marks of
captures lie in a picture of their own that stretches with them; lines keep their weight.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING, Final, cast

from buslens.checks.findings import Outcome, Verdict
from buslens.fleet.page.action import VisitAction, VisitAdvice
from buslens.fleet.page.dates import date_text
from buslens.fleet.page.drawing import number
from buslens.fleet.page.scale import Axis, dates
from buslens.report.record.markup import Markup, join, tag
from buslens.units import NS_PER_DAY

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from buslens.fleet.page.lateness import WorstDelay
    from buslens.fleet.page.urgency import VehicleStatus
    from buslens.fleet.views import CaptureRow

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


def overview(
    rows: Sequence[Row], numbers: Mapping[str, int], now_ns: int | None, likely: Mapping[str, str] = _NOTHING
) -> Markup:
    """Return the filter, the table and its key.

    Parameters
    ----------
    numbers : mapping of str to int
        Vehicles that are told in full further down, to their place there.
    likely : mapping of str to str
        Vehicle to the leading cause of its fault; those without one show what was found.
    """
    if not rows:
        return Markup("")
    shown = rows[:MOST_ROWS]
    axis, now = _axis(shown, now_ns)
    marks = [] if axis is None else dates(int(axis.low), int(axis.high), most=5)
    body, before = [], None
    for row in shown:
        group = _GROUP[row.advice.action]
        cause = likely.get(row.standing.row.vehicle, "")
        body.append(_row(row, numbers, axis, now, [at for at, _ in marks], group, cause, is_first=group != before))
        before = group
    parts = [_filter(rows)]
    parts.append(
        tag(
            "table",
            tag("thead", _head(axis, now, marks, now_ns)),
            tag("tbody", *body),
            class_="overview",
            id="vehicles",
        )
    )
    if len(rows) > len(shown):
        more = f"{len(rows) - len(shown):,} more vehicles, all less urgent, are in captures.csv."
        parts.append(tag("p", tag("strong", more)))
    return join([*parts, _key()])


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


def _filter(rows: Sequence[Row]) -> Markup:
    count = Counter(_GROUP[row.advice.action] for row in rows)
    choices = [("all", "all", len(rows)), *((name, words, count[name]) for name, words, _ in FILTERS if count[name])]
    parts = []
    for name, words, found in choices:
        checked = "" if name == "all" else None
        parts.append(tag("input", type="radio", name="show", id=f"show-{name}", checked=checked))
        parts.append(tag("label", f"{words} ", tag("span", f"{found:,}"), for_=f"show-{name}"))
    find = tag(
        "label",
        "vehicle ",
        tag("input", type="search", id="find", autocomplete="off"),
        tag("span", id="found", role="status"),
        class_="find",
        hidden="",
    )
    return tag("div", *parts, find, class_="filter", role="group", aria_label="Show")


def _head(axis: Axis | None, now: float, marks: Sequence[tuple[int, str]], now_ns: int | None) -> Markup:
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

    def scale_of(parts: Sequence[Markup]) -> Markup:
        return tag("svg", *parts, height="34", aria_hidden="true")

    cells = [
        tag("th", "vehicle", scope="col", class_="name"),
        tag("th", "what to do, and why; the most urgent first", scope="col", class_="act"),
        tag("th", tag("svg", *calendar, height="34", role="img", aria_label="time"), scope="col", class_="when"),
        tag("th", tag("svg", *scale, height="34", role="img", aria_label="delay"), scope="col", class_="late"),
        tag("th", "worst delay lately", scope="col", class_="val"),
        tag("th", "how long, or when it crosses its limit", scope="col", class_="long"),
        tag("th", "last seen", scope="col", class_="seen"),
    ]
    return tag("tr", *cells)


def _row(
    row: Row,
    numbers: Mapping[str, int],
    axis: Axis | None,
    now: float,
    marks: Sequence[int],
    group: str,
    cause: str,
    *,
    is_first: bool,
) -> Markup:
    one, said = row.standing, row.advice
    is_fine = said.action is VisitAction.NOTHING
    height = _LOW if is_fine else _TALL
    name = one.row.vehicle or "without a name"
    place = numbers.get(one.row.vehicle)
    now_ns = None if axis is None else int(axis.low + (axis.high - axis.low) * now / 100)
    what = said.why if is_fine else said.what
    act = [tag("b", f"{said.verb}:"), f" {what}"] if what else [tag("b", said.verb)]
    value: list[Markup | str] = []
    if row.worst is not None:
        value = [row.worst.words, "" if is_fine else _small(f"{row.worst.step}, {row.worst.rule}")]
    cells = [
        tag("th", name if place is None else tag("a", name, href=f"#v{place}"), scope="row", class_="name"),
        tag("td", *act, "" if is_fine else _small(f"Most likely: {cause}" if cause else said.why), class_="act"),
        tag("td", _calendar(row, axis, now, marks, height), class_="when"),
        tag("td", _delay(row.worst, height, name), class_="late"),
        tag("td", *value, class_="val"),
        tag("td", tag("b", said.how_long), _small(said.rests_on) if said.rests_on else "", class_="long"),
        tag("td", "" if one.row.last_ns is None else date_text(one.row.last_ns, now_ns), class_="seen"),
    ]
    kind = f"{group}{' one' if is_fine else ''}{' first' if is_first else ''}"
    return tag("tr", *cells, class_=kind)


def _small(words: str) -> Markup:
    return tag("span", words, class_="small", title=words)


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


def _key() -> Markup:
    def sign(*parts: Markup) -> Markup:
        return tag("svg", *parts, width="22", height="14", class_="sign", aria_hidden="true")

    ok = tag("path", class_="quiet", stroke_width="1.4", d="M11 13v-6")
    bad = tag("path", class_="accent", stroke_width="2.4", d="M11 13v-12")
    open_ = tag("path", class_="ink", stroke_width="1.6", stroke_dasharray="2 2", d="M11 13v-10")
    doubt = tag("rect", class_="doubt edge", x="1", y="1", width="20", height="12")
    cross = tag("path", class_="accent", stroke_width="2.2", d="M7 3l8 8m-8 0l8 -8")
    words = (
        (ok, "an OK capture"),
        (bad, "faulty"),
        (open_, "undecided or not read"),
        (doubt, "not certain: when a limit will be crossed (95 %), or a delay too close to call"),
        (cross, "did not come"),
    )
    return tag("p", *(tag("span", sign(drawn), said) for drawn, said in words), class_="key")
