"""Vehicle and date of a capture: from its path, or from a list.

    Pattern           "{vehicle}/{date}_*.log", held against the end of the path
    VehicleResolver   asks a pattern or a list (`vehicle_list`), and names a capture of which they say nothing

A date is one of the calendar of whoever named the file. It is never guessed at: what fits no form, or is no day of the
calendar, is no date, and the capture's own clock tells.
"""

import os
import re
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Final, NamedTuple

from buslens.errors import UsageError, did_you_mean
from buslens.fleet.fetch import is_address
from buslens.fleet.listing import FoundCapture

_DAY: Final = r"\d{4}(?:-\d\d-\d\d|_\d\d_\d\d|\.\d\d\.\d\d|\d{4})"
_SHORT_TIME: Final = r"[0-2]\d[-:._]?[0-5]\d"
_TIME: Final = r"[0-2]\d(?:[-:._][0-5]\d[-:._][0-5]\d|[0-5]\d[0-5]\d)(?:[.,]\d{1,9})?"
_CLOCK: Final = re.compile(r"(?:(\d\d)[-:._]?(\d\d)(?:[-:._]?(\d\d))?(?:[.,](\d{1,9}))?Z?)?", re.ASCII)
_FORMS: Final = {
    "vehicle": r"[^/]+?",
    # Hours and minutes alone count as a time only behind a T: 2026-03-14_0815 may be a number.
    "date": rf"{_DAY}(?:[T_ -]{_TIME}Z?|T{_SHORT_TIME}Z?)?",
    "day": _DAY,
    "time": rf"(?:{_TIME}|{_SHORT_TIME})",
}
_DIRECTIVES: Final = {"Y": 4, "y": 2, "m": 2, "d": 2, "j": 3, "H": 2, "M": 2, "S": 2, "f": 6}
"""Parts of a date in digits, as `datetime.strptime` has them, with their widths; names of months differ by language."""
_PIECE: Final = re.compile(r"\{\{|\}\}|\{[^{}]*\}|[*?{}]|[^*?{}]+")
_NAMES: Final = ("vehicle", "date", "time")
_ON_WINDOWS: Final = os.name == "nt"


class CaptureLabel(NamedTuple):
    """What a path or a list says of a capture."""

    vehicle: str
    #: Calendar time, ns; None: the capture's own clock tells.
    recorded_ns: int | None


@dataclass(frozen=True, slots=True)
class Pattern:
    """A form of paths, in which vehicle and date have their places.

    Parameters
    ----------
    text : str
        As the user wrote it. ``{vehicle}`` stands for a part of a name, ``{date}`` for a day with or without a time,
        ``{date:%d.%m.%Y}`` for one in a form of the user's, ``{time}`` for a time of day, ``*`` for anything within a
        name, ``?`` for one character; ``{{`` and ``}}`` are brackets. On Windows a
        backslash parts folders too, and capitals are no others than small letters.

    Raises
    ------
    UsageError
        If nothing could be read by it, with the column.
    """

    text: str
    _regex: re.Pattern[str] = field(init=False, repr=False, compare=False)
    _parts: int = field(init=False, repr=False, compare=False)
    _formats: dict[str, str] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        """Read the text."""
        text = self.text.replace("\\", "/") if _ON_WINDOWS else self.text
        reader = _PatternParser(text)
        flags = re.DOTALL | re.IGNORECASE if _ON_WINDOWS else re.DOTALL
        object.__setattr__(self, "_regex", re.compile(reader.regex(), flags))
        object.__setattr__(self, "_parts", text.count("/") + 1)
        object.__setattr__(self, "_formats", reader.formats)

    def match(self, path: str) -> CaptureLabel | None:
        """Return what a path says, with '/' between its parts; None if it is of another form.

        >>> Pattern("{vehicle}/{date}_*.log").match("logs/car 7/2026-03-14_cold.log").vehicle
        'car 7'
        """
        end = "/".join(path.split("/")[-self._parts :])
        match = self._regex.fullmatch(end)
        if match is None:
            return None
        found = match.groupdict()
        recorded: int | None = None
        if "date" in found:
            recorded = _recorded_ns(found, self._formats)
            if recorded is None:
                return None
        return CaptureLabel(found["vehicle"], recorded)

    def find(self, capture: FoundCapture) -> CaptureLabel | None:
        """Return what the path of a capture says; None if it is of another form."""
        return self.match(_whole_path(capture))


