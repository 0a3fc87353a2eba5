from __future__ import annotations

from dataclasses import replace
from typing import ClassVar

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.examples import examples
from support.stage import Samples, all_of, becomes, holds, perform, sampled

from buslens.checks.context import (
    EvaluationContext,
    describe_why,
    longest_hold_ns,
    roles_of,
    roles_of_trigger,
)
from buslens.checks.edges import BlindInterval
from buslens.expectations.model import (
    And,
    Between,
    Compare,
    Condition,
    GuardedEdge,
    HeldFor,
    Is,
    IsUnknown,
    Not,
    Or,
    Trigger,
    WrittenCondition,
)
from buslens.timeline.model import UNKNOWN_STATE, UnknownReason
from buslens.timeline.ternary import FALSE, IN_TRANSITION, TRUE, UNKNOWN
from buslens.units import NS_PER_MS


def context(samples: dict[str, Samples], **how: object) -> EvaluationContext:
    """Return the context of samples in which each role may be on or off."""
    also = {role: {"on", "off"} for role, of in samples.items() if not of or isinstance(of[0][1], str)}
    result = perform(samples, also=also, **how)  # type: ignore[arg-type]
    return EvaluationContext(
        timelines=result.timelines,
        presences={},
        first_ns=result.stats.first_ns or 0,
        end_ns=result.stats.last_ns or 0,
        discontinuities_ns=tuple(discontinuity.time_ns for discontinuity in result.stats.discontinuities),
    )


def line(*times: float, every: float = 10, until: float = 1000) -> Samples:
    """Return a line that is off, then on from the first time, off from the second, and so on."""
    changes = [(0.0, "off"), *((time, "off" if index % 2 else "on") for index, time in enumerate(times))]
    return sampled(changes, every=every, until=until)


def without(samples: Samples, begin: float, end: float) -> Samples:
    return [sample for sample in samples if not begin < sample[0] < end]


def when(trigger: Trigger, state: WrittenCondition) -> Trigger:
    """Return ``TRIGGER and STATE``."""
    return Trigger(
        moments=tuple(GuardedEdge(edge=moment.edge, while_=state.condition) for moment in trigger.moments),
        text=f"{trigger.text} and {state.text}",
    )


def either(*triggers: Trigger) -> Trigger:
    """Return triggers joined by ``or``."""
    return Trigger(
        moments=tuple(moment for trigger in triggers for moment in trigger.moments),
        text=" or ".join(trigger.text for trigger in triggers),
    )


def times(of: EvaluationContext, trigger: Trigger) -> list[tuple[float, float]]:
    found = of.trigger_times(trigger)
    return [
        (since / NS_PER_MS, seen / NS_PER_MS)
        for since, seen in zip(found.since_ns.tolist(), found.seen_ns.tolist(), strict=True)
    ]


