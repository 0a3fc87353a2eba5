"""How well causes fit what was seen: probabilities of signs and of readings, for one cause or for two at once.

Signs count as independent of each other once the cause is known, which they are only roughly; the numbers of a
causes file are therefore chosen no closer to 0 and 1 than practice allows. Two causes together show a sign unless
both fail to (a "noisy or"), save where one of them makes it impossible. Of a reading two causes together leave the
expected result only if both do.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from buslens.causes.model import Frequency
from buslens.causes.signs import SignStatus

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from buslens.causes.model import Cause, Measurement, Probabilities
    from buslens.causes.signs import Observation


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
    each = [_of_one(cause, measurement, numbers) for cause in causes]
    if len(each) == 1:
        return each[0]
    expected = 1.0
    for table in each:
        expected *= table[measurement.expect]
    others = {
        window.name: sum(table[window.name] for table in each)
        for window in measurement.results
        if window.name != measurement.expect
    }
    scale = (1.0 - expected) / sum(others.values())
    return {
        window.name: expected if window.name == measurement.expect else others[window.name] * scale
        for window in measurement.results
    }


def _of_one(cause: Cause, measurement: Measurement, numbers: Probabilities) -> dict[str, float]:
    names = [window.name for window in measurement.results]
    if cause.any_reading:
        return {name: 1.0 / len(names) for name in names}
    unnamed = measurement.with_fault if measurement.with_fault and cause.kind.is_in_vehicle else measurement.expect
    shown = cause.readings.get(measurement.name, (unnamed,))
    rest = len(names) - len(shown)
    sure = numbers.reading if rest else 1.0
    return {name: sure / len(shown) if name in shown else (1.0 - sure) / rest for name in names}


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
    causes : sequence of Cause
        One or two.
    observations : iterable of Observation
        What the captures show.
    readings : mapping of str to str
        Measurement -> name of its result.
    measurements, numbers
        Of the causes file.
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
        product *= result_probabilities(causes, measurements[name], numbers)[result]
        if product <= least:
            return product
    return product
