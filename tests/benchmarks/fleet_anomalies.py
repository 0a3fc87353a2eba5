"""Prove what stands out in a fleet on rehearsed fleets: how often for nothing, and how early where a motor fails.

    python tests/benchmarks/fleet_anomalies.py [HEALTHY] [AILING] [BASE] [--keep FOLDER]

Rehearses HEALTHY fleets of 12 healthy cars over 120 days, 0.5 recorded starts per car and day (20), and AILING fleets
of 16 cars over 150 days, 0.6 starts (7), of which 4 have a motor that slowly fails, 2 need a second pulse more and
more often, 1 loses a message and 1 has a cycle time changed by new software. Each is looked at every 14 days, as if
that day were the last, and once at its end. Seeds are BASE + 1 and up, and BASE + 1001 and up (1000). What was tuned
was tuned on bases below 1000.

Simulating takes most of the time, about 0.1 s a capture; with --keep what was recorded is kept in FOLDER for the next
time.
"""

from __future__ import annotations

import argparse
import pickle
import sys
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path
from typing import NamedTuple

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from support.club_fleet import FIRST_DAY, FleetFault
from support.rehearsed_fleets import Recorded, in_columns, recorded_fleet
from support.trials import interval

from buslens.checks.findings import Outcome
from buslens.fleet.model import AnomalyKind
from buslens.units import NS_PER_DAY

AILING = {FleetFault.SLOW_MOTOR: 4, FleetFault.RETRIES: 2, FleetFault.MESSAGE_LOST: 1, FleetFault.CYCLE_CHANGED: 1}
SHOWS = {
    FleetFault.SLOW_MOTOR: {AnomalyKind.DRIFT, AnomalyKind.OUTLIER, AnomalyKind.SKEW},
    FleetFault.RETRIES: {AnomalyKind.RETRIES},
    FleetFault.MESSAGE_LOST: {AnomalyKind.MESSAGES},
    FleetFault.CYCLE_CHANGED: {AnomalyKind.CYCLE},
}
LOOK = 14


class Told(NamedTuple):
    """One anomaly at one look."""

    look: int
    vehicle: str
    kind: AnomalyKind
    sentence: str
    crossing_ns: tuple[int, int | None] | None
    step: tuple[str, str]


class Watched(NamedTuple):
    """One fleet, looked at again and again."""

    seed: int
    days: int
    #: Car -> ailment, day on which it begins, first day with a failed step (None: never).
    cars: dict[str, tuple[FleetFault, float, float | None]]
    told: list[Told]
    #: Days after which it was looked at; the last is the end.
    looks: list[int]
    captures: int
    #: p-values at the end.
    p_values: list[float]
    #: (rule, step) -> car -> first day on which a delay of it was surely over its limit.
    over: dict[tuple[str, str, str], float]


def watch(job: tuple[int, bool], keep: Path | None) -> Watched:
    """Rehearse one fleet and look at it."""
    seed, is_ailing = job
    fleet = remembered(seed, is_ailing=is_ailing, keep=keep)
    columns = in_columns(fleet)
    told = []
    looks = [*range(2 * LOOK, fleet.days, LOOK), fleet.days]
    p_values: list[float] = []
    for look in looks:
        until = columns.until((FIRST_DAY + look) * NS_PER_DAY)
        if look == fleet.days:
            p_values = [test.p_value for test in until.comparisons()]
        told += [
            Told(look, it.vehicle, it.kind, it.sentence, it.crossing_ns, (it.rule, it.step)) for it in until.anomalies()
        ]
    failed: dict[str, float] = {}
    over: dict[tuple[str, str, str], float] = {}
    for job_of, judged in fleet.captures:
        day = (job_of.recorded_ns or 0) / NS_PER_DAY - FIRST_DAY
        if any(row.outcome in {Outcome.LATE, Outcome.MISSING} for row in judged.delays):
            failed.setdefault(job_of.vehicle, day)
        for row in judged.delays:
            if row.outcome is Outcome.LATE:
                over.setdefault((row.rule, row.step, job_of.vehicle), day)
    cars = {car.name: (car.ailment, car.begins, failed.get(car.name)) for car in fleet.cars}
    return Watched(seed, fleet.days, cars, told, looks, len(fleet.captures), p_values, over)


def remembered(seed: int, *, is_ailing: bool, keep: Path | None) -> Recorded:
    """Rehearse a fleet, or take it from where it was kept."""
    kept = None if keep is None else keep / f"{'ailing' if is_ailing else 'healthy'}_{seed}.pickle"
    if kept is not None and kept.exists():
        return pickle.loads(kept.read_bytes())  # noqa: S301 (written by this script)
    if is_ailing:
        fleet = recorded_fleet(seed, cars=16, days=150, starts_per_day=0.6, ailing=AILING)
    else:
        fleet = recorded_fleet(seed, cars=12, days=120, starts_per_day=0.5)
    if kept is not None:
        kept.parent.mkdir(parents=True, exist_ok=True)
        kept.write_bytes(pickle.dumps(fleet))
    return fleet


def main() -> None:
    """Watch the fleets and print what came of it."""
    parser = argparse.ArgumentParser()
    parser.add_argument("healthy", nargs="?", type=int, default=20)
    parser.add_argument("ailing", nargs="?", type=int, default=7)
    parser.add_argument("base", nargs="?", type=int, default=1000)
    parser.add_argument("--keep", type=Path)
    chosen = parser.parse_args()
    jobs = [(chosen.base + 1 + number, False) for number in range(chosen.healthy)]
    jobs += [(chosen.base + 1001 + number, True) for number in range(chosen.ailing)]
    with ProcessPoolExecutor(2) as pool:
        watched = list(pool.map(partial(watch, keep=chosen.keep), jobs))
    tell_healthy(watched[: chosen.healthy])
    tell_ailing(watched[chosen.healthy :])


