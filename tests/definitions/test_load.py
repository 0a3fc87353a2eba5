from __future__ import annotations

import pickle
from dataclasses import dataclass
from typing import TYPE_CHECKING

import pytest

from buslens.definitions.load import load_definitions
from buslens.definitions.model import ByteOrder, Kind, Selection
from buslens.errors import DefinitionError, Source, UsageError

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


@dataclass(frozen=True)
class Tied:
    path: str
    channel: str | None = None
    source: Source | None = None


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
        assert supply.selection == Selection(selector="PAGE", ranges=((0, 0), (4, 4_000_000_000)))
        assert (temperature.order, temperature.kind) == (ByteOrder.MOTOROLA, Kind.SIGNED)
        assert (temperature.scale, temperature.offset) == (1, -40)
        assert isinstance(temperature.offset, int)
        assert temperature.unit == "\N{DEGREE SIGN}C"
        assert (level.kind, level.length, level.minimum) == (Kind.FLOAT, 32, None)
        assert (log.signals[0].start, log.signals[0].length, log.signals[0].last_byte) == (448, 64, 63)

    def test_lines(self, path: Path) -> None:
        column, log = load_definitions(path).messages
        assert column.source == Source(str(path), 13)
        assert [signal.source.line for signal in column.signals if signal.source] == [14, 15, 16, 17]
        assert log.source == Source(str(path), 19)

    def test_long_names_of_signals_that_select(self, tmp_path: Path) -> None:
        text = message(
            ' SG_ P M : 0|8@1+ (1,0) [0|0] "" X\n SG_ S m1 : 8|8@1+ (1,0) [0|0] "" X\n'
            'BA_DEF_ SG_ "SystemSignalLongSymbol" STRING ;\nBA_DEF_DEF_ "SystemSignalLongSymbol" "";\n'
            'BA_ "SystemSignalLongSymbol" SG_ 520 P "PAGE_WITH_A_LONG_NAME";'
        )
        page, selected = load_definitions(written(tmp_path, text)).messages[0].signals
        assert page.name == "PAGE_WITH_A_LONG_NAME"
        assert selected.selection == Selection(selector="PAGE_WITH_A_LONG_NAME", ranges=((1, 1),))

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
        assert len(load_definitions(written(tmp_path, text)).messages[0].signals) == 2


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
        one, two = (written(tmp_path, message(""), name) for name in ("one.dbc", "two.dbc"))
        with pytest.raises(DefinitionError, match="identifier 0x208 of M is already that of M") as caught:
            load_definitions(Tied(str(one), channel), Tied(str(two), channel))
        assert f"{one}:1" in str(caught.value)
        assert str(caught.value).startswith(f"{two}:1: ")

    def test_an_identifier_may_be_tied_and_untied(self, tmp_path: Path) -> None:
        one, two = (written(tmp_path, message(""), name) for name in ("one.dbc", "two.dbc"))
        assert [m.channel for m in load_definitions(one, Tied(str(two), "can1"))] == [None, "can1"]

    def test_the_widths_are_two_identifiers(self, tmp_path: Path) -> None:
        text = "BO_ 1 SHORT: 8 X\n\nBO_ 2147483649 LONG: 8 X\n"
        assert [m.can_id for m in load_definitions(written(tmp_path, text))] == [1, 1]

    def test_a_file_given_twice_counts_once(self, tmp_path: Path) -> None:
        path = written(tmp_path, PINEWICK)
        assert len(load_definitions(path, str(path)).messages) == 2


SELECTOR = ' SG_ P M : 0|8@1+ (1,0) [0|0] "" X\n'
PLAIN = ' SG_ S : 8|8@1+ (1,0) [0|0] "" X\n'
SELECTED = ' SG_ S m1 : 8|8@1+ (1,0) [0|0] "" X\n'


