"""The sample logs: each still gets its verdict, for its reason, and can be made anew to the byte."""

from __future__ import annotations

import gzip
import re
import sys
from dataclasses import replace
from functools import cache
from importlib.util import module_from_spec, spec_from_file_location
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pytest
from support.examples import is_thorough
from support.polled import column_expectations, write_list

import buslens
from buslens.checks.findings import Outcome, Verdict
from buslens.dialogue.fault_history import fault_history
from buslens.report.text import text

if TYPE_CHECKING:
    from buslens.checks.findings import Result

ROOT: Final = Path(__file__).parents[1]
FOLDER: Final = ROOT / "sample_logs"

AS_EXPECTED, FAULTY, UNDECIDED = Verdict.AS_EXPECTED, Verdict.FAULTY, Verdict.UNDECIDED
Reason = tuple[str, str | None, Outcome]

#: The same warning, whatever is wrong.
WARNING: Final[Reason] = ("warning lamp", None, Outcome.VIOLATED)
SILENT: Final[Reason] = ("data line", None, Outcome.VIOLATED)
NO_SUPPLY: Final[Reason] = ("lock supply", None, Outcome.VIOLATED)
DISAGREE: Final[Reason] = ("feedback agreement", None, Outcome.VIOLATED)
NOT_TAUGHT: Final[Reason] = ("pairing state", None, Outcome.VIOLATED)
ABSENT: Final[Reason] = ("column message", None, Outcome.VIOLATED)


def unlock(step: str, outcome: Outcome) -> Reason:
    return ("unlock handshake", step, outcome)


def lock(step: str, outcome: Outcome) -> Reason:
    return ("lock handshake", step, outcome)


#: File -> its verdict, and every finding that is a fault; for an undecided one, a doubt that keeps it from more.
EXPECTED: Final[dict[str, tuple[Verdict, set[Reason]]]] = {
    "car01_healthy.log": (AS_EXPECTED, set()),
    "car01_healthy_hot_day.asc": (AS_EXPECTED, set()),
    "car02_retry.log": (AS_EXPECTED, set()),
    "car02_door_shuts_again.asc": (AS_EXPECTED, set()),
    "car02_two_close_together.log.gz": (AS_EXPECTED, set()),
    "car03_load_fuse_blown.log": (FAULTY, {unlock("wire feedback", Outcome.MISSING), NO_SUPPLY, SILENT, WARNING}),
    "car03_load_fuse_blown_on_the_way.asc": (
        FAULTY,
        {lock("wire feedback", Outcome.MISSING), NO_SUPPLY, SILENT, WARNING},
    ),
    "car03_after_repair.log": (AS_EXPECTED, set()),
    "car04_logic_fuse_blown.asc": (FAULTY, {ABSENT, SILENT, WARNING}),
    "car04_ground_open.log": (FAULTY, {unlock("wire feedback", Outcome.MISSING), SILENT, WARNING}),
    "car05_enable_open.log": (FAULTY, {unlock("wire feedback", Outcome.MISSING), WARNING}),
    "car05_enable_shorted_on.asc": (
        FAULTY,
        {unlock("enable on", Outcome.MISSING), ("enable pulse", None, Outcome.VIOLATED), WARNING},
    ),
    "car06_unlock_feedback_open.log": (FAULTY, {unlock("wire feedback", Outcome.MISSING), DISAGREE, WARNING}),
    "car06_unlock_feedback_stuck.asc": (
        FAULTY,
        {unlock("wire feedback", Outcome.MISSING), lock("wire feedback", Outcome.MISSING), DISAGREE, WARNING},
    ),
    "car06_data_line_open.log": (FAULTY, {lock("wire feedback", Outcome.MISSING), SILENT, WARNING}),
    "car07_feedbacks_disagree.asc": (
        FAULTY,
        {
            unlock("data feedback", Outcome.MISSING),
            unlock("wire feedback", Outcome.MISSING),
            lock("data feedback", Outcome.MISSING),
            DISAGREE,
            WARNING,
        },
    ),
    "car07_slow_motor.log": (FAULTY, {unlock("wire feedback", Outcome.LATE), lock("wire feedback", Outcome.LATE)}),
    "car07_sluggish.log": (AS_EXPECTED, set()),
    "car07_sluggish_slow_recording.asc": (UNDECIDED, {lock("wire feedback", Outcome.UNDECIDED)}),
    "car08_supply_contact_bad.log": (
        FAULTY,
        {unlock("wire feedback", Outcome.LATE), lock("wire feedback", Outcome.LATE)},
    ),
    "car08_jammed_bolt.asc": (FAULTY, {unlock("wire feedback", Outcome.MISSING), WARNING}),
    "car08_intermittent_connector.log": (
        FAULTY,
        {SILENT, ("ignition interlock", None, Outcome.VIOLATED), WARNING},
    ),
    "car09_low_battery.log": (FAULTY, {NO_SUPPLY, ("resting battery", None, Outcome.VIOLATED), WARNING}),
    "car09_new_unit.log": (FAULTY, {lock("enable on", Outcome.MISSING), NOT_TAUGHT, WARNING}),
    "car10_cleared_unit.asc": (FAULTY, {unlock("enable on", Outcome.MISSING), NOT_TAUGHT, WARNING}),
    "car10_lock_commanded_with_ignition_on.log": (
        FAULTY,
        {("driving interlock", None, Outcome.VIOLATED), WARNING},
    ),
    "car11_message_timeout.asc": (FAULTY, {ABSENT, SILENT, WARNING}),
    "car11_clock_jump.log": (UNDECIDED, {unlock("wire feedback", Outcome.UNDECIDED)}),
    "car12_cut_short.log": (UNDECIDED, {lock("wire feedback", Outcome.UNDECIDED)}),
    "car12_nobody_comes.log": (UNDECIDED, set()),
}