def share(count: int, total: int) -> str:
    """Return a share with its 95 % interval."""
    if not total:
        return "none"
    low, high = interval(count, total)
    return f"{count} of {total}, {count / total:.1%} (95 %: {low:.1%} to {high:.1%})"


def tell_healthy(fleets: list[Watched]) -> None:
    """Print the false alarms of healthy fleets."""
    vehicles = sum(len(fleet.cars) for fleet in fleets)
    years = sum(len(fleet.cars) * fleet.days for fleet in fleets) / 365.25
    print(f"Healthy: {len(fleets)} fleets, {vehicles} vehicles, {sum(it.captures for it in fleets)} captures")
    at_end = [[it for it in fleet.told if it.look == fleet.looks[-1]] for fleet in fleets]
    print("fleets with any alarm, one look at the end  ", share(sum(map(bool, at_end)), len(fleets)))
    print(
        "vehicles with an alarm, one look at the end ",
        share(sum(len({i.vehicle for i in t}) for t in at_end), vehicles),
    )
    looks = sum(len(fleet.looks) for fleet in fleets)
    alarmed = sum(len({it.look for it in fleet.told}) for fleet in fleets)
    print("looks with any alarm                        ", share(alarmed, looks))
    ever = sum(len({it.vehicle for it in fleet.told}) for fleet in fleets)
    print(
        f"vehicles ever alarmed, a look every {LOOK} days ",
        share(ever, vehicles),
        f"{ever / max(years, 1e-9):.3f} a year",
    )
    p_values = np.concatenate([fleet.p_values for fleet in fleets]) if fleets else np.empty(0)
    for level in (0.05, 0.01, 0.001, 0.0001):
        print(f"tests with p below {level:<7}", share(int((p_values < level).sum()), len(p_values)))
    for fleet in fleets:
        for it in fleet.told:
            print(f"    {fleet.seed} day {it.look} {it.vehicle} {it.kind.value}: {it.sentence}")


def tell_ailing(fleets: list[Watched]) -> None:
    """Print what was found of what ails, how early, and the false alarms beside it."""
    print(f"\nAiling: {len(fleets)} fleets, {sum(it.captures for it in fleets)} captures")
    healthy = [(fleet, name) for fleet in fleets for name, car in fleet.cars.items() if car[0] is FleetFault.NONE]
    alarmed = sum(any(it.vehicle == name for it in fleet.told) for fleet, name in healthy)
    print("healthy vehicles among them ever alarmed    ", share(alarmed, len(healthy)))
    for fleet, name in healthy:
        for it in fleet.told:
            if it.vehicle == name:
                print(f"    {fleet.seed} day {it.look} {it.vehicle} {it.kind.value}: {it.sentence}")
    pairs = {(fleet.seed, it.look, it.vehicle, it.kind): fleet for fleet in fleets for it in fleet.told}
    false = sum(fleet.cars[vehicle][0] is FleetFault.NONE for (_, _, vehicle, _), fleet in pairs.items())
    print("told for nothing, of vehicles and kinds told ", share(false, len(pairs)))
    for ailment, kinds in SHOWS.items():
        lags, leads, found, total = [], [], 0, 0
        failing = warned = 0
        for fleet in fleets:
            for name, (own, begins, failed) in fleet.cars.items():
                if own is not ailment:
                    continue
                total += 1
                looks = [it.look for it in fleet.told if it.vehicle == name and it.kind in kinds and it.look > begins]
                first = min(looks, default=None)
                found += first is not None
                if first is not None:
                    lags.append(first - begins)
                if ailment is FleetFault.SLOW_MOTOR and failed is not None:
                    failing += 1
                    warned += first is not None and first < failed
                    if first is not None:
                        leads.append(failed - first)
        print(f"{ailment.value:14} found                   ", share(found, total))
        if lags:
            print(f"{'':14} days after it began       ", quartiles(lags))
        if failing:
            print(f"{'':14} before the first failed step", share(warned, failing))
            print(f"{'':14} days before it (less than 0: after)", quartiles(leads))
    tell_crossings(fleets)


def tell_crossings(fleets: list[Watched]) -> None:
    """Print how often the day on which a step was first late lies in the interval that was told for it."""
    inside = early = late = open_ended = 0
    widths = []
    for fleet in fleets:
        for it in fleet.told:
            if it.crossing_ns is None or (*it.step, it.vehicle) not in fleet.over:
                continue
            day = fleet.over[*it.step, it.vehicle]
            if day <= it.look:
                continue
            first = it.crossing_ns[0] / NS_PER_DAY - FIRST_DAY
            if it.crossing_ns[1] is None:
                open_ended += 1
                continue
            last = it.crossing_ns[1] / NS_PER_DAY - FIRST_DAY
            inside += first <= day <= last
            early += day < first
            late += day > last
            widths.append(last - first)
    print("first late day within what was told before", share(inside, inside + early + late))
    print(f"    sooner {early}, later {late}; told without a last day {open_ended}; width in days", quartiles(widths))


def quartiles(values: list[float]) -> str:
    """Return median and quartiles."""
    if not values:
        return "none"
    low, middle, high = np.quantile(values, [0.25, 0.5, 0.75])
    return f"median {middle:.0f}, quartiles {low:.0f} and {high:.0f}, least {min(values):.0f}, {len(values)} in all"


if __name__ == "__main__":
    main()
