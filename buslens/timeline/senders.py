"""One role that comes from several channels or sources: where they say the same, and where they contradict each other.

A gateway's copy shows a change a little after the message that it copies. So senders that differ contradict each other
only once they have done so for longer than each of their cycles; the role is then unknown from where they began to
differ. What differs for less is a change on its way: it counts from the first of them that shows it.
"""

from collections.abc import Iterable, Mapping
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from buslens.capture.pauses import common_pauses, merge_pauses
from buslens.timeline.model import UNKNOWN_STATE, Timeline, UnknownReason

_LEAST: Final = np.iinfo(np.int64).min
_MOST: Final = np.iinfo(np.int64).max


def merged(parts: Mapping[str, Timeline]) -> Timeline:
    """Return the timeline of a role that several senders send.

    Parameters
    ----------
    parts : mapping of str to Timeline
        The same role as each of them alone shows it, by what the sender is called; at least two.
    """
    timelines = tuple(parts.values())
    one = timelines[0]
    seen_ns = np.unique(np.concatenate([it.seen_ns for it in timelines]))
    entry = np.array([np.maximum(np.searchsorted(it.seen_ns, seen_ns, "right") - 1, 0) for it in timelines])
    begun_ns = np.array([it.seen_ns[rows] for it, rows in zip(timelines, entry, strict=True)])
    code = _codes(timelines, entry)
    known = code != UNKNOWN_STATE
    highest, lowest = np.where(known, code, _LEAST).max(0), np.where(known, code, _MOST).min(0)
    differ = known.any(0) & (highest != lowest)
    # Of those who know something the latest entry counts; of the others, first those that are recorded.
    reason = np.array([it.why[rows] for it, rows in zip(timelines, entry, strict=True)])
    usable = known | (~known.any(0) & (reason != UnknownReason.NOT_RECORDED.value))
    chosen = np.argmax(np.where(usable | ~usable.any(0), begun_ns, _LEAST), 0)
    end_ns = max(it.end_ns for it in timelines)
    cycle_ns = max((it.period_ns for it in timelines if it.period_ns is not None), default=0)
    contradicted = np.zeros(len(seen_ns), np.bool_)
    edges = np.flatnonzero(np.diff(np.concatenate(([False], differ, [False])).astype(np.int8)))
    for begin, stop in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        until_ns = int(seen_ns[stop]) if stop < len(seen_ns) else end_ns
        if until_ns - int(seen_ns[begin]) > cycle_ns:
            contradicted[begin:stop] = True
        else:
            chosen[begin:stop] = _first_to_change(code, known, begun_ns, begin, int(chosen[begin - 1]) if begin else -1)
    columns = np.arange(len(seen_ns))
    at = entry[chosen, columns]

    def pick(arrays: Iterable[NDArray[Any]]) -> NDArray[Any]:
        all_of = np.array([array[rows] for array, rows in zip(arrays, entry, strict=True)])
        picked: NDArray[Any] = all_of[chosen, columns]
        return picked

    state = np.where(contradicted, UNKNOWN_STATE, pick(it.state for it in timelines))
    why = np.where(contradicted, UnknownReason.CONTRADICTED.value, reason[chosen, columns])
    raws = [it.raw for it in timelines if it.raw is not None]
    raw = pick(raws) if len(raws) == len(timelines) else None
    told = np.where(contradicted, UNKNOWN_STATE, code[chosen, columns])
    kept = np.append(True, (told[1:] != told[:-1]) | (why[1:] != why[:-1]))
    since_ns = np.minimum(np.maximum.accumulate(pick(it.changed_after_ns for it in timelines)), seen_ns - 1)
    unnamed_at, unnamed = _unnamed(timelines, chosen, at, contradicted)
    lasts = [it.last_frame_ns for it in timelines if it.last_frame_ns is not None]
    return Timeline(
        role=one.role,
        seen_ns=seen_ns[kept],
        gap_ns=(seen_ns - since_ns)[kept],
        state=state[kept].astype(one.state.dtype),
        why=why[kept].astype(np.int8),
        states=one.states,
        unit=one.unit,
        last_frame_ns=max(lasts, default=None),
        period_ns=min((it.period_ns for it in timelines if it.period_ns is not None), default=None),
        timeout_ns=one.timeout_ns,
        waking_ns=one.waking_ns,
        end_ns=end_ns,
        unnamed_at=None if unnamed_at is None else unnamed_at[kept],
        unnamed=unnamed,
        raw=None if raw is None else raw[kept],
        signal=one.signal,
        pauses=common_pauses(it.pauses for it in timelines),
        unread=merge_pauses(pause for it in timelines for pause in it.unread),
        senders=tuple(parts),
    )


def _codes(timelines: tuple[Timeline, ...], entry: NDArray[np.intp]) -> NDArray[np.int64]:
    """Return for each sender and moment a number for its state; `UNKNOWN_STATE` where it is unknown."""
    state = np.array([it.state[rows] for it, rows in zip(timelines, entry, strict=True)], np.int64)
    if timelines[0].states:
        return state
    value = np.array([it.value[rows] for it, rows in zip(timelines, entry, strict=True)])
    _, code = np.unique(value, return_inverse=True)
    return np.where(state == UNKNOWN_STATE, UNKNOWN_STATE, code.reshape(value.shape))


def _first_to_change(
    code: NDArray[np.int64], known: NDArray[np.bool_], begun_ns: NDArray[np.int64], column: int, before: int
) -> int:
    """Return which sender is the first to show something new where several begin to differ."""
    new = known[:, column]
    if before >= 0 and known[before, column - 1]:
        new = new & (code[:, column] != code[before, column - 1])
    return int(np.argmax(np.where(new, begun_ns[:, column], _LEAST)))


def _unnamed(
    timelines: tuple[Timeline, ...], chosen: NDArray[np.intp], at: NDArray[np.intp], contradicted: NDArray[np.bool_]
) -> tuple[NDArray[np.int32] | None, tuple[str, ...]]:
    """Return for each entry which of the values without a name it is, and what these are called."""
    names = tuple(dict.fromkeys(name for it in timelines for name in it.unnamed))
    if not names:
        return None, ()
    found = np.full(len(at), -1, np.int32)
    for number, it in enumerate(timelines):
        mine = (chosen == number) & ~contradicted
        if it.unnamed_at is not None and mine.any():
            place = np.array([names.index(name) for name in it.unnamed] + [-1], np.int32)
            found[mine] = place[it.unnamed_at[at[mine]]]
    return found, names
