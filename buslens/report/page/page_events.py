"""What happened, as plain entries for the page: findings with their places, handshakes, events and discontinuities."""

from collections.abc import Iterable, Mapping
from collections.abc import Sequence as Listing
from typing import Any

import numpy as np

from buslens.checks.findings import Finding, Outcome, Result
from buslens.expectations.model import Becomes, Sequence
from buslens.report.dialogue_lane import LANE
from buslens.report.finding_layout import EndBounds, FindingLayout
from buslens.report.formatting import OUTCOME_WORDS, clean, place
from buslens.timeline.model import UNKNOWN_STATE
from buslens.units import NS_PER_US


def microseconds(time_ns: int, origin_ns: int) -> int:
    """Return a moment in whole microseconds from the first frame, to the nearest."""
    return (2 * (int(time_ns) - origin_ns) + NS_PER_US) // (2 * NS_PER_US)


def finding_entries(
    placed: Iterable[FindingLayout], lane_of: Mapping[str, int], origin_ns: int, numbers: Mapping[int, int]
) -> list[dict[str, Any]]:
    """Return findings in the given order; lanes are numbers, -1 for none; times in microseconds."""
    return [{"ring": numbers.get(id(one.finding)), **_finding_entry(one, lane_of, origin_ns)} for one in placed]


def _finding_entry(one: FindingLayout, lane_of: Mapping[str, int], origin_ns: int) -> dict[str, Any]:
    finding = one.finding
    awaited = one.awaited
    extent = one.extent
    return {
        "title": place(finding),
        "outcome": OUTCOME_WORDS[finding.outcome],
        # What is met is drawn lightly, what is undecided in ink, what is wrong in the accent.
        "grade": 2 if finding.outcome.is_fault else 1 if finding.outcome is Outcome.UNDECIDED else 0,
        "lane": lane_of.get(one.role, -1),
        "from_lane": lane_of.get(one.reference_role, -1),
        "moment": None if finding.time_ns is None else microseconds(finding.time_ns, origin_ns),
        "extent": None if extent is None else [microseconds(time, origin_ns) for time in extent],
        "measured": _reach(awaited or one.measured, origin_ns),
        "allowed": _reach(one.allowed, origin_ns) if finding.step else None,
        "in_vain": awaited is not None,
        "open_end": finding.delay is not None and finding.delay.latest_ns is None,
        "words": [clean(words) for words in one.words],
        "limit_words": [clean(words) for words in one.limit_words],
    }


def _reach(reach: EndBounds | None, origin_ns: int) -> list[int] | None:
    """Return earliest and latest beginning, then earliest and latest end."""
    return None if reach is None else [microseconds(time, origin_ns) for time in (*reach.start, *reach.end)]


def handshake_entries(result: Result, placed: Listing[FindingLayout], origin_ns: int) -> list[dict[str, Any]]:
    """Return each run of a sequence with the steps that were checked in it, for the replay to await them."""
    rules = {rule.name: rule for rule in result.expectations.rules if isinstance(rule, Sequence)}
    number_of = {id(one.finding): number for number, one in enumerate(placed)}
    by_run: dict[tuple[str, int | None], list[Finding]] = {}
    for finding in result.findings:
        if finding.step is not None:
            by_run.setdefault((finding.rule, finding.handshake), []).append(finding)
    entries = []
    for run in result.handshakes:
        rule = rules.get(run.rule)
        awaited = {step.name: step.await_.text for step in rule.steps} if rule else {}
        judged = by_run.get((run.rule, run.number), [])
        entries.append(
            {
                "rule": clean(run.rule),
                "number": run.number,
                "start": [microseconds(run.start.earliest_ns, origin_ns), microseconds(run.start.end_ns, origin_ns)],
                "end": microseconds(run.end_ns, origin_ns),
                "completed": run.completed,
                "abandoned": clean(run.abandoned),
                "tries": run.tries,
                "steps": [
                    _step_entry(finding, awaited, number_of, origin_ns)
                    for finding in judged
                    if finding.reference is not None
                ],
            }
        )
    return entries


def _step_entry(
    finding: Finding, awaited: Mapping[str, str], number_of: Mapping[int, int], origin_ns: int
) -> dict[str, Any]:
    reference, limit = finding.reference, finding.limit
    assert reference is not None  # noqa: S101 - the caller has sorted out those without
    came = finding.time_ns if finding.delay is not None and finding.outcome is not Outcome.MISSING else None
    return {
        "name": clean(finding.step or ""),
        "await": clean(awaited.get(finding.step or "", "")),
        "from": [microseconds(reference.earliest_ns, origin_ns), microseconds(reference.end_ns, origin_ns)],
        "least": None if limit is None or not limit.least else round(limit.least / NS_PER_US),
        "most": None if limit is None or limit.most is None else round(limit.most / NS_PER_US),
        "came": None if came is None else microseconds(came, origin_ns),
        "outcome": OUTCOME_WORDS[finding.outcome],
        "finding": number_of.get(id(finding), -1),
    }


def events(result: Result, lane_of: Mapping[str, int], origin_ns: int) -> list[list[Any]]:
    """Return every edge that can start, precede or call off something, and every request of a tester.

    Moment, words, lane; in order of time.
    """
    edges: dict[tuple[str, str], None] = {}
    for rule in result.expectations.rules:
        for trigger in rule.starts:
            for moment in trigger.moments:
                if isinstance(moment.edge, Becomes):
                    edges[moment.edge.role, moment.edge.state] = None
    found: list[list[Any]] = []
    if LANE in lane_of:
        asked = result.timelines[LANE]
        for seen_ns, code in zip(asked.seen_ns[1:].tolist(), asked.state[1:].tolist(), strict=True):
            found.append([microseconds(seen_ns, origin_ns), clean(f"tester {asked.states[code]}"), lane_of[LANE]])
    for role, state in edges:
        timeline = result.timelines.get(role)
        if timeline is None or state not in timeline.states or role not in lane_of:
            continue
        code = timeline.states.index(state)
        after, before = timeline.state[1:], timeline.state[:-1]
        for index in np.flatnonzero((after == code) & (before != code) & (before != UNKNOWN_STATE)):
            seen = microseconds(int(timeline.seen_ns[index + 1]), origin_ns)
            found.append([seen, clean(f"{role} becomes {state}"), lane_of[role]])
    return sorted(found, key=lambda event: (event[0], event[1]))


def discontinuity_entries(result: Result, origin_ns: int) -> list[list[Any]]:
    """Return where nothing is known of time: moment and words."""
    return [
        [microseconds(discontinuity.time_ns, origin_ns), discontinuity.words]
        for discontinuity in result.stats.discontinuities
    ]
