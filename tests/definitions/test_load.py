from __future__ import annotations

import pickle
from dataclasses import dataclass
from typing import TYPE_CHECKING

import pytest

from buslens.definitions.load import load_definitions
from buslens.definitions.model import ByteOrder, MuxCondition, ValueType
from buslens.errors import DefinitionError, SourceLocation, UsageError

if TYPE_CHECKING:
    from pathlib import Path

PINEWICK = """VERSION "3"

NS_ :
\tNS_DESC_
\tCM_
\tVAL_
\tSG_MUL_VAL_

BS_:

BU_: LOCK_UNIT CONTROL_UNIT GATEWAY

BO_ 520 COLUMN_STATE: 8 LOCK_UNIT
 SG_ PAGE M : 0|4@1+ (1,0) [0|0] ""  CONTROL_UNIT
 SG_ SUPPLY m0 : 8|16@1+ (0.001,0) [0|30] "V"  CONTROL_UNIT
 SG_ MOTOR_TEMPERATURE m1 : 15|16@0- (1.0,-40.0) [-40|150] "\N{DEGREE SIGN}C"  CONTROL_UNIT
 SG_ LEVEL m2 : 8|32@1- (1,0) [0|0] ""  CONTROL_UNIT

BO_ 2550202371 GATEWAY_LOG: 64 GATEWAY
 SG_ STAMP : 448|64@1+ (1,0) [0|0] "ms" Vector__XXX

BO_ 3221225472 VECTOR__INDEPENDENT_SIG_MSG: 0 Vector__XXX
 SG_ LOST : 0|8@1+ (1,0) [0|0] "" Vector__XXX

BO_TX_BU_ 520 : LOCK_UNIT,GATEWAY;

CM_ BO_ 520 "What the lock unit
BO_ 1 says: 8 X
 SG_ itself : 0|1@1+ // about itself";
CM_ SG_ 520 SUPPLY "At the unit";
BA_DEF_ BO_ "GenMsgCycleTime" INT 0 65535;
BA_DEF_ BO_ "GenMsgSendType" ENUM "cyclic","event";
BA_DEF_DEF_ "GenMsgCycleTime" 0;
BA_DEF_DEF_ "GenMsgSendType" "cyclic";
BA_ "GenMsgCycleTime" BO_ 520 25;
BA_ "GenMsgSendType" BO_ 520 1;
VAL_ 520 PAGE 0 "supply" 1 "temperature" ;
VAL_ 3221225472 LOST 0 "x" ;
SIG_VALTYPE_ 520 LEVEL : 1;
SG_MUL_VAL_ 520 SUPPLY PAGE 0-0, 4-5, 6-4000000000;
"""
"""Invented. Line numbers in the tests below are of this text."""


def written(folder: Path, text: str | bytes, name: str = "pinewick.dbc") -> Path:
    path = folder / name
    path.write_bytes(text if isinstance(text, bytes) else text.encode("cp1252"))
    return path


def message(text: str) -> str:
    """Return a DBC with one message of 8 bytes, identifier 520, and the given text behind ``BO_``."""
    return f"BO_ 520 M: 8 X\n{text}\n"


PLAIN = ' SG_ S : 8|8@1+ (1,0) [0|0] "" X\n'


@dataclass(frozen=True)
class Tied:
    path: str
    channel: str | None = None
    source: SourceLocation | None = None


