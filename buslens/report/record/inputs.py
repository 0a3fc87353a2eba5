"""The files that a record rests on, by content (SHA-256, FIPS 180-4), and checking them again.

A record carries each file's name, size and hash in the rows of its last table, the name as percent-encoded bytes, so
that any name survives. `recheck` reads them back from the page itself.
"""

import hashlib
import os
from collections.abc import Iterable
from dataclasses import dataclass
from enum import Enum
from html.parser import HTMLParser
from pathlib import Path
from typing import Final
from urllib.parse import quote, unquote_to_bytes

from buslens.errors import UsageError
from buslens.files import read_at_most
from buslens.report.record.seal import carried_seal, seal_of

GENERATOR: Final = "buslens record"
"""What a record says that it was made by; only such a file is checked again."""

_LARGEST_RECORD: Final = 256_000_000
_HEX_DIGITS: Final = 64


@dataclass(frozen=True, slots=True, kw_only=True)
class Input:
    """A file that a record rests on."""

    path: str
    #: What it is, in a few words.
    kind: str
    size: int
    #: Lower-case hexadecimal.
    sha256: str
    #: Last change, ns; only to notice that it changed while it was read.
    changed_ns: int = 0

    @property
    def encoded_path(self) -> str:
        """The name in ASCII."""
        return quote(os.fsencode(self.path))


class FileStatus(Enum):
    """What became of a file since the record was made."""

    SAME = "the same"
    CHANGED = "changed"
    MISSING = "not found"


def take(path: str, kind: str) -> Input:
    """Return a file's content hash.

    Raises UsageError if it is standard input, a pipe or a device, which cannot be checked again; OSError if it cannot
    be read.
    """
    if path == "-":
        raise UsageError("a record names files that can be checked again; save standard input ('-') as a file first")
    if Path(path).exists() and not Path(path).is_file() and not Path(path).is_dir():
        raise UsageError(f"{path}: is a pipe or a device, which cannot be checked again; save it as a file first")
    with Path(path).open("rb") as file:
        status = os.fstat(file.fileno())
        digest = hashlib.file_digest(file, "sha256").hexdigest()
    return Input(path=path, kind=kind, size=status.st_size, sha256=digest, changed_ns=status.st_mtime_ns)


def require_unchanged(inputs: Iterable[Input]) -> None:
    """Refuse to go on if a file has changed since its hash was taken.

    Raises UsageError if one has, OSError if one is gone.
    """
    for item in inputs:
        status = Path(item.path).stat()
        if (status.st_size, status.st_mtime_ns) != (item.size, item.changed_ns):
            raise UsageError(
                f"{item.path}: changed while the record was made; run the command again once it is complete"
            )


def recorded_inputs(path: str) -> list[Input]:
    """Return the files that a record names.

    Raises UsageError if the file is no record, OSError if it cannot be read.
    """
    page = _Page()
    page.feed(read_at_most(path, _LARGEST_RECORD).decode("utf-8", errors="replace"))
    page.close()
    if page.generator != GENERATOR or not page.inputs:
        raise UsageError(f"{path}: this is no job record; name a file that 'buslens record' has written")
    return page.inputs


class Seal(Enum):
    """What a record's hash of itself says."""

    WHOLE = "unchanged since it was written, by its own hash"
    BROKEN = "changed since it was written"
    NONE = "carries no hash of itself, so a change of it would not show"


def recheck_record(path: str) -> Seal:
    """Return whether a record is the one that was written; a new hash in an edited record does not show.

    Raises OSError if it cannot be read.
    """
    page = read_at_most(path, _LARGEST_RECORD)
    carried = carried_seal(page)
    if carried is None:
        return Seal.NONE
    return Seal.WHOLE if carried == seal_of(page) else Seal.BROKEN


def recheck(path: str) -> list[tuple[Input, FileStatus]]:
    """Return for each file that a record names whether it is still the same.

    A name counts from the current folder, then from the record's, and last without its folders, as if the file lay
    beside the record; a file in any of these places that is the same will do. Names with the backslashes
    of Windows are understood everywhere.

    Raises UsageError if the file is no record, OSError if it cannot be read.
    """
    return [(item, _standing(item, Path(path).parent)) for item in recorded_inputs(path)]


def _standing(item: Input, folder: Path) -> FileStatus:
    names = dict.fromkeys((item.path, item.path.replace("\\", "/")))
    places = [place for name in names for place in (Path(name), folder / name, folder / Path(name).name)]
    there = False
    for place in places:
        if not place.is_file():
            continue
        there = True
        if place.stat().st_size == item.size and take(str(place), item.kind).sha256 == item.sha256:
            return FileStatus.SAME
    return FileStatus.CHANGED if there else FileStatus.MISSING


class _Page(HTMLParser):
    """Finds what made a page, and the files it names."""

    def __init__(self) -> None:
        super().__init__()
        self.generator = ""
        self.inputs: list[Input] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = {key: value or "" for key, value in attrs}
        if tag == "meta" and given.get("name") == "generator":
            self.generator = given.get("content", "")
        digest = given.get("data-sha256", "")
        size = given.get("data-bytes", "")
        if tag == "tr" and len(digest) == _HEX_DIGITS and size.isascii() and size.isdecimal():
            path = os.fsdecode(unquote_to_bytes(given.get("data-path", "")))
            self.inputs.append(Input(path=path, kind=given.get("data-kind", ""), size=int(size), sha256=digest))
