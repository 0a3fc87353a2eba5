from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from typing import TYPE_CHECKING

import pytest
from support.stage import becomes, holds, step

from buslens.checks.findings import Finding, Handshake, Outcome, TimeBounds, Verdict
from buslens.checks.verdict import decide_verdict, worst_first
from buslens.expectations.model import Never, Sequence

if TYPE_CHECKING:
    from buslens.expectations.model import AnyRule

LOCK = Sequence(
    name="lock",
    start=becomes("door", "open"),
    given=holds("ignition", "off"),
    steps=(step("enable", "enable", "on", within=400),),
)
NEVER = Never(name="never", when=holds("lamp", "on"))


def finding(
    outcome: Outcome,
    *,
    reason: str = "why",
    time_ns: int | None = 0,
    step: str | None = None,
    handshake: int | None = None,
) -> Finding:
    return Finding(
        rule="rule", kind="never", outcome=outcome, reason=reason, time_ns=time_ns, step=step, handshake=handshake
    )


def handshake(*, completed: bool) -> Handshake:
    return Handshake(rule="lock", number=1, start=TimeBounds(earliest_ns=0, latest_ns=0), end_ns=0, completed=completed)


WHOLE = [handshake(completed=True)]


class TestAddUp:
    """Faulty outweighs undecided, and undecided outweighs met."""

    @pytest.mark.parametrize(
        ("outcomes", "verdict"),
        [
            ([Outcome.MET], Verdict.AS_EXPECTED),
            ([Outcome.MET, Outcome.UNDECIDED], Verdict.UNDECIDED),
            *([([Outcome.MET, Outcome.UNDECIDED, fault], Verdict.FAULTY) for fault in Outcome if fault.is_fault]),
        ],
    )
    def test_worst_counts(self, outcomes: list[Outcome], verdict: Verdict) -> None:
        assert decide_verdict(list(map(finding, outcomes)), WHOLE, [LOCK])[0] is verdict

    def test_faults_are_five(self) -> None:
        assert [outcome.value for outcome in Outcome if outcome.is_fault] == [
            "early",
            "late",
            "missing",
            "out_of_order",
            "violated",
        ]

    @pytest.mark.parametrize("handshakes", [[], [handshake(completed=False)]], ids=["none", "broken off"])
    def test_without_a_whole_handshake(self, handshakes: list[Handshake]) -> None:
        """A capture in which no sequence was carried through proves nothing, and the text says how to get one."""
        verdict, why = decide_verdict([finding(Outcome.MET)], handshakes, [LOCK])
        assert verdict is Verdict.UNDECIDED
        assert why == "no complete handshake in this capture; record again: door open, while ignition is off"

    def test_ways_to_a_handshake(self) -> None:
        """Each sequence is a way to one, the same is told once, and a rule of another kind is none."""
        button = replace(LOCK, name="button", start=becomes("button", "down"), given=None)
        why = decide_verdict([finding(Outcome.MET)], [], [LOCK, NEVER, button, replace(button, name="again")])[1]
        assert why.endswith("record again: door open, while ignition is off; or button down")

    def test_fault_without_a_handshake_is_a_fault(self) -> None:
        assert decide_verdict([finding(Outcome.VIOLATED)], [], [LOCK])[0] is Verdict.FAULTY

    def test_rules_without_a_sequence(self) -> None:
        """All of them can be met by a car whose bolt never moves."""
        verdict, why = decide_verdict([finding(Outcome.MET)], [], [NEVER])
        assert verdict is Verdict.UNDECIDED
        assert "no rule of kind sequence" in why
        assert "write 'handshake = false'" in why
        assert decide_verdict([finding(Outcome.VIOLATED)], [], [NEVER])[0] is Verdict.FAULTY

    @pytest.mark.parametrize("rules", [[NEVER], [NEVER, LOCK]])
    def test_expectations_that_are_not_about_a_handshake(self, rules: list[AnyRule]) -> None:
        why = "all tested rules OK"
        assert decide_verdict([finding(Outcome.MET)], [], rules, handshake=False) == (Verdict.AS_EXPECTED, why)
        assert decide_verdict([], [], rules, handshake=False)[0] is Verdict.UNDECIDED

    def test_expectations_that_are_not_complete(self) -> None:
        """What they do not look at can be wrong."""
        verdict, why = decide_verdict([finding(Outcome.MET)], WHOLE, [LOCK], to_decide=["ignition: not found", "more"])
        assert verdict is Verdict.UNDECIDED
        assert "not complete: ignition: not found (and 1 more)" in why
        assert decide_verdict([finding(Outcome.LATE)], WHOLE, [LOCK], to_decide=["x"])[0] is Verdict.FAULTY

    def test_nothing_judged(self) -> None:
        """A silent pass would be the worst outcome."""
        assert decide_verdict([], [], [NEVER], handshake=False) == (
            Verdict.UNDECIDED,
            "no rule was tested in this capture",
        )
        assert decide_verdict([], [], [])[0] is Verdict.UNDECIDED

    def test_sentence_tells_the_worst_and_how_many_more(self) -> None:
        found = [
            finding(Outcome.LATE, reason="second", time_ns=5, handshake=2),
            finding(Outcome.MISSING, reason="first", time_ns=9, handshake=3),
            finding(Outcome.MET),
        ]
        assert decide_verdict(found, WHOLE, [LOCK])[1] == "second (rule 2); 1 more fault"

    def test_sentence_tells_of_how_many_handshakes(self) -> None:
        """A lock that works in other handshakes is not one that never works."""
        bad = finding(Outcome.MISSING, reason="it stayed", time_ns=5, step="wire", handshake=2)
        good = finding(Outcome.MET, step="wire", handshake=1)
        others = [good, finding(Outcome.LATE, step="wire", handshake=3, time_ns=9)]
        other_step = finding(Outcome.MET, step="data", handshake=4)
        one = decide_verdict([bad, *others, other_step], WHOLE, [LOCK])[1]
        assert one == "it stayed (rule 2, in 1 of 3 handshakes); 1 more fault"
        assert decide_verdict([bad, other_step], WHOLE, [LOCK])[1] == "it stayed (rule 2)"

    def test_counts_handshakes(self) -> None:
        met = "all tested rules OK"
        assert decide_verdict([finding(Outcome.MET)], WHOLE, [LOCK])[1] == f"1 complete handshake; {met}"
        assert decide_verdict([finding(Outcome.MET)], WHOLE * 2, [LOCK])[1] == f"2 complete handshakes; {met}"
        broken_off = [handshake(completed=False)]
        assert decide_verdict([finding(Outcome.MET)], WHOLE + broken_off, [LOCK])[1] == f"1 complete handshake; {met}"

    def test_sentence_of_a_rule_without_handshakes(self) -> None:
        assert decide_verdict([finding(Outcome.VIOLATED)], WHOLE, [LOCK])[1] == "why (rule)"
        assert decide_verdict([finding(Outcome.UNDECIDED)] * 3, WHOLE, [LOCK])[1] == "why (rule, 3 times)"


