from __future__ import annotations

import json

import pytest

from buslens.definitions.model import ByteOrder, Definitions, Message, MuxCondition, Problem, Signal, ValueType
from buslens.errors import SourceLocation
from buslens.report.definitions import document, error_entry, file_entry, matching, text
from buslens.report.document import dumps

BOLT = Signal(name="BOLT", start=0, length=2, labels={1: "locked", 0: "open"}, comment="End position.")
SUPPLY = Signal(
    name="SUPPLY", start=15, length=16, order=ByteOrder.MOTOROLA, scale=0.001, unit="V", maximum=30, minimum=0
)
TEMPERATURE = Signal(
    name="TEMPERATURE",
    start=24,
    length=8,
    kind=ValueType.SIGNED,
    offset=-40,
    unit="\N{DEGREE SIGN}C",
    selection=MuxCondition(selector="BOLT", ranges=((0, 0), (2, 3))),
)
LEVEL = Signal(name="LEVEL", start=32, length=32, kind=ValueType.FLOAT)
COLUMN = Message(
    name="COLUMN",
    can_id=0x208,
    length=8,
    cycle_ns=25_000_000,
    senders=("LOCK_UNIT",),
    comment="What the lock unit says.",
    signals=(BOLT, SUPPLY, TEMPERATURE, LEVEL),
    source=SourceLocation("car.dbc", 4),
)
ENGINE = Message(name="ENGINE", can_id=0x0CF004FE, is_extended=True, is_j1939=True, length=8)
LOST = Problem(source=SourceLocation("car.dbc", 9, 3), subject="VAL_ 521 X", reason="there is no such message")
NOTES = tuple(
    Problem(source=SourceLocation("car.dbc", 20 + k), subject=f"COLUMN.S{k}", reason="it shares bits", is_note=True)
    for k in range(7)
)
DEFINITIONS = Definitions(messages=(COLUMN, ENGINE), problems=(LOST, *NOTES), paths=("car.dbc",))


class TestText:
    """A person reads what is in the file, what is left out and why, and the count as the last line."""

    def test_whole(self) -> None:
        assert text(DEFINITIONS).splitlines() == [
            "car.dbc",
            "",
            "COLUMN  0x208, 8 bytes, every 25 ms, from LOCK_UNIT",
            "    What the lock unit says.",
            "    BOLT         2 bits from bit 0; 0 open, 1 locked",
            "        End position.",
            "    SUPPLY       16 bits from bit 15, big endian; 0 to 30 V; in steps of 0.001",
            "    TEMPERATURE  8 bits signed from bit 24; -168 to 87 \N{DEGREE SIGN}C; while BOLT is 0, 2 to 3",
            "    LEVEL        32 bits float from bit 32",
            "",
            "ENGINE  0xCF004FE (29 bits), J1939 group 61444, 8 bytes",
            "",
            "Left out, the rest is used",
            " x  car.dbc:9:3: VAL_ 521 X: there is no such message",
            "",
            "Used, but to be known",
            *(f" ?  car.dbc:{20 + k}: COLUMN.S{k}: it shares bits" for k in range(5)),
            " ?  2 more notes; --json lists them all",
            "",
            "2 messages, 4 signals; 1 thing left out.",
        ]

    def test_no_control_characters_get_through(self) -> None:
        message = Message(
            name="A\x1b[2J",
            can_id=1,
            length=1,
            comment="x\x07",
            signals=(Signal(name="B\x1b", start=0, length=1, unit="\x1b"),),
        )
        shown = text(Definitions(messages=(message,), paths=("c\x1b.dbc",)))
        assert shown.replace("\n", "").isprintable()

    def test_nothing_found(self) -> None:
        assert text(DEFINITIONS, find="door").splitlines()[-1] == "Nothing in 2 messages has to do with 'door'."


class TestMatching:
    """A word is looked for in names, comments, units and value names, in any case."""

    @pytest.mark.parametrize(
        ("word", "found"),
        [
            ("bolt", {"COLUMN": ["BOLT"]}),
            ("LOCKED", {"COLUMN": ["BOLT"]}),
            ("end position", {"COLUMN": ["BOLT"]}),
            ("lock unit", {"COLUMN": ["BOLT", "SUPPLY", "TEMPERATURE", "LEVEL"]}),
            ("lock_unit", {"COLUMN": ["BOLT", "SUPPLY", "TEMPERATURE", "LEVEL"]}),
            ("engine", {"ENGINE": []}),
            ("e", {"COLUMN": ["BOLT", "SUPPLY", "TEMPERATURE", "LEVEL"], "ENGINE": []}),
            ("v", {"COLUMN": ["SUPPLY", "LEVEL"]}),
            ("nobody", {}),
        ],
    )
    def test_words(self, word: str, found: dict[str, list[str]]) -> None:
        kept = matching(DEFINITIONS, word)
        names = {message.name: [signal.name for signal in message.signals] for message in kept}
        assert names == found

    def test_problems(self) -> None:
        assert matching(DEFINITIONS, "val_").problems == (LOST,)


class TestDocument:
    """A program reads the same."""

    def test_everything_is_in_it(self) -> None:
        data = json.loads(
            dumps(document([file_entry("car.dbc", DEFINITIONS), error_entry("b.dbc", "no")], together=None))
        )
        assert (data["schema"], data["together"]) == (1, None)
        one, two = data["files"]
        assert two == {"path": "b.dbc", "error": "no", "messages": [], "problems": []}
        column, engine = one["messages"]
        assert (column["name"], column["id"], column["cycle"], column["line"]) == ("COLUMN", 0x208, 0.025, 4)
        assert (engine["is_extended"], engine["is_j1939"], engine["cycle"]) == (True, True, None)
        bolt, supply, temperature, _ = column["signals"]
        assert bolt["values"] == {"0": "open", "1": "locked"}
        assert (supply["byte_order"], supply["min"], supply["max"], supply["scale"]) == ("big endian", 0, 30, 0.001)
        assert temperature["selected_by"] == {"signal": "BOLT", "ranges": [[0, 0], [2, 3]]}
        assert len(one["problems"]) == 8
        assert one["problems"][0] == {
            "line": 9,
            "column": 3,
            "subject": "VAL_ 521 X",
            "reason": "there is no such message",
            "is_used": False,
        }
