"""Findings and timelines become signs."""

from __future__ import annotations

from dataclasses import replace

import pytest
from support.stage import all_of, becomes, holds, perform, sampled, step

from buslens.causes.model import FindingPattern, Sign
from buslens.causes.signs import SignStatus, observe
from buslens.checks.findings import Findings, Outcome, Result
from buslens.expectations.model import HeldFor, IsUnknown, Sequence, WrittenCondition
from buslens.units import NS_PER_MS

SHAKE = Sequence(
    name="shake", start=becomes("door", "open"), steps=(step("enable", "enable", "on", within=200, after=10),)
)


def capture(*, enable: float | None, until: float = 1000.0) -> Result:
    """Return a door that opens at 100 ms, and an enable that follows at a time, or never."""
    return perform(
        {
            "door": sampled([(0, "shut"), (100, "open")], every=10, until=until),
            "enable": sampled([(0, "off"), *([] if enable is None else [(enable, "on")])], every=10, until=until),
        },
        SHAKE,
        also={"enable": {"on"}, "door": {"open"}},
    )


def pattern(*outcomes: Outcome, rule: str | None = "shake", step: str | None = "enable") -> FindingPattern:
    return FindingPattern(rule=rule, step=step, outcomes=frozenset(outcomes))


def by_findings(*patterns: FindingPattern) -> Sign:
    return Sign(name="it", shows="it shows", findings=patterns)


def shown(sign: Sign, *results: Result) -> SignStatus:
    return observe([sign], results)[0].shown


class TestFindings:
    """Present if a finding fits, absent if one was judged, else undecided."""

    MISSING = by_findings(pattern(Outcome.MISSING))

    @pytest.mark.parametrize(
        ("enable", "until", "expected"),
        [
            (None, 1000, SignStatus.PRESENT),
            (200, 1000, SignStatus.ABSENT),
            (400, 1000, SignStatus.ABSENT),
            (None, 150, SignStatus.UNDECIDED),
            (None, 90, SignStatus.UNDECIDED),
        ],
        ids=["never comes", "comes", "comes late", "log ends before", "door never opens"],
    )
    def test_outcomes(self, enable: float | None, until: float, expected: SignStatus) -> None:
        assert shown(self.MISSING, capture(enable=enable, until=until)) is expected

    def test_undecided_can_be_what_is_asked_for(self) -> None:
        sign = by_findings(pattern(Outcome.UNDECIDED))
        assert shown(sign, capture(enable=None, until=150)) is SignStatus.PRESENT
        assert shown(sign, capture(enable=200)) is SignStatus.ABSENT

    def test_what_came_far_too_late_came_late(self) -> None:
        late = by_findings(pattern(Outcome.LATE))
        result = capture(enable=800)
        assert [it.outcome for it in result.findings] == [Outcome.MISSING]
        assert (shown(late, result), shown(self.MISSING, result)) == (SignStatus.PRESENT, SignStatus.ABSENT)

    @pytest.mark.parametrize(("before_ns", "expected"), [(1, SignStatus.UNDECIDED), (-1, SignStatus.PRESENT)])
    def test_no_evidence_behind_another_finding(self, before_ns: int, expected: SignStatus) -> None:
        """What a unit does not do once its lock has failed tells nothing, and needs no sign of its own."""
        result = capture(enable=None)
        (own,) = result.findings
        other = replace(own, rule="lock", time_ns=(own.time_ns or 0) - before_ns)
        result = replace(result, findings=Findings.of([own, other]))
        failed = pattern(Outcome.MISSING, rule="lock")
        seen = observe([replace(self.MISSING, not_after=(failed,)), by_findings(failed)], [result])
        assert [it.shown for it in seen] == [expected, SignStatus.PRESENT]
        # In the same handshake it is none, whichever comes first.
        sign = replace(self.MISSING, not_after=(pattern(Outcome.MISSING, step="other"),))
        result = replace(result, findings=Findings.of([own, replace(other, rule="shake", step="other")]))
        assert observe([sign], [result])[0].shown is SignStatus.UNDECIDED

    @pytest.mark.parametrize(
        ("behind_ns", "came", "expected"),
        [
            (1, 200, SignStatus.PRESENT),
            (1, None, SignStatus.ABSENT),
            (0, 200, SignStatus.UNDECIDED),
            (-1, 200, SignStatus.UNDECIDED),
        ],
    )
    def test_evidence_behind_another_finding_only(
        self, behind_ns: int, came: float | None, expected: SignStatus
    ) -> None:
        """That something works again is told by what came after it had not."""
        (own,) = capture(enable=came).findings
        failed = replace(own, outcome=Outcome.MISSING, time_ns=(own.time_ns or 0) - behind_ns)
        result = replace(capture(enable=came), findings=Findings.of([own, failed]))
        again = by_findings(replace(pattern(Outcome.MET), after={Outcome.MISSING}))
        assert shown(again, result) is expected
        elsewhere = replace(result, findings=Findings.of([own, replace(failed, step="other")]))
        assert shown(again, elsewhere) is SignStatus.UNDECIDED
        # Where nothing failed, nothing can have come back.
        assert shown(again, capture(enable=came)) is SignStatus.UNDECIDED

    def test_any_rule(self) -> None:
        sign = by_findings(pattern(Outcome.MISSING, rule=None, step=None))
        assert shown(sign, capture(enable=None)) is SignStatus.PRESENT
        assert shown(sign, capture(enable=None, until=90)) is SignStatus.ABSENT

    def test_one_capture_of_several_is_enough(self) -> None:
        good, bad, mute = capture(enable=200), capture(enable=None), capture(enable=None, until=90)
        assert shown(self.MISSING, good, bad, mute) is SignStatus.PRESENT
        assert shown(self.MISSING, mute, good) is SignStatus.ABSENT

    def test_where_it_shows(self) -> None:
        bad = capture(enable=None)
        seen = observe([self.MISSING], [bad])[0]
        assert [it.outcome for it in seen.findings] == [Outcome.MISSING]
        assert seen.time_ns == seen.findings[0].time_ns


