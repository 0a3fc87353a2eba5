"""All keys of an expectations file, in one table: it is what a file is read by, and what the reference prints.

The one place to add a key; its value goes into the field of the record in `model` that `KeySpec.field` names.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from keyword import iskeyword
from typing import TYPE_CHECKING, Final, NamedTuple

from buslens.expectations.model import RULE_KINDS

if TYPE_CHECKING:
    from collections.abc import Mapping


class Type(Enum):
    """What a value must be; the text completes "must be ..."."""

    TEXT = "a text"
    VERSION = "the number 1"
    FLAG = "true or false"
    COUNT = "a whole number, 1 or more"
    DURATION = "a duration"
    LENGTH = "a duration above 0"
    TIMEOUT = 'a duration above 0, or "never"'
    QUANTITY = "a number with the role's unit, as a text (a role without a unit: a number)"
    CONDITION = "a condition"
    TRIGGER = "a moment"
    NUMBER_ROLE = "the name of a role that has a unit"
    ADDRESS = "a whole number from 0 to 255, such as 49 or 0x31"
    IDENTIFIER = "a whole number from 0 to 65535, such as 0xD010"
    WHOLE = "a whole number, 0 or more"
    NUMBER = "a number"
    PAIR = "who asks and who answers, as a text"
    SIGNAL = "a text MESSAGE.SIGNAL"
    UNIT = "a unit without spaces"
    STATES = "a table of state name = label, raw value or a list of them"
    ALIGN = "a table"
    SAME = "one or two moments, or a list of such pairs"
    SIGNED_DURATION = "a duration, perhaps with a minus"
    COLUMN = "the header of a column, or its number from 1"
    CHOICE = "one of a few words"
    DEFINITIONS = "a list of file names, or of { file, channel } tables"
    TABLE = "a table of tables, one for each name"
    TABLES = "a list of tables"
    NAMES = "a list of texts"
    WORDS = "a table of text = text"


@dataclass(frozen=True, slots=True, kw_only=True)
class KeySpec:
    """One key of a table."""

    name: str
    type: Type
    #: What it says, for the reference.
    meaning: str
    #: As a user would write it.
    example: str
    required: bool = False
    #: What holds when it is left away, for the reference.
    default: str = ""
    #: All words that a `Type.CHOICE` can be.
    choices: tuple[str, ...] = ()

    @property
    def field(self) -> str:
        """Name of the value in the record of a rule or step."""
        if self.type is Type.ADDRESS:
            return "address"
        if self.type in {Type.DURATION, Type.LENGTH}:
            return f"{self.name}_ns"
        return f"{self.name}_" if iskeyword(self.name) else self.name


class KeyRow(NamedTuple):
    """One line of the reference of the file's keys."""

    table: str
    key: str
    type: str
    required: bool
    default: str
    meaning: str
    example: str


OUTCOMES: Final = ("met", "early", "late", "missing", "out_of_order", "violated", "undecided")
"""What `says` can have a sentence for."""
SLOTS: Final = ("sentence", "measured", "limit", "step", "handshake")
"""What a sentence of `says` can name."""

FORMAT: Final = 1
"""The version of the file format that this version reads."""

