from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from support.in_full import span
from support.stage import Samples, outcomes, perform, sampled

from buslens.capture.frames import Clock
from buslens.checks.findings import Evidence, Finding, Limit, Outcome
from buslens.expectations.model import Alive
from buslens.units import NS_PER_MS

if TYPE_CHECKING:
    from buslens.checks.findings import Result

#: Frames of another message, so that the capture is longer than the message is there.
OTHER = sampled([(0, "x")], every=10, until=1000)


def alive(*, cycle: float | None = None, timeout: float | None = None) -> Alive:
    return Alive(
        name="alive",
        basis="invented",
        message="COLUMN",
        cycle_ns=None if cycle is None else round(cycle * NS_PER_MS),
        timeout_ns=None if timeout is None else round(timeout * NS_PER_MS),
    )


def column(*without: tuple[float, float], start: float = 0, until: float = 1000, every: float = 20) -> Samples:
    """Return a message per 20 ms, save strictly between the given times."""
    frames = sampled([(0, "x")], every=every, until=until, start=start)
    return [frame for frame in frames if not any(begin < frame[0] < end for begin, end in without)]


def run(rule: Alive, samples: Samples, **how: object) -> Result:
    return perform({"column": samples, "other": OTHER}, rule, also={"column": {"x"}}, **how)  # type: ignore[arg-type]


def told(result: Result) -> Finding:
    return result.findings[0]


class TestSilence:
    """A silence longer than the timeout is a violation, wherever in the capture; one of exactly that length is none."""

    @pytest.mark.parametrize(("timeout", "outcome"), [(99, "violated"), (100, "met"), (101, "met")])
    @pytest.mark.parametrize(
        "samples",
        [column((400, 500)), column(start=100), column(until=900)],
        ids=["inside", "at the start", "at the end"],
    )
    def test_by_the_timeout(self, samples: Samples, timeout: float, outcome: str) -> None:
        assert told(run(alive(timeout=timeout), samples)).outcome.value == outcome

    @pytest.mark.parametrize(("start", "outcome"), [(100, "met"), (1000, "met"), (1010, "violated")])
    def test_a_bus_that_sleeps_may_wake_up_as_the_capture_begins(self, start: float, outcome: str) -> None:
        samples = column(start=start, until=2000)
        assert told(run(alive(timeout=75), samples, sleeps=True)).outcome.value == outcome

    def test_tells_where_and_how_long(self) -> None:
        finding = told(run(alive(timeout=75, cycle=20), column((400, 500))))
        assert finding.reason == "no COLUMN frame for 100 ms; expected every 20 ms; maximum gap 75 ms"
        assert finding.time_ns == 400 * NS_PER_MS
        assert finding.delay is not None
        assert (finding.delay.earliest_ns, finding.delay.latest_ns) == (100 * NS_PER_MS, 100 * NS_PER_MS)

    def test_each_silence_is_told(self) -> None:
        result = run(alive(timeout=75), column((200, 300), (600, 800)))
        assert outcomes(result) == [("alive", "violated"), ("alive", "violated"), ("alive", "met")]
        assert result.findings[-1].count == 3
        assert result.findings[-1].reason == "COLUMN came about every 20 ms, except as reported"

    def test_an_open_end_has_no_greatest_length(self) -> None:
        finding = told(run(alive(timeout=75), column(until=900)))
        assert finding.delay is not None
        assert finding.delay.latest_ns is None
        assert "up to the end of the capture" in finding.reason


class TestTimeout:
    """The timeout is the rule's, else three times its cycle, else measured."""

    @pytest.mark.parametrize(("cycle", "outcome"), [(33, "violated"), (34, "met")])
    def test_three_cycles(self, cycle: float, outcome: str) -> None:
        assert told(run(alive(cycle=cycle), column((400, 500)))).outcome.value == outcome

    @pytest.mark.parametrize(("until", "outcome"), [(460, "met"), (480, "violated")])
    def test_measured(self, until: float, outcome: str) -> None:
        """A message per 20 ms may be silent for 60 ms."""
        assert told(run(alive(), column((400, until)))).outcome.value == outcome

    def test_cannot_be_measured(self) -> None:
        finding = told(run(alive(), [(0, "x")]))
        assert finding.outcome.value == "undecided"
        assert "how often COLUMN should come" in finding.reason


