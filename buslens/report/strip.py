"""What of a capture is evidence: the few lanes, and the short stretch, in which a person sees what went wrong.

Three to five lanes: the command, the signal that tells the cause, the answer that should have come, and what followed
from it; from just before the start of the handshake to just after the limit.
"""

import math
from collections.abc import Iterable, Iterator, Mapping
from collections.abc import Sequence as Several
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np

from buslens.causes.diagnosis import Diagnosis
from buslens.causes.signs import Observation, SignStatus
from buslens.checks.custom_sentences import labelled
from buslens.checks.findings import Finding, Handshake, Result
from buslens.checks.headline import leading
from buslens.checks.phrases import in_brief
from buslens.expectations.model import Agree, Becomes, Never, Sequence, WrittenCondition
from buslens.expectations.subjects import roles_of, roles_of_trigger
from buslens.report.finding_layout import FindingLayout, extent_of, own_handshake, places, trigger_roles
from buslens.report.number_scale import limits_of
from buslens.units import NS_PER_MS, NS_PER_S

MOST_LANES: Final = 5
"""More lanes than this are no longer seen at a glance."""

_BEFORE: Final = 0.09
_BEHIND: Final = 0.12
"""Shares of the stretch that are shown before the start and after the limit."""

_AHEAD: Final = 0.25
"""Of what began before the start, no more than this share of the rest is shown."""

_FURTHER: Final = 1.8
"""What follows is shown if the stretch grows by no more than this factor for it."""

