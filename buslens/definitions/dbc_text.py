"""The text of a DBC file: its encoding, and where in it everything stands.

The parser that reads the meaning of a DBC keeps no places. This outline does: it walks the text once, knows what
is a string and what is a comment, and notes the statements that other statements refer to.
"""

from __future__ import annotations

import re
from bisect import bisect_right
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping

EXAMPLES: Final[Mapping[str, str]] = {
    "BO_": "BO_ 520 COLUMN_STATE: 8 LOCK_UNIT",
    "SG_": 'SG_ SUPPLY : 8|16@1+ (0.001,0) [0|30] "V" CONTROL_UNIT',
    "CM_": 'CM_ SG_ 520 SUPPLY "at the lock unit";',
    "VAL_": 'VAL_ 520 BOLT 0 "open" 1 "locked" ;',
    "VAL_TABLE_": 'VAL_TABLE_ Bolt 0 "open" 1 "locked" ;',
    "BA_DEF_": 'BA_DEF_ BO_ "GenMsgCycleTime" INT 0 65535;',
    "BA_DEF_DEF_": 'BA_DEF_DEF_ "GenMsgCycleTime" 0;',
    "BA_": 'BA_ "GenMsgCycleTime" BO_ 520 25;',
    "SIG_VALTYPE_": "SIG_VALTYPE_ 520 SUPPLY : 1;",
    "SG_MUL_VAL_": "SG_MUL_VAL_ 520 SUPPLY PAGE 0-3, 7-7;",
    "BO_TX_BU_": "BO_TX_BU_ 520 : LOCK_UNIT,GATEWAY;",
    "SIG_GROUP_": "SIG_GROUP_ 520 BOLT_STATE 1 : BOLT SUPPLY;",
    "BU_": "BU_: LOCK_UNIT CONTROL_UNIT",
    "VERSION": 'VERSION "1.0"',
}
"""A right one of each kind of statement, for error texts."""

_STRING: Final = r'(?>"(?:\\"|[^"])*?")'

_COMMENT: Final = re.compile(rf"{_STRING}|(//[^\n]*)")

# Atomic groups: a file with a missing quote must not set off a search through all ways to pair the others.
_STATEMENT: Final = re.compile(
    rf"""
    {_STRING}
    | (?<!\w)(?:
        BO_ \s+ (?P<bo_id>\d{{1,20}}+) \s+ (?P<bo_name>\w+) \s*:\s* (?P<bo_length>\d{{1,20}}+) \s+ \w+
      | SG_ \s+ (?P<sg_name>\w+) (?: \s+ (?P<sg_mark>\w+) )? \s*:
            (?: \s* (?P<sg_start>\d{{1,20}}+) \s*\|\s* (?P<sg_bits>\d{{1,20}}+) \s*@\s* (?P<sg_order>\d{{1,20}}+) )?
      | SG_MUL_VAL_ \s+ (?P<mul_id>\d{{1,20}}+) \s+ (?P<mul_name>\w+) \s+ (?P<mul_selector>\w+)
            \s+ (?P<mul_ranges>[\d\s,-]*+) ;
      | SIG_VALTYPE_ \s+ (?P<type_id>\d{{1,20}}+) \s+ (?P<type_name>\w+) \s*:\s* (?P<type>\d{{1,20}}+) \s*;
      | VAL_ \s+ (?P<val_id>\d{{1,20}}+) \s+ (?P<val_name>\w+) (?:[^;"]|{_STRING})*+ ;
      | BA_DEF_ \s+ (?: (?:SG_|BO_|EV_|BU_) \s+ )? "(?P<def_name>[^"]*+)"
      | BA_ \s+ "(?P<attribute>[^"]*+)"
    )
    | \w++
    """,
    re.VERBOSE | re.ASCII,
)
_RANGE: Final = re.compile(r"(\d{1,20}+)\s*-\s*(\d{1,20}+)", re.ASCII)
_KEYWORD: Final = re.compile(r"^[ \t]*([A-Z]+(?:_[A-Z]+)*_?)(?!\w)", re.MULTILINE | re.ASCII)

