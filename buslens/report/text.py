"""A judged capture as text for a person: what is wrong first, and the verdict as the last line.

text         one capture
closing      several captures, summed up
recording    how a capture was recorded
small_print  what is allowed by a finding's rule, and why
notes        what is no finding
"""

from __future__ import annotations

import re
from collections import Counter
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Final

from buslens.capture.frames import Clock
from buslens.checks.findings import Outcome, Span, Verdict
from buslens.checks.verdict import worst_first
from buslens.report.cautions import CAUTIONS
from buslens.report.paragraphs import Ink, Piece, paragraph, render
from buslens.report.words import (
    IDLE_SIGN,
    MET_SIGN,
    OUTCOME_WORDS,
    VERDICT_WORDS,
    clean,
    counted,
    limit_words,
    moment,
    place,
    seconds,
    sign,
    span_words,
    verdict_sentence,
)
from buslens.units import NS_PER_S, exact_duration

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from buslens.capture.frames import Tally
    from buslens.checks.findings import Finding, Limit, Result
    from buslens.report.paragraphs import Paragraph

MOST_ALIKE: Final = 5
"""How many findings of one rule, step and outcome are written out before the rest is only counted."""

_MARGIN: Final = 4


def text(result: Result, *, width: int | None = None, painted: bool = False, cautions: bool = True) -> str:
    """Return the report on one capture.

    Parameters
    ----------
    result : Result
        The judged capture.
    width : int or None
        Columns at which lines are wrapped; None: never.
    painted : bool
        Whether control sequences for bold and for the one accent may be used.
    cautions : bool
        Whether the cautions stand above a faulty verdict; not needed for a capture among several, where
        `closing` gives them once.
    """
    return render(_report(result, cautions=cautions), width=width, painted=painted)


def closing(verdicts: Iterable[Verdict], *, unusable: int = 0, width: int | None = None, painted: bool = False) -> str:
    """Return the last lines after the reports on several captures: the cautions once, and the count.

    Parameters
    ----------
    verdicts : iterable of Verdict
        One for each capture that could be judged.
    unusable : int
        How many captures could not be judged.
    """
    counts = Counter(verdicts)
    parts = [
        Piece(f"{counts[verdict]} {VERDICT_WORDS[verdict]}", ink)
        for verdict, ink in _VERDICT_INKS.items()
        if counts[verdict]
    ]
    if unusable:
        parts.append(Piece(f"{unusable} could not be judged", Ink.WRONG))
    listed = [piece for part in parts for piece in (Piece(", "), part)][1:]
    total = counts.total() + unusable
    paragraphs = list(_cautions()) if counts[Verdict.FAULTY] else []
    paragraphs.append(paragraph(Piece(counted(total, "capture") + ": ", Ink.STRONG), *listed))
    return render(paragraphs, width=width, painted=painted)


_VERDICT_INKS: Final = {
    Verdict.FAULTY: Ink.WRONG,
    Verdict.UNDECIDED: Ink.STRONG,
    Verdict.AS_EXPECTED: Ink.STRONG,
}


def _report(result: Result, *, cautions: bool) -> Iterator[Paragraph]:
    tally = result.tally
    if 100 * tally.broken > tally.frames + tally.broken:
        yield paragraph(
            Piece(
                f"{counted(tally.broken, 'line')} of the log could not be read, beside"
                f" {counted(tally.frames, 'frame')}: what they would have shown is missing below",
                Ink.STRONG,
            )
        )
    yield from _header(result)
    findings = worst_first(result.findings)
    faults = [finding for finding in findings if finding.outcome.is_fault]
    doubts = [finding for finding in findings if finding.outcome is Outcome.UNDECIDED]
    yield from _section("Wrong", _written_out(faults, result))
    yield from _section("Undecided", _written_out(doubts, result))
    yield from _section("Met", _met(result.findings))
    yield from _section("Not exercised", _idle(result.unexercised))
    yield from _section("Notes", (_item(" ", note) for note in notes(result)))
    yield paragraph()
    if cautions and result.verdict is Verdict.FAULTY:
        yield from _cautions()
    yield _verdict(result)


