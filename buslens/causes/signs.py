"""Findings and timelines become signs.

A sign is *present*, *absent* or *undecided*, and an undecided one is no evidence either way:

=========================================  =====================================================================
a sign by findings                         becomes
=========================================  =====================================================================
any finding fits its patterns              present, unless each goes with or behind one of `not_after`: undecided
none fits, but one of them is undecided    undecided, unless the pattern asks for undecided ones
none fits, and one was checked              absent
nothing was checked                         undecided (absent, if the pattern names no rule)
=========================================  =====================================================================

=========================================  =====================================================================
a sign by a condition                      becomes
=========================================  =====================================================================
the condition surely held, often enough    present
it did less often, or at some moment       absent
within `while` it surely did not hold
the log shows no such moment either        undecided
=========================================  =====================================================================

Over several captures of one vehicle a sign is present if any shows it, else absent if any shows it to be absent.

A fault that no sign tells counts as a sign of its own that no cause names: healthy cars and named causes hardly ever
show it, whatever the file does not name may.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from enum import Enum
from typing import Final

import numpy as np

from buslens.causes.model import FindingPattern, Sign
from buslens.checks.findings import Finding, Outcome, Result
from buslens.expectations.subjects import roles_of
from buslens.timeline.model import UnknownReason
from buslens.timeline.ternary import TRUE

_CAME: Final = frozenset({Outcome.MET, Outcome.EARLY, Outcome.LATE})
"""Outcomes of a step whose change came."""
_NEVER: Final = 2**63 - 1


class SignStatus(Enum):
    """What a capture says of a sign."""

    PRESENT = "present"
    ABSENT = "absent"
    UNDECIDED = "undecided"


@dataclass(frozen=True, slots=True, kw_only=True)
class Observation:
    """One sign, looked for in the captures of one vehicle."""

    sign: Sign
    shown: SignStatus
    #: Capture that shows it, and where in it, ns on its axis; empty and None where there is no one place.
    path: str = ""
    time_ns: int | None = None
    #: First frame of that capture, from which people's times are counted.
    origin_ns: int = 0
    #: Findings that it rests on.
    findings: tuple[Finding, ...] = ()


def observe(signs: Iterable[Sign], results: Sequence[Result]) -> tuple[Observation, ...]:
    """Return what checked captures of one vehicle say of each sign, in their order, and faults that no sign tells.

    A sign that asks for a role which no recording carries is not among them.
    """
    order = (SignStatus.PRESENT, SignStatus.ABSENT, SignStatus.UNDECIDED)
    seen = []
    for sign in signs:
        if not any(_is_carried(sign, result) for result in results):
            continue
        each = [_observe(sign, result) for result in results]
        seen.append(min(each, key=lambda it: order.index(it.shown)))
    return (*seen, *_untold(seen, results))


def _untold(seen: Sequence[Observation], results: Sequence[Result]) -> Iterator[Observation]:
    """Yield a sign of its own for each rule and outcome that is a fault, and that no sign which shows tells."""
    told = [
        pattern
        for it in seen
        if it.shown is SignStatus.PRESENT or it.findings
        for pattern in (*it.sign.findings, *it.sign.accounts_for)
    ]
    found: dict[tuple[str, str | None, Outcome], list[tuple[Result, Finding]]] = {}
    for result in results:
        for finding in result.findings.unmet:
            if finding.outcome.is_fault and not _fits(told, finding):
                found.setdefault((finding.rule, finding.step, finding.outcome), []).append((result, finding))
    for (rule, step, outcome), them in found.items():
        result, first = them[0]
        subject = rule if step is None else f"{rule}, {step}"
        words = f"{subject}: {outcome.value.replace('_', ' ')}"
        yield Observation(
            sign=Sign(name=words, shows=words, is_own=False),
            shown=SignStatus.PRESENT,
            path=result.path,
            time_ns=first.time_ns,
            origin_ns=result.origin_ns,
            findings=tuple(finding for _, finding in them),
        )


def _observe(sign: Sign, result: Result) -> Observation:
    findings: tuple[Finding, ...] = ()
    if sign.discontinuity:
        discontinuities = result.stats.discontinuities
        shown, time_ns = (
            (SignStatus.PRESENT, discontinuities[0].time_ns) if discontinuities else (SignStatus.ABSENT, None)
        )
    elif sign.seen is not None:
        shown, time_ns = _condition(sign, result)
    else:
        shown, findings = _findings(sign, result)
        time_ns = next((it.time_ns for it in findings if it.time_ns is not None), None)
    return Observation(
        sign=sign, shown=shown, path=result.path, time_ns=time_ns, origin_ns=result.origin_ns, findings=findings
    )


def _roles_of(sign: Sign) -> set[str]:
    asked = [it.condition for it in (sign.seen, sign.while_) if it is not None]
    return {role for condition in asked for role in roles_of(condition)}


def _is_carried(sign: Sign, result: Result) -> bool:
    """Return whether a capture, or what was recorded beside it, is of a kind that carries the roles of a sign."""
    timelines = (result.timelines[role] for role in _roles_of(sign))
    return all(it.why[0] != UnknownReason.NOT_CARRIED.value or it.last_frame_ns is not None for it in timelines)


def _condition(sign: Sign, result: Result) -> tuple[SignStatus, int | None]:
    context = result.context_of(_roles_of(sign))
    if sign.seen is None or context is None or not context.is_timed:
        return SignStatus.UNDECIDED, None
    if sign.while_ is None:
        truth = context.ternary(sign.seen.condition)
        ways = [(truth, ~truth)]
    else:
        ways = context.ternary_while(sign.seen.condition, sign.while_.condition)
    is_seldom = False
    for truth, absence in ways:
        held = np.flatnonzero(truth.value == TRUE)
        if len(held) >= sign.times:
            return SignStatus.PRESENT, int(truth.at_ns[held[0]])
        # What held all the while did not come so often.
        is_seldom |= bool(len(held)) or bool((absence.value == TRUE).any())
    return (SignStatus.ABSENT if is_seldom else SignStatus.UNDECIDED), None


def _findings(sign: Sign, result: Result) -> tuple[SignStatus, tuple[Finding, ...]]:
    patterns = sign.findings
    asked = frozenset[Outcome]().union(*(pattern.after for pattern in patterns))
    failed: dict[tuple[str, str | None, Outcome], int] = {}
    for it in result.findings.unmet if asked else ():
        if it.outcome in asked and it.time_ns is not None:
            place = it.rule, it.step, it.outcome
            failed[place] = min(failed.get(place, _NEVER), it.time_ns)
    if asked and not failed:
        return SignStatus.UNDECIDED, ()
    is_met_asked = any(Outcome.MET in pattern.outcomes for pattern in (*patterns, *sign.not_after))
    # Of handshakes that are met throughout, one says for all that its steps were checked.
    told = result.findings if is_met_asked else tuple(result.findings.digest())
    came = {(it.rule, it.handshake, it.step) for it in told if it.outcome in _CAME}
    subject = [
        (pattern, finding)
        for finding in told
        for pattern in patterns
        if _speaks(pattern, finding)
        if not pattern.after
        or any(failed.get((finding.rule, finding.step, it), _NEVER) < (finding.time_ns or 0) for it in pattern.after)
        if not pattern.came or any((finding.rule, finding.handshake, step) in came for step in pattern.came)
    ]
    fitting = [finding for pattern, finding in subject if _outcome_of(finding) in pattern.outcomes]
    if fitting:
        others = [it for it in told if _fits(sign.not_after, it)]
        first_ns = min((it.time_ns or 0 for it in others), default=None)
        beside = {(it.rule, it.handshake) for it in others}
        sooner = [
            it
            for it in fitting
            if first_ns is None or ((it.time_ns or 0) <= first_ns and (it.rule, it.handshake) not in beside)
        ]
        return SignStatus.PRESENT if sooner else SignStatus.UNDECIDED, tuple(dict.fromkeys(sooner or fitting))
    if any(
        finding.outcome is Outcome.UNDECIDED
        for pattern, finding in subject
        if Outcome.UNDECIDED not in pattern.outcomes
    ):
        return SignStatus.UNDECIDED, ()
    if subject or any(pattern.rule is None for pattern in patterns):
        return SignStatus.ABSENT, ()
    return SignStatus.UNDECIDED, ()


def _fits(patterns: Iterable[FindingPattern], finding: Finding) -> bool:
    return any(_speaks(it, finding) and _outcome_of(finding) in it.outcomes for it in patterns)


def _outcome_of(finding: Finding) -> Outcome:
    """Return what became of a finding for its causes: what came after all did come, far too late."""
    return Outcome.LATE if finding.came_too_late else finding.outcome


def _speaks(pattern: FindingPattern, finding: Finding) -> bool:
    if pattern.rule is not None and pattern.rule != finding.rule:
        return False
    return pattern.step is None or pattern.step == finding.step
