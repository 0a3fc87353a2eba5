"""Every test that a fleet is put to, each with its p-value and what it would tell."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from buslens.fleet.anomalies import drift, outliers, retries, sentences, traffic
from buslens.fleet.anomalies.columns import StepDelays, Tries, VehicleTraffic
from buslens.fleet.anomalies.common_mode import OTHERS, common_mode_shift
from buslens.fleet.anomalies.medians import grouped_medians
from buslens.fleet.model import AnomalyKind
from buslens.units import NS_PER_DAY

PLAIN: Final = 0.001
"""A vehicle that drifts with a p-value below this is not asked what the season is."""
WATCHED: Final = 0.1
"""Retries with a p-value below this are told as not sure yet: days are few, and certainty takes months of them."""
LESS_THAN: Final = 0.05
"""A test with a larger p-value is never told, so that nothing is prepared for it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StatisticalTest:
    """One test that was made."""

    p_value: float
    kind: AnomalyKind
    #: Number of the vehicle.
    vehicle: int
    #: Empty where nothing was found.
    sentence: str = ""
    rule: str = ""
    step: str = ""
    #: Number of a capture to look at; None where no single one shows it.
    capture: int | None = None
    recorded_ns: int | None = None
    crossing_ns: tuple[int, int | None] | None = None
    numbers: dict[str, float] = field(default_factory=dict)


def compare_delays(delays: StepDelays, *, is_skew: bool) -> Iterator[StatisticalTest]:
    """Yield the tests of one step: distant delays, distant vehicles, drifts."""
    what = "the lag between the feedbacks" if is_skew else "the delay"
    far = AnomalyKind.SKEW if is_skew else AnomalyKind.OUTLIER
    for outlier in outliers.delay_outliers(delays):
        yield _delay_test(outlier, delays, kind=far, what=what)
    days = _by_day(delays)
    departure = common_mode_shift(days.vehicle, days.day, days.middle)
    trends = _trends(days, departure)
    ailing = _ailing(trends, vehicles=len(np.unique(days.vehicle)))
    if ailing:
        departure = common_mode_shift(days.vehicle, days.day, days.middle, ailing=ailing)
        trends = _trends(days, departure)
    told = np.isfinite(departure)
    freed = days.middle - np.where(told, departure, 0.0)
    kept = told if told.any() else np.ones(len(told), dtype=np.bool_)
    for outlier in outliers.vehicle_outliers(days.vehicle[kept], days.day[kept], freed[kept], days.width[kept]):
        yield _vehicle_test(outlier, delays, kind=far, what=what)
    for vehicle, found in trends.items():
        low, high = np.searchsorted(days.vehicle, [vehicle, vehicle + 1])
        own = low + np.flatnonzero(told[low:high])
        kind = AnomalyKind.SKEW if is_skew else AnomalyKind.DRIFT
        finite = days.width[own][np.isfinite(days.width[own])]
        half_width = float(np.median(finite)) / 2.0 if len(finite) else 0.0
        yield _drift_test(
            vehicle, found, delays, kind=kind, what=what, season_ms=float(departure[own[-1]]), half_width_ms=half_width
        )


def compare_tries(tries: Tries) -> Iterator[StatisticalTest]:
    """Yield one test for each vehicle: whether its first step has to come oftener."""
    for rise in retries.rising_retries(tries):
        test = StatisticalTest(p_value=rise.p_value, kind=AnomalyKind.RETRIES, vehicle=rise.vehicle)
        if rise.p_value >= WATCHED or not rise.again_lately:
            yield test
            continue
        mine = np.flatnonzero((tries.vehicle == rise.vehicle) & (tries.tries > 1))
        last = int(mine[np.argmax(tries.recorded_ns[mine])])
        yield replace(
            test,
            sentence=sentences.retry_text(rise),
            rule=tries.rule,
            capture=int(tries.capture[last]),
            recorded_ns=rise.since_day * NS_PER_DAY,
            numbers={
                "days_with_retry_lately": rise.again_lately,
                "days_lately": rise.days_lately,
                "days_with_retry_before": rise.again_before,
                "days_before": rise.days_before,
            },
        )


def compare_traffic(
    vehicle: int, heard: VehicleTraffic, names: Mapping[int, str] = sentences.NO_NAMES
) -> Iterator[StatisticalTest]:
    """Yield two tests of one vehicle: messages that came or went, and cycle times.

    `names` are those of messages, by identifier as `VehicleTraffic` has it.
    """
    if not len(heard.recorded_ns):
        return
    messages = traffic.message_changes(heard)
    # A vehicle in which no message ever came or went has been tested all the same.
    yield _traffic_test(vehicle, heard, messages, AnomalyKind.MESSAGES, names)
    cycles = traffic.cycle_changes(heard)
    if cycles is not None:
        yield _traffic_test(vehicle, heard, cycles, AnomalyKind.CYCLE, names)


