"""Parsed definitions, kept between two starts: the parser takes longer to import than a small capture to check.

An entry is JSON beside nobody's data, named after the content of the DBC file and of everything that made sense of
it. One whose check sum does not fit, or whose values have other types, is as good as none.
"""

import hashlib
import os
import sys
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from typing import Final, TypeAlias

from buslens.definitions.model import Message, Problem
from buslens.errors import SourceLocation

_LARGEST: Final = 64_000_000
"""Bytes of the largest entry that is read."""

_MOST_ENTRIES: Final = 200
"""Entries that are kept; the oldest go first."""


Content: TypeAlias = tuple[tuple[Message, ...], tuple[Problem, ...]]
"""What a DBC file says, and what of it cannot be used."""


def cache_folder() -> Path | None:
    """Return the folder of the entries; None if there is no place for one."""
    from platformdirs import user_cache_path

    with suppress(OSError, RuntimeError):  # no home
        return user_cache_path("buslens", appauthor=False) / "definitions"
    return None


def entry_name(data: bytes) -> str:
    """Return the name of the entry of a DBC file.

    It names the content of the file, the version of the parser and the code of this layer, so that no entry
    outlives what it was made with.
    """
    digest = hashlib.sha256(_maker())
    digest.update(hashlib.sha256(data).digest())
    return f"{digest.hexdigest()}.json"


def _maker() -> bytes:
    """Return what tells this parser and this code from any other, without importing the parser."""
    code = sorted(Path(__file__).parent.glob("*.py"))
    parts = [path.read_bytes() for path in code]
    for folder in sys.path:
        with suppress(OSError):
            parts += sorted(path.name.encode() for path in Path(folder or ".").glob("cantools-*.*-info"))
    return b"\0".join(hashlib.sha256(part).digest() for part in parts)


def load_entry(folder: Path, name: str, path: str) -> Content | None:
    """Return messages and problems of an entry, their places in `path`; None if there is no sound entry."""
    import msgspec

    try:
        with (folder / name).open("rb") as file:
            head, content = file.readline(80).strip(), file.read(_LARGEST + 1)
        if len(content) > _LARGEST or head != _checksum(content):
            return None
        messages, problems = msgspec.json.decode(content, type=Content)
    except (OSError, RecursionError, msgspec.DecodeError):
        return None
    return _placed((messages, problems), path)


def save_entry(folder: Path, name: str, messages: Sequence[Message], problems: Sequence[Problem]) -> None:
    """Keep what a DBC file says; if that cannot be done, do not."""
    import tempfile

    import msgspec

    kept = _placed((tuple(messages), tuple(problems)), "")
    try:
        content = msgspec.json.encode(kept)
        if msgspec.json.decode(content, type=Content) != kept:
            return
    except (OverflowError, msgspec.MsgspecError):  # numbers that JSON does not have
        return
    with suppress(OSError):
        folder.mkdir(parents=True, exist_ok=True)
        handle, temporary = tempfile.mkstemp(dir=folder, prefix="new-")
        try:
            with os.fdopen(handle, "wb") as file:
                file.write(_checksum(content) + b"\n" + content)
            Path(temporary).replace(folder / name)
        except OSError:
            Path(temporary).unlink(missing_ok=True)
        by_age = sorted(folder.glob("*.json"), key=lambda path: path.stat().st_mtime_ns, reverse=True)
        for path in by_age[_MOST_ENTRIES:]:
            path.unlink(missing_ok=True)


def _checksum(content: bytes) -> bytes:
    return hashlib.sha256(content).hexdigest().encode()


def _placed(content: Content, path: str) -> Content:
    """Return what a file says with all places in a file of this name."""

    def at(source: SourceLocation | None) -> SourceLocation | None:
        return None if source is None else replace(source, path=path)

    messages, problems = content
    return (
        tuple(
            replace(it, source=at(it.source), signals=tuple(replace(one, source=at(one.source)) for one in it.signals))
            for it in messages
        ),
        tuple(replace(it, source=replace(it.source, path=path)) for it in problems),
    )
