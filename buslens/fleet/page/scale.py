"""Scales of the small pictures: lengths of time, and the calendar."""

import math
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from buslens.fleet.page.dates import MONTHS, moment_of
from buslens.report.inline_svg import Drawing
from buslens.report.number_scale import round_step


@dataclass(frozen=True, slots=True)
class Axis:
    """From a number to a place; linear."""

    left: float
    right: float
    low: float
    high: float

    def place(self, value: float) -> float:
        """Return where a value stands."""
        return self.left + (value - self.low) / (self.high - self.low) * (self.right - self.left)

    def held(self, value: float) -> float:
        """Return where a value stands; those outside stand at the ends."""
        return self.place(min(max(value, self.low), self.high))

    def draw(self, drawing: Drawing, y: float) -> None:
        """Draw a level scale in ms."""
        drawing.lines([[(self.left, y), (self.right, y)]], "ink", 0.8)
        marks = ticks(self.low, self.high, most=5)
        drawing.lines([[(self.place(mark), y), (self.place(mark), y + 3)] for mark in marks], "ink", 0.8)
        for mark in marks:
            x = min(max(self.place(mark), self.left + 4), self.right - 6)
            drawing.words(x, y + 12, f"{mark:g}", anchor="center")
        drawing.words(self.right, y + 23, "ms", "t-quiet", anchor="right")


def ticks(low: float, high: float, *, most: int) -> list[float]:
    """Return round numbers within two ends, their step 1, 2 or 5 times a power of ten.

    >>> ticks(0.0, 672.0, most=5)
    [0.0, 200.0, 400.0, 600.0]
    """
    step = round_step((high - low) / most)
    first = math.ceil(low / step - 1e-9)
    last = math.floor(high / step + 1e-9)
    # Divided where the step is a part of one, so that 3 times 0.1 is 0.3.
    return [float(f"{number * step:.12g}") for number in range(first, last + 1)]


def dates(first_ns: int, last_ns: int, *, most: int) -> list[tuple[int, str]]:
    """Return round dates within two calendar times, with their words: days, months or years, as there is room."""
    first, last = moment_of(first_ns), moment_of(last_ns)
    months = (last.year - first.year) * 12 + last.month - first.month
    if months < 2:
        return _days(first, last, most)
    step = next(step for step in (1, 2, 3, 6, 12, 24, 60, 120, 600, 12000) if months / step <= most)
    found = []
    for number in range(first.year * 12 + first.month, last.year * 12 + last.month):
        if number % step == 0 and number // 12 >= 1:
            start = datetime(number // 12, number % 12 + 1, 1, tzinfo=UTC)
            words = str(start.year) if start.month == 1 else MONTHS[start.month - 1]
            found.append((_ns(start), words))
    return found


def _days(first: datetime, last: datetime, most: int) -> list[tuple[int, str]]:
    start = datetime(first.year, first.month, first.day, tzinfo=UTC)
    span = max((last - start).days, 1)
    step = next(step for step in (1, 2, 5, 10, 20, 40) if span / step <= most)
    found = []
    for number in range(1, span + 1, step):
        day = start + timedelta(days=number)
        if first <= day <= last:
            found.append((_ns(day), f"{day.day} {MONTHS[day.month - 1]}"))
    return found


def _ns(moment: datetime) -> int:
    return int(moment.timestamp()) * 1_000_000_000
