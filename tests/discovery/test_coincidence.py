from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binom

from buslens.discovery.changes import BITS, BitToggles, FrameKey
from buslens.discovery.coincidence import MatchWindow, ToggleDirection, cover, run_trials
from buslens.discovery.marks import MarkedAction


def changes_of(bits: dict[int, list[tuple[int, int, bool]]]) -> BitToggles:
    """Return changes of one identifier: bit -> (since, seen, rising)."""
    rows = [(bit, *change) for bit, of in sorted(bits.items()) for change in of]
    return BitToggles(
        origins=(FrameKey("can0", 0x100, False),),
        frames=np.array([100]),
        period_ns=np.array([10]),
        length=np.array([8]),
        code=np.array([row[0] for row in rows], np.int64),
        since_ns=np.array([row[1] for row in rows], np.int64),
        seen_ns=np.array([row[2] for row in rows], np.int64),
        rising=np.array([row[3] for row in rows], np.bool_),
        n_busy=0,
    )


WINDOW = MatchWindow(before_ns=30, after_ns=20, first_ns=0, end_ns=1000)


class TestCover:
    """The part of the capture in which a mark would be explained is measured exactly."""

    @given(
        st.lists(st.tuples(st.integers(1, 120), st.integers(1, 120)), max_size=8),
        st.lists(st.integers(0, 1000), min_size=1, max_size=5),
    )
    def test_against_counting(self, steps: list[tuple[int, int]], marks: list[int]) -> None:
        """Counted at every ns: a unit of time is covered if it lies in the stretch of some change."""
        rows, at = [], 0
        for gap, length in steps:
            if at + gap + length < 1000:
                rows.append((at + gap, at + gap + length, True))
                at += gap + length
        changes = changes_of({0: rows, 1: [(400, 410, True)]})
        found = cover(changes, np.arange(len(changes.code)), np.array([0, 1]), np.array(marks), window=WINDOW)
        inside = np.zeros(1000, bool)
        for since, seen, _ in rows:
            inside[max(0, since - 30) : min(1000, seen + 20)] = True
        assert found.covered[0] == pytest.approx(inside.mean())
        assert found.covered[1] == pytest.approx(0.060)
        for index, mark in enumerate(marks):
            assert found.explained[0, index] == any(since - 30 <= mark <= seen + 20 for since, seen, _ in rows)


class TestTrials:
    """Chances are the binomial distribution's, and are corrected for all that was tried."""

    def test_one_action(self) -> None:
        """Three of three marks, each with the chance c, is c cubed."""
        changes = changes_of({3: [(100, 110, True), (300, 310, True), (500, 510, True), (700, 710, False)]})
        trials = run_trials(changes, [MarkedAction(words="x", times_ns=(105, 305, 505))], window=WINDOW)
        by_way = {trial.terms[0].way: trial for trial in trials.trials}
        assert by_way[ToggleDirection.UP].hits.tolist() == [3]
        assert by_way[ToggleDirection.UP].p[0] == pytest.approx(0.18**3)
        assert by_way[ToggleDirection.DOWN].p[0] == 1.0
        assert by_way[ToggleDirection.EITHER].p[0] == pytest.approx(0.24**3)

    def test_opposites(self) -> None:
        """Of two actions it is the sum of two binomials, here against the convolution written out."""
        changes = changes_of({0: [(100, 110, True), (300, 310, False), (500, 510, True), (550, 560, False)]})
        actions = [MarkedAction(words="on", times_ns=(105, 505, 900)), MarkedAction(words="off", times_ns=(305, 800))]
        trials = run_trials(changes, actions, window=WINDOW)
        pair = next(
            it for it in trials.trials if [term.way for term in it.terms] == [ToggleDirection.UP, ToggleDirection.DOWN]
        )
        assert pair.hits.tolist() == [3]
        up = down = 0.12
        expected = sum(binom.pmf(i, 3, up) * binom.pmf(j, 2, down) for i in range(4) for j in range(3) if i + j >= 3)
        assert pair.p[0] == pytest.approx(expected)
        assert not pair.eligible[0]  # only half of the second action's marks

    def test_a_busy_bit_is_no_surprise(self) -> None:
        busy = [(10 * n, 10 * n + 4 + 5 * (n % 2), n % 2 == 0) for n in range(100)]
        trials = run_trials(changes_of({0: busy}), [MarkedAction(words="x", times_ns=(1, 2, 3, 400))], window=WINDOW)
        assert all(trial.p[0] > 0.9 for trial in trials.trials)

    def test_a_bit_that_turns_over_by_the_clock_is_not_tried(self) -> None:
        even = [(100 * n, 100 * n + 5 + n % 2, n % 2 == 0) for n in range(9)]
        uneven = [*even[:8], (880, 886, True)]
        changes = changes_of({0: even, 1: uneven})
        few = run_trials(changes, [MarkedAction(words="x", times_ns=(100, 300))], window=WINDOW)
        assert (few.code.tolist(), few.n_even) == ([1], 1)
        # A rig that acts by the clock, and marks all that it does, finds its bit.
        all_marked = run_trials(changes, [MarkedAction(words="x", times_ns=tuple(range(0, 900, 100)))], window=WINDOW)
        assert all_marked.code.tolist() == [0, 1]

    def test_correction_is_at_least_the_p_and_at_most_bonferroni(self) -> None:
        quiet = {bit: [(100 * bit, 100 * bit + 5, True)] for bit in range(1, 8)}
        trials = run_trials(changes_of(quiet), [MarkedAction(words="x", times_ns=(102, 420))], window=WINDOW)
        n_tests = len(trials.code) * len(trials.trials)
        for trial in trials.trials:
            for p in trial.p.tolist():
                assert min(p, 1.0) <= trials.corrected(p) + 1e-12 <= min(1.0, n_tests * p) + 2e-12

    def test_corrected_is_the_chance_of_anything_so_surprising(self) -> None:
        """With one bit of one change and one mark everything can be counted: up and either are the same chance."""
        trials = run_trials(
            changes_of({0: [(100, 110, True)]}), [MarkedAction(words="x", times_ns=(100,))], window=WINDOW
        )
        assert trials.corrected(0.06) == pytest.approx(0.12)  # the union is 0.06; the bound adds both ways

    def test_codes(self) -> None:
        assert changes_of({5: [(1, 2, True)]}).of(5) == slice(0, 1)
        assert changes_of({5: [(1, 2, True)]}).of(BITS) == slice(1, 1)
