"""What several captures show of each signal, one capture after the other on one axis of time."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from buslens.capture.frames import Clock, Pause, ReadStats
from buslens.capture.pauses import common_pauses
from buslens.capture.table_settings import NOTHING_TOLD, TableSettings
from buslens.definitions.model import Definitions, Message, Signal, ValueType
from buslens.definitions.unpack import widened
from buslens.errors import CaptureError, SourceLocation, UsageError
from buslens.timeline.build import typed_raw
from buslens.timeline.history import CYCLES_PER_TIMEOUT, LOST_CYCLES, NO_FRAME_NS, NO_TIMEOUT, CaptureHistory, Track
from buslens.units import NS_PER_MS, NS_PER_S

COLUMN_ID: Final = -1
"""Identifier of what stands for the message of a table's columns: no frame has it."""
UNSEEN: Final = int(np.iinfo(np.int64).min)
"""Stands for a value that no frame has shown."""
APART_NS: Final = 3600 * NS_PER_S
"""What lies between two captures on the common axis: nothing follows from one to the next."""
FEW_BITS: Final = 4
_MOST_BITS: Final = 8
_MOST_LABELS: Final = 32
_MOST_VALUES: Final = 16
"""A state of more than a few bits without value names has so many at most (rule of thumb)."""
_BUSY_PER_S: Final = 4.0
"""A signal that changes more often is a counter or a measured value, not a state (rule of thumb)."""
_COUNTS_FROM: Final = 3
_COUNTED_SHARE: Final = 0.9
_PRESSES_BITS: Final = 2
"""Changes by one that make a counter of a signal; their share in one that counts frames, and the bits of one that
counts presses at most (rules of thumb)."""
_AT_ONCE_FROM: Final = 4
"""Changes that tell whether a unit sends as soon as something changes ..."""
_AT_ONCE_SHARE: Final = 0.6
"""... if at least so many of them come off the beat ..."""
_OFF_BEAT: Final = (0.15, 0.85)
"""... by such a part of the cycle time (rules of thumb)."""
_BACK_SHARE: Final = 0.5
"""A value that is left for the one before it so often goes back, as a button does (rule of thumb)."""
_MOST_HOLD_NS: Final = NS_PER_S // 2
"""A state of the handshake may well be as short as that, however long those are that were seen (rule of thumb)."""
AT_ONCE_NS: Final = 20 * NS_PER_MS
"""How much older than its frame a change is at most where a unit sends at once (rule of thumb)."""
STARTING_NS: Final = 3 * NS_PER_S
"""A unit that wakes up has a value for its state after less (rule of thumb)."""
_REPEATED_NS: Final = NS_PER_S // 2
"""How much later a gateway repeats a change at most (rule of thumb)."""
_ONE_IN: Final = 1e-8
_MOST_LOST: Final = 0.1
"""So rarely are as many frames lost in a row as a timeout allows; a greater part is none that a recorder loses (rules
of thumb)."""
_EVENT_SILENCES: Final = 10
"""A message whose longest silence is so many cycle times is sent on events, not by the clock ..."""
_EVEN_FROM: Final = 8
_EVEN_SHARE: Final = 0.5
_EVEN_NEAR: Final = 0.25
"""... and so is one of so few intervals, or of which no such share is as near to their median, as a part of it ..."""
_EVENT_SHARE: Final = 0.6
_EVEN_THOUGH_TOLD: Final = 0.9
"""... or of which so many frames show a change, unless still more intervals are near ..."""
_SLOWEST_NS: Final = 2 * NS_PER_S
"""... and more often than that; people who do the same again and again may be as even as a clock ..."""
_EVENT_GAPS: Final = 10
"""... and each change is sent at once, if so many show one, or if they come so many usual intervals behind the frame
before (rules of thumb)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CaptureSpan:
    """One capture on the common axis."""

    path: str
    #: Its first frame on its own axis and on the common one, and its last frame on the common one, ns.
    own_first_ns: int
    first_ns: int
    end_ns: int


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Trace:
    """One signal through all captures; rows ascend in time.

    A row holds from ``seen_ns[i]`` until ``stop_ns[i]``.
    """

    message: Message
    signal: Signal
    #: int64[n], ns on the common axis: the frame that first shows the value, and the one before that carried the
    #: signal.
    seen_ns: NDArray[np.int64]
    since_ns: NDArray[np.int64]
    #: int64[n], the next row of the same capture, or the capture's end.
    stop_ns: NDArray[np.int64]
    #: int64[n], raw values.
    raw: NDArray[np.int64]
    #: bool[n], whether another value of the same capture came before.
    is_change: NDArray[np.bool_]
    #: bool[n], whether it is the first of a capture, or the first since nothing at all was recorded.
    is_start: NDArray[np.bool_]

    @property
    def name(self) -> str:
        """Message and signal; of a table the column."""
        return name_of(self.message, self.signal)

    @property
    def held_ns(self) -> dict[int, int]:
        """How long each value was shown in all, the longest first."""
        values, index = np.unique(self.raw, return_inverse=True)
        lengths = np.zeros(len(values), np.int64)
        np.add.at(lengths, index, self.stop_ns - self.seen_ns)
        order = np.argsort(-lengths, kind="stable")
        return dict(zip(values[order].tolist(), lengths[order].tolist(), strict=True))

    @property
    def is_event(self) -> NDArray[np.bool_]:
        """Which rows are changes that something made: a unit that wakes up leaves its first value by itself."""
        is_start = self.is_start & (self.stop_ns - self.seen_ns <= STARTING_NS)
        found: NDArray[np.bool_] = self.is_change & ~is_start & ~np.append(False, is_start[:-1])[: len(is_start)]
        return found

    @property
    def counts(self) -> bool:
        """Whether each change is one more, from the greatest value on to 0."""
        step = (self.raw[1:] - self.raw[:-1])[self.is_change[1:]] % (1 << self.signal.length)
        return self.signal.length > 1 and len(step) >= _COUNTS_FROM and bool((step == 1).all())

    def goes_back(self, raw: int) -> bool:
        """Return whether a value mostly gives way to the one before it."""
        rows = np.flatnonzero((self.raw[1:-1] == raw) & self.is_change[1:-1] & self.is_change[2:]) + 1
        return not len(rows) or bool((self.raw[rows + 1] == self.raw[rows - 1]).mean() >= _BACK_SHARE)

    def repeats(self, other: Trace) -> bool:
        """Return whether a signal only changes soon behind another, and seldom less often."""
        mine_ns, theirs_ns = self.seen_ns[self.is_change], other.seen_ns[other.is_change]
        if not len(mine_ns) or not len(theirs_ns) / 2 <= len(mine_ns) <= len(theirs_ns):
            return False
        behind = np.clip(np.searchsorted(theirs_ns, mine_ns), 1, max(len(theirs_ns) - 1, 1))
        near_ns = theirs_ns[np.minimum(np.stack((behind - 1, behind)), len(theirs_ns) - 1)]
        lag_ns = mine_ns - near_ns
        lag_ns = lag_ns[np.abs(lag_ns).argmin(axis=0), np.arange(len(mine_ns))]
        return bool((np.abs(lag_ns) <= _REPEATED_NS).all() and np.median(lag_ns) > 0)

    def with_pulses(self) -> Trace:
        """Return a trace that is 1 for a moment at each change, else 0."""
        rows = np.repeat(np.arange(len(self.raw)), np.where(self.is_change, 2, 1))
        is_end = np.append(False, rows[1:] == rows[:-1])
        is_pulse = self.is_change[rows] & ~is_end
        seen_ns = self.seen_ns[rows] + is_end
        return replace(
            self,
            seen_ns=seen_ns,
            since_ns=np.where(is_end, seen_ns - 1, self.since_ns[rows]),
            stop_ns=np.where(is_pulse, seen_ns + 1, self.stop_ns[rows]),
            raw=is_pulse.astype(np.int64),
            is_change=self.is_change[rows],
            is_start=self.is_start[rows] & ~is_end,
        )

    def at(self, time_ns: NDArray[np.int64]) -> NDArray[np.int64]:
        """Return the raw value at each time, or `UNSEEN`."""
        index = np.searchsorted(self.seen_ns, time_ns, side="right") - 1
        known = (index >= 0) & (time_ns <= self.stop_ns[np.maximum(index, 0)]) if len(self.raw) else index >= 0
        return np.where(known, self.raw[np.maximum(index, 0)], UNSEEN) if len(self.raw) else np.full(len(index), UNSEEN)

    def changes_to(self, raw: Iterable[int]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Return since and seen of each change from another value to one of these."""
        inside = within(self.raw, raw)
        rows = np.flatnonzero(self.is_change & inside & ~np.append(False, inside[:-1]))
        return self.since_ns[rows], self.seen_ns[rows]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ShownSignals:
    """What the captures show."""

    spans: tuple[CaptureSpan, ...]
    #: By message and signal.
    traces: Mapping[str, Trace]
    #: Usual time between frames of each message, ns, and its longest silence while anything else came.
    cycles_ns: Mapping[str, int]
    silences_ns: Mapping[str, int]
    frames: int
    #: Frames of each message, and the part of its intervals that are usual ones, 0 to 1.
    counts: Mapping[str, int] = field(default_factory=dict)
    even_parts: Mapping[str, float] = field(default_factory=dict)
    #: Part of the frames of each message that were lost.
    lost_parts: Mapping[str, float] = field(default_factory=dict)
    #: int64[n], ns on the common axis: last frames before nothing at all was recorded for a while.
    paused_ns: NDArray[np.int64] = field(default_factory=lambda: np.empty(0, np.int64))
    #: Signals whose frames come with changes only.
    events: frozenset[str] = frozenset()

    def is_cyclic(self, message: str) -> bool:
        """Return whether a message is sent by the clock."""
        tells = self._tells_changes(message)
        if message not in self.cycles_ns or (tells and self.cycles_ns[message] > _SLOWEST_NS):
            return False
        if self.even_parts.get(message, 1.0) < (_EVEN_THOUGH_TOLD if tells else _EVEN_SHARE):
            return False
        return self.silences_ns.get(message, 0) < _EVENT_SILENCES * self.cycles_ns[message]

    def holds_ns(self, name: str) -> int:
        """Return how short a state of a column can be: half of the shortest seen; 0 if rows are too far apart for that.

        What is shorter may lie between two rows, so that half of what was seen is a guess on the safe side.
        """
        trace = self.traces.get(name)
        if trace is None or not is_column(trace.message):
            return 0
        ended = np.flatnonzero(trace.is_change[1:] & trace.is_change[:-1]) + 1
        lengths_ns = trace.since_ns[ended] - trace.seen_ns[ended - 1]
        half_ns = min(int(lengths_ns.min()) // 2, _MOST_HOLD_NS) if len(ended) else 0
        half_ns -= half_ns % (10 * NS_PER_MS)
        return half_ns if half_ns > self.cycles_ns[trace.message.name] else 0

    def timeout_ns(self, message: str, cycle_ns: int) -> int:
        """Return the silence after which a message has stopped, ns.

        Three cycle times, more where frames are lost one by one, or half more than the longest silence seen.
        """
        cycles_ns = silent_cycles(self.lost_parts.get(message, 0.0)) * cycle_ns
        return max(cycles_ns, 3 * self.silences_ns.get(message, 0) // 2)

    def sent(self, name: str) -> str:
        """Return how a signal is sent, as the file has it: by the frames that first show a change; empty for cyclic."""
        if name in self.events:
            return "only on its change" if self._tells_only(self.traces[name]) else "only on change"
        return "on change" if self._is_off_beat(name) else ""

    def _is_off_beat(self, name: str) -> bool:
        """Return whether the frames that first show a change of a signal come off the beat of the others."""
        trace = self.traces.get(name)
        if trace is None or is_column(trace.message) or not self.is_cyclic(trace.message.name):
            return False
        cycle_ns = self.cycles_ns[trace.message.name]
        gap_ns = (trace.seen_ns - trace.since_ns)[trace.is_event]
        part = gap_ns % cycle_ns / cycle_ns
        is_off = (part > _OFF_BEAT[0]) & (part < _OFF_BEAT[1])
        return len(gap_ns) >= _AT_ONCE_FROM and bool(is_off.mean() >= _AT_ONCE_SHARE)

    def with_events(self) -> ShownSignals:
        """Return the same with what is sent with changes only: its frame is about as old as the change."""
        events = frozenset(name for name, trace in self.traces.items() if self._is_event(trace))
        traces = {
            name: replace(
                it, since_ns=np.where(it.is_change, np.maximum(it.since_ns, it.seen_ns - AT_ONCE_NS), it.since_ns)
            )
            if name in events
            else it
            for name, it in self.traces.items()
        }
        return replace(self, traces=traces, events=events)

    def _is_event(self, trace: Trace) -> bool:
        """Return whether a message that knows no clock is sent because a signal of it has changed."""
        name = trace.message.name
        if self.is_cyclic(name) or name not in self.cycles_ns or not trace.is_change.any():
            return False
        gap_ns = np.median((trace.seen_ns - trace.since_ns)[trace.is_change])
        return self._tells_changes(name) or bool(gap_ns >= _EVENT_GAPS * self.cycles_ns[name])

    def counts_frames(self, trace: Trace) -> bool:
        """Return whether a signal is one more in nearly each frame, whatever its name."""
        step = (trace.raw[1:] - trace.raw[:-1])[trace.is_change[1:]] % (1 << trace.signal.length)
        frames = self.counts.get(trace.message.name, 0) - len(self.spans)
        if len(step) < max(_COUNTED_SHARE * frames, _COUNTS_FROM):
            return False
        return trace.signal.length > _PRESSES_BITS and bool((step == 1).mean() >= _COUNTED_SHARE)

    def _tells_only(self, trace: Trace) -> bool:
        """Return whether nearly each frame of a message shows a change of one signal."""
        frames = self.counts.get(trace.message.name, 0) - len(self.spans)
        return not is_column(trace.message) and bool(trace.is_change.sum() >= _COUNTED_SHARE * frames)

    def _tells_changes(self, message: str) -> bool:
        """Return whether most frames of a message show that something has changed."""
        seen_ns = [it.seen_ns[it.is_change] for it in self.traces.values() if it.message.name == message]
        changes = len(np.unique(np.concatenate(seen_ns))) if seen_ns else 0
        return changes >= _EVENT_SHARE * max(self.counts.get(message, 0) - len(self.spans), 1)


def is_column(message: Message) -> bool:
    """Return whether what stands for a message is a table of values."""
    return message.can_id == COLUMN_ID


def name_of(message: Message, signal: Signal) -> str:
    """Return what a person calls a signal, or the column that stands for one."""
    return signal.name if is_column(message) else f"{message.name}.{signal.name}"


def within(raw: NDArray[np.int64], values: Iterable[int]) -> NDArray[np.bool_]:
    """Return which of many raw values are among a few."""
    found = np.zeros(len(raw), np.bool_)
    for value in values:
        found |= raw == value
    return found


def is_state(signal: Signal) -> bool:
    """Return whether a signal can be a state: some bits, or value names."""
    few = signal.length <= _MOST_BITS or 0 < len(signal.labels) <= _MOST_LABELS
    return (
        signal.kind is not ValueType.FLOAT
        and few
        and signal.unit.strip() in {"", "-", "bit", "Bit", "1", "bool", "enum"}
    )


def read_shown(
    definitions: Definitions,
    captures: Sequence[str],
    wanted: Callable[[Message, Signal], bool],
    *,
    table: TableSettings = NOTHING_TOLD,
    workers: int | None = None,
    notify: Callable[[str], None] | None = None,
) -> ShownSignals:
    """Return what captures show of the signals that are wanted.

    Parameters
    ----------
    definitions : Definitions
        Of the vehicle.
    captures : sequence of str
        Recorded logs.
    wanted : callable
        Whether a signal of a message is looked at.
    table, workers, notify
        As for `buslens.checks.check.check`.

    Raises
    ------
    CaptureError
        If nothing in a capture can be read.
    UsageError
        If a capture has no time stamps, or none of them holds any of the messages.
    """
    messages = {message.name: message for message in reversed(list(definitions))}  # a name stands for the first one
    tracks = [
        Track(name=f"{name}.{signal.name}", message=message, signal=signal, timeout_ns=NO_TIMEOUT)
        for name, message in messages.items()
        for signal in message.signals
        if wanted(message, signal)
    ]
    if not tracks:
        raise UsageError(
            f"no signal in {', '.join(definitions.paths)} looks like a door, an ignition, a lock's enable or"
            f" feedback, or a"
            f" supply voltage, by its name, its bits or its unit; 'buslens defs {definitions.paths[0]} --find WORD'"
            f" searches"
            " them"
        )
    followed = {track.message.name: track.message for track in tracks}
    tracks += [Track(name=name, message=it, signal=None, timeout_ns=None) for name, it in followed.items()]
    parts: dict[str, list[Trace]] = {}
    cycles: dict[str, list[int]] = {}
    silences: dict[str, int] = {}
    counts: Counter[str] = Counter()
    intervals: dict[str, list[NDArray[np.int64]]] = {}
    spans: list[CaptureSpan] = []
    frames, paused_ns = 0, set[int]()
    for path in captures:
        recorder, stats = read_capture(path, tracks, table, workers, notify)
        base_ns = spans[-1].end_ns + APART_NS if spans else 0
        first_ns, last_ns = stats.first_ns or 0, stats.last_ns or 0
        span = CaptureSpan(path=path, own_first_ns=first_ns, first_ns=base_ns, end_ns=base_ns + last_ns - first_ns)
        spans.append(span)
        frames += stats.frames
        for log in recorder.messages:
            pauses = common_pauses(stats.pauses.get(label, ()) for label in sorted(log.channels))
            # A gateway may repeat it on another channel.
            single = max((it or log for it in log.senders.values()), key=lambda it: it.frames, default=log)
            counts[log.message.name] += single.frames
            paused_ns |= {base_ns + it.from_ns - first_ns for it in pauses}
            if single.period_ns is not None:
                cycles.setdefault(log.message.name, []).append(single.period_ns)
                intervals.setdefault(log.message.name, []).append(single.intervals_ns)
            for track, rows in zip(log.tracks, log.rows, strict=True):
                seen_ns = rows.time_ns.joined()
                if track.signal is None:
                    ended_ns = seen_ns[rows.silent_rows.joined()].tolist()
                    stretches = zip(rows.silent_from_ns.joined().tolist(), ended_ns, strict=True)
                    longest = max((_silent_ns(*it, pauses) for it in stretches), default=0)
                    silences[log.message.name] = max(silences.get(log.message.name, 0), longest)
                elif len(seen_ns):
                    raw = widened(typed_raw(rows.bits.joined(), track.signal)).view("int64")
                    part = _part(track, seen_ns, rows.since_ns(), raw, span, pauses)
                    parts.setdefault(track.name, []).append(part)
    if not cycles:
        names = ", ".join(sorted(followed)[:5])
        raise UsageError(
            f"{', '.join(captures)} has no two frames of {names}: are these the definitions of this vehicle, and"
            f" this bus?"
        )
    traces = {name: joined(listed) for name, listed in parts.items()}
    total_s = max(sum(span.end_ns - span.first_ns for span in spans) / NS_PER_S, 1.0)
    return ShownSignals(
        spans=tuple(spans),
        traces={
            name: it
            for name, it in traces.items()
            if not is_state(it.signal)
            or (
                it.is_change.sum() <= _BUSY_PER_S * total_s
                and len(it.held_ns) <= max(_MOST_VALUES, len(it.signal.labels))
            )
        },
        cycles_ns={name: int(np.median(listed)) for name, listed in cycles.items()},
        silences_ns=silences,
        frames=frames,
        counts=counts,
        paused_ns=np.array(sorted(paused_ns), np.int64),
        even_parts={name: _even_part(np.concatenate(listed)) for name, listed in intervals.items()},
        lost_parts={name: _lost_part(np.concatenate(listed)) for name, listed in intervals.items()},
    ).with_events()


def _even_part(intervals_ns: NDArray[np.int64]) -> float:
    """Return the part of intervals that are near their median, 0 to 1; 0 of a few."""
    usual_ns = np.median(intervals_ns)
    near = np.abs(intervals_ns - usual_ns) <= _EVEN_NEAR * usual_ns
    return float(near.mean()) if len(intervals_ns) >= _EVEN_FROM else 0.0


def _lost_part(intervals_ns: NDArray[np.int64]) -> float:
    """Return the part of frames that were lost, 0 to 1: of the intervals those that are more than one and a half."""
    return float((intervals_ns > LOST_CYCLES * np.median(intervals_ns)).mean()) if len(intervals_ns) else 0.0


def silent_cycles(lost_part: float) -> int:
    """Return the cycle times of silence after which a message has stopped, where frames are lost one by one.

    >>> silent_cycles(0), silent_cycles(0.002), silent_cycles(0.03)
    (3, 4, 7)
    """
    if not lost_part:
        return CYCLES_PER_TIMEOUT
    in_a_row = math.ceil(math.log(_ONE_IN) / math.log(min(lost_part, _MOST_LOST)))
    return max(CYCLES_PER_TIMEOUT, in_a_row + 1)


def _silent_ns(from_ns: int, to_ns: int, pauses: Sequence[Pause]) -> int:
    """Return how long a message was silent while its channel was recorded, ns: a bus may sleep."""
    paused = (max(min(to_ns, it.to_ns) - max(from_ns, it.from_ns), 0) for it in pauses)
    return to_ns - from_ns - sum(paused)


def read_capture(
    path: str, tracks: Sequence[Track], table: TableSettings, workers: int | None, notify: Callable[[str], None] | None
) -> tuple[CaptureHistory, ReadStats]:
    """Return what one capture shows of tracks.

    Raises CaptureError if nothing in it can be read, UsageError if it has no time stamps.
    """
    from buslens.capture.open import open_capture
    from buslens.capture.reduce import reduce_frames

    recorder, stats = reduce_frames(
        open_capture(path, table=table),
        wanted=[(track.message.can_id, track.message.is_extended) for track in tracks],
        make=lambda: CaptureHistory(tracks),
        update=CaptureHistory.add,
        merge=CaptureHistory.merge,
        workers=1 if any(track.timeout_ns is None for track in tracks) else workers,
        notify=notify,
    )
    recorder.finish()
    if stats.first_ns is None or stats.last_ns is None:
        raise CaptureError("no frame in it could be read", SourceLocation(path))
    if stats.clock is Clock.MISSING:
        raise UsageError(f"{path} has no time stamps, so that nothing can be measured; record it with them")
    return recorder, stats


def _part(
    track: Track,
    seen_ns: NDArray[np.int64],
    since_ns: NDArray[np.int64],
    raw: NDArray[np.int64],
    span: CaptureSpan,
    pauses: Sequence[Pause],
) -> Trace:
    shift = span.first_ns - span.own_first_ns
    # Rows in which nothing is new tell of silences, which are nothing here.
    is_new = np.append(True, raw[1:] != raw[:-1])
    seen_ns, since_ns, raw = seen_ns[is_new], since_ns[is_new], raw[is_new]
    seen = seen_ns + shift
    ends_ns = np.array([it.to_ns for it in pauses], np.int64)
    woke = np.searchsorted(ends_ns, seen_ns, side="right") > np.searchsorted(ends_ns, since_ns, side="right")
    is_first = np.arange(len(seen)) == 0
    assert track.signal is not None  # noqa: S101  (asked by the caller)
    return Trace(
        message=track.message,
        signal=track.signal,
        seen_ns=seen,
        since_ns=np.where(since_ns == NO_FRAME_NS, seen - 1, since_ns + shift),
        stop_ns=np.append(seen[1:], span.end_ns),
        raw=raw,
        is_change=~is_first,
        is_start=is_first | woke,
    )


def joined(parts: Sequence[Trace]) -> Trace:
    """Return what several captures show of one signal, in their order."""
    return Trace(
        message=parts[0].message,
        signal=parts[0].signal,
        seen_ns=np.concatenate([it.seen_ns for it in parts]),
        since_ns=np.concatenate([it.since_ns for it in parts]),
        stop_ns=np.concatenate([it.stop_ns for it in parts]),
        raw=np.concatenate([it.raw for it in parts]),
        is_change=np.concatenate([it.is_change for it in parts]),
        is_start=np.concatenate([it.is_start for it in parts]),
    )
