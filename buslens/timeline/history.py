"""Store only value changes and gaps of a capture, however long it is.

Of every message that a role needs, the recorder keeps the time of its last frame; of every signal, a row for each
frame that first shows a new value, and for each first frame after a silence. All of it is done on columns; a capture
in which nothing happens costs a few rows.
"""

from __future__ import annotations

import copy
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace
from functools import reduce
from operator import or_
from typing import Any, Final, NamedTuple, cast

import numpy as np
from numpy.typing import NDArray

from buslens.capture.frames import Flag, Frames
from buslens.capture.pauses import LEAST_PAUSE_NS
from buslens.definitions.model import EVERY_BIT, Message, Signal, ValueType
from buslens.definitions.unpack import PlainField, carries, plain_field, raw_values
from buslens.dialogue.collect import Collection
from buslens.dialogue.pairs import GivenPair
from buslens.kernels import compiled
from buslens.timeline import _rows_kernel as kernel
from buslens.timeline.growing import GrowingColumn, short_times

NO_FRAME_NS: Final = -(2**63)
"""Stands for a frame that there was not: no time of a capture is so early."""

MEASURED_INTERVALS: Final = 200
"""How many intervals between frames a cycle time is measured from: seconds of a cyclic message."""

CYCLES_PER_TIMEOUT: Final = 3
"""Cycle times of silence after which a message has stopped (common practice, no source)."""

LOST_CYCLES: Final = 1.5
"""Cycle times without a frame after which one has been lost."""

BEAT_PARTS: Final = 10
"""A frame is on the beat if it is no further off than its cycle divided by this (common practice, no source)."""

BEATS_KEPT: Final = 8
"""Frames before a change by which it is told whether the frame that shows it is on their beat."""

LEAST_CYCLIC: Final = 4
"""Intervals from which it can be told whether frames are cyclic."""

NO_TIMEOUT: Final = 2**62
"""Stands for a silence that never makes a track unknown, ns."""

PLAIN_FROM: Final = 20_000
"""Frames from which on further ones are taken by compiled code where nothing is out of the ordinary."""
_HELD_ROWS: Final = 1 << 18
"""Room for rows of all tracks together that are held back."""
_NO_FIELD: Final = PlainField(0, 0, 0, 0, 0)
_ADDRESS: Final = 0xFF
"""Bits of a 29-bit identifier that hold a J1939 source address."""
_DATA_ONLY: Final = np.uint16(Flag.EXTENDED | Flag.REMOTE | Flag.ERROR)


@dataclass(frozen=True, slots=True, kw_only=True)
class Track:
    """One thing to follow through a capture."""

    #: Name under which the timeline is kept.
    name: str
    message: Message
    #: None to follow the mere presence of the message.
    signal: Signal | None
    #: Longest silence of the message, ns, or `NO_TIMEOUT`; None: to be measured from the capture.
    timeout_ns: int | None
    #: Other channels on which the definitions know a message of that name, and on which it is not followed.
    ignored_channels: tuple[str, ...] = ()
    #: The only channel, and the only J1939 source address, that it is followed on; None for any.
    channel: str | None = None
    address: int | None = None
    #: Whether its unit also sends as soon as the signal changes, so that it counts which frames are on the beat.
    is_on_change: bool = False
    #: Shortest time that one of its states lasts, ns, where that is known: a row is kept behind each longer interval.
    shortest_ns: int | None = None


class CycleEstimator:
    """The first intervals between frames, as many as a cycle time is measured from."""

    def __init__(self) -> None:
        self._parts: list[NDArray[np.int64]] = []
        self._from_ns = NO_FRAME_NS
        self.count = 0

    @property
    def period_ns(self) -> int | None:
        """Median of the intervals, ns; None before the second frame."""
        return int(np.median(np.concatenate(self._parts))) if self.count else None

    @property
    def intervals_ns(self) -> NDArray[np.int64]:
        """The intervals, ns."""
        return np.concatenate([np.empty(0, np.int64), *self._parts])

    @property
    def beat_ns(self) -> int | None:
        """Cycle of frames that are cyclic but for some others and some lost ones, ns; None if they are not."""
        if self.count < LEAST_CYCLIC:
            return None
        intervals_ns = np.concatenate(self._parts)
        # Not the median, for many may be lost; nor the least, for some are sent in between.
        base_ns = max(int(np.percentile(intervals_ns, 25)), 1)
        cycles = np.maximum(np.rint(intervals_ns / base_ns), 1)
        is_near = np.abs(intervals_ns - cycles * base_ns) * BEAT_PARTS <= base_ns * cycles
        if 2 * is_near.sum() <= len(intervals_ns):
            return None
        return int(np.median((intervals_ns / cycles)[is_near]))

    def add(self, time_ns: NDArray[np.int64], *, starts_segment: bool) -> None:
        """Count frames, in order of time; from a discontinuity to the first of them is no interval."""
        if not len(time_ns) or self.count >= MEASURED_INTERVALS:
            return
        if not starts_segment and self._from_ns != NO_FRAME_NS:
            time_ns = np.append(self._from_ns, time_ns)
        self._keep(np.diff(time_ns[: MEASURED_INTERVALS + 1]))
        self._from_ns = int(time_ns[-1])

    def merge(self, later: CycleEstimator, first_ns: int, *, starts_segment: bool) -> None:
        """Append the intervals of frames right behind, of which the first came at `first_ns`."""
        self.add(np.array([first_ns]), starts_segment=starts_segment)
        for part in later._parts:
            self._keep(part)
        self._from_ns = later._from_ns

    def _keep(self, intervals_ns: NDArray[np.int64]) -> None:
        kept = intervals_ns[: MEASURED_INTERVALS - self.count]
        if len(kept):
            self._parts.append(kept)
            self.count += len(kept)