class TestOccurrences:
    """A trigger comes about at each edge that the log shows, in the interval of the edge."""

    def test_becomes(self) -> None:
        assert times(context({"a": line(300, 500, 700)}), becomes("a", "on")) == [(290, 300), (690, 700)]

    def test_from_any_other_state(self) -> None:
        samples: Samples = [(0, "off"), (10, "mid"), (20, "on"), (30, "mid"), (40, "on")]
        assert times(context({"a": samples}), becomes("a", "on")) == [(10, 20), (30, 40)]

    def test_the_first_frame_is_no_edge(self) -> None:
        assert times(context({"a": line(0)}), becomes("a", "on")) == []

    def test_no_edge_out_of_the_unknown(self) -> None:
        """What a silence hides is a zone, not an occurrence."""
        of = context({"a": without(line(500), 400, 600)}, timeouts={"a": 50})
        assert times(of, becomes("a", "on")) == []

    def test_several_ways_come_in_order(self) -> None:
        of = context({"a": line(300), "b": line(200)})
        assert times(of, either(becomes("a", "on"), becomes("b", "on"))) == [(190, 200), (290, 300)]

    def test_seen_in_one_frame(self) -> None:
        """Of two that are seen at one moment the one that may have come earlier stands first."""
        of = context({"a": line(300), "b": line(300, every=100)})
        for ways in (("a", "b"), ("b", "a")):
            assert times(of, either(*(becomes(role, "on") for role in ways))) == [(200, 300), (290, 300)]

    def test_condition_that_begins(self) -> None:
        both = Trigger(moments=(GuardedEdge(edge=all_of(holds("a", "on"), holds("b", "on")).condition),), text="both")
        assert times(context({"a": line(300), "b": line(200)}), both) == [(290, 300)]

    def test_number_that_falls_below(self) -> None:
        supply: Samples = [(0, 12.0), (10, 12.0), (20, 9.0), (30, 12.0)]
        low = Trigger(moments=(GuardedEdge(edge=Compare(role="u", operator="<", value=9.5)),), text="u < 9.5 V")
        assert times(context({"u": supply}), low) == [(10, 20)]

    def test_held_for_a_while(self) -> None:
        held = HeldFor(part=Is(role="a", state="on"), duration_ns=50 * NS_PER_MS)
        trigger = Trigger(moments=(GuardedEdge(edge=held),), text="a is on for 50 ms")
        ((since, seen),) = times(context({"a": line(300, 330, 500)}), trigger)
        assert (since, seen) == (540, 550)


class TestAnd:
    """``becomes ... and ...``: the second half is asked at the frame that shows the edge."""

    @pytest.mark.parametrize(("b", "found"), [(line(200), [(290, 300)]), (line(400), [])])
    def test_second_half(self, b: Samples, found: list[tuple[float, float]]) -> None:
        assert times(context({"a": line(300), "b": b}), when(becomes("a", "on"), holds("b", "on"))) == found

    def test_in_one_frame(self) -> None:
        trigger = when(becomes("a", "on"), holds("b", "on"))
        assert times(context({"a": line(300), "b": line(300)}), trigger) == [(290, 300)]

    def test_unknown_second_half_is_doubtful(self) -> None:
        of = context({"a": line(300), "b": without(line(), 100, 600)}, timeouts={"b": 50})
        found = of.trigger_times(when(becomes("a", "on"), holds("b", "off")))
        assert len(found) == 0
        (zone,) = found.possible
        assert (zone.from_ns, zone.until_ns) == (290 * NS_PER_MS, 300 * NS_PER_MS)
        assert zone.why == "b is unknown (message timeout)"

    def test_second_half_between_two_frames_is_doubtful(self) -> None:
        trigger = when(becomes("a", "on"), holds("b", "on"))
        at_a_frame = context({"a": line(300), "b": line(350, every=100)})
        assert at_a_frame.trigger_times(trigger).possible == ()
        between = context({"a": line(340), "b": line(350, every=100)})
        (doubt,) = between.trigger_times(trigger).possible
        assert doubt.why == "b changed between two frames around it"

    def test_second_half_behind_its_last_frame_is_doubtful(self) -> None:
        of = context({"a": line(300), "b": line(until=200)})
        (doubt,) = of.trigger_times(when(becomes("a", "on"), holds("b", "off"))).possible
        assert doubt.why == "the last frame that shows b came before"

    def test_doubts_come_in_order(self) -> None:
        of = context({"a": line(300), "b": line(200), "c": []})
        trigger = when(either(becomes("a", "on"), becomes("b", "on")), holds("c", "on"))
        assert [zone.until_ns for zone in of.trigger_times(trigger).possible] == [200 * NS_PER_MS, 300 * NS_PER_MS]


