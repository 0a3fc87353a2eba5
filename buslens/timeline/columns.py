"""Columns of a table of values become the history of roles, as the frames of a message do.

Of each column only those rows stay that show something new, and those before them, so that a trace of millions of
samples takes no more memory than a log of the same events.
"""

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from fractions import Fraction
from typing import Final

import numpy as np
from numpy.typing import NDArray

from buslens.capture._scan_kernel import QUIET_NS
from buslens.capture.values import Cells, ColumnNews, ValuesBlock, in_parts
from buslens.capture.values_layout import ValueColumn
from buslens.definitions.model import Message, Signal, Threshold, ValueType
from buslens.errors import CaptureError, SourceLocation
from buslens.timeline.history import CYCLES_PER_TIMEOUT, MEASURED_INTERVALS, NO_TIMEOUT, MessageHistory, Track
from buslens.units import power_of_unit, without_prefix

_BETWEEN: Final = "between the limits of the states"
ONE_BY_ONE_NS: Final = 20_000_000
"""Rows that come faster are of an instrument that reads all columns at once, ns; a tester asks for one value after the
other, and writes a row when it has them all (common practice, no source)."""
_MOST_UNNAMED: Final = 200
"""Different values without a state that are told apart."""
_BUCKET_NS: Final = 1_000_000
"""Of a number that is sampled more often, the first, lowest, highest and last value in each such time stay."""
_DENSE: Final = 8
"""Samples in that time from which that is worth it."""
_BREAK: Final = -2
_NOTHING: Final = -3
_NO_VALUE: Final = frozenset({"nan", "n/a", "na", "n.a.", "#n/a", "null", "none"})
"""What stands in a cell that has no value, beside signs alone such as ``---``."""
_BEYOND: Final = {"inf": math.inf, "infinity": math.inf, "\u221e": math.inf}
"""What stands for a number above the range of an instrument, and with a minus for one below it."""
_OPERATORS: Final = {"<": np.less, "<=": np.less_equal, ">": np.greater, ">=": np.greater_equal}


@dataclass(frozen=True, slots=True, kw_only=True)
class ColumnSource:
    """How a role is read from a column."""

    name: str
    #: State -> texts or whole numbers that stand for it; empty for a number.
    texts: Mapping[str, tuple[str | int, ...]] = field(default_factory=dict)
    #: State -> numbers that stand for it.
    thresholds: Mapping[str, tuple[Threshold, ...]] = field(default_factory=dict)
    #: Unit of a number.
    unit: str = ""
    #: Silence after which the role is unknown, ns, or `NO_TIMEOUT`; None: three times the usual time between cells.
    timeout_ns: int | None = None
    #: Shortest time that any of its states lasts, ns.
    shortest_ns: int

    @property
    def as_text(self) -> bool:
        """Whether a cell is a text even where it looks like a number."""
        labels = [label for labels in self.texts.values() for label in labels]
        begins = [
            label for label in labels if isinstance(label, str) and label[:1].isdigit() and _number(label) is None
        ]
        is_worded = bool(labels) and all(_number(label) is None for label in labels)
        return not self.thresholds and (bool(begins) or is_worded)


def _number(label: str | int) -> float | None:
    """Return a label as the number that it is; None if it is a text."""
    if isinstance(label, int):
        return float(label)
    return float(label.replace(",", ".")) if re.fullmatch(r"[+-]?\d+([.,]\d+)?", label) else None


