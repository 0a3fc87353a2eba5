"""How far a job has come: which step is done, which one is now, and the one line that says what to do next."""

from dataclasses import dataclass

from buslens.desk.view import JobView, ProofView
from buslens.report.record.job import JobDetails

ORDER = ("complaint", "captures", "wrong", "causes", "measure", "done", "proof", "record")
"""The steps, in the order of the work."""


@dataclass(frozen=True, slots=True, kw_only=True)
class JobProgress:
    """Where a job stands."""

    #: The step that comes now.
    now: str
    #: What to do, one line; and what stands under it.
    headline: str
    under: str = ""

    def state(self, step: str) -> str:
        """Return "done", "now" or "later"."""
        if step == self.now:
            return "now"
        return "done" if ORDER.index(step) < ORDER.index(self.now) else "later"


def progress(job: JobDetails, view: JobView, *, has_car: bool, is_recorded: bool, reading: str) -> JobProgress:
    """Return where a job stands.

    Parameters
    ----------
    job : JobDetails
        What was entered.
    view : JobView
        What its captures and readings say.
    has_car : bool
        Whether a car was chosen.
    is_recorded : bool
        Whether its record was written.
    reading : str
        Capture that is being read; empty while none is.
    """
    before = [it for it in view.captures if it.side == "before"]
    after = [it for it in view.captures if it.side == "after"]
    if not has_car:
        return JobProgress(now="complaint", headline="Next: choose the car", under="It says what a healthy lock does.")
    if not before and reading:
        return JobProgress(now="captures", headline=f"Reading {reading}")
    if not before:
        under = "Record the bus while the fault shows, then drop the file below."
        return JobProgress(now="captures", headline="Next: add a capture of the fault", under=under)
    if view.wrong is None:
        return JobProgress(
            now="captures", headline="No capture can be read", under="The reason stands below each of them."
        )
    if after and view.proof is not None:
        return _after(view.proof, is_recorded=is_recorded)
    if job.done or job.replaced:
        return JobProgress(
            now="proof",
            headline="Next: record the car again, after the repair",
            under="The capture shows whether the fault is gone.",
        )
    if view.step == "measure" and view.next is not None:
        likely = [it for it in view.causes if it.is_leading or it.percent >= view.causes[0].percent / 2]
        leading = ", ".join(f"{it.title} {it.share}" for it in likely if it.name)
        do = view.next.do
        headline = f"Next: {do[:1].lower()}{do[1:].removesuffix('.')}"
        under = f"About {view.next.minutes}." + (f" Possible now: {leading}." if leading else "")
        return JobProgress(now="measure", headline=headline, under=under)
    if view.step in {"repair", "examine"}:
        first = view.causes[0]
        headline = f"Next: repair. {first.title[:1].upper()}{first.title[1:]}, {first.share}"
        if view.step == "examine":
            headline = "Next: examine by hand; no measurement tells more"
        return JobProgress(now="done", headline=headline, under=first.repair if view.step == "repair" else view.advice)
    if view.wrong.is_faulty:
        return JobProgress(now="done", headline=view.wrong.sentence)
    headline = view.advice if view.step == "nothing" else view.wrong.sentence
    return JobProgress(
        now="captures", headline=headline, under="Record again while the fault shows, and add the capture."
    )


def _after(proof: ProofView, *, is_recorded: bool) -> JobProgress:
    if proof.problem:
        return JobProgress(now="proof", headline="The captures cannot be compared", under=proof.problem)
    if proof.conclusion == "repaired":
        under = "The record is written." if is_recorded else "Next: write the record."
        return JobProgress(now="record", headline=proof.sentence, under=under)
    if proof.conclusion == "not_repaired":
        under = "It is another cause, or not the only one: measure again. After the next repair, take out this capture."
        return JobProgress(now="measure", headline=proof.sentence, under=under)
    if proof.conclusion == "not_proved" and proof.more:
        under = "Nothing wrong so far, and not enough to confirm the repair."
        return JobProgress(now="proof", headline=f"Next: record {proof.more} without a fault", under=under)
    return JobProgress(now="proof", headline=proof.sentence)
