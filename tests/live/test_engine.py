"""The engine: what it tells of a growing capture stands, and its last word is that of a check of the whole."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from support.examples import examples
from support.stage import select

from buslens.capture.frames import ReadStats
from buslens.capture.open import open_capture
from buslens.capture.reduce import reduce_frames
from buslens.checks.check import check
from buslens.checks.findings import Outcome
from buslens.errors import CaptureError, UnrelatedCaptureError, UsageError
from buslens.expectations.load import load_expectations
from buslens.live.engine import Engine, is_final
from buslens.rehearsal.faults import FAULTS
from buslens.rehearsal.rehearse import rehearse, rendered
from buslens.units import NS_PER_S

if TYPE_CHECKING:
    from buslens.capture.frames import Frames
    from buslens.checks.findings import Finding, Result
    from buslens.definitions.model import Definitions
    from buslens.expectations.model import Expectations

SIGNAL_DEFS = Path(__file__).parents[2] / "signal_defs"


def recorded(path: Path) -> tuple[list[Frames], ReadStats]:
    """Return all runs of frames of a log as the scanner yields them."""
    return reduce_frames(open_capture(path), wanted=None, make=list, update=list.append, merge=list.extend, workers=1)


@cache
def rehearsed(fault: str, seed: int) -> list[bytes]:
    """Return the lines of a rehearsal as candump."""
    return rendered(rehearse(fault, seed=seed, background_ids=2), "candump").splitlines(keepends=True)


def write(path: Path, fault: str, *, seed: int = 7, drop: float = 0.0) -> Path:
    """Write a rehearsal as candump; of its lines some are dropped."""
    lines = rehearsed(fault, seed)
    kept = np.random.default_rng(seed).random(len(lines)) >= drop
    path.write_bytes(b"".join(line for line, is_kept in zip(lines, kept, strict=True) if is_kept))
    return path


def played(engine: Engine, runs: list[Frames], stats: ReadStats, looks: list[float]) -> Result:
    """Hand frames over and let the engine tell at some parts of the whole; return its last word."""
    origin_ns, length_ns = int(runs[0].time_ns[0]), int(runs[-1].time_ns[-1] - runs[0].time_ns[0])
    bounds = [origin_ns + round(part * length_ns) for part in sorted(looks)]
    for run in runs:
        for rows in np.split(np.arange(len(run)), np.searchsorted(run.time_ns, bounds)):
            engine.take(select(run, rows, run.segment), stats.discontinuities)
            engine.tell()
    return engine.finish(stats)


def decided(engine: Engine) -> list[Finding]:
    """Return all that was told for sure."""
    return [it for told in engine.told for it in told.findings if it.outcome is not Outcome.UNDECIDED]


@pytest.mark.slow
class TestLastWord:
    """Whenever it is asked, nothing that it told has to be taken back, and its last word is that of `check`."""

    @settings(max_examples=examples(8), deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
    @given(
        fault=st.sampled_from(sorted(FAULTS)),
        seed=st.integers(0, 1),
        drop=st.sampled_from([0.0, 0.0, 0.2]),
        looks=st.lists(st.floats(0, 1), min_size=5, max_size=25),
    )
    def test_any_moments(
        self,
        fault: str,
        seed: int,
        drop: float,
        looks: list[float],
        tmp_path: Path,
        expected: Expectations,
        defined: Definitions,
    ) -> None:
        path = write(tmp_path / "capture.log", fault, seed=seed, drop=drop)
        runs, stats = recorded(path)
        engine = Engine(expected, defined, path=str(path), clock=stats.clock)
        last = played(engine, runs, stats, looks)
        whole = check(path, expected, defined)
        assert (last.findings, last.handshakes, last.verdict) == (whole.findings, whole.handshakes, whole.verdict)
        assert [it for it in decided(engine) if not is_final(it, whole)] == []

    def test_handshakes_are_told_while_it_goes_on(
        self, tmp_path: Path, expected: Expectations, defined: Definitions
    ) -> None:
        runs, stats = recorded(write(tmp_path / "capture.log", "healthy"))
        engine = Engine(expected, defined, path="x")
        whole = played(engine, runs, stats, np.linspace(0, 1, 25).tolist())
        told = [(it.handshake.rule, it.handshake.number) for it in engine.told if it.handshake is not None]
        assert len(told) > 1
        assert set(told) <= {(run.rule, run.number) for run in whole.handshakes}

    def test_violation_is_told_once(self, tmp_path: Path, expected: Expectations, defined: Definitions) -> None:
        runs, stats = recorded(write(tmp_path / "capture.log", "slow-motor"))
        engine = Engine(expected, defined, path="x")
        played(engine, runs, stats, np.linspace(0, 1, 25).tolist())
        keys = [(it.rule, it.step, it.handshake, it.time_ns) for it in decided(engine)]
        assert len(keys) == len(set(keys))
        assert any(it.outcome.is_fault for it in decided(engine))


@pytest.mark.slow
class TestLongCapture:
    """A capture much longer than its windows is told as a short one, with its handshakes numbered through."""

    def test_six_in_a_row(self, tmp_path: Path, expected: Expectations, defined: Definitions) -> None:
        (run,), stats = recorded(write(tmp_path / "capture.log", "healthy"))
        length_ns = int(run.time_ns[-1] - run.time_ns[0]) + NS_PER_S // 50
        runs = [replace(run, time_ns=run.time_ns + length_ns * k) for k in range(6)]
        stats = replace(stats, last_ns=int(runs[-1].time_ns[-1]))
        engine = Engine(expected, defined, path="x", window_ns=NS_PER_S)
        engine._reach_ns = 8 * NS_PER_S
        windows = set()
        for part in runs:
            for rows in np.array_split(np.arange(len(part)), 10):
                engine.take(select(part, rows), [])
                engine.tell()
                assert engine._window is not None
                windows.add(engine._window.first_ns)
        whole = engine.finish(stats)
        assert len(windows) > 2
        assert [it for it in decided(engine) if not is_final(it, whole)] == []
        told = [(it.handshake.rule, it.handshake.number) for it in engine.told if it.handshake is not None]
        expected_runs = [(it.rule, it.number) for it in whole.handshakes]
        assert len(told) >= len(expected_runs) - 2
        assert set(told) <= set(expected_runs)
        assert len(told) == len(set(told))


class TestNextChange:
    """It finds the frame that next shows another state, without taking anything."""

    def test_against_the_timelines(self, tmp_path: Path, expected: Expectations, defined: Definitions) -> None:
        (run,), stats = recorded(write(tmp_path / "capture.log", "healthy"))
        engine = Engine(expected, defined, path="x")
        half = len(run) // 2
        engine.take(select(run, np.arange(half)))
        found = engine.next_change_ns(select(run, np.arange(half, len(run))))
        whole = check(tmp_path / "capture.log", expected, defined)
        after = [
            int(at)
            for timeline in whole.timelines.values()
            if not timeline.is_number
            for at in timeline.seen_ns
            if at > run.time_ns[half - 1]
        ]
        assert found == min(after)
        assert stats.frames == len(run)


class TestNothing:
    """Without a frame there is nothing to look at and no verdict; without definitions no engine."""

    def test_no_frame(self, expected: Expectations, defined: Definitions) -> None:
        engine = Engine(expected, defined, path="empty")
        assert engine.look() is None
        assert engine.tell() == []
        with pytest.raises(CaptureError, match="no frame"):
            engine.finish(ReadStats())

    def test_no_definitions(self, expected: Expectations) -> None:
        with pytest.raises(UsageError, match="names no definitions"):
            Engine.of(replace(expected, definitions=()), path="x")


class TestChannels:
    """A channel that the log calls otherwise is known under the name that the user gives it."""

    def test_renamed(self, tmp_path: Path) -> None:
        text = (SIGNAL_DEFS / "steering_lock.toml").read_text("utf-8")
        tied = f'definitions = [{{ file = {str(SIGNAL_DEFS / "pinewick.dbc")!r}, channel = "body" }}]'
        (tmp_path / "tied.toml").write_text(text.replace('definitions = ["pinewick.dbc"]', tied), "utf-8")
        expected = load_expectations(tmp_path / "tied.toml")
        log = write(tmp_path / "car.log", "healthy")
        runs, stats = recorded(log)
        channels = {"can0": "body"}
        told = played(Engine.of(expected, path=str(log), channels=channels), runs, stats, [0.3, 0.6, 0.9])
        assert told.findings == check(log, expectations=expected, channels=channels).findings
        assert told.handshakes
        with pytest.raises(UnrelatedCaptureError, match="none of the 9 messages"):
            played(Engine.of(expected, path=str(log)), runs, stats, [])


class TestAnswers:
    """What a tester is answered counts at the end alone, and nothing is told of it before."""

    def test_last_word(self, tmp_path: Path) -> None:
        sample = SIGNAL_DEFS.parent / "sample_logs" / "car03_tester_at_work.log"
        text = (SIGNAL_DEFS / "steering_lock.toml").read_text("utf-8")
        text = text.replace('["pinewick.dbc"]', f"[{str(SIGNAL_DEFS / 'pinewick.dbc')!r}]")
        text += '[reply.supply]\nids = "7A0:7A8"\nidentifier = 0xD010\nfactor = 0.1\n'
        text += '[roles.answered]\nreply = "supply"\nunit = "V"\n'
        text += '[[rules]]\nname = "answers"\nkind = "range"\nof = "answered"\nleast = "9.5 V"\n'
        (tmp_path / "answers.toml").write_text(text, "utf-8")
        expected = load_expectations(tmp_path / "answers.toml")
        runs, stats = recorded(sample)
        engine = Engine.of(expected, path=str(sample))
        last = played(engine, runs, stats, [0.3, 0.6, 0.9])
        assert last.findings == check(sample, expectations=expected).findings
        assert [it.outcome for it in last.findings if it.rule == "answers"] == [Outcome.VIOLATED]
        assert engine.told
        assert all(it.rule != "answers" for it in engine.told)
