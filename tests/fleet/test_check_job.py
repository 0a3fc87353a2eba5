"""What a worker makes of a capture says the same as a check of it."""

from __future__ import annotations

import pickle
from collections import Counter
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from support.fleets import CARS, EXPECTATIONS, job_of

from buslens import check, kernels
from buslens.capture import scan
from buslens.capture.candump import CANDUMP
from buslens.capture.open import open_capture
from buslens.checks.findings import Outcome
from buslens.fleet import _id_traffic_kernel, id_traffic
from buslens.fleet import check_job as check_job_module
from buslens.fleet.check_job import Task, check_job, load
from buslens.fleet.model import FailureKind

if TYPE_CHECKING:
    from collections.abc import Callable

    from buslens.checks.findings import Result
    from buslens.fleet.model import JobResult

SAMPLES = Path(__file__).parents[2] / "sample_logs"
NAMES = ("car01_healthy.log", "car07_slow_motor.log", "car03_load_fuse_blown.log", "car11_message_timeout.asc")


@pytest.fixture(scope="module", params=NAMES)
def both(request: pytest.FixtureRequest) -> tuple[JobResult, Result]:
    path = SAMPLES / request.param
    _, ground = load(CARS)
    return check_job(Task(job=job_of(path), ground=ground)), check(path, expectations=EXPECTATIONS)


class TestCompiledKernels:
    """A worker with little to read does without them; one that reads on and on takes them, and finds the same."""

    def test_as_soon_as_they_pay(self, monkeypatch: pytest.MonkeyPatch) -> None:
        path = SAMPLES / "car01_healthy.log"
        _, ground = load(CARS)
        read: Counter[str] = Counter()
        monkeypatch.setattr(check_job_module, "_READ", read)
        compiled_ones: list[object] = []

        def compiled(kernel: Callable[..., int], _notify: object = None) -> Callable[..., int] | None:
            compiled_ones.append(kernel)
            return kernels.compiled(kernel)

        monkeypatch.setattr(scan, "compiled", compiled)
        monkeypatch.setattr(id_traffic, "compiled", compiled)
        job = Task(job=job_of(path), ground=ground)
        plain = check_job(job)
        assert not compiled_ones
        assert read == {"candump": path.stat().st_size}
        read["candump"] = check_job_module._COMPILING * CANDUMP.plain_bytes
        fast = check_job(job)
        assert {CANDUMP.compiled_kernel, _id_traffic_kernel.count} == set(compiled_ones)
        assert replace(fast, seconds=plain.seconds) == plain


class TestAgainstCheck:
    def test_verdict_and_counts(self, both: tuple[JobResult, Result]) -> None:
        judged, result = both
        assert (judged.verdict, judged.summary, judged.unexercised) == (
            result.verdict,
            result.summary,
            result.unexercised,
        )
        assert (judged.frames, judged.skipped_lines) == (result.stats.frames, result.stats.broken)
        assert judged.met + len(judged.findings) == len(result.findings)
        assert judged.trouble is None

    def test_findings(self, both: tuple[JobResult, Result]) -> None:
        judged, result = both
        wrong = [finding for finding in result.findings if finding.outcome is not Outcome.MET]
        assert [(row.rule, row.step, row.handshake, row.outcome, row.reason) for row in judged.findings] == [
            (it.rule, it.step, it.handshake, it.outcome, it.reason) for it in wrong
        ]
        assert [row.time_ns for row in judged.findings] == [
            None if it.time_ns is None else it.time_ns - result.origin_ns for it in wrong
        ]

    def test_delays(self, both: tuple[JobResult, Result]) -> None:
        """Every step of every handshake, those that are met too; one that never came was waited for."""
        judged, result = both
        steps = [it for it in result.findings if it.step is not None]
        assert [(row.step, row.handshake, row.outcome) for row in judged.delays] == [
            (it.step, it.handshake, it.outcome) for it in steps
        ]
        for row, finding in zip(judged.delays, steps, strict=True):
            if finding.delay is not None:
                assert (row.earliest_ns, row.latest_ns) == (finding.delay.earliest_ns, finding.delay.latest_ns)
            elif finding.outcome is Outcome.MISSING:
                assert row.latest_ns is None
                assert 0 < row.earliest_ns <= (row.most_ns or 0)
            else:
                assert (row.earliest_ns, row.latest_ns) == (0, None)

    def test_handshakes(self, both: tuple[JobResult, Result]) -> None:
        judged, result = both
        assert [(row.rule, row.number, row.completed, row.tries, row.abandoned) for row in judged.handshakes] == [
            (run.rule, run.number, run.completed, run.tries, run.abandoned) for run in result.handshakes
        ]

    def test_traffic_is_every_frame(self, both: tuple[JobResult, Result]) -> None:
        judged, result = both
        stats = result.stats
        assert sum(row.frames for row in judged.traffic) == stats.frames - stats.errors - stats.remote

    def test_roles_are_those_of_the_rule(self, both: tuple[JobResult, Result]) -> None:
        expected = {
            ("unlock handshake", "enable on"): ("lock_enable",),
            ("unlock handshake", "wire feedback"): ("unlock_feedback",),
            ("lock handshake", "wire feedback"): ("unlock_feedback",),
            ("warning lamp", None): ("warning_lamp",),
            ("data line", None): ("data_feedback",),
            ("lock supply", None): ("supply_voltage",),
            ("column message", None): (),
            ("feedback agreement", None): ("data_feedback", "unlock_feedback"),
        }
        told = {(row.rule, row.step): row.roles for row in both[0].findings}
        assert told.items() <= expected.items()

    def test_can_travel(self, both: tuple[JobResult, Result]) -> None:
        assert pickle.loads(pickle.dumps(both[0])) == both[0]  # noqa: S301 - its own bytes


def test_a_capture_of_another_car_is_a_trouble_of_its_own(tmp_path: Path) -> None:
    """It says nothing about this one, and so does its verdict."""
    path = tmp_path / "other.log"
    path.write_text("(1.0) can0 7F1#00\n(1.1) can0 7F1#00\n(1.2) can0 7F2#00\n", "ascii")
    judged = check_job(Task(job=job_of(path), ground=load(CARS)[1]))
    assert (judged.verdict, judged.trouble, judged.findings) == (None, FailureKind.UNRELATED, ())
    assert "none of the 9 messages" in judged.summary
    assert "7F1 (2), 7F2 (1)" in judged.summary


def test_samples_are_of_both_formats() -> None:
    assert {open_capture(SAMPLES / name).name for name in NAMES} == {"candump", "ASC"}
