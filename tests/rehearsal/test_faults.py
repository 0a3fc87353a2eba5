"""What each fault does to the bus, by the truth and by payloads unpacked with an independent library."""

from __future__ import annotations

import ast
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any

import cantools
import numpy as np
import pytest

from buslens.errors import UsageError
from buslens.rehearsal.control_unit import FaultCode
from buslens.rehearsal.faults import FAULTS, find_fault
from buslens.rehearsal.rehearse import Rehearsal, rehearse
from buslens.units import NS_PER_MS

Rehearsed = Callable[..., Rehearsal]

STARTS = {
    "healthy",
    "supply-contact-bad",
    "ground-contact-bad",
    "slow-motor",
    "intermittent-connector",
    "low-battery",
    "lock-commanded-with-ignition-on",
    "message-timeout",
    "clock-jump",
    "cut-short",
    "retry",
    "units-asleep",
    "second-feedback-late",
    "door-shuts-again",
    "two-close-together",
    "restart",
    "sluggish",
    "slow-recording",
}
"""With these the ignition comes on; with all others it is refused."""
WAITS = {"key-not-recognised", "speed-not-zero", "not-in-park", "brake-not-pressed", "partner-not-registered"}
"""With these the control unit is asked, and does not drive the lock; nothing is broken that it could warn of."""
WARNS = set(FAULTS) - STARTS - WAITS - {"nobody-comes"} | {
    "intermittent-connector",
    "low-battery",
    "lock-commanded-with-ignition-on",
    "message-timeout",
}
"""These end, or come through a time, with the warning."""


@cache
def signals(rehearsal: Rehearsal, definitions: Path, name: str) -> list[dict[str, Any]]:
    """Return what each frame of a message says."""
    database: Any = cantools.database.load_file(definitions, strict=True)
    message = database.get_message_by_name(name)
    frames = rehearsal.frames
    chosen = np.flatnonzero(frames.can_id == message.frame_id)
    return [
        message.decode(word.to_bytes(8, "little")[: message.length], decode_choices=False)
        for word in frames.words[frames.word[chosen]].tolist()
    ]


def values(rehearsal: Rehearsal, name: str) -> set[int]:
    return set(rehearsal.truth[name].value.tolist())


def codes(rehearsal: Rehearsal) -> set[FaultCode]:
    return {FaultCode(code) for code in values(rehearsal, "COLUMN_DETAIL.FAULT_CODE")} - {FaultCode.NONE}


def release_ms(rehearsal: Rehearsal) -> float:
    """Return the time from the first enable to the hard-wired release, by the true clock."""
    enable, feedback = (
        rehearsal.truth[name] for name in ("COLUMN_CONTROL.LOCK_ENABLE", "COLUMN_STATE.UNLOCK_FEEDBACK")
    )
    return float(feedback.time_ns[feedback.value == 1][0] - enable.time_ns[enable.value == 1][0]) / NS_PER_MS


class TestOutcome:
    """Nearly every fault ends in the same warning and no start: that is why a log is needed."""

    @pytest.mark.parametrize("fault", FAULTS)
    def test_start_and_warning(self, fault: str, rehearsed: Rehearsed) -> None:
        rehearsal = rehearsed(fault)
        assert (2 in values(rehearsal, "POWER_MODE.STAGE")) is (fault in STARTS)
        assert (2 in values(rehearsal, "CLUSTER_LAMPS.STEERING_LOCK_LAMP")) is (fault in WARNS)

    @pytest.mark.parametrize("fault", FAULTS)
    def test_is_explained_in_one_sentence(self, fault: str) -> None:
        sentence = FAULTS[fault].sentence
        assert sentence.endswith(".")
        assert sentence.count(".") == 1
        assert sentence[0].isupper()


