"""Files as practitioners have them, each made here with one thing wrong."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.examples import examples, is_thorough
from support.layouts import plain_layouts

from buslens.definitions import dbc, isolate
from buslens.definitions.dbc import parse_dbc
from buslens.definitions.model import ValueType
from buslens.errors import DefinitionError

if TYPE_CHECKING:
    from buslens.definitions.dbc import Parsed

PLAIN = ' SG_ S : 8|8@1+ (1,0) [0|0] "" X\n'
SELECTOR = ' SG_ P M : 0|8@1+ (1,0) [0|0] "" X\n'
SELECTED = ' SG_ S m1 : 8|8@1+ (1,0) [0|0] "" X\n'
SOUND = 'BO_ 7 SOUND: 8 X\n SG_ T : 0|8@1+ (1,0) [0|0] "" X\n'


def message(text: str) -> str:
    """Return a DBC with one message of 8 bytes, identifier 520, and the given text behind ``BO_``."""
    return f"BO_ 520 M: 8 X\n{text}\n"


def read(text: str) -> Parsed:
    return parse_dbc(text.encode("cp1252"), "car.dbc")


def signals(parsed: Parsed) -> list[str]:
    """Return what can be used, as ``MESSAGE.SIGNAL``; a message without signals as ``MESSAGE``."""
    return [
        ".".join(parts)
        for message in parsed.messages
        for parts in ([(message.name, signal.name) for signal in message.signals] or [(message.name,)])
    ]


class TestLeftOut:
    """What cannot be used is left out, with its line, its name and the reason; everything else is there."""

    @pytest.mark.parametrize(
        ("text", "place", "reason"),
        [
            # Messages.
            ("BO_ 3758096384 A: 8 X\n" + PLAIN, "1", "A: identifier 0x60000000 has more than 29 bits"),
            ("BO_ 1 A: 5000 X\n" + PLAIN, "1", "A: 5000 bytes are more than the 4095"),
            ("BO_ 1 A 8 X\n" + PLAIN, "1:9", "A: '8 X' is not understood here; a right BO_ is: BO_ 520 "),
            ("BO_ 1.5 A: 8 X\n" + PLAIN, "1:1", "A: 'BO_ 1.5 A: 8 X' is not understood here"),
            ("BO_ 1 TWO WORDS: 8 X\n" + PLAIN, "1:11", "TWO: 'WORDS: 8 X' is not understood here"),
            (' SG_ LONELY : 0|8@1+ (1,0) [0|0] "" X\n', "1", "LONELY: no BO_ stands right before this signal"),
            # What belongs to nothing.
            ("stray text\n", "1:1", "text: 'stray text' does not begin a statement of a DBC file"),
            ("CAT_DEF_ 1 x ;\n", "1:1", "CAT_DEF_ 1 x: 'CAT_DEF_ 1 x ;' is not understood here"),
            ("\x00\x00\n", "1:1", "text: "),
            ('VAL_ 521 S 0 "x" ;\n', "1", "VAL_ 521 S: there is no such message"),
            ("SIG_VALTYPE_ 521 S : 1;\n", "1", "SIG_VALTYPE_ 521 S: there is no such message"),
            ('CM_ BO_ 521 "x";\n', "1", "CM_ 521: there is no such message"),
            ('CM_ SG_ 521 S "x";\n', "1", "CM_ 521 S: there is no such message"),
            ('CM_ SG_ 7 U "x";\n', "1", "CM_ 7 U: message SOUND has no such signal; known: T"),
            ('BA_DEF_ BO_ "C" INT 0 9;\nBA_ "C" BO_ 521 1;\n', "2", "BA_ 521: there is no such message"),
            ('BA_ "Cycle" BO_ 7 1;\n', "1", 'BA_ "Cycle": no BA_DEF_ defines this attribute'),
            ('BA_DEF_ BO_ "Cycles" INT 0 9;\nBA_ "Cycle" BO_ 7 1;\n', "2", "did you mean 'Cycles'?"),
            # Statements that the parser does not understand, or will not have.
            ('CM_ SG_ 7 "stray" text;\n', "1:11", "CM_ SG_ 7: '\"stray\" text;' is not understood here; a right CM_"),
            ('CM_ "word" "word";\n', "1:12", "is not understood here; a right CM_ is: CM_ SG_ 520"),
            ("VAL_ 7 T 0 zero;\n", "1:12", "'zero;' is not understood here; a right VAL_ is"),
            ('VAL_ 7 T 1.5 "x" ;\n', "1", "VAL_ 7 T: the parser refuses it (invalid literal"),
            ('VAL_TABLE_ A 1.5 "x" ;\n', "1", "VAL_TABLE_ A 1.5: the parser refuses it"),
            ('BA_DEF_ BO_ "C" INT 0;\n', "1", "BA_DEF_ BO_: the parser refuses it"),
            ('BA_DEF_ BO_ "C" INT 0 9;\nBA_ "C" BO_ 7 "text";\n', "2", "BA_: the parser refuses it"),
            ('BA_DEF_REL_ BU_SG_REL_ "C" INT 0;\n', "1", "BA_DEF_REL_ BU_SG_REL_: the parser refuses it"),
            ('BA_DEF_ BO_ "VFrameFormat" ENUM "a","b";\nBA_ "VFrameFormat" BO_ 7 9;\n', "2", "the parser refuses it"),
        ],
    )
    def test_beside_a_sound_message(self, text: str, place: str, reason: str) -> None:
        for before, after in ((text, ""), (text, SOUND.replace("7 SOUND", "8 OTHER")), ("", "")):
            parsed = read(before + SOUND + after)
            assert "SOUND.T" in signals(parsed)
            assert [message.name for message in parsed.messages] == ["SOUND", "OTHER"][: 1 + bool(after)]
            if before:
                (problem,) = parsed.problems
                assert str(problem).startswith(f"car.dbc:{place}: ")
                assert reason in str(problem)
                assert not problem.is_note

    @pytest.mark.parametrize(
        ("text", "kept", "place", "reason"),
        [
            (' SG_ Q : 0|0@1+ (1,0) [0|0] "" X', "", "2", "M.Q: a signal has 1 to 64 bits, not 0"),
            (' SG_ Q : 0|65@1+ (1,0) [0|0] "" X', "", "2", "1 to 64 bits, not 65"),
            (' SG_ Q : 0|999999999@1+ (1,0) [0|0] "" X', "", "2", "1 to 64 bits"),
            (' SG_ Q : 0|-8@1+ (1,0) [0|0] "" X', "", "2", "M.Q: a signal has 1 to 64 bits, not -8"),
            (' SG_ Q : -1|8@1+ (1,0) [0|0] "" X', "", "2", "M.Q: a signal begins at bit 0 or behind it, not at -1"),
            (f' SG_ Q : {"9" * 21}|8@1+ (1,0) [0|0] "" X', "", "2", "M.Q: the parser refuses it"),
            (f' SG_ Q : {"0" * 21}8|8@1+ (1,0) [0|0] "" X', "", "2", "M.Q: no such bits: a place is such as 8|16@1"),
            (' SG_ Q : 60|8@1+ (1,0) [0|0] "" X', "", "2", "M.Q: it reaches into byte 9, and the message has 8"),
            (' SG_ Q : 56|8@0+ (1,0) [0|0] "" X', "", "2", "reaches into byte 9"),
            (' SG_ Q : 0|8@1+ (1e999,0) [0|0] "" X', "", "2", "M.Q: scale and offset must be below 1e280"),
            (' SG_ Q : 0.5|8@1+ (1,0) [0|0] "" X', "", "2", "M.Q: the parser refuses it"),
            (" SG_ Q : 0|8@1+ (1,0) [0|0] X", "", "2:29", "M.Q: 'X' is not understood here; a right SG_ is: SG_ "),
            (" SG_ Q 0|8@1+ (1,0) [0|0] X", "", "2:8", "'0|8@1+ (1,0) [0|0] X' is not understood here; a right SG_"),
            (PLAIN + PLAIN.replace("8|8", "0|8"), "S", "3", "M.S: the message has two signals of this name"),
            (PLAIN + 'VAL_ 520 T 0 "x" ;', "S", "3", "VAL_ 520 T: message M has no such signal; known: S"),
            (PLAIN + "SIG_VALTYPE_ 520 T : 1;", "S", "3", "no such signal"),
            (PLAIN + "SG_MUL_VAL_ 520 T P 1-1;", "S", "3", "no such signal"),
            (PLAIN + "SIG_VALTYPE_ 520 S : 1;", "", "3", "M.S: a floating signal has 16, 32 or 64 bits, not 8"),
            (PLAIN + "SIG_VALTYPE_ 520 S : 7;", "", "3", "M.S: value type 7"),
            (SELECTOR + SELECTED.replace("m1", "q1"), "P", "3", "M.S: mark 'q1' is neither M"),
            (SELECTOR + SELECTED + "SG_MUL_VAL_ 520 S Q 1-1;", "P", "4", "selector 'Q' is no signal that is marked M"),
            (SELECTOR + SELECTED + "SG_MUL_VAL_ 520 S P 4-1;", "P", "4", "range 4-1 runs backwards"),
            (SELECTOR + PLAIN + "SG_MUL_VAL_ 520 S P 1-1;", "P", "4", "not marked as selected"),
        ],
    )
    def test_a_signal(self, text: str, kept: str, place: str, reason: str) -> None:
        parsed = read(message(text) + SOUND)
        assert signals(parsed) == [f"M.{kept}".rstrip("."), "SOUND.T"]
        (problem,) = parsed.problems
        assert str(problem).startswith(f"car.dbc:{place}: ")
        assert reason in str(problem)
        assert not problem.is_note

    def test_what_hangs_on_it_goes_in_silence(self) -> None:
        bad = ' SG_ Q : 60|8@1+ (1,0) [0|0] "" X\n'
        about = (
            'CM_ SG_ 520 Q "x";\nBA_DEF_ SG_ "A" INT 0 9;\nBA_ "A" SG_ 520 Q 1;\n'
            'VAL_ 520 Q 0 "x" ;\nSIG_VALTYPE_ 520 Q : 0;\n'
        )
        assert len(read(message(bad + PLAIN + about)).problems) == 1

    @pytest.mark.parametrize(
        "selector",
        [
            ' SG_ P M : 0|4@1+ (1e999,0) [0|0] "" X\n',
            f' SG_ P M : {"9" * 21}|4@1+ (1,0) [0|0] "" X\n',
            ' SG_ P M : 0.5|4@1+ (1,0) [0|0] "" X\n',
        ],
    )
    def test_what_it_selects_goes_too(self, selector: str) -> None:
        parsed = read(
            message(selector + SELECTED + SELECTED.replace("SG_ S m1", "SG_ T m2") + PLAIN.replace(" S ", " U "))
        )
        assert signals(parsed) == ["M.U"]

    def test_a_message_goes_with_its_signals(self) -> None:
        # They must not become signals of the message before.
        parsed = read(SOUND + "BO_ 520 M 8 X\n" + PLAIN + 'VAL_ 520 S 0 "x" ;\n')
        assert signals(parsed) == ["SOUND.T"]
        assert [problem.source.line for problem in parsed.problems if problem.subject == "M"] == [3]

    def test_what_a_missing_signal_selects(self) -> None:
        text = SELECTOR.replace("0|8", "60|8") + SELECTED + PLAIN.replace("S :", "T :")
        parsed = read(message(text))
        assert signals(parsed) == ["M.T"]
        assert [problem.subject for problem in parsed.problems] == ["M.P", "M.S"]
        assert "the signal P that selects it is left out" in parsed.problems[1].reason

    def test_two_selectors_of_which_one_goes(self) -> None:
        # What is left must not pass for the selector of everything.
        text = (
            SELECTOR
            + ' SG_ R M : 60|8@1+ (1,0) [0|0] "" X\n'
            + SELECTED
            + ' SG_ U m1 : 16|8@1+ (1,0) [0|0] "" X\nSG_MUL_VAL_ 520 S P 1-1;\nSG_MUL_VAL_ 520 U R 1-1;'
        )
        parsed = read(message(text))
        assert signals(parsed) == ["M.P", "M.S"]
        assert parsed.messages[0].signal("S").selection is not None

    def test_selectors_in_a_circle(self) -> None:
        text = SELECTED.replace("m1", "m1M") + ' SG_ T m1M : 16|8@1+ (1,0) [0|0] "" X\n'
        parsed = read(message(text + "SG_MUL_VAL_ 520 S T 1-1;\nSG_MUL_VAL_ 520 T S 1-1;"))
        assert signals(parsed) == ["M"]
        assert all("circle" in problem.reason for problem in parsed.problems)

    def test_a_floating_selector(self) -> None:
        text = ' SG_ P M : 0|32@1+ (1,0) [0|0] "" X\n SG_ S m1 : 32|8@1+ (1,0) [0|0] "" X\nSIG_VALTYPE_ 520 P : 1;'
        assert signals(read(message(text))) == ["M"]

    def test_signals_of_no_message(self) -> None:
        text = 'BO_ 3221225472 VECTOR__INDEPENDENT_SIG_MSG: 0 X\n SG_ LOST : 0|8@1+ (1,0) [0|0] "" X\n'
        parsed = read(text + 'VAL_ 3221225472 LOST 0 "x" ;\nCM_ SG_ 3221225472 LOST "x";\n')
        assert parsed.messages == ()


class TestUsedAllTheSame:
    """What can only mean one thing is used, with a note."""

    def test_a_missing_extended_flag(self) -> None:
        text = (
            "BO_ 4660 M: 8 X\n" + PLAIN + 'CM_ SG_ 4660 S "word";\nBA_DEF_ BO_ "GenMsgCycleTime" INT 0 9;\n'
            'BA_DEF_DEF_ "GenMsgCycleTime" 0;\nBA_ "GenMsgCycleTime" BO_ 4660 5;\nVAL_ 4660 S 1 "one" ;\n'
            "BO_TX_BU_ 4660 : X,Y;\n"
        )
        (found,), (note,) = read(text)
        assert (found.can_id, found.is_extended, found.cycle_ns) == (0x1234, True, 5_000_000)
        assert (found.signal("S").labels, found.signal("S").comment) == ({1: "one"}, "word")
        assert found.senders == ("X", "Y")
        assert note.is_note
        assert "more than 11 bits, and not the flag of an extended one" in note.reason
        assert "which is written 2147488308" in note.reason

    def test_the_flag_missing_in_one_of_two(self) -> None:
        parsed = read("BO_ 4660 M: 8 X\n" + PLAIN + "BO_ 2147488308 M: 8 X\n" + PLAIN)
        assert signals(parsed) == ["M.S"]
        assert [problem.is_note for problem in parsed.problems] == [True, True]

    def test_the_same_message_twice(self) -> None:
        parsed = read(message(PLAIN) + SOUND + message(PLAIN.replace("(1,0)", "( 1, 0)")) + 'VAL_ 520 S 1 "x" ;\n')
        assert signals(parsed) == ["M.S", "SOUND.T"]
        assert parsed.messages[0].signal("S").labels == {1: "x"}
        (note,) = parsed.problems
        assert (note.is_note, str(note)) == (
            True,
            "car.dbc:6: M: the same message is in line 1 already; the two are one",
        )

    def test_two_messages_of_one_identifier(self) -> None:
        parsed = read(message(PLAIN) + "BO_ 520 N: 8 X\n" + PLAIN.replace("S :", "T :") + 'VAL_ 520 T 1 "x" ;\n')
        assert signals(parsed) == ["M.S"]
        (problem,) = parsed.problems
        assert not problem.is_note
        assert str(problem).startswith("car.dbc:4: N: identifier 0x208 is already that of M in line 1")

    @pytest.mark.parametrize(
        "name",
        ["2ND", "A.B", "A-B", "9", "1.5e3", "VERSION", "CM_", "T\N{LATIN SMALL LETTER U WITH DIAERESIS}R", "A/B", "%"],
    )
    def test_names_that_are_no_identifiers(self, name: str) -> None:
        text = message(PLAIN.replace("S :", f"{name} :") + f'VAL_ 520 {name} 1 "one" ;\nCM_ SG_ 520 {name} "word";')
        parsed = read(text + f"BO_ 8 {name}: 8 X\n" + PLAIN)
        assert signals(parsed) == [f"M.{name}", f"{name}.S"]
        assert parsed.messages[0].signal(name).labels == {1: "one"}
        assert parsed.messages[0].signal(name).comment == "word"
        assert parsed.problems == ()

    def test_names_that_become_alike(self) -> None:
        names = ["A.B", "A-B", "A_B", "A/B"]
        lines = "".join(f' SG_ {name} : {8 * k}|8@1+ (1,0) [0|0] "" X\n' for k, name in enumerate(names))
        tables = "".join(f'VAL_ 520 {name} {k} "is {k}" ;\n' for k, name in enumerate(names))
        (found,), problems = read(message(lines + tables))
        assert [(signal.name, signal.labels) for signal in found.signals] == [
            (name, {k: f"is {k}"}) for k, name in enumerate(names)
        ]
        assert problems == ()

    def test_selectors_with_such_names(self) -> None:
        text = SELECTOR.replace("P M", "1.P M") + SELECTED + "SG_MUL_VAL_ 520 S 1.P 1-3;"
        (found,), problems = read(message(text))
        selection = found.signal("S").selection
        assert selection is not None
        assert (selection.selector, selection.ranges, problems) == ("1.P", ((1, 3),), ())

    @pytest.mark.parametrize(
        "statement", ['VAL_ 520 S 1 "one"', 'CM_ SG_ 520 S "word"', "SIG_VALTYPE_ 520 S : 0", 'CM_ "word"']
    )
    def test_a_missing_semicolon(self, statement: str) -> None:
        parsed = read(message(PLAIN + statement) + SOUND)
        assert signals(parsed) == ["M.S", "SOUND.T"]
        (note,) = parsed.problems
        assert note.is_note
        assert note.reason == "its semicolon is missing"
        assert (parsed.messages[0].signal("S").labels, parsed.messages[0].signal("S").comment) == (
            {1: "one"} if "one" in statement else {},
            "word" if "SG_" in statement and "word" in statement else "",
        )

    @pytest.mark.parametrize("mark", ["m1", "m"])
    def test_nothing_that_selects(self, mark: str) -> None:
        parsed = read(message(SELECTED.replace("m1", mark)))
        assert signals(parsed) == ["M.S"]
        assert parsed.messages[0].signal("S").selection is None
        (note,) = parsed.problems
        assert note.is_note
        assert f"it is marked {mark}, but no signal of the message is marked M; it is taken to be" in note.reason

    def test_flags_over_a_code(self) -> None:
        lines = "".join(f' SG_ F{bit} : {bit}|1@1+ (1,0) [0|0] "" X\n' for bit in range(8))
        parsed = read(message(' SG_ CODE : 7|8@0+ (1,0) [0|0] "" X\n' + lines))
        assert len(parsed.messages[0].signals) == 9
        assert [problem.subject for problem in parsed.problems] == [f"M.F{bit}" for bit in range(8)]
        assert all(problem.is_note for problem in parsed.problems)

    def test_signals_that_are_never_together_do_not_overlap(self) -> None:
        assert read(message(SELECTOR + SELECTED + SELECTED.replace("S m1", "T m2"))).problems == ()
        (note,) = read(message(SELECTOR + SELECTED + SELECTED.replace("S m1", "T m1"))).problems
        assert note.reason == "it shares bits with S; each of them is decoded"

    @pytest.mark.parametrize(
        "text",
        [
            SOUND,
            f"NS_ :\n\tCM_\n\tBO_TX_BU_\n{SOUND}",
            f"BU_: X\n{SOUND}",
            f"NS_ :\n\n{SOUND}",
            f"NS_ :\nBU_: X\n{SOUND}",
            f"BS_: 500 : 1,1\n{SOUND}",
            SOUND.replace("\n ", " "),
            f'{SOUND.rstrip()} VERSION "1"',
            f"// a remark\n{SOUND}// BO_ 8 NOT: 8 X\n",
        ],
    )
    def test_missing_sections_and_odd_lines(self, text: str) -> None:
        parsed = read(text)
        assert signals(parsed) == ["SOUND.T"]
        assert parsed.problems == ()

    def test_keywords_within_comments(self) -> None:
        text = message(PLAIN + 'CM_ BO_ 520 "first\nBO_ 1 says: 8 X\n SG_ so : 0|1@1+ (1,0) [0|0] ;\nVAL_ 3 x";')
        text = text.replace("says: 8 X\n SG_ so : 0|1@1+ (1,0) [0|0] ;", "says: 8 X")
        parsed = read(text + " SG_ LATE : 0|8 nonsense\n" + SOUND)
        assert signals(parsed)[-1] == "SOUND.T"
        assert parsed.messages[0].comment == "first\nBO_ 1 says: 8 X\nVAL_ 3 x"


class TestMissingQuotes:
    """A quote without its other half costs the statement that it is in, not the file."""

    @pytest.mark.parametrize(
        "broken",
        [
            'CM_ SG_ 520 S "no end;\n',
            'CM_ SG_ 520 S no beginning";\n',
            'CM_ "no end\n',
            'VAL_ 520 S 0 "zero 1 "one" ;\n',
            'VAL_ 520 S 0 "zero" 1 "one ;\n',
            'VAL_ 520 S 0 zero" 1 "one" ;\n',
            'CM_ SG_ 520 S "a path C:\\";\n',
            'BA_DEF_ BO_ "Name STRING ;\n',
        ],
    )
    @pytest.mark.parametrize("copies", [1, 2, 3])
    def test_everything_else_is_there(self, broken: str, copies: int) -> None:
        rest = 'VAL_ 7 T 1 "a" 2 "b" ;\nCM_ SG_ 7 T "word";\nBA_DEF_ BO_ "C" STRING ;\nBA_ "C" BO_ 7 "x";\n'
        parsed = read(message(PLAIN) + broken * copies + SOUND + rest)
        assert signals(parsed) == ["M.S", "SOUND.T"]
        sound = parsed.messages[1]
        assert (sound.signal("T").labels, sound.signal("T").comment) == ({1: "a", 2: "b"}, "word")
        assert sound.attributes == {"C": "x"}
        # Two of them may pair up, and are one.
        told = {problem.source.line for problem in parsed.problems}
        assert told
        assert told <= {4 + k for k in range(copies)}

    @pytest.mark.parametrize("unit", ['"', '"V', 'V"'])
    def test_in_a_unit(self, unit: str) -> None:
        bad = PLAIN.replace('""', unit).replace("S :", "Q :")
        parsed = read(message(bad + PLAIN) + SOUND)
        assert signals(parsed) == ["M.S", "SOUND.T"]
        assert [(problem.source.line, problem.subject) for problem in parsed.problems] == [(2, "M.Q")]


FILE = (
    'VERSION "1"\n\nNS_ :\n\tCM_\n\nBS_:\n\nBU_: X Y\n\n'
    + message(PLAIN)
    + SOUND
    + 'CM_ SG_ 7 T "word; with \\"marks\\"";\nBA_DEF_ BO_ "GenMsgCycleTime" INT 0 99;\n'
    + 'BA_DEF_DEF_ "GenMsgCycleTime" 0;\nBA_ "GenMsgCycleTime" BO_ 7 25;\n'
    + 'VAL_ 520 S 1 "one" 2 "two" ;\nVAL_ 7 T 1 "one" ;\nSIG_VALTYPE_ 7 T : 0;\n'
)


class TestCutShort:
    """A file that ends too early gives all that stands before its last statement, and no more than it says."""

    @pytest.mark.parametrize("ends", ["\n", "\r\n", "\r"])
    def test_anywhere(self, ends: str) -> None:
        whole = FILE.replace("\n", ends)
        everything = read(FILE).messages
        for at in range(whole.index("BO_ 520"), len(whole), 1 if ends == "\n" or is_thorough() else 7):
            text = whole[:at]
            try:
                parsed = read(text)
            except DefinitionError:
                assert at <= whole.index("BO_ 7")
                continue
            for found in parsed.messages:
                (real,) = (message for message in everything if message.can_id == found.can_id)
                assert found.cycle_ns in {None, real.cycle_ns}
                for signal in found.signals:
                    assert signal.start == real.signal(signal.name).start
                    assert signal.labels.items() <= real.signal(signal.name).labels.items()
            if at >= whole.index("CM_ SG_ 7"):
                assert signals(parsed) == ["M.S", "SOUND.T"]
            if at >= whole.index("VAL_ 520"):
                assert parsed.messages[1].cycle_ns == 25_000_000

    def test_the_last_statement_is_told(self) -> None:
        (problem,) = read(FILE[: FILE.index("25;") + 1]).problems
        assert problem.source.line == FILE[: FILE.index("25;")].count("\n") + 1
        assert "it is not finished; a right BA_ is: BA_ " in problem.reason


class TestDamage:
    """Whatever happens to one message's statements, the other messages stay as they are."""

    @given(st.data())
    @settings(max_examples=examples(60), deadline=None)
    def test_one_damaged_place(self, data: st.DataObject) -> None:
        texts, others = [], {}
        for number in (0x100, 0x200, 0x300):
            layout = data.draw(plain_layouts())
            layout.number = number
            name = f"M{number:X}"
            texts.append(layout.dbc().split("BU_: NODE\n", 1)[1].replace("MESSAGE", name))
            others[number] = read(texts[-1]).messages[0]
        hurt = texts[1]
        at = data.draw(st.integers(hurt.index("\n") - 12, len(hurt) - 2))
        length = data.draw(st.integers(0, 3))
        put = data.draw(st.text("\"';:|@(x9 -\n.\x00", max_size=3))
        texts[1] = hurt[:at] + put + hurt[at + length :].rstrip("\n") + "\n"
        found = {message.can_id: message for message in read("".join(texts)).messages}
        for number in (0x100, 0x300):
            assert found[number] == others[number]

    @given(st.binary(max_size=200), st.sampled_from(["", "BO_ 1 A: 8 X\n", 'VAL_ 1 S 0 "', " SG_ S : 0|8@1+ "]))
    @settings(max_examples=examples(60), deadline=None)
    def test_any_bytes(self, content: bytes, before: str) -> None:
        try:
            parsed = parse_dbc(before.encode() + content + b"\n" + SOUND.encode(), "any.dbc")
        except DefinitionError as error:
            assert str(error).startswith("any.dbc")  # noqa: PT017  (either outcome is right)
        else:
            assert all(problem.source.path == "any.dbc" for problem in parsed.problems)


