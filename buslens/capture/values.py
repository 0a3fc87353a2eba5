"""Tables of values: a stamp and named columns of numbers or texts, as testers, meters and oscilloscopes save them.

``Time (s),Enable status,Supply voltage (V)`` in the first row, ``0.512,Off,12.4`` and the like below.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field
from fractions import Fraction
from math import ceil
from pathlib import Path
from typing import Any, Final, NamedTuple, cast

import numpy as np
from numpy.typing import NDArray

from buslens.capture import _scan_kernel as k
from buslens.capture import _values_kernel as kernel
from buslens.capture._values_kernel import EACH_VALUE, EMPTY, EXTREMES, PARTS, TEXT
from buslens.capture.file_kind import VALUES, exchanged
from buslens.capture.frames import ClockDiscontinuity, ReadStats, Skipped
from buslens.capture.open import STANDARD_INPUT, Capture, open_capture, require_file
from buslens.capture.pauses import ChannelTraffic
from buslens.capture.scan import KEPT_LINES, shown
from buslens.capture.stream import HEAD_BYTES, WINDOW_BYTES, line_blocks
from buslens.capture.table import stamp_slots
from buslens.capture.table_layout import UnclearLayoutError
from buslens.capture.table_settings import NOTHING_TOLD, TableSettings
from buslens.capture.text import Text, open_text
from buslens.capture.values_layout import ValueColumn, ValuesLayout, layout_of
from buslens.capture.values_rows import REWRITINGS, counted_samples, times_beside
from buslens.errors import CaptureError, SourceLocation, UsageError
from buslens.kernels import compiled, is_made
from buslens.units import NS_PER_DAY

FORMAT_NAME: Final = "table of values"
CHANNEL: Final = "table"
"""What stands for the channel of a table: all of its rows."""
_FIRST_LINES: Final = 400
"""Of a file, by which a table is told from a text with a table in it."""
_ROOM: Final = 1 << 18
"""Rows of a block, at most, and cells."""
_MOST_CELLS: Final = 1 << 20
_LANES: Final = 3
"""Windows that are read or handed on at the same time."""
_PLAIN_BYTES: Final = 2_500_000
"""So much is read by plain Python before the compiler is asked for."""
_COMPILING: Final = 4
"""So many times as much if its code has still to be made, which takes as long (measured: 10 s of processor)."""
_PACKING: Final = 4
"""Bytes of a trace for one that it was packed into, about."""
_EXACT: Final = 1 << 53
_MOST_POWER: Final = 22
"""Powers of ten up to this one are exact as floats."""
_MOST_LIMITS: Final = 15
"""Limits of a column between which numbers are alike; with more each number is new."""
_MOST_SEAMS: Final = 10_000
_REASONS: Final = {
    k.BAD_STAMP: "no time stamp, as the other rows have one",
    k.STAMP_RANGE: "the time stamp is beyond the year 2096",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class ValuesCapture:
    """A table of values that has been recognised."""

    path: str
    text: Text
    layout: ValuesLayout
    #: The columns that are read, in the order of those that were wanted.
    columns: tuple[ValueColumn, ...]

    @property
    def notes(self) -> tuple[str, ...]:
        """What a person should know of how it is read."""
        stamps = self.layout.stamps
        notes = (rewriting.note for rewriting in self.text.rewritings)
        return (f"read as a table of values: {stamps.words}", *notes, *stamps.notes, *self.text.form.notes)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Cells:
    """The cells of one column in a block of rows; valid while the block is."""

    #: int64[n]: the digits of a number as a whole number; index into `texts` of a text.
    digits: NDArray[np.int64]
    #: int64[n]: how many of the digits are decimals; `EMPTY` for an empty cell, `TEXT` for a text.
    places: NDArray[np.int64]
    #: int64[n]: index into `texts` of what stands behind a number, -1 for nothing.
    unit: NDArray[np.int64]
    #: The different texts so far, and which of several tables of them it is.
    texts: tuple[str, ...]
    table: int = 0

    @property
    def is_number(self) -> NDArray[np.bool_]:
        """Which cells hold a number."""
        found: NDArray[np.bool_] = self.places < EMPTY
        return found

    @property
    def is_filled(self) -> NDArray[np.bool_]:
        """Which cells are not empty."""
        found: NDArray[np.bool_] = self.places != EMPTY
        return found

    @property
    def is_text(self) -> NDArray[np.bool_]:
        """Which cells hold a text."""
        found: NDArray[np.bool_] = self.places == TEXT
        return found

    def numbers(self, powers: NDArray[np.int64] | int = 0) -> NDArray[np.float64]:
        """Return the numbers times ten to some powers, each as the float that is nearest; NaN where there is none."""
        places = self.places - powers
        is_number = self.is_number
        if is_number.all():
            return _numbers(self.digits, places)
        found = np.full(len(places), np.nan)
        found[is_number] = _numbers(self.digits[is_number], places[is_number])
        return found


class ColumnNews(NamedTuple):
    """What in a column is new: that a number comes to another side of a limit, another value, or an extreme."""

    #: After so long a row stays in any case, ns.
    beat_ns: int
    #: In each such time a number's lowest and highest stay, ns; 0: of what is no more than its states.
    bucket_ns: int = 0
    #: The least numbers that are not below a limit, in order; None: each value is new.
    limits: tuple[int, ...] | None = None

    def __or__(self, other: ColumnNews) -> ColumnNews:
        """Return what is new to one of two."""
        each = self.limits is None or other.limits is None
        limits = None if each else tuple(sorted({*(self.limits or ()), *(other.limits or ())}))
        bucket_ns = min(filter(None, (self.bucket_ns, other.bucket_ns)), default=0)
        return ColumnNews(min(self.beat_ns, other.beat_ns), bucket_ns, limits)


def in_parts(limit: Fraction, *, is_in: bool) -> int:
    """Return a limit for `ColumnNews`: the least number that is not below it, or above it if it `is_in` what is below.

    >>> in_parts(Fraction(3), is_in=False), in_parts(Fraction(3), is_in=True)
    (3000000000000, 3000000000001)
    """
    parts = limit * 10**PARTS
    return int(parts // 1) + 1 if is_in else ceil(parts)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ValuesBlock:
    """Some rows in order of time, within one segment."""

    #: int64[n], ns, on the axis of the capture.
    time_ns: NDArray[np.int64]
    cells: tuple[Cells, ...]
    #: Count of places before it where the clock ran back.
    segment: int = 0


def open_values(
    path: str | Path, wanted: Sequence[str | int], table: TableSettings = NOTHING_TOLD
) -> ValuesCapture | None:
    """Recognise a table of values, plain or packed; None if the file is none, or has none of the columns.

    Columns are wanted by header or by number from 1; none: whatever table it may be, with all of its columns.

    Raises
    ------
    CaptureError
        If it is one and does not say enough.
    OSError
        If the system refuses the file.
    """
    name = str(path)
    require_file(name)
    text = open_text(name, HEAD_BYTES)
    if text is None or exchanged(text.head, VALUES):
        return None
    for rewriting in REWRITINGS:
        if rewriting is not times_beside or table.column("time") is None:
            text = text.rewritten(rewriting(text.head, wanted))
    try:
        layout = layout_of(text.head, wanted, table, is_whole=text.is_whole)
        if layout is not None and not layout.stamps.form and (counting := counted_samples(layout)) is not None:
            text = text.rewritten(counting)
            layout = layout_of(text.head, wanted, table, is_whole=text.is_whole)
    except UnclearLayoutError as unclear:
        raise CaptureError(unclear.problem, SourceLocation(name)) from unclear
    if layout is None:
        return None
    if not layout.stamps.form:
        lines = [line for line in text.head.decode("latin-1").split("\n")[:_FIRST_LINES] if line.strip()]
        if 2 * sum(len(layout.cut.cells(line)) >= len(layout.columns) for line in lines) < len(lines):
            return None  # a text with a table in it
        raise CaptureError(
            "no column of this table holds times that run: export it with the time of each row, or name the column in a"
            " file with [table] and time = NUMBER, and give it as --table FILE.toml; where samples are equally far"
            " apart, a line such as 'Sample interval: 10 ms' above them will do",
            SourceLocation(name),
        )
    columns = tuple(dict.fromkeys(layout.found.values())) if wanted else tuple(layout.values())
    return ValuesCapture(path=name, text=text, layout=layout, columns=columns)


def open_frames(path: str | Path, table: TableSettings | str | Path | None, instead: str) -> Capture:
    """Recognise a log of frames, as `open_capture` does, and tell a table of values by itself.

    Raises UsageError if it is a table of values: it has no frames for what is asked, and what helps instead;
    CaptureError or OSError as from `open_capture`.
    """
    try:
        return open_capture(path, table=table)
    except CaptureError:
        if str(path) == STANDARD_INPUT or open_values(path, ()) is None:
            raise
        raise UsageError(f"{path} is a table of values, and has no frames {instead}") from None


def read_values(
    capture: ValuesCapture,
    take: Callable[[ValuesBlock], None],
    *,
    as_text: Sequence[bool],
    news: Callable[[], Sequence[ColumnNews] | None] = lambda: None,
    notify: Callable[[str], None] | None = None,
) -> ReadStats:
    """Hand on the rows of a table of values, in order of time, and return the account of its lines.

    Parameters
    ----------
    take : callable
        Takes a block of rows; what it is given is valid until it returns.
    as_text : sequence of bool
        By column: whether a cell is a text even where it looks like a number.
    news : callable, optional
        Returns what is new by column, as soon as that is known: rows with nothing new need not be handed on then.
    notify : callable, optional
        Is told, as one sentence, what takes a while.

    Raises
    ------
    CaptureError
        If not one row can be read, or a column has too many different texts.
    """
    return _Reader(capture, take, as_text, news, notify).read()


@dataclass(slots=True)
class _Account:
    skipped: list[Skipped] = field(default_factory=list)
    seams: list[ClockDiscontinuity] = field(default_factory=list)
    more_seams: int = 0
    first_ns: int | None = None
    last_ns: int | None = None
    #: Axis time minus recorded time.
    shift_ns: int = 0
    rows: int = 0
    #: Line ends passed, and lines that are longer than a window.
    lines: int = 0
    too_long: int = 0
    days: int = 0
    damage: str = ""


class _Lane:
    """One kernel with buffers of its own, that reads a window of whole lines while others are read or handed on."""

    def __init__(self, number: int, capture: ValuesCapture, as_text: Sequence[bool]) -> None:
        layout, columns = capture.layout, capture.columns
        self.number = number
        self.n = len(columns)
        self.state = np.zeros(kernel.VALUES_STATE_SIZE, np.int64)
        for slot, value in stamp_slots(layout.cut, layout.stamps).items():
            self.state[slot] = value
        self.state[k.KEEP] = KEPT_LINES
        self.state[k.ROOM] = room = max(min(_ROOM, _MOST_CELLS // max(self.n, 1)), 1)
        self.state[kernel.COLUMNS] = self.n
        self._role = [kernel.REMARK] * (layout.columns[-1].index + 2)
        for place, what in zip(layout.stamps.columns, (kernel.TIME, kernel.TIME_2), strict=False):
            self._role[place] = what
        for number_of, column in enumerate(columns):
            self._role[column.index] = kernel.FIRST + number_of
        self.state[kernel.LAST] = max(place for place, what in enumerate(self._role) if what)
        self._reads_text = [int(one) for one in as_text]
        self._texts = bytearray(kernel.MOST_TEXTS * kernel.TEXT_ROOM)
        self._latest = np.full(max(2 * self.n, 1), -1, np.int64)
        self._time, self._line = np.empty(room, np.int64), np.empty(room, np.int64)
        self._powers = np.array([10**power for power in range(19)], np.int64)
        self.state[kernel.LIMITS_ROOM] = 1 + _MOST_LIMITS
        self._limits = np.zeros(max(self.n, 1) * (1 + _MOST_LIMITS), np.int64)
        self._spans = np.zeros(4 * max(self.n, 1), np.int64)
        self._digits, self._places, self._unit = (np.empty(room * self.n, np.int64) for _ in range(3))
        self.buffer = bytearray(WINDOW_BYTES + k.PADDING)
        self._header = frozenset(line.strip().encode("latin-1") for line in layout.rows.preamble)
        self.texts: tuple[str, ...] = ()
        #: Broken lines of the window: line within it, what was wrong, and its beginning.
        self.skipped: list[Skipped] = []

    def plain(self) -> Callable[[int, int], int]:
        """Return the kernel as plain Python."""
        code = k.character_codes()
        state, latest, *numbers = (memoryview(it) for it in (self.state, self._latest, *self._numbers()))  # type: ignore[arg-type]
        columns = cast("Any", (self._role, self._reads_text, self._texts, latest, *numbers))

        def run(start: int, stop: int) -> int:
            return kernel.scan(self.buffer, start, stop, cast("Any", state), code, *columns)

        return run

    def compiled(self, twin: Callable[..., int]) -> Callable[[int, int], int]:
        """Return the kernel as compiled code."""
        text, texts = np.frombuffer(self.buffer, np.uint8), np.frombuffer(self._texts, np.uint8)
        code, role = np.array(k.character_codes(), np.int64), np.array(self._role, np.int64)
        reads_text = np.array([*self._reads_text, 0], np.int64)
        columns = (role, reads_text, texts, self._latest, *self._numbers())

        def run(start: int, stop: int) -> int:
            return twin(text, start, stop, self.state, code, *columns)

        return run

    def _numbers(self) -> tuple[NDArray[np.int64], ...]:
        filtering = (self._powers, self._limits, self._spans)
        return (*filtering, self._time, self._line, self._digits, self._places, self._unit)

    def keep_new(self, news: Sequence[ColumnNews]) -> None:
        """Pass over rows that have nothing new from the next window on."""
        self.state[kernel.BEAT] = min(it.beat_ns for it in news)
        self.state[kernel.BUCKET] = min((it.bucket_ns for it in news if it.bucket_ns), default=0)
        for limits, one in zip(self._limits.reshape(self.n, -1), news, strict=True):
            if one.bucket_ns:
                limits[0] = EXTREMES
            elif one.limits is None or len(one.limits) > _MOST_LIMITS:
                limits[0] = EACH_VALUE
            else:
                limits[: 1 + len(one.limits)] = len(one.limits), *one.limits

    def scan(self, run: Callable[[int, int], int], start: int, stop: int) -> list[_ScannedRows]:
        """Read the lines of the buffer from start to stop; all but the last of what is returned are copies."""
        self.skipped, found = [], []
        self.state[[k.LINES, kernel.ALIKE]] = 0
        self._spans.reshape(-1, 4)[:] = 1, 0, 1, 0  # nothing is alike yet
        while True:
            start = run(start, stop)
            if self.state[k.STOP] == k.BROKEN_LINE:
                self._skip(start)
                continue
            rows, is_last = self._rows(), self.state[k.STOP] == k.END
            found.append(rows if is_last else _ScannedRows(*(it.copy() for it in rows)))
            self.state[k.COUNT] = 0
            if is_last:
                break
        if len(self.texts) != self.state[kernel.TEXTS]:
            self.texts = self._all_texts()
        return found

    def _rows(self) -> _ScannedRows:
        count = int(self.state[k.COUNT])
        cells = (it[: count * self.n].reshape(-1, self.n) for it in (self._digits, self._places, self._unit))
        return _ScannedRows(self._time[:count], self._line[:count], *cells)

    def _skip(self, p: int) -> None:
        start = int(self.state[k.AT])
        line = int(self.state[k.LINES]) + (self.buffer[p - 1] != 0x0A)
        text = bytes(self.buffer[start : self.buffer.index(b"\n", start)])
        if text.strip() in self._header:  # some loggers write it again on each page
            self.state[k.BROKEN] -= 1
            self.state[k.OTHER] += 1
            return
        self.skipped.append(Skipped(line=line, reason=_REASONS[int(self.state[k.REASON])], text=shown(text)))

    def _all_texts(self) -> tuple[str, ...]:
        room = kernel.TEXT_ROOM
        found = []
        for index in range(int(self.state[kernel.TEXTS])):
            n = self._texts[index * room]
            found.append(bytes(self._texts[index * room + 1 : index * room + 1 + n]))
        return tuple(_decoded(text) for text in found)


class _ScannedRows(NamedTuple):
    """Rows as the kernel left them: times, lines of the window before each, and what `_values_kernel.scan` says."""

    time_ns: NDArray[np.int64]
    line: NDArray[np.int64]
    digits: NDArray[np.int64]
    places: NDArray[np.int64]
    unit: NDArray[np.int64]


class _Reader:
    """Reads windows of lines with several kernels side by side, and hands their rows on in the order of the file."""

    def __init__(
        self,
        capture: ValuesCapture,
        take: Callable[[ValuesBlock], None],
        as_text: Sequence[bool],
        news: Callable[[], Sequence[ColumnNews] | None],
        notify: Callable[[str], None] | None,
    ) -> None:
        self._capture, self._take, self._notify, self._as_text = capture, take, notify, as_text
        self._news = news
        self._account = _Account(lines=-sum(it.is_longer for it in capture.text.rewritings))
        self._traffic: ChannelTraffic | None = None
        self._wrap_ns = NS_PER_DAY if NS_PER_DAY in capture.layout.stamps.wraps else 0

    def read(self) -> ReadStats:
        """Read the table to its end."""
        text, is_plain = self._capture.text, True
        left = _PLAIN_BYTES * (1 if is_made(kernel.scan) else _COMPILING)
        is_small = text.size <= left and not text.is_packed
        if text.size > left // (_PACKING if text.is_packed else 1):
            left = 0
        lanes = [_Lane(number, self._capture, self._as_text) for number in range(1 if is_small else _LANES)]
        runs = [lane.plain() for lane in lanes]
        under_way: deque[tuple[_Lane, Future[list[_ScannedRows]]]] = deque()
        buffer = bytearray(WINDOW_BYTES + k.PADDING)
        left_out = self._capture.layout.n_before
        news = None
        with self._capture.text.stream() as stream, ThreadPoolExecutor(max(len(lanes) - 1, 1)) as threads:
            for number, window in enumerate(line_blocks(stream, buffer)):
                left -= window.stop
                if is_plain and left < 0:
                    is_plain = False
                    twin = cast("Callable[..., int] | None", compiled(kernel.scan, self._notify))
                    runs = runs if twin is None else [lane.compiled(twin) for lane in lanes]
                if len(under_way) == len(lanes):
                    self._hand_on(*under_way.popleft())
                lane, run = lanes[number % len(lanes)], runs[number % len(lanes)]
                start = 0
                while left_out and start < window.stop:
                    start = buffer.index(b"\n", start) + 1
                    self._account.lines += 1
                    left_out -= 1
                lane.buffer[: window.stop] = memoryview(buffer)[: window.stop]
                if window.is_too_long:
                    start = window.stop  # no line of a table is so long
                    self._account.lines += 1
                    self._account.too_long += 1
                news = self._news() if news is None else news
                if news is not None and not lane.state[kernel.BEAT]:
                    lane.keep_new(news)
                under_way.append((lane, threads.submit(lane.scan, run, start, window.stop)))
            while under_way:
                self._hand_on(*under_way.popleft())
            self._account.damage = stream.damage
        return self._stats(lanes)

    # --- blocks -------------------------------------------------------------------------------------------------

    def _hand_on(self, lane: _Lane, future: Future[list[_ScannedRows]]) -> None:
        """Pass on the rows of a window, cut where the clock ran back."""
        found = future.result()
        if lane.state[kernel.TOO_MANY]:
            raise CaptureError(
                f"its columns hold more than {kernel.MOST_TEXTS} different texts, as no states do: name the columns of"
                " the states",
                SourceLocation(self._capture.path),
            )
        account = self._account
        room = KEPT_LINES - len(account.skipped)
        account.skipped += [it._replace(line=it.line + account.lines) for it in lane.skipped[: max(room, 0)]]
        for rows in found:
            if not len(rows.time_ns):
                continue
            for begin, stop in self._segments(rows.time_ns, rows.line):
                self._pass_on(lane, _ScannedRows(*(it[begin:stop] for it in rows)))
            account.rows += len(rows.time_ns)
            if self._traffic is None:
                account.first_ns = int(rows.time_ns[0])
                self._traffic = ChannelTraffic(account.first_ns, account.first_ns, 0, 1)
            self._traffic.add(rows.time_ns, np.zeros(len(rows.time_ns), np.int64))
        passed = int(lane.state[kernel.ALIKE])
        account.rows += passed
        if self._traffic is not None:
            self._traffic.frames += passed
        account.lines += int(lane.state[k.LINES])

    def _segments(self, time_ns: NDArray[np.int64], line: NDArray[np.int64]) -> Iterator[tuple[int, int]]:
        """Bring times onto the axis, in place, and yield the rows of each segment."""
        account = self._account
        begin = 0
        time_ns += account.shift_ns
        falls = np.flatnonzero(np.diff(time_ns) < 0) + 1
        last_ns = account.last_ns
        if last_ns is not None and time_ns[0] < last_ns:
            falls = np.append(0, falls)
        for place in falls.tolist():
            before_ns = int(time_ns[place - 1]) if place else cast("int", last_ns)
            back_ns = before_ns - int(time_ns[place])
            if self._wrap_ns and 2 * back_ns > self._wrap_ns:
                step_ns = self._wrap_ns
                account.days += 1
            else:
                step_ns = back_ns + 1
                if place > begin:
                    yield begin, place
                    account.last_ns = before_ns
                begin = place
                self._note_seam(before_ns + 1, back_ns, int(line[place]))
            time_ns[place:] += step_ns
            account.shift_ns += step_ns
        yield begin, len(time_ns)
        account.last_ns = int(time_ns[-1])

    def _note_seam(self, at_ns: int, back_ns: int, before: int) -> None:
        if len(self._account.seams) < _MOST_SEAMS:
            line = self._account.lines + before + 1
            self._account.seams.append(ClockDiscontinuity(time_ns=at_ns, line=line, back_ns=back_ns))
        else:
            self._account.more_seams += 1

    def _pass_on(self, lane: _Lane, rows: _ScannedRows) -> None:
        cells = tuple(
            Cells(
                digits=rows.digits[:, one],
                places=rows.places[:, one],
                unit=rows.unit[:, one],
                texts=lane.texts,
                table=lane.number,
            )
            for one in range(lane.n)
        )
        segment = len(self._account.seams) + self._account.more_seams
        self._take(ValuesBlock(time_ns=rows.time_ns, cells=cells, segment=segment))

    def _stats(self, lanes: Sequence[_Lane]) -> ReadStats:
        account, capture = self._account, self._capture
        if not account.rows:
            first = f"; the first is '{account.skipped[0].text}'" if account.skipped else ""
            raise CaptureError(f"no row of this table could be read{first}", SourceLocation(capture.path))
        pauses = {}
        if self._traffic is not None and account.first_ns is not None and account.last_ns is not None:
            pauses = {CHANNEL: tuple(self._traffic.pauses(account.first_ns, account.last_ns))}
        notes = list(capture.notes)
        if account.days:
            notes.append("the time of day began anew at midnight, and was continued")
        if account.damage:
            notes.append(f"the table ends early: {account.damage}")
        return ReadStats(
            format=FORMAT_NAME,
            counted="row",
            clock=capture.layout.stamps.clock,
            frames=account.rows,
            other_lines=capture.layout.n_before + sum(int(lane.state[k.OTHER]) for lane in lanes),
            broken=account.too_long + sum(int(lane.state[k.BROKEN]) for lane in lanes),
            skipped=account.skipped,
            discontinuities=account.seams,
            unlisted_discontinuities=account.more_seams,
            resolution_ns=capture.layout.stamps.resolution_ns,
            first_ns=account.first_ns,
            last_ns=account.last_ns,
            channels=(CHANNEL,),
            pauses=pauses,
            notes=notes,
        )


def _decoded(text: bytes) -> str:
    try:
        return text.decode("utf-8")
    except UnicodeDecodeError:
        return text.decode("latin-1")


def _numbers(digits: NDArray[np.int64], places: NDArray[np.int64]) -> NDArray[np.float64]:
    """Return the floats that are nearest to decimal numbers."""
    value = digits.astype(np.float64)
    if not len(digits):
        return value
    least, most = int(places.min()), int(places.max())
    if least == most and 0 <= least <= _MOST_POWER:
        value /= 10.0**least
    else:
        power = 10.0 ** np.minimum(np.abs(places), _MOST_POWER).astype(np.float64)
        value = np.where(places >= 0, value / power, value * power)
    # With more digits, or further from the point, two roundings would follow each other.
    for place in np.flatnonzero((np.abs(digits) > _EXACT) | (np.abs(places) > _MOST_POWER)).tolist():
        value[place] = float(f"{digits[place]}e{-places[place]}")
    return value
