"""Parsed definitions, kept between two starts: the parser takes longer to import than a small capture to judge.

An entry is JSON beside nobody's data, named after the content of the DBC file and of everything that made sense of
it. An entry that is not what this module would have written is as good as none.
"""

from __future__ import annotations

import hashlib
import json
import os
import sys
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, TypeAlias

from buslens.definitions.model import (
    EVERY_BIT,
    FLOAT_LENGTHS,
    ByteOrder,
    Message,
    MuxCondition,
    Problem,
    Signal,
    ValueType,
)
from buslens.errors import SourceLocation

if TYPE_CHECKING:
    from collections.abc import Sequence

_KINDS: Final = {kind.value: kind for kind in ValueType}
_ORDERS: Final = {order.value: order for order in ByteOrder}
_LARGEST: Final = 64_000_000
"""Bytes of the largest entry that is read."""

_MOST_ENTRIES: Final = 200
"""Entries that are kept; the oldest go first."""


Content: TypeAlias = "tuple[tuple[Message, ...], tuple[Problem, ...]]"
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
    try:
        with (folder / name).open("rb") as file:
            head, content = file.readline(80).strip(), file.read(_LARGEST + 1)
        if len(content) > _LARGEST or head != _checksum(content):
            return None
        messages, problems = _list(json.loads(content))
        return (
            tuple([_message(_table(row), path) for row in _list(messages)]),
            tuple([_problem(_table(row), path) for row in _list(problems)]),
        )
    except (OSError, ValueError, TypeError, KeyError, RecursionError):
        return None


def save_entry(folder: Path, name: str, messages: Sequence[Message], problems: Sequence[Problem]) -> None:
    """Keep what a DBC file says; if that cannot be done, do not."""
    import tempfile

    rows = [[_message_row(message) for message in messages], [_problem_row(problem) for problem in problems]]
    content = json.dumps(rows, separators=(",", ":")).encode()
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


def _message_row(message: Message) -> dict[str, Any]:
    return {
        "name": message.name,
        "can_id": message.can_id,
        "is_extended": message.is_extended,
        "length": message.length,
        "cycle_ns": message.cycle_ns,
        "signals": [_signal_row(signal) for signal in message.signals],
        "comment": message.comment,
        "senders": list(message.senders),
        "attributes": dict(message.attributes),
        "is_j1939": message.is_j1939,
        "id_mask": message.id_mask,
        "line": message.source.line if message.source else None,
    }


def _problem_row(problem: Problem) -> dict[str, Any]:
    place = problem.source
    return {
        "line": place.line,
        "column": place.column,
        "subject": problem.subject,
        "reason": problem.reason,
        "is_note": problem.is_note,
    }


def _signal_row(signal: Signal) -> dict[str, Any]:
    selection = signal.selection
    return {
        "name": signal.name,
        "start": signal.start,
        "length": signal.length,
        "order": signal.order.value,
        "kind": signal.kind.value,
        "scale": signal.scale,
        "offset": signal.offset,
        "minimum": signal.minimum,
        "maximum": signal.maximum,
        "unit": signal.unit,
        "labels": [[value, name] for value, name in signal.labels.items()],
        "selection": None if selection is None else [selection.selector, selection.ranges],
        "comment": signal.comment,
        "line": signal.source.line if signal.source else None,
    }


def _message(row: Any, path: str) -> Message:
    line = _optional_whole(row["line"])
    cycle = _optional_whole(row["cycle_ns"])
    if cycle is not None and cycle <= 0:
        raise ValueError(cycle)
    message = Message(
        name=_text(row["name"]),
        can_id=_between(row["can_id"], 0, 0x1FFFFFFF),
        is_extended=bool(_between(row["is_extended"], 0, 1)),
        length=_between(row["length"], 0, 4095),
        cycle_ns=cycle,
        signals=tuple(_signal(_table(signal), path) for signal in _list(row["signals"])),
        comment=_text(row["comment"]),
        senders=tuple(map(_text, _list(row["senders"]))),
        attributes={_text(name): _text(value) for name, value in _table(row["attributes"]).items()},
        is_j1939=bool(_between(row["is_j1939"], 0, 1)),
        id_mask=_between(row["id_mask"], 0, EVERY_BIT),
        source=None if line is None else SourceLocation(path, line),
    )
    selectors = {signal.name: signal.selection.selector for signal in message.signals if signal.selection}
    for name in selectors:
        # Following selectors must end at a signal of the message that nothing selects.
        end, steps = name, 0
        while end in selectors and steps <= len(selectors):
            end, steps = selectors[end], steps + 1
        if end in selectors or all(signal.name != end for signal in message.signals):
            raise ValueError(name)
    return message


def _problem(row: Any, path: str) -> Problem:
    return Problem(
        source=SourceLocation(path, _optional_whole(row["line"]), _optional_whole(row["column"])),
        subject=_text(row["subject"]),
        reason=_text(row["reason"]),
        is_note=bool(_between(row["is_note"], 0, 1)),
    )


def _signal(row: Any, path: str) -> Signal:
    line = _optional_whole(row["line"])
    selection = None
    if row["selection"] is not None:
        selector, ranges = row["selection"]
        pairs = tuple((_whole(low), _whole(high)) for low, high in ranges)
        selection = MuxCondition(selector=_text(selector), ranges=pairs)
    signal = Signal(
        name=_text(row["name"]),
        start=_between(row["start"], 0, 8 * 4095 - 1),
        length=_between(row["length"], 1, 64),
        order=_ORDERS[row["order"]],
        kind=_KINDS[row["kind"]],
        scale=_number(row["scale"]),
        offset=_number(row["offset"]),
        minimum=None if row["minimum"] is None else _number(row["minimum"]),
        maximum=None if row["maximum"] is None else _number(row["maximum"]),
        unit=_text(row["unit"]),
        labels={_whole(value): _text(name) for value, name in row["labels"]},
        selection=selection,
        comment=_text(row["comment"]),
        source=None if line is None else SourceLocation(path, line),
    )
    if signal.kind is ValueType.FLOAT and signal.length not in FLOAT_LENGTHS:
        raise ValueError(signal.length)
    return signal


def _text(value: Any) -> str:
    if not isinstance(value, str):
        raise TypeError(value)
    return value


def _list(value: Any) -> list[Any]:
    if not isinstance(value, list):
        raise TypeError(value)
    return value


def _table(value: Any) -> dict[Any, Any]:
    if not isinstance(value, dict):
        raise TypeError(value)
    return value


def _number(value: Any) -> int | float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise TypeError(value)
    return value


def _whole(value: Any) -> int:
    if isinstance(value, bool) or not isinstance(value, int):
        raise TypeError(value)
    return value


def _optional_whole(value: Any) -> int | None:
    return None if value is None else _whole(value)


def _between(value: Any, low: int, high: int) -> int:
    if not isinstance(value, int) or not low <= value <= high:
        raise ValueError(value)
    return value
