"""The parts of a job record, in the order in which they are read; each is nothing where there is nothing to say."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from buslens.causes.compare import RepairComparison, RepairStatus
from buslens.checks.findings import Finding, Outcome, Result
from buslens.checks.phrases import span_text
from buslens.checks.verdict import worst_first
from buslens.report.comparison import (
    METHOD,
    conclusion_sentence,
    proof_lines,
    quiet_line,
    side_text,
)
from buslens.report.diagnosis import share
from buslens.report.formatting import OUTCOME_WORDS, VERDICT_WORDS, limit_text, place, seconds, sign, verdict_sentence
from buslens.report.record.markup import Markup, join, table, tag
from buslens.report.record.unit_programming import TEACHING
from buslens.report.safety_notes import CAUTIONS
from buslens.report.text import recording, small_print

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from buslens.report.record.inputs import Input
    from buslens.report.record.job import JobDetails
    from buslens.report.record.ranked_causes import Suspects

MOST_FINDINGS: Final = 30
"""How many findings of a capture are written out; the rest is counted."""


def entered(job: JobDetails) -> Markup:
    """Return what the person entered and page one does not show; nothing where there is nothing."""
    rows = [
        ("Confirmed cause", job.confirmed.replace("_", " ")),
        ("Remarks", job.remarks),
        ("It failed before", job.failed),
    ]
    given = [(name, value) for name, value in rows if value.strip()]
    return join([table_of_pairs(given)]) if given else Markup("")


def table_of_pairs(pairs: Iterable[tuple[str, str]]) -> Markup:
    """Return a table of two columns without a head."""
    rows = (tag("tr", tag("th", name, scope="row"), tag("td", value)) for name, value in pairs)
    return tag("table", tag("tbody", *rows), class_="pairs")


def verdicts(results: Sequence[Result]) -> Markup:
    """Return the verdict on each capture as a sentence."""
    return join(
        tag(
            "div",
            tag("p", verdict_sentence(result), class_="sentence"),
            tag("p", _recording(result), class_="quiet"),
            class_=f"verdict {result.verdict.value.replace('_', '-')}",
        )
        for result in results
    )


def findings(results: Sequence[Result]) -> Markup:
    """Return everything that is wrong or undecided, capture by capture."""
    parts = []
    for result in results:
        open_ones = [it for it in worst_first(result.findings) if it.outcome is not Outcome.MET]
        if not open_ones:
            continue
        rows = [_finding_row(it, result) for it in open_ones[:MOST_FINDINGS]]
        parts.append(tag("h3", result.path))
        parts.append(
            table(("Rule and step", "Outcome", "At", "What the log shows, and what is allowed"), rows, kind="findings")
        )
        if len(open_ones) > MOST_FINDINGS:
            parts.append(tag("p", f"{len(open_ones) - MOST_FINDINGS} more of them.", class_="quiet"))
    return join(parts) if parts else tag("p", "Nothing is wrong, and nothing is undecided.")


def timings(results: Sequence[Result]) -> Markup:
    """Return every measured step with its limit, capture by capture."""
    parts = []
    for result in results:
        rows = [
            (
                place(it),
                "" if it.delay is None else span_text(it.delay),
                "" if it.limit is None else limit_text(it.limit).removeprefix("limit "),
                f"{sign(it.outcome)} {OUTCOME_WORDS[it.outcome]}",
            )
            for it in sorted(result.findings, key=lambda it: it.time_ns or 0)
            if it.step is not None
        ]
        if rows:
            parts += [tag("h3", result.path)] if len(results) > 1 else []
            parts.append(table(("Step", "Measured", "Allowed", "Outcome"), rows[:MOST_FINDINGS], kind="numbers"))
        if len(rows) > MOST_FINDINGS:
            parts.append(tag("p", f"{len(rows) - MOST_FINDINGS} more of them.", class_="quiet"))
    return join(parts) if parts else tag("p", "No step of a handshake was checked.", class_="quiet")


def causes(suspects: Suspects | None, *, is_repaired: bool) -> Markup:
    """Return the ranking, and the advice unless it has been followed."""
    if suspects is None:
        return Markup("")
    rows = []
    for number, group in enumerate(suspects.groups, start=1):
        for index, one in enumerate(group):
            together = f"{number}" if len(group) == 1 else f"{number}{chr(97 + index % 26)}"
            rows.append((together, one.title, share(one.share), one.repair))
    parts = [table(("Rank", "Cause", "Probability", "Repair"), rows, kind="ranking")]
    if any(len(group) > 1 for group in suspects.groups):
        by = "the log and the readings" if suspects.readings else "the log"
        parts.append(tag("p", f"Causes of one number (a, b, ...): {by} cannot tell these apart.", class_="quiet"))
    if not is_repaired:
        parts.append(tag("p", tag("strong", "Advice: "), suspects.advice))
    parts.append(tag("p", suspects.basis, class_="quiet"))
    return join(parts)


def readings(job: JobDetails, suspects: Suspects | None) -> Markup:
    """Return what was measured at the vehicle, with its limits and where they are from."""
    rows = [(it.what, it.reading, it.limit or "not said", it.source or "not said") for it in job.readings]
    if suspects is not None:
        rows += [
            (it.what, f"{it.reading}{f' ({it.means})' if it.means else ''}", it.expected, it.basis)
            for it in suspects.readings
        ]
    if not rows:
        return Markup("")
    return table(("Measured", "Reading", "Expected", "Source of the limit"), rows, kind="readings")


def done(job: JobDetails) -> Markup:
    """Return what was done."""
    if not job.done and not job.replaced:
        return tag("p", "Nothing was entered.", class_="quiet")
    parts = [tag("ol", *(tag("li", item) for item in job.done))] if job.done else []
    if job.replaced:
        parts.append(tag("p", tag("strong", "Replaced: "), "; ".join(job.replaced)))
    return join(parts)


def before_and_after(comparison: RepairComparison | None) -> Markup:
    """Return what changed, and what it proves."""
    if comparison is None:
        return Markup("")
    parts = [tag("p", conclusion_sentence(comparison), class_=f"sentence verdict {comparison.conclusion.value}")]
    steps = [it for it in comparison.compared if it.step is not None or it.change is not RepairStatus.GOOD]
    rows = [
        (
            it.rule if it.step is None else f"{it.rule}, {it.step}",
            side_text(it, it.before),
            side_text(it, it.after),
            "" if it.limit is None or it.step is None else limit_text(it.limit).removeprefix("limit "),
            it.change.value,
        )
        for it in steps
    ]
    parts.append(table(("Rule and step", "Before", "After", "Allowed", "Now"), rows, kind="plain"))
    for proof in comparison.proofs:
        lines = (tag("li", line) for line in proof_lines(proof))
        parts.append(tag("div", tag("h3", proof.rule), tag("ul", *lines), class_="whole"))
    parts += [tag("p", tag("strong", f"{quiet.rule}: "), quiet_line(quiet)) for quiet in comparison.quiets]
    parts += [tag("p", note) for note in comparison.notes]
    parts.append(tag("p", METHOD, class_="quiet"))
    return join(parts)


def teaching(job: JobDetails) -> Markup:
    """Return what follows the replacement of a unit."""
    if job.replaced:
        opening = f"Replaced: {'; '.join(job.replaced)}. If that is a lock unit or a control unit:"
    else:
        opening = "No replaced unit was entered. If a lock unit or a control unit is ever replaced:"
    return join(
        [
            tag("p", opening),
            tag("ol", *(tag("li", step) for step in TEACHING)),
            tag("p", "Common practice, no source; the maker's procedure stands above it.", class_="quiet"),
        ]
    )


def cautions() -> Markup:
    """Return what must be known before anybody works on a lock."""
    return tag("ul", *(tag("li", caution) for caution in CAUTIONS))


def inputs_table(inputs: Sequence[Input]) -> Markup:
    """Return every file with its hash, in a form that `buslens.report.record.inputs.recheck` reads back."""
    rows = [
        tag(
            "tr",
            tag("th", item.path, scope="row"),
            tag("td", item.kind),
            tag("td", f"{item.size:,} bytes", class_="number"),
            tag("td", tag("code", *_hash_text(item.sha256))),
            data_kind=item.kind,
            data_path=item.encoded_path,
            data_bytes=str(item.size),
            data_sha256=item.sha256,
        )
        for item in inputs
    ]
    head = (tag("th", name, scope="col") for name in ("File", "What it is", "Size", "SHA-256"))
    return tag("table", tag("thead", tag("tr", *head)), tag("tbody", *rows), class_="inputs")


def versions_table(versions: Mapping[str, str]) -> Markup:
    """Return which programs made the record."""
    words = ", ".join(f"{name} {version}" for name, version in versions.items())
    return tag("p", f"Made with {words}.", class_="quiet")


def bases(results: Sequence[Result]) -> Markup:
    """Return where the limits come from, as the rules say."""
    said: dict[str, list[str]] = {}
    for result in results:
        for rule in result.expectations.rules:
            names = said.setdefault(rule.basis or "not said", [])
            if rule.name not in names:
                names.append(rule.name)
    return table(("Rules", "Limit source"), ((", ".join(names), basis) for basis, names in said.items()), kind="bases")


def legend() -> Markup:
    """Return how times are to be read."""
    return tag(
        "p",
        "A signal is known only when a frame carries it, so a measured time is a range. Signs: x wrong, ? undecided, "
        "= met.",
        class_="quiet",
    )


def _finding_row(finding: Finding, result: Result) -> tuple[str, str, str, Markup]:
    small = small_print(finding)
    shown = join([finding.reason, *([tag("br"), tag("small", small)] if small else [])])
    when = "" if finding.time_ns is None else seconds(finding.time_ns - result.origin_ns)
    return place(finding), f"{sign(finding.outcome)} {OUTCOME_WORDS[finding.outcome]}", when, shown


def _recording(result: Result) -> str:
    words = [f"{result.path}: {VERDICT_WORDS[result.verdict]}", *recording(result.stats)]
    if result.unexercised:
        words.append(f"not tested: {', '.join(result.unexercised)}")
    return "; ".join(words)


def _hash_text(digest: str) -> list[str]:
    """Return a hash in groups of eight, which a person can compare."""
    return [" ".join(digest[at : at + 8] for at in range(0, len(digest), 8))]
