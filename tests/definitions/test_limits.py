from __future__ import annotations

import struct
from decimal import Decimal
from fractions import Fraction
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.examples import examples

from buslens.definitions.limits import Comparison, compare_raw, exactly
from buslens.definitions.model import Signal, ValueType

if TYPE_CHECKING:
    from collections.abc import Callable

SIGNS: Final[dict[Comparison, Callable[[Any, Any], bool]]] = {
    "<": lambda a, b: a < b,
    "<=": lambda a, b: a <= b,
    ">": lambda a, b: a > b,
    ">=": lambda a, b: a >= b,
}
DTYPES: Final = {ValueType.UNSIGNED: np.uint64, ValueType.SIGNED: np.int64}


@st.composite
def decimals(draw: st.DrawFn, digits: int = 6) -> Decimal:
    return Decimal(draw(st.integers(-(10**digits), 10**digits))).scaleb(-draw(st.integers(0, 6)))


@st.composite
def counted(draw: st.DrawFn) -> tuple[Signal, int, Decimal, Decimal]:
    """Return a signal, one of its counts, and scale and offset as written."""
    kind = draw(st.sampled_from([ValueType.UNSIGNED, ValueType.SIGNED]))
    length = draw(st.integers(1, 64))
    low = -(1 << length - 1) if kind is ValueType.SIGNED else 0
    raw = draw(st.integers(low, low + (1 << length) - 1))
    scale, offset = draw(decimals()), draw(decimals())
    whole = scale == int(scale) and offset == int(offset)  # the reader of definitions keeps these whole
    numbers = (int(scale), int(offset)) if whole else (float(scale), float(offset))
    return Signal(name="S", start=0, length=length, kind=kind, scale=numbers[0], offset=numbers[1]), raw, scale, offset


class TestCounts:
    """Whole counts are compared as the decimals that were written say, however large they are."""

    @given(counted(), st.integers(-2, 2) | st.none(), decimals(digits=12))
    @settings(max_examples=examples(500), deadline=None)
    def test_is_exact(self, drawn: tuple[Signal, int, Decimal, Decimal], steps: int | None, elsewhere: Decimal) -> None:
        signal, raw, scale, offset = drawn
        value = Fraction(scale) * raw + Fraction(offset)
        # On the value, a few counts beside it, or anywhere.
        limit = Fraction(elsewhere) if steps is None else value + steps * Fraction(scale)
        for sign, holds in SIGNS.items():
            found = compare_raw(np.array([raw], DTYPES[signal.kind]), signal, sign, limit)
            assert found.tolist() == [holds(value, limit)]

    def test_tenths_lie_on_their_own_decimal(self) -> None:
        """Every third product of floats lies beside it, 126 times 0.1 among them."""
        raw = np.arange(1000, dtype=np.uint64)
        assert np.count_nonzero(raw * 0.1 != np.array([float(f"{n}e-1") for n in range(1000)])) > 300
        signal = Signal(name="S", start=0, length=10, scale=0.1)
        for count in range(1000):
            limit = Fraction(count, 10)
            at = compare_raw(raw, signal, "<=", limit) & compare_raw(raw, signal, ">=", limit)
            assert np.flatnonzero(at).tolist() == [count]

    @pytest.mark.parametrize("sign", SIGNS)
    def test_a_limit_beyond_all_counts(self, sign: Comparison) -> None:
        signal = Signal(name="S", start=0, length=64)
        ends = np.array([0, 2**64 - 1], np.uint64)
        for limit in (Fraction(-1), Fraction(2**64), Fraction(10**40), Fraction(-(10**40))):
            assert compare_raw(ends, signal, sign, limit).tolist() == [SIGNS[sign](int(end), limit) for end in ends]


class TestFloats:
    """In a floating-point format a limit is the number of that format nearest to it."""

    @given(st.sampled_from(["e", "f", "d"]), decimals(digits=4), st.integers(-1, 1))
    def test_a_decimal_in_its_own_format(self, code: str, written: Decimal, step: int) -> None:
        bits = 8 * struct.calcsize(code)
        sent = np.dtype(f"f{bits // 8}").type(float(written))
        beside = np.nextafter(sent, np.dtype(sent.dtype).type(step * np.inf)) if step else sent
        signal = Signal(name="S", start=0, length=bits, kind=ValueType.FLOAT)
        for sign, holds in SIGNS.items():
            found = compare_raw(np.array([float(beside)]), signal, sign, Fraction(written))
            assert found.tolist() == [holds(step, 0)]

    @pytest.mark.parametrize(("scale", "limit", "inside"), [(0.1, "12.6", True), (-0.1, "-12.6", True)])
    def test_a_scaled_one(self, scale: float, limit: str, *, inside: bool) -> None:
        signal = Signal(name="S", start=0, length=32, kind=ValueType.FLOAT, scale=scale)
        raw = np.array([126.0])
        for sign in ("<=", ">="):
            assert compare_raw(raw, signal, sign, Fraction(limit)).tolist() == [inside]

    def test_what_no_number_is_near(self) -> None:
        signal = Signal(name="S", start=0, length=32, kind=ValueType.FLOAT)
        raw = np.array([np.inf, 3e38, -np.inf, np.nan])
        assert compare_raw(raw, signal, "<", Fraction(10**300)).tolist() == [False, True, True, False]
        assert compare_raw(raw, signal, "<", Fraction(10**400)).tolist() == [False, True, True, False]


def test_a_scale_of_nothing() -> None:
    signal = Signal(name="S", start=0, length=8, scale=0.0, offset=2.5)
    for sign, holds in SIGNS.items():
        assert compare_raw(np.array([7], np.uint64), signal, sign, 2.5).tolist() == [holds(0, 0)]


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_exactly_is_the_shortest_decimal(number: float) -> None:
    assert exactly(number) == Fraction(Decimal(repr(number)))
