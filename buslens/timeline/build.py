"""Recorded rows become the timeline of a role."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from functools import partial
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from buslens.capture.frames import ClockDiscontinuity, Pause
from buslens.capture.pauses import LEAST_PAUSE_NS, merge_pauses
from buslens.definitions.j1939 import ERROR_CODE, has_special_values, special_codes
from buslens.definitions.model import Signal, ValueType
from buslens.definitions.unpack import Numbers, physical, widened
from buslens.timeline.growing import SHORT_NS, chosen, inserted, short_times
from buslens.timeline.history import BEAT_PARTS, NO_FRAME_NS, NO_TIMEOUT, MessageHistory, Track, TrackHistory
from buslens.timeline.model import (
    UNKNOWN_STATE,
    UNSAID,
    VALUES,
    Sampling,
    Shortest,
    Timeline,
    UnknownReason,
    nothing_hides,
)
from buslens.units import NS_PER_S

_ENDLESS_NS: Final = 1 << 62
WAKING_NS: Final = NS_PER_S
"""A unit that wakes up sends its first frame after less (rule of thumb)."""


def build_timeline(
    log: MessageHistory,
    index: int,
    *,
    states: Mapping[str, frozenset[int]],
    unit: str,
    lag_ns: int | None,
    discontinuities: list[ClockDiscontinuity],
    first_ns: int,
    end_ns: int,
    is_timed: bool = True,
    pauses: tuple[Pause, ...] = (),
    is_lone: bool = False,
    resolution_ns: int = 0,
    moved_ns: int = 0,
    unread: tuple[Pause, ...] = (),
    shortest: Shortest = UNSAID,
    period_ns: int | None = None,
    keep_rows: bool = True,
    sleeps: bool = False,
    is_event: bool = False,
    is_own_event: bool = False,
) -> Timeline:
    """Return the timeline of one track of a message.

    Parameters
    ----------
    index : int
        Which of its tracks.
    states : mapping of str to frozenset of int
        Raw values of each state; empty for a number. A raw value in none of them is unknown.
    unit : str
        Unit of a number.
    lag_ns : int or None
        A change is at most so much older than the frame that shows it, ns; None: as old as the frame before.
    discontinuities : list of ClockDiscontinuity
        Places where nothing is known until the next frame.
    first_ns, end_ns : int
        Times of the first and of the last frame of the capture, whatever its id, ns.
    is_timed : bool
        Whether the capture has time stamps; without them nobody can tell a silence.
    pauses : tuple of Pause
        Where nothing was recorded on the channel of the message, in order of time.
    is_lone : bool
        Whether no other message came on it, so that nobody can tell a silence of the message from a pause.
    resolution_ns : int
        Step by which the stamps were rounded, ns. It goes to the early end of each change, so that what lies between
        two of them is as much less certain at both ends.
    moved_ns : int
        How far before or behind its stamp each value may have been read, ns. Two of them may lie so much further apart
        than their stamps; the changes themselves are not widened by it.
    unread : tuple of Pause
        Where lines stand that could not be read and may be frames of the message, in order of time. Between two frames
        in their usual time they hide nothing; in a silence, they may be what is missing.
    shortest : Shortest
        How short its states can be.
    period_ns : int or None
        Usual time between the frames that carry it, ns; None: as the log has it.
    keep_rows : bool
        Whether the rows of the track are needed afterwards; else each column of them goes when it has been read.
    sleeps : bool
        Whether a pause leaves the state as it was, for the bus sleeps there; not where nobody can tell that it is one.
        Behind it a unit may take `WAKING_NS` to be there again.
    is_event : bool
        Whether frames come with changes only, so that silence says that there was none.
    is_own_event : bool
        Whether they come with its own changes only: of two states it had the other before its first frame, if that
        comes long enough behind the begin of the recording to be no repetition.
    """
    track, rows = log.tracks[index], log.rows[index]
    timeout_ns = log.timeouts_ns[index]
    if timeout_ns == NO_TIMEOUT or not is_timed:
        timeout_ns = None
    time_ns, bits = rows.time_ns.joined(), rows.bits.joined()
    frames_ns = time_ns.copy() if is_event else None
    if is_lone and timeout_ns is not None:
        pauses = merge_pauses((*pauses, *_silent_stretches(rows, log.last_ns, timeout_ns, end_ns)))
    unread = _in_silences(unread if is_timed else (), rows, log.last_ns, timeout_ns, first_ns, end_ns)
    pauses = merge_pauses((*pauses, *unread))
    is_asleep = sleeps and not is_lone and not unread
    waking_ns = WAKING_NS if is_asleep else 0
    quiet = _quiet(rows, pauses if is_timed else (), discontinuities, timeout_ns, waking_ns, log.lost_ns, end_ns)
    if is_event:
        quiet = quiet.shown_until_pauses(lag_ns or 0)
    quiet = quiet.without_pauses() if is_asleep else quiet
    row_state = _states_of(bits, track, states)
    said_ns = max(rows.last_ns, end_ns - (lag_ns or 0)) if is_event else rows.last_ns
    told = _told(log, rows, timeout_ns, pauses, discontinuities, quiet, first_ns, end_ns)
    # At one and the same time a frame has the last word.
    place = np.searchsorted(time_ns, told.at_ns)
    since_ns = np.where(told.since_ns == NO_FRAME_NS, first_ns - 1, told.since_ns)
    signal = None if states else track.signal
    why = np.zeros(len(rows), np.int8)
    why[row_state == UNKNOWN_STATE] = UnknownReason.UNMAPPED.value
    why = np.insert(why, place, np.where(told.row >= 0, _of_rows(why, told.row, 0), told.why))
    state = np.insert(row_state, place, _of_rows(row_state, told.row, UNKNOWN_STATE))
    is_begun = is_own_event and _shows_change(time_ns, row_state, states, first_ns, () if is_asleep else pauses)
    if is_begun:
        state[0], why[0] = 1 - row_state[0], UnknownReason.KNOWN.value
    unknown_ns = np.sort(np.append(told.at_ns[told.row < 0], time_ns[row_state == UNKNOWN_STATE]))
    sampling = _sampling(rows, row_state, shortest, unknown_ns, resolution_ns + 2 * moved_ns)._replace(
        resolution_ns=resolution_ns
    )
    bits = np.insert(bits, place, _of_rows(bits, told.row, 0))
    kept = _changes(state, why, None if signal is None else typed_raw(bits, signal))
    kept &= (why != UnknownReason.NO_FRAME_YET.value) | (time_ns[:1] != first_ns).all()
    state, why, bits = (chosen(column, kept) for column in (state, why, bits))
    del row_state
    if not keep_rows:
        rows.bits.clear()
    gap_ns = _gaps(rows, lag_ns, log.message.cycle_ns, discontinuities, first_ns, pauses)
    gap_ns[:1] = np.minimum(gap_ns[:1], (lag_ns or 0) + 1) if is_begun else gap_ns[:1]
    if is_asleep:
        gap_ns = _since_waking(gap_ns, time_ns, pauses)
    told_gap_ns = np.maximum(told.at_ns - since_ns, 1)
    gap_ns = gap_ns.astype(np.result_type(gap_ns, short_times(told_gap_ns)), copy=False)
    # Each column goes as soon as it has been read.
    if not keep_rows:
        rows.gap_ns.clear()
    times = partial(inserted, time_ns) if keep_rows else rows.time_ns.consumed
    seen_ns, gap_ns = _ascending(times(place, told.at_ns, kept), inserted(gap_ns, place, told_gap_ns, kept))
    unnamed_at, unnamed = _unnamed(bits, why == UnknownReason.UNMAPPED.value, track.signal)
    return Timeline(
        role=track.name,
        seen_ns=seen_ns,
        gap_ns=_widened(seen_ns, gap_ns, resolution_ns, first_ns),
        state=state,
        why=why,
        states=tuple(states),
        unit=unit,
        last_frame_ns=None if rows.last_ns == NO_FRAME_NS else said_ns,
        period_ns=period_ns or rows.cadence.period_ns,
        cycle_ns=log.message.cycle_ns,
        timeout_ns=timeout_ns,
        waking_ns=waking_ns,
        # Of several frames with the last stamp the later ones are moved on.
        end_ns=max(end_ns, int(seen_ns[-1])),
        unnamed_at=unnamed_at,
        unnamed=unnamed,
        raw=None if signal is None else typed_raw(bits, signal),
        signal=VALUES if signal is None else signal,
        pauses=pauses,
        unread=unread,
        sampling=sampling,
        frames_ns=frames_ns,
    )


def _told(
    log: MessageHistory,
    rows: TrackHistory,
    timeout_ns: int | None,
    pauses: tuple[Pause, ...],
    discontinuities: list[ClockDiscontinuity],
    quiet: _Entries,
    first_ns: int,
    end_ns: int,
) -> _Entries:
    """Return the entries of a timeline that no frame makes, in order of time."""
    broken_ns = np.array([discontinuity.time_ns for discontinuity in discontinuities], np.int64)
    silences, carried_ns = _silences(rows, log.last_ns, timeout_ns, end_ns)
    if timeout_ns is not None:
        is_alone = ~_begin_in_time(pauses, silences, timeout_ns)
        silences, carried_ns = silences[is_alone], carried_ns[is_alone]
    # Where the timeout runs out at a clock discontinuity, the clock discontinuity is what is told.
    before_discontinuity = ~np.isin(silences + (timeout_ns or 0), broken_ns)
    silences, carried_ns = silences[before_discontinuity], carried_ns[before_discontinuity]
    is_told = _are_told(discontinuities, quiet)
    # A row is kept behind every clock discontinuity, and the frame before it is the last one before that.
    behind = np.searchsorted(rows.time_ns.joined(), broken_ns[is_told])
    last_before = np.full(len(behind), rows.last_ns)
    last_before[behind < len(rows)] = rows.since_ns(behind[behind < len(rows)])
    reasons = [(UnknownReason.HOLE if it.is_hole else UnknownReason.DISCONTINUITY).value for it in discontinuities]
    return _in_order(
        _Entries.unknown(np.array([first_ns]), np.array([NO_FRAME_NS]), UnknownReason.NO_FRAME_YET.value),
        # What a multiplexed signal was, no frame has confirmed since the last that carried it.
        _Entries.unknown(silences + (timeout_ns or 0), carried_ns, UnknownReason.TIMED_OUT.value),
        _Entries.unknown(
            broken_ns[is_told], np.minimum(last_before, broken_ns[is_told] - 1), np.array(reasons, np.int8)[is_told]
        ),
        quiet,
    )


def _gaps(
    rows: TrackHistory,
    lag_ns: int | None,
    cycle_ns: int | None,
    discontinuities: Sequence[ClockDiscontinuity],
    first_ns: int,
    pauses: Sequence[Pause],
) -> NDArray[Any]:
    """Return for each row how long ago its change can have been, ns, at least 1."""
    gap_ns: NDArray[Any] = np.maximum(rows.gap_ns.joined(), 1)
    if not len(rows):
        return gap_ns
    time_ns = rows.time_ns.joined()
    unseen_ns = max(int(time_ns[0]) - first_ns + 1, 1)
    if unseen_ns > SHORT_NS:
        gap_ns = gap_ns.astype(np.int64)
    gap_ns[0] = unseen_ns
    if lag_ns is not None:
        # A unit that sends at once tells us more than the frame before does, unless frames have been lost: a change
        # that first shows on the beat was sent before, and that frame is not in the log.
        since_ns = rows.since_ns()
        broken_ns = np.array([discontinuity.time_ns for discontinuity in discontinuities], np.int64)
        narrowed = np.searchsorted(broken_ns, time_ns, "right") == np.searchsorted(broken_ns, since_ns, "right")
        narrowed &= ~_on_beat(rows, cycle_ns)
        # So does the first frame of a unit that wakes up.
        woke_ns = np.array([it.to_ns for it in pauses], np.int64)
        since_ns = np.maximum(since_ns, time_ns - LEAST_PAUSE_NS)
        narrowed &= np.searchsorted(woke_ns, time_ns, "right") == np.searchsorted(woke_ns, since_ns, "right")
        narrowed[0] = False
        narrowed[rows.silent_rows.joined()] = False
        gap_ns[narrowed] = np.minimum(gap_ns[narrowed], lag_ns + 1)
    return gap_ns


def _shows_change(
    time_ns: NDArray[np.int64], row_state: NDArray[Any], states: Collection[str], first_ns: int, pauses: Sequence[Pause]
) -> bool:
    """Return whether the first frame tells the state before it, if frames come with changes only: one of two."""
    if len(states) != 2 or not len(time_ns) or row_state[0] == UNKNOWN_STATE:
        return False
    return bool(time_ns[0] - first_ns >= WAKING_NS) and not any(it.from_ns < time_ns[0] for it in pauses)


def _since_waking(gap_ns: NDArray[Any], time_ns: NDArray[np.int64], pauses: Sequence[Pause]) -> NDArray[Any]:
    """Return how long ago each change can have been where none came about while the bus slept, ns."""
    woke_ns = np.array([it.to_ns for it in pauses], np.int64)
    rows = np.searchsorted(time_ns, woke_ns)
    woke_ns, rows = woke_ns[rows < len(time_ns)], rows[rows < len(time_ns)]
    shorter_ns = gap_ns.copy()
    shorter_ns[rows] = np.minimum(gap_ns[rows], time_ns[rows] - woke_ns + 1)
    return shorter_ns


def _of_rows(column: NDArray[Any], rows: NDArray[np.intp], otherwise: int) -> NDArray[Any]:
    """Return the elements of a column in some rows; of row -1 something else."""
    picked = np.full(len(rows), otherwise, column.dtype)
    picked[rows >= 0] = column[rows[rows >= 0]]
    return picked


def _sampling(
    rows: TrackHistory, state: NDArray[Any], shortest: Shortest, unknown_ns: NDArray[np.int64], apart_ns: int
) -> Sampling:
    """Return the gaps between frames in which a state can hide, by all that is known and by what surely holds.

    A state that lasts d hides between two frames only if they are at least d apart: by their stamps, or by up to
    `apart_ns` more. Gaps in which the role is unknown
    anyway, from one of `unknown_ns` on, are left out.
    """
    none = nothing_hides()
    if shortest.least_ns is None or not len(rows):
        return none._replace(shortest_ns=shortest.least_ns, is_polled=shortest.is_polled)
    time_ns, since_ns = rows.time_ns.joined(), rows.since_ns()
    before = np.append(UNKNOWN_STATE, state[:-1])
    gap_ns = rows.gap_ns.joined() + np.int64(apart_ns)
    gap_ns[0] = 0
    surely_ns = _ENDLESS_NS if shortest.surely_ns is None else shortest.surely_ns
    at = np.flatnonzero(gap_ns >= surely_ns)
    all_wide = np.column_stack((since_ns[at], time_ns[at]))
    wide = np.flatnonzero((gap_ns >= shortest.least_ns) & (state != UNKNOWN_STATE) & (before != UNKNOWN_STATE))
    gaps = np.column_stack((since_ns[wide], time_ns[wide]))
    is_known = np.searchsorted(unknown_ns, gaps[:, 0], "right") == np.searchsorted(unknown_ns, gaps[:, 1], "left")
    wide, gaps = wide[is_known], gaps[is_known]
    blind = unshown = gaps  # a number may be anything between two values of it
    if shortest.states:
        ends = before[wide], state[wide], gap_ns[wide]
        least = [shortest.surely_ns if it is None else it for it in shortest.states]
        blind, unshown = gaps[_hides(*ends, least)], gaps[_hides(*ends, [shortest.surely_ns] * len(least))]
    return Sampling(
        blind_ns=blind,
        unshown_ns=unshown,
        wide_ns=all_wide,
        shortest_ns=shortest.least_ns,
        is_polled=shortest.is_polled,
    )


def _hides(
    first: NDArray[Any], last: NDArray[Any], gap_ns: NDArray[np.int64], shortest: Sequence[int | None]
) -> NDArray[np.bool_]:
    """Return in which gaps, by the states at their ends, there is room for a whole state that no frame shows."""
    length = np.array([_ENDLESS_NS if it is None else it for it in shortest], np.int64)
    fits = length[None, :] <= gap_ns[:, None]
    rows = np.arange(len(gap_ns))
    other = fits.copy()
    other[rows, first] = other[rows, last] = False
    # From one state to the other and back and there again, if both have the room for it.
    both = np.minimum(length[first], _ENDLESS_NS // 2) + np.minimum(length[last], _ENDLESS_NS // 2) <= gap_ns
    hides: NDArray[np.bool_] = other.any(1) | ((first != last) & both)
    return hides


class _Entries(NamedTuple):
    """Entries of a timeline that no frame makes."""

    at_ns: NDArray[np.int64]
    #: Last frame before that carried the signal, or `NO_FRAME_NS`.
    since_ns: NDArray[np.int64]
    #: Row that tells the state; -1 where it is unknown.
    row: NDArray[np.intp]
    #: Reason, where it is unknown.
    why: NDArray[np.int8]

    @classmethod
    def unknown(cls, at_ns: NDArray[np.int64], since_ns: NDArray[np.int64], why: NDArray[np.int8] | int) -> _Entries:
        """Return entries of which none tells a state."""
        return cls(at_ns, since_ns, np.full(len(at_ns), -1), np.full(len(at_ns), why, np.int8))

    def shown_until_pauses(self, lag_ns: int) -> _Entries:
        """Return the same of a role whose silence says that nothing changed: it is known until a pause begins."""
        is_pause = (self.why == UnknownReason.NOT_RECORDED.value) & (self.since_ns != NO_FRAME_NS)
        since_ns = np.where(is_pause, np.maximum(self.since_ns, self.at_ns - 1 - lag_ns), self.since_ns)
        return self._replace(since_ns=since_ns)

    def without_pauses(self) -> _Entries:
        """Return those that tell of a silence that goes on where others are heard again."""
        kept = (self.row < 0) & (self.why != UnknownReason.NOT_RECORDED.value)
        return _Entries(*(column[kept] for column in self))


def _in_order(*parts: _Entries) -> _Entries:
    """Return all of them in order of time; of those at one time the last ones given are last."""
    columns = [np.concatenate(column) for column in zip(*parts, strict=True)]
    order = np.argsort(columns[0], kind="stable")
    at_ns, since_ns, row, why = (column[order] for column in columns)
    return _Entries(at_ns, since_ns, row, why)


def _quiet(
    rows: TrackHistory,
    pauses: Sequence[Pause],
    discontinuities: Sequence[ClockDiscontinuity],
    timeout_ns: int | None,
    waking_ns: int,
    lost_ns: int,
    end_ns: int,
) -> _Entries:
    """Return what becomes unknown in pauses, and what is known again, or has become silent, behind them.

    A role is unknown from the last frame before a pause until the next that carries the signal. Where that next one
    is not kept as a row, it came in its usual time, and shows what the rows before the pause show.
    """
    found: list[tuple[int, int, int, int]] = []
    timeout_ns = None if timeout_ns is None else max(timeout_ns, waking_ns)
    if not pauses:
        return _Entries.unknown(np.empty(0, np.int64), np.empty(0, np.int64), 0)
    time_ns, since_ns, bits = rows.time_ns.joined(), rows.since_ns(), rows.bits.joined()
    broken_ns = np.array([discontinuity.time_ns for discontinuity in discontinuities], np.int64)
    changed = np.append(True, bits[1:] != bits[:-1])[: len(bits)] | (rows.gap_ns.joined() > lost_ns)
    changed[rows.silent_rows.joined()] = True
    # The first row of a piece of the log is kept whatever it shows, and must not be of consequence.
    changed |= np.searchsorted(broken_ns, time_ns, "right") > np.searchsorted(broken_ns, since_ns, "right")
    kept = np.flatnonzero(changed)
    behind = np.searchsorted(time_ns[kept], [pause.to_ns for pause in pauses]).tolist()
    for number, ((from_ns, to_ns), after) in enumerate(zip(pauses, behind, strict=True)):
        next_ns = pauses[number + 1].from_ns if number + 1 < len(pauses) else end_ns
        if after == 0:
            # The role has not been seen yet, and is waited for anew.
            found.append((from_ns + 1, NO_FRAME_NS, -1, UnknownReason.NOT_RECORDED.value))
            overdue_ns = to_ns + (timeout_ns or 0)
            if min(int(time_ns[0]) if len(time_ns) else end_ns, next_ns) > overdue_ns:
                found.append((overdue_ns, NO_FRAME_NS, -1, UnknownReason.NO_FRAME_YET.value))
            continue
        before = int(kept[after - 1])
        if time_ns[before] > from_ns:
            continue  # a frame on another channel, or of the very time
        if after < len(kept) and since_ns[kept[after]] <= from_ns:
            carried_ns, again_ns = int(since_ns[kept[after]]), int(time_ns[kept[after]])
        elif after == len(kept) and rows.last_ns <= from_ns:
            carried_ns, again_ns = rows.last_ns, end_ns
        else:
            found.append((from_ns + 1, max(from_ns - lost_ns, int(time_ns[0])), -1, UnknownReason.NOT_RECORDED.value))
            found.append((to_ns, from_ns, before, UnknownReason.KNOWN.value))
            continue
        found.append((from_ns + 1, carried_ns, -1, UnknownReason.NOT_RECORDED.value))
        if timeout_ns is not None and min(again_ns, next_ns) > to_ns + timeout_ns:
            found.append((to_ns + timeout_ns, carried_ns, -1, UnknownReason.TIMED_OUT.value))
    columns = np.array(found, np.int64).reshape(-1, 4)
    return _Entries(columns[:, 0], columns[:, 1], columns[:, 2].astype(np.intp), columns[:, 3].astype(np.int8))


def _are_told(discontinuities: Sequence[ClockDiscontinuity], quiet: _Entries) -> NDArray[np.bool_]:
    """Return the discontinuities of a role; where a pause begins at a restart of the stamps, no clock ran back."""
    paused_ns = quiet.at_ns[quiet.why == UnknownReason.NOT_RECORDED.value]
    at_ns = np.array([discontinuity.time_ns for discontinuity in discontinuities], np.int64)
    is_restart = np.array(
        [discontinuity.back_ns <= 0 and not discontinuity.is_hole for discontinuity in discontinuities], np.bool_
    )
    return ~(is_restart & np.isin(at_ns, paused_ns))


def _on_beat(rows: TrackHistory, cycle_ns: int | None) -> NDArray[np.bool_]:
    """Return of which rows the frame may be a cyclic one: it comes whole cycles behind one of the frames before it.

    So it is, too, if it comes a cycle or more behind the last one, for then others have been lost.
    """
    time_ns = rows.time_ns.joined()
    measured_ns = rows.cadence.beat_ns
    if cycle_ns is None or (measured_ns is not None and abs(measured_ns - cycle_ns) * BEAT_PARTS <= cycle_ns):
        cycle_ns = measured_ns
    if not cycle_ns or not rows.beats_ns:
        return np.zeros(len(time_ns), np.bool_)
    beats_ns = np.concatenate(rows.beats_ns)
    behind_ns = np.where(beats_ns == NO_FRAME_NS, 0, time_ns[:, None] - beats_ns)
    off_ns = cycle_ns // BEAT_PARTS
    phase_ns = behind_ns % cycle_ns
    is_near = (behind_ns >= cycle_ns - off_ns) & (np.minimum(phase_ns, cycle_ns - phase_ns) <= off_ns)
    is_on_beat: NDArray[np.bool_] = is_near.any(1) | (behind_ns[:, -1] >= cycle_ns - off_ns)
    return is_on_beat


def _begin_in_time(pauses: Sequence[Pause], silences: NDArray[np.int64], timeout_ns: int) -> NDArray[np.bool_]:
    """Return of which silences, by the last frame before each, a pause begins before their timeout runs out."""
    from_ns = np.array([pause.from_ns for pause in pauses], np.int64)
    to_ns = np.array([pause.to_ns for pause in pauses], np.int64)
    first = np.searchsorted(to_ns, silences, "right")
    return np.append(from_ns, np.iinfo(np.int64).max)[first] - silences < timeout_ns


def _silent_stretches(rows: TrackHistory, last_ns: int, timeout_ns: int, end_ns: int) -> list[Pause]:
    """Return the silences of a message, each from its last frame before until one that carries the signal."""
    silences, _ = _silences(rows, last_ns, timeout_ns, end_ns)
    time_ns = rows.time_ns.joined()
    again = np.append(time_ns, end_ns)[np.searchsorted(time_ns, silences, "right")]
    return [Pause(*stretch) for stretch in zip(silences.tolist(), again.tolist(), strict=True)]


def _in_silences(
    unread: tuple[Pause, ...], rows: TrackHistory, last_ns: int, timeout_ns: int | None, first_ns: int, end_ns: int
) -> tuple[Pause, ...]:
    """Return which unread lines stand where the message did not come in its time; all, where it has no such time."""
    if timeout_ns is None or not unread:
        return unread
    time_ns = rows.time_ns.joined()
    silent = _silent_stretches(rows, last_ns, timeout_ns, end_ns)
    silent.append(Pause(first_ns, int(time_ns[0]) if len(time_ns) else end_ns))
    return tuple(one for one in unread if any(one.from_ns < it.to_ns and one.to_ns > it.from_ns for it in silent))


def _states_of(bits: NDArray[Any], track: Track, states: Mapping[str, frozenset[int]]) -> NDArray[Any]:
    """Return the code of the state of each row; of a number 0 where it is one."""
    signal = track.signal
    is_special = signal is not None and has_special_values(signal, track.message)
    if signal is None or not (states or is_special or signal.kind is ValueType.FLOAT):
        return np.zeros(len(bits), np.int8)
    if not states:
        raw = widened(typed_raw(bits, signal))
        is_unknown = np.isnan(physical(raw, signal).astype(np.float64))
        if is_special:
            is_unknown |= special_codes(raw, signal) > 0
        return np.where(is_unknown, np.int8(UNKNOWN_STATE), np.int8(0))
    different, where = np.unique(bits, return_inverse=True)
    raw = widened(typed_raw(different, signal))
    code_of = {number: code for code, numbers in enumerate(states.values()) for number in numbers}
    kept = np.int8 if len(states) <= np.iinfo(np.int8).max else np.int32
    codes = np.array([code_of.get(number, UNKNOWN_STATE) for number in raw.tolist()], kept)
    if is_special:
        # What is reserved may have got a meaning, if the expectations name it.
        codes[special_codes(raw, signal) >= ERROR_CODE] = UNKNOWN_STATE
    return codes[where]


def _unnamed(
    bits: NDArray[Any], is_unnamed: NDArray[np.bool_], signal: Signal | None
) -> tuple[NDArray[np.int32] | None, tuple[str, ...]]:
    """Return for each entry which of the values without a name it is, and what these are called."""
    if signal is None or not is_unnamed.any():
        return None, ()
    different, where = np.unique(bits[is_unnamed], return_inverse=True)
    at = np.full(len(bits), -1, np.int32)
    at[is_unnamed] = where
    numbers = typed_raw(different, signal).tolist()
    return at, tuple(
        f"'{signal.labels[it]}'" if it in signal.labels else f"{it:.15g}" if isinstance(it, float) else f"{it}"
        for it in numbers
    )


def typed_raw(bits: NDArray[Any], signal: Signal) -> Numbers:
    """Return raw values in the type that the signal's kind gives them, from the bits in which they are kept."""
    kind = {ValueType.UNSIGNED: "u", ValueType.SIGNED: "i", ValueType.FLOAT: "f"}[signal.kind]
    raw: Numbers = bits.view(f"{kind}{bits.itemsize}")
    return raw