class ColumnHistory:
    """What is kept of one role that a column shows.

    Parameters
    ----------
    moved_ns : int, optional
        How far before or behind its time each value may have been read, ns; else as long as half a row lasts, where
        rows are so few that somebody may have asked for one value after the other.
    """

    def __init__(self, source: ColumnSource, column: ValueColumn, path: str, moved_ns: int | None = None) -> None:
        self.source = source
        self._moved_ns = moved_ns
        #: Whether that is measured.
        self.is_by_row = moved_ns is None
        self._path = path
        self._column = column
        self._unit = source.unit or next((one.unit for of in source.thresholds.values() for one in of if one.unit), "")
        self._power = self._power_of(column.unit) if column.unit and self._unit else 0
        #: By table and index of a text: the power of ten that it means behind a number, and the state.
        self._powers: dict[int, list[int]] = {}
        self._codes: dict[int, list[int]] = {}
        #: Powers of ten of the units of cells, where the role has no unit.
        self._prefixes: set[int] = set()
        self._names = list(source.texts or source.thresholds)
        self._unnamed: dict[str, int] = {}
        #: Codes without a state that the column had; texts are those of all columns.
        self._odd: set[int] = set()
        #: Of a column with limits: its lowest and highest number, and the states that it had.
        self.span: tuple[float, float] | None = None
        self._had: set[int] = set()
        signal = Signal(
            name=column.shown, start=0, length=64, kind=ValueType.UNSIGNED if self._names else ValueType.FLOAT
        )
        self._signal = signal
        self._message = Message(name=column.shown, can_id=0, length=8, signals=(signal,))
        self._log: MessageHistory | None = None
        #: Blocks that came before the usual time between cells was known.
        self._held: list[tuple[NDArray[np.int64], NDArray[np.uint64], int]] = []
        self._first_ns: list[NDArray[np.int64]] = []
        self._last_code = -1
        self._last_ns: int | None = None
        self.period_ns: int | None = None

    # --- cells --------------------------------------------------------------------------------------------------

    def take(self, block: ValuesBlock, cells: Cells) -> None:
        """Take the cells of a block of rows, later than all before."""
        if self._moved_ns is None and len(block.time_ns) > 1:
            self._moved_ns = _half_a_row(block.time_ns)
        if self._names:
            time_ns, raw = self._states(block.time_ns, cells)
        else:
            kept = self._filled(cells)
            time_ns = block.time_ns[kept]
            raw = cells.numbers(self._shifts(cells))[kept].view(np.uint64)
        if not len(time_ns):
            return
        if self._log is None:
            self._measure(time_ns)
            self._held.append((time_ns.copy(), raw, block.segment))
            if sum(map(len, self._first_ns)) > MEASURED_INTERVALS:
                self._begin()
            return
        self._add(self._log, time_ns, raw, block.segment)

    def _states(self, time_ns: NDArray[np.int64], cells: Cells) -> tuple[NDArray[np.int64], NDArray[np.uint64]]:
        """Return the times and codes of the cells that show a state, or a value that stands for none."""
        filled = self._filled(cells)
        if not len(filled):
            return time_ns[filled], np.empty(0, np.uint64)
        time_ns = time_ns[filled]
        codes = self._codes[cells.table]
        code = np.full(len(filled), -1, np.int64)
        is_text = cells.is_text[filled]
        if is_text.any():
            code[is_text] = np.array(codes, np.int64)[cells.digits[filled[is_text]]]
        if not is_text.all():
            numbers = cells.numbers(self._shifts(cells))[filled]
            if self.source.thresholds:
                self._widen(numbers)
                code[~is_text] = -1
                for index, state in enumerate(self._names):
                    for threshold in self.source.thresholds.get(state, ()):
                        code[~is_text & _OPERATORS[threshold.operator](numbers, float(self._limit(threshold)))] = index
            else:
                code[~is_text] = self._codes_of_numbers(numbers[~is_text])
        self._odd.update(np.unique(code[code >= len(self._names)]).tolist())
        self._had.update(index for index in range(len(self._names)) if index not in self._had and (code == index).any())
        return self._with_hysteresis(time_ns, code)

    def _filled(self, cells: Cells) -> NDArray[np.intp]:
        """Return the rows with a value."""
        filled, is_text = cells.is_filled, cells.is_text
        if codes := self._learn_texts(cells):
            is_none = np.array(codes) == _NOTHING
            filled = filled & ~(is_text & is_none[np.where(is_text, cells.digits, 0)])
        return np.flatnonzero(filled)

    def _widen(self, numbers: NDArray[np.float64]) -> None:
        known = numbers[np.isfinite(numbers)]
        if len(known):
            low, high = (known[0], known[0]) if self.span is None else self.span
            self.span = min(low, float(known.min())), max(high, float(known.max()))

    def _with_hysteresis(
        self, time_ns: NDArray[np.int64], code: NDArray[np.int64]
    ) -> tuple[NDArray[np.int64], NDArray[np.uint64]]:
        """Return times and codes with the state before where a number lies between the limits of the states.

        Only where nothing can have hidden since the sample before: else such a number tells nothing.
        """
        between = code == -1
        if between.any():
            before_ns = np.append(time_ns[0] if self._last_ns is None else self._last_ns, time_ns[:-1])
            code[between & (time_ns - before_ns >= self._shortest_ns)] = _BREAK
            firm = np.where(code != -1, np.arange(len(code)), -1)
            np.maximum.accumulate(firm, out=firm)
            if self._last_code == -1 and code[0] == -1:
                self._last_code = self._unnamed_code(_BETWEEN)  # from the start on: a value that stands for no state
            code = np.where(firm >= 0, code[firm], self._last_code)
        self._last_code, self._last_ns = int(code[-1]), int(time_ns[-1])
        kept = np.flatnonzero(code != _BREAK)
        return time_ns[kept], code[kept].astype(np.uint64)

    def _limit(self, threshold: Threshold) -> Fraction:
        power = power_of_unit(threshold.unit, self._unit) if threshold.unit else 0
        return threshold.limit * Fraction(10) ** (power or 0)

    def _learn_texts(self, cells: Cells) -> list[int]:
        """Return the code of each of the texts so far."""
        codes = self._codes.setdefault(cells.table, [])
        for text in cells.texts[len(codes) :]:
            key = _key(text)
            code = next(
                (
                    index
                    for index, state in enumerate(self._names)
                    if any(_key(str(label)) == key for label in self.source.texts.get(state, ()))
                ),
                None,
            )
            if code is None and (beyond := _BEYOND.get(key.lstrip("+-"))) is not None:
                code = self._side(-beyond if key.startswith("-") else beyond)
            if code is None:
                code = _NOTHING if is_no_value(text) else self._unnamed_code(text)
            codes.append(code)
        return codes

    def _side(self, number: float) -> int | None:
        """Return the state of a number that is beyond all limits; None if it has none."""
        sides = {
            _OPERATORS[one.operator](number, 0.0): index
            for index, state in enumerate(self._names)
            for one in self.source.thresholds.get(state, ())
        }
        return sides.get(np.True_)

    def _codes_of_numbers(self, numbers: NDArray[np.float64]) -> NDArray[np.int64]:
        found = np.empty(len(numbers), np.int64)
        different, where = np.unique(numbers, return_inverse=True)
        for place, number in enumerate(different.tolist()):
            code = next(
                (
                    index
                    for index, state in enumerate(self._names)
                    if any(_number(label) == number for label in self.source.texts.get(state, ()))
                ),
                None,
            )
            found[place] = self._unnamed_code(f"{number:.15g}") if code is None else code
        return found[where]

    def _unnamed_code(self, text: str) -> int:
        if text not in self._unnamed and len(self._unnamed) >= _MOST_UNNAMED:
            text = "another"
        return self._unnamed.setdefault(text, len(self._names) + len(self._unnamed))

    # --- units --------------------------------------------------------------------------------------------------

    def _shifts(self, cells: Cells) -> NDArray[np.int64] | int:
        """Return the powers of ten that bring numbers into the unit of the role."""
        powers = cell_powers(cells, self._unit, self._powers.setdefault(cells.table, []))
        if self._unit:
            return np.where(cells.unit >= 0, powers, self._power) if cells.unit.max(initial=-1) >= 0 else self._power
        self._prefixes.update(np.unique(powers[cells.unit >= 0]).tolist())
        if len(self._prefixes) > 1:
            raise CaptureError(
                f"the cells of column '{self._column.shown}' have several units, and role '{self.source.name}' has"
                ' none: write its limits or its unit with one, such as "< 3 V"',
                SourceLocation(self._path),
            )
        return self._power

    def _power_of(self, unit: str) -> int:
        power = power_of_unit(unit, self._unit)
        if power is None:
            raise CaptureError(
                f"column '{self._column.shown}' is in {unit}, and role '{self.source.name}' asks for {self._unit}:"
                " name another column, or write the unit of this one",
                SourceLocation(self._path),
            )
        return power

    # --- rows ---------------------------------------------------------------------------------------------------

    def _measure(self, time_ns: NDArray[np.int64]) -> None:
        self._first_ns.append(time_ns[: MEASURED_INTERVALS + 1].copy())

    def _begin(self) -> None:
        """Begin to keep rows, now that the usual time between cells is known."""
        first_ns = np.concatenate(self._first_ns) if self._first_ns else np.empty(0, np.int64)
        steps = np.diff(first_ns[: MEASURED_INTERVALS + 1])
        steps = steps[steps > 0]
        if len(steps):
            self.period_ns = int(np.median(steps))
        timeout_ns = self.source.timeout_ns
        # What may hide between two samples is told as that, and no silence.
        least_ns = NO_TIMEOUT if self.period_ns is None else CYCLES_PER_TIMEOUT * max(self.period_ns, _BUCKET_NS)
        timeout_ns = least_ns if timeout_ns is None else max(timeout_ns, least_ns)
        track = Track(
            name=self.source.name,
            message=self._message,
            signal=self._signal,
            timeout_ns=timeout_ns,
            shortest_ns=self._shortest_ns,
        )
        self._log = MessageHistory(self._message, [track], {})
        for time_ns, raw, segment in self._held:
            self._add(self._log, time_ns, raw, segment)
        self._held.clear()

    def _add(self, log: MessageHistory, time_ns: NDArray[np.int64], raw: NDArray[np.uint64], segment: int) -> None:
        if not self._names:
            time_ns, raw = _envelope(time_ns, raw)
        rows = _telling(time_ns, raw, min(log.lost_ns, log.timeouts_ns[0] or NO_TIMEOUT))
        log.begin_segment(segment)
        log.add_values(time_ns[rows], raw[rows])

    @property
    def news(self) -> ColumnNews | None:
        """What in the cells is new, so that the others need not be taken; None where that is not known yet, or few."""
        log = self._log
        if log is None or self.period_ns is None:
            return None
        # Rows in between are so close that no gap seems to be where none is, nor a state to hide.
        gap_ns = min(log.lost_ns, log.timeouts_ns[0] or NO_TIMEOUT, 2 * self._shortest_ns, QUIET_NS)
        beat_ns = gap_ns // 4
        if beat_ns < _DENSE * self.period_ns:
            return None
        if not self._names:
            return ColumnNews(beat_ns, _BUCKET_NS)
        scale = Fraction(10) ** -self._power
        limits = {
            in_parts(self._limit(one) * scale, is_in=one.operator in {"<=", ">"})
            for of in self.source.thresholds.values()
            for one in of
        }
        return ColumnNews(beat_ns, limits=tuple(sorted(limits)) if limits else None)

    def finish(self) -> MessageHistory:
        """Close the capture, and return what is kept as that of a message with one signal."""
        if self._log is None:
            self._begin()
        log = self._log
        assert log is not None  # noqa: S101 (begun right above)
        labels = {code: text for text, code in self._unnamed.items()} if self._names else {}
        log.tracks = tuple(replace(track, signal=replace(self._signal, labels=labels)) for track in log.tracks)
        log.finish()
        return log

    @property
    def moved_ns(self) -> int:
        """How far before or behind its time each value may have been read, ns."""
        return self._moved_ns or 0

    @property
    def _shortest_ns(self) -> int:
        """What cannot hide between two cells that are less apart by their times, ns."""
        return max(self.source.shortest_ns - 2 * self.moved_ns, 1)

    @property
    def never(self) -> list[str]:
        """The states that the column never had."""
        return [state for index, state in enumerate(self._names) if index not in self._had]

    @property
    def unnamed(self) -> list[str]:
        """The values that stand for no state."""
        return [text for text, code in self._unnamed.items() if code in self._odd and text != _BETWEEN]

    @property
    def states(self) -> dict[str, frozenset[int]]:
        """The codes of each state; empty for a number."""
        return {state: frozenset({index}) for index, state in enumerate(self._names)}


