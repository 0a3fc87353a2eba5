from __future__ import annotations

from dataclasses import replace
from functools import partial

import pytest
from support.in_full import after, between, finding, seen
from support.stage import Samples, holds, outcomes, perform, sampled

from buslens.capture.frames import Clock
from buslens.checks.findings import Finding, Limit, Outcome, Result, Verdict
from buslens.expectations.model import HeldFor, Range, WrittenCondition
from buslens.units import NS_PER_MS


def volts(*values: float, every: float = 10) -> Samples:
    return [(every * index, value) for index, value in enumerate(values)]


def in_range(
    least: float | None = 9.5,
    most: float | None = 16,
    *,
    while_: WrittenCondition | None = None,
    tolerated: float | None = None,
) -> Range:
    return Range(
        name="range",
        of="supply",
        least=least,
        most=most,
        while_=while_,
        longer_than_ns=None if tolerated is None else round(tolerated * NS_PER_MS),
    )


def run(rule: Range, supply: Samples, enable: Samples | None = None, **how: object) -> Result:
    samples = {"supply": supply} | ({} if enable is None else {"enable": enable})
    also = {"enable": {"on", "off"}}
    return perform(samples, rule, also=also, **how)  # type: ignore[arg-type]


def told(result: Result) -> Finding:
    return result.findings[0]


WHILE_ON = holds("enable", "on")


class TestLimits:
    """Both ends belong to the range."""

    @pytest.mark.parametrize(
        ("value", "outcome"),
        [(9.4, "violated"), (9.5, "met"), (12.0, "met"), (16.0, "met"), (16.1, "violated")],
    )
    def test_values(self, value: float, outcome: str) -> None:
        assert told(run(in_range(), volts(12.0, value, 12.0))).outcome.value == outcome

    @pytest.mark.parametrize(("rule", "value"), [(in_range(None, 16), 2.0), (in_range(9.5, None), 30.0)])
    def test_one_limit_only(self, rule: Range, value: float) -> None:
        assert outcomes(run(rule, volts(12.0, value))) == [("range", "met")]

    @pytest.mark.parametrize(
        ("values", "words"), [((12, 9, 8.2, 9, 12), "lowest 8.2 V"), ((12, 17, 18.5), "highest 18.5 V")]
    )
    def test_tells_the_worst_value(self, values: tuple[float, ...], words: str) -> None:
        finding = told(run(in_range(), volts(*values)))
        assert words in finding.reason
        assert finding.limit is not None
        assert (finding.limit.least, finding.limit.most, finding.limit.unit) == (9.5, 16, "V")

    def test_first_and_last_frame_count(self) -> None:
        first = told(run(in_range(), volts(9.0, 12.0, 12.0)))
        assert first.outcome.value == "violated"
        assert first.reason == "supply was below 9.5 V at one moment at least; lowest 9 V"
        assert told(run(in_range(), volts(12.0, 12.0, 9.0))).outcome.value == "violated"


class TestTolerance:
    # Below from 10 ms to 40 ms: for longer than 30 ms and less than 50 ms.
    @pytest.mark.parametrize(("tolerated", "outcome"), [(30, "violated"), (31, "undecided"), (50, "met")])
    def test_excursions(self, tolerated: float, outcome: str) -> None:
        result = run(in_range(tolerated=tolerated), volts(12, 9, 9, 9, 9, 12, 12))
        assert told(result).outcome.value == outcome

    def test_cut_off_by_the_end(self) -> None:
        assert told(run(in_range(tolerated=100), volts(12, 9, 9))).outcome.value == "undecided"


class TestWhile:
    OFF_ON_OFF = sampled([(0, "off"), (30, "on"), (60, "off")], every=10, until=90)

    def test_outside_its_time_a_value_does_not_matter(self) -> None:
        supply = volts(8, 8, 12, 12, 12, 12, 12, 12, 8, 8)
        assert outcomes(run(in_range(while_=WHILE_ON), supply, self.OFF_ON_OFF)) == [("range", "met")]

    def test_in_its_time_it_does(self) -> None:
        supply = volts(12, 12, 12, 12, 8, 12, 12, 12, 12, 12)
        finding = told(run(in_range(while_=WHILE_ON), supply, self.OFF_ON_OFF))
        assert finding.outcome.value == "violated"
        # Who sees 8 V all the time in the picture asks why so short a time is told.
        assert "with enable on" in finding.reason

    def test_never(self) -> None:
        """Where `while` never holds there is nothing to judge, and the capture proves nothing."""
        enable = sampled([(0, "off")], every=10, until=60)
        result = run(in_range(while_=WHILE_ON), volts(*[8.0] * 10), enable)
        assert result.findings == ()
        assert result.unexercised == ("range",)
        assert result.verdict is Verdict.UNDECIDED

    def test_unknown(self) -> None:
        """A value outside, while it is not known whether it is to be judged, is undecided."""
        finding = told(run(in_range(while_=WHILE_ON), volts(*[8.0] * 10), []))
        assert finding.outcome.value == "undecided"
        assert "enable is unknown" in finding.reason

    def test_unknown_but_the_value_settles_it(self) -> None:
        assert outcomes(run(in_range(while_=WHILE_ON), volts(*[12.0] * 10), [])) == [("range", "met")]


