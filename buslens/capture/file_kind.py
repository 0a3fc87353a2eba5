"""What a file is that holds no recording: told by its first bytes, and where it belongs instead."""

import re
from typing import Final, NamedTuple

from buslens.capture.registry import FORMATS
from buslens.capture.stream import HEAD_BYTES
from buslens.text_tables import tables_beside


class FileKind(NamedTuple):
    """A kind of file that is no recorded log."""

    #: With its article.
    name: str
    #: What can be done with it, as a clause; empty: nothing here.
    use: str = ""
    #: Whether it describes a car.
    is_of_car: bool = False


LOG: Final = FileKind("a recorded log", "give this file as the capture")
DBC: Final = FileKind("a DBC file", "give this file with --definitions", is_of_car=True)
LDF: Final = FileKind("an LDF file", "give this file with --definitions", is_of_car=True)
VALUES: Final = FileKind("a table of values")
EXPECTATIONS: Final = FileKind("an expectations file", "give this file with --expectations", is_of_car=True)
CAUSES: Final = FileKind("a causes file", "give this file with --causes", is_of_car=True)

_FIRST_BYTES: Final = tuple(
    (int(place), bytes.fromhex(first), FileKind(name, "".join(use)))
    for place, first, name, *use in tables_beside(__file__, "first_bytes.txt")["first bytes"]
)
"""Where they stand, which they are, and what the file is."""

_LINES: Final = (
    (DBC, rb"^[ \t]*(?:BO_\s+\d+\s+\w+\s*:|NS_\s*:|BU_\s*:|BS_\s*:|SG_\s+\w+.*:)"),
    (LDF, rb"\A\s*(?:/\*(?s:.*?)\*/\s*|//[^\n]*\n\s*)*LIN_description_file\s*;"),
    (EXPECTATIONS, rb"^\[\[rules\]\]|^\[roles\."),
    (CAUSES, rb"^\[(signs|causes|measurements)\."),
    (FileKind("a web page"), rb"\A(?:\xef\xbb\xbf)?\s*<(?i:!doctype html|html|head)\b"),
    (FileKind("the layout of a table", "give this file with --table"), rb"^\[table\]"),
)


def kind_of(head: bytes) -> FileKind | None:
    """Return what a file is by its beginning; None where it may be a recorded log, or nothing that is known.

    >>> kind_of(b'BU_: BODY')
    FileKind(name='a DBC file', use='give this file with --definitions', is_of_car=True)
    """
    for place, first, kind in _FIRST_BYTES:
        if head.startswith(first, place):
            return kind
    text = head[:HEAD_BYTES].replace(b"\0", b"")  # UTF-16, too
    return next((kind for kind, line in _LINES if re.search(line, text, re.MULTILINE)), None)


def begins_log(head: bytes) -> bool:
    """Return whether a file is a log of frames, by its beginning."""
    return any(entry.sniff(head[:HEAD_BYTES]) is not None for entry in FORMATS.values())


def exchanged(head: bytes, *wanted: FileKind) -> str:
    """Return that a file is something else than what is wanted, and where it belongs; empty where that is not known.

    Parameters
    ----------
    head : bytes
        Its beginning, or all of it.
    *wanted : FileKind
        What is taken here.
    """
    kind = kind_of(head) or (LOG if begins_log(head) else None)
    if kind is None or kind in wanted:
        return ""
    name = wanted[0].name
    use = f", or {kind.use}" if kind.use else ""
    return f"this is {kind.name}, not {name}: name the {name.split(' ', 1)[1]} here{use}"
