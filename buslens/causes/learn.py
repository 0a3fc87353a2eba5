"""How common causes are in one's own workshop: the weights of a file as a Dirichlet prior, and confirmed jobs counted.

The weights count for as many jobs as the file's `worth` says. With weight share p of a cause, worth s, k of n confirmed
jobs: the new share is (s p + k) / (s + n), the mean of the posterior. Its marginal is a beta distribution, from which
the interval comes (A. Gelman and others, Bayesian Data Analysis, 3.4; from memory).
"""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from buslens.causes.model import Cause, Causes
from buslens.errors import UsageError, did_you_mean

CONFIDENCE: Final = 0.95


@dataclass(frozen=True, slots=True, kw_only=True)
class LearnedShare:
    """How common one cause is, before and after the jobs were counted."""

    cause: Cause
    #: Share by the file, 0 to 1.
    old: float
    #: Jobs that confirmed it.
    count: int
    #: Share with the jobs, 0 to 1, and the interval that holds it with 95 % probability.
    new: float
    low: float
    high: float


def learn(causes: Causes, confirmed: Sequence[str]) -> tuple[LearnedShare, ...]:
    """Return how common each cause is, the most common first.

    Raises UsageError if the file does not know one of them.
    """
    from scipy.special import betaincinv

    for name in confirmed:
        if name not in causes.causes:
            raise UsageError(f"{causes.path} has no cause '{name}'{did_you_mean(name, causes.causes)}")
    counts = Counter(confirmed)
    total = sum(cause.weight for cause in causes.causes.values())
    worth, jobs = causes.numbers.worth, len(confirmed)
    shares = []
    for name, cause in causes.causes.items():
        old = cause.weight / total
        mine = worth * old + counts[name]
        rest = worth + jobs - mine
        low, high = (
            (float(betaincinv(mine, rest, tail)) for tail in ((1 - CONFIDENCE) / 2, (1 + CONFIDENCE) / 2))
            if rest > 0
            else (1.0, 1.0)
        )
        shares.append(
            LearnedShare(cause=cause, old=old, count=counts[name], new=mine / (worth + jobs), low=low, high=high)
        )
    return tuple(sorted(shares, key=lambda it: (-it.new, it.cause.name)))