class TestWorstFirst:
    @pytest.mark.parametrize(
        ("first", "second"),
        list(pairwise(["missing", "violated", "out_of_order", "late", "early", "undecided", "met"])),
    )
    def test_kinds(self, first: str, second: str) -> None:
        """What did not happen at all comes before what happened wrongly, whatever came first in the capture."""
        found = [finding(Outcome(second), time_ns=0), finding(Outcome(first), time_ns=1)]
        assert [it.outcome.value for it in worst_first(found)] == [first, second]

    def test_without_a_moment_is_at_the_start(self) -> None:
        found = [finding(Outcome.MET, time_ns=1), finding(Outcome.MET, time_ns=None), finding(Outcome.MET, time_ns=0)]
        assert [it.time_ns for it in worst_first(found)] == [None, 0, 1]

    def test_order(self) -> None:
        """Faults, then doubts, then the rest, each in order of time."""
        found = [
            finding(Outcome.MET, time_ns=None),
            finding(Outcome.UNDECIDED, time_ns=1),
            finding(Outcome.VIOLATED, time_ns=9),
            finding(Outcome.VIOLATED, time_ns=3),
        ]
        assert [(it.outcome.value, it.time_ns) for it in worst_first(found)] == [
            ("violated", 3),
            ("violated", 9),
            ("undecided", 1),
            ("met", None),
        ]