def _script() -> Any:
    spec = spec_from_file_location("make_samples", FOLDER / "make_samples.py")
    assert spec is not None
    assert spec.loader is not None
    module = module_from_spec(spec)
    # Dataclasses look up the module of their annotations by its name.
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


SAMPLES: Final = {sample.file: sample for sample in _script().SAMPLES}


@pytest.fixture(scope="module")
def judge() -> Any:
    """Judge each sample once, by the expectations that come with it."""
    results: dict[str, Result] = {}

    def result(file: str) -> Result:
        if file not in results:
            results[file] = buslens.check(FOLDER / file, expectations=ROOT / "signal_defs" / "steering_lock.toml")
        return results[file]

    return result


class TestVerdicts:
    """Each sample gets its verdict for its reason and for no other."""

    @pytest.mark.parametrize("file", EXPECTED)
    def test_verdict_and_reason(self, file: str, judge: Any) -> None:
        result = judge(file)
        verdict, reasons = EXPECTED[file]
        assert result.verdict is verdict, result.summary
        if verdict is UNDECIDED:
            doubts = {(it.rule, it.step, it.outcome) for it in result.findings if it.outcome is Outcome.UNDECIDED}
            assert reasons <= doubts
            assert not any(it.outcome.is_fault for it in result.findings)
        else:
            assert {(it.rule, it.step, it.outcome) for it in result.findings if it.outcome.is_fault} == reasons

    @pytest.mark.parametrize(
        ("file", "unlocks", "locks"),
        [
            ("car01_healthy.log", 1, 1),
            ("car02_retry.log", 1, 1),
            ("car02_door_shuts_again.asc", 1, 1),
            ("car02_two_close_together.log.gz", 2, 2),
            ("car03_load_fuse_blown_on_the_way.asc", 1, 0),
            ("car12_nobody_comes.log", 0, 0),
        ],
    )
    def test_handshakes_carried_through(self, file: str, unlocks: int, locks: int, judge: Any) -> None:
        whole = [it.rule for it in judge(file).handshakes if it.completed]
        assert (whole.count("unlock handshake"), whole.count("lock handshake")) == (unlocks, locks)

    @pytest.mark.parametrize("file", [file for file, (verdict, _) in EXPECTED.items() if verdict is not AS_EXPECTED])
    def test_one_fault_fits_a_terminal(self, file: str, judge: Any) -> None:
        """The first line says what is wrong; with the next command, 25 lines are enough for all of it."""
        shown = text(replace(judge(file), path=f"sample_logs/{file}"), width=80).splitlines()
        assert shown[0].startswith(("Faulty: ", "Undecided: "))
        assert len(shown) < 25

    def test_a_second_try_is_counted(self, judge: Any) -> None:
        tries = {it.rule: it.tries for it in judge("car02_retry.log").handshakes}
        assert tries["unlock handshake"] == 2

    def test_a_door_that_shuts_again_calls_the_handshake_off(self, judge: Any) -> None:
        called_off = [it.abandoned for it in judge("car02_door_shuts_again.asc").handshakes if it.abandoned]
        assert called_off == ["door open became closed"]

    def test_the_torn_line_is_reported(self, judge: Any) -> None:
        stats = judge("car12_cut_short.log").stats
        assert stats.broken == 1
        assert stats.skipped[0].line == (FOLDER / "car12_cut_short.log").read_bytes().count(b"\n") + 1

    @pytest.mark.parametrize("file", [file for file in EXPECTED if file != "car12_cut_short.log"])
    def test_every_other_line_is_read(self, file: str, judge: Any) -> None:
        assert judge(file).stats.broken == 0

    def test_the_slow_recording_is_of_the_same_minute(self, judge: Any) -> None:
        """The two differ in the recording rate only, so that what is undecided in one is met in the other."""
        slow, full = judge("car07_sluggish_slow_recording.asc"), judge("car07_sluggish.log")
        assert slow.stats.frames < full.stats.frames / 2
        doubt = next(it for it in slow.findings if it.outcome is Outcome.UNDECIDED)
        same = next(it for it in full.findings if (it.rule, it.step) == (doubt.rule, doubt.step))
        assert same.outcome is Outcome.MET
        assert "too close to call" in doubt.reason


