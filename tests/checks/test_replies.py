"""What a unit answers when a tester reads an identifier shows a role, and no more than the answer surely holds."""

from __future__ import annotations

import struct
from bisect import bisect_right
from itertools import accumulate
from typing import TYPE_CHECKING, Final

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from support.dialogues import Recording
from support.examples import examples

from buslens.checks.check import check
from buslens.checks.findings import Outcome, Verdict
from buslens.errors import ExpectationError
from buslens.expectations.load import parse_expectations
from buslens.expectations.model import Is, Reply
from buslens.timeline.ternary import FALSE, TRUE

if TYPE_CHECKING:
    import random
    from pathlib import Path

    from buslens.checks.findings import Result

REPLY: Final = """
format = 1
handshake = false
[reply.supply]
ids = "7E0:7E8"
identifier = 0xD010
bytes = 2
factor = 0.1
offset = -1
[reply.motor]
ids = "7E0:7E8"
identifier = 0xD010
byte = 2
bit = 6
[roles.supply]
reply = "supply"
unit = "V"
[roles.motor]
reply = "motor"
states = { still = 0, locks = 1, unlocks = 2 }
"""
LOW: Final = '[[rules]]\nname = "low"\nkind = "range"\nof = "supply"\nleast = "9.5 V"\n'
GOOD: Final = "62d010" + "0083" + "40"
"""12.1 V, and the motor locks."""


def judged(car: Recording, tmp_path: Path, rules: str = LOW) -> Result:
    expected = parse_expectations((REPLY + rules).encode(), "answers.toml")
    return check(car.write(tmp_path / "a.log"), expectations=expected)


def shown(result: Result, role: str) -> list[float | str]:
    """Return what a timeline shows wherever it is known."""
    line = result.timelines[role]
    known = [k for k in range(len(line)) if line.state[k] >= 0]
    return [line.value_at(k) if line.is_number else line.states[line.state[k]] for k in known]


class TestValues:
    def test_of_an_answer(self, tmp_path: Path) -> None:
        car = Recording()
        car.go_on(0.5)
        for answer in (GOOD, "62d010" + "0050" + "80", "62d010" + "0083" + "00"):
            car.ask("22d010", answer)
        car.go_on(0.5)
        result = judged(car, tmp_path)
        assert shown(result, "supply") == [12.1, 7.0, 12.1]
        assert shown(result, "motor") == ["locks", "unlocks", "still"]
        (finding,) = [it for it in result.findings if it.outcome is Outcome.VIOLATED]
        assert "supply was below 9.5 V at one moment at least" in finding.reason
        assert result.verdict is Verdict.FAULTY

    @given(st.binary(min_size=4, max_size=4), st.booleans())
    def test_bytes(self, body: bytes, signed: bool) -> None:
        """Whole bytes are numbers as `struct` reads them."""
        reply = Reply(name="", pair=None, identifier=0, n_bytes=4, n_bits=32, is_signed=signed)  # type: ignore[arg-type]
        assert reply.digits(body) == struct.unpack(">i" if signed else ">I", body)[0]
        assert reply.digits(body[:3]) is None

    @pytest.mark.parametrize(
        ("request_", "answers", "why"),
        [
            ("22d010", ("7f2278", GOOD), "it was read at any time of a long wait"),
            ("22d010", ("7f2222",), "it was refused"),
            ("22d010", ("62d01000",), "it is too short"),
            ("22d010d011", ("62d010" + "00d01100",), "the next identifier begins before its end"),
            ("22d011d010", ("62d0110062d010008340",), "where it begins is not known"),
            ("22d011", ("62d011008340",), "it is another identifier"),
            ("2ed010008340", ("6ed010",), "it was written, not read"),
        ],
    )
    def test_nothing(self, tmp_path: Path, request_: str, answers: tuple[str, ...], why: str) -> None:
        car = Recording()
        car.ask(request_, *answers)
        car.go_on(0.2)
        result = judged(car, tmp_path)
        assert shown(result, "supply") == [], why
        assert any("no answer of 7E8 to 7E0 with identifier D010 shows supply" in it for it in result.notes)
        assert result.verdict is not Verdict.FAULTY

    def test_first_of_several(self, tmp_path: Path) -> None:
        car = Recording()
        car.ask("22d010d011", GOOD + "d01101")
        assert shown(judged(car, tmp_path), "supply") == [12.1]

    def test_of_another_unit(self, tmp_path: Path) -> None:
        car = Recording()
        car.ask("22d010", GOOD, ids=(0x7E1, 0x7E9))
        assert shown(judged(car, tmp_path), "supply") == []


