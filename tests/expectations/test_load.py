"""Expectations files, read and refused."""

from __future__ import annotations

import pickle
import re
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.examples import examples

from buslens.errors import ExpectationError, SourceLocation
from buslens.expectations.load import load_expectations, parse_expectations
from buslens.expectations.model import (
    Agree,
    Alive,
    And,
    Becomes,
    DefinitionsFile,
    Expectations,
    GuardedEdge,
    Is,
    Never,
    Or,
    Precedes,
    Pulse,
    Range,
    Role,
    Sequence,
    Step,
    Timeout,
    Trigger,
    WrittenCondition,
)

HANDSHAKE = Path(__file__).parent / "data" / "handshake.toml"
MS = 1_000_000

HEAD = """format = 1
[roles.door]
signal = "BODY.DOOR"
states = { open = "open", closed = "shut" }
[roles.enable]
signal = "LOCK.ENABLE"
states = { off = 0, on = 1 }
[roles.supply]
signal = "COLUMN.SUPPLY"
unit = "V"
"""
NAMED = '[[rules]]\nname = "x"\n'
HEAD_LINES = HEAD.count("\n")


def becomes(role: str, state: str) -> Trigger:
    return Trigger(moments=(GuardedEdge(edge=Becomes(role=role, state=state)),), text=f"{role} becomes {state}")


def holds(role: str, state: str) -> WrittenCondition:
    return WrittenCondition(condition=Is(role=role, state=state), text=f"{role} is {state}")


def read(text: str) -> Expectations:
    return parse_expectations(text.encode(), "x.toml", definitions_needed=False)


def problems(file: str) -> list[tuple[int | None, int | None, str]]:
    """Return line, column and text of everything that is wrong with a file."""
    with pytest.raises(ExpectationError) as caught:
        read(file)
    found: list[tuple[int | None, int | None, str]] = []
    for text in str(caught.value).split("\n"):
        match = re.fullmatch(r"x\.toml:(\d+):(\d+): (.*)", text)
        found.append((int(match[1]), int(match[2]), match[3]) if match else (None, None, text))
    return found


def rule(text: str) -> list[tuple[int | None, int | None, str]]:
    """Return what is wrong with rules behind some good roles, lines counted from the first rule."""
    return [(line and line - HEAD_LINES, column, words) for line, column, words in problems(HEAD + text)]


@pytest.fixture(scope="module")
def expectations() -> Expectations:
    return load_expectations(HANDSHAKE, definitions_needed=False)


