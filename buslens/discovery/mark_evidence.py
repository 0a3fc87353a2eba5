"""What a person has marked speaks for the signals that change then."""

from collections.abc import Sequence
from typing import Final

import numpy as np

from buslens.discovery.marks import Mark, actions_of, reject_outside
from buslens.discovery.traces import ShownSignals, is_state
from buslens.discovery.vocabulary import meanings, tokens
from buslens.units import NS_PER_MS

_BEFORE_NS: Final = 500 * NS_PER_MS
_AFTER_NS: Final = 700 * NS_PER_MS
"""How far a mark may be off (rule of thumb)."""
_POINTS: Final = 3.0
_AGAINST: Final = -2.0


def role_of(words: str) -> str:
    """Return the role that an action speaks of; empty for none.

    >>> role_of("driver door opens"), role_of("start pressed"), role_of("ignition on"), role_of("wipers")
    ('door_open', 'start_button', 'ignition', '')
    """
    said = meanings(tokens(words))
    if "other door" in said and "driver" not in said:
        return ""
    if "door" in said:
        return "door_open"
    if "button" in said or "start" in said:
        return "start_button"
    if "ignition" in said or "power" in said:
        return "ignition"
    if "key" in said:
        return "key"
    return ""


def bonus_of(marks: Sequence[Mark], shown: ShownSignals) -> dict[tuple[str, str], float]:
    """Return points by role and signal: for those that change at the marks of the first capture.

    Raises UsageError if a mark lies behind the end of the capture.
    """
    if not marks:
        return {}
    first = shown.spans[0]
    reject_outside(marks, first.end_ns - first.first_ns)
    found: dict[tuple[str, str], float] = {}
    for action in actions_of(marks):
        role = role_of(action.words)
        if not role:
            continue
        at_ns = first.first_ns + np.array(action.times_ns, np.int64)
        for trace in shown.traces.values():
            if not is_state(trace.signal):
                continue
            changes = trace.seen_ns[trace.is_change]
            near = np.searchsorted(changes, at_ns + _AFTER_NS) > np.searchsorted(changes, at_ns - _BEFORE_NS)
            points = _POINTS * float(near.mean()) if near.any() else _AGAINST
            key = role, trace.name
            found[key] = max(found.get(key, points), points)
    return found
