from __future__ import annotations

import hashlib
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from buslens.errors import UsageError
from buslens.rehearsal.rehearse import START_NS, rehearse, rendered
from buslens.units import NS_PER_S

if TYPE_CHECKING:
    from collections.abc import Callable

    from buslens.rehearsal.rehearse import Rehearsal


class TestDeterminism:
    """The same arguments give the same bytes, other seeds other days."""

    def test_same_seed(self) -> None:
        first, second = (rendered(rehearse("retry", seed=4), "candump") for _ in range(2))
        assert first == second

    def test_on_every_machine(self) -> None:
        """A digest taken once, on Linux with Python 3.11 and numpy 2: what differs elsewhere would show here."""
        text = rendered(rehearse("healthy", seed=1, duration=5, background_ids=3), "candump")
        assert hashlib.sha256(text).hexdigest() == "398389ae8464c468185194f345db2dc8cef836a835e8a1310bf5ac33909b97ca"

    def test_seeds_differ(self, rehearsed: Callable[..., Rehearsal]) -> None:
        one, two = (rehearsed("healthy", seed).truth["POWER_MODE.STAGE"].time_ns.tolist() for seed in (1, 2))
        assert one != two


class TestDuration:
    """Without a length the script is played once; with one it is repeated, and cut at the end."""

    def test_repeats(self) -> None:
        rehearsal = rehearse("healthy", duration=45, background_ids=0)
        times = rehearsal.frames.time_ns
        assert times[0] >= START_NS
        assert times[-1] - START_NS == pytest.approx(45 * NS_PER_S, abs=NS_PER_S // 10)
        stage = rehearsal.truth["POWER_MODE.STAGE"]
        started = (stage.value[1:] >= 2) & (stage.value[:-1] < 2)
        assert started.sum() >= 2

    def test_frames_come_in_the_order_of_time(self, rehearsed: Callable[..., Rehearsal]) -> None:
        rehearsal = rehearsed("healthy")
        assert (np.diff(rehearsal.frames.time_ns) >= 0).all()
        assert (rehearsal.read_ns < rehearsal.frames.time_ns).all()
        assert rehearsal.latency_ns == (rehearsal.frames.time_ns - rehearsal.read_ns).max()


class TestArguments:
    """What is outside its range is refused, with the range."""

    @pytest.mark.parametrize(
        ("arguments", "text"),
        [
            ({"seed": -1}, "seed is -1; it must be from 0"),
            ({"duration": 0.5}, "duration is 0.5 s; it must be from 1 s to 3600 s"),
            ({"background_ids": 500}, "background_ids is 500; it must be from 0 to 200"),
            ({"severity": float("nan")}, "severity is nan"),
            ({"temperature": 300.0}, "temperature is 300.0 degC"),
            ({"battery_volts": 24.0}, "battery_volts is 24.0 V"),
            ({"car_number": 256}, "car_number is 256"),
            ({"begins": "later"}, "cannot begin 'later'; write 'parked' or 'driving'"),
            ({"form": "pcap"}, "no form of log is called 'pcap'"),
            ({"fault": "slow"}, "nothing to rehearse is called 'slow'"),
        ],
    )
    def test_refused(self, arguments: dict[str, Any], text: str) -> None:
        with pytest.raises(UsageError, match=text):
            rehearse(**arguments)
