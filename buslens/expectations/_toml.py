"""Where everything stands in a TOML document, after TOML v1.0.0.

`tomllib` says what a document means and forgets where it said so. This walks a document that `tomllib` has
accepted once more, only as far as is needed to find its keys and values: it checks nothing, and takes the
few things that later versions of TOML allow besides (line ends in inline tables, two more escapes).
"""

from __future__ import annotations

import re
import tomllib
from dataclasses import dataclass, field
from os import PathLike, fspath
from typing import Final, NoReturn

from buslens.capture.file_kind import FileKind, exchanged
from buslens.errors import ExpectationError, Lines, SourceLocation
from buslens.files import read_at_most

_BLANK: Final = re.compile(r"(?:[ \t\n]++|\#[^\n]*+)*+")
_KEY: Final = re.compile(r"""[ \t]*+([A-Za-z0-9_-]++|"(?:[^"\\]++|\\.)*+"|'[^']*+')[ \t]*+""")
# Longest form first; the quotes before the closing three of a multi-line string belong to its text.
_STRING: Final = re.compile(
    r'''"""(?:[^"\\]++|\\.|"{1,2}+(?!"))*+"{3,5}'''
    r"""|'''(?:[^']++|'{1,2}+(?!'))*+'{3,5}"""
    r'''|"(?:[^"\\\n]++|\\.)*+"'''
    r"""|'[^'\n]*+'""",
    re.DOTALL,
)
_SCALAR: Final = re.compile(r"\d{4}-\d\d-\d\d[ ]\d\d:[^\s,\]}\#]++|[^\s,\]}\#]++")
_ESCAPE: Final = re.compile(
    r"\\(?:u([0-9A-Fa-f]{4})|U([0-9A-Fa-f]{8})|x([0-9A-Fa-f]{2})|[ \t]*\n[ \t\n]*|(.))", re.DOTALL
)
_DEEP: Final = re.compile(r"""(?:(?:(?<![A-Za-z0-9_-])[A-Za-z0-9_-]++|"[^"\n]*+"|'[^'\n]*+')[ \t]*+\.[ \t]*+){64}""")
"""A key of so many parts that `tomllib`, whose work grows with their square, would not come to an end."""
_SHORT: Final = {"b": "\b", "t": "\t", "n": "\n", "f": "\f", "r": "\r", "e": "\x1b", '"': '"', "\\": "\\"}
_NO_BACKSLASH: Final = "in a path write '/' in place of each '\\', on Windows too"
_HINTS: Final = (
    (r"'\\'|hex value", r"\\", _NO_BACKSLASH),
    ("", "[\u00a0\u2000-\u200d\u202f\ufeff]", "a blank of this line is a special one: delete it, and type it again"),
    ("", "[\u201c-\u201f]", 'quotes are straight: "lock handshake"'),
    ("twice|overwrite", r"\d: \[+rules\]", "write [[rules]] with two brackets above each rule"),
    ("twice|overwrite", "", "it stands above already: delete one of the two"),
    (r"illegal character '\\n'", "", "close the quote in this line"),
    ("", r"= *-?\d+,\d", 'decimals stand behind a point, and a number with its unit in quotes: "9.5 V"'),
    ("", r"= *-?\d[\d.]* *[A-Za-z%\u00b0\u00b5\u03bc]", 'a number with its unit stands in quotes: "200 ms"'),
    ("invalid value", r"= *(True|False)\b", "write true or false, in small letters"),
    ("invalid value", r"^1: |\d: \[", "a list above is not closed: end it with ']'"),
    ("invalid value", "", 'a text stands in quotes, such as name = "lock handshake"'),
    ("key", r"\d: \{", "what stands in braces is one line, '}' its end, and no comma before that"),
    (
        "key|declaration",
        "",
        "a name is one word of the letters a to z, digits and '_': longer_than; any other is put in quotes",
    ),
)
"""What to write instead, by what `tomllib` says and by the column and the line; the first that fits."""
_DECLARED: Final = re.compile(r"\(('[^']*',? ?)+\)")
_PLACE: Final = re.compile(r"(.*?) \(at (?:line (\d+), column (\d+)|end of document)\)", re.DOTALL)


@dataclass(slots=True)
class Node:
    """Where one value stands, and the values inside it; all places are offsets into the document."""

    #: Of the key, or of the table's header, or of the value itself in an array.
    key: int
    #: Of the value's first character, which for a string is its quote.
    start: int
    #: Behind the value's last character; for a table made of several lines, where it begins.
    end: int
    table: dict[str, Node] | None = None
    array: list[Node] | None = None


