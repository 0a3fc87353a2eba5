"""The statements of a DBC file, cut apart without understanding them.

A parser that stumbles over one statement gives up the file. Cut apart, the statements can be given to it in groups, and
what it refuses can be left out. Only the beginning of a statement is read here: its keyword, and which message and
signal it is about.
"""

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Final

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

BEGINNINGS: Final = frozenset(
    {*EXAMPLES, "NS_", "BS_", "EV_", "ENVVAR_DATA_", "BA_REL_", "BA_DEF_REL_", "BA_DEF_DEF_REL_"} - {"SG_"}
)
"""Keywords that may follow any finished statement."""

KEYWORDS: Final = BEGINNINGS | {
    "SG_",
    "BA_DEF_SGTYPE_",
    "BA_SGTYPE_",
    "BU_BO_REL_",
    "BU_EV_REL_",
    "BU_SG_REL_",
    "CAT_",
    "CAT_DEF_",
    "EV_DATA_",
    "FILTER",
    "NS_DESC_",
    "SGTYPE_",
    "SGTYPE_VAL_",
    "SIG_TYPE_REF_",
    "SIGTYPE_VALTYPE_",
}
"""Words that cannot be names."""

STRING: Final = r'(?>"(?:\\"|[^"])*?")'
"""Atomic: a file with a missing quote must not set off a search through all ways to pair the others."""

ORPHANS: Final = "VECTOR__INDEPENDENT_SIG_MSG"
"""Name of the message that some files keep signals of no message in."""

_COMMENT: Final = re.compile(rf"{STRING}|(//[^\n]*)")
_WORDS: Final = "|".join(sorted((KEYWORDS - {"BU_BO_REL_", "BU_EV_REL_", "BU_SG_REL_"}), key=len, reverse=True))
_KEYWORD: Final = rf"(?<![\w.-])(?:{_WORDS})(?![\w.-])"
_MARK: Final = re.compile(rf'{STRING}|"|;|{_KEYWORD}', re.ASCII)
_NEW_SYMBOLS: Final = re.compile(r"NS_\s*:?(?:\s+[A-Z_]++(?=[ \t]*(?:\n|\Z)))*+", re.ASCII)
_SUBJECTS: Final = frozenset({"BO_", "SG_", "BU_", "EV_"})
# Behind one of these comes the kind of thing that the statement is about, and begins no statement.
_AWAITS_SUBJECT: Final = re.compile(
    rf"(?:CM_|BA_DEF_)\s*|(?:BA_|BA_REL_)\s*{STRING}\s*(?:BU_\w+_REL_\s+\S+\s*)?", re.ASCII
)
_FINISHED: Final = {
    "BO_": re.compile(r"BO_\s+\d+\s+\S+?\s*:\s*\d+\s+\w+", re.ASCII),
    "SG_": re.compile(r'SG_[^"]*"[^"]*"\s*\w+(?:\s*,\s*\w+)*', re.ASCII),
    "BS_": re.compile(r"BS_\s*:(?:[\s\d,:]*)", re.ASCII),
    "VERSION": re.compile(r'VERSION\s*"[^"]*"'),
}
"""How the statements end that do not end with a semicolon."""

_NAME: Final = r'[^\s:;"|,()\[\]]++'
_NUMBER: Final = r"(?P<number>\d{1,20}+)(?!\w)"
_ABOUT_SIGNAL: Final = rf"\s+{_NUMBER}\s+(?P<name>{_NAME})"
_HEADS: Final = {
    keyword: re.compile(pattern, re.ASCII | re.VERBOSE)
    for keyword, pattern in {
        "BO_": rf"BO_ \s+ {_NUMBER} \s+ (?P<name>{_NAME}) \s*:\s* (?P<length>\d{{1,20}}+) \s",
        "SG_": rf"""SG_ \s+ (?P<name>{_NAME}) (?: \s+ (?P<mark>{_NAME}) )? \s*:
            (?: \s* (?P<start>-?\d{{1,20}}+) \s*\|\s* (?P<bits>-?\d{{1,20}}+) \s*@\s* (?P<order>\d{{1,20}}+) )?""",
        "SG_MUL_VAL_": rf"SG_MUL_VAL_ {_ABOUT_SIGNAL} \s+ (?P<selector>{_NAME}) \s+ (?P<ranges>[\d\s,-]*+)",
        "SIG_VALTYPE_": rf"SIG_VALTYPE_ {_ABOUT_SIGNAL} \s*:?\s* (?P<type>\d{{1,20}}+)",
        "VAL_": rf"VAL_ {_ABOUT_SIGNAL}",
        "CM_": rf"CM_ \s+ (?: BO_ \s+ (?P<bo>\d{{1,20}}+)(?!\w) | SG_ {_ABOUT_SIGNAL} )",
        "BA_DEF_": r'BA_DEF_ \s+ (?: (?:SG_|BO_|EV_|BU_) \s+ )? "(?P<attribute>[^"]*+)"',
        "BA_": rf"""BA_ \s+ "(?P<attribute>[^"]*+)"
            (?: \s+ BO_ \s+ (?P<bo>\d{{1,20}}+)(?!\w) | \s+ SG_ {_ABOUT_SIGNAL} )?""",
        "BO_TX_BU_": rf"BO_TX_BU_ \s+ {_NUMBER}",
        "SIG_GROUP_": rf"SIG_GROUP_ \s+ {_NUMBER}",
        "BA_REL_": rf"""BA_REL_ \s+ "[^"]*+" \s+
            (?: BU_SG_REL_ \s+ {_NAME} \s+ SG_ {_ABOUT_SIGNAL}
              | BU_BO_REL_ \s+ {_NAME} \s+ (?P<bo>\d{{1,20}}+)(?!\w) )""",
    }.items()
}


