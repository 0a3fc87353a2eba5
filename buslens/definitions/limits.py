"""Physical values against a limit, compared exactly.

A physical value is raw * scale + offset with a scale and an offset that were written in decimal. As a product of floats
it can lie beside that number: 126 at a scale of 0.1 gives 12.600000000000001. So not the value is compared, but the raw
count, with the raw count that the limit stands for, which is computed with fractions.
"""

import operator
from collections.abc import Callable
from fractions import Fraction
from math import ceil, floor
from typing import Any, Final, Literal, TypeAlias

import numpy as np
from numpy.typing import NDArray

from buslens.definitions.model import Signal, ValueType
from buslens.definitions.unpack import Numbers

Comparison: TypeAlias = Literal["<", "<=", ">", ">="]

_COMPARE: Final[dict[Comparison, Callable[[Any, Any], Any]]] = {
    "<": operator.lt, "<=": operator.le, ">": operator.gt, ">=": operator.ge,
}  # fmt: skip
_FLOATS: Final = {16: "f2", 32: "f4", 64: "f8"}
_TURNED: Final[dict[Comparison, Comparison]] = {"<": ">", "<=": ">=", ">": "<", ">=": "<="}


def exactly(number: Fraction | float) -> Fraction:
    """Return a number as it was written: a float stands for the shortest decimal that gives it.

    >>> exactly(0.1)
    Fraction(1, 10)
    """
    return Fraction(repr(float(number))) if isinstance(number, float) else Fraction(number)


def compare_raw(raw: Numbers, signal: Signal, sign: Comparison, limit: Fraction | float) -> NDArray[np.bool_]:
    """Return for which raw values the physical value is below or above a limit, without a rounding error.

    A signal in a floating-point format holds hardly any decimal exactly: there the limit means the number of that
    format which is nearest to it, and 12.6 V sent in 32 bits is on a limit of 12.6 V.

    Parameters
    ----------
    raw : NDArray, shape (n,)
        As `raw_values` returns them, or in as few bytes as hold them.
    signal : Signal
        The signal that they are of.
    sign : str
        ``"<"``, ``"<="``, ``">"`` or ``">="``, with the physical value on its left.
    limit : Fraction or float
        In the unit of the signal, finite.
    """
    scale, offset, limit = exactly(signal.scale), exactly(signal.offset), exactly(limit)
    if scale == 0:
        return np.full(len(raw), _COMPARE[sign](offset, limit))
    if scale < 0:
        sign = _TURNED[sign]
    bound = (limit - offset) / scale
    if signal.kind is ValueType.FLOAT:
        return np.asarray(_COMPARE[sign](raw, _nearest(bound, signal.length)))
    # The last count that is still below, or the first that is above: whole numbers, both included.
    if sign in {"<", "<="}:
        last = floor(bound) if sign == "<=" else ceil(bound) - 1
        return np.asarray(raw <= last) if _fits(last, raw) else np.full(len(raw), last > 0)
    first = ceil(bound) if sign == ">=" else floor(bound) + 1
    return np.asarray(raw >= first) if _fits(first, raw) else np.full(len(raw), first < 0)


def _fits(count: int, raw: Numbers) -> bool:
    kept: np.iinfo[Any] = np.iinfo(raw.dtype.name)
    return kept.min <= count <= kept.max


def _nearest(number: Fraction, bits: int) -> float:
    """Return the number of a floating-point format that is nearest to a number; beyond its range infinity."""
    try:
        double = float(number)
    except OverflowError:
        double = float("inf") if number > 0 else float("-inf")
    with np.errstate(over="ignore"):
        return float(np.float64(double).astype(_FLOATS[bits]))
