"""The bus: units queue frames by their own clocks, the identifiers decide who goes first, and it takes time.

CAN at 500 kbit/s. A unit reads what it sends at the moment at which it queues the frame; the frame is stamped when
it has passed, so that a stamp is later than what it shows, by the wait for the bus and the length of the frame.
"""

from heapq import heappop, heappush
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from buslens.rehearsal.car import WARM_UP_MS, CarTrace
from buslens.rehearsal.messages import LAYOUTS, Sampled, background, background_payloads, payloads
from buslens.rehearsal.random_streams import RandomStreams
from buslens.units import NS_PER_MS

BIT_NS: Final = 2000
"""One bit at 500 kbit/s."""
JITTER: Final = 0.04
"""A frame is queued early or late by at most this part of its cycle time (invented)."""
RECORDER_NS: Final = 15_000
"""The recorder stamps up to so much late (invented)."""


class BusTrace(NamedTuple):
    """Everything that passed, in the order of time."""

    #: int64[n], when its unit read what it sends, ns from the beginning of the capture.
    read_ns: NDArray[np.int64]
    #: int64[n], when it was stamped.
    time_ns: NDArray[np.int64]
    #: uint32[n].
    can_id: NDArray[np.uint32]
    #: bool[n].
    is_extended: NDArray[np.bool_]
    #: uint8[n], bytes.
    length: NDArray[np.uint8]
    #: uint64[n], byte k in bits 8k and up.
    word: NDArray[np.uint64]


def simulate_bus(life: CarTrace, streams: RandomStreams, *, background_ids: int, car_number: int) -> BusTrace:
    """Return all frames of a car's life from the end of its warm-up on."""
    span_ns = (life.ticks - WARM_UP_MS) * NS_PER_MS
    parts: list[tuple[NDArray[np.int64], NDArray[np.uint64], int, bool, int]] = []
    for layout in LAYOUTS:
        read_ns = _clock(layout.name, layout.cycle_ms, span_ns, streams)
        ticks = WARM_UP_MS + read_ns // NS_PER_MS
        turns = np.arange(len(read_ns), dtype=np.int64)
        words = payloads(layout, Sampled(life=life, ticks=ticks, turns=turns, streams=streams, car_number=car_number))
        if layout.sent_while:
            sent = life.values(layout.sent_while, ticks) == 1
            read_ns, words = read_ns[sent], words[sent]
        parts.append((read_ns, words, layout.can_id, layout.is_extended, layout.length))
    for other in background(background_ids, streams):
        read_ns = _clock(f"{other.can_id:03X}", other.cycle_ms, span_ns, streams)
        parts.append((read_ns, background_payloads(other, len(read_ns), streams), other.can_id, False, 8))
    counts = [len(part[0]) for part in parts]
    read_ns = np.concatenate([part[0] for part in parts])
    can_id = np.repeat(np.array([part[2] for part in parts], dtype=np.uint32), counts)
    is_extended = np.repeat(np.array([part[3] for part in parts], dtype=np.bool_), counts)
    length = np.repeat(np.array([part[4] for part in parts], dtype=np.uint8), counts)
    passed_ns = arbitrate(read_ns, frame_ns(length, is_extended), rank(can_id, is_extended))
    late_ns = streams.uniform("recorder", len(read_ns), 0.0, RECORDER_NS).astype(np.int64)
    order = np.argsort(passed_ns, kind="stable")
    return BusTrace(
        read_ns=read_ns[order],
        # Stamps keep the order in which frames passed: a recorder reads them from one queue.
        time_ns=np.maximum.accumulate(passed_ns[order] + late_ns),
        can_id=can_id[order],
        is_extended=is_extended[order],
        length=length[order],
        word=np.concatenate([part[1] for part in parts])[order],
    )


def _clock(concern: str, cycle_ms: int, span_ns: int, streams: RandomStreams) -> NDArray[np.int64]:
    """Return the times at which a unit queues a cyclic message, ns: its own phase, and some jitter."""
    cycle_ns = cycle_ms * NS_PER_MS
    phase_ns = int(streams.draw(f"phase of {concern}", JITTER, 1.0 - JITTER) * cycle_ns)
    due = np.arange(phase_ns, span_ns, cycle_ns, dtype=np.int64)
    jitter = streams.uniform(f"jitter of {concern}", len(due), -1.0, 1.0) * (JITTER * cycle_ns)
    times = due + jitter.astype(np.int64)
    return times[times < span_ns]


def frame_ns(length: NDArray[np.uint8], is_extended: NDArray[np.bool_]) -> NDArray[np.int64]:
    """Return how long data frames take, ns.

    47 bits and 8 for each byte, 20 more for an extended identifier (ISO 11898-1, interframe space included), and
    one stuff bit in ten: an assumption, from memory (no source); a frame can have from none to one in four.
    """
    bits = 47 + 8 * length.astype(np.int64) + 20 * is_extended.astype(np.int64)
    return (bits + bits // 10) * BIT_NS


def rank(can_id: NDArray[np.uint32], is_extended: NDArray[np.bool_]) -> NDArray[np.int64]:
    """Return who wins the bus, lowest first: the first 11 bits, then a standard identifier over an extended one."""
    wide = can_id.astype(np.int64)
    return np.where(is_extended, ((wide >> 18) << 19) | (1 << 18) | (wide & 0x3FFFF), wide << 19)


def arbitrate(queued_ns: NDArray[np.int64], lasts_ns: NDArray[np.int64], ranks: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return when each frame has passed the bus.

    A frame on the bus is never interrupted; when the bus falls free, the lowest rank of those that wait goes next.

    Parameters
    ----------
    queued_ns, lasts_ns, ranks : ndarray of int64, one element per frame
        When it was queued, how long it takes, who wins.
    """
    order = np.lexsort((ranks, queued_ns))
    queued, lasts, place = queued_ns[order], lasts_ns[order], ranks[order]
    total = np.cumsum(lasts)
    # First come, first served: whoever goes first, the bus is busy for just as long.
    passed = total + np.maximum.accumulate(queued - (total - lasts))
    begins = np.append(True, queued[1:] >= passed[:-1])
    starts = np.flatnonzero(begins)
    stops = np.append(starts[1:], len(queued))
    # The first of a busy stretch finds the bus free, so with two there is nothing to decide.
    for start, stop in zip(starts.tolist(), stops.tolist(), strict=True):
        if stop - start > 2:
            _contend(queued, lasts, place, passed, start, stop)
    result = np.empty_like(passed)
    result[order] = passed
    return result


def _contend(
    queued: NDArray[np.int64],
    lasts: NDArray[np.int64],
    place: NDArray[np.int64],
    passed: NDArray[np.int64],
    start: int,
    stop: int,
) -> None:
    """Decide one busy stretch, frames `start` to `stop`, in the order in which they were queued."""
    times, lengths, ranks = (part[start:stop].tolist() for part in (queued, lasts, place))
    waiting: list[tuple[int, int]] = []
    now, following = times[0], 0
    for _ in range(stop - start):
        while following < len(times) and times[following] <= now:
            heappush(waiting, (ranks[following], following))
            following += 1
        _, chosen = heappop(waiting)
        now += lengths[chosen]
        passed[start + chosen] = now
