"""What a file is that holds no recording: told by its first bytes, and where it belongs instead."""

import re
from typing import Final, NamedTuple

from buslens.capture.registry import FORMATS
from buslens.capture.stream import HEAD_BYTES


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

_PICTURE: Final = FileKind("a picture")
_SOUND: Final = FileKind("a sound recording")
_PROGRAM: Final = FileKind("a program")
_FIRST_BYTES: Final = (
    (0, b"\x89PNG\r\n\x1a\n", _PICTURE),
    (0, b"\xff\xd8\xff", _PICTURE),
    (0, b"GIF8", _PICTURE),
    (8, b"WEBP", _PICTURE),
    (4, b"ftyp", FileKind("a picture or a film")),
    (8, b"AVI LIST", FileKind("a film")),
    (0, b"\x1a\x45\xdf\xa3", FileKind("a film")),
    (0, b"ID3\x02", _SOUND),
    (0, b"ID3\x03", _SOUND),
    (0, b"ID3\x04", _SOUND),
    (0, b"\xff\xfb", _SOUND),
    (0, b"OggS\0", _SOUND),
    (0, b"fLaC", _SOUND),
    (8, b"WAVEfmt ", _SOUND),
    (0, b"%PDF-", FileKind("a PDF document")),
    (0, b"{\\rtf", FileKind("an office document")),
    (0, b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1", FileKind("an office document")),
    (0, b"PAR1", FileKind("a Parquet file", "write its table as text, with pandas.read_parquet(...).to_csv(...)")),
    (0, b"ARROW1", FileKind("a Feather file", "write its table as text, with pandas.read_feather(...).to_csv(...)")),
    (
        0,
        b"\x89HDF\r\n\x1a\n",
        FileKind("an HDF5 file", "write its table as text, with pandas.read_hdf(...).to_csv(...)"),
    ),
    (0, b"\x7fELF", _PROGRAM),
    (0, b"MZ\x90\0", _PROGRAM),
    (0, b"MZP\0", _PROGRAM),
)
"""First bytes, and where they stand; each from the format's own description: PNG (ISO/IEC 15948), JPEG (ITU-T T.81),
GIF89a, RIFF, ISO/IEC 14496-12, EBML (RFC 8794), ID3v2, MPEG audio (ISO/IEC 11172-3), Ogg (RFC 3533), FLAC (RFC 9639),
PDF (ISO 32000), RTF 1.9.1, compound files (MS-CFB), Apache Parquet, Arrow IPC file, HDF5, System V ABI; those of
programs for Windows as linkers write them, from memory."""

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