class TestUnseen:
    """Off before a silence and on behind it: it came on, at a moment that the log does not show."""

    A = without(line(500), 400, 600)
    ZONE = BlindInterval(from_ns=400 * NS_PER_MS, until_ns=600 * NS_PER_MS, why="a is unknown (message timeout)")

    def test_stretch(self) -> None:
        found = context({"a": self.A}, timeouts={"a": 50}).trigger_times(becomes("a", "on"))
        assert (found.unlocated, found.possible, len(found)) == ((self.ZONE,), (), 0)
        assert found.roles == ("a",)

    @pytest.mark.parametrize(
        ("b", "is_ruled_out"),
        [(line(), True), (line(300, 700), False), (line(500, 550), False), (line(610), True), (line(300, 390), True)],
    )
    def test_second_half_can_rule_it_out(self, b: Samples, is_ruled_out: bool) -> None:
        """Only what surely was not so at any moment of the stretch does."""
        of = context({"a": self.A, "b": b}, timeouts={"a": 50})
        found = of.trigger_times(when(becomes("a", "on"), holds("b", "on")))
        assert found.unlocated == (() if is_ruled_out else (self.ZONE,))
        assert found.roles == ("a", "b")

    def test_in_order_of_time(self) -> None:
        of = context({"a": self.A, "b": without(line(250), 200, 300)}, timeouts={"a": 50, "b": 50})
        found = of.trigger_times(either(becomes("a", "on"), becomes("b", "on"))).unlocated
        assert [zone.until_ns for zone in found] == [300 * NS_PER_MS, 600 * NS_PER_MS]


class TestZones:
    """A stretch in which a role is unknown lasts from the last frame before it to the first one behind."""

    @pytest.mark.parametrize(
        ("a", "zone"),
        [
            (
                without(line(), 400, 600),
                BlindInterval(from_ns=400 * NS_PER_MS, until_ns=600 * NS_PER_MS, why="a is unknown (message timeout)"),
            ),
            (
                line(until=400),
                BlindInterval(
                    from_ns=400 * NS_PER_MS,
                    until_ns=1000 * NS_PER_MS + 1,
                    why="a is unknown (message timeout)",
                ),
            ),
            (
                line()[20:],
                BlindInterval(
                    from_ns=-1, until_ns=200 * NS_PER_MS, why="a is unknown (its first frame has not come yet)"
                ),
            ),
            (
                [],
                BlindInterval(
                    from_ns=-1,
                    until_ns=1000 * NS_PER_MS + 1,
                    why="a is unknown (the capture has no frame that carries it)",
                ),
            ),
        ],
        ids=["inside", "to the end", "from the start", "throughout"],
    )
    def test_of_a_silence(self, a: Samples, zone: BlindInterval) -> None:
        assert context({"a": a, "b": line()}, timeouts={"a": 50}).blind_intervals("a") == (zone,)

    def test_discontinuity_in_a_silence(self) -> None:
        why = "a is unknown (recorder clock jumped back)"
        zone = BlindInterval(from_ns=400 * NS_PER_MS, until_ns=600 * NS_PER_MS, why=why, is_discontinuity=True)
        of = context({"a": without(line(), 400, 600)}, timeouts={"a": 50}, discontinuities=[500.5])
        assert of.blind_intervals("a") == (zone,)

    def test_each(self) -> None:
        a = without(without(line(), 200, 400), 600, 800)
        assert [zone.from_ns for zone in context({"a": a}, timeouts={"a": 50}).blind_intervals("a")] == [
            200 * NS_PER_MS,
            600 * NS_PER_MS,
        ]

    def test_none(self) -> None:
        assert context({"a": line()}, timeouts={"a": 50}).blind_intervals("a") == ()


class TestSeams:
    @pytest.mark.parametrize(
        ("since", "until", "has_discontinuity"),
        [(0, 499, False), (0, 500, True), (499, 1000, True), (500, 799, False), (0, 800, True), (800, 1000, False)],
    )
    def test_between_two_times(self, since: int, until: int, has_discontinuity: bool) -> None:
        of = context({"a": line()}, discontinuities=[500, 800])
        assert of.has_discontinuity(since * NS_PER_MS, until * NS_PER_MS) == has_discontinuity


