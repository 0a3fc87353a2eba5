"""From definitions and three captures of a car that nobody made for this to a file that tells healthy from faulty."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import pytest
from support.invented_cars import BITS, FAULTS, GERMAN, Car, record, tell

from buslens.checks.check import check
from buslens.checks.findings import Verdict
from buslens.discovery.found_dbc import found_dbc
from buslens.discovery.marks import parse_mark
from buslens.discovery.seek import seek
from buslens.discovery.start import StartResult, start

if TYPE_CHECKING:
    from pathlib import Path

CARS = {"german": GERMAN, "bits": BITS}


@dataclass(frozen=True)
class Learned:
    """A car and the file that was learned from three captures of it."""

    car: Car
    folder: Path
    made: StartResult

    def verdict(self, seed: int, fault: str = "") -> tuple[Verdict, str]:
        """Return what the file says of a further capture."""
        capture = record(self.car, self.folder / f"next {fault} {seed}.log", seed, fault)
        result = check(capture, expectations=self.folder / "car.toml")
        return result.verdict, result.summary


@pytest.fixture(scope="module", params=CARS)
def learned(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Learned:
    """Return each car with what was learned of it."""
    car, folder = CARS[request.param], tmp_path_factory.mktemp(request.param)
    (folder / "car.dbc").write_text(car.dbc(), "utf-8")
    captures = [str(record(car, folder / f"good{seed}.log", seed)) for seed in range(3)]
    made = start([str(folder / "car.dbc"), *captures], output=str(folder / "car.toml"))
    (folder / "car.toml").write_text(made.text, "utf-8")
    return Learned(car, folder, made)


def test_true_signals(learned: Learned) -> None:
    """Each role of the handshake is the signal that plays it, or the bit that says the same turned round."""
    parts = {f"{it.name}.{field.name}": field.part for it in learned.car.messages for field in it.fields}
    found = {role: parts[name] for role, name in learned.made.certain.items()}
    assert found["unlock_feedback"] in {"first", "first turned"}
    assert {role: found[role] for role in found if role in TRUE_PARTS} == TRUE_PARTS
    assert learned.made.is_complete


TRUE_PARTS = {
    "door_open": "door",
    "start_button": "button",
    "ignition": "ignition",
    "lock_enable": "enable",
    "data_feedback": "second",
    "speed": "speed",
}


@pytest.mark.parametrize("seed", range(10, 16))
def test_healthy(learned: Learned, seed: int) -> None:
    verdict, summary = learned.verdict(seed)
    assert verdict is Verdict.AS_EXPECTED, summary


LEADS = {"first dead", "second dead", "second late"}
"""Faults of which a feedback is what a person reads of first, not what the enable then does or leaves."""

pytestmark = pytest.mark.slow


@pytest.mark.parametrize("fault", FAULTS)
def test_fault(learned: Learned, fault: str) -> None:
    verdict, summary = learned.verdict(20, fault)
    assert verdict is Verdict.FAULTY, summary
    if fault in LEADS:
        first = summary.split(";")[0]
        assert "feedback" in first, summary
        assert "lock enable" not in first, summary


def test_between(learned: Learned) -> None:
    """What a feedback shows on its way is a state of its own."""
    between = learned.car.passes_between
    best = learned.made.proposals["unlock_feedback"].best
    assert best is not None
    assert ("moving" in best.states) is between


def test_said_twice(learned: Learned) -> None:
    """A bit that says the same turned round is no second path."""
    if learned.car is BITS:
        others = [it for role in ("unlock_feedback", "data_feedback") for it in learned.made.proposals[role].others]
        assert any("turned round" in reason for it in others for reason in it.reasons)


@pytest.mark.parametrize("name", CARS)
def test_names_that_say_nothing(name: str, tmp_path: Path) -> None:
    """Without words the order of events tells the signals, and what fits as well is asked for."""
    parts = {}
    messages = []
    for index, message in enumerate(CARS[name].messages):
        fields = []
        for place, field in enumerate(message.fields):
            fields.append(replace(field, name=f"Q{index}{place:02}", labels=(), comment=""))
            parts[f"M{index}.Q{index}{place:02}"] = field.part
        messages.append(replace(message, name=f"M{index}", fields=tuple(fields)))
    car = replace(CARS[name], messages=tuple(messages))
    (tmp_path / "car.dbc").write_text(car.dbc(), "utf-8")
    captures = [str(record(car, tmp_path / f"good{seed}.log", seed)) for seed in range(3)]
    made = start([str(tmp_path / "car.dbc"), *captures], output=str(tmp_path / "car.toml"))
    for role, part in TRUE_PARTS.items():
        if role in made.certain and parts[made.certain[role]] != part:
            assert any(it.startswith(f"{role}:") for it in made.missing) or "change places" in (
                made.proposals[role].doubt
            ), (role, made.certain[role])
    assert parts[made.certain["lock_enable"]] == "enable"
    for role in {"door_open", "start_button", "ignition"} & made.certain.keys():
        assert parts[made.certain[role]] == TRUE_PARTS[role], role


@pytest.fixture(scope="module", params=[True, False], ids=["named", "unnamed"])
def woken(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Learned:
    """Return a car whose units send a value that means nothing as they wake up, with a name for it or without."""
    messages = [
        replace(
            message,
            fields=tuple(
                it if request.param else replace(it, labels=tuple(label for label in it.labels if label[0]))
                for it in message.fields
            ),
        )
        for message in GERMAN.messages
    ]
    car, folder = replace(GERMAN, messages=tuple(messages), boots=True), tmp_path_factory.mktemp("woken")
    (folder / "car.dbc").write_text(car.dbc(), "utf-8")
    captures = [str(record(car, folder / f"good{seed}.log", seed)) for seed in range(3)]
    made = start([str(folder / "car.dbc"), *captures], output=str(folder / "car.toml"))
    (folder / "car.toml").write_text(made.text, "utf-8")
    return Learned(car, folder, made)


def test_value_of_a_unit_that_wakes_up(woken: Learned) -> None:
    """It is a state of its own, and leaves nothing undecided."""
    assert woken.made.is_complete
    for role in ("unlock_feedback", "data_feedback", "ignition"):
        best = woken.made.proposals[role].best
        assert best is not None
        assert best.states["starting"] == (0,)
        # A feedback that says nothing yet does not say that the lock is somewhere between.
        assert role == "ignition" or woken.made.text.count(f"and not {role} is starting") >= 2
    for seed in (10, 11):
        verdict, summary = woken.verdict(seed)
        assert verdict is Verdict.AS_EXPECTED, summary
    verdict, summary = woken.verdict(20, "second dead")
    assert verdict is Verdict.FAULTY
    assert "data feedback" in summary


def test_sent_only_on_change_and_asleep(tmp_path: Path) -> None:
    """A car whose states are sent as they change, on a bus that sleeps: silence is no fault and proves no delay."""
    messages = [
        replace(it, is_event=not any(field.part in {"speed", "supply"} for field in it.fields), has_cycle=False)
        for it in BITS.messages
    ]
    car = replace(BITS, messages=tuple(messages))
    (tmp_path / "car.dbc").write_text(car.dbc(), "utf-8")

    def asleep(name: str, seed: int, fault: str = "") -> Path:
        """Record two rounds, and nothing between them: from the last change of the first to the first of the second."""
        capture = record(car, tmp_path / name, seed, fault, rounds=2)
        locked = [at - 0.1 for at, value in tell(car, seed, fault, rounds=2)[0]["central"] if not value]
        lines = capture.read_text().splitlines(keepends=True)
        kept = [line for line in lines if not -0.7 < float(line[1:18]) - 1_700_000_000 - locked[1] < 0]
        assert len(kept) < len(lines)
        capture.write_text("".join(kept))
        return capture

    captures = [str(asleep(f"good{seed}.log", seed)) for seed in range(3)]
    made = start([str(tmp_path / "car.dbc"), *captures], output=str(tmp_path / "car.toml"))
    (tmp_path / "car.toml").write_text(made.text, "utf-8")
    assert made.is_complete, made.missing
    assert "\nsleeps = true" in made.text
    assert made.text.count('sent = "only on ') >= 6
    found = [
        check(asleep(f"next{fault}.log", 10, fault), expectations=tmp_path / "car.toml") for fault in ("", "no drive")
    ]
    assert [it.verdict for it in found] == [Verdict.AS_EXPECTED, Verdict.FAULTY], [it.summary for it in found]


def test_feedbacks_in_either_order(tmp_path: Path) -> None:
    """What comes after both is no fault where the first never comes: then the lock, not the ignition, is to blame."""
    car = replace(BITS, second=5)
    (tmp_path / "car.dbc").write_text(car.dbc(), "utf-8")
    captures = [str(record(car, tmp_path / f"good{seed}.log", seed)) for seed in range(3)]
    made = start([str(tmp_path / "car.dbc"), *captures], output=str(tmp_path / "car.toml"))
    (tmp_path / "car.toml").write_text(made.text, "utf-8")
    assert 'await = "unlock_feedback is unlocked and data_feedback is unlocked"' in made.text
    result = check(record(car, tmp_path / "next.log", 20, "first dead"), expectations=tmp_path / "car.toml")
    assert result.verdict is Verdict.FAULTY
    assert not any(it.step == "ignition on" and it.outcome.is_fault for it in result.findings)


def test_numbers_in_names_that_say_nothing(tmp_path: Path) -> None:
    """A number that counts signals does not make one of them the second path."""
    messages = []
    for index, message in enumerate(BITS.messages):
        fields = [
            replace(field, name=f"SIG_2_{index}{place:02}", labels=(), comment="")
            for place, field in enumerate(message.fields)
        ]
        messages.append(replace(message, name=f"M{index}", fields=tuple(fields)))
    car = replace(BITS, messages=tuple(messages))
    (tmp_path / "car.dbc").write_text(car.dbc(), "utf-8")
    captures = [str(record(car, tmp_path / f"good{seed}.log", seed)) for seed in range(3)]
    made = start([str(tmp_path / "car.dbc"), *captures], output=str(tmp_path / "car.toml"))
    assert {"unlock_feedback", "data_feedback"} <= set(made.certain)


def test_states_of_whole_signed_bytes(tmp_path: Path) -> None:
    """A state may fill a byte, signed or not, without a name for any of its values."""
    messages = [
        replace(it, fields=tuple(replace(field, start=8 * place, length=8) for place, field in enumerate(it.fields)))
        if it.name != "SPEED_INFO"
        else it
        for it in BITS.messages
    ]
    car = replace(BITS, messages=tuple(messages))
    (tmp_path / "car.dbc").write_text(car.dbc().replace("|8@1+", "|8@1-"), "utf-8")
    captures = [str(record(car, tmp_path / f"good{seed}.log", seed)) for seed in range(3)]
    made = start([str(tmp_path / "car.dbc"), *captures], output=str(tmp_path / "car.toml"))
    (tmp_path / "car.toml").write_text(made.text, "utf-8")
    assert made.is_complete, made.missing
    found = [
        check(record(car, tmp_path / "next.log", 10, fault), expectations=tmp_path / "car.toml").verdict
        for fault in ("", "never locks")
    ]
    assert found == [Verdict.AS_EXPECTED, Verdict.FAULTY]


def test_exchanged_feedbacks(tmp_path: Path) -> None:
    """The two paths in each other's place, or one in both, are found where one is surely later than the other."""
    (tmp_path / "car.dbc").write_text(BITS.dbc(), "utf-8")
    captures = [str(record(BITS, tmp_path / f"good{seed}.log", seed)) for seed in range(3)]
    made = start([str(tmp_path / "car.dbc"), *captures], output=str(tmp_path / "car.toml"))
    (tmp_path / "car.toml").write_text(made.text, "utf-8")
    assert "that show whether the two are exchanged: " in made.text
    capture = record(BITS, tmp_path / "next.log", 10, rounds=4)

    def rewired(line: str, *, is_exchanged: bool) -> str:
        """Return a line with the wire's bits (2 and, turned round, 3 of byte 0) from the data's, and perhaps back."""
        head, mark, data = line.partition(" 51B#")
        if not mark:
            return line
        octets = bytearray.fromhex(data)
        wire, line_bit = octets[0] >> 2 & 1, octets[1] >> 3 & 1
        octets[0] = octets[0] & ~12 | (4 if line_bit else 8)
        if is_exchanged:
            octets[1] = octets[1] & ~8 | wire << 3
        return f"{head}{mark}{octets.hex().upper()}"

    lines = capture.read_text().splitlines()
    assert check(capture, tmp_path / "car.toml").verdict is Verdict.AS_EXPECTED
    for is_exchanged in (True, False):
        capture.write_text("\n".join(rewired(it, is_exchanged=is_exchanged) for it in lines) + "\n")
        found = check(capture, tmp_path / "car.toml")
        assert found.verdict is Verdict.FAULTY, found.summary


def test_from_marks_alone(tmp_path: Path) -> None:
    """Without definitions, marks of door and button lead to a whole file: the rest is told by what follows what."""
    captures = [record(BITS, tmp_path / f"good{seed}.log", seed, rounds=4) for seed in range(3)]
    story = tell(BITS, 0, "", rounds=4)[0]
    words = {("door", 1): "door opens", ("door", 0): "door closes", ("button", 1): "start pressed"}
    marks = [
        parse_mark(f"{at:.2f} {words[part, value]}")
        for part in ("door", "button")
        for at, value in story[part][1:]
        if (part, value) in words
    ]
    found = seek(captures[0], marks)
    (tmp_path / "found.dbc").write_bytes(found_dbc(found, found.chosen()))
    made = start([str(tmp_path / "found.dbc"), *map(str, captures)], output=str(tmp_path / "car.toml"))
    (tmp_path / "car.toml").write_text(made.text, "utf-8")
    assert "to_decide" not in made.text, made.missing
    verdicts = [
        check(record(BITS, tmp_path / "next.log", 10, fault), tmp_path / "car.toml").verdict.value
        for fault in ("", "never locks", "second dead", "no drive")
    ]
    assert verdicts == ["as_expected", "faulty", "faulty", "faulty"]
