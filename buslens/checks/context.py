"""What the rules look at: the timelines of one capture, and conditions and triggers evaluated on them."""

from __future__ import annotations

import operator
from bisect import bisect_left, bisect_right
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from functools import partial, reduce

import numpy as np
from numpy.typing import NDArray

from buslens.capture.frames import Pause
from buslens.checks.edges import BlindInterval, TriggerTimes
from buslens.checks.phrases import plain
from buslens.checks.records import Records
from buslens.expectations.model import (
    And,
    Between,
    Compare,
    Condition,
    HeldFor,
    Is,
    IsUnknown,
    Not,
    Or,
    Trigger,
)
from buslens.expectations.subjects import (
    edge_condition,
    longest_hold_ns,
    roles_of,
    roles_of_trigger,
)
from buslens.timeline.model import STOPPED, UNKNOWN_STATE, Timeline, UnknownReason, no_gaps
from buslens.timeline.on_demand import TimelinesOnDemand
from buslens.timeline.ternary import FALSE, TRUE, TernaryTimeline, is_unknown, ternary_of
from buslens.units import format_duration, format_rate


class BlindIntervals(Records[BlindInterval]):
    """Those of one role, in order of time; each is made when it is asked for, for its text takes long.

    Parameters
    ----------
    timeline : Timeline
        Of the role.
    doubt_ns : int
        By how much they are longer at each end, ns.
    """

    def __init__(self, timeline: Timeline, doubt_ns: int = 0) -> None:
        self._timeline = timeline
        self._doubt_ns = doubt_ns
        unknown = timeline.state == UNKNOWN_STATE
        starts = np.flatnonzero(unknown & np.append(True, ~unknown[:-1]))
        stops = np.flatnonzero(unknown & np.append(~unknown[1:], True)) + 1
        gaps_ns = timeline.sampling.blind_ns if timeline.sampling.is_polled else no_gaps()
        from_ns = np.append(timeline.seen_ns[starts] - timeline.gap_ns[starts], gaps_ns[:, 0])
        until_ns = np.append(np.append(timeline.seen_ns, timeline.end_ns + 1)[stops], gaps_ns[:, 1])
        order = np.lexsort((until_ns, from_ns))
        #: int64[n], ns: where they begin and end.
        self.from_ns, self.until_ns = from_ns[order] - doubt_ns, until_ns[order] + doubt_ns
        #: Entries of the timeline, first and one past the last, of those that lie between no two samples.
        self._entries = np.column_stack((np.append(starts, gaps_ns[:, 0] * 0 - 1), np.append(stops, gaps_ns[:, 0] * 0)))
        self._entries = self._entries[order]

    def __len__(self) -> int:
        return len(self.from_ns)

    def at(self, index: int) -> BlindInterval:
        """Return one of them, counted from 0."""
        from_ns, until_ns = int(self.from_ns[index]), int(self.until_ns[index])
        start, stop = self._entries[index].tolist()
        if start >= 0:
            return replace(_zone(self._timeline, start, stop, until_ns), from_ns=from_ns)
        why = gap_text(self._timeline, from_ns + self._doubt_ns, until_ns - self._doubt_ns)
        return BlindInterval(from_ns=from_ns, until_ns=until_ns, why=why, is_gap=True)


@dataclass(frozen=True, slots=True, kw_only=True)
class Presence:
    """When a message was there."""

    timeline: Timeline
    #: Time between frames, ns, that its timeout rests on; None if unknown.
    cycle_ns: int | None


