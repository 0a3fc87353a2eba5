"""One family of all tests of a fleet: on average, at most 5 % of what is reported is a false alarm.

Benjamini and Hochberg 1995: p-values in ascending order, the k-th of m times m / k, made monotone from the top. The
share of false alarms among all alarms is then at most the level on average, for tests that are independent or
depend on each other positively (Benjamini and Yekutieli 2001, from memory). The engine is scipy's.

What a person acts on is a vehicle, not a step: a motor that fails shows in many steps at once, and each of them would
make room for a false alarm somewhere else. So the family is that of vehicles and kinds of anomaly. Each of these has
one p-value, of all of its tests together (Simes 1986, from memory: the least of the adjusted ones); what is told
within it must be certain within it, too.
"""

from collections.abc import Hashable, Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

LEVEL: Final = 0.05
"""Largest share of false alarms among what is told, on average."""


def q_values(p_value: NDArray[np.float64], group: Sequence[Hashable]) -> NDArray[np.float64]:
    """Return the adjusted p-value of each test of a family.

    Parameters
    ----------
    group : sequence of m
        Whom each test is about: a vehicle and a kind of anomaly.

    Returns
    -------
    ndarray of float64, shape (m,)
        The least level at which the test would be told: the larger one of that of its group among all groups, and its
        own within its group.
    """
    if not len(p_value):
        return np.empty(0)
    numbers: dict[Hashable, int] = {}
    place = np.array([numbers.setdefault(name, len(numbers)) for name in group])
    order = np.argsort(place, kind="stable")
    own = np.empty(len(p_value))
    together = np.empty(len(numbers))
    for members in np.split(order, np.flatnonzero(np.diff(place[order])) + 1):
        own[members] = adjusted(p_value[members])
        together[place[members[0]]] = own[members].min()
    found: NDArray[np.float64] = np.maximum(own, adjusted(together)[place])
    return found


def adjusted(p_value: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return p-values after Benjamini and Hochberg."""
    from scipy import stats

    found: NDArray[np.float64] = stats.false_discovery_control(p_value, method="bh")
    return found
