"""What of a capture a picture shows: from when to when, which lanes in which order, and what is said above them."""

import math
from dataclasses import dataclass
from typing import Final, Literal

from buslens.checks.custom_sentences import labelled
from buslens.checks.findings import Handshake, Result
from buslens.checks.headline import leading
from buslens.checks.phrases import past_tense
from buslens.errors import UsageError, did_you_mean
from buslens.expectations.model import Sequence
from buslens.report.finding_layout import FindingLayout, extent_of, own_handshake, rule_roles
from buslens.report.formatting import seconds
from buslens.units import NS_PER_MS, NS_PER_S

MOST_LANES: Final = 40
"""A picture with more lanes than this can be read by nobody; the rest is named below it."""

_WIDER: Final = 4
"""A finding so many times as long as a handshake is not shown with it."""

TimeRange = tuple[float, float] | Literal["all"] | None


@dataclass(frozen=True, slots=True, kw_only=True)
class View:
    """A choice of what to show."""

    #: On the capture's axis.
    start_ns: int
    end_ns: int
    #: Axis time that the scale counts from.
    zero_ns: int
    #: Whether the scale is in ms from a handshake's start; else in s from the first frame.
    in_ms: bool
    #: What the scale counts.
    scale_words: str
    #: What is shown, one sentence.
    caption: str
    #: The handshake shown; None for a stretch of the capture.
    handshake: Handshake | None = None
    roles: tuple[str, ...]
    #: Roles for which there is no room.
    left_out: tuple[str, ...] = ()


def choose(
    result: Result,
    placed: list[FindingLayout],
    *,
    window: TimeRange = None,
    handshake: int | None = None,
    rule: str | None = None,
    about: FindingLayout | None = None,
) -> View:
    """Return what to show.

    Asked for nothing in particular, it is what the verdict speaks of: the handshake that failed with that finding, with
    what came just before and after it; or, where it lies in no handshake, its neighbourhood; or, if all is OK, the
    first handshake that ran to its end. A capture with nothing of all that is shown whole.

    Parameters
    ----------
    placed : list of FindingLayout
        At least those of all that is not met.
    window : pair of float, "all" or None
        Seconds from the first frame; "all" for the whole capture.
    handshake : int or None
        Number of the handshake within its rule, counted from 1.
    rule : str or None
        Name of the sequence that `handshake` belongs to, where several have one of that number.
    about : FindingLayout or None
        A finding to show instead of the one that the verdict speaks of, if it has a place.

    Raises
    ------
    UsageError
        If the window is no stretch of the capture, or there is no such handshake, or more than one.
    """
    if window is not None and (handshake is not None or rule is not None):
        raise UsageError("a picture shows either a window or a handshake: give one of the two")
    if handshake is not None or rule is not None:
        return _of_handshake(result, placed, _asked(result, handshake, rule))
    if window is not None:
        return _of_window(result, window)
    worst = _worst(result, placed) if about is None or about.extent is None else about
    if worst is not None:
        run = _handshake_of(result, worst)
        if run is not None:
            return _of_handshake(result, placed, run, worst)
        run = _failed_during(result, worst)
        return _around(result, placed, worst) if run is None else _of_handshake(result, placed, run)
    finished = next((h for h in result.handshakes if h.completed), None)
    if finished is None and result.handshakes:
        finished = result.handshakes[0]
    return _of_window(result, "all") if finished is None else _of_handshake(result, placed, finished)


def runs_beside(result: Result, view: View) -> dict[str, list[Handshake]]:
    """Return the handshakes in a picture by rule; a rule of which it shows one that it is about is left out."""
    found: dict[str, list[Handshake]] = {}
    for run in result.handshakes:
        if run.end_ns >= view.start_ns and run.start.earliest_ns <= view.end_ns:
            found.setdefault(run.rule, []).append(run)
    return {rule: runs for rule, runs in found.items() if runs != [view.handshake]}


def _asked(result: Result, number: int | None, rule: str | None) -> Handshake:
    runs = [h for h in result.handshakes if rule is None or h.rule == rule]
    if rule is not None and not runs:
        rules = [r.name for r in result.expectations.rules if isinstance(r, Sequence)]
        if rule not in rules:
            raise UsageError(f"no sequence is named '{rule}'{did_you_mean(rule, rules)}")
        raise UsageError(f"'{rule}' did not run in {result.path}")
    found = [h for h in runs if number is None or h.number == number]
    if not found:
        count = len(runs)
        known = f"they are numbered from 1 to {count}" if count else "it holds none"
        raise UsageError(f"there is no handshake {number} in {result.path}: {known}")
    if len(found) > 1 and number is not None:
        rules = sorted({h.rule for h in found})
        raise UsageError(f"several sequences have a handshake {number}; name one of them: {', '.join(rules)}")
    return found[0]


def _worst(result: Result, placed: list[FindingLayout]) -> FindingLayout | None:
    """Return the finding that the verdict speaks of, of those that have a place; None if all is OK."""
    shown = {id(place.finding): place for place in placed if place.extent is not None}
    first = leading((place.finding for place in shown.values()), result.expectations.rules)
    return None if first is None else shown[id(first)]


def _failed_during(result: Result, place: FindingLayout) -> Handshake | None:
    """Return the first handshake that failed while a finding lasted, or after it had begun before; None without one."""
    begin, end = place.extent or (0, 0)
    failed = {(it.rule, it.handshake) for it in result.findings.unmet if it.outcome.is_fault}
    beside = (run for run in result.handshakes if run.end_ns >= begin and run.start.earliest_ns <= end)
    return next((run for run in beside if (run.rule, run.number) in failed), None)


