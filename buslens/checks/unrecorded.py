"""What is in doubt only because nothing was recorded for a while: one sentence for all of it."""

from collections.abc import Iterable, Mapping
from typing import Final

import numpy as np

from buslens.checks.context import describe_why
from buslens.checks.findings import Finding
from buslens.expectations.model import Alive, AnyRule
from buslens.expectations.subjects import roles_in
from buslens.timeline.model import Timeline, UnknownReason
from buslens.units import format_duration

_LOST: Final = (UnknownReason.NOT_RECORDED.value, UnknownReason.DISCONTINUITY.value, UnknownReason.HOLE.value)


def unrecorded_text(
    doubts: Iterable[Finding], rules: Mapping[str, AnyRule], timelines: Mapping[str, Timeline]
) -> str | None:
    """Return why findings are undecided where each lies in a stretch of which nothing is known; None if one does not.

    Parameters
    ----------
    doubts : iterable of Finding
        All undecided findings of a capture that has no fault.
    rules : mapping of str to AnyRule
        The rules that made them, by name.
    timelines : mapping of str to Timeline
        By role.
    """
    found: dict[str, None] = {}
    names = set()
    for finding in doubts:
        rule = rules.get(finding.rule)
        if rule is None or finding.time_ns is None:
            return None
        # Whether a message came is no role's: any of them shows where nothing was recorded.
        asked = timelines if isinstance(rule, Alive) else roles_in(rule)
        why = next((text for role in asked if (text := _why(timelines[role], *_extent(finding, finding.time_ns)))), "")
        if not why:
            return None
        found[why] = None
        names.add(finding.rule)
    if not found:
        return None
    first, *others = found
    more = f", and {len(others)} more such stretch{'es' if len(others) > 1 else ''}" if others else ""
    left = f"{len(names)} rules are undecided there" if len(names) > 1 else f"{next(iter(names))} is undecided there"
    return f"{first}{more}; {left}, all else OK"


def _extent(finding: Finding, time_ns: int) -> tuple[int, int]:
    """Return from when to when a finding looks."""
    begin_ns = time_ns if finding.reference is None else min(time_ns, finding.reference.earliest_ns)
    limit = finding.limit
    allowed_ns = round(limit.most) if limit is not None and limit.unit == "ns" and limit.most is not None else 0
    return begin_ns, time_ns + allowed_ns


def _why(timeline: Timeline, begin_ns: int, stop_ns: int) -> str:
    """Return why a role is unknown within a time because nothing was recorded; empty if that is not the reason."""
    first = max(int(np.searchsorted(timeline.seen_ns, begin_ns, side="right")) - 1, 0)
    for index in range(first, len(timeline)):
        if index > first and timeline.since_ns(index) > stop_ns:
            break
        if timeline.why[index] not in _LOST:
            continue
        why = describe_why(timeline, index)
        if timeline.why[index] == UnknownReason.NOT_RECORDED.value:
            return why  # which says when
        return f"{why} at {format_duration(int(timeline.seen_ns[index] - timeline.seen_ns[0]))}"
    return ""
