"""One DBC file becomes messages.

cantools parses the file and knows what each statement means. What it does not tell, or tells without a place, comes
from the outline of the text: lines, and what is wrong with a message or a signal by itself.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any, Final, NamedTuple

from buslens.definitions.dbc_text import EXAMPLES, blank, decode_text, outline, without_long_ranges, without_sizes
from buslens.definitions.faults import ORPHANS, find_faults
from buslens.definitions.model import ByteOrder, Kind, Message, Selection, Signal
from buslens.errors import DefinitionError, Source
from buslens.units import NS_PER_MS

if TYPE_CHECKING:
    from collections.abc import Mapping

    from buslens.definitions.dbc_text import MessagePlace, Outline, SignalNote

_EXTENDED: Final = 1 << 31
"""Bit of a message number in a DBC that says that the identifier has 29 bits."""

_LARGEST_FACTOR: Final = 1e300


def parse_dbc(data: bytes, path: str) -> tuple[Message, ...]:
    """Return the messages of a DBC file, in the file's order, tied to no channel.

    Parameters
    ----------
    data : bytes
        The file.
    path : str
        Its name, for the places in errors and in the result.

    Raises
    ------
    DefinitionError
        If the file is no DBC, or something in it contradicts itself or is more than a frame can hold.
    """
    try:
        placed = outline(decode_text(data))
    except UnicodeDecodeError as error:
        raise DefinitionError(
            f"the file begins as UTF-16 text, but byte {error.start} is none; save it as UTF-8", Source(path)
        ) from error
    if faults := find_faults(placed):
        first = faults[0]
        # A statement that is not understood makes others wrong that refer to it.
        if (offset := _syntax_offset(placed)) is not None and offset < first.offset:
            raise _syntax_error(placed, offset, path)
        raise DefinitionError(f"{first.subject}: {first.reason}", Source(path, placed.line(first.offset)))
    if not placed.text.strip():
        raise DefinitionError("the file is empty; a DBC file has messages, such as " + EXAMPLES["BO_"], Source(path))
    parsed = {_number(message): message for message in _parse(placed, path)}
    notes = {(note.number, note.name): note for note in placed.notes if note.keyword == "SG_MUL_VAL_"}
    if unfinished := placed.unfinished():
        offset, keyword = unfinished
        problem = f"the file ends within this {keyword}; it is written like {EXAMPLES.get(keyword, keyword)}"
        raise DefinitionError(problem, Source(path, placed.line(offset)))
    if not parsed:
        problem = "the file defines no message; a message begins with a line such as "
        raise DefinitionError(problem + EXAMPLES["BO_"], Source(path))
    return tuple(
        _message(parsed[place.number], place, notes, _Places(path, placed))
        for place in placed.messages
        if place.name != ORPHANS
    )


class _Places(NamedTuple):
    path: str
    outline: Outline

    def source(self, offset: int) -> Source:
        return Source(self.path, self.outline.line(offset))


def _number(message: Any) -> int:  # cantools has no types that every supported version shares
    return int(message.frame_id) | (_EXTENDED if message.is_extended_frame else 0)


def _parse(placed: Outline, path: str) -> list[Any]:
    """Return the messages as cantools has them."""
    from cantools.database.can import Database

    orphans = {message.number for message in placed.messages if message.name == ORPHANS}
    # The parser drops the message of orphans and then stumbles over what is said about its signals.
    text = blank(placed.text, (note for note in placed.notes if note.number in orphans))
    # Overlapping signals are usual in real files and mean what they say; hence not strict.
    database = Database(strict=False, sort_signals=None)
    try:
        database.add_dbc_string(without_long_ranges(text))
    except Exception as error:  # the parser lets through whatever its own code trips over
        offset = getattr(error, "offset", None)
        if isinstance(offset, int):
            raise _syntax_error(placed, offset, path) from error
        problem = f"this file cannot be used: {str(error) or type(error).__name__}"
        raise DefinitionError(problem, Source(path, _line_of_names(placed, str(error)))) from error
    return list(database.messages)


def _syntax_offset(placed: Outline) -> int | None:
    """Return where the parser stops understanding; None if it understands all, whatever it thinks of that."""
    from cantools.database.can import Database

    try:
        Database(strict=False, sort_signals=None).add_dbc_string(without_sizes(placed.text))
    except Exception as error:  # the parser lets through whatever its own code trips over
        offset = getattr(error, "offset", None)
        return offset if isinstance(offset, int) else None
    return None


def _syntax_error(placed: Outline, offset: int, path: str) -> DefinitionError:
    found = placed.rest_of_line(offset)
    keyword = placed.statement_around(offset)
    problem = f"'{found}' is not understood here" if found else "the file ends in the middle of a statement"
    if found and not keyword:
        problem = f"'{found}' does not begin a statement of a DBC file"
    elif keyword:
        problem += f"; a right {keyword} is: {EXAMPLES[keyword]}"
    return DefinitionError(problem, Source(path, placed.line(offset), placed.column(offset)))


def _line_of_names(placed: Outline, text: str) -> int | None:
    """Return the line of the last message or signal that an error text names."""
    words = set(re.findall(r"\w+", text))
    line = None
    for message in placed.messages:
        if message.name in words:
            inside = [signal.offset for signal in message.signals if signal.name in words]
            line = placed.line(inside[0] if inside else message.offset)
    return line


def _message(parsed: Any, place: MessagePlace, notes: Mapping[tuple[int, str], SignalNote], places: _Places) -> Message:
    # A file may give long names in attributes; selectors are still referred to by the short ones.
    names = {short.name: str(long.name) for short, long in zip(place.signals, parsed.signals, strict=True)}
    marked = [signal.name for signal in place.signals if signal.mark.endswith("M")]
    only_selector = marked[0] if len(marked) == 1 else None
    signals = []
    for short, long in zip(place.signals, parsed.signals, strict=True):
        note = notes.get((place.number, short.name))
        selection = None
        if note is not None or (short.mark and short.name != only_selector and short.mark != "M"):
            ranges = list(note.ranges) if note is not None else []
            if only_selector is not None and not short.mark.endswith("M"):
                ranges.append((int(short.mark[1:]), int(short.mark[1:])))
            selector = note.selector if note is not None else str(only_selector)
            selection = Selection(selector=names[selector], ranges=_merged(ranges))
        signals.append(_signal(long, selection, places.source(short.offset)))
    cycle = parsed.cycle_time
    attributes = parsed.dbc.attributes if parsed.dbc is not None else None
    return Message(
        name=str(parsed.name),
        can_id=int(parsed.frame_id),
        is_extended=bool(parsed.is_extended_frame),
        length=int(parsed.length),
        cycle_ns=round(cycle * NS_PER_MS) if isinstance(cycle, int | float) and cycle > 0 else None,
        signals=tuple(signals),
        comment=str(parsed.comment or ""),
        senders=tuple(str(sender) for sender in parsed.senders),
        attributes={name: _attribute_text(attribute) for name, attribute in (attributes or {}).items()},
        source=places.source(place.offset),
    )


def _signal(parsed: Any, selection: Selection | None, source: Source) -> Signal:
    kind = Kind.FLOAT if parsed.is_float else Kind.SIGNED if parsed.is_signed else Kind.UNSIGNED
    scale, offset = parsed.scale, parsed.offset
    if not max(abs(scale), abs(offset)) <= _LARGEST_FACTOR:
        raise DefinitionError(f"{parsed.name}: scale and offset must be below 1e300 in size", source)
    if scale == 1 and offset == 0:
        scale, offset = 1, 0
    elif kind is not Kind.FLOAT and float(scale).is_integer() and float(offset).is_integer():
        scale, offset = int(scale), int(offset)
    return Signal(
        name=str(parsed.name),
        start=int(parsed.start),
        length=int(parsed.length),
        order=ByteOrder.MOTOROLA if parsed.byte_order == "big_endian" else ByteOrder.INTEL,
        kind=kind,
        scale=scale,
        offset=offset,
        minimum=parsed.minimum,
        maximum=parsed.maximum,
        unit=str(parsed.unit or ""),
        labels={int(value): str(name) for value, name in (parsed.choices or {}).items()},
        selection=selection,
        comment=str(parsed.comment or ""),
        source=source,
    )


def _merged(ranges: list[tuple[int, int]]) -> tuple[tuple[int, int], ...]:
    """Return the same whole numbers in as few ascending ranges as possible."""
    merged: list[tuple[int, int]] = []
    for low, high in sorted(ranges):
        if merged and low <= merged[-1][1] + 1:
            merged[-1] = merged[-1][0], max(merged[-1][1], high)
        else:
            merged.append((low, high))
    return tuple(merged)


def _attribute_text(attribute: Any) -> str:
    """Return the value of an attribute as text, that of an enumeration by its name."""
    choices = attribute.definition.choices
    if choices and isinstance(attribute.value, int) and 0 <= attribute.value < len(choices):
        return str(choices[attribute.value])
    return str(attribute.value)
