"""The delays of one step over the fleet: how many are at most how long, with the doubt of each, against the limits.

A delay is known to lie between two ends, so that the share of delays that are at most x long lies between the share of
latest ends and the share of earliest ends up to x. What never came has no latest end, so that the lower curve does not
reach the whole.
"""

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from buslens.checks.findings import Limit, Outcome, TimeBounds
from buslens.checks.phrases import span_text as words_of_span
from buslens.fleet.anomalies.medians import grouped_medians
from buslens.fleet.page.scale import Axis
from buslens.fleet.views import NO_UPPER_END, OUTCOMES, UNDATED, DelayColumns
from buslens.report.formatting import limit_text
from buslens.report.inline_svg import Drawing
from buslens.report.record.markup import Markup

WIDTH: Final = 232.0
HEIGHT: Final = 132.0
_LEFT, _RIGHT, _TOP, _BOTTOM = 25.0, 8.0, 8.0, 28.0
_STRIP: Final = 9.0
"""Height of the strip of vehicles below the curves."""

_FURTHEST: Final = 2.5
"""The scale does not reach further than this many times the greatest limit."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StepView:
    """What is shown of one step with one pair of limits."""

    rule: str
    step: str
    least_ns: int | None
    most_ns: int | None
    delays: int
    vehicles: int
    #: How many came out how.
    outcomes: dict[Outcome, int]
    #: Delays without an upper end.
    censored: int
    #: Between which the median lies, and the length that 95 in 100 do not exceed; ns.
    median: TimeBounds
    most_are_within: TimeBounds
    #: float64[n], ends of the scale's points, ms; and the share of delays that are at most so long: at least, at most.
    scale_ms: NDArray[np.float64]
    share_low: NDArray[np.float64]
    share_high: NDArray[np.float64]
    #: float64[v], median of the middles of each vehicle, ms; infinite where half or more never came.
    usual_ms: NDArray[np.float64]

    @property
    def limit(self) -> Limit:
        """The limits."""
        ends = (None if end is None else float(end) for end in (self.least_ns, self.most_ns))
        least, most = ends
        return Limit(least=least, most=most)

    @property
    def not_met(self) -> str:
        """How many came out otherwise than met, in words."""
        words = {
            Outcome.EARLY: "early",
            Outcome.LATE: "late",
            Outcome.MISSING: "never came",
            Outcome.OUT_OF_ORDER: "wrong order",
            Outcome.VIOLATED: "violated",
            Outcome.UNDECIDED: "undecided",
        }
        told = [f"{self.outcomes[kind]:,} {word}" for kind, word in words.items() if self.outcomes.get(kind)]
        return ", ".join(told) or "none"


def step_views(columns: DelayColumns) -> Iterator[StepView]:
    """Yield what is shown of a step, apart for each pair of limits."""
    pairs, which = np.unique(np.stack([columns.least_ns, columns.most_ns]), axis=1, return_inverse=True)
    for place, (least, most) in enumerate(pairs.T.tolist()):
        kept = which.ravel() == place
        limits = None if least == UNDATED else least, None if most == NO_UPPER_END else most
        yield _step_view(columns, kept, *limits)


def curve(ends_ns: NDArray[np.int64], at_ms: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the share of values that are at most so long, for each of some lengths."""
    shares: NDArray[np.float64] = np.searchsorted(ends_ns, np.floor(at_ms * 1e6), side="right") / len(ends_ns)
    return shares


def quantile(earliest_ns: NDArray[np.int64], latest_ns: NDArray[np.int64], share: float) -> TimeBounds:
    """Return between which lengths the one lies that this share of delays does not exceed.

    Parameters
    ----------
    earliest_ns, latest_ns : ndarray of int64, shape (n,)
        Each ascending on its own; `NO_UPPER_END` in the latter where there is none.
    share : float
        Above 0, up to 1.
    """
    place = max(math.ceil(share * len(earliest_ns) - 1e-9) - 1, 0)
    latest = int(latest_ns[place])
    return TimeBounds(earliest_ns=int(earliest_ns[place]), latest_ns=None if latest == NO_UPPER_END else latest)


def picture(view: StepView) -> Markup:
    """Return the two curves over the allowed window, and a stroke for each vehicle below them."""
    drawing = Drawing(WIDTH, HEIGHT)
    floor = HEIGHT - _BOTTOM - _STRIP
    axis = Axis(_LEFT, WIDTH - _RIGHT, 0.0, float(view.scale_ms[-1]))
    _window(drawing, axis, view, floor)

    def height(share: float) -> float:
        return floor - share * (floor - _TOP)

    for share in (0.5, 1.0):
        drawing.lines([[(axis.left, height(share)), (axis.right, height(share))]], "hair", 0.6)
    for share, words in ((0.0, "0"), (0.5, "50"), (1.0, "100")):
        drawing.words(_LEFT - 4, height(share) + 3, words, "t-quiet", anchor="right")
    low = _steps(view, view.share_low, axis, height)
    high = _steps(view, view.share_high, axis, height)
    drawing.areas([[*high, *reversed(low)]], "doubt")
    drawing.lines([high, low], "ink", 1.0)
    _strip(drawing, axis, view, floor)
    drawing.lines([[(axis.left, floor), (axis.right, floor)]], "ink", 0.8)
    axis.draw(drawing, HEIGHT - _BOTTOM)
    return drawing.markup(label(view), kind="plot")


