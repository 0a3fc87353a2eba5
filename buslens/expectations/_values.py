"""Values of an expectations file: each is checked against its key, and everything wrong is gathered."""

import re
from collections.abc import Callable, Mapping
from fractions import Fraction
from math import isfinite
from typing import Any, Final, NoReturn

from buslens.definitions.model import Threshold
from buslens.dialogue.pairs import GivenPair
from buslens.errors import ExpectationError, SourceLocation, UsageError, did_you_mean
from buslens.expectations._syntax import KEYWORD, NAME, states_of, unknown_role
from buslens.expectations._toml import Node, TomlDocument
from buslens.expectations.conditions import read_condition, read_trigger
from buslens.expectations.model import Reply, Role, Timeout
from buslens.expectations.quantities import UNIT, parse_length_ns, parse_quantity, parse_threshold
from buslens.expectations.schema import FORMAT, KINDS, KeySpec, Type

_HIGHEST: Final[Mapping[Type, int]] = {Type.ADDRESS: 0xFF, Type.IDENTIFIER: 0xFFFF, Type.WHOLE: 0xFFFF}
_TYPE_WORDS: Final[Mapping[type, str]] = {
    bool: "a truth value",
    int: "a number",
    float: "a number",
    str: "a text",
    list: "a list",
    dict: "a table",
}


class InvalidValue(Exception):  # noqa: N818 - never leaves the reading of a file
    """A value cannot be used; the problem is noted already."""


