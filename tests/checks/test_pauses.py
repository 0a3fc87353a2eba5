"""Where nothing at all was recorded nothing is proved: no healthy car is faulty because its bus slept."""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.examples import examples
from support.rehearsed import judge_frames
from support.stage import select
from support.trials import causes

from buslens.causes.diagnosis import diagnose
from buslens.causes.model import CauseKind
from buslens.checks.check import check
from buslens.checks.findings import Outcome, Verdict
from buslens.rehearsal.rehearse import rehearse

if TYPE_CHECKING:
    from pathlib import Path

    from buslens.capture.frames import Frames
    from buslens.checks.findings import Result

NOTHING = "nothing at all was recorded"
DBC = """VERSION ""
BU_: X
BO_ 256 LOCK: 1 X
 SG_ ENABLE : 0|1@1+ (1,0) [0|1] "" X
 SG_ FEEDBACK : 1|1@1+ (1,0) [0|1] "" X
BO_ 512 OTHER: 1 X
 SG_ A : 0|8@1+ (1,0) [0|255] "" X
BA_DEF_ BO_ "GenMsgCycleTime" INT 0 10000;
BA_ "GenMsgCycleTime" BO_ 256 20;
"""
RULES = """format = 1
definitions = ["x.dbc"]
[roles.enable]
signal = "LOCK.ENABLE"
states = { off = 0, on = 1 }
[roles.feedback]
signal = "LOCK.FEEDBACK"
states = { locked = 0, unlocked = 1 }
[[rules]]
name = "answers"
kind = "alive"
message = "LOCK"
[[rules]]
name = "silent"
kind = "never"
when = "feedback is unknown"
longer_than = "100 ms"
[[rules]]
name = "unlock"
kind = "sequence"
start = "enable becomes on"
steps = [{ name = "release", await = "feedback becomes unlocked", within = "400 ms" }]
[[rules]]
name = "pulse"
kind = "pulse"
of = "enable is on"
least = "100 ms"
most = "900 ms"
"""


@cache
def healthy() -> Frames:
    return rehearse("healthy", seed=3, background_ids=2).frames


class TestHealthy:
    @settings(max_examples=examples(25), deadline=None)
    @given(st.lists(st.tuples(st.floats(0, 1), st.floats(0.1, 4)), min_size=1, max_size=2))
    def test_windows_without_frames_make_no_fault(self, windows: list[tuple[float, float]]) -> None:
        frames = healthy()
        seconds = (frames.time_ns - frames.time_ns[0]) / 1e9
        kept = np.ones(len(frames), np.bool_)
        for part, length in windows:
            begin = part * float(seconds[-1])
            kept &= (seconds < begin) | (seconds >= begin + length)
        if kept.sum() < 10:
            return
        result = judge_frames(select(frames, np.flatnonzero(kept)))
        assert [it for it in result.findings if it.outcome.is_fault] == []

    def test_it_is_told_and_no_sign_of_a_fault(self) -> None:
        frames = healthy()
        seconds = (frames.time_ns - frames.time_ns[0]) / 1e9
        result = judge_frames(select(frames, np.flatnonzero((seconds < 1.1) | (seconds > 3.4))))
        assert result.verdict is Verdict.UNDECIDED
        alive = [it for it in result.findings if it.kind == "alive" and it.outcome is not Outcome.MET]
        assert alive
        assert all(NOTHING in it.reason for it in alive)
        assert any("(the bus slept, or the recorder paused)" in it.reason for it in alive)
        first = diagnose([result], causes()).ranking.groups[0]
        assert {it.causes[0].kind for it in first} == {CauseKind.RECORDING}


def written(folder: Path, lock: list[tuple[float, int]], other: list[float], *, other_channel: str = "can0") -> Result:
    """Judge a log of the lock's message, with its payload, and of another one; times in milliseconds."""
    (folder / "x.dbc").write_text(DBC)
    (folder / "x.toml").write_text(RULES)
    rows = [(at, "can0", f"100#{value:02X}") for at, value in lock] + [(at, other_channel, "200#00") for at in other]
    lines = (f"({1700000000 + at / 1000:.6f}) {channel} {frame}\n" for at, channel, frame in sorted(rows))
    (folder / "x.log").write_text("".join(lines))
    return check(folder / "x.log", expectations=folder / "x.toml")


def lock(*changes: tuple[float, int], until: float, gone: tuple[float, float] = (0, 0)) -> list[tuple[float, int]]:
    times = [at for at in np.arange(0, until, 20).tolist() if not gone[0] <= at < gone[1]]
    return [(at, next((value for since, value in reversed(changes) if since <= at), 0)) for at in times]


