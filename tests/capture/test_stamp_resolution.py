"""By how much stamps were rounded, found from the stamps alone."""

from __future__ import annotations

import random
import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

import buslens
from buslens.capture.frames import Clock
from buslens.capture.stamp_resolution import rounding_of, step_of

ROOT = Path(__file__).parents[2]
HEALTHY = ROOT / "sample_logs" / "car01_healthy.log"
RULES = ROOT / "signal_defs" / "steering_lock.toml"
MS = 1_000_000


def busy(seed: int, n: int = 400) -> list[int]:
    """Return times of frames that come about every 3 ms."""
    dice = random.Random(seed)
    times = [dice.randrange(10**9)]
    for _ in range(n):
        times.append(times[-1] + dice.randrange(200_000, 6_000_000))
    return times


class TestRounding:
    @given(seed=st.integers(0, 999), step_ms=st.sampled_from([0.1, 1, 2, 5, 10, 20, 50]), offset=st.integers(0, 10**9))
    def test_step_is_found(self, seed: int, step_ms: float, offset: int) -> None:
        step = round(step_ms * MS)
        stamps = [time // step * step + offset for time in busy(seed)]
        assert rounding_of(stamps) == step

    @given(seed=st.integers(0, 999))
    def test_no_step(self, seed: int) -> None:
        assert rounding_of(busy(seed)) == 0

    def test_few_damaged_stamps_hide_no_step(self) -> None:
        stamps = [time // MS * MS for time in busy(3)]
        stamps[100] += 123_456
        stamps[200] += 77_777_777_123
        assert step_of(stamps) == MS

    def test_slow_clock_with_finer_digits(self) -> None:
        """A clock that ticks each 1/64 s, written in whole ms: at most 16 ms lie between a stamp and the truth."""
        stamps = [round(time // 15_625_000 * 15.625) * MS for time in busy(4)]
        assert rounding_of(stamps) == 16 * MS


@pytest.mark.slow
class TestRoundedTable:
    """However a healthy capture's stamps are rounded, no limit is called broken."""

    @pytest.mark.parametrize(
        ("step_ms", "is_nearest"),
        [(1, False), (10, True), (40, True), (40, False), (100, True), (100, False), (500, False), (1000, True)],
    )
    def test_never_faulty(self, tmp_path: Path, step_ms: int, is_nearest: bool) -> None:
        rows = ["Time (ms),ID,Length,Data"]
        for line in HEALTHY.read_text("ascii").splitlines():
            found = re.match(r"\((\d+)\.(\d+)\) \S+ (\w+)#(\w*)$", line)
            if found is not None:
                time_us = int(found[1]) % 100_000 * 1_000_000 + int(found[2]) + step_ms * 377
                ms = (time_us // 1000 + step_ms // 2 * is_nearest) // step_ms * step_ms
                rows.append(f"{ms},{found[3]},{len(found[4]) // 2},{found[4]}")
        path = tmp_path / "rounded.csv"
        path.write_text("\n".join([*rows, ""]))
        result = buslens.check(path, expectations=RULES)
        assert result.stats.frames > 4000
        if step_ms > 100:
            assert (result.stats.clock, result.verdict.value) == (Clock.MISSING, "undecided")
            assert "too coarse" in " ".join(result.stats.notes)
        else:
            assert result.stats.resolution_ns == step_ms * MS
            assert not any(finding.outcome.is_fault for finding in result.findings)