class TestUnknown:
    def test_silence(self) -> None:
        supply = [sample for sample in volts(*[12.0] * 30) if not 100 < sample[0] < 200]
        finding = told(run(in_range(), supply, timeouts={"supply": 30}))
        assert finding.outcome.value == "undecided"
        assert "supply is unknown (message timeout)" in finding.reason

    def test_untimed(self) -> None:
        """A range needs no time stamps, an excursion's length does."""
        assert told(run(in_range(), volts(12, 8), clock=Clock.MISSING)).outcome.value == "violated"
        result = run(in_range(tolerated=20), volts(12, 8), clock=Clock.MISSING)
        assert outcomes(result) == [("range", "undecided")]

    @pytest.mark.parametrize(
        ("while_", "outcome"),
        [
            (WHILE_ON, "violated"),
            (
                WrittenCondition(
                    condition=HeldFor(part=WHILE_ON.condition, duration_ns=1), text="enable is on for 1 ns"
                ),
                "undecided",
            ),
        ],
    )
    def test_untimed_while(self, while_: WrittenCondition, outcome: str) -> None:
        """Whether `while` holds is known without time stamps, for how long it has held is not."""
        enable = sampled([(0, "on")], every=10, until=10)
        finding = told(run(in_range(while_=while_), volts(12, 8), enable, clock=Clock.MISSING))
        assert finding.outcome.value == outcome
        assert finding.reason.startswith("the log carries no time stamps") == (outcome == "undecided")


in_full = partial(finding, "range", "range")


class TestInFull:
    """Everything that a finding carries: words, moment, length, limit, what it rests on, where the limit comes from."""

    def test_each_kind_of_outcome(self) -> None:
        rule = replace(in_range(tolerated=15), basis="invented")
        limit = Limit(least=9.5, most=16, unit="V")
        assert list(run(rule, volts(12, 9, 8.2, 9, 12, 17, 12, 12)).findings) == [
            in_full(
                Outcome.VIOLATED,
                "supply was below 9.5 V for 20 to 40 ms; allowed up to 15 ms; lowest 8.2 V",
                time_ns=10 * NS_PER_MS,
                delay=between(20, 40),
                limit=limit,
                reference=after(0, 10),
                evidence=(seen("supply was below 9.5 V", "supply", 0, 10),),
            ),
            in_full(
                Outcome.UNDECIDED,
                "supply was above 16 V for 0 to 20 ms; allowed up to 15 ms; highest 17 V: too close to call at"
                " one frame per 10 ms",
                time_ns=50 * NS_PER_MS,
                delay=between(0, 20),
                limit=limit,
                reference=after(40, 50),
                evidence=(seen("supply was above 16 V", "supply", 40, 50),),
            ),
            in_full(Outcome.MET, "OK in 3 other periods", time_ns=None, limit=limit, count=3),
        ]

    def test_the_worst_value_is_that_of_the_stretch(self) -> None:
        """Worse values before it, behind it, and while the rule does not apply, are none of it."""
        enable = sampled([(0, "off"), (20, "on"), (50, "off")], every=10, until=90)
        supply = volts(5, 5, 12, 9, 12, 5, 5, 12, 12, 12)
        result = run(in_range(while_=WHILE_ON), supply, enable)
        assert result.findings[0].reason == "supply was below 9.5 V for 0 to 20 ms with enable on; lowest 9 V"

    @pytest.mark.parametrize("supply", [volts(5, 5, 9, 9, 9, 12, 12, 12, 12), volts(12, 12, 12, 9, 9, 5, 5, 5, 5)])
    def test_a_value_of_the_same_frame_as_the_end(self, supply: Samples) -> None:
        """What comes or goes in the very frame in which the rule begins or ends to apply is none of it."""
        enable = sampled([(0, "off"), (20, "on"), (50, "off")], every=10, until=80)
        result = run(in_range(while_=WHILE_ON), supply, enable, lags={"supply": 0, "enable": 0})
        assert result.findings[0].reason.endswith("; lowest 9 V")

    def test_to_the_very_last_frame(self) -> None:
        assert (
            told(run(in_range(), volts(12, 12, 9, 8))).reason == "supply was below 9.5 V for at least 10 ms; lowest 8 V"
        )

    def test_one_stretch_kept(self) -> None:
        assert outcomes(run(in_range(), volts(12, 12))) == [("range", "met")]
        assert told(run(in_range(), volts(12, 12))).reason == "OK throughout"
