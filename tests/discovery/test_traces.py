from __future__ import annotations

import numpy as np
import pytest

from buslens.definitions.model import Message, Signal
from buslens.discovery.roles import enable_states
from buslens.discovery.traces import CaptureSpan, ShownSignals, Trace, silent_cycles


@pytest.mark.parametrize("lost", [0.0005, 0.002, 0.012, 0.03, 0.08])
def test_silence_that_lost_frames_do_not_make(lost: float) -> None:
    """So many frames in a row are lost once in a hundred million times, if each is lost by itself."""
    in_a_row = silent_cycles(lost) - 1
    assert lost**in_a_row <= 1e-8
    assert lost ** (in_a_row - 1) > 1e-8 or in_a_row == 2


def test_silence_where_none_is_lost() -> None:
    """Three cycle times: common practice, no source."""
    assert silent_cycles(0) == 3
    assert silent_cycles(0.5) == silent_cycles(0.1)


@pytest.mark.parametrize("rest", [0, 1])
def test_enable_that_never_came(rest: int) -> None:
    """A bit that never left its rest has one other value: the file that is written can be read."""
    signal = Signal(name="ENABLE", start=0, length=1)
    trace = Trace(
        message=Message(name="LOCK", can_id=1, length=1, signals=(signal,)),
        signal=signal,
        seen_ns=np.array([0]),
        since_ns=np.array([-1]),
        stop_ns=np.array([9]),
        raw=np.array([rest]),
        is_change=np.array([False]),
        is_start=np.array([True]),
    )
    assert enable_states(trace) == {"off": (rest,), "on": (1 - rest,)}


@pytest.mark.parametrize(("cycle_ms", "is_cyclic"), [(500, True), (13_000, False)])
def test_people_who_are_as_even_as_a_clock(cycle_ms: int, is_cyclic: bool) -> None:
    """A message of which each frame shows a change is sent by the clock only if that is a quick one."""
    signal = Signal(name="FEEDBACK", start=0, length=1)
    seen_ns = np.arange(10) * cycle_ms * 1_000_000
    trace = Trace(
        message=Message(name="LOCK", can_id=1, length=1, signals=(signal,)),
        signal=signal,
        seen_ns=seen_ns,
        since_ns=seen_ns - cycle_ms * 1_000_000,
        stop_ns=np.append(seen_ns[1:], seen_ns[-1] + 1),
        raw=np.arange(10) % 2,
        is_change=np.arange(10) > 0,
        is_start=np.arange(10) == 0,
    )
    shown = ShownSignals(
        spans=(CaptureSpan(path="a.log", own_first_ns=0, first_ns=0, end_ns=int(seen_ns[-1]) + 1),),
        traces={trace.name: trace},
        cycles_ns={"LOCK": cycle_ms * 1_000_000},
        silences_ns={},
        frames=10,
        counts={"LOCK": 10},
        even_parts={"LOCK": 1.0},
    )
    assert shown.is_cyclic("LOCK") is is_cyclic
    assert (trace.name in shown.with_events().events) is not is_cyclic
