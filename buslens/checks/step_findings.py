"""What a sequence found; findings that only say that a step came in its time are made when they are read.

A capture of days has tens of thousands of them: in columns they take some 20 bytes each, as records with their
sentences more than a kilobyte.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from collections.abc import Set as AbstractSet
from functools import cached_property
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from buslens.checks.edges import Edge, Edges
from buslens.checks.findings import Finding, FindingColumns, Handshake, finding_by
from buslens.checks.outcome import Evidence, Limit, Outcome, TimeBounds
from buslens.checks.phrases import bound_text, past_tense, plain, span_text
from buslens.checks.records import ColumnRecords
from buslens.expectations.model import Sequence as SequenceRule
from buslens.expectations.model import Step, Trigger
from buslens.expectations.subjects import roles_of_trigger


class MetRows(NamedTuple):
    """Handshakes that are met throughout, an element each, in order of their numbers."""

    #: int64[n], as they are counted.
    numbers: NDArray[np.int64]
    starts: Edges
    #: For each step of the rule, when it came in each of them.
    came: tuple[Edges, ...]


class StepFindings(FindingColumns):
    """What one sequence found, in order of time.

    Parameters
    ----------
    tell : callable, optional
        Puts a finding that has just been made into other words.
    """

    def __init__(
        self,
        rule: SequenceRule,
        made: Sequence[Finding],
        met: MetRows,
        tell: Callable[[Finding], Finding] | None = None,
    ) -> None:
        self.rule = rule
        self._met = met
        self._tell = tell
        self._edges = (met.starts, *met.came)
        names = [None, *(step.name for step in rule.steps)]
        self._steps = [
            _MetStep(rule, step, names.index(before if step.from_ is None else step.from_))
            for before, step in zip(names, rule.steps, strict=False)
        ]
        # Rows are counted through one handshake after the other.
        times_ns = np.stack([edges.seen_ns for edges in met.came], axis=1).ravel()
        super().__init__(
            made,
            _in_order(
                (times_ns, [it.time_ns or 0 for it in made]),
                (np.repeat(met.numbers, len(self._steps)), [it.handshake or 0 for it in made]),
            ),
        )

    def __reduce__(self) -> tuple[type[StepFindings], tuple[object, ...]]:
        """Go to another process as columns, too."""
        return StepFindings, (self.rule, self.made, self._met, self._tell)

    def told_by(self, tell: Callable[[Finding], Finding]) -> StepFindings:
        """Return the same findings in other words."""
        return StepFindings(self.rule, [tell(it) for it in self.made], self._met, tell)

    def on_steps(self) -> StepFindings:
        """Return those on the steps of handshakes."""
        return StepFindings(self.rule, [it for it in self.made if it.is_on_step], self._met, self._tell)

    def _make(self, row: int) -> Finding:
        handshake, step = divmod(row, len(self._steps))
        words = self._steps[step]
        reference, edge = self._edges[words.reference], self._edges[step + 1]
        made = words.finding(int(self._met.numbers[handshake]), reference.at(handshake), edge.at(handshake))
        return made if self._tell is None else self._tell(made)

    def digest(self) -> Iterator[Finding]:
        """Yield the made ones, and of the others the first, a fastest and a slowest of each step."""
        yield from self.made
        for place, words in enumerate(self._steps):
            earliest_ns, latest_ns = words.delays_ns(self._edges[words.reference], self._edges[place + 1])
            for handshake in (0, int(earliest_ns.argmin()), int(latest_ns.argmax())):
                yield self.record(handshake * len(self._steps) + place)

    def of_handshakes(self, numbers: AbstractSet[int]) -> list[Finding]:
        """Return those on some handshakes, in their order."""
        found = self._chosen(np.isin(self._met.numbers, list(numbers)))
        return [it for it in found if it.handshake in numbers]

    def during(self, first_ns: int, last_ns: int) -> list[Finding]:
        """Return the made ones, and of the others those of handshakes with a step awaited in a stretch of time."""
        edges, steps = self._edges, self._steps
        waits = [edges[it.reference].seen_ns + it.step.within_ns for it in steps]
        return self._chosen((edges[0].since_ns <= last_ns) & (np.max(waits, axis=0) >= first_ns))

    def _chosen(self, handshakes: NDArray[np.bool_]) -> list[Finding]:
        """Return the made ones, and those of chosen handshakes, in their order."""
        row = np.maximum(self.order, 0) // len(self._steps)
        return [self.at(index) for index in np.flatnonzero((self.order < 0) | handshakes[row]).tolist()]

    def met_handshakes(self) -> int:
        """Return how many handshakes have no finding that is made."""
        return len(self._met.numbers)

    def columns(self) -> Mapping[str, Callable[[], object]]:
        """Return the columns of those that are not made."""
        n, edges, steps = len(self._met.numbers), self._edges, self._steps

        def each(values: list[Any]) -> Callable[[], object]:
            return lambda: np.stack(np.broadcast_arrays(*values, np.empty(n))[:-1], axis=1).ravel()

        references = [edges[words.reference] for words in steps]
        delays = [
            words.delays_ns(*pair) for words, pair in zip(steps, zip(references, edges[1:], strict=True), strict=True)
        ]
        limits = [(words.step.after_ns, words.step.within_ns) for words in steps]
        least, most = ([None if it is None else int(it) for it in ends] for ends in zip(*limits, strict=True))
        return {
            "rule": lambda: self.rule.name,
            "kind": lambda: "sequence",
            "handshake": each([self._met.numbers] * len(steps)),
            "step": each([words.step.name for words in steps]),
            "outcome": lambda: Outcome.MET.value,
            "time_ns": each([it.seen_ns for it in edges[1:]]),
            "earliest_ns": each([earliest_ns for earliest_ns, _ in delays]),
            "latest_ns": each([latest_ns for _, latest_ns in delays]),
            "least": each(least),
            "most": each(most),
            "least_ns": each(least),
            "most_ns": each(most),
            "unit": lambda: "ns",
            "from_earliest_ns": each([it.since_ns + 1 for it in references]),
            "from_latest_ns": each([it.seen_ns for it in references]),
            "reason": lambda: [self.record(row).reason for row in range(n * len(steps))],
        }


class HandshakeColumns(ColumnRecords[Handshake]):
    """The handshakes of one sequence, in order of their numbers; those that are met throughout are columns."""

    def __init__(self, rule: str, made: Sequence[Handshake], met: MetRows) -> None:
        self.rule = rule
        self._met = met
        self._end_ns = np.max([met.starts.seen_ns, *(edges.seen_ns for edges in met.came)], axis=0)
        super().__init__(made, _in_order((met.numbers, [it.number for it in made])))

    def __reduce__(self) -> tuple[type[HandshakeColumns], tuple[object, ...]]:
        """Go to another process as columns, too."""
        return HandshakeColumns, (self.rule, self.made, self._met)

    def _make(self, row: int) -> Handshake:
        return Handshake(
            rule=self.rule,
            number=int(self._met.numbers[row]),
            start=self._met.starts.at(row).span,
            end_ns=int(self._end_ns[row]),
            completed=True,
        )

    def columns(self) -> Mapping[str, Callable[[], object]]:
        """Return the columns of those that are not made."""
        return {
            "rule": lambda: self.rule,
            "handshake": lambda: self._met.numbers,
            "start_earliest_ns": lambda: self._met.starts.since_ns + 1,
            "start_latest_ns": lambda: self._met.starts.seen_ns,
            "end_ns": lambda: self._end_ns,
            "completed": lambda: True,
            "tries": lambda: 1,
        }


def _in_order(*keys: tuple[NDArray[np.int64], list[int]]) -> NDArray[np.int64]:
    """Return rows in the order of keys, the weightiest first, each of rows in columns and of those made.

    A row of the columns is its number, number i of those made is -1 - i.
    """
    columns, made = len(keys[0][0]), len(keys[0][1])
    rows = np.append(-1 - np.arange(made), np.arange(columns))
    order: NDArray[np.int64] = rows[np.lexsort([np.append(told, known) for known, told in reversed(keys)])]
    return order


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
        return finding_by(self.rule)(
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
