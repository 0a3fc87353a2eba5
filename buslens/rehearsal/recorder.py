"""The recording device: what it keeps of what it hears, what its clock says, and when it loses power."""

import numpy as np
from numpy.typing import NDArray

from buslens.rehearsal.bus import BusTrace
from buslens.rehearsal.car import WARM_UP_MS, CarTrace
from buslens.rehearsal.scenario import LoggerSettings
from buslens.units import NS_PER_MS

_INTO_HANDSHAKE_MS = 130
"""From the enable to what befalls the recorder: the bolt is then on its way."""


def record(traffic: BusTrace, life: CarTrace, recorder: LoggerSettings) -> tuple[BusTrace, bool]:
    """Return what the device has on its card, and whether it lost power within a line."""
    if recorder.thinning_ms:
        traffic = _select(traffic, downsampled(traffic, recorder.thinning_ms * NS_PER_MS))
    ticks, values = life.changes("LOCK_ENABLE")
    handshakes = ticks[(values == 1) & (ticks >= WARM_UP_MS)]
    if recorder.set_back_ms and len(handshakes):
        moment_ns = int(handshakes[0] - WARM_UP_MS + _INTO_HANDSHAKE_MS) * NS_PER_MS
        back = np.where(traffic.time_ns >= moment_ns, recorder.set_back_ms * NS_PER_MS, 0)
        traffic = traffic._replace(time_ns=traffic.time_ns - back)
    if recorder.cut_in_handshake and len(handshakes):
        last = handshakes[min(recorder.cut_in_handshake, len(handshakes)) - 1]
        moment_ns = int(last - WARM_UP_MS + _INTO_HANDSHAKE_MS) * NS_PER_MS
        return _select(traffic, traffic.time_ns < moment_ns), True
    return traffic, False


def _select(traffic: BusTrace, kept: NDArray[np.bool_]) -> BusTrace:
    return BusTrace._make(column[kept] for column in traffic)


def downsampled(traffic: BusTrace, least_ns: int) -> NDArray[np.bool_]:
    """Return which frames a device keeps that takes one of each identifier per `least_ns`."""
    kept = np.zeros(len(traffic.time_ns), dtype=np.bool_)
    identity = traffic.can_id.astype(np.int64) * 2 + traffic.is_extended
    for value in np.unique(identity).tolist():
        places = np.flatnonzero(identity == value)
        times = traffic.time_ns[places]
        index = 0
        while index < len(places):
            kept[places[index]] = True
            index = int(np.searchsorted(times, times[index] + least_ns))
    return kept