@dataclass(slots=True, kw_only=True)
class TrackHistory:
    """What is kept of one track: columns with an element for each row, and what else is known of it.

    The first row is that of the first frame that carried the signal.
    """

    time_ns: GrowingColumn = field(default_factory=GrowingColumn)
    #: How long before the row the frame before came that carried the signal, ns; 0 in the first row.
    gap_ns: GrowingColumn = field(default_factory=lambda: GrowingColumn(np.uint32))
    #: Raw values, as so many bits as the signal takes, or the next power of two.
    bits: GrowingColumn = field(default_factory=lambda: GrowingColumn(np.uint64))
    #: Rows at or before which a silence ended, and the last frame of the message before each.
    silent_rows: GrowingColumn = field(default_factory=GrowingColumn)
    silent_from_ns: GrowingColumn = field(default_factory=GrowingColumn)
    #: First and last frame that carried the signal, or `NO_FRAME_NS`.
    first_ns: int = NO_FRAME_NS
    last_ns: int = NO_FRAME_NS
    last_bits: int = 0
    #: If sent on change, for each row the `BEATS_KEPT` frames before it that carried the signal, or `NO_FRAME_NS`.
    beats_ns: list[NDArray[np.int64]] | None = None
    #: The same for the next frame.
    latest_ns: NDArray[np.int64] = field(default_factory=lambda: np.full(BEATS_KEPT, NO_FRAME_NS))
    #: Of the frames that carried the signal.
    cadence: CycleEstimator = field(default_factory=CycleEstimator)
    #: Last frame of the message before a silence after which the signal has not come again, or `NO_FRAME_NS`.
    open_gap_ns: int = NO_FRAME_NS
    #: Whether the next row is kept even if nothing changed: a clock discontinuity lies before it.
    after_discontinuity: bool = False

    def __len__(self) -> int:
        return len(self.time_ns)

    def append(
        self,
        time_ns: NDArray[np.int64],
        gap_ns: NDArray[Any],
        bits: NDArray[Any],
        silent_rows: NDArray[np.intp],
        silent_from_ns: NDArray[np.int64],
    ) -> None:
        """Keep rows that are later than all that stand; silences by the number of their row among the new ones."""
        if len(silent_rows):
            self.silent_rows.extend(silent_rows.astype(np.int64) + len(self))
            self.silent_from_ns.extend(silent_from_ns)
        self.time_ns.extend(time_ns)
        self.gap_ns.extend(gap_ns)
        self.bits.extend(bits)

    def since_ns(self, rows: NDArray[np.intp] | None = None) -> NDArray[np.int64]:
        """Return of some rows, or of all, the frame before that carried the signal; `NO_FRAME_NS` in the first."""
        time_ns, gap_ns = self.time_ns.joined(), self.gap_ns.joined()
        if rows is None:
            since_ns: NDArray[np.int64] = time_ns - gap_ns
            since_ns[:1] = NO_FRAME_NS
            return since_ns
        return np.where(rows == 0, NO_FRAME_NS, time_ns[rows] - gap_ns[rows])


@dataclass(slots=True, kw_only=True)
class _MessageBatch:
    """The frames of one message in one run: their times, and per track which carried it and with what."""

    time_ns: NDArray[np.int64]
    #: Which of the frames; None: all of them.
    carried: list[NDArray[np.intp] | None]
    #: As `TrackHistory.bits`.
    bits: list[NDArray[Any]]
    starts_segment: bool


class MessageSender(NamedTuple):
    """Where a message comes from."""

    #: As recorded.
    channel: str
    #: J1939 source address; None for what has none.
    address: int | None


