"""A diagnosis as text for a person, what is wrong first and the next step last, and as plain data for JSON."""

from collections.abc import Iterator, Sequence
from typing import Any, Final

from buslens.causes.advice import AdviceKind, PredictedResult
from buslens.causes.diagnosis import Diagnosis
from buslens.causes.model import Measurement, ResultRange
from buslens.causes.ranking import Hypothesis
from buslens.causes.signs import Observation, SignStatus
from buslens.checks.findings import Verdict
from buslens.report.document import seconds_of
from buslens.report.formatting import (
    DOUBT_SIGN,
    MET_SIGN,
    WRONG_SIGN,
    capitalised,
    clean,
    counted,
    moment,
    verdict_sentence,
)
from buslens.report.paragraphs import MARGIN, Paragraph, StyledText, TextStyle, item, paragraph, render, section
from buslens.report.safety_notes import RECORDING_CAUTIONS, safety_notes

NOT_TOLD_APART: Final = "the log fits these alike; the shares say how common each is"
"""Stands over causes that fit the evidence about equally well."""
NOT_TOLD_APART_YET: Final = "the log and the readings fit these alike; the shares say how common each is"

SCHEMA: Final = 1
"""Version of the document's form."""

WORTH_TELLING: Final = 0.01
"""Causes less probable than this are summed up, not named."""

_MOST_GROUPS: Final = 3
_MOST_MEMBERS: Final = 4
_MOST_CASES: Final = 2
"""Of causes that fit alike, so many are named, and so many cases told."""


def text(diagnosis: Diagnosis, *, width: int | None = None, painted: bool = False, in_full: bool = False) -> str:
    """Return the report on a diagnosis; `in_full` with every symptom, where numbers come from, and what is left."""
    return render(_paragraphs(diagnosis, in_full=in_full), width=width, painted=painted)


def _paragraphs(diagnosis: Diagnosis, *, in_full: bool) -> Iterator[Paragraph]:
    for result in diagnosis.results:
        yield paragraph(StyledText(verdict_sentence(result), TextStyle.STRONG), hang=MARGIN)
        yield paragraph(StyledText(clean(result.path), TextStyle.FAINT), indent=MARGIN)
    if in_full:
        told = f"how common causes are: {clean(diagnosis.causes.numbers.basis)}"
        for line in (f"causes by {clean(diagnosis.causes.path)}", told):
            yield paragraph(StyledText(line, TextStyle.FAINT), indent=MARGIN)
    yield from _signs(diagnosis, in_full=in_full)
    yield from section("Measured", _measured(diagnosis))
    if diagnosis.advice.step.is_work:
        yield from section("Possible causes", _causes(diagnosis))
        yield from _unexplained(diagnosis)
    match diagnosis.advice.step:
        case AdviceKind.MEASURE:
            yield from _next(diagnosis, in_full=in_full)
        case AdviceKind.REPAIR | AdviceKind.EXAMINE:
            yield from _first(_advised(diagnosis).cautions)
        case AdviceKind.RECORD:
            yield from safety_notes(RECORDING_CAUTIONS)
        case AdviceKind.NOTHING:
            pass
    yield paragraph()
    yield paragraph(StyledText(last_line(diagnosis), TextStyle.STRONG))


# --- what was seen --------------------------------------------------------------------------------------


def _signs(diagnosis: Diagnosis, *, in_full: bool) -> Iterator[Paragraph]:
    present = [it for it in diagnosis.observations if it.shown is SignStatus.PRESENT]
    undecided = [it for it in diagnosis.observations if it.shown is SignStatus.UNDECIDED]
    yield paragraph()
    yield paragraph(StyledText("Symptoms" if present else "Symptoms: none in the log", TextStyle.STRONG))
    for it in present:
        where = "" if len(diagnosis.results) == 1 else f"  ({clean(it.path)})"
        yield item(WRONG_SIGN, f"{_when(it)}{clean(it.sign.shows)}{where}", ink=TextStyle.WRONG)
    if undecided and in_full:
        yield item(DOUBT_SIGN, f"{counted(len(undecided), 'sign')} undecided, no evidence either way")
    if diagnosis.causes.lost and in_full:
        lost = f"{counted(len(diagnosis.causes.lost), 'sign')} not looked for, as these expectations cannot show them"
        yield paragraph(StyledText(f"{lost} (--json names them)", TextStyle.FAINT), indent=MARGIN)