class TestCost:
    """Many bad statements cost little more than many good ones: no way of narrowing is quadratic."""

    def text_parsed(self, text: str, monkeypatch: pytest.MonkeyPatch) -> int:
        """Return the characters that cantools was given in all, for a file of this text."""
        given = []
        load = isolate.load
        with monkeypatch.context() as patch:
            for module in (isolate, dbc):
                patch.setattr(module, "load", lambda text: given.append(len(text)) or load(text))
            read(text)
        return sum(given)

    @pytest.mark.parametrize(
        "bad",
        [
            "CM_ SG_ {0} no quotes;\n",
            'CM_ SG_ {0} S "no end;\n',
            'VAL_ {0} S 1.5 "x" ;\n',
            "BO_ {0} BAD 8 X\n",
            " SG_ BAD{0} : 0|8@1+ (1,0) [0|0] X\n",
        ],
    )
    def test_eight_times_as_many_cost_about_eight_times(self, bad: str, monkeypatch: pytest.MonkeyPatch) -> None:
        def file(n: int) -> str:
            return "".join(
                f"BO_ {2048 + k} M{k}: 8 X\n".replace(str(2048 + k), str((1 << 31) + k))
                + PLAIN
                + bad.format((1 << 31) + k)
                for k in range(n)
            )

        few, many = (self.text_parsed(file(n), monkeypatch) for n in (12, 96))
        # A quadratic way would give it 64 times as much; the logarithm of halving adds to the 8.
        assert few > 0
        assert many < 16 * few


class TestKinds:
    """What is left of a message means what it did."""

    def test_floats_stay_floats(self) -> None:
        text = ' SG_ F : 0|32@1- (1,0) [0|0] "" X\nSIG_VALTYPE_ 520 F : 1;\nSIG_VALTYPE_ 521 G : 1;'
        (found,), problems = read(message(text))
        assert found.signal("F").kind is ValueType.FLOAT
        assert len(problems) == 1
