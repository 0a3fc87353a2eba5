"""Rehearsed captures diagnosed, and the advice followed with a simulated meter."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, replace
from functools import cache
from itertools import pairwise
from typing import TYPE_CHECKING, Final, NamedTuple

from support.meter import Meter
from support.rehearsed import FOLDER, draw, expectations, judged

from buslens.causes.advice import AdviceKind
from buslens.causes.diagnosis import Diagnosis, diagnose
from buslens.causes.load import load_causes
from buslens.causes.readings import Reading, read_reading
from buslens.causes.signs import SignStatus
from buslens.checks.findings import Verdict

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from buslens.causes.model import Causes
    from buslens.checks.findings import Result

TRUTH: Final = {
    "healthy": "nothing_wrong",
    "logic-fuse-blown": "logic_fuse_blown",
    "load-fuse-blown": "load_fuse_blown",
    "supply-open": "supply_open",
    "supply-contact-bad": "supply_contact_bad",
    "ground-open": "ground_open",
    "ground-contact-bad": "ground_contact_bad",
    "enable-open": "enable_open",
    "enable-shorted-on": "enable_to_supply",
    "unlock-feedback-open": "unlock_feedback_open",
    "unlock-feedback-stuck": "unlock_feedback_to_ground",
    "data-line-open": "data_line_open",
    "feedbacks-disagree": "position_sensor_failed",
    "lock-unit-dead": "lock_unit_dead",
    "slow-motor": "motor_worn",
    "jammed-bolt": "bolt_jammed",
    "intermittent-connector": "plug_loose",
    "low-battery": "battery_flat",
    "new-unit": "unit_new",
    "cleared-unit": "unit_cleared",
    "lock-commanded-with-ignition-on": "driver_stage_stray",
    "message-timeout": "control_unit_resets",
    "bolt-under-load": "bolt_under_load",
    "units-asleep": "units_asleep",
    "key-not-recognised": "key_not_recognised",
    "speed-not-zero": "speed_not_zero",
    "not-in-park": "not_in_park",
    "brake-not-pressed": "brake_not_pressed",
    "partner-not-registered": "partner_not_registered",
    "supply-cut-by-guard": "supply_cut_by_guard",
    "second-feedback-late": "position_sensor_slow",
    "clock-jump": "recording_poor",
    "cut-short": "recording_poor",
    "retry": "nothing_wrong",
    "door-shuts-again": "nothing_wrong",
    "two-close-together": "nothing_wrong",
    "restart": "nothing_wrong",
    "nobody-comes": "nothing_wrong",
    "sluggish": "nothing_wrong",
    "slow-recording": "recording_poor",
}
"""What is wrong with each rehearsed car, in the words of the causes file."""


@cache
def causes() -> Causes:
    return load_causes(FOLDER / "steering_lock.causes.toml", expectations())


@cache
def _as_drawn() -> Causes:
    """Return the causes file with causes as common as they are drawn, and without those that never are.

    A file's own weights cannot be told right or wrong by rehearsals that take each fault in turn; the rest of it can.
    """
    drawn = Counter(TRUTH.values())
    them = {name: replace(it, weight=drawn[name]) for name, it in causes().causes.items() if drawn[name]}
    return replace(causes(), causes=them)


@cache
def _warning_only() -> Causes:
    """Return the causes file as somebody uses it who has seen the warning and has no log."""
    return replace(causes(), signs={"warning": causes().signs["warning"]})


@dataclass(frozen=True, slots=True, kw_only=True)
class Route:
    """Measurements one after the other, until there is something to act on."""

    minutes: float
    measurements: tuple[str, ...]
    #: Cause at the end, names joined by " + ".
    ends_on: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Trial:
    """One rehearsed capture, diagnosed."""

    fault: str
    truth: str
    #: Whether the log shows anything out of the ordinary.
    shows: bool
    #: Names in the first group.
    first_group: tuple[str, ...]
    #: Posterior of each single cause, from the log alone.
    posterior: dict[str, float]
    #: The same if causes were as common beforehand as they are among the draws.
    posterior_as_drawn: dict[str, float]
    #: Following the advice.
    advised: Route
    #: By the same ranking in the order of the file; in that order without the log. None: not followed.
    in_order: Route | None
    without_log: Route | None


def truth_of(fault: str, result: Result) -> str:
    """Return what is wrong; a recording that is coarse, but fine enough for this car, is nothing wrong."""
    if fault == "slow-recording" and result.verdict is Verdict.AS_EXPECTED:
        return "nothing_wrong"
    return TRUTH[fault]


def run_trial(number: int, base: int, *, is_compared: bool = True) -> Trial:
    """Draw, rehearse, judge and diagnose; follow the advice, and to compare it with something other ways too."""
    drawn = draw(number, base=base)
    result = judged(drawn)
    first = diagnose([result], causes())
    meter = Meter(drawn.scenario, drawn.seed)
    read: dict[str, str] = {}

    def reading(name: str) -> Reading:
        # The same car reads the same on every route.
        if name not in read:
            read[name] = meter.read(name)
        return read_reading(f"{name}={read[name]}", causes())

    return Trial(
        fault=drawn.fault,
        truth=truth_of(drawn.fault, result),
        shows=any(it.shown is SignStatus.PRESENT for it in first.observations),
        first_group=tuple(it.name for it in first.ranking.groups[0]),
        posterior=_singles(first),
        posterior_as_drawn=_singles(diagnose([result], _as_drawn())),
        advised=_follow([result], reading, _advised),
        in_order=_follow([result], reading, _next_in_order) if is_compared else None,
        without_log=_follow([result], reading, _next_in_order, _warning_only()) if is_compared else None,
    )


def _singles(found: Diagnosis) -> dict[str, float]:
    return {it.name: it.posterior for it in found.ranking.hypotheses if len(it.causes) == 1}


def _advised(found: Diagnosis) -> str | None:
    return None if found.advice.measurement is None else found.advice.measurement.name


def _next_in_order(found: Diagnosis) -> str | None:
    """Go on through the harness in the order of the file until the same certainty is reached."""
    if found.advice.step in {AdviceKind.REPAIR, AdviceKind.NOTHING}:
        return None
    made = {it.measurement for it in found.readings}
    return next((name for name in found.causes.measurements if name not in made), None)


def _follow(
    results: list[Result],
    reading: Callable[[str], Reading],
    choose: Callable[[Diagnosis], str | None],
    by: Causes | None = None,
) -> Route:
    readings: list[Reading] = []
    while True:
        found = diagnose(results, by or causes(), readings)
        name = choose(found)
        if name is None:
            break
        readings.append(reading(name))
    ended = found.advice.hypotheses[0] if found.advice.hypotheses else found.ranking.hypotheses[0]
    return Route(
        minutes=sum(causes().measurements[it.measurement].minutes for it in readings),
        measurements=tuple(it.measurement for it in readings),
        ends_on=ended.name,
    )


class Said(NamedTuple):
    """What was said of one capture, and what was so."""

    posterior: dict[str, float]
    truth: str


class Row(NamedTuple):
    """One line of a reliability table: everything that was said to be about so probable."""

    low: float
    high: float
    count: int
    #: Mean of what was said.
    said: float
    #: How often it was so.
    true: int


BINS: Final = (0.01, 0.05, 0.1, 0.2, 0.4, 0.6, 0.8, 0.95, 1.0)
"""Edges of the reliability table; what is said to be less probable than the first is left out."""


def as_drawn(trials: Sequence[Trial]) -> list[Said]:
    """Return what was said of each capture, with causes as common beforehand as they are drawn."""
    return [Said(trial.posterior_as_drawn, trial.truth) for trial in trials]


def as_filed(trials: Sequence[Trial]) -> list[Said]:
    """Return what was said of each capture, with causes as common beforehand as the file says."""
    return [Said(trial.posterior, trial.truth) for trial in trials]


def reliability(trials: Sequence[Said]) -> list[Row]:
    """Return how often causes that were said to be so probable were the true ones, lines without any left out."""
    said = [(chance, name == trial.truth) for trial in trials for name, chance in trial.posterior.items()]
    rows = []
    for low, high in pairwise(BINS):
        inside = [it for it in said if low <= it[0] < high or (high == 1.0 and it[0] == 1.0)]
        if inside:
            mean = sum(chance for chance, _ in inside) / len(inside)
            rows.append(Row(low, high, len(inside), mean, sum(is_true for _, is_true in inside)))
    return rows


def brier_score(trials: Sequence[Said]) -> float:
    """Return the mean squared distance between what was said and what was so, over all causes (Brier 1950)."""
    return sum(
        sum((chance - (name == trial.truth)) ** 2 for name, chance in trial.posterior.items()) for trial in trials
    ) / len(trials)


def interval(hits: int, count: int) -> tuple[float, float]:
    """Return the exact two-sided 95 % interval of a share (Clopper and Pearson)."""
    from scipy.stats import binomtest

    found = binomtest(hits, count).proportion_ci(0.95, method="exact")
    return float(found.low), float(found.high)