class TestHandshakeFile:
    """The file that shows all seven kinds of rule means what its words say."""

    def test_definitions(self, expectations: Expectations) -> None:
        assert expectations.path == str(HANDSHAKE)
        assert expectations.definitions == (DefinitionsFile(path=str(HANDSHAKE.parent / "pinewick.dbc")),)

    def test_roles(self, expectations: Expectations) -> None:
        assert list(expectations.roles.values()) == [
            Role(
                name="door_open",
                message="BODY_DOORS",
                signal="DRIVER_DOOR",
                states={"open": ("open",), "closed": ("shut",)},
            ),
            Role(
                name="ignition",
                message="POWER_MODE",
                signal="STAGE",
                states={"off": ("off", "accessory"), "on": ("run", "crank")},
                timeout=300 * MS,
            ),
            Role(name="lock_enable", message="LOCK_COMMAND", signal="ENABLE", states={"off": (0,), "on": (1,)}),
            Role(
                name="unlock_feedback",
                message="COLUMN_STATE",
                signal="UNLOCK_FEEDBACK",
                states={"locked": (0,), "unlocked": (1,)},
                lag_ns=10 * MS,
            ),
            Role(
                name="data_feedback",
                message="COLUMN_STATE",
                signal="BOLT",
                states={"locked": ("locked",), "unlocked": ("released",)},
                timeout=Timeout.NEVER,
            ),
            Role(name="supply_voltage", message="COLUMN_STATE", signal="SUPPLY", unit="V"),
        ]

    def test_rules(self, expectations: Expectations) -> None:
        on, locked = Is(role="ignition", state="on"), Is(role="unlock_feedback", state="locked")
        also = Is(role="data_feedback", state="locked")
        assert expectations.rules == (
            Sequence(
                name="lock handshake",
                basis="invented for the demonstration",
                start=becomes("door_open", "open"),
                given=WrittenCondition(
                    condition=And(
                        parts=(Is(role="ignition", state="off"), Is(role="unlock_feedback", state="unlocked"))
                    ),
                    text="ignition is off and unlock_feedback is unlocked",
                ),
                abandon=becomes("door_open", "closed"),
                tries=2,
                steps=(
                    Step(name="enable on", await_=becomes("lock_enable", "on"), within_ns=400 * MS),
                    Step(
                        name="wire feedback",
                        await_=becomes("unlock_feedback", "locked"),
                        after_ns=50 * MS,
                        within_ns=600 * MS,
                    ),
                    Step(name="data feedback", await_=becomes("data_feedback", "locked"), within_ns=300 * MS),
                    Step(
                        name="enable off",
                        await_=becomes("lock_enable", "off"),
                        from_="enable on",
                        within_ns=900 * MS,
                    ),
                ),
            ),
            Pulse(name="enable pulse", of=holds("lock_enable", "on"), least_ns=150 * MS, most_ns=700 * MS),
            Never(
                name="ignition interlock",
                when=WrittenCondition(
                    condition=And(parts=(on, Or(parts=(locked, also)))),
                    text="ignition is on and (unlock_feedback is locked or data_feedback is locked)",
                ),
                longer_than_ns=50 * MS,
            ),
            Agree(
                name="feedback agreement",
                first=holds("unlock_feedback", "locked"),
                second=holds("data_feedback", "locked"),
                settle_ns=350 * MS,
            ),
            Alive(name="column message", message="COLUMN_STATE", cycle_ns=25 * MS, timeout_ns=75 * MS),
            Range(
                name="supply while driving",
                of="supply_voltage",
                least=9.5,
                most=16.0,
                while_=holds("lock_enable", "on"),
            ),
            Precedes(
                name="release order",
                first=becomes("unlock_feedback", "unlocked"),
                then=becomes("ignition", "on"),
                within_ns=2_000 * MS,
            ),
        )

    def test_places(self, expectations: Expectations) -> None:
        """Roles and rules know where they stand, in the words of the file."""
        lines = HANDSHAKE.read_text(encoding="utf-8").split("\n")

        def at(source: SourceLocation | None) -> str:
            assert source is not None
            assert source.line is not None
            assert source.column is not None
            return lines[source.line - 1][source.column - 1 :]

        role = expectations.roles["ignition"]
        assert at(role.source).startswith("[roles.ignition]")
        assert at(role.places["message"]).startswith("POWER_MODE.STAGE")
        assert at(role.places["signal"]).startswith("STAGE")
        assert at(role.places["states.off.1"]).startswith('"accessory"')
        assert at(expectations.rules[4].source) == "[[rules]]"
        assert at(expectations.rules[4].places["message"]) == '"COLUMN_STATE"'
        assert at(expectations.definitions[0].source).startswith('"pinewick.dbc"')

    def test_survives_the_way_to_another_process(self, expectations: Expectations) -> None:
        assert pickle.loads(pickle.dumps(expectations)) == expectations  # noqa: S301 - our own bytes


