"""Findings become places in a picture: on which lane, from when to when, what was allowed there, and in which words."""

from collections.abc import Iterable
from dataclasses import dataclass

from buslens.checks.findings import Evidence, Finding, Handshake, Limit, Outcome, Result, TimeBounds
from buslens.checks.phrases import span_text
from buslens.expectations.model import Alive, AnyRule, Expectations, Sequence, Trigger
from buslens.expectations.subjects import edge_condition, roles_of
from buslens.report.formatting import OUTCOME_WORDS, limit_text
from buslens.timeline.model import UNKNOWN_STATE, Timeline


@dataclass(frozen=True, slots=True, kw_only=True)
class EndBounds:
    """A stretch whose two ends are each known only to lie between two times, ns."""

    #: Earliest and latest beginning.
    start: tuple[int, int]
    #: Earliest and latest end.
    end: tuple[int, int]


@dataclass(frozen=True, slots=True, kw_only=True)
class FindingLayout:
    """Where and how one finding stands in the picture."""

    finding: Finding
    #: Lane; empty if it belongs to none, as when the whole capture is meant.
    role: str
    #: Lane on which the clock began; the same as `role` for what is not a step.
    reference_role: str
    #: From the reference edge to the awaited edge; None if there is only a moment, or not even that.
    measured: EndBounds | None
    #: When a step was allowed to come.
    allowed: EndBounds | None
    #: What is written at the place, the fullest first.
    words: tuple[str, ...]
    #: What is written at the bracket of the allowed window, the fullest first.
    limit_words: tuple[str, ...]

    @property
    def extent(self) -> tuple[int, int] | None:
        """First and last time that it shows, ns; None if it has no place."""
        return _extent(self.finding, self.measured, self.allowed)

    @property
    def awaited(self) -> EndBounds | None:
        """How long a step that did not come was awaited in vain; None for any other finding."""
        reference = self.finding.reference
        if self.measured or self.finding.outcome is not Outcome.MISSING or self.allowed is None or reference is None:
            return None
        return EndBounds(start=(reference.earliest_ns, reference.end_ns), end=self.allowed.end)


def extent_of(finding: Finding) -> tuple[int, int] | None:
    """Return first and last time that a finding shows in a picture, ns; None if it has no place in any."""
    return _extent(finding, _measured(finding), _allowed(finding))


def _extent(finding: Finding, measured: EndBounds | None, allowed: EndBounds | None) -> tuple[int, int] | None:
    moment_ns = finding.time_ns
    if finding.kind == "precedes" and moment_ns is not None:
        # What should have come before may be long past; what counts is when it was missed.
        return (moment_ns, moment_ns)
    times: list[int] = []
    if measured is not None:
        times += [*measured.start, *measured.end]
    if allowed is not None:
        times += [*allowed.start, *allowed.end]
    if not times and moment_ns is not None:
        times = [moment_ns]
    return (min(times), max(times)) if times else None


def places(result: Result, findings: Iterable[Finding] | None = None) -> list[FindingLayout]:
    """Return the place of each of some findings of a capture, in their order; None: of all of them."""
    rules = {rule.name: rule for rule in result.expectations.rules}
    chosen = result.findings if findings is None else findings
    return [_place(finding, rules.get(finding.rule), result) for finding in chosen]


def own_handshake(result: Result, finding: Finding) -> Handshake | None:
    """Return the handshake that a finding belongs to; None if it is of another rule."""
    own = (finding.rule, finding.handshake)
    return next((run for run in result.handshakes if (run.rule, run.number) == own), None)


def _place(finding: Finding, rule: AnyRule | None, result: Result) -> FindingLayout:
    role, reference_role = _roles(finding, rule, result)
    measured = _measured(finding)
    allowed = _allowed(finding)
    timeline = result.timelines.get(role)
    return FindingLayout(
        finding=finding,
        role=role,
        reference_role=reference_role or role,
        measured=measured,
        allowed=allowed,
        words=_words(finding, timeline),
        limit_words=_limit_text(finding),
    )


def _measured(finding: Finding) -> EndBounds | None:
    reference, delay = finding.reference, finding.delay
    if reference is None:
        return None
    begin = (reference.earliest_ns, reference.end_ns)
    if delay is None:
        ahead = _ahead(finding)
        if ahead is None:
            return None
        return EndBounds(start=begin, end=(ahead.time.earliest_ns, ahead.time.end_ns))
    # The inverse of the subtraction that gave the delay: its least is from the latest beginning to the earliest end.
    end = (begin[1] + delay.earliest_ns, begin[0] + delay.end_ns)
    return EndBounds(start=begin, end=(min(end), max(end)))


def _ahead(finding: Finding) -> Evidence | None:
    """Return the change that came before the one that it should have followed."""
    if finding.outcome is not Outcome.OUT_OF_ORDER or finding.reference is None:
        return None
    latest = finding.reference.end_ns
    return next((e for e in finding.evidence if e.role and e.time.end_ns < latest), None)


def _allowed(finding: Finding) -> EndBounds | None:
    limit, reference = finding.limit, finding.reference
    if finding.kind != "sequence" or limit is None or reference is None or limit.most is None:
        return None
    least, most = int(limit.least or 0), int(limit.most)
    first, last = reference.earliest_ns, reference.end_ns
    return EndBounds(start=(first + least, last + least), end=(first + most, last + most))


# --- lanes ----------------------------------------------------------------------------------------------


