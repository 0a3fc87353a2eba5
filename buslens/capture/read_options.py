"""How one capture is to be read."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Protocol

from buslens.capture import _recorded_kernel
from buslens.capture.frames import Clock
from buslens.capture.log_format import FormatMatch, LogFormat
from buslens.capture.stream import WINDOW_BYTES
from buslens.kernels import is_made

if TYPE_CHECKING:
    from buslens.capture.id_filter import IdFilter

ROOM: Final = 1 << 16
"""Frames in the columns."""
_PUT_OFF: Final[dict[str, int]] = {}
"""Bytes that this process has read by plain Python so as not to compile, by format."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadOptions:
    """What all scanners of one reading have in common."""

    format: LogFormat
    match: FormatMatch
    #: None: every frame.
    wanted: IdFilter | None
    #: The columns hold what was recorded, in file order; no sorting, no clock discontinuities.
    as_recorded: bool = False
    #: Bytes that are read by plain Python before the compiler is asked for.
    plain_bytes: int = 0
    window_bytes: int = WINDOW_BYTES
    room: int = ROOM
    #: Frames are handed on when there are as many at the end of a window.
    batch: int = ROOM // 2
    notify: Callable[[str], None] | None = None


class RecognisedLog(Protocol):
    """What has to be known of a log to say how it is read."""

    format: LogFormat | None
    match: FormatMatch | None
    size: int | None


def read_options_for(
    capture: RecognisedLog,
    *,
    wanted: IdFilter | None,
    as_recorded: bool = False,
    plain_bytes: int | None = None,
    window_bytes: int = WINDOW_BYTES,
    batch: int = ROOM // 2,
    notify: Callable[[str], None] | None = None,
) -> ReadOptions:
    """Return the plan for a log of one of our formats: compiled from the start if it is known to be large."""
    entry, match = capture.format, capture.match
    assert entry is not None  # noqa: S101  (else it is a recording of another kind)
    assert match is not None  # noqa: S101
    most = _plain_bytes(entry, capture.size) if plain_bytes is None else plain_bytes
    return ReadOptions(
        format=entry,
        match=match,
        wanted=wanted,
        as_recorded=as_recorded,
        plain_bytes=0 if capture.size is not None and capture.size > most else most,
        window_bytes=window_bytes,
        batch=batch,
        notify=notify,
    )


def _plain_bytes(entry: LogFormat, size: int | None) -> int:
    """Return how much of a log is worth reading by plain Python, and note it where that puts off compiling."""
    most = entry.plain_bytes
    if entry.unmade_bytes and (size is None or size > most) and not is_made(entry.compiled_kernel):
        left = entry.unmade_bytes - _PUT_OFF.get(entry.name, 0)
        most = max(most, left)
        _PUT_OFF[entry.name] = _PUT_OFF.get(entry.name, 0) + min(size or 0, most)
    return most


def python_can_read_options(name: str, *, wanted: IdFilter | None, as_recorded: bool = False) -> ReadOptions:
    """Return the plan for a recording whose frames come from another reader, through `Scanner.feed`."""
    entry = LogFormat(name=name, example="", sniff=lambda _: None, kernel=_recorded_kernel.take, reasons={})
    return ReadOptions(format=entry, match=FormatMatch(clock=Clock.RELATIVE), wanted=wanted, as_recorded=as_recorded)
