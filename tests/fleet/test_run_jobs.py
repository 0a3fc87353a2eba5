"""A fleet, judged: nothing twice, nothing lost, whatever happens to workers, files and the run itself."""

from __future__ import annotations

import gzip
import os
import signal
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

import pytest
from support.fleets import CARS, EXPECTATIONS, ill, job_of, jobs_of, pass_time_once_there, told, write_fleet

from buslens.checks.findings import Verdict
from buslens.errors import BuslensError, UsageError
from buslens.fleet import queries
from buslens.fleet import run_jobs as run_module
from buslens.fleet.ledger import Ledger
from buslens.fleet.local_pool import LocalPool
from buslens.fleet.model import FailureKind, Group
from buslens.fleet.progress import Progress
from buslens.fleet.run_jobs import run

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator

    from buslens.fleet.model import CaptureJob
    from buslens.fleet.run_jobs import RunSummary
    from buslens.fleet.worker_pool import Failure

I = TypeVar("I")  # noqa: E741
O = TypeVar("O")  # noqa: E741


class Here:
    """A pool of this very process: what a run does with its pool does not depend on which it is."""

    is_local = True

    def __init__(self) -> None:
        self.items = 0

    def each(self, function: Callable[[I], O], items: Iterable[I]) -> Iterator[tuple[I, O | Failure]]:
        for item in items:
            self.items += 1
            yield item, function(item)


def judged(jobs: Iterable[CaptureJob], out: Path, pool: object = None) -> RunSummary:
    with Ledger.writing(out) as ledger:
        return run(jobs, ledger, pool or Here())  # type: ignore[arg-type]


