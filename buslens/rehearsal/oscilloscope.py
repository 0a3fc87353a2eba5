"""What an oscilloscope shows of a rehearsal: the voltages at the lock's plug in steps of 8 bits, with noise.

All of it is invented for the demonstration.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from buslens.rehearsal.plug_voltages import WIRES, plug_voltages
from buslens.rehearsal.random_streams import RandomStreams
from buslens.rehearsal.rehearse import Rehearsal, TrueStates
from buslens.units import NS_PER_S

_BITS: Final = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class Probe:
    """How an oscilloscope shows a voltage."""

    #: Time constant of a filter or of a slow probe, ms; 0: none.
    slow_ms: float = 0.0
    #: What it shows of 1 V, V.
    gain: float = 1.0
    #: What it shows of 0 V, V.
    zero: float = 0.0
    #: Greatest voltage that its 8 bits reach, V.
    span: float = 20.0


def wire_trace(
    rehearsal: Rehearsal,
    *,
    per_second: int,
    from_s: float = 0.0,
    to_s: float | None = None,
    wires: Iterable[str] | None = None,
    probe: Probe = Probe(),
    by_day: bool = False,
) -> str:
    """Return what an oscilloscope shows at pins of the lock's plug, from its trigger on.

    Parameters
    ----------
    rehearsal : Rehearsal
        What the car did.
    per_second : int
        Samples.
    from_s, to_s : float
        Of the capture; None: to its end.
    wires : iterable of str, optional
        Names of `plug_voltages.WIRES`; default: all five.
    probe : Probe
        How it shows them.
    by_day : bool
        Whether its times are those of the day, as by a recorder on the same computer; else from its trigger on.
    """
    streams = RandomStreams(rehearsal.seed)
    begin_ns = rehearsal.start_ns + round(from_s * NS_PER_S)
    end_ns = int(rehearsal.frames.time_ns[-1]) if to_s is None else rehearsal.start_ns + round(to_s * NS_PER_S)
    time_ns = np.arange(0, end_ns - begin_ns, NS_PER_S // per_second)
    pins = plug_voltages(rehearsal, begin_ns + time_ns)
    channels = {
        f"{wire} at lock (V)": _sampled(_slowed(pins[wire], probe.slow_ms * per_second / 1000), wire, probe, streams)
        for wire in (WIRES if wires is None else wires)
    }
    lines = [",".join(["Time (s)", *channels])]
    for row, time in enumerate((time_ns + begin_ns if by_day else time_ns).tolist()):
        seconds = f"{time // NS_PER_S}.{time % NS_PER_S // 1000:06d}"
        lines.append(",".join([seconds, *(f"{of[row]:.3f}" for of in channels.values())]))
    return "\n".join([*lines, ""])


def at(states: TrueStates, time_ns: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return the true values at some times."""
    values: NDArray[np.int64] = states.value[np.searchsorted(states.time_ns, time_ns, side="right") - 1]
    return values


def _slowed(volts: NDArray[np.float64], samples: float) -> NDArray[np.float64]:
    """Return voltages behind a filter of the first order, whose time constant is so many samples."""
    if not samples:
        return volts
    from scipy.signal import lfilter

    keeps = float(np.exp(-1.0 / samples))
    slowed: NDArray[np.float64] = lfilter([1.0 - keeps], [1.0, -keeps], volts - volts[0]) + volts[0]
    return slowed


def _sampled(volts: NDArray[np.float64], wire: str, probe: Probe, streams: RandomStreams) -> NDArray[np.float64]:
    """Return voltages in the steps of an 8-bit converter, with noise of about one step."""
    step = probe.span / 2**_BITS
    noise = streams.uniform(f"noise of {wire}", len(volts), -1.5, 1.5)
    sampled: NDArray[np.float64] = np.floor((volts * probe.gain + probe.zero) / step + noise + 0.5) * step
    return np.clip(sampled, -probe.span, probe.span)
