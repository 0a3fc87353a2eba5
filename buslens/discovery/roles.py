"""Which signals may mean what to the handshake: by names, value names, marks, and by what follows what.

Each signal gets points for each role: from words (`naming`), and from how it changes around the moves of the lock
(`behaviour`). The signals of the handshake are chosen together, for each is told by the others: the enable by the
feedbacks that follow it, the feedbacks by the enable, the door and the button by the direction in which the lock then
moves, and the direction by what comes before and behind. All weights are plain judgement, no source.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from buslens.definitions.model import Definitions, Message, Signal, ValueType
from buslens.discovery.behaviour import LONGEST_PULSE_NS, Moves, common, rest_of
from buslens.discovery.naming import (
    ROLES,
    STATES,
    UNITS,
    bare,
    invalid_of,
    is_counter,
    is_labelled,
    label_states,
    name_points,
    polarity,
    says_other,
    side_points,
)
from buslens.discovery.traces import FEW_BITS, STARTING_NS, UNSEEN, ShownSignals, Trace, is_state, name_of, within
from buslens.discovery.vocabulary import OF_GATEWAYS, tokens
from buslens.units import NS_PER_MS

ENOUGH: Final = 4.5
"""Points that a role needs."""
_ENOUGH_ALONE: Final = 4.0
_FAR_AHEAD: Final = 2.5
"""Points that are enough for a role of the handshake that no other signal comes near, and how far that is."""
AHEAD: Final = 1.0
"""Points that it is ahead of the next, or the next is named as a doubt."""
_CLEARLY_NAMED: Final = 3.0
"""Points by names alone that another signal is ahead, so that what a signal does is not enough."""
HANDSHAKE: Final = ("door_open", "start_button", "ignition", "lock_enable", "unlock_feedback", "data_feedback")
"""The roles that a complete handshake needs."""
_WORTH_READING: Final = 0.5
"""Points by names alone for which a whole byte is read: most are measured values (rule of thumb)."""
_SHARE: Final = 0.5
"""A feedback changes with at least so many of the moves."""
_NEAREST: Final = 8.0
_SOONER: Final = 0.2
_TRIED: Final = 24
_MASK_FROM: Final = 3
"""Bits from which on a signal without value names, of whose values two differ by one bit, has a bit for each thing."""
_CHOSEN_FROM: Final = 8
_OTHERS: Final = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class RoleMatch:
    """One signal for one role."""

    role: str
    message: Message
    signal: Signal
    points: float
    #: Own state name -> raw values; empty for a number.
    states: Mapping[str, tuple[int, ...]] = field(default_factory=dict)
    #: What speaks for and against it, as words.
    reasons: tuple[str, ...] = ()

    @property
    def name(self) -> str:
        """Message and signal; of a table the column."""
        return name_of(self.message, self.signal)

    def more(self, points: float, reason: str) -> RoleMatch:
        """Return the fit with more points, and why."""
        return replace(self, points=self.points + points, reasons=(*self.reasons, reason))


@dataclass(frozen=True, slots=True, kw_only=True)
class Proposal:
    """The best signal for a role, and those behind it."""

    role: str
    best: RoleMatch | None
    #: Whether it stands in the file, not as a comment.
    is_certain: bool
    #: Why it is not certain, or what to look at although it is; empty for nothing.
    doubt: str = ""
    others: tuple[RoleMatch, ...] = ()


def is_wanted(message: Message, signal: Signal) -> bool:
    """Return whether a signal can be one of the roles, so that it is worth reading."""
    if is_state(signal):
        if signal.length > FEW_BITS and not signal.labels:
            return any(name_points(role, message, signal)[0] >= _WORTH_READING for role in HANDSHAKE)
        return not is_counter(signal) or name_points("start_button", message, signal)[0] > 0
    return any(_is_number_of(role, signal) and name_points(role, message, signal)[0] > 0 for role in UNITS)


def _is_number_of(role: str, signal: Signal) -> bool:
    return signal.unit.strip().lower() in UNITS[role] and signal.length >= 4 and signal.kind is not ValueType.FLOAT


@dataclass(frozen=True, slots=True, kw_only=True)
class _Choice:
    """Signals that make up a handshake, and what they add up to."""

    points: float
    moves: Moves
    fits: Mapping[str, list[RoleMatch]]


CHOSEN: Final = 100.0
"""Points of a signal that a person has chosen: more than all else can give."""


def _why(bonus: float) -> str:
    if bonus >= CHOSEN:
        return "you chose it"
    return "it changes where you marked it" if bonus > 0 else "it does not change at your marks"


class _Search:
    """Looks for the signals of the handshake."""

    def __init__(self, shown: ShownSignals, bonus: Mapping[tuple[str, str], float]) -> None:
        self._shown = shown
        self._bonus = bonus
        traces = [it for it in shown.traces.values() if is_state(it.signal) and not shown.counts_frames(it)]
        self.traces = _without_copies(traces, {name for _, name in bonus})
        self._named: dict[tuple[str, str], RoleMatch] = {}
        self._pulsed: dict[str, Moves | None] = {}

    def fit(self, role: str, trace: Trace) -> RoleMatch:
        """Return what the names of a signal, and marks, say for a role."""
        key = role, trace.name
        if key not in self._named:
            points, reasons = name_points(role, trace.message, trace.signal)
            fit = RoleMatch(role=role, message=trace.message, signal=trace.signal, points=points, reasons=reasons)
            if is_labelled(role, trace.signal):
                fit = fit.more(2.5 if role.endswith("_feedback") else 1.5, "its value names fit")
            elif role.endswith("_feedback") and says_other(role, trace.signal):
                fit = replace(fit, points=fit.points - 1.0)
            if bonus := self._bonus.get(key):
                fit = fit.more(bonus, _why(bonus))
            self._named[key] = fit
        return self._named[key]

    # --- the choice -------------------------------------------------------------------------------------

    def best(self) -> _Choice | None:
        """Return the choice with most points; None if nothing moves as a lock does."""
        rough: list[tuple[float, Moves, Trace]] = []
        pulsed = sorted(
            (it for trace in self.traces if (it := self._as_enable(trace)) is not None),
            key=lambda it: -self.fit("lock_enable", it.enable).points,
        )
        for moves in pulsed[:_TRIED]:
            own = self.fit("lock_enable", moves.enable).points
            for trace in self.traces:
                if trace is moves.enable or not trace.is_change.any():
                    continue
                named = max(self.fit(role, trace).points for role in ("unlock_feedback", "data_feedback"))
                if named > -3 and (share := moves.feedback_share(trace)) >= _SHARE:
                    rough.append((own + named + 6 * share, moves, trace))
        rough.sort(key=lambda it: -it[0])
        choices = [
            choice
            for _, moves, trace in rough[:_CHOSEN_FROM]
            for is_turned in (False, True)
            if (choice := self._choice(moves, trace, is_turned)) is not None
        ]
        best = max(choices, key=lambda it: it.points, default=None)
        # A request comes before the drive: where names do not tell the two apart, the pulse that begins later is it.
        while best is not None:
            choices = [it for it in choices if it is not best]
            later = [it for it in choices if self._is_driven_by(it, best)]
            if not later:
                break
            best = max(later, key=lambda it: it.points)
        return best

    def _is_driven_by(self, later: _Choice, best: _Choice) -> bool:
        """Return whether the pulses of another choice begin behind those of the best, and move the same feedback."""
        one, other = best.fits["unlock_feedback"][0], later.fits["unlock_feedback"][0]
        points = [self.fit("lock_enable", it.moves.enable).points for it in (best, later)]
        # In either sense: with a request in its place the drive itself may look like what comes behind a move.
        if one.name != other.name or points[0] - points[1] >= AHEAD:
            return False
        # By coarse stamps each may begin behind the other: which of them is the drive is not told then.
        return later.moves.begins_behind(best.moves) and not best.moves.begins_behind(later.moves)

    def _as_enable(self, trace: Trace) -> Moves | None:
        """Return the pulses of a signal that rests most of the time; None if it does not look like an enable."""
        if trace.name not in self._pulsed:
            self._pulsed[trace.name] = self._pulses(trace)
        return self._pulsed[trace.name]

    def _pulses(self, trace: Trace) -> Moves | None:
        if not trace.is_change.any():
            return None
        moves = Moves(self._shown, trace, on_values(trace))
        if not len(moves) or (moves.pulse_ns > LONGEST_PULSE_NS).any():
            return None
        return moves

    def _choice(self, moves: Moves, first: Trace, is_turned: bool) -> _Choice | None:
        """Return the best choice with this enable and this feedback; in one or the other sense."""
        moves = Moves(self._shown, moves.enable, moves.on, first)
        ends = _two_ends(moves, first, is_turned)
        if ends is None:
            return None
        locked, unlocked = ends
        _, after = moves.ends_of(first)
        to_locked, to_unlocked = after == locked, after == unlocked
        fits: dict[str, list[RoleMatch]] = {}
        hard = self._feedback("unlock_feedback", moves, first, to_locked, to_unlocked)
        if hard is None:
            return None
        fits["unlock_feedback"] = [self._side(hard, moves)]
        seconds = [
            self._side(self._against(fit, moves, first, trace), moves)
            for trace in self.traces
            if trace is not first and trace is not moves.enable
            if self.fit("data_feedback", trace).points > -3
            if (fit := self._feedback("data_feedback", moves, trace, to_locked, to_unlocked)) is not None
        ]
        fits["data_feedback"] = _sorted(seconds)
        enable = self.fit("lock_enable", moves.enable)
        text = f"off at rest, on in {len(moves)} short pulse{'s' * (len(moves) != 1)}; {first.name} moves behind them"
        fits["lock_enable"] = [
            replace(enable.more(_driving(moves, first), text), states=enable_states(moves.enable)),
            *self._also_pulsed(moves, first),
        ]
        chosen = {moves.enable.name, first.name, *(fit.name for fit in fits["data_feedback"][:1])}
        rest = [trace for trace in self.traces if trace.name not in chosen]
        fits["door_open"] = self._causes("door_open", moves, rest, to_locked, to_unlocked)
        fits["start_button"] = self._causes("start_button", moves, rest, to_unlocked, to_locked)
        fits["ignition"] = self._ignitions(moves, rest, to_locked, to_unlocked, first, locked)
        points = sum(listed[0].points for listed in fits.values() if listed and listed[0].points > 0)
        # A request comes before the enable, and all else goes with it as well: names and nearness tell them apart.
        points += enable.points + _NEAREST * moves.nearness(first)
        if seconds and np.median(moves.reached(first)[1] - moves.reached(self._trace(fits["data_feedback"][0]))[1]) < 0:
            points += _SOONER  # of two that nothing else tells apart, the wire is sooner than the data line
        return _Choice(points=points, moves=moves, fits=fits)

    def _side(self, fit: RoleMatch, moves: Moves) -> RoleMatch:
        """Return a feedback with what tells by which path it comes: the control unit reads the wire, and sends that."""
        points, reasons = side_points(fit.role, fit.message, moves.enable.message)
        return replace(fit, points=fit.points + points, reasons=(*fit.reasons, *reasons))

    def _trace(self, fit: RoleMatch) -> Trace:
        return next(it for it in self.traces if it.name == fit.name)

    def _also_pulsed(self, moves: Moves, first: Trace) -> list[RoleMatch]:
        """Return the other signals behind whose pulses the feedback moves: a request looks like the enable."""
        found = []
        for trace in self.traces:
            other = self._as_enable(trace)
            if (
                other is None
                or trace is moves.enable
                or trace is first
                or (share := other.feedback_share(first)) < _SHARE
            ):
                continue
            fit = self.fit("lock_enable", trace).more(5.0 * share, f"{first.name} moves behind its pulses, too")
            later = moves.nearness(first) - other.nearness(first)
            if later > 0:
                fit = fit.more(-3.0 * later, f"{first.name} moves later behind them")
            if moves.begins_behind(other):
                # Where the drive never comes, what asks for it still does.
                fit = fit.more(
                    -2 * AHEAD, f"its pulses begin before those of {moves.enable.signal.name}, as a request's do"
                )
            found.append(replace(fit, states=enable_states(trace)))
        return _sorted(found)

    def _feedback(
        self, role: str, moves: Moves, trace: Trace, to_locked: NDArray[np.bool_], to_unlocked: NDArray[np.bool_]
    ) -> RoleMatch | None:
        """Return a signal as a feedback whose values are told by where the moves end."""
        share = moves.feedback_share(trace)
        if share < _SHARE:
            return None
        _, after = moves.ends_of(trace)
        before, _ = moves.ends_of(trace)
        locked, unlocked = common(after[to_locked]), common(after[to_unlocked])
        if locked == UNSEEN:
            locked = common(before[to_unlocked])
        if unlocked == UNSEEN:
            unlocked = common(before[to_locked])
        if locked == unlocked or UNSEEN in {locked, unlocked}:
            return None
        right = (after[to_locked] == locked).sum() + (after[to_unlocked] == unlocked).sum()
        share *= float(right / max(to_locked.sum() + to_unlocked.sum(), 1))
        text = f"{round(100 * share)} % of its changes and of the pulses of {moves.enable.signal.name} go together"
        fit = self.fit(role, trace).more(5.0 * share, text)
        labels = label_states(role, trace.signal)
        if set(STATES[role]) <= set(labels):
            agrees = locked in labels["locked"] and unlocked in labels["unlocked"]
            return replace(fit if agrees else fit.more(-5.0, ""), states=with_moving(trace, labels, moves))
        is_one = {1: "locked"} if locked == 1 else {1: "unlocked"} if unlocked == 1 else {}
        if trace.signal.length == 1 and (said := polarity(role, trace.signal)):
            fit = replace(fit, points=fit.points + (1.0 if is_one.get(1) == said else -1.5))
        states = with_moving(trace, {"locked": (locked,), "unlocked": (unlocked,)}, moves)
        one, other = trace_value(trace, locked), trace_value(trace, unlocked)
        text = f"{one} stands behind the moves that lock, {other} behind the others"
        return replace(fit.more(0.0, text), states=states)

    @staticmethod
    def _against(fit: RoleMatch, moves: Moves, first: Trace, trace: Trace) -> RoleMatch:
        """Return a second feedback with what speaks against it: it may only be the first one, written again."""
        if bare(trace.signal) == bare(first.signal) and trace.message is first.message:
            return fit.more(-8.0, f"by its name it is {first.signal.name} once more, turned round")
        if trace.message is first.message:
            mine, theirs = trace.seen_ns[trace.is_change], first.seen_ns[first.is_change]
            same = len(np.intersect1d(mine, theirs))
            if same and same == max(len(mine), len(theirs)):
                return fit.more(-2.0, f"it always changes in the same frame as {first.signal.name}")
        # What only one direction moves, such as a lamp that is tested, is no path of the feedback.
        apart = 1.0 - moves.agreement(trace, first)
        return (
            fit.more(-6.0 * apart, f"{round(100 * apart)} % of the moves change one of the two only") if apart else fit
        )

    def _causes(
        self, role: str, moves: Moves, traces: Iterable[Trace], wanted: NDArray[np.bool_], other: NDArray[np.bool_]
    ) -> list[RoleMatch]:
        """Return the signals that change before the moves of one direction."""
        found = []
        way = "lock" if role == "door_open" else "unlock"
        for trace in traces:
            named = self.fit(role, trace)
            counts = role == "start_button" and trace.counts
            changes = trace.with_pulses() if counts else trace
            around = moves.around(changes, wanted)
            if around is None or around.share < _SHARE:
                if named.points >= ENOUGH - 1 and trace.is_change.any() and wanted.any():
                    found.append(named.more(-4.0, f"it does not change before the moves that {way}"))
                elif named.points >= ENOUGH - 1:
                    found.append(self._by_names(named, trace))
                continue
            against = moves.around(changes, other)
            back = 0.0 if against is None or against.raw != around.raw else against.closeness
            does = "counts on" if counts else f"changes to {trace_value(trace, around.raw)}"
            text = (
                f"it {does} before {round(100 * around.share)} % of the moves that {way},"
                f" {round(around.lag_ns / NS_PER_MS)} ms ahead"
            )
            fit = named.more(6.0 * around.strength - 3.0 * back, text)
            if not counts and around.raw == rest_of(trace, invalid_of(trace.signal)):
                fit = fit.more(-1.5, f"{trace_value(trace, around.raw)} is where it rests")
            if not counts and not trace.goes_back(around.raw):
                fit = fit.more(-2.0, f"from {trace_value(trace, around.raw)} it goes on, not back")
            pulses = None if counts else self._as_enable(trace)
            if pulses is not None and moves.begins_behind(pulses):
                fit = fit.more(
                    -3.0, f"the pulses of {moves.enable.signal.name} lie within its own, as within a request's"
                )
            states = count_states(trace) if counts else two_states(role, trace, {STATES[role][0]: around.raw})
            found.append(replace(fit, states=states))
        return _sorted(found)

    def _ignitions(
        self,
        moves: Moves,
        traces: Iterable[Trace],
        to_locked: NDArray[np.bool_],
        to_unlocked: NDArray[np.bool_],
        first: Trace,
        locked: int,
    ) -> list[RoleMatch]:
        """Return the signals that change behind the moves that unlock, and are off whenever the lock is engaged."""
        found = []
        for trace in traces:
            named = self.fit("ignition", trace)
            around = moves.around(trace, to_unlocked, behind=first)
            if around is None or around.share < _SHARE or around.lag_ns < 0:
                if named.points >= ENOUGH - 1 and (not trace.is_change.any() or not to_unlocked.any()):
                    found.append(self._by_names(named, trace))
                continue
            # As a capture begins the feedback may not have been seen yet.
            is_locked = within(first.at(trace.seen_ns + 1), [locked, UNSEEN]) & (first.at(trace.stop_ns - 1) == locked)
            states = ignition_states(trace, moves, is_locked)
            if set(states) < set(STATES["ignition"]):
                continue
            against = moves.around(trace, to_locked, behind=first)
            back = 0.0 if against is None or against.raw != around.raw else against.strength
            is_on = within(trace.raw, states["on"])
            wrong = float((is_locked & is_on).sum() / max(is_on.sum(), 1))
            text = (
                f"it changes to {trace_value(trace, around.raw)} behind {round(100 * around.share)} % of the moves that"
                f" unlock, {round(around.lag_ns / NS_PER_MS)} ms behind the release"
            )
            longest = (trace.stop_ns - trace.seen_ns)[is_on].max(initial=0)
            fit = named.more(6.0 * around.strength - 3.0 * back - 4.0 * wrong, text)
            if longest < 2_500 * NS_PER_MS:
                fit = fit.more(-1.0, "it never stays on for long")
            found.append(replace(fit, states=states))
        return _sorted(found)

    def _by_names(self, fit: RoleMatch, trace: Trace) -> RoleMatch:
        if not trace.is_change.any() and fit.role in HANDSHAKE:
            fit = fit.more(-1.5, "it never changes in these captures")
        return replace(fit, states=named_states(fit.role, trace))

    def best_name(self, role: str) -> RoleMatch | None:
        """Return the signal that fits a role best by its name alone, if it fits well."""
        named = [(name_points(role, it.message, it.signal)[0], it) for it in self.traces]
        points, trace = max(named, key=lambda it: it[0], default=(0.0, None))
        return None if trace is None or points < ENOUGH else replace(self.fit(role, trace), points=points)

    def by_names(self, role: str) -> list[RoleMatch]:
        """Return the signals that only names speak for."""
        return _sorted(
            self._by_names(fit, trace) for trace in self.traces if (fit := self.fit(role, trace)).points >= 2.0
        )


def _without_copies(traces: Sequence[Trace], marked: Collection[str]) -> list[Trace]:
    """Return the signals without those in which a gateway repeats another of the same name, save marked ones."""
    namesakes: dict[frozenset[str], list[Trace]] = {}
    for trace in traces:
        namesakes.setdefault(frozenset(tokens(trace.signal.name)) - OF_GATEWAYS, []).append(trace)

    def is_copy(trace: Trace) -> bool:
        sent = " ".join((trace.signal.name, trace.message.name, *trace.message.senders))
        words = frozenset(tokens(trace.signal.name))
        return not OF_GATEWAYS.isdisjoint(tokens(sent)) and any(
            other.message is not trace.message and trace.repeats(other) for other in namesakes[words - OF_GATEWAYS]
        )

    return [it for it in traces if it.name in marked or not is_copy(it)]


# --- states ---------------------------------------------------------------------------------------------


def trace_value(trace: Trace, raw: int) -> str:
    """Return a raw value as a person knows it."""
    return f"'{trace.signal.labels[raw]}'" if raw in trace.signal.labels else str(raw)


def on_values(trace: Trace) -> tuple[int, ...]:
    """Return the values of an enable that are not its rest."""
    labels = label_states("lock_enable", trace.signal)
    if set(STATES["lock_enable"]) <= set(labels):
        return labels["on"]
    invalid = invalid_of(trace.signal)
    rest = rest_of(trace, invalid)
    # What is only there from a capture's beginning may be a value from before the unit was awake.
    known = {*trace.raw[trace.is_change].tolist(), *labels.get("on", ())} - set(starting_values(trace))
    if trace.signal.length == 1:
        known.add(1 - rest)  # a bit that never left its rest has but one other value
    return tuple(sorted(raw for raw in known if raw != rest and not invalid.get(raw, False)))


def enable_states(trace: Trace) -> dict[str, tuple[int, ...]]:
    """Return what is off and on of an enable: its rest is off."""
    labels = label_states("lock_enable", trace.signal)
    if set(STATES["lock_enable"]) <= set(labels):
        return labels
    return {"off": (rest_of(trace, invalid_of(trace.signal)),), "on": on_values(trace)}


def with_moving(trace: Trace, known: Mapping[str, tuple[int, ...]], moves: Moves) -> dict[str, tuple[int, ...]]:
    """Return the states of a feedback; what is only shown on the way between the two is a state of its own."""
    invalid = invalid_of(trace.signal)
    named = {raw for raws in known.values() for raw in raws}
    between = list(known.get("moving", ()))
    for raw in trace.held_ns:
        if raw in named or invalid.get(raw, False):
            continue
        rows = trace.raw == raw
        index = np.searchsorted(moves.since_ns, trace.seen_ns[rows], side="right") - 1
        during = (index >= 0) & (trace.seen_ns[rows] <= moves.settled_ns[np.maximum(index, 0)])
        if during.all():
            between.append(raw)
    return {**known, **({"moving": tuple(sorted(between))} if between else {})}


def with_starting(trace: Trace, known: Mapping[str, tuple[int, ...]]) -> dict[str, tuple[int, ...]]:
    """Return the states of a role; what is only shown for a while as a capture begins is a state of its own."""
    named = {raw for raws in known.values() for raw in raws}
    starting = tuple(sorted(set(starting_values(trace)) - named))
    return {**known, **({"starting": starting} if starting else {})}


def starting_values(trace: Trace) -> list[int]:
    """Return the values that are only shown for a while as a capture begins, or after nothing was recorded.

    A unit that wakes up sends a value that means nothing yet, named or not.
    """
    is_short = trace.stop_ns - trace.seen_ns <= STARTING_NS
    is_left = np.append(trace.is_change[1:], False)
    is_starting = trace.is_start & is_short & is_left
    return sorted(set(trace.raw[is_starting].tolist()) - set(trace.raw[~is_starting].tolist()))


def _share_starting(proposals: dict[str, Proposal]) -> None:
    """Give both feedbacks the starting value that only one showed, where they are written alike."""
    first, second = proposals["unlock_feedback"], proposals["data_feedback"]
    for one, other, role in ((first, second, "data_feedback"), (second, first, "unlock_feedback")):
        if one.best is None or other.best is None or not (one.is_certain and other.is_certain):
            continue
        starting, named = one.best.states.get("starting"), {r for raws in other.best.states.values() for r in raws}
        same = one.best.signal.length == other.best.signal.length
        if starting and same and "starting" not in other.best.states and named.isdisjoint(starting):
            states = {**other.best.states, "starting": starting}
            proposals[role] = replace(other, best=replace(other.best, states=states))


def two_states(role: str, trace: Trace, known: Mapping[str, int]) -> dict[str, tuple[int, ...]]:
    """Return both states of a role: by value names, else the value that is known and the one that it rests at."""
    labels = label_states(role, trace.signal)
    first, second = STATES[role]
    raw = known[first]
    if {first, second} <= set(labels):
        return labels
    rest = next((it for it in trace.held_ns if it != raw and not invalid_of(trace.signal).get(it, False)), None)
    if rest is None:
        return {first: (raw,)}
    bit, length = raw ^ rest, trace.signal.length
    seen = int(np.bitwise_or.reduce(trace.raw)) if length > FEW_BITS else (1 << length) - 1
    values = [value for value in range((1 << length) - 1) if value | seen == seen]
    if length >= _MASK_FROM and not trace.signal.labels and bit.bit_count() == 1 and min(raw, rest) >= 0:
        # A bit for each door: one of them is the driver's, whatever the others do. All ones is no value.
        by_bit = [tuple(value for value in values if value & bit == it & bit) for it in (raw, rest)]
        return dict(zip((first, second), by_bit, strict=True))
    return {first: (raw,), second: (rest,)}


def count_states(trace: Trace) -> dict[str, tuple[int, ...]]:
    """Return the states of a signal that only counts: each press goes from one to the other."""
    values = range(1 << trace.signal.length)
    return {"even": tuple(values[::2]), "odd": tuple(values[1::2])}


def ignition_states(trace: Trace, moves: Moves, is_locked: NDArray[np.bool_]) -> dict[str, tuple[int, ...]]:
    """Return what is off and on: by value names, else by the lock.

    Off is what the signal shows whenever the lock begins to move, and what it shows from first to last while that is
    engaged: a key that is out of the car, or accessories. What it shows longest of the rest is on; what else follows on
    off, on the way there, are accessories. A value with a name that says nothing, beyond all that are off or all that
    are on, is as these are, though no capture shows it. Nothing is returned where the captures leave it open: of a
    value that they only begin with, and of one that stands before a third, as accessories do, or the ignition before
    the crank.
    """
    labels = label_states("ignition", trace.signal)
    if set(STATES["ignition"]) <= set(labels):
        return _by_place(trace, labels["off"], labels["on"])
    invalid = invalid_of(trace.signal)
    off = {int(raw) for raw in trace.at(moves.since_ns) if raw != UNSEEN}
    left = [raw for raw in trace.held_ns if raw not in off and not invalid.get(raw, False)]
    if len(left) > 1:
        left = [raw for raw in left if raw not in starting_values(trace)]
    engaged = set(trace.raw[is_locked].tolist())
    steps = set(zip(trace.raw[:-1][trace.is_change[1:]].tolist(), trace.raw[trace.is_change].tolist(), strict=True))
    from_off = {after for before, after in steps if before in off | engaged}
    open_ = {*left} - engaged
    reached = {after for _, after in steps}
    main = next((raw for raw in left if raw in open_ & reached), None)
    to_main = {before for before, after in steps if after == main} - off - engaged
    before_third = {raw for raw in (open_ & from_off) - {main} - to_main if any((raw, it) in steps for it in to_main)}
    if open_ - reached or before_third:
        return {}
    on = [raw for raw in left if raw == main or raw not in engaged | from_off]
    return _by_place(trace, off | {*left} - {*on}, on) if off and on else {}


def _by_place(trace: Trace, off: Collection[int], on: Collection[int]) -> dict[str, tuple[int, ...]]:
    """Return what is off and on, with values that no capture shows, if all that are off lie below all that are on.

    Named ones count as what they lie beyond. Where there are no names, accessories lie below on, and crank is the next
    above it: common practice, no source.
    """
    invalid = invalid_of(trace.signal)
    known = [raw for raw in sorted(invalid) if not invalid[raw]]
    if not invalid:
        known = [raw for raw in range(min(min(on) + 2, 1 << trace.signal.length)) if raw not in trace.held_ns]
    rest = [raw for raw in known if raw not in {*off, *on}] if max(off) < min(on) else []
    below = [raw for raw in rest if raw < (max(off) if invalid else min(on))]
    above = [raw for raw in rest if raw > min(on)]
    return {"off": tuple(sorted({*off, *below})), "on": tuple(sorted({*on, *above}))}


def named_states(role: str, trace: Trace) -> dict[str, tuple[int, ...]]:
    """Return the states that value names tell, or the name of a bit; empty if neither does."""
    if is_labelled(role, trace.signal):
        return label_states(role, trace.signal)
    if trace.signal.length != 1 or trace.signal.labels:
        return {}
    first, second = STATES[role]
    if role in {"lock_enable", "ignition", "warning_lamp"}:
        return {first: (0,), second: (1,)} if role != "lock_enable" else enable_states(trace)
    said = polarity(role, trace.signal) or (first if role in {"key", "pairing_state"} else "")
    if not said:
        return {}
    return {first: (1,), second: (0,)} if said == first else {first: (0,), second: (1,)}


# --- the proposal ---------------------------------------------------------------------------------------


def propose(
    definitions: Definitions, shown: ShownSignals, bonus: Mapping[tuple[str, str], float] | None = None
) -> tuple[dict[str, Proposal], Moves | None]:
    """Return a proposal for each role, and the moves of the lock if there are any.

    Parameters
    ----------
    definitions : Definitions
        Of the vehicle.
    shown : Shown
        What its captures show.
    bonus : mapping of (str, str) to float, optional
        Points by role and signal, of what a person has marked.
    """
    search = _Search(shown, bonus or {})
    choice = search.best()
    ranked: dict[str, list[RoleMatch]] = {}
    for role in HANDSHAKE:
        found = list(choice.fits.get(role, ())) if choice is not None else []
        named = [fit for fit in search.by_names(role) if all(fit.name != it.name for it in found)]
        if choice is not None and role == "lock_enable":
            named = [fit.more(-2.0, "no feedback moves behind its pulses as well") for fit in named]
        elif choice is not None and role in {"unlock_feedback", "data_feedback"}:
            named = [fit.more(-3.0, "it does not move with the enable") for fit in named]
        ranked[role] = _sorted([*found, *named]) if role not in {"lock_enable", "unlock_feedback"} else [*found, *named]
    for role in ("warning_lamp", "key", "pairing_state"):
        ranked[role] = search.by_names(role)
    for role in UNITS:
        ranked[role] = _numbers(role, definitions, shown)
    taken: dict[str, str] = {}
    proposals = {}
    for role in sorted(ROLES, key=lambda role: (role not in HANDSHAKE, _ORDER.get(role, 9))):
        listed = [fit for fit in ranked[role] if fit.name not in taken]
        proposals[role] = _proposal(role, listed, search.best_name(role) if role in HANDSHAKE else None)
        best = proposals[role].best
        if best is not None and proposals[role].is_certain:
            taken[best.name] = role
            trace = next((it for it in search.traces if it.name == best.name), None)
            if trace is not None and best.states:
                proposals[role] = replace(proposals[role], best=replace(best, states=with_starting(trace, best.states)))
    _doubt_swap(proposals)
    _share_starting(proposals)
    return {role: proposals[role] for role in ROLES}, None if choice is None else choice.moves


_ORDER: Final = {name: index for index, name in enumerate(
    ("lock_enable", "unlock_feedback", "data_feedback", "door_open", "start_button", "ignition")
)}  # fmt: skip


def _numbers(role: str, definitions: Definitions, shown: ShownSignals) -> list[RoleMatch]:
    found = []
    for message in definitions:
        for signal in message.signals:
            if not _is_number_of(role, signal):
                continue
            points, reasons = name_points(role, message, signal)
            if points <= 0 or f"{message.name}.{signal.name}" not in shown.traces:
                continue
            fit = RoleMatch(role=role, message=message, signal=signal, points=points, reasons=reasons)
            found.append(fit.more(2.0, f"its unit is {signal.unit.strip()}"))
    return _sorted(found)


def _sorted(fits: Iterable[RoleMatch]) -> list[RoleMatch]:
    return sorted(fits, key=lambda fit: (-round(fit.points, 6), fit.name))


def _proposal(role: str, ranked: Sequence[RoleMatch], by_name: RoleMatch | None) -> Proposal:
    if not ranked:
        return Proposal(role=role, best=None, is_certain=False, doubt="no signal looks like it")
    best, others = ranked[0], tuple(fit for fit in ranked[1:] if fit.points > 0)[:_OTHERS]
    ahead = best.points - max((fit.points for fit in others), default=0.0)
    if best.points < (_ENOUGH_ALONE if role in HANDSHAKE and ahead >= _FAR_AHEAD else ENOUGH):
        return Proposal(role=role, best=best, is_certain=False, doubt="little speaks for it", others=others)
    if STATES.get(role) and not set(STATES[role]) <= set(best.states) and "even" not in best.states:
        doubt = "which of its values means what is not shown: no value names, and nothing in the captures tells"
        return Proposal(role=role, best=best, is_certain=False, doubt=doubt, others=others)
    if by_name is not None and by_name.name != best.name and by_name.points >= _named(role, best) + _CLEARLY_NAMED:
        doubt = f"by its name it would be {by_name.name}, which does not do what it should here; was this car healthy?"
        return Proposal(role=role, best=best, is_certain=False, doubt=doubt, others=others)
    doubt = ""
    if others and best.points - others[0].points < AHEAD:
        doubt = f"{others[0].name} fits nearly as well"
    return Proposal(role=role, best=best, is_certain=True, doubt=doubt, others=others)


def _driving(moves: Moves, first: Trace) -> float:
    """Return the points of an enable for what follows its pulses: more for many."""
    return moves.feedback_share(first) * (5.0 + min(len(moves) / 10, 1.0))


def _doubt_swap(proposals: dict[str, Proposal]) -> None:
    """Say it where the two feedbacks could as well change places."""
    hard, data = proposals["unlock_feedback"], proposals["data_feedback"]
    if hard.best is None or data.best is None or not (hard.is_certain and data.is_certain):
        return
    first, second = hard.best, data.best
    enable = proposals["lock_enable"].best

    def told(role: str, fit: RoleMatch) -> float:
        return _named(role, fit) + (0.0 if enable is None else side_points(role, fit.message, enable.message)[0])

    straight = told("unlock_feedback", first) + told("data_feedback", second)
    crossed = told("unlock_feedback", second) + told("data_feedback", first)
    if straight - crossed < AHEAD:
        doubt = f"{first.name} and {second.name} could as well change places{SWAPPED}"
        for role in ("unlock_feedback", "data_feedback"):
            proposals[role] = replace(proposals[role], doubt=doubt)


SWAPPED: Final = ": which of them is the hard-wired path?"
"""Ends the doubt about two feedbacks that nothing tells apart."""


def _named(role: str, fit: RoleMatch) -> float:
    return name_points(role, fit.message, fit.signal)[0]


def _two_ends(moves: Moves, trace: Trace, is_turned: bool) -> tuple[int, int] | None:
    """Return the values of a feedback that stand for locked and unlocked; the other way round if asked for."""
    labels = label_states("unlock_feedback", trace.signal)
    before, after = moves.ends_of(trace)
    known = np.concatenate([before, after])
    known = known[known != UNSEEN]
    values, counts = np.unique(known, return_counts=True)
    if len(values) < 2:
        return None
    ends = values[np.argsort(-counts, kind="stable")][:2]
    if {"locked", "unlocked"} <= set(labels):
        locked = [it for it in ends.tolist() if it in labels["locked"]]
        unlocked = [it for it in ends.tolist() if it in labels["unlocked"]]
        return (locked[0], unlocked[0]) if locked and unlocked and not is_turned else None
    low, high = sorted(ends.tolist())
    return (high, low) if is_turned else (low, high)
