"""What can be wrong with the messages and signals of a DBC, each with its place."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Final, NamedTuple

from buslens.definitions.model import FLOAT_LENGTHS, ByteOrder, Signal
from buslens.errors import did_you_mean

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from buslens.definitions.dbc_text import MessagePlace, Outline, SignalNote, SignalPlace

ORPHANS: Final = "VECTOR__INDEPENDENT_SIG_MSG"
"""Name of the message that some files keep signals of no message in."""

LONGEST_MESSAGE: Final = 4095
"""Bytes of the longest message that a transport protocol puts together from frames (ISO 15765-2, from memory)."""

_EXTENDED: Final = 1 << 31
_MARK: Final = re.compile(r"M|m\d{1,20}M?", re.ASCII)


class Fault(NamedTuple):
    """Something in a DBC that cannot be used as it stands."""

    #: Where, in characters from the start of the text.
    offset: int
    #: Name of the message or signal.
    subject: str
    #: What is wrong and what would be right.
    reason: str


def find_faults(placed: Outline) -> list[Fault]:
    """Return all faults that can be told from the outline of a DBC, in order of their places."""
    messages = {place.number: place for place in placed.messages}
    notes: dict[int, list[SignalNote]] = {}
    for note in placed.notes:
        notes.setdefault(note.number, []).append(note)
    faults = [*_faulty_numbers(placed), *_stray_notes(placed, messages), *_stray_attributes(placed)]
    for place in placed.messages:
        if place.name != ORPHANS:
            faults += _faulty_layouts(place, notes.get(place.number, []))
            faults += _faulty_selections(place, notes.get(place.number, []))
    return sorted(faults)


def _faulty_numbers(placed: Outline) -> Iterator[Fault]:
    first: dict[int, MessagePlace] = {}
    for place in placed.messages:
        if place.name == ORPHANS:
            continue
        can_id = place.number & ~_EXTENDED
        if not place.number & _EXTENDED and can_id > 0x7FF:
            hint = f"; an extended one is written {can_id | _EXTENDED}" if can_id <= 0x1FFFFFFF else ""
            yield Fault(place.offset, place.name, f"identifier 0x{can_id:X} has more than 11 bits{hint}")
        elif can_id > 0x1FFFFFFF:
            yield Fault(place.offset, place.name, f"identifier 0x{can_id:X} has more than 29 bits")
        if place.length > LONGEST_MESSAGE:
            reason = f"{place.length} bytes are more than the {LONGEST_MESSAGE} that a message can have"
            yield Fault(place.offset, place.name, reason)
        other = first.setdefault(place.number, place)
        if other is not place:
            line = placed.line(other.offset)
            reason = f"identifier 0x{can_id:X} is already that of {other.name} in line {line}"
            yield Fault(place.offset, place.name, reason)


def _stray_notes(placed: Outline, messages: Mapping[int, MessagePlace]) -> Iterator[Fault]:
    for note in placed.notes:
        message = messages.get(note.number)
        if message is None:
            yield Fault(note.start, f"{note.keyword} {note.number} {note.name}", "there is no such message")
        elif message.name != ORPHANS and all(signal.name != note.name for signal in message.signals):
            hint = did_you_mean(note.name, (signal.name for signal in message.signals))
            reason = f"message {message.name} has no such signal{hint}"
            yield Fault(note.start, f"{note.keyword} {note.number} {note.name}", reason)


def _stray_attributes(placed: Outline) -> Iterator[Fault]:
    for use in placed.attributes:
        if use.name not in placed.defined_attributes:
            hint = did_you_mean(use.name, placed.defined_attributes)
            yield Fault(use.offset, f'BA_ "{use.name}"', f"no BA_DEF_ defines this attribute{hint}")


def _faulty_layouts(message: MessagePlace, notes: list[SignalNote]) -> Iterator[Fault]:
    types = {note.name: note for note in notes if note.keyword == "SIG_VALTYPE_"}
    names: set[str] = set()
    for signal in message.signals:
        subject = f"{message.name}.{signal.name}"
        if signal.name in names:
            yield Fault(signal.offset, subject, "the message has two signals of this name")
        names.add(signal.name)
        if signal.layout is None:
            continue  # the parser says what is wrong
        _, bits, _ = signal.layout
        if not 1 <= bits <= 64:
            yield Fault(signal.offset, subject, f"a signal has 1 to 64 bits, not {bits}")
            continue
        end = _last_byte(signal) + 1
        if end > message.length:
            reason = f"it reaches into byte {end}, and the message has {message.length}"
            yield Fault(signal.offset, subject, reason)
        note = types.get(signal.name)
        if note is None:
            continue
        if note.type > 2:
            reason = f"value type {note.type}; there are 0 (whole), 1 (float) and 2 (double)"
            yield Fault(note.start, subject, reason)
        elif note.type and bits not in FLOAT_LENGTHS:
            yield Fault(note.start, subject, f"a floating signal has 16, 32 or 64 bits, not {bits}")


def _last_byte(place: SignalPlace) -> int:
    start, bits, order = place.layout or (0, 1, 1)
    direction = ByteOrder.INTEL if order else ByteOrder.MOTOROLA
    return Signal(name=place.name, start=start, length=bits, order=direction).last_byte


def _faulty_selections(message: MessagePlace, notes: list[SignalNote]) -> Iterator[Fault]:
    marked = [signal.name for signal in message.signals if signal.mark.endswith("M")]
    ranges = {note.name: note for note in notes if note.keyword == "SG_MUL_VAL_"}
    floating = {note.name for note in notes if note.keyword == "SIG_VALTYPE_" and note.type}
    for signal in message.signals:
        subject = f"{message.name}.{signal.name}"
        if signal.mark and not _MARK.fullmatch(signal.mark):
            reason = f"mark '{signal.mark}' is neither M (selects) nor such as m5 (selected by 5) or m5M (both)"
            yield Fault(signal.offset, subject, reason)
            continue
        if signal.name in marked and signal.name in floating:
            yield Fault(signal.offset, subject, "a floating signal cannot select others")
        note = ranges.get(signal.name)
        if note is not None:
            yield from _faulty_ranges(subject, signal, note, marked)
        elif signal.mark.startswith("m") and marked != [signal.name] and len(marked) != 1:
            known = " or ".join(marked)
            reason = (
                f"it is marked {signal.mark}, but no SG_MUL_VAL_ says whether {known} selects it"
                if marked
                else f"it is marked {signal.mark}, but no signal of the message is marked M"
            )
            yield Fault(signal.offset, subject, reason)
    yield from _circles(message, ranges)


def _faulty_ranges(subject: str, signal: SignalPlace, note: SignalNote, marked: list[str]) -> Iterator[Fault]:
    if not signal.mark:
        yield Fault(note.start, subject, "SG_MUL_VAL_ for a signal that is not marked as selected, such as m5")
    if note.selector not in marked:
        hint = did_you_mean(note.selector, marked)
        yield Fault(note.start, subject, f"selector '{note.selector}' is no signal that is marked M{hint}")
    if not note.ranges:
        yield Fault(note.start, subject, "no selecting values, such as 0-3, 7-7")
    for low, high in note.ranges:
        if low > high:
            yield Fault(note.start, subject, f"range {low}-{high} runs backwards")


def _circles(message: MessagePlace, ranges: Mapping[str, SignalNote]) -> Iterator[Fault]:
    for signal in message.signals:
        seen = {signal.name}
        note = ranges.get(signal.name)
        while note is not None and note.selector not in seen:
            seen.add(note.selector)
            note = ranges.get(note.selector)
        if note is not None and note.selector == signal.name:
            yield Fault(note.start, f"{message.name}.{signal.name}", "the selectors run in a circle")
