"""Before and after a repair, as text for a person and as part of a JSON document."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import asdict
from typing import Any, Final

from buslens.causes.compare import (
    ComparedItem,
    Conclusion,
    FaultFreeTime,
    RepairComparison,
    RepairEvidence,
    RepairStatus,
    SideSummary,
    TrialCounts,
)
from buslens.causes.repair_statistics import CONFIDENCE
from buslens.checks.findings import Result, TimeBounds, Verdict
from buslens.checks.phrases import span_text
from buslens.report.document import SCHEMA, capture_entry, seconds_of, span_entry
from buslens.report.finding_kinds import steps_by_rule
from buslens.report.formatting import (
    DOUBT_SIGN,
    MET_SIGN,
    OUTCOME_WORDS,
    VERDICT_WORDS,
    WRONG_SIGN,
    capitalised,
    clean,
    counted,
    limit_text,
    seconds,
)
from buslens.report.paragraphs import MARGIN, Paragraph, StyledText, TextStyle, item, paragraph, render, section
from buslens.report.safety_notes import CAUTIONS, RECORDING_CAUTIONS, safety_notes
from buslens.units import NS_PER_S

CONCLUSION_WORDS: Final = {
    Conclusion.NOT_REPAIRED: "not repaired",
    Conclusion.NOT_PROVED: "repair not yet confirmed",
    Conclusion.REPAIRED: "repaired",
    Conclusion.NOTHING_TO_PROVE: "nothing to prove",
}
"""What a person calls a conclusion."""

_PROVED: Final = "Proved means: a vehicle that still has the fault would do as well in at most 5 % of cases"

METHOD: Final = (
    f"{_PROVED} (Fisher's exact test of the handshakes; (1 - rate)^n for a stated rate; the conditional test of two "
    "Poisson counts outside handshakes). It holds if every handshake before the repair is counted, also the good ones, "
    "and if those since were tried at the same temperature, with the same battery and in the same way."
)
"""Where the numbers come from, and what they rest on."""

_SECTIONS: Final = (
    ("Not fixed", WRONG_SIGN, (RepairStatus.STILL_WRONG,)),
    ("New faults", WRONG_SIGN, (RepairStatus.NEW,)),
    ("Fixed", MET_SIGN, (RepairStatus.MENDED,)),
    ("Undecided now", DOUBT_SIGN, (RepairStatus.UNDECIDED,)),
)


def text(
    comparison: RepairComparison, *, width: int | None = None, painted: bool = False, in_full: bool = False
) -> str:
    """Return the report on a comparison; `in_full` with all that is OK, and with the method behind the numbers."""
    return render(_report(comparison, in_full=in_full), width=width, painted=painted)


def conclusion_sentence(comparison: RepairComparison) -> str:
    """Return what the two sides add up to, and what is missing for more."""
    word = capitalised(CONCLUSION_WORDS[comparison.conclusion])
    if comparison.conclusion is Conclusion.REPAIRED and any(proof.known_rate for proof in comparison.proofs):
        word += ", if the stated rate is right"
    return f"{word}: {_why(comparison)}"


def side_text(compared: ComparedItem, side: SideSummary) -> str:
    """Return what one rule or step came to on one side, such as ``late, 2 of 2, 687 to 733 ms``."""
    if side.worst is None:
        return "not tested"
    words = OUTCOME_WORDS[side.worst]
    if compared.step is None:
        # Of other rules than sequences a finding that is met sums up all the rest: there is no whole to be part of.
        return words if not (side.wrong or side.undecided) else f"{words}, {_times(side.wrong or side.undecided)}"
    if side.judged > 1:
        words += f", {side.wrong or side.undecided or side.met} of {side.judged}"
    return words if side.delay is None else f"{words}, {span_text(side.delay)}"


def shift_text(compared: ComparedItem) -> str:
    """Return by how much a delay changed where the log shows that it did; empty where it may be the same."""
    before, after = compared.before.delay, compared.after.delay
    if compared.step is None:
        return ""
    if before is None or after is None or before.latest_ns is None or after.latest_ns is None:
        return ""
    is_shorter = after.latest_ns < before.earliest_ns
    if not is_shorter and before.latest_ns >= after.earliest_ns:
        return ""
    more, less = (before, after) if is_shorter else (after, before)
    shift = TimeBounds(earliest_ns=more.earliest_ns - less.end_ns, latest_ns=more.end_ns - less.earliest_ns)
    return f"{'shorter' if is_shorter else 'longer'} by {span_text(shift)}"


def proof_lines(proof: RepairEvidence) -> Iterator[str]:
    """Yield what the handshakes of one sequence prove: before, since, and how many more are needed."""
    failed, of = proof.history
    if (failed, of) == (proof.before.failed, proof.before.judged):
        yield f"before: {_trials(proof.before)}"
    else:
        yield f"before: failed in {failed:,} of {counted(of, 'handshake')}, as told"
    yield f"since: {_trials(proof.after)}"
    if proof.needed is None or proof.after.failed:
        return
    more = f", {proof.missing:,} more would prove it" if proof.missing else ": proved"
    yield f"{counted(proof.needed, 'clean handshake')} needed for 95 %{more}{_assumed([proof])}"


def quiet_line(quiet: FaultFreeTime) -> str:
    """Return how much it proves that something did not come again."""
    came = f"came {_times(quiet.events)} outside any handshake in {seconds(quiet.before_ns)}"
    needed = f"{seconds(quiet.needed_ns)} needed for 95 % if it comes at random"
    more = f", {seconds(quiet.missing_ns)} more would prove it" if quiet.missing_ns else ": proved"
    return f"{came}; {seconds(quiet.after_ns)} recorded without it since; {needed}{more}"


def document(comparison: RepairComparison) -> dict[str, Any]:
    """Return the JSON document of a comparison: the captures after the repair as in every document, and the rest.

    Times are seconds as Decimals; `buslens.report.document.dumps` writes them.
    """
    return {
        "schema": SCHEMA,
        "captures": [capture_entry(result) for result in comparison.after],
        "before": [capture_entry(result) for result in comparison.before],
        "comparison": entry(comparison),
    }


def entry(comparison: RepairComparison) -> dict[str, Any]:
    """Return what the captures of both sides add up to, as plain data."""
    return {
        "conclusion": comparison.conclusion.value,
        "sentence": conclusion_sentence(comparison),
        "changes": [
            {
                "rule": one.rule,
                "step": one.step,
                "change": one.change.name.lower(),
                "before": _side_entry(one.before),
                "after": _side_entry(one.after),
            }
            for one in comparison.compared
        ],
        "proofs": [_proof_entry(proof) for proof in comparison.proofs],
        "outside_handshakes": [
            {
                "rule": quiet.rule,
                "events_before": quiet.events,
                "recorded_before": seconds_of(quiet.before_ns),
                "recorded_after": seconds_of(quiet.after_ns),
                "needed": seconds_of(quiet.needed_ns),
                "missing": seconds_of(quiet.missing_ns),
            }
            for quiet in comparison.quiets
        ],
        "confidence": CONFIDENCE,
        "method": METHOD,
        "notes": list(comparison.notes),
    }


def _report(comparison: RepairComparison, *, in_full: bool) -> Iterator[Paragraph]:
    word, _, rest = conclusion_sentence(comparison).partition(":")
    ink = TextStyle.WRONG if comparison.conclusion is Conclusion.NOT_REPAIRED else TextStyle.STRONG
    yield paragraph(StyledText(word, ink), StyledText(f":{rest}", TextStyle.STRONG), hang=MARGIN)
    yield from _captures("Before", comparison.before)
    yield from _captures("After", comparison.after)
    for title, mark, changes in _SECTIONS:
        yield from section(title, _changes(mark, comparison.with_change(*changes), in_full=in_full))
    lost = [one for one in comparison.with_change(RepairStatus.NOT_JUDGED) if one.before.wrong]
    yield from section("Not retested", _changes(DOUBT_SIGN, lost, in_full=in_full))
    good = comparison.with_change(RepairStatus.GOOD)
    yield from section("OK now", _good(good, in_full=in_full))
    yield from section("Confidence in the repair", _proved(comparison, in_full=in_full))
    yield from section("Notes", (paragraph(clean(note), indent=MARGIN) for note in comparison.notes))
    if comparison.conclusion is not Conclusion.REPAIRED:
        is_wrong = comparison.conclusion is Conclusion.NOT_REPAIRED
        yield from safety_notes(CAUTIONS if is_wrong else RECORDING_CAUTIONS)


def _captures(title: str, results: Sequence[Result]) -> Iterator[Paragraph]:
    for index, result in enumerate(results):
        ink = TextStyle.WRONG if result.verdict is Verdict.FAULTY else TextStyle.STRONG
        yield paragraph(
            StyledText(f"{title if index == 0 else '':<8}", TextStyle.STRONG),
            f"{clean(result.path)}: ",
            StyledText(VERDICT_WORDS[result.verdict], ink),
            hang=8,
        )


def _changes(mark: str, compared: Sequence[ComparedItem], *, in_full: bool) -> Iterator[Paragraph]:
    """Yield what became of steps and rules; those of which the same is said share a line."""
    named: dict[str, list[ComparedItem]] = {}
    for one in compared:
        named.setdefault(change_text(one), []).append(one)
    for words, alike in named.items():
        ink = TextStyle.WRONG if mark == WRONG_SIGN else TextStyle.PLAIN
        yield item(mark, f"{_named(alike)}: {words}", ink=ink)
        if mark == WRONG_SIGN and in_full:
            yield from (paragraph(clean(one.after.reason), indent=MARGIN) for one in alike if one.after.reason)


def _good(good: Sequence[ComparedItem], *, in_full: bool) -> Iterator[Paragraph]:
    """Yield what is OK now and was never found wrong; in figures only where a delay is another one than before."""
    yield from _changes(MET_SIGN, [one for one in good if shift_text(one)], in_full=in_full)
    same = [(one.rule, one.step) for one in good if not shift_text(one)]
    if same:
        yield item(MET_SIGN, steps_by_rule(same) if in_full else f"{len(same):,} other steps and rules")


def change_text(compared: ComparedItem) -> str:
    """Return one rule or step before and after in one line."""
    words = f"before {side_text(compared, compared.before)}; after {side_text(compared, compared.after)}"
    extras = [shift_text(compared)] if shift_text(compared) else []
    if compared.limit is not None and compared.step is not None:
        extras.append(limit_text(compared.limit))
    return f"{words} ({'; '.join(extras)})" if extras else words


def _proved(comparison: RepairComparison, *, in_full: bool) -> Iterator[Paragraph]:
    for proof in comparison.proofs:
        yield item(_proof_sign(proof), f"{clean(proof.rule)}; {'; '.join(proof_lines(proof))}")
    for quiet in comparison.quiets:
        yield item(DOUBT_SIGN if quiet.missing_ns else MET_SIGN, f"{clean(quiet.rule)}: {quiet_line(quiet)}")
    meaning = METHOD if in_full else f"{_PROVED}; --all says more."
    yield paragraph(StyledText(meaning, TextStyle.FAINT), indent=MARGIN)


def _proof_sign(proof: RepairEvidence) -> str:
    if proof.after.failed:
        return WRONG_SIGN
    return DOUBT_SIGN if proof.missing or not proof.after.clean else MET_SIGN


def _why(comparison: RepairComparison) -> str:
    match comparison.conclusion:
        case Conclusion.NOT_REPAIRED:
            return next(clean(it.summary) for it in comparison.after if it.verdict is Verdict.FAULTY)
        case Conclusion.NOTHING_TO_PROVE:
            more = "; give one that does, or say how often it failed with --failed K/M"
            if not comparison.proofs:
                more = (
                    ", and no capture holds a handshake that could be counted; record again while the lock is at work"
                )
            return f"the captures before the repair show nothing faulty{more}"
        case Conclusion.REPAIRED:
            counts = [
                f"{clean(proof.rule)} failed in {_rate_text(proof)}, and in none of {proof.after.clean:,} since"
                for proof in comparison.proofs
                if proof.needed
            ]
            counts += [
                f"{clean(it.rule)} came {_times(it.events)} in {seconds(it.before_ns)} before, and not in "
                f"{seconds(it.after_ns)} since"
                for it in comparison.quiets
            ]
            return "; ".join(counts)
        case Conclusion.NOT_PROVED:
            return _lacking(comparison)


def _lacking(comparison: RepairComparison) -> str:
    """Return what was seen since the repair, and what more would prove it."""
    proofs = [proof for proof in comparison.proofs if proof.missing]
    quiets = [quiet for quiet in comparison.quiets if quiet.missing_ns]
    one = len(proofs) + len(quiets) == 1
    seen = [_runs(proof.after.clean, "handshake" if one else proof.rule) for proof in proofs]
    if quiets:
        shortest = min(quiets, key=lambda it: it.after_ns)
        seen.append(f"{seconds(shortest.after_ns)} of watching {_and([clean(it.rule) for it in quiets])}")
    more = f"{proofs[0].missing:,} more" if one and proofs else still_needed(comparison)
    parts = [f"nothing wrong in {_and(seen)} since; {more} would prove it{_assumed(proofs)}"] if seen else []
    unseen = [
        one
        for one in comparison.compared
        if one.before.wrong and one.change in {RepairStatus.UNDECIDED, RepairStatus.NOT_JUDGED}
    ]
    if unseen:
        parts.append(f"this was wrong before and was not tested since: {_named(unseen)}")
    return "; ".join(parts)


def still_needed(comparison: RepairComparison) -> str:
    """Return what has still to be recorded without a fault, such as ``4 more lock handshakes``; empty for nothing."""
    more = [_runs(proof.missing, proof.rule, "more ") for proof in comparison.proofs if proof.missing]
    missing_ns = max((it.missing_ns for it in comparison.quiets), default=0)
    if missing_ns:
        more.append(f"{-(-missing_ns // NS_PER_S):,} s more" if more else f"{-(-missing_ns // NS_PER_S):,} s")
    return _and(more) if more else ""


def _runs(number: int, rule: str, more: str = "") -> str:
    """Return handshakes of a rule in words, whatever it is called."""
    name = clean(rule)
    if name.endswith("handshake"):
        return counted(number, f"{more}{name}")
    return f"{counted(number, f'{more}handshake')} ({name})"


def _rate_text(proof: RepairEvidence) -> str:
    failed, of = proof.history if proof.known_rate is None else proof.known_rate
    return f"{failed:,} of {of:,} before{'' if proof.known_rate is None else ', as stated'}"


def _assumed(proofs: Iterable[RepairEvidence]) -> str:
    """Return the assumption that a number of handshakes rests on; empty if it rests on counts."""
    rates = [proof.known_rate for proof in proofs if proof.known_rate is not None]
    return f", if it really failed in {rates[0][0]:,} of {rates[0][1]:,} handshakes as stated" if rates else ""


def _named(compared: Iterable[ComparedItem]) -> str:
    return "; ".join(clean(one.name) for one in compared)


def _and(parts: Sequence[str]) -> str:
    return parts[0] if len(parts) == 1 else f"{', '.join(parts[:-1])} and {parts[-1]}"


def _trials(trials: TrialCounts) -> str:
    if not trials.judged and not trials.unjudged:
        return "no handshake"
    words = f"{counted(trials.clean, 'clean handshake')}, {trials.failed} failed"
    return f"{words}, {trials.unjudged} cancelled or undecided, which prove nothing" if trials.unjudged else words


def _times(number: int) -> str:
    return {1: "once", 2: "twice"}.get(number, f"{number:,} times")


def _side_entry(side: SideSummary) -> dict[str, Any]:
    return {
        "met": side.met,
        "wrong": side.wrong,
        "undecided": side.undecided,
        "worst": None if side.worst is None else side.worst.value,
        "reason": side.reason or None,
        "delays": [span_entry(span) for span in side.delays],
    }


def _proof_entry(proof: RepairEvidence) -> dict[str, Any]:
    known, now = proof.known_rate, proof.after
    # Eypasch and others, BMJ 311:619 (1995).
    by_three = min(3 / now.clean, 1.0) if now.clean and not now.failed else None
    return {
        "rule": proof.rule,
        "before": asdict(proof.before),
        "after": asdict(proof.after),
        "failed_before": {"failed": proof.history[0], "of": proof.history[1]},
        "rate_before_interval": None if proof.history_interval is None else list(proof.history_interval),
        "stated_rate": None if known is None else {"failed": known[0], "of": known[1]},
        "remaining_rate_at_most": {"exact": proof.upper, "rule_of_three": by_three},
        "clean_needed": proof.needed,
        "clean_missing": proof.missing if proof.needed is not None else None,
        "chance_if_unchanged": proof.unchanged,
    }
