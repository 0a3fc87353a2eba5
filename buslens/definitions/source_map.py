"""What stands where in a DBC file.

The parser that reads the meaning of a DBC keeps no places. This outline does: it notes the messages, their signals, and
the statements that refer to them.
"""

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Final

from buslens.definitions.statements import ORPHANS, Statement
from buslens.errors import Lines

_RANGE: Final = re.compile(r"(\d{1,20}+)\s*-\s*(\d{1,20}+)", re.ASCII)


@dataclass(frozen=True, slots=True, kw_only=True)
class SignalLocation:
    """An ``SG_`` statement."""

    name: str
    #: What stands between name and colon: "M", "m5", "m5M" or nothing.
    mark: str
    #: Start bit, bits and byte order digit; None if they are not whole numbers.
    layout: tuple[int, int, int] | None
    statement: Statement


@dataclass(frozen=True, slots=True, kw_only=True)
class MessageLocation:
    """A ``BO_`` statement and its signals."""

    #: As written: bit 31 says that it is an extended one.
    number: int
    name: str
    length: int
    statement: Statement
    signals: list[SignalLocation] = field(default_factory=list)

    @property
    def holds_orphans(self) -> bool:
        """Whether it is no message but the place where a file keeps signals of none."""
        return self.name == ORPHANS


@dataclass(frozen=True, slots=True, kw_only=True)
class SignalNote:
    """A statement about how to read a signal: ``VAL_``, ``SIG_VALTYPE_`` or ``SG_MUL_VAL_``."""

    #: Message number as written.
    number: int
    name: str
    statement: Statement
    #: For ``SIG_VALTYPE_``: 0 whole number, 1 float, 2 double.
    type: int = 0
    #: For ``SG_MUL_VAL_``.
    selector: str = ""
    #: For ``SG_MUL_VAL_``: selecting values, first and last.
    ranges: tuple[tuple[int, int], ...] = ()

    @property
    def keyword(self) -> str:
        """The statement's keyword."""
        return self.statement.keyword


@dataclass(frozen=True, slots=True, kw_only=True)
class SourceMap:
    """What stands where in the text of a DBC; all places are offsets in characters."""

    #: Line ends are line feeds, comments are blanked.
    text: str
    #: In the order of the file.
    statements: Sequence[Statement]
    messages: list[MessageLocation]
    notes: list[SignalNote]
    #: Names that a ``BA_DEF_`` gives.
    defined_attributes: frozenset[str]
    lines: Lines


def outline(text: str, statements: Iterable[Statement]) -> SourceMap:
    """Return what stands where."""
    kept = tuple(statements)
    messages: list[MessageLocation] = []
    notes: list[SignalNote] = []
    defined: set[str] = set()
    for statement in kept:
        head = statement.head
        if head is None:
            continue
        match statement.keyword:
            case "BO_":
                place = MessageLocation(
                    number=statement.number or 0, name=statement.name, length=int(head["length"]), statement=statement
                )
                messages.append(place)
            case "SG_":
                if messages:
                    messages[-1].signals.append(_signal_place(statement, head))
            case "VAL_" | "SIG_VALTYPE_" | "SG_MUL_VAL_":
                notes.append(_note(statement, head))
            case "BA_DEF_":
                defined.add(statement.attribute or "")
    return SourceMap(
        text=text,
        statements=kept,
        messages=messages,
        notes=notes,
        defined_attributes=frozenset(defined),
        lines=Lines(text),
    )


def _signal_place(statement: Statement, head: re.Match[str]) -> SignalLocation:
    layout = None
    if head["order"]:
        layout = int(head["start"]), int(head["bits"]), int(head["order"])
    return SignalLocation(name=statement.name, mark=head["mark"] or "", layout=layout, statement=statement)


def _note(statement: Statement, head: re.Match[str]) -> SignalNote:
    said = head.groupdict()
    return SignalNote(
        number=statement.number or 0,
        name=statement.name,
        statement=statement,
        type=int(said.get("type", 0)),
        selector=said.get("selector", ""),
        ranges=tuple((int(low), int(high)) for low, high in _RANGE.findall(said.get("ranges", ""))),
    )