class TestGood:
    """What may be written besides."""

    def test_only_what_is_needed(self) -> None:
        assert read('format = 1\n[[rules]]\nname = "x"\nkind = "alive"\nmessage = "M"\n').rules == (
            Alive(name="x", message="M"),
        )

    def test_definitions_tied_to_a_channel(self) -> None:
        text = 'format = 1\ndefinitions = ["a.dbc", { file = "b.dbc", channel = "can1" }]\n[roles]\n' + HEAD[11:]
        assert [(Path(file.path).name, file.channel) for file in read(text).definitions] == [
            ("a.dbc", None),
            ("b.dbc", "can1"),
        ]

    @pytest.mark.parametrize("unit", ['""', '"1"'])
    def test_number_without_unit(self, unit: str) -> None:
        made = read(
            f'format = 1\n[roles.n]\nsignal = "A.B"\nunit = {unit}\n'
            '[[rules]]\nname = "x"\nkind = "range"\nof = "n"\nleast = 2\nmost = "3.5"\nlonger_than = "0 ms"\n'
        )
        assert made.roles["n"].is_number
        assert made.rules == (Range(name="x", of="n", least=2.0, most=3.5, longer_than_ns=0),)

    def test_limits_in_other_prefixes(self) -> None:
        (only,) = read(HEAD + '[[rules]]\nname = "x"\nkind = "range"\nof = "supply"\nleast = "9500 mV"\n').rules
        assert isinstance(only, Range)
        assert only.least == 9.5

    def test_limits_may_be_equal(self) -> None:
        pulse, order = read(
            HEAD + NAMED + 'kind = "pulse"\nof = "enable is on"\nleast = "1 s"\nmost = "1000 ms"\n'
            '[[rules]]\nname = "s"\nkind = "sequence"\nstart = "door becomes open"\n'
            'steps = [{ name = "a", await = "enable becomes on", after = "1 s", within = "1 s" }]\n'
        ).rules
        assert pulse == Pulse(name="x", of=holds("enable", "on"), least_ns=1_000 * MS, most_ns=1_000 * MS)
        assert isinstance(order, Sequence)
        assert order.steps[0].after_ns == order.steps[0].within_ns

    def test_crlf_and_byte_order_mark(self) -> None:
        raw = b"\xef\xbb\xbf" + HEAD.replace("\n", "\r\n").encode()
        assert parse_expectations(raw, "x.toml").roles == read(HEAD).roles

    def test_names_of_any_script(self) -> None:
        text = 'format = 1\n[roles."tür"]\nsignal = "A.B"\nstates = { "geöffnet" = 1 }\n'
        text += '[[rules]]\nname = "x"\nkind = "never"\nwhen = "tür is geöffnet"\n'
        assert read(text).rules == (Never(name="x", when=holds("tür", "geöffnet")),)


class TestDefinitionsFiles:
    """Definitions are looked up beside the expectations file, and must be there unless others were given."""

    def test_found_beside(self, tmp_path: Path) -> None:
        (tmp_path / "car.dbc").touch()
        file = tmp_path / "car.toml"
        file.write_text('definitions = ["car.dbc"]\n' + HEAD, encoding="utf-8")
        assert load_expectations(file).definitions[0].path == str(tmp_path / "car.dbc")

    def test_missing(self, tmp_path: Path) -> None:
        (tmp_path / "car.dbc").touch()
        file = tmp_path / "car.toml"
        file.write_text('definitions = [\n  "carr.dbc",\n]\n' + HEAD, encoding="utf-8")
        with pytest.raises(ExpectationError) as caught:
            load_expectations(file)
        assert str(caught.value).startswith(f"{file}:2:3: there is no file '{tmp_path / 'carr.dbc'}'")
        assert str(caught.value).endswith("did you mean 'car.dbc'?")
        assert load_expectations(file, definitions_needed=False).definitions

    def test_backslashes(self, tmp_path: Path) -> None:
        r"""In quotes a path of Windows is no TOML or, worse, another path: ``\t`` and ``\n`` are single signs."""
        file = tmp_path / "car.toml"
        for path in (r"C:\logs\car.dbc", r"C:\temp\new.dbc"):
            file.write_text(f'definitions = ["{path}"]\n' + HEAD, encoding="utf-8")
            with pytest.raises(ExpectationError, match=r"; in a path write '/' in place of each '\\', on Windows too$"):
                load_expectations(file)

    def test_the_expectations_file_itself(self, tmp_path: Path) -> None:
        with pytest.raises(ExpectationError, match=r"none\.toml: there is no such file"):
            load_expectations(tmp_path / "none.toml")
        with pytest.raises(ExpectationError, match="cannot be read"):
            load_expectations(tmp_path)
        with pytest.raises(ExpectationError, match="cannot be read"):
            load_expectations("a\0b")


