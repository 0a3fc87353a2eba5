"""What the stamps of a table are, and in which unit, from what the rows show.

A unit follows, in this order, from what the user says, from the header, from the size of stamps that count from 1970,
from four or more decimals (seconds), and from how often identifiers come again: the load of the bus stays below its
bit rate, and the most frequent of five or more identifiers comes every 5 to 500 ms.
"""

import itertools
import math
import re
from collections.abc import Sequence, Set
from dataclasses import dataclass, field
from statistics import median
from typing import Final

from buslens.capture import _table_kernel as kernel
from buslens.capture.frames import Clock
from buslens.capture.stamp_resolution import (
    COARSE_NS,
    FINE_NS,
    coarse_note,
    resolution_note,
    resolution_of,
    rounding_of,
)
from buslens.capture.table_layout import TableLayout, UnclearLayoutError
from buslens.capture.table_refusals import require_known_time
from buslens.capture.table_rows import CLOCK_IN, Column, Rows, clock_ns, named, number, whole
from buslens.units import NS_PER_S

UNITS: Final = {
    "ns": 1,
    "10 ns": 10,
    "100 ns": 100,
    "us": 1_000,
    "10 us": 10_000,
    "100 us": 100_000,
    "ms": 1_000_000,
    "10 ms": 10_000_000,
    "100 ms": 100_000_000,
    "s": NS_PER_S,
    "min": 60 * NS_PER_S,
    "h": 3_600 * NS_PER_S,
    "d": 86_400 * NS_PER_S,
}
"""Units of a stamp that is a number, ns."""
NATURAL: Final = ("s", "ms", "us", "ns")
"""Units that writers of tables choose unless there is a reason."""
_BIT_RATE: Final = 1_000_000
"""Bits per second of the fastest classical bus (ISO 11898-2)."""
_DISAGREE_PART: Final = 0.02
"""The same as a part of the time."""
_FRACTION: Final = re.compile(r":\d\d?:\d\d?[.,:](\d+(?:[.,:]\d{3})?)|^\d{1,3}:\d\d?[.,](\d+)")
_LEAST_IDS: Final = 5
_LEAST_ALIKE: Final = 8
_MANY_BLANKS: Final = 0.05
"""More than this part of the cells of a column is empty for a reason."""
_LEAST_ROWS: Final = 50
_DISAGREE: Final = 0.01
"""Decades by which two clocks of one table may differ, about 2 % (rule of thumb)."""
_LEAST_STEPS: Final = 5
_REGULAR: Final = 0.3
"""Part of a period within which nearly all of them lie where times are real ones (rule of thumb)."""
_HEADER_UNIT: Final = re.compile(
    r"(?<![a-z])(?P<factor>\d+(?:\.\d+)?)?\s*(?P<unit>ns|us|\u00b5s|\u03bcs|usec|ms|msec|s|sec|secs|nanosec\w*|"
    r"microsec\w*|millisec\w*|millis|micros|nanos|seconds?|(?<=[\[(])(?:min|minutes?|h|hours?)(?=[\])]))(?![a-z'])"
)
_STEP: Final = re.compile(r"(?:time|stamp|tick|zeit|resolution)\D{0,20}(?<![.,:])\b([1-9]\d{0,3}) ?(ns|us|ms)\b")
"""A number of units that each step of a stamp takes."""
_TOLD_NS: Final = 10_000_000
"""Of a table of values, so coarse a step is told: a person sees the digits."""
_SHORT: Final = {
    "usec": "us", "\u00b5s": "us", "\u03bcs": "us", "micros": "us", "micro": "us", "msec": "ms", "millis": "ms",
    "milli": "ms", "minute": "min", "minutes": "min", "hour": "h", "hours": "h",
    "nanos": "ns", "nano": "ns", "sec": "s", "secs": "s", "second": "s", "seconds": "s",
}  # fmt: skip
_FIRST_HOUR: Final = 10_000
"""Digits of one in the morning; those of an earlier time of day may be seconds, padded with zeros."""
_CLOCK_DIGITS: Final = re.compile(r"([01]\d|2[0-3])[0-5]\d[0-5]\d[.,]\d{1,9}")
_CLOCK_MS_DIGITS: Final = re.compile(r"(0[1-9]|1\d|2[0-3])[0-5]\d[0-5]\d{4}")
_DAYS: Final = (30_000, 65_000)
"""Days of a spreadsheet, which count from the end of 1899: from the year 1982 to 2077."""
_DAY_PLACES: Final = 7
_EPOCH: Final = (1_000_000_000, 4_000_000_000)
"""Seconds from 1970: from the year 2001 to 2096."""


@dataclass(kw_only=True)
class TimeColumn:
    """How the stamps of a table are read."""

    clock: Clock
    #: Forms of the kernel for one or two columns; 0: none.
    form: int = 0
    form_2: int = 0
    #: Columns, counted from 0.
    columns: tuple[int, ...] = ()
    unit: int = NS_PER_S
    unit_2: int = NS_PER_S
    #: 0 year first, 1 day first, 2 month first.
    date_order: int = 0
    #: Periods after which they begin anew, ns.
    wraps: tuple[int, ...] = ()
    #: Rows from an earlier run at the start.
    leave_out: int = 0
    #: Rows that the recorder sent run on a clock of their own.
    sent_out: bool = False
    #: Each stamp counts from the row before.
    sums: bool = False
    #: A row without a stamp has that of the row above.
    has_blanks: bool = False
    #: Decimals stand behind a comma.
    has_commas: bool = False
    #: Whether nothing has to be found out any more: the unit is known, or the stamps are too coarse to be used.
    is_complete: bool = False
    #: Step by which they were rounded, ns; 0: they were not.
    resolution_ns: int = 0
    notes: list[str] = field(default_factory=list)

    @property
    def words(self) -> str:
        """Where the time stands, as a part of a sentence."""
        if not self.form:
            return "no time stamps"
        place = " and ".join(str(k + 1) for k in self.columns)
        where = f"in column{'s' * (len(self.columns) > 1)} {place}"
        if self.form == kernel.NUMBER:
            return f"time in {unit_name(self.unit)} {where}"
        if self.form == kernel.HEX_NUMBER:
            return f"time in {unit_name(self.unit)}, hexadecimal, {where}"
        if self.form in {kernel.CLOCK_DIGITS, kernel.CLOCK_TIME}:
            return f"time of day {where}"
        return f"date and time {where}"