def string_places(text: str, node: Node) -> tuple[str, list[int]]:
    """Return what a string says, and the offset in the document of each of its characters and of its end."""
    raw = text[node.start : node.end]
    quote = raw[:3] if raw[:3] in {'"""', "'''"} and len(raw) > 5 else raw[:1]
    at = node.start + len(quote)
    end = node.end - len(quote)
    if len(quote) == 3 and text.startswith("\n", at):
        at += 1
    if quote[0] == "'":
        return text[at:end], list(range(at, end + 1))
    out: list[str] = []
    places: list[int] = []
    while at < end:
        if text[at] != "\\":
            out.append(text[at])
            places.append(at)
            at += 1
            continue
        match = _ESCAPE.match(text, at)
        if match is None:  # pragma: no cover - tomllib has refused such a document
            break
        code = match[1] or match[2] or match[3]
        if code or match[4]:
            out.append(chr(int(code, 16)) if code else _SHORT.get(match[4], match[4]))
            places.append(at)
        at = match.end()
    return "".join(out), [*places, end]


class _Walker:
    """Reads a valid document from its beginning to its end."""

    def __init__(self, text: str) -> None:
        self.text = text
        self.at = 0

    def document(self) -> Node:
        root = Node(0, 0, 0, table={})
        current = root
        while (here := self.skip()) < len(self.text):
            if self.text[here] == "[":
                several = self.text.startswith("[[", here)
                self.at = here + 1 + several
                names = self.keys()
                self.at += 1 + several
                current = self.header(root, names, here, several=several)
            else:
                self.pair(current)
        return root

    def skip(self) -> int:
        """Go to the next thing that is neither white space nor a comment."""
        match = _BLANK.match(self.text, self.at)
        if match is not None:
            self.at = match.end()
        return self.at

    def keys(self) -> list[tuple[str, int]]:
        """Read a dotted key as its parts and their places."""
        found: list[tuple[str, int]] = []
        while True:
            match = _KEY.match(self.text, self.at)
            if match is None:
                raise AssertionError(f"no key at offset {self.at} of a valid document")
            name = match[1]
            if name[0] in "\"'":
                name, _ = string_places(self.text, Node(0, match.start(1), match.end(1)))
            found.append((name, match.start(1)))
            self.at = match.end()
            if not self.text.startswith(".", self.at):
                return found
            self.at += 1

    @staticmethod
    def inner(table: Node, names: list[tuple[str, int]]) -> Node:
        """Return the table that a dotted key leads to, making what is missing on the way."""
        for name, at in names:
            children = table.table
            if children is None:
                raise AssertionError(f"'{name}' lies in no table of a valid document")
            if name not in children:
                children[name] = Node(at, at, at, table={})
            table = children[name]
            if table.array is not None:
                table = table.array[-1]
        return table

    def header(self, root: Node, names: list[tuple[str, int]], at: int, *, several: bool) -> Node:
        """Return the table that a header opens."""
        if not several:
            table = self.inner(root, names)
            table.key = table.start = table.end = at
            return table
        children = self.inner(root, names[:-1]).table
        name, place = names[-1]
        node = Node(at, at, at, table={})
        if children is not None:
            array = children.setdefault(name, Node(place, at, at, array=[])).array
            if array is not None:
                array.append(node)
        return node

    def pair(self, table: Node) -> None:
        """Read ``key = value`` into a table."""
        names = self.keys()
        self.at += 1
        children = self.inner(table, names[:-1]).table
        node = self.value(names[-1][1])
        if children is not None:
            children[names[-1][0]] = node

    def value(self, key: int | None = None) -> Node:
        """Read one value of any type."""
        start = self.skip()
        node = Node(start if key is None else key, start, start)
        first = self.text[start]
        if first == "[":
            self.at += 1
            node.array = []
            while self.inside("]"):
                node.array.append(self.value())
        elif first == "{":
            self.at += 1
            node.table = {}
            while self.inside("}"):
                self.pair(node)
        else:
            match = (_STRING if first in "\"'" else _SCALAR).match(self.text, start)
            if match is None:
                raise AssertionError(f"no value at offset {start} of a valid document")
            self.at = match.end()
        node.end = self.at
        return node

    def inside(self, closing: str) -> bool:
        """Go to the next member of an array or inline table; behind the last step out and return False."""
        if self.text[self.skip()] == ",":
            self.at += 1
            self.skip()
        if self.text[self.at] != closing:
            return True
        self.at += 1
        return False


