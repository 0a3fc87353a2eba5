"""What a definitions file says, in the words of buslens; this module knows no file format."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from enum import Enum
from fractions import Fraction
from typing import Final, Literal

from buslens.errors import DefinitionError, SourceLocation, did_you_mean

FLOAT_LENGTHS: Final = (16, 32, 64)
"""Bits of the binary interchange formats of IEEE 754 that a signal can hold."""


EVERY_BIT: Final = 0x1FFFFFFF
"""Mask of an identifier all of whose bits tell the message."""


class ByteOrder(Enum):
    """Which way the bits of a signal run."""

    #: Least significant byte first; `Signal.start` is the least significant bit.
    INTEL = "little endian"
    #: Most significant byte first; `Signal.start` is the most significant bit, numbered as in a DBC.
    MOTOROLA = "big endian"


class ValueType(Enum):
    """What the bits of a signal stand for."""

    UNSIGNED = "unsigned"
    SIGNED = "signed"
    FLOAT = "float"


@dataclass(frozen=True, slots=True, kw_only=True)
class MuxCondition:
    """The condition under which a multiplexed signal is in a frame."""

    #: Name of the signal whose raw value selects.
    selector: str
    #: Raw values that select, as inclusive ranges.
    ranges: tuple[tuple[int, int], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Signal:
    """One field of a message."""

    name: str
    #: First bit, counted as in a DBC: bit b is bit b % 8 of byte b // 8.
    start: int
    #: Bits, 1 to 64.
    length: int
    order: ByteOrder = ByteOrder.INTEL
    kind: ValueType = ValueType.UNSIGNED
    #: physical value = raw * scale + offset; whole numbers stay whole.
    scale: int | float = 1
    offset: int | float = 0
    minimum: int | float | None = None
    maximum: int | float | None = None
    unit: str = ""
    #: Names of raw values, before scaling.
    labels: Mapping[int, str] = field(default_factory=dict)
    selection: MuxCondition | None = None
    comment: str = ""
    source: SourceLocation | None = field(default=None, compare=False, repr=False)

    @property
    def raw_range(self) -> tuple[int, int]:
        """Least and greatest raw value; of a floating signal, of the raw values that a name can stand for."""
        half = 1 << (64 if self.kind is ValueType.FLOAT else self.length) - 1
        return (0, 2 * half - 1) if self.kind is ValueType.UNSIGNED else (-half, half - 1)

    @property
    def last_byte(self) -> int:
        """Index of the last payload byte that the signal touches: shorter frames do not carry it."""
        if self.order is ByteOrder.INTEL:
            return (self.start + self.length - 1) // 8
        return (8 * (self.start // 8) + 7 - self.start % 8 + self.length - 1) // 8


OPERATORS: Final[tuple[Literal["<", "<=", ">", ">="], ...]] = ("<", "<=", ">", ">=")
"""How a threshold can stand to its numbers."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Threshold:
    """Numbers of a column that stand for a state: ``< 3 V``."""

    operator: Literal["<", "<=", ">", ">="]
    limit: Fraction
    #: Empty for a number without unit.
    unit: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Message:
    """One kind of frame."""

    name: str
    can_id: int
    is_extended: bool = False
    #: Bytes that a complete frame has.
    length: int
    #: Time between frames as the definitions give it, ns; None when they do not.
    cycle_ns: int | None = None
    signals: tuple[Signal, ...] = ()
    comment: str = ""
    senders: tuple[str, ...] = ()
    #: The only channel on which the id means this message; None for any channel.
    channel: str | None = None
    attributes: Mapping[str, str] = field(default_factory=dict)
    #: Whether its identifier and its values follow SAE J1939.
    is_j1939: bool = False
    #: Bits of the identifier that tell the message; J1939 leaves out the priority, and mostly the source address.
    id_mask: int = EVERY_BIT
    source: SourceLocation | None = field(default=None, compare=False, repr=False)

    @property
    def key(self) -> int:
        """The identifier, as far as it tells the message."""
        return self.can_id & self.id_mask

    def signal(self, name: str) -> Signal:
        """Return the signal of that name.

        Raises
        ------
        DefinitionError
            If the message has no signal of that name.
        """
        for signal in self.signals:
            if signal.name == name:
                return signal
        hint = did_you_mean(name, (signal.name for signal in self.signals))
        raise DefinitionError(f"message {self.name} has no signal '{name}'{hint}", self.source)


@dataclass(frozen=True, slots=True, kw_only=True)
class Problem:
    """Something in a definitions file that could not be used, or was used with a doubt."""

    source: SourceLocation
    #: Name of the message or signal, or the offending text.
    subject: str
    reason: str
    #: Whether it is used all the same, and this is only to be known.
    is_note: bool = False

    def __str__(self) -> str:
        return f"{self.source}: {self.subject}: {self.reason}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Definitions:
    """All messages of one or more definitions files."""

    messages: tuple[Message, ...]
    problems: tuple[Problem, ...] = ()
    #: The files, as the user named them.
    paths: tuple[str, ...] = ()

    def __repr__(self) -> str:
        signals = sum(len(it.signals) for it in self.messages)
        return f"<Definitions: {len(self.messages)} messages, {signals} signals, {len(self.problems)} problems>"

    def __iter__(self) -> Iterator[Message]:
        return iter(self.messages)

    def message(self, name: str) -> Message:
        """Return the message of that name.

        Raises
        ------
        DefinitionError
            If there is no message of that name.
        """
        for message in self.messages:
            if message.name == name:
                return message
        hint = did_you_mean(name, (message.name for message in self.messages))
        raise DefinitionError(f"no message '{name}' in {', '.join(self.paths) or 'the definitions'}{hint}")
