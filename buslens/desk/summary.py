"""From the captures, readings and entries of a job to what its page shows, and to its record."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Final

from buslens.causes.advice import AdviceKind, PredictedResult
from buslens.causes.compare import Conclusion, RepairComparison, RepairEvidence, RepairStatus, compare, trials
from buslens.causes.comparison_input import require_different_frames
from buslens.causes.diagnosis import IN_QUESTION, Diagnosis, diagnose
from buslens.causes.model import CauseKind, Causes, Measurement
from buslens.causes.ranking import Hypothesis
from buslens.causes.repair_statistics import clean_trials_needed, clean_trials_needed_at
from buslens.causes.session import Session, load_session
from buslens.checks.findings import Result, Verdict
from buslens.checks.phrases import plain
from buslens.desk.folder import JOB_FILE, SESSION_FILE
from buslens.desk.layouts import layout_file, layout_view
from buslens.desk.plain_words import without_options
from buslens.desk.task import Checked, DeskTask
from buslens.desk.view import (
    CaptureView,
    CauseView,
    ChangeView,
    JobView,
    MeasurementView,
    ProofView,
    ResultView,
    TallyView,
    WrongView,
)
from buslens.errors import BuslensError, UsageError
from buslens.expectations.model import Sequence as SequenceRule
from buslens.files import os_error_text
from buslens.report.comparison import conclusion_sentence, quiet_line, side_text, still_needed
from buslens.report.diagnosis import NOT_TOLD_APART, NOT_TOLD_APART_YET, WORTH_TELLING, last_line, limits_of, share
from buslens.report.finding_kinds import answer, kinds
from buslens.report.formatting import capitalised, clean, limit_text, verdict_sentence
from buslens.report.guide import Guide
from buslens.report.page.first_screen import case_text
from buslens.report.page.page import first_screen
from buslens.report.record.diagram import strips
from buslens.report.record.job import JobDetails, load_job, stated_rate
from buslens.report.safety_notes import CAUTIONS
from buslens.report.strip import informative
from buslens.report.text import recording

_GRAVITY: Final = (Verdict.FAULTY, Verdict.UNDECIDED, Verdict.AS_EXPECTED)
_MOST_CAUSES: Final = 4
_MOST_LEFT: Final = 3
_WRONG: Final = frozenset({RepairStatus.STILL_WRONG, RepairStatus.NEW})


def summary(task: DeskTask, before: Sequence[Result], after: Sequence[Result], causes: Causes | None) -> JobView:
    """Return what the page of a job shows.

    Parameters
    ----------
    task : DeskTask
        Where the job stands; its folder is the current one.
    before, after : sequence of Result
        The captures that could be read.
    causes : Causes or None
        None where no causes file lies beside the expectations.
    """
    results = {(side, Path(it.path).name): it for side, one in (("before", before), ("after", after)) for it in one}
    captures = tuple(_capture(task, it, results.get((it.side, it.name))) for it in task.checked)
    view = JobView(captures=captures, expectations=Path(task.expectations).name, cautions=CAUTIONS)
    if not before:
        return view
    gravest = min(before, key=lambda it: _GRAVITY.index(it.verdict))
    try:
        job, session = load_job(JOB_FILE), load_session(SESSION_FILE)
        diagnosis = None if causes is None else _diagnosis(before, causes, session)
        view = replace(view, wrong=_wrong(gravest, diagnosis), proof=_proof(job, before, after, diagnosis))
        return view if diagnosis is None else _explained(view, diagnosis, session)
    except BuslensError as error:
        return replace(view, wrong=view.wrong or _wrong(gravest, None), problem=without_options(str(error)))
    except OSError as error:
        return replace(view, wrong=view.wrong or _wrong(gravest, None), problem=os_error_text(error))


def _diagnosis(before: Sequence[Result], causes: Causes, session: Session) -> Diagnosis:
    return diagnose(before, causes, session.readings(causes), skipped=session.skipped)


# --- captures, and what is wrong ------------------------------------------------------------------------


def _capture(task: DeskTask, checked: Checked, result: Result | None) -> CaptureView:
    capture = f"{checked.side}/{checked.name}"
    layout = layout_view(Path(capture), layout_file(task, capture))
    if result is None:
        problem = checked.problem.removeprefix(f"{capture}: ")
        told = without_options(clean(problem))
        return CaptureView(side=checked.side, name=checked.name, sentence=told, layout=layout)
    return CaptureView(
        side=checked.side,
        name=checked.name,
        verdict=result.verdict.value,
        sentence=verdict_sentence(result),
        facts=", ".join(recording(result.stats)),
        layout=layout if layout is not None and layout.said else None,
    )


def _wrong(result: Result, diagnosis: Diagnosis | None) -> WrongView:
    evidence, findings = first_screen(result, diagnosis)
    return WrongView(
        name=Path(result.path).name,
        verdict=result.verdict.value,
        sentence=answer(result, kinds(result, result.findings.unmet)),
        evidence=evidence,
        findings=findings,
        is_faulty=result.verdict is Verdict.FAULTY,
    )


# --- causes and measurements ----------------------------------------------------------------------------


def _explained(view: JobView, diagnosis: Diagnosis, session: Session) -> JobView:
    causes = diagnosis.causes
    advice = diagnosis.advice
    outlooks = {it.result: it for it in advice.outlooks}
    readings = {it.measurement: it for it in diagnosis.readings}
    shown = {
        name: _measurement(it, readings[name].text if name in readings else "")
        for name, it in causes.measurements.items()
    }
    shown |= {name: replace(shown[name], result=it.result) for name, it in readings.items()}
    coming = None
    if advice.measurement is not None:
        coming = _measurement(advice.measurement, "", outlooks)
    next_name = "" if coming is None else coming.name
    skipped = [name for name in session.skipped if name in shown and name not in readings]
    # What is likely comes first, the rest as the file lists it.
    ranks = {it.name: rank for rank, it in enumerate(diagnosis.ranking.hypotheses)}
    known = tuple(
        (it.name, clean(it.title))
        for it in sorted(causes.causes.values(), key=lambda it: ranks.get(it.name, len(ranks)))
        if it.kind not in {CauseKind.OTHER, CauseKind.NOTHING}
    )
    return replace(
        view,
        step=advice.step.value,
        advice="" if advice.step is AdviceKind.MEASURE else last_line(diagnosis),
        causes=tuple(_causes(diagnosis)) if advice.step.is_work else (),
        apart=_apart(diagnosis),
        unexplained=tuple(clean(it.sign.shows) for it in diagnosis.unexplained),
        next=coming,
        made=tuple(shown[name] for name in readings),
        skipped=tuple(shown[name] for name in skipped),
        others=tuple(it for name, it in shown.items() if name not in {next_name, *readings, *skipped}),
        causes_file=Path(causes.path).name,
        basis=clean(causes.numbers.basis),
        known_causes=known,
    )


def _causes(diagnosis: Diagnosis) -> Iterator[CauseView]:
    ranking = diagnosis.ranking
    before: Mapping[str, float] = {}
    if diagnosis.readings:
        earlier = diagnose(diagnosis.results, diagnosis.causes, diagnosis.readings[:-1])
        before = {it.name: it.posterior for it in earlier.ranking.hypotheses}
    shown = [it for it in ranking.hypotheses if it.posterior >= WORTH_TELLING][:_MOST_CAUSES]
    # What fell by the latest reading is worth a line, too.
    fallen = [it for it in ranking.hypotheses if it not in shown and before.get(it.name, 0.0) >= 0.1]
    leading = {it.name for it in ranking.groups[0]}
    for it in [*shown, *fallen]:
        yield _cause(diagnosis, it, before, is_leading=it.name in leading)
    rest = 1.0 - sum(it.posterior for it in [*shown, *fallen])
    if rest >= WORTH_TELLING:
        was = 1.0 - sum(before.get(it.name, 0.0) for it in [*shown, *fallen]) if before else None
        yield CauseView(
            name="", title="everything else", share=share(rest), percent=100 * rest, percent_before=_percent(was)
        )


def _cause(diagnosis: Diagnosis, hypothesis: Hypothesis, before: Mapping[str, float], *, is_leading: bool) -> CauseView:
    return CauseView(
        name=hypothesis.name,
        title=clean(hypothesis.title),
        share=share(hypothesis.posterior),
        percent=100 * hypothesis.posterior,
        percent_before=_percent(before.get(hypothesis.name, 0.0)) if before else None,
        case=case_text(diagnosis, hypothesis),
        repair=clean(hypothesis.repair),
        cautions=tuple(map(clean, hypothesis.cautions)),
        is_leading=is_leading,
    )


def _percent(probability: float | None) -> float | None:
    return None if probability is None else 100 * min(max(probability, 0.0), 1.0)


def _apart(diagnosis: Diagnosis) -> str:
    group = [it for it in diagnosis.ranking.groups[0] if it.posterior >= IN_QUESTION]
    if len(group) < 2:
        return ""
    return capitalised(NOT_TOLD_APART_YET if diagnosis.readings else NOT_TOLD_APART)


def _measurement(
    measurement: Measurement, reading: str, outlooks: Mapping[str, PredictedResult] | None = None
) -> MeasurementView:
    expected = measurement.result(measurement.expect)
    return MeasurementView(
        name=measurement.name,
        title=plain(measurement.name),
        do=clean(measurement.do),
        where=clean(measurement.where),
        state=clean(measurement.state),
        minutes=f"{measurement.minutes:g} min",
        unit=clean(measurement.unit),
        expected=limits_of(expected, measurement.unit) or plain(expected.name),
        cautions=tuple(clean(it) for it in measurement.cautions),
        basis=clean(measurement.basis),
        results=tuple(
            _result(measurement, window.name, (outlooks or {}).get(window.name)) for window in measurement.results
        ),
        reading=clean(reading),
    )


def _result(measurement: Measurement, name: str, outlook: PredictedResult | None) -> ResultView:
    window = measurement.result(name)
    leaves = () if outlook is None else outlook.leaves
    return ResultView(
        name=name,
        words=plain(name),
        limits=limits_of(window, measurement.unit),
        means=clean(window.means),
        chance="" if outlook is None else share(outlook.probability),
        leaves=", ".join(f"{clean(it.title)} {share(chance)}" for it, chance in leaves[:_MOST_LEFT]),
    )


# --- the proof ------------------------------------------------------------------------------------------


def compared(job: JobDetails, before: Sequence[Result], after: Sequence[Result]) -> RepairComparison:
    """Return both sides of a job, compared; UsageError if a recording is there twice."""
    require_different_frames([*before, *after])
    return compare(before, after, **stated_rate(job))


def _proof(
    job: JobDetails, before: Sequence[Result], after: Sequence[Result], diagnosis: Diagnosis | None
) -> ProofView:
    # What has to happen at the car for each handshake to run.
    how = tuple(f"{capitalised(it.name)}: {it.words}" for it in Guide(before[0].expectations.rules).items())
    if not after:
        tallies = tuple(_needed(job, before))
        return ProofView(tallies=tallies, how=how)
    try:
        comparison = compared(job, before, after)
    except UsageError as error:
        return ProofView(problem=without_options(str(error)), how=how)
    sides = [("Before the repair", _gravest(before)), ("After the repair", _gravest(after))]
    clue = None if diagnosis is None else informative(diagnosis)
    return ProofView(
        sentence=without_options(conclusion_sentence(comparison)),
        conclusion=comparison.conclusion.value,
        more=still_needed(comparison),
        tallies=tuple(_tally(it) for it in comparison.proofs if it.needed is not None),
        changes=tuple(_changes(comparison)),
        lines=tuple(f"{clean(it.rule)}: {quiet_line(it)}" for it in comparison.quiets),
        notes=tuple(clean(it) for it in comparison.notes),
        how=() if comparison.conclusion is Conclusion.REPAIRED else how,
        figures=tuple((name, str(drawn)) for name, drawn in strips(sides, clue)),
    )


def _gravest(results: Sequence[Result]) -> Result:
    return min(results, key=lambda it: _GRAVITY.index(it.verdict))


def _tally(proof: RepairEvidence) -> TallyView:
    failed, of = proof.history if proof.known_rate is None else proof.known_rate
    words = _failed_before(failed, of, is_stated=(failed, of) != (proof.before.failed, proof.before.judged))
    if proof.after.failed:
        words += f" Since then it failed in {proof.after.failed:,} of {proof.after.judged:,}."
    if proof.after.unjudged:
        words += f" {proof.after.unjudged:,} more since then, cancelled or undecided, prove nothing."
    return TallyView(rule=clean(proof.rule), words=words, clean=proof.after.clean, needed=proof.needed)


def _failed_before(failed: int, of: int, *, is_stated: bool) -> str:
    return f"It failed in {failed:,} of {of:,} before the repair{', as stated' if is_stated else ''}."


def _needed(job: JobDetails, before: Sequence[Result]) -> Iterator[TallyView]:
    """Yield how many complete handshakes will be needed, for each rule that failed."""
    for rule in before[0].expectations.rules:
        if not isinstance(rule, SequenceRule):
            continue
        side = trials(before, rule.name)
        stated = stated_rate(job)
        if not side.failed:
            continue
        if "known_rate" in stated:
            failed, of = stated["known_rate"]
            needed = clean_trials_needed_at(failed / of)
        else:
            failed, of = stated.get("history", (side.failed, side.judged))
            needed = clean_trials_needed(failed, of)
        words = _failed_before(failed, of, is_stated=bool(stated))
        yield TallyView(rule=clean(rule.name), words=words, clean=0, needed=needed)


def _changes(comparison: RepairComparison) -> Iterator[ChangeView]:
    ordered = sorted(comparison.compared, key=lambda it: it.change not in _WRONG)
    for it in ordered:
        if it.change is RepairStatus.GOOD and it.step is None:
            continue
        yield ChangeView(
            name=clean(it.rule if it.step is None else f"{it.rule}, {it.step}"),
            change=it.change.value,
            before=side_text(it, it.before),
            after=side_text(it, it.after),
            allowed="" if it.limit is None or it.step is None else limit_text(it.limit).removeprefix("limit "),
            is_wrong=it.change in _WRONG,
        )


# --- the record -----------------------------------------------------------------------------------------


def record_of(before: Sequence[Result], after: Sequence[Result], causes: Causes | None) -> bytes:
    """Return the record of a job as it stands: the one that `buslens record` writes in its folder.

    Raises BuslensError or OSError if there is no capture, or a file has changed meanwhile.
    """
    from buslens.report.record.gather import explained, heard, rules, taken
    from buslens.report.record.inputs import require_unchanged
    from buslens.report.record.record import record

    if not before and not after:
        raise UsageError("a record needs a capture that can be read; drop one first")
    job = load_job(JOB_FILE)
    comparison = compared(job, before, after) if before and after else None
    side = before or after
    inputs = taken([JOB_FILE], "what was entered") + taken([it.path for it in [*after, *before]], "capture")
    inputs += rules([*before, *after])
    suspects = None
    session = load_session(SESSION_FILE)
    if causes is not None and (session.measured or any(it.verdict is not Verdict.AS_EXPECTED for it in side)):
        file = SESSION_FILE if session.measured else None
        suspects, read = explained(side, causes, session.readings(causes), session=file)
        inputs += read
    dialogues = heard([*before, *after])
    page = record(job, after or before, inputs, comparison=comparison, suspects=suspects, dialogues=dialogues)
    require_unchanged(inputs)
    return page
