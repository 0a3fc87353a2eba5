from __future__ import annotations

from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING

import pytest
from support.in_full import after, between, finding, seen, span
from support.stage import Samples, becomes, holds, outcomes, perform, sampled

from buslens.capture.frames import Clock
from buslens.checks.findings import Finding, Limit, Outcome, Verdict
from buslens.expectations.model import GuardedEdge, HeldFor, Is, Precedes, Trigger
from buslens.units import NS_PER_MS

if TYPE_CHECKING:
    from buslens.checks.findings import Result

UNTIL = 4000


def precedes(within: float, *, first: Trigger | None = None, then: Trigger | None = None) -> Precedes:
    return Precedes(
        name="released first",
        first=first or becomes("lock", "free"),
        then=then or becomes("ignition", "on"),
        within_ns=round(within * NS_PER_MS),
    )


def lock(*times: float, every: float = 20) -> Samples:
    """Return a lock that is locked, then free from the first time, locked from the second, and so on."""
    changes = [(0.0, "locked"), *((time, "locked" if index % 2 else "free") for index, time in enumerate(times))]
    return sampled(changes, every=every, until=UNTIL)


def ignition(*times: float) -> Samples:
    changes = [(0.0, "off"), *((time, "off" if index % 2 else "on") for index, time in enumerate(times))]
    return sampled(changes, every=10, until=UNTIL)


def run(rule: Precedes, first: Samples, then: Samples | None = None, **how: object) -> Result:
    samples = {"lock": first, "ignition": ignition(2000) if then is None else then}
    also = {"lock": {"locked", "free"}, "ignition": {"on", "off"}}
    return perform(samples, rule, also=also, **how)  # type: ignore[arg-type]


def told(result: Result) -> Finding:
    return result.findings[0]


class TestDelay:
    """The last time before is judged by the interval of the delay, the limit included."""

    # Free in (1480, 1500] ms, on in (1990, 2000] ms: a delay of more than 490 ms and less than 520 ms.
    @pytest.mark.parametrize(
        ("within", "outcome"),
        [(490, "violated"), (491, "undecided"), (519, "undecided"), (520, "met"), (2000, "met")],
    )
    def test_by_both_ends(self, within: float, outcome: str) -> None:
        finding = told(run(precedes(within), lock(1500)))
        assert finding.outcome.value == outcome
        if outcome == "undecided":
            assert "too close to call at one frame per 20 ms" in finding.reason

    @pytest.mark.parametrize(("within", "outcome"), [(500, "met"), (500 - 1e-6, "violated")])
    def test_exactly_as_long_as_the_limit(self, within: float, outcome: str) -> None:
        result = run(precedes(within), lock(1500), lags={"lock": 0, "ignition": 0})
        assert told(result).outcome.value == outcome

    def test_the_last_time_counts(self) -> None:
        assert told(run(precedes(100), lock(500, 1000, 1940))).outcome.value == "met"
        assert told(run(precedes(100), lock(1000, 1100, 1500))).outcome.value == "violated"

    def test_one_interval(self) -> None:
        """Both between the same frames: the order is taken to be right."""
        assert told(run(precedes(100), lock(2000))).outcome.value == "met"

    def test_wholly_after_does_not_count(self) -> None:
        finding = told(run(precedes(500), lock(2040)))
        assert finding.outcome.value == "violated"
        assert finding.reason == "ignition became on, but in the 500 ms before lock did not become free"

    def test_never(self) -> None:
        result = run(precedes(500), lock())
        assert outcomes(result) == [("released first", "violated")]
        assert result.verdict is Verdict.FAULTY

    def test_each_time_is_judged(self) -> None:
        result = run(precedes(300), lock(800, 1500, 2800), ignition(1000, 1200, 2000, 2200, 3000))
        assert [finding.outcome.value for finding in result.findings] == ["violated", "met"]
        assert result.findings[1].count == 2
        assert "in 2 of 3 cases" in result.findings[1].reason

    def test_nothing_to_judge(self) -> None:
        assert run(precedes(300), lock(500), ignition()).unexercised == ("released first",)


