"""What a person did and when: a time in seconds from the capture's first frame, then words.

::

    # driver's door, four times
    12.3  driver door opens
    14.0  driver door closes
    20,5 s  driver door opens

The time may also stand last: ``driver door opens at 12.3 s``. Marks with the same words are one action, done again;
letter case and spaces do not count. What stands behind a ``#`` at the beginning of a line or after a space is a
comment.
"""

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from decimal import Decimal
from pathlib import Path
from typing import Final

from buslens.errors import SourceLocation, UsageError
from buslens.units import NS_PER_S

LARGEST_FILE: Final = 1_000_000
"""Bytes; a longer file is no list of marks."""

_MARK: Final = re.compile(r"\s*(?P<time>\d{1,9}(?:[.,]\d{0,9})?)(?:\s*s(?=\s))?\s+(?!s\s*$)(?P<words>\S.*)", re.ASCII)
_TIME_LAST: Final = re.compile(
    r"\s*(?P<words>\S.*?)\s+(?:at|@|bei|um)\s+(?P<time>\d{1,9}(?:[.,]\d{0,9})?)(?:\s*s)?\s*", re.ASCII | re.IGNORECASE
)
_NUMBER: Final = re.compile(r"\s*[+-]?[\d.,:]+", re.ASCII)
_COMMENT: Final = re.compile(r"(?:^|\s)#.*")
_EXAMPLE: Final = 'write a time in seconds and what was done, such as "12.3 driver door opens"'


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """One thing that was done."""

    #: ns from the capture's first frame.
    time_ns: int
    words: str
    source: SourceLocation | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class MarkedAction:
    """One kind of thing that was done, once or again and again."""

    #: As first written.
    words: str
    #: Ascending, ns from the capture's first frame.
    times_ns: tuple[int, ...]


def parse_mark(text: str, source: SourceLocation | None = None) -> Mark:
    """Return the mark that one line of text is; UsageError if the text is not a time and words."""
    match = _MARK.fullmatch(text) or _TIME_LAST.fullmatch(text)
    if match is None:
        column, problem = _what_is_wrong(text)
        place = None if source is None else SourceLocation(source.path, source.line, column)
        where = "" if source is not None else f"--mark '{text}': "
        raise UsageError(f"{where}{problem}; {_EXAMPLE}", place)
    time_ns = int(Decimal(match["time"].replace(",", ".")) * NS_PER_S)
    return Mark(time_ns=time_ns, words=" ".join(match["words"].split()), source=source)


def load_marks(path: str) -> list[Mark]:
    """Return the marks of a file.

    Raises UsageError if a line is not a mark, with line and column, all such lines at once; or if there is no mark in
    it; OSError if the file cannot be read.
    """
    with Path(path).open("rb") as file:
        raw = file.read(LARGEST_FILE + 1)
    if len(raw) > LARGEST_FILE or b"\0" in raw:
        raise UsageError(f"this is no list of marks; {_EXAMPLE} on each line", SourceLocation(path))
    marks, problems = [], []
    for number, line in enumerate(_decoded(raw).splitlines(), start=1):
        text = _COMMENT.sub("", line)
        if not text.strip():
            continue
        try:
            marks.append(parse_mark(text, SourceLocation(path, number)))
        except UsageError as error:
            problems.append(error)
    if problems:
        more = "".join(f"\n{error}" for error in problems[1:])
        raise UsageError(f"{problems[0].problem}{more}", problems[0].source)
    if not marks:
        raise UsageError(f"there is no mark in it; {_EXAMPLE}", SourceLocation(path))
    return marks


def actions_of(marks: Iterable[Mark]) -> tuple[MarkedAction, ...]:
    """Return the different actions, in the order in which they were first done."""
    words: dict[str, str] = {}
    times: dict[str, list[int]] = {}
    for mark in sorted(marks, key=lambda it: it.time_ns):
        key = mark.words.casefold()
        words.setdefault(key, mark.words)
        times.setdefault(key, []).append(mark.time_ns)
    return tuple(MarkedAction(words=words[key], times_ns=tuple(times[key])) for key in words)


def reject_outside(marks: Sequence[Mark], length_ns: int) -> None:
    """Refuse marks behind the end of the capture; UsageError if there are any."""
    for mark in marks:
        if mark.time_ns > length_ns:
            raise UsageError(
                f"the mark '{mark.time_ns / NS_PER_S:g} {mark.words}' is behind the end of the capture, which lasts"
                f" {length_ns / NS_PER_S:.3f} s; times count in seconds from its first frame",
                mark.source,
            )


def _what_is_wrong(text: str) -> tuple[int, str]:
    """Return the column, from 1, and what is wrong there."""
    start = len(text) - len(text.lstrip()) + 1
    number = _NUMBER.match(text)
    if not text.strip():
        return start, "this mark is empty"
    if number is None:
        return start, f"'{text.split(maxsplit=1)[0]}' is no time"
    if re.fullmatch(r"\s*\d{1,9}(?:[.,]\d{0,9})?(?:\s*s)?\s*", text, re.ASCII):
        return len(text.rstrip()) + 1, "there is a time, but not what was done"
    return start, f"'{text.split(maxsplit=1)[0]}' is no time in seconds"


def _decoded(raw: bytes) -> str:
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        return raw.decode("cp1252", "backslashreplace")
