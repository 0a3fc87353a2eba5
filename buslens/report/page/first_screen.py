"""The first screen: what happened, why, what to do at the car, and the evidence."""

from __future__ import annotations

import html
from typing import TYPE_CHECKING, Final

from buslens.causes.advice import AdviceKind, PredictedResult
from buslens.checks.findings import Result, Verdict
from buslens.checks.phrases import plain
from buslens.report.diagnosis import NOT_TOLD_APART, WORTH_TELLING, last_line, limits_of, share
from buslens.report.formatting import capitalised, clean, verdict_sentence
from buslens.report.page.drawing import strip_svg
from buslens.report.page.page_text import safe_html
from buslens.report.safety_notes import CAUTIONS
from buslens.report.strip import MOST_LANES, evidence_strip, informative
from buslens.units import NS_PER_S

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from buslens.causes.diagnosis import Diagnosis
    from buslens.causes.model import Measurement
    from buslens.causes.ranking import Hypothesis
    from buslens.causes.signs import Observation

_MOST_CAUSES: Final = 4
_MOST_AGAINST: Final = 3
_MOST_NAMED: Final = 2
_LIKELY: Final = 0.01
_MOVES: Final = 0.02
"""Results that are less likely, or that would leave the leading cause as likely as it is, are not listed."""


def evidence_html(
    result: Result, diagnosis: Diagnosis | None, numbers: Mapping[int, int], *, most: int = MOST_LANES
) -> str:
    """Return the evidence as a figure; empty where there is none."""
    strip = evidence_strip(result, None if diagnosis is None else informative(diagnosis), most=most)
    evidence = ""
    if strip is not None:
        names = ", ".join(result.expectations.shown_name(role) for role in strip.roles)
        label = f"Lanes over time: {names}. {verdict_sentence(result)}"
        run = strip.handshake
        around = "" if run is None else f", around {clean(run.rule)} {run.number}"
        drawn = strip_svg(result, strip, numbers, label)
        told = "<figcaption>Gray at an edge: it changed between these two frames.</figcaption>"
        evidence = f'<figure class="evidence"><h2>What the log shows{safe_html(around)}</h2>\n{drawn}{told}</figure>'
    return evidence


def likely_html(diagnosis: Diagnosis | None) -> str:
    """Return the line under the verdict: what it most likely is, and what fits as well; empty without causes."""
    if diagnosis is None or diagnosis.advice.step is AdviceKind.NOTHING:
        return ""
    leading, alike = _leading(diagnosis)
    named = " or ".join(f"{safe_html(it.title)} ({_chance(it)})" for it in leading[:_MOST_NAMED])
    if alike and len(leading) > _MOST_NAMED:
        named += f", and {len(leading) - _MOST_NAMED} more that fit alike"
    return f'<p class="likely">Most likely: {named}</p>'


def _leading(diagnosis: Diagnosis) -> tuple[Sequence[Hypothesis], bool]:
    """Return the causes to name, the most probable first, and whether the log fits all of them alike.

    They are those that the log fits as well as the first, and any other that is at least half as probable.
    """
    first, group = diagnosis.ranking.hypotheses[0], diagnosis.ranking.groups[0]
    named = {id(it) for it in group if it.posterior >= WORTH_TELLING}
    rivals = {id(it) for it in diagnosis.ranking.hypotheses if it.posterior >= first.posterior / 2}
    chosen = [it for it in diagnosis.ranking.hypotheses if id(it) in named | rivals | {id(first)}][:_MOST_CAUSES]
    return chosen, {id(it) for it in chosen} <= {id(it) for it in group}


def _chance(hypothesis: Hypothesis) -> str:
    """Return how probable it is, such as ``> 99 %``, as it stands on a page."""
    return safe_html(share(hypothesis.posterior).replace("<", "< ").replace(">", "> "))


def side_html(result: Result, diagnosis: Diagnosis | None) -> str:
    """Return the leading cause with what speaks for and against it, what to do next, and the cautions for it."""
    why = "" if diagnosis is None else f'<div class="why">{"".join(_why(diagnosis))}</div>'
    told = why + _cautions(result, diagnosis)
    return f'<div class="side">{told}</div>' if told else ""


