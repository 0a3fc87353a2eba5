"""What an expectations file says: roles, conditions and rules, free of how the file was written."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from enum import Enum
from fractions import Fraction
from typing import Any, ClassVar, Final, Literal, TypeAlias

from buslens.definitions.model import Signal, Threshold
from buslens.dialogue.pairs import GivenPair
from buslens.errors import SourceLocation
from buslens.units import NS_PER_MS

Number: TypeAlias = Fraction | float
"""A limit exactly as it was written; a float stands for the shortest decimal that gives it."""


class Timeout(Enum):
    """Where a role's timeout comes from when the file gives no number."""

    #: Three times the cycle time of the definitions, else of the capture.
    FROM_CYCLE = "three times the cycle time"
    #: Silence never makes the role unknown.
    NEVER = "never"


@dataclass(frozen=True, slots=True, kw_only=True)
class AnswerLayout:
    """Where a value stands in an answer, by a message of the definitions."""

    signal: Signal
    #: Bytes of the message. As many as an answer has behind the identifier: it begins there; else with the answer.
    length: int
    #: Signals that select it, each with the raw values for which it is there, as inclusive ranges.
    selectors: tuple[tuple[Signal, tuple[tuple[int, int], ...]], ...] = ()

    def raw(self, identifier: int, body: bytes) -> int | None:
        """Return the raw value; None if the answer does not hold it.

        Parameters
        ----------
        body : bytes
            What stands behind the identifier.
        """
        from buslens.definitions.unpack import raw_of

        data = body if len(body) == self.length else b"\x62" + identifier.to_bytes(2) + body
        for selector, ranges in self.selectors:
            chosen = raw_of(data, selector)
            if chosen is None or not any(low <= chosen <= high for low, high in ranges):
                return None
        return raw_of(data, self.signal)


@dataclass(frozen=True, slots=True, kw_only=True)
class Reply:
    """A value in what a unit answers when a data identifier is read."""

    name: str
    #: Who asks and who answers, on any channel.
    pair: GivenPair
    identifier: int
    #: First byte behind the identifier, from 0, and how many; the most significant comes first.
    byte: int = 0
    n_bytes: int = 1
    #: Lowest bit in these bytes, and how many.
    bit: int = 0
    n_bits: int = 8
    is_signed: bool = False
    #: value = factor * bits + offset.
    factor: Fraction = Fraction(1)
    offset: Fraction = Fraction(0)
    #: Whether nothing but identifiers was said, so that a message of the definitions may say the rest.
    is_bare: bool = False
    #: What that message says.
    layout: AnswerLayout | None = None

    @property
    def places(self) -> int:
        """Decimals with which every value can be written exactly."""
        places = 0
        while (self.factor * 10**places).denominator > 1 or (self.offset * 10**places).denominator > 1:
            places += 1
        return places

    @property
    def most_digits(self) -> int:
        """What no value exceeds as a whole number of its last decimal."""
        most = abs(self.factor) * (1 << self.n_bits) + abs(self.offset)
        return int(most * 10**self.places) + 1

    def digits(self, body: bytes) -> int | None:
        """Return the value as a whole number of its last decimal; None if the bytes behind the identifier end before.

        Parameters
        ----------
        body : bytes
            What stands behind the identifier.

        >>> Reply(name="supply", pair=None, identifier=0xD010, factor=Fraction("0.1")).digits(b"y")
        121
        """
        if self.layout is not None:
            raw = self.layout.raw(self.identifier, body)
            return None if raw is None else int((raw * self.factor + self.offset) * 10**self.places)
        part = body[self.byte : self.byte + self.n_bytes]
        if len(part) < self.n_bytes:
            return None
        raw = int.from_bytes(part) >> self.bit & (1 << self.n_bits) - 1
        if self.is_signed and raw >> self.n_bits - 1:
            raw -= 1 << self.n_bits
        return int((raw * self.factor + self.offset) * 10**self.places)


