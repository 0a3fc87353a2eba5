"""Recorded rows become the timeline of a role."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from buslens.capture.frames import Pause
from buslens.capture.pauses import merge_pauses
from buslens.definitions.j1939 import ERROR_CODE, has_special_values, special_codes
from buslens.definitions.model import ValueType
from buslens.definitions.unpack import physical
from buslens.timeline.history import BEAT_PARTS, NO_FRAME_NS, NO_TIMEOUT
from buslens.timeline.model import (
    UNKNOWN_STATE,
    UNSAID,
    Sampling,
    Shortest,
    Timeline,
    UnknownReason,
    nothing_hides,
)

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from buslens.capture.frames import ClockDiscontinuity
    from buslens.definitions.model import Signal
    from buslens.definitions.unpack import Numbers
    from buslens.timeline.history import MessageHistory, Track, TrackHistory

_ENDLESS_NS: Final = 1 << 62


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
    unread: tuple[Pause, ...] = (),
    shortest: Shortest = UNSAID,
    period_ns: int | None = None,
) -> Timeline:
    """Return the timeline of one track of a message.

    Parameters
    ----------
    log : MessageLog
        A finished log.
    index : int
        Which of its tracks.
    states : mapping of str to frozenset of int
        Raw values of each state; empty for a number. A raw value in none of them is unknown.
    unit : str
        Unit of a number.
    lag_ns : int or None
        A change is at most so much older than the frame that shows it, ns; None: as old as the frame before.
    clock discontinuities : list of Clock discontinuity
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
    unread : tuple of Pause
        Where lines stand that could not be read and may be frames of the message, in order of time. Between two frames
        in their usual time they hide nothing; in a silence, they may be what is missing.
    shortest : Shortest
        How short its states can be.
    period_ns : int or None
        Usual time between the frames that carry it, ns; None: as the log has it.
    """
    track, rows = log.tracks[index], log.rows[index]
    timeout_ns = log.timeouts_ns[index]
    if timeout_ns == NO_TIMEOUT or not is_timed:
        timeout_ns = None
    time_ns, since_ns, raw, silent_from_ns = rows.arrays()
    if is_lone and timeout_ns is not None:
        pauses = merge_pauses((*pauses, *_silent_stretches(rows, log.last_ns, timeout_ns, end_ns)))
    unread = _in_silences(unread if is_timed else (), rows, log.last_ns, timeout_ns, first_ns, end_ns)
    pauses = merge_pauses((*pauses, *unread))
    quiet = _quiet(rows, pauses if is_timed else (), discontinuities, timeout_ns, log.lost_ns, end_ns)
    state, value = _states_of(raw, track, states)
    why = np.where(state == UNKNOWN_STATE, UnknownReason.UNMAPPED.value, UnknownReason.KNOWN.value)
    broken_ns = np.array([discontinuity.time_ns for discontinuity in discontinuities], np.int64)
    # A row is kept behind every clock discontinuity, and its `since` is the last frame before it.
    last_before = np.append(since_ns, rows.last_ns)[np.searchsorted(time_ns, broken_ns)]
    if lag_ns is not None:
        # A unit that sends at once tells us more than the frame before does, unless frames have been lost: a change
        # that first shows on the beat was sent before, and that frame is not in the log.
        unbroken = np.searchsorted(broken_ns, time_ns, "right") == np.searchsorted(broken_ns, since_ns, "right")
        narrowed = (
            unbroken
            & (silent_from_ns == NO_FRAME_NS)
            & (since_ns != NO_FRAME_NS)
            & ~_on_beat(rows, log.message.cycle_ns)
        )
        since_ns = np.where(narrowed, np.maximum(since_ns, time_ns - lag_ns - 1), since_ns)
    since_ns = np.where(since_ns == NO_FRAME_NS, first_ns - 1, since_ns)
    last_before = np.where(last_before == NO_FRAME_NS, first_ns - 1, last_before)
    silences, carried_ns = _silences(rows, log.last_ns, timeout_ns, end_ns)
    if timeout_ns is not None:
        is_alone = ~_begin_in_time(pauses, silences, timeout_ns)
        silences, carried_ns = silences[is_alone], carried_ns[is_alone]
    # Where the timeout runs out at a clock discontinuity, the clock discontinuity is what is told.
    before_discontinuity = ~np.isin(silences + (timeout_ns or 0), broken_ns)
    silences, carried_ns = silences[before_discontinuity], carried_ns[before_discontinuity]
    is_told = _are_told(discontinuities, quiet)
    broken_ns, last_before = broken_ns[is_told], last_before[is_told]
    # What a multiplexed signal was, no frame has confirmed since the last that carried it.
    carried_ns = np.where(carried_ns == NO_FRAME_NS, first_ns - 1, carried_ns)
    holes = len(silences) + len(broken_ns)
    shown = np.maximum(quiet.row, 0)
    is_known = quiet.row >= 0
    quiet_state = np.where(is_known, state[shown] if len(state) else UNKNOWN_STATE, UNKNOWN_STATE)
    quiet_why = np.where(is_known, why[shown] if len(state) else 0, quiet.why)
    order_ns = np.concatenate(
        ([first_ns], silences + (timeout_ns or 0), broken_ns, quiet.at_ns, time_ns),
    )
    # At one and the same time a frame has the last word.
    order = np.lexsort((np.arange(len(order_ns)), order_ns))
    merged_since = np.concatenate(
        (
            [first_ns - 1],
            carried_ns,
            np.minimum(last_before, broken_ns - 1),
            np.where(quiet.since_ns == NO_FRAME_NS, first_ns - 1, quiet.since_ns),
            since_ns,
        ),
    )[order]
    merged_state = np.concatenate(([UNKNOWN_STATE], np.full(holes, UNKNOWN_STATE), quiet_state, state))[order]
    merged_value = np.concatenate(
        ([np.nan], np.full(holes, np.nan), np.where(is_known, value[shown] if len(state) else np.nan, np.nan), value)
    )[order]
    merged_why = np.concatenate(
        (
            [UnknownReason.NO_FRAME_YET.value],
            np.full(len(silences), UnknownReason.TIMED_OUT.value),
            np.array(
                [
                    (UnknownReason.HOLE if discontinuity.is_hole else UnknownReason.DISCONTINUITY).value
                    for discontinuity in discontinuities
                ],
                np.int64,
            )[is_told],
            quiet_why,
            why,
        )
    )[order]
    seen_ns = order_ns[order]
    quiet_raw = np.where(is_known, raw[shown] if len(raw) else 0, 0).astype(np.uint64)
    merged_raw = np.concatenate((np.zeros(1 + holes, np.uint64), quiet_raw, raw))[order]
    numbers = None if states or track.signal is None else typed_raw(merged_raw, track.signal)
    kept = _changes(merged_state, merged_why, numbers)
    if len(time_ns) and time_ns[0] == first_ns:
        kept &= merged_why != UnknownReason.NO_FRAME_YET.value
    seen_ns = _ascending(seen_ns[kept])
    unnamed_at, unnamed = _unnamed(merged_raw[kept], merged_why[kept] == UnknownReason.UNMAPPED.value, track.signal)
    return Timeline(
        role=track.name,
        seen_ns=seen_ns,
        changed_after_ns=_widened(np.minimum(merged_since[kept], seen_ns - 1), seen_ns, resolution_ns, first_ns),
        state=merged_state[kept].astype(np.int32),
        value=merged_value[kept],
        why=merged_why[kept].astype(np.int8),
        states=tuple(states),
        unit=unit,
        last_frame_ns=None if rows.last_ns == NO_FRAME_NS else rows.last_ns,
        period_ns=period_ns or rows.cadence.period_ns,
        cycle_ns=log.message.cycle_ns,
        timeout_ns=timeout_ns,
        # Of several frames with the last stamp the later ones are moved on.
        end_ns=max(end_ns, int(seen_ns[-1])),
        unnamed_at=unnamed_at,
        unnamed=unnamed,
        raw=None if numbers is None else numbers[kept],
        signal=None if numbers is None else track.signal,
        pauses=pauses,
        unread=unread,
        sampling=_sampling(rows, state, shortest, seen_ns[merged_state[kept] == UNKNOWN_STATE], resolution_ns),
    )


def _sampling(
    rows: TrackHistory,
    state: NDArray[np.int64],
    shortest: Shortest,
    unknown_ns: NDArray[np.int64],
    resolution_ns: int,
) -> Sampling:
    """Return the gaps between frames in which a state can hide, by all that is known and by what surely holds.

    A state that lasts d hides between two frames only if they are at least d apart. Gaps in which the role is unknown
    anyway, from one of `unknown_ns` on, are left out.
    """
    none = nothing_hides()
    time_ns, since_ns, _, _ = rows.arrays()
    if shortest.least_ns is None or not len(time_ns):
        return none._replace(shortest_ns=shortest.least_ns, is_polled=shortest.is_polled)
    before = np.append(UNKNOWN_STATE, state[:-1])
    gap_ns = np.where(since_ns == NO_FRAME_NS, 0, time_ns - since_ns + resolution_ns)
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
    first: NDArray[np.int64], last: NDArray[np.int64], gap_ns: NDArray[np.int64], shortest: Sequence[int | None]
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


class _Quiet(NamedTuple):
    """Entries that the pauses of a recording make, in order of time."""

    at_ns: NDArray[np.int64]
    #: Last frame before that carried the signal, or `NO_FRAME_NS`.
    since_ns: NDArray[np.int64]
    #: Row that tells the state; -1 where it is unknown.
    row: NDArray[np.intp]
    #: Reason, where it is unknown.
    why: NDArray[np.int64]


def _quiet(
    rows: TrackHistory,
    pauses: Sequence[Pause],
    discontinuities: Sequence[ClockDiscontinuity],
    timeout_ns: int | None,
    lost_ns: int,
    end_ns: int,
) -> _Quiet:
    """Return what becomes unknown in pauses, and what is known again, or has become silent, behind them.

    A role is unknown from the last frame before a pause until the next that carries the signal. Where that next one
    is not kept as a row, it came in its usual time, and shows what the rows before the pause show.
    """
    time_ns, since_ns, raw, silent_from_ns = rows.arrays()
    found: list[tuple[int, int, int, int]] = []
    broken_ns = np.array([discontinuity.time_ns for discontinuity in discontinuities], np.int64)
    changed = (
        np.append(True, raw[1:] != raw[:-1])[: len(raw)]
        | (silent_from_ns != NO_FRAME_NS)
        | (time_ns - since_ns > lost_ns)
    )
    # The first row of a piece of the log is kept whatever it shows, and must not be of consequence.
    changed |= np.searchsorted(broken_ns, time_ns, "right") > np.searchsorted(broken_ns, since_ns, "right")
    kept = np.flatnonzero(changed)
    for number, (from_ns, to_ns) in enumerate(pauses):
        after = int(np.searchsorted(time_ns[kept], to_ns))
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
    return _Quiet(columns[:, 0], columns[:, 1], columns[:, 2].astype(np.intp), columns[:, 3])


def _are_told(discontinuities: Sequence[ClockDiscontinuity], quiet: _Quiet) -> NDArray[np.bool_]:
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
    time_ns = rows.arrays()[0]
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
    time_ns = rows.arrays()[0]
    again = np.append(time_ns, end_ns)[np.searchsorted(time_ns, silences, "right")]
    return [Pause(*stretch) for stretch in zip(silences.tolist(), again.tolist(), strict=True)]


def _in_silences(
    unread: tuple[Pause, ...], rows: TrackHistory, last_ns: int, timeout_ns: int | None, first_ns: int, end_ns: int
) -> tuple[Pause, ...]:
    """Return which unread lines stand where the message did not come in its time; all, where it has no such time."""
    if timeout_ns is None or not unread:
        return unread
    time_ns = rows.arrays()[0]
    silent = _silent_stretches(rows, last_ns, timeout_ns, end_ns)
    silent.append(Pause(first_ns, int(time_ns[0]) if len(time_ns) else end_ns))
    return tuple(one for one in unread if any(one.from_ns < it.to_ns and one.to_ns > it.from_ns for it in silent))


def _states_of(
    raw: NDArray[np.uint64], track: Track, states: Mapping[str, frozenset[int]]
) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Return state code and value of each row."""
    signal = track.signal
    value = np.full(len(raw), np.nan)
    if signal is None:
        return np.zeros(len(raw), np.int64), value
    different, where = np.unique(raw, return_inverse=True)
    special = special_codes(different, signal) if has_special_values(signal, track.message) else np.zeros(1, np.int8)
    if states:
        code_of = {number: code for code, numbers in enumerate(states.values()) for number in numbers}
        codes = np.array(
            [code_of.get(number, UNKNOWN_STATE) for number in typed_raw(different, signal).tolist()], np.int64
        )
        # What is reserved may have got a meaning, if the expectations name it.
        return np.where(special >= ERROR_CODE, UNKNOWN_STATE, codes)[where], value
    values = np.where(special, np.nan, physical(typed_raw(different, signal), signal).astype(np.float64))[where]
    return np.where(np.isnan(values), UNKNOWN_STATE, 0), values