class TestSettled:
    """A condition is judged from the time on at which each of its roles has had time for a first frame."""

    @pytest.mark.parametrize(
        ("start", "timeout", "settled"),
        [(0, 60, 0), (50, 60, 50), (60, 60, 60), (70, 60, 0), (70, None, 70)],
        ids=["at once", "in good time", "in the last moment", "too late", "without a timeout"],
    )
    def test_first_frame(self, start: float, timeout: float | None, settled: float) -> None:
        timeouts = {} if timeout is None else {"a": timeout}
        of = context({"a": line()[round(start / 10) :], "b": line()}, timeouts=timeouts)
        assert of.warm_up_end_ns(Is(role="a", state="on")) == settled * NS_PER_MS
        assert of.warm_up_end_ns(Is(role="b", state="on")) == 0

    def test_capture_that_begins_at_another_time(self) -> None:
        of = context({"a": line()[15:], "b": line()[10:]}, timeouts={"a": 60})
        assert of.warm_up_end_ns(Is(role="a", state="on")) == 150 * NS_PER_MS

    def test_never_sent(self) -> None:
        assert context({"a": [], "b": line()}).warm_up_end_ns(Is(role="a", state="on")) == 0

    @pytest.mark.parametrize("roles", ["abc", "cba", "bac"])
    def test_the_last_of_all(self, roles: str) -> None:
        of = context({"a": line()[3:], "b": line()[5:], "c": line()})
        condition = And(parts=tuple(Is(role=role, state="on") for role in roles))
        assert of.warm_up_end_ns(condition) == 50 * NS_PER_MS


class TestRates:
    OF: ClassVar[dict[str, Samples]] = {
        "a": line(every=20),
        "b": line(every=50),
        "c": [(0, "off")],
        "d": [],
        "e": line(until=400),
    }

    def test_period_is_the_longest(self) -> None:
        of = context(self.OF)
        assert of.period_ns(either(becomes("a", "on"), becomes("b", "on"), becomes("e", "on"))) == 50 * NS_PER_MS
        assert of.period_ns(Or(parts=(Is(role="b", state="on"), Is(role="a", state="on")))) == 50 * NS_PER_MS
        assert of.period_ns(when(becomes("a", "on"), holds("b", "on"))) == 50 * NS_PER_MS

    def test_period_of_what_hardly_came(self) -> None:
        of = context(self.OF)
        assert of.period_ns(either(becomes("c", "on"), becomes("d", "on"))) is None
        assert of.period_ns(either(becomes("c", "on"), becomes("a", "on"))) == 20 * NS_PER_MS

    def test_shown_until_the_first_of_the_last_frames(self) -> None:
        of = context(self.OF)
        assert of.shown_until_ns(becomes("a", "on")) == 1000 * NS_PER_MS
        assert of.shown_until_ns(either(becomes("a", "on"), becomes("e", "on"))) == 400 * NS_PER_MS
        assert of.shown_until_ns(when(becomes("a", "on"), holds("c", "on"))) == 0
        assert of.shown_until_ns(either(becomes("a", "on"), becomes("d", "on"))) == -1


class TestLasting:
    """The same context, if no role had changed after its last frame."""

    def test_only_behind_the_last_frame(self) -> None:
        of = context({"a": line(300, until=500), "b": line()})
        condition = Is(role="a", state="on")
        assert [of.ternary(condition).at(time * NS_PER_MS) for time in (295, 500, 600)] == [
            IN_TRANSITION,
            TRUE,
            IN_TRANSITION,
        ]
        lasting = of.lasting(condition, lambda it: it.ternary(condition))
        assert [lasting.at(time * NS_PER_MS) for time in (295, 500, 600)] == [IN_TRANSITION, TRUE, TRUE]

    @given(st.lists(st.integers(1, 50), min_size=3, max_size=3), st.integers(0, 30), st.sampled_from([20, 70]))
    @settings(max_examples=examples(40), deadline=None)
    def test_as_if_all_frames_had_gone_on(self, until: list[int], held: int, every: int) -> None:
        """Evaluated from some time on it is what the whole capture makes of it."""
        lanes = {role: line(3 * last, until=10 * last, every=every) for role, last in zip("abc", until, strict=True)}
        of = context({**lanes, "d": line()})
        on = {role: Is(role=role, state="on") for role in "abcd"}
        for condition in (
            And(parts=(on["a"], Not(part=on["b"]))),
            HeldFor(
                part=Or(parts=(on["a"], HeldFor(part=on["c"], duration_ns=7 * NS_PER_MS))), duration_ns=held * 10**7
            ),
        ):
            timelines = {role: replace(it, last_frame_ns=it.end_ns) for role, it in of.timelines.items()}
            whole = EvaluationContext(timelines=timelines, presences={}, first_ns=of.first_ns, end_ns=of.end_ns)
            expected, found = whole.ternary(condition), of.lasting(condition, lambda it, of=condition: it.ternary(of))
            assert (found.at_ns.tolist(), found.value.tolist()) == (expected.at_ns.tolist(), expected.value.tolist())


