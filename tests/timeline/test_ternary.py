from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support import reference
from support.examples import examples

from buslens.timeline.model import UNKNOWN_STATE, Timeline, UnknownReason
from buslens.timeline.ternary import FALSE, IN_TRANSITION, TRUE, UNKNOWN, TernaryTimeline, is_unknown, ternary_of

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

VALUES = st.sampled_from([FALSE, TRUE, IN_TRANSITION, UNKNOWN])


def truth(values: list[int]) -> TernaryTimeline:
    """Return the truth that has the given value at 0, 1, 2 ... ns."""
    code = np.array(values, np.int8)
    kept = np.append(True, code[1:] != code[:-1])
    return TernaryTimeline(at_ns=np.flatnonzero(kept), value=code[kept], end_ns=len(values) - 1)


def stretched(lengths: list[tuple[int, int]]) -> list[int]:
    return [value for value, length in lengths for _ in range(length)]


def lived() -> st.SearchStrategy[list[int]]:
    """Values through some dozen ns that stay for a while each."""
    return st.lists(st.tuples(VALUES, st.integers(1, 9)), min_size=1, max_size=9).map(stretched)


def two_lived() -> st.SearchStrategy[tuple[list[int], list[int]]]:
    return st.tuples(lived(), lived()).map(lambda two: _cut(*two))


def _cut(one: list[int], other: list[int]) -> tuple[list[int], list[int]]:
    length = min(len(one), len(other))
    return one[:length], other[:length]


def is_minimal(of: TernaryTimeline) -> bool:
    """Return whether times ascend, neighbours differ, and both are of the types that the class promises."""
    types = (of.at_ns.dtype, of.value.dtype) == (np.int64, np.int8)
    return types and bool(np.all(np.diff(of.at_ns) > 0) and np.all(of.value[1:] != of.value[:-1]))


@st.composite
def timelines(draw: st.DrawFn) -> Timeline:
    """Draw a timeline of a role with three states and every reason of not knowing, some dozen ns long."""
    seen, since, state, why = [0], [-1], [UNKNOWN_STATE], [UnknownReason.NO_FRAME_YET]
    if draw(st.booleans()):
        state, why = [draw(st.integers(0, 2))], [UnknownReason.KNOWN]
    for _ in range(draw(st.integers(0, 7))):
        confirmed = seen[-1] + draw(st.integers(0, 4))
        following = confirmed + draw(st.integers(1, 5))
        after = draw(
            st.sampled_from(
                [
                    UnknownReason.KNOWN,
                    UnknownReason.KNOWN,
                    UnknownReason.KNOWN,
                    UnknownReason.TIMED_OUT,
                    UnknownReason.DISCONTINUITY,
                    UnknownReason.UNMAPPED,
                ]
            )
        )
        code = draw(st.integers(0, 2)) if after is UnknownReason.KNOWN else UNKNOWN_STATE
        if (code, after) != (state[-1], why[-1]):
            seen.append(following)
            since.append(confirmed)
            state.append(code)
            why.append(after)
    last = seen[-1] + draw(st.integers(0, 4))
    known = [at for at, code in zip(seen, state, strict=True) if code != UNKNOWN_STATE]
    return Timeline(
        role="role",
        seen_ns=np.array(seen),
        gap_ns=np.array(seen) - np.array(since),
        state=np.array(state, np.int8),
        why=np.array([reason.value for reason in why], np.int8),
        states=("a", "b", "c"),
        unit="",
        last_frame_ns=last if known else None,
        period_ns=None,
        timeout_ns=None,
        end_ns=last + draw(st.integers(0, 5)),
    )