class TestCondition:
    """Present if it surely held often enough, absent if it surely did not, else undecided."""

    ON = WrittenCondition(
        condition=HeldFor(part=holds("enable", "on").condition, duration_ns=100 * NS_PER_MS), text="enable on"
    )

    def sign(self, **how: object) -> Sign:
        return Sign(name="it", shows="it shows", seen=self.ON, **how)

    @pytest.mark.parametrize(
        ("enable", "expected"), [(200, SignStatus.PRESENT), (None, SignStatus.ABSENT), (950, SignStatus.ABSENT)]
    )
    def test_holds(self, enable: float | None, expected: SignStatus) -> None:
        assert shown(self.sign(), capture(enable=enable)) is expected

    def test_out_of_its_scope(self) -> None:
        assert shown(self.sign(while_=holds("door", "shut")), capture(enable=200)) is SignStatus.ABSENT
        nowhere = all_of(holds("door", "shut"), holds("door", "open"))
        assert shown(self.sign(while_=nowhere), capture(enable=200)) is SignStatus.UNDECIDED

    def test_so_many_times(self) -> None:
        twice = perform({"enable": sampled([(0, "off"), (100, "on"), (300, "off"), (500, "on")], every=10, until=900)})
        assert shown(self.sign(times=2), twice) is SignStatus.PRESENT
        assert shown(self.sign(times=3), twice) is SignStatus.ABSENT

    def test_never_seen(self) -> None:
        mute = perform(
            {"door": sampled([(0, "shut")], every=10, until=500), "enable": []}, also={"enable": {"on", "off"}}
        )
        assert shown(self.sign(), mute) is SignStatus.UNDECIDED
        unknown = Sign(
            name="it", shows="", seen=WrittenCondition(condition=IsUnknown(role="enable"), text="enable is unknown")
        )
        assert shown(unknown, mute) is SignStatus.PRESENT
        # What lasts all the while did not come three times.
        assert shown(replace(unknown, times=3), mute) is SignStatus.ABSENT

    def test_discontinuity(self) -> None:
        sign = Sign(name="it", shows="the clock ran back", discontinuity=True)
        samples = {"enable": sampled([(0, "off")], every=10, until=500)}
        assert shown(sign, perform(samples)) is SignStatus.ABSENT
        assert shown(sign, perform(samples, discontinuities=[200])) is SignStatus.PRESENT