class _PatternParser:
    """Reads a pattern from its beginning to its end."""

    def __init__(self, text: str) -> None:
        self.text = text
        self.formats: dict[str, str] = {}
        self.seen: dict[str, int] = {}
        #: What the piece before can be of any length, in words; empty if it ends where it must.
        self.open = ""

    def regex(self) -> str:
        if not self.text.strip():
            self.refuse(0, "the pattern is empty")
        if self.text.startswith("/"):
            self.refuse(0, "it is held against the end of the path; leave out the '/' at its beginning")
        if self.text.endswith("/"):
            self.refuse(len(self.text) - 1, "it ends with a folder; the name of the file must follow, such as '*'")
        found = "".join(self.piece(match[0], match.start()) for match in _PIECE.finditer(self.text))
        if "vehicle" not in self.seen:
            self.refuse(0, "it has no {vehicle}; without it nobody could tell which captures belong together")
        if "time" in self.seen and "date" not in self.seen:
            self.refuse(self.seen["time"], "{time} tells nothing without a {date}")
        return found

    def piece(self, piece: str, at: int) -> str:
        if piece in {"{{", "}}"}:
            self.open = ""
            return re.escape(piece[0])
        if piece in {"{", "}"}:
            other = "it is never closed" if piece == "{" else "no '{' stands before it"
            self.refuse(at, f"'{piece}': {other}; a bracket of the name itself is written twice")
        if piece == "*":
            self.after(at, "*")
            return "[^/]*"
        if piece == "?":
            return "[^/]"
        if piece.startswith("{"):
            return self.field(piece, at)
        self.open = ""
        return re.escape(piece)

    def after(self, at: int, piece: str) -> None:
        """Refuse what follows at once on what has no end of its own."""
        vehicle = "{vehicle}"
        if self.open and vehicle in {piece, self.open}:
            self.refuse(
                at, f"'{piece}' follows at once on '{self.open}', so that nobody can tell where the vehicle ends"
            )
        self.open = piece

    def field(self, piece: str, at: int) -> str:
        name, colon, form = piece[1:-1].partition(":")
        if name not in _NAMES:
            known = did_you_mean(name, _NAMES)
            self.refuse(at, f"'{piece}' is not known{known or '; known: vehicle, date, time'}")
        if name in self.seen:
            self.refuse(at, f"'{piece}' stands here a second time")
        self.after(at, "{vehicle}" if name == "vehicle" else piece)
        self.seen[name] = at
        if not colon:
            # A time of its own: the day ends where the day ends.
            kind = "day" if name == "date" and "{time" in self.text else name
            return f"(?P<{name}>{_FORMS[kind]})"
        if name == "vehicle":
            self.refuse(at, "a vehicle has no form; write {vehicle}")
        self.formats[name] = form
        return f"(?P<{name}>{self.form(form, at + len(name) + 2, name)})"

    def form(self, form: str, at: int, name: str) -> str:
        """Return what a form of dates fits."""
        letters = re.findall(r"%(.)", form)
        for match in re.finditer(r"%(.?)", form):
            if match[1] not in {*_DIRECTIVES, "%"}:
                known = ", ".join(f"%{letter}" for letter in _DIRECTIVES)
                self.refuse(at + match.start(), f"'{match[0]}' is not known here; known: {known}")
        wanted: tuple[tuple[str, ...], ...] = (("H",),)
        words = "an hour (%H)"
        if name == "date":
            wanted, words = (("Y", "m", "d"), ("y", "m", "d"), ("Y", "j"), ("y", "j")), "a year, a month and a day"
        if not any(set(some) <= set(letters) for some in wanted):
            self.refuse(at, f"'{form}' does not give {words}; write for example {{date:%d.%m.%Y}} or {{time:%H%M}}")
        if len(set(letters)) < len(letters):
            self.refuse(at, f"'{form}' has a part twice")
        return "".join(_form_piece(match[0], form[match.end() :]) for match in re.finditer(r"%.|[^%]+", form))

    def refuse(self, at: int, problem: str) -> None:
        raise UsageError(f"--name '{self.text}', column {at + 1}: {problem}")


