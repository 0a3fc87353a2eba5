"""Time as whole nanoseconds, and the words in which people write it."""

from __future__ import annotations

import re
from decimal import Decimal
from typing import Final

NS_PER_US: Final = 1_000
"""Nanoseconds per microsecond."""
NS_PER_MS: Final = 1_000_000
"""Nanoseconds per millisecond."""
NS_PER_S: Final = 1_000_000_000
"""Nanoseconds per second."""
NS_PER_MIN: Final = 60 * NS_PER_S
"""Nanoseconds per minute."""
NS_PER_DAY: Final = 86_400 * NS_PER_S
"""Nanoseconds per day."""

_DURATION: Final = re.compile(r"\s*(\d+(?:\.\d*)?|\.\d+)\s*(ns|us|µs|ms|s|min)\s*", re.ASCII)
_FACTORS: Final = {
    "ns": 1,
    "us": NS_PER_US,
    "µs": NS_PER_US,
    "ms": NS_PER_MS,
    "s": NS_PER_S,
    "min": NS_PER_MIN,
}


def parse_duration_ns(text: str) -> int:
    """Return the nanoseconds that a written duration such as ``"400 ms"`` or ``"1.5 s"`` stands for.

    Raises
    ------
    ValueError
        If the text is not a number and one of the units ns, us, ms, s, min, or is no whole number of ns.

    Examples
    --------
    >>> parse_duration_ns("200 ms")
    200000000
    """
    match = _DURATION.fullmatch(text)
    if match is None:
        raise ValueError(f"'{text}' is not a duration; write a number and its unit, such as '400 ms' or '1.5 s'")
    exact = Decimal(match[1]) * _FACTORS[match[2]]
    if exact != int(exact):
        raise ValueError(f"'{text}' is finer than one nanosecond")
    return int(exact)


def format_duration(duration_ns: int) -> str:
    """Return a duration as a person writes it, to the millisecond from 1 ms on.

    >>> format_duration(450_000_000), format_duration(2_000_000_000), format_duration(2_345_678_901)
    ('450 ms', '2 s', '2.346 s')
    """
    size = abs(duration_ns)
    sign = "-" if duration_ns < 0 else ""
    if size < NS_PER_MS:
        number, unit = (f"{size / NS_PER_US:.3f}", "us") if size >= NS_PER_US else (f"{size}.0", "ns")
    elif size < NS_PER_S:
        number, unit = f"{size / NS_PER_MS:.0f}.0", "ms"
        if number == "1000.0":
            number, unit = "1.0", "s"
    else:
        number, unit = f"{size / NS_PER_S:.3f}", "s"
    return f"{sign}{number.rstrip('0').rstrip('.')} {unit}"


def format_at_least(duration_ns: int) -> str:
    """Return a duration that is claimed as a lower bound: rounded down, as `format_duration` writes it.

    >>> format_at_least(96_690_000), format_at_least(2_999_900_000), format_at_least(300_000)
    ('96 ms', '2.999 s', '300 us')
    """
    return format_duration(duration_ns if abs(duration_ns) < NS_PER_MS else duration_ns // NS_PER_MS * NS_PER_MS)


def format_at_most(duration_ns: int) -> str:
    """Return a duration that is claimed as an upper bound: rounded up, as `format_duration` writes it.

    >>> format_at_most(96_310_000), format_at_most(300_000)
    ('97 ms', '300 us')
    """
    return format_duration(duration_ns if abs(duration_ns) < NS_PER_MS else -(-duration_ns // NS_PER_MS) * NS_PER_MS)


def exact_duration(duration_ns: int) -> str:
    """Return a duration exact to the nanosecond, as a limit is written.

    >>> exact_duration(450_000_000), exact_duration(2_500_000), exact_duration(1_500_000_000)
    ('450 ms', '2.5 ms', '1.5 s')
    """
    for factor, unit in ((NS_PER_S, "s"), (NS_PER_MS, "ms"), (NS_PER_US, "us")):
        if abs(duration_ns) >= factor:
            whole, rest = divmod(abs(duration_ns), factor)
            digits = f"{rest:0{len(str(factor)) - 1}d}".rstrip("0")
            return f"{'-' if duration_ns < 0 else ''}{whole}{'.' * bool(digits)}{digits} {unit}"
    return f"{duration_ns} ns"
