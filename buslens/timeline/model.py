"""The states of one role through time, with both ends of every change and the stretches of not knowing."""

from __future__ import annotations

from bisect import bisect_left
from dataclasses import dataclass, field, replace
from enum import Enum
from fractions import Fraction
from typing import TYPE_CHECKING, Any, Final, NamedTuple

from buslens.capture.frames import Pause
from buslens.definitions.model import Signal, ValueType

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from buslens.definitions.limits import Comparison
    from buslens.definitions.unpack import Numbers

VALUES: Final = Signal(name="", start=0, length=64, kind=ValueType.FLOAT)
"""Stands for the signal of a number whose raw values are its values."""

UNKNOWN_STATE: Final = -1
"""State code of a stretch in which the role is unknown."""


class UnknownReason(Enum):
    """Why a role is unknown; the values are the codes in `Timeline.why`."""

    #: It is known.
    KNOWN = 0
    #: Its first frame has not come yet.
    NO_FRAME_YET = 1
    #: Its message has been silent for longer than the timeout.
    TIMED_OUT = 2
    #: The recorded clock ran back.
    DISCONTINUITY = 3
    #: The frame carried a value that the expectations do not name, or none that is a number.
    UNMAPPED = 4
    #: Nothing at all was recorded on its channel, or nobody can tell that from the silence of its message.
    NOT_RECORDED = 5
    #: It comes from several channels or sources, whose values contradict each other.
    CONTRADICTED = 6
    #: A part of the log is lost.
    HOLE = 7
    #: The recording is of a kind that does not carry it: a table without its column, a log without its message.
    NOT_CARRIED = 8


STOPPED: Final = (
    UnknownReason.TIMED_OUT.value,
    UnknownReason.DISCONTINUITY.value,
    UnknownReason.NOT_RECORDED.value,
    UnknownReason.HOLE.value,
)
"""Reasons for which no frame comes that would confirm the state from before."""


def no_gaps() -> NDArray[np.int64]:
    """Return a table of gaps without a row."""
    import numpy as np

    return np.empty((0, 2), np.int64)


@dataclass(frozen=True, slots=True, kw_only=True)
class Shortest:
    """How short the states of a role can be, so that it is known what may hide between two frames."""

    #: ns, in the order of the states, none for a number; None: what no frame shows is taken not to have been.
    states: tuple[int | None, ...]
    #: The same for all states together, where it does not rest on a rule that says how short a pulse may be.
    surely_ns: int | None
    #: Whether the role is read from a column.
    is_polled: bool = False

    @property
    def least_ns(self) -> int | None:
        """The shortest of all, ns; None where nothing is known."""
        known = [it for it in (*self.states, self.surely_ns) if it is not None]
        return min(known, default=None)


UNSAID: Final = Shortest(states=(), surely_ns=None)
"""Of a role of which nobody says how short its states can be."""


class Sampling(NamedTuple):
    """Where the frames or samples of a role are so far apart that a state can hide between two of them."""

    #: int64[n, 2], ns: the two frames, in order of time.
    blind_ns: NDArray[np.int64]
    #: The same for states that break a rule by being shorter than any should be.
    unshown_ns: NDArray[np.int64]
    #: The same for values that stand for no state.
    wide_ns: NDArray[np.int64]
    #: Shortest time that any of its states lasts, ns; None where nobody says so.
    shortest_ns: int | None
    #: Whether it is read from a column, so that the order of two changes between samples is not known.
    is_polled: bool
    #: How much further apart than their times two samples may lie, ns, and whether that is the time between two rows.
    apart_ns: int = 0
    is_by_row: bool = False
    #: Step by which times were rounded, ns; 0: they were not.
    resolution_ns: int = 0

    def gap_at(self, time_ns: int, gaps_ns: NDArray[np.int64] | None = None) -> tuple[int, int] | None:
        """Return the gap, of `blind_ns` or of others, within which a time lies; None if it lies in none."""
        gaps_ns = self.blind_ns if gaps_ns is None else gaps_ns
        place = bisect_left(gaps_ns[:, 0], time_ns) - 1
        if place < 0 or time_ns >= gaps_ns[place, 1]:
            return None
        return int(gaps_ns[place, 0]), int(gaps_ns[place, 1])


