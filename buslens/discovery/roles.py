"""Which signals of the definitions may mean what to the handshake: by names, value tables, and what they do.

Each signal is scored for each role by rules of thumb; all weights here are common practice or plain judgement, no
source. A role is proposed as certain only if its best signal has enough points and is clearly ahead of the next.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

import numpy as np

from buslens.definitions.model import Kind
from buslens.discovery.words import ignition_state_of, meanings, state_of, tokens
from buslens.units import NS_PER_S

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from numpy.typing import NDArray

    from buslens.definitions.model import Definitions, Message, Signal

ENOUGH: Final = 5.0
"""Points that a certain role needs."""
AHEAD: Final = 1.0
"""Points that it is ahead of the next."""
TOGETHER_NS: Final = NS_PER_S
"""Two signals move together if their changes are within a second of each other."""
SHORT_NS: Final = 2 * NS_PER_S
"""A pulse of the enable is shorter."""
_IN_MESSAGE: Final = 0.5
"""Weight of a word in the message's name, where one in the signal's is 1."""
_MOST_STATES: Final = 32
_OFTEN: Final = 0.05

_WEIGHTS: Final[Mapping[str, Mapping[str, float]]] = {
    "door_open": {"door": 3, "driver": 1.5, "other door": -3, "lamp": -4, "lock": -3, "other": -3, "enable": -2},
    "ignition": {"ignition": 3, "power": 1.5, "lamp": -4, "door": -3, "lock": -2, "other": -3, "enable": -2},
    "lock_enable": {"lock": 2, "enable": 3, "feedback": -4, "lamp": -4, "other": -3, "door": -3},
    "unlock_feedback": {
        "lock": 2,
        "feedback": 3,
        "release": 1.5,
        "wire": 1,
        "data": -2.5,
        "other": -3,
        "enable": -4,
        "lamp": -4,
        "door": -3,
    },
    "data_feedback": {"lock": 2, "feedback": 3, "data": 3, "other": -3, "enable": -4, "lamp": -4, "door": -3},
    "supply_voltage": {"supply": 2, "lock": 1.5, "battery": -1, "lamp": -4, "other": -2, "feedback": 0},
}
_LABEL_POINTS: Final[Mapping[str, float]] = {
    "door_open": 3,
    "ignition": 3,
    "lock_enable": 1.5,
    "unlock_feedback": 4,
    "data_feedback": 4,
}
_FIRST_STATES: Final = {
    "door_open": "open",
    "lock_enable": "on",
    "unlock_feedback": "locked",
    "data_feedback": "locked",
}
ROLES: Final = tuple(_WEIGHTS)
"""The roles that are looked for."""
STATES: Final[Mapping[str, tuple[str, str]]] = {
    "door_open": ("open", "closed"),
    "ignition": ("off", "on"),
    "lock_enable": ("off", "on"),
    "unlock_feedback": ("locked", "unlocked"),
    "data_feedback": ("locked", "unlocked"),
}
"""The states of each role that has any."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Fit:
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
        """Message and signal."""
        return f"{self.message.name}.{self.signal.name}"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Seen:
    """What a capture shows of one signal."""

    #: int64[n], ns: frames that first show a value, the first one included.
    time_ns: NDArray[np.int64]
    #: int64[n], raw values.
    raw: NDArray[np.int64]
    end_ns: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Proposal:
    """The best signal for a role, and those behind it."""

    role: str
    best: Fit | None
    is_certain: bool
    #: Why it is not certain; empty if it is.
    doubt: str = ""
    others: tuple[Fit, ...] = ()


def fits(definitions: Definitions) -> list[Fit]:
    """Return every signal for every role that names and value tables speak for, more or less."""
    found = []
    names: set[str] = set()
    for message in definitions:
        if message.name in names:
            continue  # the name stands for the first one
        names.add(message.name)
        for signal in message.signals:
            found += [fit for role in ROLES if (fit := _fit(role, message, signal)) is not None]
    return found


def _fit(role: str, message: Message, signal: Signal) -> Fit | None:
    by_values = _by_unit(signal) if role == "supply_voltage" else _by_labels(role, signal)
    if by_values is None:
        return None
    points, states, reasons = by_values
    own, around = meanings(tokens(signal.name)), meanings(tokens(message.name))
    if role == "supply_voltage" and "battery" in around:
        own |= {"battery"}
    spoken = 0.0
    for meaning, weight in _WEIGHTS[role].items():
        part = 1.0 if meaning in own else _IN_MESSAGE if meaning in around else 0.0
        points += weight * part
        spoken += max(weight * part, 0.0)
        if part and weight > 0:
            reasons.append(f"its {'' if meaning in own else 'message '}name speaks of '{meaning}'")
    if points <= 0 or not spoken:
        return None
    return Fit(role=role, message=message, signal=signal, points=points, states=states, reasons=tuple(reasons))


