"""Numbers with a unit, as people write them in an expectations file.

A quantity must come in the unit of its role, or in one that differs by an SI prefix only (``9500 mV`` for a
role in V). Everything else is refused: to convert km/h or degrees quietly would hide a slip of the pen.
"""

import re
from fractions import Fraction
from typing import Final

from buslens.definitions.model import OPERATORS, Threshold
from buslens.units import parse_duration_ns, power_of_unit, spelled

NUMBER: Final = r"[+-]?(?:\d+(?:\.\d+)?|\.\d+)"
"""A plain decimal number, as a regular expression for ASCII digits."""
UNIT: Final = r"(?:1/)?[^\s()<>=≤≥,\"'.0-9+&|!-][^\s()<>=≤≥,\"']*"
"""A unit: no spaces, no digit or sign in front."""

LONGEST_NS: Final = 2**62
"""No duration in a file is longer, ns (146 years): sums with times of a capture still fit 64 bits."""

_QUANTITY: Final = re.compile(rf"\s*({NUMBER})\s*({UNIT})?\s*", re.ASCII)
_THRESHOLD: Final = re.compile(rf"\s*(<=|>=|<|>)\s*({NUMBER}(?:e[+-]?\d{{1,3}})?)\s*({UNIT})?\s*", re.ASCII)
_MOST_DIGITS: Final = 40


def same_unit(first: str, second: str) -> bool:
    """Return whether two texts name one unit.

    >>> same_unit("degC", "°C"), same_unit("mV", "V")
    (True, False)
    """
    return spelled(first) == spelled(second)


def convert(number: str, unit: str, to: str) -> Fraction:
    """Return a written number, given in one unit, exactly in the unit of a role (empty for a number without unit).

    Raises
    ------
    ValueError
        If there is no unit where there must be one, or it is not the role's save for an SI prefix.

    Examples
    --------
    >>> convert("9500", "mV", "V")
    Fraction(19, 2)
    """
    if len(number) > _MOST_DIGITS:
        raise ValueError(f"a number of {len(number)} digits; at most {_MOST_DIGITS} can be written")
    if unit == "" and to != "":
        raise ValueError(f"{number} has no unit; write '{number} {to}'")
    power = power_of_unit(unit, to)
    if power is None:
        right = f"is in {to}; write a number and '{to}'" if to else "has no unit; write the number alone"
        raise ValueError(f"{number} {unit} does not fit: this role {right}")
    return Fraction(number) * Fraction(10) ** power


def parse_quantity(text: str, unit: str) -> Fraction:
    """Return what a text such as ``"9.5 V"`` means in the unit of a role.

    Raises ValueError if the text is no number with a unit that fits.
    """
    match = _QUANTITY.fullmatch(text)
    if match is None:
        example = f"9.5 {unit}".rstrip()
        comma = "; decimals stand behind a point" if re.search(r"\d,\d", text) else ""
        raise ValueError(f"'{text[:60]}' is not a quantity; write a number and its unit, such as '{example}'{comma}")
    return convert(match[1], match[2] or "", unit)


def parse_threshold(text: str) -> Threshold | None:
    """Return the numbers of a column that a state stands for, such as ``< 3 V``; None if the text is no such limit.

    >>> parse_threshold("> 9.5 V"), parse_threshold("locked")
    (Threshold(operator='>', limit=Fraction(19, 2), unit='V'), None)
    """
    match = _THRESHOLD.fullmatch(text)
    if match is None:
        return None
    operator = next(it for it in OPERATORS if it == match[1])
    return Threshold(operator=operator, limit=Fraction(match[2]), unit=match[3] or "")


def parse_length_ns(text: str) -> int:
    """Return the nanoseconds of a written duration that a file may hold.

    Raises ValueError if the text is no duration, or one of more than a hundred years.
    """
    if len(text) > _MOST_DIGITS:
        raise ValueError(f"'{text[:20]}…' is not a duration; write a number and its unit, such as '400 ms'")
    if re.fullmatch(r"\s*\d+(\.\d+)?\s*", text, re.ASCII):
        raise ValueError(f"'{text.strip()}' has no unit; write '{text.strip()} ms'")
    duration = parse_duration_ns(text)
    if duration > LONGEST_NS:
        raise ValueError(f"'{text}' is longer than a hundred years")
    return duration
