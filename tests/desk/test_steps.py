"""Which step is now, and the line on top, by how far a job has come."""

from __future__ import annotations

from dataclasses import replace

import pytest

from buslens.desk.steps import ORDER, progress
from buslens.desk.view import CaptureView, CauseView, JobView, MeasurementView, ProofView, WrongView
from buslens.report.record.job import JobDetails

BEFORE = CaptureView(side="before", name="a.log", verdict="faulty", sentence="Faulty: x")
AFTER = CaptureView(side="after", name="b.log", verdict="as_expected", sentence="As expected: y")
WRONG = WrongView(name="a.log", verdict="faulty", sentence="Faulty: x", evidence="", findings="", is_faulty=True)
CAUSE = CauseView(
    name="fuse", title="load fuse blown", share="93 %", percent=93.0, repair="Replace it.", is_leading=True
)
MEASUREMENT = MeasurementView(
    name="load_fuse", title="load fuse", do="Pull it.", where="fuse box", state="off", minutes="2 min", unit="",
    expected="whole", cautions=(), basis="", results=(),
)  # fmt: skip
READ = JobView(captures=(BEFORE,), wrong=WRONG, causes=(CAUSE,))
DONE = JobDetails(done=("new fuse",))


def compared(conclusion: str) -> JobView:
    proof = ProofView(sentence=f"{conclusion}: so it is", conclusion=conclusion)
    return replace(READ, captures=(BEFORE, AFTER), proof=proof, step="repair")


def lacking() -> JobView:
    view = compared("not_proved")
    assert view.proof is not None
    return replace(view, proof=replace(view.proof, more="4 more lock handshakes"))


@pytest.mark.parametrize(
    ("job", "view", "now", "headline"),
    [
        (JobDetails(), JobView(), "captures", "Next: add a capture of the fault"),
        (JobDetails(), JobView(captures=(replace(BEFORE, verdict=""),)), "captures", "No capture can be read"),
        (JobDetails(), replace(READ, step="measure", next=MEASUREMENT), "measure", "Next: pull it"),
        (JobDetails(), replace(READ, step="repair"), "done", "Next: repair. Load fuse blown, 93 %"),
        (JobDetails(), replace(READ, step="examine"), "done", "Next: examine by hand; no measurement tells more"),
        (JobDetails(), replace(READ, causes=()), "done", "Faulty: x"),
        (DONE, replace(READ, step="measure", next=MEASUREMENT), "proof", "Next: record the car again"),
        (JobDetails(), compared("not_proved"), "proof", "not_proved: so it is"),
        (DONE, lacking(), "proof", "Next: record 4 more lock handshakes without a fault"),
        (DONE, compared("not_repaired"), "measure", "not_repaired: so it is"),
        (DONE, compared("repaired"), "record", "repaired: so it is"),
    ],
)  # fmt: skip
def test_progress(job: JobDetails, view: JobView, now: str, headline: str) -> None:
    found = progress(job, view, has_car=True, is_recorded=False, reading="")
    assert found.now == now
    assert found.headline.startswith(headline)
    states = [found.state(step) for step in ORDER]
    assert states == ["done"] * ORDER.index(now) + ["now"] + ["later"] * (len(ORDER) - ORDER.index(now) - 1)


def test_no_car() -> None:
    found = progress(JobDetails(), JobView(), has_car=False, is_recorded=False, reading="")
    assert found.headline == "Next: choose the car"


def test_reading() -> None:
    found = progress(JobDetails(), JobView(), has_car=True, is_recorded=False, reading="a.log")
    assert found.headline == "Reading a.log"


def test_record_written() -> None:
    found = progress(DONE, compared("repaired"), has_car=True, is_recorded=True, reading="")
    assert found.under == "The record is written."