class TestNotInTheLog:
    @pytest.mark.parametrize(("on", "outcome"), [(490, "undecided"), (530, "violated")])
    def test_capture_began_less_than_the_limit_before(self, on: float, outcome: str) -> None:
        finding = told(run(precedes(500), lock(), ignition(on)))
        assert finding.outcome.value == outcome
        if outcome == "undecided":
            assert "too soon to tell what came before it" in finding.reason

    def test_so_shortly_after_the_start_but_seen(self) -> None:
        assert told(run(precedes(500), lock(200), ignition(300))).outcome.value == "met"

    @pytest.mark.parametrize(
        ("gap", "outcome"),
        [((1600, 1800), "undecided"), ((1300, 1470), "violated"), ((2100, 2400), "violated")],
        ids=["in the window", "before it", "behind it"],
    )
    def test_silence_that_could_hide_it(self, gap: tuple[float, float], outcome: str) -> None:
        first = [sample for sample in lock() if not gap[0] < sample[0] < gap[1]]
        finding = told(run(precedes(500), first, timeouts={"lock": 60}))
        assert finding.outcome.value == outcome
        if outcome == "undecided":
            assert "lock is unknown (message timeout)" in finding.reason

    def test_silence_does_not_matter_if_it_was_seen_in_time(self) -> None:
        first = [sample for sample in lock(1900) if not 1600 < sample[0] < 1800]
        assert told(run(precedes(500), first, timeouts={"lock": 60})).outcome.value == "met"

    def test_lock_never_sent(self) -> None:
        assert told(run(precedes(500), [])).outcome.value == "undecided"

    @pytest.mark.parametrize("within", [300, 600, 1500])
    def test_discontinuity_between_the_two(self, within: float) -> None:
        """How far apart they were nobody can tell, however near they stand on the axis."""
        assert told(run(precedes(within), lock(1500), discontinuities=[1805])).outcome.value == "undecided"

    def test_discontinuity_long_before(self) -> None:
        assert told(run(precedes(600), lock(1500), discontinuities=[805])).outcome.value == "met"

    def test_untimed(self) -> None:
        assert outcomes(run(precedes(500), lock(1500), clock=Clock.MISSING)) == [("released first", "undecided")]


class TestTriggers:
    def test_several_ways(self) -> None:
        """Either of two firsts will do, and the nearer one counts."""
        either = Trigger(
            moments=becomes("lock", "free").moments + becomes("other", "free").moments,
            text="lock becomes free or other becomes free",
        )
        samples = {"lock": lock(500), "other": lock(1900), "ignition": ignition(2000)}
        assert outcomes(perform(samples, precedes(200, first=either))) == [("released first", "met")]

    def test_then_that_may_have_come_about(self) -> None:
        """A then whose second half is unknown may have been one."""
        then = Trigger(
            moments=(
                GuardedEdge(edge=becomes("ignition", "on").moments[0].edge, while_=holds("gear", "park").condition),
            ),
            text="ignition becomes on and gear is park",
        )
        samples = {"lock": lock(), "ignition": ignition(2000), "gear": []}
        finding = told(perform(samples, precedes(200, then=then), also={"gear": {"park"}, "lock": {"free"}}))
        assert finding.outcome.value == "undecided"
        assert "gear is unknown" in finding.reason

    def test_held_since_before_the_capture(self) -> None:
        """What has to hold for a while may have begun to before the log shows it."""
        held = HeldFor(part=Is(role="lock", state="free"), duration_ns=300 * NS_PER_MS)
        first = Trigger(moments=(GuardedEdge(edge=held),), text="lock is free for 300 ms")
        free = sampled([(0, "free")], every=20, until=UNTIL)
        assert told(run(precedes(100, first=first), free, ignition(350))).outcome.value == "undecided"
        assert told(run(precedes(100, first=first), free, ignition(450))).outcome.value == "violated"


in_full = partial(finding, "released first", "precedes")


