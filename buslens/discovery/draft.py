"""Rules from what a capture shows of its roles; each is first measured with wide limits by the engine that will judge.

A draft is text in the form of the expectations file from the beginning, and is read as such: what is measured is
exactly what will be checked.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from buslens.checks.check import evaluate
from buslens.checks.findings import Outcome
from buslens.discovery.limits import NORMAL_FROM, STEP_NS, Learned, least_of, most_of
from buslens.discovery.toml_text import duration, quoted
from buslens.expectations.load import parse_expectations
from buslens.timeline.truth import TRUE
from buslens.units import NS_PER_MS, format_duration

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator, Sequence

    from buslens.checks.findings import Finding, Span
    from buslens.checks.scene import Scene
    from buslens.expectations.model import AnyRule, State
    from buslens.timeline.truth import Truth

WIDE: Final = "5 s"
"""A step that takes longer is not taken for part of the handshake (rule of thumb)."""
_TRIES: Final = 9
_ALLOWANCE: Final = 0.1
"""How much further than seen a voltage may go: a guess, and said to be one."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StepPlan:
    """A step before it has limits."""

    name: str
    await_: str
    from_: str = ""
    #: Whether too early is wrong too: the bolt needs its time.
    has_least: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Draft:
    """One rule as text, and what it rests on."""

    name: str
    lines: tuple[str, ...]
    #: For the reader, above the rule.
    remarks: tuple[str, ...] = ()
    #: Why it is only a comment; empty if it stands.
    problem: str = ""
    #: Delays that it rests on, by step, ns.
    seen: dict[str, list[tuple[int, int]]] = field(default_factory=dict)


