"""Found fields as the text of a definitions file that names them after what was done, so that roles are told by it."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Final

from buslens.definitions.model import ByteOrder
from buslens.discovery.vocabulary import tokens
from buslens.errors import UsageError
from buslens.units import NS_PER_MS

if TYPE_CHECKING:
    from buslens.discovery.candidates import BitField, Candidate
    from buslens.discovery.changes import FrameKey
    from buslens.discovery.seek import SeekResult

EXTENDED_BIT: Final = 1 << 31
"""Marks a 29-bit identifier in a DBC."""
_LONGEST: Final = 32
_PAIRS: Final = (("closed", "open"), ("released", "pressed"), ("off", "on"), ("unlocked", "locked"))
_AFTER: Final = {
    word: state
    for state, words in {
        "open": "open opens opened opening auf oeffnet geoeffnet",
        "closed": "close closes closed closing shut shuts zu schliesst geschlossen",
        "pressed": "press presses pressed pushed push gedrueckt druecken betaetigt",
        "released": "release releases released losgelassen",
        "on": "on ein an",
        "off": "off aus",
        "locked": "locks locked verriegelt",
        "unlocked": "unlocks unlocked entriegelt",
    }.items()
    for word in words.split()
}
#: Words that say what is done, not to what.
_DONE: Final = frozenset(
    word for word in tokens("the a is was i we then again switch switched turn turned goes go der die das wird")
)
_UNIT: Final = "UNKNOWN_UNIT"


def message_name(origin: FrameKey) -> str:
    """Return the name that a found message gets.

    >>> from buslens.discovery.changes import FrameKey
    >>> message_name(FrameKey("can0", 0x202, False)), message_name(FrameKey("can0", 0x18FF50A1, True))
    ('SEEK_202', 'SEEK_18FF50A1X')
    """
    return f"SEEK_{origin.can_id:08X}X" if origin.is_extended else f"SEEK_{origin.can_id:03X}"


def signal_names(found: SeekResult, chosen: Sequence[Candidate]) -> dict[Candidate, str]:
    """Return the name that each found field gets: the thing that was acted on, ``DOOR``, ``START_BUTTON``.

    Of several that one action changes the first has the name alone, the others a number behind it.
    """
    names: dict[Candidate, str] = {}
    for candidate in chosen:
        thing = thing_of(found.actions[candidate.responses[0].action].words)
        place = "_TO_".join(str(it) for it in dict.fromkeys((candidate.field.bits[0], candidate.field.bits[-1])))
        name = thing or f"BIT_{place}"
        same = sum(it == name or it.startswith(f"{name}__") for it in names.values())
        names[candidate] = f"{name}__{same + 1}" if same else name
    return {candidate: name.replace("__", "_") for candidate, name in names.items()}


def thing_of(words: str) -> str:
    """Return what an action is done to, as a name; empty if the words hold none that a name can have.

    >>> thing_of("driver door opens"), thing_of("Start-Knopf gedrückt"), thing_of("ignition on")
    ('DRIVER_DOOR', 'START_KNOPF', 'IGNITION')
    """
    kept = [word for word in tokens(words) if word.isascii() and word not in _DONE and before_and_after(word) is None]
    name = "_".join(kept).upper()[:_LONGEST]
    return name if re.fullmatch(r"[A-Z][A-Z0-9_]*", name) else ""


def before_and_after(words: str) -> tuple[str, str] | None:
    """Return the names of the values before and after an action; None if its words do not tell.

    >>> before_and_after("driver door opens"), before_and_after("start pressed"), before_and_after("horn")
    (('closed', 'open'), ('released', 'pressed'), None)
    """
    for word in tokens(words):
        after = _AFTER.get(word)
        if after is not None:
            before = next(one if two == after else two for one, two in _PAIRS if after in {one, two})
            return before, after
    return None


def found_dbc(found: SeekResult, chosen: Sequence[Candidate]) -> bytes:
    """Return the text of a definitions file with the chosen candidates; UsageError if nothing was chosen."""
    if not chosen:
        raise UsageError("nothing was found that could be defined")
    return "\n".join([*_lines(found, chosen), ""]).encode()


def _lines(found: SeekResult, chosen: Sequence[Candidate]) -> Iterator[str]:
    by_message: dict[tuple[int, bool], list[Candidate]] = {}
    for candidate in chosen:
        origin = candidate.field.origin
        group = by_message.setdefault((origin.can_id, origin.is_extended), [])
        if all(candidate.field.bits != it.field.bits for it in group):
            group.append(candidate)
    others = _others(found, by_message)
    names = signal_names(found, [candidate for group in by_message.values() for candidate in group])
    yield 'VERSION ""'
    yield ""
    yield "NS_ :"
    yield ""
    yield "BS_:"
    yield ""
    yield f"BU_: {_UNIT}"
    yield ""
    for key in {**by_message, **others}:
        group, rest = by_message.get(key, []), others.get(key, [])
        origin = group[0].field.origin if group else rest[0].origin
        _, length = found.origins[origin]
        yield f"BO_ {_number(origin)} {message_name(origin)}: {length} {_UNIT}"
        for candidate in group:
            yield _signal_line(candidate.field, names[candidate])
        for field in rest:
            yield _signal_line(field, f"BIT_{field.start}")
        yield ""
    yield (
        'CM_ "Found by coincidence with marks in a capture, not taken from any definitions: a proposal to be checked.'
        ' Names are those of the marks; the comment of each signal says how it was found.";'
    )
    for group in by_message.values():
        for candidate in group:
            number = _number(candidate.field.origin)
            yield f'CM_ SG_ {number} {names[candidate]} "{_quoted(_comment(found, candidate))}";'
    yield 'BA_DEF_ BO_ "GenMsgCycleTime" INT 0 65535;'
    yield 'BA_DEF_DEF_ "GenMsgCycleTime" 0;'
    for group in by_message.values():
        period_ms = round(group[0].period_ns / NS_PER_MS)
        if 0 < period_ms < 65536:
            yield f'BA_ "GenMsgCycleTime" BO_ {_number(group[0].field.origin)} {period_ms};'
    for group in by_message.values():
        for candidate in group:
            yield from _value_line(found, candidate, names[candidate])


def _others(
    found: SeekResult, by_message: Mapping[tuple[int, bool], Sequence[Candidate]]
) -> dict[tuple[int, bool], list[BitField]]:
    """Return the bits that were tried and are in none of the candidates, each once, by message."""
    others: dict[tuple[int, bool], list[BitField]] = {}
    for field in found.tried:
        key = field.origin.can_id, field.origin.is_extended
        taken = {bit for it in by_message.get(key, ()) for bit in it.field.bits}
        if taken.isdisjoint(field.bits) and field.bits not in (it.bits for it in others.get(key, ())):
            others.setdefault(key, []).append(field)
    return others


def _number(origin: FrameKey) -> int:
    return origin.can_id | (EXTENDED_BIT if origin.is_extended else 0)


def _signal_line(field: BitField, name: str) -> str:
    order = 1 if field.order is ByteOrder.INTEL else 0
    most = (1 << len(field.bits)) - 1
    return f' SG_ {name} : {field.start}|{len(field.bits)}@{order}+ (1,0) [0|{most}] "" {_UNIT}'


def _value_line(found: SeekResult, candidate: Candidate, name: str) -> Iterator[str]:
    """Name the values before and after the first action as its words do, if they do."""
    response = candidate.responses[0]
    before, after = before_and_after(found.actions[response.action].words) or ("", "")
    if before and response.before is not None and response.after is not None and response.before != response.after:
        values = sorted({response.before: before, response.after: after}.items())
        named = " ".join(f'{value} "{label}"' for value, label in values)
        yield f"VAL_ {_number(candidate.field.origin)} {name} {named} ;"


def _comment(found: SeekResult, candidate: Candidate) -> str:
    parts = []
    for response in candidate.responses:
        words = found.actions[response.action].words
        parts.append(f"changed at {response.hits} of {response.marks} marks '{words}'")
    response = candidate.responses[0]
    first = found.actions[response.action].words
    named = before_and_after(first)
    after = response.after if named is None else f"'{named[1]}'"
    other = candidate.other_changes
    return (
        f"{after} is the value after '{first}'. Found by coincidence: {' and '.join(parts)}, within"
        f" {found.tolerance_ns // NS_PER_MS} ms; {other} other change{'' if other == 1 else 's'} that way;"
        f" chance of such a coincidence among all {found.n_tried} bits that were tried: {candidate.corrected:.1g}."
    )


def _quoted(text: str) -> str:
    return "".join(char if char.isprintable() else " " for char in text).replace('"', "'").replace("\\", "/")
