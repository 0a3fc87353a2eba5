"""How many clean handshakes after a repair prove it.

A repair is called proved where an unrepaired vehicle would show the same captures in at most 5 % of cases. Two claims
about the failures before the repair are checked differently:

* K failures *counted* in N handshakes say little of the rate where N is small. Fisher's exact test carries the doubt of
  both sides (R. A. Fisher, The Design of Experiments, 1935; cited from memory): if nothing changed, the chance that
  all K failures fell among the first N of N + n handshakes is C(N, K) / C(N + n, K). 19 clean ones are needed after
  1 of 1, 38 after 1 of 2, 5 after 2 of 2.
* A rate r that a person *states* as known is taken as exact: (1 - r)^n. 29 are needed for one in ten.

For events outside handshakes the same holds of recorded time: if nothing changed, k events of two Poisson processes of
one rate all fall into the first T of T + t with the chance (T / (T + t))^k (Przyborowski and Wilenski, Biometrika
31:313, 1940; cited from memory).
"""

import math
from bisect import bisect_left
from typing import Final

CONFIDENCE: Final = 0.95
"""One-sided, throughout."""

_LEVEL: Final = 0.05
"""Chance at which an unrepaired vehicle may pass for repaired."""

_LEVEL_ROUNDED: Final = _LEVEL * (1 + 1e-9)
"""A chance equal to the level counts: 3 clean after 3 of 3 is exactly 1/20, but for rounding."""


_MOST_FACTORS: Final = 10_000
"""Products of more are worked out by logarithms, which are exact enough for counts of that size."""


def upper_bound(failed: int, trials: int) -> float:
    """Return the one-sided exact upper bound on a failure rate (Clopper and Pearson, Biometrika 26:404, 1934).

    Raises
    ------
    ValueError
        If not 0 <= failed <= trials, or there is no trial.

    Examples
    --------
    >>> round(upper_bound(0, 100), 6)
    0.029513
    """
    return _bound(failed, trials, CONFIDENCE)


def interval(failed: int, trials: int) -> tuple[float, float]:
    """Return the two-sided exact interval of a failure rate (Clopper and Pearson).

    >>> low, high = interval(1, 10)
    >>> round(low, 6), round(high, 6)
    (0.002529, 0.445016)
    """
    outside = (1 - CONFIDENCE) / 2
    return 1 - _bound(trials - failed, trials, 1 - outside), _bound(failed, trials, 1 - outside)


def _bound(failed: int, trials: int, confidence: float) -> float:
    """Return the exact upper bound on a rate at a one-sided confidence, by the quantile of the beta distribution."""
    # Not scipy.stats, which takes a second to load.
    from scipy.special import betaincinv

    if not 0 <= failed <= trials or not trials:
        raise ValueError(f"{failed} of {trials} is no count of failures among trials")
    return 1.0 if failed == trials else float(betaincinv(failed + 1, trials - failed, confidence))


def p_unchanged(failed: int, trials: int, clean: int) -> float:
    """Return the chance of `clean` handshakes after `failed` of `trials` if nothing changed (Fisher, one-sided).

    >>> round(p_unchanged(3, 3, 3), 6)
    0.05
    """
    # C(N, K) / C(N + n, K) as a product of K factors, or of n.
    if min(failed, clean) <= _MOST_FACTORS:
        if failed <= clean:
            return math.prod((trials - k) / (trials + clean - k) for k in range(failed))
        return math.prod((trials - failed + k) / (trials + k) for k in range(1, clean + 1))
    whole = trials + clean
    parts = (trials + 1, whole - failed + 1), (trials - failed + 1, whole + 1)
    up, down = (sum(math.lgamma(it) for it in some) for some in parts)
    return math.exp(up - down)


def clean_trials_needed(failed: int, trials: int) -> int:
    """Return how many clean handshakes prove a repair after `failed` of `trials`.

    Raises
    ------
    ValueError
        If not 1 <= failed <= trials: nothing can be proved of what never failed.

    Examples
    --------
    >>> clean_trials_needed(1, 1), clean_trials_needed(1, 2), clean_trials_needed(2, 2), clean_trials_needed(1, 10)
    (19, 38, 5, 190)
    """
    if not 1 <= failed <= trials:
        raise ValueError(f"{failed} of {trials} is no count of failures among trials")
    # The chance falls with every clean one; after a single failure it is N / (N + n), after more it is less.
    counts = range(1, 19 * trials)
    return 1 + bisect_left(counts, True, key=lambda clean: p_unchanged(failed, trials, clean) <= _LEVEL_ROUNDED)


def clean_trials_needed_at(rate: float) -> int:
    """Return how many clean handshakes prove a repair if the failure rate before is known.

    Raises
    ------
    ValueError
        If the rate does not lie between 0 and 1, both ends excluded.

    Examples
    --------
    >>> clean_trials_needed_at(0.1)
    29
    """
    if not 0 < rate < 1:
        raise ValueError(f"{rate} is no failure rate between 0 and 1")
    return math.ceil(math.log(_LEVEL) / math.log1p(-rate))


def contradicts(failed: int, trials: int, rate: float) -> bool:
    """Return whether the counted failures are too few for a rate (binomial test, one-sided at 5 %).

    >>> contradicts(1, 10, 0.1), contradicts(1, 10, 0.9)
    (False, True)
    """
    from scipy.stats import binomtest

    return bool(binomtest(failed, trials, rate, alternative="less").pvalue <= _LEVEL)


def quiet_needed(events: int, duration_ns: int) -> int:
    """Return the recorded time without an event, ns, that proves a repair after `events` in `duration_ns`.

    Raises
    ------
    ValueError
        If there was no event, or no time.

    Examples
    --------
    >>> quiet_needed(1, 10_000), quiet_needed(3, 10_000)
    (190000, 17145)
    """
    if events < 1 or duration_ns < 1:
        raise ValueError(f"{events} events in {duration_ns} ns are nothing that can be proved gone")
    return math.ceil(duration_ns * (math.pow(1 / _LEVEL, 1 / events) - 1))