class ValueReader:
    """Reads the values of one file."""

    def __init__(self, document: TomlDocument) -> None:
        self.document = document
        self.problems: list[ExpectationError] = []
        #: Roles read so far; None for one that is defined, but wrongly.
        self.roles: dict[str, Role | None] = {}
        #: Values in answers, likewise.
        self.replies: dict[str, Reply | None] = {}

    def wrong(self, at: Node | int | SourceLocation, problem: str) -> None:
        """Note a problem at a value, at an offset in the document or at a place."""
        if not isinstance(at, SourceLocation):
            at = self.document.source(at if isinstance(at, int) else at.start)
        self.problems.append(ExpectationError(problem, at))

    def table(
        self, keys: Mapping[str, KeySpec], node: Node, data: Mapping[str, object], subject: str, *, lax: bool = False
    ) -> dict[str, Any]:
        """Return the values of a table that are right; with `lax` keys that are not known pass.

        Parameters
        ----------
        keys : mapping of str to KeySpec
            What may stand in the table.
        node, data
            The table's places and what `tomllib` read there.
        subject : str
            What the table describes, to begin a sentence with.
        """
        values: dict[str, Any] = {}
        inner = node.table or {}
        hints = ""
        for name in data:
            if name not in keys and not lax:
                hints += (hint := _other_key(name, keys))
                self.wrong(inner[name].key, f"{subject} has no key '{name}'{hint}")
        for name, key in keys.items():
            if name in data:
                try:
                    values[name] = _READERS[key.type](self, key, data[name], inner[name])
                except InvalidValue:
                    continue
            elif key.required and f"did you mean '{name}'?" not in hints:
                self.wrong(node, f"{subject} has no '{name}'; write for example {key.line}")
        return values

    def places(self, node: Node) -> dict[str, SourceLocation]:
        """Return the places of all values of a table."""
        return {name: self.document.source(inner.start) for name, inner in (node.table or {}).items()}

    def name_problem(self, what: str, name: str) -> str:
        """Return why a role or state cannot be called so; empty if it can."""
        if KEYWORD.fullmatch(name):
            return f"a {what} cannot be called '{name}': conditions are made of this word; choose another"
        if NAME.fullmatch(name):
            return ""
        return f"'{name}' cannot name a {what}; use letters, digits and '_', beginning with a letter"

    # --- one reader for each type ---------------------------------------------------------------------

    def expect(self, key: KeySpec, data: object, node: Node, kind: type) -> Any:
        """Return a value that has the right type of TOML."""
        if type(data) is not kind:
            problem = f"'{key.name}' must be {key.type.value}, and this is {type_text(data)}"
            self.refuse(node, f"{problem}; write for example {key.line}")
        return data

    def refuse(self, node: Node | SourceLocation, problem: str) -> NoReturn:
        self.wrong(node, problem)
        raise InvalidValue

    def text(self, key: KeySpec, data: object, node: Node) -> str:
        text: str = self.expect(key, data, node, str)
        if not text.strip() or not text.isprintable():
            flaw = "has line ends or other control characters in it" if text.strip() else "is empty"
            self.refuse(node, f"'{key.name}' {flaw}; write for example {key.line}")
        return text

    def version(self, key: KeySpec, data: object, node: Node) -> int:
        if type(data) is not int or data != FORMAT:
            shown = f"'{data}'" if isinstance(data, str) else str(data)[:20]
            self.refuse(node, f"format {shown} is not known; this version of buslens reads {key.name} = {FORMAT}")
        return FORMAT

    def flag(self, key: KeySpec, data: object, node: Node) -> bool:
        flag: bool = self.expect(key, data, node, bool)
        return flag

    def count(self, key: KeySpec, data: object, node: Node) -> int:
        count: int = self.expect(key, data, node, int)
        if count < 1:
            self.refuse(node, f"'{key.name}' must be {key.type.value}, and this is {count}")
        return count

    def whole(self, key: KeySpec, data: object, node: Node) -> int:
        """Return a whole number that is not negative, and not above the highest that its type has."""
        number: int = self.expect(key, data, node, int)
        if not 0 <= number <= _HIGHEST[key.type]:
            self.refuse(node, f"'{key.name}' must be {key.type.value}, and this is {number}")
        return number

    def exact_number(self, key: KeySpec, data: object, node: Node) -> Fraction:
        """Return a number exactly as it is written."""
        if type(data) is not int and not (type(data) is float and isfinite(data)):
            problem = f"'{key.name}' must be {key.type.value}, and this is {type_text(data)}"
            self.refuse(node, f"{problem}; write for example {key.line}")
        return Fraction(str(data))

    def bounded(self, key: KeySpec, data: object, node: Node) -> float:
        """Return a number between two others, both excluded."""
        low, high = map(float, key.choices)
        if isinstance(data, bool) or not isinstance(data, int | float):
            self.refuse(node, f"'{key.name}' must be a number, and this is {type_text(data)}")
        if not low < data < high:
            self.refuse(node, f"'{key.name}' is {data}; it must be above {low:g} and below {high:g}")
        return float(data)

    def pair(self, key: KeySpec, data: object, node: Node) -> GivenPair:
        """Return who asks and who answers."""
        from buslens.dialogue.pairs import parse_pair

        try:
            return parse_pair(self.text(key, data, node))
        except UsageError as error:
            self.refuse(node, str(error))

    def duration(self, key: KeySpec, data: object, node: Node) -> int:
        if type(data) in {int, float}:
            self.refuse(node, f"{data} has no unit; write '{data} ms', in quotes")
        try:
            duration_ns = parse_length_ns(self.expect(key, data, node, str))
        except ValueError as error:
            self.refuse(node, str(error))
        if duration_ns == 0 and key.type not in {Type.DURATION, Type.SIGNED_DURATION}:
            self.refuse(node, f"'{key.name}' must be above 0")
        return duration_ns

    def signed_duration(self, key: KeySpec, data: object, node: Node) -> int:
        """Return a duration that a minus can stand before."""
        text = data.strip() if isinstance(data, str) else data
        if isinstance(text, str) and text.startswith("-"):
            return -self.duration(key, text[1:], node)
        return self.duration(key, text, node)

    def timeout(self, key: KeySpec, data: object, node: Node) -> int | Timeout:
        return Timeout.NEVER if data == "never" else self.duration(key, data, node)

    def quantity(self, key: KeySpec, data: object, node: Node) -> str:
        """Return a quantity as text; its unit is checked when the role is known."""
        if type(data) in {int, float}:
            return str(data)
        return self.text(key, data, node)

    def in_unit(self, text: str, unit: str, node: Node) -> Fraction | None:
        """Return a quantity in the unit of its role, or None after noting why it is none."""
        try:
            return parse_quantity(text, unit)
        except ValueError as error:
            self.wrong(node, str(error))
        return None

    def condition(self, key: KeySpec, data: object, node: Node) -> object:
        return self.language(read_condition, key, data, node)

    def trigger(self, key: KeySpec, data: object, node: Node) -> Any:
        return self.language(read_trigger, key, data, node)

    def language(self, read: Callable[..., object], key: KeySpec, data: object, node: Node) -> object:
        text = self.expect(key, data, node, str)
        parsed = read(text, self.roles, lambda offset: self.document.inside(node, offset), self.problems)
        if parsed is None:
            raise InvalidValue
        return parsed

    def number_role(self, key: KeySpec, data: object, node: Node) -> str:
        name = self.text(key, data, node)
        if name not in self.roles:
            self.refuse(node, unknown_role(name, self.roles))
        role = self.roles[name]
        if role is None:
            raise InvalidValue
        if not role.is_number:
            self.refuse(node, f"{name} has states ({states_of(role)}), and here a role with a unit is asked")
        return name

    def signal(self, key: KeySpec, data: object, node: Node) -> tuple[str, str]:
        text = self.text(key, data, node)
        message, dot, signal = text.partition(".")
        if not (message and dot and signal) or "." in signal or text.split() != [text]:
            self.refuse(node, f"'{text}' is not MESSAGE.SIGNAL; write for example {key.line}")
        return message, signal

    def unit(self, key: KeySpec, data: object, node: Node) -> str:
        text: str = self.expect(key, data, node, str)
        if text in {"", "1"}:
            return ""
        if not re.fullmatch(UNIT, text) or KEYWORD.fullmatch(text) or not text.isprintable():
            self.refuse(node, f"'{text[:60]}' is not a unit: no spaces, no digit first; such as 'V' or 'km/h'")
        return text

    def column(self, key: KeySpec, data: object, node: Node) -> str | int:
        """Return the header of a column, or its number."""
        if isinstance(data, int) and not isinstance(data, bool):
            return self.count(key, data, node)
        return self.text(key, data, node)

    def threshold(self, text: str, node: Node) -> Threshold:
        """Return the numbers of a column that a state stands for, such as ``< 3 V``."""
        threshold = parse_threshold(text)
        if threshold is None:
            self.refuse(node, f"'{text[:40]}' is not a limit of a state; write for example \"< 3 V\"")
        return threshold

    def states(self, key: KeySpec, data: object, node: Node) -> dict[str, tuple[str | int | Threshold, ...]]:
        table: dict[str, object] = self.expect(key, data, node, dict)
        if not table:
            self.refuse(node, f"a role has at least one state; write for example {key.line}")
        states: dict[str, tuple[str | int | Threshold, ...]] = {}
        claimed: dict[str | int, str] = {}
        good = True
        for name, value in table.items():
            inner = (node.table or {})[name]
            if problem := self.name_problem("state", name):
                self.wrong(inner.key, problem)
                good = False
            labels: list[str | int | Threshold] = []
            items: list[object] = value if isinstance(value, list) else [value]
            places = [inner] if inner.array is None else inner.array
            for item, place in zip(items, places, strict=True):
                if not isinstance(item, str | int) or isinstance(item, bool):
                    self.wrong(place, f"a state stands for labels or whole raw values, and this is {type_text(item)}")
                    good = False
                elif isinstance(item, str) and item.lstrip()[:1] in {"<", ">"}:
                    labels.append(self.threshold(item, place))
                elif item in claimed:
                    self.wrong(place, f"{item!r} belongs to state '{claimed[item]}' already")
                    good = False
                else:
                    claimed[item] = name
                    labels.append(item)
            if not items:
                self.wrong(inner, f"state '{name}' stands for nothing; name a label or a raw value")
                good = False
            states[name] = tuple(labels)
        if not good:
            raise InvalidValue
        return states

    def choice(self, key: KeySpec, data: object, node: Node) -> str:
        text = self.text(key, data, node)
        if text not in key.choices:
            self.refuse(node, f"'{key.name}' cannot be '{text}'{_choices(text, key.choices)}")
        return text

    def names(self, key: KeySpec, data: object, node: Node) -> tuple[str, ...]:
        items: list[object] = self.expect(key, data, node, list)
        if not items:
            self.refuse(node, f"'{key.name}' is empty; write for example {key.line}")
        places = node.array or []
        return tuple(self.text_inside(key, item, place) for item, place in zip(items, places, strict=True))

    def name_list(self, key: KeySpec, data: object, node: Node) -> list[tuple[str, SourceLocation]]:
        """Return names with their places."""
        if not isinstance(data, list) or not all(isinstance(item, str) for item in data):
            self.refuse(node, f"'{key.name}' must be {key.type.value}; write for example {key.line}")
        return [(name, self.document.source(it.start)) for name, it in zip(data, node.array or [], strict=True)]

    def record(self, key: KeySpec, data: object, node: Node) -> dict[str, object]:
        if not isinstance(data, dict):
            self.refuse(node, f"'{key.name}' must be {key.type.value}, and this is {type_text(data)}; write {key.line}")
        return data

    def tables_by_name(self, key: KeySpec, data: object, node: Node) -> list[tuple[str, dict[str, object], Node]]:
        """Return the tables under a key with their names, noting what is none."""
        if not isinstance(data, dict):
            self.refuse(node, f"'{key.name}' must be tables, and this is {type_text(data)}; write {key.example}")
        found = []
        for name, table in data.items():
            inner = (node.table or {})[name]
            if isinstance(table, dict):
                found.append((name, table, inner))
            else:
                problem = f"{key.name.rstrip('s')} '{name}' must be a table, and this is {type_text(table)}"
                self.wrong(inner, f"{problem}; write [{key.name}.{name}]")
        return found

    def tables(self, key: KeySpec, data: object, node: Node) -> list[tuple[dict[str, object], Node]]:
        """Return the tables of a list, noting what in it is none."""
        if not isinstance(data, list):
            is_headed = isinstance(data, dict) and key.example.startswith("[[")
            header = f"; write {key.example} with two brackets" if is_headed else ""
            self.refuse(node, f"'{key.name}' must be a list of tables, and this is {type_text(data)}{header}")
        found = []
        for item, inner in zip(data, node.array or [], strict=True):
            if isinstance(item, dict):
                found.append((item, inner))
            else:
                self.wrong(inner, f"'{key.name}' is a list of tables, and this is {type_text(item)}")
        return found

    def words(self, key: KeySpec, data: object, node: Node) -> dict[str, str]:
        table: dict[str, object] = self.expect(key, data, node, dict)
        inner = node.table or {}
        return {name: self.text_inside(key, item, inner[name]) for name, item in table.items()}

    def text_inside(self, key: KeySpec, data: object, node: Node) -> str:
        """Return a text that is a part of a value."""
        if not isinstance(data, str) or not data.strip() or not data.isprintable():
            found = type_text(data) if not isinstance(data, str) else "one that is empty or has control characters"
            self.refuse(
                node, f"'{key.name}' must be {key.type.value}, and this is {found}; write for example {key.line}"
            )
        return str(data)

    def untouched(self, key: KeySpec, data: object, node: Node) -> object:  # noqa: ARG002 - one of the readers
        """Return what is read elsewhere."""
        return data


