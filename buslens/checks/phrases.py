"""The turns of phrase that the reasons of several kinds of rule share."""

import re
from functools import cache
from typing import Final

from buslens.checks.outcome import Limit, Outcome, TimeBounds
from buslens.expectations.model import Becomes, Is, Trigger, WrittenCondition
from buslens.units import NS_PER_MS, exact_duration, format_duration

_OWN_CYCLE: Final = 0.9
"""Part of a message's cycle time below which no frames are available (jitter of usual senders; rule of thumb)."""


def plain(text: str) -> str:
    """Return names as people write them: ``lock_enable`` as ``lock enable``."""
    return text.replace("_", " ")


def past_tense(written: Trigger | WrittenCondition) -> str:
    """Return a trigger as what happened, a condition as what was so.

    ``door_open becomes open`` reads ``door open became open``, ``lock_enable is on`` reads ``lock enable was on``.
    """
    role = _changing(written)
    return f"{plain(role)} changed" if role else _past(written.text)


def not_past(trigger: Trigger) -> str:
    """Return a trigger as what did not happen: ``unlock feedback did not become unlocked``."""
    if len(trigger.moments) == 1 and trigger.text.count(" becomes ") == 1:
        role, change = trigger.text.split(" becomes ")
        return f"{plain(role)} did not become {_in_past(change)}"
    return f"'{plain(trigger.text)}' did not happen"


def in_brief(trigger: Trigger) -> str:
    """Return a trigger as people say it: ``start button pressed``; ``door open`` once.

    One role that may become one of several states, such as a counter of presses, ``changes``.
    """
    if role := _changing(trigger):
        return f"{plain(role)} changes"
    return re.sub(r"\b(\w+) becomes \1\b", r"\1", plain(trigger.text)).replace(" becomes ", " ")


def _changing(written: Trigger | WrittenCondition) -> str:
    """Return the role of which any of several changes is meant, and nothing else; empty if there is none."""
    if not isinstance(written, Trigger) or len(written.moments) < 2:
        return ""
    roles = {it.edge.role for it in written.moments if isinstance(it.edge, Becomes)}
    return roles.pop() if len(roles) == 1 and written.text.count(" becomes ") == len(written.moments) else ""


def was_not(written: WrittenCondition, *, like: WrittenCondition) -> str:
    """Return a condition as what was not so, after another of which the same state was told: ``data feedback was not``.

    The state is omitted only where it is the other's: ``data feedback was not unlocked``.
    """
    if written.text.count(" is ") != 1 or not isinstance(written.condition, Is):
        return f"not '{plain(written.text)}'"
    role, state = plain(written.text).split(" is ")
    return f"{role} was not" if plain(like.text).endswith(f" is {state}") else f"{role} was not {state}"


def meanwhile(written: WrittenCondition) -> str:
    """Return a condition as what was so all the time: ``with lock enable on``, ``while speed < 3 km/h``."""
    if isinstance(written.condition, Is):
        return f"with {plain(written.condition.role)} {written.condition.state}"
    return f"while {_in_past(written.text)}"


def already(trigger: Trigger) -> str:
    """Return that a trigger's change happened before it was awaited: ``it was already on``."""
    if len(trigger.moments) == 1 and trigger.text.count(" becomes ") == 1:
        return f"it was already {plain(trigger.text.split(' becomes ')[1])}"
    return "it was so already"


def bound_text(outcome: Outcome, least_ns: int | None, most_ns: int | None) -> str:
    """Return the end of a limit that was broken, or all of it: ``maximum 600 ms``, ``limit 50 to 600 ms``."""
    if outcome is Outcome.LATE and most_ns is not None:
        return f"maximum {exact_duration(most_ns)}"
    if outcome is Outcome.EARLY and least_ns is not None:
        return f"minimum {exact_duration(least_ns)}"
    return limit_text(least_ns, most_ns)


@cache
def _past(text: str) -> str:
    words = _in_past(text)
    return words if words != plain(text) else f"'{words}' came true"


def _in_past(text: str) -> str:
    return re.sub(r"\bbecomes\b", "became", re.sub(r"\bis\b", "was", plain(text)))


