"""The first screen: what happened, why, what to do at the car, and the evidence."""

from collections.abc import Mapping, Sequence
from typing import Final

from buslens.causes.advice import AdviceKind, PredictedResult
from buslens.causes.diagnosis import Diagnosis
from buslens.causes.model import Measurement
from buslens.causes.ranking import Hypothesis
from buslens.causes.signs import Observation
from buslens.checks.findings import Result
from buslens.checks.phrases import plain
from buslens.report.diagnosis import NOT_TOLD_APART, WORTH_TELLING, last_line, limits_of, share
from buslens.report.formatting import capitalised, clean, verdict_sentence
from buslens.report.page.drawing import strip_svg
from buslens.report.record.markup import Markup
from buslens.report.safety_notes import CAUTIONS, cautions_for
from buslens.report.strip import MOST_LANES, evidence_strip, informative
from buslens.report.templates import part
from buslens.units import NS_PER_S

_MOST_CAUSES: Final = 4
_NEAR: Final = 6
"""Of causes that fit alike, those whose share is a smaller part of the first one's are named with the others."""
_MOST_AGAINST: Final = 3
_MOST_NAMED: Final = 2
_LIKELY: Final = 0.01
_MOVES: Final = 0.02
"""Results that are less likely, or that would leave the leading cause as likely as it is, are not listed."""


def evidence_html(
    result: Result, diagnosis: Diagnosis | None, numbers: Mapping[int, int], *, most: int = MOST_LANES
) -> Markup:
    """Return the evidence as a figure; empty where there is none."""
    strip = evidence_strip(result, None if diagnosis is None else informative(diagnosis), most=most)
    if strip is None:
        return Markup("")
    names = ", ".join(result.expectations.shown_name(role) for role in strip.roles)
    label = f"Lanes over time: {names}. {verdict_sentence(result)}"
    run = strip.handshake
    around = "" if run is None else f", around {clean(run.rule)} {run.number}"
    return _part("evidence", around, Markup(strip_svg(result, strip, numbers, label)))


def likely_html(diagnosis: Diagnosis | None) -> Markup:
    """Return the line under the verdict: what it most likely is, and what fits as well; empty without causes."""
    if diagnosis is None or not diagnosis.advice.step.is_work:
        return Markup("")
    leading, alike = _leading(diagnosis)
    more = len(leading) - _MOST_NAMED if alike else 0
    return _part("likely", leading[:_MOST_NAMED], max(more, 0))


def _leading(diagnosis: Diagnosis) -> tuple[Sequence[Hypothesis], bool]:
    """Return the causes to name, the most probable first, and whether the log fits all of them alike.

    They are those that the log fits as well as the first, and any other that is at least half as probable.
    """
    first, group = diagnosis.ranking.hypotheses[0], diagnosis.ranking.groups[0]
    named = {id(it) for it in group if it.posterior >= max(first.posterior / _NEAR, WORTH_TELLING)}
    rivals = {id(it) for it in diagnosis.ranking.hypotheses if it.posterior >= first.posterior / 2}
    chosen = [it for it in diagnosis.ranking.hypotheses if id(it) in named | rivals | {id(first)}][:_MOST_CAUSES]
    return chosen, {id(it) for it in chosen} <= {id(it) for it in group}


def _part(name: str, *values: object) -> Markup:
    """Return a part of the template."""
    return part(
        __package__,
        "first_screen.html",
        name,
        *values,
        capitalised=capitalised,
        chance=lambda it: share(it.posterior).replace("<", "< ").replace(">", "> "),
        not_told_apart=NOT_TOLD_APART,
    )


def side_html(result: Result, diagnosis: Diagnosis | None) -> Markup:
    """Return the leading cause with what speaks for and against it, what to do next, and the cautions for it."""
    cautions = cautions_for(result.verdict)
    parts, why, title = [], "", "Why"
    if diagnosis is not None and diagnosis.advice.step.is_work:
        parts = [_causes(diagnosis), _next(diagnosis)]
        if any(cause.kind.is_in_vehicle for cause in diagnosis.ranking.hypotheses[0].causes):
            cautions = CAUTIONS
    elif diagnosis is not None:
        why = last_line(diagnosis)
        if diagnosis.advice.step is AdviceKind.RECORD:
            # What is missing is the sentence above; here stands what to do about it.
            title, why = "Do next at the car", capitalised("".join(why.partition("record again")[1:]) or why)
    return _part("side", parts, title, why, cautions)


