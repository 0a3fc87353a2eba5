"""From findings as a causes file writes them to rules and steps of the expectations that captures are checked against.

A pattern names a rule and a step, or says what the rule is about, so that one causes file serves cars whose rules
have other names: ``awaits`` finds the steps that await a change, ``kind`` and ``about`` find rules by their subject.
"""

from collections.abc import Mapping
from typing import Any, Final

from buslens.causes._schema import PATTERN
from buslens.causes.model import FindingPattern
from buslens.checks.findings import Outcome
from buslens.errors import ExpectationError, did_you_mean
from buslens.expectations._toml import Node
from buslens.expectations._values import ValueReader
from buslens.expectations.conditions import parse_trigger
from buslens.expectations.model import AnyRule, Becomes, Expectations, Sequence, Trigger
from buslens.expectations.subjects import roles_of, roles_of_trigger

FAULTS: Final = frozenset(outcome for outcome in Outcome if outcome.is_fault)


def subject_of(rule: AnyRule) -> frozenset[str]:
    """Return the roles that a rule is about; what only says when it is checked is left out."""
    found = set(rule.numbers)
    for part in rule.subject:
        found.update(roles_of_trigger(part) if isinstance(part, Trigger) else roles_of(part.condition))
    return frozenset(found)


def read_patterns(
    values: ValueReader, expectations: Expectations, key: str, data: object, node: Node, *, shared: bool
) -> tuple[FindingPattern, ...]:
    """Return the findings that a list of patterns stands for.

    Parameters
    ----------
    shared : bool
        The file was written for many cars: a pattern that finds nothing here is skipped, unless all do.
    """
    found: list[FindingPattern] = []
    missing: list[tuple[Node, str]] = []
    written = list(values.tables(key, data, node))
    for item, place in written:
        read, inner = values.table(PATTERN, place, item, "a finding"), place.table or {}
        outcomes = _outcomes(values, item["outcomes"], inner["outcomes"]) if "outcomes" in item else FAULTS
        after = _outcomes(values, item["after"], inner["after"]) if "after" in item else frozenset()
        targets, problem, at = _targets(expectations, read, inner, place)
        beside = _awaiting(expectations, read["came"], inner["came"])[0] if "came" in read else []
        found += [
            FindingPattern(
                rule=rule,
                step=step,
                outcomes=outcomes,
                after=after,
                came=frozenset(other for owner, other in beside if owner == rule and other is not None),
            )
            for rule, step in targets
        ]
        if problem:
            missing.append((at, problem))
    for at, problem in missing if not (shared and found) else ():
        values.wrong(at, problem)
    if not written:
        values.wrong(node, f"'{key}' names no finding, so the sign could never show")
    return tuple(found)


def _targets(
    expectations: Expectations, read: Mapping[str, Any], inner: Mapping[str, Node], place: Node
) -> tuple[list[tuple[str | None, str | None]], str, Node]:
    """Return the rules and steps that a pattern stands for; else what is wrong, and where."""
    named = [key for key in ("rule", "awaits", "kind") if key in read]
    if len(named) > 1 or ("about" in read and "kind" not in read) or ("step" in read and "rule" not in read):
        return [], "a finding has either 'rule' (and 'step'), or 'awaits', or 'kind' (and 'about')", place
    if "awaits" in read:
        return _awaiting(expectations, read["awaits"], inner["awaits"])
    if "kind" in read:
        return _of_kind(expectations, read, inner["kind"])
    if "rule" not in read:
        return [(None, None)], "", place
    rules = {rule.name: rule for rule in expectations.rules}
    name, step = read["rule"], read.get("step")
    if name not in rules:
        return [], f"the expectations have no rule '{name}'{did_you_mean(name, rules)}", inner["rule"]
    owner = rules[name]
    steps = [it.name for it in owner.steps] if isinstance(owner, Sequence) else []
    if step is not None and step not in steps:
        return [], f"'{name}' has no step '{step}'{did_you_mean(step, steps)}", inner["step"]
    return [(name, step)], "", place


def _awaiting(
    expectations: Expectations, text: str, node: Node
) -> tuple[list[tuple[str | None, str | None]], str, Node]:
    try:
        wanted = parse_trigger(text, expectations.roles)
    except ExpectationError as error:
        return [], error.problem, node
    found: list[tuple[str | None, str | None]] = [
        (rule.name, step.name)
        for rule in expectations.rules
        if isinstance(rule, Sequence)
        for step in rule.steps
        if _edges(step.await_) & _edges(wanted)
    ]
    return found, "" if found else f"no step of the expectations awaits '{text}'", node


def _edges(trigger: Trigger) -> set[Becomes]:
    return {moment.edge for moment in trigger.moments if isinstance(moment.edge, Becomes)}


def _of_kind(
    expectations: Expectations, read: Mapping[str, Any], node: Node
) -> tuple[list[tuple[str | None, str | None]], str, Node]:
    kind, about = read["kind"], read.get("about")
    found: list[tuple[str | None, str | None]] = [
        (rule.name, None)
        for rule in expectations.rules
        if type(rule).__name__.lower() == kind and (about is None or subject_of(rule) == frozenset(about))
    ]
    subject = f" about {' and '.join(about)}" if about else ""
    return found, "" if found else f"the expectations have no rule of kind '{kind}'{subject}", node


def _outcomes(values: ValueReader, data: object, node: Node) -> frozenset[Outcome]:
    known = {outcome.value: outcome for outcome in Outcome}
    found = set()
    if not isinstance(data, list) or not all(isinstance(item, str) for item in data):
        values.wrong(node, "'outcomes' must be a list of names; write for example outcomes = [\"missing\"]")
        return frozenset()
    for name, place in zip(data, node.array or [], strict=True):
        if name in known:
            found.add(known[name])
        else:
            values.wrong(place, f"no outcome is called '{name}'{did_you_mean(name, known)}")
    return frozenset(found)