def unit_name(ns: int) -> str:
    """Return the name of a unit of so many ns."""
    return next(name for name, value in UNITS.items() if value == ns)


def stamps_of(
    rows: Rows, layout: TableLayout, *, columns: tuple[int, ...] | None, unit: str | None, date_order: int | None
) -> TimeColumn:
    """Return what the stamps of a table are.

    Parameters
    ----------
    rows : Rows
        The body of the table.
    layout : Layout
        Which column holds what.
    columns : tuple of int or None
        Where the user says that the stamps stand; empty: nowhere; None: not told.
    unit : str or None
        What the user says of the unit, a key of `UNITS`.
    date_order : int or None
        What the user says of the order in dates.

    Raises
    ------
    UnclearLayoutError
        If more than one reading fits.
    """
    if columns == ():
        return TimeColumn(clock=Clock.MISSING)
    taken = set(layout.payload) | set(layout.column.values())
    blanks = _fill_down(rows, taken)
    free = [c for c in rows.columns if c.index not in taken and c.filled]
    if columns:
        found = _told(rows, layout, columns)
    else:
        found = _calendar(free)
        if found is not None:
            _add_rest_of_second(free, found)
            found = _finer(rows, free, found) or found
        found = found or _two_numbers(free) or _number(free)
        found = found or _number(_by_bus(rows, layout, free)) or _steps(rows, layout, free)
    if found is None:
        require_known_time(rows, layout)
        return TimeColumn(
            clock=Clock.MISSING, notes=["no column holds time stamps that run, so only the order is known"]
        )
    found.has_blanks = len(found.columns) == 1 and found.columns[0] in blanks
    if found.form >= kernel.CLOCK_TIME or found.form_2 >= kernel.CLOCK_TIME:
        _complete_calendar(rows, found, date_order)
    elif len(found.columns) == 1 and not found.is_complete:
        _complete_number(rows, layout, found, unit)
    elif not found.is_complete:
        _complete_two_numbers(rows, layout, found, unit)
    if found.form:
        found.has_commas = any("," in cell for k in found.columns for cell in rows.columns[k].filled)
        times = times_ns(rows, found)
        _look_at_order(rows, layout, found, times)
        known = [time for time in times if time is not None]
        if (tick_ns := resolution_of(known)) > COARSE_NS:
            found.is_complete = True
            _drop_stamps(found, coarse_note(tick_ns))
        elif found.form:
            found.resolution_ns = rounding_of(known)
        if found.resolution_ns:
            found.notes.append(resolution_note(found.resolution_ns))
    return found


def _fill_down(rows: Rows, taken: Set[int]) -> set[int]:
    """Fill cells of times that are empty because the one above holds for them, too; return the columns that have such.

    Then no two cells below each other are alike, and none is below its predecessor.
    """
    found = set()
    for column in rows.columns:
        n_blank = len(column.cells) - len(column.filled)
        if column.index in taken or n_blank <= _MANY_BLANKS * len(column.cells) or not column.cells[0]:
            continue
        if not (named(column, "time") and not named(column, "delta") and (column.is_number or column.is_clock)):
            continue
        if len(column.counts) == len(column.filled) > 1 and not column.steps()[2]:
            cells: list[str] = []
            for cell in column.cells:
                cells.append(cell or cells[-1])
            rows.columns[column.index] = Column(column.index, column.name, cells)
            found.add(column.index)
    return found


def stamps_of_values(
    rows: Rows, taken: Set[int], *, columns: tuple[int, ...] | None, unit: str | None, date_order: int | None
) -> TimeColumn:
    """Return what the stamps of a table of values are; parameters as for `stamps_of`, columns of values in `taken`.

    Rows come at regular times, so that only the digits tell how the stamps were rounded.

    Raises UnclearLayoutError if more than one reading fits.
    """
    free = [c for c in rows.columns if c.index not in taken and c.filled]
    found = _told(rows, None, columns) if columns else (_calendar(free) or _two_numbers(free) or _number(free))
    if found is None:
        return TimeColumn(clock=Clock.MISSING)
    column = rows.columns[found.columns[-1]]
    if found.form >= kernel.CLOCK_TIME or found.form_2 >= kernel.CLOCK_TIME:
        _complete_calendar(rows, found, date_order)
        last_unit = NS_PER_S
    elif len(found.columns) == 1:
        last_unit = found.unit = UNITS[unit] if unit else _unit_of_values(rows, column)
        known = [t for t in column.numbers(10 if found.form == kernel.NUMBER else 16) if t is not None]
        if _EPOCH[0] <= median(known) * found.unit / NS_PER_S < _EPOCH[1]:
            found.clock = Clock.WALL
    else:
        last_unit = found.unit_2
    places = max(
        (
            len(m[1])
            for cell in column.filled
            if (m := re.search(r"[.,](\d+)(?:\s*[+-]\d\d:?\d\d|(?:[eE]\S*)?\D*)$", cell))
        ),
        default=0,
    )
    step_ns = last_unit // 10**places
    if step_ns > FINE_NS:
        found.resolution_ns = step_ns
        if step_ns >= _TOLD_NS:
            found.notes.append(resolution_note(step_ns))
    return found


