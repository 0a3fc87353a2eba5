"""DBC files become definitions."""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Final, Protocol, TypeAlias

from buslens.definitions import cache
from buslens.definitions.model import Definitions, Message, Problem
from buslens.errors import DefinitionError, Source, UsageError

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

LARGEST_FILE: Final = 64_000_000
"""Bytes; the largest DBC seen in the wild has a few million."""


class TiedFile(Protocol):
    """A definitions file that may mean one channel only."""

    @property
    def path(self) -> str:
        """Where it is."""

    @property
    def channel(self) -> str | None:
        """The only channel that it describes; None for any."""


DefinitionsPath: TypeAlias = "str | os.PathLike[str] | TiedFile"
"""What names a definitions file."""


def load_definitions(*paths: DefinitionsPath) -> Definitions:
    """Return what one or more DBC files say.

    Parameters
    ----------
    *paths : str, path or TiedFile
        The files. One that is tied to a channel describes the frames of that channel only; where it and an untied
        file both know an identifier, it has precedence on its channel. A file that is given twice counts once.

    Returns
    -------
    Definitions
        The messages in the order of the files, and of the statements in them.

    Raises
    ------
    DefinitionError
        If a file cannot be read, is no DBC, or contradicts itself or another file.
    UsageError
        If no file is given.

    Examples
    --------
    >>> definitions = load_definitions("signal_defs/pinewick.dbc")  # doctest: +SKIP
    """
    if not paths:
        raise UsageError("no definitions are given; name a DBC file")
    messages: list[Message] = []
    names: list[str] = []
    seen: set[tuple[str, str | None]] = set()
    for given in paths:
        path, channel, named_at = _parts(given)
        same = os.path.realpath(path), channel
        if same in seen:
            continue
        seen.add(same)
        names.append(path)
        parsed = _read(path, named_at)
        messages += parsed if channel is None else (replace(message, channel=channel) for message in parsed)
    _refuse_contradictions(messages)
    return Definitions(messages=tuple(messages), problems=tuple(_doubts(messages)), paths=tuple(dict.fromkeys(names)))


def _parts(given: DefinitionsPath) -> tuple[str, str | None, Source | None]:
    """Return path, channel and the place that names the file, if it is in a file itself."""
    if isinstance(given, str | os.PathLike):
        return os.fspath(given), None, None
    return given.path, given.channel, getattr(given, "source", None)


def _read(path: str, named_at: Source | None) -> tuple[Message, ...]:
    try:
        with Path(path).open("rb") as file:
            data = file.read(LARGEST_FILE + 1)
    except (OSError, ValueError) as error:  # ValueError: a path that no system has
        reason = getattr(error, "strerror", None) or str(error)
        problem = f"the definitions file cannot be read: {reason}"
        if named_at is not None:
            raise DefinitionError(f"'{path}': {problem}", named_at) from error
        raise DefinitionError(problem, Source(path)) from error
    if len(data) > LARGEST_FILE:
        raise DefinitionError(
            f"the file has more than {LARGEST_FILE // 1_000_000} MB; this is no DBC file", Source(path)
        )
    folder = cache.cache_folder()
    name = "" if folder is None else cache.entry_name(data)
    messages = None if folder is None else cache.load_entry(folder, name, path)
    if messages is None:
        from buslens.definitions.dbc import parse_dbc

        messages = parse_dbc(data, path)
        if folder is not None:
            cache.save_entry(folder, name, messages)
    return messages


def _refuse_contradictions(messages: Iterable[Message]) -> None:
    first: dict[tuple[str | None, int, bool], Message] = {}
    for message in messages:
        other = first.setdefault((message.channel, message.can_id, message.is_extended), message)
        if other is message:
            continue
        tied = "" if message.channel is None else f" on channel {message.channel}"
        raise DefinitionError(
            f"identifier 0x{message.can_id:X} of {message.name} is already that of {other.name}{tied} "
            f"({other.source}); tie the files to different channels, or leave one out",
            message.source,
        )


def _doubts(messages: Iterable[Message]) -> Iterator[Problem]:
    first: dict[str, Message] = {}
    for message in messages:
        other = first.setdefault(message.name, message)
        if other is not message and message.source is not None:
            yield Problem(
                source=message.source,
                subject=message.name,
                reason=f"a message of this name is at {other.source} too; the name stands for that one",
            )
