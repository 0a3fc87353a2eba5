"""A checked capture as text for a person: what is wrong first, and the verdict as the last line."""

from __future__ import annotations

import re
from collections import Counter
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Final

from buslens.capture.frames import Clock, ReadStats
from buslens.checks.findings import Finding, Findings, Limit, Outcome, Result, Verdict
from buslens.checks.phrases import span_text
from buslens.checks.verdict import worst_first
from buslens.report.finding_kinds import hull, kinds, sentence
from buslens.report.formatting import (
    IDLE_SIGN,
    MET_SIGN,
    OUTCOME_WORDS,
    VERDICT_WORDS,
    clean,
    counted,
    limit_text,
    moment,
    place,
    place_of,
    seconds,
    sign,
    unread_text,
    verdict_sentence,
)
from buslens.report.paragraphs import MARGIN, Paragraph, StyledText, TextStyle, item, paragraph, render, section
from buslens.report.safety_notes import safety_notes
from buslens.units import NS_PER_S, exact_duration

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence


_WRITTEN_OUT: Final = 4
"""Kinds of finding that a report in brief writes out; it names the others in one line."""


def text(
    result: Result,
    *,
    width: int | None = None,
    painted: bool = False,
    cautions: bool = True,
    in_full: bool = False,
) -> str:
    """Return the report on one capture.

    Parameters
    ----------
    cautions : bool
        Whether the cautions stand above a faulty verdict; not needed for a capture among several, where
        `closing` gives them once.
    in_full : bool
        Whether every finding is written out, and every rule that is OK; else findings alike share an entry.
    """
    return render(_report(result, cautions=cautions, in_full=in_full), width=width, painted=painted)


def closing(verdicts: Iterable[Verdict], *, unusable: int = 0, width: int | None = None, painted: bool = False) -> str:
    """Return the last lines after the reports on several captures: the cautions once, and the count."""
    counts = Counter(verdicts)
    parts = [
        StyledText(f"{counts[verdict]} {VERDICT_WORDS[verdict]}", ink)
        for verdict, ink in _VERDICT_INKS.items()
        if counts[verdict]
    ]
    if unusable:
        parts.append(StyledText(f"{unusable} could not be checked", TextStyle.WRONG))
    listed = [piece for part in parts for piece in (StyledText(", "), part)][1:]
    total = counts.total() + unusable
    count = paragraph(StyledText(counted(total, "capture") + ": ", TextStyle.STRONG), *listed)
    paragraphs = [*(safety_notes() if counts[Verdict.FAULTY] else ()), paragraph(), count]
    return render(paragraphs[1:], width=width, painted=painted)


_VERDICT_INKS: Final = {
    Verdict.FAULTY: TextStyle.WRONG,
    Verdict.UNDECIDED: TextStyle.STRONG,
    Verdict.AS_EXPECTED: TextStyle.STRONG,
}


def _report(result: Result, *, cautions: bool, in_full: bool) -> Iterator[Paragraph]:
    stats = result.stats
    if unread := unread_text(stats):
        yield paragraph(StyledText(unread, TextStyle.STRONG))
    yield from _header(result)
    findings = worst_first(result.findings.unmet)
    faults = [finding for finding in findings if finding.outcome.is_fault]
    doubts = [finding for finding in findings if finding.outcome is Outcome.UNDECIDED]
    write = _written_out if in_full else _by_kind
    yield from section("Faults", write(faults, result))
    yield from section("Undecided", write(doubts, result))
    if in_full or not findings:
        yield from section("OK", _met(result.findings))
        yield from section("Not tested", _idle(result.unexercised))
    else:
        yield from section("The rest", _in_brief(result))
    yield from section("Notes", (item(" ", note) for note in notes(result)))
    if cautions and result.verdict is Verdict.FAULTY:
        yield from safety_notes()
    yield paragraph()
    yield _verdict(result)


def _header(result: Result) -> Iterator[Paragraph]:
    yield paragraph(StyledText(clean(result.path), TextStyle.STRONG))
    yield paragraph(", ".join(recording(result.stats)), indent=MARGIN)
    yield paragraph(StyledText(f"expectations: {clean(result.expectations.path)}", TextStyle.FAINT), indent=MARGIN)
    for note in result.absent:
        yield paragraph(StyledText(clean(note), TextStyle.WRONG), indent=MARGIN)