_FILE: Final = (
    KeySpec(name="format", type=Type.VERSION, required=True, example="1", meaning="version of the file format"),
    KeySpec(
        name="definitions",
        type=Type.DEFINITIONS,
        example='["pinewick.dbc", { file = "body.dbc", channel = "can1" }]',
        default="given on the command line",
        meaning="DBC files (LDF for LIN), found beside this file; one with a channel holds for that channel only",
    ),
    KeySpec(
        name="handshake",
        type=Type.FLAG,
        example="false",
        default="true",
        meaning="whether a capture has to show a complete handshake to be as expected; false where no lock is checked",
    ),
    KeySpec(
        name="to_decide",
        type=Type.NAMES,
        example='["door_open: which of two signals it is"]',
        default="nothing",
        meaning="what is missing from this file; while anything stands here, no capture is as expected",
    ),
    KeySpec(
        name="align",
        type=Type.ALIGN,
        example='{ same = ["lock_enable becomes on", "enable_at_lock becomes on"] }',
        default="by the time of day, where both recordings have it",
        meaning="how the clocks of recordings beside the capture are brought together",
    ),
    KeySpec(
        name="reply",
        type=Type.TABLE,
        example="[reply.supply]",
        default="none",
        meaning="values in what a unit answers to a tester, each under a name you choose",
    ),
    KeySpec(
        name="roles",
        type=Type.TABLE,
        example="[roles.door_open]",
        default="none",
        meaning="what signals mean to the handshake, each under a name you choose",
    ),
    KeySpec(
        name="rules",
        type=Type.TABLES,
        example="[[rules]]",
        default="none",
        meaning="the rules of a healthy vehicle",
    ),
)

_DEFINITION: Final = (
    KeySpec(name="file", type=Type.TEXT, required=True, example='"body.dbc"', meaning="DBC file, beside this file"),
    KeySpec(
        name="channel",
        type=Type.TEXT,
        example='"can1"',
        default="every channel",
        meaning="the only channel on which it holds, as the log calls it",
    ),
)

_ALIGN: Final = (
    KeySpec(
        name="same",
        type=Type.SAME,
        example='["lock_enable becomes on", "enable_at_lock becomes on"]',
        default="no shared event",
        meaning="moments that are one event: one that both recordings show, or one of each",
    ),
    KeySpec(
        name="apart",
        type=Type.DURATION,
        example='"10 ms"',
        default="nothing",
        meaning="how far the two can lie apart for another reason, such as a filter",
    ),
    KeySpec(
        name="offset",
        type=Type.SIGNED_DURATION,
        example='"1.5 s"',
        default="found",
        meaning="what is to be added to the times of the recording beside",
    ),
    KeySpec(
        name="doubt",
        type=Type.DURATION,
        example='"20 ms"',
        default="nothing for an offset, 1 s for times of day",
        meaning="how wrong the offset, or a time of day, may be",
    ),
)

_REPLY: Final = (
    KeySpec(
        name="ids",
        type=Type.PAIR,
        required=True,
        example='"7A0:7A8"',
        meaning="who asks and who answers, in hexadecimal, as `buslens dialogue` shows and takes them",
    ),
    KeySpec(
        name="identifier",
        type=Type.IDENTIFIER,
        required=True,
        example="0xD010",
        meaning="data identifier that is read (service 22 of ISO 14229)",
    ),
    KeySpec(
        name="byte",
        type=Type.WHOLE,
        example="1",
        default="0",
        meaning="first byte of the value, counted from 0 behind the identifier",
    ),
    KeySpec(
        name="bytes",
        type=Type.COUNT,
        example="2",
        default="1",
        meaning="bytes of the value, 4 at most; the most significant one comes first",
    ),
    KeySpec(
        name="bit",
        type=Type.WHOLE,
        example="6",
        default="0",
        meaning="lowest bit of the value in these bytes; 0 is the least significant",
    ),
    KeySpec(name="bits", type=Type.COUNT, example="2", default="all from `bit` on", meaning="bits of the value"),
    KeySpec(
        name="signed",
        type=Type.FLAG,
        example="true",
        default="false",
        meaning="whether the highest bit is the sign (two's complement)",
    ),
    KeySpec(
        name="factor",
        type=Type.NUMBER,
        example="0.1",
        default="1",
        meaning="value = factor * bits + offset, in the unit of the role",
    ),
    KeySpec(name="offset", type=Type.NUMBER, example="-40", default="0", meaning="see `factor`"),
)