def _unit_of_values(rows: Rows, column: Column) -> int:
    """Return the unit of a stamp that is a number, of a table of values, ns."""
    if (unit := _header_unit(rows, column)) is not None:
        return unit
    known = [value for value in column.numbers() if value is not None]
    for name in NATURAL:
        size = NS_PER_S // UNITS[name]
        if _EPOCH[0] * size <= median(known) < _EPOCH[1] * size:
            return UNITS[name]
    if any(_DAYS[0] <= value < _DAYS[1] for value in known) and max(known) - min(known) < 1:
        raise UnclearLayoutError(
            f"the time in column {column.index + 1} may be days, as spreadsheets count them, or seconds: write"
            " --time-unit d or s, as it is"
        )
    if any(re.search(r"[.,]\d", cell) for cell in column.filled):
        return NS_PER_S
    raise UnclearLayoutError(
        f"nothing says the unit of the time in column {column.index + 1}: write --time-unit ms, or s, us, ns, as it is"
    )


def _told(rows: Rows, layout: TableLayout | None, columns: tuple[int, ...]) -> TimeColumn | None:
    chosen = [rows.columns[k] for k in columns if k < len(rows.columns)]
    if len(chosen) < len(columns):
        raise UnclearLayoutError(f"there is no column {max(columns) + 1} for the time")
    if len(chosen) == 2:
        return _calendar(chosen) or _two_numbers(chosen)
    steps = None if layout is None else _steps(rows, layout, chosen)
    return _calendar(chosen) or steps or _as_number(chosen[0])


def _as_number(column: Column) -> TimeColumn | None:
    if column.is_number:
        return TimeColumn(clock=Clock.RELATIVE, form=kernel.NUMBER, columns=(column.index,))
    if column.is_hex:
        return TimeColumn(clock=Clock.RELATIVE, form=kernel.HEX_NUMBER, columns=(column.index,))
    return None


# --- which column -----------------------------------------------------------------------------------------------


def _calendar(free: Sequence[Column]) -> TimeColumn | None:
    """Find dates and times of day."""
    dates = [c for c in free if c.is_date]
    clocks = [c for c in free if c.is_clock]
    both = [
        c for c in free if c.all_match(re.compile(r"\d{1,4}[-./]\d{1,2}[-./]\d{1,4}[T :_-]+\d{1,2}:\d{1,2}:\d{1,2}.*"))
    ]
    if both:
        return TimeColumn(clock=Clock.LOCAL, form=kernel.DATE_TIME, columns=(both[0].index,))
    if dates and clocks:
        return TimeColumn(
            clock=Clock.LOCAL, form=kernel.DATE, form_2=kernel.CLOCK_TIME, columns=(dates[0].index, clocks[0].index)
        )
    if clocks:
        return TimeColumn(clock=Clock.RELATIVE, form=kernel.CLOCK_TIME, columns=(clocks[0].index,))
    return None


def _add_rest_of_second(free: Sequence[Column], found: TimeColumn) -> None:
    """Add the column behind a time of day of whole seconds that holds the rest of each second, as a whole number."""
    index = found.columns[-1]
    clock = next(column for column in free if column.index == index)
    rest = next((column for column in free if column.index == index + 1 and column.is_int), None)
    if rest is None or any(_FRACTION.search(cell) for cell in clock.counts):
        return
    values = [whole(cell, 10) or 0 for cell in rest.filled]
    largest = max(values)
    if len(values) < len(clock.filled) or not 100 <= largest < NS_PER_S or named(rest, "delta"):
        return
    within = [b >= a for (x, a), (y, b) in itertools.pairwise(zip(clock.filled, values, strict=False)) if x == y]
    if sum(within) < 0.98 * len(within) or not any(b < a for a, b in itertools.pairwise(values)):
        return
    # The date is left out where it has a column of its own: a frame has room for two.
    size = 1_000 if largest < 1_000 else 1_000_000 if largest < 1_000_000 else NS_PER_S
    found.form = kernel.DATE_TIME if found.form == kernel.DATE_TIME else kernel.CLOCK_TIME
    if len(found.columns) == 2:
        found.clock = Clock.RELATIVE
    found.form_2, found.unit_2, found.columns = kernel.NUMBER, NS_PER_S // size, (index, rest.index)