_OTHER_KEYWORDS: Final = frozenset({"NS_", "BS_", "EV_", "ENVVAR_DATA_", "BA_REL_", "BA_DEF_REL_", "BA_DEF_DEF_REL_"})
_SEMICOLON: Final = re.compile(r".*;", re.DOTALL)
_ANYTHING: Final = re.compile(r".*", re.DOTALL)
_ENDINGS: Final = {
    "BO_": re.compile(r"BO_\s+\d+\s+\w+\s*:\s*\d+\s+\w+", re.ASCII),
    "SG_": re.compile(r'SG_[^"]*"[^"]*"\s*\w+(?:\s*,\s*\w+)*', re.ASCII),
    "BU_": _ANYTHING,
    "NS_": _ANYTHING,
    "BS_": _ANYTHING,
    "VERSION": re.compile(r'VERSION\s*"[^"]*"'),
}
"""How the statements end that do not end with a semicolon."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SignalPlace:
    """An ``SG_`` statement."""

    name: str
    #: What stands between name and colon: "M", "m5", "m5M" or nothing.
    mark: str
    #: Start bit, bits and byte order digit; None if they are not whole numbers.
    layout: tuple[int, int, int] | None
    offset: int


@dataclass(frozen=True, slots=True, kw_only=True)
class MessagePlace:
    """A ``BO_`` statement and its signals."""

    #: As written: bit 31 says that it is an extended one.
    number: int
    name: str
    length: int
    offset: int
    signals: list[SignalPlace] = field(default_factory=list)


@dataclass(frozen=True, slots=True, kw_only=True)
class SignalNote:
    """A statement about a signal that stands elsewhere: ``VAL_``, ``SIG_VALTYPE_`` or ``SG_MUL_VAL_``."""

    keyword: str
    #: Message number as written.
    number: int
    name: str
    start: int
    end: int
    #: For ``SIG_VALTYPE_``: 0 whole number, 1 float, 2 double.
    type: int = 0
    #: For ``SG_MUL_VAL_``.
    selector: str = ""
    #: For ``SG_MUL_VAL_``: selecting values, first and last.
    ranges: tuple[tuple[int, int], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class AttributeUse:
    """A ``BA_`` statement."""

    name: str
    offset: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Outline:
    """What stands where in the text of a DBC; all places are offsets in characters."""

    #: Line ends are line feeds, comments are blanked.
    text: str
    messages: list[MessagePlace]
    notes: list[SignalNote]
    attributes: list[AttributeUse]
    #: Names that a ``BA_DEF_`` gives.
    defined_attributes: frozenset[str]
    #: Offset of the first character of each line.
    lines: list[int]

    def line(self, offset: int) -> int:
        """Return the line of an offset, counted from 1."""
        return bisect_right(self.lines, offset)

    def column(self, offset: int) -> int:
        """Return the column of an offset, counted from 1."""
        return offset - self.lines[self.line(offset) - 1] + 1

    def rest_of_line(self, offset: int) -> str:
        """Return what stands at an offset, to the line's end, cut to what fits into an error text."""
        found = self.text[offset:].split("\n", 1)[0].strip()
        return found if len(found) <= 40 else found[:37] + "..."

    def unfinished(self) -> tuple[int, str] | None:
        """Return offset and keyword of the last statement if the file ends within it.

        The parser passes over an unfinished last statement in silence.
        """
        bare = re.sub(_STRING, lambda match: '"' + " " * (len(match[0]) - 2) + '"', self.text)
        last = None
        for match in _KEYWORD.finditer(bare):
            last = match if match[1] in EXAMPLES or match[1] in _OTHER_KEYWORDS else last
        if last is None:
            return None
        ending = _ENDINGS.get(last[1], _SEMICOLON)
        finished = ending.fullmatch(bare[last.start(1) :].rstrip())
        return None if finished else (last.start(1), last[1])

    def statement_around(self, offset: int) -> str:
        """Return the keyword of the statement that an offset lies in, empty if it is none of `EXAMPLES`."""
        keyword = ""
        for match in _KEYWORD.finditer(self.text, 0, offset + 1):
            keyword = match[1] if match[1] in EXAMPLES else keyword
        return keyword


def decode_text(data: bytes) -> str:
    """Return the text of a DBC file.

    A byte order mark decides. Without one the format's default is cp1252; but editors save UTF-8, and files get
    pasted together, so each line that is UTF-8 is read as such: text in cp1252 that happens to be UTF-8 is not
    a word of any language. The five bytes that cp1252 leaves open stay control characters.

    Raises
    ------
    UnicodeDecodeError
        If a byte order mark promises UTF-16 and the rest breaks the promise.
    """
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        text = data.decode("utf-16")
    else:
        data = data.removeprefix(b"\xef\xbb\xbf")
        text = (
            data.decode("ascii")
            if data.isascii()
            else "".join(_decode_line(line) for line in data.splitlines(keepends=True))
        )
    return text.replace("\r\n", "\n").replace("\r", "\n")


