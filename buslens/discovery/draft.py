"""Rules from what captures show of their roles; each is first measured with wide limits by the engine that will check.

A draft is text in the form of the expectations file from the beginning, and is read as such: what is measured is
exactly what will be checked. Rules and steps have the names of the demonstration's, so that its causes fit.
"""

import math
from collections import Counter
from collections.abc import Collection, Iterable, Iterator
from collections.abc import Sequence as Sequenced
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Final, NamedTuple

import numpy as np

from buslens.checks.agree import LEAD_ERRORS, average, leads_of
from buslens.checks.context import EvaluationContext
from buslens.checks.evaluate_rule import evaluate_rule
from buslens.checks.findings import Finding, Outcome
from buslens.discovery.limits import (
    LEAST_SPREAD,
    MANY_FROM,
    NORMAL_FROM,
    STEP_NS,
    EstimatedLimit,
    limits_of,
    outliers_of,
)
from buslens.discovery.toml_text import duration, quoted
from buslens.discovery.traces import AT_ONCE_NS
from buslens.expectations.load import parse_expectations
from buslens.expectations.model import Agree, AnyRule, Sequence, WrittenCondition
from buslens.timeline.build import WAKING_NS
from buslens.timeline.columns import ONE_BY_ONE_NS
from buslens.timeline.ternary import TRUE, TernaryTimeline
from buslens.units import NS_PER_MS, NS_PER_S, format_at_least, format_at_most, format_duration

WIDE: Final = "8 s"
"""A step that takes longer is not taken for part of the handshake (rule of thumb)."""
_TRIES: Final = 9
_FEW_TRIES: Final = 3
_AGAIN_NS: Final = 3 * NS_PER_S
"""A control unit may try so often, and one try may come so long after the other, although no capture shows it (rules of
thumb); what follows such a try is undecided."""
_ALLOWANCE: Final = 0.1
"""How much further than seen a voltage may go: a guess, and said to be one."""
_LAMP_NS: Final = 3 * NS_PER_S
"""A lamp test when the ignition comes on is shorter (rule of thumb)."""
_DRIVING: Final = {"mph": 2, "m/s": 1}
"""Speed, by unit, above which a car drives; else 3 (rule of thumb)."""
_SURE_PART: Final = 0.8
"""Of a limit: below it is worth a second one, for what is surely late (rule of thumb)."""
_SURELY_BEHIND: Final = 2.5
"""Standard deviations that a feedback comes behind another, or it may come before it, too (rule of thumb)."""
_CHANGES: Final = 20
"""Changes of a feedback that a capture may well show (rule of thumb)."""
_STEPS: Final = "steps = ["
_RECORD: Final = "record captures with it, or put in times of your own"


class Delay(NamedTuple):
    """A measured length of time, and the capture that shows it, by index."""

    low_ns: int
    high_ns: int
    capture: int


@dataclass(frozen=True, slots=True, kw_only=True)
class StepPlan:
    """A step before it has limits."""

    name: str
    await_: str
    from_: str = ""
    #: Whether too early is wrong too: the bolt needs its time.
    has_least: bool = False
    #: Whether another rule asks for it in time, so that here it only is what others count from.
    is_limited: bool = True


_ENABLE_ON: Final = StepPlan(name="enable on", await_="lock_enable becomes on")
_IGNITION: Final = StepPlan(name="ignition on", await_="ignition becomes on")


@dataclass(frozen=True, slots=True, kw_only=True)
class RuleDraft:
    """One rule as text, and what it rests on."""

    name: str
    lines: tuple[str, ...]
    #: For the reader, above the rule.
    remarks: tuple[str, ...] = ()
    #: Why it is only a comment; empty if it stands.
    problem: str = ""
    #: Lengths of time that it rests on, by step.
    seen: dict[str, list[Delay]] = field(default_factory=dict)
    #: Steps that are left away, and why.
    dropped: tuple[str, ...] = ()
    #: Captures that are far from the others, as questions.
    outliers: tuple[str, ...] = ()


