"""Numbers with a unit."""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from buslens.expectations.quantities import convert, parse_length_ns, parse_quantity, same_unit


class TestConvert:
    """A number is given in the role's unit, or in one that differs by an SI prefix."""

    @pytest.mark.parametrize(
        ("number", "unit", "to", "value"),
        [
            ("9.5", "V", "V", 9.5),
            ("9500", "mV", "V", 9.5),
            ("9.5", "V", "mV", 9500.0),
            ("0.1", "kV", "V", 100.0),
            ("5", "\u00b5A", "uA", 5.0),
            ("5", "\u03bcA", "mA", Fraction(1, 200)),
            ("4.7", "k\u2126", "ohm", 4700.0),
            ("20", "degC", "°C", 20.0),
            ("930", "rpm", "1/min", 930.0),
            ("-5", "cm", "mm", -50.0),
            ("12", "%", "%", 12.0),
            ("12", "Volt", "Volt", 12.0),
            ("3", "", "", 3.0),
            (".5", "1", "", 0.5),
        ],
    )
    def test_value(self, number: str, unit: str, to: str, value: Fraction | float) -> None:
        assert convert(number, unit, to) == value

    @pytest.mark.parametrize(
        ("number", "unit", "to", "words"),
        [
            ("9.5", "", "V", "write '9.5 V'"),
            ("9.5", "A", "V", "this role is in V"),
            ("9.5", "V", "", "this role has no unit"),
            ("50", "m/s", "km/h", "this role is in km/h"),
            ("5", "min", "m", "this role is in m"),
            ("5", "mVolt", "Volt", "this role is in Volt"),
            ("9" * 41, "V", "V", "41 digits"),
        ],
    )
    def test_refused(self, number: str, unit: str, to: str, words: str) -> None:
        with pytest.raises(ValueError, match=words):
            convert(number, unit, to)

    @given(st.decimals(-10_000, 10_000, places=4), st.sampled_from(["V", "A", "Hz", "Nm", "bar"]))
    def test_a_prefix_moves_the_point_and_nothing_else(self, number: object, unit: str) -> None:
        """The exact value comes out, not a product of doubles."""
        assert convert(f"{number:f}", f"m{unit}", unit) == Fraction(f"{number:f}e-3")


class TestParseQuantity:
    """A text is one number and one unit."""

    @pytest.mark.parametrize("text", ["9.5 V", "9.5V", " +9.5  V ", "9500 mV"])
    def test_value(self, text: str) -> None:
        assert parse_quantity(text, "V") == 9.5

    @pytest.mark.parametrize(
        ("text", "words"),
        [
            ("", "such as '9.5 V'"),
            ("9,5 V", "decimals stand behind a point"),
            ("1e3 V", "is not a quantity"),
            ("low", "is not a quantity"),
            ("9 V 5", "is not a quantity"),
            ("٩ V", "is not a quantity"),
        ],
    )
    def test_refused(self, text: str, words: str) -> None:
        with pytest.raises(ValueError, match=words):
            parse_quantity(text, "V")


class TestParseLength:
    """A duration carries its unit and fits the nanoseconds of a capture."""

    def test_value(self) -> None:
        assert parse_length_ns("1.5 s") == 1_500_000_000

    @pytest.mark.parametrize(
        ("text", "words"),
        [
            ("200", "'200' has no unit; write '200 ms'"),
            ("5000000000 min", "longer than a hundred years"),
            ("9" * 50 + " s", "is not a duration"),
            ("soon", "is not a duration"),
            ("-5 ms", "is not a duration"),
            ("0.5 ns", "finer than one nanosecond"),
        ],
    )
    def test_refused(self, text: str, words: str) -> None:
        with pytest.raises(ValueError, match=words):
            parse_length_ns(text)


class TestSameUnit:
    """Spellings of one unit are one, prefixes are not."""

    @pytest.mark.parametrize(
        ("first", "second", "same"),
        [("V", "V", True), ("degC", "°C", True), ("km / h", "km/h", True), ("1", "", True), ("mV", "V", False)],
    )
    def test_pairs(self, first: str, second: str, same: bool) -> None:
        assert same_unit(first, second) is same