class TestLayout:
    """A message of the definitions says where the values of a long answer stand."""

    DBC = """VERSION ""
BO_ 2024 VALUES: 12 Unit
 SG_ SERVICE : 7|8@0+ (1,0) [0|0] "" X
 SG_ DID M : 15|16@0+ (1,0) [0|0] "" X
 SG_ SUPPLY m53266 : 31|16@0+ (0.1,-1) [0|0] "V" X
 SG_ MOTOR m53266 : 46|2@1+ (1,0) [0|0] "" X
 SG_ OTHER m53267 : 31|16@0+ (1,0) [0|0] "V" X
BO_ 2025 BARE: 9 Unit
 SG_ SUPPLY : 7|16@0+ (0.1,-1) [0|0] "V" X
 SG_ MOTOR : 22|2@1+ (1,0) [0|0] "" X
VAL_ 2024 MOTOR 0 "still" 1 "to lock" 2 "to unlock" ;
VAL_ 2025 MOTOR 0 "still" 1 "to lock" 2 "to unlock" ;
"""
    ROLES = """
format = 1
handshake = false
definitions = ["a.dbc"]
[reply.values]
ids = "7E0:7E8"
identifier = 0xD012
[roles.supply]
signal = "VALUES.SUPPLY"
reply = "values"
unit = "V"
[roles.motor]
signal = "VALUES.MOTOR"
reply = "values"
states = { still = "still", locks = ["to lock", 3] }
"""
    ANSWER = "62d012" + "0083" + "40" + "000000000000"

    def judged(self, tmp_path: Path, car: Recording, roles: str = ROLES) -> Result:
        (tmp_path / "a.dbc").write_text(self.DBC, "ascii")
        expected = parse_expectations((roles + LOW).encode(), str(tmp_path / "a.toml"))
        return check(car.write(tmp_path / "a.log"), expectations=expected)

    @pytest.mark.parametrize("message", ["VALUES", "BARE"])
    def test_of_the_whole_answer_or_behind_the_identifier(self, tmp_path: Path, message: str) -> None:
        """By its length it is told which of the two; labels and scale are those of the definitions."""
        car = Recording()
        for answer in (self.ANSWER, self.ANSWER.replace("008340", "005080"), self.ANSWER.replace("40", "c0")):
            car.ask("22d012", answer)
        result = self.judged(tmp_path, car, self.ROLES.replace("VALUES.", f"{message}."))
        assert shown(result, "supply") == [12.1, 7.0, 12.1]
        assert shown(result, "motor") == ["locks", "locks"]
        assert result.verdict is Verdict.FAULTY

    def test_a_value_that_is_not_in_the_answer(self, tmp_path: Path) -> None:
        """It was not selected, or the answer ends before it."""
        car = Recording()
        car.ask("22d012", self.ANSWER)
        result = self.judged(tmp_path, car, self.ROLES.replace("VALUES.SUPPLY", "VALUES.OTHER"))
        assert shown(result, "supply") == []
        car = Recording()
        car.ask("22d012", self.ANSWER[:8])
        assert shown(self.judged(tmp_path, car), "supply") == []

    @pytest.mark.parametrize(
        ("text", "by", "words"),
        [
            ("[reply.values]", "[reply.values]\nbyte = 2", "both its signal and reply 'values' say where"),
            ("VALUES.SUPPLY", "VALUES.SUPLY", "message VALUES has no signal 'SUPLY'; did you mean 'SUPPLY'"),
            ('"to lock"', '"lock"', "VALUES.MOTOR has no label 'lock'"),
        ],
    )
    def test_refused(self, tmp_path: Path, text: str, by: str, words: str) -> None:
        car = Recording()
        car.ask("22d012", self.ANSWER)
        with pytest.raises(ExpectationError, match=words):
            self.judged(tmp_path, car, self.ROLES.replace(text, by))