def _ailing(trends: Mapping[int, drift.Drift], *, vehicles: int) -> frozenset[int]:
    """Return the vehicles that are not asked what the season is: the plainest drifts, while enough others are left."""
    plain = sorted((found.trend.p_value, vehicle) for vehicle, found in trends.items() if found.trend.p_value < PLAIN)
    return frozenset(vehicle for _, vehicle in plain[: max(vehicles - 1 - OTHERS, 0)])


# --- one value a day ----------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Days:
    vehicle: NDArray[np.int64]
    day: NDArray[np.int64]
    middle: NDArray[np.float64]
    width: NDArray[np.float64]


def _by_day(delays: StepDelays) -> _Days:
    """Return the median delay of each vehicle on each dated day, by vehicle and day."""
    dated = delays.recorded_ns >= 0
    day = delays.day[dated]
    pairs, place = np.unique(np.stack([delays.vehicle[dated], day]), axis=1, return_inverse=True)
    place = place.ravel().astype(np.int64)
    return _Days(
        vehicle=pairs[0],
        day=pairs[1],
        middle=grouped_medians(place, delays.middle_ms[dated]).median,
        width=grouped_medians(place, delays.width_ms[dated]).median,
    )


def _trends(days: _Days, departure: NDArray[np.float64]) -> dict[int, drift.Drift]:
    told = np.flatnonzero(np.isfinite(departure))
    cuts = np.flatnonzero(np.diff(days.vehicle[told])) + 1
    series = {
        int(days.vehicle[part[0]]): (days.day[part], days.middle[part] - departure[part])
        for part in np.split(told, cuts)
        if len(part)
    }
    factor = drift.variance_inflation(list(series.values()))
    found = {vehicle: drift.find_drift(*own, factor=factor) for vehicle, own in series.items()}
    return {vehicle: trends for vehicle, trends in found.items() if trends is not None}


# --- what a test would tell ---------------------------------------------------------------------------------


def _delay_test(outlier: outliers.Outlier, delays: StepDelays, *, kind: AnomalyKind, what: str) -> StatisticalTest:
    place, test = outlier.place, StatisticalTest(p_value=outlier.p_value, kind=kind, vehicle=outlier.vehicle)
    if not _is_far(outlier) or place is None or _is_finding(delays, place):
        return test
    recorded_ns = int(delays.recorded_ns[place])
    day = recorded_ns // NS_PER_DAY if recorded_ns >= 0 else None
    return replace(
        test,
        sentence=sentences.delay_text(outlier, day, what=what),
        rule=delays.rule,
        step=delays.step,
        capture=int(delays.capture[place]),
        recorded_ns=recorded_ns if recorded_ns >= 0 else None,
        numbers=_outlier_numbers(outlier),
    )


def _is_finding(delays: StepDelays, place: int) -> bool:
    """Whether the rule itself says that something is wrong with a delay."""
    earliest, latest = int(delays.earliest_ns[place]), int(delays.latest_ns[place])
    if latest < 0:
        return True
    is_late = delays.most_ns is not None and earliest > delays.most_ns
    return is_late or (delays.least_ns is not None and latest < delays.least_ns)


def _vehicle_test(outlier: outliers.Outlier, delays: StepDelays, *, kind: AnomalyKind, what: str) -> StatisticalTest:
    test = StatisticalTest(p_value=outlier.p_value, kind=kind, vehicle=outlier.vehicle)
    if not _is_far(outlier):
        return test
    return replace(
        test,
        sentence=sentences.vehicle_text(outlier, what=what),
        numbers=_outlier_numbers(outlier),
        rule=delays.rule,
        step=delays.step,
    )


def _is_far(outlier: outliers.Outlier) -> bool:
    return outlier.p_value < LESS_THAN and abs(outlier.score) >= outliers.FAR


def _outlier_numbers(outlier: outliers.Outlier) -> dict[str, float]:
    numbers = {
        "score": outlier.score,
        "earliest_ms": outlier.earliest_ms,
        "median_ms": outlier.scale.median,
        "mad_ms": outlier.scale.mad,
    }
    if np.isfinite(outlier.latest_ms):
        numbers["latest_ms"] = outlier.latest_ms
    return numbers


