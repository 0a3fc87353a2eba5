from __future__ import annotations

import random
from typing import TYPE_CHECKING

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from support.dialogues import Recording
from support.examples import examples

from buslens import read_dialogue
from buslens.capture.open import open_capture
from buslens.capture.reduce import reduce_frames
from buslens.dialogue import read as read_module
from buslens.dialogue.collect import Survey
from buslens.dialogue.fault_history import fault_history
from buslens.dialogue.model import AnswerOutcome, HowFound
from buslens.dialogue.pairs import parse_pair
from buslens.errors import UsageError

if TYPE_CHECKING:
    from pathlib import Path

    from buslens.capture.frames import Frames
    from buslens.dialogue.read import Dialogue

SECOND = 1_000_000_000


def told(dialogue: Dialogue) -> list[tuple[str, str, list[str]]]:
    return [
        (it.request.data.hex(), it.outcome.value, [one.message.data.hex() for one in it.answers])
        for it in dialogue.exchanges
    ]


def found(dialogue: Dialogue) -> list[tuple[str, str, HowFound]]:
    return [(str(it.request), str(it.answer), it.found) for it in dialogue.pairs]


class TestPairs:
    """Who asks and who answers is found among other messages."""

    @pytest.mark.parametrize("begins_like_none", [False, True])
    def test_read_once(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, begins_like_none: bool) -> None:
        """A log is read again only where an identifier of a dialogue began like none, and was let go of."""

        class Forgetful(Survey):
            def add(self, frames: Frames) -> None:
                super().add(frames)
                self.dropped |= set(self.kept.frames)
                self._drop(list(self.kept.frames))

        car = Recording()
        for k in range(70):
            car.put(0x123, bytes([k]) * 8)
            car.put(0x124, bytes([2, 0, k]))  # of the protocol's form, and of no service
        car.ask("22f190", "62f190" + "41" * 17)
        path = car.write(tmp_path / "a.log")
        survey, _ = reduce_frames(open_capture(path), wanted=None, make=Survey, update=Survey.add, merge=Survey.merge)
        assert {key.can_id for key in survey.dropped} == {0x123, 0x124}
        read: list[object] = []
        monkeypatch.setattr(read_module, "open_capture", lambda *a, **kw: read.append(a) or open_capture(*a, **kw))
        monkeypatch.setattr(read_module, "Survey", Forgetful if begins_like_none else Survey)
        assert told(read_dialogue(path)) == [("22f190", "answered", ["62f190" + "41" * 17])]
        assert len(read) == 1 + begins_like_none

    def test_flow_control(self, tmp_path: Path) -> None:
        car = Recording()
        car.ask("22f190", "62f190" + "41" * 20, ids=(0x701, 0x76A))
        assert found(read_dialogue(car.write(tmp_path / "a.log"))) == [("701", "76A", HowFound.FLOW_CONTROL)]

    def test_numbers(self, tmp_path: Path) -> None:
        car = Recording()
        car.ask("22d010", "62d01001")
        car.ask("22d010", "62d01001", ids=(0x18DA40F1, 0x18DAF140))
        assert found(read_dialogue(car.write(tmp_path / "a.log"))) == [
            ("7E0", "7E8", HowFound.NUMBERS),
            ("18DA40F1", "18DAF140", HowFound.NUMBERS),
        ]

    def test_answers_alone(self, tmp_path: Path) -> None:
        car = Recording()
        car.ask("22d010", "62d01001", ids=(0x622, 0x5C4))
        car.ask("22d011", "7f2231", ids=(0x622, 0x5C4))
        dialogue = read_dialogue(car.write(tmp_path / "a.log"))
        assert found(dialogue) == [("622", "5C4", HowFound.ANSWERS)]
        assert [it.outcome for it in dialogue.exchanges] == [AnswerOutcome.ANSWERED, AnswerOutcome.REFUSED]

    def test_units_asked_the_same_at_once(self, tmp_path: Path) -> None:
        """Two testers' questions are alike; identifiers that belong together part them."""
        car = Recording()
        for can_id, data in ((0x7E0, "0322d010"), (0x7E1, "0322d010"), (0x7E9, "0462d01001"), (0x7E8, "0462d01002")):
            car.put(can_id, bytes.fromhex(data))
        dialogue = read_dialogue(car.write(tmp_path / "a.log"))
        assert [(it[0], it[1]) for it in found(dialogue)] == [("7E0", "7E8"), ("7E1", "7E9")]
        assert [it[2] for it in told(dialogue)] == [["62d01002"], ["62d01001"]]

    def test_two_channels(self, tmp_path: Path) -> None:
        """Requests by one adapter and answers by another are one dialogue, found or given; chance matches are none."""
        car = Recording()
        car.ask("22f190", "62f190" + "41" * 20)
        path = car.write(tmp_path / "a.log", {0x7E8: "can1"})
        alone = [("22f190", "answered", ["62f190" + "41" * 20])]
        for pairs in (None, [parse_pair("7E0:7E8")]):
            dialogue = read_dialogue(path, pairs=pairs)
            assert [(it.request.channel, it.answer.channel) for it in dialogue.pairs] == [("can0", "can1")]
            assert told(dialogue) == alone
        both = path.read_text().splitlines()
        again = [line.replace("can1", "can0") for line in both if "can1" in line]
        path.write_text("\n".join(sorted(both + again)) + "\n")
        assert told(read_dialogue(path)) == alone, "what a gateway hands on is no second answer"
        car = Recording()
        car.ask("22d010", "62d01001", ids=(0x622, 0x5C4))
        assert found(read_dialogue(car.write(tmp_path / "b.log", {0x5C4: "can1"}))) == []

    def test_one_asks_all(self, tmp_path: Path) -> None:
        car = Recording()
        for can_id, data in ((0x7DF, "020100"), (0x7E8, "06410011111111"), (0x7EA, "06410022222222")):
            car.put(can_id, bytes.fromhex(data))
        dialogue = read_dialogue(car.write(tmp_path / "a.log"))
        assert len(dialogue.pairs) == 2
        assert told(dialogue) == [("0100", "answered", ["410011111111", "410022222222"])]

    @pytest.mark.parametrize("reply", [0xF1, 0x12], ids=["extended", "mixed"])
    def test_address_byte(self, tmp_path: Path, reply: int) -> None:
        car = Recording()
        for question, answer in (("22d010", "62d010" + "5a" * 30), ("22d011", "7f2231")):
            car.send(0x6F1, 0x612, bytes.fromhex(question), byte=0x12, reply=reply)
            car.send(0x612, 0x6F1, bytes.fromhex(answer), byte=reply, reply=0x12)
        dialogue = read_dialogue(car.write(tmp_path / "a.log"))
        assert [(it[0], it[1]) for it in found(dialogue)] == [("6F1.12", f"612.{reply:02X}")]
        assert [it.outcome for it in dialogue.exchanges] == [AnswerOutcome.ANSWERED, AnswerOutcome.REFUSED]

    def test_two_testers_at_the_same_time(self, tmp_path: Path) -> None:
        """Each has the answers to its own address, though both ask the same and let it go on within the same second."""
        one, other = Recording(), Recording(time_ns=1_005_000_000)
        for car, source, letter in ((one, 0xF1, "41"), (other, 0xF2, "42")):
            for _ in range(3):
                car.ask("22f190", "62f190" + 17 * letter, ids=(0x18DA1000 | source, 0x18DA0010 | source << 8))
        one.rows = sorted([*one.rows, *other.rows])
        dialogue = read_dialogue(one.write(tmp_path / "a.log"))
        assert [(it[0], it[1]) for it in found(dialogue)] == [("18DA10F1", "18DAF110"), ("18DA10F2", "18DAF210")]
        assert {len(it.answers) for it in dialogue.exchanges} == {1}

    def test_two_units_behind_one_identifier(self, tmp_path: Path) -> None:
        """In extended addressing long requests and answers of two units run into each other."""
        cars = []
        for byte, start_ns in ((0x12, 1_000_000_000), (0x40, 1_002_000_000)):
            car = Recording(time_ns=start_ns)
            unit = 0x600 | byte
            car.send(0x6F1, unit, b"\x2e\xf1\x90" + bytes([byte]) * 20, byte=byte, reply=0xF1)
            car.send(unit, 0x6F1, b"\x6e\xf1\x90", byte=0xF1)
            car.send(0x6F1, unit, b"\x22\xf1\x90", byte=byte)
            car.send(unit, 0x6F1, b"\x62\xf1\x90" + bytes([byte]) * 17, byte=0xF1, reply=byte)
            cars.append(car)
        cars[0].rows = sorted([*cars[0].rows, *cars[1].rows])
        dialogue = read_dialogue(cars[0].write(tmp_path / "a.log"))
        assert [(it[0], it[1]) for it in found(dialogue)] == [("6F1.12", "612.F1"), ("6F1.40", "640.F1")]
        assert [len(it.answers) for it in dialogue.exchanges] == [1, 1, 1, 1]
        assert not any(dialogue.incomplete.values())

    def test_nobody_answers(self, tmp_path: Path) -> None:
        car = Recording()
        car.ask("22d010", ids=(0x7E3, 0x7EB))
        car.go_on(6)
        dialogue = read_dialogue(car.write(tmp_path / "a.log"))
        assert told(dialogue) == [("22d010", "no answer", [])]

    def test_nothing_is_recorded(self, tmp_path: Path) -> None:
        """Silence of the whole channel says nothing about the unit."""
        car = Recording()
        car.ask("22d010", ids=(0x7E3, 0x7EB))
        car.put(0x100, b"\x00", later_ns=6 * SECOND)
        (exchange,) = read_dialogue(car.write(tmp_path / "a.log")).exchanges
        assert (exchange.outcome, exchange.reason) == (AnswerOutcome.UNKNOWN, "nothing was recorded in between")

    @pytest.mark.parametrize("seed", range(5))
    def test_nothing_in_other_traffic(self, tmp_path: Path, seed: int) -> None:
        hand = random.Random(seed)
        car = Recording()
        ids = hand.sample(range(0x100, 0x7F0), 40)
        fixed = {it: bytes(hand.choice([2, 3, 0x10, 0x22, 0x30, hand.randrange(256)]) for _ in range(3)) for it in ids}
        for _ in range(4000):
            can_id = hand.choice(ids)
            car.put(can_id, fixed[can_id] + hand.randbytes(5), later_ns=500_000)
        assert read_dialogue(car.write(tmp_path / "a.log")).pairs == ()

    @pytest.mark.parametrize(
        "text", ["7E0", "7E0-7E8", "7E0:7E0", "7E0:", "20000000:1", "7E0.1:7E8", "x:y", "7E0:7E8:7E9"]
    )
    def test_what_is_no_pair(self, text: str) -> None:
        with pytest.raises(UsageError, match="is not who asks and who answers"):
            parse_pair(text)

    def test_given(self, tmp_path: Path) -> None:
        car = Recording()
        car.ask("22d010", "62d01001", ids=(0x622, 0x5C4))
        log = car.write(tmp_path / "a.log")
        dialogue = read_dialogue(log, pairs=[parse_pair("622:5c4")])
        assert found(dialogue) == [("622", "5C4", HowFound.GIVEN)]
        assert len(dialogue.exchanges) == 1
        assert read_dialogue(log, pairs=[parse_pair("700:708")]).pairs == ()