def span_text(span: TimeBounds) -> str:
    """Return a length with its doubt; where nothing is known of it, so.

    >>> span_text(TimeBounds(earliest_ns=0, latest_ns=None)), span_text(TimeBounds(earliest_ns=0, latest_ns=75_000_000))
    ('not known', '0 to 75 ms')
    """
    return "not known" if span == TimeBounds(earliest_ns=0, latest_ns=None) else words_of_span(span)


def label(view: StepView) -> str:
    """Return in words what the picture shows."""
    return (
        f"{view.rule}, {view.step}: {view.delays:,} delays of {view.vehicles:,} vehicles, "
        f"{limit_text(view.limit)}; median {span_text(view.median)}, 95 of 100 within "
        f"{span_text(view.most_are_within)}; faults or undecided: {view.not_met}"
    )


def _step_view(columns: DelayColumns, kept: NDArray[np.bool_], least_ns: int | None, most_ns: int | None) -> StepView:
    earliest, latest = np.sort(columns.earliest_ns[kept]), np.sort(columns.latest_ns[kept])
    counts = np.bincount(columns.outcome[kept], minlength=len(OUTCOMES)).tolist()
    finite = latest[latest != NO_UPPER_END]
    longest = float(finite[math.ceil(0.995 * len(finite)) - 1]) if len(finite) else float(earliest[-1])
    limits = [float(end) for end in (least_ns, most_ns) if end is not None]
    if limits:
        longest = min(max(longest, 1.12 * max(limits)), _FURTHEST * max(limits))
    scale_ms = np.linspace(0.0, max(longest * 1.04, 1e6) / 1e6, int(2 * (WIDTH - _LEFT - _RIGHT)) + 1)
    return StepView(
        rule=columns.rule,
        step=columns.step,
        least_ns=least_ns,
        most_ns=most_ns,
        delays=len(earliest),
        vehicles=len(np.unique(columns.vehicle[kept])),
        outcomes={outcome: count for outcome, count in zip(OUTCOMES, counts, strict=True) if count},
        censored=int((latest == NO_UPPER_END).sum()),
        median=quantile(earliest, latest, 0.5),
        most_are_within=quantile(earliest, latest, 0.95),
        scale_ms=scale_ms,
        share_low=curve(latest, scale_ms),
        share_high=curve(earliest, scale_ms),
        usual_ms=_usual(columns, kept),
    )


def _usual(columns: DelayColumns, kept: NDArray[np.bool_]) -> NDArray[np.float64]:
    # Halved before they are added, so that no sum is too large for its type.
    middle = columns.earliest_ns[kept] / 2e6 + columns.latest_ns[kept] / 2e6
    middle[columns.censored[kept]] = np.inf
    return grouped_medians(columns.vehicle[kept].astype(np.int64), middle).median


def _window(drawing: Drawing, axis: Axis, view: StepView, floor: float) -> None:
    """Shade what is allowed, and write its ends."""
    least = axis.held(0.0 if view.least_ns is None else view.least_ns / 1e6)
    most = axis.right if view.most_ns is None else axis.held(view.most_ns / 1e6)
    drawing.box(least, _TOP, most, floor + _STRIP, "f-band-edge")
    edges = [end for end, given in ((least, view.least_ns), (most, view.most_ns)) if given]
    drawing.lines([[(x, _TOP), (x, floor + _STRIP)] for x in edges], "quiet", 0.8)


def _steps(
    view: StepView, shares: NDArray[np.float64], axis: Axis, height: Callable[[float], float]
) -> list[tuple[float, float]]:
    """Return a curve as the stairs that it is, without the points that say nothing."""
    places = np.flatnonzero(np.diff(shares, prepend=-1.0, append=-1.0)[:-1]).tolist()
    points: list[tuple[float, float]] = []
    last = height(0.0)
    for place in places:
        x, y = axis.held(float(view.scale_ms[place])), height(float(shares[place]))
        points += [(x, last), (x, y)]
        last = y
    points.append((axis.right, last))
    return points


def _strip(drawing: Drawing, axis: Axis, view: StepView, floor: float) -> None:
    """Draw a stroke for each vehicle at its own median; those outside the limits reach further and are accented."""
    usual = view.usual_ms
    least = -np.inf if view.least_ns is None else view.least_ns / 1e6
    most = np.inf if view.most_ns is None else view.most_ns / 1e6
    outside = (usual < least) | (usual > most)
    for kept, look, top, bottom in ((~outside, "ink", 2.0, 7.0), (outside, "accent", 1.0, 9.0)):
        # Vehicles of one dot share a stroke.
        places = np.unique(np.round([axis.held(value) for value in usual[kept].tolist()], 1)).tolist()
        lines = [[(x, floor + top), (x, floor + bottom)] for x in places]
        drawing.lines(lines, look, 0.5 if look == "ink" else 1.4)