def _when(observation: Observation) -> str:
    return "" if observation.time_ns is None else f"{moment(observation.time_ns, observation.origin_ns)}  "


def _measured(diagnosis: Diagnosis) -> Iterator[Paragraph]:
    for it in diagnosis.readings:
        measurement = diagnosis.causes.measurements[it.measurement]
        is_good = it.result == measurement.expect
        meant = "" if it.text == it.result else f": {it.result}"
        limits = limits_of(measurement.result(measurement.expect), measurement.unit)
        expected = f"; expected {limits or measurement.expect}" if not is_good else ""
        words = f"{it.measurement} {clean(it.text)}{meant}{expected}"
        yield item(MET_SIGN if is_good else WRONG_SIGN, words, ink=TextStyle.PLAIN if is_good else TextStyle.WRONG)


# --- causes ---------------------------------------------------------------------------------------------


def _causes(diagnosis: Diagnosis) -> Iterator[Paragraph]:
    told = 0
    shown = [group for group in diagnosis.ranking.groups if group[0].posterior >= WORTH_TELLING][:_MOST_GROUPS]
    for number, group in enumerate(shown, 1):
        members = [it for it in group if it.posterior >= WORTH_TELLING] or list(group[:1])
        told += len(members)
        if len(members) > 1:
            apart = NOT_TOLD_APART_YET if diagnosis.readings else NOT_TOLD_APART
            apart = apart if number == 1 else "these fit alike"
            together = share(sum(it.posterior for it in group))
            yield paragraph(f"{number}.  {together:>5}  {apart}:", indent=1, hang=12)
        for it in members[:_MOST_MEMBERS]:
            if len(members) == 1:
                yield paragraph(f"{number}.  {share(it.posterior):>5}  {clean(it.title)}", indent=1, hang=12)
            else:
                yield paragraph(f"{share(it.posterior):>5}  {clean(it.title)}", indent=12, hang=19)
        if more := members[_MOST_MEMBERS:]:
            yield paragraph(f"{share(sum(it.posterior for it in more)):>5}  {len(more)} more", indent=12)
        yield from _case(diagnosis, members, _MOST_CASES if number == 1 else 1)
    # Pairs only count where the file knows no single cause; what is left is small by definition.
    rest = sum(it.posterior for it in diagnosis.ranking.hypotheses) - sum(
        it.posterior for group in shown for it in group if it.posterior >= WORTH_TELLING
    )
    if rest >= WORTH_TELLING:
        yield paragraph(f"    {share(rest):>5}  everything else", indent=1)


def _unexplained(diagnosis: Diagnosis) -> Iterator[Paragraph]:
    """Say what none of the causes that are in question would show."""
    lines = (f"{_when(it)}{clean(it.sign.shows)}" for it in diagnosis.unexplained)
    return section("What no cause in question explains", (item(WRONG_SIGN, it, ink=TextStyle.WRONG) for it in lines))


def _case(diagnosis: Diagnosis, members: Sequence[Hypothesis], most: int) -> Iterator[Paragraph]:
    """Say what speaks for and against, once where it is the same for several; of so many cases, the first."""
    cases: dict[tuple[str, ...], list[str]] = {}
    for it in members:
        cases.setdefault(tuple(_case_text(diagnosis, it)), []).append(clean(it.title))
    for words, titles in list(cases.items())[:most]:
        if len(cases) > 1:
            yield paragraph("; ".join(titles), indent=12, hang=14)
        indent = 12 if len(cases) == 1 else 14
        yield from (paragraph(line, indent=indent, hang=indent + 9) for line in words)


def _case_text(diagnosis: Diagnosis, hypothesis: Hypothesis) -> list[str]:
    found = diagnosis.case(hypothesis)
    for_ = [clean(it.sign.shows) for it in found.signs_for]
    if len(for_) > 1 and not found.unexplained:
        for_ = ["all that the log shows"]
    for_ += _reading_text(diagnosis, found.readings_for)
    against = [clean(it.sign.shows) for it in found.unexplained]
    against += [f"the log does not show that {clean(it.sign.shows)}" for it in found.missed]
    against += _reading_text(diagnosis, found.readings_against)
    lines = [f"for:     {'; '.join(for_)}"] if for_ else []
    return [*lines, f"against: {'; '.join(against)}"] if against else lines


