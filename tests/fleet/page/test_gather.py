"""What the page shows is what the ledger holds."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.examples import examples
from support.ledgers import DAY_NS, GROUP, START_NS, jobs, judged, scratch
from support.remembered import Memory
from support.sheets import CALLED_IN, HOSTILE, anomaly, fault, fill
from support.sheets import judged as made

from buslens.checks.findings import Outcome, Verdict
from buslens.fleet import queries
from buslens.fleet.ledger import Ledger
from buslens.fleet.model import CaptureJob, FailureKind
from buslens.fleet.page import page_data as gather_module
from buslens.fleet.page.page_data import FleetView, gather, moment_to_see
from buslens.fleet.page.urgency import LATELY, Urgency, vehicle_status

if TYPE_CHECKING:
    from collections.abc import Iterator

    from buslens.fleet.model import JobResult


@pytest.fixture(scope="module")
def ledger(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Ledger]:
    """Open the ledger of a fleet with a vehicle on each step."""
    with Ledger.reading(fill(tmp_path_factory.mktemp("fleet"))) as opened:
        yield opened


@pytest.fixture(scope="module")
def view(ledger: Ledger) -> FleetView:
    return gather(ledger)


class TestAnyLedger:
    """Whatever is in a ledger, the page counts what a plain memory of it counts."""

    @settings(max_examples=examples(20))
    @given(st.lists(st.tuples(jobs(), judged()), max_size=8))
    def test_against_a_plain_memory(self, entered: list[tuple[CaptureJob, JobResult]]) -> None:
        memory = Memory()
        with scratch() as name, Ledger.writing(Path(name)) as ledger:
            for job, result in entered:
                ledger.put(job, result)
                memory.put(job, result)
            view = gather(ledger)
        counted = memory.counted()
        assert sorted(one.row.vehicle for one in view.standings) == sorted({job.vehicle for job, _ in counted})
        delays = [(delay, job.vehicle) for job, one in counted for delay in one.delays]
        assert sum(step.delays for step in view.steps) == len(delays)
        for step in view.steps:
            key = (step.rule, step.step, step.least_ns, step.most_ns)
            mine = [
                (it, vehicle)
                for it, vehicle in delays
                if (it.rule, it.step, it.least_ns, it.most_ns) == key
            ]  # fmt: skip
            assert step.vehicles == len({vehicle for _, vehicle in mine})
            assert step.censored == sum(it.latest_ns is None for it, _ in mine)
            for outcome in Outcome:
                assert step.outcomes.get(outcome, 0) == sum(it.outcome is outcome for it, _ in mine)
        open_ones = [it for _, one in counted for it in one.findings if it.outcome is Outcome.UNDECIDED]
        assert sum(doubt.findings for doubt in view.doubts if doubt.rule or doubt.step) <= len(open_ones)
        idle = sum(
            one.verdict is Verdict.UNDECIDED and not any(it.outcome is Outcome.UNDECIDED for it in one.findings)
            for _, one in counted
        )
        assert sum(doubt.findings for doubt in view.doubts) == len(open_ones) + idle
        for kind in FailureKind:
            count, named = view.troubles.get(kind, (0, ()))
            assert count == sum(one.trouble is kind for _, one in counted) == len(named)


class TestStandings:
    """Each vehicle stands on its step, seen through the ledger."""

    def test_order(self, view: FleetView) -> None:
        called = [one.row.vehicle for one in view.standings if one.urgency.is_called_in]
        assert called[:6] == CALLED_IN
        assert set(called[6:]) == {HOSTILE, "short"}
        steps = {one.row.vehicle: one.urgency for one in view.standings}
        assert [steps[name] for name in CALLED_IN] == [
            Urgency.IGNITION,
            Urgency.FAULTY,
            Urgency.FAULTY,
            Urgency.AT_TIMES,
            Urgency.CROSSING,
            Urgency.STANDS_OUT,
        ]
        assert {steps[f"sound{number}"] for number in range(3)} == {Urgency.AS_EXPECTED}

    def test_faults_are_those_of_the_last_captures(self, view: FleetView) -> None:
        found = {one.row.vehicle: one for one in view.standings}
        assert len(found["failing"].faults) == 3
        assert len(found["locked"].faults) == 1
        assert found["dead"].on_both_paths
        assert not found["failing"].on_both_paths

    @pytest.mark.parametrize("captures", [LATELY - 1, LATELY, LATELY + 1, 3 * LATELY])
    def test_no_more_captures_than_lately(self, captures: int, tmp_path: Path) -> None:
        with Ledger.writing(tmp_path) as ledger:
            for number in range(captures):
                at = START_NS + number * DAY_NS
                job = CaptureJob(
                    address=f"{number}.log", vehicle="car1", recorded_ns=at, group=GROUP, size=1, stamp="1"
                )
                ledger.put(job, made(f"{number}", fault(), delay_ms=837))
            (one,) = gather(ledger).standings
        # One a day: two weeks before the last are 15 of them.
        assert [row.address for row in one.lately] == [f"{n}.log" for n in range(captures)][-15:]
        assert {found.address for found in one.faults} == {row.address for row in one.lately}


class TestMoment:
    """The capture that shows best why a vehicle is called in."""

    def seen(self, ledger: Ledger, view: FleetView, vehicle: str) -> tuple[str, str] | None:
        one = next(one for one in view.standings if one.row.vehicle == vehicle)
        found = moment_to_see(ledger, one)
        return None if found is None else (found[0].address, "" if found[1] is None else found[1].rule)

    def test_the_gravest_of_the_last(self, ledger: Ledger, view: FleetView) -> None:
        assert self.seen(ledger, view, "locked") == ("/captures/locked/001.log", "ignition interlock")
        assert self.seen(ledger, view, "failing") == ("/captures/failing/003.log", "lock handshake")
        assert self.seen(ledger, view, "mended") == ("/captures/mended/000.log", "lock handshake")

    def test_what_stands_out(self, ledger: Ledger, view: FleetView) -> None:
        assert self.seen(ledger, view, "odd") == ("/captures/odd/000.log", "lock handshake")

    @pytest.mark.parametrize("at", [None, START_NS, START_NS + DAY_NS])
    def test_what_stands_out_is_found_whenever_it_began(self, at: int | None, ledger: Ledger, view: FleetView) -> None:
        """An anomaly may date from long before the capture that shows it best."""
        one = next(one for one in view.standings if one.row.vehicle == "sound1")
        told = anomaly("sound1", address="/captures/sound1/007.log", recorded_ns=at)
        found = moment_to_see(ledger, vehicle_status(one.row, (), (), [told]))
        assert found is not None
        assert found[0].address == told.address
        assert found[1] is told

    def test_what_is_undecided(self, ledger: Ledger, view: FleetView) -> None:
        assert self.seen(ledger, view, "short") == ("/captures/short/000.log", "")

    def test_nothing_to_see(self, ledger: Ledger, view: FleetView) -> None:
        assert self.seen(ledger, view, HOSTILE) is None
        assert self.seen(ledger, view, "drifting") is None


class TestLimits:
    """What is too much for a page is counted."""

    def test_troubles(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(gather_module, "MOST_TROUBLES", 1)
        with Ledger.reading(fill(tmp_path)) as ledger:
            view = gather(ledger)
            assert {kind: (count, len(named)) for kind, (count, named) in view.troubles.items()} == {
                FailureKind.TIME: (1, 1),
                FailureKind.UNREADABLE: (1, 1),
            }
            assert sum(count for count, _ in view.troubles.values()) == len(list(queries.troubles(ledger)))

    def test_trends(self, view: FleetView) -> None:
        assert [(it.anomaly.vehicle, len(it.day_ns)) for it in view.trends] == [("drifting", 21)]