def type_text(data: object) -> str:
    """Return what a value is, for the end of a sentence."""
    return _TYPE_WORDS.get(type(data), "a date or time")


def _choices(word: str, choices: tuple[str, ...]) -> str:
    hint = did_you_mean(word, choices)
    return hint if hint.startswith("; did") else "; it is one of " + ", ".join(f'"{choice}"' for choice in choices)


def _other_key(name: str, keys: Mapping[str, KeySpec]) -> str:
    """Return what a key that does not belong here may have been meant as."""
    kinds = [kind for kind, known in KINDS.items() if name in known]
    if kinds and "kind" in keys:
        return f"; it belongs to rules of kind {' or '.join(kinds)}"
    return did_you_mean(name, keys)


_READERS: Final[Mapping[Type, Callable[[ValueReader, KeySpec, object, Node], object]]] = {
    Type.TEXT: ValueReader.text,
    Type.VERSION: ValueReader.version,
    Type.FLAG: ValueReader.flag,
    Type.COUNT: ValueReader.count,
    Type.ADDRESS: ValueReader.whole,
    Type.IDENTIFIER: ValueReader.whole,
    Type.WHOLE: ValueReader.whole,
    Type.NUMBER: ValueReader.exact_number,
    Type.BETWEEN: ValueReader.bounded,
    Type.PAIR: ValueReader.pair,
    Type.DURATION: ValueReader.duration,
    Type.LENGTH: ValueReader.duration,
    Type.TIMEOUT: ValueReader.timeout,
    Type.QUANTITY: ValueReader.quantity,
    Type.CONDITION: ValueReader.condition,
    Type.TRIGGER: ValueReader.trigger,
    Type.NUMBER_ROLE: ValueReader.number_role,
    Type.SIGNAL: ValueReader.signal,
    Type.UNIT: ValueReader.unit,
    Type.STATES: ValueReader.states,
    Type.COLUMN: ValueReader.column,
    Type.RECORD: ValueReader.record,
    Type.SAME: ValueReader.untouched,
    Type.SIGNED_DURATION: ValueReader.signed_duration,
    Type.CHOICE: ValueReader.choice,
    Type.DEFINITIONS: ValueReader.untouched,
    Type.READINGS: ValueReader.untouched,
    Type.TABLE: ValueReader.tables_by_name,
    Type.TABLES: ValueReader.tables,
    Type.NAMES: ValueReader.names,
    Type.NAME_LIST: ValueReader.name_list,
    Type.WORDS: ValueReader.words,
}