RATES: Final = (2, 5, 10)
"""How often a second a tester asks for a value."""


@pytest.mark.slow
class TestPolled:
    @pytest.mark.parametrize(
        ("file", "per_second"),
        [
            (file, rate)
            for number, file in enumerate(EXPECTED)
            for rate in (RATES if is_thorough() else RATES[number % 3 : number % 3 + 1])
        ],
    )
    def test_a_tester_never_says_the_opposite(self, file: str, per_second: int, judge: Any, tmp_path: Path) -> None:
        """A list of the same minute may leave the verdict open, and never turns it round."""
        whole = judge(file)
        write_list(whole, tmp_path / "list.csv", per_second)
        polled = buslens.check(tmp_path / "list.csv", expectations=column_expectations(whole.expectations))
        assert polled.stats.counted == "row"
        assert {whole.verdict, polled.verdict} != {AS_EXPECTED, FAULTY}, (whole.summary, polled.summary)


class TestFiles:
    """The folder holds what its list and its README say, and nothing else."""

    def test_all_are_listed(self) -> None:
        logs = {path.name for path in FOLDER.glob("car*") if path.suffix != ".png"} - set(instruments())
        assert logs == set(EXPECTED) == set(SAMPLES)

    @pytest.mark.parametrize("file", list(EXPECTED)[:: 1 if is_thorough() else 3])
    def test_made_anew_it_is_the_same(self, file: str, tmp_path: Path) -> None:
        from buslens.rehearsal.rehearse import write_rehearsal

        held = (FOLDER / file).read_bytes()
        made = write_rehearsal(SAMPLES[file].rehearse(), tmp_path / file).read_bytes()
        # How well it is compressed is a matter of the machine's zlib.
        assert _plain(made) == _plain(held)

    def test_readme_gives_the_same_verdicts(self) -> None:
        rows = re.findall(r"^\| `(car\S+)` \|.*?\| ([a-z ]+) \|", (FOLDER / "README.md").read_text("utf-8"), re.M)
        words = {AS_EXPECTED: "as expected", FAULTY: "faulty", UNDECIDED: "undecided"}
        listed = [row for row in rows if row[0] not in instruments()]
        assert listed == [(file, words[verdict]) for file, (verdict, _) in EXPECTED.items()]

    def test_every_fault_is_shown(self) -> None:
        from buslens.rehearsal.faults import FAULTS

        # The first looks like an open ground on the bus; in the second the lock has no part; the others are conditions
        # for the release, a late sensor, a guard, and what only the lock's plug tells, which can be rehearsed at will.
        conditions = {"bolt-under-load", "units-asleep", "key-not-recognised", "speed-not-zero", "not-in-park"}
        conditions |= {"brake-not-pressed", "partner-not-registered", "supply-cut-by-guard", "second-feedback-late"}
        conditions |= {"ground-contact-bad", "lock-unit-dead"}
        assert set(FAULTS) - {sample.fault for sample in SAMPLES.values()} == {"supply-open", "restart"} | conditions


