from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from buslens.units import (
    exact_duration,
    format_at_least,
    format_at_most,
    format_duration,
    parse_duration_ns,
    power_of_unit,
)


class TestParseDuration:
    """A written duration is a number and its unit; nothing else is."""

    @pytest.mark.parametrize(
        ("text", "duration_ns"),
        [
            ("200 ms", 200_000_000),
            ("1.5s", 1_500_000_000),
            (".5 us", 500),
            ("2 min", 120_000_000_000),
            (" 7 ns ", 7),
            ("3 µs", 3_000),
        ],
    )
    def test_reads(self, text: str, duration_ns: int) -> None:
        assert parse_duration_ns(text) == duration_ns

    @pytest.mark.parametrize("text", ["200", "ms", "", "-5 ms", "1,5 s", "5 h", "0.5 ns", "1e3 ms", "٣ ms"])
    def test_refuses(self, text: str) -> None:
        with pytest.raises(ValueError, match=r"duration|finer"):
            parse_duration_ns(text)


def test_units_in_words() -> None:
    assert power_of_unit("Volt", "V") == 0
    assert power_of_unit("mV", "Volts") == -3
    assert power_of_unit("Volt", "A") is None


class TestExactDuration:
    """A limit is shown exactly as it counts, however fine."""

    @given(st.integers(0, 2**62))
    def test_reads_back_as_the_same(self, duration_ns: int) -> None:
        assert parse_duration_ns(exact_duration(duration_ns)) == duration_ns


class TestBounds:
    """What is claimed as a bound is never claimed to be closer than was measured."""

    @given(st.integers(0, 10**13))
    def test_rounds_outwards(self, duration_ns: int) -> None:
        low, high = parse_duration_ns(format_at_least(duration_ns)), parse_duration_ns(format_at_most(duration_ns))
        assert low <= duration_ns <= high
        assert high - low <= 1_000_000
        if duration_ns < 1_000_000:
            assert low == high

    @pytest.mark.parametrize(
        ("duration_ns", "low", "high"),
        [(96_690_000, "96 ms", "97 ms"), (999_700_000, "999 ms", "1 s"), (1_500_400_000, "1.5 s", "1.501 s")],
    )
    def test_rows(self, duration_ns: int, low: str, high: str) -> None:
        assert (format_at_least(duration_ns), format_at_most(duration_ns)) == (low, high)


class TestFormatDuration:
    """A measured time is shown to the millisecond, a shorter one to three places of its unit."""

    @given(st.integers(1_000_000, 10**13))
    def test_is_off_by_half_a_millisecond_at_most(self, duration_ns: int) -> None:
        assert abs(parse_duration_ns(format_duration(duration_ns)) - duration_ns) <= 500_000

    @given(st.integers(-(10**13), -1))
    def test_sign(self, duration_ns: int) -> None:
        assert format_duration(duration_ns) == f"-{format_duration(-duration_ns)}"
