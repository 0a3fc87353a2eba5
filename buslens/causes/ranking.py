"""Which causes explain what was seen, by Bayes' rule.

Hypotheses are single causes and, where the best of them leaves something unexplained, pairs. Causes count as
independent beforehand, so the prior of a pair is the product of the two.

How much better one has to fit before it counts as told apart is the file's `apart`: a Bayes factor below 3 is "not
worth more than a bare mention" in the words of Kass and Raftery, Journal of the American Statistical Association 90
(1995) 773-795 (cited from memory).
"""

from collections.abc import Mapping, Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass
from itertools import combinations

from buslens.causes.likelihood import likelihood, often, result_probability, sign_probability
from buslens.causes.model import Cause, CauseKind, Causes, Frequency
from buslens.causes.signs import Observation, SignStatus
from buslens.errors import UsageError

_EXPLAINED = 0.2
"""A sign or result that a cause shows with less than this probability is not explained by it (our choice)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Hypothesis:
    """One cause, or two at once."""

    causes: tuple[Cause, ...]
    prior: float
    likelihood: float
    posterior: float

    @property
    def title(self) -> str:
        """What it is, in a few words."""
        return " and ".join(cause.title for cause in self.causes)

    @property
    def name(self) -> str:
        """The names of its causes in the file."""
        return " + ".join(cause.name for cause in self.causes)

    @property
    def repair(self) -> str:
        """How to repair it, whole sentences."""
        return " ".join(cause.repair for cause in self.causes)

    @property
    def cautions(self) -> tuple[str, ...]:
        """What to heed before the repair, each once."""
        return tuple(dict.fromkeys(caution for cause in self.causes for caution in cause.cautions))


@dataclass(frozen=True, slots=True, kw_only=True)
class EvidenceSummary:
    """What speaks for a hypothesis, and what against, as names of signs and measurements."""

    #: Signs that are there, and that it shows.
    signs_for: tuple[Observation, ...]
    #: Signs that are there although it does not show them.
    unexplained: tuple[Observation, ...]
    #: Signs that are not there although it usually shows them.
    missed: tuple[Observation, ...]
    readings_for: tuple[str, ...]
    readings_against: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Ranking:
    """All hypotheses, the most probable first."""

    hypotheses: tuple[Hypothesis, ...]
    #: The same in groups whose members fit the evidence about equally well, the likeliest group first.
    groups: tuple[tuple[Hypothesis, ...], ...]


def rank(
    causes: Causes, observations: Sequence[Observation], readings: Mapping[str, str], *, is_faulty: bool = False
) -> Ranking:
    """Return the causes that would explain what was seen, ranked.

    Parameters
    ----------
    is_faulty : bool, optional
        Whether a capture was found faulty, which a healthy vehicle rarely is, whatever the signs of the file miss.

    Raises
    ------
    UsageError
        If the numbers of the file are so near to 0 or 1 that none of its causes could have shown what was seen.
    """
    looked_for = {it.sign.name for it in observations}
    possible = [cause for cause in causes.causes.values() if _could_show(cause, looked_for)]
    total = sum(cause.weight for cause in possible)
    share = {cause.name: cause.weight / total for cause in possible}

    def fits(*several: Cause, least: float = 0.0) -> float:
        fit = likelihood(several, observations, readings, causes.measurements, causes.numbers, least=least)
        is_healthy = any(cause.kind is CauseKind.NOTHING for cause in several)
        return fit * causes.numbers.often[Frequency.RARE] if is_faulty and is_healthy else fit

    found: list[tuple[tuple[Cause, ...], float, float]] = [
        ((cause,), share[cause.name], fits(cause)) for cause in possible
    ]
    best = max(found, key=lambda it: it[1] * it[2])[0]
    if _leaves_unexplained(best, causes, observations, readings):
        alone = {members[0].name: fit for members, _, fit in found}
        able = [cause for cause in possible if cause.kind.pairs]
        for one, other in combinations(able, 2):
            # A second cause that explains nothing more is no hypothesis of its own.
            least = causes.numbers.apart * max(alone[one.name], alone[other.name])
            if (together := fits(one, other, least=least)) > least:
                found.append(((one, other), share[one.name] * share[other.name], together))
    if not any(prior * fit for _, prior, fit in found):
        raise UsageError(
            f"{causes.path}: by its [numbers] no cause could have shown what was seen and measured; "
            "give them values that leave room for it, such as 0.002 for the least"
        )
    posteriors = normalised([prior * fit for _, prior, fit in found])
    hypotheses = sorted(
        (
            Hypothesis(causes=members, prior=prior, likelihood=fit, posterior=posterior)
            for (members, prior, fit), posterior in zip(found, posteriors, strict=True)
        ),
        key=lambda it: -it.posterior,
    )
    return Ranking(hypotheses=tuple(hypotheses), groups=_groups(hypotheses, causes.numbers.apart))


def _could_show(cause: Cause, looked_for: AbstractSet[str]) -> bool:
    """Return whether a fault of a recording can be of these: not of one that is not there, such as a probe's."""
    if cause.kind is not CauseKind.RECORDING:
        return True
    usual = [sign for sign, often in cause.signs.items() if often is Frequency.USUAL]
    return not usual or not looked_for.isdisjoint(usual)


def normalised(weights: Sequence[float]) -> list[float]:
    """Return weights as probabilities; Bayes' rule, with prior times likelihood as weights.

    Raises ValueError if all are zero: nothing that was thought of could have shown what was seen.
    """
    total = sum(weights)
    if total <= 0.0:
        raise ValueError("no hypothesis can explain what was seen")
    return [weight / total for weight in weights]


def _groups(hypotheses: Sequence[Hypothesis], apart: float) -> tuple[tuple[Hypothesis, ...], ...]:
    """Gather around the most probable, again and again, whatever fits about as well; the likeliest group first."""
    left = list(hypotheses)
    groups = []
    while left:
        fit = left[0].likelihood
        near = [fit <= it.likelihood * apart and it.likelihood <= fit * apart for it in left]
        groups.append(tuple(it for it, is_near in zip(left, near, strict=True) if is_near))
        left = [it for it, is_near in zip(left, near, strict=True) if not is_near]
    return tuple(sorted(groups, key=lambda group: -sum(it.posterior for it in group)))


def evidence_summary(
    hypothesis: Sequence[Cause], causes: Causes, observations: Sequence[Observation], readings: Mapping[str, str]
) -> EvidenceSummary:
    """Return what speaks for some causes together, and what against."""
    present = [it for it in observations if it.shown is SignStatus.PRESENT]
    odds = {it.sign.name: sign_probability(hypothesis, it.sign.name, causes.numbers) for it in observations}
    shown = {
        name: result_probability(hypothesis, causes.measurements[name], result, causes.numbers) >= _EXPLAINED
        for name, result in readings.items()
    }
    return EvidenceSummary(
        signs_for=tuple(it for it in present if odds[it.sign.name] >= _EXPLAINED),
        unexplained=tuple(it for it in present if odds[it.sign.name] < _EXPLAINED),
        missed=tuple(
            it
            for it in observations
            if it.shown is SignStatus.ABSENT and any(often(one, it.sign.name) is Frequency.USUAL for one in hypothesis)
        ),
        readings_for=tuple(name for name in readings if shown[name]),
        readings_against=tuple(name for name in readings if not shown[name]),
    )


def _leaves_unexplained(
    best: Sequence[Cause], causes: Causes, observations: Sequence[Observation], readings: Mapping[str, str]
) -> bool:
    found = evidence_summary(best, causes, observations, readings)
    return bool(found.unexplained or found.readings_against)