class TestOnce:
    """What is known is not judged again, and not even opened if it has not changed."""

    def test_again(self, tmp_path: Path) -> None:
        paths = write_fleet(tmp_path / "in", 6)
        first = judged(jobs_of(paths), tmp_path / "out")
        assert (first.listed, first.judged, first.unchanged, first.copies) == (6, 6, 0, 0)
        assert first.verdicts == {Verdict.AS_EXPECTED: 2, Verdict.FAULTY: 4}
        pool = Here()
        again = judged(jobs_of(paths), tmp_path / "out", pool)
        assert (again.listed, again.judged, again.unchanged, pool.items) == (6, 0, 6, 0)

    def test_touched_moved_and_copied(self, tmp_path: Path) -> None:
        """The content counts: a file that was touched or moved, or a copy, is read and not judged."""
        paths = write_fleet(tmp_path / "in", 3)
        judged(jobs_of(paths), tmp_path / "out")
        os.utime(paths[0], (1, 1))
        moved = paths[1].rename(paths[1].with_name("car9_0001.log"))
        copy = paths[2].with_name("car8_0002.log")
        copy.write_bytes(paths[2].read_bytes())
        done = judged(jobs_of([paths[0], moved, paths[2], copy]), tmp_path / "out")
        assert (done.judged, done.copies, done.unchanged) == (0, 3, 1)
        with Ledger.reading(tmp_path / "out") as ledger:
            assert {row.vehicle for row in queries.vehicles(ledger)} >= {"car8", "car9"}

    def test_the_same_recording_in_other_bytes(self, tmp_path: Path) -> None:
        """It counts once, however it was compressed, commented or ended."""
        (path,) = write_fleet(tmp_path / "in", 1)
        text = path.read_bytes()
        name = path.name.partition("_")[0]
        others = {"b.log.gz": gzip.compress(text), "c.log": text.replace(b"\n", b"\r\n"), "d.log": b"# once\n" + text}
        paths = [path.with_name(f"{name}_{end}") for end in others]
        for other, content in zip(paths, others.values(), strict=True):
            other.write_bytes(content)
        done = judged(jobs_of([path, *paths]), tmp_path / "out")
        assert done.judged == 4
        with Ledger.reading(tmp_path / "out") as ledger:
            (row,) = queries.vehicles(ledger)
            assert (row.captures, queries.fleet_summary(ledger).copies) == (1, 3)

    def test_changed(self, tmp_path: Path) -> None:
        paths = write_fleet(tmp_path / "in", 3)
        judged(jobs_of(paths), tmp_path / "out")
        paths[0].write_bytes(paths[1].read_bytes() + b"# another\n")
        done = judged(jobs_of(paths), tmp_path / "out")
        assert (done.judged, done.unchanged) == (1, 2)
        assert done.verdicts == {Verdict.FAULTY: 1}
        assert done.again == {"the file changed": 1}

    def test_another_ground(self, tmp_path: Path) -> None:
        """When the expectations change, everything is judged by the new ones."""
        paths = write_fleet(tmp_path / "in", 3)
        judged(jobs_of(paths), tmp_path / "out")
        text = EXPECTATIONS.read_text("utf-8").replace(
            '"pinewick.dbc"', repr(str(EXPECTATIONS.with_name("pinewick.dbc")))
        )
        (tmp_path / "other.toml").write_text(text, "utf-8")
        other = Group(name="cars", vehicles=("*",), expectations=str(tmp_path / "other.toml"))
        done = judged(jobs_of(paths, other), tmp_path / "out")
        assert (done.judged, done.again) == (3, {"the expectations changed": 3})
        assert judged(jobs_of(paths, other), tmp_path / "out").unchanged == 3
        named = replace(other, name="vans", channels=(("1", "can0"),))
        assert judged(jobs_of(paths, named), tmp_path / "out").again == {"the vehicle belongs to another group": 3}
        plain = judged(jobs_of(paths, replace(named, channels=())), tmp_path / "out")
        assert (plain.judged, plain.unchanged) == (0, 3)
        renamed = replace(named, channels=(("2", "can0"),))
        assert judged(jobs_of(paths, renamed), tmp_path / "out").again == {"the names of channels changed": 3}

    def test_expectations_that_change_during_a_run(self, tmp_path: Path) -> None:
        """Half of the fleet by one file and half by another would be worth nothing."""
        paths = write_fleet(tmp_path / "in", 2)
        mine = tmp_path / "mine.toml"
        text = EXPECTATIONS.read_text("utf-8").replace(
            '"pinewick.dbc"', repr(str(EXPECTATIONS.with_name("pinewick.dbc")))
        )
        mine.write_text(text, "utf-8")
        group = Group(name="cars", vehicles=("*",), expectations=str(mine))

        def jobs() -> Iterator[CaptureJob]:
            yield job_of(paths[0], group)

        class Late(Here):
            def each(self, function: Callable[[I], O], items: Iterable[I]) -> Iterator[tuple[I, O | Failure]]:
                for item in items:
                    mine.write_text(text + "# changed\n", "utf-8")
                    yield item, function(item)

        with pytest.raises(UsageError, match=r"group 'cars'.*start the run again"):
            judged(jobs(), tmp_path / "out", Late())