class TestHidden:
    """A stretch in which a role of the trigger is unknown can hide an occurrence."""

    SILENT = without(line(), 400, 600)

    @pytest.mark.parametrize(
        ("since", "until", "is_hidden"),
        [(0, 400, False), (0, 401, True), (599, 1000, True), (600, 1000, False), (450, 460, True)],
    )
    def test_reaches_in(self, since: float, until: float, is_hidden: bool) -> None:
        """The role was last seen at 400 ms and is seen again at 600 ms: in (400, 600] anything may have happened."""
        of = context({"a": self.SILENT}, timeouts={"a": 50})
        zone = of.first_blind_interval(becomes("a", "on"), since * NS_PER_MS, until * NS_PER_MS)
        assert (zone is not None) == is_hidden

    def test_silence_shorter_than_the_timeout(self) -> None:
        of = context({"a": self.SILENT}, timeouts={"a": 200})
        assert of.first_blind_interval(becomes("a", "on"), 0, 1000 * NS_PER_MS) is None

    def test_other_roles_do_not_matter(self) -> None:
        of = context({"a": line(), "b": self.SILENT}, timeouts={"b": 50})
        assert of.first_blind_interval(becomes("a", "on"), 0, 1000 * NS_PER_MS) is None
        assert of.first_blind_interval(when(becomes("a", "on"), holds("b", "on")), 0, 1000 * NS_PER_MS) is not None

    def test_the_first_of_several(self) -> None:
        of = context({"a": without(self.SILENT, 700, 900)}, timeouts={"a": 50})
        zone = of.first_blind_interval(becomes("a", "on"), 0, 1000 * NS_PER_MS)
        assert zone is not None
        assert zone.until_ns == 600 * NS_PER_MS
        later = of.first_blind_interval(becomes("a", "on"), 650 * NS_PER_MS, 1000 * NS_PER_MS)
        assert later is not None
        assert later.until_ns == 900 * NS_PER_MS

    def test_discontinuity(self) -> None:
        of = context({"a": line()}, discontinuities=[505])
        zone = of.first_blind_interval(becomes("a", "on"), 0, 1000 * NS_PER_MS)
        assert zone is not None
        assert zone.is_discontinuity
        assert (zone.from_ns, zone.until_ns) == (500 * NS_PER_MS, 510 * NS_PER_MS)

    def test_silence_that_a_discontinuity_ends(self) -> None:
        """A silence with a clock discontinuity in it is one zone, and the clock discontinuity is what it is called."""
        zone = context({"a": self.SILENT}, timeouts={"a": 50}, discontinuities=[500.5]).blind_intervals("a")
        assert [(it.until_ns, it.is_discontinuity) for it in zone] == [(600 * NS_PER_MS, True)]

    #: Silent in (200, 400], of a value without a name in (400, 600], silent again in (600, 800].
    ONE_AFTER_ANOTHER: ClassVar[Samples] = [
        (time, "odd" if 400 <= time <= 600 else state) for time, state in without(without(line(), 200, 400), 600, 800)
    ]

    @pytest.mark.parametrize(
        ("since", "why"),
        [
            (100, "message timeout"),
            (399, "message timeout"),
            (400, "its value 'odd' is not assigned to a state"),
            (649, "its value 'odd' is not assigned to a state"),
            (650, "message timeout"),
        ],
    )
    def test_the_reason_of_then_is_told(self, since: float, why: str) -> None:
        """A role can be unknown for one reason after another: that of the time before does not explain anything."""
        of = context({"a": self.ONE_AFTER_ANOTHER}, timeouts={"a": 50}, unnamed={"a": {"odd"}})
        (whole,) = of.blind_intervals("a")
        zone = of.first_blind_interval(becomes("a", "on"), since * NS_PER_MS, 1000 * NS_PER_MS)
        assert zone is not None
        assert zone.why == f"a is unknown ({why})"
        assert zone.until_ns == whole.until_ns

    @pytest.mark.parametrize(
        ("since", "until", "is_discontinuity"), [(100, 700, False), (100, 720, True), (730, 800, False)]
    )
    def test_a_discontinuity_of_another_time_is_not_told(
        self, since: float, until: float, is_discontinuity: bool
    ) -> None:
        odd: Samples = [(time, "odd" if time > 500 else state) for time, state in line()]
        of = context({"a": odd}, unnamed={"a": {"odd"}}, discontinuities=[705])
        zone = of.first_blind_interval(becomes("a", "on"), since * NS_PER_MS, until * NS_PER_MS)
        assert zone is not None
        assert zone.is_discontinuity == is_discontinuity

    def test_doubtful_occurrence(self) -> None:
        of = context({"a": line(300), "b": line(until=200)})
        trigger = when(becomes("a", "on"), holds("b", "off"))
        assert of.first_blind_interval(trigger, 0, 250 * NS_PER_MS) is None
        assert of.first_blind_interval(trigger, 300 * NS_PER_MS, 400 * NS_PER_MS) is None
        zone = of.first_blind_interval(trigger, 0, 400 * NS_PER_MS)
        assert isinstance(zone, BlindInterval)
        assert zone.until_ns == 300 * NS_PER_MS

    def test_to_the_end(self) -> None:
        of = context({"a": line(until=400), "b": line()}, timeouts={"a": 50})
        assert of.first_blind_interval(becomes("a", "on"), 999 * NS_PER_MS, 1000 * NS_PER_MS) is not None

    @pytest.mark.parametrize(("since", "is_hidden"), [(649, True), (650, False)])
    def test_condition_that_has_to_last(self, since: float, is_hidden: bool) -> None:
        """Unseen until 600 ms: what began in that time may have lasted 50 ms by 650 ms."""
        held = HeldFor(part=Is(role="a", state="on"), duration_ns=50 * NS_PER_MS)
        trigger = Trigger(moments=(GuardedEdge(edge=held),), text="a is on for 50 ms")
        of = context({"a": self.SILENT}, timeouts={"a": 50})
        assert (of.first_blind_interval(trigger, since * NS_PER_MS, 1000 * NS_PER_MS) is not None) == is_hidden

    @pytest.mark.parametrize(("since", "is_hidden"), [(49, True), (50, False)])
    def test_before_the_capture(self, since: float, is_hidden: bool) -> None:
        """Within the first 50 ms nobody knows whether something has held for 50 ms."""
        held = HeldFor(part=Is(role="a", state="on"), duration_ns=50 * NS_PER_MS)
        trigger = Trigger(moments=(GuardedEdge(edge=held),), text="a is on for 50 ms")
        zone = context({"a": line()}).first_blind_interval(trigger, since * NS_PER_MS, 1000 * NS_PER_MS)
        why = "the state before the capture began is unknown"
        assert zone == (BlindInterval(from_ns=-1, until_ns=50 * NS_PER_MS, why=why) if is_hidden else None)