class TestTruthOf:
    """A condition is in doubt between two frames that differ about it, and unknown where its role is."""

    @given(timelines(), st.sets(st.integers(0, 2)))
    @settings(max_examples=examples(120), deadline=None)
    def test_moment_by_moment(self, timeline: Timeline, wanted: set[int]) -> None:
        def holds(it: Timeline) -> NDArray[np.bool_]:
            return np.isin(it.state, list(wanted))

        found = ternary_of(timeline, holds)
        assert is_minimal(found)
        assert reference.values_of(found) == reference.truth_values(timeline, wanted.__contains__)

    @given(timelines())
    @settings(max_examples=examples(25), deadline=None)
    def test_is_unknown_is_always_known(self, timeline: Timeline) -> None:
        found = is_unknown(timeline)
        assert is_minimal(found)
        expected = []
        for time in range(timeline.end_ns + 1):
            index = int(np.searchsorted(timeline.seen_ns, time, side="right")) - 1
            expected.append(int(timeline.state[index] == UNKNOWN_STATE))
        assert reference.values_of(found) == expected

    @staticmethod
    def shown(seen: list[int], since: list[int], state: list[int], why: list[UnknownReason], *, end: int) -> Timeline:
        return Timeline(
            role="role",
            seen_ns=np.array(seen),
            gap_ns=np.array(seen) - np.array(since),
            state=np.array(state, np.int8),
            why=np.array([reason.value for reason in why], np.int8),
            states=("a", "b"),
            unit="",
            last_frame_ns=end,
            period_ns=None,
            timeout_ns=None,
            end_ns=end,
        )

    def test_unit_that_tells_each_change_at_once(self) -> None:
        """Where a change is seen in the ns in which it came about there is no doubt, however many there are."""
        n = 200
        seen = list(range(0, 3 * n, 3))
        states = [index % 2 for index in range(n)]
        timeline = self.shown(seen, [at - 1 for at in seen], states, [UnknownReason.KNOWN] * n, end=3 * n)
        found = ternary_of(timeline, lambda it: it.state == 1)
        assert is_minimal(found)
        assert found.at_ns.tolist() == seen
        assert found.value.tolist() == states

    def test_frames_of_one_stamp_before_a_silence(self) -> None:
        """The last of them was moved on by a nanosecond, and shows its state there all the same."""
        why = [UnknownReason.KNOWN, UnknownReason.KNOWN, UnknownReason.KNOWN, UnknownReason.TIMED_OUT]
        timeline = self.shown([0, 10, 11, 30], [-1, 0, 10, 10], [0, 1, 0, UNKNOWN_STATE], why, end=40)
        found = ternary_of(timeline, lambda it: it.state == 0)
        assert [found.at(time) for time in (0, 1, 10, 11, 12, 29, 30)] == [
            TRUE,
            IN_TRANSITION,
            FALSE,
            TRUE,
            IN_TRANSITION,
            IN_TRANSITION,
            UNKNOWN,
        ]


class TestKleene:
    """Connectives agree with two-valued logic wherever that says the same in every possible case."""

    @pytest.mark.parametrize(
        ("of", "table"),
        [
            (TernaryTimeline.__and__, lambda a, b: a and b),
            (TernaryTimeline.__or__, lambda a, b: a or b),
            (TernaryTimeline.differs_from, lambda a, b: a != b),
        ],
        ids=["and", "or", "differs"],
    )
    @given(two=two_lived())
    @settings(max_examples=examples(40), deadline=None)
    def test_moment_by_moment(
        self,
        of: Callable[[TernaryTimeline, TernaryTimeline], TernaryTimeline],
        table: Callable[[bool, bool], bool],
        two: tuple[list[int], list[int]],
    ) -> None:
        found = of(truth(two[0]), truth(two[1]))
        assert is_minimal(found)
        assert reference.values_of(found) == reference.combine(table, *two)

    @pytest.mark.parametrize(
        ("of", "result"), [(FALSE, TRUE), (TRUE, FALSE), (IN_TRANSITION, IN_TRANSITION), (UNKNOWN, UNKNOWN)]
    )
    def test_not(self, of: int, result: int) -> None:
        assert reference.values_of(~truth([of])) == [result]

    def test_ignorance_outweighs_doubt(self) -> None:
        """Nobody is to take a gap in the log for a question of recording rate."""
        doubt, ignorant = truth([IN_TRANSITION]), truth([UNKNOWN])
        assert reference.values_of(doubt & ignorant) == [UNKNOWN]
        assert reference.values_of(doubt | ignorant) == [UNKNOWN]

    def test_before_the_capture_nothing_is_known(self) -> None:
        assert truth([TRUE]).at(-1) == UNKNOWN


class TestHeldFor:
    """``for D`` holds at t when the condition held in every moment from t - D to t."""

    @given(lived(), st.integers(0, 14))
    @settings(max_examples=examples(120), deadline=None)
    def test_moment_by_moment(self, values: list[int], duration: int) -> None:
        found = truth(values).held_for(duration)
        assert is_minimal(found)
        assert reference.values_of(found) == reference.held_for(values, duration)

    def test_exactly_that_long_counts(self) -> None:
        assert reference.values_of(truth([FALSE, TRUE, TRUE, TRUE]).held_for(2)) == [FALSE, FALSE, FALSE, TRUE]

    def test_at_the_start_of_the_capture_it_may_have_held_for_long(self) -> None:
        """What holds in the first frame has held for an unknown time: that is ignorance, neither true nor false."""
        assert reference.values_of(truth([TRUE] * 4).held_for(2)) == [UNKNOWN, UNKNOWN, TRUE, TRUE]

    def test_false_at_the_start_settles_it(self) -> None:
        assert reference.values_of(truth([FALSE, TRUE, TRUE]).held_for(2)) == [FALSE] * 3

    def test_ignorance_of_the_past_fades(self) -> None:
        """Once the window has left the unknown stretch behind, only the doubt in it counts."""
        values = [TRUE, TRUE, TRUE, TRUE, IN_TRANSITION, TRUE]
        assert reference.values_of(truth(values).held_for(2))[-2:] == [IN_TRANSITION, IN_TRANSITION]


