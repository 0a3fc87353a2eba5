"""Page one of a record: what a customer reads and signs."""

from collections.abc import Sequence
from typing import Final

from buslens.causes.compare import RepairComparison
from buslens.checks.findings import Result, Verdict
from buslens.report.comparison import conclusion_sentence, still_needed
from buslens.report.diagnosis import share
from buslens.report.finding_kinds import answer, kinds
from buslens.report.formatting import capitalised
from buslens.report.record.job import JobDetails
from buslens.report.record.ranked_causes import Suspects

MOST_READINGS: Final = 2
"""Readings on page one."""


def who(job: JobDetails) -> list[tuple[str, str]]:
    """Return whose vehicle it is, and who worked on it: what of it was entered, by name."""
    names = ("vehicle", "registration", "odometer", "customer", "technician")
    return [(name, value) for name in names if (value := getattr(job, name)).strip()]


def found(job: JobDetails, results: Sequence[Result], suspects: Suspects | None) -> list[str]:
    """Return what was wrong as sentences: the gravest capture first, what was measured, the likely cause."""
    faulty = [it for it in results if it.verdict is Verdict.FAULTY]
    first = (faulty or list(results))[0]
    said = [answer(first, kinds(first, first.findings.unmet))]
    if len(results) > 1:
        said.append(
            f"Faulty in {len(faulty)} of {len(results)} recordings." if faulty else "No recording shows a fault."
        )
    made_in_all = len(job.readings) + (0 if suspects is None else len(suspects.readings))
    for it in job.readings[:MOST_READINGS]:
        said.append(f"Measured: {it.what}: {it.reading}{f', expected {it.limit}' if it.limit else ''}.")
    if suspects is not None:
        for made in suspects.readings[: max(MOST_READINGS - len(job.readings), 0)]:
            said.append(f"Measured: {made.what} Reading: {made.reading}, expected {made.expected}.")
        leading = [one for group in suspects.groups for one in group][:2]
        said.append("Likely cause: " + "; ".join(f"{one.title}, {share(one.share)}" for one in leading) + ".")
    if made_in_all > MOST_READINGS:
        said.append(f"All {made_in_all} readings stand in the appendix.")
    return said


def proved(comparison: RepairComparison | None) -> list[str]:
    """Return what the captures prove, one sentence first."""
    if comparison is None:
        return ["Not compared with a recording from after a repair: nothing is proved yet."]
    return [
        conclusion_sentence(comparison),
        *(
            f"{capitalised(proof.rule)}: faulty {proof.history[0]} of {proof.history[1]} times before, "
            f"OK {proof.after.clean} of {proof.after.clean} times after; up to {share(proof.upper)} may still "
            "fail (95 % sure)."
            for proof in comparison.proofs
            if proof.upper is not None and proof.history[0] and proof.after.failed == 0
        ),
    ]


def to_watch(
    job: JobDetails, results: Sequence[Result], comparison: RepairComparison | None, suspects: Suspects | None
) -> list[str]:
    """Return what is open; never empty while the repair is not proved."""
    items = []
    if comparison is None:
        items.append("Record the vehicle again after the repair, and compare.")
    elif needed := still_needed(comparison):
        items.append(f"Record {needed} without a fault.")
    wrong = [it for it in results if it.verdict is not Verdict.AS_EXPECTED]
    if wrong and comparison is not None:
        items.append(f"{len(wrong)} of {len(results)} recordings after the repair are not OK: look at them again.")
    if suspects is not None and not job.confirmed:
        leading = [one for group in suspects.groups for one in group]
        if leading and leading[0].share < 0.9:
            items.append("The cause is likely, not confirmed: measure before the next part is replaced.")
    if not items and (comparison is None or comparison.conclusion.value != "repaired"):
        items.append("The repair is not proved: record the vehicle again as it is used, and compare.")
    return items