class Drafter:
    """Makes rules for the roles of some captures.

    Parameters
    ----------
    header : str
        The roles as text of an expectations file.
    roles : collection of str
        Their names.
    scenes : sequence of Scene
        The captures.
    paths : sequence of str
        Their names.
    events : collection of str
        The roles whose frames come with changes only: their time between frames says nothing.
    """

    def __init__(
        self,
        header: str,
        roles: Collection[str],
        contexts: Sequenced[EvaluationContext],
        paths: Sequenced[str],
        events: Collection[str] = (),
    ) -> None:
        self._header = header
        self._events = events
        #: Whether the two feedbacks of an unlocking come in either order.
        self._is_turned = False
        #: Most tries, and the longest time from one to the next, of both directions: one unit makes them all.
        self._usual_tries = 1
        self._again_ns = 0
        self._roles = roles
        self._contexts = contexts
        self._paths = [Path(path).name for path in paths]

    def drafts(self) -> Iterator[RuleDraft]:
        """Yield the rules that the roles allow, in the order of the file."""
        handshakes: list[RuleDraft] = []
        if self._feedbacks() and (self._has("lock_enable") or self._has("start_button")):
            handshakes += self._unlocking()
        if self._has("door_open") and (self._has("lock_enable") or self._feedbacks()):
            handshakes.append(self._locking())
        yield from map(self._with_tries, handshakes)
        if self._has("lock_enable"):
            yield self._pulse()
        if self._has("ignition") and self._feedbacks():
            yield self._never_locked()
        if self._has("lock_enable", "speed"):
            yield self._never_driving()
        if self._has("unlock_feedback", "data_feedback"):
            yield self._agree()
        if self._has("data_feedback") and (draft := self._data_line()) is not None:
            yield draft
        if self._has("supply_voltage"):
            yield self._supply()
        if self._has("pairing_state"):
            unpaired = "the lock unit was not paired with the car for {measured}"
            yield _plain("pairing state", "pairing_state is not_paired", "", "common practice, no source", unpaired)
        if self._has("warning_lamp"):
            yield self._lamp()

    def _has(self, *roles: str) -> bool:
        return all(role in self._roles for role in roles)

    def _feedbacks(self) -> list[str]:
        return [role for role in ("unlock_feedback", "data_feedback") if self._has(role)]

    def _not_all(self, state: str, other: str) -> str:
        """Return that one of the feedbacks has a state; not the other one, where there is a state on the way."""
        has_more = any(len(self._contexts[0].timelines[role].states) > 2 for role in self._feedbacks())
        if not has_more:
            return _any(f"is {state}", self._feedbacks())
        # Between two frames, of which one shows the way already, it surely is not the other one yet.
        told = [f"not ({' and '.join(f'{role} is {other}' for role in self._feedbacks())})"]
        # A unit that wakes up says nothing yet.
        told += [f"not {role} is starting" for role in self._feedbacks() if self._starts(role)]
        return " and ".join(told)

    def _starts(self, role: str) -> bool:
        return "starting" in self._contexts[0].timelines[role].states

    # --- sequences --------------------------------------------------------------------------------------

    def _unlocking(self) -> Iterator[RuleDraft]:
        given = [self._not_all("locked", "unlocked")]
        if self._has("start_button", "lock_enable"):
            given.insert(0, "lock_enable is off")  # what comes while it works begins nothing
        if self._has("ignition"):
            given.insert(0, "ignition is off")
        after = [_IGNITION] if self._has("ignition") else []
        before = []
        if self._has("start_button"):
            start = "start_button becomes pressed"
            if "even" in self._contexts[0].timelines["start_button"].states:  # it only counts
                start = "start_button becomes even or start_button becomes odd"
            if self._has("lock_enable"):
                before = [_ENABLE_ON]
        else:
            start = "lock_enable becomes on"
        head = [f"start = {quoted(start)}", f"given = {quoted(' and '.join(given))}"]
        draft = self._sequence("unlock handshake", head, before, "unlocked", after)
        if self._has("start_button"):
            yield draft
            if self._is_turned and after:
                # Whether the enable was off matters to what it does, not to what comes behind the release.
                yield self._switching_on([part.replace("lock_enable is off and ", "") for part in head])
            return
        why = "no start button was found, so that the rule starts with the enable: one that never comes breaks nothing"
        yield replace(draft, dropped=(why, *draft.dropped))

    def _switching_on(self, head: Sequenced[str]) -> RuleDraft:
        """Return a rule of its own for what comes after both feedbacks, where neither is the last."""
        both = " and ".join(f"{role} is unlocked" for role in self._feedbacks())
        released = StepPlan(name="released", await_=both, is_limited=False)
        return self._sequence("ignition after release", head, [released], "", [_IGNITION])

    def _locking(self) -> RuleDraft:
        given = ["ignition is off"] if self._has("ignition") else []
        if self._has("lock_enable"):
            given.append("lock_enable is off")
        if self._feedbacks():
            given.append(self._not_all("unlocked", "locked"))
        head = ['start = "door_open becomes open"']
        if given:
            head.append(f"given = {quoted(' and '.join(given))}")
        before = [_ENABLE_ON] if self._has("lock_enable") else []
        draft = self._sequence("lock handshake", head, before, "locked", [])
        stopped = self._sequence(
            "lock handshake", [*head, 'abandon = "door_open becomes closed"'], before, "locked", []
        )
        if len(stopped.dropped) < len(draft.dropped) or _count(stopped) > _count(draft):
            return stopped
        if self._misses(draft) > self._misses(stopped):
            return stopped
        return draft

    def _misses(self, draft: RuleDraft) -> int:
        rule = self._rule(self._with_tries(draft).lines)
        return sum(it.outcome.is_fault for context in self._contexts for it in evaluate_rule(rule, context)[0])

    def _plans(self, state: str) -> list[StepPlan]:
        """Return the steps of the feedbacks: the second counts from the first."""
        plans: list[StepPlan] = []
        if state and self._has("unlock_feedback"):
            plans.append(StepPlan(name="wire feedback", await_=f"unlock_feedback becomes {state}", has_least=True))
        if state and self._has("data_feedback"):
            plans.append(StepPlan(name="data feedback", await_=f"data_feedback becomes {state}"))
        return plans

    def _sequence(
        self, name: str, head: Sequenced[str], before: Sequenced[StepPlan], state: str, after: Sequenced[StepPlan]
    ) -> RuleDraft:
        """Measure the steps, and give each of them its limits."""
        feedbacks = self._plans(state)
        ends: list[StepPlan] = []
        if _ENABLE_ON in before:
            ends = [StepPlan(name="enable off", await_="lock_enable becomes off", from_=_ENABLE_ON.name)]
        after = [replace(it, from_=feedbacks[-1].name) for it in after] if feedbacks else list(after)
        steps = [*before, *feedbacks, *ends, *after]
        seen, outcomes = self._measured(name, head, steps)
        doubt_ns = sum(map(self._frames_ns, self._feedbacks()))
        if len(feedbacks) > 1 and self._may_turn(
            seen.get(feedbacks[1].name, []), outcomes[feedbacks[1].name], doubt_ns
        ):
            # The two paths take turns in being first, or nearly: each counts from the same moment.
            feedbacks[1] = replace(feedbacks[1], from_=before[0].name if before else "")
            if before or self._is_second_first(name, head, feedbacks):
                feedbacks = feedbacks if before else list(reversed(feedbacks))
                # What follows both is not held against the car where one of them never comes.
                self._is_turned |= bool(before and after)
                steps = [*before, *feedbacks, *ends, *([] if before else after)]
                seen, outcomes = self._measured(name, head, steps)
        dropped, kept = [], []
        for step in steps:
            missed = sum(outcomes[step.name].values()) - outcomes[step.name][Outcome.MET]
            measured = len(seen.get(step.name, []))
            if measured and measured >= missed:
                kept.append(step)
            elif seen:
                dropped.append(
                    f"the step '{step.name}' ({step.await_}) is omitted: it came in {measured} of {measured + missed}"
                    " handshakes"
                )
        if seen and kept and len(kept) < len(steps):
            # What counted from a step that is left away counts from the one before it.
            names = {step.name for step in kept}
            steps = [replace(it, from_="") if it.from_ not in names else it for it in kept]
            seen, outcomes = self._measured(name, head, steps)
        outliers: list[str] = []
        limited = []
        for step in steps:
            delays = seen.get(step.name, [])
            far = self._far(delays) if step.is_limited else []
            usual_ns = np.median([it.low_ns + it.high_ns for it in delays] or [0])
            late = [index for index in far if step.has_least or delays[index].low_ns + delays[index].high_ns > usual_ns]
            outliers += self._questions(f"{name}: {step.await_}", delays, far, late)
            healthy = [it[:2] for index, it in enumerate(delays) if index not in far]
            is_limited = step.is_limited and healthy
            limited.append(
                (
                    step,
                    delays,
                    self._limits(_positive(healthy), *self._ends(step, steps, head[0])) if is_limited else None,
                )
            )
        count = max((len(delays) for delays in seen.values()), default=0)
        lines = [
            "[[rules]]",
            f"name = {quoted(name)}",
            'kind = "sequence"',
            *head,
            _STEPS,
            *(f"  {_step(it, learned)}," for it, _, learned in limited),
            "]",
            f"basis = {quoted(self._basis(count, 'handshake'))}",
        ]
        remarks = list(_remarks([(it.name, delays, learned) for it, delays, learned in limited], "handshakes"))
        problem = "" if count else f"no such handshake in these captures, so that the times are not measured; {_RECORD}"
        return RuleDraft(
            name=name,
            lines=tuple(lines),
            remarks=tuple(remarks),
            problem=problem,
            seen=seen,
            dropped=tuple(dropped),
            outliers=tuple(dict.fromkeys(outliers)),
        )

    def _limits(self, spans: Sequenced[tuple[int, int]], first: str, second: str) -> EstimatedLimit:
        """Return limits to the time between changes of two roles: a frame period of doubt at either end."""
        frames_ns = self._frames_ns(first), self._frames_ns(second)
        return limits_of(spans, sum(frames_ns), max(frames_ns))

    @staticmethod
    def _ends(step: StepPlan, steps: Sequenced[StepPlan], start: str) -> tuple[str, str]:
        """Return the roles of a step and of what it counts from."""
        names = [it.name for it in steps]
        index = names.index(step.from_) if step.from_ else names.index(step.name) - 1
        reference = steps[index].await_ if index >= 0 else start.split('"')[1]
        return step.await_.split()[0], reference.split()[0]

    def _frames_ns(self, role: str) -> int:
        """Return how far apart the frames of a role usually lie at most, with a twentieth for jitter."""
        period_ns = self._period_ns(role)
        is_polled = any(context.timelines[role].sampling.is_polled for context in self._contexts)
        return 21 * period_ns * (2 if is_polled and period_ns >= ONE_BY_ONE_NS else 1) // 20

    def _period_ns(self, *roles: str) -> int:
        """Return the longest usual time between the frames of roles; of what is sent with changes only, its lag."""
        periods = [
            AT_ONCE_NS if role in self._events else context.timelines[role].period_ns or 0
            for role in roles
            for context in self._contexts
        ]
        return max(periods, default=0)

    @staticmethod
    def _may_turn(delays: Sequenced[Delay], outcomes: Counter[Outcome], doubt_ns: int) -> bool:
        """Return whether the second feedback may come before the first, as far as the frames of both can tell."""
        if outcomes[Outcome.OUT_OF_ORDER]:
            return True
        middles = [(it.low_ns + it.high_ns) / 2 for it in delays]
        return bool(middles) and float(np.mean(middles) - _SURELY_BEHIND * np.std(middles)) < doubt_ns

    def _is_second_first(self, name: str, head: Sequenced[str], feedbacks: Sequenced[StepPlan]) -> bool:
        """Return whether the second feedback mostly comes first, each measured by itself."""
        middle = []
        for step in feedbacks:
            seen, _ = self._measured(name, head, [replace(step, from_="")])
            middle.append(np.median([it.low_ns + it.high_ns for it in seen.get(step.name, [])] or [0]))
        return bool(middle[1] < middle[0])

    def _measured(
        self, name: str, head: Sequenced[str], steps: Sequenced[StepPlan]
    ) -> tuple[dict[str, list[Delay]], dict[str, Counter[Outcome]]]:
        """Return the delays of each step, and how often it had which outcome; note the tries."""
        listed = ", ".join(_step(it, None) for it in steps)
        tries = [f"tries = {_TRIES}"] if len(steps) > 1 else []
        rule = self._rule(
            ["[[rules]]", f"name = {quoted(name)}", 'kind = "sequence"', *head, *tries, f"steps = [{listed}]"]
        )
        seen: dict[str, list[Delay]] = {}
        outcomes: dict[str, Counter[Outcome]] = {step.name: Counter() for step in steps}
        for index, context in enumerate(self._contexts):
            findings, handshakes = evaluate_rule(rule, context)
            for finding in findings:
                if finding.step is None:
                    continue
                outcomes[finding.step][finding.outcome] += 1
                delay = finding.delay
                if finding.outcome is Outcome.MET and delay is not None and delay.latest_ns is not None:
                    seen.setdefault(finding.step, []).append(Delay(delay.earliest_ns, delay.latest_ns, index))
            is_tried = steps[0] == _ENABLE_ON
            tried = [run for run in handshakes if is_tried and run.completed and run.tries > 1]
            for run in tried:
                self._usual_tries = max(self._usual_tries, run.tries)
                begun_ns = context.trigger_times(rule.triggers[1]).seen_ns
                inside_ns = begun_ns[(begun_ns > run.start.earliest_ns) & (begun_ns <= run.end_ns)]
                longest_ns = int(np.diff(inside_ns)[: run.tries - 1].max(initial=0))
                self._again_ns = max(self._again_ns, longest_ns)
        return seen, outcomes

    def _with_tries(self, draft: RuleDraft) -> RuleDraft:
        """Return a rule that says how often the control unit may try: what was seen in either direction, or unusual."""
        steps = draft.lines.index(_STEPS)
        rule = self._rule(draft.lines)
        if not isinstance(rule, Sequence) or rule.steps[0].name != _ENABLE_ON.name or len(rule.steps) == 1:
            return draft
        usual = self._usual_tries
        lines = [f"tries = {max(usual + 1, _FEW_TRIES)}", f"usual_tries = {usual}"]
        again_ns = -(-(3 * self._again_ns // 2 or _AGAIN_NS) // STEP_NS) * STEP_NS
        if again_ns > rule.again_ns:
            lines.append(f"again_within = {duration(again_ns)}")
        seen = "a second try was not seen" if usual == 1 else f"{usual} tries were seen"
        text = f"tries: {seen}; more are no fault here, but undecided: perhaps a tired motor (rule of thumb)"
        remarks = (*draft.remarks, text)
        return replace(draft, lines=(*draft.lines[:steps], *lines, *draft.lines[steps:]), remarks=remarks)

    def _far(self, delays: Sequenced[Delay]) -> list[int]:
        """Return which delays are far from the others; what most captures show is usual, however far it is."""
        far = outliers_of([it[:2] for it in delays])
        return far if 2 * len({delays[index].capture for index in far}) < len(self._paths) else []

    def _questions(
        self, what: str, delays: Sequenced[Delay], far: Sequenced[int], asked: Sequenced[int]
    ) -> Iterator[str]:
        """Yield which captures are far from the others; too soon is nothing to ask about where any time will do."""
        near = [it for index, it in enumerate(delays) if index not in far]
        for index in asked:
            usual = float(np.median([(it.low_ns + it.high_ns) / 2 for it in near]))
            by = (delays[index].low_ns + delays[index].high_ns) / 2 - usual
            name = self._paths[delays[index].capture]
            way = "later" if by > 0 else "earlier"
            yield (
                f"{name}: {what} about {format_duration(round(abs(by) / STEP_NS) * STEP_NS)} {way} than in the"
                f" others; is"
                " this car healthy? It does not count for the limit"
            )

    def _basis(self, count: int, what: str) -> str:
        if not count:
            return "not measured"
        learned = "a guess" if count < NORMAL_FROM else "learned"
        number = len(self._paths)
        return f"{learned} from {_counted(count, what)} in {'one capture' if number == 1 else f'{number} captures'}"

    # --- the other kinds --------------------------------------------------------------------------------

    def _lasting(self, condition: str, *, surely: bool = True) -> list[Delay]:
        """Return how long a condition held each time that its begin and its end were seen."""
        found = []
        for index, context in enumerate(self._contexts):
            for run in self._truth(condition, context).episodes():
                if run.most_ns is not None and not run.has_unknown and (run.is_certain or not surely):
                    found.append(Delay(run.certain_ns, run.most_ns, index))
        return found

    def _pulse(self) -> RuleDraft:
        lines = ["[[rules]]", 'name = "enable pulse"', 'kind = "pulse"', 'of = "lock_enable is on"']
        if self._feedbacks():
            lines.append(f'moves = "{self._feedbacks()[0]} is locked"')
        return self._lengths("enable pulse", lines, self._lasting("lock_enable is on"), ("least", "most"), "pulse")

    def _agree(self) -> RuleDraft:
        lines = [
            "[[rules]]",
            'name = "feedback agreement"',
            'kind = "agree"',
            'first = "unlock_feedback is locked"',
            'second = "data_feedback is locked"',
        ]
        found = []
        for index, context in enumerate(self._contexts):
            first = self._truth("unlock_feedback is locked", context)
            differs = first.differs_from(self._truth("data_feedback is locked", context))
            found += [
                Delay(run.certain_ns, run.most_ns, index)
                for run in differs.episodes()
                if run.most_ns is not None and not run.has_unknown
            ]
        draft = self._lengths("feedback agreement", lines, found, ("", "settle"), "settling")
        return draft if draft.problem else self._with_lead(draft)

    def _with_lead(self, draft: RuleDraft) -> RuleDraft:
        """Return a rule on two feedbacks that knows which of them leads, or says that no log can tell."""
        rule = self._rule(draft.lines)
        assert isinstance(rule, Agree)  # noqa: S101  (as it was written)
        leads, doubts = (np.concatenate(it) for it in zip(*(leads_of(rule, it) for it in self._contexts), strict=True))
        untold = "no log with such frames tells whether the two are exchanged: their changes lie too near each other"
        if len(leads) < NORMAL_FROM:
            return replace(draft, remarks=(*draft.remarks, untold))
        lead, _ = average(leads, NS_PER_MS**2 + doubts)
        squares, _ = average((leads - lead) ** 2 - doubts, NS_PER_MS**2 + doubts)
        variance = max(squares, (LEAST_SPREAD * lead) ** 2, NS_PER_MS**2)
        lead, doubt = average(leads, variance + doubts)
        # As far as `lead` lies what is no more before than behind, twice as far what is as far behind.
        rooms = [((part * lead / LEAD_ERRORS) ** 2 / doubt - 1) / len(leads) for part in (1.0, 0.5)]
        if rooms[0] * _CHANGES < 1:
            return replace(draft, remarks=(*draft.remarks, untold))
        lines = list(draft.lines)
        if lead < 0:
            lines[3:5] = [lines[4].replace("second", "first"), lines[3].replace("first", "second")]
        learned = {"lead": abs(lead), "lead_spread": variance**0.5, "lead_doubt": doubt**0.5}
        lines[5:5] = [f"{name} = {duration(round(value))}" for name, value in learned.items()]
        needed = [f"about {max(math.ceil(1 / it), 1)}" if it > 0 else "no number of them" for it in rooms]
        told = f"changes that show whether the two are exchanged: {needed[0]}; whether one feeds both: {needed[1]}"
        return replace(draft, lines=tuple(lines), remarks=(*draft.remarks, told))

    def _lengths(
        self, name: str, lines: list[str], delays: Sequenced[Delay], keys: tuple[str, str], what: str
    ) -> RuleDraft:
        """Return a rule with one or two limits to lengths of time."""
        if not delays:
            lines += [f'{keys[1]} = "500 ms"', 'basis = "not measured"']
            problem = f"nothing of the kind in these captures, so that the time is not measured; {_RECORD}"
            return RuleDraft(name=name, lines=tuple(lines), problem=problem)
        # A pulse that moved nothing is followed by another, and none of those that do not count.
        far = [] if what == "pulse" and self._usual_tries > 1 else self._far(delays)
        roles = ("unlock_feedback", "data_feedback") if what == "settling" else ("lock_enable", "lock_enable")
        learned = self._limits([it[:2] for index, it in enumerate(delays) if index not in far], *roles)
        # What is shorter than two frames are apart, none can be told to be.
        if keys[0] and learned.least_ns > sum(map(self._frames_ns, roles)):
            lines.append(f"{keys[0]} = {duration(learned.least_ns)}")
        lines.append(f"{keys[1]} = {duration(learned.most_ns)}")
        lines.append(f"basis = {quoted(self._basis(len(delays), what))}")
        remarks = tuple(_remarks([(what, delays, learned)], f"{what}s"))
        questions = [
            f"{self._paths[delays[index].capture]}: a {what} of {_range([delays[index]])}, unlike the others; is"
            f" this car"
            " healthy? It does not count for the limit"
            for index in far
        ]
        return RuleDraft(
            name=name, lines=tuple(lines), remarks=remarks, seen={what: list(delays)}, outliers=tuple(questions)
        )

    def _never_locked(self) -> RuleDraft:
        roles = ("ignition", *self._feedbacks())
        locked = _any("is locked", self._feedbacks())
        condition = f"ignition is on and {locked}"
        seen = [it.high_ns for it in self._lasting(condition, surely=False)]
        tolerated = -(-max([2 * self._period_ns(*roles), *seen]) // STEP_NS) * STEP_NS
        basis = "steering must work before the engine may start: UN R116 5.3.1.1; the time is a rule of thumb"
        happened = "the ignition was on for {measured} while a feedback said locked"
        draft = _plain("ignition interlock", condition, duration(tolerated), basis, happened)
        remark = (
            "longer_than: twice the slowest of these messages' cycle times, or as long as seen here (rule of thumb)"
        )
        return replace(draft, remarks=(remark,))

    def _never_driving(self) -> RuleDraft:
        unit = self._contexts[0].timelines["speed"].unit
        condition = f"lock_enable is on and speed > {_DRIVING.get(unit.lower(), 3)} {unit}"
        basis = "speed is a rule of thumb; the lock must not act while the car can move: common practice, no source"
        happened = "the lock was commanded for {measured} while the car moved"
        return _plain("driving interlock", condition, "", basis, happened)

    def _data_line(self) -> RuleDraft | None:
        """Return a rule on a data line that says nothing; None where that is usual."""
        total = sum(context.end_ns - context.first_ns for context in self._contexts)
        silent = self._lasting("data_feedback is unknown", surely=False)
        if sum(it.high_ns for it in silent) > _ALLOWANCE * total:
            return None
        longest = max([WAKING_NS, 4 * self._period_ns("data_feedback"), *(3 * it.high_ns // 2 for it in silent)])
        limit = duration(-(-longest // STEP_NS) * STEP_NS)
        basis = "four cycle times, at least 1 s as a unit wakes up, and half more than seen (rule of thumb)"
        happened = "the data line brought no feedback for {measured}"
        return _plain("data line", "data_feedback is unknown", limit, basis, happened)

    def _lamp(self) -> RuleDraft:
        lit = [it.high_ns for it in self._lasting("warning_lamp is lit")]
        longest = -(-max([_LAMP_NS, *(3 * it // 2 for it in lit)]) // STEP_NS) * STEP_NS
        basis = "longer than a lamp test: 3 s, or half more than seen (rule of thumb)"
        return _plain("warning lamp", "warning_lamp is lit", duration(longest), basis)

    def _supply(self) -> RuleDraft:
        condition = "lock_enable is on" if self._has("lock_enable") else ""
        values = np.concatenate([self._voltages(condition, context) for context in self._contexts])
        lines = ["[[rules]]", 'name = "lock supply"', 'kind = "range"', 'of = "supply_voltage"']
        unit = self._contexts[0].timelines["supply_voltage"].unit
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
            basis = "a guess: a tenth beyond what was seen"
        else:
            lines += [f'least = "9 {unit}"']
            basis = "not measured"
            problem = "no value to learn from in these captures"
        if condition:
            lines.append(f"while = {quoted(condition)}")
        lines.append(f"basis = {quoted(basis)}")
        return RuleDraft(name="lock supply", lines=tuple(lines), remarks=tuple(remarks), problem=problem)

    def _voltages(self, condition: str, context: EvaluationContext) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
        """Return the values that were shown while a condition surely held."""
        timeline = context.timelines["supply_voltage"]
        if not condition:
            shown = timeline.value
        else:
            truth = self._truth(condition, context)
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

    def _rule(self, lines: Sequenced[str]) -> AnyRule:
        text = "\n".join([self._header, *lines, ""])
        return parse_expectations(text.encode(), "draft").rules[-1]

    def _truth(self, condition: str, context: EvaluationContext) -> TernaryTimeline:
        lines = ["[[rules]]", 'name = "draft"', 'kind = "never"', f"when = {quoted(condition)}"]
        state: WrittenCondition = self._rule(lines).when  # type: ignore[union-attr]  # the kind is written above
        return context.ternary(state.condition)


def with_problem(draft: RuleDraft, findings: Sequenced[Sequenced[Finding]], paths: Sequenced[str]) -> RuleDraft:
    """Return a draft as a mere comment if half of the captures would break the rule; else with those that do named.

    Parameters
    ----------
    draft : Draft
        One rule.
    findings : sequence of sequence of Finding
        Of each capture.
    paths : sequence of str
        The captures.
    """
    faults = {
        Path(path).name: next((it for it in found if it.rule == draft.name and it.outcome.is_fault), None)
        for path, found in zip(paths, findings, strict=True)
    }
    broken = {name: it.reason for name, it in faults.items() if it is not None}
    if not broken:
        return draft
    name, reason = next(iter(broken.items()))
    if 2 * len(broken) >= len(paths):
        text = "the capture itself breaks it" if len(paths) == 1 else f"{len(broken)} of {len(paths)} captures break it"
        return replace(draft, problem=f"{text}, so that they are none to learn from: {name}: {reason}")
    named = {it.split(":")[0] for it in draft.outliers}
    questions = [f"{it}: {text}; is this car healthy?" for it, text in broken.items() if it not in named]
    return replace(draft, outliers=(*draft.outliers, *questions))


def _plain(name: str, condition: str, longer_than: str, basis: str, happened: str = "") -> RuleDraft:
    """Return a rule on what must not be; where its condition is no plain English, with what happened in words."""
    lines = ["[[rules]]", f"name = {quoted(name)}", 'kind = "never"', f"when = {quoted(condition)}"]
    if longer_than:
        lines.append(f"longer_than = {longer_than}")
    if happened:
        limit = "allowed up to {limit}" if longer_than else "never allowed"
        lines.append(f"says = {{ violated = {quoted(f'{happened}; {limit}')} }}")
    lines.append(f"basis = {quoted(basis)}")
    return RuleDraft(name=name, lines=tuple(lines))


def _any(what: str, roles: Sequenced[str]) -> str:
    text = " or ".join(f"{role} {what}" for role in roles)
    return f"({text})" if len(roles) > 1 else text


def _positive(spans: Iterable[tuple[int, int]]) -> list[tuple[int, int]]:
    return [(low, max(high, 0)) for low, high in spans]


def _count(draft: RuleDraft) -> int:
    return sum(map(len, draft.seen.values()))


def _step(step: StepPlan, learned: EstimatedLimit | None) -> str:
    parts = [f"name = {quoted(step.name)}", f"await = {quoted(step.await_)}"]
    if step.from_:
        parts.append(f"from = {quoted(step.from_)}")
    if learned is not None and step.has_least and learned.least_ns:
        parts.append(f"after = {duration(learned.least_ns)}")
    parts.append(f"within = {quoted(WIDE) if learned is None else duration(learned.most_ns)}")
    if not step.is_limited:
        parts.append("optional = true")
    if learned is not None and learned.sure_ns < _SURE_PART * learned.most_ns:
        parts.append(f"late_over = {duration(learned.sure_ns)}")
    return "{ " + ", ".join(parts) + " }"


def _remarks(measured: Sequenced[tuple[str, Sequenced[Delay], EstimatedLimit | None]], what: str) -> Iterator[str]:
    """Yield what was seen of each length, what more captures would change, and each method once."""
    methods: dict[str, None] = {}
    later = []
    fewest = MANY_FROM
    for name, delays, learned in measured:
        if learned is None:
            continue
        yield f"{name}: {_range(delays)} seen, {_counted(len(delays), 'time')}"
        methods[learned.method] = None
        fewest = min(fewest, learned.count)
        if learned.later_ns is not None and learned.later_ns[1] < learned.most_ns:
            later.append(f"{name} {format_duration(learned.later_ns[1])} instead of {format_duration(learned.most_ns)}")
    for method in methods:
        yield f"limits: {method}; one frame period more at both ends, and one for a lost frame, rounded outwards"
    if later:
        yield f"{MANY_FROM - fewest} more {what} of the same spread would bring the upper limits to: {'; '.join(later)}"
    elif fewest < NORMAL_FROM and methods:
        yield (
            f"{NORMAL_FROM - fewest} more would show a spread, {MANY_FROM - fewest} more give limits without a rule of"
            " thumb"
        )


def _range(delays: Sequenced[Delay]) -> str:
    low, high = min(it.low_ns for it in delays), max(it.high_ns for it in delays)
    return f"{format_at_least(low) if low >= NS_PER_MS else '0'} to {format_at_most(high)}"


def _counted(count: int, what: str) -> str:
    return f"{count} {what}{'' if count == 1 else 's'}"
