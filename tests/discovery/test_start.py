from __future__ import annotations

import re
import shutil
from functools import cache
from pathlib import Path
from types import SimpleNamespace
from typing import TYPE_CHECKING

import numpy as np
import pytest
from support.examples import is_thorough
from support.wordings import PINEWICK, in_words, reworded

from buslens.checks.check import check
from buslens.checks.findings import Verdict
from buslens.definitions.load import load_definitions
from buslens.discovery.roles import two_states
from buslens.discovery.start import start
from buslens.errors import UsageError
from buslens.expectations.load import load_expectations
from buslens.expectations.model import Pulse, Sequence
from buslens.rehearsal.rehearse import rehearse, rendered, write_rehearsal

if TYPE_CHECKING:
    from collections.abc import Callable

    from buslens.discovery.start import StartResult
    from buslens.rehearsal.rehearse import Rehearsal, TrueStates

TRUE_ROLES = {
    "door_open": "BODY_DOORS.DRIVER_DOOR",
    "ignition": "POWER_MODE.STAGE",
    "lock_enable": "COLUMN_CONTROL.LOCK_ENABLE",
    "unlock_feedback": "COLUMN_STATE.UNLOCK_FEEDBACK",
    "data_feedback": "COLUMN_STATE.DATA_FEEDBACK",
    "supply_voltage": "COLUMN_STATE.SUPPLY",
    "start_button": "ACCESS_STATE.START_BUTTON",
    "key": "ACCESS_STATE.KEY",
    "speed": "ROAD_SPEED.SPEED",
    "pairing_state": "COLUMN_DETAIL.PAIRING",
    "warning_lamp": "CLUSTER_LAMPS.STEERING_LOCK_LAMP",
    "battery_voltage": "BATTERY_STATE.VOLTAGE",
    "supply_current": "COLUMN_STATE.CURRENT",
}
HANDSHAKE = TRUE_ROLES.keys() & {
    "door_open",
    "ignition",
    "lock_enable",
    "unlock_feedback",
    "data_feedback",
    "start_button",
}
SAMPLES = sorted(
    path
    for path in (Path(__file__).parents[2] / "sample_logs").iterdir()
    if path.suffix in {".log", ".asc"} or path.name.endswith((".log.gz", ".asc.gz"))
)


@cache
def rehearsed(seed: int, duration: float | None) -> Rehearsal:
    return rehearse("healthy", seed=seed, duration=duration)


@cache
def log(seed: int, duration: float | None) -> bytes:
    return rendered(rehearsed(seed, duration), "candump")


