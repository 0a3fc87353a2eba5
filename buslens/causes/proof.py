"""How much a number of clean handshakes proves, and how many are needed.

The exact bound is that of Clopper and Pearson (Biometrika 26:404, 1934; cited from memory), the quick one the rule of
three, meant for more than 30 trials (Eypasch and others, BMJ 311:619, 1995): after n trials without a failure, the
failure rate is below 3/n at 95 %. How many clean trials are needed after a fault that showed in a share p of the trials
follows from (1 - p)^n <= 0.05: 29 for one in ten.

A fault that showed in every trial seen would by that formula be proved gone by a single clean one, although one or
two failures in a row say little of how often it fails. There the exact test of Fisher, which carries the doubt of
both sides, sets the number: 19 after 1 of 1, 5 after 2 of 2, 3 after 3 of 3.
"""

from __future__ import annotations

import math
from typing import Final

CONFIDENCE: Final = 0.95
"""One-sided, throughout."""

RULE_OF_THREE_FROM: Final = 31
"""Trials from which the rule of three is meant to be used."""


def upper_bound(failed: int, trials: int, *, confidence: float = CONFIDENCE) -> float:
    """Return the one-sided exact upper bound on a failure rate.

    Parameters
    ----------
    failed, trials : int
        Failures among so many trials, at least one.
    confidence : float
        How sure; 0.95 leaves one chance in twenty that the rate is higher.

    Raises
    ------
    ValueError
        If not 0 <= failed <= trials, or there is no trial.

    Examples
    --------
    >>> round(upper_bound(0, 100), 6)
    0.029513
    """
    _demand_trials(failed, trials)
    if failed == trials:
        return 1.0
    from scipy.special import betaincinv

    return float(betaincinv(failed + 1, trials - failed, confidence))


def interval(failed: int, trials: int, *, confidence: float = CONFIDENCE) -> tuple[float, float]:
    """Return the two-sided exact interval of a failure rate.

    >>> low, high = interval(1, 10)
    >>> round(low, 6), round(high, 6)
    (0.002529, 0.445016)
    """
    _demand_trials(failed, trials)
    from scipy.special import betaincinv

    each = (1 - confidence) / 2
    low = 0.0 if failed == 0 else float(betaincinv(failed, trials - failed + 1, each))
    high = 1.0 if failed == trials else float(betaincinv(failed + 1, trials - failed, 1 - each))
    return low, high


def rule_of_three(trials: int) -> float:
    """Return the quick upper bound on a failure rate after so many trials without a failure, at most 1.

    >>> rule_of_three(100)
    0.03
    """
    _demand_trials(0, trials)
    return min(3 / trials, 1.0)


def clean_needed(failed: int, trials: int, *, confidence: float = CONFIDENCE) -> int:
    """Return how many clean trials are needed after a fault that showed in `failed` of `trials`.

    Raises
    ------
    ValueError
        If not 1 <= failed <= trials: nothing can be proved of what never failed.

    Examples
    --------
    >>> clean_needed(1, 10), clean_needed(1, 1), clean_needed(3, 3)
    (29, 19, 3)
    """
    _demand_trials(failed, trials)
    if failed == 0:
        raise ValueError("a fault that never showed cannot be proved gone")
    if failed < trials:
        return math.ceil(math.log(1 - confidence) / math.log1p(-failed / trials))
    clean = 1
    # Equal to the limit counts, as in the test's usual use; 3 of 3 against 0 of 3 is exactly 1/20.
    while unchanged_chance(failed, trials, clean) > (1 - confidence) * (1 + 1e-9):
        clean += 1
    return clean


def unchanged_chance(failed: int, trials: int, clean: int) -> float:
    """Return the chance that all failures fell into the earlier trials if nothing was mended (Fisher, one-sided).

    >>> round(unchanged_chance(3, 3, 3), 6)
    0.05
    """
    # The quotient of two binomial coefficients that may have millions of digits, factor by factor.
    return math.prod((trials - failed + more) / (trials + more) for more in range(1, clean + 1))


def event_rate_bound(duration: float, *, confidence: float = CONFIDENCE) -> float:
    """Return the upper bound on how often something happens per unit of time that did not happen for `duration`.

    The events are taken to come at random, independent of one another (Poisson); -ln 0.05 is the 3 of the rule of
    three.

    >>> round(event_rate_bound(60.0) * 60, 3)
    2.996
    """
    return -math.log(1 - confidence) / duration


def quiet_needed(events: int, duration_ns: int, *, confidence: float = CONFIDENCE) -> int:
    """Return how long nothing must happen, ns, after something that happened so often in `duration_ns`."""
    if events < 1:
        raise ValueError("what never happened cannot be proved gone")
    return math.ceil(-math.log(1 - confidence) / events * duration_ns)


def _demand_trials(failed: int, trials: int) -> None:
    if trials < 1 or not 0 <= failed <= trials:
        raise ValueError(f"{failed} of {trials} is no count of failures among trials")