class TestEdges:
    """A change is shown where nothing but doubt lies between two opposite values."""

    @given(lived(), st.booleans())
    @settings(max_examples=examples(80), deadline=None)
    def test_moment_by_moment(self, values: list[int], rising: bool) -> None:
        since, seen = truth(values).edges(rising=rising)
        assert list(zip(since.tolist(), seen.tolist(), strict=True)) == reference.edges(values, rising=rising)


class TestHiddenEdges:
    """A change is hidden where it was false, then unknown, and true behind that."""

    @given(lived())
    @settings(max_examples=examples(80), deadline=None)
    def test_moment_by_moment(self, values: list[int]) -> None:
        found = truth(values).edges_across_unknown()
        assert list(zip(*(times.tolist() for times in found), strict=True)) == reference.hidden_edges(values)

    def test_all_but_doubt_is_one_stretch(self) -> None:
        values = [FALSE, IN_TRANSITION, FALSE, IN_TRANSITION, UNKNOWN, IN_TRANSITION, UNKNOWN, IN_TRANSITION, TRUE]
        since, seen, unknown = truth(values).edges_across_unknown()
        assert (since.tolist(), seen.tolist(), unknown.tolist()) == ([2], [8], [4])


class TestIsFalse:
    """False at every moment of a stretch, both ends included; before the capture nothing is known."""

    @given(lived(), st.integers(-3, 40), st.integers(0, 10))
    @settings(max_examples=examples(80), deadline=None)
    def test_moment_by_moment(self, values: list[int], since: int, length: int) -> None:
        of = truth(values)
        every = all(of.at(moment) == FALSE for moment in range(since, since + length + 1))
        assert of.is_false(since, since + length) == every

    @pytest.mark.parametrize(
        ("since", "until", "is_false"),
        [(0, 2, True), (0, 3, False), (2, 3, False), (3, 5, False), (4, 5, False), (5, 7, True), (5, 9, True)],
    )
    def test_at_the_bounds(self, since: int, until: int, is_false: bool) -> None:
        """False up to 2 ns and again from 5 ns to the end: what lies outside the stretch does not matter."""
        of = truth([FALSE, FALSE, FALSE, TRUE, TRUE, FALSE, FALSE, FALSE])
        assert of.is_false(since, until) == is_false


class TestRuns:
    """A run is a stretch without a surely false moment; its lengths bracket the time for which it held."""

    @given(lived())
    @settings(max_examples=examples(80), deadline=None)
    def test_moment_by_moment(self, values: list[int]) -> None:
        runs = truth(values).episodes()
        stretches = reference.stretches(values)
        end = len(values) - 1
        assert len(runs) == len(stretches)
        for run, part in zip(runs, stretches, strict=True):
            at_end = part.last == end
            assert run.from_ns == part.first
            # A stretch that another follows lasts up to the first moment of that; the last one to the last moment.
            assert run.to_ns == (end if at_end else part.last + 1)
            assert run.has_unknown == part.has_unknown
            assert run.is_certain == (part.longest_true > 0)
            assert run.at_end == at_end
            assert (run.most_ns is None) == (part.first == 0 or at_end)
            assert run.certain_ns in {part.longest_true, max(part.longest_true - at_end, 0)}
            if run.is_certain:
                certain = values[run.certain_from_ns : run.certain_from_ns + max(run.certain_ns, 1)]
                assert set(certain) == {TRUE}
            else:
                assert run.certain_from_ns == part.first

    def test_an_unknown_part_between_two_false_moments_has_a_length(self) -> None:
        """Both ends are in the log, whatever happened between them."""
        (run,) = truth([FALSE, UNKNOWN, UNKNOWN, UNKNOWN, FALSE]).episodes()
        assert run.most_ns == 3

    def test_of_several_parts_the_longest_is_certain(self) -> None:
        (run,) = truth([FALSE, TRUE, IN_TRANSITION, TRUE, TRUE, TRUE, IN_TRANSITION, TRUE, FALSE]).episodes()
        assert (run.certain_from_ns, run.certain_ns, run.from_ns, run.to_ns) == (3, 3, 1, 8)

    def test_true_to_the_end(self) -> None:
        (run,) = truth([FALSE, TRUE, TRUE, TRUE]).episodes()
        assert (run.certain_ns, run.most_ns, run.at_end) == (2, None, True)


class TestFromTime:
    """What lies before a time is left out, and nothing else."""

    @given(lived(), st.integers(0, 20))
    @settings(max_examples=examples(40), deadline=None)
    def test_rest_is_the_same(self, values: list[int], start: int) -> None:
        start = min(start, len(values) - 1)
        assert reference.values_of(truth(values).from_time(start)) == values[start:]