def recording(stats: ReadStats) -> Iterator[str]:
    """Yield how a capture was recorded: how much, in which format, when, and what of it could not be read."""
    frames = counted(stats.frames, stats.counted)
    if stats.first_ns is None or stats.last_ns is None:
        yield frames
    elif stats.clock is Clock.MISSING:
        yield f"{frames} without time stamps"
    else:
        yield f"{frames} in {seconds(stats.last_ns - stats.first_ns)}"
    if stats.damage:
        yield f"cut short ({clean(stats.damage)})"
    if stats.format:
        yield clean(stats.format)
    recorded = recorded_start(stats)
    if recorded is not None:
        zone = " UTC" if stats.clock is Clock.WALL else ", recorder time, no zone"
        yield f"recorded {recorded:%Y-%m-%d %H:%M:%S}{zone}"
    if stats.broken:
        yield f"{counted(stats.broken, 'line')} skipped"


def recorded_start(stats: ReadStats) -> datetime | None:
    """Return when the first frame was recorded, to the second below; None if no calendar says.

    A calendar time without a zone is given in UTC as it stands.
    """
    if stats.first_ns is None or stats.clock not in {Clock.WALL, Clock.LOCAL}:
        return None
    try:
        return datetime.fromtimestamp(stats.first_ns // NS_PER_S, UTC)
    except (OverflowError, ValueError, OSError):
        return None


def _written_out(findings: Sequence[Finding], result: Result) -> Iterator[Paragraph]:
    """Write every finding out."""
    for finding in findings:
        yield from _finding((finding,), _origin(result))


def _by_kind(findings: Sequence[Finding], result: Result) -> Iterator[Paragraph]:
    """Write one entry for all findings of a kind; the leading kind comes first."""
    ordered = kinds(result, findings)
    # A line that names one kind would save nothing.
    shown = _WRITTEN_OUT if len(ordered) > _WRITTEN_OUT + 1 else len(ordered)
    for alike in ordered[:shown]:
        yield from _finding(alike, _origin(result))
    if ordered[shown:]:
        named = (place_of(it[0].rule, None, it[0].step) + _times(it) for it in ordered[shown:])
        mark = sign(ordered[0][0].outcome)
        yield item(mark, f"{len(ordered) - shown} more, written out with --all: {'; '.join(named)}")


def _times(alike: Sequence[Finding]) -> str:
    """Return how often the same was found, where more than once: ``, 2 times``."""
    return f", {len(alike)} times" if len(alike) > 1 else ""


def _finding(alike: Sequence[Finding], origin_ns: int | None) -> Iterator[Paragraph]:
    """Write out what was found, once or several times."""
    finding = alike[0]
    ink = TextStyle.WRONG if finding.outcome.is_fault else TextStyle.STRONG
    when = "" if finding.time_ns is None or origin_ns is None else f"{moment(finding.time_ns, origin_ns)}  "
    where = place(finding) if len(alike) == 1 else place_of(finding.rule, None, finding.step)
    yield item(
        sign(finding.outcome),
        when,
        f"{where}: ",
        StyledText(OUTCOME_WORDS[finding.outcome] + _times(alike), ink),
        ink=ink,
    )
    yield paragraph(sentence(alike), indent=MARGIN)
    small = small_print(finding)
    if small:
        yield paragraph(StyledText(small, TextStyle.FAINT), indent=MARGIN)


def _origin(result: Result) -> int | None:
    """Return the axis time that moments are counted from; None where the log tells an order only."""
    return None if result.stats.clock is Clock.MISSING else result.origin_ns


def _in_brief(result: Result) -> Iterator[Paragraph]:
    """Name what is OK and what was not tested, a line each."""
    broken = {it.rule for it in result.findings.unmet}
    met = dict.fromkeys(clean(it.rule) for it in result.findings.digest() if it.rule not in broken)
    if met:
        yield item(MET_SIGN, f"OK: {', '.join(met)}")
    if result.unexercised:
        yield item(IDLE_SIGN, f"Not tested: {', '.join(map(clean, result.unexercised))}")


def small_print(finding: Finding) -> str:
    """Say what is allowed, unless the reason has said it, and where that comes from."""
    parts = []
    if finding.limit is not None and not _says(clean(finding.reason), finding.limit):
        parts.append(limit_text(finding.limit))
    if finding.basis:
        parts.append(f"limit source: {clean(finding.basis)}")
    return "; ".join(parts)


def _says(reason: str, limit: Limit) -> bool:
    """Whether a reason tells a limit; none at all, or of no length, need not be told."""
    if not limit.least and not limit.most:
        return True
    if limit_text(limit) in reason:
        return True
    only = limit_text(limit).removeprefix("limit ")
    if limit.unit == "ns" and not limit.least and limit.most:
        only = exact_duration(round(limit.most))
    return bool(only and re.search(rf"(?<![\d.]){re.escape(only)}\b", reason))


def _met(findings: Findings) -> Iterator[Paragraph]:
    """Sum up what is as it should be, a line for each rule, in the order of the expectations."""
    by_rule: dict[str, list[Finding]] = {}
    for finding in findings.digest():
        if finding.outcome is Outcome.MET:
            by_rule.setdefault(finding.rule, []).append(finding)
    for rule, met in by_rule.items():
        steps = [finding for finding in met if finding.step is not None]
        text = _met_steps(steps, findings.met_handshakes(rule)) if steps else _met_throughout(met)
        yield item(MET_SIGN, f"{clean(rule)}: ", text)


def _met_steps(met: Sequence[Finding], runs: int) -> str:
    """Say how fast each step came, over all handshakes."""
    by_step: dict[str, list[Finding]] = {}
    for finding in sorted(met, key=lambda finding: (finding.handshake or 0, finding.time_ns or 0)):
        by_step.setdefault(finding.step or "", []).append(finding)
    steps = "; ".join(_met_step(step, found) for step, found in by_step.items())
    return steps if runs == 1 else f"{counted(runs, 'handshake')}: {steps}"


def _met_step(step: str, found: Sequence[Finding]) -> str:
    words = clean(step)
    delays = [finding.delay for finding in found if finding.delay is not None]
    if delays:
        words += f" {span_text(hull(delays))}"
    limits = {limit_text(finding.limit) for finding in found if finding.limit is not None}
    return f"{words} ({limits.pop()})" if len(limits) == 1 else words


def _met_throughout(met: Sequence[Finding]) -> str:
    if len(met) == 1 and met[0].reason:
        return clean(met[0].reason)
    return f"OK {counted(sum(finding.count or 1 for finding in met), 'time')}"


def _idle(unexercised: Sequence[str]) -> Iterator[Paragraph]:
    for rule in unexercised:
        yield item(IDLE_SIGN, f"{clean(rule)}: its situation did not occur in this capture")


def notes(result: Result) -> Iterator[str]:
    """Yield what is no finding: how the recording is; which messages are absent from it stands first in a report."""
    stats = result.stats
    told = dict.fromkeys((*result.notes, *stats.notes))
    yield from (clean(note) for note in told if note not in result.absent)
    for line, reason, start in stats.skipped:
        yield f"line {line} skipped: {clean(reason)}: {clean(start)}"
    if stats.broken > len(stats.skipped):
        yield f"{counted(stats.broken - len(stats.skipped), 'more line')} skipped"
    for run in result.handshakes.made:
        name = f"{clean(run.rule)} {run.number}"
        if (origin_ns := _origin(result)) is not None:
            name += f", {moment(run.start.earliest_ns, origin_ns)}"
        if run.abandoned:
            yield f"{name}: cancelled: {clean(run.abandoned)}"
        if run.tries > 1:
            yield f"{name}: {counted(run.tries, 'try').replace('trys', 'tries')}"


def _verdict(result: Result) -> Paragraph:
    told = verdict_sentence(result)
    word = VERDICT_WORDS[result.verdict]
    ink = _VERDICT_INKS[result.verdict]
    return paragraph(StyledText(told[: len(word)], ink), StyledText(told[len(word) :], TextStyle.STRONG))
