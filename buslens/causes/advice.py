"""What to do next: the measurement that is expected to tell most per minute, or the repair.

The measure of not knowing is the entropy of the ranking, after de Kleer and Williams, "Diagnosing multiple faults",
Artificial Intelligence 32 (1987) 97-130: the best measurement is the one that leaves least of it, averaged over its
results as probable as they are now. Here the loss is divided by the minutes that the measurement takes.

No part is advised while something cheaper that explains the evidence as well has not been looked at, nor while a
measurement that could refute it has not been made: one of which the file says that it reads otherwise with this part
broken than in a healthy car (common practice, no source).
"""

from collections.abc import Container, Mapping, Sequence
from dataclasses import dataclass
from enum import Enum
from math import log2

from buslens.causes.likelihood import result_probabilities
from buslens.causes.model import CauseKind, Causes, Measurement, Probabilities
from buslens.causes.ranking import Hypothesis, Ranking, normalised

_LEAST_GAIN = 1e-3
"""A measurement expected to tell less than this, bit, is not worth a walk to the car (our choice)."""


class AdviceKind(Enum):
    """What sort of thing to do next."""

    MEASURE = "measure"
    REPAIR = "repair"
    #: Nothing is out of the ordinary.
    NOTHING = "nothing"
    #: No measurement of the file tells any more; examine by hand, the cheapest first.
    EXAMINE = "examine"
    #: The log shows nothing that a cause would explain, and does not show that the lock works: record again.
    RECORD = "record"

    @property
    def is_work(self) -> bool:
        """Whether somebody is to look for a cause at the car."""
        return self in {AdviceKind.MEASURE, AdviceKind.REPAIR, AdviceKind.EXAMINE}


@dataclass(frozen=True, slots=True, kw_only=True)
class PredictedResult:
    """One result that a measurement can have, and what it would leave."""

    result: str
    probability: float
    #: Hypotheses with their posterior if it came so, most probable first, none below 1 in 100.
    leaves: tuple[tuple[Hypothesis, float], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Advice:
    """What to do next."""

    step: AdviceKind
    #: What to measure; None for the other steps.
    measurement: Measurement | None = None
    #: Expected loss of entropy, bit.
    gain: float = 0.0
    outlooks: tuple[PredictedResult, ...] = ()
    #: What to put right, or to examine in this order; empty for a measurement.
    hypotheses: tuple[Hypothesis, ...] = ()


def entropy(probabilities: Sequence[float]) -> float:
    """Return the entropy of a distribution, bit.

    >>> entropy([0.5, 0.5]), entropy([1.0, 0.0])
    (1.0, 0.0)
    """
    return sum(-p * log2(p) for p in probabilities if p > 0.0)


def expected_entropy(posterior: Sequence[float], tables: Sequence[Mapping[str, float]]) -> float:
    """Return the entropy that a measurement is expected to leave, bit.

    Parameters
    ----------
    posterior : sequence of float
        Probability of each hypothesis now; they add up to 1.
    tables : sequence of mapping of str to float
        For each hypothesis the probability of each result.
    """
    left = 0.0
    for result in dict.fromkeys(name for table in tables for name in table):
        joint = [p * table.get(result, 0.0) for p, table in zip(posterior, tables, strict=True)]
        chance = sum(joint)
        if chance > 0.0:
            left += chance * entropy([p / chance for p in joint])
    return left


def advise(causes: Causes, ranking: Ranking, taken: Container[str]) -> Advice:
    """Return what to do next."""
    open_ = [it for it in causes.measurements.values() if it.name not in taken]
    best = ranking.hypotheses[0]
    rivals = _cheap_rivals(best, ranking, causes.numbers)
    refuting = [it for it in open_ if _could_refute(it, best)]
    if best.posterior >= causes.numbers.sure:
        # Only what could refute the part, or tells it from its rivals, is asked for now.
        apart = [it for it in open_ if any(_separates(it, best, rival, causes.numbers) for rival in rivals)]
        open_ = [it for it in open_ if it in refuting or it in apart]
        if not open_ and not rivals:
            return Advice(step=AdviceKind.REPAIR, hypotheses=(best,))
    chosen = _most_informative(open_, ranking, causes.numbers) or _most_informative(
        refuting, ranking, causes.numbers, least=0
    )
    if chosen is not None:
        measurement, gain = chosen
        return Advice(
            step=AdviceKind.MEASURE,
            measurement=measurement,
            gain=gain,
            outlooks=_outlooks(measurement, ranking, causes.numbers),
        )
    return Advice(step=AdviceKind.EXAMINE, hypotheses=_cheapest_first(ranking, rivals))


def _cheap_rivals(best: Hypothesis, ranking: Ranking, numbers: Probabilities) -> list[Hypothesis]:
    """Return what is cheaper than a part and explains the evidence as well; nothing if no part is in question."""
    if all(cause.kind is not CauseKind.PART for cause in best.causes):
        return []
    return [
        it
        for it in ranking.hypotheses
        if all(cause.kind.is_cheap for cause in it.causes) and best.likelihood <= it.likelihood * numbers.apart
    ]


def _could_refute(measurement: Measurement, best: Hypothesis) -> bool:
    """Whether a healthy reading would speak against a part that is in question."""
    parts = [cause for cause in best.causes if cause.kind is CauseKind.PART]
    return any(measurement.expect not in cause.readings.get(measurement.name, (measurement.expect,)) for cause in parts)


def _separates(measurement: Measurement, one: Hypothesis, other: Hypothesis, numbers: Probabilities) -> bool:
    mine, theirs = (result_probabilities(it.causes, measurement, numbers) for it in (one, other))
    return any(abs(mine[name] - theirs[name]) > 0.3 for name in mine)


def _most_informative(
    measurements: Sequence[Measurement], ranking: Ranking, numbers: Probabilities, *, least: float = _LEAST_GAIN
) -> tuple[Measurement, float] | None:
    posterior = [it.posterior for it in ranking.hypotheses]
    now = entropy(posterior)
    gains = []
    for measurement in measurements:
        tables = [result_probabilities(it.causes, measurement, numbers) for it in ranking.hypotheses]
        gains.append((measurement, now - expected_entropy(posterior, tables)))
    worth = [it for it in gains if it[1] >= least]
    return max(worth, key=lambda it: it[1] / it[0].minutes, default=None)


def _outlooks(measurement: Measurement, ranking: Ranking, numbers: Probabilities) -> tuple[PredictedResult, ...]:
    tables = [result_probabilities(it.causes, measurement, numbers) for it in ranking.hypotheses]
    found = []
    for window in measurement.results:
        joint = [it.posterior * table[window.name] for it, table in zip(ranking.hypotheses, tables, strict=True)]
        after = zip(ranking.hypotheses, normalised(joint), strict=True)
        leaves = sorted((it for it in after if it[1] >= 0.01), key=lambda it: -it[1])
        found.append(PredictedResult(result=window.name, probability=sum(joint), leaves=tuple(leaves)))
    return tuple(sorted(found, key=lambda it: -it.probability))


def _cheapest_first(ranking: Ranking, rivals: Sequence[Hypothesis]) -> tuple[Hypothesis, ...]:
    """Return what is still in question: cheap things before parts, the more probable before the less."""
    first = next(group for group in ranking.groups if ranking.hypotheses[0] in group)
    likely = [it for it in first if it.posterior >= 0.01] or [ranking.hypotheses[0]]
    named = {it.name: it for it in (*likely, *rivals)}.values()
    return tuple(sorted(named, key=lambda it: (any(c.kind is CauseKind.PART for c in it.causes), -it.posterior)))