def _half_a_row(time_ns: NDArray[np.int64]) -> int:
    """Return how far off the middle between two rows a value may have been read, ns; 0 where rows come faster."""
    steps = np.diff(time_ns[: MEASURED_INTERVALS + 1])
    usual_ns = int(np.median(steps)) or int(steps.mean())  # stamps of whole seconds repeat
    if usual_ns < ONE_BY_ONE_NS:
        return 0
    return -(-max(int(steps[steps <= 2 * usual_ns].max()), usual_ns) // 2)


def cell_powers(cells: Cells, unit: str, known: list[int]) -> NDArray[np.int64]:
    """Return the power of ten of the unit in each cell in relation to another, or without one in relation to its own.

    Parameters
    ----------
    known
        Those of the texts so far; new ones are added.
    """
    for text in cells.texts[len(known) :]:
        own = text.split()[0]
        power = power_of_unit(own, unit) if unit else without_prefix(own)[1]
        known.append(power or 0)
    has_unit = cells.unit >= 0
    if not has_unit.any():
        return np.zeros(len(has_unit), np.int64)
    return np.where(has_unit, np.array(known, np.int64)[np.maximum(cells.unit, 0)], 0)


def is_no_value(text: str) -> bool:
    """Return whether a text says that there is no value.

    >>> is_no_value("---"), is_no_value("N/A"), is_no_value("On")
    (True, True, False)
    """
    key = _key(text)
    return key in _NO_VALUE or not any(map(str.isalnum, key))


def _key(text: str) -> str:
    return " ".join(text.split()).casefold()


def _telling(time_ns: NDArray[np.int64], raw: NDArray[np.uint64], gap_ns: int) -> NDArray[np.intp]:
    """Return the rows that a history needs: changes and gaps with the rows before them, the first and the last.

    Of the others as many stay as show that there was no gap.
    """
    told = np.zeros(len(time_ns), np.bool_)
    told[[0, -1]] = True
    beat = time_ns // max(gap_ns // 2, 1)
    new = np.flatnonzero((raw[1:] != raw[:-1]) | (np.diff(time_ns) >= gap_ns)) + 1
    told[1:] |= beat[1:] != beat[:-1]
    told[new] = told[new - 1] = True
    return np.flatnonzero(told)


def _envelope(time_ns: NDArray[np.int64], raw: NDArray[np.uint64]) -> tuple[NDArray[np.int64], NDArray[np.uint64]]:
    """Return fewer samples of a number that was sampled densely: in each bucket first, lowest, highest and last."""
    bucket = time_ns // _BUCKET_NS
    starts = np.flatnonzero(np.append(True, bucket[1:] != bucket[:-1]))
    if len(time_ns) < _DENSE * len(starts):
        return time_ns, raw
    value = raw.view(np.float64)
    number = np.cumsum(np.append(False, bucket[1:] != bucket[:-1]))
    told = np.isnan(value)
    told[starts] = told[np.append(starts[1:], len(value)) - 1] = True
    for extreme in (np.fmin.reduceat(value, starts), np.fmax.reduceat(value, starts)):
        places = np.flatnonzero(value == extreme[number])
        _, first = np.unique(number[places], return_index=True)
        told[places[first]] = True
    return time_ns[told], raw[told]