def _part(run: _MessageBatch, mask: NDArray[np.bool_]) -> _MessageBatch:
    """Return some of the frames of a run."""
    place = np.cumsum(mask) - 1
    carried: list[NDArray[np.intp] | None] = []
    bits = []
    for rows, of in zip(run.carried, run.bits, strict=True):
        kept = mask if rows is None else mask[rows]
        carried.append(None if rows is None else place[rows[kept]])
        bits.append(of[kept])
    return _MessageBatch(time_ns=run.time_ns[mask], carried=carried, bits=bits, starts_segment=run.starts_segment)


class MessageHistory:
    """What is kept of one message and of the tracks on it."""

    def __init__(self, message: Message, tracks: Iterable[Track], renamed: Mapping[str, str]) -> None:
        self.message = message
        #: Channel as recorded -> as the definitions call it, where the two differ.
        self.channel_aliases = renamed
        self.tracks = tuple(tracks)
        self.rows = tuple(TrackHistory(beats_ns=[] if track.is_on_change else None) for track in self.tracks)
        self.frames = 0
        self.first_ns = NO_FRAME_NS
        self.last_ns = NO_FRAME_NS
        self.channels: set[str] = set()
        #: Identifiers that came, of a message that several stand for.
        self.ids: set[int] = set()
        self.timeouts_ns = [track.timeout_ns for track in self.tracks]
        #: A row is kept behind each interval that is longer, ns: it may span a pause of the recording.
        self.lost_ns = _lost_ns(message, self.tracks)
        self._segment = 0
        #: Whether a clock discontinuity lies between the last frame and the next.
        self._after_discontinuity = False
        self._cadence = CycleEstimator()
        self._unmeasured: list[_MessageBatch] | None = [] if None in self.timeouts_ns else None
        fields = [_plain_fields(it.signal, message) for it in self.tracks]
        is_one = message.id_mask == EVERY_BIT
        #: Where each track and its selector stand in a payload, if all of them stand in plain places.
        self._fields = [it for it in fields if it is not None] if is_one and None not in fields else None
        #: What each channel and source sent, where there are several; else the one there is, and None.
        self.senders: dict[MessageSender, MessageHistory | None] = {}

    @property
    def must_measure(self) -> bool:
        """Whether a cycle time is still to be measured."""
        return None in self.timeouts_ns or any(log is not None and log.must_measure for log in self.senders.values())

    @property
    def period_ns(self) -> int | None:
        """Median of the first intervals between frames, ns; None before the second frame."""
        return self._cadence.period_ns

    @property
    def intervals_ns(self) -> NDArray[np.int64]:
        """The first intervals between frames, ns."""
        return self._cadence.intervals_ns

    def add(self, frames: Frames) -> None:
        """Take the message's frames out of a run of frames."""
        self.begin_segment(frames.segment)
        rows = np.flatnonzero(self._same_id(frames.can_id))
        kind = np.uint16(Flag.EXTENDED if self.message.is_extended else 0)
        is_data = (frames.flags[rows] & _DATA_ONLY) == kind
        rows = rows if is_data.all() else rows[is_data]
        tied, address = self._tied_to(frames.channels), self.tracks[0].address
        if tied is not None:
            rows = rows[np.isin(frames.channel[rows], tied)]
        if address is not None:
            rows = rows[(frames.can_id[rows] & np.uint32(_ADDRESS)) == address]
        if not len(rows):
            return
        if self.message.id_mask != EVERY_BIT:
            self.ids.update(np.unique(frames.can_id[rows]).tolist())
        # What is read of them more than once stands together.
        own = replace(
            frames,
            time_ns=frames.time_ns[rows],
            channel=frames.channel[rows],
            length=frames.length[rows],
            word=frames.word[rows],
        )
        carried: list[NDArray[np.intp] | None] = []
        bits: list[NDArray[Any]] = []
        for track in self.tracks:
            if track.signal is None:
                carried.append(None)
                bits.append(np.zeros(len(rows), _bits_type(None)))
                continue
            mask = carries(own, slice(None), track.signal, self.message)
            kept = None if mask.all() else np.flatnonzero(mask)
            carried.append(kept)
            raw = raw_values(own, slice(None) if kept is None else kept, track.signal)
            bits.append(raw.view(np.uint64).astype(_bits_type(track.signal), copy=False))
        run = _MessageBatch(time_ns=own.time_ns, carried=carried, bits=bits, starts_segment=False)
        self._take_apart(run, own, frames.can_id[rows] if self._by_address else None)
        self.take_run(run)

    def plain_slots(self, frames: Frames, first: int) -> tuple[list[int], list[list[int]]] | None:
        """Return the slots of the message and of its tracks, from number `first` on, for `_rows_kernel`.

        None unless the message has one sender, whose last frame carried every track, and its cycle has been measured.
        """
        fields, tied = self._fields, self._tied_to(frames.channels)
        if fields is None or self._by_address or self._unmeasured is not None:
            return None
        if self._after_discontinuity or frames.segment != self._segment:
            return None
        if len(self.senders) != 1 or self.tracks[0].address is not None:
            return None
        label = next(iter(self.senders)).channel
        channel = frames.channels.index(label) if label in frames.channels else -1
        if tied not in (None, [channel]) or not all(map(self._is_plain, self.rows, fields)):
            return None
        words = {it.own.word for it in fields if it.own.mask}
        is_in_one = len(words) == 1 and not any(it.selector.mask for it in fields)
        slots = [
            self.message.key | int(self.message.is_extended) << 29,
            channel,
            int(tied is not None),
            max(it.last_byte for it in fields),
            min(NO_TIMEOUT if it is None else it for it in self.timeouts_ns),
            self.lost_ns,
            first,
            first + len(fields),
            self.last_ns,
            0,
            words.pop() if is_in_one else -1,
            reduce(or_, (it.own.bits for it in fields)),
            0,
        ]
        tracks = [
            [*it.own, *it.selector, it.value, rows.last_bits, rows.last_ns, 0]
            for it, rows in zip(fields, self.rows, strict=True)
        ]
        return slots, tracks

    def _is_plain(self, rows: TrackHistory, fields: _PlainFields) -> bool:
        """Return whether the last frame carried a track, or another was selected, and nothing else need be kept."""
        is_open = rows.after_discontinuity or rows.open_gap_ns != NO_FRAME_NS or rows.last_ns == NO_FRAME_NS
        is_open |= rows.last_ns != self.last_ns and not fields.selector.mask
        return not is_open and rows.beats_ns is None and rows.cadence.count >= MEASURED_INTERVALS

    def take_plain(self, slots: list[int], tracks: list[list[int]], found: NDArray[np.int64]) -> None:
        """Take frames by what `_rows_kernel` made of the slots, and found of all tracks: times, gaps, bits."""
        none = np.empty(0, np.int64)
        self.last_ns = slots[kernel.BEFORE]
        self.frames += slots[kernel.TAKEN]
        for number, (track, rows) in enumerate(zip(self.tracks, self.rows, strict=True), slots[kernel.TRACKS]):
            mine = tracks[number]
            rows.last_ns = mine[kernel.CARRIED] if mine[kernel.SELECTOR + kernel.MASK] else self.last_ns
            if kept := mine[kernel.ROWS]:
                time_ns, gap_ns, bits = found[:, number, :kept]
                rows.append(time_ns, short_times(gap_ns), bits.astype(_bits_type(track.signal)), none, none)
                rows.last_bits = mine[kernel.BITS]

    def _tied_to(self, channels: tuple[str, ...]) -> list[int] | None:
        """Return on which of some channels, as recorded, the message is followed; None: on each."""
        found = list(range(len(channels)))
        only = self.tracks[0].channel
        if self.message.channel is None and only is None:
            return None
        names = [self.channel_aliases.get(label, label) for label in channels]
        if self.message.channel is not None:
            found = [it for it in found if names[it] == self.message.channel]
        if only is not None:
            found = [it for it in found if only in {channels[it], names[it]}]
        return found

    def add_values(self, time_ns: NDArray[np.int64], raw: NDArray[np.uint64]) -> None:
        """Add values of the only track as if each had come in a frame of its own; times in order."""
        self.take_run(_MessageBatch(time_ns=time_ns, carried=[None], bits=[raw], starts_segment=False))

    def begin_segment(self, segment: int) -> None:
        """Note the segment of what comes next."""
        self._after_discontinuity |= segment != self._segment
        self._segment = segment
        for log in self.senders.values():
            if log is not None:
                log.begin_segment(segment)

    def take_run(self, run: _MessageBatch) -> None:
        """Take the message's frames of one run."""
        starts_segment, self._after_discontinuity = self._after_discontinuity, False
        self._accept(replace(run, starts_segment=starts_segment))

    @property
    def _by_address(self) -> bool:
        """Whether senders on one channel are told by their J1939 source addresses."""
        return self.message.is_j1939 and not self.message.id_mask & _ADDRESS

    def _take_apart(self, run: _MessageBatch, own: Frames, can_id: NDArray[np.uint32] | None) -> None:
        """Let each sender have what it sent, as soon as there are several; `own` are the frames of the message."""
        numbers = own.channel.astype(np.uint32)
        if can_id is not None:
            numbers = numbers << np.uint32(8) | can_id & np.uint32(_ADDRESS)
        shift = 0 if can_id is None else 8
        # Mostly there is one sender only.
        for number in numbers[:1] if (numbers == numbers[0]).all() else np.unique(numbers):
            channel = own.channels[number >> shift]
            self.channels.add(channel)
            sender = MessageSender(channel, None if can_id is None else int(number & _ADDRESS))
            if sender in self.senders:
                continue
            self._distinguish()
            self.senders[sender] = self._blank(sender) if self.senders else None
        for sender, log in self.senders.items():
            if log is not None and sender.channel in own.channels:
                is_mine = numbers == (own.channels.index(sender.channel) << shift | (sender.address or 0))
                if is_mine.any():
                    log.take_run(_part(run, is_mine))

    def _distinguish(self) -> None:
        """Give the one sender that there was so far a log of its own."""
        for sender, log in self.senders.items():
            if log is None:
                self.senders[sender] = self._twin(sender)

    def _blank(self, sender: MessageSender) -> MessageHistory:
        log = MessageHistory(self.message, self.tracks, self.channel_aliases)
        log._segment, log.channels = self._segment, {sender.channel}
        return log

    def _twin(self, sender: MessageSender) -> MessageHistory:
        shared = (self.message, self.tracks, self.channel_aliases)
        log = copy.copy(self)
        log.senders, log.channels = {}, {sender.channel}
        return copy.deepcopy(log, {id(it): it for it in shared})

    def _same_id(self, can_id: NDArray[np.uint32]) -> NDArray[np.bool_]:
        """Return which identifiers are the message's, their width apart."""
        mask = self.message.id_mask
        # An operation less for nearly all messages there are.
        bits = can_id if mask == EVERY_BIT else can_id & np.uint32(mask)
        return np.asarray(bits == np.uint32(self.message.key))

    def finish(self) -> None:
        """Check what was held back because the cycle time had not been measured yet."""
        for log in self.senders.values():
            if log is not None:
                log.finish()
        self._measure()

    def _measure(self) -> None:
        if self._unmeasured is not None:
            held, self._unmeasured = self._unmeasured, None
            period = self.period_ns
            measured = None if period is None else CYCLES_PER_TIMEOUT * period
            self.timeouts_ns = [measured if limit is None else limit for limit in self.timeouts_ns]
            for run in held:
                self._process(run)

    def merge(self, later: MessageHistory) -> None:
        """Append what another log saw of the time right behind this one; all timeouts have to be known."""
        if later.first_ns == NO_FRAME_NS:
            return
        self._join_senders(later)
        self.channels |= later.channels
        self.ids |= later.ids
        starts_segment, self._after_discontinuity = self._after_discontinuity, False
        self._cadence.merge(later._cadence, later.first_ns, starts_segment=starts_segment)
        for rows, new, timeout in zip(self.rows, later.rows, self.timeouts_ns, strict=True):
            rows.after_discontinuity |= starts_segment
            _join_rows(rows, new, self._gap_from(later.first_ns, timeout))
        if self.first_ns == NO_FRAME_NS:
            self.first_ns = later.first_ns
        self.last_ns = later.last_ns
        self.frames += later.frames

    def _join_senders(self, later: MessageHistory) -> None:
        if len(self.senders.keys() | later.senders.keys()) > 1:
            self._distinguish()
        for sender, log in later.senders.items():
            mine = self.senders.get(sender)
            if mine is not None:
                mine.merge(log or later)
            elif sender not in self.senders:
                self.senders[sender] = (log or later._twin(sender)) if self.senders else log

    def _gap_from(self, time_ns: int, timeout_ns: int | None) -> int:
        silent = self.last_ns != NO_FRAME_NS and timeout_ns is not None and time_ns - self.last_ns > timeout_ns
        return self.last_ns if silent else NO_FRAME_NS

    def _accept(self, run: _MessageBatch) -> None:
        self._cadence.add(run.time_ns, starts_segment=run.starts_segment)
        if self._unmeasured is None:
            self._process(run)
            return
        self._unmeasured.append(run)
        if self._cadence.count >= MEASURED_INTERVALS:
            self._measure()

    def _process(self, run: _MessageBatch) -> None:
        times = run.time_ns
        before = self.last_ns
        gaps_ns = np.empty(len(times), np.int64)
        np.subtract(times[1:], times[:-1], out=gaps_ns[1:])
        gaps_ns[0] = 0 if before == NO_FRAME_NS else int(times[0]) - before
        longest_ns = int(gaps_ns.max())
        for index, (rows, timeout) in enumerate(zip(self.rows, self.timeouts_ns, strict=True)):
            rows.after_discontinuity |= run.starts_segment
            silent = np.empty(0, np.intp)
            if timeout is not None and longest_ns > timeout:
                silent = np.flatnonzero(gaps_ns > timeout)
            _add_rows(rows, times, gaps_ns, run.carried[index], run.bits[index], silent, before, self.lost_ns)
        if self.first_ns == NO_FRAME_NS:
            self.first_ns = int(times[0])
        self.last_ns = int(times[-1])
        self.frames += len(times)


