"""What the parts of a job record say; how they stand there is in ``record.html``."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Final, NamedTuple

from buslens.causes.compare import RepairComparison, RepairStatus
from buslens.checks.findings import Finding, Result
from buslens.checks.phrases import span_text
from buslens.report.comparison import side_text
from buslens.report.diagnosis import share
from buslens.report.finding_kinds import Kind, kind_of, kinds, sentence
from buslens.report.formatting import OUTCOME_WORDS, VERDICT_WORDS, limit_text, place, place_of, seconds, sign, unparted
from buslens.report.record.inputs import Input
from buslens.report.record.job import JobDetails
from buslens.report.record.markup import Markup, tag
from buslens.report.record.ranked_causes import Suspects
from buslens.report.text import recording, small_print

MOST_FINDINGS: Final = 30
"""How many measured steps of a capture are written out; the rest is counted."""
MOST_TIMES: Final = 12
"""How many moments of findings of a kind are written out."""


def entered(job: JobDetails) -> list[tuple[str, str]]:
    """Return what the person entered and page one does not show, by name."""
    rows = [
        ("Confirmed cause", job.confirmed.replace("_", " ")),
        ("Remarks", job.remarks),
        ("It failed before", job.failed),
    ]
    return [(name, value) for name, value in rows if value.strip()]


class OpenKind(NamedTuple):
    """What is wrong or undecided in a capture, those of one kind together."""

    #: In the capture's picture; empty where that does not show it.
    number: str
    where: str
    outcome: str
    times: str
    sentence: str
    limit: str


def wrong(results: Sequence[Result], numbers: Mapping[int, Mapping[Kind, int]]) -> list[tuple[Result, list[OpenKind]]]:
    """Return the captures in which something is wrong or undecided, each with that, in the order of its picture.

    Parameters
    ----------
    numbers : mapping of int to mapping
        Of each kind in the picture of a capture, by the id of the result.
    """
    found = []
    for result in results:
        open_ones = kinds(result, result.findings.unmet)
        drawn = numbers.get(id(result), {})
        open_ones.sort(key=lambda group: drawn.get(kind_of(group[0]), len(drawn) + 1))
        found += [(result, [_open_kind(result, group, drawn) for group in open_ones])] if open_ones else []
    return found


def _open_kind(result: Result, group: Sequence[Finding], drawn: Mapping[Kind, int]) -> OpenKind:
    first = group[0]
    at = sorted(it.time_ns - result.origin_ns for it in group if it.time_ns is not None)
    times = [unparted(seconds(time)) for time in at[:MOST_TIMES]]
    if len(at) > MOST_TIMES:
        times.append(f"and {len(at) - MOST_TIMES:,} more")
    return OpenKind(
        number=str(drawn.get(kind_of(first), "")),
        where=place(first) if len(group) == 1 else place_of(first.rule, None, first.step),
        outcome=outcome_text(first) + (f", {len(group):,} times" if len(group) > 1 else ""),
        times=", ".join(times),
        sentence=sentence(group),
        limit=small_print(replace(first, basis="")),
    )


def measured(results: Sequence[Result]) -> list[tuple[Result, list[tuple[str, str, str, str]]]]:
    """Return every measured step with its limit, capture by capture."""
    found = []
    for result in results:
        rows = [
            (
                place(it),
                "" if it.delay is None else span_text(it.delay),
                "" if it.limit is None else limit_text(it.limit).removeprefix("limit "),
                outcome_text(it),
            )
            for it in sorted(result.findings, key=lambda it: it.time_ns or 0)
            if it.step is not None
        ]
        found += [(result, rows)] if rows else []
    return found


def outcome_text(finding: Finding) -> str:
    """Return the outcome of a finding, with its sign."""
    return f"{sign(finding.outcome)} {OUTCOME_WORDS[finding.outcome]}"


def ranking(suspects: Suspects) -> Iterator[tuple[str, str, str, str]]:
    """Yield number, title, probability and repair of each cause; those that cannot be told apart share a number."""
    for number, group in enumerate(suspects.groups, start=1):
        for index, one in enumerate(group):
            together = f"{number}" if len(group) == 1 else f"{number}{chr(97 + index % 26)}"
            yield together, one.title, share(one.share), one.repair


def readings(job: JobDetails, suspects: Suspects | None) -> list[tuple[str, str, str, str]]:
    """Return what was measured at the vehicle, with its limits and where they are from."""
    rows = [(it.what, it.reading, it.limit or "not said", it.source or "not said") for it in job.readings]
    made = () if suspects is None else suspects.readings
    return rows + [
        (it.what, f"{it.reading}{f' ({it.means})' if it.means else ''}", it.expected, it.basis) for it in made
    ]


def changes(comparison: RepairComparison) -> Iterator[tuple[str, str, str, str, str]]:
    """Yield what changed: rule and step, before, after, what is allowed, and how it is now."""
    for it in comparison.compared:
        if it.step is not None or it.change is not RepairStatus.GOOD:
            yield (
                it.name,
                side_text(it, it.before),
                side_text(it, it.after),
                "" if it.limit is None or it.step is None else limit_text(it.limit).removeprefix("limit "),
                it.change.value,
            )


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


def bases(results: Sequence[Result]) -> list[tuple[str, str]]:
    """Return where the limits come from, as the rules say: names of rules, and their source."""
    said: dict[str, dict[str, None]] = {}
    for result in results:
        for rule in result.expectations.rules:
            said.setdefault(rule.basis or "not said", {})[rule.name] = None
    return [(", ".join(names), basis) for basis, names in said.items()]


def recording_text(result: Result) -> str:
    """Return how a capture came out and how it was recorded, on one line."""
    words = [f"{result.path}: {VERDICT_WORDS[result.verdict]}", *recording(result.stats)]
    if result.unexercised:
        words.append(f"not tested: {', '.join(result.unexercised)}")
    return "; ".join(words)


def _hash_text(digest: str) -> list[str]:
    """Return a hash in groups of eight, which a person can compare."""
    return [" ".join(digest[at : at + 8] for at in range(0, len(digest), 8))]
