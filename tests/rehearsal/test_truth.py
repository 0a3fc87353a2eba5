"""The timelines that a log gives, held against what was true in the simulated car."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np
import pytest

import buslens
from buslens.rehearsal.messages import LAYOUTS
from buslens.rehearsal.rehearse import write_rehearsal
from buslens.timeline.model import UNKNOWN_STATE
from buslens.units import NS_PER_MS

if TYPE_CHECKING:
    from collections.abc import Callable

    from buslens.checks.findings import Result
    from buslens.rehearsal.rehearse import Rehearsal

SIGNAL_DEFS: Final = Path(__file__).parents[2] / "signal_defs"
ROLES: Final = {
    "door_open": ("BODY_DOORS.DRIVER_DOOR", {0: "closed", 1: "open"}),
    "start_button": ("ACCESS_STATE.START_BUTTON", {0: "released", 1: "pressed"}),
    "key": ("ACCESS_STATE.KEY", {0: "absent", 1: "present"}),
    "ignition": ("POWER_MODE.STAGE", {0: "off", 2: "on", 3: "on"}),
    "lock_enable": ("COLUMN_CONTROL.LOCK_ENABLE", {0: "off", 1: "on"}),
    "unlock_feedback": ("COLUMN_STATE.UNLOCK_FEEDBACK", {0: "locked", 1: "unlocked"}),
    "data_feedback": ("COLUMN_STATE.DATA_FEEDBACK", {1: "locked", 2: "unlocked"}),
    "warning_lamp": ("CLUSTER_LAMPS.STEERING_LOCK_LAMP", {0: "dark", 1: "lit", 2: "lit"}),
}
"""Role -> the signal behind it, and what its raw values are called; others are unknown."""
CYCLES_NS: Final = {layout.name: layout.cycle_ms * NS_PER_MS for layout in LAYOUTS}


def true_states(rehearsal: Rehearsal, role: str) -> list[tuple[int, str | None]]:
    """Return when a role truly took each of its states; None for unknown."""
    signal, names = ROLES[role]
    edges = rehearsal.truth[signal]
    states: list[tuple[int, str | None]] = []
    for time_ns, value in zip(edges.time_ns.tolist(), edges.value.tolist(), strict=True):
        name = names.get(value)
        if not states or states[-1][1] != name:
            states.append((time_ns, name))
    return states


@pytest.fixture(
    params=["healthy", "retry", "two-close-together", "slow-recording", "feedbacks-disagree", "low-battery"]
)
def judged(
    request: pytest.FixtureRequest, rehearsed: Callable[..., Rehearsal], tmp_path: Path
) -> tuple[Rehearsal, Result]:
    """Rehearse, and judge what the log says."""
    rehearsal = rehearsed(request.param)
    path = write_rehearsal(rehearsal, tmp_path / "capture.log")
    return rehearsal, buslens.check(path, expectations=SIGNAL_DEFS / "steering_lock.toml")


class TestTimelines:
    """What a log gives is what was true, within what it says it knows."""

    def test_every_change_that_is_told_happened_when_it_is_told(self, judged: tuple[Rehearsal, Result]) -> None:
        rehearsal, result = judged
        told = 0
        for role in ROLES:
            timeline = result.timelines[role]
            truth = true_states(rehearsal, role)
            for index in range(1, len(timeline)):
                if UNKNOWN_STATE in timeline.state[index - 1 : index + 1]:
                    continue
                state = timeline.states[timeline.state[index]]
                # A frame is read a little before its stamp, so the change may hide behind the stamp before.
                since_ns = int(timeline.changed_after_ns[index]) - rehearsal.latency_ns
                seen_ns = int(timeline.seen_ns[index])
                assert any(name == state and since_ns < time_ns <= seen_ns for time_ns, name in truth), (role, index)
                told += 1
        assert told > 15

    def test_every_state_that_lasted_is_told(self, judged: tuple[Rehearsal, Result]) -> None:
        rehearsal, result = judged
        first_ns, last_ns = int(rehearsal.frames.time_ns[0]), int(rehearsal.frames.time_ns[-1])
        for role, (signal, _) in ROLES.items():
            timeline = result.timelines[role]
            truth = [*true_states(rehearsal, role), (last_ns, None)]
            # Twice the time between frames that carry it, and a little for jitter.
            least_ns = 2 * max(CYCLES_NS[signal.split(".")[0]], timeline.period_ns or 0) + 60 * NS_PER_MS
            for (since_ns, name), (end_ns, _) in pairwise(truth):
                # What was before the capture cannot be told.
                begin_ns = max(since_ns, first_ns)
                if name is None or end_ns - begin_ns < least_ns:
                    continue
                middle = int(np.searchsorted(timeline.seen_ns, (begin_ns + end_ns) // 2, side="right")) - 1
                assert timeline.states[timeline.state[middle]] == name, (role, begin_ns)


class TestDelays:
    """A measured delay is an interval that holds the true one."""

    def test_release(self, judged: tuple[Rehearsal, Result]) -> None:
        rehearsal, result = judged
        enable = rehearsal.truth["COLUMN_CONTROL.LOCK_ENABLE"]
        feedback = rehearsal.truth["COLUMN_STATE.UNLOCK_FEEDBACK"]
        found = [it for it in result.findings if it.step in {"wire feedback"} and it.delay is not None]
        assert found
        for finding in found:
            assert finding.delay is not None
            assert finding.delay.latest_ns is not None
            assert finding.time_ns is not None
            changed_ns = feedback.time_ns[feedback.time_ns <= finding.time_ns][-1]
            driven_ns = enable.time_ns[(enable.value == 1) & (enable.time_ns < changed_ns)][-1]
            true_ns = int(changed_ns - driven_ns)
            slack_ns = rehearsal.latency_ns
            assert finding.delay.earliest_ns - slack_ns <= true_ns <= finding.delay.latest_ns + slack_ns