class _PlainFields(NamedTuple):
    """Where a track stands in a payload."""

    own: PlainField
    #: What selects it, and with which value; the mask is 0 where nothing does.
    selector: PlainField
    value: int
    #: Last byte of both.
    last_byte: int = -1


def _plain_fields(signal: Signal | None, message: Message) -> _PlainFields | None:
    """Return where a signal and its selector stand; None unless both are plain, and one value selects it."""
    if signal is None:
        return _PlainFields(_NO_FIELD, _NO_FIELD, 0)
    own, selection = plain_field(signal), signal.selection
    if own is None or selection is None:
        return own and _PlainFields(own, _NO_FIELD, 0, signal.last_byte)
    selector = message.signal(selection.selector)
    field_, values = plain_field(selector), {it for ends in selection.ranges for it in ends}
    is_plain = selector.selection is None and selector.kind is ValueType.UNSIGNED and len(values) == 1
    if field_ is None or not is_plain:
        return None
    return _PlainFields(own, field_, values.pop(), max(signal.last_byte, selector.last_byte))


def _bits_type(signal: Signal | None) -> type[np.unsignedinteger[Any]]:
    """Return what the raw values of a signal are kept as: values of floats are kept in 64 bits, however sent."""
    if signal is None:
        return np.uint8
    if signal.kind is ValueType.FLOAT:
        return np.uint64
    for kept, bits in ((np.uint8, 8), (np.uint16, 16), (np.uint32, 32)):
        if signal.length <= bits:
            return kept
    return np.uint64