class TestInFull:
    """Everything that a finding carries: words, moment, length, limit, what it rests on, where the limit comes from."""

    FREE = "lock became free"
    ON = "ignition became on"

    def test_each_kind_of_outcome(self) -> None:
        limit = Limit(most=505 * NS_PER_MS)
        then = ignition(100, 200, 600, 1200, 2000, 3000, 3500)
        result = run(replace(precedes(505), basis="invented"), lock(500, 1000, 1500), then)
        assert list(result.findings) == [
            in_full(
                Outcome.UNDECIDED,
                f"{self.ON} only 90 ms after the capture began, too soon to tell what came before it",
                time_ns=100 * NS_PER_MS,
                limit=limit,
                evidence=(seen(self.ON, "ignition", 90, 100),),
            ),
            in_full(
                Outcome.UNDECIDED,
                f"{self.ON} 490 to 520 ms after {self.FREE}; maximum 505 ms: too close to call at one frame per 20 ms,"
                " and so near the limit that a faster recording may not decide it",
                time_ns=2000 * NS_PER_MS,
                delay=between(490, 520),
                limit=limit,
                reference=after(1480, 1500),
                evidence=(seen(self.FREE, "lock", 1480, 1500), seen(self.ON, "ignition", 1990, 2000)),
            ),
            in_full(
                Outcome.VIOLATED,
                f"{self.ON} 1.99 to 2.02 s after {self.FREE}; maximum 505 ms",
                time_ns=3500 * NS_PER_MS,
                delay=between(1990, 2020),
                limit=limit,
                reference=after(1480, 1500),
                evidence=(seen(self.FREE, "lock", 1480, 1500), seen(self.ON, "ignition", 3490, 3500)),
            ),
            in_full(Outcome.MET, "OK in 1 of 4 cases", time_ns=None, limit=limit, count=1),
        ]

    def test_never_came(self) -> None:
        result = run(replace(precedes(100), basis="invented"), lock())
        assert list(result.findings) == [
            in_full(
                Outcome.VIOLATED,
                f"{self.ON}, but in the 100 ms before lock did not become free",
                time_ns=2000 * NS_PER_MS,
                limit=Limit(most=100 * NS_PER_MS),
                evidence=(seen(self.ON, "ignition", 1990, 2000),),
            )
        ]

    def test_unseen(self) -> None:
        """Off before a silence and on behind it: it was switched on, and nobody knows whether in time."""
        then = [frame for frame in ignition(2000) if not 1900 < frame[0] < 2100]
        rule = replace(precedes(100), basis="invented")
        result = run(rule, lock(1990), then, timeouts={"ignition": 50})
        assert list(result.findings) == [
            in_full(
                Outcome.UNDECIDED,
                f"{self.ON} at a moment that the log does not show: ignition is unknown (message timeout)",
                time_ns=2100 * NS_PER_MS,
                limit=Limit(most=100 * NS_PER_MS),
            )
        ]

    def test_hidden(self) -> None:
        """A silence that could hide it is told, whether or not it came before that as well."""
        first = [sample for sample in lock(500) if not 1600 < sample[0] < 1800]
        result = run(replace(precedes(500), basis="invented"), first, timeouts={"lock": 60})
        assert list(result.findings) == [
            in_full(
                Outcome.UNDECIDED,
                f"{self.ON}; cannot decide whether lock became free before it: lock is unknown (message timeout)",
                time_ns=2000 * NS_PER_MS,
                delay=between(1490, 1520),
                limit=Limit(most=500 * NS_PER_MS),
                reference=after(480, 500),
                evidence=(seen(self.FREE, "lock", 480, 500), seen(self.ON, "ignition", 1990, 2000)),
            )
        ]

    def test_discontinuity_between_the_two(self) -> None:
        """There is no delay to tell, though both are in the log."""
        (finding,) = run(replace(precedes(600), basis="invented"), lock(1500), discontinuities=[1805]).findings
        assert finding == in_full(
            Outcome.UNDECIDED,
            f"{self.ON}; cannot decide whether lock became free before it: lock is unknown"
            " (recorder clock jumped back)",
            time_ns=2000 * NS_PER_MS,
            limit=Limit(most=600 * NS_PER_MS),
            evidence=(seen(self.FREE, "lock", 1480, 1500), seen(self.ON, "ignition", 1990, 2000)),
        )

    @pytest.mark.parametrize(("within", "outcome"), [(400, "violated"), (490, "violated"), (490 + 1e-6, "undecided")])
    def test_first_frame_comes_late(self, within: float, outcome: str) -> None:
        """What may have come before a role's first frame is unknown, whenever the capture began."""
        late = [sample for sample in lock() if sample[0] >= 1500]
        (finding,) = run(precedes(within), late).findings
        told = {
            "violated": f"{self.ON}, but in the {within} ms before lock did not become free",
            "undecided": f"{self.ON}; cannot decide whether lock became free before it: lock is unknown"
            " (its first frame has not come yet)",
        }
        # On came behind 1990 ms: by 490 ms, and a nanosecond, behind the first frame of the lock.
        assert (finding.outcome.value, finding.reason) == (outcome, told[outcome])

    @pytest.mark.parametrize(("within", "outcome"), [(500 + 1e-6, "violated"), (500 + 2e-6, "undecided")])
    def test_capture_just_long_enough(self, within: float, outcome: str) -> None:
        """On came behind 500 ms at the earliest: by so much, and a nanosecond, behind the first frame."""
        assert told(run(precedes(within), lock(), ignition(510))).outcome.value == outcome

    def test_may_have_come_about(self) -> None:
        then = Trigger(
            moments=(
                GuardedEdge(edge=becomes("ignition", "on").moments[0].edge, while_=holds("gear", "park").condition),
            ),
            text="ignition becomes on and gear is park",
        )
        samples = {"lock": lock(1990), "ignition": ignition(2000, 2100, 2200), "gear": []}
        rule = replace(precedes(200, then=then), basis="invented")
        found = perform(samples, rule, also={"gear": {"park"}, "lock": {"free"}}).findings
        why = "gear is unknown (the capture has no frame that carries it)"
        assert list(found) == [
            in_full(
                Outcome.UNDECIDED,
                f"cannot decide whether ignition became on and gear was park here: {why}",
                time_ns=time * NS_PER_MS,
                limit=Limit(most=200 * NS_PER_MS),
            )
            for time in (2000, 2200)
        ]

    def test_in_order_of_time(self) -> None:
        """Doubts stand among the rest, where they belong, and what sums up the rest stands last."""
        then = [frame for frame in ignition(500, 1000, 2000, 3000, 3500) if not 1900 < frame[0] < 2100]
        result = run(precedes(100), lock(3450), then, timeouts={"ignition": 50})
        assert [(it.outcome.value, it.time_ns) for it in result.findings] == [
            ("violated", 500 * NS_PER_MS),
            ("undecided", 2100 * NS_PER_MS),
            ("met", None),
        ]
        assert result.findings[-1].reason == "OK in 1 of 3 cases"

    def test_the_slower_recording_counts(self) -> None:
        """What would have to be recorded faster is the slower of the two."""
        for first, then in ((20, 50), (50, 20)):
            free = sampled([(0, "locked"), (1500, "free")], every=first, until=UNTIL)
            on = sampled([(0, "off"), (2000, "on")], every=then, until=UNTIL)
            assert "at one frame per 50 ms" in told(run(precedes(500), free, on)).reason

    def test_order_within_one_interval(self) -> None:
        """What may have come after counts for nothing less: of the times that are not wholly after, the last."""
        first = sampled([(0, "locked"), (1400, "free"), (1700, "locked"), (2100, "free")], every=100, until=UNTIL)
        result = run(precedes(100), first, ignition(2000, 2050, 2060))
        # Free in (2000, 2100] ms is wholly after on in (1990, 2000] ms, and may be before on in (2050, 2060] ms.
        assert [(it.outcome.value, it.time_ns) for it in result.findings] == [
            ("violated", 2000 * NS_PER_MS),
            ("met", None),
        ]

    def test_in_one_interval_it_may_have_been_at_the_same_time(self) -> None:
        (finding,) = run(precedes(10), lock(2000)).findings
        assert (finding.outcome, finding.delay) == (Outcome.UNDECIDED, span(0, 20 - 1e-6))

    def test_silence_right_behind_the_first_frame(self) -> None:
        """What a silence hides is told as hidden, even if only one frame came before it."""
        first = [sample for sample in lock() if not 0 < sample[0] < 1800]
        (finding,) = run(precedes(2500), first, timeouts={"lock": 60}).findings
        assert "cannot decide whether lock became free before it: lock is unknown" in finding.reason

    @pytest.mark.parametrize(
        ("within", "why"), [(300, "its value 'odd' is not assigned"), (700, "its first frame has not come")]
    )
    def test_unknown_from_the_start(self, within: float, why: str) -> None:
        """What one of two roles hides is not made up for by the other, which came too early."""
        other = [(time, "odd") for time, _ in lock() if time >= 1500]
        first = Trigger(
            moments=(*becomes("lock", "free").moments, *becomes("other", "free").moments),
            text="lock becomes free or other becomes free",
        )
        (finding,) = perform(
            {"lock": lock(1000), "other": other, "ignition": ignition(2000)},
            precedes(within, first=first),
            also={"other": {"free", "locked"}},
            unnamed={"other": {"odd"}},
        ).findings
        assert finding.outcome == Outcome.UNDECIDED
        assert f"before it: other is unknown ({why}" in finding.reason

    @pytest.mark.parametrize(("within", "outcome"), [(500, "violated"), (500 + 1e-6, "undecided")])
    def test_least_delay_on_the_limit(self, within: float, outcome: str) -> None:
        """Free at 1500 ms exactly, on in (2000, 2010] ms: by 500 ms and a nanosecond at least."""
        result = run(precedes(within), lock(1500), ignition(2010), lags={"lock": 0})
        assert told(result).outcome.value == outcome

    @pytest.mark.parametrize(("on", "shown"), [(110, "0 ms"), (210, "100 ms")])
    def test_time_is_told_from_the_first_frame(self, on: float, shown: str) -> None:
        """A capture may begin at any time of its clock."""
        samples = [[frame for frame in of if frame[0] >= 100] for of in (lock(), ignition(on))]
        (finding,) = run(precedes(500), *samples).findings
        assert f"only {shown} after the capture began" in finding.reason