def _reading_text(diagnosis: Diagnosis, names: Sequence[str]) -> list[str]:
    texts = {it.measurement: it.text for it in diagnosis.readings}
    return [f"{name} {clean(texts[name])}" for name in names]


# --- the next step --------------------------------------------------------------------------------------


def _next(diagnosis: Diagnosis, *, in_full: bool) -> Iterator[Paragraph]:
    measurement = diagnosis.advice.measurement
    if measurement is None:
        return
    yield from _first(measurement.cautions)
    yield paragraph()
    yield paragraph(
        StyledText(f"Measure next: {measurement.name}", TextStyle.STRONG), f", about {measurement.minutes:g} min"
    )
    yield paragraph(clean(measurement.do), indent=MARGIN)
    yield paragraph(f"where: {clean(measurement.where)}; {clean(measurement.state)}", indent=MARGIN)
    yield paragraph(f"expected: {_expected(measurement)}", indent=MARGIN)
    if in_full:
        yield paragraph(StyledText(f"basis: {clean(measurement.basis)}", TextStyle.FAINT), indent=MARGIN)
    for outlook in diagnosis.advice.outlooks:
        told = _outlook_text(measurement, outlook, 2 if in_full else 1)
        yield paragraph(told, indent=MARGIN, hang=MARGIN + 4)


def _first(cautions: Sequence[str]) -> Iterator[Paragraph]:
    """Yield what to heed before the hand reaches for anything: what always holds, and what this work adds to it."""
    yield from safety_notes()
    yield from (paragraph(clean(it), indent=MARGIN, hang=MARGIN + 2) for it in cautions)


def _advised(diagnosis: Diagnosis) -> Hypothesis:
    """Return what the next step is about."""
    return (diagnosis.advice.hypotheses or diagnosis.ranking.hypotheses)[0]


def _expected(measurement: Measurement) -> str:
    window = measurement.result(measurement.expect)
    limits = limits_of(window, measurement.unit)
    return f"{limits} ({window.name})" if limits else window.name


def _outlook_text(measurement: Measurement, outlook: PredictedResult, most: int) -> str:
    window = measurement.result(outlook.result)
    limits = limits_of(window, measurement.unit)
    named = [f"{clean(it.title)} {share(chance)}" for it, chance in outlook.leaves[:most]]
    more = f", and {len(outlook.leaves) - most} more" if len(outlook.leaves) > most else ""
    shown = f"{window.name}, {limits}" if limits else window.name
    return f"{shown} ({share(outlook.probability)}): then {', '.join(named)}{more}"


def limits_of(window: ResultRange, unit: str) -> str:
    """Return the readings that count as a result; empty if it is a word only.

    >>> from buslens.causes.model import ResultRange
    >>> limits_of(ResultRange(name="low", least=1.0, below=11.0), "V")
    '1 to 11 V'
    >>> limits_of(ResultRange(name="good", least=11.0), "V"), limits_of(ResultRange(name="clear", least=1e4), "ohm")
    ('at least 11 V', 'at least 10 kohm')
    """
    if window.least is None and window.below is None:
        return ""
    least, below = (0.0 if end is None else end for end in (window.least, window.below))
    factor, prefix = (1000, "k") if unit == "ohm" and max(least, below) >= 1000 else (1, "")
    low, high = f"{least / factor:g}", f"{below / factor:g} {prefix}{unit}"
    if window.below is None:
        return f"at least {low} {prefix}{unit}"
    return f"below {high}" if window.least is None else f"{low} to {high}"


def share(probability: float) -> str:
    """Return a probability in whole per cent, which is more than the numbers of a causes file are good for.

    >>> share(0.617), share(0.004), share(0.9999)
    ('62 %', '<1 %', '>99 %')
    """
    if 0.0 < probability < 0.005:
        return "<1 %"
    if 0.995 < probability < 1.0:
        return ">99 %"
    return f"{100 * probability:.0f} %"