def _header(result: Result) -> Iterator[Paragraph]:
    yield paragraph(Piece(clean(result.path), Ink.STRONG))
    yield paragraph(", ".join(recording(result.tally)), indent=_MARGIN)
    judged = [f"judged by {clean(result.expectations.path)}"]
    yield paragraph(Piece(", ".join(judged), Ink.FAINT), indent=_MARGIN)
    for note in result.absent:
        yield paragraph(Piece(clean(note), Ink.WRONG), indent=_MARGIN)


def recording(tally: Tally) -> Iterator[str]:
    """Yield how a capture was recorded: how much, in which format, when, and what of it could not be read."""
    frames = counted(tally.frames, "frame")
    if tally.first_ns is None or tally.last_ns is None:
        yield frames
    elif tally.clock is Clock.MISSING:
        yield f"{frames} without time stamps"
    else:
        yield f"{frames} in {seconds(tally.last_ns - tally.first_ns)}"
    if tally.format:
        yield clean(tally.format)
    recorded = recorded_start(tally)
    if recorded is not None:
        zone = " UTC" if tally.clock is Clock.WALL else " by the recorder's clock"
        yield f"recorded {recorded:%Y-%m-%d %H:%M:%S}{zone}"
    if tally.broken:
        yield f"{counted(tally.broken, 'line')} skipped"