def _unnamed(
    raw: NDArray[np.uint64], is_unnamed: NDArray[np.bool_], signal: Signal | None
) -> tuple[NDArray[np.int32] | None, tuple[str, ...]]:
    """Return for each entry which of the values without a name it is, and what these are called."""
    if signal is None or not is_unnamed.any():
        return None, ()
    different, where = np.unique(raw[is_unnamed], return_inverse=True)
    at = np.full(len(raw), -1, np.int32)
    at[is_unnamed] = where
    numbers = typed_raw(different, signal).tolist()
    return at, tuple(
        f"'{signal.labels[it]}'" if it in signal.labels else f"{it:.15g}" if isinstance(it, float) else f"{it}"
        for it in numbers
    )


def typed_raw(bits: NDArray[np.uint64], signal: Signal) -> Numbers:
    """Return raw values in the type that the signal's kind gives them, from their 64 recorded bits."""
    match signal.kind:
        case ValueType.UNSIGNED:
            return bits
        case ValueType.SIGNED:
            return bits.view(np.int64)
        case ValueType.FLOAT:
            return bits.view(np.float64)


def _silences(
    rows: TrackHistory, last_ns: int, timeout_ns: int | None, end_ns: int
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return for each silence the message's last frame before it, and the last one that carried the signal.

    One that reaches the end is included; `last_ns` is the message's last frame of all.
    """
    none = np.empty(0, np.int64)
    if timeout_ns is None:
        return none, none
    _, since_ns, _, silent_from_ns = rows.arrays()
    ended = silent_from_ns != NO_FRAME_NS
    silences, carried_ns = silent_from_ns[ended], since_ns[ended]
    final_ns = rows.open_gap_ns
    if final_ns == NO_FRAME_NS and last_ns != NO_FRAME_NS and end_ns - last_ns > timeout_ns:
        final_ns = last_ns
    if final_ns == NO_FRAME_NS:
        return silences, carried_ns
    return np.append(silences, final_ns), np.append(carried_ns, rows.last_ns)


def _changes(state: NDArray[np.int64], why: NDArray[np.int64], number: Numbers | None) -> NDArray[np.bool_]:
    """Return which entries differ from the one before."""
    kept = np.ones(len(state), np.bool_)
    kept[1:] = (state[1:] != state[:-1]) | (why[1:] != why[:-1])
    if number is not None:
        kept[1:] |= (number[1:] != number[:-1]) & (state[1:] != UNKNOWN_STATE)
    return kept


def _widened(
    since_ns: NDArray[np.int64], seen_ns: NDArray[np.int64], resolution_ns: int, first_ns: int
) -> NDArray[np.int64]:
    """Return since when changes may have been, of stamps that were rounded: not from before the entry before."""
    before_ns = np.append(first_ns - 1, seen_ns[:-1])
    widened: NDArray[np.int64] = np.minimum(since_ns, np.maximum(since_ns - resolution_ns, before_ns))
    return widened


def _ascending(time_ns: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return ascending times with ties and their followers moved on by as many ns as keep them apart."""
    steps = np.arange(len(time_ns))
    return np.maximum.accumulate(time_ns - steps) + steps