class TestWhyUnknown:
    """The words name the role that keeps a condition from being decided at a moment, and what is wrong with it."""

    EITHER = Or(parts=(Is(role="a", state="on"), Is(role="b", state="on")))

    def why(self, a: Samples, b: Samples, time: float, **how: object) -> str:
        return context({"a": a, "b": b}, **how).why_unknown(self.EITHER, round(time * NS_PER_MS))

    @pytest.mark.parametrize(
        ("a", "b", "time", "roles"),
        [
            (line(300, every=100), line(), 250, "a"),
            (line(), line(300, every=100), 250, "b"),
            (line(300, every=100), line(300, every=100), 250, "a or b"),
            (line(300, every=100), line(250, every=50), 240, "a or b"),
            # At 200 ms a frame of a has just shown it off.
            (line(300, every=100), line(300, every=150), 200, "b"),
            # Between its two changes a is known.
            (line(300, 600, every=100), line(450, every=150), 400, "b"),
            (line(300, 600, every=100), line(), 550, "a"),
        ],
    )
    def test_between_two_frames(self, a: Samples, b: Samples, time: float, roles: str) -> None:
        assert self.why(a, b, time) == f"{roles} changed between two frames around it"

    @pytest.mark.parametrize(
        ("a", "time", "words"),
        [
            (line(until=400), 400, "b changed between two frames around it"),
            (line(until=400), 401, "the last frame that shows a came before"),
            (line(200, until=400), 300, "b changed between two frames around it"),
            (without(line(200), 400, 900), 300, "b changed between two frames around it"),
            (without(line(200), 400, 900), 400, "b changed between two frames around it"),
            (without(line(200), 400, 900), 401, "the last frame that shows a came before"),
            (without(line(200), 400, 900), 599, "the last frame that shows a came before"),
            (without(line(200), 400, 900), 600, "a is unknown (message timeout)"),
            (without(line(200), 400, 900), 899, "a is unknown (message timeout)"),
        ],
    )
    def test_behind_a_last_frame(self, a: Samples, time: float, words: str) -> None:
        """A frame confirms a state up to its own moment."""
        assert self.why(a, line(600, every=600), time, timeouts={"a": 200}) == words

    def test_silent_to_the_end(self) -> None:
        words = "the last frame that shows a came before"
        assert self.why(line(until=400), line(), 500, timeouts={"a": 200}) == words

    @pytest.mark.parametrize(("time", "words"), [(499, "the last frame that shows a came before")])
    def test_before_a_discontinuity(self, time: float, words: str) -> None:
        assert self.why(line(every=20), line(), time, discontinuities=[499.5]) == words

    @pytest.mark.parametrize(
        ("a", "time", "words"),
        [
            ([], 500, "a is unknown (the capture has no frame that carries it)"),
            (line()[20:], 100, "a is unknown (its first frame has not come yet)"),
            (line()[20:], -5, "a is unknown (its first frame has not come yet)"),
        ],
    )
    def test_not_seen(self, a: Samples, time: float, words: str) -> None:
        assert self.why(a, line(), time) == words

    def test_discontinuity_and_nameless_value(self) -> None:
        assert self.why(line(), line(), 505, discontinuities=[505]) == "a is unknown (recorder clock jumped back)"
        odd: Samples = [(time, "odd" if time == 500 else state) for time, state in line()]
        why = self.why(odd, line(), 505, unnamed={"a": {"odd"}})
        assert why == "a is unknown (its value 'odd' is not assigned to a state)"

    @pytest.mark.parametrize(
        ("unnamed", "words"),
        [(("'not available'",), "its value 'not available' is not a number"), ((), "its value is not a number")],
    )
    def test_of_a_number(self, unnamed: tuple[str, ...], words: str) -> None:
        volts = context({"v": [(0, 12.0), (10, 12.0)]}).timelines["v"]
        odd = replace(
            volts,
            state=np.array([UNKNOWN_STATE], np.int32),
            why=np.array([UnknownReason.UNMAPPED.value], np.int8),
            unnamed_at=np.zeros(1, np.int32) if unnamed else None,
            unnamed=unnamed,
        )
        assert describe_why(odd, 0) == words

    @pytest.mark.parametrize("b", [line(), line(560, every=70)], ids=["known", "changing as well"])
    def test_on_the_way_to_a_nameless_value(self, b: Samples) -> None:
        """A change to what nobody can tell keeps it open longer than a change between two frames does."""
        odd: Samples = [(time, "odd" if time == 500 else state) for time, state in line()]
        why = self.why(odd, b, 495, unnamed={"a": {"odd"}})
        assert why == "a is unknown (its value 'odd' is not assigned to a state)"

    @pytest.mark.parametrize(
        ("time", "words"),
        [
            (100, "the state before the capture began is unknown"),
            (250, "a changed between two frames around it"),
            (499, "the state before the capture began is unknown"),
            (500, "a changed between two frames around it"),
            (750, "a changed between two frames around it"),
        ],
    )
    def test_condition_that_has_to_last(self, time: float, words: str) -> None:
        """What may have begun between two frames has lasted long enough between two others, with no frame to blame."""
        held = HeldFor(part=Is(role="a", state="on"), duration_ns=500 * NS_PER_MS)
        assert context({"a": line(300, every=100)}).why_unknown(held, time * NS_PER_MS) == words


