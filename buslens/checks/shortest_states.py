"""How short the states of a role can be, so that it is known what may hide between two frames or two samples.

A state that lasts at least d cannot hide between two samples that are less than d apart. d is what the role says
(``holds``), and for one state the ``least`` of a pulse rule on it: a shorter pulse is a fault by itself. So its absence
may be told; that all is well may not. Of a column of which nobody says anything, `POLLED_NS` is taken.
"""

from typing import Final

from buslens.expectations.model import Expectations, Is, Pulse, Role
from buslens.timeline.model import UNSAID, Shortest

POLLED_NS: Final = 20_000_000
"""Shorter states of a column count only where somebody says so, ns: units wait as long for a contact to settle
(common practice, no source)."""


def shortest_of(role: Role, expected: Expectations, *, is_polled: bool) -> Shortest:
    """Return how short the states of a role can be: as a column shows them, or as the frames of a bus do."""
    if role.is_event:
        return UNSAID  # a frame comes with each change, so that none hides between two
    pulses: dict[str, int] = {}
    for rule in expected.rules:
        if isinstance(rule, Pulse) and isinstance(rule.of.condition, Is) and rule.of.condition.role == role.name:
            state, least_ns = rule.of.condition.state, rule.least_ns
            if least_ns:
                pulses[state] = min(pulses.get(state, least_ns), least_ns)
    surely_ns = role.holds_ns
    if is_polled and surely_ns is None:
        surely_ns = POLLED_NS
    states = tuple(
        max((it for it in (surely_ns, pulses.get(state)) if it is not None), default=None) for state in role.states
    )
    return Shortest(states=states, surely_ns=surely_ns, is_polled=is_polled)