def _lost_ns(message: Message, tracks: Iterable[Track]) -> int:
    """Return the time between two frames that none of them was lost within, ns; it need be no shorter than a pause.

    It is shorter where a state of a track is, which could then hide between the two.
    """
    cycle_ns = 0 if message.cycle_ns is None else int(LOST_CYCLES * message.cycle_ns)
    shortest_ns = min((it.shortest_ns for it in tracks if it.shortest_ns is not None), default=NO_TIMEOUT)
    return min(max(LEAST_PAUSE_NS, cycle_ns), shortest_ns - 1)


def _add_rows(
    rows: TrackHistory,
    times: NDArray[np.int64],
    gaps_ns: NDArray[np.int64],
    carried: NDArray[np.intp] | None,
    bits: NDArray[Any],
    silent: NDArray[np.intp],
    before_ns: int,
    lost_ns: int,
) -> None:
    """Keep the rows of one track that show something new, or have had none before them for so long as `lost_ns`.

    `gaps_ns` is how long before each of `times` the message's frame before came; `carried` indexes the frames that
    carried the signal, None for all; `silent` those that ended a silence; `before_ns` is the message's last frame
    before this run, or `NO_FRAME_NS`.
    """
    seen = times if carried is None else times[carried]
    if len(seen):
        gaps_ns = gaps_ns if carried is None else np.diff(seen, prepend=seen[0])
        first_gap_ns = 0 if rows.last_ns == NO_FRAME_NS else int(seen[0]) - rows.last_ns
        new = np.empty(len(seen), np.bool_)
        np.greater(gaps_ns, lost_ns, out=new)
        new[1:] |= bits[1:] != bits[:-1]
        is_first = rows.last_ns == NO_FRAME_NS or rows.after_discontinuity
        new[0] = is_first or int(bits[0]) != rows.last_bits or first_gap_ns > lost_ns
        silent_at, silent_from = _silences_at(rows, times, carried, silent, before_ns)
        new[silent_at] = True
        kept = np.flatnonzero(new)
        if len(kept):
            kept_ns = gaps_ns[kept]
            if kept[0] == 0:
                kept_ns[0] = first_gap_ns
            rows.append(seen[kept], short_times(kept_ns), bits[kept], np.searchsorted(kept, silent_at), silent_from)
        if rows.beats_ns is not None:
            beats = np.concatenate((rows.latest_ns, seen))
            rows.beats_ns.append(np.lib.stride_tricks.sliding_window_view(beats, BEATS_KEPT)[:-1][kept])
            rows.latest_ns = beats[-BEATS_KEPT:]
        rows.cadence.add(seen, starts_segment=rows.after_discontinuity)
        if rows.first_ns == NO_FRAME_NS:
            rows.first_ns = int(seen[0])
        rows.last_ns, rows.last_bits = int(seen[-1]), int(bits[-1])
        rows.open_gap_ns, rows.after_discontinuity = NO_FRAME_NS, False
    if carried is None:
        return
    later = silent[silent > (carried[-1] if len(carried) else -1)]
    if len(later) and rows.open_gap_ns == NO_FRAME_NS:
        rows.open_gap_ns = int(times[later[0] - 1]) if later[0] > 0 else before_ns