class TestContent:
    """Everything that a DBC says of a message and its signals is in the model."""

    @pytest.fixture
    def path(self, tmp_path: Path) -> Path:
        return written(tmp_path, PINEWICK)

    def test_messages(self, path: Path) -> None:
        definitions = load_definitions(path)
        column, log = definitions.messages  # and no message of orphaned signals
        assert (column.name, column.can_id, column.is_extended, column.length) == ("COLUMN_STATE", 520, False, 8)
        assert (log.name, log.can_id, log.is_extended, log.length) == ("GATEWAY_LOG", 0x1801_0003, True, 64)
        assert (column.cycle_ns, log.cycle_ns) == (25_000_000, None)
        assert (column.senders, log.senders) == (("LOCK_UNIT", "GATEWAY"), ("GATEWAY",))
        assert column.comment.startswith("What the lock unit\nBO_ 1 says")
        assert column.attributes == {"GenMsgCycleTime": "25", "GenMsgSendType": "event"}
        assert definitions.paths == (str(path),)
        assert definitions.problems == ()
        assert column.channel is None

    def test_signals(self, path: Path) -> None:
        column, log = load_definitions(path).messages
        page, supply, temperature, level = column.signals
        assert page.labels == {0: "supply", 1: "temperature"}
        assert page.selection is None
        assert (supply.scale, supply.minimum, supply.maximum, supply.unit) == (0.001, 0, 30, "V")
        assert supply.comment == "At the unit"
        assert supply.selection == MuxCondition(selector="PAGE", ranges=((0, 0), (4, 4_000_000_000)))
        assert (temperature.order, temperature.kind) == (ByteOrder.MOTOROLA, ValueType.SIGNED)
        assert (temperature.scale, temperature.offset) == (1, -40)
        assert isinstance(temperature.offset, int)
        assert temperature.unit == "\N{DEGREE SIGN}C"
        assert (level.kind, level.length, level.minimum) == (ValueType.FLOAT, 32, None)
        assert (log.signals[0].start, log.signals[0].length, log.signals[0].last_byte) == (448, 64, 63)

    def test_lines(self, path: Path) -> None:
        column, log = load_definitions(path).messages
        assert column.source == SourceLocation(str(path), 13)
        assert [signal.source.line for signal in column.signals if signal.source] == [14, 15, 16, 17]
        assert log.source == SourceLocation(str(path), 19)

    def test_long_names_of_signals_that_select(self, tmp_path: Path) -> None:
        text = message(
            ' SG_ P M : 0|8@1+ (1,0) [0|0] "" X\n SG_ S m1 : 8|8@1+ (1,0) [0|0] "" X\n'
            'BA_DEF_ SG_ "SystemSignalLongSymbol" STRING ;\nBA_DEF_DEF_ "SystemSignalLongSymbol" "";\n'
            'BA_ "SystemSignalLongSymbol" SG_ 520 P "PAGE_WITH_A_LONG_NAME";'
        )
        page, selected = load_definitions(written(tmp_path, text)).messages[0].signals
        assert page.name == "PAGE_WITH_A_LONG_NAME"
        assert selected.selection == MuxCondition(selector="PAGE_WITH_A_LONG_NAME", ranges=((1, 1),))

    @pytest.mark.parametrize(
        ("ranges", "expected"),
        [
            ("1-1", ((1, 1),)),
            ("3-4, 1-2", ((1, 4),)),
            ("3-4, 1-1", ((1, 1), (3, 4))),
            ("0-9,2-3", ((0, 9),)),
        ],
    )
    def test_ranges_are_ascending_and_few(
        self, tmp_path: Path, ranges: str, expected: tuple[tuple[int, int], ...]
    ) -> None:
        text = message(
            f' SG_ P M : 0|8@1+ (1,0) [0|0] "" X\n SG_ S m1 : 8|8@1+ (1,0) [0|0] "" X\nSG_MUL_VAL_ 520 S P {ranges};'
        )
        selection = load_definitions(written(tmp_path, text)).messages[0].signal("S").selection
        assert selection is not None
        assert selection.ranges == expected

    @pytest.mark.parametrize(("written_as", "cycle_ns"), [("25", 25_000_000), ("0", None), ("2.5", 2_500_000)])
    def test_cycle_times(self, tmp_path: Path, written_as: str, cycle_ns: int | None) -> None:
        text = message(
            'BA_DEF_ BO_ "GenMsgCycleTime" FLOAT 0 1000;\nBA_DEF_DEF_ "GenMsgCycleTime" 0;\n'
            f'BA_ "GenMsgCycleTime" BO_ 520 {written_as};'
        )
        assert load_definitions(written(tmp_path, text)).messages[0].cycle_ns == cycle_ns

    def test_overlapping_signals_are_usual(self, tmp_path: Path) -> None:
        text = message(' SG_ CODE : 0|8@1+ (1,0) [0|0] "" X\n SG_ FLAG : 3|1@1+ (1,0) [0|0] "" X')
        definitions = load_definitions(written(tmp_path, text))
        assert [signal.name for signal in definitions.messages[0].signals] == ["CODE", "FLAG"]
        (note,) = definitions.problems
        assert note.is_note
        assert str(note).endswith(":3: M.FLAG: it shares bits with CODE; each of them is decoded")

    def test_a_file_without_messages_has_none(self, tmp_path: Path) -> None:
        definitions = load_definitions(written(tmp_path, 'VERSION "1"\nBU_: X\n'))
        assert definitions.messages == ()
        assert "it defines no message; a message begins with" in str(definitions.problems[0])