class TestFileRefused:
    """What is wrong outside of rules is said with its place."""

    @pytest.mark.parametrize(
        ("text", "line", "column", "words"),
        [
            ("", 1, 1, "the file has no 'format'; write for example format = 1"),
            ("format = 1\n", 1, 1, "neither roles nor rules"),
            ("format = 2\nfuture = true\n", 1, 10, "format 2 is not known; this version of buslens reads format = 1"),
            ('format = "1"\n', 1, 10, "format '1' is not known"),
            ("format = true\n", 1, 10, "format True is not known"),
            ("format = 1\nrole = 1\n" + HEAD[11:], 2, 1, "the file has no key 'role'; did you mean 'roles'?"),
            ('format = 1\ndefinitions = "a.dbc"\n' + HEAD[11:], 2, 15, 'write definitions = ["a.dbc"]'),
            ('format = 1\ndefinitions = ["a.dbc", 5]\n' + HEAD[11:], 2, 25, "and this is a number"),
            ('format = 1\ndefinitions = ["a.dbc", ""]\n' + HEAD[11:], 2, 25, "this file has no name"),
            ('format = 1\ndefinitions = ["a", "a"]\n' + HEAD[11:], 2, 21, "'a' is named twice"),
            ('format = 1\ndefinitions = [{ chanel = "a" }]\n' + HEAD[11:], 2, 16, "has no 'file'"),
            ('format = 1\nroles = "door"\n', 2, 9, "'roles' must be tables, and this is a text"),
            (HEAD + "[align]\nsame = [1]\n", HEAD_LINES + 2, 9, "'same' must be one or two moments"),
            (HEAD + "[align]\nsame = []\n", HEAD_LINES + 2, 8, "names one or two moments, and these are 0"),
            (HEAD + "[align]\nsme = []\n", HEAD_LINES + 2, 1, "'align' has no key 'sme'; did you mean 'same'?"),
            (HEAD + '[align]\noffset = "1"\n', HEAD_LINES + 2, 10, "has no unit"),
            ("align = 5\n" + HEAD, 1, 9, "'align' must be a table, and this is a number"),
            ("format = 1\nroles.door = 5\n", 2, 14, "role 'door' must be a table, and this is a number"),
            (HEAD + "[rules]\n", HEAD_LINES + 1, 1, "write [[rules]] with two brackets"),
            (HEAD + "[roles.is]\n", HEAD_LINES + 1, 1, "a role cannot be called 'is'"),
            (HEAD + '[roles."my door"]\n', HEAD_LINES + 1, 1, "'my door' cannot name a role"),
        ],
    )
    def test_file(self, text: str, line: int, column: int, words: str) -> None:
        assert any((at, where) == (line, column) and words in said for at, where, said in problems(text))

    @pytest.mark.parametrize(
        ("body", "line", "column", "words"),
        [
            ("states = { a = 1 }\n", 2, 1, "role 'r' has neither a signal nor a column; write signal = "),
            ('signal = "A"\nunit = "V"\n', 3, 10, "'A' is not MESSAGE.SIGNAL"),
            ('signal = "A.B.C"\nunit = "V"\n', 3, 10, "is not MESSAGE.SIGNAL"),
            ('signal = "A. B"\nunit = "V"\n', 3, 10, "is not MESSAGE.SIGNAL"),
            ('signal = 5\nunit = "V"\n', 3, 10, "'signal' must be a text MESSAGE.SIGNAL, and this is a number"),
            ('signal = "A.B"\n', 2, 1, "role 'r' has neither states nor a unit"),
            ('signal = "A.B"\nunit = "V"\nstates = { a = 1 }\n', 4, 1, "role 'r' has both states and a unit"),
            ('signal = "A.B"\nunit = "V"\ntimout = "5 ms"\n', 5, 1, "no key 'timout'; did you mean 'timeout'?"),
            ('signal = "A.B"\nunit = "V"\ntimeout = 200\n', 5, 11, "200 has no unit; write '200 ms'"),
            ('signal = "A.B"\nunit = "V"\ntimeout = 0.5\n', 5, 11, "0.5 has no unit; write '0.5 ms'"),
            ('signal = "A.B"\nunit = "V"\ntimeout = "200"\n', 5, 11, "'200' has no unit; write '200 ms'"),
            ('column = "X"\nstates = { a = "< 3 x y" }\n', 4, 16, "is not a limit of a state; write for example"),
            ('column = "X"\nstates = { a = "< 3 V", b = "> 2 V" }\n', 4, 10, "can stand for both 'a' and 'b'"),
            ('reply = "x"\nunit = "V"\n', 3, 9, "there is no reply 'x'; add a table [reply.x]"),
            ('column = "X"\nstates = { a = "<= 3", b = ">= 3" }\n', 4, 10, "can stand for both 'a' and 'b'"),
            ('column = "X"\nstates = { a = "< 3 V", b = "> 4 A" }\n', 4, 10, "have units that do not fit: 'V' and 'A'"),
            ('signal = "A.B"\nstates = { a = "< 3 V" }\n', 4, 10, "are for a column, and it has none"),
            ('column = 0\nunit = "V"\n', 3, 10, "'column' must be"),
            ('column = "X"\nunit = "V"\nholds = "0 ms"\n', 5, 9, "'holds' must be above 0"),
            ('signal = "A.B"\nunit = "V"\ntimeout = "0 s"\n', 5, 11, "'timeout' must be above 0"),
            ('signal = "A.B"\nunit = "V"\ntimeout = "nevr"\n', 5, 11, "'nevr' is not a duration"),
            ('signal = "A.B"\nunit = "V"\ntimeout = []\n', 5, 11, "and this is a list"),
            ('signal = "A.B"\nunit = "V"\nsent = "on chnge"\n', 5, 8, "did you mean 'on change'?"),
            ('signal = "A.B"\nunit = "V"\nsent = "on change"\n', 5, 8, 'write for example lag = "10 ms"'),
            ('signal = "A.B"\nunit = "V"\nlag = "10 ms"\n', 5, 1, 'only with sent = "on change"'),
            ('signal = "A.B"\nunit = "V"\nsent = "cyclic"\nlag = "10 ms"\n', 6, 1, "only with sent"),
            ('signal = "A.B"\nunit = "V V"\n', 4, 8, "'V V' is not a unit"),
            ('signal = "A.B"\nunit = "and"\n', 4, 8, "'and' is not a unit"),
            ('signal = "A.B"\nunit = 5\n', 4, 8, "must be a unit without spaces, and this is a number"),
            ('signal = "A.B"\nstates = {}\n', 4, 10, "a role has at least one state"),
            ('signal = "A.B"\nstates = { a = [] }\n', 4, 16, "state 'a' stands for nothing"),
            ('signal = "A.B"\nstates = { a = true }\n', 4, 16, "and this is a truth value"),
            ('signal = "A.B"\nstates = { a = 1.5 }\n', 4, 16, "whole raw values, and this is a number"),
            ('signal = "A.B"\nstates = { a = [1, "x"], b = "x" }\n', 4, 30, "'x' belongs to state 'a' already"),
            ('signal = "A.B"\nstates = { a = [1,\n 1] }\n', 5, 2, "1 belongs to state 'a' already"),
            ('signal = "A.B"\nstates = { not = 1 }\n', 4, 12, "a state cannot be called 'not'"),
            ('signal = "A.B"\nstates = { Unknown = 1 }\n', 4, 12, "a state cannot be called 'Unknown'"),
            ('signal = "A.B"\nstates = { a-b = 1 }\n', 4, 12, "'a-b' cannot name a state"),
            ('signal = "A.B"\nstates = { 1st = 1 }\n', 4, 12, "'1st' cannot name a state"),
            ('signal = "A.B"\nstates = "open"\n', 4, 10, "must be a table of state name"),
        ],
    )
    def test_role(self, body: str, line: int, column: int, words: str) -> None:
        found = problems("format = 1\n[roles.r]\n" + body)
        assert any((at, where) == (line, column) and words in said for at, where, said in found), found


