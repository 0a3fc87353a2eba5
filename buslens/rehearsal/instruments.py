"""What a diagnostician's own instruments show of a rehearsal: a tester's list and an oscilloscope's trace.

A tester asks for one value after the other, some times a second. An oscilloscope sees the voltage at a wire in steps of
8 bits, with noise, and a contact that bounces. All of it is invented for the demonstration.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from buslens.rehearsal.streams import RandomStreams
from buslens.units import NS_PER_MS, NS_PER_S

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from buslens.rehearsal.rehearse import Rehearsal, TrueStates

LISTED: Final[Mapping[str, tuple[str, Mapping[int, str]]]] = {
    "Driver door": ("BODY_DOORS.DRIVER_DOOR", {0: "Closed", 1: "Open"}),
    "Start button": ("ACCESS_STATE.START_BUTTON", {0: "Released", 1: "Pressed"}),
    "Ignition": ("POWER_MODE.STAGE", {0: "Off", 1: "Off", 2: "On", 3: "On"}),
    "Steering lock enable": ("COLUMN_CONTROL.LOCK_ENABLE", {0: "Off", 1: "On"}),
    "Unlock feedback": ("COLUMN_STATE.UNLOCK_FEEDBACK", {0: "Locked", 1: "Unlocked"}),
    "Steering lock lamp": ("CLUSTER_LAMPS.STEERING_LOCK_LAMP", {0: "Off", 1: "On", 2: "On"}),
}
"""Columns of the tester's list: the signal that each shows, and its words."""
_BITS: Final = 8
_BOUNCE_NS: Final = 3 * NS_PER_MS
_TOUCHES: Final = 5
"""Changes of a contact that bounces, at most."""


def tester_list(rehearsal: Rehearsal, per_second: float) -> str:
    """Return what a tester lists of a rehearsal, one row for each time that it asked."""
    streams = RandomStreams(rehearsal.seed)
    start_ns, end_ns = rehearsal.start_ns, int(rehearsal.frames.time_ns[-1])
    step_ns = round(NS_PER_S / per_second)
    rows = np.arange(start_ns, end_ns, step_ns)
    late = (streams.uniform("tester", len(rows)) * (step_ns // 10)).astype(np.int64)
    rows = (rows + late) // NS_PER_MS * NS_PER_MS
    columns = [
        [words.get(int(code), "---") for code in at(rehearsal.truth[signal], rows)] for signal, words in LISTED.values()
    ]
    lines = [";".join(["Time (s)", *LISTED])]
    for time_ns, *cells in zip((rows - start_ns).tolist(), *columns, strict=True):
        lines.append(";".join([f"{time_ns / NS_PER_S:.3f}", *cells]))
    return "\n".join([*lines, ""])


def scope_trace(rehearsal: Rehearsal, *, from_s: float, to_s: float, per_second: int) -> str:
    """Return what an oscilloscope shows at the enable wire and at the unlock feedback, from its trigger on."""
    streams = RandomStreams(rehearsal.seed)
    begin_ns = rehearsal.start_ns + round(from_s * NS_PER_S)
    time_ns = np.arange(0, round((to_s - from_s) * NS_PER_S), NS_PER_S // per_second)
    enable = at(rehearsal.truth["COLUMN_CONTROL.LOCK_ENABLE"], begin_ns + time_ns)
    released = _bouncing(rehearsal.truth["COLUMN_STATE.UNLOCK_FEEDBACK"], begin_ns + time_ns, streams)
    channels = {
        "Enable at lock (V)": _sampled(np.where(enable == 1, 11.8, 0.05), 20.0, "enable", streams),
        "Unlock feedback (V)": _sampled(np.where(released == 1, 0.4, 4.95), 10.0, "feedback", streams),
    }
    lines = [",".join(["Time (s)", *channels])]
    for row, time in enumerate(time_ns.tolist()):
        lines.append(",".join([f"{time / NS_PER_S:.6f}", *(f"{of[row]:.3f}" for of in channels.values())]))
    return "\n".join([*lines, ""])


def at(states: TrueStates, time_ns: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return the true values at some times."""
    values: NDArray[np.int64] = states.value[np.searchsorted(states.time_ns, time_ns, side="right") - 1]
    return values


def _bouncing(states: TrueStates, time_ns: NDArray[np.int64], streams: RandomStreams) -> NDArray[np.int64]:
    """Return the true values of a contact that opens and closes again a few times within some ms of each change."""
    values = at(states, time_ns)
    for change_ns, before in zip(states.time_ns[1:].tolist(), states.value[:-1].tolist(), strict=True):
        touches = np.sort(streams.uniform("bounce", _TOUCHES)) * _BOUNCE_NS
        for open_ns, close_ns in zip(touches[::2].tolist(), touches[1::2].tolist(), strict=False):
            values[(time_ns >= change_ns + open_ns) & (time_ns < change_ns + close_ns)] = before
    return values


def _sampled(volts: NDArray[np.float64], span: float, concern: str, streams: RandomStreams) -> NDArray[np.float64]:
    """Return voltages in the steps of an 8-bit converter over a span, with noise of about one step."""
    step = span / 2**_BITS
    noise = streams.uniform(f"noise of {concern}", len(volts), -1.5, 1.5)
    sampled: NDArray[np.float64] = np.floor(volts / step + noise + 0.5) * step
    return sampled