class TestErrors:
    """A file that cannot be used is refused with file, line, what was found and what would be right."""

    @pytest.mark.parametrize(
        ("text", "place", "part"),
        [
            ("", "", "the file is empty"),
            ("\r\n \n", "", "the file is empty"),
            ('VERSION "1"\nBU_: X\n', "", "the file defines no message"),
            ("nothing of the kind\n", "1:1", "'nothing of the kind' does not begin a statement of a DBC"),
            (message(" SG_ S : 0|8@1+ (1,0) [0|0] X"), "2:29", "'X' is not understood here; a right SG_ is: SG_ "),
            (message(' SG_ 2ND : 0|8@1+ (1,0) [0|0] "" X'), "2:6", "'2ND"),
            (message('CM_ SG_ 520 S "no end;'), "2:15", "a right CM_ is"),
            (message(PLAIN + "VAL_ 520 S 0 zero;"), "3:14", "a right VAL_ is"),
            # The signal whose line is not understood, not what refers to it.
            (message(PLAIN.replace(":", "") + 'VAL_ 520 S 0 "x" ;'), "2:9", "a right SG_ is"),
            (message("\x00\x00"), "2:1", "not understood"),
            (
                "BO_ 4660 M: 8 X\n",
                "1",
                "M: identifier 0x1234 has more than 11 bits; an extended one is written 21474883",
            ),
            ("BO_ 3758096384 M: 8 X\n", "1", "more than 29 bits"),
            ("BO_ 1 A: 8 X\n\nBO_ 1 B: 8 X\n", "3", "B: identifier 0x1 is already that of A in line 1"),
            ("BO_ 1 A: 5000 X\n", "1", "5000 bytes are more than"),
            (message(' SG_ S : 0|0@1+ (1,0) [0|0] "" X'), "2", "M.S: a signal has 1 to 64 bits, not 0"),
            (message(' SG_ S : 0|65@1+ (1,0) [0|0] "" X'), "2", "1 to 64 bits, not 65"),
            (message(' SG_ S : 0|999999999@1+ (1,0) [0|0] "" X'), "2", "1 to 64 bits"),
            (message(' SG_ S : 60|8@1+ (1,0) [0|0] "" X'), "2", "reaches into byte 9, and the message has 8"),
            (message(' SG_ S : 56|8@0+ (1,0) [0|0] "" X'), "2", "reaches into byte 9"),
            (message(PLAIN + PLAIN), "3", "two signals of this name"),
            (message(PLAIN + 'VAL_ 520 T 0 "x" ;'), "3", "VAL_ 520 T: message M has no such signal; known: S"),
            (message(PLAIN + 'VAL_ 521 S 0 "x" ;'), "3", "VAL_ 521 S: there is no such message"),
            (message(PLAIN + "SIG_VALTYPE_ 520 T : 1;"), "3", "no such signal"),
            (message(PLAIN + "SIG_VALTYPE_ 520 S : 1;"), "3", "a floating signal has 16, 32 or 64 bits, not 8"),
            (message(PLAIN + "SIG_VALTYPE_ 520 S : 7;"), "3", "value type 7"),
            (message(PLAIN + 'BA_ "Cycle" BO_ 520 1;'), "3", 'BA_ "Cycle": no BA_DEF_ defines this attribute'),
            (message(SELECTED), "2", "marked m1, but no signal of the message is marked M"),
            (message(SELECTOR + SELECTED.replace("m1", "q1")), "3", "mark 'q1' is neither M"),
            (
                message(SELECTOR + SELECTED + SELECTED.replace("S m1", "T m2M")),
                "3",
                "no SG_MUL_VAL_ says whether P or T selects it",
            ),
            (
                message(SELECTOR + SELECTED + "SG_MUL_VAL_ 520 S Q 1-1;"),
                "4",
                "selector 'Q' is no signal that is marked M",
            ),
            (message(SELECTOR + SELECTED + "SG_MUL_VAL_ 520 S P 4-1;"), "4", "range 4-1 runs backwards"),
            (message(SELECTOR + PLAIN + "SG_MUL_VAL_ 520 S P 1-1;"), "4", "not marked as selected"),
            (
                message(
                    SELECTED.replace("m1", "m1M")
                    + SELECTED.replace("S m1", "T m1M")
                    + "SG_MUL_VAL_ 520 S T 1-1;\nSG_MUL_VAL_ 520 T S 1-1;"
                ),
                "4",
                "circle",
            ),
            (
                message(
                    ' SG_ P M : 0|32@1+ (1,0) [0|0] "" X\n SG_ S m1 : 32|8@1+ (1,0) [0|0] "" X\nSIG_VALTYPE_ 520 P : 1;'
                ),
                "2",
                "a floating signal cannot select",
            ),
            (message(' SG_ S : 0|8@1+ (1e999,0) [0|0] "" X'), "2", "below 1e300"),
            (message(PLAIN + 'VAL_ 520 S 1.5 "x" ;'), "", "this file cannot be used"),
        ],
    )
    def test_bad_files(self, tmp_path: Path, text: str, place: str, part: str) -> None:
        path = written(tmp_path, text)
        with pytest.raises(DefinitionError) as caught:
            load_definitions(path)
        assert part in str(caught.value)
        assert str(caught.value).startswith(f"{path}:{place}: " if place else f"{path}: ")

    def test_a_file_cut_short_anywhere(self, tmp_path: Path) -> None:
        text = (
            'BO_ 520 MM: 8 XX\n SG_ SS : 0|8@1+ (1,0) [0|0] "" XX\n SG_ T : 8|8@1+ (1,0) [0|0] "" X\n'
            'CM_ "word";\nVAL_ 520 SS 0 "x" ;'
        )
        whole = {at for at in range(len(text) + 1) if text[:at].rstrip().endswith((" X", " XX", ";"))}
        for at in range(len(text) + 1):
            path = written(tmp_path, text[:at])
            if at in whole:
                load_definitions(path)
            else:
                with pytest.raises(DefinitionError):
                    load_definitions(path)

    def test_the_first_fault_in_the_file_is_told(self, tmp_path: Path) -> None:
        text = message(' SG_ S : 0|65@1+ (1,0) [0|0] "" X\nVAL_ 1 X 0 "x" ;')
        with pytest.raises(DefinitionError, match="65"):
            load_definitions(written(tmp_path, text))

    def test_no_such_file(self, tmp_path: Path) -> None:
        path = tmp_path / "none.dbc"
        with pytest.raises(DefinitionError, match="cannot be read: No such file") as caught:
            load_definitions(path)
        assert str(caught.value).startswith(f"{path}: ")

    def test_a_folder(self, tmp_path: Path) -> None:
        with pytest.raises(DefinitionError, match="cannot be read"):
            load_definitions(tmp_path)

    def test_a_file_that_another_file_names(self) -> None:
        source = Source("lock.toml", 2, 16)
        with pytest.raises(DefinitionError, match=r"^lock\.toml:2:16: 'none\.dbc': .* cannot be read"):
            load_definitions(Tied("none.dbc", source=source))

    def test_utf_16_cut_short(self, tmp_path: Path) -> None:
        with pytest.raises(DefinitionError, match="UTF-16"):
            load_definitions(written(tmp_path, b"\xff\xfeB\x00O"))

    def test_no_file_at_all(self) -> None:
        with pytest.raises(UsageError, match="name a DBC file"):
            load_definitions()

    def test_errors_travel_between_processes(self, tmp_path: Path) -> None:
        with pytest.raises(DefinitionError) as caught:
            load_definitions(written(tmp_path, "BO_ 4660 M: 8 X\n"))
        again = pickle.loads(pickle.dumps(caught.value))  # noqa: S301 (written a line above)
        assert (str(again), again.source) == (str(caught.value), caught.value.source)