class TestReplyRefused:
    """What is wrong with a value in answers is said with its place."""

    @pytest.mark.parametrize(
        ("body", "line", "column", "words"),
        [
            ('ids = "7E0:7E8"\n', 2, 1, "reply 'r' has no 'identifier'; write for example identifier = 0xD010"),
            ("identifier = 1\n", 2, 1, "reply 'r' has no 'ids'; write for example ids = "),
            ('ids = "7E0"\nidentifier = 1\n', 3, 7, "'7E0' is not who asks and who answers"),
            ('ids = "7E0:7E8"\nidentifier = 65536\n', 4, 14, "0 to 65535, such as 0xD010, and this is 65536"),
            ('ids = "7E0:7E8"\nidentifier = 1\nbytes = 5\n', 5, 9, "up to 4 bytes, and this is 5"),
            ('ids = "7E0:7E8"\nidentifier = 1\nbit = 8\n', 5, 7, "1 bytes have 0 to 7"),
            ('ids = "7E0:7E8"\nidentifier = 1\nbit = 4\nbits = 5\n', 6, 8, "bits 4 to 8 are asked"),
            ('ids = "7E0:7E8"\nidentifier = 1\nfactor = "2"\n', 5, 10, "must be a number, and this is a text"),
            (
                'ids = "7E0:7E8"\nidentifier = 1\nbytes = 4\nfactor = 1.2345678901234\n',
                6,
                10,
                "too many digits; round them",
            ),
            ('ids = "7E0:7E8"\nidentifier = 1\nfactor = inf\n', 5, 10, "must be a number"),
            ('ids = "7E0:7E8"\nidentifier = 1\nlenght = 2\n', 5, 1, "reply 'r' has no key 'lenght'"),
            (
                'ids = "7E0:7E8"\nidentifier = 1\n[roles.a]\nreply = "r"\nstates = { a = "On" }\n',
                7,
                10,
                "an answer holds numbers, and 'On' is a text",
            ),
        ],
    )
    def test_keys(self, body: str, line: int, column: int, words: str) -> None:
        found = problems("format = 1\n[reply.r]\n" + body)
        assert any((at, where) == (line, column) and words in said for at, where, said in found), found

    def test_no_tables(self) -> None:
        assert "'reply' must be tables" in problems("format = 1\nreply = 1\n")[0][2]
        assert "must be a table, and this is a number; write [reply.a]" in problems("format = 1\nreply.a = 1\n")[0][2]