def _form_piece(piece: str, rest: str) -> str:
    if not piece.startswith("%"):
        return re.escape(piece)
    if piece == "%%":
        return "%"
    width = _DIRECTIVES[piece[1]]
    # 3.4.2026 too, unless digits follow, which would then belong to nobody knows which.
    least = 1 if width == 2 and not re.match(r"%[^%]|\d", rest) else width
    return rf"\d{{{least},{width}}}"


def parse_date(text: str) -> int | None:
    """Return a date with or without a time as calendar time, ns; None if it is none.

    >>> parse_date("20260314T081500") == parse_date("2026-03-14 08:15:00")
    True
    """
    if re.fullmatch(_FORMS["date"], text, re.ASCII) is None:
        return None
    digits = re.match(_DAY, text, re.ASCII)
    return None if digits is None else _at(digits[0], text[digits.end() :].lstrip("T_ -"))


def _recorded_ns(found: dict[str, str], formats: dict[str, str]) -> int | None:
    if not formats:
        date = found["date"]
        return _at(date, found["time"]) if "time" in found else parse_date(date)
    day = _by_form(found["date"], formats["date"]) if "date" in formats else parse_date(found["date"])
    if day is None or "time" not in found:
        return day
    if "time" in formats:
        time = _by_form(f"1970 {found['time']}", f"%Y {formats['time']}")
    else:
        time = _at("19700101", found["time"])
    return None if time is None else day + time


def _by_form(text: str, form: str) -> int | None:
    try:
        return _ns(datetime.strptime(text, form).replace(tzinfo=UTC))
    except ValueError:
        return None


def _at(day: str, time: str) -> int | None:
    """Return a moment, whatever stands between its digits."""
    numbers = re.sub(r"\D", "", day)
    clock = _CLOCK.fullmatch(time)
    if clock is None:
        return None
    hour, minute, second = (int(part or 0) for part in clock.groups()[:3])
    try:
        moment = datetime(int(numbers[:4]), int(numbers[4:6]), int(numbers[6:8]), hour, minute, second, tzinfo=UTC)
    except ValueError:
        return None
    return _ns(moment) + int((clock[4] or "").ljust(9, "0"))


def _ns(moment: datetime) -> int:
    since = moment - datetime(1970, 1, 1, tzinfo=UTC)
    return ((since.days * 86_400 + since.seconds) * 1_000_000 + since.microseconds) * 1000


@dataclass(slots=True)
class VehicleResolver:
    """What captures are called, and how often nothing said so.

    Parameters
    ----------
    on_unnamed : callable
        Is told of the first capture of which it says nothing.
    """

    #: `find` of a pattern or of a list; None: where a capture lies says it.
    by: Callable[[FoundCapture], CaptureLabel | None] | None
    on_unnamed: Callable[[FoundCapture], object] = lambda _capture: None
    #: Captures of which `by` says nothing.
    unnamed: int = 0

    def __call__(self, capture: FoundCapture) -> CaptureLabel:
        """Return vehicle and date of a capture."""
        if self.by is None:
            return CaptureLabel(by_place(capture.below), None)
        found = self.by(capture)
        if found is not None:
            return found
        self.unnamed += 1
        if self.unnamed == 1:
            self.on_unnamed(capture)
        # Apart from all that are named, and from each other as far as that can be told: two vehicles taken for one
        # would have each other's past.
        return CaptureLabel(f"unnamed ({by_place(capture.below)})", None)


def by_place(below: str) -> str:
    """Return the vehicle by where a capture lies: its folder, else its name up to the first '_'.

    >>> by_place("car07/monday.log"), by_place("car07_monday.log"), by_place("car07.log.gz")
    ('car07', 'car07', 'car07')
    """
    folder, _, name = below.rpartition("/")
    if folder:
        return folder
    first, line, _ = name.partition("_")
    if line and first:
        return first
    stem = name.removesuffix(".gz")
    return stem.rpartition(".")[0] or stem


def _whole_path(capture: FoundCapture) -> str:
    if is_address(capture.address):
        # What follows is the archive that it lies in.
        return capture.address.partition("::")[0]
    return capture.address.replace("\\", "/") if _ON_WINDOWS else capture.address