def _silences_at(
    rows: TrackHistory,
    times: NDArray[np.int64],
    carried: NDArray[np.intp] | None,
    silent: NDArray[np.intp],
    before_ns: int,
) -> tuple[NDArray[np.intp], NDArray[np.int64]]:
    """Return which of the frames that carried a signal ended a silence, and the message's last frame before each."""
    found = ended = silent
    if carried is not None and len(silent):
        # For each carried frame, the first silence that ended after the carried frame before it.
        first = np.searchsorted(silent, np.append(-1, carried[:-1]), side="right")
        found = np.flatnonzero(first < np.searchsorted(silent, carried, side="right"))
        ended = silent[first[found]]
    from_ns = np.where(ended > 0, times[ended - 1], before_ns)
    if rows.open_gap_ns != NO_FRAME_NS:
        is_later = found > 0
        found, from_ns = np.append(0, found[is_later]), np.append(rows.open_gap_ns, from_ns[is_later])
    return found, from_ns


def _join_beats(rows: TrackHistory, new: TrackHistory) -> None:
    """Append the beats of a later piece; before its first ones stand the last ones of the piece before."""
    if rows.beats_ns is None or new.beats_ns is None:
        return
    for beats in new.beats_ns:
        joined = beats.copy()
        for row in np.flatnonzero((beats == NO_FRAME_NS).any(1)):
            joined[row] = _behind(rows.latest_ns, beats[row])
        rows.beats_ns.append(joined)
    rows.latest_ns = _behind(rows.latest_ns, new.latest_ns)