def last_line(diagnosis: Diagnosis) -> str:
    """Return what to do next, as one sentence: the last line of the report."""
    advice = diagnosis.advice
    first = _advised(diagnosis)
    match advice.step:
        case AdviceKind.NOTHING:
            return "Nothing to explain: all tested rules OK, and nothing unusual in the log."
        case AdviceKind.RECORD:
            untested = next(it for it in diagnosis.results if it.verdict is not Verdict.AS_EXPECTED)
            return f"Nothing to explain yet: {clean(untested.summary)}."
        case AdviceKind.REPAIR:
            found = f"{capitalised(clean(first.title))} ({share(first.posterior)})."
            is_work = any(cause.kind.is_in_vehicle for cause in first.causes)
            again = " Then record again, and compare the two." if is_work else ""
            return f"{found} {clean(first.repair)}{again}"
        case AdviceKind.EXAMINE if len(advice.hypotheses) == 1:
            found = f"Most likely: {clean(first.title)} ({share(first.posterior)})"
            return f"{found}; no measurement tells more. {clean(first.repair)}"
        case AdviceKind.EXAMINE:
            order = "; then ".join(clean(it.title) for it in advice.hypotheses)
            return f"No measurement of the causes file tells more. Examine, in this order: {order}."
        case _:
            if advice.measurement is None:
                return ""
            name, unit = advice.measurement.name, advice.measurement.unit
            takes = (
                f"a number in {unit}" if unit else "one of " + ", ".join(it.name for it in advice.measurement.results)
            )
            return f"Next: measure {name}, and enter it with --measured {name}=READING: {takes}."


# --- JSON -----------------------------------------------------------------------------------------------


def document(diagnosis: Diagnosis) -> dict[str, Any]:
    """Return a diagnosis as plain data, in a form that later versions only add to."""
    advice = diagnosis.advice
    return {
        "schema": SCHEMA,
        "captures": [{"path": it.path, "verdict": it.verdict.value, "summary": it.summary} for it in diagnosis.results],
        "expectations": diagnosis.results[0].expectations.path,
        "causes_file": diagnosis.causes.path,
        "signs": [_sign_entry(it) for it in diagnosis.observations],
        "lost_signs": [{"sign": name, "why": why} for name, why in diagnosis.causes.lost.items()],
        "unexplained": [it.sign.name for it in diagnosis.unexplained],
        "measured": [{"name": it.measurement, "reading": it.text, "result": it.result} for it in diagnosis.readings],
        "groups": [
            [_hypothesis_entry(diagnosis, it) for it in group]
            for group in diagnosis.ranking.groups
            if group[0].posterior >= 1e-4
        ],
        "next": {
            "step": advice.step.value,
            "sentence": last_line(diagnosis),
            "measurement": None if advice.measurement is None else _measurement_entry(advice.measurement),
            "gain_bits": round(advice.gain, 6),
            "outlooks": [
                {
                    "result": it.result,
                    "probability": round(it.probability, 6),
                    "leaves": [{"causes": one.name, "posterior": round(chance, 6)} for one, chance in it.leaves],
                }
                for it in advice.outlooks
            ],
            "causes": [it.name for it in advice.hypotheses],
        },
    }


def _sign_entry(observation: Observation) -> dict[str, Any]:
    time_ns = observation.time_ns
    return {
        "sign": observation.sign.name,
        "shows": observation.sign.shows,
        "state": observation.shown.value,
        "path": observation.path,
        "time": None if time_ns is None else seconds_of(time_ns - observation.origin_ns),
    }


def _hypothesis_entry(diagnosis: Diagnosis, hypothesis: Hypothesis) -> dict[str, Any]:
    found = diagnosis.case(hypothesis)
    return {
        "causes": [cause.name for cause in hypothesis.causes],
        "title": hypothesis.title,
        "kinds": [cause.kind.value for cause in hypothesis.causes],
        "prior": round(hypothesis.prior, 6),
        "posterior": round(hypothesis.posterior, 6),
        "for": [it.sign.name for it in found.signs_for] + list(found.readings_for),
        "against": [it.sign.name for it in (*found.unexplained, *found.missed)] + list(found.readings_against),
        "repair": [cause.repair for cause in hypothesis.causes],
        "cautions": list(hypothesis.cautions),
        "basis": [cause.basis for cause in hypothesis.causes],
    }


def _measurement_entry(measurement: Measurement) -> dict[str, Any]:
    return {
        "name": measurement.name,
        "cautions": list(measurement.cautions),
        "do": measurement.do,
        "where": measurement.where,
        "state": measurement.state,
        "unit": measurement.unit or None,
        "minutes": measurement.minutes,
        "expect": measurement.expect,
        "results": [
            {"name": it.name, "least": it.least, "below": it.below, "means": it.means or None}
            for it in measurement.results
        ],
        "basis": measurement.basis,
    }
