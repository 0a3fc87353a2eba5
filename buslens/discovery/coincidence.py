"""How surprising it is that a bit changes when something was done.

Of one bit the moments of a capture are known at which a mark would be explained by a change: from a while before each
change to a while after, as marks are off and a bit follows late. They cover a part c of the capture. If the marks had
nothing to do with the bit and had been made at any times, each would be explained with the chance c, whatever the
times of the changes are; so the number of marks explained out of k is binomial, exactly. For an action and its
opposite (one turns the bit on, the other off) it is the sum of two binomials. A bit that changes all the time has
c near 1, so that nothing it coincides with is a surprise; every other change that it makes raises c too.

Many bits are tried, each in several ways. A p-value p is corrected by adding up over everything that was tried the
chance that it alone would have come out as surprising as p: Bonferroni's sum, but with the probabilities that each
test can really take, so that those which could never be as surprising cost nothing (R. E. Tarone, Biometrics 46, 1990;
P. H. Westfall and R. D. Wolfinger, The American Statistician 51, 1997; both from memory). By Boole's inequality the
chance of any corrected p below 0.05 is at most 0.05 when no mark has to do with any bit, however the bits depend on
one another. It takes marks as made at times independent of one another, which those of a person are not quite: a door
is shut soon after it was opened. A bit that turns over by the clock (the upper bits of a slow counter) may keep step
with that for a while, so bits with an even beat are not tried at all, whenever the marks are.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum
from typing import Final

import numpy as np
from numpy.typing import NDArray

from buslens.discovery.changes import BitToggles
from buslens.discovery.marks import MarkedAction


class ToggleDirection(Enum):
    """What a bit does at an action."""

    UP = "0 to 1"
    DOWN = "1 to 0"
    EITHER = "any change"


@dataclass(frozen=True, slots=True, kw_only=True)
class Term:
    """One action, and what the bit is thought to do at it."""

    #: Index among the actions.
    action: int
    way: ToggleDirection


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Coverage:
    """Of each bit, which marks are explained by its changes of one way, and which part of the capture they cover."""

    #: bool[bits, marks].
    explained: NDArray[np.bool_]
    #: float64[bits], 0 to 1.
    covered: NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Trial:
    """One way of explaining marks, tried on every bit."""

    terms: tuple[Term, ...]
    #: int64[bits], marks explained, of so many.
    hits: NDArray[np.int64]
    n_marks: int
    #: float64[bits, n_marks + 1], chance of at least so many.
    tails: NDArray[np.float64]
    #: bool[bits], whether more than half of the marks of every action are explained.
    eligible: NDArray[np.bool_]

    @property
    def p(self) -> NDArray[np.float64]:
        """float64[bits], chance of at least as many marks as were explained."""
        return np.asarray(self.tails[np.arange(len(self.hits)), self.hits])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BitTests:
    """Everything that was tried."""

    #: int64[bits], codes of the bits.
    code: NDArray[np.int64]
    trials: tuple[Trial, ...]
    #: Bits that were not tried because they turn over by the clock.
    n_even: int

    def corrected(self, p: float) -> float:
        """Return a p-value corrected for all that was tried, at most 1."""
        limit = p * (1 + 1e-9)
        chances = (np.where(trial.tails <= limit, trial.tails, 0.0).max(axis=1, initial=0.0) for trial in self.trials)
        return min(1.0, float(sum(chance.sum() for chance in chances)))


_WAYS: Final = tuple(ToggleDirection)
EVEN_BEAT: Final = 0.1
"""A bit turns over by the clock if its intervals are that near to one length, a part of it (rule of thumb) ..."""
LEAST_BEATS: Final = 6
"""... and there are so many intervals, and more changes than marks: a rig may act by the clock too (rule of thumb)."""
_OPPOSITES: Final = ((ToggleDirection.UP, ToggleDirection.DOWN), (ToggleDirection.DOWN, ToggleDirection.UP))


def cover(
    changes: BitToggles,
    rows: NDArray[np.intp],
    code: NDArray[np.int64],
    marks_ns: NDArray[np.int64],
    *,
    window: MatchWindow,
) -> Coverage:
    """Return which marks some changes explain.

    Parameters
    ----------
    changes : Changes
        Of a capture.
    rows : ndarray of intp
        Rows of `changes` that count, ascending.
    code : ndarray of int64, shape (bits,)
        Codes of the bits, ascending.
    marks_ns : ndarray of int64, shape (marks,)
        On the capture's axis.
    window : Window
        Which times a change explains.
    """
    bit = np.searchsorted(code, changes.code[rows])
    start = np.clip(changes.since_ns[rows] - window.before_ns, window.first_ns, window.end_ns)
    stop = np.clip(changes.seen_ns[rows] + window.after_ns, window.first_ns, window.end_ns)
    # Both ends ascend within a bit, so that each stretch reaches at most into the one before.
    same = np.append(False, bit[1:] == bit[:-1])
    own = np.where(same, np.maximum(start, np.append(0, stop[:-1])), start)
    length = np.maximum(stop - own, 0)
    span = max(window.end_ns - window.first_ns, 1)
    covered = np.bincount(bit, weights=length, minlength=len(code)) / span
    explained = np.zeros((len(code), len(marks_ns)), np.bool_)
    for index, mark_ns in enumerate(marks_ns.tolist()):
        begun = np.bincount(bit[start <= mark_ns], minlength=len(code))
        over = np.bincount(bit[stop < mark_ns], minlength=len(code))
        explained[:, index] = begun > over
    return Coverage(explained=explained, covered=np.minimum(covered, 1.0))


@dataclass(frozen=True, slots=True, kw_only=True)
class MatchWindow:
    """Which marks a change explains: those from `before_ns` before it may have come about to `after_ns` after."""

    before_ns: int
    after_ns: int
    #: First and last frame of the capture, ns.
    first_ns: int
    end_ns: int


def run_trials(changes: BitToggles, actions: Sequence[MarkedAction], *, window: MatchWindow) -> BitTests:
    """Try every bit that changed as the explanation of every action alone, and of every two as opposites.

    Parameters
    ----------
    changes : Changes
        Of a capture.
    actions : sequence of Action
        Times count from the capture's first frame.
    window : Window
        Which marks a change explains.
    """
    code, has_even_beat = _beats(changes, sum(len(action.times_ns) for action in actions))
    n_even, code = int(has_even_beat.sum()), code[~has_even_beat]
    owner = np.concatenate([np.full(len(action.times_ns), index) for index, action in enumerate(actions)])
    marks_ns = window.first_ns + np.concatenate([np.array(action.times_ns, np.int64) for action in actions])
    tried = np.isin(changes.code, code)
    rows = {
        ToggleDirection.UP: np.flatnonzero(tried & changes.rising),
        ToggleDirection.DOWN: np.flatnonzero(tried & ~changes.rising),
        ToggleDirection.EITHER: np.flatnonzero(tried),
    }
    coverages = {way: cover(changes, rows[way], code, marks_ns, window=window) for way in _WAYS}
    n_actions = len(actions)
    plans: list[tuple[Term, ...]] = [(Term(action=index, way=way),) for index in range(n_actions) for way in _WAYS]
    plans += [
        (Term(action=one, way=first), Term(action=other, way=second))
        for one in range(n_actions)
        for other in range(one + 1, n_actions)
        for first, second in _OPPOSITES
    ]
    return BitTests(code=code, trials=tuple(_trial(plan, coverages, owner) for plan in plans), n_even=n_even)


def _beats(changes: BitToggles, n_marks: int) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    """Return the codes of all bits that changed, and which of them turn over by the clock."""
    code, first, count = np.unique(changes.code, return_index=True, return_counts=True)
    even = np.zeros(len(code), np.bool_)
    many = np.flatnonzero((count > LEAST_BEATS) & (count > n_marks))
    if len(many):
        interval = np.diff(changes.seen_ns, append=0)
        # Each bit's intervals, and behind them what lies up to the next bit, which does not count.
        bounds = np.stack((first[many], first[many] + count[many] - 1), axis=1).ravel()
        longest, shortest = (reduce.reduceat(interval, bounds)[::2] for reduce in (np.maximum, np.minimum))
        even[many] = longest - shortest <= EVEN_BEAT * (longest + shortest)
    return code, even


def _trial(terms: tuple[Term, ...], coverages: dict[ToggleDirection, Coverage], owner: NDArray[np.int64]) -> Trial:
    from scipy.stats import binom

    hits: list[NDArray[np.int64]] = []
    eligible: list[NDArray[np.bool_]] = []
    pmf: NDArray[np.float64] | None = None
    n_marks = 0
    for term in terms:
        coverage = coverages[term.way]
        mine = coverage.explained[:, owner == term.action]
        count = mine.shape[1]
        hits.append(mine.sum(axis=1))
        eligible.append(2 * hits[-1] > count)
        own = binom.pmf(np.arange(count + 1)[None, :], count, coverage.covered[:, None])
        pmf = own if pmf is None else _convolved(pmf, own)
        n_marks += count
    assert pmf is not None  # noqa: S101  (a plan has terms)
    # Summed from the small end, so that small chances stay exact.
    tails = np.minimum(np.cumsum(pmf[:, ::-1], axis=1)[:, ::-1], 1.0)
    return Trial(
        terms=terms, hits=np.sum(hits, axis=0), n_marks=n_marks, tails=tails, eligible=np.logical_and.reduce(eligible)
    )


def _convolved(one: NDArray[np.float64], other: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the distribution of the sum of two independent counts, for each bit."""
    result = np.zeros((len(one), one.shape[1] + other.shape[1] - 1))
    for shift in range(other.shape[1]):
        result[:, shift : shift + one.shape[1]] += one * other[:, shift, None]
    return result