def filled(folder: Path) -> Path:
    shutil.copy(PINEWICK, folder)
    (folder / "short.log").write_bytes(log(1, None))
    (folder / "long.log").write_bytes(log(2, 80.0))
    return folder


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Return a folder with the definitions, a short and a long capture."""
    return filled(tmp_path)


@pytest.fixture(scope="module")
def learned(tmp_path_factory: pytest.TempPathFactory) -> Callable[[str], tuple[StartResult, Path, Path]]:
    """Learn from the short or the long capture, once; return what was made, the capture and the file."""
    shared = filled(tmp_path_factory.mktemp("learned"))

    @cache
    def learn(name: str) -> tuple[StartResult, Path, Path]:
        capture, written = shared / name, shared / f"{name}.toml"
        made = start([str(shared / "pinewick.dbc")], str(capture), output=str(written))
        written.write_text(made.text, "utf-8")
        return made, capture, written

    return learn


def delays(cause: TrueStates, value: int, effect: TrueStates, result: int) -> list[int]:
    """Return the true time from each change of the cause to a value, to the next change of the effect, ns."""
    found = []
    for at in cause.time_ns[1:][cause.value[1:] == value].tolist():
        later = effect.time_ns[1:][(effect.time_ns[1:] >= at) & (effect.value[1:] == result)]
        if len(later) and later[0] - at < 2_000_000_000:
            found.append(int(later[0]) - at)
    return found


class TestFile:
    """The file loads, names the true signals, and does not call faulty what it was learned from."""

    @pytest.mark.parametrize("name", ["short.log", "long.log"])
    def test_of_a_healthy_car(self, name: str, learned: Callable[[str], tuple[StartResult, Path, Path]]) -> None:
        made, capture, written = learned(name)
        assert made.certain == TRUE_ROLES
        assert made.is_complete
        expected = load_expectations(written)
        assert {role.name: f"{role.message}.{role.signal}" for role in expected.roles.values()} == TRUE_ROLES
        assert [rule.name for rule in expected.rules] == [draft.name for draft in made.drafts]
        result = check(capture, expectations=expected)
        assert result.verdict is Verdict.AS_EXPECTED
        assert [run.rule for run in result.handshakes if run.completed].count("lock handshake") >= 1

    @pytest.mark.parametrize("wording", ["abbreviations", "german"])
    def test_in_other_words(self, wording: str, folder: Path) -> None:
        dbc = reworded(wording, folder)
        made = start([str(dbc)], str(folder / "short.log"), output=str(folder / "new.toml"))
        true = {role: in_words(wording, signal) for role, signal in TRUE_ROLES.items()}
        assert made.certain.items() <= true.items()
        assert made.certain.keys() >= HANDSHAKE
        (folder / "new.toml").write_text(made.text, "utf-8")
        assert check(folder / "short.log", expectations=folder / "new.toml").verdict is Verdict.AS_EXPECTED

    @pytest.mark.parametrize("sample", SAMPLES[:: 1 if is_thorough() else 5], ids=lambda path: path.name)
    def test_of_any_capture(self, sample: Path, tmp_path: Path) -> None:
        """Whatever a capture shows, what is written loads, and is never broken by that capture itself."""
        made = start([str(PINEWICK)], str(sample), output=str(tmp_path / "new.toml"))
        (tmp_path / "new.toml").write_text(made.text, "utf-8")
        assert made.certain.items() <= TRUE_ROLES.items()
        assert made.is_complete or made.missing or made.outliers
        result = check(sample, expectations=tmp_path / "new.toml")
        assert result.verdict is not Verdict.FAULTY, result.summary


class TestLimits:
    """Limits contain the true delays, tell how often they were measured, and call a guess a guess."""

    def test_true_delays_are_inside(self, learned: Callable[[str], tuple[StartResult, Path, Path]]) -> None:
        _, _, written = learned("long.log")
        rules = {rule.name: rule for rule in load_expectations(written).rules}
        truth = rehearsed(2, 80.0).truth
        enable = truth["COLUMN_CONTROL.LOCK_ENABLE"]
        hard, data = truth["COLUMN_STATE.UNLOCK_FEEDBACK"], truth["COLUMN_STATE.DATA_FEEDBACK"]
        for name, step_name, cause, value, effect, result in (
            ("unlock handshake", "wire feedback", enable, 1, hard, 1),
            ("unlock handshake", "data feedback", hard, 1, data, 2),
            ("lock handshake", "enable on", truth["BODY_DOORS.DRIVER_DOOR"], 1, enable, 1),
            ("lock handshake", "wire feedback", enable, 1, hard, 0),
            ("lock handshake", "data feedback", hard, 0, data, 1),
            ("lock handshake", "enable off", enable, 1, enable, 0),
        ):
            rule = rules[name]
            assert isinstance(rule, Sequence)
            step = next(step for step in rule.steps if step.name == step_name)
            true = delays(cause, value, effect, result)
            assert len(true) >= 3, step_name
            for delay in true:
                assert (step.after_ns or 0) <= delay <= step.within_ns, step_name
        pulse = rules["enable pulse"]
        assert isinstance(pulse, Pulse)
        lengths = np.diff(enable.time_ns)[enable.value[:-1] == 1]
        assert pulse.least_ns is not None
        assert pulse.most_ns is not None
        assert pulse.least_ns <= lengths.min() <= lengths.max() <= pulse.most_ns

    def test_method_is_told(self, learned: Callable[[str], tuple[StartResult, Path, Path]]) -> None:
        short = learned("short.log")[0].text
        assert "A GUESS: half of the value either way" in short
        assert 'basis = "a guess from 1 handshake in one capture"' in short
        assert "NIST" not in short
        long = learned("long.log")[0].text
        assert re.search(r"mean \+/- 6\.\d\d standard\s(?:#\s+)?deviations of 4: 95 % at 95 % confidence", long)
        assert 'basis = "learned from 4 handshakes in one capture"' in long
        assert "more handshakes of the same spread would bring the upper limits to" in long.replace("\n#   ", " ")

    def test_nothing_to_measure(self, tmp_path: Path) -> None:
        """Without a handshake the sequences stand as comments that say so."""
        write_rehearsal(rehearse("healthy", seed=1, duration=1.0), tmp_path / "x.log")
        made = start([str(PINEWICK)], str(tmp_path / "x.log"), output=str(tmp_path / "new.toml"))
        lock = next((draft for draft in made.drafts if draft.name == "lock handshake"), None)
        assert lock is None or "not measured" in lock.problem
        assert '\n[[rules]]\nname = "lock handshake"' not in made.text


class TestDoubt:
    """What is not certain stands as a comment, with the reason."""

    def test_feedbacks_that_cannot_be_told_apart(self, folder: Path) -> None:
        """Which of two is the hard-wired path does not matter to the rules; it is a question, not a hole."""
        text = re.sub(r"^CM_ SG_ .*$", "", PINEWICK.read_text("utf-8"), flags=re.MULTILINE)
        text = text.replace("UNLOCK_FEEDBACK", "FEEDBACK_P").replace("DATA_FEEDBACK", "FEEDBACK_B")
        text = text.replace(' 0 "no data" 1 "locked" 2 "unlocked" 3 "error" ;', ' 1 "locked" 2 "unlocked" ;')
        (folder / "same.dbc").write_text(text.replace("FEEDBACK_B", "FEEDBACK_Q"), "utf-8")
        made = start([str(folder / "same.dbc")], str(folder / "short.log"), output=str(folder / "new.toml"))
        found = {made.certain["unlock_feedback"], made.certain["data_feedback"]}
        assert found == {"COLUMN_STATE.FEEDBACK_P", "COLUMN_STATE.FEEDBACK_Q"}
        assert "could as well change places" in made.text.replace("\n#   ", " ")

    def test_no_value_names(self, folder: Path) -> None:
        """Which value means what is told by what follows what."""
        text = re.sub(r"^VAL_ .*$", "", PINEWICK.read_text("utf-8"), flags=re.MULTILINE)
        (folder / "bare.dbc").write_text(text, "utf-8")
        made = start([str(folder / "bare.dbc")], str(folder / "long.log"), output=str(folder / "new.toml"))
        assert {role: made.certain.get(role) for role in HANDSHAKE} == {role: TRUE_ROLES[role] for role in HANDSHAKE}
        (folder / "new.toml").write_text(made.text, "utf-8")
        roles = load_expectations(folder / "new.toml").roles
        assert roles["lock_enable"].states == {"off": (0,), "on": (1,)}
        assert roles["door_open"].states == {"open": (1,), "closed": (0,)}
        assert roles["unlock_feedback"].states == {"locked": (0,), "unlocked": (1,)}
        assert roles["data_feedback"].states == {"locked": (1,), "unlocked": (2,)}
        assert check(folder / "short.log", expectations=folder / "new.toml").verdict is Verdict.AS_EXPECTED

    def test_nothing_moves(self, folder: Path) -> None:
        """A lock that does not move teaches nothing: what is missing is told, with what to record."""
        write_rehearsal(rehearse("load-fuse-blown", seed=1), folder / "bad.log")
        made = start([str(folder / "pinewick.dbc")], str(folder / "bad.log"), output=str(folder / "new.toml"))
        assert not made.is_complete
        assert any("record captures in which" in text for text in made.missing)
        assert "\nto_decide = [" in made.text
        assert all(it.verdict is not Verdict.AS_EXPECTED for it in made.tried)
        assert "Could not be learned:" in made.text

    def test_nothing_alike(self, folder: Path) -> None:
        (folder / "other.dbc").write_text(
            'VERSION ""\nNS_ :\nBS_:\nBU_: A\nBO_ 1 X: 8 A\n SG_ Y : 0|8@1+ (1,0) [0|255] "" A\n', "utf-8"
        )
        with pytest.raises(UsageError, match=r"no signal in .*other.dbc looks like"):
            start([str(folder / "other.dbc")], str(folder / "short.log"), output="new.toml")

    def test_another_bus(self, folder: Path) -> None:
        (folder / "other.log").write_text("(1.000000) can0 7FF#00\n(2.000000) can0 7FF#01\n")
        with pytest.raises(UsageError, match=r"has no two frames of .*are these the definitions of this vehicle"):
            start([str(folder / "pinewick.dbc")], str(folder / "other.log"), output="new.toml")

    def test_nothing_certain(self, folder: Path) -> None:
        """With no certain role the file still loads: it asks for the message."""
        (folder / "thin.dbc").write_text(
            'VERSION ""\nNS_ :\nBS_:\nBU_: A\nBO_ 473 Y: 4 A\n SG_ LOCK_STATE_MAYBE : 0|1@1+ (1,0) [0|1] "" A\n',
            "utf-8",
        )
        made = start([str(folder / "thin.dbc")], str(folder / "short.log"), output=str(folder / "new.toml"))
        assert made.certain == {}
        assert "# NOT CERTAIN: little speaks for it" in made.text
        (folder / "new.toml").write_text(made.text, "utf-8")
        expected = load_expectations(folder / "new.toml")
        assert [rule.name for rule in expected.rules] == ["Y message"]
        assert check(folder / "short.log", expectations=expected).verdict is not Verdict.FAULTY

    def test_standard_input(self) -> None:
        with pytest.raises(UsageError, match="read twice"):
            start([str(PINEWICK)], "-", output="new.toml")


def test_value_names_stand_against_what_comes_first() -> None:
    """Whichever value comes before the moves of the lock, what the definitions call open is open."""
    (signal,) = (
        it
        for message in load_definitions(SAMPLES[0].parents[1] / "signal_defs" / "pinewick.dbc").messages
        for it in message.signals
        if it.name == "DRIVER_DOOR"
    )
    for raw in (0, 1):
        states = two_states("door_open", SimpleNamespace(signal=signal), {"open": raw})  # type: ignore[arg-type]
        assert states == {"open": (1,), "closed": (0,)}