_ROLE: Final = (
    KeySpec(
        name="signal",
        type=Type.SIGNAL,
        example='"BODY_DOORS.DRIVER_DOOR"',
        default="only a column shows it",
        meaning="message and signal of the definitions, for bus logs",
    ),
    KeySpec(
        name="column",
        type=Type.COLUMN,
        example='"Driver door"',
        default="only a signal shows it",
        meaning="column of a table of values, by its header with or without the unit, or by its number from 1",
    ),
    KeySpec(
        name="reply",
        type=Type.TEXT,
        example='"supply"',
        default="no answer shows it",
        meaning="value under `[reply]` that it is read from: what a tester asks while the bus is recorded; instead of a"
        " signal",
    ),
    KeySpec(
        name="states",
        type=Type.STATES,
        example='{ off = ["off", "accessory"], on = ["run", 3] }',
        default="the role is a number",
        meaning="state names you choose, each for labels or raw values of the definitions; others are unknown; of a"
        ' column each for its texts, or for numbers such as "< 3 V", between which the state before goes on; of a reply'
        " for numbers in both ways",
    ),
    KeySpec(
        name="unit",
        type=Type.UNIT,
        example='"V"',
        default="the role has states",
        meaning='makes the role a number, in the unit of the definitions; "" for a number without unit',
    ),
    KeySpec(
        name="timeout",
        type=Type.TIMEOUT,
        example='"300 ms"',
        default="3 times the message's cycle time, of the definitions, else of the capture",
        meaning='silence after which the role is unknown; "never" if it stays known',
    ),
    KeySpec(
        name="holds",
        type=Type.LENGTH,
        example='"200 ms"',
        default="the 'least' of a pulse rule on the state; of a column or a reply at least 20 ms",
        meaning="shortest time that any state of it lasts: what no frame and no sample shows did not happen where they"
        " are closer, and may have happened where they are not",
    ),
    KeySpec(
        name="sent",
        type=Type.CHOICE,
        choices=("cyclic", "on change"),
        example='"on change"',
        default='"cyclic"',
        meaning="whether the unit also sends as soon as the signal changes, which makes delays sharper where that frame"
        " is in the log: one that comes on the beat of the cyclic ones tells of a change no more than they do",
    ),
    KeySpec(
        name="lag",
        type=Type.DURATION,
        example='"10 ms"',
        default='none; needed with sent = "on change"',
        meaning="how much older than its frame a change can be",
    ),
    KeySpec(
        name="channel",
        type=Type.TEXT,
        example='"can0"',
        default="every channel",
        meaning="the only channel on which it is read, as the log or the definitions call it",
    ),
    KeySpec(
        name="source",
        type=Type.ADDRESS,
        example="0x31",
        default="every source",
        meaning="the only J1939 source address from which it is read",
    ),
    KeySpec(
        name="label",
        type=Type.TEXT,
        example='"feedback wire of the lock"',
        default="the name, with blanks",
        meaning="what people read instead of the name, in sentences and beside lanes",
    ),
)

_RULE: Final = (
    KeySpec(
        name="name",
        type=Type.TEXT,
        required=True,
        example='"lock handshake"',
        meaning="name of the rule, once in the file",
    ),
    KeySpec(
        name="kind",
        type=Type.CHOICE,
        choices=tuple(RULE_KINDS),
        required=True,
        example='"sequence"',
        meaning="what the rule asks for",
    ),
    KeySpec(
        name="basis",
        type=Type.TEXT,
        example='"measured from 40 good captures"',
        default="nothing",
        meaning="where the limits come from; printed with the findings",
    ),
    KeySpec(
        name="says",
        type=Type.WORDS,
        example='{ late = "{step} late: {measured}, allowed {limit}" }',
        default="a sentence of buslens",
        meaning="for an outcome the sentence that people read; slots: {sentence} (that of buslens), {measured},"
        " {limit}, {step}, {handshake}",
    ),
)