class EvaluationContext:
    """One capture as the rules see it.

    Parameters
    ----------
    timelines : mapping of str to Timeline
        By role.
    presences : mapping of str to Presence
        By the name of the rule that asks for it.
    first_ns, end_ns : int
        Times of the first and of the last frame of the capture.
    is_timed : bool
        Whether the capture has time stamps; without them only the order of frames is known.
    discontinuities_ns : tuple of int
        Where the recorded clock ran back, ascending: a length of time across such a place is not known.
    by_columns : bool
        Whether what is plainly as it should be is told of all occurrences at once. Else each is looked at on its own,
        with the same findings; for tests, which hold the two to each other.
    """

    def __init__(
        self,
        *,
        timelines: Mapping[str, Timeline],
        presences: Mapping[str, Presence],
        first_ns: int,
        end_ns: int,
        is_timed: bool = True,
        discontinuities_ns: tuple[int, ...] = (),
        by_columns: bool = True,
    ) -> None:
        self.timelines = timelines
        self.presences = presences
        self.first_ns = first_ns
        self.end_ns = end_ns
        self.is_timed = is_timed
        self.discontinuities_ns = discontinuities_ns
        self.by_columns = by_columns
        self._truths: dict[Condition, TernaryTimeline] = {}
        #: By identity, for a handshake asks often and a trigger is slow to hash; the trigger is kept with it.
        self._occurrences: dict[int, tuple[Trigger, TriggerTimes]] = {}
        self._zones: dict[str, BlindIntervals] = {}
        #: In the same way, whether a subject is polled.
        self._polled: dict[int, tuple[Trigger | Condition, bool]] = {}
        #: By how much longer the stretches of a role are at each end, ns.
        self._doubts: dict[str, int] = {}
        self._reaches: dict[int, tuple[NDArray[np.int64], NDArray[np.int64]]] = {}

    def _like(self, timelines: Mapping[str, Timeline]) -> EvaluationContext:
        """Return the same context with other timelines."""
        return EvaluationContext(
            timelines=timelines,
            presences=self.presences,
            first_ns=self.first_ns,
            end_ns=self.end_ns,
            is_timed=self.is_timed,
            discontinuities_ns=self.discontinuities_ns,
            by_columns=self.by_columns,
        )

    def ternary(self, condition: Condition) -> TernaryTimeline:
        """Return a condition through the capture."""
        if condition not in self._truths:
            self._truths[condition] = self._evaluate(condition)
        return self._truths[condition]

    def ternary_while(self, condition: Condition, scope: Condition) -> list[tuple[TernaryTimeline, TernaryTimeline]]:
        """Return when a condition surely holds while another one does, and when surely not, in each way to be sure."""
        truth, within = self.ternary(condition), self.ternary(scope)
        return [(truth & within, ~truth & within)]

    def _evaluate(self, condition: Condition) -> TernaryTimeline:
        match condition:
            case Is(role=role, state=state):
                timeline = self.timelines[role]
                return ternary_of(timeline, lambda it: it.state == it.states.index(state))
            case IsUnknown(role=role):
                return is_unknown(self.timelines[role])
            case Compare(role=role, operator=sign, value=value):
                return ternary_of(self.timelines[role], lambda it: it.compare(sign, value))
            case Between(role=role, low=low, high=high):
                return ternary_of(self.timelines[role], lambda it: it.compare(">=", low) & it.compare("<=", high))
            case And(parts=parts):
                return reduce(operator.and_, map(self.ternary, parts))
            case Or(parts=parts):
                return reduce(operator.or_, map(self.ternary, parts))
            case Not(part=part):
                return ~self.ternary(part)
            case HeldFor(part=part, duration_ns=duration_ns):
                return self.ternary(part).held_for(duration_ns)

    def trigger_times(self, trigger: Trigger) -> TriggerTimes:
        """Return when a trigger came about."""
        known = self._occurrences.get(id(trigger))
        if known is None:
            known = self._occurrences[id(trigger)] = trigger, self._find(trigger)
        return known[1]

    def _find(self, trigger: Trigger) -> TriggerTimes:
        since, seen, doubtful, unseen = [], [], [], []
        for moment in trigger.moments:
            condition = edge_condition(moment)
            since_ns, seen_ns = self.ternary(condition).edges()
            for begin_ns, end_ns, unknown_ns in zip(*self.ternary(condition).edges_across_unknown(), strict=True):
                why = self.why_unknown(condition, int(unknown_ns))
                is_ruled_out = moment.while_ is not None and self.ternary(moment.while_).is_false(begin_ns, end_ns)
                if not is_ruled_out:
                    unseen.append(BlindInterval(from_ns=int(begin_ns), until_ns=int(end_ns), why=why))
            if moment.while_ is not None:
                also = self.ternary(moment.while_)
                value = also.value[np.searchsorted(also.at_ns, seen_ns, side="right") - 1]
                if self.is_polled(condition, moment.while_):
                    pairs = zip(since_ns.tolist(), seen_ns.tolist(), strict=True)
                    value = np.array([also.over(begin_ns, end_ns) for begin_ns, end_ns in pairs], np.int8)
                for index in np.flatnonzero((value != TRUE) & (value != FALSE)):
                    why = self.why_unknown(moment.while_, int(seen_ns[index]))
                    doubtful.append(BlindInterval(from_ns=int(since_ns[index]), until_ns=int(seen_ns[index]), why=why))
                since_ns, seen_ns = since_ns[value == TRUE], seen_ns[value == TRUE]
            since.append(since_ns)
            seen.append(seen_ns)
        since_ns, seen_ns = np.concatenate(since), np.concatenate(seen)
        order = np.lexsort((since_ns, seen_ns))
        return TriggerTimes(
            since_ns=since_ns[order],
            seen_ns=seen_ns[order],
            possible=tuple(sorted(doubtful)),
            unlocated=tuple(sorted(unseen)),
            roles=roles_of_trigger(trigger),
        )

    def blind_intervals(self, role: str) -> BlindIntervals:
        """Return the stretches that could hide a change of a role, in order of time."""
        if role not in self._zones:
            self._zones[role] = BlindIntervals(self.timelines[role], self._doubts.get(role, 0))
        return self._zones[role]

    def first_blind_interval(self, trigger: Trigger, since_ns: int, until_ns: int) -> BlindInterval | None:
        """Return the first stretch that could hide a trigger and reaches into ``(since_ns, until_ns]``."""
        if self.by_columns:
            from_ns, reach_ns = self._reach(trigger)
            begun = int(from_ns.searchsorted(until_ns))
            if not begun or reach_ns[begun] <= since_ns:
                return None
        found = list(self.trigger_times(trigger).first_possible(since_ns))
        # What has to hold for a while can come true so much later than the stretch in which it began unseen.
        held_ns = max(longest_hold_ns(edge_condition(moment)) for moment in trigger.moments)
        if held_ns and self.first_ns + held_ns > since_ns:
            why = "the state before the capture began is unknown"
            found.append(BlindInterval(from_ns=self.first_ns - 1, until_ns=self.first_ns + held_ns, why=why))
        for role in self.trigger_times(trigger).roles:
            zones = self.blind_intervals(role)
            # The zones of one role do not overlap, so that one bisection finds the first that reaches in.
            first = int(zones.until_ns.searchsorted(since_ns - held_ns, "right"))
            if first < len(zones) and zones.from_ns[first] < until_ns:
                zone, timeline = zones[first], self.timelines[role]
                found.append(zone if zone.is_gap else _part_of(zone, timeline, since_ns - held_ns, until_ns))
        return min((zone for zone in found if zone.from_ns < until_ns), default=None)

    def may_be_hidden(
        self, trigger: Trigger, since_ns: NDArray[np.int64], until_ns: NDArray[np.int64]
    ) -> NDArray[np.bool_]:
        """Return whether `first_blind_interval` may find something in each of many ``(since_ns, until_ns]``."""
        from_ns, reach_ns = self._reach(trigger)
        begun = np.searchsorted(from_ns, until_ns)
        found: NDArray[np.bool_] = (begun > 0) & (reach_ns[begun] > since_ns)
        return found

    def _reach(self, trigger: Trigger) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Return the beginnings of all stretches that could hide a trigger, ascending, and how far they reach.

        Element i of the latter is the furthest end of the stretches before number i, with the time for which a
        condition asks back.
        """
        # The trigger is kept alive beside its occurrences.
        found = self.trigger_times(trigger)
        if id(trigger) not in self._reaches:
            held_ns = max(longest_hold_ns(edge_condition(moment)) for moment in trigger.moments)
            pairs = [(zone.from_ns, zone.until_ns) for zone in found.possible]
            if held_ns:
                pairs.append((self.first_ns - 1, self.first_ns + held_ns))
            zones = [self.blind_intervals(role) for role in found.roles]
            from_ns = np.concatenate(([pair[0] for pair in pairs], *(it.from_ns for it in zones))).astype(np.int64)
            until_ns = np.concatenate(([pair[1] for pair in pairs], *(it.until_ns + held_ns for it in zones)))
            order = np.argsort(from_ns)
            reach_ns = np.maximum.accumulate(until_ns.astype(np.int64)[order])
            self._reaches[id(trigger)] = from_ns[order], np.append(0, reach_ns)
        return self._reaches[id(trigger)]

    def lasting(
        self, condition: Condition, truth_in: Callable[[EvaluationContext], TernaryTimeline]
    ) -> TernaryTimeline:
        """Return what is made of a condition, as if each of its roles kept its last value until the end.

        Up to the first last frame of them that is what is so anyway; only the rest is evaluated again.
        """
        shown_ns = [self.timelines[role].last_frame_ns for role in roles_of(condition)]
        since_ns = 1 + min((it for it in shown_ns if it is not None), default=self.end_ns)
        held = self._with_last_values_held(since_ns - longest_hold_ns(condition))
        return truth_in(self).until(since_ns, truth_in(held))

    def _with_last_values_held(self, since_ns: int) -> EvaluationContext:
        """Return the context with last values held to the end; it need tell nothing of what was before a time."""

        def held(role: str) -> Timeline:
            timeline = self.timelines[role].since(since_ns)
            return replace(timeline, last_frame_ns=timeline.end_ns)

        return self._like(TimelinesOnDemand({role: partial(held, role) for role in self.timelines}))

    def is_polled(self, *subjects: Trigger | Condition) -> bool:
        """Return whether a role was asked for from time to time, so that two changes between samples have no order."""
        return any(map(self._asks_polled, subjects))

    def _asks_polled(self, subject: Trigger | Condition) -> bool:
        known = self._polled.get(id(subject))
        if known is None:
            found = any(self.timelines[role].sampling.is_polled for role in self._roles_in(subject))
            known = self._polled[id(subject)] = subject, found
        return known[1]

    def is_in_gap(self, condition: Condition, time_ns: int) -> bool:
        """Return whether a time lies between two samples of a role of a condition that are too far apart."""
        samplings = [self.timelines[role].sampling for role in roles_of(condition)]
        return any(it.is_polled and it.gap_at(time_ns, it.wide_ns) is not None for it in samplings)

    def first_gap(self, subject: Trigger | Condition, *, unshown: bool = False) -> BlindInterval | None:
        """Return the first two samples of a role between which a state can hide; with `unshown` however short it is."""
        return next(self.gaps(subject, unshown=unshown), None)

    def gaps(self, subject: Trigger | Condition, *, unshown: bool = False) -> Iterator[BlindInterval]:
        """Yield where a state can hide between two samples, role by role."""
        for role in self._roles_in(subject):
            timeline = self.timelines[role]
            if timeline.sampling.is_polled:
                yield from _gaps_of(timeline, timeline.sampling.unshown_ns if unshown else timeline.sampling.blind_ns)

    def hiding_gap(self, trigger: Trigger, since_ns: int, until_ns: int) -> BlindInterval | None:
        """Return the first two frames in ``(since_ns, until_ns]`` between which a change could hide that none shows."""
        for role in self.trigger_times(trigger).roles:
            timeline = self.timelines[role]
            gaps_ns = timeline.sampling.blind_ns
            gaps_ns = gaps_ns[(gaps_ns[:, 1] > since_ns) & (gaps_ns[:, 0] < until_ns)]
            if len(gaps_ns):
                return next(_gaps_of(timeline, gaps_ns))
        return None

    def has_discontinuity(self, since_ns: int, until_ns: int) -> bool:
        """Return whether the recorded clock ran back in ``(since_ns, until_ns]``."""
        return bisect_right(self.discontinuities_ns, until_ns) > bisect_right(self.discontinuities_ns, since_ns)

    def have_discontinuity(self, since_ns: NDArray[np.int64], until_ns: NDArray[np.int64]) -> NDArray[np.bool_]:
        """Return the same of each of many stretches."""
        at_ns = np.array(self.discontinuities_ns, np.int64)
        return np.searchsorted(at_ns, until_ns, side="right") > np.searchsorted(at_ns, since_ns, side="right")

    def shown_until_ns(self, trigger: Trigger) -> int:
        """Return the time up to which the log shows every role of a trigger; before the capture if not at all."""
        before = self.first_ns - 1
        lasts = [self.timelines[role].last_frame_ns for role in self._roles_in(trigger)]
        return min((before if last is None else last for last in lasts), default=self.end_ns)

    def why_unknown(self, condition: Condition, time_ns: int) -> str:
        """Return which role keeps a condition from being decided at a time, as words behind "because"."""
        in_doubt = []
        for role in roles_of(condition):
            timeline = self.timelines[role]
            index = max(int(np.searchsorted(timeline.seen_ns, time_ns, side="right")) - 1, 0)
            if timeline.state[index] == UNKNOWN_STATE:
                return _unknown_text(timeline, index)
            if timeline.sampling.is_polled and (gap := timeline.sampling.gap_at(time_ns)) is not None:
                return gap_text(timeline, *gap)
            if _is_unconfirmed(timeline, index, time_ns):
                return f"the last frame that shows {plain(role)} came before"
            if index + 1 < len(timeline) and timeline.since_ns(index + 1) < time_ns:
                if timeline.state[index + 1] == UNKNOWN_STATE:
                    return _unknown_text(timeline, index + 1)
                in_doubt.append(role)
        if not in_doubt and time_ns < self.first_ns + longest_hold_ns(condition):
            return "the state before the capture began is unknown"
        for role in () if in_doubt else roles_of(condition):
            timeline = self.timelines[role]
            if (gap := timeline.sampling.gap_at(time_ns, timeline.sampling.wide_ns)) is not None:
                return gap_text(timeline, *gap)
        return f"{' or '.join(in_doubt or roles_of(condition))} changed between two frames around it"

    def unknown_text(self, role: str, since_ns: int) -> str:
        """Return that a role is unknown, and why it is so in the stretch that begins at a time."""
        timeline = self.timelines[role]
        index = max(int(np.searchsorted(timeline.seen_ns, since_ns, side="right")) - 1, 0)
        # It is, or it is on the way to it; not looked for beyond, for there can be many such stretches.
        unknown = np.flatnonzero(timeline.state[index : index + 2] == UNKNOWN_STATE)
        return _unknown_text(timeline, index + int(unknown[0])) if len(unknown) else f"{plain(role)} is unknown"

    def warm_up_end_ns(self, condition: Condition) -> int:
        """Return the time from which a condition is checked: when each of its roles has had time for a first frame.

        A role whose first frame takes longer than its timeout is not waited for: it is unknown. The time in which
        its channel is not recorded yet does not count.
        """
        settled = self.first_ns
        for role in roles_of(condition):
            timeline = self.timelines[role]
            waited = timeline.last_frame_ns is not None and timeline.why[0] == UnknownReason.NO_FRAME_YET.value
            has_come = timeline.why != UnknownReason.NO_FRAME_YET.value
            has_come &= timeline.why != UnknownReason.NOT_RECORDED.value
            if waited and has_come.any():
                first_ns = int(timeline.seen_ns[has_come.argmax()])
                begun_ns = max((it.to_ns for it in timeline.pauses[:1] if it.from_ns <= self.first_ns), default=0)
                if timeline.timeout_ns is None or first_ns - max(begun_ns, self.first_ns) <= timeline.timeout_ns:
                    settled = max(settled, first_ns)
        return settled

    def cycle_ns(self, *subjects: Trigger | Condition) -> int | None:
        """Return the cycle time, by the definitions, of the role involved that was recorded least often, ns."""
        timelines = [self.timelines[role] for subject in subjects for role in self._roles_in(subject)]
        slowest = max(timelines, key=lambda it: it.period_ns or 0, default=None)
        return None if slowest is None else slowest.cycle_ns

    def period_ns(self, *subjects: Trigger | Condition) -> int | None:
        """Return the longest usual time between frames of the roles involved, ns."""
        periods = [self.timelines[role].period_ns for subject in subjects for role in self._roles_in(subject)]
        return max((period for period in periods if period is not None), default=None)

    def _roles_in(self, subject: Trigger | Condition) -> tuple[str, ...]:
        return self.trigger_times(subject).roles if isinstance(subject, Trigger) else roles_of(subject)


def describe_why(timeline: Timeline, index: int) -> str:
    """Return in words why a role is unknown in an entry of its timeline."""
    match UnknownReason(int(timeline.why[index])):
        case UnknownReason.NO_FRAME_YET if timeline.last_frame_ns is None:
            return "the capture has no frame that carries it"
        case UnknownReason.NO_FRAME_YET:
            return "its first frame has not come yet"
        case UnknownReason.TIMED_OUT:
            return "message timeout"
        case UnknownReason.DISCONTINUITY:
            return "recorder clock jumped back"
        case UnknownReason.HOLE:
            return "a part of the log is lost"
        case UnknownReason.NOT_CARRIED:
            return "this recording does not carry it"
        case UnknownReason.NOT_RECORDED:
            pause = timeline.pause_at(index)
            return pause_text(timeline, pause) if pause is not None else "nothing at all was recorded"
        case UnknownReason.CONTRADICTED:
            return f"it comes from {' and from '.join(timeline.senders)}, which contradict each other"
        case _:
            unnamed = timeline.unnamed_value(index)
            value = f" {unnamed}" if unnamed else ""
            if timeline.is_number:
                return "its cell holds no number" if unnamed == "nan" else f"its value{value} is not a number"
            return f"its value{value} is not assigned to a state"


def pause_text(timeline: Timeline, pause: Pause) -> str:
    """Return that nothing was recorded on the channel of a role, and when, from the beginning of the capture."""
    from_ns, to_ns = (at_ns - int(timeline.seen_ns[0]) for at_ns in pause)
    if any(it.from_ns < pause.to_ns and it.to_ns > pause.from_ns for it in timeline.unread):
        end_ns = pause.to_ns
        for each in timeline.unread:
            # Those that follow each other so closely are one stretch to a reader.
            if end_ns < each.to_ns and each.from_ns - end_ns <= (timeline.timeout_ns or 0):
                end_ns = each.to_ns
        to_ns = end_ns - int(timeline.seen_ns[0])
        return (
            f"lines between {format_duration(from_ns)} and {format_duration(to_ns)} could not be read, and may have"
            " carried it"
        )
    if timeline.sampling.is_polled:
        return f"no sample shows it from {format_duration(from_ns)} to {format_duration(to_ns)}"
    return (
        f"nothing at all was recorded from {format_duration(from_ns)} to {format_duration(to_ns)}"
        " (the bus slept, or the recorder paused)"
    )


def _unknown_text(timeline: Timeline, index: int) -> str:
    """Return that a role is unknown in an entry of its timeline, and why."""
    return f"{plain(timeline.role)} is unknown ({describe_why(timeline, index)})"


def _is_unconfirmed(timeline: Timeline, index: int, time_ns: int) -> bool:
    """Return whether a time is after the last frame of a role before a silence, a discontinuity or the end."""
    if index + 1 == len(timeline):
        return timeline.last_frame_ns is not None and time_ns > timeline.last_frame_ns
    return timeline.why[index + 1] in STOPPED and time_ns > timeline.since_ns(index + 1)


def _part_of(zone: BlindInterval, timeline: Timeline, since_ns: int, until_ns: int) -> BlindInterval:
    """Return what of a zone of a role can hide something in ``(since_ns, until_ns]``.

    A role can be unknown for one reason after another, and only the reasons of then explain anything.
    """
    entries = range(len(timeline))
    start = bisect_left(entries, zone.from_ns, key=timeline.since_ns)
    stop = int(np.searchsorted(timeline.seen_ns, zone.until_ns))
    first = max(int(np.searchsorted(timeline.seen_ns, since_ns, side="right")) - 1, start)
    past_last = min(bisect_left(entries, until_ns, key=timeline.since_ns), stop)
    return _zone(timeline, first, past_last, zone.until_ns)


def _gaps_of(timeline: Timeline, gaps_ns: NDArray[np.int64]) -> Iterator[BlindInterval]:
    for from_ns, to_ns in gaps_ns.tolist():
        yield BlindInterval(from_ns=from_ns, until_ns=to_ns, why=gap_text(timeline, from_ns, to_ns), is_gap=True)


def gap_text(timeline: Timeline, from_ns: int, to_ns: int) -> str:
    """Return what may hide between two samples of a role, and what would show it."""
    role, gap_ns, sampling = plain(timeline.role), to_ns - from_ns, timeline.sampling
    shortest_ns, apart_ns, coarse_ns = sampling.shortest_ns or 0, sampling.apart_ns, sampling.resolution_ns
    gap = f"{'up to ' if apart_ns or coarse_ns else ''}{format_duration(gap_ns + apart_ns + coarse_ns)}"
    text = f"samples of {role} are {gap} apart, and a state of {format_duration(shortest_ns)} can hide between two"
    wire = "a measurement at its wire"
    if 0 < shortest_ns <= coarse_ns:  # however fast they come
        return f"{text}; time stamps finer than {format_duration(coarse_ns)} would show it, or {wire}"
    # Rows that come faster are also read faster.
    needed_ns = shortest_ns - coarse_ns - apart_ns
    if sampling.is_by_row:
        needed_ns = (shortest_ns - coarse_ns) * gap_ns // (gap_ns + apart_ns)
    if needed_ns <= 0:
        return f"{text}; {wire} would show it"
    text += f"; {format_rate(needed_ns)} would show it"
    return f"{text}, or {wire}" if sampling.is_polled else text


def _zone(timeline: Timeline, start: int, stop: int, until_ns: int) -> BlindInterval:
    """Return the stretch of some unknown entries of a timeline; a pause, or a clock that ran back, is named first."""
    why = timeline.why[start:stop]
    pauses = np.flatnonzero((why == UnknownReason.NOT_RECORDED.value) | (why == UnknownReason.HOLE.value))
    discontinuities = np.flatnonzero(why == UnknownReason.DISCONTINUITY.value)
    named = pauses if len(pauses) else discontinuities
    return BlindInterval(
        from_ns=timeline.since_ns(start),
        until_ns=until_ns,
        why=_unknown_text(timeline, start + int(named[0]) if len(named) else start),
        is_discontinuity=bool(len(discontinuities)) and not len(pauses),
    )