def nothing_hides() -> Sampling:
    """Return the sampling of a role between whose frames nothing hides."""
    return Sampling(blind_ns=no_gaps(), unshown_ns=no_gaps(), wide_ns=no_gaps(), shortest_ns=None, is_polled=False)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Timeline:
    """One role: entry i holds from ``seen_ns[i]`` until ``seen_ns[i + 1]``, the last until the capture ends.

    The first entry begins with the capture. What entry i shows came to be at some time in
    ``(since_ns[i], seen_ns[i]]``; between the two the log shows nothing.
    """

    role: str
    #: int64[n], ns, strictly ascending: the frame that first shows the entry, or the end of the timeout.
    seen_ns: NDArray[np.int64]
    #: uint32[n] or int64[n], ns, at least 1: how long before that the last frame came that still carried the entry
    #: before; see `changed_after_ns`.
    gap_ns: NDArray[np.uint32] | NDArray[np.int64]
    #: int8[n] or int32[n], index into `states`, or `UNKNOWN_STATE`; for a number 0 where it is known.
    state: NDArray[np.signedinteger[Any]]
    #: int8[n], the value of a `UnknownReason`.
    why: NDArray[np.int8]
    #: State names, in the order of the expectations file; empty for a number.
    states: tuple[str, ...]
    unit: str
    #: Time of the last frame that carried the signal; None if none did.
    last_frame_ns: int | None
    #: Usual time between the frames that carried it, ns; None if fewer than two did.
    period_ns: int | None
    #: Silence after which the role is unknown, ns; None: never.
    timeout_ns: int | None
    #: End of the capture, ns.
    end_ns: int
    #: How long its unit may take to send as the bus wakes up, and so as a capture begins, ns.
    waking_ns: int = 0
    #: int32[n], index into `unnamed`, -1 where the entry is not `UnknownReason.UNMAPPED`; None if no entry is.
    unnamed_at: NDArray[np.int32] | None = None
    #: Time between frames as the definitions give it, ns: no recording shows the message more often.
    cycle_ns: int | None = None
    #: What the frames carried instead: the name that the definitions give the value, in quotes, or its raw number.
    unnamed: tuple[str, ...] = ()
    #: Raw values of a number, in as few bytes as hold them, and the signal that they are of; without one they are its
    #: values themselves. None where the role has states.
    raw: Numbers | None = None
    signal: Signal = VALUES
    #: Where its message was not recorded, in order of time.
    pauses: tuple[Pause, ...] = ()
    #: Where lines stand that could not be read and that may have carried it, in order of time.
    unread: tuple[Pause, ...] = ()
    #: What the channels or sources are called that it comes from, if there are several.
    senders: tuple[str, ...] = ()
    #: What the frames that carried it leave room for between them.
    sampling: Sampling = field(default_factory=nothing_hides)
    #: int64[n], ns: of a role that is sent with changes only, the frames, some of which may show nothing new.
    frames_ns: NDArray[np.int64] | None = None
    #: How far the clock of its recording may be off that of the others, ns; its own changes share that.
    clock_ns: int = 0

    def __len__(self) -> int:
        return len(self.seen_ns)

    def __repr__(self) -> str:
        shown = f"{', '.join(self.states[:4])}{', ...' if len(self.states) > 4 else ''}" if self.states else self.unit
        return f"<Timeline of {self.role}: {len(self):,} entries{f'; {shown}' if shown else ''}>"

    @property
    def changed_after_ns(self) -> NDArray[np.int64]:
        """int64[n], ns, below or at seen_ns - 1: the last frame that still carried the entry before."""
        return self.seen_ns - self.gap_ns

    def part(self, first: int, stop: int | None = None) -> dict[str, Any]:
        """Return the columns of some entries, by their names."""
        columns = {name: getattr(self, name) for name in ("seen_ns", "gap_ns", "state", "why", "unnamed_at", "raw")}
        return {name: None if column is None else column[first:stop] for name, column in columns.items()}

    def since(self, time_ns: int) -> Timeline:
        """Return the timeline from the entry on that holds at a time."""
        return replace(self, **self.part(max(int(self.seen_ns.searchsorted(time_ns, "right")) - 1, 0)))

    def since_ns(self, index: int) -> int:
        """Return the last frame that still carried the entry before one, ns."""
        return int(self.seen_ns[index]) - int(self.gap_ns[index])

    @property
    def value(self) -> NDArray[np.float64]:
        """float64[n], physical value; NaN where unknown or where the role has states."""
        return self.values(slice(None))

    def value_at(self, index: int) -> float:
        """Return the value of one entry."""
        return float(self.values(slice(index, index + 1))[0])

    def values(self, part: slice | NDArray[np.intp]) -> NDArray[np.float64]:
        """Return the values of some entries."""
        import numpy as np

        from buslens.definitions.unpack import physical, widened

        if self.raw is None:
            return np.full(len(self.seen_ns[part]), np.nan)
        values = physical(widened(self.raw[part]), self.signal).astype(np.float64)
        return np.where(self.state[part] == UNKNOWN_STATE, np.nan, values)

    def pause_at(self, index: int) -> Pause | None:
        """Return the pause in which an entry begins; None if it begins in none."""
        at_ns = int(self.seen_ns[index])
        before = bisect_left(self.pauses, at_ns, key=lambda pause: pause.from_ns)
        return self.pauses[before - 1] if before else None

    def unnamed_value(self, index: int) -> str:
        """Return the value that an `UnknownReason.UNMAPPED` entry first carried; empty for other entries."""
        if self.unnamed_at is None or self.unnamed_at[index] < 0:
            return ""
        return self.unnamed[int(self.unnamed_at[index])]

    def compare(self, sign: Comparison, limit: Fraction | float) -> NDArray[np.bool_]:
        """Return for each entry of a number whether it is below or above a limit, exactly; of unknown ones anything."""
        from buslens.definitions.limits import compare_raw

        if self.raw is None:
            raise ValueError(f"{self.role} is no number")
        return compare_raw(self.raw, self.signal, sign, limit)

    @property
    def is_carried(self) -> bool:
        """Whether the recording has anything that carries the role."""
        return len(self) != 1 or self.why[0] != UnknownReason.NOT_CARRIED.value

    @property
    def is_number(self) -> bool:
        """Whether the role is a physical value, not one of a few states."""
        return not self.states