def _drift_test(
    vehicle: int,
    found: drift.Drift,
    delays: StepDelays,
    *,
    kind: AnomalyKind,
    what: str,
    season_ms: float,
    half_width_ms: float,
) -> StatisticalTest:
    trend = found.trend
    test = StatisticalTest(p_value=trend.p_value, kind=kind, vehicle=vehicle)
    if trend.p_value >= LESS_THAN or not trend.is_sure:
        return replace(test, p_value=max(trend.p_value, LESS_THAN))
    least_ms = None if delays.least_ns is None else delays.least_ns / 1e6
    most_ms = None if delays.most_ns is None else delays.most_ns / 1e6
    beyond = _beyond(delays, vehicle, trend)
    between = None
    if beyond is None:
        between = drift.crossing(
            found, season_ms=season_ms, half_width_ms=half_width_ms, least_ms=least_ms, most_ms=most_ms
        )
    limit = most_ms if trend.slope > 0.0 else least_ms
    crossing_ns = None
    if between is not None:
        last = None if between[1] is None else int(between[1] * NS_PER_DAY)
        crossing_ns = (int(between[0] * NS_PER_DAY), last)
    return replace(
        test,
        sentence=sentences.drift_text(found, limit, between, beyond, what=what),
        rule=delays.rule,
        step=delays.step,
        recorded_ns=trend.first_day * NS_PER_DAY,
        crossing_ns=crossing_ns,
        numbers={
            "slope_ms_per_day": trend.slope,
            "slope_low_ms_per_day": trend.slope_low,
            "slope_high_ms_per_day": trend.slope_high,
            "level_ms": trend.level,
            "middle_day": trend.middle_day,
            "first_day": trend.first_day,
            "last_day": trend.last_day,
            "days": trend.days,
            "latest_slope_ms_per_day": found.latest.slope,
            "latest_first_day": found.latest.first_day,
            "latest_level_ms": found.latest.level,
            "latest_middle_day": found.latest.middle_day,
            "season_ms": season_ms,
            **_beyond_numbers(beyond),
        },
    )


def _beyond(delays: StepDelays, vehicle: int, trend: drift.Trend) -> drift.Beyond | None:
    """Return the delays since a trend began that were surely beyond the limit that it approaches; None if none was."""
    day, latest_ns = delays.day, delays.latest_ns
    if trend.slope > 0.0:
        if delays.most_ns is None:
            return None
        # What never came was beyond the limit where it was waited for as long.
        is_beyond = (delays.earliest_ns > delays.most_ns) | ((latest_ns < 0) & (delays.earliest_ns >= delays.most_ns))
    else:
        if delays.least_ns is None:
            return None
        is_beyond = (latest_ns >= 0) & (latest_ns < delays.least_ns)
    mine = (delays.vehicle == vehicle) & (day >= trend.first_day)
    if not (mine & is_beyond).any():
        return None
    first_day = int(day[mine & is_beyond].min())
    since = mine & (day >= first_day)
    return drift.Beyond(first_day=first_day, count=int((since & is_beyond).sum()), of=int(since.sum()))


def _beyond_numbers(beyond: drift.Beyond | None) -> dict[str, float]:
    if beyond is None:
        return {}
    return {"beyond_limit": beyond.count, "beyond_limit_of": beyond.of, "beyond_limit_since_day": beyond.first_day}


def _traffic_test(
    vehicle: int,
    heard: VehicleTraffic,
    found: tuple[float, list[traffic.IdChange]] | None,
    kind: AnomalyKind,
    names: Mapping[int, str],
) -> StatisticalTest:
    p_value, changes = found or (1.0, [])
    test = StatisticalTest(p_value=p_value, kind=kind, vehicle=vehicle)
    if p_value >= LESS_THAN or not changes:
        return test
    since = min(change.since_day for change in changes)
    on_it = np.flatnonzero(heard.recorded_ns // NS_PER_DAY == since)
    first = int(on_it[np.argmin(heard.recorded_ns[on_it])])
    if kind is AnomalyKind.MESSAGES:
        sentence = sentences.message_text(changes, names)
    else:
        sentence = sentences.cycle_text(changes, names, of_identifiers=len(np.unique(heard.identifier)))
    numbers = {"identifiers": float(len(changes)), "days_lately": float(changes[0].days_lately)}
    if changes[0].cycle_now_ns is not None and changes[0].cycle_before_ns is not None:
        numbers["cycle_now_ms"] = changes[0].cycle_now_ns / 1e6
        numbers["cycle_before_ms"] = changes[0].cycle_before_ns / 1e6
    return replace(
        test,
        sentence=sentence,
        capture=int(heard.capture[first]),
        recorded_ns=int(heard.recorded_ns[first]),
        numbers=numbers,
    )
