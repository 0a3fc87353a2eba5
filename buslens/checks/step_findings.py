"""What a sequence found; findings that only say that a step came in its time are made when they are read.

A capture of days has tens of thousands of them: in columns they take some 20 bytes each, as records with their
sentences more than a kilobyte.
"""

from __future__ import annotations

from functools import cached_property
from typing import TYPE_CHECKING
from weakref import WeakValueDictionary

import numpy as np

from buslens.checks.context import roles_of_trigger
from buslens.checks.findings import Evidence, Finding, FindingSequence, Limit, Outcome, TimeBounds
from buslens.checks.phrases import bound_text, past_tense, plain, span_text

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from numpy.typing import NDArray

    from buslens.checks.edges import Edge, Edges
    from buslens.expectations.model import Sequence as SequenceRule
    from buslens.expectations.model import Step, Trigger


class StepFindings(FindingSequence):
    """What one sequence found, in order of time.

    Parameters
    ----------
    rule : Sequence
        The rule.
    made : sequence of Finding
        Those that are records already, in order of time.
    numbers : int64[n]
        Handshakes that are met throughout, as they are counted.
    starts : Edges
        Their starts.
    came : tuple of Edges
        For each step of the rule, when it came in each of them.
    tell : callable, optional
        Puts a finding that has just been made into other words.
    """

    def __init__(
        self,
        rule: SequenceRule,
        made: Sequence[Finding],
        numbers: NDArray[np.int64],
        starts: Edges,
        came: tuple[Edges, ...],
        tell: Callable[[Finding], Finding] | None = None,
    ) -> None:
        self.rule = rule
        self.made = tuple(made)
        self._numbers = numbers
        self._tell = tell
        self._edges = (starts, *came)
        names = [None, *(step.name for step in rule.steps)]
        self._steps = [
            _MetStep(rule, step, names.index(before if step.from_ is None else step.from_))
            for before, step in zip(names, rule.steps, strict=False)
        ]
        self._order = self._in_order()
        #: Those that somebody still has: asked again, the same record is given, as of any sequence.
        self._read: WeakValueDictionary[tuple[int, int], Finding] = WeakValueDictionary()

    def __reduce__(self) -> tuple[type[StepFindings], tuple[object, ...]]:
        """Go to another process as columns, too."""
        return StepFindings, (self.rule, self.made, self._numbers, self._edges[0], self._edges[1:], self._tell)

    def told_by(self, tell: Callable[[Finding], Finding]) -> StepFindings:
        """Return the same findings in other words."""
        made = [tell(it) for it in self.made]
        return StepFindings(self.rule, made, self._numbers, self._edges[0], self._edges[1:], tell)

    def _in_order(self) -> NDArray[np.int64]:
        """Return for each finding its row, counted through one handshake after the other; -1 - i for number i made."""
        times_ns = np.stack([edges.seen_ns for edges in self._edges[1:]], axis=1).ravel()
        rows = np.arange(len(times_ns))
        made = -1 - np.arange(len(self.made))
        if not len(made):
            return rows[np.argsort(times_ns, kind="stable")]
        times_ns = np.append([it.time_ns or 0 for it in self.made], times_ns)
        numbers = np.append([it.handshake or 0 for it in self.made], np.repeat(self._numbers, len(self._steps)))
        order: NDArray[np.int64] = np.append(made, rows)[np.lexsort((numbers, times_ns))]
        return order

    def __len__(self) -> int:
        return len(self._order)

    def at(self, index: int) -> Finding:
        """Return one of them, counted from 0."""
        row = int(self._order[index])
        if row < 0:
            return self.made[-1 - row]
        return self._met(*divmod(row, len(self._steps)))

    def _met(self, handshake: int, step: int) -> Finding:
        known = self._read.get((handshake, step))
        if known is not None:
            return known
        words = self._steps[step]
        reference, edge = self._edges[words.reference], self._edges[step + 1]
        made = words.finding(int(self._numbers[handshake]), reference.at(handshake), edge.at(handshake))
        made = made if self._tell is None else self._tell(made)
        self._read[handshake, step] = made
        return made

    def digest(self) -> Iterator[Finding]:
        """Yield the made ones, and of the others the first, a fastest and a slowest of each step."""
        yield from self.made
        for place, words in enumerate(self._steps):
            earliest_ns, latest_ns = words.delays_ns(self._edges[words.reference], self._edges[place + 1])
            for handshake in (0, int(earliest_ns.argmin()), int(latest_ns.argmax())):
                yield self._met(handshake, place)

    def handshakes_in_columns(self, rule: str) -> int:
        """Return how many handshakes of a rule are met throughout, and have no finding that is made."""
        return len(self._numbers) if rule == self.rule.name else 0


class _MetStep:
    """What the findings on one step, of handshakes that are met throughout, have in common."""

    def __init__(self, rule: SequenceRule, step: Step, reference: int) -> None:
        self.rule = rule
        self.step = step
        #: Place of what its delay counts from: 0 is the start, 1 the first step.
        self.reference = reference
        self.limit = Limit(least=step.after_ns, most=step.within_ns)
        counted_from = rule.steps[reference - 1] if reference else None
        self._after = past_tense(rule.start) if counted_from is None else plain(counted_from.name)
        self._before = _seen(rule.start if counted_from is None else counted_from.await_)
        self._then = _seen(step.await_)

    def delays_ns(self, reference: Edges, edges: Edges) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Return the least and the greatest that each delay can have been, ns."""
        earliest_ns = edges.since_ns + 1 - reference.seen_ns
        if self.step.after_ns is None:
            earliest_ns = np.maximum(earliest_ns, 0)
        return earliest_ns, edges.seen_ns - reference.since_ns - 1

    def finding(self, number: int, reference: Edge, edge: Edge) -> Finding:
        """Return the finding of one handshake."""
        delay = edge.delay_after(reference)
        if self.step.after_ns is None and delay.earliest_ns < 0:
            delay = TimeBounds(earliest_ns=0, latest_ns=delay.latest_ns)
        before, then = reference.span, edge.span
        return Finding(
            rule=self.rule.name,
            kind="sequence",
            outcome=Outcome.MET,
            reason=f"{came_text(self.step, delay, self._after)}; {self._bound}",
            time_ns=edge.seen_ns,
            delay=delay,
            limit=self.limit,
            reference=before,
            evidence=(
                Evidence(what=self._before[0], role=self._before[1], time=before),
                Evidence(what=self._then[0], role=self._then[1], time=then),
            ),
            step=self.step.name,
            handshake=number,
            basis=self.rule.basis,
        )

    @cached_property
    def _bound(self) -> str:
        return bound_text(Outcome.MET, self.step.after_ns, self.step.within_ns)


def came_text(step: Step, delay: TimeBounds, after: str) -> str:
    """Return how long after something a step came: ``enable became on 72 to 145 ms after door became open``."""
    return f"{past_tense(step.await_)} {span_text(delay)} after {after}"


def _seen(trigger: Trigger) -> tuple[str, str]:
    """Return what is seen of a trigger, and the role that shows it."""
    return past_tense(trigger), roles_of_trigger(trigger)[0]
