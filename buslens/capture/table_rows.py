"""The first rows of a table, cut into cells, and what the cells of a column have in common."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache
from itertools import islice, pairwise, zip_longest
from operator import eq, gt, lt
from typing import Final

MOST_ROWS: Final = 6_000
"""Rows by which a layout is worked out."""
_FIRST_ROWS: Final = 400
_NEARLY_ALL: Final = 0.98

_LETTERS: Final = re.compile(r"[A-Fa-f]{1,8}|[A-Fa-f]{2,8}[hH]")
_NUMERIC: Final = re.compile(r"[+-]?[0-9.,:xX/\-TZ +hH#$A-Fa-f]*[0-9][0-9.,:xX/\-TZ +hH#$A-Fa-f]*")
_INT: Final = re.compile(r"\d+(\.0+)?")
_KIND_BEHIND: Final = r"(?:[ (] ?\(?(?:[Ee][Xx][Tt]|[Ss][Tt][Dd]|[XxEeSs])[A-Za-z.]*\)?)"
"""What may stand behind an identifier and says how long it is, such as ``(ext)``."""
_KIND_END: Final = re.compile(rf"{_KIND_BEHIND}$")
_HEX: Final = re.compile(rf"(0[xX]|[#$])?0{{0,8}}[0-9A-Fa-f]{{1,10}}(?:[hHxXrR]|\.0+)?{_KIND_BEHIND}?")
_NUMBER: Final = re.compile(r"[+-]?(\d+[.,]?\d*|[.,]\d+)([eE][+-]?\d{1,3})?")
_WITH_UNIT: Final = re.compile(r"([+-]?(?:\d+[.,]?\d*|[.,]\d+)) ?(ns|us|\u00c2?\u00b5s|ms|s)")
_CLOCK: Final = re.compile(
    r"\d{1,3}:\d{1,2}(:\d{1,2}([.,:]\d{3}[.,:]\d{3}|[.,:]\d{1,12}|\.)?|[.,]\d{1,12})"
    r"(?P<half> ?[AaPp][Mm])?(?P<zone>Z|[+-]\d\d:?(\d\d)?)?"
)
CLOCK_IN: Final = re.compile(r"\d{1,3}:\d{1,2}(?::\d{1,2}|(?=[.,])).*")
"""A time of day in a cell that may hold a date, too."""
_DATE: Final = re.compile(r"(\d{1,4})([-./])(\d{1,2})\2(\d{1,4})")
BYTE: Final = re.compile(r"(0[xX])?[0-9A-Fa-f]{1,2}[hH]?|\d{1,3}(\.0+)?")
_PARTS: Final = r"[ :\-._,;|']"
_DIGITS: Final = r"(?:0[xX])?(?:[0-9A-Fa-f]{2})+|(?:[0-9A-Fa-f]{4}[ _-])+[0-9A-Fa-f]{2}(?:[0-9A-Fa-f]{2})?"
_BYTES: Final = rf"(?:(?:0[xX])?[0-9A-Fa-f]{{1,3}}[hH]?{_PARTS}+)*(?:0[xX])?[0-9A-Fa-f]{{1,3}}[hH]?"
_PAYLOAD: Final = re.compile(rf"[\[({{]?\s*{_PARTS}*(?:{_DIGITS}|{_BYTES})\s*{_PARTS}*[\])}}]?{_PARTS}*")
_GROUPS: Final = re.compile(r"(?:[0-9A-Fa-f]{8}[ _-])*(?:[0-9A-Fa-f]{2}){1,4}")
_PAYLOAD_PART: Final = re.compile(r"(?:0[xX])?([0-9A-Fa-f]+)")

_NAMES: Final = {
    "id": re.compile(
        r"\b(can|msg|message|frame|arb\w*)?[ _.-]*(p?id|ident|identifi\w*)\b|\bcanid\b|cob-?id|kennung|"
        r"identyfikator|\barb(itration|id)?\b|\baddr(ess)?\b|^header$"
    ),
    "length": re.compile(
        r"\b(dlc|len|length|size|n?bytes|data[ _]?len(gth)?|data[ _]?size|l|l.{1,2}nge|laenge|taille|longueur|"
        r"longitud|lunghezza|dane len)\b|^d.{0,3}ugo\S{1,4}$"
    ),
    "payload": re.compile(
        r"^(bytes|message|msg|content|value|d)\b|^(d|b|octets?|bajt)[ ]?\d+$|^byte[ ]?\d*$|dat(a|en|os|i\b)|payload|"
        r"nutzdaten|donn.{1,2}es|^octets$|^dane\b"
    ),
    "time": re.compile(
        r"time|stamp|^ts?\b|zeit|clock|offset|datum|\bdate\b|\babs|horodatage|temps|heure|czas|tiempo|^tempo\b"
    ),
    "delta": re.compile(r"delta|diff|\brel|cycle|period|gap|since prev|interval"),
    "bus": re.compile(
        r"\b(bus|chan|channel|chn|ch|kanal|canal|port|interface|iface|network|net|can[ _]?bus|can)\b|channel"
    ),
    "direction": re.compile(r"\b(dir|direction|rx[ /_]?tx|tx[ /_]?rx|rxtx|richtung|sens|kierunek)\b|direction"),
    "received": re.compile(r"\b(is[ _]?rx|rx|received)\b"),
    "sent": re.compile(r"^(is[ _]?tx|tx|sent|transmitted)\b"),
    "extended": re.compile(r"\b(is[ _]?)?(ext|extended|xtd|ide|eff|29.?bit)\b|extended"),
    "remote": re.compile(r"\b(is[ _]?)?(rtr|remote)\b|remote"),
    "error": re.compile(r"\b(is[ _]?)?(err|error)\b|error"),
    "fd": re.compile(r"\b(is[ _]?)?(fd|fdf|edl|canfd)\b|\bis_fd\b"),
    "pgn": re.compile(r"\bpgn\b"),
    "source": re.compile(r"\b(sa|src|source|sender|from)\b"),
    "destination": re.compile(r"\b(da|dst|dest|destination|receiver|target|to)\b"),
    "priority": re.compile(r"^(p|pri|prio|priority)\b"),
    "checksum": re.compile(r"check ?sum|\b(crc|chk|cs|sum|lrc)\b|pr.fsumme"),
    "kind": re.compile(r"\b(type|kind|frame[ _]?type|format|typ)\b"),
    "number": re.compile(r"^(no|nr|num|number|index|idx|#|count|counter|seq|line|row|unnamed.*|lp)\b\.?"),
}
"""What a header may call a column. A hint, never more."""
_LABELS: Final = (
    "id", "length", "payload", "time", "delta", "bus", "direction", "received", "extended", "remote", "error", "fd",
    "pgn",
)  # fmt: skip
"""Of those, what a word before each cell may be."""

_ADDRESS: Final = re.compile(r"(?i)sa|da|src|dst|pri|prio|priority")
"""Words before the parts of an identifier of 29 bits."""

PUNCTUATION: Final = "[](){}<>|,;="
"""What parts cells as blanks do, in rows of words and brackets."""


@dataclass(frozen=True, slots=True)
class CellSplit:
    """How a row is cut into cells."""

    #: The character between two cells; empty: runs of `soft`.
    separator: str
    #: Characters that are skipped before a cell.
    soft: str

    def cells(self, line: str) -> list[str]:
        """Return the cells of a line, without blanks and quotes around them."""
        if self.separator:
            if '"' not in line:
                return [cell.strip() for cell in line.split(self.separator)]
            mark = re.escape(self.separator)
            found = re.findall(rf'(?:\s*"([^"]*)"[^{mark}]*|([^{mark}]*))({mark}|$)', line)
            if len(found) > 1 and not found[-2][2]:
                found.pop()  # nothing is behind the end
            return [(quoted or bare).strip() for quoted, bare, _ in found]
        quoted_or_bare = re.findall(rf'"([^"]*)"|([^{re.escape(self.soft)}"]+)', line)
        return [quoted.strip() or bare for quoted, bare in quoted_or_bare]


CUTS: Final = (
    *(CellSplit(mark, " \r" if mark == "\t" else " \t\r") for mark in (";", "\t", ",", "|")),
    CellSplit("", " \t\r"),
    CellSplit("", " \t\r" + PUNCTUATION.replace(",", "")),
    CellSplit("", " \t\r" + PUNCTUATION),
    CellSplit("", " \t\r" + PUNCTUATION + ":"),
    CellSplit("", " \t\r" + PUNCTUATION + "#/*@&"),
    CellSplit("", " \t\r" + PUNCTUATION + "#/*@&:+"),
)
"""The ways that are tried, the first that says enough is taken."""


class Column:
    """The cells of one column, empty where a row has none."""

    def __init__(self, index: int, name: str, cells: Sequence[str]) -> None:
        self.index = index
        #: From the header, in lower case; empty if there is none.
        self.name = name
        #: What stands behind each number, ``ns``, ``us``, ``ms`` or ``s``; it is left out of the cells.
        self.unit = ""
        with_unit = [_WITH_UNIT.fullmatch(cell) for cell in cells[:50] if cell]
        if with_unit and all(found and found[2] == with_unit[0][2] for found in with_unit):  # type: ignore[index]
            self.unit = with_unit[0][2].replace("\u00c2", "").replace("\u00b5", "u")  # type: ignore[index]
            cells = [found[1] if (found := _WITH_UNIT.fullmatch(cell)) else cell for cell in cells]
        self.cells = cells
        self.filled = [cell for cell in cells if cell]
        self._values: dict[int, list[int | None]] = {}
        self._numbers: dict[int, list[float | None]] = {}
        self._steps: dict[int, tuple[int, int, int]] = {}

    def all_match(self, pattern: re.Pattern[str], part: float = _NEARLY_ALL) -> bool:
        """Return whether nearly all cells that are not empty look so."""
        if not self.filled:
            return False
        return sum(n for cell, n in self.counts.items() if pattern.fullmatch(cell)) >= part * len(self.filled)

    @cached_property
    def is_int(self) -> bool:
        """Only decimal digits."""
        return self.all_match(_INT)

    @cached_property
    def is_hex(self) -> bool:
        """Only hexadecimal digits, perhaps with a mark of the base."""
        return self.all_match(_HEX)

    @cached_property
    def is_mostly_hex(self) -> bool:
        """More than half of the cells are hexadecimal digits, as where something has spoilt the others."""
        return self.all_match(_HEX, 0.5)

    @cached_property
    def is_mostly_payload(self) -> bool:
        """More than half of the cells hold bytes, as where something has spoilt the others."""
        return self.all_match(_PAYLOAD, 0.5)

    @cached_property
    def is_number(self) -> bool:
        """Numbers with a sign, decimals or an exponent, or without."""
        return self.all_match(_NUMBER)

    @cached_property
    def is_clock(self) -> bool:
        """Hours, minutes, seconds."""
        return self.all_match(_CLOCK)

    @cached_property
    def is_date(self) -> bool:
        """Calendar dates."""
        return self.all_match(_DATE)

    @cached_property
    def is_byte(self) -> bool:
        """One byte in a cell."""
        return self.all_match(BYTE)

    @cached_property
    def is_payload(self) -> bool:
        """Any number of bytes in a cell.

        Of groups of four bytes one has to be cut short, for whole ones may be numbers with their low byte first.
        """
        if self.all_match(_PAYLOAD):
            return True
        return self.all_match(_GROUPS) and any(len(cell) % 9 != 8 and len(cell) > 8 for cell in self.counts)

    @cached_property
    def has_letters(self) -> bool:
        """Hexadecimal for certain: a digit from A to F, or a mark of the base."""
        return any(
            _HEX.fullmatch(cell) and re.fullmatch(r"0[xX].*|[#$].*|.*[hH]|.*[A-Fa-f].*", cell) for cell in self.counts
        )

    @cached_property
    def counts(self) -> Counter[str]:
        """How often each cell comes."""
        return Counter(self.filled)

    def values(self, base: int) -> list[int | None]:
        """Return the cells as whole numbers, None for one that is none."""
        if base not in self._values:
            known = {cell: whole(cell, base) for cell in self.counts} | {"": None}
            self._values[base] = [known[cell] for cell in self.cells]
        return self._values[base]

    def numbers(self, base: int = 10) -> list[float | None]:
        """Return the cells as numbers, None for one that is none."""
        if base not in self._numbers:
            self._numbers[base] = [number(cell, base) if cell else None for cell in self.cells]
        return self._numbers[base]

    def filled_numbers(self, base: int = 10) -> list[float | None]:
        """Return the same of the cells that are not empty."""
        values = self.numbers(base)
        if len(self.filled) == len(values):
            return values
        return [value for value, cell in zip(values, self.cells, strict=True) if cell]

    def steps(self, base: int = 10) -> tuple[int, int, int]:
        """Return how many steps from cell to cell rise, stay and fall."""
        if base not in self._steps:
            known = [value for value in self.numbers(base) if value is not None]
            rise = sum(map(lt, known, known[1:]))
            stay = sum(map(eq, known, known[1:]))
            fall = sum(map(gt, known, known[1:]))
            self._steps[base] = rise, stay, fall
        return self._steps[base]


def named(column: Column, what: str) -> bool:
    """Return whether the header calls a column so."""
    return bool(column.name) and _NAMES[what].search(column.name.replace("_", " ").strip()) is not None


@lru_cache(maxsize=1 << 14)
def whole(cell: str, base: int) -> int | None:
    """Return a cell as a whole number; None if it is none."""
    text = (_KIND_END.sub("", cell) if " " in cell or "(" in cell else cell).lower()
    if text.startswith("0x"):
        text, base = text[2:], 16
    elif text[:1] in {"#", "$"}:
        text, base = text[1:], 16
    if text.endswith(("x", "r")) or (base == 16 and text.endswith("h")):
        text = text[:-1]
    if base == 10:
        text = re.sub(r"\.0+$", "", text)
    if not re.fullmatch(r"[0-9a-f]+" if base == 16 else r"\d+", text):
        return None
    return int(text, base)


def number(cell: str, base: int = 10) -> float | None:
    """Return a cell as a number; None if it is none."""
    if base == 16:
        value = whole(cell, 16)
        return None if value is None else float(value)
    try:
        return float(cell.replace(",", "."))
    except ValueError:
        return None


def clock_ns(cell: str) -> int | None:
    """Return a time of day as ns; None if it is none."""
    match = re.match(r"(?:(\d+):)?(\d+):(\d+)(?:[.,:](\d+)(?:(?<=\D\d{3})[.,:](\d{3}))?)?", cell)
    if match is None:
        return None
    fraction = (match[4] or "") + (match[5] or "")
    ns = int(fraction[:9].ljust(9, "0"))
    hours = int(match[1] or 0)
    if half := re.search(r"[AaPp][Mm]", cell):
        hours = hours % 12 + (12 if half[0].lower() == "pm" else 0)
    return ((hours * 60 + int(match[2])) * 60 + int(match[3])) * 1_000_000_000 + ns


@lru_cache(maxsize=1 << 14)
def payload_size(cell: str, *, decimal: bool = False) -> int:
    """Return how many bytes a cell of any number of bytes holds; -1 if that cannot be said."""
    n = 0
    for part in _PAYLOAD_PART.finditer(cell):
        size = len(part[1])
        if size <= (3 if decimal else 2):
            n += 1
        elif size % 2:
            return -1
        else:
            n += size // 2
    return n


@dataclass(kw_only=True)
class Rows:
    """The body of a table, cut one way."""

    cut: CellSplit
    #: Lines before the first row, with the header.
    n_before: int
    #: The header's cells; empty if there is none.
    header: list[str]
    preamble: list[str]
    rows: list[list[str]]
    #: Some of the lines between them that are of another shape.
    unlike: tuple[str, ...] = ()

    @cached_property
    def width(self) -> int:
        """Columns of the widest row, at most so many as can mean something."""
        return min(max((len(row) for row in self.rows), default=0), 96)

    @cached_property
    def columns(self) -> list[Column]:
        """The columns of the table."""
        names = self.header if self.has_names else []
        found = [
            Column(k, names[k].lower() if k < len(names) else "", cells)
            for k, cells in enumerate(islice(zip_longest(*self.rows, fillvalue=""), self.width))
        ]
        if not names:
            for label, column in pairwise(found):
                _name_by(label, column)
        return found

    def thinned(self) -> Rows:
        """Return the same with fewer rows: the first, in their order, and some of all others."""
        if len(self.rows) <= _FIRST_ROWS:
            return self
        rest = self.rows[_FIRST_ROWS:]
        rows = self.rows[:_FIRST_ROWS] + rest[:: len(rest) // _FIRST_ROWS + 1]
        return Rows(cut=self.cut, n_before=self.n_before, header=self.header, preamble=self.preamble, rows=rows)

    @cached_property
    def has_names(self) -> bool:
        """Whether the header has a name above each column."""
        if not self.header:
            return False
        if self.cut.separator:
            return True
        return len(self.header) in {self.usual_width, self.width}

    @cached_property
    def usual_width(self) -> int:
        """Cells of most rows."""
        return Counter(len(row) for row in self.rows).most_common(1)[0][0]


def rows_of(lines: Sequence[str], cut: CellSplit) -> Rows | None:
    """Return the body of a table: the lines that are alike in their first cells, and what stands before them."""
    cut_lines = [cut.cells(line) for line in lines]
    shapes = [_shape(cells) if len(cells) > 1 else "" for cells in cut_lines]
    counts = Counter(filter(None, shapes))
    if not counts:
        return None
    usual = counts.most_common(1)[0][0]
    loose = "ae" if cut.separator else "a"
    # Where the usual rows have decimals or a time of day, no word of letters stands for a hexadecimal number.
    usual_rows = [cells for cells, shape in zip(cut_lines, shapes, strict=True) if shape == usual][:_FIRST_ROWS]
    strict = {k for k, kind in enumerate(usual) if kind == "n" and _are_parted([row[k] for row in usual_rows])}
    fitting = {
        shape for shape in counts if _fits(shape, usual, loose) and not any(shape[k : k + 1] == "a" for k in strict)
    }
    n = sum(counts[shape] for shape in fitting)
    if "n" not in usual or (cut.separator and n < sum(1 for line in lines if line.strip()) / 4):
        return None
    begin = next(k for k, shape in enumerate(shapes) if shape in fitting)
    # Rows of fewer or of empty cells may come first.
    for k in range(begin - 1, -1, -1):
        if not _is_like(shapes[k], usual):
            break
        begin = k
    body = [cells for cells, shape in zip(cut_lines[begin:], shapes[begin:], strict=True) if shape in fitting]
    others = (
        line
        for line, cells, shape in zip(lines[begin:], cut_lines[begin:], shapes[begin:], strict=True)
        if len(cells) > 2 and shape not in fitting
    )
    preamble = [line for line in lines[:begin] if line.strip()]
    header: list[str] = []
    for line in reversed(preamble):
        cells = cut.cells(line.lstrip(";#/ \t") if not cut.separator else line.lstrip("#/ "))
        if len(cells) > 1 and any(re.search("[A-Za-z]", cell) for cell in cells):
            header = [readable(cell) for cell in cells]
            break
        if len(preamble) - preamble.index(line) > 3:
            break
    unlike = tuple(islice(others, _FIRST_ROWS))
    return Rows(cut=cut, n_before=begin, header=header, preamble=preamble, rows=body[:MOST_ROWS], unlike=unlike)


def _are_parted(cells: Sequence[str]) -> bool:
    """Return whether nearly all cells have a point, a comma or a colon in them."""
    return sum(any(mark in cell for mark in ".,:") for cell in cells) > _NEARLY_ALL * len(cells)


def _name_by(label: Column, column: Column) -> None:
    """Give a column the name that stands before each of its cells, as in ``ID: 2CF``, if it is one that helps."""
    word, n = label.counts.most_common(1)[0] if label.filled else ("", 0)
    if n < _NEARLY_ALL * len(label.cells) or not re.fullmatch(r"[A-Za-z_][\w.-]*", word):
        return
    column.name = word.lower()
    if word.lower() == "can" or not (_ADDRESS.fullmatch(word) or any(named(column, what) for what in _LABELS)):
        column.name = ""


def readable(text: str) -> str:
    """Return text of bytes as a person wrote it, in UTF-8 if it is that, else in Latin-1."""
    try:
        return text.encode("latin-1").decode("utf-8")
    except UnicodeError:
        return text


def _shape(cells: Sequence[str]) -> str:
    """Return what the first cells look like: n number, a word or number of letters to F, w anything else, e empty."""
    shape = "".join(map(_likeness, cells[:4]))
    if "n" not in shape:
        words, n, _ = "".join(map(_likeness, cells[:10])).partition("n")
        shape = words + n if n else shape
    return shape


@lru_cache(maxsize=1 << 14)
def _likeness(cell: str) -> str:
    if not cell:
        return "e"
    if _LETTERS.fullmatch(cell):
        return "a"
    is_number = _NUMERIC.fullmatch(cell) or (_HEX.fullmatch(cell) and re.search(r"\d", cell))
    return "n" if is_number else "w"


def _fits(shape: str, usual: str, loose: str) -> bool:
    """Return whether a row may be one of those of the usual shape, where some letters may stand for any.

    Words such as ``FD`` or ``face`` may be numbers (a), and cells that a character parts may be empty (e).
    """
    if shape == usual:
        return True
    pairs = list(zip(shape, usual, strict=False))
    return (
        ("n", "n") in pairs
        and ("e" in loose or len(shape) == len(usual))
        and all(a == b or a in loose or b in loose for a, b in pairs)
    )


def _is_like(shape: str, usual: str) -> bool:
    """Return whether a row is of a shape but for cells that are empty or left away, or words behind a number."""
    missing = {"e", "w"} if usual[0] == "n" else {"e"}
    return (
        1 < len(shape) <= len(usual)
        and shape[0] == usual[0]
        and all(one == other or one in missing for one, other in zip(shape, usual, strict=False))
    )
