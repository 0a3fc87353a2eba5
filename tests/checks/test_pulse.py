from __future__ import annotations

from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING

import pytest
from support.in_full import after, between, finding, seen, span
from support.stage import Samples, all_of, holds, outcomes, perform, sampled

from buslens.capture.frames import Clock
from buslens.checks.findings import Evidence, Finding, Limit, Outcome
from buslens.expectations.model import Or, Pulse, WrittenCondition
from buslens.units import NS_PER_MS

if TYPE_CHECKING:
    from buslens.checks.findings import Result, TimeBounds

ON = holds("enable", "on")


def pulse(least: float | None, most: float | None, of: WrittenCondition = ON) -> Pulse:
    return Pulse(
        name="pulse",
        of=of,
        least_ns=None if least is None else round(least * NS_PER_MS),
        most_ns=None if most is None else round(most * NS_PER_MS),
    )


def on(*times: float, until: float = 1000) -> Samples:
    """Return a line that is off, then on from the first time, off from the second, and so on; a frame per 10 ms."""
    changes = [(0.0, "off"), *((time, "off" if index % 2 else "on") for index, time in enumerate(times))]
    return sampled(changes, every=10, until=until)


def run(rule: Pulse, enable: Samples, **how: object) -> Result:
    return perform({"enable": enable}, rule, also={"enable": {"on", "off"}}, **how)  # type: ignore[arg-type]


def told(result: Result) -> Finding:
    return result.findings[0]


@pytest.mark.parametrize(
    ("locked_at", "until", "outcome"),
    [(350, 500, "violated"), (480, 500, "violated"), (9999, 500, "undecided"), (520, 500, "undecided")],
    ids=["moved", "before the next", "moved nothing", "behind the next"],
)
def test_a_pulse_that_moved_nothing_may_have_another_length(locked_at: float, until: float, outcome: str) -> None:
    """Up to three times the limit: beyond that the enable is stuck."""
    rule = replace(pulse(150, 200), moves=holds("feedback", "locked"))
    feedback = sampled([(0, "free"), (locked_at, "locked")], every=10, until=1500)
    for end, found in ((400, outcome), (1000, "violated")):
        enable = on(300, end, until + end - 400, until + end - 225, until=1500)
        result = perform({"enable": enable, "feedback": feedback}, rule, also={"feedback": {"locked"}})
        assert result.findings[0].outcome.value == found, result.findings[0].reason


class TestLength:
    """A length is judged by both its ends, and both limits count in."""

    # On in frames 300 to 390 ms: longer than 90 ms, shorter than 110 ms.
    @pytest.mark.parametrize(
        ("least", "most", "outcome"),
        [
            (None, 90, "violated"),
            (None, 91, "undecided"),
            (None, 109, "undecided"),
            (None, 110, "met"),
            (90, None, "met"),
            (91, None, "undecided"),
            (109, None, "undecided"),
            (110, None, "violated"),
            (90, 110, "met"),
            (50, 300, "met"),
        ],
    )
    def test_by_both_ends(self, least: float | None, most: float | None, outcome: str) -> None:
        assert told(run(pulse(least, most), on(300, 400))).outcome.value == outcome

    @pytest.mark.parametrize(
        ("least", "most", "outcome"),
        [(100, 100, "met"), (100 + 1e-6, 200, "violated"), (50, 100 - 1e-6, "violated")],
    )
    def test_exactly_as_long_as_a_limit(self, least: float, most: float, outcome: str) -> None:
        assert told(run(pulse(least, most), on(300, 400), lags={"enable": 0})).outcome.value == outcome

    def test_says_by_how_much(self) -> None:
        assert "too long by at least 40 ms" in told(run(pulse(None, 50), on(300, 400))).reason
        assert "too short by at least 90 ms" in told(run(pulse(200, None), on(300, 400))).reason
        assert "too close to call at one frame per 10 ms" in told(run(pulse(100, None), on(300, 400))).reason

    def test_each_pulse_is_judged(self) -> None:
        result = run(pulse(50, 150), on(100, 200, 300, 320, 400, 500))
        assert [(finding.outcome.value, finding.count) for finding in result.findings] == [
            ("violated", None),
            ("met", 2),
        ]
        assert "2 of 3 pulses" in result.findings[1].reason

    @pytest.mark.parametrize(
        ("least", "most", "tail"),
        [
            # Half of the doubt is 10 ms; the middle is 5 ms from 95 ms, and 10 ms from 110 ms.
            (95, 300, "; about one frame per 5 ms would decide"),
            (95, 110 - 1e-6, "; about one frame per 5 ms would decide"),
            (80, 105, "; about one frame per 5 ms would decide"),
            (90, 105, "; about one frame per 5 ms would decide"),
            (90 + 1e-6, 105, "; about one frame per 5 ms would decide"),
            (90, 100, ", and so near the limit that a faster recording may not decide it"),
        ],
    )
    def test_the_limit_that_is_too_close_counts(self, least: float, most: float, tail: str) -> None:
        reason = told(run(pulse(least, most), on(300, 400))).reason
        assert reason.endswith(f": too close to call at one frame per 10 ms{tail}")


