"""Found fields as the text of a definitions file that names them after where they are."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from buslens.definitions.model import ByteOrder
from buslens.errors import UsageError
from buslens.units import NS_PER_MS

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from buslens.discovery.candidates import Candidate, Field
    from buslens.discovery.changes import Origin
    from buslens.discovery.seek import Sought

EXTENDED_BIT: Final = 1 << 31
"""Marks a 29-bit identifier in a DBC."""
_UNIT: Final = "UNKNOWN_UNIT"


def message_name(origin: Origin) -> str:
    """Return the name that a found message gets.

    >>> from buslens.discovery.changes import Origin
    >>> message_name(Origin("can0", 0x202, False)), message_name(Origin("can0", 0x18FF50A1, True))
    ('SEEK_202', 'SEEK_18FF50A1X')
    """
    return f"SEEK_{origin.can_id:08X}X" if origin.is_extended else f"SEEK_{origin.can_id:03X}"


def signal_name(field: Field) -> str:
    """Return the name that a found field gets: ``BIT_17``, ``BITS_17_TO_18``; the numbers are those of a DBC."""
    if len(field.bits) == 1:
        return f"BIT_{field.bits[0]}"
    return f"BITS_{field.bits[0]}_TO_{field.bits[-1]}"


def found_dbc(found: Sought, chosen: Sequence[Candidate]) -> bytes:
    """Return the text of a definitions file with the chosen candidates.

    Raises
    ------
    UsageError
        If nothing was chosen.
    """
    if not chosen:
        raise UsageError("nothing was found that could be defined")
    return "\n".join([*_lines(found, chosen), ""]).encode()


def _lines(found: Sought, chosen: Sequence[Candidate]) -> Iterator[str]:
    by_message: dict[tuple[int, bool], list[Candidate]] = {}
    for candidate in chosen:
        origin = candidate.field.origin
        group = by_message.setdefault((origin.can_id, origin.is_extended), [])
        if all(signal_name(candidate.field) != signal_name(it.field) for it in group):
            group.append(candidate)
    yield 'VERSION ""'
    yield ""
    yield "NS_ :"
    yield ""
    yield "BS_:"
    yield ""
    yield f"BU_: {_UNIT}"
    yield ""
    for group in by_message.values():
        origin = group[0].field.origin
        _, length = found.origins[origin]
        yield f"BO_ {_number(origin)} {message_name(origin)}: {length} {_UNIT}"
        for candidate in group:
            yield _signal_line(candidate.field)
        yield ""
    yield (
        'CM_ "Found by coincidence with marks in a capture, not taken from any definitions: a proposal to be checked.'
        ' Every name says where the bits are.";'
    )
    for group in by_message.values():
        for candidate in group:
            number, name = _number(candidate.field.origin), signal_name(candidate.field)
            yield f'CM_ SG_ {number} {name} "{_quoted(_comment(found, candidate))}";'
    yield 'BA_DEF_ BO_ "GenMsgCycleTime" INT 0 65535;'
    yield 'BA_DEF_DEF_ "GenMsgCycleTime" 0;'
    for group in by_message.values():
        period_ms = round(group[0].period_ns / NS_PER_MS)
        if 0 < period_ms < 65536:
            yield f'BA_ "GenMsgCycleTime" BO_ {_number(group[0].field.origin)} {period_ms};'
    for group in by_message.values():
        for candidate in group:
            yield from _value_line(candidate)


def _number(origin: Origin) -> int:
    return origin.can_id | (EXTENDED_BIT if origin.is_extended else 0)


def _signal_line(field: Field) -> str:
    order = 1 if field.order is ByteOrder.INTEL else 0
    most = (1 << len(field.bits)) - 1
    return f' SG_ {signal_name(field)} : {field.start}|{len(field.bits)}@{order}+ (1,0) [0|{most}] "" {_UNIT}'


def _value_line(candidate: Candidate) -> Iterator[str]:
    """Name the value before the first action off, and the one after it on."""
    response = candidate.responses[0]
    if response.before is not None and response.after is not None and response.before != response.after:
        values = sorted({response.before: "off", response.after: "on"}.items())
        named = " ".join(f'{value} "{name}"' for value, name in values)
        yield f"VAL_ {_number(candidate.field.origin)} {signal_name(candidate.field)} {named} ;"


def _comment(found: Sought, candidate: Candidate) -> str:
    parts = []
    for response in candidate.responses:
        words = found.actions[response.action].words
        parts.append(f"changed at {response.hits} of {response.marks} marks '{words}'")
    first = found.actions[candidate.responses[0].action].words
    other = candidate.other_changes
    return (
        f"On is the value after '{first}'. Found by coincidence: {' and '.join(parts)}, within"
        f" {found.tolerance_ns // NS_PER_MS} ms; {other} other change{'' if other == 1 else 's'} that way;"
        f" chance of such a coincidence among all {found.n_tried} bits that were tried: {candidate.corrected:.1g}."
    )


def _quoted(text: str) -> str:
    return "".join(char if char.isprintable() else " " for char in text).replace('"', "'").replace("\\", "/")
