"""How the delays of one step of one vehicle go with time, against the limit that they approach.

A day is a bar from the median of its earliest ends to that of its latest; where the step did not come, it is open. The
line is that of the anomaly, found with the season taken off, so that it need not go through the bars of a cold week.
Where a crossing is foretold, broken lines lead to its earliest and its latest day.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from buslens.fleet.anomalies.medians import grouped_medians
from buslens.fleet.model import Anomaly
from buslens.fleet.page.dates import crossing_text, period
from buslens.fleet.page.scale import Axis, dates, ticks
from buslens.fleet.views import NO_UPPER_END, UNDATED, DelayColumns
from buslens.report.inline_svg import Drawing
from buslens.report.record.markup import Markup
from buslens.units import NS_PER_DAY

SLOPE: Final = "slope_ms_per_day"
"""Number that an anomaly has which is a matter of time."""

WIDTH: Final = 350.0
HEIGHT: Final = 158.0
_LATEST: Final = frozenset(f"latest_{name}" for name in (SLOPE, "level_ms", "middle_day", "first_day"))
_LEFT, _RIGHT, _TOP, _BOTTOM = 32.0, 10.0, 25.0, 20.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TrendView:
    """What is shown of a drift."""

    anomaly: Anomaly
    #: int64[d], days on which the step was checked, ascending, ns since 1970-01-01 at noon.
    day_ns: NDArray[np.int64]
    #: float64[d], medians of the day's earliest and latest ends, ms; infinite where the step did not come.
    earliest_ms: NDArray[np.float64]
    latest_ms: NDArray[np.float64]
    #: Limits, ms.
    least_ms: float | None
    most_ms: float | None

    @property
    def is_rising(self) -> bool:
        """Whether the delays grow."""
        return self.anomaly.numbers[SLOPE] > 0.0

    @property
    def limit_ms(self) -> float | None:
        """The limit that the delays approach; None where there is none."""
        return self.most_ms if self.is_rising else self.least_ms


def trend_view(anomaly: Anomaly, columns: DelayColumns) -> TrendView | None:
    """Return what is shown of a drift; None where nothing is dated.

    Parameters
    ----------
    anomaly : Anomaly
        One that is a matter of time: it has `SLOPE` among its numbers.
    """
    dated = columns.recorded_ns != UNDATED
    if not dated.any():
        return None
    days, place = np.unique(columns.recorded_ns[dated] // NS_PER_DAY, return_inverse=True)
    earliest = columns.earliest_ns[dated] / 1e6
    latest = np.where(columns.latest_ns[dated] == NO_UPPER_END, np.inf, columns.latest_ns[dated] / 1e6)
    # Those of the last capture, by which it is checked now.
    least, most = int(columns.least_ns[dated][-1]), int(columns.most_ns[dated][-1])
    return TrendView(
        anomaly=anomaly,
        day_ns=days * NS_PER_DAY + NS_PER_DAY // 2,
        earliest_ms=_medians(place, earliest),
        latest_ms=_medians(place, latest),
        least_ms=None if least == UNDATED else least / 1e6,
        most_ms=None if most == NO_UPPER_END else most / 1e6,
    )


def picture(view: TrendView) -> Markup:
    """Return the days as bars from end to end, the limit, and the line that goes through the days and on."""
    drawing = Drawing(WIDTH, HEIGHT)
    numbers, floor = view.anomaly.numbers, HEIGHT - _BOTTOM
    crossing = view.anomaly.crossing_ns
    first, last = int(view.day_ns[0]), int(view.day_ns[-1])
    ahead = last
    if crossing is not None:
        # Where there is no latest day, a little of what lies beyond the earliest.
        ahead = max(last, crossing[0] + (crossing[0] - first) // 12 if crossing[1] is None else crossing[1])
    room = max(ahead - first, 2 * NS_PER_DAY) // 25
    across = Axis(_LEFT, WIDTH - _RIGHT, float(first - room), float(ahead + room))
    up = _upright(view, floor)
    least = floor if view.least_ms is None else up.held(view.least_ms)
    most = _TOP if view.most_ms is None else up.held(view.most_ms)
    drawing.box(across.left, most, across.right, least, "f-band-edge")
    limits = [(y, end) for y, end in ((least, view.least_ms), (most, view.most_ms)) if end and up.low <= end <= up.high]
    drawing.lines([[(across.left, y), (across.right, y)] for y, _ in limits], "quiet", 0.8)
    for y, end in limits:
        under = end != view.most_ms and y + 10 < floor
        drawing.words(across.left + 5, y + (10 if under else -3), f"limit {end:g} ms", "t-quiet")
    _days(drawing, view, across, up)
    if numbers.keys() >= {"level_ms", "middle_day", "first_day"}:
        _line(drawing, view, across, up)
    if crossing is not None:
        _crossing(drawing, across, floor, crossing)
    drawing.lines([[(across.left, _TOP), (across.left, floor), (across.right, floor)]], "ink", 0.8)
    for mark in ticks(up.low, up.high, most=4):
        drawing.lines([[(across.left - 3, up.place(mark)), (across.left, up.place(mark))]], "ink", 0.8)
        drawing.words(across.left - 5, up.place(mark) + 3, f"{mark:g}", anchor="right")
    drawing.words(across.left - 5, _TOP - 6, "ms", "t-quiet", anchor="right")
    for at, words in dates(int(across.low), int(across.high), most=6):
        x = across.place(float(at))
        drawing.lines([[(x, floor), (x, floor + 3)]], "ink", 0.8)
        drawing.words(min(max(x, across.left + 10), across.right - 12), floor + 13, words, anchor="center")
    return drawing.markup(label(view), kind="plot wide")


def label(view: TrendView) -> str:
    """Return in words what the picture shows."""
    anomaly = view.anomaly
    over = period(int(view.day_ns[0]), int(view.day_ns[-1]))
    crossing = f"; crosses the limit {crossing_text(anomaly.crossing_ns)}" if anomaly.crossing_ns else ""
    return (
        f"Delays of {anomaly.rule}, {anomaly.step} in {anomaly.vehicle} on {len(view.day_ns)} days, {over}: "
        f"{anomaly.numbers[SLOPE]:+.2g} ms a day{crossing}"
    )


def _medians(place: NDArray[np.int64], values: NDArray[np.float64]) -> NDArray[np.float64]:
    return grouped_medians(place.ravel().astype(np.int64), values).median


def _upright(view: TrendView, floor: float) -> Axis:
    """Return the scale of lengths: all days that have both ends, and the limit that is approached."""
    whole = np.isfinite(view.latest_ms)
    ends = [*view.earliest_ms[whole].tolist(), *view.latest_ms[whole].tolist()] or view.earliest_ms.tolist()
    limit = view.limit_ms
    low, high = min([*ends, *([] if limit is None else [limit])]), max([*ends, *([] if limit is None else [limit])])
    room = 0.08 * max(high - low, 1.0)
    return Axis(floor, _TOP, max(low - room, 0.0), high + room)


def _days(drawing: Drawing, view: TrendView, across: Axis, up: Axis) -> None:
    """Draw each day as a bar; one whose latest end is not known is open and dotted upwards."""
    whole, open_ = [], []
    for at, earliest, latest in zip(
        view.day_ns.tolist(), view.earliest_ms.tolist(), view.latest_ms.tolist(), strict=True
    ):
        x = across.place(float(at))
        if latest == np.inf:
            open_.append([(x, up.held(earliest)), (x, up.right)])
        else:
            # At least as high as a line is thick.
            top, foot = up.held(latest), up.held(earliest)
            whole.append([(x, min(top, foot - 1.2)), (x, foot)])
    drawing.lines(whole, "ink", 1.2)
    drawing.lines(open_, "accent", 1.2, (1.5, 1.5))


def _line(drawing: Drawing, view: TrendView, across: Axis, up: Axis) -> None:
    """Draw the line through the days that it rests on; broken, from its end to where the limit will be crossed."""
    numbers, crossing = view.anomaly.numbers, view.anomaly.crossing_ns
    # What is foretold rests on the latest days, and on the season as it is at last.
    of = "latest_" if crossing is not None and numbers.keys() >= _LATEST else ""
    season_ms = numbers.get("season_ms", 0.0) if of else 0.0
    slope, middle = numbers[f"{of}{SLOPE}"], numbers[f"{of}middle_day"]
    first, last = numbers[f"{of}first_day"], numbers.get("last_day", int(view.day_ns[-1]) // NS_PER_DAY)

    def value(day: float) -> float:
        return numbers[f"{of}level_ms"] + season_ms + slope * (day - middle)

    inside = [day for day in np.linspace(first, last, 33).tolist() if up.low <= value(day) <= up.high]
    if len(inside) > 1:
        ends = [(across.held(day * NS_PER_DAY), up.place(value(day))) for day in (inside[0], inside[-1])]
        drawing.lines([ends], "accent", 1.4)
    if crossing is None or view.limit_ms is None:
        return
    begin = (across.held(last * NS_PER_DAY), up.held(value(last)))
    goals = [(across.held(float(day_ns)), up.held(view.limit_ms)) for day_ns in crossing if day_ns is not None]
    drawing.lines([[begin, goal] for goal in goals], "accent", 1.0, (4.0, 2.5))


def _crossing(drawing: Drawing, across: Axis, floor: float, crossing: tuple[int, int | None]) -> None:
    """Draw between which days the limit will be crossed, as a dimension line over the calendar."""
    left, right = across.held(float(crossing[0])), across.held(float(crossing[1] or across.high))
    y = _TOP - 6
    drawing.lines([[(left, y - 4), (left, floor)]], "accent", 0.8)
    if crossing[1] is not None:
        drawing.lines([[(right, y - 4), (right, floor)]], "accent", 0.8)
    drawing.lines([[(left, y), (right, y)]], "accent", 1.4)
    words = crossing_text(crossing)
    # About half of the width that the words take.
    half = 3.7 * len(words)
    middle = min(max((left + right) / 2, across.left + half), across.right - half)
    drawing.words(middle, y - 7, words, "bold", anchor="center")
