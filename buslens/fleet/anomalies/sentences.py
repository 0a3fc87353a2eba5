"""What stands out, in one sentence each, with the numbers and their doubt."""

from collections.abc import Mapping, Sequence
from datetime import date, timedelta
from math import ceil, floor
from types import MappingProxyType
from typing import Final

from buslens.checks.findings import TimeBounds
from buslens.checks.phrases import span_text
from buslens.fleet.anomalies.drift import Beyond, Drift, Trend
from buslens.fleet.anomalies.outliers import Outlier
from buslens.fleet.anomalies.retries import RetryIncrease
from buslens.fleet.anomalies.traffic import IdChange
from buslens.units import NS_PER_MS

NO_NAMES: Final[Mapping[int, str]] = MappingProxyType({})
"""Identifiers of which no definitions say what they are called."""

_NAMED = 4
"""Identifiers that are named; of more, how many more."""


def delay_text(outlier: Outlier, day: int | None, *, what: str) -> str:
    """Return the sentence on a delay that is far from the fleet's.

    >>> from buslens.fleet.anomalies.outliers import Outlier, RobustSpread
    >>> far = Outlier(vehicle=0, score=9.8, p_value=0.0, earliest_ms=412.0, latest_ms=455.2,
    ...               scale=RobustSpread(281.0, 9.0), place=0)
    >>> delay_text(far, 20577, what="the delay")
    'the delay was 412 to 456 ms on 2026-05-04; the fleet takes 281 ms (MAD 9.0 ms), a modified z-score of 9.8 or more'
    """
    when = "" if day is None else f" on {date_text(day)}"
    return (
        f"{what} was {_ends(outlier.earliest_ms, outlier.latest_ms)}{when}; the fleet takes"
        f" {_ms(outlier.scale.median)} (MAD {_ms(outlier.scale.mad)}), a modified z-score of"
        f" {_score(outlier.score)}"
    )


def vehicle_text(outlier: Outlier, *, what: str) -> str:
    """Return the sentence on a vehicle whose usual delay is far from those of the others."""
    return (
        f"{what} is {_ends(outlier.earliest_ms, outlier.latest_ms)} as a rule, and in the vehicles of the fleet"
        f" {_ms(outlier.scale.median)} (MAD {_ms(outlier.scale.mad)}), a modified z-score of {_score(outlier.score)}"
    )


def drift_text(
    drift: Drift,
    limit_ms: float | None,
    between: tuple[float, float | None] | None,
    beyond: Beyond | None = None,
    *,
    what: str,
) -> str:
    """Return the sentence on delays that grow or shrink: that they were beyond the limit, else when they will be."""
    trend, latest = drift.trend, drift.latest
    verb = "grows" if trend.slope > 0.0 else "shrinks"
    text = (
        f"{what} {verb} by {_slope(trend)}, from about {_ms(trend.first_level)} at first to {_ms(trend.last_level)} at"
        f" last, {date_text(trend.first_day)} to {date_text(trend.last_day)}, the season taken off"
    )
    if beyond is not None and limit_ms is not None:
        return (
            f"{text}; beyond the limit of {_ms(limit_ms)} in {beyond.count} of {beyond.of} handshakes since"
            f" {date_text(beyond.first_day)}"
        )
    if between is None or limit_ms is None:
        return text
    if latest.first_day != trend.first_day:
        text += f"; since {date_text(latest.first_day)} by {_slope(latest)}"
    first = date_text(between[0])
    if between[1] is None:
        return f"{text}; going on like that it reaches the limit of {_ms(limit_ms)} on {first} at the earliest"
    last = date_text(between[1])
    when = f"on {first}" if first == last else f"between {first} and {last}"
    return f"{text}; going on like that it crosses the limit of {_ms(limit_ms)} {when}"


def _slope(trend: Trend) -> str:
    low, high = sorted((abs(trend.slope_low), abs(trend.slope_high)))
    return f"{abs(trend.slope):.2g} ms a day (95 %: {low:.2g} to {high:.2g})"


def retry_text(rise: RetryIncrease) -> str:
    """Return the sentence on a first step that has to come oftener."""
    return (
        f"a second try was needed on {rise.again_lately} of {rise.days_lately} days since {date_text(rise.since_day)},"
        f" and on {rise.again_before} of {rise.days_before} days before"
    )


def message_text(changes: Sequence[IdChange], names: Mapping[int, str] = NO_NAMES) -> str:
    """Return the sentence on messages that came or went."""
    parts = []
    for is_there, verb in ((False, "no longer there"), (True, "there that was not before")):
        those = [change for change in changes if change.is_there == is_there]
        if those:
            since = date_text(min(change.since_day for change in those))
            first = those[0]
            parts.append(
                f"{identifier_list(those, names)} {'is' if len(those) == 1 else 'are'} {verb} since {since}"
                f" (on {first.days_lately} {_days(first.days_lately)}, after {first.days_before})"
            )
    return "; ".join(parts)


def cycle_text(changes: Sequence[IdChange], names: Mapping[int, str] = NO_NAMES, *, of_identifiers: int) -> str:
    """Return the sentence on messages that are sent oftener or less often."""
    first = changes[0]
    text = (
        f"{identifier_list(changes, names)}: a frame per {_cycle(first.cycle_now_ns)} since"
        f" {date_text(first.since_day)}, and per {_cycle(first.cycle_before_ns)} before"
    )
    if len(changes) > 1:
        text += " (the first of them)"
    if len(changes) >= max(3, of_identifiers // 2):
        text += "; so many at once may be a recorder that leaves out frames"
    return text


def identifier_list(changes: Sequence[IdChange], names: Mapping[int, str] = NO_NAMES) -> str:
    """Return messages by their names in the definitions, others as logs write identifiers, the first few of them."""
    shown = []
    for change in changes:
        written = f"{change.identifier >> 1:08X}" if change.identifier & 1 else f"{change.identifier >> 1:03X}"
        name = names.get(change.identifier)
        shown.append(written if name is None else f"{name} ({written})")
    if len(shown) > _NAMED:
        return f"{', '.join(shown[:_NAMED])} and {len(shown) - _NAMED} more"
    return " and ".join([", ".join(shown[:-1]), shown[-1]]) if len(shown) > 1 else shown[0]


def date_text(day: float) -> str:
    """Return a day, counted from 1970-01-01, as a date.

    >>> date_text(20514.7)
    '2026-03-02'
    """
    return str(date(1970, 1, 1) + timedelta(days=int(day)))


def _ms(value: float) -> str:
    return f"{value:.0f} ms" if abs(value) >= 9.5 else f"{value:.1f} ms"


def _ends(earliest: float, latest: float) -> str:
    """Return an interval of milliseconds as all findings write it, rounded outwards."""
    latest_ns = None if latest == float("inf") else ceil(latest * NS_PER_MS)
    return span_text(TimeBounds(earliest_ns=floor(earliest * NS_PER_MS), latest_ns=latest_ns))


def _score(score: float) -> str:
    return f"{abs(score):.1f} or more" if score > 0.0 else f"-{abs(score):.1f} or less"


def _cycle(cycle_ns: float | None) -> str:
    return "" if cycle_ns is None else f"{cycle_ns / 1e6:.4g} ms"


def _days(count: int) -> str:
    return "day" if count == 1 else "days"
