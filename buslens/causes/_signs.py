"""The signs and traced readings of a causes file, read for one car's expectations.

In a car's own file everything must be there; in one that many cars share, what only this car lacks is no mistake.

Findings that show a sign are written as patterns. A pattern names a rule and a step, or says what the rule is about, so
that one causes file serves cars whose rules have other names: ``awaits`` finds the steps that await a change, ``kind``
and ``about`` find rules by their subject.
"""

from collections.abc import Iterable, Mapping, Sequence
from typing import Any, Final

from buslens.causes._schema import PATTERN, SIGN, TRACE
from buslens.causes.model import FindingPattern, Sign, TracedReading
from buslens.checks.findings import Outcome
from buslens.errors import ExpectationError, SourceLocation, did_you_mean
from buslens.expectations._toml import Node
from buslens.expectations._values import ValueReader
from buslens.expectations.conditions import parse_trigger
from buslens.expectations.model import AnyRule, Becomes, Expectations, Role, Trigger
from buslens.expectations.model import Sequence as SequenceRule
from buslens.expectations.subjects import roles_of, roles_of_trigger

FAULTS: Final = frozenset(outcome for outcome in Outcome if outcome.is_fault)


class _EveryRole(dict[str, "Role | None"]):
    """Roles of a car that nothing is known of: each exists, and is in doubt."""

    def __contains__(self, name: object) -> bool:
        return True

    def __missing__(self, name: str) -> None:
        return None


def read_own_sign(
    values: ValueReader, expectations: Expectations, name: str, data: Mapping[str, object], node: Node
) -> tuple[Sign | None, str]:
    """Return a sign of a car's own file, or None after noting what is wrong; nothing of it is ever lost."""
    return _sign(values, expectations, name, data, node, shared=False), ""


def read_shared_sign(
    values: ValueReader, expectations: Expectations, name: str, data: Mapping[str, object], node: Node
) -> tuple[Sign | None, str]:
    """Return a sign of a file for many cars, or why this car cannot show it; only what fits no car is a mistake."""
    here = ValueReader(values.document)
    here.roles.update(expectations.roles)
    sign = _sign(here, expectations, name, data, node, shared=True)
    if sign is not None:
        return sign, ""
    anywhere = ValueReader(values.document)
    anywhere.roles = _EveryRole()
    general = _sign(anywhere, None, name, data, node, shared=True)
    if general is None:
        values.problems += anywhere.problems
        return None, ""
    asked = [role for state in (general.seen, general.while_) if state for role in roles_of(state.condition)]
    absent = [role for role in dict.fromkeys(asked) if role not in expectations.roles]
    return None, f"no role {' or '.join(absent)}" if absent else here.problems[0].problem.split("; ")[0]


def _sign(
    values: ValueReader,
    expectations: Expectations | None,
    name: str,
    data: Mapping[str, object],
    node: Node,
    *,
    shared: bool,
) -> Sign | None:
    """Return a sign, or None after noting what is wrong; without expectations its findings are not looked up."""
    before = len(values.problems)
    read, inner = values.table(SIGN, node, data, f"sign '{name}'"), node.table or {}
    ways = [way for way in ("findings", "seen", "recording") if way in data]
    if len(ways) != 1:
        values.wrong(node, f"sign '{name}' must have one of 'findings', 'seen' and 'recording', and it has {len(ways)}")
    for key, way in (("while", "seen"), ("times", "seen"), ("not_after", "findings")):
        if key in data and way not in data:
            values.wrong(inner[key].key, f"sign '{name}': '{key}' says something only with '{way}'")
    found = {}
    for key in ("findings", "accounts_for", "not_after"):
        if key in read and expectations is not None:
            # What a shared file accounts for, and this car has no rule for, needs no telling.
            notes = ValueReader(values.document) if shared and key != "findings" else values
            found[key] = _read_patterns(notes, expectations, read[key], shared=shared)
            if not inner[key].array:
                notes.wrong(inner[key], f"'{key}' names no finding, so the sign could never show")
    if len(values.problems) > before:
        return None
    return Sign(
        name=name,
        shows=read["shows"],
        findings=found.get("findings", ()),
        seen=read.get("seen"),
        while_=read.get("while"),
        times=read.get("times", 1),
        discontinuity="recording" in read,
        accounts_for=found.get("accounts_for", ()),
        not_after=found.get("not_after", ()),
    )


def read_trace(
    values: ValueReader, expectations: Expectations, data: dict[str, object], node: Node, unit: str
) -> TracedReading | None:
    """Return what answers a measurement; None where no role of these expectations does, or after noting a mistake."""
    if not unit:
        values.wrong(node, "'trace' needs the measurement to have a unit, such as unit = \"V\"")
        return None
    here, anywhere = ValueReader(values.document), ValueReader(values.document)
    here.roles.update(expectations.roles)
    anywhere.roles = _EveryRole()
    anywhere.table(TRACE, node, data, "this trace")
    values.problems += anywhere.problems
    read = here.table(TRACE, node, data, "this trace")
    if here.problems:
        return None
    role = expectations.roles[read["of"]]
    if role.unit != unit:
        values.wrong(node, f"role '{role.name}' is in {role.unit}, and the measurement in {unit}; write the same unit")
        return None
    said_by = read.get("said_by", "")
    return TracedReading(
        role=read["of"], while_=read["while"], takes=read["takes"], lasting_ns=read["lasting"], said_by=said_by
    )


# --- findings ------------------------------------------------------------------------------------------


def subject_of(rule: AnyRule) -> frozenset[str]:
    """Return the roles that a rule is about; what only says when it is checked is left out."""
    found = set(rule.numbers)
    for part in rule.subject:
        found.update(roles_of_trigger(part) if isinstance(part, Trigger) else roles_of(part.condition))
    return frozenset(found)


def _read_patterns(
    values: ValueReader,
    expectations: Expectations,
    written: Iterable[tuple[dict[str, object], Node]],
    *,
    shared: bool,
) -> tuple[FindingPattern, ...]:
    """Return the findings that a list of patterns stands for.

    Parameters
    ----------
    shared : bool
        The file was written for many cars: a pattern that finds nothing here is skipped, unless all do.
    """
    found: list[FindingPattern] = []
    missing: list[tuple[Node, str]] = []
    for item, place in written:
        read, inner = values.table(PATTERN, place, item, "a finding"), place.table or {}
        outcomes = _outcomes(values, read["outcomes"]) if "outcomes" in read else FAULTS
        after = _outcomes(values, read.get("after", ()))
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
    name, step = read["rule"], read.get("step")
    owner = expectations.rule(name)
    if owner is None:
        hint = did_you_mean(name, [rule.name for rule in expectations.rules])
        return [], f"the expectations have no rule '{name}'{hint}", inner["rule"]
    steps = [it.name for it in owner.steps] if isinstance(owner, SequenceRule) else []
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
        if isinstance(rule, SequenceRule)
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
        if kind == rule.KIND and (about is None or subject_of(rule) == frozenset(about))
    ]
    subject = f" about {' and '.join(about)}" if about else ""
    return found, "" if found else f"the expectations have no rule of kind '{kind}'{subject}", node


def _outcomes(values: ValueReader, named: Sequence[tuple[str, SourceLocation]]) -> frozenset[Outcome]:
    known = {outcome.value: outcome for outcome in Outcome}
    for name, place in named:
        if name not in known:
            values.wrong(place, f"no outcome is called '{name}'{did_you_mean(name, known)}")
    return frozenset(known[name] for name, _ in named if name in known)
