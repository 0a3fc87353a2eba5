"""Findings of one kind are told together: of one rule, one step and one outcome."""

from collections.abc import Iterable, Sequence

from buslens.checks.findings import Finding, Outcome, Result, TimeBounds
from buslens.checks.headline import leading, times_text
from buslens.checks.phrases import span_text
from buslens.checks.verdict import worst_first
from buslens.report.formatting import VERDICT_WORDS, capitalised, clean, verdict_sentence

Kind = tuple[str, str | None, Outcome]
"""Rule, step and outcome."""


def kind_of(finding: Finding) -> Kind:
    """Return what findings of one kind have in common."""
    return (finding.rule, finding.step, finding.outcome)


def kinds(result: Result, findings: Iterable[Finding]) -> list[list[Finding]]:
    """Return findings of a capture by kind, worst first.

    The finding that the verdict names stands first, in its kind and with its kind, so that a report says of it what
    the verdict says.
    """
    found: dict[Kind, list[Finding]] = {}
    ordered = worst_first(findings)
    for finding in ordered:
        found.setdefault(kind_of(finding), []).append(finding)
    first = leading(ordered, result.expectations.rules)
    if first is None:
        return list(found.values())
    group = found.pop(kind_of(first))
    return [[first, *(it for it in group if it is not first)], *found.values()]


def is_told_first(result: Result, groups: Sequence[Sequence[Finding]]) -> bool:
    """Whether the verdict is about the first kind, and no wider reason stands before it."""
    return bool(groups) and clean(result.summary).startswith(clean(groups[0][0].reason))


def answer(result: Result, groups: Sequence[Sequence[Finding]]) -> str:
    """Return what happened, for somebody who knows no rule by name: the leading kind, else what the verdict says.

    Parameters
    ----------
    groups : sequence of sequence of Finding
        From `kinds`.
    """
    if not is_told_first(result, groups):
        return verdict_sentence(result)
    times = times_text(groups[0], result.findings)
    said = f"{capitalised(VERDICT_WORDS[result.verdict])}: {clean(groups[0][0].reason)}"
    return f"{said} ({times})" if times else said


def sentence(alike: Sequence[Finding]) -> str:
    """Return what is said of a kind: the sentence on its first finding, and the range of what all of them measured."""
    return "; ".join(filter(None, (clean(alike[0].reason), range_text(alike))))


def range_text(alike: Sequence[Finding]) -> str:
    """Return the range of what several findings of a kind measured; empty for one, or where not all were measured."""
    delays = [it.delay for it in alike if it.delay is not None]
    if len(alike) == 1 or len(delays) < len(alike) or not alike[0].outcome.is_fault:
        return ""
    return f"{f'all {len(delays):,}' if len(delays) > 2 else 'both'}: {span_text(TimeBounds.hull(delays))}"


def steps_by_rule(places: Iterable[tuple[str, str | None]]) -> str:
    """Return rules and steps, the steps of one rule together: ``lock handshake (wire feedback, enable off)``."""
    steps: dict[str, list[str]] = {}
    for rule, step in dict.fromkeys(places):
        steps.setdefault(clean(rule), []).extend([clean(step)] if step else [])
    return ", ".join(f"{rule} ({', '.join(of)})" if of else rule for rule, of in steps.items())