def _finer(rows: Rows, free: Sequence[Column], coarse: TimeColumn) -> TimeColumn | None:
    """Return a column of numbers that takes as long as a time of day that is rounded more coarsely; None if none does.

    How long both take says the unit of the numbers.
    """
    places = max(
        (len(m[1] or m[2]) for cell in rows.columns[coarse.columns[-1]].counts if (m := _FRACTION.search(cell))),
        default=0,
    )
    if coarse.form_2 == kernel.NUMBER or places > 3 or (places == 3 and coarse.clock is not Clock.RELATIVE):
        return None
    clocks = times_ns(rows, coarse)
    for column in free:
        base = 10 if column.is_number else 16 if column.is_hex else 0
        rise, stay, fall = column.steps(base) if base else (0, 0, 1)
        if column.index in coarse.columns or fall or stay > rise or len(column.filled) < len(column.cells):
            continue
        both = [(t, v) for t, v in zip(clocks, column.numbers(base), strict=True) if t is not None and v is not None]
        if len(both) < _LEAST_ROWS or _is_row_number(column, base):
            continue
        span, took = both[-1][0] - both[0][0], both[-1][1] - both[0][1]
        if span < 0 or took <= 0:
            continue
        slack = 2 * 10 ** (9 - places) + _DISAGREE_PART * span
        decimals = max((len(m[1]) for cell in column.counts if (m := re.search(r"[.,](\d+)$", cell))), default=0)
        units = [
            unit for unit in UNITS.values() if abs(took * unit - span) <= slack and unit < 10 ** (9 - places + decimals)
        ]
        if len(units) == 1 or (units and not places):
            found = TimeColumn(
                clock=Clock.RELATIVE,
                form=kernel.NUMBER if base == 10 else kernel.HEX_NUMBER,
                columns=(column.index,),
                unit=units[0],
                is_complete=len(units) == 1,
            )
            epoch = both[0][1] * units[0] / NS_PER_S
            if len(units) == 1 and _EPOCH[0] <= epoch < _EPOCH[1]:
                found.clock = Clock.WALL
            found.notes.append(
                f"the time was taken from column {column.index + 1}, for column {coarse.columns[-1] + 1} holds it more "
                "coarsely"
            )
            return found
    return None


def _two_numbers(free: Sequence[Column]) -> TimeColumn | None:
    """Find seconds in one column and the rest of them, as a whole number, in the next."""
    for first, second in itertools.pairwise([column for column in free if len(column.counts) > 1 or column.is_int]):
        # A word may stand between them, such as a name of the second.
        if not (first.is_int and second.is_int and second.index <= first.index + 2):
            continue
        if len(first.filled) != len(second.filled) or len(first.counts) == len(first.filled) or named(second, "delta"):
            continue
        pairs = [(whole(a, 10) or 0, whole(b, 10) or 0) for a, b in zip(first.filled, second.filled, strict=True)]
        largest = max(b for _, b in pairs)
        if largest < 100 or largest >= NS_PER_S or len({b for _, b in pairs}) < 0.5 * len(pairs):
            continue
        size = 1_000 if largest < 1_000 else 1_000_000 if largest < 1_000_000 else NS_PER_S
        times = [a * size + b for a, b in pairs]
        falls = sum(b < a for a, b in itertools.pairwise(times))
        alone = sum(b[1] < a[1] for a, b in itertools.pairwise(pairs))
        steps = [b[0] - a[0] for a, b in itertools.pairwise(pairs)]
        is_short = len(first.counts) == 1 and _EPOCH[0] <= pairs[0][0] < _EPOCH[1]  # within one second
        if falls <= 0.02 * len(times) and ((alone > falls and max(steps, default=0) > 0) or is_short):
            return TimeColumn(
                clock=Clock.WALL if pairs[0][0] >= _EPOCH[0] else Clock.RELATIVE,
                form=kernel.NUMBER,
                form_2=kernel.NUMBER,
                columns=(first.index, second.index),
                unit_2=NS_PER_S // size,
            )
    return None


def _number(free: Sequence[Column]) -> TimeColumn | None:
    """Find the column whose numbers rise."""
    best: tuple[float, TimeColumn] | None = None
    for column in free:
        base = 10 if column.is_number else 16 if column.is_hex else 0
        if not base or len(column.filled) < 0.5 * len(column.cells):
            continue
        rise, stay, fall = column.steps(base)
        steps = rise + stay + fall
        if named(column, "delta") and (fall > 0.02 * steps or not rise):
            continue  # since the row before, not since a trigger
        is_named = named(column, "time") or _unit_in(column.name) is not None
        if steps == 0:
            if not (is_named or re.search(r"[.,]\d", column.filled[0])):
                continue
        elif rise == 0 or rise + stay < 0.75 * steps:
            continue
        is_row_number = not is_named and _is_row_number(column, base)
        score = 2.0 * is_named + (rise + stay) / max(steps, 1) + 0.5 * rise / max(steps, 1) - 2.0 * is_row_number
        score += 0.3 * any(re.search(r"[.,]\d", cell) for cell in column.filled[:50])
        score -= 1.0 * (named(column, "number") and not is_named) + 0.01 * column.index
        if score > 0.2 and (best is None or score > best[0]):
            form = kernel.NUMBER if base == 10 else kernel.HEX_NUMBER
            best = score, TimeColumn(clock=Clock.RELATIVE, form=form, columns=(column.index,))
    if best is not None:
        _require_agreement(free, best[1].columns[0])
    return None if best is None else best[1]


def _by_bus(rows: Rows, layout: TableLayout, free: Sequence[Column]) -> list[Column]:
    """Return columns with the rows of each bus behind those of the one before, for each may have a clock of its own."""
    if kernel.BUS not in layout.column:
        return []
    labels = rows.columns[layout.column[kernel.BUS]].cells
    order = sorted(range(len(labels)), key=labels.__getitem__)
    return [Column(one.index, one.name, [one.cells[k] for k in order]) for one in free]


def _require_agreement(free: Sequence[Column], chosen: int) -> None:
    """Require that columns which the header calls times take as long, in whatever units.

    Raises UnclearLayoutError if two do not.
    """
    spans = []
    for column in free:
        if not named(column, "time") or named(column, "delta") or len(column.filled) < _LEAST_ROWS:
            continue
        values = column.filled_numbers() if column.is_number else [None]
        if None in values or column.steps()[2] or values[-1] == values[0]:
            continue
        spans.append((column.index, float(values[-1] or 0) - float(values[0] or 0)))
    first = dict(spans).get(chosen)
    for index, span in spans:
        decades = 0.0 if first is None else math.log10(span / first)
        if abs(decades - round(decades)) > _DISAGREE:
            low, high = sorted((chosen, index))
            raise UnclearLayoutError(
                f"columns {low + 1} and {high + 1} both hold times, but do not take as long: write a file with [table] "
                f"and time = {low + 1} or time = {high + 1}, and give it as --table FILE.toml"
            )