def _by_unit(signal: Signal) -> tuple[float, dict[str, tuple[int, ...]], list[str]] | None:
    if signal.unit.strip() not in {"V", "mV"} or signal.length < 4:
        return None
    return 3.0, {}, [f"its unit is {signal.unit.strip()}"]


def _by_labels(role: str, signal: Signal) -> tuple[float, dict[str, tuple[int, ...]], list[str]] | None:
    """Return points, states and reasons of a signal with value names that fit, or of a bit without any."""
    if signal.kind is not Kind.UNSIGNED or len(signal.labels) > _MOST_STATES:
        return None
    states = _states(role, signal)
    if set(states) != set(STATES[role]):
        return None if signal.length != 1 or signal.labels else (0.0, {}, [])
    points = _LABEL_POINTS[role]
    if role == "data_feedback" and len(signal.labels) > sum(map(len, states.values())):
        points += 1
    if role == "ignition" and len(signal.labels) > 2:
        points += 1
    return points, states, ["its value names fit"]


def _states(role: str, signal: Signal) -> dict[str, tuple[int, ...]]:
    """Return the raw values of each state that the value table names."""
    found: dict[str, list[int]] = {}
    for raw, label in sorted(signal.labels.items()):
        state = ignition_state_of(label) if role == "ignition" else state_of(label, _FIRST_STATES[role])
        if state is not None:
            found.setdefault(state, []).append(raw)
    return {state: tuple(found[state]) for state in STATES[role] if state in found}


# --- what the capture says ------------------------------------------------------------------------------


def propose(candidates: Iterable[Fit], seen: Mapping[str, Seen]) -> dict[str, Proposal]:
    """Return a proposal for each role.

    Parameters
    ----------
    candidates : iterable of Fit
        From `fits`.
    seen : mapping of str to Seen
        By message and signal; what is missing had no frame in the capture.
    """
    observed = [_observed(fit, seen.get(fit.name)) for fit in candidates]
    by_role = {role: _sorted(fit for fit in observed if fit.role == role) for role in ROLES}
    enable = by_role["lock_enable"][0] if by_role["lock_enable"] else None
    if enable is not None:
        for role in ("unlock_feedback", "data_feedback"):
            by_role[role] = _sorted(_following(fit, enable, seen) for fit in by_role[role])
    swap_doubt = _settle_feedbacks(by_role)
    data = by_role["data_feedback"][0] if by_role["data_feedback"] else None
    # What is surely the second path is no rival for the first.
    taken = {data.name: data.role} if data is not None and data.points >= ENOUGH else {}
    proposals = {}
    for role in ROLES:
        ranked = [fit for fit in by_role[role] if taken.get(fit.name, role) == role]
        proposals[role] = _proposal(role, ranked, swap_doubt if role.endswith("_feedback") else "")
        best = proposals[role].best
        if best is not None and best.points >= ENOUGH:
            taken[best.name] = role
    return proposals


def _sorted(candidates: Iterable[Fit]) -> list[Fit]:
    return sorted(candidates, key=lambda fit: (-fit.points, fit.name))


def _observed(fit: Fit, seen: Seen | None) -> Fit:
    """Return a fit with the points for what the capture shows of the signal by itself."""
    if seen is None or not len(seen.time_ns):
        return _with(fit, -5.0, "the capture has no frame that carries it")
    if not fit.signal.labels and fit.role == "lock_enable":
        fit = _with_rest_as_off(fit, seen)
    if not STATES.get(fit.role):
        return fit
    if fit.states and (shown := _shows_unnamed(fit, seen)):
        # A second path may well have no data for most of the time.
        fit = _with(fit, 0.0 if fit.role == "data_feedback" else -2.0, f"it often shows {shown}, which is in no state")
    if len(seen.time_ns) < 2:
        return _with(fit, -1.5, "it never changes in this capture")
    if fit.role == "lock_enable" and fit.states:
        is_on = np.isin(seen.raw, fit.states["on"])
        lengths = np.diff(np.append(seen.time_ns, seen.end_ns))
        if is_on.any() and int(lengths[is_on].max()) <= SHORT_NS and not is_on[0]:
            return _with(fit, 2.0, "it is off at rest, and on in short pulses")
        return _with(fit, -1.0, "it is not off at rest with short pulses in between")
    return fit