class TestTruth:
    """Each form of condition has its meaning on the lane of its role."""

    @pytest.mark.parametrize(
        ("condition", "at_5", "at_15", "at_25"),
        [
            (Compare(role="u", operator="<", value=12), FALSE, FALSE, TRUE),
            (Compare(role="u", operator="<=", value=12), TRUE, TRUE, TRUE),
            (Compare(role="u", operator=">", value=12), FALSE, FALSE, FALSE),
            (Compare(role="u", operator=">=", value=12), TRUE, TRUE, FALSE),
            (Between(role="u", low=8, high=12), TRUE, TRUE, TRUE),
            (Between(role="u", low=8.1, high=11.9), FALSE, FALSE, FALSE),
            (IsUnknown(role="u"), FALSE, FALSE, FALSE),
            (Is(role="a", state="on"), FALSE, IN_TRANSITION, TRUE),
            (Not(part=Is(role="a", state="on")), TRUE, IN_TRANSITION, FALSE),
            (IsUnknown(role="gone"), TRUE, TRUE, TRUE),
            (Is(role="gone", state="on"), UNKNOWN, UNKNOWN, UNKNOWN),
            (And(parts=(Is(role="a", state="on"), Is(role="gone", state="on"))), FALSE, UNKNOWN, UNKNOWN),
            (Or(parts=(Is(role="a", state="on"), Is(role="gone", state="on"))), UNKNOWN, UNKNOWN, TRUE),
        ],
        ids=str,
    )
    def test_values(self, condition: Condition, at_5: int, at_15: int, at_25: int) -> None:
        of = context(
            {
                "u": [(0, 12.0), (10, 12.0), (15, 12.0), (20, 8.0), (30, 8.0)],
                "a": [(0, "off"), (10, "off"), (20, "on"), (30, "on")],
                "gone": [],
            }
        )
        found = of.ternary(condition)
        assert [found.at(time * NS_PER_MS) for time in (5, 15, 25)] == [at_5, at_15, at_25]


