"""Page one of a record: what a customer reads and signs."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from buslens.checks.findings import Result, Verdict
from buslens.report.comparison import conclusion_sentence, still_needed
from buslens.report.diagnosis import share
from buslens.report.formatting import capitalised, verdict_sentence
from buslens.report.record.markup import Markup, join, tag

if TYPE_CHECKING:
    from collections.abc import Sequence

    from buslens.causes.compare import RepairComparison
    from buslens.report.record.job import JobDetails
    from buslens.report.record.ranked_causes import Suspects

MOST_READINGS: Final = 2
"""Readings on page one."""


def part(title: str, content: Markup) -> Markup:
    """Return a part with its title at the left."""
    return tag("section", tag("h2", title), tag("div", content), class_="part")


def who(job: JobDetails) -> Markup:
    """Return whose vehicle it is, and who worked on it."""
    rows = [
        ("vehicle", job.vehicle),
        ("registration", job.registration),
        ("odometer", job.odometer),
        ("customer", job.customer),
        ("technician", job.technician),
    ]
    given = (tag("div", tag("dt", name), tag("dd", value)) for name, value in rows if value.strip())
    return tag("dl", *given, class_="who")


def found(job: JobDetails, results: Sequence[Result], suspects: Suspects | None) -> Markup:
    """Return what was wrong: the gravest capture, what was measured, the likely cause."""
    faulty = [it for it in results if it.verdict is Verdict.FAULTY]
    parts = [tag("p", verdict_sentence((faulty or list(results))[0]), class_="say")]
    said = []
    if len(results) > 1:
        said.append(f"So in {len(faulty)} of {len(results)} recordings." if faulty else "In no recording faulty.")
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
    return join([*parts, *([tag("p", " ".join(said))] if said else [])])


def result(comparison: RepairComparison | None) -> Markup:
    """Return what the captures prove, in one sentence."""
    if comparison is None:
        return tag("p", "Not compared with a recording from after a repair: nothing is proved yet.", class_="say")
    parts = [tag("p", conclusion_sentence(comparison), class_="say")]
    for proof in comparison.proofs:
        if proof.upper is not None and proof.history[0] and proof.after.failed == 0:
            parts.append(
                tag(
                    "p",
                    f"{capitalised(proof.rule)}: faulty {proof.history[0]} of {proof.history[1]} times before, "
                    f"OK {proof.after.clean} of {proof.after.clean} times after; up to {share(proof.upper)} may still "
                    "fail (95 % sure).",
                )
            )
    return join(parts)


def to_watch(
    job: JobDetails, results: Sequence[Result], comparison: RepairComparison | None, suspects: Suspects | None
) -> Markup:
    """Return what is open, each with a box to tick; never empty while the repair is not proved."""
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
    if not items:
        return tag("p", "Nothing: the repair is proved.")
    return tag("ul", *(tag("li", item) for item in items), class_="boxes")
