"""DBC files become definitions."""

import os
from collections.abc import Iterable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Final, Protocol, TypeAlias

from buslens.capture.file_kind import DBC, LDF, exchanged, kind_of
from buslens.definitions import cache
from buslens.definitions.model import Definitions, Message, Problem
from buslens.errors import DefinitionError, SourceLocation, UsageError

LARGEST_FILE: Final = 20_000_000
"""Bytes; the largest DBC seen in the wild has a few million."""


class ChannelFile(Protocol):
    """A definitions file that may mean one channel only."""

    @property
    def path(self) -> str:
        """Where it is."""

    @property
    def channel(self) -> str | None:
        """The only channel that it describes; None for any."""


DefinitionsPath: TypeAlias = "str | os.PathLike[str] | ChannelFile"
"""What names a definitions file."""


def load_definitions(*paths: DefinitionsPath) -> Definitions:
    """Return what one or more DBC files say.

    Parameters
    ----------
    *paths : str, path or ChannelFile
        The files. One that is tied to a channel describes the frames of that channel only; where it and an untied
        file both know an identifier, it has precedence on its channel. A file that is given twice counts once.

    Returns
    -------
    Definitions
        The messages in the order of the files, and of the statements in them. What of a file cannot be used is in
        ``problems``, with its place and the reason; the rest of the file is used.

    Raises
    ------
    DefinitionError
        If a file cannot be read, nothing in it can be used, or two files give one identifier different meanings on
        the same channels.
    UsageError
        If no file is given.

    Examples
    --------
    >>> definitions = load_definitions("signal_defs/pinewick.dbc")  # doctest: +SKIP
    """
    if not paths:
        raise UsageError("no definitions are given; name a DBC file")
    messages: list[Message] = []
    problems: list[Problem] = []
    names: list[str] = []
    seen: set[tuple[str, str | None]] = set()
    for given in paths:
        path, channel, named_at = _parts(given)
        same = os.path.realpath(path), channel
        if same in seen:
            continue
        seen.add(same)
        names.append(path)
        parsed, wrong = _read(path, named_at)
        messages += parsed if channel is None else (replace(message, channel=channel) for message in parsed)
        if path not in names[:-1]:  # a file that two channels share says its problems once
            problems += wrong
    messages, merged = _merge(messages)
    problems += merged
    problems += _namesakes(messages)
    return Definitions(messages=tuple(messages), problems=tuple(problems), paths=tuple(dict.fromkeys(names)))


def _parts(given: DefinitionsPath) -> tuple[str, str | None, SourceLocation | None]:
    """Return path, channel and the place that names the file, if it is in a file itself."""
    if isinstance(given, str | os.PathLike):
        return os.fspath(given), None, None
    return given.path, given.channel, getattr(given, "source", None)


def _read(path: str, named_at: SourceLocation | None) -> cache.Content:
    try:
        with Path(path).open("rb") as file:
            data = file.read(LARGEST_FILE + 1)
    except (OSError, ValueError) as error:  # ValueError: a path that no system has
        reason = getattr(error, "strerror", None) or str(error)
        problem = f"the definitions file cannot be read: {reason}"
        if named_at is not None:
            raise DefinitionError(f"'{path}': {problem}", named_at) from error
        raise DefinitionError(problem, SourceLocation(path)) from error
    if len(data) > LARGEST_FILE:
        raise DefinitionError(
            f"the file has more than {LARGEST_FILE // 1_000_000} MB; this is no DBC file", SourceLocation(path)
        )
    folder = cache.cache_folder()
    name = "" if folder is None else cache.entry_name(data)
    content = None if folder is None else cache.load_entry(folder, name, path)
    if content is None:
        from buslens.definitions.dbc import parse_dbc
        from buslens.definitions.ldf import parse_ldf

        try:
            content = parse_ldf(data, path) if kind_of(data) is LDF else parse_dbc(data, path)
        except DefinitionError as error:
            if other := exchanged(data, DBC, LDF):
                raise DefinitionError(other, SourceLocation(path)) from error
            raise
        if folder is not None:
            cache.save_entry(folder, name, *content)
    return content


def _merge(messages: Iterable[Message]) -> tuple[list[Message], list[Problem]]:
    """Return the messages without those that two files define alike, and a note on each of these.

    Raises DefinitionError if an identifier means two things on the same channels.
    """
    first: dict[tuple[str | None, int, int, bool], Message] = {}
    kept: list[Message] = []
    notes: list[Problem] = []
    for message in messages:
        other = first.setdefault((message.channel, message.key, message.id_mask, message.is_extended), message)
        if other is message:
            kept.append(message)
        elif _decodes_alike(message, other):
            if message.source is not None:
                reason = f"the same message is at {other.source} already; the two are one"
                notes.append(Problem(source=message.source, subject=message.name, reason=reason, is_note=True))
        else:
            tied = "" if message.channel is None else f" on channel {message.channel}"
            same = "" if message.can_id == other.can_id else f" (0x{other.can_id:X}, the same J1939 group)"
            raise DefinitionError(
                f"identifier 0x{message.can_id:X} of {message.name} is already that of {other.name}{same}{tied} "
                f"({other.source}), which says something else; tie the files to different channels, or leave one out",
                message.source,
            )
    return kept, notes


def _decodes_alike(one: Message, other: Message) -> bool:
    """Return whether two messages mean the same; comments and senders do not matter."""

    def bare(message: Message) -> Message:
        signals = sorted((replace(signal, comment="") for signal in message.signals), key=lambda signal: signal.name)
        return replace(message, comment="", senders=(), attributes={}, signals=tuple(signals))

    return bare(one) == bare(other)


def _namesakes(messages: Iterable[Message]) -> Iterator[Problem]:
    """Yield a note for each message whose name another one has too."""
    first: dict[str, Message] = {}
    for message in messages:
        other = first.setdefault(message.name, message)
        if other is not message and message.source is not None:
            yield Problem(
                source=message.source,
                subject=message.name,
                reason=f"a message of this name is at {other.source} too; the name stands for that one",
                is_note=True,
            )