def _cautions(result: Result, diagnosis: Diagnosis | None) -> str:
    """Return the cautions, wherever somebody is going to work on the car."""
    is_work = diagnosis is not None and diagnosis.advice.step is not AdviceKind.NOTHING
    if result.verdict is not Verdict.FAULTY and not is_work:
        return ""
    told = "".join(f"<p>{html.escape(caution)}</p>" for caution in CAUTIONS)
    return f'<section class="caution"><h2>Safety notes</h2>{told}</section>'


def _why(diagnosis: Diagnosis) -> Iterator[str]:
    if diagnosis.advice.step is AdviceKind.NOTHING:
        yield f'<section><h2>Why</h2><p class="do">{safe_html(last_line(diagnosis))}</p></section>'
        return
    yield f"<section><h2>Most likely</h2>{''.join(_causes(diagnosis))}</section>"
    yield f"<section><h2>Do next at the car</h2>{''.join(_next(diagnosis))}</section>"


# --- causes ---------------------------------------------------------------------------------------------


def _causes(diagnosis: Diagnosis) -> Iterator[str]:
    members, alike = _leading(diagnosis)
    if len(members) > 1 and alike:
        yield f'<p class="small">{NOT_TOLD_APART}:</p>'
    for it in members:
        name = capitalised(clean(it.title))
        yield f'<p class="cause"><span>{safe_html(name)}</span> <span class="nw">{_chance(it)}</span></p>'
        if len(members) > 1:
            yield _bar(it.posterior)
    yield f'<p class="case">{safe_html(case_text(diagnosis, members[0]))}</p>'
    named = {id(it) for it in members}
    others = [it for it in diagnosis.ranking.hypotheses if id(it) not in named and it.posterior >= WORTH_TELLING]
    if others:
        told = ", ".join(f"{clean(it.title)} {share(it.posterior)}" for it in others[:_MOST_CAUSES])
        more = f", and {len(others) - _MOST_CAUSES} more" if len(others) > _MOST_CAUSES else ""
        yield f'<p class="small">Also possible: {safe_html(told + more)}</p>'


def _bar(posterior: float) -> str:
    return (
        '<svg class="bar" width="100%" height="6" aria-hidden="true">'
        f'<rect width="{100 * min(max(posterior, 0.0), 1.0):.0f}%" height="6" class="inked"/></svg>'
    )


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


def _next(diagnosis: Diagnosis) -> Iterator[str]:
    advice = diagnosis.advice
    measurement = advice.measurement
    if advice.step is not AdviceKind.MEASURE or measurement is None:
        first = (advice.hypotheses or diagnosis.ranking.hypotheses)[0]
        if advice.step is AdviceKind.EXAMINE and len(advice.hypotheses) > 1:
            yield f'<p class="do">{safe_html(last_line(diagnosis))}</p>'
            return
        yield from _first(first.cautions)
        yield f'<p class="do">{safe_html(first.repair)}</p>'
        if any(cause.kind.is_in_vehicle for cause in first.causes):
            yield '<dl class="how"><dt>then</dt><dd>record again, and compare the two</dd></dl>'
        return
    yield from _first(measurement.cautions)
    yield f'<p class="do">{safe_html(measurement.do)}</p>'
    rows = [
        ("where", safe_html(measurement.where)),
        ("state", safe_html(f"{measurement.state}; about {measurement.minutes:g} min")),
    ]
    for outlook in _telling(diagnosis):
        read = _result_text(measurement, outlook.result)
        left = ", or ".join(f"{clean(it.title)} {share(chance)}" for it, chance in outlook.leaves[:2])
        good = " (as it should be)" if outlook.result == measurement.expect else ""
        rows.append(("if", f"<b>{safe_html(read)}</b>{good}: {safe_html(left)}"))
    yield f'<dl class="how">{"".join(f"<dt>{name}</dt><dd>{words}</dd>" for name, words in rows)}</dl>'


def _first(cautions: Sequence[str]) -> Iterator[str]:
    """Yield what to heed before the hand reaches for anything."""
    if cautions:
        yield f'<p class="heed"><b>Safety:</b> {safe_html(" ".join(map(clean, cautions)))}</p>'


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
