"""What a person measured: a name and a reading, with its unit, judged by the limits of the causes file."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from buslens.errors import UsageError, did_you_mean
from buslens.expectations.quantities import parse_quantity

if TYPE_CHECKING:
    from buslens.causes.model import Causes, Measurement, ResultRange


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """One measurement that was made."""

    measurement: str
    #: As the person wrote it.
    text: str
    #: Name of the result that it counts as.
    result: str


def read_reading(text: str, causes: Causes) -> Reading:
    """Return what a text such as ``supply_at_lock=11.9V`` or ``load_fuse=blown`` says.

    Raises
    ------
    UsageError
        If there is no such measurement, or the reading is none of its results; the text says what would be right.
    """
    name, equals, given = (part.strip() for part in text.partition("="))
    if not equals or not given:
        raise UsageError(f"'{text}' is not NAME=RESULT; write for example {_example(causes)}")
    if name not in causes.measurements:
        raise UsageError(f"no measurement is called '{name}'{_known(name, causes)}")
    measurement = causes.measurements[name]
    return Reading(measurement=name, text=given, result=classify(measurement, given).name)


def classify(measurement: Measurement, given: str) -> ResultRange:
    """Return the result that a reading counts as; the name of a result is one, too.

    Raises
    ------
    UsageError
        If it is none.
    """
    named = {window.name: window for window in measurement.results}
    if given in named:
        return named[given]
    if not measurement.unit:
        raise UsageError(f"{measurement.name}={given}: the results are {', '.join(named)}")
    try:
        value = float(parse_quantity(given, measurement.unit))
    except ValueError as error:
        words = str(error).replace("this role", "this measurement")
        raise UsageError(f"{measurement.name}={given}: {words}; or name its result: {', '.join(named)}") from None
    for window in measurement.results:
        low = float("-inf") if window.least is None else window.least
        high = float("inf") if window.below is None else window.below
        if low <= value < high:
            return window
    raise UsageError(f"{measurement.name}={given}: no result of the causes file takes this reading")


def _example(causes: Causes) -> str:
    for measurement in causes.measurements.values():
        return f"{measurement.name}={measurement.expect}"
    return "supply_at_lock=11.9V"


def _known(name: str, causes: Causes) -> str:
    hint = did_you_mean(name, causes.measurements)
    return hint or "; known: " + ", ".join(causes.measurements)