def _shows_unnamed(fit: Fit, seen: Seen) -> str:
    """Return what a signal shows for more than a part of the capture although no state has it; empty for nothing."""
    lengths = np.diff(np.append(seen.time_ns, seen.end_ns))
    named = [raw for raws in fit.states.values() for raw in raws]
    for raw in np.unique(seen.raw).tolist():
        if raw not in named and lengths[seen.raw == raw].sum() > _OFTEN * lengths.sum():
            return f"'{fit.signal.labels[raw]}'" if raw in fit.signal.labels else f"the value {raw}"
    return ""


def _with_rest_as_off(fit: Fit, seen: Seen) -> Fit:
    """Name the values of a bit without value names: the one that it has most of the time is off."""
    lengths = np.diff(np.append(seen.time_ns, seen.end_ns))
    ones = int(lengths[seen.raw == 1].sum())
    rest = int(2 * ones > int(lengths.sum()))
    states = {"off": (rest,), "on": (1 - rest,)}
    named = Fit(
        role=fit.role, message=fit.message, signal=fit.signal, points=fit.points, states=states, reasons=fit.reasons
    )
    return _with(named, 0.0, "it has no value names: what it is most of the time is taken for off (rule of thumb)")


def _following(fit: Fit, enable: Fit, seen: Mapping[str, Seen]) -> Fit:
    """Return a feedback's fit with the points for moving within a second of the enable."""
    own, others = seen.get(fit.name), seen.get(enable.name)
    if own is None or others is None or len(own.time_ns) < 2 or len(others.time_ns) < 2:
        return fit
    changes, causes = own.time_ns[1:], others.time_ns[1:]
    place = np.searchsorted(causes, changes, side="right")
    near = (place > 0) & (changes - causes[np.maximum(place - 1, 0)] <= TOGETHER_NS)
    part = float(near.mean())
    reason = f"{int(near.sum())} of its {len(near)} changes come within a second after one of {enable.name}"
    return _with(fit, 2.0 * part if part >= 0.5 else -1.0, reason)


def _settle_feedbacks(by_role: dict[str, list[Fit]]) -> str:
    """Put the two feedbacks that fit best together first; return a doubt if they could as well change places."""
    hard, data = by_role["unlock_feedback"], by_role["data_feedback"]
    points = {(fit.role, fit.name): fit.points for fit in (*hard, *data)}
    pairs = [(one, other) for one in hard for other in data if one.name != other.name]
    if not pairs:
        return ""
    first, second = max(pairs, key=lambda pair: (pair[0].points + pair[1].points, pair[0].name))
    by_role["unlock_feedback"] = [first, *(fit for fit in hard if fit is not first)]
    by_role["data_feedback"] = [second, *(fit for fit in data if fit is not second)]
    straight = first.points + second.points
    crossed = points.get(("unlock_feedback", second.name), 0.0) + points.get(("data_feedback", first.name), 0.0)
    if second.points >= ENOUGH and straight - crossed < AHEAD:
        return f"{first.name} and {second.name} could as well change places: which of them is the hard-wired path?"
    return ""


def _proposal(role: str, ranked: list[Fit], swap_doubt: str) -> Proposal:
    if not ranked:
        return Proposal(role=role, best=None, is_certain=False, doubt="no signal looks like it")
    best, others = ranked[0], tuple(ranked[1:4])
    doubt = ""
    if best.points < ENOUGH:
        doubt = "little speaks for it"
    elif STATES.get(role) and not best.states:
        doubt = "it has no value names, so which value means what?"
    elif swap_doubt:
        doubt = swap_doubt
    elif others and best.points - max(fit.points for fit in others) < AHEAD:
        doubt = f"{max(others, key=lambda fit: fit.points).name} fits nearly as well"
    return Proposal(role=role, best=best, is_certain=not doubt, doubt=doubt, others=others)


def _with(fit: Fit, points: float, reason: str) -> Fit:
    return Fit(
        role=fit.role,
        message=fit.message,
        signal=fit.signal,
        points=fit.points + points,
        states=fit.states,
        reasons=(*fit.reasons, reason),
    )