def _roles(finding: Finding, rule: AnyRule | None, result: Result) -> tuple[str, str]:
    """Return the lane of a finding and the lane of its reference edge; empty where there is none."""
    shown = [e.role for e in finding.evidence if e.role in result.timelines]
    if isinstance(rule, Sequence):
        steps = {step.name: index for index, step in enumerate(rule.steps)}
        index = steps.get(finding.step or "")
        if index is None:
            return _one_of(trigger_roles(rule.start), shown), ""
        step = rule.steps[index]
        if step.from_ in steps:
            reference = rule.steps[steps[step.from_]].await_
        else:
            reference = rule.steps[index - 1].await_ if index else rule.start
        return (_one_of(trigger_roles(step.await_), shown), _one_of(trigger_roles(reference), shown))
    if rule is not None:
        named = [name for name in rule_roles(rule, result.expectations) if name in result.timelines]
        # Of several roles the one that the finding rests on; the last of them, as the earlier ones set the context.
        mine = [name for name in shown if name in named]
        if mine or named:
            return (mine or named)[-1 if mine else 0], ""
    return (shown[-1] if shown else ""), ""


def _one_of(named: list[str], shown: list[str]) -> str:
    """Return the role of a trigger; of several the one that the evidence names."""
    return next((name for name in named if name in shown), named[0] if named else "")


def trigger_roles(trigger: Trigger) -> list[str]:
    """Return the roles whose edges make a trigger, in the order in which they are named."""
    return list(dict.fromkeys(name for it in trigger.moments for name in roles_of(edge_condition(it))))


def rule_roles(rule: AnyRule, expectations: Expectations) -> list[str]:
    """Return the roles that a rule speaks of: what it starts from first, then what it awaits."""
    names = [name for trigger in rule.triggers for name in trigger_roles(trigger)]
    names += rule.numbers
    names += [name for state in rule.conditions for name in roles_of(state.condition)]
    message = rule.message if isinstance(rule, Alive) else None
    names += [role.name for role in expectations.roles.values() if role.message == message]
    return list(dict.fromkeys(names))


# --- words ----------------------------------------------------------------------------------------------


def _bound(limit: Limit, outcome: Outcome) -> str:
    """Return the limit that an outcome is about: for late the greatest, for early the least, else all there is."""
    if outcome is Outcome.LATE and limit.most is not None:
        limit = Limit(most=limit.most, unit=limit.unit)
    elif outcome is Outcome.EARLY and limit.least is not None:
        return limit_text(Limit(most=limit.least, unit=limit.unit))
    return limit_text(limit)


def _limit_text(finding: Finding) -> tuple[str, ...]:
    limit = finding.limit
    if limit is None or limit.most is None:
        return ()
    words = limit_text(limit).removeprefix("limit ")
    full = words if limit.least else f"within {words}"
    return (f"{finding.step}: {full}", full, words) if finding.step else (full, words)


def _words(finding: Finding, timeline: Timeline | None) -> tuple[str, ...]:
    outcome, limit = finding.outcome, finding.limit
    delay = "" if finding.delay in {None, TimeBounds(earliest_ns=0, latest_ns=None)} else span_text(finding.delay)
    bound = "" if limit is None or limit == Limit() else _bound(limit, outcome)
    name = OUTCOME_WORDS[outcome]
    if outcome is Outcome.MET:
        return (delay,) if delay else ()
    if outcome is Outcome.MISSING:
        stayed = _stayed(finding, timeline)
        return (f"{name}: {stayed}", name) if stayed else (name,)
    if outcome is Outcome.OUT_OF_ORDER:
        ahead, reference = _ahead(finding), finding.reference
        if ahead is None or reference is None:
            return (name,)
        # As everywhere, a change at `seen` came about after the frame before, so that the ends are open.
        least = reference.earliest_ns - ahead.time.end_ns
        most = reference.end_ns - ahead.time.earliest_ns
        return (f"{name}: {span_text(TimeBounds(earliest_ns=max(least, 0), latest_ns=most))} too soon", name)
    if finding.kind == "sequence":
        words = [f"{name}: {delay}, {bound}" if delay and bound else "", f"{name}: {delay}" if delay else "", name]
    else:
        # Without a step the rule is what tells one from another.
        lasting = f"for {delay}" if finding.kind in {"never", "agree", "range"} else delay
        head = f"{name}: {finding.rule}"
        timed = f"{head}, {lasting}" if delay else ""
        # Of a number the limit is in its unit and no match for a length of time.
        full = f"{timed}, {bound}" if delay and bound and finding.kind in {"pulse", "precedes"} else ""
        words = [full, timed, head, name]
    return tuple(dict.fromkeys(w for w in words if w))


def _stayed(finding: Finding, timeline: Timeline | None) -> str:
    """Return the state in which a role stayed while a change was awaited; empty if it is not one and known."""
    limit, reference = finding.limit, finding.reference
    if timeline is None or timeline.is_number or reference is None or not len(timeline):
        return ""
    start = reference.end_ns
    end = start + int(limit.most or 0) if limit is not None else start
    seen = timeline.seen_ns
    first = max(int(seen.searchsorted(start, side="right")) - 1, 0)
    last = max(int(seen.searchsorted(end, side="right")), first + 1)
    codes = {int(code) for code in timeline.state[first:last]}
    if len(codes) != 1 or UNKNOWN_STATE in codes:
        return ""
    return f"stayed {timeline.states[codes.pop()]}"