@dataclass(frozen=True, slots=True)
class Statement:
    """One statement, or a piece of text that is none."""

    #: Empty if the piece begins with no keyword.
    keyword: str
    #: First character and the one behind the last.
    start: int
    end: int
    #: What could be read of its beginning; None if nothing could.
    head: re.Match[str] | None

    @property
    def number(self) -> int | None:
        """Number of the message that it is about, as written; None if it is about none, or is an ``SG_``."""
        digits = self._group("number") or self._group("bo")
        return int(digits) if digits else None

    @property
    def number_span(self) -> tuple[int, int]:
        """Where that number stands."""
        assert self.head is not None  # noqa: S101  (else there is no number)
        return self.head.span("number" if self._group("number") else "bo")

    @property
    def name(self) -> str:
        """Name of the signal that it is about, of a ``BO_`` that of the message; empty if it is about none."""
        return self._group("name") or ""

    @property
    def attribute(self) -> str | None:
        """Name of the attribute that it defines or sets."""
        return self._group("attribute")

    def _group(self, name: str) -> str | None:
        if self.head is None or name not in self.head.re.groupindex:
            return None
        found: str | None = self.head[name]
        return found


def without_comments(text: str) -> str:
    """Return the text with its ``//`` comments blanked."""
    if "//" not in text:
        return text
    return _COMMENT.sub(lambda match: " " * len(match[1]) if match[1] else match[0], text)


def cut(text: str, start: int = 0) -> Iterator[Statement]:
    """Yield the statements of a text from a place on, and what stands between them."""
    keyword, begin, place = "", start, start
    while (match := _MARK.search(text, place)) is not None:
        word = match[0]
        place = match.end()
        if word == ";":
            yield from _pieces(text, keyword, begin, place)
            keyword, begin = "", place
        elif word[0] != '"' and _begins(text, keyword, begin, match):
            yield from _pieces(text, keyword, begin, match.start())
            keyword, begin = word, match.start()
            if word == "NS_" and (symbols := _NEW_SYMBOLS.match(text, begin)) is not None:
                place = symbols.end()
    yield from _pieces(text, keyword, begin, len(text))


def head_of(text: str, keyword: str, start: int, end: int) -> re.Match[str] | None:
    """Return what can be read of the beginning of a statement."""
    pattern = _HEADS.get(keyword)
    return None if pattern is None else pattern.match(text, start, end)


def _begins(text: str, keyword: str, begin: int, match: re.Match[str]) -> bool:
    """Return whether a keyword begins a statement, and not one that the statement before it needs."""
    line = text.rfind("\n", 0, match.start()) + 1
    leads_line = not text[line : match.start()].strip()
    if keyword in _FINISHED:
        # A name may look like a keyword.
        return leads_line or _FINISHED[keyword].match(text, begin, match.start()) is not None
    if match[0] in _SUBJECTS and _AWAITS_SUBJECT.fullmatch(text, begin, match.start()):
        return False
    # A statement whose semicolon is missing ends where a line begins with the next.
    return leads_line or not keyword


def _pieces(text: str, keyword: str, start: int, end: int) -> Iterator[Statement]:
    """Yield a statement and, apart from it, what follows it without belonging to it."""
    finished = _FINISHED[keyword].match(text, start, end) if keyword in _FINISHED else None
    stop = end if finished is None else finished.end()
    for word, first, last in ((keyword, start, stop), ("", stop, end)):
        piece = text[first:last].strip()
        if piece and (word or piece != ";"):
            begin = text.index(piece[0], first)
            yield Statement(word, begin, begin + len(piece), head_of(text, word, begin, begin + len(piece)))