@dataclass(frozen=True, slots=True, kw_only=True)
class Role:
    """What one signal, one column of a table of values, or one value in answers means to the handshake."""

    name: str
    #: Empty for a role that no signal shows.
    message: str = ""
    signal: str = ""
    #: Column of a table of values, by its header or its number from 1; None if none shows it.
    column: str | int | None = None
    #: Value in what is answered to a tester; None if none shows it.
    reply: Reply | None = None
    #: Own state name -> labels or raw values of the definitions, texts of the column, numbers of the reply; empty for
    #: a number.
    states: Mapping[str, tuple[str | int, ...]] = field(default_factory=dict)
    #: Own state name -> numbers of the column or reply; between them the state before goes on.
    thresholds: Mapping[str, tuple[Threshold, ...]] = field(default_factory=dict)
    #: Shortest time that any of its states lasts, ns; None: not said.
    holds_ns: int | None = None
    #: Unit of a number; empty for states.
    unit: str = ""
    #: Silence after which the role is unknown, ns.
    timeout: int | Timeout = Timeout.FROM_CYCLE
    #: For a unit that sends as soon as the state changes: a change is at most this much older than the frame
    #: that shows it, ns; None for a unit that sends by the clock.
    lag_ns: int | None = None
    #: Whether it sends only then, so that silence says that nothing changed.
    is_event: bool = False
    #: Whether it sends with no other change either, so that the first frame shows one, too.
    is_own_event: bool = False
    #: The only channel, and the only J1939 source address, that it is read from; None for any.
    channel: str | None = None
    address: int | None = None
    #: What people read instead of the name; empty: the name.
    label: str = ""
    source: SourceLocation | None = field(default=None, compare=False, repr=False)
    #: Places of "message", "signal", "unit", "channel", "source" and of each label: "states.NAME.INDEX"; empty if
    #: from no file.
    places: Mapping[str, SourceLocation] = field(default_factory=dict, compare=False, repr=False)

    @property
    def shown_name(self) -> str:
        """What people read: the label, or the name with blanks."""
        return self.label or self.name.replace("_", " ")

    @property
    def is_number(self) -> bool:
        """Whether the role is a physical value, not one of a few states."""
        return not self.states


# --- conditions: what may hold for a while -------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Is:
    """``ROLE is STATE``."""

    role: str
    state: str


@dataclass(frozen=True, slots=True, kw_only=True)
class IsUnknown:
    """``ROLE is unknown``: itself unknown only where the log is no evidence of what was sent."""

    role: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Compare:
    """``ROLE < VALUE`` and its like; the value is in the role's unit."""

    role: str
    operator: Literal["<", "<=", ">", ">="]
    value: Number


@dataclass(frozen=True, slots=True, kw_only=True)
class Between:
    """``ROLE between LOW and HIGH``, both ends included, in the role's unit."""

    role: str
    low: Number
    high: Number


