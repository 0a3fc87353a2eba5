"""Several recordings of the same minutes on one axis: each keeps its clock, and what that adds to the doubt."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from buslens.capture.frames import Clock, Pause, ReadStats
from buslens.checks.alignment import Alignment, Event, by_events, stated
from buslens.checks.context import EvaluationContext, Presence
from buslens.checks.edges import BlindInterval, TriggerTimes
from buslens.checks.phrases import plain
from buslens.expectations.model import Align, Condition, Trigger
from buslens.expectations.subjects import longest_hold_ns, roles_of, roles_of_trigger
from buslens.timeline.model import UNKNOWN_STATE, Timeline, UnknownReason, nothing_hides
from buslens.timeline.ternary import TernaryTimeline
from buslens.units import NS_PER_S

_APART_NS: Final = NS_PER_S
"""Between recordings that share nothing, on the axis of the first one."""
_WALL_DOUBT_NS: Final = NS_PER_S
"""By so much the times of day of two instruments may differ where nobody says it (common practice, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Recording:
    """What one of several recordings shows, by its own clock or on the axis of the first one."""

    path: str
    stats: ReadStats
    #: The roles that it shows.
    timelines: Mapping[str, Timeline]
    presences: Mapping[str, Presence]
    first_ns: int
    end_ns: int
    #: How far its clock may be off that of the first one, ns; None where nothing tells.
    doubt_ns: int | None = 0
    #: How far off its time each value may have been read, ns; no two values share that.
    moved_ns: int = 0
    #: Where its clock ran back, on the axis.
    discontinuities_ns: tuple[int, ...] = ()

    @classmethod
    def of(
        cls,
        path: str,
        stats: ReadStats,
        timelines: Mapping[str, Timeline],
        presences: Mapping[str, Presence] = MappingProxyType({}),
        *,
        moved_ns: int = 0,
    ) -> Recording:
        """Return a recording by its own clock."""
        return cls(
            path=path,
            stats=stats,
            timelines=timelines,
            presences=presences,
            first_ns=stats.first_ns or 0,
            end_ns=stats.last_ns or 0,
            moved_ns=moved_ns,
            discontinuities_ns=tuple(it.time_ns for it in stats.discontinuities),
        )

    @property
    def carried(self) -> dict[str, Timeline]:
        """The timelines of the roles that it carries."""
        return {name: it for name, it in self.timelines.items() if it.why[0] != UnknownReason.NOT_CARRIED.value}

    @property
    def context(self) -> EvaluationContext:
        """The recording as rules see it that speak of nothing else."""
        return EvaluationContext(
            timelines=self.timelines,
            presences=self.presences,
            first_ns=self.first_ns,
            end_ns=self.end_ns,
            is_timed=self.stats.clock is not Clock.MISSING,
            discontinuities_ns=self.discontinuities_ns,
        )


def aligned(first: Recording, other: Recording, align: Align | None) -> tuple[Recording, str]:
    """Return another recording on the axis of the first one, and how it came there, as a sentence."""
    found = _alignment(first, other, align)
    if isinstance(found, str):
        shift_ns = first.end_ns + _APART_NS - other.first_ns
        found_at = stated(shift_ns, 0, other.first_ns, other.end_ns)
        text = f"{other.path}: {found}; it stands behind the rest, and nothing is checked across"
        return _placed(other, found_at, None), text
    return _placed(other, found, found.doubt_ns), "; ".join([f"{other.path}: {found.text(first.first_ns)}", *found.odd])


def _alignment(first: Recording, other: Recording, align: Align | None) -> Alignment | str:
    if other.stats.discontinuities:
        return "its clock jumped back, so that it has no one offset (save what came before and after as two tables)"
    if align is not None and align.offset_ns is not None:
        return _stated(align.offset_ns, align.doubt_ns or 0, first, other)
    if align is not None and align.same:
        mine, theirs = [], []
        for pair in align.same:
            for one, two in ((pair[0], pair[-1]), (pair[-1], pair[0])):
                if set(roles_of_trigger(one)) <= set(first.timelines) and set(roles_of_trigger(two)) <= set(
                    other.timelines
                ):
                    mine.append(_events(first, one))
                    theirs.append(_events(other, two))
                    break
        found = by_events(mine, theirs, align.apart_ns, other.first_ns, other.end_ns)
        if isinstance(found, Alignment) or not _have_days(first, other):
            return found
        # A wire that is broken shows no event.
        return _by_day(align, first, other)
    if _have_days(first, other):
        return _by_day(align, first, other)
    return "nothing says how its clock stands to that of the log; name a shared event under [align]"


def _have_days(first: Recording, other: Recording) -> bool:
    return first.stats.clock is Clock.WALL and other.stats.clock is Clock.WALL


def _by_day(align: Align | None, first: Recording, other: Recording) -> Alignment:
    doubt_ns = _WALL_DOUBT_NS if align is None or align.doubt_ns is None else align.doubt_ns
    return _stated(0, doubt_ns, first, other)


def _stated(offset_ns: int, doubt_ns: int, first: Recording, other: Recording) -> Alignment:
    """Return the alignment by an offset between stamps: values were read before that of their row, if not at it."""
    return stated(offset_ns + first.moved_ns - other.moved_ns, doubt_ns, other.first_ns, other.end_ns)


def _events(recording: Recording, trigger: Trigger) -> Sequence[Event]:
    # A change that two samples show happened between them; others may hide there.
    timelines = {role: replace(it, sampling=nothing_hides()) for role, it in recording.timelines.items()}
    found = replace(recording, timelines=timelines).context.trigger_times(trigger)
    since_ns, seen_ns = found.since_ns - recording.moved_ns, found.seen_ns + recording.moved_ns
    return list(zip(since_ns.tolist(), seen_ns.tolist(), strict=True))


def _placed(recording: Recording, alignment: Alignment, doubt_ns: int | None) -> Recording:
    """Return a recording with its times on the axis of the first one."""

    def moved(time_ns: NDArray[np.int64]) -> NDArray[np.int64]:
        return alignment.placed(time_ns)

    def one(time_ns: int) -> int:
        return int(moved(np.array([time_ns], np.int64))[0])

    timelines = {}
    for role, timeline in recording.timelines.items():
        sampling = timeline.sampling
        seen_ns = moved(timeline.seen_ns)
        timelines[role] = replace(
            timeline,
            seen_ns=seen_ns,
            gap_ns=seen_ns - moved(timeline.changed_after_ns),
            last_frame_ns=None if timeline.last_frame_ns is None else one(timeline.last_frame_ns),
            end_ns=one(timeline.end_ns),
            pauses=tuple(Pause(one(it.from_ns), one(it.to_ns)) for it in timeline.pauses),
            unread=tuple(Pause(one(it.from_ns), one(it.to_ns)) for it in timeline.unread),
            clock_ns=doubt_ns or 0,
            sampling=sampling._replace(
                blind_ns=moved(sampling.blind_ns),
                unshown_ns=moved(sampling.unshown_ns),
                wide_ns=moved(sampling.wide_ns),
            ),
        )
    return replace(
        recording,
        timelines=timelines,
        first_ns=one(recording.first_ns),
        end_ns=one(recording.end_ns),
        doubt_ns=doubt_ns,
        discontinuities_ns=tuple(map(one, recording.discontinuities_ns)),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordedTogether:
    """Several recordings of the same minutes on one axis."""

    recordings: tuple[Recording, ...]
    #: By role, each from the first moment of all recordings to the last; those that none shows are unknown.
    timelines: Mapping[str, Timeline]

    def context_of(self, roles: AbstractSet[str]) -> EvaluationContext | str:
        """Return what the recordings show of some roles; why nothing can be said of them, if so."""
        showing = [it for it in self.recordings if roles & set(it.timelines)] or list(self.recordings[:1])
        if len(showing) == 1:
            own = {**self.timelines, **showing[0].timelines}
            shown = {name: own[name] for name in roles}
            if not showing[0].moved_ns:
                return replace(showing[0], timelines=shown).context
            alone = replace(showing[0], doubt_ns=0)
            return SpanningContext([alone], shown, alone.first_ns, alone.end_ns, is_lone=len(roles) == 1)
        if any(it.doubt_ns is None for it in showing):
            return unaligned_text(roles)
        begin_ns, stop_ns = max(it.first_ns for it in showing), min(it.end_ns for it in showing)
        if begin_ns >= stop_ns:
            return "cannot decide: the recordings that show its roles cover no moment together"
        parts = {name: clipped(self.timelines[name], begin_ns, stop_ns) for name in roles}
        return SpanningContext(showing, parts, begin_ns, stop_ns, is_lone=len(roles) == 1)


def extended(timeline: Timeline, first_ns: int, end_ns: int) -> Timeline:
    """Return a timeline on a longer axis: nothing was recorded before it begins and behind its end."""
    begin_ns, stop_ns = int(timeline.seen_ns[0]), timeline.end_ns
    before, behind = int(begin_ns > first_ns), int(stop_ns < end_ns)
    if not before and not behind:
        return timeline
    reason = UnknownReason.NOT_RECORDED.value
    if timeline.why[0] == UnknownReason.NOT_CARRIED.value:
        reason = UnknownReason.NOT_CARRIED.value
    last_ns = stop_ns if timeline.last_frame_ns is None else timeline.last_frame_ns

    def padded(values: Any, front: float, back: float) -> Any:
        return np.concatenate((np.full(before, front), values, np.full(behind, back))).astype(values.dtype)

    pauses = [*timeline.pauses]
    if before:
        pauses.insert(0, Pause(first_ns, begin_ns))
    if behind:
        pauses.append(Pause(last_ns, end_ns))
    seen_ns = np.concatenate((np.full(before, first_ns), timeline.seen_ns, np.full(behind, stop_ns + 1)))
    changed_ns = np.concatenate((np.full(before, first_ns - 1), timeline.changed_after_ns, np.full(behind, last_ns)))
    raw = timeline.raw
    return replace(
        timeline,
        seen_ns=seen_ns.astype(np.int64),
        gap_ns=np.maximum(seen_ns - changed_ns, 1).astype(np.int64),
        state=padded(timeline.state, UNKNOWN_STATE, UNKNOWN_STATE),
        why=padded(timeline.why, reason, reason),
        unnamed_at=None if timeline.unnamed_at is None else padded(timeline.unnamed_at, -1, -1),
        raw=None if raw is None else padded(raw, 0, 0),
        pauses=tuple(pauses),
        end_ns=end_ns,
    )


def clipped(timeline: Timeline, first_ns: int, end_ns: int) -> Timeline:
    """Return the part of a timeline between two times, of which the first lies on it."""
    begin = max(int(np.searchsorted(timeline.seen_ns, first_ns, side="right")) - 1, 0)
    stop = max(int(np.searchsorted(timeline.seen_ns, end_ns, side="right")), begin + 1)
    seen_ns, changed_ns = timeline.seen_ns[begin:stop].copy(), timeline.changed_after_ns[begin:stop].copy()
    seen_ns[0], changed_ns[0] = first_ns, min(int(changed_ns[0]), first_ns - 1)
    sampling = timeline.sampling
    last_ns = timeline.last_frame_ns
    return replace(
        timeline,
        **{**timeline.part(begin, stop), "seen_ns": seen_ns, "gap_ns": seen_ns - changed_ns},
        last_frame_ns=None if last_ns is None or last_ns < first_ns else min(last_ns, end_ns),
        end_ns=end_ns,
        sampling=sampling._replace(
            blind_ns=_within(sampling.blind_ns, first_ns, end_ns),
            unshown_ns=_within(sampling.unshown_ns, first_ns, end_ns),
            wide_ns=_within(sampling.wide_ns, first_ns, end_ns),
        ),
    )


def _within(gaps_ns: NDArray[np.int64], first_ns: int, end_ns: int) -> NDArray[np.int64]:
    """Return the parts of gaps that lie between two times."""
    inside = gaps_ns[(gaps_ns[:, 1] > first_ns) & (gaps_ns[:, 0] < end_ns)]
    return np.clip(inside, first_ns, end_ns)


class SpanningContext(EvaluationContext):
    """Several recordings as rules see them that speak of roles of more than one.

    Parameters
    ----------
    recordings : iterable of Recording
        On one axis, each with the doubt of its clock.
    timelines : mapping of str to Timeline
        By role, each from `first_ns` to `end_ns`.
    first_ns, end_ns : int
        Times that all of the recordings cover.
    is_lone : bool
        Whether it is one role, so that a moment of it is not set beside one of another.
    """

    def __init__(
        self,
        recordings: Iterable[Recording],
        timelines: Mapping[str, Timeline],
        first_ns: int,
        end_ns: int,
        *,
        is_lone: bool = False,
    ) -> None:
        self._recordings = tuple(recordings)
        breaks_ns = sorted({at_ns for it in self._recordings for at_ns in it.discontinuities_ns})
        super().__init__(
            timelines=timelines, presences={}, first_ns=first_ns, end_ns=end_ns, discontinuities_ns=tuple(breaks_ns)
        )
        self._is_lone = is_lone
        self._doubts = {role: (it.doubt_ns or 0) + it.moved_ns for it in self._recordings for role in it.timelines}
        self._contexts: dict[str, EvaluationContext] = {}
        self._sources = {role: it.path for it in self._recordings for role in it.timelines}
        self._shared = {it.path: it.doubt_ns or 0 for it in self._recordings}

    def _like(self, timelines: Mapping[str, Timeline]) -> EvaluationContext:
        return SpanningContext(self._recordings, timelines, self.first_ns, self.end_ns, is_lone=self._is_lone)

    def _with_last_values_held(self, since_ns: int) -> EvaluationContext:
        """Return the context with last values held to the end; clocks in doubt leave no time from which on alone."""
        return super()._with_last_values_held(min(since_ns, self.first_ns))

    def _source(self, roles: Iterable[str]) -> tuple[str, int] | None:
        """Return the recording that shows all roles, and the doubt of its clock; None if several show them."""
        found = {(self._sources.get(role, ""), self._doubts.get(role, 0)) for role in roles}
        return found.pop() if len(found) == 1 else None

    def _evaluate(self, condition: Condition) -> TernaryTimeline:
        source = self._source(roles_of(condition))
        if source is None:
            return super()._evaluate(condition)
        keeps_moments = self._is_lone and not longest_hold_ns(condition)
        return self._alone(source[0]).ternary(condition).smeared(source[1], keeps_moments=keeps_moments)

    def ternary_while(self, condition: Condition, scope: Condition) -> list[tuple[TernaryTimeline, TernaryTimeline]]:
        """Return the same; the doubt of a clock moves one recording as a whole, and either side of the two bears it."""
        found = super().ternary_while(condition, scope)
        for one, other in ((condition, scope), (scope, condition)):
            source = self._source(roles_of(one))
            if source is not None:
                shared_ns = self._shared.get(source[0], 0)
                firm = self._alone(source[0]).ternary(one).smeared(source[1] - shared_ns)
                moved = self.ternary(other).smeared(shared_ns)
                truth, within = (firm, moved) if one is condition else (moved, firm)
                found.append((truth & within, ~truth & within))
        return found

    def _alone(self, source: str) -> EvaluationContext:
        """Return the context of one recording on the whole axis, with its clock taken to be right."""
        if source not in self._contexts:
            timelines = {role: it for role, it in self.timelines.items() if self._sources.get(role, "") == source}
            self._contexts[source] = EvaluationContext(
                timelines=timelines, presences={}, first_ns=self.first_ns, end_ns=self.end_ns
            )
        return self._contexts[source]

    def _find(self, trigger: Trigger) -> TriggerTimes:
        roles = roles_of_trigger(trigger)
        source = self._source(roles)
        if source is None:
            return super()._find(trigger)
        name, doubt_ns = source
        found = self._alone(name).trigger_times(trigger)
        return replace(
            found,
            since_ns=found.since_ns - doubt_ns,
            seen_ns=found.seen_ns + doubt_ns,
            possible=tuple(_widened(it, doubt_ns) for it in found.possible),
            unlocated=tuple(_widened(it, doubt_ns) for it in found.unlocated),
            source=name,
            doubt_ns=self._shared.get(name, 0),
        )

    def shown_until_ns(self, trigger: Trigger) -> int:
        """Return the time up to which every role of a trigger is surely shown."""
        doubt_ns = max((self._doubts.get(role, 0) for role in roles_of_trigger(trigger)), default=0)
        return super().shown_until_ns(trigger) - doubt_ns


def _widened(interval: BlindInterval, doubt_ns: int) -> BlindInterval:
    return replace(interval, from_ns=interval.from_ns - doubt_ns, until_ns=interval.until_ns + doubt_ns)


def unaligned_text(roles: Iterable[str]) -> str:
    """Return that roles of recordings that were not brought together cannot be compared."""
    names = ", ".join(plain(role) for role in sorted(roles))
    return f"cannot decide: nothing brings the clocks together that {names} were recorded by; name a shared event"
