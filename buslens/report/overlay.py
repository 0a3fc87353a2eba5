"""All handshakes of a sequence laid over one another, aligned at their start, with what was allowed behind them."""

from dataclasses import dataclass
from itertools import groupby
from typing import Final

from buslens.checks.findings import Handshake, Result
from buslens.checks.phrases import past_tense
from buslens.errors import UsageError, did_you_mean
from buslens.expectations.model import Sequence
from buslens.expectations.subjects import roles_of_trigger
from buslens.report.finding_layout import EndBounds, FindingLayout, places
from buslens.report.lanes import Lane, lay_lane
from buslens.units import NS_PER_MS

MOST_RUNS: Final = 200
"""Of more handshakes, those that failed are drawn first, then the earliest others."""

_AROUND: Final = 0.05
_COLUMNS: Final = 900


@dataclass(frozen=True, slots=True, kw_only=True)
class OverlayTrace:
    """One role in one handshake."""

    lane: Lane
    #: Axis time of the start of the handshake.
    zero_ns: int
    is_fault: bool

    @property
    def runs(self) -> list[list[tuple[int, int, float]]]:
        """What is known without a gap: from when to when, ns after the start, and how far below the top, 0 to 1."""
        lane, steps = self.lane, max(len(self.lane.states) - 1, 1)

        def below(state: int) -> float:
            return 1 - (int(state == lane.high) if len(lane.states) == 2 else state) / steps

        return [
            [(it.start_ns - self.zero_ns, it.end_ns - self.zero_ns, below(it.state)) for it in stretches]
            for is_known, stretches in groupby(lane.stretches, lambda it: it.state >= 0)
            if is_known
        ]


@dataclass(frozen=True, slots=True, kw_only=True)
class OverlayBand:
    """When a step was allowed to come, ns after the start."""

    step: str
    #: Outer ends: in one handshake at least; inner ends: in each of them.
    bounds: EndBounds
    #: The limit, such as "wire feedback: 50 to 600 ms".
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class OverlayLane:
    """One role in all handshakes; faults last, so that nothing lies over them."""

    role: str
    #: What people read.
    name: str
    traces: tuple[OverlayTrace, ...]
    bands: tuple[OverlayBand, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Overlay:
    """The handshakes of one sequence."""

    rule: str
    #: ns after the start of each.
    start_ns: int
    end_ns: int
    #: What the scale counts from, such as "start button became pressed".
    zero_words: str
    lanes: tuple[OverlayLane, ...]
    #: How many the capture holds, how many of those failed, how many are drawn.
    runs: int
    failed: int
    drawn: int

    @property
    def title(self) -> str:
        """What the picture shows, one sentence.

        >>> Overlay(rule="unlock", start_ns=0, end_ns=1, zero_words="", lanes=(), runs=3, failed=1, drawn=3).title
        'unlock, all 3 times, aligned at the start: 1 failed'
        """
        drawn = "" if self.drawn == self.runs else f" ({self.drawn} drawn)"
        failed = f"{self.failed} failed" if self.failed else "none failed"
        often = "once" if self.runs == 1 else f"all {self.runs} times"
        return f"{self.rule}, {often}, aligned at the start{drawn}: {failed}"


def overlays(result: Result, *, least: int = 2) -> tuple[Overlay, ...]:
    """Return an overlay of each sequence that has as many handshakes, in the order of the rules."""
    found = (_overlay(result, rule, least) for rule in result.expectations.rules if isinstance(rule, Sequence))
    return tuple(it for it in found if it is not None)


def overlay_named(result: Result, rule: str | None) -> Overlay:
    """Return the overlay of a sequence; of the one with most faults, then most handshakes, if none is named.

    Raises UsageError if the capture shows no handshake of it.
    """
    found = overlays(result, least=1)
    if rule is not None:
        names = [it.rule for it in found]
        match = next((it for it in found if it.rule == rule), None)
        if match is None:
            raise UsageError(f"the capture shows no handshake of '{rule}'{did_you_mean(rule, names)}")
        return match
    if not found:
        raise UsageError("the capture shows no handshake; there is nothing to lay over one another")
    return max(found, key=lambda it: (it.failed, it.runs))


def _overlay(result: Result, rule: Sequence, least: int) -> Overlay | None:
    runs = [it for it in result.handshakes if it.rule == rule.name]
    if len(runs) < least or not runs:
        return None
    faults = (it for it in result.findings.unmet if it.rule == rule.name and it.outcome.is_fault)
    failed = {it.handshake for it in faults if it.handshake is not None}
    shown = sorted(runs, key=lambda it: (it.number not in failed, it.number))[:MOST_RUNS]
    shown.sort(key=lambda it: (it.number in failed, it.number))
    by_run: dict[int | None, list[FindingLayout]] = {}
    for place in places(result, result.findings.of_handshakes(rule.name, {run.number for run in shown})):
        by_run.setdefault(place.finding.handshake, []).append(place)
    roles = list(dict.fromkeys(role for step in rule.steps for role in roles_of_trigger(step.await_)))
    roles = [role for role in roles if role in result.timelines and not result.timelines[role].is_number]
    end_ns = max([NS_PER_MS, *(run.end_ns - run.start.end_ns for run in shown)])
    # What changed at the very end shows only if a little of the time behind it does.
    around = round(_AROUND * end_ns)
    window = (-around, end_ns + around)
    lanes = []
    for role in roles:
        traces = tuple(
            OverlayTrace(
                lane=_lane(result, role, run, window, run.end_ns + around),
                zero_ns=run.start.end_ns,
                is_fault=run.number in failed,
            )
            for run in shown
        )
        lanes.append(
            OverlayLane(
                role=role,
                name=result.expectations.shown_name(role),
                traces=traces,
                bands=tuple(_bands(rule, role, shown, by_run)),
            )
        )
    return Overlay(
        rule=rule.name,
        start_ns=window[0],
        end_ns=window[1],
        zero_words=past_tense(rule.start).replace("_", " "),
        lanes=tuple(lanes),
        runs=len(runs),
        failed=len(failed),
        drawn=len(shown),
    )


def _lane(result: Result, role: str, run: Handshake, window: tuple[int, int], end_ns: int) -> Lane:
    zero = run.start.end_ns
    resolution = max((window[1] - window[0]) // _COLUMNS, 1)
    return lay_lane(result.timelines[role], zero + window[0], min(zero + window[1], end_ns), resolution)


def _bands(
    rule: Sequence, role: str, runs: list[Handshake], by_run: dict[int | None, list[FindingLayout]]
) -> list[OverlayBand]:
    """Return when each step that awaits the role was allowed to come, over all handshakes."""
    bands = []
    for step in rule.steps:
        if role not in roles_of_trigger(step.await_):
            continue
        allowed = [
            (place.allowed, run.start.end_ns, place)
            for run in runs
            for place in by_run.get(run.number, ())
            if place.finding.step == step.name and place.allowed is not None
        ]
        if not allowed:
            continue
        bounds = EndBounds(
            start=(
                min(it.start[0] - zero for it, zero, _ in allowed),
                max(it.start[1] - zero for it, zero, _ in allowed),
            ),
            end=(min(it.end[0] - zero for it, zero, _ in allowed), max(it.end[1] - zero for it, zero, _ in allowed)),
        )
        words = next(iter(allowed[0][2].limit_words), step.name)
        bands.append(OverlayBand(step=step.name, bounds=bounds, words=words))
    return bands