SEQUENCE = """[[rules]]
name = "s"
kind = "sequence"
start = "door becomes open"
steps = [
  { name = "one", await = "enable becomes on", within = "1 s" },
  %s
]
"""


class TestRuleRefused:
    """What is wrong with a rule is said with its place."""

    @pytest.mark.parametrize(
        ("text", "line", "column", "words"),
        [
            ('[[rules]]\nkind = "alive"\nmessage = "M"\n', 1, 1, "this rule (kind alive) has no 'name'"),
            ('[[rules]]\nname = "x"\n', 1, 1, "rule 'x' has no 'kind'"),
            ('[[rules]]\nname = "x"\nkind = "sequense"\n', 3, 8, "did you mean 'sequence'?"),
            ('[[rules]]\nname = "x"\nkind = "?"\n', 3, 8, 'it is one of "sequence", "pulse"'),
            ('[[rules]]\nname = ""\nkind = "alive"\nmessage = "M"\n', 2, 8, "'name' is empty"),
            ('[[rules]]\nname = "a\\nb"\nkind = "alive"\nmessage = "M"\n', 2, 8, "has line ends"),
            ('[[rules]]\nname = "x"\nkind = "alive"\nmessage = "M"\nleast = "5 ms"\n', 5, 1, "kind pulse or range"),
            ('[[rules]]\nname = "x"\nkind = "alive"\nmessage = "M"\ncycles = 5\n', 5, 1, "did you mean 'cycle'?"),
            (
                '[[rules]]\nname = "x"\nkind = "alive"\nmessage = "M"\n' * 2,
                6,
                8,
                f"there is a rule 'x' in line {HEAD_LINES + 2} already",
            ),
            (
                '[[rules]]\nname = "x"\nkind = "alive"\nmessage = "M"\ncycle = "50 ms"\ntimeout = "20 ms"\n',
                6,
                11,
                "'timeout' is shorter than 'cycle'",
            ),
            ('[[rules]]\nname = "x"\nkind = "pulse"\nof = "enable is on"\n', 3, 8, "neither 'least' nor 'most'"),
            (
                '[[rules]]\nname = "x"\nkind = "pulse"\nof = "enable is on"\nleast = "2 s"\nmost = "1 s"\n',
                5,
                9,
                "'least' is greater than 'most'",
            ),
            (
                '[[rules]]\nname = "x"\nkind = "pulse"\nof = "enable becomes on"\nmost = "1 s"\n',
                4,
                14,
                "'becomes' names a moment; here something lasting is asked: write 'is'",
            ),
            ('[[rules]]\nname = "x"\nkind = "never"\nwhen = "door is ajar"\n', 4, 17, "its states are open, closed"),
            (
                '[[rules]]\nname = "x"\nkind = "never"\nwhen = """\ndoor is open\n  and dor is closed"""\n',
                6,
                7,
                "'door'?",
            ),
            ('[[rules]]\nname = "x"\nkind = "never"\nwhen = "door \\u0069s ajar"\n', 4, 22, "its states are"),
            (
                '[[rules]]\nname = "x"\nkind = "never"\nwhen = 5\n',
                4,
                8,
                "'when' must be a condition, and this is a number",
            ),
            ('[[rules]]\nname = "x"\nkind = "never"\nwhen = 1979-05-27\n', 4, 8, "and this is a date or time"),
            ('[[rules]]\nname = "x"\nkind = "never"\nwhen = "supply < 5 A"\n', 4, 18, "this role is in V"),
            (
                '[[rules]]\nname = "x"\nkind = "range"\nof = "door"\nmost = "1 V"\n',
                4,
                6,
                "door has states (open, closed)",
            ),
            ('[[rules]]\nname = "x"\nkind = "range"\nof = "suply"\nmost = "1 V"\n', 4, 6, "did you mean 'supply'?"),
            (
                '[[rules]]\nname = "x"\nkind = "range"\nof = "supply"\nmost = 9.5\n',
                5,
                8,
                "9.5 has no unit; write '9.5 V'",
            ),
            ('[[rules]]\nname = "x"\nkind = "range"\nof = "supply"\nmost = "9 A"\n', 5, 8, "this role is in V"),
            (
                '[[rules]]\nname = "x"\nkind = "range"\nof = "supply"\nleast = "9 V"\nmost = "900 mV"\n',
                5,
                9,
                "'least' is greater than 'most'",
            ),
            (
                NAMED + 'kind = "agree"\nfirst = "door is open"\nsecond = "door is open"\nsettle = "1 s"\n',
                5,
                10,
                "are the same condition",
            ),
            (
                NAMED + 'kind = "precedes"\nfirst = "door is open"\nthen = "door is  open"\nwithin = "1 s"\n',
                5,
                8,
                "are the same moment",
            ),
            (SEQUENCE % "5", 7, 3, "'steps' is a list of tables, and this is a number"),
            (
                SEQUENCE % '{ name = "one", await = "door is open", within = "1 s" }',
                7,
                12,
                "a step 'one' in this rule already",
            ),
            (SEQUENCE % '{ name = "two", await = "door is opn", within = "1 s" }', 7, 36, "did you mean 'open'?"),
            (SEQUENCE % '{ name = "two", await = "door is open" }', 7, 3, "step 'two' has no 'within'"),
            (
                (SEQUENCE % '{ name = "two", await = "door is open", within = "1 s" }') + "tries = 2\nusual_tries = 3",
                10,
                15,
                "'usual_tries' is greater than 'tries'",
            ),
            (SEQUENCE % '{ name = "two", await = "door is open", within = 200 }', 7, 52, "write '200 ms'"),
            (
                SEQUENCE % '{ name = "two", await = "door is open", within = "1 s", after = "2 s" }',
                7,
                67,
                "'after' is greater than 'within'",
            ),
            (
                SEQUENCE % '{ name = "two", await = "door is open", within = "1 s", from = "onne" }',
                7,
                66,
                "no earlier step is called 'onne'; did you mean 'one'?",
            ),
            (
                SEQUENCE % '{ name = "two", await = "door is open", within = "1 s", from = "two" }',
                7,
                66,
                "cannot count from itself",
            ),
            (
                SEQUENCE % '{ name = "b", await = "door is open", within = "1 s", from = "c" },\n'
                '  { name = "c", await = "door is open", within = "1 s" }',
                7,
                64,
                "step 'c' comes later",
            ),
            (SEQUENCE % "" + "tries = 0\n", 9, 9, "'tries' must be a whole number, 1 or more, and this is 0"),
            (SEQUENCE % "" + "tries = true\n", 9, 9, "and this is a truth value"),
            (SEQUENCE % "" + "tries = 2\n", 9, 9, "there is only one step"),
            (
                '[[rules]]\nname = "x"\nkind = "sequence"\nstart = "door is open"\nsteps = []\n',
                5,
                9,
                "at least one step",
            ),
            (
                NAMED
                + 'kind = "sequence"\nstart = "door is open"\n[[rules.steps]]\nname = "a"\n'
                + 'await = "door is open"\nwithin = "1 s"\nfrom = "b"\n',
                9,
                8,
                "no step comes before this one",
            ),
        ],
    )
    def test_rule(self, text: str, line: int, column: int, words: str) -> None:
        found = rule(text)
        assert any((at, where) == (line, column) and words in said for at, where, said in found), found