class TestEncoding:
    """A byte order mark decides, else UTF-8 line by line where it is UTF-8, else cp1252."""

    @pytest.mark.parametrize("encoding", ["cp1252", "utf-8", "utf-8-sig", "utf-16"])
    def test_of_a_whole_file(self, tmp_path: Path, encoding: str) -> None:
        column = load_definitions(written(tmp_path, PINEWICK.encode(encoding))).messages[0]
        assert column.signal("MOTOR_TEMPERATURE").unit == "\N{DEGREE SIGN}C"

    def test_mixed_and_undefined_bytes(self, tmp_path: Path) -> None:
        lines = [
            b"BO_ 1 M: 8 X",
            b' SG_ A : 0|8@1+ (1,0) [0|0] "\xb0" X',
            b' SG_ B : 8|8@1+ (1,0) [0|0] "\xc2\xb0" X',
            b' SG_ C : 16|8@1+ (1,0) [0|0] "\x80\x81" X',
            b"",
        ]
        signals = load_definitions(written(tmp_path, b"\r\n".join(lines))).messages[0].signals
        assert [signal.unit for signal in signals] == ["\N{DEGREE SIGN}", "\N{DEGREE SIGN}", "\N{EURO SIGN}\x81"]
        assert [signal.source.line for signal in signals if signal.source] == [2, 3, 4]


class TestChannels:
    """A tied file describes one channel; two files must not contradict each other on any."""

    def test_tied_messages_know_their_channel(self, tmp_path: Path) -> None:
        path = str(written(tmp_path, PINEWICK))
        definitions = load_definitions(Tied(path, "can1"), Tied(path, "can2"))
        assert [message.channel for message in definitions] == ["can1", "can1", "can2", "can2"]
        assert definitions.paths == (path,)

    def test_a_name_in_two_files_is_a_doubt(self, tmp_path: Path) -> None:
        path = str(written(tmp_path, PINEWICK))
        problems = load_definitions(Tied(path, "can1"), Tied(path, "can2")).problems
        assert [problem.subject for problem in problems] == ["COLUMN_STATE", "GATEWAY_LOG"]
        assert f"{path}:13" in problems[0].reason

    @pytest.mark.parametrize("channel", [None, "can1"])
    def test_one_identifier_in_two_files_names_both(self, tmp_path: Path, channel: str | None) -> None:
        one = written(tmp_path, message(PLAIN), "one.dbc")
        two = written(tmp_path, message(PLAIN.replace("8|8", "9|7")), "two.dbc")
        with pytest.raises(DefinitionError, match="identifier 0x208 of M is already that of M") as caught:
            load_definitions(Tied(str(one), channel), Tied(str(two), channel))
        assert f"{one}:1" in str(caught.value)
        assert str(caught.value).startswith(f"{two}:1: ")

    @pytest.mark.parametrize("channel", [None, "can1"])
    def test_two_files_may_say_the_same(self, tmp_path: Path, channel: str | None) -> None:
        one = written(tmp_path, message(PLAIN + 'CM_ BO_ 520 "one";'), "one.dbc")
        two = written(tmp_path, message(PLAIN + 'CM_ BO_ 520 "two";') + "BO_ 1 OTHER: 8 X\n", "two.dbc")
        definitions = load_definitions(Tied(str(one), channel), Tied(str(two), channel))
        assert [(message.name, message.comment) for message in definitions] == [("M", "one"), ("OTHER", "")]
        assert [str(problem) for problem in definitions.problems] == [
            f"{two}:1: M: the same message is at {one}:1 already; the two are one"
        ]

    @pytest.mark.parametrize(
        "change", [("M:", "N:"), (": 8 X", ": 7 X"), ("8|8", "8|7"), ("VAL_ 520 S 1", "VAL_ 520 S 2")]
    )
    def test_what_differs_is_not_the_same(self, tmp_path: Path, change: tuple[str, str]) -> None:
        text = message(PLAIN + 'VAL_ 520 S 1 "x" ;')
        one, two = written(tmp_path, text, "one.dbc"), written(tmp_path, text.replace(*change), "two.dbc")
        with pytest.raises(DefinitionError, match="says something else"):
            load_definitions(one, two)

    def test_an_identifier_may_be_tied_and_untied(self, tmp_path: Path) -> None:
        one, two = (written(tmp_path, message(""), name) for name in ("one.dbc", "two.dbc"))
        assert [m.channel for m in load_definitions(one, Tied(str(two), "can1"))] == [None, "can1"]

    def test_the_widths_are_two_identifiers(self, tmp_path: Path) -> None:
        text = "BO_ 1 SHORT: 8 X\n\nBO_ 2147483649 LONG: 8 X\n"
        assert [m.can_id for m in load_definitions(written(tmp_path, text))] == [1, 1]

    def test_a_file_given_twice_counts_once(self, tmp_path: Path) -> None:
        path = written(tmp_path, PINEWICK)
        assert len(load_definitions(path, str(path)).messages) == 2