class TestExchanges:
    """Each row of the table, and delays that hold the true one."""

    def test_pending(self, tmp_path: Path) -> None:
        car = Recording()
        car.send(0x7E0, 0x7E8, bytes.fromhex("14ffffff"))
        for answer in ("037f1478", "037f1478", "0154"):
            car.put(0x7E8, bytes.fromhex(answer), later_ns=4 * SECOND)
        dialogue = read_dialogue(car.write(tmp_path / "a.log"))
        (exchange,) = dialogue.exchanges
        assert exchange.outcome is AnswerOutcome.ANSWERED
        assert exchange.answers[0].pending == 2
        delay = exchange.answers[0].delay
        assert delay.earliest_ns <= 12 * SECOND <= delay.latest_ns
        assert delay.latest_ns - delay.earliest_ns <= 10_000

    def test_not_wanted(self, tmp_path: Path) -> None:
        car = Recording()
        car.ask("3e80")
        car.ask("22d010", "62d01001")
        assert told(read_dialogue(car.write(tmp_path / "a.log")))[0] == ("3e80", "no answer wanted", [])

    def test_answer_after_5_s_is_none(self, tmp_path: Path) -> None:
        car = Recording()
        car.ask("22d010", "62d01001")
        car.put(0x7E0, bytes.fromhex("0322d010"))
        for _ in range(51):
            car.put(0x100, b"\x00", later_ns=100_000_000)
        car.put(0x7E8, bytes.fromhex("0462d01002"))
        dialogue = read_dialogue(car.write(tmp_path / "a.log"))
        assert [it.outcome for it in dialogue.exchanges] == [AnswerOutcome.ANSWERED, AnswerOutcome.NO_ANSWER]
        assert [it.data.hex() for it in dialogue.others] == ["62d01002"]

    def test_several_requests_at_once(self, tmp_path: Path) -> None:
        """Answers find their requests by what they repeat, in any order."""
        car = Recording()
        for can_id, data in (
            (0x7E0, "0322d010"), (0x7E0, "0322d011"), (0x7E8, "0462d01101"), (0x7E8, "0462d01002"),
        ):  # fmt: skip
            car.put(can_id, bytes.fromhex(data))
        dialogue = read_dialogue(car.write(tmp_path / "a.log"))
        assert told(dialogue) == [("22d010", "answered", ["62d01002"]), ("22d011", "answered", ["62d01101"])]

    def test_refusal_that_fits_two(self, tmp_path: Path) -> None:
        car = Recording()
        car.ask("22d010", "62d01001")
        for can_id, data in ((0x7E0, "0322d010"), (0x7E0, "0322d011"), (0x7E8, "037f2231")):
            car.put(can_id, bytes.fromhex(data))
        car.go_on(6)
        dialogue = read_dialogue(car.write(tmp_path / "a.log"))
        assert [it.outcome for it in dialogue.exchanges[1:]] == [AnswerOutcome.UNKNOWN, AnswerOutcome.UNKNOWN]

    def test_asked_again(self, tmp_path: Path) -> None:
        """The answer may be to either; the delay holds both."""
        car = Recording()
        car.put(0x7E0, bytes.fromhex("0322d010"))
        car.put(0x7E0, bytes.fromhex("0322d010"), later_ns=SECOND)
        car.put(0x7E8, bytes.fromhex("0462d01001"), later_ns=SECOND // 2)
        car.go_on(6)
        first, second = read_dialogue(car.write(tmp_path / "a.log")).exchanges
        assert (first.outcome, first.reason) == (AnswerOutcome.UNKNOWN, "the same was asked again before the answer")
        delay = second.answers[0].delay
        assert delay.earliest_ns <= SECOND // 2
        assert delay.latest_ns >= 3 * SECOND // 2

    def test_every_frame_recorded_twice(self, tmp_path: Path) -> None:
        """As by two devices on one bus: each request and each answer is one."""
        car = Recording()
        car.ask("22d010", "62d01001")
        car.ask("22f190", "62f190" + "41" * 20)
        car.rows = [row for row in car.rows for _ in range(2)]
        outcomes = [it.outcome for it in read_dialogue(car.write(tmp_path / "a.log")).exchanges]
        assert outcomes == [AnswerOutcome.ANSWERED, AnswerOutcome.ANSWERED]

    def test_recording_ends(self, tmp_path: Path) -> None:
        car = Recording()
        car.ask("22d010", "62d01001")
        car.ask("22d011")
        dialogue = read_dialogue(car.write(tmp_path / "a.log"))
        assert dialogue.exchanges[1].outcome is AnswerOutcome.UNKNOWN
        assert dialogue.exchanges[1].reason == "the recording ends before"

    def test_first_frame_of_the_answer_lost(self, tmp_path: Path) -> None:
        car = Recording()
        car.ask("22d010", "62d01001")
        car.ask("22f190", "62f190" + "41" * 20)
        long = next(k for k, row in enumerate(car.rows) if row[1] == 0x7E8 and row[2][0] >> 4 == 1)
        del car.rows[long]
        car.go_on(6)
        dialogue = read_dialogue(car.write(tmp_path / "a.log"))
        assert dialogue.exchanges[1].outcome is AnswerOutcome.UNKNOWN
        assert dialogue.exchanges[1].reason == "the first frame of an answer is missing"

    def test_end_of_the_request_lost(self, tmp_path: Path) -> None:
        """The delay is then known from above only."""
        car = Recording()
        car.ask("2ed010" + "11" * 20, "6ed010")
        last = max(k for k, row in enumerate(car.rows) if row[1] == 0x7E0)
        del car.rows[last]
        (exchange,) = read_dialogue(car.write(tmp_path / "a.log")).exchanges
        assert exchange.answers[0].delay.earliest_ns == 0
        assert exchange.answers[0].delay.latest_ns >= 10_000_000

    def test_clock_jumps_back(self, tmp_path: Path) -> None:
        car = Recording()
        car.ask("22f190", "62f190" + "41" * 20)
        car.ask("22f190", "62f190" + "42" * 20)
        cut = len(car.rows) - 2
        rows = [*car.rows[:cut], *((at - SECOND, can_id, data) for at, can_id, data in car.rows[cut:])]
        car.rows = rows
        dialogue = read_dialogue(car.write(tmp_path / "a.log"))
        assert [it.end.name for of in dialogue.incomplete.values() for it in of] == ["DISCONTINUITY"]

    @settings(max_examples=examples(30), suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
    @given(st.lists(st.tuples(st.integers(0, 0xFFFF), st.binary(min_size=1, max_size=40)), min_size=1, max_size=8))
    def test_what_was_asked_is_told(self, tmp_path: Path, asked: list[tuple[int, bytes]]) -> None:
        car = Recording()
        for identifier, data in asked:
            car.ask(f"22{identifier:04x}", f"62{identifier:04x}{data.hex()}")
        expected = [(f"22{k:04x}", "answered", [f"62{k:04x}{data.hex()}"]) for k, data in asked]
        log = car.write(tmp_path / "a.log")
        assert told(read_dialogue(log)) == expected
        assert told(read_dialogue(log, pairs=[parse_pair("7E0:7E8")])) == expected


class TestHistory:
    """Fault codes are followed from list to list of the same question."""

    def test_cleared(self, tmp_path: Path) -> None:
        car = Recording()
        car.ask("1902ff", "5902ff0a9b1724c1008709")
        car.ask("190208", "5902ffc1008709")
        car.ask("1902ff", "5902ff0a9b1724c1008709")
        car.ask("14ffffff", "54")
        car.ask("1902ff", "5902ffc1008750")
        histories = fault_history(read_dialogue(car.write(tmp_path / "a.log")).exchanges)
        told_codes = {
            it.number.hex(): [
                (None if one.code is None else one.code.status, one.after_clearing) for one in it.readings
            ]
            for it in histories
        }
        assert told_codes == {"0a9b17": [(0x24, False), (None, True)], "c10087": [(0x09, False), (0x50, True)]}
