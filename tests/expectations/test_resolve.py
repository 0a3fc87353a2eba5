"""Expectations held against definitions."""

from __future__ import annotations

import pytest

from buslens.definitions.model import Definitions, Message, Problem, Signal, ValueType
from buslens.errors import ExpectationError, SourceLocation
from buslens.expectations.load import parse_expectations
from buslens.expectations.model import Alive, Expectations, Role
from buslens.expectations.resolve import raw_values, validate_against

DOOR = Signal(name="DOOR", start=0, length=2, labels={0: "shut", 1: "open", 2: "open", 3: "fault"})
DEFINITIONS = Definitions(
    messages=(
        Message(
            name="BODY",
            can_id=0x100,
            length=8,
            signals=(
                DOOR,
                Signal(name="SIGNED", start=8, length=4, kind=ValueType.SIGNED),
                Signal(name="PLAIN", start=16, length=3),
                Signal(name="FLOAT", start=32, length=32, kind=ValueType.FLOAT, labels={0: "nothing"}),
                Signal(name="SUPPLY", start=24, length=8, scale=100, unit="mV"),
                Signal(name="WARMTH", start=20, length=4, unit="°C"),
            ),
        ),
        Message(name="LOCK", can_id=0x101, length=1, channel="can0"),
        Message(name="LOCK", can_id=0x101, length=1, channel="can1"),
    ),
    problems=(
        Problem(source=SourceLocation("car.dbc", 6), subject="COLUMN", reason="only to be known", is_note=True),
        Problem(source=SourceLocation("car.dbc", 7), subject="COLUMN", reason="signal does not fit"),
        Problem(source=SourceLocation("car.dbc", 9), subject="BODY.LOST", reason="it reaches into byte 9"),
    ),
    paths=("car.dbc",),
)


def role(signal: str, rest: str) -> Expectations:
    text = f'format = 1\n[roles.r]\nsignal = "{signal}"\n{rest}\n'
    return parse_expectations(text.encode(), "x.toml")


