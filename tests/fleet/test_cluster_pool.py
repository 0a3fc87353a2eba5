"""A Dask cluster of real processes does what the pool of this machine does, with the same function."""

from __future__ import annotations

import logging
from typing import TYPE_CHECKING, Any

import pytest
from support.fleets import do, jobs_of, told, write_fleet

from buslens.errors import BuslensError, UsageError
from buslens.fleet import cluster_pool as cluster_module
from buslens.fleet import queries
from buslens.fleet.cluster_pool import ClusterPool
from buslens.fleet.ledger import Ledger
from buslens.fleet.local_pool import LocalPool
from buslens.fleet.model import FailureKind
from buslens.fleet.run_jobs import run
from buslens.fleet.worker_pool import Failure

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def scheduler() -> Iterator[str]:
    """Address of a scheduler with two processes of one thread each."""
    distributed = pytest.importorskip("distributed")
    import dask

    settings = {
        # What ends its worker does so once and not four times, each of which costs a start.
        "distributed.scheduler.allowed-failures": 0,
    }
    with (
        dask.config.set(settings),
        distributed.LocalCluster(
            n_workers=2,
            threads_per_worker=1,
            processes=True,
            dashboard_address="127.0.0.1:0",
            host="127.0.0.1",
            scheduler_port=0,
            silence_logs=logging.CRITICAL,
        ) as cluster,
    ):
        yield cluster.scheduler_address


def one_thread() -> Any:
    """Return a cluster within this process that does one thing after the other."""
    distributed = pytest.importorskip("distributed")
    return distributed.LocalCluster(
        n_workers=1,
        threads_per_worker=1,
        processes=False,
        dashboard_address="127.0.0.1:0",
        silence_logs=logging.CRITICAL,
    )


class Clock:
    """The time that a pool sees: it moves only where a test moves it, or from one look at it to the next."""

    def __init__(self) -> None:
        self.now_s = 0.0
        self.step_s = 0.0

    def monotonic(self) -> float:
        """Return the time, s."""
        self.now_s += self.step_s
        return self.now_s


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> Clock:
    """Let a pool see a time of the test's own."""
    made = Clock()
    monkeypatch.setattr(cluster_module, "time", made)
    return made


class TestEach:
    """Every item is yielded once, with what came of it."""

    def test_what_a_function_raises_is_raised_here(self, scheduler: str) -> None:
        with ClusterPool(scheduler) as pool, pytest.raises(ValueError, match="item 7"):
            list(pool.each(do, [("wrong", 7)]))

    def test_waiting_for_a_worker_is_no_work(self, clock: Clock) -> None:
        """Each item takes less than is allowed, and the last ones wait for longer than that until they begin."""
        items = [("count", number) for number in range(8)]
        found = {}
        with one_thread() as cluster, ClusterPool(cluster.scheduler_address, seconds=2) as pool:
            for item, outcome in pool.each(do, items):
                found[item] = outcome
                clock.now_s += 1
        assert found == {item: item[1] for item in items}

    def test_what_takes_too_long_is_given_up(self, scheduler: str, clock: Clock) -> None:
        found = {}
        with ClusterPool(scheduler, seconds=2) as pool:
            for item, outcome in pool.each(do, [("count", 1), ("linger", 0)]):
                found[item] = outcome
                clock.step_s = 100
        late = found["linger", 0]
        assert isinstance(late, Failure)
        assert (late.trouble, late.reason, found["count", 1]) == (FailureKind.TIME, "not done within 2 s", 1)

    def test_a_name_is_no_address(self) -> None:
        with pytest.raises(UsageError, match="write the address as 'dask scheduler' prints it"), ClusterPool("foo"):
            pass

    def test_nobody_answers(self, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(cluster_module, "_CONNECT_S", 0.5)
        with pytest.raises(UsageError, match="no scheduler answers"), ClusterPool("tcp://127.0.0.1:9"):
            pass


class TestLost:
    """A scheduler that goes in the middle of a run ends it with a sentence; the captures are not told as troubles."""

    def test_told(self, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(cluster_module, "_CONNECT_S", 1)
        with one_thread() as cluster:
            done = []

            def work(pool: ClusterPool) -> None:
                for _, outcome in pool.each(do, (("count", number) for number in range(100))):
                    done.append(outcome)
                    if len(done) == 1:
                        cluster.close()

            with ClusterPool(cluster.scheduler_address) as pool, pytest.raises(BuslensError, match="no longer answers"):
                work(pool)
        assert 1 <= len(done) < 100
        assert not any(isinstance(outcome, Failure) for outcome in done)


class TestRun:
    def test_same_ledger_as_on_one_machine(self, scheduler: str, tmp_path: Path) -> None:
        paths = write_fleet(tmp_path / "in", 4)
        paths.append(tmp_path / "in" / "gone.log")
        with Ledger.writing(tmp_path / "cluster") as ledger, ClusterPool(scheduler) as pool:
            done = run(jobs_of(paths), ledger, pool)
            assert (done.judged, done.troubles) == (5, {FailureKind.UNREADABLE: 1})
            (row,) = queries.troubles(ledger)
            assert row.summary == "no such file"
            there = told(ledger, tmp_path)
        with Ledger.writing(tmp_path / "local") as ledger, LocalPool(1) as pool:
            run(jobs_of(paths), ledger, pool)
            assert told(ledger, tmp_path) == there


class TestTroubles:
    """What happens to a worker concerns its item alone.

    Comes last: on a busy machine it takes long until a worker is there again, and nothing here has to wait for it.
    """

    def test_results_and_troubles(self, scheduler: str) -> None:
        items = [*(("count", number) for number in range(10)), ("greedy", 0), ("exit", 0)]
        with ClusterPool(scheduler) as pool:
            found = dict(pool.each(do, items))
        assert [found["count", number] for number in range(10)] == list(range(10))
        greedy, died = found["greedy", 0], found["exit", 0]
        assert isinstance(greedy, Failure)
        assert greedy.trouble is FailureKind.MEMORY
        assert isinstance(died, Failure)
        assert died.trouble is FailureKind.DIED
