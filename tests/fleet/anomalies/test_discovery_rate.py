from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from buslens.fleet.anomalies.discovery_rate import LEVEL, adjusted, q_values

P_VALUES = st.lists(st.sampled_from([0.0, 1e-6, 0.001, 0.01, 0.01, 0.04, 0.05, 0.2, 0.5, 1.0]), min_size=1, max_size=30)


def step_up(p_value: np.ndarray, level: float) -> np.ndarray:
    """Return what is rejected, by the words of Benjamini and Hochberg 1995: the largest k with p(k) <= k q / m."""
    ordered = np.sort(p_value)
    ranks = np.arange(1, len(p_value) + 1)
    passing = np.flatnonzero(ordered <= ranks * level / len(p_value))
    return p_value <= (ordered[passing[-1]] if len(passing) else -1.0)


class TestAdjusted:
    """The procedure of Benjamini and Hochberg."""

    def test_their_example(self) -> None:
        """Benjamini and Hochberg 1995, section 3.2, as quoted in the documentation of scipy: four are rejected."""
        smallest = [0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459]
        p_value = np.array([*smallest, 0.3240, 0.4262, 0.5719, 0.6528, 0.7590, 1.0])
        found = adjusted(p_value)
        assert (found <= LEVEL).sum() == 4
        assert found[3] == pytest.approx(0.035625)
        assert found[4] == pytest.approx(0.0603)

    @given(p_values=P_VALUES, level=st.sampled_from([0.01, 0.049, 0.1, 0.3]))
    def test_ties(self, p_values: list[float], level: float) -> None:
        p_value = np.array(p_values)
        found = adjusted(p_value)
        # A level that is met to the last digit may round either way.
        clear = np.abs(found - level) > 1e-12
        assert ((found <= level) == step_up(p_value, level))[clear].all()


class TestQValues:
    """One family of vehicles and kinds."""

    @given(p_values=P_VALUES)
    def test_alone_in_its_group(self, p_values: list[float]) -> None:
        p_value = np.array(p_values)
        assert q_values(p_value, list(range(len(p_value)))) == pytest.approx(adjusted(p_value))

    @given(rows=st.lists(st.tuples(st.floats(0, 1), st.integers(0, 3)), min_size=1, max_size=25))
    def test_simes(self, rows: list[tuple[float, int]]) -> None:
        """A group is as certain as Simes says, the families of one being the groups."""
        p_value = np.array([row[0] for row in rows])
        group = [row[1] for row in rows]
        names = sorted(set(group))
        simes = []
        for name in names:
            own = sorted(p for p, of in rows if of == name)
            simes.append(min(p * len(own) / rank for rank, p in enumerate(own, 1)))
        together = dict(zip(names, adjusted(np.array(simes)).tolist(), strict=True))
        found = q_values(p_value, group)
        for name in names:
            own = found[np.array(group) == name]
            assert own.min() == pytest.approx(max(together[name], min(simes[names.index(name)], 1.0)))
            assert (own >= together[name] - 1e-12).all()

    def test_many_signs_of_one_vehicle_make_no_room(self) -> None:
        """A vehicle that fails in thirty steps does not make a p-value of 0.04 of another worth telling."""
        p_value = np.array([1e-9] * 30 + [0.04, 0.9])
        found = q_values(p_value, ["failing"] * 30 + ["sound", "another"])
        assert (found[:30] < 1e-8).all()
        assert found[30] > LEVEL
        assert adjusted(p_value)[30] < LEVEL

    def test_nothing_tested(self) -> None:
        assert len(q_values(np.array([]), [])) == 0

    def test_false_discoveries(self) -> None:
        """Of families in which half of the groups are sound, at most one in twenty told is sound, on average."""
        dice = np.random.default_rng(11)
        shares = []
        for _ in range(120):
            p_value = dice.uniform(size=40)
            group = np.repeat(np.arange(20), 2)
            p_value[group < 10] *= 1e-3
            told = {int(name) for name in group[q_values(p_value, group.tolist()) <= LEVEL]}
            shares.append(sum(name >= 10 for name in told) / max(len(told), 1))
        assert np.mean(shares) < LEVEL
        assert np.mean(shares) > 0.002