def other(every: float, *, until: float, gone: tuple[float, float] = (0, 0)) -> list[float]:
    return [at for at in np.arange(1.5, until, every).tolist() if not gone[0] <= at < gone[1]]


def outcomes(result: Result) -> dict[str, list[str]]:
    found: dict[str, list[str]] = {}
    for finding in result.findings:
        found.setdefault(finding.rule, []).append(finding.outcome.value)
    return found


HEALTHY = ((1000, 1), (1200, 3), (1500, 2))
GONE = (1100, 1400)


class TestOneMessage:
    """A message that stops is a fault while others keep coming, and only then."""

    @pytest.mark.parametrize("period", [20, 100.3, 500])
    def test_others_keep_coming(self, tmp_path: Path, period: float) -> None:
        gone = (1100, 4000)
        result = written(tmp_path, lock((1000, 1), until=6000, gone=gone), other(period, until=6000))
        assert outcomes(result)["answers"] == ["violated", "met"]
        assert outcomes(result)["silent"][0] == "violated"

    def test_all_stop(self, tmp_path: Path) -> None:
        result = written(tmp_path, lock(*HEALTHY, until=3000, gone=GONE), other(10, until=3000, gone=GONE))
        assert outcomes(result)["answers"] == ["undecided", "met"]
        assert outcomes(result)["unlock"] == ["undecided"]
        assert "nothing at all was recorded from 1.091 s to 1.4 s" in result.findings[0].reason

    def test_all_stop_and_one_stays_away(self, tmp_path: Path) -> None:
        """What is missed behind the pause is missed."""
        result = written(tmp_path, lock(*HEALTHY, until=4000, gone=(1100, 3000)), other(10, until=4000, gone=GONE))
        assert outcomes(result)["answers"] == ["violated", "met"]
        assert "for at least 1.598 s" in result.findings[0].reason

    def test_in_the_end(self, tmp_path: Path) -> None:
        """A log that ends in a silence of everything just ends there."""
        gone = (1100, 9000)
        result = written(tmp_path, lock(*HEALTHY, until=3000, gone=gone), other(10, until=3000, gone=gone))
        assert outcomes(result)["answers"] == ["met"]
        assert outcomes(result)["unlock"] == ["undecided"]

    def test_no_other_message(self, tmp_path: Path) -> None:
        """Nobody can tell the two apart."""
        result = written(tmp_path, lock(*HEALTHY, until=3000, gone=(2000, 2070)), [])
        assert outcomes(result)["answers"] == ["undecided", "met"]
        assert NOTHING in result.findings[0].reason

    def test_another_channel_does_not_speak_for_this_one(self, tmp_path: Path) -> None:
        frames = lock(*HEALTHY, until=3000, gone=GONE)
        result = written(tmp_path, frames, other(10, until=3000), other_channel="can1")
        assert outcomes(result)["answers"] == ["undecided", "met"]

    def test_a_change_right_before_a_pause_is_not_denied(self, tmp_path: Path) -> None:
        """The state is not confirmed between the last frame before a pause and the pause."""
        result = written(tmp_path, lock((1000, 1), (1200, 2), until=3000, gone=GONE), other(10, until=3000, gone=GONE))
        assert outcomes(result)["pulse"] == ["undecided"]


class TestRestartedBlock:
    """Between two trigger blocks nothing was recorded; that the stamps restart is no clock that ran back."""

    def test_it_is_the_pause_that_is_told(self, tmp_path: Path) -> None:
        (tmp_path / "x.dbc").write_text(DBC)
        (tmp_path / "x.toml").write_text(RULES)
        blocks = []
        for hour in (7, 9):
            rows = [(at, f"100  Rx d 1 {value:02X}") for at, value in lock((800, 1), until=1000)]
            rows += [(at, "200  Rx d 1 00") for at in other(10, until=1000)]
            lines = "".join(f"{at / 1000:.6f} 1 {row}\n" for at, row in sorted(rows))
            date = f"Sat Mar 14 {hour:02}:30:00.000 2026"
            blocks.append(f"Begin Triggerblock {date}\n{lines}End TriggerBlock\n")
        head = "date Sat Mar 14 07:30:00.000 2026\nbase hex  timestamps absolute\n"
        (tmp_path / "x.asc").write_text(head + "".join(blocks))
        result = check(tmp_path / "x.asc", expectations=tmp_path / "x.toml")
        assert result.verdict is Verdict.UNDECIDED
        doubts = [it.reason for it in result.findings if it.outcome is Outcome.UNDECIDED and it.time_ns is not None]
        assert any(NOTHING in reason for reason in doubts)
        assert not any("jumped" in reason or "ran back" in reason for reason in doubts)