_STEP: Final = (
    KeySpec(
        name="name",
        type=Type.TEXT,
        required=True,
        example='"wire feedback"',
        meaning="name of the step, once in the rule",
    ),
    KeySpec(
        name="await",
        type=Type.TRIGGER,
        required=True,
        example='"unlock_feedback becomes locked"',
        meaning="what must happen",
    ),
    KeySpec(
        name="after",
        type=Type.DURATION,
        example='"50 ms"',
        default="no least delay, and changes in one frame count as in order",
        meaning="least delay",
    ),
    KeySpec(name="within", type=Type.LENGTH, required=True, example='"600 ms"', meaning="greatest delay"),
    KeySpec(
        name="late_over",
        type=Type.LENGTH,
        example='"400 ms"',
        default="the same as `within`",
        meaning="a delay that is surely greater is late, though frames far apart leave room for it in `within`",
    ),
    KeySpec(
        name="from",
        type=Type.TEXT,
        example='"enable on"',
        default="the step before; for the first step the start",
        meaning="name of an earlier step from which the delay counts",
    ),
)

_SEQUENCE: Final = (
    KeySpec(
        name="start",
        type=Type.TRIGGER,
        required=True,
        example='"door_open becomes open"',
        meaning="what starts a handshake",
    ),
    KeySpec(
        name="given",
        type=Type.CONDITION,
        example='"ignition is off"',
        default="always",
        meaning="what must hold just before the start, or there is no handshake",
    ),
    KeySpec(
        name="abandon",
        type=Type.TRIGGER,
        example='"door_open becomes closed"',
        default="never",
        meaning="what ends a running handshake without blame",
    ),
    KeySpec(
        name="tries",
        type=Type.COUNT,
        example="2",
        default="1",
        meaning="how often the first step may come before the second",
    ),
    KeySpec(
        name="steps",
        type=Type.TABLES,
        required=True,
        example='[{ name = "enable on", await = "lock_enable becomes on", within = "400 ms" }]',
        meaning="what must follow, in this order",
    ),
)

_PULSE: Final = (
    KeySpec(
        name="of",
        type=Type.CONDITION,
        required=True,
        example='"lock_enable is on"',
        meaning="what holds during a pulse",
    ),
    KeySpec(name="least", type=Type.DURATION, example='"150 ms"', default="no limit", meaning="shortest pulse"),
    KeySpec(name="most", type=Type.LENGTH, example='"700 ms"', default="no limit", meaning="longest pulse"),
)

_NEVER: Final = (
    KeySpec(
        name="when",
        type=Type.CONDITION,
        required=True,
        example='"ignition is on and unlock_feedback is locked"',
        meaning="what must not hold",
    ),
    KeySpec(
        name="longer_than",
        type=Type.DURATION,
        example='"50 ms"',
        default="not even in one frame",
        meaning="how long it is tolerated",
    ),
)

_AGREE: Final = (
    KeySpec(
        name="first",
        type=Type.CONDITION,
        required=True,
        example='"unlock_feedback is locked"',
        meaning="one of two conditions that must hold together and end together",
    ),
    KeySpec(
        name="second",
        type=Type.CONDITION,
        required=True,
        example='"data_feedback is locked"',
        meaning="the other one",
    ),
    KeySpec(
        name="settle",
        type=Type.DURATION,
        required=True,
        example='"350 ms"',
        meaning="how long they may differ while one follows the other",
    ),
)

_ALIVE: Final = (
    KeySpec(
        name="message",
        type=Type.TEXT,
        required=True,
        example='"COLUMN_STATE"',
        meaning="message of the definitions that must keep coming",
    ),
    KeySpec(
        name="cycle",
        type=Type.LENGTH,
        example='"25 ms"',
        default="as the definitions say, else as the capture shows",
        meaning="time between its frames",
    ),
    KeySpec(
        name="timeout",
        type=Type.LENGTH,
        example='"75 ms"',
        default="3 times the cycle",
        meaning="longest silence",
    ),
    KeySpec(
        name="channel",
        type=Type.TEXT,
        example='"can0"',
        default="every channel",
        meaning="the only channel on which it is looked for, as the log or the definitions call it",
    ),
    KeySpec(
        name="source",
        type=Type.ADDRESS,
        example="0x31",
        default="every source",
        meaning="the only J1939 source address from which it is read",
    ),
)