class TestInstruments:
    """What a tester listed and an oscilloscope saved, each by expectations of its own."""

    @pytest.mark.parametrize(
        ("file", "expectations", "step", "outcome"),
        [
            ("tester_list_car03.csv", "steering_lock_list.toml", "release", Outcome.MISSING),
            ("scope_trace_car07.csv.gz", "steering_lock_wires.toml", "release", Outcome.LATE),
        ],
    )
    def test_verdict(self, file: str, expectations: str, step: str, outcome: Outcome) -> None:
        result = buslens.check(FOLDER / file, expectations=ROOT / "signal_defs" / expectations)
        assert result.verdict is FAULTY
        assert {it.outcome for it in result.findings if it.step == step} == {outcome}

    def test_answers(self) -> None:
        """What the unit answers about the lock's supply is a role, by a message of 12 bytes and by its first byte."""
        expected = ROOT / "signal_defs" / "steering_lock_tester.toml"
        result = buslens.check(FOLDER / "car03_tester_at_work.log", expectations=expected)
        (first, *_) = [it for it in result.findings if it.rule == "supply of the lock"]
        assert first.outcome is Outcome.VIOLATED
        for role in ("lock_supply", "last_supply"):
            values = result.timelines[role].value
            assert np.nanmax(values) < 0.5
        output = result.timelines["enable_output"]
        assert {output.states[it] for it in output.state if it >= 0} == {"off", "on"}

    def test_data_line(self) -> None:
        """Headers without an answer are the lock unit's silence, not the bus's; what comes is told as on the bus."""
        result = buslens.check(
            FOLDER / "car08_data_line.asc", expectations=ROOT / "signal_defs" / "steering_lock_data_line.toml"
        )
        answers = {it.outcome for it in result.findings if it.rule == "lock unit answers"}
        assert answers == {Outcome.VIOLATED, Outcome.MET}
        assert Outcome.VIOLATED not in {it.outcome for it in result.findings if it.rule == "answer passed on"}
        assert any("LIN headers were not answered" in note for note in result.notes)

    def test_the_trace_is_sharper_than_the_log(self, judge: Any) -> None:
        """Both saw the same release; the wire tells its delay within that of the log."""
        trace = buslens.check(
            FOLDER / "scope_trace_car07.csv.gz", expectations=ROOT / "signal_defs" / "steering_lock_wires.toml"
        )
        (wire,) = [it.delay for it in trace.findings if it.step == "release"]
        log = next(it.delay for it in judge("car07_slow_motor.log").findings if it.step == "wire feedback")
        assert wire is not None
        assert wire.latest_ns is not None
        assert wire.latest_ns - wire.earliest_ns < 2_000_000
        assert log.earliest_ns <= wire.latest_ns
        assert wire.earliest_ns <= log.latest_ns

    def test_dialogue(self) -> None:
        """The tester finds the code of a lock that does not move, and the lock is judged as without a tester."""
        file = FOLDER / "car03_tester_at_work.log"
        dialogue = buslens.read_dialogue(file)
        assert [(str(it.request), str(it.answer)) for it in dialogue.pairs] == [("7A0", "7A8")]
        assert not any(dialogue.incomplete.values())
        assert {it.outcome.name for it in dialogue.exchanges} == {"ANSWERED", "REFUSED", "NOT_WANTED"}
        latest = fault_history(dialogue.exchanges)
        present = [it for it in latest if (code := it.readings[-1].code) and code.status == 0x2F]
        assert [it.number.hex() for it in present] == ["911c01"]
        assert buslens.check(file).verdict is FAULTY

    def test_made_anew_they_are_the_same(self) -> None:
        for file, made in instruments().items():
            assert _plain((FOLDER / file).read_bytes()) == _plain(made)


@cache
def instruments() -> dict[str, bytes]:
    made: dict[str, bytes] = _script().instruments()
    return made


def _plain(data: bytes) -> bytes:
    return gzip.decompress(data) if data[:2] == b"\x1f\x8b" else data