def span_text(span: TimeBounds) -> str:
    """Return a length of time with its doubt, rounded outwards to the millisecond, both ends to as many places.

    >>> span_text(TimeBounds(earliest_ns=412_300_000, latest_ns=511_700_000))
    '412 to 512 ms'
    >>> span_text(TimeBounds(earliest_ns=1_250_000_000, latest_ns=1_290_600_000))
    '1.250 to 1.291 s'
    """
    earliest = span.earliest_ns // NS_PER_MS
    if span.latest_ns is None:
        return f"at least {format_duration(earliest * NS_PER_MS)}"
    latest = -(-span.latest_ns // NS_PER_MS)
    if latest == earliest:
        return format_duration(latest * NS_PER_MS)
    low, high = format_duration(earliest * NS_PER_MS), format_duration(latest * NS_PER_MS)
    (low_number, low_unit), (high_number, unit) = low.rsplit(" ", 1), high.rsplit(" ", 1)
    if earliest == 0:
        return f"0 to {high}"
    if low_unit != unit:
        return f"{low} to {high}"
    low_number, high_number = _alike(low_number, high_number)
    return f"{low_number} to {high_number} {unit}"


def _alike(one: str, other: str) -> tuple[str, str]:
    """Return two decimal numbers with as many places as the longer one has."""
    places = max(len(it.partition(".")[2]) for it in (one, other))
    return f"{float(one):.{places}f}", f"{float(other):.{places}f}"


def rate_text(period_ns: int | None) -> str:
    """Return a recording rate as ``one frame per 100 ms``."""
    return "one frame at all" if period_ns is None else f"one frame per {format_duration(period_ns)}"


def borderline_text(span: TimeBounds, limit_ns: int, period_ns: int | None, cycle_ns: int | None = None) -> str:
    """Return why a length of time cannot be checked against a limit, and what recording rate would decide.

    What the car itself sends only each `cycle_ns` no recording shows more often: then no rate is advised.

    The doubt of a length shrinks with the time between frames. If the true length is the middle of the measured
    span, it is told from the limit once half of the doubt is less than their distance.
    """
    text = f"too close to call at {rate_text(period_ns)}"
    if span.latest_ns is None or period_ns is None:
        return text
    doubt_ns = span.latest_ns - span.earliest_ns
    distance_ns = abs((span.latest_ns + span.earliest_ns) / 2 - limit_ns)
    if not doubt_ns or 2 * distance_ns / doubt_ns * period_ns < NS_PER_MS:
        return f"{text}, and so near the limit that a faster recording may not decide it"
    wanted = int(2 * distance_ns / doubt_ns * period_ns)
    if cycle_ns is not None and wanted < _OWN_CYCLE * cycle_ns:
        return (
            f"{text}; the car sends no more than {rate_text(cycle_ns)}, so that no recording decides it: write a limit"
            " that leaves room for that, or measure at the wire"
        )
    return f"{text}; about {rate_text(wanted // NS_PER_MS * NS_PER_MS)} would decide"


@cache
def limit_text(least_ns: int | None, most_ns: int | None) -> str:
    """Return an allowed length of time: ``limit 50 to 600 ms``, ``limit 600 ms``, ``at least 50 ms``."""
    if least_ns is None or least_ns == 0:
        return "no limit" if most_ns is None else f"limit {exact_duration(most_ns)}"
    if most_ns is None:
        return f"limit at least {exact_duration(least_ns)}"
    low, high = exact_duration(least_ns), exact_duration(most_ns)
    if low == high:
        return f"limit exactly {high}"
    if low.rsplit(" ", 1)[1] == high.rsplit(" ", 1)[1]:
        low = low.rsplit(" ", 1)[0]
    return f"limit {low} to {high}"


def whole_limit_text(limit: Limit) -> str:
    """Return what is allowed, of a time or of a number: ``limit 50 to 600 ms``, ``limit at least 9.5 V``."""
    if limit.unit == "ns":
        return limit_text(*(None if end is None else round(end) for end in (limit.least, limit.most)))
    unit = f" {limit.unit}".rstrip()
    if limit.most is None:
        return "no limit" if limit.least is None else f"limit at least {limit.least:.15g}{unit}"
    if limit.least is None:
        return f"limit at most {limit.most:.15g}{unit}"
    if limit.least == limit.most:
        return f"limit exactly {limit.most:.15g}{unit}"
    return f"limit {limit.least:.15g} to {limit.most:.15g}{unit}"