_RANGE: Final = (
    KeySpec(
        name="of",
        type=Type.NUMBER_ROLE,
        required=True,
        example='"supply_voltage"',
        meaning="role that must keep within limits",
    ),
    KeySpec(name="least", type=Type.QUANTITY, example='"9.5 V"', default="no limit", meaning="lowest value"),
    KeySpec(name="most", type=Type.QUANTITY, example='"16 V"', default="no limit", meaning="highest value"),
    KeySpec(
        name="while",
        type=Type.CONDITION,
        example='"lock_enable is on"',
        default="always",
        meaning="checked only while this holds",
    ),
    KeySpec(
        name="longer_than",
        type=Type.DURATION,
        example='"50 ms"',
        default="not even in one frame",
        meaning="how long a value beyond a limit is tolerated",
    ),
)

_PRECEDES: Final = (
    KeySpec(
        name="first",
        type=Type.TRIGGER,
        required=True,
        example='"unlock_feedback becomes unlocked"',
        meaning="what must have happened before",
    ),
    KeySpec(
        name="then",
        type=Type.TRIGGER,
        required=True,
        example='"ignition becomes on"',
        meaning="what may happen only then",
    ),
    KeySpec(
        name="within",
        type=Type.LENGTH,
        required=True,
        example='"2 s"',
        meaning="how long before it may have happened",
    ),
)


def _table(*keys: KeySpec) -> Mapping[str, KeySpec]:
    return {key.name: key for key in keys}


FILE: Final = _table(*_FILE)
"""Keys of the file itself."""
DEFINITION: Final = _table(*_DEFINITION)
"""Keys of an entry of ``definitions`` that is a table."""
ALIGN: Final = _table(*_ALIGN)
"""Keys of ``align``."""
REPLY: Final = _table(*_REPLY)
"""Keys of a value in answers."""
ROLE: Final = _table(*_ROLE)
"""Keys of a role."""
RULE: Final = _table(*_RULE)
"""Keys that every rule has."""
STEP: Final = _table(*_STEP)
"""Keys of a step of a sequence."""
KINDS: Final[Mapping[str, Mapping[str, KeySpec]]] = {
    "sequence": _table(*_RULE, *_SEQUENCE),
    "pulse": _table(*_RULE, *_PULSE),
    "never": _table(*_RULE, *_NEVER),
    "agree": _table(*_RULE, *_AGREE),
    "alive": _table(*_RULE, *_ALIVE),
    "range": _table(*_RULE, *_RANGE),
    "precedes": _table(*_RULE, *_PRECEDES),
}
"""Keys of each kind of rule, those that every rule has among them."""


def describe() -> tuple[KeyRow, ...]:
    """Return the reference of the file: every key of every table, in the order in which to explain them.

    >>> describe()[0].key, describe()[0].meaning
    ('format', 'version of the file format')
    """
    tables: list[tuple[str, Mapping[str, KeySpec]]] = [
        ("file", FILE),
        ("definitions", DEFINITION),
        ("align", ALIGN),
        ("reply.NAME", REPLY),
        ("roles.NAME", ROLE),
        ("rules", RULE),
    ]
    for kind, keys in KINDS.items():
        tables.append((f"rules, {kind}", {name: key for name, key in keys.items() if name not in RULE}))
        if kind == "sequence":
            tables.append(("rules, sequence, steps", STEP))
    return tuple(
        KeyRow(
            table=table,
            key=key.name,
            type=" or ".join(f'"{choice}"' for choice in key.choices) or key.type.value,
            required=key.required,
            default=key.default,
            meaning=key.meaning,
            example=key.example,
        )
        for table, keys in tables
        for key in keys.values()
    )
