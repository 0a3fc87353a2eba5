"""What the control unit may and may not do, in every rehearsal there is."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest
from support.examples import examples

from buslens.rehearsal.control_unit import HOLD_MS, PULSE_MOST_MS, TRIES, Clearance
from buslens.rehearsal.faults import FAULTS
from buslens.units import NS_PER_MS

if TYPE_CHECKING:
    from collections.abc import Callable

    from buslens.rehearsal.rehearse import Rehearsal, TrueStates


def state_at(edges: TrueStates, times_ns: np.ndarray) -> np.ndarray:
    return edges.value[np.searchsorted(edges.time_ns, times_ns, side="right") - 1]


@pytest.mark.slow
@pytest.mark.parametrize("fault", FAULTS)
@pytest.mark.parametrize("seed", range(1, 1 + examples(1)))
class TestSafety:
    """The ignition comes on only after both feedbacks say unlocked, and the lock is driven a few short times only."""

    def test_ignition_needs_both_feedbacks(self, fault: str, seed: int, rehearsed: Callable[..., Rehearsal]) -> None:
        truth = rehearsed(fault, seed).truth
        clearance = truth["COLUMN_CONTROL.START_CLEARANCE"]
        granted = clearance.time_ns[clearance.value == Clearance.GRANTED]
        stage = truth["POWER_MODE.STAGE"]
        on = stage.value >= 2
        begins = stage.time_ns[on & ~np.append(False, on[:-1])]
        assert (state_at(clearance, begins) == Clearance.GRANTED).all()
        # Up to the clearance both agree, at least from the end of the pulse on: a plug may open right after it.
        told = granted - 125 * NS_PER_MS
        assert (state_at(truth["COLUMN_STATE.UNLOCK_FEEDBACK"], told) == 1).all()
        assert (state_at(truth["COLUMN_STATE.DATA_FEEDBACK"], told) == 2).all()

    def test_pulses_are_short_and_few(self, fault: str, seed: int, rehearsed: Callable[..., Rehearsal]) -> None:
        rehearsal = rehearsed(fault, seed)
        truth = rehearsal.truth
        enable = truth["COLUMN_CONTROL.LOCK_ENABLE"]
        if fault == "enable-shorted-on":
            # The wire is on by itself, so there is not one pulse.
            assert (state_at(enable, rehearsal.read_ns) == 1).all()
            return
        assert enable.value[-1] == 0
        lengths = np.diff(enable.time_ns)[enable.value[:-1] == 1]
        assert (lengths <= (PULSE_MOST_MS + HOLD_MS + 10) * NS_PER_MS).all()
        assert truth["COLUMN_CONTROL.TRY"].value.max() <= TRIES

    def test_the_bolt_is_never_locked_with_the_ignition_on(
        self, fault: str, seed: int, rehearsed: Callable[..., Rehearsal]
    ) -> None:
        rehearsal = rehearsed(fault, seed)
        stage = rehearsal.truth["POWER_MODE.STAGE"]
        moments = np.concatenate([stage.time_ns, rehearsal.bolt.time_ns])
        driving = state_at(stage, moments) >= 2
        assert (state_at(rehearsal.bolt, moments)[driving] == 1).all()