def _decode_line(line: bytes) -> str:
    try:
        return line.decode("utf-8")
    except UnicodeDecodeError:
        return "".join(
            chr(byte) if byte in {0x81, 0x8D, 0x8F, 0x90, 0x9D} else bytes((byte,)).decode("cp1252") for byte in line
        )


def outline(text: str) -> Outline:
    """Return what stands where in the text of a DBC, as `decode_text` gives it."""
    text = _COMMENT.sub(lambda match: " " * len(match[1]) if match[1] else match[0], text)
    messages: list[MessagePlace] = []
    notes: list[SignalNote] = []
    attributes: list[AttributeUse] = []
    defined: set[str] = set()
    for match in _STATEMENT.finditer(text):
        group = match.lastgroup
        if group is None:
            continue
        if group == "bo_length":
            messages.append(
                MessagePlace(
                    number=int(match["bo_id"]),
                    name=match["bo_name"],
                    length=int(match["bo_length"]),
                    offset=match.start(),
                )
            )
        elif group.startswith("sg_"):
            if messages:
                messages[-1].signals.append(_signal_place(match))
        elif group == "def_name":
            defined.add(match["def_name"])
        elif group == "attribute":
            attributes.append(AttributeUse(name=match["attribute"], offset=match.start()))
        else:
            notes.append(_signal_note(match))
    return Outline(
        text=text,
        messages=messages,
        notes=notes,
        attributes=attributes,
        defined_attributes=frozenset(defined),
        lines=[0, *(match.end() for match in re.finditer("\n", text))],
    )


def _signal_place(match: re.Match[str]) -> SignalPlace:
    layout = None
    if match["sg_order"]:
        layout = int(match["sg_start"]), int(match["sg_bits"]), int(match["sg_order"])
    return SignalPlace(name=match["sg_name"], mark=match["sg_mark"] or "", layout=layout, offset=match.start())


def _signal_note(match: re.Match[str]) -> SignalNote:
    keyword, kind = {
        "mul_ranges": ("SG_MUL_VAL_", "mul"),
        "type": ("SIG_VALTYPE_", "type"),
        "val_name": ("VAL_", "val"),
    }[str(match.lastgroup)]
    return SignalNote(
        keyword=keyword,
        number=int(match[f"{kind}_id"]),
        name=match[f"{kind}_name"],
        start=match.start(),
        end=match.end(),
        type=int(match["type"] or 0),
        selector=match["mul_selector"] or "",
        ranges=tuple((int(low), int(high)) for low, high in _RANGE.findall(match["mul_ranges"] or "")),
    )


def without_long_ranges(text: str) -> str:
    """Return the text with each selecting range cut to its first value, of the same length.

    The parser would write every number of ``0-4294967295`` into memory; the ranges are in the outline.
    """
    return _STATEMENT.sub(lambda match: _replace(match, mul_ranges=_cut_ranges), text)


def without_sizes(text: str) -> str:
    """Return a text of the same length and syntax whose sizes are all small, for the parser to check that.

    What is wrong with the sizes is known then, and a signal of a billion bits would cost as many bytes.
    """
    return _STATEMENT.sub(
        lambda match: _replace(
            match,
            mul_ranges=_cut_ranges,
            bo_length=lambda digits: "8".zfill(len(digits)),
            sg_start=lambda digits: "0".zfill(len(digits)),
            sg_bits=lambda digits: "1".zfill(len(digits)),
        ),
        text,
    )


def _replace(match: re.Match[str], **groups: Callable[[str], str]) -> str:
    """Return what a match found with some of its groups replaced by as many other characters."""
    text = match[0]
    for name, change in groups.items():
        if match[name]:
            start, end = match.start(name) - match.start(), match.end(name) - match.start()
            text = text[:start] + change(match[name]) + text[end:]
    return text


def _cut_ranges(ranges: str) -> str:
    return _RANGE.sub(lambda pair: f"{int(pair[1])}-{int(pair[1])}".ljust(len(pair[0])), ranges)


def blank(text: str, notes: Iterable[SignalNote]) -> str:
    """Return the text without some statements, of the same length and with the same lines."""
    for note in notes:
        hole = re.sub(r"[^\n]", " ", text[note.start : note.end])
        text = text[: note.start] + hole + text[note.end :]
    return text
