"""What is wrong with the messages and signals of a DBC, and what is left out because of it.

The rule: whatever can be used is used. A signal goes that could only be read wrongly, a message that no frame can be,
and a statement about something that is not there. Whatever hangs on something that went, goes with it in silence.
"""

import re
from collections.abc import Container, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final, NamedTuple

from buslens.definitions.model import FLOAT_LENGTHS, ByteOrder, Signal
from buslens.definitions.source_map import MessageLocation, SignalLocation, SignalNote, SourceMap
from buslens.definitions.statements import Statement
from buslens.errors import did_you_mean

LONGEST_MESSAGE: Final = 4095
"""Bytes of the longest message that a transport protocol puts together from frames (ISO 15765-2, from memory)."""

MOST_SELECTORS: Final = 16
"""Signals that may select each other in a row; real files have one, and now and then two."""

EXTENDED: Final = 1 << 31
"""Bit of a message number in a DBC that says that the identifier has 29 bits."""

_SELECTED: Final = re.compile(r"m\d{0,20}", re.ASCII)
_MARK: Final = re.compile(r"M|m\d{1,20}M?", re.ASCII)


class DbcDefect(NamedTuple):
    """Something in a DBC that cannot be used as it stands."""

    #: Where, in characters from the start of the text.
    offset: int
    #: Name of the message or signal.
    subject: str
    #: What is wrong and what would be right.
    reason: str
    #: Whether it is used all the same.
    is_note: bool = False


@dataclass(slots=True)
class DefectReport:
    """What is wrong, and what follows from it."""

    faults: list[DbcDefect] = field(default_factory=list)
    #: Places at which statements begin that are not for the parser.
    left_out: set[int] = field(default_factory=set)
    #: Message numbers as written, where the extended flag is missing, and as they should be.
    numbers: dict[int, int] = field(default_factory=dict)

    def keeps(self, statement: Statement) -> bool:
        """Return whether a statement can be used."""
        return statement.start not in self.left_out

    def number(self, written: int) -> int:
        """Return a message number with its extended flag."""
        return self.numbers.get(written, written)

    def drop(self, statement: Statement, subject: str, reason: str) -> None:
        """Keep a statement from the parser, and say why."""
        self.faults.append(DbcDefect(statement.start, subject, reason))
        self.leave_out([statement])

    def leave_out(self, statements: Iterable[Statement]) -> None:
        """Keep statements from the parser."""
        self.left_out.update(statement.start for statement in statements)


def assess(placed: SourceMap, unread: Container[int] = ()) -> DefectReport:
    """Return all faults that can be told from the outline of a DBC, in order of their places.

    Parameters
    ----------
    placed : SourceMap
        Of the statements that can be read.
    unread : container of int
        Numbers of messages that cannot.
    """
    found = DefectReport()
    kept = _usable_messages(placed, found)
    notes: dict[int, list[SignalNote]] = {}
    for note in placed.notes:
        notes.setdefault(found.number(note.number), []).append(note)
    for number, place in kept.items():
        _assess_signals(place, notes.get(number, []), found)
    _assess_references(placed, kept, unread, found)
    found.faults.sort()
    return found


def _usable_messages(placed: SourceMap, found: DefectReport) -> dict[int, MessageLocation]:
    """Return the messages that frames can be, by number, and note what is wrong with the others."""
    kept: dict[int, MessageLocation] = {}
    for place in placed.messages:
        everything = [place.statement, *(signal.statement for signal in place.signals)]
        if place.holds_orphans:
            found.leave_out(everything)
            continue
        number = place.number
        can_id = number & ~EXTENDED
        if can_id > 0x1FFFFFFF:
            reason = f"identifier 0x{can_id:X} has more than 29 bits"
        elif place.length > LONGEST_MESSAGE:
            reason = f"{place.length} bytes are more than the {LONGEST_MESSAGE} that a message can have"
        else:
            reason = ""
        if reason:
            found.faults.append(DbcDefect(place.statement.start, place.name, reason))
            found.leave_out(everything)
            continue
        if not number & EXTENDED and can_id > 0x7FF:
            found.numbers[number] = number = can_id | EXTENDED
            reason = (
                f"identifier 0x{can_id:X} has more than 11 bits, and not the flag of an extended one; "
                f"it is taken for one, which is written {number}"
            )
            found.faults.append(DbcDefect(place.statement.start, place.name, reason, is_note=True))
        other = kept.setdefault(number, place)
        if other is not place:
            found.faults.append(_repeated(placed, place, other))
            found.leave_out(everything)
    return kept


