"""What of the findings on a capture that still grows cannot change any more.

A finding on the part that has come is settled when every role that its rule speaks of has been shown again behind the
last moment that the finding rests on, or has become unknown. Until then a frame that is still to come could show that
something happened earlier: a door that shut in time, a second try, an answer that comes late and not never.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

from buslens.checks.findings import Finding, Handshake, Outcome, Result
from buslens.expectations.model import ANSWER_EXPIRY_FACTOR, AnyRule, Sequence
from buslens.expectations.subjects import edge_condition, longest_hold_ns, roles_in
from buslens.timeline.model import STOPPED, UNKNOWN_STATE, UnknownReason

_FOREVER: Final = 2**62
_SILENT: Final = frozenset({UnknownReason.NO_FRAME_YET.value, *STOPPED})


@dataclass(frozen=True, slots=True, kw_only=True)
class FinalFinding:
    """Something that can be said of a capture before it has ended: one handshake, or one finding of another rule."""

    rule: str
    #: Findings of the handshake in the order of its steps, or the one finding.
    findings: tuple[Finding, ...]
    #: None for what is no handshake.
    handshake: Handshake | None = None


def lookback_ns(rule: AnyRule) -> int:
    """Return a time, ns: no finding of a rule rests on anything longer ago, except that a state lasted since then."""
    holds = [longest_hold_ns(state.condition) for state in rule.conditions]
    holds += [longest_hold_ns(edge_condition(moment)) for trigger in rule.triggers for moment in trigger.moments]
    return max(holds, default=0) + rule.reach_ns


def extent(finding: Finding) -> tuple[int, int]:
    """Return the first and the last moment of what a finding is about, ns."""
    time_ns = finding.time_ns or 0
    if finding.kind in {"sequence", "precedes"} or finding.delay is None:
        return time_ns, time_ns
    from_ns = time_ns if finding.reference is None else finding.reference.earliest_ns
    to_ns = time_ns + finding.delay.earliest_ns
    if finding.outcome is Outcome.UNDECIDED and finding.reference is not None:
        to_ns = max(to_ns, finding.reference.latest_ns or 0)
    return from_ns, to_ns


def final_findings(result: Result, *, unmeasured: frozenset[str]) -> Iterator[FinalFinding]:
    """Yield what stands of the findings on a capture that still grows, in the order of rules and time.

    Parameters
    ----------
    result : Result
        The part that has come, checked.
    unmeasured : frozenset of str
        Roles, and names of rules on messages, whose timeout is still to be measured: nothing is said of them.
    """
    for rule in result.expectations.rules:
        roles = roles_in(rule)
        if not unmeasured.isdisjoint(roles | {rule.name}):
            continue
        found = [finding for finding in result.findings if finding.rule == rule.name]
        shown_ns = _shown_ns(result, roles)
        if isinstance(rule, Sequence):
            yield from _handshakes(result, rule, found, shown_ns)
        for finding in found:
            # What follows may yet tell what a start was.
            is_start = isinstance(rule, Sequence) and finding.outcome is Outcome.UNDECIDED
            settled_ns = shown_ns - rule.reach_ns if is_start else shown_ns
            is_one_of_all = finding.time_ns is None or finding.outcome is Outcome.MET
            if finding.handshake is None and not is_one_of_all and _is_confirmed(finding, result, roles, settled_ns):
                yield FinalFinding(rule=rule.name, findings=(finding,))


def _shown_ns(result: Result, roles: frozenset[str]) -> int:
    """Return the time up to which nothing about some roles can change: their last frames, or what became unknown."""
    shown_ns = _FOREVER
    for role in roles:
        timeline = result.timelines[role]
        is_gone = timeline.state[-1] == UNKNOWN_STATE and int(timeline.why[-1]) in _SILENT
        if not is_gone and timeline.last_frame_ns is not None:
            shown_ns = min(shown_ns, timeline.last_frame_ns)
    return shown_ns


def _handshakes(result: Result, rule: Sequence, found: list[Finding], shown_ns: int) -> Iterator[FinalFinding]:
    within_ns = {step.name: step.within_ns for step in rule.steps}
    for run in result.handshakes:
        if run.rule != rule.name:
            continue
        steps = tuple(finding for finding in found if finding.handshake == run.number)
        over_ns = run.end_ns
        for finding in steps:
            is_seen = len(finding.evidence) > 1
            if not is_seen and finding.reference is not None:
                # Until then the change may still come, late, and the first step once more.
                begun_ns = finding.reference.latest_ns or finding.reference.earliest_ns
                longest_ns = max(within_ns.values()) if finding is steps[0] else within_ns[finding.step or ""]
                over_ns = max(over_ns, begun_ns + max(ANSWER_EXPIRY_FACTOR * longest_ns, rule.again_ns))
            over_ns = max(over_ns, finding.time_ns or 0)
        if over_ns > shown_ns:
            return  # numbers are given in order
        yield FinalFinding(rule=rule.name, findings=steps, handshake=run)


def _is_confirmed(finding: Finding, result: Result, roles: frozenset[str], shown_ns: int) -> bool:
    assert finding.time_ns is not None  # noqa: S101 (the caller has looked)
    if finding.kind == "alive":
        return finding.outcome.is_fault
    if finding.kind in {"sequence", "precedes"}:
        return finding.time_ns <= shown_ns
    if any(_may_be_waited_for(result, role) for role in roles):
        return False
    if finding.outcome is Outcome.UNDECIDED:
        return extent(finding)[1] < shown_ns
    if finding.kind == "pulse":
        ended_ns = finding.evidence[-1].time.latest_ns
        return ended_ns is None or ended_ns <= shown_ns
    return True


def _may_be_waited_for(result: Result, role: str) -> bool:
    """Return whether a role has not come yet, though not for so long that nobody waits for it any more."""
    timeline = result.timelines[role]
    if timeline.last_frame_ns is not None:
        return False
    return timeline.timeout_ns is None or timeline.end_ns - result.origin_ns <= timeline.timeout_ns