class Drafter:
    """Makes rules for the roles of one capture.

    Parameters
    ----------
    header : str
        The roles as text of an expectations file.
    roles : collection of str
        Their names.
    scene : Scene
        The capture.
    """

    def __init__(self, header: str, roles: Collection[str], scene: Scene) -> None:
        self._header = header
        self._roles = roles
        self._scene = scene

    def drafts(self) -> Iterator[Draft]:
        """Yield the rules that the roles allow, in the order of the file."""
        if self._has("lock_enable") and self._feedbacks():
            yield self._unlocking()
        if self._has("door_open") and (self._has("lock_enable") or self._feedbacks()):
            yield self._locking()
        if self._has("lock_enable"):
            yield self._pulse()
        if self._has("ignition") and self._feedbacks():
            yield self._never()
        if self._has("unlock_feedback", "data_feedback"):
            yield self._agree()
        if self._has("supply_voltage"):
            yield self._supply()

    def _has(self, *roles: str) -> bool:
        return all(role in self._roles for role in roles)

    def _feedbacks(self) -> list[str]:
        return [role for role in ("unlock_feedback", "data_feedback") if self._has(role)]

    # --- sequences --------------------------------------------------------------------------------------

    def _unlocking(self) -> Draft:
        first = self._feedbacks()[0]
        given = [f"{first} is locked"]
        steps = [self._feedback_step(role, "unlocked") for role in self._feedbacks()]
        after: list[StepPlan] = []
        if self._has("ignition"):
            given.insert(0, "ignition is off")
            after.append(StepPlan(name="ignition", await_="ignition becomes on"))
        head = ['start = "lock_enable becomes on"', f'given = "{" and ".join(given)}"']
        return self._sequence("unlock handshake", head, [], steps, after)

    def _locking(self) -> Draft:
        given = ["ignition is off"] if self._has("ignition") else []
        given += [f"{role} is unlocked" for role in self._feedbacks()[:1]]
        head = ['start = "door_open becomes open"']
        if given:
            head.append(f'given = "{" and ".join(given)}"')
        head.append('abandon = "door_open becomes closed"')
        steps = [self._feedback_step(role, "locked") for role in self._feedbacks()]
        before, after = [], []
        if self._has("lock_enable"):
            before = [StepPlan(name="enable", await_="lock_enable becomes on")]
            after = [StepPlan(name="enable ends", await_="lock_enable becomes off", from_="enable")]
        return self._sequence("lock handshake", head, before, steps, after)

    @staticmethod
    def _feedback_step(role: str, state: str) -> StepPlan:
        name = "bolt" if role == "unlock_feedback" else "second path"
        return StepPlan(name=f"{name} {state}", await_=f"{role} becomes {state}", has_least=role == "unlock_feedback")

    def _sequence(
        self,
        name: str,
        head: Sequence[str],
        before: Sequence[StepPlan],
        feedbacks: Sequence[StepPlan],
        after: Sequence[StepPlan],
    ) -> Draft:
        """Measure the steps, put the feedbacks in the order in which they come, and give every step its limits."""
        steps = [*before, *self._in_order(name, head, before, feedbacks), *after]
        tries, seen, outcomes = self._measured(name, head, steps)
        if outcomes[Outcome.OUT_OF_ORDER] and before:
            # The two paths take turns in being first: each counts from the enable.
            steps = [replace(it, from_=before[0].name) if it in feedbacks else it for it in steps]
            tries, seen, outcomes = self._measured(name, head, steps)
        steps = [it for it in steps if seen.get(it.name) or not seen]
        tries_line = [f"tries = {tries}"] if tries > 1 and len(steps) > 1 else []
        limited = [(it, *self._limits(it, seen.get(it.name, []))) for it in steps]
        count = max((len(spans) for spans in seen.values()), default=0)
        basis = _basis(count, "handshake")
        lines = [
            "[[rules]]",
            f"name = {quoted(name)}",
            'kind = "sequence"',
            *head,
            *tries_line,
            "steps = [",
            *(f"  {_step(it, least, most)}," for it, least, most in limited),
            "]",
            f"basis = {quoted(basis)}",
        ]
        remarks = list(_remarks([(it.name, seen.get(it.name, []), least, most) for it, least, most in limited]))
        dropped = sum(count for outcome, count in outcomes.items() if outcome is not Outcome.MET)
        if count and dropped:
            remarks.append(f"{_counted(dropped, 'step')} could not be measured here, and did not count")
        problem = "" if count else f"no such handshake in this capture, so the times below are not measured; {_RECORD}"
        return Draft(name=name, lines=tuple(lines), remarks=tuple(remarks), problem=problem, seen=seen)

    def _in_order(
        self, name: str, head: Sequence[str], before: Sequence[StepPlan], feedbacks: Sequence[StepPlan]
    ) -> list[StepPlan]:
        """Return steps in the order in which they come, each measured by itself."""
        middle = {}
        for step in feedbacks:
            _, seen, _ = self._measured(name, head, [*before, step])
            spans = seen.get(step.name, [])
            middle[step.name] = float(np.median([sum(span) for span in spans])) if spans else np.inf
        return sorted(feedbacks, key=lambda it: middle[it.name])

    def _measured(
        self, name: str, head: Sequence[str], steps: Sequence[StepPlan]
    ) -> tuple[int, dict[str, list[tuple[int, int]]], Counter[Outcome]]:
        """Return the tries that were needed, the delays of each step, and how often which outcome was found."""
        listed = ", ".join(_step(it, None, None) for it in steps)
        tries = [f"tries = {_TRIES}"] if len(steps) > 1 else []
        lines = ["[[rules]]", f"name = {quoted(name)}", 'kind = "sequence"', *head, *tries, f"steps = [{listed}]"]
        findings, handshakes = evaluate(self._rule(lines), self._scene)
        seen: dict[str, list[tuple[int, int]]] = {}
        for finding in findings:
            if finding.outcome is Outcome.MET and finding.step is not None and finding.delay is not None:
                span = _ends(finding.delay)
                if span is not None:
                    seen.setdefault(finding.step, []).append(span)
        outcomes = Counter(finding.outcome for finding in findings if finding.step is not None)
        return max((run.tries for run in handshakes if run.completed), default=1), seen, outcomes

    @staticmethod
    def _limits(step: StepPlan, spans: Sequence[tuple[int, int]]) -> tuple[Learned | None, Learned | None]:
        if not spans:
            return None, None
        least = least_of([low for low, _ in spans]) if step.has_least else None
        return least, most_of([max(high, 0) for _, high in spans])

    # --- the other kinds --------------------------------------------------------------------------------

    def _pulse(self) -> Draft:
        lines = ["[[rules]]", 'name = "enable pulse"', 'kind = "pulse"', 'of = "lock_enable is on"']
        runs = [
            run
            for run in self._truth("lock_enable is on").runs()
            if run.is_certain and run.most_ns is not None and not run.has_unknown
        ]
        spans = [(run.certain_ns, run.most_ns) for run in runs if run.most_ns is not None]
        return self._lengths("enable pulse", lines, spans, ("least", "most"), "pulse")

    def _agree(self) -> Draft:
        lines = [
            "[[rules]]",
            'name = "feedbacks agree"',
            'kind = "agree"',
            'first = "unlock_feedback is locked"',
            'second = "data_feedback is locked"',
        ]
        differs = self._truth("unlock_feedback is locked").differs_from(self._truth("data_feedback is locked"))
        spans = [(0, run.most_ns) for run in differs.runs() if run.most_ns is not None and not run.has_unknown]
        return self._lengths("feedbacks agree", lines, spans, ("", "settle"), "settling")

    @staticmethod
    def _lengths(
        name: str, lines: list[str], spans: Sequence[tuple[int, int]], keys: tuple[str, str], what: str
    ) -> Draft:
        """Return a rule with one or two limits to lengths of time."""
        if not spans:
            lines += [f'{keys[1]} = "500 ms"', 'basis = "not measured"']
            problem = f"nothing of the kind in this capture, so the time below is not measured; {_RECORD}"
            return Draft(name=name, lines=tuple(lines), problem=problem)
        most = most_of([high for _, high in spans])
        least = least_of([low for low, _ in spans]) if keys[0] else None
        if least is not None and least.limit_ns:
            lines.append(f"{keys[0]} = {duration(least.limit_ns)}")
        lines.append(f"{keys[1]} = {duration(most.limit_ns)}")
        lines.append(f"basis = {quoted(_basis(len(spans), what))}")
        remarks = tuple(_remarks([(what, spans, least, most)], keys=keys))
        return Draft(name=name, lines=tuple(lines), remarks=remarks, seen={what: list(spans)})

    def _never(self) -> Draft:
        roles = ("ignition", *self._feedbacks())
        periods = [self._scene.timelines[role].period_ns or 0 for role in roles]
        tolerated = -(-2 * max(periods, default=0) // STEP_NS) * STEP_NS
        locked = " or ".join(f"{role} is locked" for role in self._feedbacks())
        lines = [
            "[[rules]]",
            'name = "no ignition while locked"',
            'kind = "never"',
            f'when = "ignition is on and ({locked})"',
            f"longer_than = {duration(tolerated)}",
            'basis = "steering must work before the engine may start: UN R116 5.3.1.1; the time is a rule of thumb"',
        ]
        remark = "longer_than: twice the slowest of these messages' cycle times (rule of thumb)"
        return Draft(name="no ignition while locked", lines=tuple(lines), remarks=(remark,))

    def _supply(self) -> Draft:
        condition = "lock_enable is on" if self._has("lock_enable") else ""
        values = self._voltages(condition)
        lines = ["[[rules]]", 'name = "supply"', 'kind = "range"', 'of = "supply_voltage"']
        unit = self._scene.timelines["supply_voltage"].unit
        problem = ""
        remarks: list[str] = []
        if len(values):
            low, high = float(values.min()), float(values.max())
            least = float(np.floor((1 - _ALLOWANCE) * low * 10) / 10)
            most = float(np.ceil((1 + _ALLOWANCE) * high * 10) / 10)
            lines += [f"least = {quoted(f'{least:g} {unit}')}", f"most = {quoted(f'{most:g} {unit}')}"]
            during = f" while {condition}" if condition else ""
            remarks.append(
                f"{low:g} to {high:g} {unit} seen{during}; A GUESS: a tenth more either way. What the motor and its"
                " wires can do with is the maker's to say"
            )
            basis = "a guess from one capture: a tenth beyond what was seen"
        else:
            lines += [f'least = "9 {unit}"']
            basis = "not measured"
            problem = "no value to learn from in this capture"
        if condition:
            lines.append(f"while = {quoted(condition)}")
        lines.append(f"basis = {quoted(basis)}")
        return Draft(name="supply", lines=tuple(lines), remarks=tuple(remarks), problem=problem)

    def _voltages(self, condition: str) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
        """Return the values that were shown while a condition surely held."""
        timeline = self._scene.timelines["supply_voltage"]
        if not condition:
            shown = timeline.value
        else:
            truth = self._truth(condition)
            stops = np.append(timeline.seen_ns[1:], timeline.end_ns)
            begun = np.searchsorted(truth.at_ns, timeline.seen_ns, side="right") - 1
            ended = np.searchsorted(truth.at_ns, stops, side="left")
            # Also what only began, or only ended, in it.
            holds = [
                bool((truth.value[max(first, 0) : max(last, first + 1)] != 0).any())
                for first, last in zip(begun.tolist(), ended.tolist(), strict=True)
            ]
            certain = (truth.value == TRUE).any()
            shown = timeline.value[np.array(holds, np.bool_)] if certain else timeline.value[:0]
        return shown[np.isfinite(shown)]

    # --- reading drafts ---------------------------------------------------------------------------------

    def _rule(self, lines: Sequence[str]) -> AnyRule:
        text = "\n".join([self._header, *lines, ""])
        return parse_expectations(text.encode(), "draft").rules[-1]

    def _truth(self, condition: str) -> Truth:
        lines = ["[[rules]]", 'name = "draft"', 'kind = "never"', f"when = {quoted(condition)}"]
        state: State = self._rule(lines).when  # type: ignore[union-attr]  # the kind is written above
        return self._scene.truth(state.condition)


_RECORD: Final = "record one with it, or put in times of your own"


def with_problem(draft: Draft, findings: Sequence[Finding]) -> Draft:
    """Return a draft as a mere comment if this very capture would break the rule."""
    faults = [it for it in findings if it.rule == draft.name and it.outcome.is_fault]
    if not faults:
        return draft
    reason = f"this capture itself breaks it, so it is none to learn from: {faults[0].reason}"
    return replace(draft, problem=reason)


def _step(step: StepPlan, least: Learned | None, most: Learned | None) -> str:
    parts = [f"name = {quoted(step.name)}", f"await = {quoted(step.await_)}"]
    if step.from_:
        parts.append(f"from = {quoted(step.from_)}")
    if least is not None and least.limit_ns:
        parts.append(f"after = {duration(least.limit_ns)}")
    parts.append(f"within = {quoted(WIDE) if most is None else duration(most.limit_ns)}")
    return "{ " + ", ".join(parts) + " }"


def _remarks(
    measured: Sequence[tuple[str, Sequence[tuple[int, int]], Learned | None, Learned | None]],
    *,
    keys: tuple[str, str] = ("after", "within"),
) -> Iterator[str]:
    """Yield what was seen of each length, and each way in which limits were made once."""
    methods: dict[str, None] = {}
    for name, spans, least, most in measured:
        if most is None:
            continue
        yield f"{name}: {_range(spans)} seen, {_counted(most.count, 'time')}"
        if least is not None and least.limit_ns:
            methods[f"{keys[0]}: {least.method}"] = None
        methods[f"{keys[1]}: {most.method}"] = None
    yield from methods


def _range(spans: Sequence[tuple[int, int]]) -> str:
    low, high = min(span[0] for span in spans), max(span[1] for span in spans)
    return f"{format_duration(low) if low >= NS_PER_MS else '0'} to {format_duration(high)}"


def _basis(count: int, what: str) -> str:
    if not count:
        return "not measured"
    learned = "a guess" if count < NORMAL_FROM else "learned"
    return f"{learned} from {_counted(count, what)} of one capture"


def _ends(span: Span) -> tuple[int, int] | None:
    return None if span.latest_ns is None else (span.earliest_ns, span.latest_ns)


def _counted(count: int, what: str) -> str:
    return f"{count} {what}{'' if count == 1 else 's'}"