class TestRoles:
    def test_each_once_and_in_order(self) -> None:
        condition = And(
            parts=(Is(role="b", state="x"), Not(part=Or(parts=(IsUnknown(role="a"), Is(role="b", state="y")))))
        )
        assert roles_of(condition) == ("b", "a")
        assert roles_of_trigger(when(becomes("c", "x"), WrittenCondition(condition=condition, text=""))) == (
            "c",
            "b",
            "a",
        )


class TestLongestHold:
    """How far a condition asks back into the past: through all that it asks to last, one within the other."""

    ON = Is(role="a", state="on")

    @pytest.mark.parametrize(
        ("condition", "longest"),
        [
            (ON, 0),
            (HeldFor(part=ON, duration_ns=30), 30),
            (HeldFor(part=HeldFor(part=ON, duration_ns=20), duration_ns=30), 50),
            (Not(part=HeldFor(part=ON, duration_ns=30)), 30),
            (And(parts=(HeldFor(part=ON, duration_ns=30), HeldFor(part=ON, duration_ns=20), ON)), 30),
            (Or(parts=(ON, HeldFor(part=ON, duration_ns=20), HeldFor(part=ON, duration_ns=30))), 30),
        ],
    )
    def test_of_each_form(self, condition: Condition, longest: int) -> None:
        assert longest_hold_ns(condition) == longest
