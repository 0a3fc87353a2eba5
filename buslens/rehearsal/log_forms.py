"""Frames as text: the forms in which a recorder may write a log.

candump        one line per frame, ``(1773473401.004211) can0 123#02D0...``
candump-screen as the same tool prints to a terminal, with absolute stamps
candump-delta  the same with the time since the line before
asc            ASC, hexadecimal, stamps from the beginning of the measurement
asc-dec        ASC, identifiers and data decimal
asc-relative   ASC, each stamp counted from the event before
"""

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Final

from buslens.capture.frames import Flag, Frames
from buslens.errors import UsageError, did_you_mean
from buslens.units import NS_PER_US

_DAYS: Final = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
_MONTHS: Final = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


@dataclass(frozen=True, slots=True, kw_only=True)
class LogForm:
    """One way to write a log."""

    name: str
    #: What it is, for a list of choices.
    sentence: str
    #: Lines of a capture that began at a time, ns from the epoch; without the line ends.
    lines: Callable[[Frames, int], Iterator[str]]
    #: Lines that close the file.
    closing: tuple[str, ...] = ()
    line_end: str = "\n"


def render(frames: Frames, form: str, *, start_ns: int, is_torn: bool = False) -> bytes:
    """Return a log as bytes.

    Parameters
    ----------
    frames : Frames
        Times in ns from the epoch.
    form : str
        A key of `FORMS`.
    start_ns : int
        When the recording began, ns from the epoch.
    is_torn : bool
        Whether the log ends in the middle of its last frame's line, and is not closed.

    Raises
    ------
    UsageError
        If there is no such form.
    """
    way = find_log_form(form)
    lines = list(way.lines(frames, start_ns))
    if is_torn:
        lines[-1] = lines[-1][: -len(lines[-1]) // 3]
        return way.line_end.join(lines).encode("ascii")
    return (way.line_end.join([*lines, *way.closing]) + way.line_end).encode("ascii")


def find_log_form(name: str) -> LogForm:
    """Return the form of that name; UsageError if there is none."""
    if name not in FORMS:
        raise UsageError(f"no form of log is called '{name}'{did_you_mean(name, FORMS)}")
    return FORMS[name]


def log_form_for(path: Path) -> str:
    """Return the form that a file name asks for: ASC for ``.asc``, else candump; ``.gz`` behind it is no matter."""
    suffixes = [suffix.lower() for suffix in path.suffixes if suffix.lower() != ".gz"]
    return "asc" if suffixes and suffixes[-1] == ".asc" else "candump"


def _columns(frames: Frames) -> Iterator[tuple[int, int, bool, int, bytes]]:
    """Yield time in us, channel, whether extended, identifier and payload of each frame."""
    from buslens.capture.read import payloads

    return zip(
        (frames.time_ns // NS_PER_US).tolist(),
        frames.channel.tolist(),
        ((frames.flags & Flag.EXTENDED) != 0).tolist(),
        frames.can_id.tolist(),
        payloads(frames),
        strict=True,
    )


def _identifier(can_id: int, is_extended: bool) -> str:
    return f"{can_id:08X}" if is_extended else f"{can_id:03X}"


def _stamp(time_us: int) -> str:
    sign = "-" if time_us < 0 else ""
    whole, part = divmod(abs(time_us), 1_000_000)
    return f"{sign}{whole}.{part:06d}"


def _candump(frames: Frames, _start_ns: int) -> Iterator[str]:
    for time_us, channel, is_extended, can_id, data in _columns(frames):
        name = _identifier(can_id, is_extended)
        yield f"({_stamp(time_us)}) {frames.channels[channel]} {name}#{data.hex().upper()}"


def _screen(frames: Frames, *, is_delta: bool) -> Iterator[str]:
    before_us: int | None = None
    for time_us, channel, is_extended, can_id, data in _columns(frames):
        stamp = _stamp(time_us)
        if is_delta:
            stamp = _stamp(0 if before_us is None else time_us - before_us).rjust(10, "0")
            before_us = time_us
        name = _identifier(can_id, is_extended)
        yield f" ({stamp})  {frames.channels[channel]}  {name:>8}   [{len(data)}]  {data.hex(' ').upper()}"


def _asc(frames: Frames, start_ns: int, *, base: int, is_relative: bool) -> Iterator[str]:
    yield f"date {_asc_date(start_ns)}"
    yield f"base {'hex' if base == 16 else 'dec'}  timestamps {'relative' if is_relative else 'absolute'}"
    yield "internal events logged"
    yield f"Begin Triggerblock {_asc_date(start_ns)}"
    yield "   0.000000 Start of measurement"
    start_us = before_us = start_ns // NS_PER_US
    for time_us, channel, is_extended, can_id, data in _columns(frames):
        stamp = _stamp(time_us - (before_us if is_relative else start_us))
        before_us = time_us
        name = f"{can_id:X}" if base == 16 else str(can_id)
        name += "x" if is_extended else ""
        text = data.hex(" ").upper() if base == 16 else " ".join(f"{byte:3d}" for byte in data)
        yield f"{stamp:>11} {channel + 1}  {name:<15} Rx   d {len(data)} {text}"


def _asc_date(time_ns: int) -> str:
    """Return a date as ASC logs have it in English, in UTC, whatever the locale of this machine."""
    # From the epoch by addition, for not every system converts stamps of any year.
    moment = datetime(1970, 1, 1) + timedelta(microseconds=time_ns // NS_PER_US)  # noqa: DTZ001 (ASC has no zone)
    half = "am" if moment.hour < 12 else "pm"
    clock = f"{(moment.hour + 11) % 12 + 1:02d}:{moment:%M:%S}.{moment.microsecond // 1000:03d} {half}"
    return f"{_DAYS[moment.weekday()]} {_MONTHS[moment.month - 1]} {moment.day:02d} {clock} {moment.year}"


def _asc_form(name: str, sentence: str, *, base: int = 16, is_relative: bool = False) -> LogForm:
    def lines(frames: Frames, start_ns: int) -> Iterator[str]:
        return _asc(frames, start_ns, base=base, is_relative=is_relative)

    return LogForm(name=name, sentence=sentence, lines=lines, closing=("End TriggerBlock",), line_end="\r\n")


FORMS: Final[Mapping[str, LogForm]] = {
    form.name: form
    for form in (
        LogForm(name="candump", sentence="candump log file", lines=_candump),
        LogForm(
            name="candump-screen",
            sentence="candump as on a terminal, absolute stamps",
            lines=lambda frames, _start: _screen(frames, is_delta=False),
        ),
        LogForm(
            name="candump-delta",
            sentence="candump as on a terminal, time since the line before",
            lines=lambda frames, _start: _screen(frames, is_delta=True),
        ),
        _asc_form("asc", "ASC, hexadecimal, absolute stamps"),
        _asc_form("asc-dec", "ASC, decimal, absolute stamps", base=10),
        _asc_form("asc-relative", "ASC, hexadecimal, each stamp counted from the event before", is_relative=True),
    )
}
"""All forms, by name."""