def _handshake_of(result: Result, place: FindingLayout) -> Handshake | None:
    """Return the handshake that a finding belongs to or, if it is of another rule, lies in; None if in none."""
    extent = place.extent
    own = own_handshake(result, place.finding)
    if own is not None or extent is None:
        return own
    shared = [(min(run.end_ns, extent[1]) - max(run.start.earliest_ns, extent[0]), run) for run in result.handshakes]
    if not shared:
        return None
    most, run = max(shared, key=lambda pair: pair[0])
    length = run.end_ns - run.start.earliest_ns
    return run if most >= 0 and extent[1] - extent[0] <= _WIDER * max(length, NS_PER_MS) else None


def _of_handshake(
    result: Result, placed: list[FindingLayout], run: Handshake, about: FindingLayout | None = None
) -> View:
    """Show a handshake, and with it the finding of another rule that it is shown for."""
    steps = [extent_of(it) for it in result.findings.of_handshakes(run.rule, {run.number})]
    extents = [it for it in (*steps, None if about is None else about.extent) if it is not None]
    zero = run.start.end_ns
    start = min([run.start.earliest_ns, *(e[0] for e in extents)])
    end = max([zero, *(e[1] for e in extents)])
    if not extents or run.abandoned:
        end = max(end, run.end_ns)
    length = max(end - start, 20 * NS_PER_MS)
    total = sum(1 for h in result.handshakes if h.rule == run.rule)
    rule = result.expectations.rule(run.rule)
    begun, start_words = "", "the start"
    if isinstance(rule, Sequence):
        start_words = labelled(past_tense(rule.start), result.expectations.roles)
        begun = f", after {start_words}"
    count = f"{run.number} of {total}" if total > 1 else str(run.number)
    ended = f"; cancelled: {run.abandoned}" if run.abandoned else ""
    tries = f"; {run.tries} tries" if run.tries > 1 else ""
    in_ms = length < 10 * NS_PER_S
    roles, left_out = _lanes(result, placed, run.rule)
    return View(
        start_ns=start - length * 12 // 100,
        end_ns=end + length * 8 // 100,
        zero_ns=zero,
        in_ms=in_ms,
        scale_words=f"{'ms' if in_ms else 's'} after {start_words}",
        caption=f"{run.rule} {count}{begun}, at {_seconds(result, zero)}{tries}{ended}",
        handshake=run,
        roles=roles,
        left_out=left_out,
    )


def _around(result: Result, placed: list[FindingLayout], place: FindingLayout) -> View:
    """Show the neighbourhood of a finding that is no step of a handshake."""
    extent = place.extent or (result.origin_ns, result.origin_ns)
    first, last = _bounds(result)
    room = max((extent[1] - extent[0]) // 2, NS_PER_S // 2)
    start, end = max(extent[0] - room, first), min(extent[1] + room, last)
    caption = f"{_seconds(result, start)} to {_seconds(result, end)} of the capture, around '{place.finding.rule}'"
    lanes = _lanes(result, placed, place.finding.rule)
    return _of_stretch(result, start, max(end, start + NS_PER_MS), caption, lanes)


def _of_stretch(
    result: Result, start_ns: int, end_ns: int, caption: str, lanes: tuple[tuple[str, ...], tuple[str, ...]]
) -> View:
    return View(
        start_ns=start_ns,
        end_ns=end_ns,
        zero_ns=result.origin_ns,
        in_ms=False,
        scale_words="s from the first frame",
        caption=caption,
        roles=lanes[0],
        left_out=lanes[1],
    )


def _of_window(result: Result, window: tuple[float, float] | Literal["all"]) -> View:
    first, last = _bounds(result)
    if window == "all":
        start, end, caption = first, last, f"The whole capture, {_seconds(result, last)}"
    else:
        if not (math.isfinite(window[0]) and math.isfinite(window[1]) and window[0] < window[1]):
            raise UsageError(
                f"the window {window[0]:g} to {window[1]:g} s is no stretch of time: give two seconds, the lesser first"
            )
        length = (last - result.origin_ns) / NS_PER_S
        if window[1] <= 0 or window[0] >= length:
            raise UsageError(
                f"nothing of the capture lies in {window[0]:g} to {window[1]:g} s: it runs from 0 to {length:.3f} s"
            )
        start = max(first, result.origin_ns + round(window[0] * NS_PER_S))
        end = min(last, result.origin_ns + round(window[1] * NS_PER_S))
        end = max(end, start + 1)
        caption = f"{_seconds(result, start)} to {_seconds(result, end)} of the capture"
    return _of_stretch(result, start, end, caption, _lanes(result, [], None))


def _bounds(result: Result) -> tuple[int, int]:
    """Return first and last time of the capture; never the same, so that there is something to draw on."""
    first = result.origin_ns
    last = result.stats.last_ns
    ends = [t.end_ns for t in result.timelines.values()]
    end = last if last is not None else max(ends, default=first)
    return first, max(end, first + NS_PER_MS)


def _seconds(result: Result, time_ns: int) -> str:
    return seconds(time_ns - result.origin_ns)


def _lanes(
    result: Result, placed: list[FindingLayout], rule_name: str | None
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Return the lanes, those of the rule first, in the order in which it awaits them; and what has no room."""
    rule = result.expectations.rule(rule_name or "")
    order = [] if rule is None else rule_roles(rule, result.expectations)
    order += [p.role for p in placed if p.finding.outcome.is_fault]
    # Of the rest only what is recorded: the wires at the plug, say, are no lanes of a bus log alone.
    rest = [*(name for name in result.timelines if name not in result.expectations.roles), *result.expectations.roles]
    order += [name for name in rest if name in result.timelines and result.timelines[name].is_carried]
    lanes = [name for name in dict.fromkeys(order) if name in result.timelines]
    return tuple(lanes[:MOST_LANES]), tuple(lanes[MOST_LANES:])
