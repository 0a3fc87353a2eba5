from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest

from buslens.fleet.anomalies.columns import VehicleTraffic
from buslens.fleet.anomalies.traffic import _final_run, cycle_changes, message_changes
from buslens.units import NS_PER_DAY

SECOND = 1_000_000_000


def heard(
    days: list[dict[int, float]], *, duration: float | list[float] = 10.0, captures_a_day: int = 1
) -> VehicleTraffic:
    """Return captures of a vehicle: for each day, identifiers with their cycle times, ms."""
    durations = duration if isinstance(duration, list) else [duration] * len(days)
    captures, rows = [], []
    for day, sent in enumerate(days):
        for turn in range(captures_a_day):
            captures.append(((20_514 + day) * NS_PER_DAY + turn * SECOND, int(durations[day] * SECOND)))
            for identifier, cycle in sent.items():
                frames = int(durations[day] * 1000 / cycle)
                if frames:
                    cycle_ns = int(cycle * 1e6) if frames > 1 else -1
                    # Clocks differ a little from day to day, so that no two medians are alike.
                    rows.append((len(captures) - 1, 2 * identifier, frames, cycle_ns + (day % 7) * 100 + day))
    recorded_ns, lasts_ns = (np.array(column) for column in zip(*captures, strict=True))
    row, identifier, frames, cycle_ns = (np.array(column, dtype=np.int64) for column in zip(*rows, strict=True))
    return VehicleTraffic(
        recorded_ns=recorded_ns,
        duration_ns=lasts_ns,
        capture=np.arange(len(captures)),
        row=row,
        identifier=identifier,
        frames=frames,
        cycle_ns=cycle_ns,
    )


USUAL = {0x0B6: 20.0, 0x0C4: 20.0, 0x3A2: 100.0}
WITHOUT = {0x0B6: 20.0, 0x3A2: 100.0}


class TestFinalRun:
    """How improbable it is that so many last days are alike."""

    @pytest.mark.parametrize("total", [4, 6, 8])
    def test_all_orders(self, total: int) -> None:
        """Over all orders of the same days, p-values up to a level are no oftener than the level says."""
        days = np.arange(total)
        for absent in range(1, total):
            p_values = []
            for places in combinations(range(total), absent):
                present = np.ones(total, dtype=np.bool_)
                present[list(places)] = False
                change = _final_run(1, days, present)
                assert change is not None
                p_values.append(change.p_value)
            for level in sorted(set(p_values)):
                assert np.mean([p <= level + 1e-12 for p in p_values]) <= level + 1e-9

    def test_all_alike(self) -> None:
        assert _final_run(1, np.arange(9), np.ones(9, dtype=np.bool_)) is None


class TestMessageChanges:
    """Messages that came or went."""

    def test_went(self) -> None:
        found = message_changes(heard([USUAL] * 20 + [WITHOUT] * 6))
        assert found is not None
        p_value, changes = found
        # 2 / C(26, 6): of all orders, the six days without it are the last ones.
        assert p_value == pytest.approx(2.0 / 230_230)
        assert [(it.identifier, it.is_there, it.since_day, it.days_lately) for it in changes] == [
            (2 * 0x0C4, False, 20_514 + 20, 6)
        ]

    def test_came(self) -> None:
        found = message_changes(heard([WITHOUT] * 20 + [USUAL] * 6))
        assert found is not None
        assert found[0] < 1e-4
        assert [(it.identifier, it.is_there) for it in found[1]] == [(2 * 0x0C4, True)]

    def test_first_capture(self) -> None:
        """A first capture with few messages, of a car with a flat battery, is no change worth telling."""
        found = message_changes(heard([{0x0B6: 20.0}] + [USUAL] * 30))
        assert found is not None
        assert found[0] > 0.05
        assert found[1] == []

    def test_short_capture(self) -> None:
        """A capture of 0.2 s does not say that a message of every 100 ms is absent, nor one of every second."""
        days = [USUAL | {0x7A1: 1000.0}] * 10 + [{0x0B6: 20.0, 0x0C4: 20.0}] * 5
        found = message_changes(heard(days, duration=[10.0] * 10 + [0.2] * 5))
        assert found is None

    def test_now_and_then(self) -> None:
        """A message that comes on some days, at random, has not gone because it did not come today."""
        days = [USUAL if day % 3 else WITHOUT for day in range(31)]
        found = message_changes(heard(days))
        assert found is not None
        assert found[0] > 0.05

    def test_captures_of_one_day(self) -> None:
        """Ten captures of one day count as one day."""
        days = [USUAL] * 10 + [WITHOUT]
        assert message_changes(heard(days, captures_a_day=10)) == message_changes(heard(days))

    def test_several_at_once(self) -> None:
        many = USUAL | {0x100 + number: 50.0 for number in range(12)}
        found = message_changes(heard([many] * 25 + [USUAL] * 5))
        assert found is not None
        assert len(found[1]) == 12
        assert found[0] == pytest.approx(12 * 2.0 / 142_506)


class TestCycleChanges:
    """Cycle times that changed."""

    def test_half_as_often(self) -> None:
        found = cycle_changes(heard([USUAL] * 25 + [USUAL | {0x0B6: 40.0}] * 8))
        assert found is not None
        p_value, changes = found
        assert p_value < 1e-3
        assert [(it.identifier, it.since_day, it.days_lately) for it in changes] == [(2 * 0x0B6, 20_514 + 25, 8)]
        assert changes[0].cycle_before_ns == pytest.approx(20e6, rel=1e-3)
        assert changes[0].cycle_now_ns == pytest.approx(40e6, rel=1e-3)

    def test_long_ago(self) -> None:
        """What was changed long ago is still told, with its date."""
        found = cycle_changes(heard([USUAL] * 20 + [USUAL | {0x0B6: 40.0}] * 60))
        assert found is not None
        assert found[0] < 1e-6
        assert found[1][0].since_day == 20_514 + 20

    def test_too_little_to_matter(self) -> None:
        found = cycle_changes(heard([USUAL] * 25 + [USUAL | {0x0B6: 20.5}] * 8))
        assert found is not None
        assert found[0] == 1.0

    def test_coarse_recordings(self) -> None:
        """A recorder that leaves out frames now and then is no change."""
        coarse = dict.fromkeys(USUAL, 100.0)
        found = cycle_changes(heard([coarse if day in {3, 17, 29} else USUAL for day in range(30)]))
        assert found is not None
        assert found[0] > 0.05

    def test_short_past(self) -> None:
        assert cycle_changes(heard([USUAL] * 4 + [USUAL | {0x0B6: 40.0}] * 3)) is None