class TestConditions:
    """What the control unit waits for: pressed and not driven, and the bolt stays where it is."""

    @pytest.mark.parametrize("fault", sorted(WAITS))
    def test_not_driven(self, fault: str, rehearsed: Rehearsed) -> None:
        rehearsal = rehearsed(fault)
        assert 1 in values(rehearsal, "ACCESS_STATE.START_BUTTON")
        assert values(rehearsal, "COLUMN_CONTROL.LOCK_ENABLE") == {0}
        assert set(rehearsal.bolt.value.tolist()) == {0}

    def test_under_load(self, rehearsed: Rehearsed, definitions: Path) -> None:
        rehearsal = rehearsed("bolt-under-load")
        assert codes(rehearsal) == {FaultCode.BLOCKED}
        assert max(row["CURRENT"] for row in signals(rehearsal, definitions, "COLUMN_STATE")) > 7

    def test_guard(self, rehearsed: Rehearsed, definitions: Path) -> None:
        """There at rest, gone while the lock is driven."""
        supplies = [row["SUPPLY"] for row in signals(rehearsed("supply-cut-by-guard"), definitions, "COLUMN_STATE")]
        assert min(supplies) < 0.1
        assert max(supplies) > 12

    def test_asleep(self, rehearsed: Rehearsed, definitions: Path) -> None:
        rehearsal = rehearsed("units-asleep")
        door = rehearsal.truth["BODY_DOORS.DRIVER_DOOR"]
        opened = int(door.time_ns[door.value == 1][0])
        database: Any = cantools.database.load_file(definitions, strict=True)
        column_id = database.get_message_by_name("COLUMN_STATE").frame_id
        column = rehearsal.frames.time_ns[rehearsal.frames.can_id == column_id]
        assert len(column)
        assert int(column[0]) >= opened - NS_PER_MS


class TestFuses:
    """Each fuse takes its own part away."""

    def test_logic(self, rehearsed: Rehearsed, definitions: Path) -> None:
        rehearsal = rehearsed("logic-fuse-blown")
        assert values(rehearsal, "COLUMN_CONTROL.LOCK_ENABLE") == {0}
        assert values(rehearsal, "COLUMN_CONTROL.REQUEST") == {0, 1, 2}
        assert signals(rehearsal, definitions, "COLUMN_STATE") == []
        assert signals(rehearsal, definitions, "COLUMN_DETAIL") == []
        assert signals(rehearsal, definitions, "COLUMN_CONTROL")

    def test_load(self, rehearsed: Rehearsed, definitions: Path) -> None:
        rehearsal = rehearsed("load-fuse-blown")
        assert 1 in values(rehearsal, "COLUMN_CONTROL.LOCK_ENABLE")
        states = signals(rehearsal, definitions, "COLUMN_STATE")
        assert max(row["SUPPLY"] for row in states) < 0.1
        assert {(row["UNLOCK_FEEDBACK"], row["DATA_FEEDBACK"]) for row in states} == {(0, 0)}


class TestWires:
    """Each wire shows in its own way, or is told from another only by what is measured next."""

    @pytest.mark.parametrize("fault", ["supply-open", "ground-open"])
    def test_no_current(self, fault: str, rehearsed: Rehearsed, definitions: Path) -> None:
        states = signals(rehearsed(fault), definitions, "COLUMN_STATE")
        assert min(row["SUPPLY"] for row in states) > 12
        assert max(row["CURRENT"] for row in states) < 0.1
        assert {row["DATA_FEEDBACK"] for row in states} == {0}

    def test_supply_and_ground_look_the_same_on_the_bus(self, rehearsed: Rehearsed) -> None:
        supply, ground = rehearsed("supply-open"), rehearsed("ground-open")
        assert np.array_equal(supply.frames.words, ground.frames.words)

    def test_enable_open(self, rehearsed: Rehearsed, definitions: Path) -> None:
        rehearsal = rehearsed("enable-open")
        assert 1 in values(rehearsal, "COLUMN_CONTROL.LOCK_ENABLE")
        states = signals(rehearsal, definitions, "COLUMN_STATE")
        assert {row["DATA_FEEDBACK"] for row in states} == {1}
        assert max(row["CURRENT"] for row in states) < 0.1

    def test_enable_shorted_on(self, rehearsed: Rehearsed, definitions: Path) -> None:
        rehearsal = rehearsed("enable-shorted-on")
        assert {row["LOCK_ENABLE"] for row in signals(rehearsal, definitions, "COLUMN_CONTROL")} == {1}
        assert set(rehearsal.bolt.value.tolist()) == {0}
        assert codes(rehearsal) == {FaultCode.ENABLE_LINE}

    def test_unlock_feedback_open(self, rehearsed: Rehearsed) -> None:
        rehearsal = rehearsed("unlock-feedback-open")
        assert 1 in rehearsal.bolt.value
        assert values(rehearsal, "COLUMN_STATE.UNLOCK_FEEDBACK") == {0}
        assert {1, 2} <= values(rehearsal, "COLUMN_STATE.DATA_FEEDBACK")
        assert codes(rehearsal) == {FaultCode.DISAGREE}

    def test_unlock_feedback_stuck(self, rehearsed: Rehearsed, definitions: Path) -> None:
        rehearsal = rehearsed("unlock-feedback-stuck")
        assert {0, 1} <= set(rehearsal.bolt.value.tolist())
        assert {row["UNLOCK_FEEDBACK"] for row in signals(rehearsal, definitions, "COLUMN_STATE")} == {1}

    def test_data_line_open(self, rehearsed: Rehearsed) -> None:
        rehearsal = rehearsed("data-line-open")
        assert values(rehearsal, "COLUMN_STATE.UNLOCK_FEEDBACK") == {0, 1}
        assert values(rehearsal, "COLUMN_STATE.DATA_FEEDBACK") == {0}
        # Without a request nothing locks again.
        assert rehearsal.bolt.value[-1] == 1

    def test_loose_plug(self, rehearsed: Rehearsed) -> None:
        rehearsal = rehearsed("intermittent-connector")
        assert (rehearsal.truth["COLUMN_STATE.DATA_FEEDBACK"].value == 0).sum() >= 3


