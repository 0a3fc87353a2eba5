"""Proof by rehearsal, on a sample; ``tests/benchmarks/diagnose_rehearsed.py`` runs the thousand.

The cars are simulated by a layer that knows nothing of causes, and what a meter reads at them comes from the same
physics. The numbers of the causes file were set by looking at other seeds.
"""

from __future__ import annotations

from functools import cache

import pytest
from scipy.stats import binom
from support.examples import examples
from support.rehearsed import judged_scenario
from support.trials import Trial, as_drawn, as_filed, brier_score, causes, reliability, run_trial

from buslens.causes.diagnosis import diagnose
from buslens.causes.model import CauseKind
from buslens.rehearsal.faults import FAULTS
from buslens.rehearsal.harness import Harness, Wire
from buslens.rehearsal.lock_unit import Mechanics
from buslens.rehearsal.scenario import Scenario

COUNT = len(FAULTS) * examples(1)
BASE = 2
COMPARED = 5
"""Of so many trials one is gone through in other ways, too, which takes the most time of all."""

pytestmark = pytest.mark.slow


@cache
def trials() -> list[Trial]:
    return [run_trial(number, BASE, is_compared=number % COMPARED == 0) for number in range(COUNT)]


class TestFirstGroup:
    """The true cause is in the first group."""

    def test_hits(self) -> None:
        """Fewer hits than these would come by chance 1 time in 1,000, if 97 % is what is reached."""
        missed = [(it.fault, it.first_group[:3]) for it in trials() if it.truth not in it.first_group]
        assert COUNT - len(missed) >= binom.ppf(0.001, COUNT, 0.97), missed

    def test_groups_are_small(self) -> None:
        """A first group that held everything would be right always, and say nothing."""
        shown = [it for it in trials() if it.shows]
        assert sum(len(it.first_group) for it in shown) / len(shown) < 4

    def test_cars_with_nothing_wrong_are_let_be(self) -> None:
        for it in trials():
            if it.truth == "nothing_wrong":
                assert causes().causes[it.first_group[0]].kind is CauseKind.NOTHING, it.fault


class TestCalibration:
    """What is said to be so probable is true so often, or oftener where it is probable: the file is careful."""

    def test_reliability(self) -> None:
        """Overconfidence would show as likely causes that are true less often, unlikely ones that are oftener."""
        for row in reliability(as_drawn(trials())):
            if row.said > 0.5:
                assert row.true >= binom.ppf(0.001, row.count, row.said), row
            elif row.said < 0.2:
                assert row.true <= binom.ppf(0.999, row.count, row.said), row
            else:
                low, high = binom.ppf(0.0005, row.count, row.said), binom.ppf(0.9995, row.count, row.said)
                assert low <= row.true <= high, row

    def test_better_than_the_prior(self) -> None:
        total = sum(it.weight for it in causes().causes.values())
        prior = {name: it.weight / total for name, it in causes().causes.items()}
        blind = [sum((chance - (name == it.truth)) ** 2 for name, chance in prior.items()) / COUNT for it in trials()]
        assert brier_score(as_filed(trials())) < sum(blind) / 2


class TestAdvice:
    """Following the advice ends on the true cause, in fewer minutes than going through the harness in a fixed order."""

    def test_ends_on_the_true_cause(self) -> None:
        wrong = [(it.fault, it.advised) for it in trials() if it.advised.ends_on != it.truth]
        assert COUNT - len(wrong) >= binom.ppf(0.001, COUNT, 0.97), wrong

    @pytest.mark.parametrize("way", ["in_order", "without_log"])
    def test_takes_fewer_minutes(self, way: str) -> None:
        compared = [(it.advised.minutes, getattr(it, way).minutes) for it in trials() if getattr(it, way) is not None]
        assert len(compared) >= COUNT // COMPARED
        assert sum(advised for advised, _ in compared) < 0.5 * sum(other for _, other in compared)

    def test_a_part_is_never_first_while_something_cheap_explains_as_much(self) -> None:
        for it in trials():
            kinds = {name: causes().causes[name].kind for name in it.first_group if name in causes().causes}
            if kinds.get(it.advised.ends_on) is CauseKind.PART and not it.advised.measurements:
                assert not any(kind.is_cheap for kind in kinds.values()), it.fault


class TestTwoAtOnce:
    """Where one cause cannot explain all that shows, two are named beside it."""

    @pytest.mark.parametrize(
        ("harness", "mechanics", "pair", "leads"),
        [
            # The feedback alone explains all but the straining motor, and one fault is likelier than two.
            (
                Harness(unlock_feedback=Wire.OPEN),
                Mechanics(friction=1.6, wear=2.0),
                {"unlock_feedback_open", "motor_worn"},
                False,
            ),
            # A jammed bolt and one under load show the same; the latter is more common.
            (Harness(data_line=Wire.OPEN), Mechanics(blocked_at=0.015), {"data_line_open", "bolt_under_load"}, True),
        ],
        ids=["feedback and motor", "data line and bolt"],
    )
    def test_pair(self, harness: Harness, mechanics: Mechanics, pair: set[str], leads: bool) -> None:
        found = diagnose([judged_scenario(Scenario(harness=harness, mechanics=mechanics), 5)], causes())
        both = next(it for it in found.ranking.hypotheses if len(it.causes) == 2)
        alone = [it for it in found.ranking.hypotheses if len(it.causes) == 1]
        assert {cause.name for cause in both.causes} == pair
        assert not found.case(both).unexplained
        assert (found.ranking.hypotheses[0] is both) is leads
        # No one cause explains all, and none fits nearly as well; the better half of the pair is the likeliest of them.
        assert all(found.case(it).unexplained for it in alone if it.causes[0].kind is not CauseKind.OTHER)
        assert all(both.likelihood > 3 * it.likelihood for it in alone)
        assert leads or {found.ranking.hypotheses[0].name} < pair

    def test_two_that_look_like_one(self) -> None:
        """A broken supply explains a silent data line and an idle motor at once, and one is likelier than two."""
        scenario = Scenario(harness=Harness(enable=Wire.OPEN, data_line=Wire.OPEN))
        found = diagnose([judged_scenario(scenario, 5)], causes())
        assert found.ranking.hypotheses[0].name == "supply_open"
        assert all(len(it.causes) == 1 for it in found.ranking.groups[0])
