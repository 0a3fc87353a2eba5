"""A diagnosis as a whole."""

from __future__ import annotations

from pathlib import Path

import buslens
from buslens.causes.diagnosis import diagnose
from buslens.causes.load import find_causes, load_causes

ROOT = Path(__file__).parents[2]


class TestSkipped:
    """What cannot be made at this car is not advised."""

    def test_another_one_comes_next(self) -> None:
        expectations = ROOT / "signal_defs" / "steering_lock.toml"
        result = buslens.check(ROOT / "sample_logs" / "car04_ground_open.log", expectations=expectations)
        causes = load_causes(find_causes(expectations), result.expectations)
        skipped: list[str] = []
        while (measurement := diagnose([result], causes, skipped=skipped).advice.measurement) is not None:
            assert measurement.name not in skipped
            skipped.append(measurement.name)
        assert len(skipped) > 3
        # Nothing is known by it: the shares stay.
        first, last = (diagnose([result], causes, skipped=names) for names in ((), skipped))
        assert [it.posterior for it in first.ranking.hypotheses] == [it.posterior for it in last.ranking.hypotheses]