def locate(text: str) -> Node:
    """Return where everything in a valid document stands; line ends must be single line feeds."""
    return _Walker(text).document()


@dataclass(frozen=True, slots=True, kw_only=True)
class TomlDocument:
    """A TOML file: what it says and where."""

    path: str
    text: str
    data: dict[str, object]
    root: Node
    lines: Lines = field(repr=False)

    def source(self, offset: int) -> SourceLocation:
        """Return the place of an offset as line and column."""
        return self.lines.location(self.path, offset)

    def inside(self, node: Node, offset: int) -> SourceLocation:
        """Return the place of one character of a string value, counted in the value."""
        _, places = string_places(self.text, node)
        return self.source(places[min(offset, len(places) - 1)])


def backslash_hint(name: str) -> str:
    r"""Return a hint that ends an error text about a path in which ``\t`` or the like was taken for one sign."""
    return f"; {_NO_BACKSLASH}" if any(sign < " " for sign in name) else ""


def _refuse(path: str, text: str, lines: Lines, problem: str) -> NoReturn:
    """Say in our own form where tomllib stopped."""
    match = _PLACE.fullmatch(problem)
    if match is None:
        raise ExpectationError(f"this is not valid TOML: {problem}", SourceLocation(path))
    if match[2]:
        source = SourceLocation(path, int(match[2]), int(match[3]))
        line = text.split("\n")[int(match[2]) - 1].strip()
    else:
        source, line = lines.location(path, len(text)), "the end of the file"
    reason = match[1][:1].lower() + match[1][1:]
    shown = line if not match[2] else f"'{line[:60]}'"
    told = f"{source.column}: {line}"
    hint = next((f"; {hint}" for of, where, hint in _HINTS if re.search(of, reason) and re.search(where, told)), "")
    raise ExpectationError(f"this is not valid TOML: {_DECLARED.sub(_header, reason)}, at {shown}{hint}", source)


def _header(declared: re.Match[str]) -> str:
    """Return a table's name as it stands in a file: of ``('roles', 'supply')`` ``[roles.supply]``."""
    names = re.findall("'([^']*)'", declared[0])
    return f"[{'.'.join(names)}]"


def toml_bytes(path: str | PathLike[str], most: int, missing: str = "there is no such file") -> bytes:
    """Return what is in a file of at most some bytes; ExpectationError if it is not there or cannot be read."""
    try:
        return read_at_most(path, most)
    except FileNotFoundError:
        raise ExpectationError(missing, SourceLocation(fspath(path))) from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise ExpectationError(f"this file cannot be read: {reason}", SourceLocation(fspath(path))) from None


def parse_document(raw: bytes, path: str, kind: FileKind | None = None) -> TomlDocument:
    """Return a document with all its places.

    Raises ExpectationError if it is no UTF-8, no valid TOML, or a file of another kind than the one that is wanted.
    """
    if kind is not None and (other := exchanged(raw, kind)):
        raise ExpectationError(other, SourceLocation(path))
    if raw[:2] in {b"\xff\xfe", b"\xfe\xff"}:
        raise ExpectationError("this file is UTF-16; save it as UTF-8", SourceLocation(path))
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        before = raw[: error.start].decode("utf-8-sig", "ignore")
        line = before.count("\n")
        column = len(before) - before.rfind("\n")
        problem = f"byte {raw[error.start]:#04x} is not UTF-8; save the file as UTF-8"
        raise ExpectationError(problem, SourceLocation(path, line + 1, column)) from None
    text = text.replace("\r\n", "\n")
    if "\n" not in text:  # old line ends
        text = text.replace("\r", "\n")
    lines = Lines(text)
    if (deep := _DEEP.search(text)) is not None:
        problem = "a key has 64 parts or more here, joined by points; no key of this file has more than three"
        raise ExpectationError(problem, lines.location(path, deep.start()))
    try:
        data: dict[str, object] = tomllib.loads(text)
        root = locate(text)
    except RecursionError:
        raise ExpectationError("arrays or tables are nested too deeply", SourceLocation(path)) from None
    except ValueError as error:  # TOMLDecodeError, and whole numbers of too many digits
        _refuse(path, text, lines, str(error))
    return TomlDocument(path=path, text=text, data=data, root=root, lines=lines)