class TestCheckAgainst:
    """All that the expectations name must be in the definitions, and mean the same there."""

    @pytest.mark.parametrize(
        ("signal", "rest"),
        [
            ("BODY.DOOR", 'states = { open = "open", closed = 0, other = "fault" }'),
            ("BODY.DOOR", 'states = { open = ["open", 2], closed = "shut" }'),
            ("BODY.SIGNED", "states = { a = -8, b = 7 }"),
            ("BODY.PLAIN", "states = { a = [0, 7] }"),
            ("BODY.PLAIN", 'unit = "V"'),
            ("BODY.FLOAT", 'unit = ""'),
            ("BODY.SUPPLY", 'unit = "mV"'),
            ("BODY.WARMTH", 'unit = "degC"'),
        ],
    )
    def test_good(self, signal: str, rest: str) -> None:
        validate_against(role(signal, rest), DEFINITIONS)

    @pytest.mark.parametrize(
        ("signal", "rest", "text"),
        [
            (
                "BDY.DOOR",
                "states = { a = 1 }",
                "x.toml:3:11: there is no message 'BDY' in car.dbc; did you mean 'BODY'?",
            ),
            ("BODY.DOR", "states = { a = 1 }", "x.toml:3:16: message BODY has no signal 'DOR'; did you mean 'DOOR'?"),
            (
                "COLUMN.X",
                "states = { a = 1 }",
                "x.toml:3:11: message 'COLUMN' cannot be used: car.dbc:7: COLUMN: signal does not fit",
            ),
            (
                "BODY.LOST",
                "states = { a = 1 }",
                "x.toml:3:16: signal BODY.LOST cannot be used: car.dbc:9: BODY.LOST: it reaches into byte 9",
            ),
            ("BODY.DOOR", 'states = { a = "opn" }', "x.toml:4:16: BODY.DOOR has no label 'opn'; did you mean 'open'?"),
            (
                "BODY.DOOR",
                'states = { a = "Open" }',
                "x.toml:4:16: BODY.DOOR has no label 'Open'; did you mean 'open'?",
            ),
            (
                "BODY.DOOR",
                'states = { a = "1" }',
                "x.toml:4:16: BODY.DOOR has no label '1'; a raw value stands without quotes: 1",
            ),
            (
                "BODY.PLAIN",
                'states = { a = "on" }',
                "x.toml:4:16: BODY.PLAIN has no labels in the definitions, so not 'on'; name a raw value such as 1",
            ),
            ("BODY.PLAIN", "states = { a = 8 }", "x.toml:4:16: 8 does not fit BODY.PLAIN: its 3 bits hold 0 to 7"),
            ("BODY.PLAIN", "states = { a = -1 }", "x.toml:4:16: -1 does not fit BODY.PLAIN: its 3 bits hold 0 to 7"),
            (
                "BODY.SIGNED",
                "states = { a = [1, 8] }",
                "x.toml:4:20: 8 does not fit BODY.SIGNED: its 4 bits hold -8 to 7",
            ),
            (
                "BODY.DOOR",
                'states = { a = "open", b = 2 }',
                "x.toml:4:28: raw value 2 of BODY.DOOR belongs to state 'a' already",
            ),
            (
                "BODY.DOOR",
                'states = { a = [0,\n 1], b = "open" }',
                "x.toml:5:10: 'open' (raw value 1) of BODY.DOOR belongs to state 'a' already",
            ),
            (
                "BODY.FLOAT",
                'states = { a = "nothing" }',
                "x.toml:3:16: BODY.FLOAT is a floating-point number and has no states; give the role a unit instead",
            ),
            (
                "BODY.SUPPLY",
                'unit = "V"',
                "x.toml:4:8: BODY.SUPPLY is in 'mV' by the definitions, and in 'V' here; write unit = \"mV\"",
            ),
            (
                "BODY.SUPPLY",
                'unit = ""',
                "x.toml:4:8: BODY.SUPPLY is in 'mV' by the definitions, and without unit here; write unit = \"mV\"",
            ),
        ],
    )
    def test_refused(self, signal: str, rest: str, text: str) -> None:
        with pytest.raises(ExpectationError) as caught:
            validate_against(role(signal, rest), DEFINITIONS)
        assert str(caught.value) == text

    def test_message_that_must_be_alive(self) -> None:
        text = 'format = 1\n[[rules]]\nname = "x"\nkind = "alive"\nmessage = "{}"\n'
        validate_against(parse_expectations(text.format("LOCK").encode(), "x.toml"), DEFINITIONS)
        with pytest.raises(ExpectationError, match=r"^x\.toml:5:11: there is no message 'LOCKS'"):
            validate_against(parse_expectations(text.format("LOCKS").encode(), "x.toml"), DEFINITIONS)

    def test_all_at_once(self) -> None:
        text = 'format = 1\n[roles.a]\nsignal = "X.Y"\nunit = "V"\n[roles.b]\nsignal = "BODY.Z"\nunit = "V"\n'
        with pytest.raises(ExpectationError) as caught:
            validate_against(parse_expectations(text.encode(), "x.toml"), DEFINITIONS)
        assert [line[:12] for line in str(caught.value).split("\n")] == ["x.toml:3:11:", "x.toml:6:16:"]

    def test_expectations_from_no_file(self) -> None:
        made = Role(name="r", message="BODY", signal="DOOR", states={"a": ("no",)})
        with pytest.raises(ExpectationError, match=r"^BODY\.DOOR has no label 'no'"):
            validate_against(Expectations(path="", roles={"r": made}, rules=()), DEFINITIONS)
        alive = Alive(name="x", message="NO")
        with pytest.raises(ExpectationError, match=r"^there is no message 'NO'"):
            validate_against(Expectations(path="", roles={}, rules=(alive,)), DEFINITIONS)


class TestRawValues:
    """Each state stands for raw values, whether labels or raw values name it."""

    def test_labels_and_raw_values(self) -> None:
        made = Role(name="r", message="BODY", signal="DOOR", states={"a": ("open", 2), "b": (3, "shut")})
        assert raw_values(made, DOOR) == {"a": (1, 2), "b": (0, 3)}

    def test_refused(self) -> None:
        made = Role(name="r", message="BODY", signal="DOOR", states={"a": ("open",), "b": (1,)})
        with pytest.raises(ExpectationError, match="belongs to state 'a' already"):
            raw_values(made, DOOR)