class TestNotInTheLog:
    def test_no_pulse(self) -> None:
        """A rule on pulses that finds none has judged nothing."""
        assert run(pulse(50, 150), on()).unexercised == ("pulse",)

    @pytest.mark.parametrize(
        ("least", "most", "outcome"),
        [(None, 50, "violated"), (None, 200, "undecided"), (200, None, "undecided"), (50, None, "met")],
    )
    def test_lasts_beyond_the_capture(self, least: float | None, most: float | None, outcome: str) -> None:
        """A pulse of which the log shows 100 ms, but not its end."""
        assert told(run(pulse(least, most), on(900))).outcome.value == outcome

    @pytest.mark.parametrize(
        ("enable", "least", "most", "outcomes"),
        [
            (on(-1, 110), None, 50, ["violated"]),
            (on(-1, 110), None, 109, ["undecided"]),
            (on(-1, 110), None, 110, []),
            (on(-1, 110), 200, None, []),
            (on(-1, 110), 50, None, ["met"]),
            # Both ends are beyond the log.
            (on(-1), None, 2000, ["undecided"]),
            # The pulse behind it is checked.
            (on(-1, 110, 300, 400), 50, 300, ["met"]),
            (on(-1, 110, 300, 700), 50, 300, ["violated"]),
        ],
    )
    def test_begins_before_the_capture(
        self, enable: Samples, least: float | None, most: float | None, outcomes: list[str]
    ) -> None:
        """Of what was there before the recording nothing is said, unless it lasted too long within it."""
        assert [it.outcome.value for it in run(pulse(least, most), enable, until=1000).findings] == outcomes

    @pytest.mark.parametrize(("least", "outcome"), [(100, "met"), (100 + 1e-6, "undecided")])
    def test_cut_off_when_exactly_long_enough(self, least: float, outcome: str) -> None:
        assert told(run(pulse(least, None), on(900), lags={"enable": 0})).outcome.value == outcome

    def test_says_what_is_cut_off(self) -> None:
        assert "began before the log shows it" in told(run(pulse(50, 109), on(-1, 110))).reason
        assert "the capture ends in it" in told(run(pulse(200, None), on(900))).reason

    def test_silence_at_its_end(self) -> None:
        enable = [sample for sample in on(300, 450) if not 400 < sample[0] < 600]
        finding = told(run(pulse(200, 300), enable, timeouts={"enable": 50}))
        assert finding.outcome.value == "undecided"
        assert "the log does not show its end" in finding.reason

    def test_discontinuity(self) -> None:
        """A pulse in which the clock ran back has no length that could be measured."""
        result = run(pulse(10, 300), on(300, 400), discontinuities=[345])
        assert {finding.outcome.value for finding in result.findings} == {"undecided"}

    def test_untimed(self) -> None:
        assert outcomes(run(pulse(50, 150), on(300, 400), clock=Clock.MISSING)) == [("pulse", "undecided")]

    def test_role_that_was_never_sent(self) -> None:
        """Of a role that the log does not carry it has no pulse."""
        samples = {"other": on(), "enable": []}
        result = perform(samples, pulse(50, 150), also={"enable": {"on", "off"}})
        assert result.unexercised == ("pulse",)


class TestInterruption:
    """A condition on two roles may have broken off between two frames, when one took over from the other."""

    @staticmethod
    def relay(least: float | None, most: float | None) -> Finding:
        either = WrittenCondition(
            condition=Or(parts=(holds("one", "on").condition, holds("other", "on").condition)),
            text="one is on or other is on",
        )
        samples = {"one": on(200, 400), "other": on(400, 600)}
        return told(perform(samples, pulse(least, most, either)))

    @pytest.mark.parametrize(
        ("least", "most", "outcome"),
        [
            (None, 450, "met"),
            (150, None, "met"),
            (300, None, "undecided"),
            (None, 300, "undecided"),
            (None, 150, "violated"),
            (500, None, "violated"),
        ],
    )
    def test_with_and_without_a_break(self, least: float | None, most: float | None, outcome: str) -> None:
        """Two pulses of 200 ms, or one of 400 ms: a verdict has to fit both."""
        assert self.relay(least, most).outcome.value == outcome

    @pytest.mark.parametrize(
        ("least", "outcome"),
        [(90 + 1e-6, "met"), (90 + 2e-6, "undecided"), (290, "undecided"), (290 + 1e-6, "undecided")],
    )
    def test_unequal_parts(self, least: float, outcome: str) -> None:
        """Longer than 90 ms and longer than 290 ms with a break, longer than 390 ms without."""
        either = WrittenCondition(
            condition=Or(parts=(holds("one", "on").condition, holds("other", "on").condition)),
            text="one is on or other is on",
        )
        finding = told(perform({"one": on(200, 300), "other": on(300, 600)}, pulse(least, None, either)))
        assert finding.outcome.value == outcome
        if outcome == "undecided":
            assert finding.reason.endswith("the log cannot tell whether it broke off between two frames")

    def test_both_roles(self) -> None:
        both = all_of(holds("one", "on"), holds("other", "on"))
        samples = {"one": on(200, 500), "other": on(300, 600)}
        result = perform(samples, pulse(150, 250, both))
        assert told(result).outcome.value == "met"


