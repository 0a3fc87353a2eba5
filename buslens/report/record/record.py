"""A job record: one self-contained page without any script, which fetches nothing and prints on A4 and Letter."""

import platform
from collections.abc import Iterator, Mapping, Sequence
from types import MappingProxyType
from typing import Final

from buslens.causes.compare import RepairComparison
from buslens.checks.findings import Result, Verdict
from buslens.dialogue.read import Dialogue
from buslens.report.comparison import METHOD, conclusion_sentence, proof_lines, quiet_line
from buslens.report.finding_kinds import Kind
from buslens.report.formatting import verdict_sentence
from buslens.report.page_style import policy_hash, resource, strip_css
from buslens.report.record import front_page, sections
from buslens.report.record.diagram import diagram, strips
from buslens.report.record.fault_codes import fault_codes
from buslens.report.record.inputs import GENERATOR, Input
from buslens.report.record.job import JobDetails
from buslens.report.record.markup import Markup
from buslens.report.record.ranked_causes import Suspects
from buslens.report.record.seal import BLANK, sealed
from buslens.report.record.unit_programming import TEACHING
from buslens.report.safety_notes import CAUTIONS
from buslens.report.templates import render
from buslens.report.versions import version_of

_LIBRARIES: Final = ("numpy", "numba", "cantools", "lark", "matplotlib", "scipy")
_GRAVITY: Final = (Verdict.FAULTY, Verdict.UNDECIDED, Verdict.AS_EXPECTED)


def versions() -> dict[str, str]:
    """Return which programs a record is made with."""
    found = {"buslens": version_of(), "Python": platform.python_version()}
    return found | {name: version_of(name) for name in _LIBRARIES}


def record(
    job: JobDetails,
    results: Sequence[Result],
    inputs: Sequence[Input],
    *,
    comparison: RepairComparison | None = None,
    suspects: Suspects | None = None,
    made_with: Mapping[str, str] | None = None,
    dialogues: Mapping[str, Dialogue] = MappingProxyType({}),
) -> bytes:
    """Return a job record as a page.

    Parameters
    ----------
    results : sequence of Result
        The checked captures; with a comparison those from after the repair.
    inputs : sequence of Input
        Every file that the record rests on.
    comparison : RepairComparison or None
        With the captures from before the repair.
    suspects : Suspects or None
        Outcome of a diagnosis.
    made_with : mapping of str to str or None
        Name and version of programs; None: those that run.
    dialogues : mapping of str to Dialogue
        By capture what a tester asked and was answered, where there is anything.

    Returns
    -------
    bytes
        UTF-8. The same arguments give the same bytes.
    """
    css = strip_css() + resource(__package__, "record.css")
    title = " \N{MIDDLE DOT} ".join(part for part in ("Job record", job.number, job.vehicle) if part.strip())
    as_found = results if comparison is None else comparison.before
    everything = [*(comparison.before if comparison is not None else ()), *results]
    sides = [("As found", _gravest(results))]
    if comparison is not None:
        sides = [("Before the repair", _gravest(comparison.before)), ("After the repair", _gravest(results))]
    before = [] if comparison is None else _of(comparison.before, dialogues)
    lines = [job.workshop, f"No. {job.number}" if job.number else "", job.date]
    pictures = list(_pictures(results, comparison))
    page = render(
        __package__,
        "record.html",
        **_WORDS,
        job=job,
        results=results,
        comparison=comparison,
        suspects=suspects,
        everything=everything,
        masthead=[line for line in lines if line.strip()],
        who=front_page.who(job),
        found=front_page.found(job, as_found, suspects),
        drawn=strips(sides, None if suspects is None else suspects.clue),
        proved=front_page.proved(comparison),
        to_watch=front_page.to_watch(job, results, comparison, suspects),
        pictures=[(caption, picture) for _, caption, (picture, _) in pictures],
        wrong=sections.wrong(everything, {id(result): numbers for result, _, (_, numbers) in pictures}),
        measured=sections.measured(everything),
        fault_codes=fault_codes(before, _of(results, dialogues), is_repaired=comparison is not None),
        readings=sections.readings(job, suspects),
        inputs=sections.inputs_table(inputs),
        made_with=", ".join(f"{name} {version}" for name, version in (made_with or versions()).items()),
        style_hash=policy_hash(css),
        seal=BLANK,
        title=title,
        css=Markup(css),
    )
    return sealed(page.encode())


_WORDS: Final[Mapping[str, object]] = {
    "bases": sections.bases,
    "cautions": CAUTIONS,
    "changes": sections.changes,
    "conclusion_sentence": conclusion_sentence,
    "entered_rows": sections.entered,
    "generator": GENERATOR,
    "method": METHOD,
    "most_findings": sections.MOST_FINDINGS,
    "proof_lines": proof_lines,
    "quiet_line": quiet_line,
    "ranking": sections.ranking,
    "recording_text": sections.recording_text,
    "teaching": TEACHING,
    "verdict_sentence": verdict_sentence,
}
"""What the template asks for by these names."""


def _gravest(results: Sequence[Result]) -> Result:
    return min(results, key=lambda result: _GRAVITY.index(result.verdict))


def _of(results: Sequence[Result], dialogues: Mapping[str, Dialogue]) -> list[Dialogue]:
    return [dialogues[result.path] for result in results if result.path in dialogues]


def _pictures(
    results: Sequence[Result], comparison: RepairComparison | None
) -> Iterator[tuple[Result, str, tuple[Markup, Mapping[Kind, int]]]]:
    """Yield one picture for each side, of the capture with the gravest verdict: with its caption and its numbers."""
    sides = [("", results)] if comparison is None else [("Before: ", comparison.before), ("After: ", results)]
    for side, of in sides:
        gravest = _gravest(of)
        label = f"{side}{gravest.path}. {verdict_sentence(gravest)}"
        yield gravest, f"{side}{gravest.path}", diagram(gravest, label=label)