def recorded_start(tally: Tally) -> datetime | None:
    """Return when the first frame was recorded, to the second below; None if no calendar says.

    A calendar time without a zone is given in UTC as it stands.
    """
    if tally.first_ns is None or tally.clock not in {Clock.WALL, Clock.LOCAL}:
        return None
    try:
        return datetime.fromtimestamp(tally.first_ns // NS_PER_S, UTC)
    except (OverflowError, ValueError, OSError):
        return None


def _section(title: str, items: Iterable[Paragraph]) -> Iterator[Paragraph]:
    """Set items under a title; nothing for none."""
    for index, item in enumerate(items):
        if index == 0:
            yield paragraph()
            yield paragraph(Piece(title, Ink.STRONG))
        yield item


def _item(mark: str, *pieces: Piece | str, ink: Ink = Ink.PLAIN) -> Paragraph:
    return paragraph(Piece(f"{mark:<{_MARGIN - 1}}", ink), *pieces, indent=1, hang=_MARGIN)


def _written_out(findings: Sequence[Finding], result: Result) -> Iterator[Paragraph]:
    """Write findings out, of many alike only the first few."""
    seen: Counter[tuple[str, str | None, Outcome]] = Counter()
    for finding in findings:
        alike = (finding.rule, finding.step, finding.outcome)
        seen[alike] += 1
        if seen[alike] <= MOST_ALIKE:
            yield from _finding(finding, result.origin_ns)
    for (rule, step, outcome), count in seen.items():
        if count > MOST_ALIKE:
            name = clean(rule if step is None else f"{rule}, {step}")
            more = f"{count - MOST_ALIKE} more of {name}: {OUTCOME_WORDS[outcome]}; --json lists them all"
            yield _item(sign(outcome), more)


def _finding(finding: Finding, origin_ns: int) -> Iterator[Paragraph]:
    ink = Ink.WRONG if finding.outcome.is_fault else Ink.STRONG
    when = "" if finding.time_ns is None else f"{moment(finding.time_ns, origin_ns)}  "
    yield _item(
        sign(finding.outcome),
        when,
        f"{place(finding)}: ",
        Piece(OUTCOME_WORDS[finding.outcome], ink),
        ink=ink,
    )
    yield paragraph(clean(finding.reason), indent=_MARGIN)
    small = small_print(finding)
    if small:
        yield paragraph(Piece(small, Ink.FAINT), indent=_MARGIN)


def small_print(finding: Finding) -> str:
    """Say what is allowed, unless the reason has said it, and where that comes from."""
    parts = []
    if finding.limit is not None and not _says(clean(finding.reason), finding.limit):
        parts.append(limit_words(finding.limit))
    if finding.basis:
        parts.append(f"basis: {clean(finding.basis)}")
    return "; ".join(parts)


def _says(reason: str, limit: Limit) -> bool:
    """Whether a reason tells a limit; none at all, or of no length, need not be told."""
    if not limit.least and not limit.most:
        return True
    only = exact_duration(round(limit.most)) if limit.unit == "ns" and not limit.least and limit.most else ""
    return limit_words(limit) in reason or bool(only and re.search(rf"(?<![\d.]){re.escape(only)}\b", reason))


def _met(findings: Sequence[Finding]) -> Iterator[Paragraph]:
    """Sum up what is as it should be, a line for each rule, in the order of the expectations."""
    by_rule: dict[str, list[Finding]] = {}
    for finding in findings:
        if finding.outcome is Outcome.MET:
            by_rule.setdefault(finding.rule, []).append(finding)
    for rule, met in by_rule.items():
        steps = [finding for finding in met if finding.step is not None]
        yield _item(MET_SIGN, f"{clean(rule)}: ", _met_steps(steps) if steps else _met_throughout(met))


def _met_steps(met: Sequence[Finding]) -> str:
    """Say how fast each step came, over all handshakes."""
    by_step: dict[str, list[Finding]] = {}
    for finding in sorted(met, key=lambda finding: (finding.handshake or 0, finding.time_ns or 0)):
        by_step.setdefault(finding.step or "", []).append(finding)
    runs = len({finding.handshake for finding in met})
    steps = "; ".join(_met_step(step, found) for step, found in by_step.items())
    return steps if runs == 1 else f"{counted(runs, 'handshake')}: {steps}"


def _met_step(step: str, found: Sequence[Finding]) -> str:
    words = clean(step)
    delays = [finding.delay for finding in found if finding.delay is not None]
    if delays:
        words += f" {span_words(_hull(delays))}"
    limits = {limit_words(finding.limit) for finding in found if finding.limit is not None}
    return f"{words} ({limits.pop()})" if len(limits) == 1 else words


def _hull(spans: Sequence[Span]) -> Span:
    ends = [span.latest_ns for span in spans if span.latest_ns is not None]
    return Span(
        earliest_ns=min(span.earliest_ns for span in spans),
        latest_ns=max(ends) if len(ends) == len(spans) else None,
    )


def _met_throughout(met: Sequence[Finding]) -> str:
    if len(met) == 1 and met[0].reason:
        return clean(met[0].reason)
    return f"met {counted(sum(finding.count or 1 for finding in met), 'time')}"


def _idle(unexercised: Sequence[str]) -> Iterator[Paragraph]:
    for rule in unexercised:
        yield _item(IDLE_SIGN, f"{clean(rule)}: the capture holds nothing for it to judge")


def notes(result: Result) -> Iterator[str]:
    """Yield what is no finding: how the recording is; which messages are absent from it stands first in a report."""
    tally = result.tally
    told = dict.fromkeys((*result.notes, *tally.notes))
    yield from (clean(note) for note in told if note not in result.absent)
    for line, reason, start in tally.skipped:
        yield f"line {line} skipped: {clean(reason)}: {clean(start)}"
    if tally.broken > len(tally.skipped):
        yield f"{counted(tally.broken - len(tally.skipped), 'more line')} skipped"
    for run in result.handshakes:
        name = f"{clean(run.rule)} {run.number}, {moment(run.start.earliest_ns, result.origin_ns)}"
        if run.abandoned:
            yield f"{name}: abandoned, because {clean(run.abandoned)}"
        if run.tries > 1:
            yield f"{name}: the first step came {run.tries} times"


def _cautions() -> Iterator[Paragraph]:
    yield paragraph(Piece("Before anybody works on it", Ink.STRONG))
    for caution in CAUTIONS:
        yield paragraph(caution, indent=_MARGIN)
    yield paragraph()


def _verdict(result: Result) -> Paragraph:
    sentence = verdict_sentence(result)
    word = VERDICT_WORDS[result.verdict]
    ink = _VERDICT_INKS[result.verdict]
    return paragraph(Piece(sentence[: len(word)], ink), Piece(sentence[len(word) :], Ink.STRONG))
