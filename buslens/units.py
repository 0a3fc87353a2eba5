"""Time as whole nanoseconds, and the words in which people write it."""

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
TIME_UNITS: Final = {"ns": 1, "us": NS_PER_US, "µs": NS_PER_US, "ms": NS_PER_MS, "s": NS_PER_S, "min": NS_PER_MIN}
"""Nanoseconds of each unit in which durations are written."""


# BIPM, The International System of Units, 9th edition, tables 4 to 8.
_PREFIXES: Final = {
    "p": -12, "n": -9, "u": -6, "\u00b5": -6, "\u03bc": -6, "m": -3, "c": -2, "d": -1, "h": 2, "k": 3, "M": 6, "G": 9,
}  # fmt: skip
_BASES: Final = frozenset(
    {"V", "A", "W", "Ω", "\u2126", "ohm", "Ohm", "Hz", "m", "g", "Pa", "bar", "N", "Nm", "J", "s", "Ah", "Wh", "F", "H"}
)
# Spellings of one unit, and the two code points that Unicode has for ohm; each stands for the first of its row.
_ROWS: Final = (
    ("Ω", "\u2126", "ohm", "Ohm", "Ohms"),
    ("°C", "℃", "degC"),
    ("1/min", "rpm"),
    ("V", "Volt", "Volts", "volt", "volts"),
    ("A", "Ampere", "Amperes", "Amp", "Amps"),
)
_KIND: Final = re.compile(r"(?<=[VA])\s*(?:[DAda][Cc]|rms|RMS)$")
"""What a meter writes behind a unit."""
_SPELLINGS: Final = {spelling: row[0] for row in _ROWS for spelling in row}


def spelled(unit: str) -> str:
    """Return a unit in the one spelling that stands for all of its spellings."""
    unit = "".join(unit.split())
    return _SPELLINGS.get(unit, "" if unit == "1" else unit)


def without_prefix(unit: str) -> tuple[str, int]:
    """Return a unit without its prefix, and the power of ten that the prefix means.

    >>> without_prefix("mV"), without_prefix("mVDC")
    (('V', -3), ('V', -3))
    """
    unit = _KIND.sub("", unit)
    if unit not in _BASES:
        base, power = unit[1:], _PREFIXES.get(unit[:1])
        if power is not None and base in _BASES:
            return spelled(base), power
    return spelled(unit), 0


def power_of_unit(unit: str, to: str) -> int | None:
    """Return the power of ten between a unit and another; None if they differ by more than a prefix.

    >>> power_of_unit("mV", "V"), power_of_unit("mV", "A")
    (-3, None)
    """
    base, power = without_prefix(unit)
    wanted, wanted_power = without_prefix(to)
    return power - wanted_power if base == wanted else None


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
    exact = Decimal(match[1]) * TIME_UNITS[match[2]]
    if exact != int(exact):
        raise ValueError(f"'{text}' is finer than one nanosecond")
    return int(exact)


def format_duration(duration_ns: int) -> str:
    """Return a duration as a person writes it, to the millisecond from 1 ms on.

    >>> format_duration(450_000_000), format_duration(2_000_000_000), format_duration(2_345_678_901)
    ('450 ms', '2 s', '2.346 s')
    >>> format_duration(0)
    '0 ms'
    """
    if not duration_ns:
        return "0 ms"
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

    >>> format_at_least(96_690_000), format_at_least(2_999_900_000), format_at_least(300_001)
    ('96 ms', '2.999 s', '300 us')
    """
    return format_duration(_rounded_down(duration_ns))


def format_at_most(duration_ns: int) -> str:
    """Return a duration that is claimed as an upper bound: rounded up, as `format_duration` writes it.

    >>> format_at_most(96_310_000), format_at_most(299_001)
    ('97 ms', '300 us')
    """
    return format_duration(-_rounded_down(-duration_ns))


def _rounded_down(duration_ns: int) -> int:
    """Return whole milliseconds, of less than one whole microseconds; of less than one of these all of it."""
    step = next((it for it in (NS_PER_MS, NS_PER_US) if abs(duration_ns) >= it), 1)
    return duration_ns // step * step


def format_rate(shortest_ns: int) -> str:
    """Return how often to sample so that two samples are closer than a length of time.

    >>> format_rate(150_000_000), format_rate(100_000_000), format_rate(2_000_000_000)
    ('7 samples a second', '11 samples a second', '1 sample a second')
    """
    count = NS_PER_S // max(shortest_ns, 1) + 1
    return f"{count:,} sample{'s' * (count > 1)} a second"


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