def _repeated(placed: SourceMap, place: MessageLocation, other: MessageLocation) -> DbcDefect:
    line = placed.lines.line(other.statement.start)
    if _written(placed, place) == _written(placed, other):
        reason = f"the same message is in line {line} already; the two are one"
        return DbcDefect(place.statement.start, place.name, reason, is_note=True)
    reason = (
        f"identifier 0x{place.number & ~EXTENDED:X} is already that of {other.name} in line {line}, "
        f"which says something else"
    )
    return DbcDefect(place.statement.start, place.name, reason)


def _written(placed: SourceMap, place: MessageLocation) -> tuple[str, int, list[str]]:
    texts = (placed.text[signal.statement.start : signal.statement.end] for signal in place.signals)
    return place.name, place.length, ["".join(text.split()) for text in texts]


def _assess_references(
    placed: SourceMap, kept: Mapping[int, MessageLocation], unread: Container[int], found: DefectReport
) -> None:
    """Leave out what is said about something that is not there, or is there no more."""
    names: dict[int, set[str]] = {}
    silent: dict[int, set[str]] = {}
    for place in placed.messages:
        number = found.number(place.number)
        known = silent if place.holds_orphans or kept.get(number) is not place else names
        known.setdefault(number, set()).update(signal.name for signal in place.signals)
    used = {
        number: {signal.name for signal in place.signals if found.keeps(signal.statement)}
        for number, place in kept.items()
    }
    for statement in placed.statements:
        if statement.keyword in {"BO_", "SG_"}:
            continue
        if statement.keyword == "BA_" and statement.attribute not in placed.defined_attributes:
            hint = did_you_mean(statement.attribute or "", placed.defined_attributes)
            found.drop(statement, f'BA_ "{statement.attribute}"', f"no BA_DEF_ defines this attribute{hint}")
        if statement.number is None or not found.keeps(statement):
            continue
        number, name = found.number(statement.number), statement.name
        if number in used and (not name or name in used[number]):
            continue
        found.leave_out([statement])
        if statement.number in unread and number not in kept:
            continue
        if number in silent and (number not in kept or name in silent[number]):
            continue
        if number not in kept:
            reason = "there is no such message"
        elif name in names[number]:
            continue
        else:
            reason = f"message {kept[number].name} has no such signal{did_you_mean(name, names[number])}"
        subject = " ".join(filter(None, (statement.keyword, str(statement.number), name)))
        found.faults.append(DbcDefect(statement.start, subject, reason))


def _assess_signals(message: MessageLocation, notes: Sequence[SignalNote], found: DefectReport) -> None:
    """Leave out the signals that could only be read wrongly, and those that they select."""
    for signal, fault in (*_faulty_layouts(message, notes), *_faulty_selections(message, notes)):
        if found.keeps(signal.statement):
            found.faults.append(fault)
            found.leave_out([] if fault.is_note else [signal.statement])
    by_name = {signal.name: signal for signal in reversed(message.signals)}
    gone = {name for name, signal in by_name.items() if not found.keeps(signal.statement)}
    selectors = _selectors(message, notes)
    for signal in message.signals:
        if not found.keeps(signal.statement):
            continue
        selector = selectors.get(signal.name)
        while selector is not None and selector not in gone:
            selector = selectors.get(selector)
        if selector is not None:
            reason = f"the signal {selector} that selects it is left out, and so is this one"
            found.drop(signal.statement, f"{message.name}.{signal.name}", reason)


def _selectors(message: MessageLocation, notes: Iterable[SignalNote]) -> dict[str, str]:
    """Return which signal selects each of the others."""
    marked = [signal.name for signal in message.signals if signal.mark.endswith("M")]
    selectors = {note.name: note.selector for note in notes if note.keyword == "SG_MUL_VAL_"}
    if len(marked) == 1:
        for signal in message.signals:
            if signal.mark.startswith("m") and signal.name != marked[0]:
                selectors.setdefault(signal.name, marked[0])
    return selectors


