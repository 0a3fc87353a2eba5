"""Which identifiers a capture holds, and how often they come: what a vehicle's captures are compared by.

The cycle time of an identifier is the median of its first 64 times between two frames. Remote and error frames do not
count. Beyond 4,096 different identifiers, which no vehicle has, further ones are left out.
"""

from collections.abc import Callable
from typing import Any, cast

import numpy as np

from buslens.capture.frames import Flag, Frames
from buslens.fleet import _id_traffic_kernel as k
from buslens.fleet.model import TrafficRow
from buslens.kernels import compiled


class IdTrafficCounter:
    """Counts the frames of one capture by channel and identifier; as plain Python, or compiled where that pays."""

    def __init__(self, *, is_plain: bool = False) -> None:
        self._state = np.zeros(k.STATE_SIZE, np.int64)
        self._keys = np.full(k.SLOTS, k.FREE, np.int64)
        self._counts = np.zeros(k.SLOTS, np.int64)
        self._lasts = np.full(k.SLOTS, k.NO_TIME, np.int64)
        self._gaps = np.zeros(k.SLOTS * k.KEPT, np.int64)
        self._channels: tuple[str, ...] = ()
        self._segment = 0
        self._compiled: Callable[..., int] | None = None if is_plain else compiled(k.count)

    def add(self, frames: Frames) -> None:
        """Count a run of frames, later than all before."""
        if frames.segment != self._segment:
            # Across a place where the clock ran back the axis tells no time between two frames: none is kept of it.
            self._lasts.fill(k.NO_TIME)
            self._segment = frames.segment
        self._channels = frames.channels
        columns = frames.time_ns, frames.channel, frames.can_id, frames.flags
        tables = self._state, self._keys, self._counts, self._lasts, self._gaps
        no_data = int(Flag.REMOTE | Flag.ERROR)
        if self._compiled is not None:
            self._compiled(*columns, len(frames), no_data, *tables)
        else:
            time, channel, can_id, flags = (column.tolist() for column in columns)
            slots = (memoryview(table) for table in tables)  # type: ignore[arg-type]
            k.count(time, channel, can_id, flags, len(frames), no_data, *cast("Any", tuple(slots)))

    def counts(self) -> dict[tuple[str, int, bool], int]:
        """Return how many frames each identifier has, by channel, identifier and whether it is a 29-bit one."""
        return {(row.channel, row.can_id, row.is_extended): row.frames for row in self.rows()}

    def rows(self) -> tuple[TrafficRow, ...]:
        """Return what was counted, in the order of channels and identifiers."""
        found = []
        for place in np.flatnonzero(self._keys != k.FREE).tolist():
            key, count = int(self._keys[place]), int(self._counts[place])
            gaps = self._gaps[place * k.KEPT : place * k.KEPT + min(count - 1, k.KEPT)]
            gaps = gaps[gaps > 0]
            found.append(
                TrafficRow(
                    channel=self._channels[key >> 30],
                    can_id=key & 0x1FFFFFFF,
                    is_extended=bool(key >> 29 & 1),
                    frames=count,
                    cycle_ns=int(np.median(gaps)) if len(gaps) else None,
                )
            )
        return tuple(sorted(found))
