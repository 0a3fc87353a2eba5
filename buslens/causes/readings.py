"""What a person measured: a name and a reading, with its unit, checked against the limits of the causes file."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from buslens.causes.model import Causes, Measurement, ResultRange, TracedReading
from buslens.causes.signs import Observation, SignStatus
from buslens.checks.findings import Result
from buslens.errors import UsageError, did_you_mean
from buslens.expectations.quantities import parse_quantity
from buslens.expectations.subjects import roles_of

_NO_CURRENT_FLOWS: Final = frozenset({"ol", "o.l", "o.l.", "0l", "0.l", "inf", "\u221e"})
"""What meters show for more ohm than they can measure."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """One measurement that was made."""

    measurement: str
    #: As the person wrote it.
    text: str
    #: Name of the result that it counts as.
    result: str
    #: Whether a recording showed it, and nobody measured.
    is_traced: bool = False


def read_reading(text: str, causes: Causes) -> Reading:
    """Return what a text such as ``supply_at_lock=11.9V`` or ``load_fuse=blown`` says.

    Raises UsageError if there is no such measurement, or the reading is none of its results; the text says what would
    be right.
    """
    name, equals, given = (part.strip() for part in text.partition("="))
    if not equals or not given:
        raise UsageError(f"'{text}' is not NAME=RESULT; write for example {_example(causes)}")
    if name not in causes.measurements:
        raise UsageError(f"no measurement is called '{name}'{_known(name, causes)}")
    measurement = causes.measurements[name]
    return Reading(measurement=name, text=given, result=classify(measurement, given).name)


def traced_readings(results: Sequence[Result], causes: Causes) -> list[Reading]:
    """Return the measurements that recordings beside the captures answer by themselves.

    Of a measurement the level counts that is the lowest, or the highest, among those that lasted long enough. It is
    known as an interval, from the least to the greatest sample in that time; one that two results share is no reading.
    """
    found: dict[str, Reading] = {}
    for result in results:
        for measurement in causes.measurements.values():
            levels = None if measurement.trace is None else _level(measurement.trace, result)
            if levels is None:
                continue
            named = {classify(measurement, f"{level:.6f} {measurement.unit}").name for level in levels}
            if len(named) == 1:
                low, high = levels
                text = f"{low:.2f} to {high:.2f} {measurement.unit} in the recording"
                found[measurement.name] = Reading(
                    measurement=measurement.name, text=text, result=named.pop(), is_traced=True
                )
    return list(found.values())


def counted(readings: Iterable[Reading], causes: Causes, observations: Iterable[Observation]) -> dict[str, str]:
    """Return results by measurement, without those of a recording that one of its signs has said already."""
    shown = {it.sign.name: it.shown for it in observations}
    found = {it.measurement: it for it in readings}
    for name, reading in [*found.items()]:
        measurement = causes.measurements[name]
        if reading.is_traced and measurement.trace is not None:
            agreeing = SignStatus.ABSENT if reading.result == measurement.expect else SignStatus.PRESENT
            if shown.get(measurement.trace.said_by) is agreeing:
                del found[name]
    return {name: it.result for name, it in found.items()}


def _level(trace: TracedReading, result: Result) -> tuple[float, float] | None:
    """Return the level that counts, as its least and greatest sample; None if the recording shows none."""
    context = result.context_of({trace.role, *roles_of(trace.while_.condition)})
    timeline = result.timelines[trace.role]
    if context is None or not context.is_timed:
        return None
    sign = 1.0 if trace.takes == "lowest" else -1.0
    best: tuple[float, float] | None = None
    for begin_ns, end_ns in context.ternary(trace.while_.condition).certain_ns():
        first, last = np.searchsorted(timeline.seen_ns, (begin_ns, end_ns)).tolist()
        part = (timeline.seen_ns[first:last] - begin_ns) // trace.lasting_ns
        whole = part < (end_ns - begin_ns) // trace.lasting_ns
        value, part = sign * timeline.value[first:last][whole], part[whole]
        starts = np.flatnonzero(np.diff(part, prepend=-1))
        if not len(starts) or not np.isfinite(value).all():
            continue
        low, high = np.minimum.reduceat(value, starts), np.maximum.reduceat(value, starts)
        least = int(np.argmin(high))
        if best is None or high[least] < best[1]:
            best = float(low[least]), float(high[least])
    if best is None:
        return None
    low_end, high_end = sorted((sign * best[0], sign * best[1]))
    return low_end, high_end


def classify(measurement: Measurement, given: str) -> ResultRange:
    """Return the result that a reading counts as; the name of a result is one, too.

    Raises UsageError if it is none.
    """
    named = {window.name: window for window in measurement.results}
    for name, window in named.items():
        if name.casefold() == given.casefold():
            return window
    if not measurement.unit:
        raise UsageError(f"{measurement.name}={given}: the results are {', '.join(named)}")
    number, _, unit = given.partition(" ")
    try:
        if "ohm" in measurement.unit and number.casefold() in _NO_CURRENT_FLOWS and unit in {"", measurement.unit}:
            value = float("inf")
        else:
            value = float(parse_quantity(given, measurement.unit))
    except ValueError as error:
        words = str(error).replace("this role", "this measurement")
        raise UsageError(f"{measurement.name}={given}: {words}; or name its result: {', '.join(named)}") from None
    for window in measurement.results:
        low = float("-inf") if window.least is None else window.least
        if low <= value and (window.below is None or value < window.below):
            return window
    raise UsageError(f"{measurement.name}={given}: no result of the causes file takes this reading")


def _example(causes: Causes) -> str:
    for measurement in causes.measurements.values():
        return f"{measurement.name}={measurement.expect}"
    return "supply_at_lock=11.9V"


def _known(name: str, causes: Causes) -> str:
    hint = did_you_mean(name, causes.measurements)
    return hint or "; known: " + ", ".join(causes.measurements)