class TestAllAtOnce:
    """One look at a file says everything that is wrong with it, in the order of the file."""

    def test_several(self) -> None:
        found = problems(
            'format = 1\nfoo = 1\n[roles.a]\nsignal = "A"\nstates = { x = 1 }\n'
            '[[rules]]\nname = "r"\nkind = "never"\nwhen = "a is x and b is y"\nlonger_than = 5\n'
        )
        assert [(line, column) for line, column, _ in found] == [(2, 1), (4, 10), (9, 20), (10, 15)]

    def test_a_role_in_doubt_is_not_called_unknown(self) -> None:
        found = problems(
            'format = 1\n[roles.a]\nsignal = "A"\nunit = "V"\n' + NAMED + 'kind = "range"\nof = "a"\nleast = "1 V"\n'
        )
        assert len(found) == 1

    @pytest.mark.parametrize(
        ("written", "mistyped", "place"),
        [
            ("[roles.door]", "[role.door]", (2, 2)),
            ("[roles.", "[rolez.", (2, 2)),
            ('signal = "BODY', 'singal = "BODY', (3, 1)),
            ("when = ", "wen = ", (14, 1)),
            ('"door is open and enable', '"dor is open and enable', (14, 9)),
        ],
    )
    def test_what_follows_from_a_mistyped_word_is_not_said(
        self, written: str, mistyped: str, place: tuple[int, int]
    ) -> None:
        text = HEAD + '[[rules]]\nname = "r"\nkind = "never"\nwhen = "door is open and enable is on"\n'
        assert written in text
        ((line, column, words),) = problems(text.replace(written, mistyped))
        assert (line, column) == place
        assert "; did you mean" in words

    def test_many_are_cut(self) -> None:
        found = problems("format = 1\n" + "".join(f"key_{number} = 1\n" for number in range(50)))
        assert len(found) == 21
        assert "and 30 more problems" in str(found[-1])

    def test_text_of_the_user_stays_in_its_line(self) -> None:
        found = problems('format = 1\n[roles."a\\n\\u001b[31m"]\n')
        assert len(found) == 1
        assert "\x1b" not in found[0][2]


