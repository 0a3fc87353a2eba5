"""From checked captures of one vehicle, and readings at it, to causes and to what to do next."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from buslens.causes.advice import Advice, AdviceKind, advise
from buslens.causes.load import causes_for
from buslens.causes.model import CauseKind, Causes
from buslens.causes.ranking import EvidenceSummary, Hypothesis, Ranking, evidence_summary, rank
from buslens.causes.readings import Reading, counted, read_reading, traced_readings
from buslens.causes.signs import Observation, SignStatus, observe
from buslens.checks.check import Checkable, results_of
from buslens.checks.findings import Result, Verdict

IN_QUESTION: Final = 0.01
"""A hypothesis at least this probable is in question."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Diagnosis:
    """What explains the captures of one vehicle, and what to do next."""

    results: tuple[Result, ...]
    causes: Causes
    observations: tuple[Observation, ...]
    #: The latest of each measurement, in the order in which they were made.
    readings: tuple[Reading, ...]
    ranking: Ranking
    advice: Advice

    def __repr__(self) -> str:
        first = self.ranking.hypotheses[0]
        causes = " and ".join(it.title for it in first.causes)
        return f"<Diagnosis: {causes} ({first.posterior:.0%}) first; captures: {len(self.results)}>"

    def case(self, hypothesis: Hypothesis) -> EvidenceSummary:
        """Return what speaks for a hypothesis, and what against."""
        return evidence_summary(hypothesis.causes, self.causes, self.observations, _by_name(self.readings))

    @property
    def unexplained(self) -> tuple[Observation, ...]:
        """What the captures show and no cause in question explains; that it is something unnamed explains nothing."""
        likely = [it for it in self.ranking.hypotheses if it.posterior >= IN_QUESTION]
        named = [it for it in likely if all(cause.kind is not CauseKind.OTHER for cause in it.causes)]
        left = [{one.sign.name for one in self.case(it).unexplained} for it in named]
        return tuple(
            it
            for it in self.observations
            if it.shown is SignStatus.PRESENT and all(it.sign.name in them for them in left)
        )


def diagnose(
    captures: Checkable | Iterable[Checkable],
    causes: Causes | str | Path | None = None,
    readings: Iterable[Reading | str] = (),
    *,
    skipped: Iterable[str] = (),
) -> Diagnosis:
    """Return which causes explain captures of one vehicle, and what to do next.

    Parameters
    ----------
    captures : Result, path, or iterable of these
        At least one; all of the vehicle in one condition, before any repair. A path is checked as by `check`.
    causes : Causes or path, optional
        Read for the expectations by which the captures were checked. Default: what lies beside these,
        ``steering_lock.causes.toml`` beside ``steering_lock.toml``.
    readings : iterable of Reading or str, optional
        Measurements made so far, as texts such as ``supply_at_lock=11.9V``; of several of one name the last counts.
    skipped : iterable of str, optional
        Measurements that cannot be made at this vehicle; none of them is advised.

    Raises
    ------
    ValueError
        If there are no captures.
    BuslensError
        If a capture, the causes file or a reading cannot be used.
    """
    results = results_of(captures)
    if not results:
        raise ValueError("there is no capture to diagnose")
    if not isinstance(causes, Causes):
        causes = causes_for(results, causes)
    observations = observe(causes.signs.values(), results)
    given = [read_reading(it, causes) if isinstance(it, str) else it for it in readings]
    taken = [*traced_readings(results, causes), *given]
    made = _by_name(taken)
    is_faulty = any(result.verdict is Verdict.FAULTY for result in results)
    ranking = rank(causes, observations, counted(taken, causes, observations), is_faulty=is_faulty)
    if not is_faulty and _shows_nothing(observations, causes, made):
        is_tested = all(result.verdict is Verdict.AS_EXPECTED for result in results)
        advice = Advice(step=AdviceKind.NOTHING if is_tested else AdviceKind.RECORD, hypotheses=ranking.hypotheses[:1])
    else:
        advice = advise(causes, ranking, {*made, *skipped})
    return Diagnosis(
        results=results,
        causes=causes,
        observations=observations,
        readings=tuple({it.measurement: it for it in taken}.values()),
        ranking=ranking,
        advice=advice,
    )


def _by_name(readings: Sequence[Reading]) -> dict[str, str]:
    return {it.measurement: it.result for it in readings}


def _shows_nothing(observations: Sequence[Observation], causes: Causes, made: dict[str, str]) -> bool:
    """Whether neither the log nor a reading shows anything to explain."""
    return all(it.shown is not SignStatus.PRESENT for it in observations) and all(
        causes.measurements[name].expect == result for name, result in made.items()
    )