def _behind(before_ns: NDArray[np.int64], later_ns: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return the last of some times, the later ones being perhaps not enough."""
    return np.concatenate((before_ns, later_ns[later_ns != NO_FRAME_NS]))[-BEATS_KEPT:]


def _join_rows(rows: TrackHistory, new: TrackHistory, gap_from_ns: int) -> None:
    """Append the rows of a later piece.

    Its first row stays even if it shows nothing new: there may be a discontinuity at the joint that neither of
    the two pieces has seen. It is told from a change when the timeline is built.
    """
    pending = rows.open_gap_ns if rows.open_gap_ns != NO_FRAME_NS else gap_from_ns
    if not len(new):
        rows.open_gap_ns = pending if pending != NO_FRAME_NS else new.open_gap_ns
        return
    silent_rows, silent_from_ns = new.silent_rows.joined(), new.silent_from_ns.joined()
    if pending != NO_FRAME_NS:
        is_later = silent_rows > 0
        silent_rows, silent_from_ns = np.append(0, silent_rows[is_later]), np.append(pending, silent_from_ns[is_later])
    _join_beats(rows, new)
    rows.cadence.merge(new.cadence, new.first_ns, starts_segment=rows.after_discontinuity)
    if rows.last_ns != NO_FRAME_NS:
        new.gap_ns.start_with(short_times(np.array([new.first_ns - rows.last_ns])))
    if len(silent_rows):
        rows.silent_rows.extend(silent_rows + len(rows))
        rows.silent_from_ns.extend(silent_from_ns)
    rows.time_ns.absorb(new.time_ns)
    rows.gap_ns.absorb(new.gap_ns)
    rows.bits.absorb(new.bits)
    rows.first_ns = new.first_ns if rows.first_ns == NO_FRAME_NS else rows.first_ns
    rows.last_ns, rows.last_bits, rows.open_gap_ns = new.last_ns, new.last_bits, new.open_gap_ns
    rows.after_discontinuity = new.after_discontinuity


class _PlainFrames:
    """Takes frames of many messages at once, as `MessageHistory.add` does, while nothing is out of the ordinary.

    Rows are held back until there are many, so that few turns of Python are needed; `flush` hands them over.
    """

    def __init__(self, logs: Iterable[MessageHistory], frames: Frames, before: int) -> None:
        #: Frames that came before, and since.
        self._before = before
        self._since = 0
        self.channels = frames.channels
        self.logs = list[MessageHistory]()
        messages, tracks = list[list[int]](), list[list[int]]()
        for log in logs:
            found = log.plain_slots(frames, len(tracks))
            if found is not None:
                self.logs.append(log)
                messages.append(found[0])
                tracks += found[1]
        self._keep = cast("Callable[..., None] | None", compiled(kernel.keep_rows)) if messages else None
        self._messages = np.array(messages, np.int64).reshape(-1, kernel.MESSAGE_SLOTS)
        self._tracks = np.array(tracks, np.int64).reshape(-1, kernel.TRACK_SLOTS)
        self._table = np.zeros(1 << (4 * len(messages)).bit_length(), np.int64)
        mask = len(self._table) - 1
        for number, key in enumerate(self._messages[:, kernel.KEY].tolist()):
            place = kernel.place_of(key, mask)
            while self._table[place]:
                place = place + 1 & mask
            self._table[place] = 1 + kernel.MESSAGE_SLOTS * number
        room = max(_HELD_ROWS // max(len(tracks), 1), 2)
        self._piece = room // 2
        #: For each track its rows: times, gaps, bits.
        self._rows = np.empty((3, len(tracks), room), np.int64)

    def is_outdated(self, messages: int) -> bool:
        """Return whether others of so many messages may be plain by now: as many frames have come as had before."""
        return len(self.logs) < messages and self._since >= self._before

    def add(self, frames: Frames) -> dict[MessageHistory, int]:
        """Take what is plain of a run; return the messages that have frames of another kind, and from where on."""
        self._since += len(frames)
        refused: dict[MessageHistory, int] = {}
        columns = frames.time_ns, frames.channel, frames.can_id, frames.flags, frames.length, frames.word
        for start in range(0, len(frames) if self._keep is not None else 0, self._piece):
            if int(self._tracks[:, kernel.ROWS].max()) > self._rows.shape[2] - self._piece:
                self.flush()
            before = self._messages.copy(), self._tracks.copy()
            cast("Callable[..., None]", self._keep)(
                start, min(start + self._piece, len(frames)), *columns, frames.words.view(np.int64),
                self._table, len(self._table) - 1, self._messages.ravel(), self._tracks.ravel(),
                self._rows.shape[2], *self._rows.reshape(3, -1),
            )  # fmt: skip
            for number in np.flatnonzero(self._messages[:, kernel.TAKEN] == kernel.NOT_PLAIN).tolist():
                log = self.logs[number]
                if log not in refused:
                    refused[log] = start
                    log.take_plain(before[0][number].tolist(), before[1].tolist(), self._rows)
        return refused

    def flush(self) -> None:
        """Hand over all that was taken of messages that are plain still."""
        tracks = self._tracks.tolist()
        for log, slots in zip(self.logs, self._messages.tolist(), strict=True):
            if slots[kernel.TAKEN] != kernel.NOT_PLAIN:
                log.take_plain(slots, tracks, self._rows)
        self._messages[self._messages[:, kernel.TAKEN] != kernel.NOT_PLAIN, kernel.TAKEN] = 0
        self._tracks[:, kernel.ROWS] = 0


class CaptureHistory:
    """Everything that is kept of a capture for a set of tracks.

    Parameters
    ----------
    tracks : iterable of Track
        What to follow. Tracks of one message share the times of its frames.
    channels : mapping of str to str, optional
        Channels as recorded, and what the definitions that are tied to a channel call them, where the two differ.
    pairs : iterable of GivenPair, optional
        Who asks and who answers; their frames are kept as they are.
    """

    def __init__(
        self, tracks: Iterable[Track], channels: Mapping[str, str] | None = None, pairs: Iterable[GivenPair] = ()
    ) -> None:
        self.asked = Collection(pairs)
        grouped: dict[tuple[object, ...], list[Track]] = {}
        for track in tracks:
            message = track.message
            key = message.can_id, message.is_extended, message.channel, track.channel, track.address
            grouped.setdefault(key, []).append(track)
        self._messages = tuple(MessageHistory(group[0].message, group, channels or {}) for group in grouped.values())
        self._plain: _PlainFrames | None = None
        self._segment = 0

    @property
    def messages(self) -> tuple[MessageHistory, ...]:
        """What is kept of each message."""
        self._flush()
        return self._messages

    @messages.setter
    def messages(self, messages: tuple[MessageHistory, ...]) -> None:
        self._messages, self._plain = messages, None

    @property
    def must_measure(self) -> bool:
        """Whether a cycle time is still to be measured, so that the capture has to be read from its start."""
        return any(log.must_measure for log in self.messages)

    def add(self, frames: Frames) -> None:
        """Take a run of frames in order of time, later than all before."""
        if frames.segment != self._segment:
            self._segment = frames.segment
            self._flush()
        for log, start in self._add_plain(frames).items():
            log.add(frames.part(start, len(frames)) if start else frames)
        if self.asked.pairs:
            self.asked.add(frames)

    def _add_plain(self, frames: Frames) -> dict[MessageHistory, int]:
        """Take frames of messages while nothing is out of the ordinary; return the others, and from which frame on."""
        plain = self._plain
        if plain is None or plain.channels != frames.channels or plain.is_outdated(len(self._messages)):
            self._flush()
            before = sum(log.frames for log in self._messages)
            if before < PLAIN_FROM:
                return dict.fromkeys(self._messages, 0)
            plain = self._plain = _PlainFrames(self._messages, frames, before)
        refused = plain.add(frames)
        if refused:
            self._flush()
        return refused | {log: 0 for log in self._messages if log not in plain.logs}

    def _flush(self) -> None:
        """Let all messages have what was taken of them together."""
        if self._plain is not None:
            self._plain.flush()
            self._plain = None

    def merge(self, later: CaptureHistory) -> None:
        """Append what was recorded of the time right behind this one."""
        for log, new in zip(self.messages, later.messages, strict=True):
            log.merge(new)
        self.asked.merge(later.asked)

    def finish(self) -> None:
        """Close the capture."""
        for log in self.messages:
            log.finish()