class TestErrors:
    """A file of which nothing can be used is refused with file, line, what was found and what would be right."""

    @pytest.mark.parametrize(
        ("text", "place", "part"),
        [
            ("", "", "the file is empty"),
            ("\r\n \n", "", "the file is empty"),
            ("nothing of the kind\n", "1:1", "'nothing of the kind' does not begin a statement of a DBC"),
            ("BO_ 3758096384 M: 8 X\n", "1", "M: identifier 0x60000000 has more than 29 bits"),
            ("BO_ 1 A: 5000 X\n", "1", "5000 bytes are more than"),
            ("BO_ 1 A 8 X\n", "1:9", "A: '8 X' is not understood here; a right BO_ is: BO_ "),
            ("BO_ 1 A 8 X\nBO_ 2 B 8 X\n", "1:9", "nothing else in the file can be used either: 1 more"),
            ("BO_ 1 A: ", "1", "it is not finished; a right BO_ is"),
        ],
    )
    def test_nothing_to_use(self, tmp_path: Path, text: str, place: str, part: str) -> None:
        path = written(tmp_path, text)
        with pytest.raises(DefinitionError) as caught:
            load_definitions(path)
        assert part in str(caught.value)
        assert str(caught.value).startswith(f"{path}:{place}: " if place else f"{path}: ")

    def test_no_such_file(self, tmp_path: Path) -> None:
        path = tmp_path / "none.dbc"
        with pytest.raises(DefinitionError, match="cannot be read: No such file") as caught:
            load_definitions(path)
        assert str(caught.value).startswith(f"{path}: ")

    def test_a_folder(self, tmp_path: Path) -> None:
        with pytest.raises(DefinitionError, match="cannot be read"):
            load_definitions(tmp_path)

    def test_a_file_that_another_file_names(self) -> None:
        source = SourceLocation("lock.toml", 2, 16)
        with pytest.raises(DefinitionError, match=r"^lock\.toml:2:16: 'none\.dbc': .* cannot be read"):
            load_definitions(Tied("none.dbc", source=source))

    def test_broken_utf_16(self, tmp_path: Path) -> None:
        with pytest.raises(DefinitionError, match="begins as UTF-16 text, but byte 2 is none"):
            load_definitions(written(tmp_path, b"\xff\xfe\x00\xdc\x00\x00"))

    def test_no_file_at_all(self) -> None:
        with pytest.raises(UsageError, match="name a DBC file"):
            load_definitions()

    def test_errors_travel_between_processes(self, tmp_path: Path) -> None:
        with pytest.raises(DefinitionError) as caught:
            load_definitions(written(tmp_path, "BO_ 3758096384 M: 8 X\n"))
        again = pickle.loads(pickle.dumps(caught.value))  # noqa: S301 (written a line above)
        assert (str(again), again.source) == (str(caught.value), caught.value.source)