class TestNotOneFrame:
    @pytest.mark.parametrize(("timeout", "outcome"), [(999, "violated"), (1000, "undecided"), (5000, "undecided")])
    def test_by_the_length_of_the_capture(self, timeout: float, outcome: str) -> None:
        """A message that never came is missed once the capture is longer than its timeout."""
        result = run(alive(timeout=timeout), [])
        assert outcomes(result) == [("alive", outcome)]
        assert "frame in 1 s, the whole capture" in told(result).reason


class TestSeam:
    """Across a place where the clock ran back the length of a silence is not known."""

    def test_undecided(self) -> None:
        finding = told(run(alive(timeout=75), column(), discontinuities=[505]))
        assert finding.outcome.value == "undecided"
        assert "recorder clock jumped back" in finding.reason

    @pytest.mark.parametrize("gap", [(400, 520), (480, 600)], ids=["before", "behind"])
    def test_too_long_on_one_side_already(self, gap: tuple[float, float]) -> None:
        finding = told(run(alive(timeout=75), column(gap), discontinuities=[500.5]))
        assert finding.outcome.value == "violated"
        assert "for at least" in finding.reason

    def test_is_told_once(self) -> None:
        result = run(alive(timeout=75), column((400, 600)), discontinuities=[490.5, 500.5])
        assert outcomes(result) == [("alive", "violated"), ("alive", "met")]

    def test_later_silences_are_told_too(self) -> None:
        result = run(alive(timeout=75), column((400, 600), (800, 900)), discontinuities=[490.5, 500.5])
        assert [finding.time_ns for finding in result.findings] == [400 * NS_PER_MS, 800 * NS_PER_MS, None]


class TestUntimed:
    def test_undecided(self) -> None:
        assert outcomes(run(alive(timeout=75), column(), clock=Clock.MISSING)) == [("alive", "undecided")]
        assert outcomes(run(alive(timeout=75), [], clock=Clock.MISSING)) == [("alive", "undecided")]


def silence(
    outcome: Outcome, reason: str, *, since: float, least: float, most: float | None, limit: float, what: str
) -> Finding:
    """Return a finding on a silence, written out; times in milliseconds."""
    begun = span(since, since)
    return Finding(
        rule="alive",
        kind="alive",
        outcome=outcome,
        reason=reason,
        time_ns=round(since * NS_PER_MS),
        delay=span(least, most),
        limit=Limit(most=limit * NS_PER_MS),
        reference=begun,
        evidence=(Evidence(what=what, role="", time=begun),),
        basis="invented",
    )


def came(reason: str, *, count: int, limit: float) -> Finding:
    return Finding(
        rule="alive",
        kind="alive",
        outcome=Outcome.MET,
        reason=reason,
        time_ns=None,
        limit=Limit(most=limit * NS_PER_MS),
        count=count,
        basis="invented",
    )


