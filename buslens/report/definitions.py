"""What definitions files say, as text for a person and as plain data for a program."""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from typing import Any, Final

from buslens.definitions.j1939 import group_number
from buslens.definitions.model import ByteOrder, Definitions, Message, Problem, Signal, ValueType
from buslens.report.document import SCHEMA
from buslens.report.formatting import DOUBT_SIGN, WRONG_SIGN, clean, counted
from buslens.report.paragraphs import MARGIN, Paragraph, StyledText, TextStyle, item, paragraph, render, section
from buslens.units import NS_PER_S, exact_duration

_MOST_ALIGNED: Final = 32
"""Columns of the longest name that the others are aligned with."""
_MOST_NOTES: Final = 5
"""Notes that are written out before the rest is only counted."""


def text(definitions: Definitions, *, find: str | None = None, width: int | None = None, painted: bool = False) -> str:
    """Return what is in a definitions file.

    Parameters
    ----------
    find : str or None
        Only what has to do with this word.
    """
    shown = definitions if find is None else matching(definitions, find)
    return render(_report(definitions, shown, find), width=width, painted=painted)


def matching(definitions: Definitions, word: str) -> Definitions:
    """Return the messages and signals in whose names, comments, units or value names a word occurs, in any case.

    A message that matches by itself has all its signals, another one those that match.
    """
    wanted = word.casefold()

    def has(*texts: str) -> bool:
        return any(wanted in text.casefold() for text in texts)

    kept = []
    for message in definitions:
        if has(message.name, message.comment, *message.senders):
            kept.append(message)
            continue
        signals = tuple(
            signal
            for signal in message.signals
            if has(signal.name, signal.comment, signal.unit, *signal.labels.values())
        )
        if signals:
            kept.append(replace(message, signals=signals))
    problems = tuple(problem for problem in definitions.problems if has(problem.subject, problem.reason))
    return replace(definitions, messages=tuple(kept), problems=problems)


def document(files: Iterable[Mapping[str, Any]], *, together: str | None) -> dict[str, Any]:
    """Return the document over files, as plain data.

    Parameters
    ----------
    files : iterable of mapping
        Of `file_entry` and `error_entry`.
    together : str or None
        Why the files cannot be used at the same time; None if they can.
    """
    return {"schema": SCHEMA, "files": list(files), "together": together}


def file_entry(path: str, definitions: Definitions) -> dict[str, Any]:
    """Return the entry for a file."""
    return {
        "path": path,
        "error": None,
        "messages": [_message_entry(message) for message in definitions],
        "problems": [_problem_entry(problem) for problem in definitions.problems],
    }


def error_entry(path: str, problem: str) -> dict[str, Any]:
    """Return the entry for a file that cannot be used; ``error`` says why."""
    return {"path": path, "error": problem, "messages": [], "problems": []}


def _message_entry(message: Message) -> dict[str, Any]:
    return {
        "name": message.name,
        "id": message.can_id,
        "is_extended": message.is_extended,
        "is_j1939": message.is_j1939,
        "length": message.length,
        "cycle": None if message.cycle_ns is None else message.cycle_ns / NS_PER_S,
        "senders": list(message.senders),
        "comment": message.comment,
        "line": message.source.line if message.source else None,
        "attributes": dict(message.attributes),
        "signals": [_signal_entry(signal) for signal in message.signals],
    }


def _signal_entry(signal: Signal) -> dict[str, Any]:
    selection = signal.selection
    return {
        "name": signal.name,
        "start": signal.start,
        "length": signal.length,
        "byte_order": signal.order.value,
        "kind": signal.kind.value,
        "scale": signal.scale,
        "offset": signal.offset,
        "min": signal.minimum,
        "max": signal.maximum,
        "unit": signal.unit,
        "values": {str(raw): name for raw, name in sorted(signal.labels.items())},
        "selected_by": None
        if selection is None
        else {"signal": selection.selector, "ranges": [list(ends) for ends in selection.ranges]},
        "comment": signal.comment,
        "line": signal.source.line if signal.source else None,
    }


def _problem_entry(problem: Problem) -> dict[str, Any]:
    return {
        "line": problem.source.line,
        "column": problem.source.column,
        "subject": problem.subject,
        "reason": problem.reason,
        "is_used": problem.is_note,
    }