def _silences(
    rows: TrackHistory, last_ns: int, timeout_ns: int | None, end_ns: int
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return for each silence the message's last frame before it, and the last one that carried the signal.

    One that reaches the end is included; `last_ns` is the message's last frame of all.
    """
    none = np.empty(0, np.int64)
    if timeout_ns is None:
        return none, none
    silences, carried_ns = rows.silent_from_ns.joined(), rows.since_ns(rows.silent_rows.joined())
    final_ns = rows.open_gap_ns
    if final_ns == NO_FRAME_NS and last_ns != NO_FRAME_NS and end_ns - last_ns > timeout_ns:
        final_ns = last_ns
    if final_ns == NO_FRAME_NS:
        return silences, carried_ns
    return np.append(silences, final_ns), np.append(carried_ns, rows.last_ns)


def _changes(state: NDArray[Any], why: NDArray[np.int8], number: Numbers | None) -> NDArray[np.bool_]:
    """Return which entries differ from the one before."""
    kept = np.ones(len(state), np.bool_)
    kept[1:] = (state[1:] != state[:-1]) | (why[1:] != why[:-1])
    if number is not None:
        kept[1:] |= (number[1:] != number[:-1]) & (state[1:] != UNKNOWN_STATE)
    return kept


def _widened(seen_ns: NDArray[np.int64], gap_ns: NDArray[Any], resolution_ns: int, first_ns: int) -> NDArray[Any]:
    """Return how long ago changes may have been, of stamps that were rounded: not from before the entry before."""
    if not resolution_ns:
        return gap_ns
    before_ns = np.diff(seen_ns, prepend=first_ns - 1)
    return short_times(np.maximum(gap_ns, np.minimum(gap_ns + np.int64(resolution_ns), before_ns)))


def _ascending(seen_ns: NDArray[np.int64], gap_ns: NDArray[Any]) -> tuple[NDArray[np.int64], NDArray[Any]]:
    """Return ascending times with ties and their followers moved on by as many ns as keep them apart."""
    if (seen_ns[1:] > seen_ns[:-1]).all():
        return seen_ns, gap_ns
    steps = np.arange(len(seen_ns))
    moved_ns = np.maximum.accumulate(seen_ns - steps) + steps
    return moved_ns, short_times(gap_ns + (moved_ns - seen_ns))
