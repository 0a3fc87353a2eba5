"""How well causes fit what was seen: probabilities of signs and of readings, for one cause or for two at once.

Signs count as independent of each other once the cause is known, which they are only roughly; the numbers of a
causes file are therefore chosen no closer to 0 and 1 than practice allows. Two causes together show a sign unless
both fail to (a "noisy or"), save where one of them makes it impossible. Of a reading two causes together leave the
expected result only if both do.
"""

from collections.abc import Iterable, Mapping, Sequence

from buslens.causes.model import Cause, Frequency, Measurement, Probabilities
from buslens.causes.signs import Observation, SignStatus


def sign_probability(causes: Sequence[Cause], sign: str, numbers: Probabilities) -> float:
    """Return how probable a sign is when all of some causes are there, and nothing else is wrong."""
    words = [often(cause, sign) for cause in causes]
    if Frequency.CANNOT in words:
        return numbers.often[Frequency.CANNOT]
    absent = 1.0
    for word in words:
        absent *= 1.0 - numbers.often[word]
    return 1.0 - absent


def often(cause: Cause, sign: str) -> Frequency:
    """Return how often a cause shows a sign."""
    return cause.signs.get(sign, cause.otherwise)


def result_probabilities(causes: Sequence[Cause], measurement: Measurement, numbers: Probabilities) -> dict[str, float]:
    """Return how probable each result of a measurement is when all of some causes are there."""
    return {it.name: result_probability(causes, measurement, it.name, numbers) for it in measurement.results}


def result_probability(causes: Sequence[Cause], measurement: Measurement, result: str, numbers: Probabilities) -> float:
    """Return how probable one result of a measurement is when all of some causes are there."""
    if len(causes) == 1:
        return _of_one(causes[0], measurement, result, numbers)
    expected, others = 1.0, 0.0
    for cause in causes:
        alone = _of_one(cause, measurement, measurement.expect, numbers)
        expected *= alone
        others += 1.0 - alone
    if result == measurement.expect:
        return expected
    return sum(_of_one(cause, measurement, result, numbers) for cause in causes) * (1.0 - expected) / others


def _of_one(cause: Cause, measurement: Measurement, result: str, numbers: Probabilities) -> float:
    n_results = len(measurement.results)
    if cause.any_reading:
        return 1.0 / n_results
    unnamed = measurement.with_fault if measurement.with_fault and cause.kind.is_in_vehicle else measurement.expect
    shown = cause.readings.get(measurement.name, (unnamed,))
    rest = n_results - len(shown)
    sure = numbers.reading if rest else 1.0
    return sure / len(shown) if result in shown else (1.0 - sure) / rest


def likelihood(
    causes: Sequence[Cause],
    observations: Iterable[Observation],
    readings: Mapping[str, str],
    measurements: Mapping[str, Measurement],
    numbers: Probabilities,
    *,
    least: float = 0.0,
) -> float:
    """Return how probable all that was seen is when some causes are there; undecided signs count for nothing.

    Parameters
    ----------
    least : float, optional
        The caller does not tell numbers up to this apart: the first product that is no larger is returned.
    """
    product = 1.0
    for observation in observations:
        if observation.shown is SignStatus.UNDECIDED:
            continue
        probability = sign_probability(causes, observation.sign.name, numbers)
        product *= probability if observation.shown is SignStatus.PRESENT else 1.0 - probability
        if product <= least:
            return product
    for name, result in readings.items():
        product *= result_probability(causes, measurements[name], result, numbers)
        if product <= least:
            return product
    return product