FRAGMENTS = [
    *(
        "format = 1\n",
        "[roles.a]\n",
        "[roles.b]\n",
        'signal = "A.B"\n',
        'states = { x = 1, y = ["z", 2] }\n',
        'unit = "V"\n',
    ),
    *("[[rules]]\n", 'name = "n"\n', 'kind = "never"\n', 'kind = "range"\n', 'kind = "sequence"\n', 'of = "a"\n'),
    *(
        'when = "a is x"\n',
        'least = "5 V"\n',
        "tries = 1\n",
        'start = "a becomes x"\n',
        "steps = [{}]\n",
        "steps = 5\n",
    ),
    *(
        'steps = [{ name = "s", await = "a is x", within = "1 s" }]\n',
        "rules = 5\n",
        "roles = []\n",
        "definitions = [[]]\n",
    ),
    *("[rules]\n", "[definitions]\n", "[[roles]]\n", "states.x = []\n", "within = 07:32:00\n", 'sent = "on change"\n'),
]


class TestAnyFile:
    """Any file is either read or refused with an ExpectationError that begins with its name."""

    @settings(max_examples=examples(160))
    @given(st.one_of(st.text(max_size=60), st.lists(st.sampled_from(FRAGMENTS), max_size=14).map("".join)))
    def test_read_or_refused(self, text: str) -> None:
        try:
            said = read(text).path
        except ExpectationError as error:
            said = str(error)
        assert said.startswith("x.toml")

    @settings(max_examples=examples(80))
    @given(st.data())
    def test_a_good_file_with_one_thing_changed(self, data: st.DataObject) -> None:
        raw = HANDSHAKE.read_bytes()
        at = data.draw(st.integers(0, len(raw)))
        cut = data.draw(st.integers(0, 30))
        new = data.draw(
            st.one_of(st.binary(max_size=4), st.sampled_from([b'"', b"5", b"[", b"]", b"{}", b"\n", b"true"]))
        )
        try:
            said = parse_expectations(raw[:at] + new + raw[at + cut :], "x.toml", definitions_needed=False).path
        except ExpectationError as error:
            said = str(error)
        assert said.startswith("x.toml")
