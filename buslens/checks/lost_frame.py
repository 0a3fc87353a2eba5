"""Whether one lost frame explains all faults of a capture.

Where frames come with changes only, one that a recorder lost leaves the state before it standing until the next. Then a
step seems to be missing although the car went on. So the first fault is looked at as if a frame of such a role had been
lost: at some time since the role's last frame it took another state, which it then kept until its next. If nothing at
all is wrong then, nobody can tell the two apart. A path that stands still stays a fault: the next handshake finds it.
What the control unit tried again for stays one, too: it did not see it either.
"""

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from buslens.checks.findings import Finding, Findings, Handshake
from buslens.checks.outcome import Outcome
from buslens.expectations.model import Expectations
from buslens.timeline.model import UNKNOWN_STATE, Timeline
from buslens.units import NS_PER_MS

_AT_ONCE_NS: Final = 20 * NS_PER_MS
"""A unit that sends with changes sends so soon (rule of thumb)."""


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
    """Yield the timeline with each other state since some time between its frames around `by_ns`."""
    place = int(np.searchsorted(timeline.seen_ns, by_ns, side="right"))
    if not place or timeline.state[place - 1] == UNKNOWN_STATE or by_ns >= timeline.end_ns:
        return
    frames_ns = timeline.seen_ns if timeline.frames_ns is None else timeline.frames_ns
    frame = int(np.searchsorted(frames_ns, by_ns, side="right"))
    gap_ns = by_ns - max(int(timeline.seen_ns[place - 1]), int(frames_ns[frame - 1]) if frame else 0)
    again_ns = int(frames_ns[frame]) if frame < len(frames_ns) else timeline.end_ns
    stop_ns = int(timeline.seen_ns[place]) if place < len(timeline) else timeline.end_ns
    for state in range(len(timeline.states)):
        if state == timeline.state[place - 1] or not gap_ns:
            continue
        rows = [(by_ns, gap_ns, state)]
        if again_ns < stop_ns:
            # A frame that shows nothing new showed the way back.
            rows.append((again_ns, min(again_ns - by_ns, _AT_ONCE_NS), int(timeline.state[place - 1])))
        # The frame that shows the same state next changes nothing.
        stop = place + (place < len(timeline) and timeline.state[place] == rows[-1][2])
        times_ns, gaps_ns, states = zip(*rows, strict=True)

        def put(column: NDArray[Any], values: Sequence[int], stop: int = stop) -> NDArray[Any]:
            return np.concatenate([column[:place], np.array(values, column.dtype), column[stop:]])

        none = [0] * len(rows)
        yield replace(
            timeline,
            seen_ns=put(timeline.seen_ns, times_ns),
            gap_ns=put(timeline.gap_ns.astype(np.int64), gaps_ns),
            state=put(timeline.state, states),
            why=put(timeline.why, none),
            unnamed_at=None if timeline.unnamed_at is None else put(timeline.unnamed_at, [-1] * len(rows)),
        )
