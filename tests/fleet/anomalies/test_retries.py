from __future__ import annotations

from math import comb

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.examples import examples

from buslens.fleet.anomalies.columns import UNDATED, Tries
from buslens.fleet.anomalies.retries import rising_retries
from buslens.units import NS_PER_DAY


def tries(days: dict[int, list[int]]) -> Tries:
    """Return one handshake a day for each vehicle, from 2026-03-02 on, with so many tries."""
    rows = [(vehicle, day, count) for vehicle, own in days.items() for day, count in enumerate(own) if count]
    vehicle, day, count = (np.array(column, dtype=np.int64) for column in zip(*rows, strict=True))
    return Tries(
        rule="lock handshake",
        vehicle=vehicle,
        recorded_ns=(20_514 + day) * NS_PER_DAY + 30_000 * 1_000_000_000,
        tries=count,
        capture=np.arange(len(rows)),
    )


def at_least(marked: int, drawn: int, own: int, total: int) -> float:
    """Return how probable it is to draw so many marked ones or more (hypergeometric, by counting)."""
    ways = sum(comb(marked, k) * comb(total - marked, drawn - k) for k in range(own, min(marked, drawn) + 1))
    return ways / comb(total, drawn)


class TestRisingRetries:
    """A second try on more and more days."""

    def test_by_counting(self) -> None:
        """Five of the last fourteen days against one of forty-six: Fisher's exact test, by counting."""
        own = [1] * 60
        for day in (10, 47, 50, 52, 55, 59):
            own[day] = 2
        found = rising_retries(tries({0: own}))
        assert [(it.again_lately, it.days_lately, it.again_before, it.days_before) for it in found] == [(5, 14, 1, 46)]
        # The last sixty days are all there are, so that two windows were tried.
        assert found[0].p_value == pytest.approx(2.0 * at_least(6, 14, 5, 60))
        assert found[0].since_day == 20_514 + 46

    def test_a_cold_week(self) -> None:
        """What happens to all vehicles at the same time is no sign of one."""
        cold = [1] * 50 + [2] * 10
        alone = rising_retries(tries({0: cold}))
        together = rising_retries(tries(dict.fromkeys(range(8), cold)))
        assert alone[0].p_value < 1e-6
        assert all(it.p_value == 1.0 for it in together)
        among = rising_retries(tries({0: cold} | dict.fromkeys(range(1, 8), [1] * 60)))
        assert among[0].p_value == pytest.approx(alone[0].p_value)

    def test_never_and_always(self) -> None:
        """A vehicle that needed a second try from the beginning does not need it oftener."""
        found = rising_retries(tries({0: [1] * 40, 1: [2] * 40, 2: [2] * 20 + [1] * 20}))
        assert [it.p_value for it in found] == [1.0, 1.0, 1.0]

    def test_many_handshakes_of_one_day(self) -> None:
        """A day of many tries is one day."""
        own = [1] * 30
        one = tries({0: [*own, 3]})
        many = Tries(
            rule=one.rule,
            vehicle=np.append(one.vehicle, [0] * 50),
            recorded_ns=np.append(one.recorded_ns, [one.recorded_ns[-1]] * 50),
            tries=np.append(one.tries, [3] * 50),
            capture=np.arange(81),
        )
        assert rising_retries(many) == rising_retries(one)

    def test_few_days(self) -> None:
        assert rising_retries(tries({0: [1] * 4 + [2] * 2})) == []

    def test_without_dates(self) -> None:
        some = tries({0: [1] * 30})
        undated = Tries(
            rule=some.rule,
            vehicle=some.vehicle,
            recorded_ns=np.full(30, UNDATED),
            tries=some.tries,
            capture=some.capture,
        )
        assert rising_retries(undated) == []

    @settings(max_examples=examples(15))
    @given(seed=st.integers(0, 10_000))
    def test_order(self, seed: int) -> None:
        dice = np.random.default_rng(seed)
        plain = tries({vehicle: dice.integers(1, 3, size=40).tolist() for vehicle in range(3)})
        order = dice.permutation(len(plain.vehicle))
        names = ("vehicle", "recorded_ns", "tries", "capture")
        mixed = Tries(rule=plain.rule, **{name: getattr(plain, name)[order] for name in names})
        assert rising_retries(mixed) == rising_retries(plain)
