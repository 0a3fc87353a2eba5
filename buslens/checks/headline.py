"""Which finding leads: the one sentence that a person reads first.

Danger comes first: the ignition on while a rule forbids it. Then the failed step that stands first in its rule, of the
first handshake that failed, unless a wider reason for it was found: a message that stopped, a role that says nothing or
a supply outside its range, while that handshake ran; or, from before it, two feedbacks that differed, a command that
was already given, or what is never allowed, such as a unit that is not paired. What only follows from a failed
handshake, such as a lit warning lamp, leads where no handshake failed.
"""

from collections.abc import Callable, Iterable, Mapping
from collections.abc import Sequence as Several

from buslens.checks.findings import Finding, Findings
from buslens.checks.outcome import Outcome
from buslens.expectations.model import (
    Agree,
    Alive,
    AnyRule,
    IsUnknown,
    Never,
    Precedes,
    Pulse,
    Range,
    Sequence,
    WrittenCondition,
)
from buslens.expectations.role_purposes import ignition_roles
from buslens.expectations.subjects import roles_of, roles_of_trigger


def headline(findings: Several[Finding], rules: Iterable[AnyRule], every: Findings) -> str:
    """Return the sentence on the finding that leads, with how often it came and how many others there are.

    Parameters
    ----------
    findings : sequence of Finding
        All faults of a capture, or, if it has none, all that could not be decided; at least one.
    rules : iterable of AnyRule
        The rules that made them.
    every : Findings
        All that was found in the capture.
    """
    first = _first_read(findings, {rule.name: rule for rule in rules})
    alike = [it for it in findings if (it.rule, it.step, it.outcome) == (first.rule, first.step, first.outcome)]
    # Counted as reports list them: findings of one rule, step and outcome are one fault.
    others = len({(it.rule, it.step, it.outcome) for it in findings}) - 1
    thing = "undecided" if first.outcome is Outcome.UNDECIDED else f"fault{'s' if others > 1 else ''}"
    place = first.rule if first.handshake is None else f"{first.rule} {first.handshake}"
    repeats = f", {times}" if (times := times_text(alike, every)) else ""
    more = f"; {others} more {thing}" if others else ""
    return f"{first.reason} ({place}{repeats}){more}"


def times_text(alike: Several[Finding], every: Findings) -> str:
    """Return how often the same was found; of a step, in how many of the handshakes that show what became of it.

    Empty where it could not have come twice. What works in other handshakes is no lock that never works.
    """
    first = alike[0]
    if not (first.is_on_step and first.outcome.is_fault):
        return f"{len(alike):,} times" if len(alike) > 1 else ""
    failed = sum(it.outcome.is_fault for it in every.unmet if (it.rule, it.step) == (first.rule, first.step))
    tried = failed + every.met_handshakes(first.rule, first.step)
    return f"in {len(alike):,} of {tried:,} handshakes" if tried > 1 else ""


def leading(findings: Iterable[Finding], rules: Iterable[AnyRule]) -> Finding | None:
    """Return the finding that a person should read first: a fault, else one that is undecided; None if all are met."""
    unmet = [it for it in findings if it.outcome is not Outcome.MET]
    wrong = [it for it in unmet if it.outcome.is_fault] or unmet
    return _first_read(wrong, {rule.name: rule for rule in rules}) if wrong else None


def _first_read(findings: Several[Finding], rules: Mapping[str, AnyRule]) -> Finding:
    ordered = sorted(findings, key=lambda it: (it.time_ns is None, it.time_ns or 0))
    ignition = ignition_roles(rules.values())
    danger = [it for it in ordered if it.outcome.is_fault and _is_danger(rules.get(it.rule), ignition)]
    if danger:
        return danger[0]
    steps = [it for it in ordered if it.kind == "sequence"]
    if not steps:
        return ordered[0]
    begun = min(steps, key=lambda it: (it.handshake is None, it.time_ns or 0))
    run = [it for it in steps if (it.rule, it.handshake) == (begun.rule, begun.handshake)]
    # A later step may run out of time first, as it waits for the one that failed: the enable's end, for instance.
    first = min(run, key=lambda it: _place(it, rules))
    reasons = filter(_explains(first, rules), ordered)
    # What feeds a path stands before the path that says nothing.
    return min(reasons, key=lambda it: not isinstance(rules.get(it.rule), Alive | Range), default=first)


def _place(finding: Finding, rules: Mapping[str, AnyRule]) -> int:
    """Return the place of a step in its rule."""
    rule = rules.get(finding.rule)
    names = [step.name for step in rule.steps] if isinstance(rule, Sequence) else []
    return names.index(finding.step) if finding.step in names else len(names)


def _is_danger(rule: AnyRule | None, ignition: frozenset[str]) -> bool:
    """Whether a rule says what must never be with the ignition on, or must come before it."""
    match rule:
        case Never():
            return not ignition.isdisjoint(roles_of(rule.when.condition))
        case Precedes():
            return not ignition.isdisjoint(roles_of_trigger(rule.then))
        case _:
            return False


def _explains(step: Finding, rules: Mapping[str, AnyRule]) -> Callable[[Finding], bool]:
    """Return whether a finding is a wider reason for a step that failed: it overlaps the wait for that step."""
    sequence = rules.get(step.rule)
    awaited: set[str] = set()
    end_ns = step.time_ns or 0
    begin_ns = end_ns if step.reference is None else step.reference.earliest_ns
    if isinstance(sequence, Sequence):
        for it in sequence.steps:
            if it.name == step.step:
                end_ns += it.within_ns
                awaited.update(roles_of_trigger(it.await_))

    def test(finding: Finding) -> bool:
        if finding.time_ns is None or finding.outcome is not Outcome.VIOLATED:
            return False
        match rules.get(finding.rule):
            case Alive() | Range():
                pass
            case Never(when=WrittenCondition(condition=IsUnknown())):
                pass
            case Agree() | Never(longer_than_ns=None) if finding.time_ns < begin_ns:
                pass  # Where they differed before what the step counts from, that is no answer to it.
            case Pulse(of=WrittenCondition(condition=held)) if finding.time_ns < begin_ns:
                if awaited.isdisjoint(roles_of(held)):
                    return False  # What is already so cannot become so.
            case _:
                return False
        latest = None if finding.delay is None else finding.delay.latest_ns
        return finding.time_ns <= end_ns and (latest is None or finding.time_ns + latest >= begin_ns)

    return test