def _steps(rows: Rows, layout: TableLayout, free: Sequence[Column]) -> TimeColumn | None:
    """Find a column of times since the row before: its sums make identifiers come again as regularly as they do."""
    for column in free:
        rise, stay, fall = column.steps()
        if not column.is_number or rise + stay >= 0.75 * (rise + stay + fall) or len(column.filled) < len(column.cells):
            continue
        values = column.numbers()
        if any(value is None or value < 0 for value in values):
            continue
        found = TimeColumn(clock=Clock.RELATIVE, form=kernel.NUMBER, columns=(column.index,), sums=True)
        if _is_cycle(rows, layout, column):
            raise UnclearLayoutError(
                f"column {column.index + 1} seems to hold the time since the same identifier came last "
                f"('{column.filled[-1]}'), which does not say when each frame came: export the time of each frame, or "
                'write a file with [table] and time = "none" to use the order of the rows alone'
            )
        if named(column, "delta") or _makes_periods(rows, layout, _numbers(column, found)):
            found.notes.append(f"column {column.index + 1} holds the time since the row before, which was added up")
            return found
    return None


def _is_cycle(rows: Rows, layout: TableLayout, column: Column) -> bool:
    """Return whether a number is much the same in all rows of most identifiers, and of several sizes."""
    by_id: dict[str, list[float]] = {}
    for cell, one in zip(rows.columns[layout.column[kernel.IDENTIFIER]].cells, column.cells, strict=True):
        by_id.setdefault(cell, []).append(number(one) or 0.0)
    ranges = [sorted(values[1:]) for values in by_id.values() if len(values) > _LEAST_STEPS]
    alike = [r[len(r) // 2] for r in ranges if 0 < r[-1 - len(r) // 10] - r[len(r) // 10] <= _REGULAR * r[len(r) // 2]]
    return len(ranges) >= _LEAST_IDS and 5 * len(alike) >= 3 * len(ranges) and max(alike) > 1.5 * min(alike)


def _makes_periods(rows: Rows, layout: TableLayout, times: Sequence[float | None]) -> bool:
    """Return whether most identifiers come again after much the same time."""
    by_id: dict[str, list[float]] = {}
    for cell, time in zip(rows.columns[layout.column[kernel.IDENTIFIER]].cells, times, strict=True):
        if time is not None:
            by_id.setdefault(cell, []).append(time)
    regular = known = 0
    for stamps in by_id.values():
        steps = sorted(b - a for a, b in itertools.pairwise(stamps))
        if len(steps) >= _LEAST_STEPS:
            known += 1
            regular += steps[-1 - len(steps) // 10] - steps[len(steps) // 10] <= _REGULAR * steps[len(steps) // 2]
    return known >= _LEAST_IDS and 5 * regular >= 3 * known


def _numbers(column: Column, found: TimeColumn) -> list[float | None]:
    """Return the numbers of a column of stamps, added up where each counts from the row before."""
    base = 16 if found.form == kernel.HEX_NUMBER else 10
    values = column.numbers(base)
    return list(itertools.accumulate(value or 0.0 for value in values)) if found.sums else values


def _is_row_number(column: Column, base: int = 10) -> bool:
    if base == 10 and not column.is_int:
        return False
    values = column.filled_numbers(base)
    steps = [b - a for a, b in itertools.pairwise(values) if a is not None and b is not None]
    return bool(steps) and sum(step == 1 for step in steps) >= 0.98 * len(steps)


# --- dates and times of day -------------------------------------------------------------------------------------


def _complete_calendar(rows: Rows, found: TimeColumn, told_order: int | None) -> None:
    is_parted = found.form_2 == kernel.NUMBER
    texts = rows.columns[found.columns[0 if is_parted else -1]].filled
    clock_texts = [CLOCK_IN.search(text) for text in texts]
    clocks = [match[0] for match in clock_texts if match]
    if any(re.search(r"(Z|[+-]\d\d:?(\d\d)?)$", text) for text in clocks) and found.clock is Clock.LOCAL:
        found.clock = Clock.WALL
    if found.form in {kernel.DATE, kernel.DATE_TIME}:
        found.date_order = _date_order(rows.columns[found.columns[0]].filled, told_order)
    else:
        has_hours = all(text.count(":") > 1 for text in clocks)
        found.wraps = ((86_400 if has_hours else 3_600) * NS_PER_S,)


def _date_order(texts: Sequence[str], told: int | None) -> int:
    if told is not None:
        return told
    parts = [m.groups() for text in texts if (m := re.match(r"(\d{1,4})([-./])(\d{1,2})\2(\d{1,4})", text))]
    if any(len(part[0]) > 2 for part in parts):
        return 0
    if any(int(part[0]) > 12 for part in parts) or parts[0][1] == ".":
        return 1
    if any(int(part[2]) > 12 for part in parts):
        return 2
    if len({part[0] + part[2] for part in parts}) == 1:
        return 1  # one day only: which one shifts all times alike
    raise UnclearLayoutError(
        f"the date '{texts[0]}' may have the day or the month first: "
        'write a file with [table] and date_order = "day first" or "month first", and give it as --table FILE.toml'
    )


# --- the unit of a number ---------------------------------------------------------------------------------------


def _unit_in(text: str) -> int | None:
    """Return the unit that a header names, ns."""
    found = None
    for match in _HEADER_UNIT.finditer(text.lower().replace("_", " ")):
        unit = match["unit"]
        short = _SHORT.get(unit) or _SHORT.get(re.sub(r"sec\w*$", "", unit), unit)
        ns = UNITS.get(short)
        if ns is None:
            continue
        value = ns * float(match["factor"] or 1)
        if value >= 1:
            found = round(value)
    return found if found in UNITS.values() else None


def _header_unit(rows: Rows, column: Column) -> int | None:
    if column.unit:
        return UNITS[column.unit]
    if rows.has_names:
        return _unit_in(column.name)
    for line in reversed(rows.preamble[-40:]):
        match = re.search(r"(?i)(time|stamp|offset|zeit)[^,;]{0,12}", line)
        if match and (unit := _unit_in(match[0])) is not None:
            return unit
    return None


@dataclass(frozen=True, kw_only=True)
class _Traffic:
    """What the rows say about time, in units of the stamps."""

    span: float
    bits: int
    #: Median of the steps of each identifier that comes at least four times, in order.
    periods: list[float]
    #: Steps from row to row, and how many of them are 0.
    n_steps: int
    n_alike: int


def _traffic(rows: Rows, layout: TableLayout, times: Sequence[float | None]) -> _Traffic:
    ids = rows.columns[layout.column[kernel.IDENTIFIER]].cells
    bus = layout.column.get(kernel.BUS)
    buses = rows.columns[bus].cells if bus is not None else [""] * len(ids)
    by_id: dict[tuple[str, str], list[float]] = {}
    known = [t for t in times if t is not None]
    bits = 0
    n_payload = len(layout.payload)
    for cell, label, time, row in zip(ids, buses, times, rows.rows, strict=True):
        data = row[layout.payload[0] : layout.payload[-1] + 1]
        if layout.payload_role == kernel.PAYLOAD:
            n = len(re.sub(r"0[xX]|[^0-9A-Fa-f]", "", data[0])) // 2 if data else 0
        else:
            n = sum(1 for byte in data if byte) if n_payload > 1 else 1
        bits += 47 + 8 * min(n, 8)
        if time is not None:
            by_id.setdefault((cell, label), []).append(time)
    periods = []
    for stamps in by_id.values():
        steps = [b - a for a, b in itertools.pairwise(stamps) if b > a]
        if len(steps) >= 3:
            periods.append(median(steps))
    # Without the few largest steps, which are pauses or junk.
    steps = sorted(b - a for a, b in itertools.pairwise(known) if b >= a)
    span = sum(steps[: len(steps) - len(steps) // 100] if len(steps) >= 100 else steps)
    return _Traffic(
        span=span,
        bits=bits // max(len(set(buses)), 1),
        periods=sorted(periods),
        n_steps=len(steps),
        n_alike=sum(step == 0 for step in steps),
    )


def _complete_number(rows: Rows, layout: TableLayout, found: TimeColumn, told: str | None) -> None:
    column = rows.columns[found.columns[0]]
    times = _numbers(column, found)
    known = [t for t in times if t is not None]
    if not known or (len(known) > 1 and not any(known)):
        _drop_stamps(found, "all time stamps are 0, so only the order is known")
        return
    if told is None and column.all_match(_CLOCK_DIGITS, 1.0) and not found.sums and max(known) >= _FIRST_HOUR:
        found.form, found.wraps = kernel.CLOCK_DIGITS, (86_400 * NS_PER_S,)
        found.notes.append(
            f"column {column.index + 1} was taken for hours, minutes and seconds, such as {column.filled[0]}; "
            "--time-unit s says otherwise"
        )
        return
    minutes = {cell[:4] for cell in column.counts}
    if told is None and column.all_match(_CLOCK_MS_DIGITS, 1.0) and (len(minutes) > 1 or column.filled[0][0] == "0"):
        raise UnclearLayoutError(
            f"the time in column {column.index + 1} ('{column.filled[0]}') may be a time of day of hours, minutes, "
            "seconds and ms without marks between them, or a number: write it as 13:05:01.123, or give --time-unit"
        )
    traffic = _traffic(rows, layout, times)
    if told is not None:
        found.unit = UNITS[told]
    else:
        found.unit = _decide(rows, column, found, known, traffic)
    if not found.form:
        return
    largest = median(known) * found.unit / NS_PER_S
    if _EPOCH[0] <= largest < _EPOCH[1]:
        found.clock = Clock.WALL
    decimals = any(re.search(r"[.,]\d", cell) for cell in column.filled)
    if found.sums:
        return
    if round_ns := _round_period(known, found.unit):
        found.wraps = (round_ns,)
    elif not decimals:
        found.wraps = (2**16 * found.unit, 2**32 * found.unit, 60_000 * found.unit)
    elif found.unit == NS_PER_S and max(known) < 60:
        found.wraps = (60 * NS_PER_S, *((NS_PER_S,) if max(known) < 1 else ()))


def _round_period(known: Sequence[float], unit: int) -> int:
    """Return the power of ten behind which all stamps that fall begin anew, ns; 0: there is none."""
    falls = [(a, b) for a, b in itertools.pairwise(known) if b < a and a - b > 0.5 * max(known)]
    period: int = 10 ** len(str(int(0.999 * max(known))))
    step = 50 * median([abs(b - a) for a, b in itertools.pairwise(known)] or [0])
    if not falls or not all(0 < period - a + b <= max(step, period / 1000) for a, b in falls) or min(known) < 0:
        return 0
    return period * unit


def _complete_two_numbers(rows: Rows, layout: TableLayout, found: TimeColumn, told: str | None) -> None:
    """Find out whether the first of two numbers is in seconds or in ms, if the second has three digits at most."""
    first = rows.columns[found.columns[0]]
    unit = UNITS[told] if told is not None else _header_unit(rows, first)
    if unit is None and found.clock is Clock.RELATIVE:
        seconds = [None if time is None else time / NS_PER_S for time in times_ns(rows, found)]
        traffic = _traffic(rows, layout, seconds)
        if not _is_usual(NS_PER_S, traffic) and _is_usual(UNITS["ms"], traffic):
            unit = UNITS["ms"]
    if unit is not None and unit in {NS_PER_S, UNITS["ms"]} and found.unit_2 * unit // NS_PER_S >= 1:
        found.unit_2 = found.unit_2 * unit // NS_PER_S
        found.unit = unit


def _drop_stamps(found: TimeColumn, why: str) -> None:
    found.clock, found.form, found.form_2, found.columns = Clock.MISSING, 0, 0, ()
    found.notes.append(why)


def _decide(rows: Rows, column: Column, found: TimeColumn, known: Sequence[float], traffic: _Traffic) -> int:
    """Return the unit of a stamp that is a number, ns."""
    unit = _header_unit(rows, column)
    if unit is not None:
        if not _is_possible(unit, traffic):
            raise UnclearLayoutError(
                f"the header says that the time in column {column.index + 1} is in {unit_name(unit)}, but then the bus "
                f"would carry more than 1 Mbit/s: write --time-unit with one of {', '.join(UNITS)}"
            )
        return unit
    if _is_row_number(column) and len(known) >= 20 and not _fits_some(traffic):
        _drop_stamps(found, f"column {column.index + 1} counts rows, so only the order is known")
        return NS_PER_S
    places = sorted(len(m[1]) for cell in column.filled if (m := re.search(r"[.,](\d+)(?:[eE]|$)", cell)))
    usual = places[len(places) // 2] if 2 * len(places) >= len(column.filled) else 0
    middle = median(known)
    for name in NATURAL:
        size = NS_PER_S // UNITS[name]
        if _EPOCH[0] * size <= middle < _EPOCH[1] * size and _is_usual(UNITS[name], traffic, strict=False):
            return UNITS[name]
    if usual >= _DAY_PLACES and _DAYS[0] <= middle < _DAYS[1] and _is_usual(UNITS["d"], traffic):
        return UNITS["d"]
    is_slow = len(traffic.periods) >= _LEAST_IDS and not _is_usual(NS_PER_S, traffic)
    if usual >= 4 and _is_possible(NS_PER_S, traffic) and not (is_slow and _is_usual(UNITS["ms"], traffic)):
        return NS_PER_S
    _require_plain_step(rows, column)
    return _by_repetition(column, traffic)


def _require_plain_step(rows: Rows, column: Column) -> None:
    """Require, where nothing else says the unit, that no steps such as 50 us are spoken of.

    Raises UnclearLayoutError if they are.
    """
    for text in (column.name, *rows.preamble[-40:]):
        found = _STEP.search(text.lower())
        if found and found[1].strip("0") != "1":
            raise UnclearLayoutError(
                f"the time in column {column.index + 1} seems to count steps of {found[1]} {found[2]}: write it in "
                f"{found[2]}, or give --time-unit if that is not so"
            )


def _fits_some(traffic: _Traffic) -> bool:
    return len(traffic.periods) >= _LEAST_IDS and any(_is_usual(UNITS[name], traffic) for name in NATURAL)


def _is_possible(unit: int, traffic: _Traffic) -> bool:
    """Return whether the bus could carry that much."""
    span_s = traffic.span * unit / NS_PER_S
    return traffic.span <= 0 or traffic.bits <= 1.1 * _BIT_RATE * span_s + 1000


def _is_usual(unit: int, traffic: _Traffic, *, strict: bool = True) -> bool:
    """Return whether the most frequent identifiers come as often as they do in vehicles."""
    if not _is_possible(unit, traffic):
        return False
    if not traffic.periods:
        return not strict
    fastest = _fastest(traffic) * unit / NS_PER_S
    return 0.005 <= fastest <= 0.5 if strict else fastest <= 60


def _fastest(traffic: _Traffic) -> float:
    return traffic.periods[len(traffic.periods) // 10]


def _by_repetition(column: Column, traffic: _Traffic) -> int:
    place = column.index + 1
    if len(traffic.periods) < _LEAST_IDS:
        fitting = [name for name in NATURAL if _is_possible(UNITS[name], traffic)]
        raise UnclearLayoutError(
            f"the unit of the time in column {place} cannot be told from {len(traffic.periods)} identifiers that come "
            f"again (from {_LEAST_IDS} it can): write --time-unit {' or --time-unit '.join(fitting or NATURAL)}"
        )
    natural = [name for name in NATURAL if _is_usual(UNITS[name], traffic)]
    others = [name for name in UNITS if UNITS[name] < NS_PER_S and name not in NATURAL]
    others = [name for name in others if _is_usual(UNITS[name], traffic)]
    fitting = natural or others
    if not fitting:
        raise UnclearLayoutError(
            f"no unit of the time in column {place} gives the identifiers a usual period: "
            f"write --time-unit with one of {', '.join(UNITS)}"
        )
    best = _most_usual(fitting, traffic)
    finer = [name for name in others if UNITS[name] < UNITS[best]]
    if finer and best in natural and _keeps_apart(traffic):
        best = _most_usual([best, *finer], traffic)
    return UNITS[best]


def _most_usual(names: Sequence[str], traffic: _Traffic) -> str:
    """Return the unit by which the most frequent identifiers come every 10 or 20 ms, as they mostly do in vehicles."""
    return min(names, key=lambda name: abs(_fastest(traffic) * UNITS[name] / NS_PER_S / 0.014 - 1))


def _keeps_apart(traffic: _Traffic) -> bool:
    """Return whether the stamps are so fine that a frame takes longer than a step, by hardly two of them being alike.

    Of frames that come at any time, more would be.
    """
    by_chance = traffic.n_steps**2 / (2 * traffic.span) if traffic.span > 0 else 0.0
    return by_chance >= _LEAST_ALIKE and traffic.n_alike <= by_chance / 5


def repetition_note(rows: Rows, layout: TableLayout, found: TimeColumn) -> str:
    """Return what a unit was taken for that no header and no digits say; empty if they do."""
    if (
        found.form not in {kernel.NUMBER, kernel.HEX_NUMBER}
        or len(found.columns) != 1
        or found.clock is not Clock.RELATIVE
    ):
        return ""
    column = rows.columns[found.columns[0]]
    if _header_unit(rows, column) is not None:
        return ""
    places = [len(m[1]) for cell in column.filled if (m := re.search(r"[.,](\d+)(?:[eE]|$)", cell))]
    if found.unit == NS_PER_S and 2 * len(places) >= len(column.filled) and sorted(places)[len(places) // 2] >= 4:
        return ""
    traffic = _traffic(rows, layout, _numbers(column, found))
    if not traffic.periods:
        return ""
    ms = _fastest(traffic) * found.unit / 1_000_000
    return (
        f"the time was taken to be in {unit_name(found.unit)}: then the most frequent identifiers come about every "
        f"{ms:.3g} ms; --time-unit says otherwise"
    )


# --- order ------------------------------------------------------------------------------------------------------


def times_ns(rows: Rows, found: TimeColumn) -> list[int | None]:
    """Return the stamps of the rows without days, ns; for a look at their order only."""
    is_parted = found.form_2 == kernel.NUMBER and found.form >= kernel.CLOCK_TIME
    column = rows.columns[found.columns[0 if is_parted else -1]]
    if found.form in {kernel.NUMBER, kernel.HEX_NUMBER}:
        firsts = _numbers(rows.columns[found.columns[0]], found)
        if len(found.columns) == 1:
            return [None if value is None else round(value * found.unit) for value in firsts]
        seconds = column.numbers()
        return [
            None if a is None or b is None else round(a * found.unit) + round(b * found.unit_2)
            for a, b in zip(firsts, seconds, strict=True)
        ]
    if found.form == kernel.CLOCK_DIGITS:
        texts = (re.sub(r"^(\d\d)(\d\d)(\d\d)", r"\1:\2:\3", cell) for cell in column.cells)
        return [clock_ns(text) for text in texts]
    days: dict[str, int] = {}
    times: list[int | None] = []
    for k, cell in enumerate(column.cells):
        match = CLOCK_IN.search(cell)
        ns = None if match is None else clock_ns(match[0])
        if found.form >= kernel.DATE and ns is not None:
            day = rows.columns[found.columns[0]].cells[k].split(":", 1)[0][:8]
            ns += days.setdefault(day, len(days)) * 86_400 * NS_PER_S
        if is_parted and ns is not None:
            ns += (whole(rows.columns[found.columns[1]].cells[k], 10) or 0) * found.unit_2
        times.append(ns)
    return times


def _look_at_order(rows: Rows, layout: TableLayout, found: TimeColumn, times: Sequence[int | None]) -> None:
    """Find rows from an earlier run at the start, and a clock of its own for what was sent."""
    _find_sent_clock(rows, layout, found, times)
    known = [(k, t) for k, t in enumerate(times) if t is not None]
    n = len(known)
    early = max(min(n // 10, 300), 1)
    if n < 20 or found.form >= kernel.DATE:
        return
    cuts = []
    for (_, before), (k, after) in itertools.pairwise(known):
        is_wrap = any(0 <= after + period - before <= period // 32 for period in found.wraps)
        if (after < before - 100_000_000 and not is_wrap) or after > before + 60 * NS_PER_S:
            cuts.append((k, after - before))
    if len(cuts) != 1 or cuts[0][0] > early:
        return
    index, jump = cuts[0]
    span = known[-1][1] - times[index] if times[index] is not None else 0  # type: ignore[operator]
    if jump > 0 and jump < 10 * max(span / max(n, 1), 1):
        return
    found.leave_out = index
    found.notes.append(
        f"the first {index} row{'s' * (index > 1)} of the table were left out: their time stamps are of an earlier run"
    )


def _find_sent_clock(rows: Rows, layout: TableLayout, found: TimeColumn, times: Sequence[int | None]) -> None:
    place = layout.column.get(kernel.DIRECTION)
    if place is None:
        return
    sent = [cell.lower()[:1] in {"t", "s", "o"} for cell in rows.columns[place].cells]
    if not any(sent) or all(sent):
        return
    falls = within = 0
    last: dict[bool, int] = {}
    before: int | None = None
    for time, is_sent in zip(times, sent, strict=True):
        if time is None:
            continue
        falls += before is not None and time < before - 100_000_000
        within += is_sent in last and time < last[is_sent] - 100_000_000
        last[is_sent] = before = time
    if falls >= 3 and within <= falls // 10:
        found.sent_out = True
        found.notes.append(
            "rows that the recorder sent itself carry stamps of another clock, or none; they were left out"
        )