@pytest.mark.slow
class TestTroubles:
    """A capture without a verdict is entered with its reason, and the rest goes on."""

    def test_what_cannot_be_read(self, tmp_path: Path) -> None:
        good = write_fleet(tmp_path / "in", 2)
        folder = tmp_path / "in" / "folder.log"
        folder.mkdir()
        bad = {
            "empty.log": b"",
            "binary.log": bytes(range(256)) * 20,
            "cut.log.gz": b"\x1f\x8b\x08\x00",
            "noise.log": b"no log\n",
        }
        for name, content in bad.items():
            (tmp_path / "in" / name).write_bytes(content)
        paths = [folder, *(tmp_path / "in" / name for name in bad), tmp_path / "in" / "gone.log"]
        done = judged(jobs_of([*paths, *good]), tmp_path / "out")
        assert done.troubles == {FailureKind.UNREADABLE: 6}
        assert done.verdicts.total() == 2
        with Ledger.reading(tmp_path / "out") as ledger:
            reasons = {Path(row.address).name: row.summary for row in queries.troubles(ledger)}
        assert reasons["folder.log"] == "is a folder"
        assert reasons["gone.log"] == "no such file"
        assert set(reasons) == {path.name for path in paths}
        assert all(reasons.values())

    @pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="this user may read everything")
    def test_no_permission(self, tmp_path: Path) -> None:
        (path,) = write_fleet(tmp_path / "in", 1)
        path.chmod(0)
        assert judged(jobs_of([path]), tmp_path / "out").troubles == {FailureKind.UNREADABLE: 1}

    def test_vanished_and_grown_between_listing_and_reading(self, tmp_path: Path) -> None:
        paths = write_fleet(tmp_path / "in", 3)
        jobs = list(jobs_of(paths))
        paths[0].unlink()
        with paths[1].open("ab") as file:
            file.write(b"# more\n")
        done = judged(jobs, tmp_path / "out")
        assert (done.troubles.total(), done.verdicts.total()) == (1, 2)

    def test_grown_while_it_was_read(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        """What was judged is then not what was hashed, so that it is no result."""
        (path,) = write_fleet(tmp_path / "in", 1)
        from buslens.fleet import check_job

        hashed = check_job.content_hash

        def growing(name: Path) -> str:
            found = hashed(name)
            with path.open("ab") as file:
                file.write(b"# more\n")
            return found

        monkeypatch.setattr(check_job, "content_hash", growing)
        judged(jobs_of([path]), tmp_path / "out")
        with Ledger.reading(tmp_path / "out") as ledger:
            (row,) = queries.troubles(ledger)
        assert row.summary == "changed while it was read; the next run reads it again"
        monkeypatch.undo()
        assert judged(jobs_of([path]), tmp_path / "out").verdicts.total() == 1

    def test_what_was_removed_is_told_no_more(self, tmp_path: Path) -> None:
        """Else one bad recording would leave every later run with a trouble; what was judged stays and counts."""
        paths = write_fleet(tmp_path / "in", 2)
        bad = [tmp_path / "in" / name for name in ("a.log", "b.log", "c.log")]
        for path in bad:
            path.write_bytes(b"no log\n")
        judged(jobs_of([*paths, *bad]), tmp_path / "out")
        for path in (paths[0], bad[0], bad[1]):
            path.unlink()
        judged(jobs_of([]), tmp_path / "out")
        with Ledger.reading(tmp_path / "out") as ledger:
            assert [row.address for row in queries.troubles(ledger)] == [str(bad[2])]
            assert (queries.fleet_summary(ledger).captures, queries.fleet_summary(ledger).copies) == (3, 0)

    def test_what_was_removed_from_a_store_is_told_no_more(self, tmp_path: Path) -> None:
        """As on this machine; what lies in a store that gives no answer stays."""
        import fsspec

        memory = fsspec.filesystem("memory")
        names = ["removed.log", "left.log"]
        memory.pipe({f"/pinewick-gone/{name}": b"no log\n" for name in names})
        addresses = [*(f"memory://pinewick-gone/{name}" for name in names), "ftp://127.0.0.1:9/a.log"]
        jobs = [replace(job_of(tmp_path / "x.log"), address=address) for address in addresses]
        assert judged(jobs, tmp_path / "out").troubles == {FailureKind.UNREADABLE: 3}
        memory.rm("/pinewick-gone/removed.log")
        judged([], tmp_path / "out")
        with Ledger.reading(tmp_path / "out") as ledger:
            assert {row.address for row in queries.troubles(ledger)} == set(addresses[1:])
        memory.rm("/pinewick-gone", recursive=True)

    def test_a_device_that_fails_once(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        """A log whose bytes were had once and then not is no bad log: the next run reads it again."""
        (path,) = write_fleet(tmp_path / "in", 1)

        def fail(_path: Path, **_how: object) -> None:
            raise OSError(5, "Input/output error")

        monkeypatch.setattr("buslens.capture.open.open_capture", fail)
        assert judged(jobs_of([path]), tmp_path / "out").troubles == {FailureKind.UNREADABLE: 1}
        monkeypatch.undo()
        assert judged(jobs_of([path]), tmp_path / "out").verdicts.total() == 1

    def test_workers_that_die_or_take_too_long(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        """They are tried again by the next run, for it may have been the machine."""
        paths = write_fleet(tmp_path / "in", 8)
        names = {0: "kill", 4: "greedy", 6: "slow"}
        paths = [
            path.rename(path.with_name(f"{path.stem}_{names[index]}.log")) if index in names else path
            for index, path in enumerate(paths)
        ]
        monkeypatch.setattr(run_module, "check_job", ill)
        with monkeypatch.context() as clock, LocalPool(1, seconds=8) as pool:
            pass_time_once_there(paths[6].with_suffix(".begun"), clock)
            done = judged(jobs_of(paths), tmp_path / "out", pool)
        assert done.troubles == {FailureKind.DIED: 1, FailureKind.MEMORY: 1, FailureKind.TIME: 1}
        assert done.verdicts.total() == 5
        monkeypatch.undo()
        again = judged(jobs_of(paths), tmp_path / "out")
        assert (again.unchanged, again.verdicts.total(), again.troubles.total()) == (5, 3, 0)


KILLED = """
import os, random, signal, sys, time
from pathlib import Path
from support.fleets import jobs_of
from buslens.errors import BuslensError
from buslens.fleet import queries, run_jobs as run_module
from buslens.fleet.ledger import Ledger
from buslens.fleet.run_jobs import run
run_module._COMMIT_S = 0.0
class Here:
    is_local = True
    def each(self, function, items):
        for item in items:
            os.read(allowed, 1)
            outcome = function(item)
            os.write(tell, b".")
            yield item, outcome
last = 0
paths, out, dice = sorted(Path(sys.argv[1]).glob("*.log")), Path(sys.argv[2]), random.Random(4)
allowed, tell = os.open(os.devnull, os.O_RDWR), os.open(os.devnull, os.O_RDWR)
with Ledger.writing(out.with_name("first")) as ledger:  # imports all that the others will need
    run(jobs_of(paths[:1]), ledger, Here())
for _ in range(8):
    hear, tell = os.pipe()
    allowed, allow = os.pipe()
    some = dice.randrange(4)
    # However late this process comes to kill it, the child does no more than one capture beyond those.
    os.write(allow, b"." * (some + 1))
    child = os.fork()
    if child == 0:
        with Ledger.writing(out) as ledger:
            os.write(tell, b"!")
            run(jobs_of(paths), ledger, Here())
        os._exit(0)
    os.close(tell)
    for _ in range(some + 1):
        os.read(hear, 1)
    time.sleep(dice.uniform(0.0, 0.02))
    os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)
    for end in (hear, allowed, allow):
        os.close(end)
    try:
        with Ledger.reading(out) as ledger:
            last = queries.fleet_summary(ledger).captures
    except BuslensError:
        if last:  # else it was killed before there were tables
            raise
    print(last)
"""
"""A run of its own process, killed eight times; forked, so that what it imports is imported once."""


@pytest.mark.slow
class TestKilled:
    """Killed at any moment and started again it comes to the same ledger, with nothing done twice."""

    @pytest.mark.skipif(not hasattr(os, "fork"), reason="this system starts processes in another way")
    def test_eight_times(self, tmp_path: Path) -> None:
        paths = write_fleet(tmp_path / "in", 16)
        judged(jobs_of(paths), tmp_path / "undisturbed")
        search = os.pathsep.join(path for path in sys.path if path)
        ended = subprocess.run(
            [sys.executable, "-c", KILLED, str(tmp_path / "in"), str(tmp_path / "out")],
            capture_output=True,
            text=True,
            check=False,
            env={**os.environ, "PYTHONPATH": search},
        )
        assert ended.returncode == 0, ended.stderr
        kept = [int(line) for line in ended.stdout.split()]
        assert kept == sorted(kept), "what was committed is not lost"
        assert len({count for count in kept if 0 < count < 16}) >= 3, "too few were killed in the middle of their work"
        done = judged(jobs_of(paths), tmp_path / "out")
        assert done.unchanged == kept[-1]
        assert done.judged == 16 - kept[-1]
        with Ledger.reading(tmp_path / "out") as mine, Ledger.reading(tmp_path / "undisturbed") as other:
            assert told(mine, tmp_path) == told(other, tmp_path)

    def test_a_second_run_is_refused(self, tmp_path: Path) -> None:
        paths = write_fleet(tmp_path / "in", 1)
        with Ledger.writing(tmp_path / "out"), pytest.raises(UsageError, match="ledger"):
            judged(jobs_of(paths), tmp_path / "out")

    def test_interrupted(self, tmp_path: Path) -> None:
        """What was done before Ctrl-C is kept."""
        paths = write_fleet(tmp_path / "in", 5)

        class Stopped(Here):
            def each(self, function: Callable[[I], O], items: Iterable[I]) -> Iterator[tuple[I, O | Failure]]:
                for number, pair in enumerate(super().each(function, items)):
                    if number == 3:
                        raise KeyboardInterrupt
                    yield pair

        with pytest.raises(KeyboardInterrupt):
            judged(jobs_of(paths), tmp_path / "out", Stopped())
        assert judged(jobs_of(paths), tmp_path / "out").unchanged == 3

    @pytest.mark.skipif(sys.platform != "linux", reason="this system has no limit for the size of a file")
    def test_disk_full(self, tmp_path: Path) -> None:
        """The run ends with a sentence, and what was committed stands."""
        import resource

        paths = write_fleet(tmp_path / "in", 16)
        judged(jobs_of(paths[:3]), tmp_path / "out")
        before = resource.getrlimit(resource.RLIMIT_FSIZE)
        handler = signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        size = max(path.stat().st_size for path in (tmp_path / "out").iterdir())
        try:
            resource.setrlimit(resource.RLIMIT_FSIZE, (size + 8_000, before[1]))
            with pytest.raises(BuslensError, match=r"space|full"):
                judged(jobs_of(paths), tmp_path / "out")
        finally:
            resource.setrlimit(resource.RLIMIT_FSIZE, before)
            signal.signal(signal.SIGXFSZ, handler)
        done = judged(jobs_of(paths), tmp_path / "out")
        assert done.unchanged >= 3
        assert done.unchanged + done.judged + done.copies == 16


class TestProgress:
    def test_is_told(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(run_module, "_TELL_S", 0.0)
        paths = write_fleet(tmp_path / "in", 3)
        seen: list[Progress] = []
        with Ledger.writing(tmp_path / "out") as ledger:
            run(jobs_of(paths), ledger, Here(), on_progress=seen.append, total=lambda: None)  # type: ignore[arg-type]
        assert [it.done for it in seen] == [1, 2, 3, 3]
        assert [it.total for it in seen] == [None, None, None, 3]

    def test_rate_and_rest(self) -> None:
        moment = Progress(listed=50, total=100, judged=20, known=30, seconds=10.0)
        assert (moment.done, moment.rate, moment.remaining_s) == (50, 2.0, 25.0)
        assert Progress(listed=5, judged=2, seconds=1.0).remaining_s is None
        assert Progress().rate is None


def test_group_is_loaded_before_its_first_capture(tmp_path: Path) -> None:
    """A group whose files cannot be used ends the run, and says so."""
    paths = write_fleet(tmp_path / "in", 1)
    with pytest.raises(BuslensError, match=r"lost\.toml"):
        judged(
            jobs_of(paths, Group(name="lost", vehicles=("*",), expectations=str(tmp_path / "lost.toml"))),
            tmp_path / "out",
        )
    assert CARS.expectations