@dataclass(frozen=True, slots=True, kw_only=True)
class And:
    """All parts hold."""

    parts: tuple[Condition, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Or:
    """At least one part holds."""

    parts: tuple[Condition, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Not:
    """The part does not hold."""

    part: Condition


@dataclass(frozen=True, slots=True, kw_only=True)
class HeldFor:
    """``... for 50 ms``: the part has held without a break for that long."""

    part: Condition
    duration_ns: int


Condition: TypeAlias = Is | IsUnknown | Compare | Between | And | Or | Not | HeldFor


# --- moments: what happens at an instant ----------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Becomes:
    """``ROLE becomes STATE``: the edge from another known state."""

    role: str
    state: str


@dataclass(frozen=True, slots=True, kw_only=True)
class GuardedEdge:
    """One way in which a trigger comes about."""

    #: An edge; a condition stands for the moment at which it begins to hold.
    edge: Becomes | Condition
    #: What must hold at that moment too (``A becomes x and B is y``); None for nothing.
    while_: Condition | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Trigger:
    """Something that happens at an instant, in any of several ways (``... or ...``)."""

    moments: tuple[GuardedEdge, ...]
    #: As the user wrote it.
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class WrittenCondition:
    """A condition together with the words in which the user put it."""

    condition: Condition
    #: As the user wrote it.
    text: str


# --- rules ----------------------------------------------------------------------------------------------

ANSWER_EXPIRY_FACTOR: Final = 3
"""Times ``within`` after which a change no longer counts as the awaited one that came late."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """What every kind of rule has."""

    name: str
    #: Where the limits come from, as the user says; printed with the findings.
    basis: str = ""
    #: Value of an outcome -> the sentence that people read; see `buslens.checks.custom_sentences`.
    says: Mapping[str, str] = field(default_factory=dict, hash=False)
    source: SourceLocation | None = field(default=None, compare=False, repr=False)
    #: Places of the values, by key; empty if from no file.
    places: Mapping[str, SourceLocation] = field(default_factory=dict, compare=False, repr=False)

    #: What the file calls the kind.
    KIND: ClassVar[str] = ""

    @property
    def triggers(self) -> tuple[Trigger, ...]:
        """Moments that the rule speaks of, what starts it first: those among its values."""
        return tuple(value for value in self._values().values() if isinstance(value, Trigger))

    @property
    def conditions(self) -> tuple[WrittenCondition, ...]:
        """Conditions that the rule speaks of: those among its values."""
        return tuple(value for value in self._values().values() if isinstance(value, WrittenCondition))

    @property
    def numbers(self) -> tuple[str, ...]:
        """Roles that the rule names by themselves, for their values."""
        return ()

    @property
    def subject(self) -> tuple[Trigger | WrittenCondition, ...]:
        """What the rule is about; what only says when it is checked is omitted."""
        return (*self.triggers, *self.conditions)

    @property
    def starts(self) -> tuple[Trigger, ...]:
        """Moments at which the rule begins or ends to ask for something."""
        return ()

    @property
    def reach_ns(self) -> int:
        """How far back a finding can rest on something, ns, beside what conditions ask: its longest time."""
        return max((value or 0 for name, value in self._values().items() if name.endswith("_ns")), default=0)

    @property
    def needs_time(self) -> bool:
        """Whether the order of frames is not enough to check the rule."""
        return True

    def _values(self) -> dict[str, Any]:
        return {it.name: getattr(self, it.name) for it in fields(self)}


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One awaited change of a sequence."""

    name: str
    await_: Trigger
    #: Least and greatest delay after the step it follows, ns, both included; None for no limit.
    after_ns: int | None = None
    within_ns: int
    #: A delay that is surely greater is late, though it may lie within `within_ns`; ns, None for no such limit.
    late_over_ns: int | None = None
    #: Name of the step whose moment the clock counts from; None for the step before, or the start.
    from_: str | None = None
    #: Whether it may stay out: it only is what later steps count from.
    optional: bool = False

    @property
    def surely_late_ns(self) -> int:
        """A delay that is surely greater is late, ns."""
        return self.within_ns if self.late_over_ns is None else self.late_over_ns


@dataclass(frozen=True, slots=True, kw_only=True)
class Sequence(Rule):
    """Steps that must follow a start in order and in time."""

    start: Trigger
    #: Checked just before the start; None for always.
    given: WrittenCondition | None = None
    #: Ends a running handshake without blame.
    abandon: Trigger | None = None
    #: How often the first step may come before the second, and how long after one of them the next, ns.
    tries: int = 1
    #: Of those, how many are no reason for doubt; None for all.
    usual_tries: int | None = None
    again_within_ns: int | None = None
    steps: tuple[Step, ...]

    KIND: ClassVar[str] = "sequence"

    @property
    def triggers(self) -> tuple[Trigger, ...]:
        """Start, steps and what ends it."""
        return (self.start, *(step.await_ for step in self.steps), *self.starts[1:])

    @property
    def subject(self) -> tuple[Trigger | WrittenCondition, ...]:
        """What the steps await."""
        return tuple(step.await_ for step in self.steps)

    @property
    def starts(self) -> tuple[Trigger, ...]:
        """Start, and what ends it."""
        return (self.start,) if self.abandon is None else (self.start, self.abandon)

    @property
    def again_ns(self) -> int:
        """How long after a try the next may come, ns."""
        if self.again_within_ns is not None:
            return self.again_within_ns
        return ANSWER_EXPIRY_FACTOR * self.steps[min(1, len(self.steps) - 1)].within_ns

    @property
    def reach_ns(self) -> int:
        """Every try as long as an answer is waited for, or another try."""
        answer_ns = ANSWER_EXPIRY_FACTOR * sum(step.within_ns for step in self.steps)
        return (self.tries + 1) * max(answer_ns, self.again_ns)


@dataclass(frozen=True, slots=True, kw_only=True)
class Pulse(Rule):
    """How long a condition holds each time that it does."""

    of: WrittenCondition
    #: Both included, ns; None for no limit.
    least_ns: int | None = None
    most_ns: int | None = None
    #: What is not as before behind each pulse that did its work; None if the limits are for all pulses.
    moves: WrittenCondition | None = None

    KIND: ClassVar[str] = "pulse"

    @property
    def subject(self) -> tuple[WrittenCondition, ...]:
        """What holds during a pulse."""
        return (self.of,)

    @property
    def unanswered_ns(self) -> int:
        """A pulse that moved nothing is too long all the same if it is longer, ns."""
        return ANSWER_EXPIRY_FACTOR * max(self.most_ns or 0, self.least_ns or 0)

    @property
    def reach_ns(self) -> int:
        """How far back a finding can rest on something, ns: the longest pulse, and the wait for what it moves."""
        return max(self.most_ns or 0, self.least_ns or 0) if self.moves is None else self.unanswered_ns


@dataclass(frozen=True, slots=True, kw_only=True)
class Never(Rule):
    """A condition that must not hold, or not for long."""

    when: WrittenCondition
    #: Tolerated, ns, this length included; None: not even in one frame.
    longer_than_ns: int | None = None

    KIND: ClassVar[str] = "never"

    @property
    def needs_time(self) -> bool:
        """Whether it is tolerated for some time."""
        return self.longer_than_ns is not None


@dataclass(frozen=True, slots=True, kw_only=True)
class Agree(Rule):
    """Two conditions that must say the same, save while they settle."""

    first: WrittenCondition
    second: WrittenCondition
    settle_ns: int
    #: How long `first` changes before `second` on average; standard deviations of one change, and of this average.
    lead_ns: int | None = None
    lead_spread_ns: int = NS_PER_MS
    lead_doubt_ns: int = 0

    KIND: ClassVar[str] = "agree"


@dataclass(frozen=True, slots=True, kw_only=True)
class Alive(Rule):
    """A message that must keep coming."""

    message: str
    #: Time between frames, ns; None: as the definitions say, else as the capture shows.
    cycle_ns: int | None = None
    #: Longest silence, ns, this length included; None: three times the cycle.
    timeout_ns: int | None = None
    #: The only channel, and the only J1939 source address, on which it is looked for; None for any.
    channel: str | None = None
    address: int | None = None

    KIND: ClassVar[str] = "alive"

    @property
    def reach_ns(self) -> int:
        """The longest silence."""
        return self.timeout_ns or 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Range(Rule):
    """A number that must keep within limits."""

    #: Role.
    of: str
    #: Both included, in the role's unit; None for no limit.
    least: Number | None = None
    most: Number | None = None
    #: Checked only while this holds; None for always.
    while_: WrittenCondition | None = None
    #: Excursions up to this long are tolerated, ns; None: none.
    longer_than_ns: int | None = None

    KIND: ClassVar[str] = "range"

    @property
    def numbers(self) -> tuple[str, ...]:
        """The role that must keep within limits."""
        return (self.of,)

    @property
    def subject(self) -> tuple[Trigger | WrittenCondition, ...]:
        """Its number alone."""
        return ()

    @property
    def needs_time(self) -> bool:
        """Whether an excursion is tolerated for some time."""
        return self.longer_than_ns is not None


@dataclass(frozen=True, slots=True, kw_only=True)
class Precedes(Rule):
    """Something that must have happened, not long ago, whenever something else does."""

    first: Trigger
    then: Trigger
    within_ns: int

    KIND: ClassVar[str] = "precedes"

    @property
    def subject(self) -> tuple[Trigger | WrittenCondition, ...]:
        """What may come only then."""
        return (self.then,)

    @property
    def starts(self) -> tuple[Trigger, ...]:
        """What may come only then."""
        return (self.then,)


AnyRule: TypeAlias = Sequence | Pulse | Never | Agree | Alive | Range | Precedes

RULE_KINDS: Final = {kind.KIND: kind for kind in (Sequence, Pulse, Never, Agree, Alive, Range, Precedes)}
"""The record of each kind of rule, by what the file calls it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DefinitionsFile:
    """A definitions file that an expectations file names."""

    #: Resolved beside the expectations file.
    path: str
    channel: str | None = None
    source: SourceLocation | None = field(default=None, compare=False, repr=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class Align:
    """How the clocks of several recordings are brought together."""

    #: Moments that are the same event: one that two recordings show, or one of each of them.
    same: tuple[tuple[Trigger, ...], ...] = ()
    #: Between the two for another reason, ns, at most.
    apart_ns: int = 0
    #: What has to be added to the times of the other recording, ns; None: not said.
    offset_ns: int | None = None
    #: How wrong that, or a time of day, may be, ns; None: not said.
    doubt_ns: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Expectations:
    """One expectations file."""

    path: str
    definitions: tuple[DefinitionsFile, ...] = ()
    roles: Mapping[str, Role]
    rules: tuple[AnyRule, ...]
    #: Whether a capture has to show a sequence that was carried through before it can be as expected.
    handshake: bool = True
    #: What is missing from the file, as its author says; while there is anything, no capture is as expected.
    to_decide: tuple[str, ...] = ()
    #: Whether the bus may sleep, so that a stretch in which nothing was recorded leaves everything as it was.
    sleeps: bool = False
    #: How recordings beside the capture are aligned; None: not said.
    align: Align | None = None
    #: How long before the time of its row a value of a table was read at most, ns; None: as long as a row lasts.
    read_before_ns: int | None = None

    def __repr__(self) -> str:
        return f"<Expectations of {self.path}: {len(self.roles)} roles, {len(self.rules)} rules>"

    def rule(self, name: str) -> AnyRule | None:
        """Return the rule of a name; None if there is none."""
        return next((rule for rule in self.rules if rule.name == name), None)

    def shown_name(self, role: str) -> str:
        """Return what people read instead of the name of a role."""
        return self.roles[role].shown_name if role in self.roles else role.replace("_", " ")