def _report(definitions: Definitions, shown: Definitions, find: str | None) -> Iterator[Paragraph]:
    yield paragraph(StyledText(clean(", ".join(definitions.paths)), TextStyle.STRONG))
    for message in shown:
        yield paragraph()
        yield from _message(message)
    lost = [problem for problem in shown.problems if not problem.is_note]
    notes = [problem for problem in shown.problems if problem.is_note]
    yield from section(
        "Left out, the rest is used", (item(WRONG_SIGN, clean(str(it)), ink=TextStyle.WRONG) for it in lost)
    )
    shown_notes = [clean(str(it)) for it in (notes if find is not None else notes[:_MOST_NOTES])]
    if len(shown_notes) < len(notes):
        shown_notes.append(f"{counted(len(notes) - _MOST_NOTES, 'more note')}; --json lists them all")
    yield from section("Used, but to be known", (item(DOUBT_SIGN, note) for note in shown_notes))
    yield paragraph()
    yield paragraph(StyledText(_summary(definitions, shown, find), TextStyle.STRONG))


def _message(message: Message) -> Iterator[Paragraph]:
    facts = [f"0x{message.can_id:X}{' (29 bits)' if message.is_extended else ''}"]
    if message.is_j1939:
        facts.append(f"J1939 group {group_number(message.can_id)}")
    facts.append(counted(message.length, "byte"))
    if message.cycle_ns is not None:
        facts.append(f"every {exact_duration(message.cycle_ns)}")
    if message.senders:
        facts.append(f"from {clean(', '.join(message.senders))}")
    yield paragraph(StyledText(clean(message.name), TextStyle.STRONG), f"  {', '.join(facts)}", hang=MARGIN)
    if message.comment:
        yield paragraph(StyledText(clean(message.comment), TextStyle.FAINT), indent=MARGIN)
    column = min(max((len(clean(signal.name)) for signal in message.signals), default=0), _MOST_ALIGNED)
    for signal in message.signals:
        yield paragraph(f"{clean(signal.name):<{column}}  {'; '.join(_facts(signal))}", indent=MARGIN, hang=MARGIN * 2)
        if signal.comment:
            yield paragraph(StyledText(clean(signal.comment), TextStyle.FAINT), indent=MARGIN * 2)


def _facts(signal: Signal) -> Iterator[str]:
    bits = counted(signal.length, "bit")
    kind = "" if signal.kind is ValueType.UNSIGNED else f" {signal.kind.value}"
    big = ", big endian" if signal.order is ByteOrder.MOTOROLA and signal.length > 8 else ""
    yield f"{bits}{kind} from bit {signal.start}{big}"
    unit = clean(signal.unit)
    if signal.labels:
        yield ", ".join(f"{raw} {clean(name)}" for raw, name in sorted(signal.labels.items()))
    ends = _range(signal)
    if ends is not None and (unit or not signal.labels):
        yield f"{_number(ends[0])} to {_number(ends[1])} {unit}".rstrip()
    elif unit:
        yield unit
    if abs(signal.scale) != 1:
        yield f"in steps of {_number(abs(signal.scale))}"
    if signal.selection is not None:
        ranges = ", ".join(str(low) if low == high else f"{low} to {high}" for low, high in signal.selection.ranges)
        yield f"while {clean(signal.selection.selector)} is {ranges}"


def _range(signal: Signal) -> tuple[float, float] | None:
    """Return the least and the greatest physical value: what the file gives, else what the bits hold."""
    if signal.minimum is not None and signal.maximum is not None:
        return signal.minimum, signal.maximum
    if signal.kind is ValueType.FLOAT:
        return None
    ends = [raw * signal.scale + signal.offset for raw in signal.raw_range]
    return min(ends), max(ends)


def _number(value: float) -> str:
    return str(value) if isinstance(value, int) else f"{value:.10g}"


def _summary(definitions: Definitions, shown: Definitions, find: str | None) -> str:
    if find is not None and not shown.messages:
        return f"Nothing in {counted(len(definitions.messages), 'message')} has to do with '{clean(find)}'."
    signals = sum(len(message.signals) for message in shown)
    found = f" with '{clean(find)}'" if find is not None else ""
    summary = f"{counted(len(shown.messages), 'message')}, {counted(signals, 'signal')}{found}"
    lost = sum(not problem.is_note for problem in definitions.problems)
    return f"{summary}; {counted(lost, 'thing')} left out." if lost else f"{summary}."