_LONGEST_NS: Final = 8 * NS_PER_S
"""Of what lasts longer, where no handshake gives a measure, the beginning is shown."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Clue:
    """Where the evidence for the leading cause shows."""

    role: str
    #: On the capture's axis.
    time_ns: int
    #: What it shows, with its value where it is a number.
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Strip:
    """The evidence of a capture."""

    start_ns: int
    end_ns: int
    #: Axis time that the scale counts from, and what that is.
    zero_ns: int
    zero_words: str
    roles: tuple[str, ...]
    #: What each lane is for, such as "command"; by role, empty where the name says enough.
    parts: Mapping[str, str] = field(default_factory=dict)
    #: Findings that are drawn; the leading one first.
    places: tuple[FindingLayout, ...] = ()
    #: Lane and stretches of the command, one for each try; empty without a handshake.
    tries_role: str = ""
    tries: tuple[tuple[int, int], ...] = ()
    clue: Clue | None = None
    #: Numbers that matter on a lane beside what is seen: limits, thresholds.
    bounds: Mapping[str, tuple[float, ...]] = field(default_factory=dict)
    handshake: Handshake | None = None


def evidence_strip(
    result: Result, clue: Observation | None = None, *, most: int = MOST_LANES, rule: str = ""
) -> Strip | None:
    """Return the lanes and the stretch that show what is wrong, or a handshake that is OK; None if there is nothing.

    Parameters
    ----------
    clue : Observation or None
        What speaks most clearly for the leading cause, from `telling`.
    rule : str
        Sequence whose handshake is shown where nothing is wrong; empty for any.
    """
    if not result.timelines or result.stats.last_ns is None:
        return None
    wrong = [it for it in result.findings.unmet if it.outcome.is_fault] or result.findings.unmet
    first = _leading_place(result, wrong)
    run = _run_of(result, first, rule)
    failed = _failed_step(result, run, first)
    sequence = _sequence(result, run)
    triggers = [] if sequence is None else [sequence.start, *(step.await_ for step in sequence.steps)]
    # The first step of a handshake is the command; of one with a single step it is the start.
    command = next(iter(roles_of_trigger(triggers[min(len(triggers) - 2, 1)])), "") if len(triggers) > 1 else ""
    clue_roles = [] if clue is None or clue.path != result.path else _sign_roles(clue)
    start, end, zero = _stretch(result, run, first, failed)
    after, end = _what_followed(result, wrong, (start, end), {first.role if first else "", *clue_roles})
    order: dict[str, str] = {}
    for role, part in [
        (command, "command"),
        *((role, "") for role in clue_roles),
        (first.role if first else "", "answer" if first and first.finding.kind == "sequence" else ""),
        *((role, "") for role in _about(result, first)),
        (failed.role if failed else "", "answer"),
        *((role, "") for trigger in triggers[2:] for role in roles_of_trigger(trigger)),
        (after.role if after else "", ""),
    ]:
        if role in result.timelines and (role not in order):
            order[role] = part
    roles = list(order)
    if after is not None and after.role in roles[most:] and (first is None or first.role != roles[most - 1]):
        roles = [*roles[: most - 1], after.role]
    roles = roles[:most]
    if not roles:
        roles = [name for name in result.expectations.roles if name in result.timelines][:3]
    length = end - start
    window = (
        max(round(start - _BEFORE * length), result.origin_ns),
        min(round(end + _BEHIND * length), result.stats.last_ns),
    )
    if window[1] <= window[0]:
        return None
    # What else is wrong on these lanes is drawn, too, where a lane has nothing yet.
    drawn = [it for it in (first, failed, after) if it is not None]
    for place in places(result, _shown_in(window, wrong)):
        if place.role in roles and place.role not in {it.role for it in drawn}:
            drawn.append(place)
    shown = Strip(
        start_ns=window[0],
        end_ns=window[1],
        zero_ns=zero,
        zero_words=labelled(in_brief(sequence.start) if sequence else "first frame", result.expectations.roles),
        roles=(),
        parts=order,
        places=tuple({id(it): it for it in drawn}.values()),
        tries_role=command,
        handshake=run,
    )
    return _filled(result, clue, shown, roles, window)


def recent_strip(result: Result, origin_ns: int, last_ns: int, length_ns: int) -> Strip | None:
    """Return the lanes of all sequences as they were lately; None if there is none.

    Parameters
    ----------
    result : Result
        Of a capture that still grows.
    origin_ns : int
        First frame of the capture, from which the scale counts.
    last_ns : int
        Where the strip ends, on the capture's axis; a young capture begins on its left, and leaves room.
    length_ns : int
        How much of the time before is shown.
    """
    triggers = [
        trigger
        for rule in result.expectations.rules
        if isinstance(rule, Sequence)
        for trigger in (rule.start, *(step.await_ for step in rule.steps))
    ]
    named = dict.fromkeys(role for trigger in triggers for role in trigger_roles(trigger))
    roles = tuple(role for role in named if role in result.timelines)
    if not roles:
        return None
    return Strip(
        start_ns=max(last_ns - length_ns, origin_ns),
        end_ns=max(last_ns, origin_ns + length_ns),
        zero_ns=origin_ns,
        zero_words="first frame",
        roles=roles,
    )


def evidence_pair(
    before: Result, after: Result, clue: Observation | None = None, *, most: int = MOST_LANES
) -> tuple[Strip, Strip] | None:
    """Return the evidence of two captures with the same lanes and, counted from the start, the same stretch.

    Parameters
    ----------
    clue : Observation or None
        What speaks most clearly for the leading cause before, from `telling`.

    Returns
    -------
    pair of Strip or None
        None if one of the two has nothing to show, or they share no lane.
    """
    first = evidence_strip(before, clue, most=most)
    run = None if first is None else first.handshake
    second = evidence_strip(after, most=most, rule="" if run is None else run.rule)
    if first is None or second is None:
        return None
    roles = [role for role in first.roles if role in after.timelines]
    # What is still wrong must show, at the cost of a lane on which nothing is.
    wrong = {place.role for place in (*first.places, *second.places)}
    for role in [it.role for it in second.places[:1] if it.role in before.timelines and it.role not in roles]:
        idle = [it for it in roles[1:] if it not in wrong]
        if len(roles) >= most:
            roles.remove(idle[-1] if idle else roles[-1])
        roles.append(role)
    if not roles:
        return None
    if run is not None and second.handshake is not None and second.handshake.rule == run.rule:
        least = min(strip.start_ns - strip.zero_ns for strip in (first, second))
        most_ns = max(strip.end_ns - strip.zero_ns for strip in (first, second))
        windows = [(strip.zero_ns + least, strip.zero_ns + most_ns) for strip in (first, second)]
    else:
        # Nothing in common to count from: as long as one another at least.
        length = max(strip.end_ns - strip.start_ns for strip in (first, second))
        windows = [(strip.start_ns, strip.start_ns + length) for strip in (first, second)]
    return (_filled(before, clue, first, roles, windows[0]), _filled(after, None, second, roles, windows[1]))


def _filled(
    result: Result, clue: Observation | None, strip: Strip, roles: Several[str], window: tuple[int, int]
) -> Strip:
    """Return a strip with these lanes and this stretch."""
    return replace(
        strip,
        start_ns=window[0],
        end_ns=window[1],
        roles=tuple(roles),
        parts={role: strip.parts.get(role, "") for role in roles},
        places=tuple(it for it in strip.places if it.role in roles),
        tries=_tries(result, strip.handshake, window),
        clue=_clue(result, clue, roles, window),
        bounds={role: limits_of(role, result.expectations) for role in roles},
    )


def informative(diagnosis: Diagnosis) -> Observation | None:
    """Return the sign that speaks most clearly for the leading cause: of a signal, and shown by the fewest causes."""
    if not diagnosis.ranking.hypotheses:
        return None
    signs = [it for it in diagnosis.case(diagnosis.ranking.hypotheses[0]).signs_for if it.shown is SignStatus.PRESENT]
    causes = diagnosis.causes.causes.values()
    return min(
        (it for it in signs if _sign_roles(it)),
        key=lambda it: (it.sign.seen is None, sum(it.sign.name in cause.signs for cause in causes)),
        default=None,
    )


def _sign_roles(sign: Observation) -> list[str]:
    if sign.sign.seen is not None:
        return list(roles_of(sign.sign.seen.condition))
    return [evidence.role for finding in sign.findings[:1] for evidence in finding.evidence[-1:] if evidence.role]


def _run_of(result: Result, place: FindingLayout | None, rule: str) -> Handshake | None:
    """Return the handshake of a finding, or one that runs while it lasts; without a finding, the first whole one."""
    if place is None:
        runs = [it for it in result.handshakes if it.rule == rule] or result.handshakes
        return next((it for it in runs if it.completed), next(iter(runs), None))
    begin, end = place.extent or (-math.inf, math.inf)
    beside = (run for run in result.handshakes if run.end_ns >= begin and run.start.earliest_ns <= end)
    return own_handshake(result, place.finding) or next(beside, None)


def _failed_step(result: Result, run: Handshake | None, first: FindingLayout | None) -> FindingLayout | None:
    """Return the step that failed first, in the order of the rule, in a handshake whose reason is a wider one."""
    if run is None or first is None or first.finding.kind == "sequence":
        return None
    steps = (it for it in result.findings.unmet if (it.rule, it.handshake) == (run.rule, run.number))
    return _leading_place(result, (it for it in steps if it.outcome.is_fault))


def _leading_place(result: Result, findings: Iterable[Finding]) -> FindingLayout | None:
    first = leading(findings, result.expectations.rules)
    return None if first is None else places(result, [first])[0]


def _sequence(result: Result, run: Handshake | None) -> Sequence | None:
    rule = None if run is None else result.expectations.rule(run.rule)
    return rule if isinstance(rule, Sequence) else None


def _about(result: Result, place: FindingLayout | None) -> tuple[str, ...]:
    """Return the roles that a rule other than a sequence is about."""
    match None if place is None else result.expectations.rule(place.finding.rule):
        case Never(when=WrittenCondition(condition=condition)):
            return roles_of(condition)
        case Agree(first=one, second=other):
            return (*roles_of(one.condition), *roles_of(other.condition))
        case _:
            return ()


def _stretch(
    result: Result, run: Handshake | None, first: FindingLayout | None, failed: FindingLayout | None
) -> tuple[int, int, int]:
    """Return from where to where the evidence reaches, and where the scale begins."""
    extents = [it.extent for it in (first, failed) if it is not None and it.extent is not None]
    if run is not None:
        begin = run.start.earliest_ns
        zero = run.start.end_ns
        steps = [it.extent for it in (first, failed) if it and it.extent and it.finding.kind == "sequence"]
        others = [extent[0] for extent in extents]
        end = max([zero, *(extent[1] for extent in steps), *others])
        if not steps:
            end = max(end, run.end_ns)
        end = max(end, begin + 20 * NS_PER_MS)
        # What began long before the start of the handshake would leave little room for the handshake itself.
        return min(begin, max(min([begin, *others]), begin - round(_AHEAD * (end - begin)))), end, zero
    if extents:
        begin, end = extents[0]
        room = max((end - begin) // 4, 200 * NS_PER_MS)
        return begin - room, min(end + room, begin + _LONGEST_NS), result.origin_ns
    last = result.stats.last_ns or result.origin_ns
    return result.origin_ns, max(last, result.origin_ns + NS_PER_MS), result.origin_ns


def _shown_in(window: tuple[int, int], findings: Iterable[Finding]) -> Iterator[Finding]:
    """Yield the findings that show in a stretch. A long capture has many, and few of them do."""
    for finding in findings:
        extent = extent_of(finding)
        if extent is not None and extent[0] <= window[1] and extent[1] >= window[0]:
            yield finding


def _what_followed(
    result: Result, wrong: Iterable[Finding], stretch: tuple[int, int], taken: set[str]
) -> tuple[FindingLayout | None, int]:
    """Return the first fault on another lane that began in the stretch or soon after, and where that then ends."""
    start, end = stretch
    near = _shown_in((start, round(start + _FURTHER * (end - start))), wrong)
    faults = [it for it in near if it.outcome.is_fault and it.kind != "sequence"]
    for place in places(result, sorted(faults, key=lambda it: it.time_ns or 0)):
        if place.role not in taken and place.extent is not None and place.extent[0] >= start:
            return place, max(end, place.extent[0])
    return None, end


def _tries(result: Result, run: Handshake | None, window: tuple[int, int]) -> tuple[tuple[int, int], ...]:
    """Return when the command was given, as far as it shows."""
    sequence = _sequence(result, run)
    if run is None or run.tries < 2 or sequence is None or not sequence.steps:
        return ()
    for moment in sequence.steps[0].await_.moments:
        edge = moment.edge
        timeline = result.timelines.get(edge.role) if isinstance(edge, Becomes) else None
        if timeline is None or not isinstance(edge, Becomes) or edge.state not in timeline.states:
            continue
        code = timeline.states.index(edge.state)
        ends = np.append(timeline.seen_ns[1:], timeline.end_ns)
        held = np.flatnonzero(
            (timeline.state == code) & (timeline.seen_ns >= run.start.earliest_ns) & (timeline.seen_ns <= window[1])
        )
        return tuple((int(timeline.seen_ns[index]), int(ends[index])) for index in held[: min(run.tries, 9)])
    return ()


def _clue(result: Result, sign: Observation | None, roles: Several[str], window: tuple[int, int]) -> Clue | None:
    if sign is None or sign.path != result.path or sign.time_ns is None:
        return None
    role = next((name for name in _sign_roles(sign) if name in roles), None)
    if role is None or not window[0] <= sign.time_ns <= window[1]:
        return None
    timeline = result.timelines[role]
    words = sign.sign.shows
    if timeline.is_number and len(timeline):
        index = int(np.searchsorted(timeline.seen_ns, sign.time_ns, side="right")) - 1
        value = timeline.value_at(max(index, 0))
        if np.isfinite(value):
            words = f"{value:.3g} {timeline.unit}: {words}"
    elif sign.sign.seen is None:
        return None
    return Clue(role=role, time_ns=sign.time_ns, words=words)