def _faulty_layouts(
    message: MessageLocation, notes: Iterable[SignalNote]
) -> Iterator[tuple[SignalLocation, DbcDefect]]:
    types = {note.name: note for note in notes if note.keyword == "SIG_VALTYPE_"}
    names: set[str] = set()
    for signal in message.signals:
        subject, offset = f"{message.name}.{signal.name}", signal.statement.start
        if signal.name in names:
            yield signal, DbcDefect(offset, subject, "the message has two signals of this name; the first one counts")
            continue
        names.add(signal.name)
        if signal.layout is None:
            continue  # the parser says what is wrong
        start, bits, _ = signal.layout
        if start < 0:
            yield signal, DbcDefect(offset, subject, f"a signal begins at bit 0 or behind it, not at {start}")
            continue
        if not 1 <= bits <= 64:
            yield signal, DbcDefect(offset, subject, f"a signal has 1 to 64 bits, not {bits}")
            continue
        end = _last_byte(signal) + 1
        if end > message.length:
            reason = f"it reaches into byte {end}, and the message has {message.length}"
            yield signal, DbcDefect(offset, subject, reason)
            continue
        note = types.get(signal.name)
        if note is None:
            continue
        if note.type > 2:
            reason = f"value type {note.type}; there are 0 (whole), 1 (float) and 2 (double)"
            yield signal, DbcDefect(note.statement.start, subject, reason)
        elif note.type and bits not in FLOAT_LENGTHS:
            reason = f"a floating signal has 16, 32 or 64 bits, not {bits}"
            yield signal, DbcDefect(note.statement.start, subject, reason)


def _last_byte(place: SignalLocation) -> int:
    start, bits, order = place.layout or (0, 1, 1)
    direction = ByteOrder.INTEL if order else ByteOrder.MOTOROLA
    return Signal(name=place.name, start=start, length=bits, order=direction).last_byte


def _faulty_selections(
    message: MessageLocation, notes: Sequence[SignalNote]
) -> Iterator[tuple[SignalLocation, DbcDefect]]:
    marked = [signal.name for signal in message.signals if signal.mark.endswith("M")]
    ranges = {note.name: note for note in notes if note.keyword == "SG_MUL_VAL_"}
    floating = {note.name for note in notes if note.keyword == "SIG_VALTYPE_" and note.type}
    for signal in message.signals:
        subject, offset = f"{message.name}.{signal.name}", signal.statement.start
        note = ranges.get(signal.name)
        if _SELECTED.fullmatch(signal.mark) and not marked and note is None:
            reason = (
                f"it is marked {signal.mark}, but no signal of the message is marked M; it is taken to be always there"
            )
            yield signal, DbcDefect(offset, subject, reason, is_note=True)
            continue
        if signal.mark and not _MARK.fullmatch(signal.mark):
            reason = f"mark '{signal.mark}' is neither M (selects) nor such as m5 (selected by 5) or m5M (both)"
            yield signal, DbcDefect(offset, subject, reason)
            continue
        if signal.name in marked and signal.name in floating:
            yield signal, DbcDefect(offset, subject, "a floating signal cannot select others")
        if note is not None:
            reason = _range_fault(signal, note, marked)
            if reason:
                yield signal, DbcDefect(note.statement.start, subject, reason)
        elif signal.mark.startswith("m") and marked != [signal.name] and len(marked) != 1:
            known = " or ".join(marked)
            reason = f"it is marked {signal.mark}, but no SG_MUL_VAL_ says whether {known} selects it"
            yield signal, DbcDefect(offset, subject, reason)
    yield from _circles(message, ranges)


def _range_fault(signal: SignalLocation, note: SignalNote, marked: Sequence[str]) -> str:
    """Return what is wrong with what selects a signal; empty if nothing is."""
    if not signal.mark:
        return "SG_MUL_VAL_ for a signal that is not marked as selected, such as m5"
    if note.selector not in marked:
        return f"selector '{note.selector}' is no signal that is marked M{did_you_mean(note.selector, marked)}"
    if not note.ranges:
        return "no selecting values, such as 0-3, 7-7"
    backwards = [f"range {low}-{high} runs backwards" for low, high in note.ranges if low > high]
    return backwards[0] if backwards else ""


def _circles(message: MessageLocation, ranges: Mapping[str, SignalNote]) -> Iterator[tuple[SignalLocation, DbcDefect]]:
    for signal in message.signals:
        seen = {signal.name}
        note = ranges.get(signal.name)
        while note is not None and note.selector not in seen and len(seen) <= MOST_SELECTORS:
            seen.add(note.selector)
            note = ranges.get(note.selector)
        subject = f"{message.name}.{signal.name}"
        if note is not None and note.selector == signal.name:
            yield signal, DbcDefect(note.statement.start, subject, "the selectors run in a circle")
        elif note is not None and len(seen) > MOST_SELECTORS:
            reason = f"more than {MOST_SELECTORS} signals stand in a row each of which selects the next, up to this one"
            yield signal, DbcDefect(ranges[signal.name].statement.start, subject, reason)
