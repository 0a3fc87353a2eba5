"""Whether one lost frame explains all faults of a capture.

Where frames come with changes only, one that a recorder lost leaves the state before it standing until the next. Then a
step seems to be missing although the car went on. So the first fault is looked at as if a frame of such a role had been
lost: at some time since the role's last frame it took another state, which it then kept until its next. If nothing at
all is wrong then, nobody can tell the two apart. A path that stands still stays a fault: the next handshake finds it.
What the control unit tried again for stays one, too: it did not see it either.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from buslens.checks.findings import Findings, Outcome
from buslens.timeline.model import UNKNOWN_STATE

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence

    from numpy.typing import NDArray

    from buslens.checks.findings import Finding, Handshake
    from buslens.expectations.model import Expectations
    from buslens.timeline.model import Timeline


def role_that_lost_a_frame(
    expected: Expectations,
    timelines: Mapping[str, Timeline],
    findings: Sequence[Finding],
    handshakes: Iterable[Handshake],
    check_again: Callable[[Mapping[str, Timeline]], Sequence[Finding]],
) -> str:
    """Return the role of which one lost frame explains every fault; empty if there is none.

    Parameters
    ----------
    expected : Expectations
        What was checked.
    timelines : mapping of str to Timeline
        By role.
    findings : sequence of Finding
        What was found in them.
    handshakes : iterable of Handshake
        Those of the findings.
    check_again : callable
        Returns what is found in other timelines.
    """
    faults = [it for it in findings if it.outcome.is_fault]
    roles = [name for name, role in expected.roles.items() if role.is_event and name in timelines]
    tried = {(it.rule, it.number) for it in handshakes if it.tries > 1} if faults and roles else set()
    if not faults or not roles or any((it.rule, it.handshake) in tried for it in faults):
        return ""
    first = min(faults, key=lambda it: it.time_ns or 0)
    by_ns = (first.time_ns or 0) + (0 if first.limit is None else int(first.limit.most or 0))
    for role in roles:
        for other in _with_another_state(timelines[role], by_ns):
            if not any(it.outcome.is_fault for it in check_again({**timelines, role: other})):
                return role
    return ""


def in_doubt(findings: Sequence[Finding], message: str) -> Findings:
    """Return findings whose faults one lost frame of a message explains."""
    text = f"but one lost frame of {message}, which comes with changes only, would explain it"
    return Findings.of(
        [
            replace(it, outcome=Outcome.UNDECIDED, reason=f"{it.reason}; {text}") if it.outcome.is_fault else it
            for it in findings
        ]
    )


def _with_another_state(timeline: Timeline, by_ns: int) -> Iterator[Timeline]:
    """Yield the timeline with each other state from some time since its last frame before `by_ns` until its next."""
    place = int(np.searchsorted(timeline.seen_ns, by_ns, side="right"))
    if not place or timeline.state[place - 1] == UNKNOWN_STATE or by_ns >= timeline.end_ns:
        return
    gap_ns = by_ns - int(timeline.seen_ns[place - 1])
    for state in range(len(timeline.states)):
        if state == timeline.state[place - 1] or not gap_ns:
            continue
        # The frame that shows the same state next changes nothing.
        is_same = place < len(timeline) and timeline.state[place] == state
        stop = place + is_same

        def put(column: NDArray[Any], value: int, stop: int = stop) -> NDArray[Any]:
            return np.concatenate([column[:place], np.array([value], column.dtype), column[stop:]])

        yield replace(
            timeline,
            seen_ns=put(timeline.seen_ns, by_ns),
            gap_ns=put(timeline.gap_ns.astype(np.int64), gap_ns),
            state=put(timeline.state, state),
            why=put(timeline.why, 0),
            unnamed_at=None if timeline.unnamed_at is None else put(timeline.unnamed_at, -1),
        )