class TestUnit:
    """The lock unit itself."""

    @pytest.mark.slow
    def test_release_gets_later_with_severity(self) -> None:
        for fault in ("slow-motor", "supply-contact-bad", "low-battery", "sluggish"):
            times = [release_ms(rehearse(fault, severity=severity)) for severity in (0.25, 0.6, 1.0)]
            assert times == sorted(times), fault
            assert times[0] < times[-1], fault

    def test_jammed_bolt_stalls_the_motor(self, rehearsed: Rehearsed, definitions: Path) -> None:
        rehearsal = rehearsed("jammed-bolt")
        assert max(row["CURRENT"] for row in signals(rehearsal, definitions, "COLUMN_STATE")) > 8
        assert codes(rehearsal) == {FaultCode.BLOCKED}

    @pytest.mark.parametrize(("fault", "pairing", "bolt"), [("new-unit", 0, 1), ("cleared-unit", 2, 0)])
    def test_not_paired(self, fault: str, pairing: int, bolt: int, rehearsed: Rehearsed, definitions: Path) -> None:
        rehearsal = rehearsed(fault)
        pages = signals(rehearsal, definitions, "COLUMN_DETAIL")
        assert {row["PAIRING"] for row in pages if "PAIRING" in row} == {pairing}
        assert set(rehearsal.bolt.value.tolist()) == {bolt}
        assert values(rehearsal, "COLUMN_CONTROL.LOCK_ENABLE") == {0}

    def test_sensor_contradicts_the_wire(self, rehearsed: Rehearsed) -> None:
        rehearsal = rehearsed("feedbacks-disagree")
        assert values(rehearsal, "COLUMN_STATE.UNLOCK_FEEDBACK") == {0, 1}
        assert 2 not in values(rehearsal, "COLUMN_STATE.DATA_FEEDBACK")

    def test_low_battery_breaks_down_under_load(self, rehearsed: Rehearsed, definitions: Path) -> None:
        rehearsal = rehearsed("low-battery")
        assert min(row["SUPPLY"] for row in signals(rehearsal, definitions, "COLUMN_STATE")) < 9.3
        assert values(rehearsal, "POWER_MODE.ENGINE_RUNNING") == {0}

    def test_stray_pulse_does_not_lock(self, rehearsed: Rehearsed) -> None:
        rehearsal = rehearsed("lock-commanded-with-ignition-on")
        enable, stage = (rehearsal.truth[name] for name in ("COLUMN_CONTROL.LOCK_ENABLE", "POWER_MODE.STAGE"))
        pulses = enable.time_ns[enable.value == 1]
        on = stage.value[np.searchsorted(stage.time_ns, pulses, side="right") - 1] >= 2
        assert on.sum() == 1

    def test_retry_takes_two_pulses(self, rehearsed: Rehearsed) -> None:
        truth = rehearsed("retry").truth
        assert truth["COLUMN_CONTROL.TRY"].value.max() == 2
        assert rehearsed("healthy").truth["COLUMN_CONTROL.TRY"].value.max() == 1