def _causes(diagnosis: Diagnosis) -> Markup:
    members, alike = _leading(diagnosis)
    named = {id(it) for it in members}
    others = [it for it in diagnosis.ranking.hypotheses if id(it) not in named and it.posterior >= WORTH_TELLING]
    told = ", ".join(f"{clean(it.title)} {share(it.posterior)}" for it in others[:_MOST_CAUSES])
    more = f", and {len(others) - _MOST_CAUSES} more" if len(others) > _MOST_CAUSES else ""
    return _part("causes", members, alike, case_text(diagnosis, members[0]), told + more)


def case_text(diagnosis: Diagnosis, hypothesis: Hypothesis) -> str:
    """Return what speaks for a cause and what against, two short sentences."""
    found = diagnosis.case(hypothesis)
    readings = {it.measurement: it.text for it in diagnosis.readings}
    for_ = [_shown(it) for it in found.signs_for]
    for_ += [f"{plain(name)} {clean(readings[name])}" for name in found.readings_for]
    against = [_shown(it) for it in found.unexplained]
    against += [f"the log does not show that {clean(it.sign.shows)}" for it in found.missed]
    against += [f"{plain(name)} {clean(readings[name])}" for name in found.readings_against]
    told = [f"For it: {'; '.join(for_)}." if for_ else "Nothing in the log speaks for it."]
    if against:
        told.append(f"Against it: {'; '.join(against[:_MOST_AGAINST])}.")
    else:
        told.append("Nothing found against it.")
    return " ".join(told)


def _shown(it: Observation) -> str:
    """Return what a sign shows, and when where it is one moment."""
    return clean(it.sign.shows) + ("" if it.time_ns is None else f" ({(it.time_ns - it.origin_ns) / NS_PER_S:.1f} s)")


# --- the next step --------------------------------------------------------------------------------------


def _next(diagnosis: Diagnosis) -> Markup:
    advice = diagnosis.advice
    measurement = advice.measurement if advice.step is AdviceKind.MEASURE else None
    results = [] if measurement is None else [_read(measurement, it) for it in _telling(diagnosis)]
    first = (advice.hypotheses or diagnosis.ranking.hypotheses)[0]
    said = last_line(diagnosis) if advice.step is AdviceKind.EXAMINE and len(advice.hypotheses) > 1 else ""
    is_in_vehicle = any(cause.kind.is_in_vehicle for cause in first.causes)
    return _part("next_step", measurement, results, first, said, is_in_vehicle)


def _read(measurement: Measurement, outlook: PredictedResult) -> tuple[str, bool, str]:
    """Return what is read, whether it is as it should be, and which causes it would leave."""
    left = ", or ".join(f"{clean(it.title)} {share(chance)}" for it, chance in outlook.leaves[:2])
    return _result_text(measurement, outlook.result), outlook.result == measurement.expect, left


def _telling(diagnosis: Diagnosis) -> list[PredictedResult]:
    """Return the results that are likely enough to be told and would move the shares, the expected one first."""
    measurement = diagnosis.advice.measurement
    first = diagnosis.ranking.hypotheses[0]

    def moves(it: PredictedResult) -> bool:
        lead, chance = it.leaves[0]
        return lead.name != first.name or abs(chance - first.posterior) >= _MOVES

    told = [it for it in diagnosis.advice.outlooks if it.leaves and it.probability >= _LIKELY and moves(it)]
    return sorted(told, key=lambda it: measurement is None or it.result != measurement.expect)[:3]


def _result_text(measurement: Measurement, name: str) -> str:
    window = measurement.result(name)
    return limits_of(window, measurement.unit) or plain(window.name)
