"""All keys of an expectations file, from ``keys.txt``: what a file is read by, and what its reference is printed from.

That is the one place to add a key; its value goes into the field of the record in `model` that `KeySpec.field` names.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from enum import Enum
from keyword import iskeyword
from types import MappingProxyType
from typing import Final

from buslens.expectations.model import RULE_KINDS
from buslens.text_tables import tables_beside

NO_CHOICES: Final[Mapping[str, Iterable[str]]] = MappingProxyType({})


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
    BETWEEN = "a number above one end and below another"
    PAIR = "who asks and who answers, as a text"
    SIGNAL = "a text MESSAGE.SIGNAL"
    UNIT = "a unit without spaces"
    STATES = "a table of state name = label, raw value or a list of them"
    RECORD = "a table"
    SAME = "one or two moments, or a list of such pairs"
    SIGNED_DURATION = "a duration, perhaps with a minus"
    COLUMN = "the header of a column, or its number from 1"
    CHOICE = "one of a few words"
    DEFINITIONS = "a list of file names, or of { file, channel } tables"
    TABLE = "a table of tables, one for each name"
    TABLES = "a list of tables"
    NAMES = "a list of texts"
    NAME_LIST = "a list of names"
    READINGS = 'a table of measurement = result, or the text "any"'
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
    #: All words that a `Type.CHOICE` can be; both ends of a `Type.BETWEEN`, which it must not reach.
    choices: tuple[str, ...] = ()

    @property
    def line(self) -> str:
        """How it is written in a file: as a header, or behind its name."""
        is_header = self.example.startswith(("[[", f"[{self.name}"))
        return self.example if is_header else f"{self.name} = {self.example}"

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


def keys_of(
    tables: Mapping[str, Sequence[Sequence[str]]], choices: Mapping[str, Iterable[str]] = NO_CHOICES
) -> dict[str, dict[str, KeySpec]]:
    """Return keys by table and name, from rows as those of ``keys.txt``.

    Parameters
    ----------
    choices : mapping of str to iterable of str
        Words of a `Type.CHOICE` that stand in no file, by table and key: ``"rule.kind"``.
    """
    found: dict[str, dict[str, KeySpec]] = {}
    for title, rows in tables.items():
        found[title] = {}
        for name, kind, meaning, example, *default in rows:
            word, _, listed = kind.partition(" ")
            words = choices.get(f"{title}.{name}", listed.strip("()").split(", ") if listed else ())
            without = default[0] if default else None
            found[title][name] = KeySpec(name, Type[word], meaning, example, without, tuple(words))
    return found


OUTCOMES: Final = ("met", "early", "late", "missing", "out_of_order", "violated", "undecided")
"""What `says` can have a sentence for."""
SLOTS: Final = ("sentence", "measured", "limit", "step", "handshake")
"""What a sentence of `says` can name."""

FORMAT: Final = 1
"""The version of the file format that this version reads."""

_TABLES: Final = keys_of(tables_beside(__file__, "keys.txt"), {"rule.kind": RULE_KINDS})

FILE: Final = _TABLES["file"]
"""Keys of the file itself."""
DEFINITION: Final = _TABLES["definitions"]
"""Keys of an entry of ``definitions`` that is a table."""
ALIGN: Final = _TABLES["align"]
"""Keys of ``align``."""
REPLY: Final = _TABLES["reply"]
"""Keys of a value in answers."""
ROLE: Final = _TABLES["role"]
"""Keys of a role."""
RULE: Final = _TABLES["rule"]
"""Keys that every rule has."""
STEP: Final = _TABLES["step"]
"""Keys of a step of a sequence."""
KINDS: Final[Mapping[str, Mapping[str, KeySpec]]] = {kind: RULE | _TABLES[kind] for kind in RULE_KINDS}
"""Keys of each kind of rule, those that every rule has among them."""