class TestTime:
    SLOW: Final = """
[[rules]]
name = "stays low"
kind = "never"
when = "supply < 9.5 V"
longer_than = "130 ms"
"""

    def outcomes(self, tmp_path: Path, delay_ms: int) -> set[Outcome]:
        """Return the outcomes where 8 V is read eight times, every 20 ms."""
        car = Recording()
        for number in range(12):
            value = 90 if 2 <= number < 10 else 131
            start_ns = 1_000_000_000 + number * 20_000_000
            car.rows.append((start_ns, 0x7E0, bytes.fromhex("0322d010")))
            answer = bytes.fromhex("0662d010") + value.to_bytes(2) + b"\x40"
            car.rows.append((start_ns + delay_ms * 1_000_000, 0x7E8, answer))
        rules = self.SLOW
        expected = parse_expectations(
            (REPLY.replace('reply = "supply"', 'reply = "supply"\nholds = "50 ms"') + rules).encode(), "a.toml"
        )
        car.time_ns = car.rows[-1][0]
        return {it.outcome for it in check(car.write(tmp_path / "a.log"), expectations=expected).findings}

    def test_quick_answers_prove_a_length(self, tmp_path: Path) -> None:
        """Seven times 20 ms between the first and the last low sample."""
        assert Outcome.VIOLATED in self.outcomes(tmp_path, 1)

    def test_slow_answers_do_not(self, tmp_path: Path) -> None:
        """It may have been read right before the first answer and right behind the last request."""
        assert Outcome.VIOLATED not in self.outcomes(tmp_path, 19) | self.outcomes(tmp_path, 45)

    def test_one_late_answer_is_no_doubt_of_the_others(self, tmp_path: Path) -> None:
        """It shows nothing; of the others each is known to half of its own delay."""
        car = Recording()
        for number in range(9):
            car.put(0x7E0, bytes.fromhex("0322d010"), later_ns=80_000_000)
            car.put(0x7E8, bytes.fromhex("0662d010008340"), later_ns=900_000_000 if number == 4 else 2_000_000)
        result = judged(car, tmp_path)
        assert result.together is not None
        (answers,) = [it for it in result.together.recordings if it.moved_ns]
        assert answers.moved_ns < 2_000_000

    @given(
        st.lists(st.sampled_from((60, 61, 75)) | st.integers(60, 300), min_size=4, max_size=8),
        st.sampled_from((10, 20, 40)),
        st.randoms(use_true_random=False),
    )
    @settings(max_examples=examples(25), deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
    def test_nothing_is_shown_that_was_not(
        self, tmp_path: Path, lasts: list[int], period: int, draw: random.Random
    ) -> None:
        """Beside another role, a state is shown only at moments at which it surely was."""
        changes = list(accumulate(lasts, initial=0))
        car = Recording()
        for start in range(0, changes[-1] + 300, period):
            answered = start + draw.choice((1, period - 2, period - 2))
            read = draw.choice((start, answered, draw.randint(start, answered)))
            state = bisect_right(changes, read) % 2
            car.rows.append((1_000_000_000 + start * 1_000_000, 0x7E0, bytes.fromhex("0322d010")))
            answer = bytes.fromhex("0662d0100083") + bytes([state << 6])
            car.rows.append((1_000_000_000 + answered * 1_000_000, 0x7E8, answer))
        holds = REPLY.replace('reply = "motor"', 'reply = "motor"\nholds = "60 ms"')
        expected = parse_expectations((holds + LOW).encode(), "a.toml")
        result = check(car.write(tmp_path / "a.log"), expectations=expected)
        assert result.together is not None
        context = result.together.context_of(frozenset({"motor", "supply"}))
        assert not isinstance(context, str)
        shown = context.ternary(Is(role="motor", state="locks"))
        moments = np.arange(context.first_ns, context.end_ns, 500_000)
        true = np.searchsorted(changes, (moments - 1_000_000_000) / 1e6, side="right") % 2
        told = shown.values_at(moments)
        assert (true[told == TRUE] == 1).all()
        assert (true[told == FALSE] == 0).all()
