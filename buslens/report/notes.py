"""The numbered notes below a picture: everything that is not as it should be, in full sentences.

Findings of one rule, step and outcome share a note, so that a capture with a thousand late steps has one note and not
a thousand.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from buslens.checks.findings import Finding, Outcome, Result
from buslens.checks.headline import leading
from buslens.report.finding_kinds import Kind, kind_of
from buslens.report.formatting import OUTCOME_WORDS, seconds
from buslens.report.text_metrics import legible

if TYPE_CHECKING:
    from buslens.report.finding_layout import FindingLayout
    from buslens.report.view import View

MOST_NOTES: Final = 30
"""More notes than this are counted, not set."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Note:
    """One note."""

    #: The number in the ring; None for a note about something that has no place in the picture.
    number: int | None
    #: What it is about: rule, step, and when.
    head: str
    #: What was found there.
    body: str
    is_fault: bool


def shows(view: View, place: FindingLayout) -> bool:
    """Return whether a finding has its place in the picture."""
    extent = place.extent
    return extent is not None and extent[0] <= view.end_ns and extent[1] >= view.start_ns


def write_notes(result: Result, placed: list[FindingLayout], view: View) -> tuple[list[Note], dict[Kind, int]]:
    """Return the notes, and the number of each group that has places in the picture.

    The headline's comes first, then faults before what is undecided, each of the two in the order of time. Faults that
    lie outside the picture are noted as well, without a number.
    """
    wrong = [p for p in placed if p.finding.outcome is not Outcome.MET]
    inside: dict[Kind, list[Finding]] = {}
    outside: dict[Kind, list[Finding]] = {}
    for place in wrong:
        (inside if shows(view, place) else outside).setdefault(kind_of(place.finding), []).append(place.finding)
    notes: list[Note] = []
    numbers: dict[Kind, int] = {}
    first = leading((place.finding for place in wrong), result.expectations.rules)
    lead = None if first is None else kind_of(first)
    for key in sorted(inside, key=lambda k: (k != lead, not k[2].is_fault, _first(inside[k]))):
        numbers[key] = len(numbers) + 1
        notes.append(_note(result, inside[key], numbers[key], ""))
    for key in sorted(outside, key=lambda k: (not k[2].is_fault, _first(outside[k]))):
        if not key[2].is_fault and notes:
            continue
        timed = any(f.time_ns is not None for f in outside[key])
        notes.append(_note(result, outside[key], None, "outside this picture" if timed else ""))
    if len(notes) > MOST_NOTES:
        left = Counter("faults" if n.is_fault else "undecided" for n in notes[MOST_NOTES:])
        words = " and ".join(f"{count} {what}" for what, count in sorted(left.items()))
        notes = notes[:MOST_NOTES]
        notes.append(Note(number=None, head=f"{words} more", body="listed in the text report", is_fault=False))
    return notes, numbers


def _first(findings: list[Finding]) -> int:
    return min((f.time_ns for f in findings if f.time_ns is not None), default=2**63)


def _note(result: Result, findings: list[Finding], number: int | None, where: str) -> Note:
    first = min(findings, key=lambda f: (f.time_ns is None, f.time_ns or 0))
    parts = [first.rule]
    if first.handshake is not None and len(findings) == 1:
        parts[0] += f" {first.handshake}"
    if first.step:
        parts.append(first.step)
    if len(findings) > 1:
        parts.append(f"{len(findings)} times")
    if first.time_ns is not None:
        at = seconds(first.time_ns - result.origin_ns)
        parts.append(f"first at {at}" if len(findings) > 1 else f"at {at}")
    if where:
        parts.append(where)
    return Note(
        number=number,
        # The outcome leads, as at the place: long names may be cut, it may not.
        head=legible(f"{OUTCOME_WORDS[first.outcome]}: {', '.join(parts)}"),
        body=legible(first.reason),
        is_fault=first.outcome.is_fault,
    )
