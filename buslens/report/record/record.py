"""A job record: one self-contained page without any script, which fetches nothing and prints on A4 and Letter."""

from __future__ import annotations

import base64
import hashlib
import platform
from importlib.resources import files
from string import Template
from types import MappingProxyType
from typing import TYPE_CHECKING, Final

from buslens.checks.findings import Result, Verdict
from buslens.report.formatting import verdict_sentence
from buslens.report.page_style import strip_css
from buslens.report.record import front_page, sections
from buslens.report.record.diagram import InlineSvg, diagram, strips
from buslens.report.record.fault_codes import fault_codes
from buslens.report.record.inputs import GENERATOR, Input
from buslens.report.record.markup import Markup, join, tag, text
from buslens.report.record.seal import BLANK, sealed
from buslens.report.versions import version_of

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from buslens.causes.compare import RepairComparison
    from buslens.dialogue.read import Dialogue
    from buslens.report.record.job import JobDetails
    from buslens.report.record.ranked_causes import Suspects

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
    comparison : Comparison or None
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
    pictures = list(_pictures(results, comparison))
    css = strip_css() + _resource("record.css") + "".join(picture.css for _, picture in pictures)
    title = " · ".join(part for part in ("Job record", job.number, job.vehicle) if part.strip())
    parts = _parts(job, results, inputs, comparison, suspects, pictures, made_with or versions(), dialogues)
    page_one = tag("div", *_front(job, results, comparison, suspects), class_="front")
    body = join([_masthead(job), tag("main", page_one, tag("p", "Appendix", class_="appendix"), *parts)])
    page = Template(_resource("record.html")).substitute(
        style_hash="sha256-" + base64.b64encode(hashlib.sha256(css.encode()).digest()).decode(),
        generator=GENERATOR,
        seal=BLANK,
        title=text(title),
        css=css,
        body=body,
    )
    return sealed(page.encode())


def _front(
    job: JobDetails,
    results: Sequence[Result],
    comparison: RepairComparison | None,
    suspects: Suspects | None,
) -> Iterator[Markup]:
    """Yield page one: what a customer reads and signs."""
    yield front_page.who(job)
    yield front_page.part("Complaint", tag("p", job.complaint or "Nothing was entered."))
    yield front_page.part(
        "Found", front_page.found(job, comparison.before if comparison is not None else results, suspects)
    )
    sides = [("As found", _gravest(results))]
    if comparison is not None:
        sides = [("Before the repair", _gravest(comparison.before)), ("After the repair", _gravest(results))]
    drawn = strips(sides, None if suspects is None else suspects.clue)
    figures = [tag("figure", tag("figcaption", tag("b", name)), picture) for name, picture in drawn]
    yield tag("div", *figures, class_="sides") if figures else Markup("")
    yield front_page.part("Done", sections.done(job))
    yield front_page.part("Result", front_page.result(comparison))
    yield front_page.part("Still to watch", front_page.to_watch(job, results, comparison, suspects))
    yield tag("div", tag("b", "Safety notes. "), sections.cautions(), class_="care")
    lines = (tag("p", words) for words in ("Date", "Technician", "Customer"))
    yield tag("div", *lines, class_="signatures")


def _gravest(results: Sequence[Result]) -> Result:
    return min(results, key=lambda result: _GRAVITY.index(result.verdict))


def _parts(
    job: JobDetails,
    results: Sequence[Result],
    inputs: Sequence[Input],
    comparison: RepairComparison | None,
    suspects: Suspects | None,
    pictures: Sequence[tuple[str, InlineSvg]],
    made_with: Mapping[str, str],
    dialogues: Mapping[str, Dialogue],
) -> Iterator[Markup]:
    now = "after the repair" if comparison is not None else ""
    everything = [*(comparison.before if comparison is not None else ()), *results]
    yield _section(f"Verdict {now}", sections.verdicts(results))
    if comparison is not None:
        yield _section("Verdict before the repair", sections.verdicts(comparison.before))
        yield _section("Before and after", _scrolled(sections.before_and_after(comparison)))
    figures = (tag("figure", picture.markup, tag("figcaption", caption)) for caption, picture in pictures)
    yield _section("Timing diagram" if len(pictures) == 1 else "Timing diagrams", join(figures))
    yield _section("What is wrong, and what is undecided", _scrolled(sections.findings(everything)))
    yield _section("Step times", join([_scrolled(sections.timings(everything)), sections.legend()]))
    before = [] if comparison is None else _of(comparison.before, dialogues)
    yield _section(
        "Fault codes", _scrolled(fault_codes(before, _of(results, dialogues), is_repaired=comparison is not None))
    )
    title = "Causes" if comparison is None else "Causes, as they were before the repair"
    yield _section(title, _scrolled(sections.causes(suspects, is_repaired=comparison is not None)))
    yield _section("Readings at the vehicle", _scrolled(sections.readings(job, suspects)))
    yield _section("Also entered", sections.entered(job))
    yield _section("After a unit is replaced", sections.teaching(job))
    yield _section("Where the limits come from", sections.bases(everything))
    how = tag(
        "p",
        "Whoever has these files can check that they, and this record, are still the same. The record carries a hash of"
        " itself; somebody who edits it can renew that, so keep a copy, or the hash, in another place.",
    )
    files_part = [_scrolled(sections.inputs_table(inputs)), how, sections.versions_table(made_with)]
    yield _section("Source files", join(files_part))


def _of(results: Sequence[Result], dialogues: Mapping[str, Dialogue]) -> list[Dialogue]:
    return [dialogues[result.path] for result in results if result.path in dialogues]


def _section(title: str, content: Markup, *, kind: str | None = None) -> Markup:
    """Return a part with its title; nothing for nothing."""
    return tag("section", tag("h2", title.strip()), content, class_=kind) if content else Markup("")


def _scrolled(content: Markup) -> Markup:
    return tag("div", content, class_="scroll", tabindex="0") if content else content


def _masthead(job: JobDetails) -> Markup:
    lines = [job.workshop, f"No. {job.number}" if job.number else "", job.date]
    given = (tag("p", line) for line in lines if line.strip())
    return tag("header", tag("h1", "Job record"), tag("div", *given))


def _pictures(results: Sequence[Result], comparison: RepairComparison | None) -> Iterator[tuple[str, InlineSvg]]:
    """Yield one picture for each side: of the capture with the gravest verdict."""
    sides = [("", results)] if comparison is None else [("Before: ", comparison.before), ("After: ", results)]
    for prefix, (side, of) in zip("ab", sides, strict=False):
        gravest = _gravest(of)
        label = f"{side}{gravest.path}. {verdict_sentence(gravest)}"
        yield f"{side}{gravest.path}", diagram(gravest, prefix=prefix, label=label)


def _resource(name: str) -> str:
    return files(__package__).joinpath(name).read_text("utf-8")
