"""All keys of an expectations file, in one table: it is what a file is read by, and what its reference is printed from.

The one place to add a key; its value goes into the field of the record in `model` that `KeySpec.field` names.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from keyword import iskeyword
from typing import TYPE_CHECKING, Final

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


@dataclass(frozen=True, slots=True)
class KeySpec:
    """One key of a table."""

    name: str
    type: Type
    #: What it says, for the reference.
    meaning: str
    #: As a user would write it.
    example: str
    #: What holds when it is left away, for the reference; None: it is required.
    default: str | None = None
    #: All words that a `Type.CHOICE` can be.
    choices: tuple[str, ...] = ()

    @property
    def required(self) -> bool:
        """Whether a table without it is refused."""
        return self.default is None

    @property
    def field(self) -> str:
        """Name of the value in the record of a rule or step."""
        if self.type is Type.ADDRESS:
            return "address"
        if self.type in {Type.DURATION, Type.LENGTH}:
            return f"{self.name}_ns"
        return f"{self.name}_" if iskeyword(self.name) else self.name


def table_of(*keys: KeySpec) -> Mapping[str, KeySpec]:
    """Return keys by name."""
    return {key.name: key for key in keys}


OUTCOMES: Final = ("met", "early", "late", "missing", "out_of_order", "violated", "undecided")
"""What `says` can have a sentence for."""
SLOTS: Final = ("sentence", "measured", "limit", "step", "handshake")
"""What a sentence of `says` can name."""

FORMAT: Final = 1
"""The version of the file format that this version reads."""

FILE: Final = table_of(
    KeySpec("format", Type.VERSION, "version of the file format", "1"),
    KeySpec(
        "definitions",
        Type.DEFINITIONS,
        "DBC files (LDF for LIN), found beside this file; one with a channel holds for that channel only",
        '["pinewick.dbc", { file = "body.dbc", channel = "can1" }]',
        default="given on the command line",
    ),
    KeySpec(
        "handshake",
        Type.FLAG,
        "whether a capture has to show a complete handshake to be as expected; false where no lock is checked",
        "false",
        default="true",
    ),
    KeySpec(
        "to_decide",
        Type.NAMES,
        "what is missing from this file; while anything stands here, no capture is as expected",
        '["door_open: which of two signals it is"]',
        default="nothing",
    ),
    KeySpec(
        "sleeps",
        Type.FLAG,
        "whether the bus may sleep: a stretch in which nothing at all was recorded leaves each role as it was, and no"
        " message is missed in it; else nobody knows what happened there",
        "true",
        default="false",
    ),
    KeySpec(
        "align",
        Type.ALIGN,
        "how the clocks of recordings beside the capture are brought together",
        '{ same = ["lock_enable becomes on", "enable_at_lock becomes on"] }',
        default="by the time of day, where both recordings have it",
    ),
    KeySpec(
        "read_before",
        Type.DURATION,
        "how long before the time of its row a value of a table was read at most",
        '"10 ms"',
        default="the time between two rows, where it is 20 ms or more; else nothing",
    ),
    KeySpec(
        "reply",
        Type.TABLE,
        "values in what a unit answers to a tester, each under a name you choose",
        "[reply.supply]",
        default="none",
    ),
    KeySpec(
        "roles",
        Type.TABLE,
        "what signals mean to the handshake, each under a name you choose",
        "[roles.door_open]",
        default="none",
    ),
    KeySpec("rules", Type.TABLES, "the rules of a healthy vehicle", "[[rules]]", default="none"),
)
"""Keys of the file itself."""

DEFINITION: Final = table_of(
    KeySpec("file", Type.TEXT, "DBC file, beside this file", '"body.dbc"'),
    KeySpec(
        "channel",
        Type.TEXT,
        "the only channel on which it holds, as the log calls it",
        '"can1"',
        default="every channel",
    ),
)
"""Keys of an entry of ``definitions`` that is a table."""

ALIGN: Final = table_of(
    KeySpec(
        "same",
        Type.SAME,
        "moments that are one event: one that both recordings show, or one of each",
        '["lock_enable becomes on", "enable_at_lock becomes on"]',
        default="no shared event",
    ),
    KeySpec(
        "apart",
        Type.DURATION,
        "how far the two can lie apart for another reason, such as a filter",
        '"10 ms"',
        default="nothing",
    ),
    KeySpec(
        "offset",
        Type.SIGNED_DURATION,
        "what is to be added to the times of the recording beside",
        '"1.5 s"',
        default="found",
    ),
    KeySpec(
        "doubt",
        Type.DURATION,
        "how wrong the offset, or a time of day, may be",
        '"20 ms"',
        default="nothing for an offset, 1 s for times of day",
    ),
)
"""Keys of ``align``."""

REPLY: Final = table_of(
    KeySpec(
        "ids",
        Type.PAIR,
        "who asks and who answers, in hexadecimal, as `buslens dialogue` shows and takes them",
        '"7A0:7A8"',
    ),
    KeySpec("identifier", Type.IDENTIFIER, "data identifier that is read (service 22 of ISO 14229)", "0xD010"),
    KeySpec("byte", Type.WHOLE, "first byte of the value, counted from 0 behind the identifier", "1", default="0"),
    KeySpec(
        "bytes", Type.COUNT, "bytes of the value, 4 at most; the most significant one comes first", "2", default="1"
    ),
    KeySpec("bit", Type.WHOLE, "lowest bit of the value in these bytes; 0 is the least significant", "6", default="0"),
    KeySpec("bits", Type.COUNT, "bits of the value", "2", default="all from `bit` on"),
    KeySpec("signed", Type.FLAG, "whether the highest bit is the sign (two's complement)", "true", default="false"),
    KeySpec("factor", Type.NUMBER, "value = factor * bits + offset, in the unit of the role", "0.1", default="1"),
    KeySpec("offset", Type.NUMBER, "see `factor`", "-40", default="0"),
)
"""Keys of a value in answers."""

ROLE: Final = table_of(
    KeySpec(
        "signal",
        Type.SIGNAL,
        "message and signal of the definitions, for bus logs",
        '"BODY_DOORS.DRIVER_DOOR"',
        default="only a column shows it",
    ),
    KeySpec(
        "column",
        Type.COLUMN,
        "column of a table of values, by its header with or without the unit, or by its number from 1",
        '"Driver door"',
        default="only a signal shows it",
    ),
    KeySpec(
        "reply",
        Type.TEXT,
        "value under `[reply]` that it is read from: what a tester asks while the bus is recorded; a signal beside it"
        " says where in the answer",
        '"supply"',
        default="no answer shows it",
    ),
    KeySpec(
        "states",
        Type.STATES,
        "state names you choose, each for labels or raw values of the definitions; others are unknown; of a"
        ' column each for its texts, or for numbers such as "< 3 V", between which the state before goes on; of a reply'
        " for numbers in both ways",
        '{ off = ["off", "accessory"], on = ["run", 3] }',
        default="the role is a number",
    ),
    KeySpec(
        "unit",
        Type.UNIT,
        'makes the role a number, in the unit of the definitions; "" for a number without unit',
        '"V"',
        default="the role has states",
    ),
    KeySpec(
        "timeout",
        Type.TIMEOUT,
        'silence after which the role is unknown; "never" if it stays known',
        '"300 ms"',
        default="3 times the message's cycle time, of the definitions, else of the capture",
    ),
    KeySpec(
        "holds",
        Type.LENGTH,
        "shortest time that any state of it lasts: what no frame and no sample shows did not happen where they"
        " are closer, and may have happened where they are not",
        '"200 ms"',
        default="the 'least' of a pulse rule on the state; of a column or a reply at least 20 ms",
    ),
    KeySpec(
        "sent",
        Type.CHOICE,
        "whether the unit also sends as soon as the signal changes, which makes delays sharper where that frame"
        " is in the log: one that comes on the beat of the cyclic ones tells of a change no more than they do; 'only on"
        " change' where none is cyclic, so that silence says that nothing changed",
        '"on change"',
        default='"cyclic"',
        choices=("cyclic", "on change", "only on change"),
    ),
    KeySpec(
        "lag",
        Type.DURATION,
        "how much older than its frame a change can be",
        '"10 ms"',
        default='none; needed with sent = "on change"',
    ),
    KeySpec(
        "channel",
        Type.TEXT,
        "the only channel on which it is read, as the log or the definitions call it",
        '"can0"',
        default="every channel",
    ),
    KeySpec(
        "source", Type.ADDRESS, "the only J1939 source address from which it is read", "0x31", default="every source"
    ),
    KeySpec(
        "label",
        Type.TEXT,
        "what people read instead of the name, in sentences and beside lanes",
        '"feedback wire of the lock"',
        default="the name, with blanks",
    ),
)
"""Keys of a role."""

_RULE: Final = (
    KeySpec("name", Type.TEXT, "name of the rule, once in the file", '"lock handshake"'),
    KeySpec("kind", Type.CHOICE, "what the rule asks for", '"sequence"', choices=tuple(RULE_KINDS)),
    KeySpec(
        "basis",
        Type.TEXT,
        "where the limits come from; printed with the findings",
        '"measured from 40 good captures"',
        default="nothing",
    ),
    KeySpec(
        "says",
        Type.WORDS,
        "for an outcome the sentence that people read; slots: {sentence} (that of buslens), {measured},"
        " {limit}, {step}, {handshake}",
        '{ late = "{step} late: {measured}, allowed {limit}" }',
        default="a sentence of buslens",
    ),
)
RULE: Final = table_of(*_RULE)
"""Keys that every rule has."""

STEP: Final = table_of(
    KeySpec("name", Type.TEXT, "name of the step, once in the rule", '"wire feedback"'),
    KeySpec("await", Type.TRIGGER, "what must happen", '"unlock_feedback becomes locked"'),
    KeySpec(
        "after",
        Type.DURATION,
        "least delay",
        '"50 ms"',
        default="no least delay, and changes in one frame count as in order",
    ),
    KeySpec("within", Type.LENGTH, "greatest delay", '"600 ms"'),
    KeySpec(
        "late_over",
        Type.LENGTH,
        "a delay that is surely greater is late, though frames far apart leave room for it in `within`",
        '"400 ms"',
        default="the same as `within`",
    ),
    KeySpec(
        "from",
        Type.TEXT,
        "name of an earlier step from which the delay counts",
        '"enable on"',
        default="the step before; for the first step the start",
    ),
    KeySpec(
        "optional",
        Type.FLAG,
        "whether it may stay out; what counts from it is then not checked",
        "true",
        default="false",
    ),
)
"""Keys of a step of a sequence."""

_SEQUENCE: Final = (
    KeySpec("start", Type.TRIGGER, "what starts a handshake", '"door_open becomes open"'),
    KeySpec(
        "given",
        Type.CONDITION,
        "what must hold just before the start, or there is no handshake",
        '"ignition is off"',
        default="always",
    ),
    KeySpec(
        "abandon",
        Type.TRIGGER,
        "what ends a running handshake without blame",
        '"door_open becomes closed"',
        default="never",
    ),
    KeySpec("tries", Type.COUNT, "how often the first step may come before the second", "2", default="1"),
    KeySpec(
        "usual_tries",
        Type.COUNT,
        "how many of these tries are usual; an answer to a later one is undecided, and told as unusual",
        "1",
        default="all of them",
    ),
    KeySpec(
        "again_within",
        Type.LENGTH,
        "how long after a try the next may come; what comes later is none of this handshake",
        '"5 s"',
        default="3 times 'within' of the second step",
    ),
    KeySpec(
        "steps",
        Type.TABLES,
        "what must follow, in this order",
        '[{ name = "enable on", await = "lock_enable becomes on", within = "400 ms" }]',
    ),
)

_PULSE: Final = (
    KeySpec("of", Type.CONDITION, "what holds during a pulse", '"lock_enable is on"'),
    KeySpec("least", Type.DURATION, "shortest pulse", '"150 ms"', default="no limit"),
    KeySpec("most", Type.LENGTH, "longest pulse", '"700 ms"', default="no limit"),
    KeySpec(
        "moves",
        Type.CONDITION,
        "what a pulse that does its work turns from true to false, or back; one that has not done so before the next"
        " may have another length: undecided, up to 3 times the limit",
        '"unlock_feedback is locked"',
        default="the limits are for every pulse",
    ),
)

_NEVER: Final = (
    KeySpec("when", Type.CONDITION, "what must not hold", '"ignition is on and unlock_feedback is locked"'),
    KeySpec("longer_than", Type.DURATION, "how long it is tolerated", '"50 ms"', default="not even in one frame"),
)

_AGREE: Final = (
    KeySpec(
        "first",
        Type.CONDITION,
        "one of two conditions that must hold together and end together",
        '"unlock_feedback is locked"',
    ),
    KeySpec("second", Type.CONDITION, "the other one", '"data_feedback is locked"'),
    KeySpec("settle", Type.DURATION, "how long they may differ while one follows the other", '"350 ms"'),
)

_ALIVE: Final = (
    KeySpec("message", Type.TEXT, "message of the definitions that must keep coming", '"COLUMN_STATE"'),
    KeySpec(
        "cycle",
        Type.LENGTH,
        "time between its frames",
        '"25 ms"',
        default="as the definitions say, else as the capture shows",
    ),
    KeySpec("timeout", Type.LENGTH, "longest silence", '"75 ms"', default="3 times the cycle"),
    KeySpec(
        "channel",
        Type.TEXT,
        "the only channel on which it is looked for, as the log or the definitions call it",
        '"can0"',
        default="every channel",
    ),
    KeySpec(
        "source", Type.ADDRESS, "the only J1939 source address from which it is read", "0x31", default="every source"
    ),
)

_RANGE: Final = (
    KeySpec("of", Type.NUMBER_ROLE, "role that must keep within limits", '"supply_voltage"'),
    KeySpec("least", Type.QUANTITY, "lowest value", '"9.5 V"', default="no limit"),
    KeySpec("most", Type.QUANTITY, "highest value", '"16 V"', default="no limit"),
    KeySpec("while", Type.CONDITION, "checked only while this holds", '"lock_enable is on"', default="always"),
    KeySpec(
        "longer_than",
        Type.DURATION,
        "how long a value beyond a limit is tolerated",
        '"50 ms"',
        default="not even in one frame",
    ),
)

_PRECEDES: Final = (
    KeySpec("first", Type.TRIGGER, "what must have happened before", '"unlock_feedback becomes unlocked"'),
    KeySpec("then", Type.TRIGGER, "what may happen only then", '"ignition becomes on"'),
    KeySpec("within", Type.LENGTH, "how long before it may have happened", '"2 s"'),
)


KINDS: Final[Mapping[str, Mapping[str, KeySpec]]] = {
    "sequence": table_of(*_RULE, *_SEQUENCE),
    "pulse": table_of(*_RULE, *_PULSE),
    "never": table_of(*_RULE, *_NEVER),
    "agree": table_of(*_RULE, *_AGREE),
    "alive": table_of(*_RULE, *_ALIVE),
    "range": table_of(*_RULE, *_RANGE),
    "precedes": table_of(*_RULE, *_PRECEDES),
}
"""Keys of each kind of rule, those that every rule has among them."""
