"""On which step of the ladder a vehicle stands."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from support.sheets import anomaly, capture, drift, fault, found, row_of

from buslens.checks.findings import Outcome, Verdict
from buslens.fleet.model import AnomalyKind, FailureKind
from buslens.fleet.page.urgency import (
    DEFINITIONS,
    LATELY,
    Urgency,
    VehicleStatus,
    on_both_paths,
    recent_captures_of,
    vehicle_status,
)

SIGNS = {"=": Verdict.AS_EXPECTED, "x": Verdict.FAULTY, "?": Verdict.UNDECIDED, "-": None}
PATHS = ("unlock_feedback", "data_feedback")
LOCKED = fault(Outcome.VIOLATED, rule="no start while locked", kind="never", roles=("ignition", "unlock_feedback"))
APART = fault(Outcome.VIOLATED, rule="feedback agreement", kind="agree", roles=PATHS)
LATE_DATA = fault(roles=("data_feedback",))
IN_VAIN = fault(Outcome.MISSING)


def placed(signs: str, *findings: object, anomalies: tuple[object, ...] = (), vehicle: str = "car1") -> VehicleStatus:
    """Return where a vehicle stands whose captures had these verdicts, each faulty one with these findings."""
    captures = [capture(number, SIGNS[sign], vehicle=vehicle, at_day=30 * number) for number, sign in enumerate(signs)]
    faulty = [one for one in captures if one.verdict is Verdict.FAULTY]
    faults = [found(one, finding) for one in faulty for finding in findings or (fault(),)]  # type: ignore[arg-type]
    return vehicle_status(row_of(captures, vehicle), captures, faults, anomalies)  # type: ignore[arg-type]


def starts(before: str, failed: int, handshakes: int, vehicle: str = "car1") -> VehicleStatus:
    """Return where a vehicle stands in whose last capture so many handshakes failed."""
    captures = [capture(number, SIGNS[sign], vehicle=vehicle) for number, sign in enumerate(before)]
    last = capture(len(captures), Verdict.FAULTY, vehicle=vehicle)._replace(handshakes=handshakes)
    numbers = range(1, failed + 1)
    faults = [found(last, fault()._replace(handshake=number)) for number in numbers] or [
        found(last, fault(Outcome.VIOLATED, kind="never"))
    ]
    return vehicle_status(row_of([*captures, last], vehicle), [*captures, last], faults, ())


class TestStep:
    """Each step is what its definition says."""

    @pytest.mark.parametrize(
        ("signs", "urgency"),
        [
            ("", Urgency.NOT_KNOWN),
            ("=", Urgency.AS_EXPECTED),
            ("x", Urgency.FAULTY),
            ("x?", Urgency.FAULTY),
            ("=x", Urgency.AT_TIMES),
            ("xx", Urgency.FAULTY),
            ("x=", Urgency.AT_TIMES),
            ("x=x", Urgency.FAULTY),
            ("xx=", Urgency.AT_TIMES),
            # What could not be decided does not make a vehicle sound again.
            ("xx?", Urgency.FAULTY),
            ("xx-", Urgency.FAULTY),
            ("?", Urgency.NOT_KNOWN),
            ("-", Urgency.NOT_KNOWN),
            ("=?", Urgency.AS_EXPECTED),
            ("xx" + LATELY * "=", Urgency.AS_EXPECTED),
            ("x" + (LATELY - 1) * "=", Urgency.AT_TIMES),
            ("x" + LATELY * "?", Urgency.NOT_KNOWN),
        ],
    )
    def test_verdicts(self, signs: str, urgency: Urgency) -> None:
        assert placed(signs).urgency is urgency

    @pytest.mark.parametrize(
        ("before", "failed", "handshakes", "urgency"),
        [
            ("", 3, 3, Urgency.FAULTY),
            ("", 1, 3, Urgency.AT_TIMES),
            ("", 0, 0, Urgency.FAULTY),
            ("=", 3, 3, Urgency.FAULTY),
            ("=", 2, 3, Urgency.AT_TIMES),
            ("=", 1, 1, Urgency.AT_TIMES),
            ("=", 0, 0, Urgency.AT_TIMES),
        ],
    )
    def test_handshakes_of_one_capture(self, before: str, failed: int, handshakes: int, urgency: Urgency) -> None:
        """A car that fails three of three starts is faulty, though it was recorded once."""
        one = starts(before, failed, handshakes)
        assert (one.urgency, one.failed_handshakes[0]) == (urgency, failed)

    def test_captures_of_another_car_call_nobody_in(self) -> None:
        def of(*troubles: FailureKind) -> VehicleStatus:
            captures = [capture(number, None)._replace(trouble=trouble) for number, trouble in enumerate(troubles)]
            return vehicle_status(row_of(captures), captures, (), ())

        assert not of(FailureKind.UNRELATED).is_called_in
        assert not of(FailureKind.UNRELATED, FailureKind.UNRELATED).is_called_in
        assert of(FailureKind.UNRELATED, FailureKind.UNREADABLE).is_called_in
        assert {of(FailureKind.UNRELATED).urgency, placed("?").urgency} == {Urgency.NOT_KNOWN}
        assert placed("?").is_called_in

    def test_ignition(self) -> None:
        assert placed("x=========", LOCKED).urgency is Urgency.IGNITION
        assert placed("x==========", LOCKED).urgency is Urgency.AS_EXPECTED

    def test_a_sequence_that_awaits_the_ignition_is_no_danger(self) -> None:
        assert placed("xx", fault(roles=("ignition",))).urgency is Urgency.FAULTY

    @pytest.mark.parametrize("reason", ["ignition is on, unlock_feedback is locked", "reworded"])
    def test_words_mean_nothing(self, reason: str) -> None:
        """Which roles a finding is about is told by its rule, not by a sentence."""
        other = fault(Outcome.VIOLATED, rule="ignition", kind="never", reason=reason, roles=("speed",))
        assert placed("xx", other).urgency is Urgency.FAULTY
        assert not placed("xx", other).on_both_paths
        assert placed("xx", other._replace(roles=("ignition", *PATHS))).urgency is Urgency.IGNITION
        assert placed("xx", other._replace(roles=PATHS)).on_both_paths

    def test_a_doubt_is_no_danger(self) -> None:
        assert placed("xx", LOCKED._replace(outcome=Outcome.UNDECIDED)).urgency is Urgency.FAULTY

    def test_crossing_before_standing_out(self) -> None:
        both = (anomaly(q_value=1e-9), drift("car1"))
        assert placed("=", anomalies=both).urgency is Urgency.CROSSING
        assert placed("=", anomalies=both[:1]).urgency is Urgency.STANDS_OUT
        assert placed("xx", anomalies=both).urgency is Urgency.FAULTY

    def test_the_earliest_crossing_counts(self) -> None:
        late = anomaly(kind=AnomalyKind.DRIFT, crossing_ns=(7, None))
        early = anomaly(kind=AnomalyKind.DRIFT, crossing_ns=(5, 9))
        assert placed("=", anomalies=(late, early)).crossing_ns == (5, 9)

    @pytest.mark.parametrize("q_value", [0.051, 1.0, float("nan")])
    def test_what_may_be_chance_is_not_told(self, q_value: float) -> None:
        one = placed("=", anomalies=(anomaly(q_value=q_value),))
        assert one.urgency is Urgency.AS_EXPECTED
        assert one.anomalies == ()

    def test_every_step_is_defined(self) -> None:
        assert set(DEFINITIONS) == {step for step in Urgency if step.is_called_in}


class TestLately:
    """The last few captures, or all of the last two weeks where these are more."""

    @given(st.lists(st.integers(0, 40), max_size=30), st.integers(0, 3))
    def test_against_the_words(self, days: list[int], undated: int) -> None:
        dated = [capture(10 + place, at_day=day) for place, day in enumerate(sorted(days))]
        captures = [capture(number)._replace(recorded_ns=None) for number in range(undated)] + dated
        found = recent_captures_of(captures)
        recent = [one for one in dated if max(days) - 14 <= sorted(days)[one.capture - 10]]
        assert list(found) == max(captures[-LATELY:], recent, key=len)

    def test_a_fault_of_last_week_counts_however_often_it_was_recorded_since(self) -> None:
        captures = [capture(number, at_day=number // 8) for number in range(80)]
        captures[3] = capture(3, Verdict.FAULTY, at_day=0)
        one = vehicle_status(row_of(captures), captures, [found(captures[3], fault())], ())
        assert one.urgency is Urgency.AT_TIMES
        assert one.faulty_lately == 1


class TestBothPaths:
    """Both paths: both are named, or one is awaited in vain while nothing says that the two disagree."""

    @pytest.mark.parametrize(
        ("findings", "both"),
        [
            ((), False),
            ((fault(),), False),
            ((fault(), LATE_DATA), True),
            ((APART,), False),
            ((IN_VAIN,), True),
            ((IN_VAIN, APART), False),
            ((IN_VAIN, APART, LATE_DATA), True),
            ((fault(Outcome.MISSING, roles=("lock_enable",)),), False),
        ],
    )
    def test_findings(self, findings: tuple[object, ...], both: bool) -> None:
        one = capture(1, Verdict.FAULTY)
        assert on_both_paths((found(one, finding) for finding in findings), frozenset(PATHS)) is both  # type: ignore[arg-type]

    def test_disagreement_in_another_capture_is_no_answer(self) -> None:
        faults = [found(capture(1), IN_VAIN), found(capture(2), APART)]
        assert on_both_paths(faults, frozenset(PATHS))

    def test_roles_of_another_name(self) -> None:
        """The paths are what the expectations compare, and nothing where they compare nothing."""
        own = frozenset({"lock switch", "lock status"})
        one = capture(1, Verdict.FAULTY)
        both = [found(one, fault(roles=(role,))) for role in sorted(own)]
        assert vehicle_status(row_of([one]), [one], both, (), [frozenset(PATHS), own]).on_both_paths
        assert not vehicle_status(row_of([one]), [one], both, ()).on_both_paths
        assert not vehicle_status(row_of([one]), [one], [found(one, IN_VAIN)], (), ()).on_both_paths


class TestOrder:
    """Within a step as the sheet says, and never by chance."""

    def test_a_car_that_does_not_start_first(self) -> None:
        """Whatever else is wrong with one that does."""
        assert starts("xxx", 3, 3, vehicle="b").order < starts("xxx", 2, 3, vehicle="a").order
        number = 7
        captures = [capture(number + place, Verdict.FAULTY)._replace(handshakes=2) for place in range(2)]
        both = vehicle_status(row_of(captures), captures, [found(one, IN_VAIN) for one in captures], ())
        assert both.on_both_paths
        assert starts("", 1, 1).order < both.order

    def test_both_paths_first(self) -> None:
        assert placed("xx=x", IN_VAIN, vehicle="b").order < placed("xxxx", vehicle="a").order

    def test_then_by_share(self) -> None:
        assert placed("xxxx", vehicle="b").order < placed("xx=x", vehicle="a").order

    def test_then_the_last_fault(self) -> None:
        assert placed("=xx", vehicle="b").order < placed("xx?", vehicle="a").order

    def test_the_earliest_crossing_first(self) -> None:
        soon, later = (
            placed("=", vehicle=name, anomalies=(anomaly(kind=AnomalyKind.DRIFT, crossing_ns=(at, None)),))
            for name, at in (("b", 5), ("a", 7))
        )
        assert soon.order < later.order

    def test_the_surest_first(self) -> None:
        sure, less = (
            placed("=", vehicle=name, anomalies=(anomaly(q_value=share),)) for name, share in (("b", 1e-3), ("a", 0.04))
        )
        assert sure.order < less.order

    @given(st.lists(st.text("=x?-", min_size=1, max_size=12), min_size=2, max_size=6), st.randoms())
    def test_any_order_of_vehicles_is_one(self, fleet: list[str], chance: object) -> None:
        vehicles = [placed(signs, vehicle=f"car{number}") for number, signs in enumerate(fleet)]
        once = sorted(vehicles, key=lambda one: one.order)
        chance.shuffle(vehicles)  # type: ignore[attr-defined]
        assert sorted(vehicles, key=lambda one: one.order) == once
        ranks = [list(Urgency).index(one.urgency) for one in once]
        assert ranks == sorted(ranks)

    @given(st.text("=x?-", max_size=15), st.text("=x?-", min_size=LATELY, max_size=LATELY))
    def test_only_the_last_captures_count(self, before: str, lately: str) -> None:
        one, other = placed(before + lately), placed(lately)
        assert one.urgency is other.urgency
        assert [it.verdict for it in one.lately] == [it.verdict for it in other.lately]
