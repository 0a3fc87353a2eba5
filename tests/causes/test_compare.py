"""Before and after a repair: what became of each step, and what the handshakes prove."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats
from support.handmade import at, between, handshake, pulse_finding, read_stats, result, step_finding

from buslens.capture.frames import Clock
from buslens.causes.compare import Conclusion, RepairStatus, TrialCounts, _Stretches, compare, trials
from buslens.checks.findings import Outcome, TimeBounds, Verdict

if TYPE_CHECKING:
    from buslens.causes.compare import RepairComparison
    from buslens.checks.findings import Finding, Result

MET, LATE, UNDECIDED = Outcome.MET, Outcome.LATE, Outcome.UNDECIDED


def capture(*outcomes: Outcome, others: tuple[Finding, ...] = ()) -> Result:
    """Return a capture with one handshake of the given outcome after the other, and findings of other rules."""
    findings = tuple(step_finding(outcome, handshake=number) for number, outcome in enumerate(outcomes, start=1))
    runs = tuple(
        handshake(number, completed=outcome is not UNDECIDED) for number, outcome in enumerate(outcomes, start=1)
    )
    found = (*findings, *others)
    faulty = any(finding.outcome.is_fault for finding in found)
    doubtful = any(finding.outcome is UNDECIDED for finding in found)
    verdict = Verdict.FAULTY if faulty else Verdict.UNDECIDED if doubtful else Verdict.AS_EXPECTED
    return result(*found, handshakes=runs, verdict=verdict)


def of_step(comparison: RepairComparison) -> RepairStatus:
    """Return what became of the step."""
    (one,) = [it for it in comparison.compared if it.step == "wire feedback"]
    return one.change


class TestTrials:
    """A handshake is clean, failed or proves nothing."""

    def test_none(self) -> None:
        assert trials([], "lock handshake") == TrialCounts()

    def test_each_kind(self) -> None:
        counted = trials([capture(MET, LATE, UNDECIDED), capture(MET)], "lock handshake")
        assert counted == TrialCounts(clean=2, failed=1, unjudged=1)

    def test_called_off(self) -> None:
        called_off = replace(
            capture(MET), handshakes=(handshake(completed=False, abandoned="door_open becomes closed"),)
        )
        assert trials([called_off], "lock handshake") == TrialCounts(unjudged=1)

    def test_without_a_judged_step(self) -> None:
        assert trials([replace(capture(MET), findings=())], "lock handshake") == TrialCounts(unjudged=1)

    @pytest.mark.parametrize(
        ("start", "end", "failed"),
        [
            (0, 1999.9, 0),
            (0, 2000, 1),
            (2500, 2600, 1),
            (3214, 9000, 1),
            (3214.1, 9000, 0),
            (0, None, 1),
            (3214.1, None, 0),
        ],
    )
    def test_fault_of_another_rule(self, start: float, end: float | None, failed: int) -> None:
        """It fails the handshake during which it was, ends included (2000 to 3214 ms)."""
        length = between(0 if end is None else end - start, None if end is None else end - start)
        fault = replace(
            pulse_finding(Outcome.VIOLATED),
            time_ns=at(start),
            reference=TimeBounds(earliest_ns=at(start), latest_ns=at(start)),
            delay=length,
        )
        assert trials([capture(MET, others=(fault,))], "lock handshake").failed == failed

    def test_other_sequences_do_not_count(self) -> None:
        assert trials([capture(MET)], "unlock handshake") == TrialCounts()


class TestChange:
    """What became of a step, from what it was on both sides."""

    @pytest.mark.parametrize(
        ("before", "after", "change"),
        [
            ([LATE], [MET], RepairStatus.MENDED),
            ([LATE, MET], [MET, UNDECIDED], RepairStatus.MENDED),
            ([LATE], [MET, LATE], RepairStatus.STILL_WRONG),
            ([MET], [LATE], RepairStatus.NEW),
            ([UNDECIDED], [LATE], RepairStatus.NEW),
            ([LATE], [UNDECIDED], RepairStatus.UNDECIDED),
            ([MET], [MET, UNDECIDED], RepairStatus.UNDECIDED),
            ([LATE], [], RepairStatus.NOT_JUDGED),
            ([], [MET], RepairStatus.GOOD),
            ([], [LATE], RepairStatus.NEW),
        ],
        ids=lambda value: "-".join(it.value for it in value) or "none" if isinstance(value, list) else "",
    )
    def test_rows(self, before: list[Outcome], after: list[Outcome], change: RepairStatus) -> None:
        assert of_step(compare([capture(*before)], [capture(*after)])) is change

    def test_delays(self) -> None:
        short = replace(step_finding(MET), delay=between(200, 225))
        after = [capture(MET), replace(capture(MET), findings=(short,))]
        (one,) = compare([capture(LATE)], after).compared
        assert one.before.delay == between(812, 837)
        assert one.after.delays == (between(812, 837), between(200, 225))
        assert one.after.delay == between(200, 837)

    def test_open_end(self) -> None:
        endless = replace(capture(LATE), findings=(replace(step_finding(), delay=between(812, None)),))
        (one,) = compare([endless, capture(LATE)], [capture(MET)]).compared
        assert one.before.delay == between(812, None)

    def test_order_is_that_of_the_expectations(self) -> None:
        first = replace(step_finding(MET), step="enable on")
        mixed = result(pulse_finding(), step_finding(), first)
        assert [(it.rule, it.step) for it in compare([mixed], [mixed]).compared] == [
            ("lock handshake", "enable on"),
            ("lock handshake", "wire feedback"),
            ("enable pulse", None),
        ]


class TestProof:
    """'Repaired' is said only when there are enough clean handshakes."""

    @pytest.mark.parametrize(("clean", "missing"), [(0, 190), (1, 189), (29, 161), (190, 0), (200, 0)])
    def test_one_in_ten(self, clean: int, missing: int) -> None:
        comparison = compare([capture(LATE, *[MET] * 9)], [capture(*[MET] * clean)])
        (proof,) = comparison.proofs
        assert (proof.needed, proof.missing, proof.history) == (190, missing, (1, 10))
        assert comparison.conclusion is (Conclusion.NOT_PROVED if missing else Conclusion.REPAIRED)

    @pytest.mark.parametrize(("clean", "missing"), [(0, 29), (28, 1), (29, 0)])
    def test_one_in_ten_as_stated(self, clean: int, missing: int) -> None:
        comparison = compare([capture(LATE, *[MET] * 9)], [capture(*[MET] * clean)], known_rate=(1, 10))
        (proof,) = comparison.proofs
        assert (proof.needed, proof.missing, proof.known_rate) == (29, missing, (1, 10))
        assert proof.unchanged == pytest.approx(0.9**clean)
        assert comparison.conclusion is (Conclusion.NOT_PROVED if missing else Conclusion.REPAIRED)

    def test_stated_rate_that_the_captures_refute(self) -> None:
        """One failure in ten is too few for nine in ten, by which two clean handshakes would do."""
        comparison = compare([capture(LATE, *[MET] * 9)], [capture(MET, MET)], known_rate=(9, 10))
        (proof,) = comparison.proofs
        assert (proof.needed, proof.known_rate, comparison.conclusion) == (190, None, Conclusion.NOT_PROVED)
        assert "too few failures for the stated 9 in 10" in comparison.notes[0]

    def test_unrepaired_car(self) -> None:
        """A car that fails in a third of its handshakes, and goes on so, is called repaired in one case of twenty."""
        generator = np.random.default_rng(20_260_301)
        wrong = {True: LATE, False: MET}
        repaired = 0
        for _ in range(200):
            before = [wrong[bool(it)] for it in generator.random(3) < 1 / 3]
            after = [wrong[bool(it)] for it in generator.random(5) < 1 / 3]
            repaired += compare([capture(*before)], [capture(*after)]).conclusion is Conclusion.REPAIRED
        assert repaired <= stats.binom.ppf(0.9999, 200, 0.05)

    def test_one_clean_handshake_is_never_enough(self) -> None:
        """Also not where it failed each time, where the plain formula would call one enough."""
        (proof,) = compare([capture(LATE)], [capture(MET)]).proofs
        assert (proof.needed, proof.missing) == (19, 18)

    def test_bounds(self) -> None:
        (proof,) = compare([capture(LATE)], [capture(*[MET] * 100)]).proofs
        assert proof.upper == pytest.approx(0.029513, abs=5e-7)

    def test_bounds_with_a_failure(self) -> None:
        (proof,) = compare([capture(LATE)], [capture(MET, LATE)]).proofs
        assert proof.upper == pytest.approx(0.975, abs=5e-4)  # 1 - sqrt(1 - 0.95), by hand

    def test_nothing_judged(self) -> None:
        (proof,) = compare([capture(LATE)], [capture()]).proofs
        assert (proof.upper, proof.missing) == (None, 19)

    def test_undecided_handshakes_are_not_clean(self) -> None:
        comparison = compare([capture(LATE, LATE)], [capture(*[MET] * 4, UNDECIDED)])
        assert comparison.proofs[0].missing == 1
        assert comparison.conclusion is Conclusion.NOT_PROVED

    def test_what_the_user_counted(self) -> None:
        (proof,) = compare([capture(LATE)], [capture(*[MET] * 29)], history=(3, 30)).proofs
        assert (proof.history, proof.needed, proof.missing) == ((3, 30), 50, 21)

    def test_fault_that_no_capture_shows(self) -> None:
        """Its rate as stated makes a proof possible all the same."""
        few = compare([capture(MET)], [capture(*[MET] * 28)], known_rate=(1, 10))
        enough = compare([capture(MET)], [capture(*[MET] * 29)], known_rate=(1, 10))
        assert (few.conclusion, enough.conclusion) == (Conclusion.NOT_PROVED, Conclusion.REPAIRED)

    def test_nothing_was_wrong(self) -> None:
        comparison = compare([capture(MET)], [capture(*[MET] * 50)])
        assert comparison.conclusion is Conclusion.NOTHING_TO_PROVE

    def test_something_is_wrong(self) -> None:
        comparison = compare([capture(LATE)], [capture(*[MET] * 50), capture(LATE)])
        assert comparison.conclusion is Conclusion.NOT_REPAIRED

    def test_wrong_before_and_not_judged_after(self) -> None:
        """Enough clean handshakes do not stand for a rule that had nothing to judge."""
        fault = replace(pulse_finding(Outcome.VIOLATED), time_ns=at(2500))
        comparison = compare([capture(LATE, others=(fault,))], [capture(*[MET] * 30)])
        assert not any(proof.missing for proof in comparison.proofs)
        assert comparison.conclusion is Conclusion.NOT_PROVED

    @pytest.mark.parametrize(("before", "after"), [([], [capture(MET)]), ([capture(MET)], [])])
    def test_empty_side(self, before: list[Result], after: list[Result]) -> None:
        with pytest.raises(ValueError, match="at least one"):
            compare(before, after)

    @pytest.mark.parametrize("history", [(0, 10), (3, 2)])
    def test_no_history(self, history: tuple[int, int]) -> None:
        with pytest.raises(ValueError, match="no count"):
            compare([capture(MET)], [capture(MET)], history=history)

    @pytest.mark.parametrize(("history", "rate"), [(None, (0, 10)), (None, (10, 10)), ((1, 10), (1, 10))])
    def test_no_rate(self, history: tuple[int, int] | None, rate: tuple[int, int]) -> None:
        with pytest.raises(ValueError, match="no rate below 1"):
            compare([capture(MET)], [capture(MET)], history=history, known_rate=rate)


class TestQuiet:
    """What came outside every handshake is judged by the time recorded without it."""

    OUTSIDE = replace(pulse_finding(Outcome.VIOLATED), time_ns=at(9000))

    def test_time(self) -> None:
        before = capture(MET, others=(self.OUTSIDE,))  # once in 12.48 s: 19 times as long
        after = capture(MET, others=(pulse_finding(),))
        few, enough = compare([before], [after] * 18), compare([before], [after] * 19)
        assert few.quiets[0].needed_ns == pytest.approx(19 * 12.48e9, rel=1e-6)
        assert few.quiets[0].missing_ns == few.quiets[0].needed_ns - 18 * 12_480_000_000
        assert (few.conclusion, enough.conclusion) == (Conclusion.NOT_PROVED, Conclusion.REPAIRED)

    def test_time_in_which_the_rule_had_nothing_to_judge(self) -> None:
        (quiet,) = compare([capture(MET, others=(self.OUTSIDE,))], [capture(MET)]).quiets
        assert quiet.after_ns == 0

    def test_time_in_which_it_came_again(self) -> None:
        faulty = capture(MET, others=(self.OUTSIDE, pulse_finding()))
        (quiet,) = compare([faulty], [faulty]).quiets
        assert quiet.after_ns == 0

    def test_no_frames(self) -> None:
        empty = replace(capture(MET, others=(self.OUTSIDE,)), stats=read_stats(first_ns=None, last_ns=None))
        (quiet,) = compare([empty], [capture(MET)]).quiets
        assert quiet.needed_ns > 0


class TestNotes:
    """Sides that were judged by different rules, or that may have been exchanged, are told of."""

    @pytest.mark.parametrize(
        ("clock", "later_ns", "notes"),
        [
            (Clock.WALL, 86_400 * 10**9, 1),
            (Clock.LOCAL, 86_400 * 10**9, 1),
            (Clock.WALL, 10**9, 0),
            (Clock.WALL, -86_400 * 10**9, 0),
            (Clock.RELATIVE, 86_400 * 10**9, 0),
        ],
    )
    def test_exchanged(self, clock: Clock, later_ns: int, notes: int) -> None:
        after = replace(capture(MET), stats=read_stats(clock=clock))
        shown = after.stats
        assert shown.first_ns is not None
        assert shown.last_ns is not None
        moved = read_stats(clock=clock, first_ns=shown.first_ns + later_ns, last_ns=shown.last_ns + later_ns)
        found = compare([replace(capture(LATE), stats=moved)], [after]).notes
        assert ["exchanged" in note for note in found] == [True] * notes

    def test_same(self) -> None:
        assert compare([capture(LATE)], [capture(MET)]).notes == ()

    def test_different(self) -> None:
        other = capture(MET)
        other = replace(other, expectations=replace(other.expectations, rules=other.expectations.rules[:1]))
        assert "not all checked against the same rules" in compare([capture(LATE)], [other]).notes[0]


_STRETCH = st.tuples(st.integers(0, 30), st.integers(0, 9)).map(lambda it: (it[0], it[0] + it[1]))
_STRETCHES = st.lists(_STRETCH, max_size=6)


@given(_STRETCHES, _STRETCHES)
def test_stretches_that_touch(some: list[tuple[int, int]], others: list[tuple[int, int]]) -> None:
    """Sorted once, they answer as each pair of them would."""
    sorted_once = _Stretches(some)
    for start, end in others:
        assert sorted_once.touch(start, end) == any(first <= end and last >= start for first, last in some)