class TestInFull:
    """Everything that a finding carries: words, moment, length, limit, what it rests on, where the limit comes from."""

    LAST = "last frame of COLUMN before the silence"
    BEGIN = "the capture begins"

    def test_inside(self) -> None:
        result = run(alive(timeout=75, cycle=20), column((400, 500)))
        reason = "no COLUMN frame for 100 ms; expected every 20 ms; maximum gap 75 ms"
        assert list(result.findings) == [
            silence(Outcome.VIOLATED, reason, since=400, least=100, most=100, limit=75, what=self.LAST),
            came("COLUMN came about every 20 ms, except as reported", count=2, limit=75),
        ]

    def test_at_the_start(self) -> None:
        result = run(alive(timeout=75), column(start=100))
        reason = "no COLUMN frame for 100 ms at the start of the capture; maximum gap 75 ms"
        assert list(result.findings) == [
            silence(Outcome.VIOLATED, reason, since=0, least=100, most=100, limit=75, what=self.BEGIN),
            came("COLUMN came about every 20 ms, except as reported", count=1, limit=75),
        ]

    def test_up_to_the_end(self) -> None:
        result = run(alive(timeout=75), column(until=900))
        reason = "no COLUMN frame for 100 ms up to the end of the capture; maximum gap 75 ms"
        assert list(result.findings) == [
            silence(Outcome.VIOLATED, reason, since=900, least=100, most=None, limit=75, what=self.LAST),
            came("COLUMN came about every 20 ms, except as reported", count=1, limit=75),
        ]

    def test_not_one_frame(self) -> None:
        result = run(alive(timeout=999, cycle=20), [])
        reason = "no COLUMN frame in 1 s, the whole capture; expected every 20 ms"
        assert list(result.findings) == [
            silence(Outcome.VIOLATED, reason, since=0, least=1000, most=None, limit=999, what=self.BEGIN)
        ]

    def test_nothing_wrong(self) -> None:
        result = run(alive(timeout=75), column())
        assert list(result.findings) == [came("COLUMN came about every 20 ms", count=1, limit=75)]

    def test_one_frame_has_no_usual_time(self) -> None:
        result = run(alive(timeout=75), [(0, "x")])
        assert result.findings[-1] == came("COLUMN came, except as reported", count=1, limit=75)

    def test_unmeasured(self) -> None:
        (finding,) = run(alive(), [(300, "x")]).findings
        assert finding == Finding(
            rule="alive",
            kind="alive",
            outcome=Outcome.UNDECIDED,
            reason="cannot decide how often COLUMN should come: neither the expectations nor the definitions say it,"
            " and the capture has too few of its frames to measure it; add 'cycle' or 'timeout' to the rule",
            time_ns=0,
            limit=Limit(most=None),
            reference=span(0, 0),
            evidence=(Evidence(what=self.BEGIN, role="", time=span(0, 0)),),
            basis="invented",
        )

    def test_discontinuity(self) -> None:
        result = run(alive(timeout=75), column(), discontinuities=[505])
        reason = "length of the COLUMN gap unknown; recorder clock jumped back"
        assert result.findings[0] == silence(
            Outcome.UNDECIDED, reason, since=500, least=15, most=None, limit=75, what=self.LAST
        )

    @pytest.mark.parametrize(("timeout", "outcome"), [(80, "undecided"), (79.999999, "violated")])
    def test_as_long_as_the_timeout_on_one_side_of_a_discontinuity(self, timeout: float, outcome: str) -> None:
        found = run(alive(timeout=timeout, cycle=20), column((400, 500)), discontinuities=[480])
        (finding,) = (it for it in found.findings if it.outcome is not Outcome.MET)
        assert finding.outcome.value == outcome
        if outcome == "violated":
            reason = "no COLUMN frame for at least 80 ms; expected every 20 ms; maximum gap 79.999999 ms"
            assert finding.reason == reason
            assert finding.delay == span(80, None)

    def test_behind_a_short_silence_a_long_one_is_found(self) -> None:
        """What is no violation does not end the search, and neither does a clock discontinuity."""
        result = run(alive(timeout=75), column((200, 300), (600, 700)), discontinuities=[100.5])
        assert outcomes(result)[:3] == [("alive", "undecided"), ("alive", "violated"), ("alive", "violated")]

    def test_behind_a_late_first_frame(self) -> None:
        """A first frame that came in good time is no end of the search either."""
        result = run(alive(timeout=75), column((390, 510), start=50))
        assert [finding.time_ns for finding in result.findings] == [390 * NS_PER_MS, None]
