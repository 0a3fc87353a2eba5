"""What the names of a signal, of its values and of its message say about its role; all weights are rules of thumb."""

from collections.abc import Mapping
from typing import Final

from buslens.definitions.model import Message, Signal
from buslens.discovery.vocabulary import (
    OPPOSITES,
    WEIGHTS,
    ignition_state_of,
    is_invalid,
    is_moving,
    meanings,
    state_of,
    tokens,
)

_IN_MESSAGE: Final = 0.5
"""Weight of a word in the message's name, where one in the signal's is 1 ..."""
_IN_COMMENT: Final = 0.4
"""... and of one in the signal's comment."""

_SENDER: Final = 1.0
"""Points for the unit that sends a feedback."""
_ORDINALS: Final = frozenset({"first", "second"})
_NO_STATE: Final[Mapping[str, float]] = {"counter": -9, "other": -3, "dome": -3, "fault": -2}
UNITS: Final[Mapping[str, frozenset[str]]] = {
    "supply_voltage": frozenset({"v", "mv", "volt", "volts"}),
    "battery_voltage": frozenset({"v", "mv", "volt", "volts"}),
    "supply_current": frozenset({"a", "ma", "amp", "amps"}),
    "speed": frozenset({"km/h", "kph", "kmh", "mph", "m/s", "kmph"}),
}
"""Roles that are numbers, with the units that they come in."""
STATES: Final[Mapping[str, tuple[str, str]]] = {
    "door_open": ("open", "closed"),
    "start_button": ("pressed", "released"),
    "ignition": ("off", "on"),
    "lock_enable": ("off", "on"),
    "unlock_feedback": ("locked", "unlocked"),
    "data_feedback": ("locked", "unlocked"),
    "warning_lamp": ("dark", "lit"),
    "key": ("present", "absent"),
    "pairing_state": ("paired", "not_paired"),
}
"""The states of each role that has any."""
_FIRST: Final = {"lock_enable": "on", "warning_lamp": "on", "unlock_feedback": "locked", "data_feedback": "locked"}
_MOVING: Final = frozenset({"unlock_feedback", "data_feedback"})
ROLES: Final = tuple(WEIGHTS)
"""The roles that are looked for."""


def name_points(role: str, message: Message, signal: Signal) -> tuple[float, tuple[str, ...]]:
    """Return the points that names give a signal for a role, and what speaks for it, as words."""
    own, around = meanings(_spoken(tokens(signal.name))), meanings(tokens(message.name))
    told = meanings(tokens(signal.comment)) if signal.comment else frozenset()
    weights = {**WEIGHTS[role], **({} if role in UNITS else _NO_STATE)}
    points, reasons = 0.0, []
    for meaning, weight in weights.items():
        if meaning in own:
            part, where = 1.0, "its name"
        elif meaning in around and meaning not in {
            "driver",
            "other door",
            "wheel",
            "second",
            "first",
            "data",
            "counter",
        }:
            part, where = _IN_MESSAGE if weight > 0 else _IN_MESSAGE / 2, "its message's name"
        elif meaning in told and weight > 0:
            part, where = _IN_COMMENT, "its comment"
        else:
            continue
        if role == "door_open" and meaning == "other door" and "driver" in own:
            part = 0.3  # 'front left' is the driver's, whatever else the word may be
        points += weight * part
        if weight * part > 0:
            reasons.append(f"{where} says '{meaning}'")
    return points, tuple(reasons)


def side_points(role: str, message: Message, enable: Message) -> tuple[float, tuple[str, ...]]:
    """Return the points by which a feedback's message tells its path, and why: its name, and who sends it.

    The hard-wired feedback ends in the control unit, which drives the enable; what another unit sends is data.
    """
    weights = WEIGHTS[role]
    words = meanings(tokens(message.name))
    points = _IN_MESSAGE * sum(weights[it] for it in ("data", "wire") if it in words)
    reasons = []
    known = [set(it.senders) - {"Vector__XXX"} for it in (message, enable)]
    if all(known):
        is_own = not known[0].isdisjoint(known[1])
        if role == "unlock_feedback" or not is_own:  # a control unit may hand the data on, too
            points += _SENDER if is_own is (role == "unlock_feedback") else -_SENDER
            reasons.append(f"the unit that drives the lock {'sends it' if is_own else 'does not send it'}")
    return points, tuple(reasons)


def _spoken(words: tuple[str, ...]) -> tuple[str, ...]:
    """Return the words of a name without the numbers that count signals, not paths: those behind no known word."""
    return tuple(
        word
        for before, word in zip(("", *words), words, strict=False)
        if not meanings([word]) or not meanings([word]) <= _ORDINALS or meanings([before])
    )


def label_states(role: str, signal: Signal) -> dict[str, tuple[int, ...]]:
    """Return the raw values of each state that the value names tell, `moving` among them."""
    found: dict[str, list[int]] = {}
    for raw, label in sorted(signal.labels.items()):
        state = _state(role, label)
        if state is not None:
            found.setdefault(state, []).append(raw)
    order = (*STATES[role], "moving")
    return {state: tuple(found[state]) for state in order if state in found}


def _state(role: str, label: str) -> str | None:
    if role == "ignition":
        return ignition_state_of(label)
    if role in _MOVING and is_moving(label):
        return "moving"
    first = _FIRST.get(role, STATES[role][0])
    state = state_of(label, first)
    if role == "warning_lamp" and state is not None:
        return "lit" if state == "on" else "dark"
    return state


def is_labelled(role: str, signal: Signal) -> bool:
    """Return whether the value names tell both states of a role."""
    return set(STATES[role]) <= set(label_states(role, signal))


def says_other(role: str, signal: Signal) -> bool:
    """Return whether the value names tell states of other roles and none of this one; words nobody knows tell none."""
    if label_states(role, signal):
        return False
    others = [other for other in STATES if STATES[other] != STATES[role]]
    return any(label_states(other, signal) for other in others)


def invalid_of(signal: Signal) -> dict[int, bool]:
    """Return of each named raw value whether its name means that there is no value."""
    return {raw: is_invalid(label) for raw, label in signal.labels.items()}


def is_counter(signal: Signal) -> bool:
    """Return whether a signal counts or checks frames, by its name."""
    return "counter" in meanings(tokens(signal.name))


def polarity(role: str, signal: Signal) -> str:
    """Return the state that a bit's own name calls its value 1; empty if it calls none."""
    if role == "start_button":
        return "pressed"
    said = {state for word in tokens(signal.name) if (state := state_of(word, _FIRST.get(role, STATES[role][0])))}
    own = meanings(tokens(signal.name))
    if role in _MOVING:
        return "unlocked" if "release" in own else "locked" if "locked" in said else ""
    if role == "door_open":
        return "open" if "open" in said else "closed" if "closed" in said else ""
    return ""


def bare(signal: Signal) -> tuple[str, ...]:
    """Return the words of a name without those that say locked, unlocked, open or closed."""
    known = set(OPPOSITES) | set(OPPOSITES.values())
    return tuple(
        word
        for word in tokens(signal.name)
        if word not in known
        and state_of(word, "locked") is None
        and "release" not in meanings([word])
        and state_of(word, "open") is None
    )