in_full = partial(finding, "pulse", "pulse")


class TestInFull:
    """Everything that a finding carries: words, moment, length, limit, what it rests on, where the limit comes from."""

    def test_each_kind_of_outcome(self) -> None:
        rule = replace(pulse(50, 100), basis="invented")
        # Lengths of more than 20 ms and less than 40, of 60 to 80, of 85 to 105 and of 120 to 140.
        result = run(rule, on(100, 130, 300, 370, 500, 600, 700, 830))
        limit = Limit(least=50 * NS_PER_MS, most=100 * NS_PER_MS)
        assert list(result.findings) == [
            in_full(
                Outcome.VIOLATED,
                "enable was on for 20 to 40 ms; allowed 50 to 100 ms: too short by at least 10 ms",
                time_ns=100 * NS_PER_MS,
                delay=between(20, 40),
                limit=limit,
                reference=after(90, 100),
                evidence=(
                    seen("'enable is on' began", "enable", 90, 100),
                    seen("'enable is on' ended", "enable", 120, 130),
                ),
            ),
            in_full(
                Outcome.UNDECIDED,
                "enable was on for 90 to 110 ms; allowed 50 to 100 ms: too close to call at one frame per 10 ms, and so"
                " near the limit that a faster recording may not decide it",
                time_ns=500 * NS_PER_MS,
                delay=between(90, 110),
                limit=limit,
                reference=after(490, 500),
                evidence=(
                    seen("'enable is on' began", "enable", 490, 500),
                    seen("'enable is on' ended", "enable", 590, 600),
                ),
            ),
            in_full(
                Outcome.VIOLATED,
                "enable was on for 120 to 140 ms; allowed 50 to 100 ms: too long by at least 20 ms",
                time_ns=700 * NS_PER_MS,
                delay=between(120, 140),
                limit=limit,
                reference=after(690, 700),
                evidence=(
                    seen("'enable is on' began", "enable", 690, 700),
                    seen("'enable is on' ended", "enable", 820, 830),
                ),
            ),
            in_full(Outcome.MET, "1 of 4 pulses within limit 50 to 100 ms", time_ns=None, limit=limit, count=1),
        ]

    @pytest.mark.parametrize(
        ("enable", "most", "why", "reference", "ended", "delay"),
        [
            (on(0, 60), 55, "began before the log shows it", span(0, 0), after(50, 60), between(50, None)),
            (on(940), 100, "the capture ends in it", after(930, 940), span(1000, None), span(60, None)),
        ],
        ids=["at the start", "at the end"],
    )
    def test_an_end_that_is_not_in_the_log(
        self, enable: Samples, most: int, why: str, reference: TimeBounds, ended: TimeBounds, delay: TimeBounds
    ) -> None:
        result = run(replace(pulse(40, most), basis="invented"), enable)
        least = delay.earliest_ns // NS_PER_MS
        assert list(result.findings) == [
            in_full(
                Outcome.UNDECIDED,
                f"enable was on for at least {least} ms; allowed 40 to {most} ms: {why}",
                time_ns=reference.latest_ns,
                delay=delay,
                limit=Limit(least=40 * NS_PER_MS, most=most * NS_PER_MS),
                reference=reference,
                evidence=(
                    Evidence(what="'enable is on' began", role="enable", time=reference),
                    Evidence(what="'enable is on' ended", role="enable", time=ended),
                ),
            )
        ]

    def test_an_end_that_the_log_does_not_show(self) -> None:
        """The line falls silent in the middle of the pulse."""
        enable = [frame for frame in on(300, 500) if not 350 < frame[0] < 700]
        finding = told(run(pulse(80, 300), enable, timeouts={"enable": 30}, until=1000))
        assert finding.reason.endswith("allowed 80 to 300 ms: the log does not show its end")
        assert finding.evidence[1].time.latest_ns is None

    def test_too_long_already_though_the_end_is_not_there(self) -> None:
        finding = told(run(pulse(None, 100), on(800)))
        assert finding.outcome is Outcome.VIOLATED
        assert finding.reason == "enable was on for at least 200 ms; allowed 100 ms: too long by at least 100 ms"

    def test_a_limit_that_would_be_decided_by_a_faster_recording(self) -> None:
        finding = told(run(pulse(None, 95), on(300, 400)))
        assert finding.reason == (
            "enable was on for 90 to 110 ms; allowed 95 ms: too close to call at one frame per 10 ms;"
            " about one frame per 5 ms would decide"
        )
