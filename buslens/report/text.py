"""A checked capture as text for a person: the first line says what is wrong with the car."""

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from datetime import UTC, datetime
from typing import Final

from buslens.capture.frames import Clock, ReadStats
from buslens.checks.findings import Finding, Findings, Handshake, Outcome, Result, TimeBounds, Verdict
from buslens.checks.headline import times_text
from buslens.checks.phrases import span_text
from buslens.checks.verdict import worst_first
from buslens.report.finding_kinds import answer, is_told_first, kinds, range_text, sentence, steps_by_rule
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
from buslens.report.safety_notes import cautions_for, safety_notes
from buslens.units import NS_PER_S

_WRITTEN_OUT: Final = 3
"""Most kinds of finding that a report in brief writes out; where there are more, one line names the others."""


def text(
    result: Result, *, width: int | None = None, painted: bool = False, cautions: bool = True, in_full: bool = False
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
    cautions = safety_notes() if counts[Verdict.FAULTY] else ()
    return render([*cautions, paragraph(), count][1:], width=width, painted=painted)


_VERDICT_INKS: Final = {
    Verdict.FAULTY: TextStyle.WRONG,
    Verdict.UNDECIDED: TextStyle.STRONG,
    Verdict.AS_EXPECTED: TextStyle.STRONG,
}


def _report(result: Result, *, cautions: bool, in_full: bool) -> Iterator[Paragraph]:
    stats = result.stats
    findings = worst_first(result.findings.unmet)
    faults = [finding for finding in findings if finding.outcome.is_fault]
    doubts = [finding for finding in findings if finding.outcome is Outcome.UNDECIDED]
    open_kinds = kinds(result, faults or doubts)
    leads = not in_full and is_told_first(result, open_kinds)
    if unread := unread_text(stats):
        yield paragraph(StyledText(unread, TextStyle.STRONG))
    yield _verdict(result, answer(result, open_kinds) if leads else verdict_sentence(result))
    if leads:
        yield paragraph(StyledText(_details(open_kinds[0], result), TextStyle.FAINT), indent=MARGIN)
    yield from _header(result)
    if in_full:
        yield from section("Faults", _written_out(faults, result))
        yield from section("Undecided", _written_out(doubts, result))
    elif findings:
        title = "faults" if faults else "undecided"
        # What is undecided beside faults takes a line of its own.
        most = _WRITTEN_OUT - bool(faults and doubts)
        yield from section(f"More {title}" if leads else title.title(), _by_kind(open_kinds[leads:], result, most))
    if in_full or result.verdict is Verdict.AS_EXPECTED:
        yield from section("OK", _met(result.findings))
        yield from section("Not tested", _idle(result.unexercised))
        yield from section("Notes", (item(" ", note) for note in notes(result)))
    else:
        if len(open_kinds) <= leads:
            yield paragraph()
        yield from _in_brief(result, doubts if faults else ())
    if cautions and (told := cautions_for(result.verdict)):
        yield from safety_notes(told)


def _header(result: Result) -> Iterator[Paragraph]:
    told = f": {', '.join(recording(result.stats))}; "
    by = StyledText(f"expectations: {clean(result.expectations.path)}", TextStyle.FAINT)
    yield paragraph(StyledText(clean(result.path), TextStyle.STRONG), told, by, hang=MARGIN)
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
        zone = " UTC" if stats.clock is Clock.WALL else ", no zone"
        yield f"{recorded:%Y-%m-%d %H:%M:%S}{zone}"
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


def _details(alike: Sequence[Finding], result: Result) -> str:
    """Return what the first line leaves out of its findings: when, by which rule, how long each, whose limit."""
    _, when, _ = _marked(alike[0], _origin(result))
    told = [f"{when.strip()} ({_place(alike)})".strip()]
    if range_ := range_text(alike):
        told.append(range_)
    if alike[0].basis and alike[0].outcome.is_fault:
        told.append(f"limit source: {clean(alike[0].basis)}")
    return "; ".join(told)


def _by_kind(ordered: Sequence[Sequence[Finding]], result: Result, most: int) -> Iterator[Paragraph]:
    """Write one entry for all findings of a kind, and one line for those that have no room."""
    shown = most - 1 if len(ordered) > most else len(ordered)
    for alike in ordered[:shown]:
        mark, when, ink = _marked(alike[0], _origin(result))
        times = times_text(alike, result.findings)
        yield item(mark, when, f"{sentence(alike)} ({_place(alike)}{times and f', {times}'})", ink=ink)
    if ordered[shown:]:
        yield _only_named(ordered[shown:], "more")


def _only_named(ordered: Sequence[Sequence[Finding]], what: str) -> Paragraph:
    """Return a line that names kinds of findings, the steps of one rule together."""
    named = steps_by_rule((it[0].rule, it[0].step) for it in ordered)
    return item(sign(ordered[0][0].outcome), f"{len(ordered)} {what}, written out with --all: {named}")


def _place(alike: Sequence[Finding]) -> str:
    """Return which rule and step found the same."""
    first = alike[0]
    return place(first) if len(alike) == 1 else place_of(first.rule, None, first.step)


def _marked(finding: Finding, origin_ns: int | None) -> tuple[str, str, TextStyle]:
    """Return what stands before a finding: its sign, its moment and the ink of both."""
    when = "" if finding.time_ns is None or origin_ns is None else f"{moment(finding.time_ns, origin_ns)}  "
    return sign(finding.outcome), when, TextStyle.WRONG if finding.outcome.is_fault else TextStyle.STRONG


def _written_out(findings: Sequence[Finding], result: Result) -> Iterator[Paragraph]:
    """Write every finding out."""
    for finding in findings:
        mark, when, ink = _marked(finding, _origin(result))
        yield item(mark, when, f"{place(finding)}: ", StyledText(OUTCOME_WORDS[finding.outcome], ink), ink=ink)
        yield paragraph(sentence((finding,)), indent=MARGIN)
        if small := small_print(finding):
            yield paragraph(StyledText(small, TextStyle.FAINT), indent=MARGIN)


def _origin(result: Result) -> int | None:
    """Return the axis time that moments are counted from; None where the log tells an order only."""
    return None if result.stats.clock is Clock.MISSING else result.origin_ns


def _in_brief(result: Result, doubts: Sequence[Finding]) -> Iterator[Paragraph]:
    """Name what is undecided beside faults, count what is OK, name what was not tested, and add the notes."""
    if doubts:
        yield _only_named(kinds(result, doubts), "undecided")
    broken = {it.rule for it in result.findings.unmet}
    met = {it.rule for it in result.findings.digest()} - broken
    told = [f"{counted(len(met), 'other rule' if broken else 'rule')} OK"] if met else []
    if result.unexercised:
        told.append(f"not tested: {', '.join(map(clean, result.unexercised))}")
    if told:
        yield item(MET_SIGN if met else IDLE_SIGN, "; ".join(told))
    unmet = {(it.rule, it.handshake) for it in result.findings.unmet}
    # How a handshake ended that a finding is about, the finding says.
    told_of = [it for it in result.handshakes.made if (it.rule, it.number) not in unmet]
    yield from (item(" ", note) for note in (*_of_whole(result), *_endings(result, told_of)))


def small_print(finding: Finding) -> str:
    """Return what is allowed and where that comes from; a limit of no length needs no words."""
    limit = finding.limit
    parts = [limit_text(limit)] if limit is not None and (limit.least or limit.most) else []
    if finding.basis:
        parts.append(f"limit source: {clean(finding.basis)}")
    return "; ".join(parts)


def _met(findings: Findings) -> Iterator[Paragraph]:
    """Sum up what is as it should be, in the order of the expectations; rules with the same result share a line."""
    by_rule: dict[str, list[Finding]] = {}
    for finding in findings.digest():
        if finding.outcome is Outcome.MET:
            by_rule.setdefault(finding.rule, []).append(finding)
    rules: dict[str, list[str]] = {}
    for rule, met in by_rule.items():
        steps = [finding for finding in met if finding.step is not None]
        text = _met_steps(steps, findings.met_handshakes(rule)) if steps else _met_throughout(met)
        rules.setdefault(text, []).append(clean(rule))
    yield from (item(MET_SIGN, f"{', '.join(alike)}: {text}") for text, alike in rules.items())


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
        words += f" {span_text(TimeBounds.hull(delays))}"
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
    """Yield what is no finding: how the recording is, and how handshakes ended."""
    yield from _of_recording(result)
    yield from _endings(result, result.handshakes.made)


def _of_recording(result: Result) -> Iterator[str]:
    """Yield how the recording is; which messages are absent from it stands first in a report."""
    yield from _of_whole(result)
    stats = result.stats
    for line, reason, start in stats.skipped:
        yield f"line {line} skipped: {clean(reason)}: {clean(start)}"
    if stats.broken > len(stats.skipped):
        yield f"{counted(stats.broken - len(stats.skipped), 'more line')} skipped"


def _of_whole(result: Result) -> Iterator[str]:
    """Yield what is to be said of the recording as a whole; the header counts the lines that were skipped."""
    told = dict.fromkeys((*result.notes, *result.stats.notes))
    yield from (clean(note) for note in told if note not in result.absent)


def _endings(result: Result, made: Iterable[Handshake]) -> Iterator[str]:
    """Yield which handshakes were cancelled, and which took several tries, the same once."""
    ended: dict[tuple[str, str], list[Handshake]] = {}
    for run in made:
        told = [f"{run.tries} tries"] if run.tries > 1 else []
        told += [f"cancelled: {clean(run.abandoned)}"] if run.abandoned else []
        if told:
            ended.setdefault((run.rule, "; ".join(told)), []).append(run)
    for (rule, how), runs in ended.items():
        name = clean(rule)
        if len(runs) > 1:
            name += f", {len(runs):,} times"
        elif (origin_ns := _origin(result)) is not None:
            name += f" {runs[0].number}, {moment(runs[0].start.earliest_ns, origin_ns)}"
        yield f"{name}: {how}"


def _verdict(result: Result, told: str) -> Paragraph:
    word = VERDICT_WORDS[result.verdict]
    return paragraph(
        StyledText(told[: len(word)], _VERDICT_INKS[result.verdict]),
        StyledText(told[len(word) :], TextStyle.STRONG),
        hang=MARGIN,
    )