class TestRecorder:
    """What befalls the recording and not the car."""

    def test_clock_is_set_back_once(self, rehearsed: Rehearsed) -> None:
        steps = np.diff(rehearsed("clock-jump").frames.time_ns)
        assert (steps < 0).sum() == 1
        assert steps.min() == pytest.approx(-2500 * NS_PER_MS, abs=10 * NS_PER_MS)

    def test_cut_short_ends_within_a_handshake(self, rehearsed: Rehearsed) -> None:
        cut, whole = rehearsed("cut-short"), rehearsed("healthy")
        assert cut.is_torn
        count = len(cut.frames)
        assert np.array_equal(cut.frames.words, whole.frames.words[:count])
        enable = cut.truth["COLUMN_CONTROL.LOCK_ENABLE"]
        assert enable.value[np.searchsorted(enable.time_ns, cut.frames.time_ns[-1], side="right") - 1] == 1

    def test_slow_recording_is_the_same_car(self, rehearsed: Rehearsed) -> None:
        slow, full = rehearsed("slow-recording"), rehearsed("sluggish")
        kept = set(zip(slow.frames.time_ns.tolist(), slow.frames.can_id.tolist(), strict=True))
        assert kept < set(zip(full.frames.time_ns.tolist(), full.frames.can_id.tolist(), strict=True))
        for can_id in np.unique(slow.frames.can_id):
            times = slow.frames.time_ns[slow.frames.can_id == can_id]
            assert (np.diff(times) >= 100 * NS_PER_MS).all()

    def test_off_the_bus_for_a_while(self, rehearsed: Rehearsed) -> None:
        frames = rehearsed("message-timeout").frames
        for can_id in (0x10D, 0x137):
            gaps = np.diff(frames.time_ns[frames.can_id == can_id])
            assert (gaps > 200 * NS_PER_MS).sum() == 1
            assert gaps.max() == pytest.approx(2600 * NS_PER_MS, abs=60 * NS_PER_MS)


class TestOnset:
    """A fault can come about on the drive: what is before is as in the healthy car."""

    def test_load_fuse_blows_on_the_way(self, rehearsed: Rehearsed) -> None:
        late, healthy = rehearsed("load-fuse-blown", begins="driving"), rehearsed("healthy")
        stage = late.truth["POWER_MODE.STAGE"]
        assert 2 in stage.value
        before = late.frames.time_ns < stage.time_ns[stage.value == 2][0]
        assert np.array_equal(late.frames.words[before], healthy.frames.words[: before.sum()])
        assert late.bolt.value[-1] == 1

    def test_is_refused_where_it_means_nothing(self) -> None:
        with pytest.raises(UsageError, match="new-unit is nothing that can come about on a drive"):
            rehearse("new-unit", begins="driving")


class TestFindFault:
    """A wrong name is answered with the nearest right one."""

    def test_did_you_mean(self) -> None:
        with pytest.raises(UsageError, match="'slow-moter'; did you mean 'slow-motor'"):
            find_fault("slow-moter")

    def test_nothing_near(self) -> None:
        with pytest.raises(UsageError, match="known: healthy, logic-fuse-blown"):
            find_fault("xyzzy")


class TestLayer:
    """The simulator knows nothing of how captures are judged, or a mistake could hide in both."""

    def test_imports_nothing_of_what_it_tests(self) -> None:
        folder = Path(__file__).parents[2] / "buslens" / "rehearsal"
        judged = {"timeline", "expectations", "checks", "definitions", "report", "cli"}
        for path in sorted(folder.glob("*.py")):
            for node in ast.walk(ast.parse(path.read_text("utf-8"))):
                if isinstance(node, ast.ImportFrom) and node.module and node.module.startswith("buslens."):
                    assert node.module.split(".")[1] not in judged, f"{path.name}:{node.lineno}"
