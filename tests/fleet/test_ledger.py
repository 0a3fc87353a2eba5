"""The ledger: what is entered comes back, whatever happens to the process, the disk or the file."""

from __future__ import annotations

import errno
import os
import random
import signal
import sqlite3
import subprocess
import sys
from dataclasses import replace
from itertools import islice
from pathlib import Path, PureWindowsPath
from typing import TYPE_CHECKING

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.examples import examples
from support.ledgers import GROUP, fill, generated, jobs, judged, scratch
from support.remembered import Memory

from buslens.checks.findings import Verdict
from buslens.errors import BuslensError, UsageError
from buslens.fleet import ledger_file, queries
from buslens.fleet.ledger import LEDGER_NAME, LOCK_NAME, Ledger
from buslens.fleet.ledger_lock import WriterLock
from buslens.fleet.model import Anomaly, AnomalyKind, CaptureJob, FailureKind, HandshakeRow, JobResult, TrafficRow

if TYPE_CHECKING:
    from collections.abc import Callable

GOOD = JobResult(content="ab" * 32, ground="ground", verdict=Verdict.AS_EXPECTED, summary="all is well")
JOB = CaptureJob(address="a.log", vehicle="car1", recorded_ns=5, group=GROUP, size=10, stamp="1")


def read_everything(ledger: Ledger) -> list[object]:
    """Ask everything that can be asked."""
    answers: list[object] = [queries.fleet_summary(ledger), list(queries.troubles(ledger)), queries.anomalies(ledger)]
    for row in queries.vehicles(ledger):
        answers += [row, queries.captures_of(ledger, row.vehicle), queries.findings_of(ledger, row.vehicle)]
        traffic = queries.traffic_of(ledger, row.vehicle)
        answers += [traffic.identifier.tolist(), traffic.frames.tolist()]
        answers += [queries.address_of(ledger, number) for number in traffic.capture.tolist()]
    for step in queries.steps(ledger):
        delays = queries.delays_of_step(ledger, step.rule, step.step)
        answers += [step, delays.vehicles, delays.earliest_ns.tolist(), delays.latest_ns.tolist()]
    numbers = {row.vehicle: number for number, row in enumerate(queries.vehicles(ledger))}
    return [*answers, *((one.rule, one.tries.tolist()) for one in queries.tries_of(ledger, numbers))]


class TestMemory:
    """A ledger knows what a plain dictionary of everything that was entered would know."""

    @given(entered=st.lists(st.tuples(jobs(), judged(), st.booleans(), st.booleans()), max_size=8))
    def test_as_a_dictionary(self, entered: list[tuple[CaptureJob, JobResult, bool, bool]]) -> None:
        memory = Memory()
        with scratch() as name:
            ledger = Ledger.writing(Path(name))
            for job, result, by_link, again in entered:
                assert ledger.has(result.content, result.ground) == memory.has(result.content, result.ground)
                if by_link and memory.has(result.content, result.ground):
                    ledger.link(job, result.content, result.ground)
                    memory.put(job, memory.judged[result.content, result.ground])
                else:
                    ledger.put(job, result)
                    memory.put(job, result)
                if again:
                    ledger.close()
                    ledger = Ledger.writing(Path(name))
            for _, result, *_ in entered:
                assert ledger.has(result.content, result.ground) == memory.has(result.content, result.ground)
            for job, content, _ in memory.captures.values():
                known = None if content.startswith("none of") or not job.stamp else content
                assert ledger.known_content(job.address, job.size, job.stamp) == known
                assert ledger.known_content(job.address, 77, job.stamp) == (known if job.size == 77 else None)
                assert ledger.known_content(job.address, job.size, "other") is None
            addresses = [
                ledger_file.as_text(str_or_bytes) for (str_or_bytes,) in ledger.rows("SELECT address FROM capture")
            ]  # type: ignore[arg-type]
            assert sorted(addresses) == sorted(memory.captures)
            (kept,) = next(ledger.rows("SELECT count(*) FROM judgement"))
            assert kept == len(memory.judged)
            for part in ("handshake", "delay", "finding", "traffic"):
                (rows,) = next(ledger.rows(f"SELECT count(*) FROM {part}"))  # noqa: S608  # a name of the test's
                names = {"handshake": "handshakes", "delay": "delays", "finding": "findings", "traffic": "traffic"}
                assert rows == sum(len(getattr(one, names[part])) for one in memory.judged.values())
            ledger.close()

    @given(entered=st.permutations(list(islice(generated(vehicles=3, captures=6), 6))))
    @settings(max_examples=examples(10))
    def test_order_of_coming_does_not_matter(self, entered: list[tuple[CaptureJob, JobResult]]) -> None:
        copy = entered[0]
        with scratch() as one, scratch() as other:
            for folder, pairs in ((one, sorted(entered, key=lambda pair: pair[0].address)), (other, entered)):
                with Ledger.writing(Path(folder)) as ledger:
                    for job, result in pairs:
                        ledger.put(job, result)
                        if (job, result) == copy:
                            ledger.link(replace(job, address="0 copy", recorded_ns=9), result.content, result.ground)
            with Ledger.reading(Path(one)) as first, Ledger.reading(Path(other)) as second:
                numbers = [
                    [
                        row._replace(capture=0)
                        for vehicle in queries.vehicles(ledger)
                        for row in queries.captures_of(ledger, vehicle.vehicle)
                    ]
                    for ledger in (first, second)
                ]
                assert numbers[0] == numbers[1]
                assert queries.vehicles(first) == queries.vehicles(second)
                assert queries.fleet_summary(first) == queries.fleet_summary(second)
                assert queries.fleet_summary(first).copies == 1


class TestKnowing:
    """What is asked before a capture is read."""

    def test_a_store_that_does_not_tell_changes_is_never_sure(self, tmp_path: Path) -> None:
        with Ledger.writing(tmp_path) as ledger:
            ledger.put(replace(JOB, stamp=""), GOOD)
            assert ledger.known_content("a.log", 10, "") is None
            ledger.put(replace(JOB, size=None), GOOD)
            assert ledger.known_content("a.log", None, "1") == GOOD.content
            assert ledger.known_content("b.log", None, "1") is None

    @pytest.mark.parametrize("trouble", FailureKind)
    @pytest.mark.parametrize("content", ["", "ab" * 32])
    def test_which_troubles_last(self, tmp_path: Path, trouble: FailureKind, content: str) -> None:
        lasts = trouble in {FailureKind.UNREADABLE, FailureKind.UNRELATED} and bool(content)
        with Ledger.writing(tmp_path) as ledger:
            ledger.put(JOB, JobResult(content=content, ground="ground", trouble=trouble, summary="so it was"))
            assert ledger.has(content, "ground") == lasts
            assert not ledger.has(content, "other ground")
            assert ledger.known_content("a.log", 10, "1") == (content or None)
            assert [row.trouble for row in queries.troubles(ledger)] == [trouble]
            ledger.put(JOB, replace(GOOD, content=content or "cd"))
            assert queries.fleet_summary(ledger).troubles == {}
            assert queries.fleet_summary(ledger).as_expected == 1

    def test_expectations_that_change_and_change_back(self, tmp_path: Path) -> None:
        """What was judged on other expectations is kept without being reported, and found again."""
        other = replace(JOB, address="b.log")
        with Ledger.writing(tmp_path) as ledger:
            ledger.put(JOB, GOOD)
            ledger.put(other, replace(GOOD, content="cd"))
            ledger.put(JOB, replace(GOOD, ground="new", verdict=Verdict.FAULTY))
            summary = queries.fleet_summary(ledger)
            assert (summary.captures, summary.outdated, summary.faulty) == (1, 1, 1)
            assert ledger.has(GOOD.content, "ground")
            ledger.link(JOB, GOOD.content, "ground")
            summary = queries.fleet_summary(ledger)
            assert (summary.captures, summary.outdated, summary.as_expected) == (2, 0, 2)

    def test_groups_have_grounds_of_their_own(self, tmp_path: Path) -> None:
        trucks = replace(JOB, address="b.log", vehicle="truck1", group=replace(GROUP, name="trucks"))
        with Ledger.writing(tmp_path) as ledger:
            ledger.put(JOB, GOOD)
            ledger.put(trucks, replace(GOOD, ground="for trucks"))
            assert queries.fleet_summary(ledger).captures == 2
            assert queries.fleet_summary(ledger).outdated == 0

    def test_what_cannot_be_entered(self, tmp_path: Path) -> None:
        with Ledger.writing(tmp_path) as ledger:
            ledger.put(JOB, GOOD)
            for wrong in (
                replace(GOOD, ground=""),
                replace(GOOD, verdict=None),
                replace(GOOD, trouble=FailureKind.TIME),
                replace(GOOD, content="cd", frames=2**70),
                replace(GOOD, content="cd", summary=object()),  # type: ignore[arg-type]
            ):
                with pytest.raises((ValueError, OverflowError, AttributeError, TypeError)):
                    ledger.put(replace(JOB, address="b.log"), wrong)
            with pytest.raises(ValueError, match="nothing is known"):
                ledger.link(JOB, "cd", "ground")
        with Ledger.reading(tmp_path) as ledger:
            assert [row.address for row in queries.captures_of(ledger, "car1")] == ["a.log"]
            with pytest.raises(ValueError, match="open for reading"):
                ledger.put(JOB, GOOD)


class TestCopies:
    """One content counts once for each vehicle, whichever of its captures came first."""

    def test_one_counts(self, tmp_path: Path) -> None:
        with Ledger.writing(tmp_path) as ledger:
            ledger.put(replace(JOB, address="b.log"), GOOD)
            ledger.link(JOB, GOOD.content, "ground")
            ledger.link(replace(JOB, address="c.log", vehicle="car2"), GOOD.content, "ground")
            assert [row.address for row in queries.captures_of(ledger, "car1")] == ["a.log"]
            assert [row.address for row in queries.captures_of(ledger, "car2")] == ["c.log"]
            assert queries.fleet_summary(ledger).copies == 1
            # The one that counted changes, or turns out to be another vehicle's: the copy takes its place.
            ledger.put(JOB, replace(GOOD, content="cd"))
            assert [row.address for row in queries.captures_of(ledger, "car1")] == ["a.log", "b.log"]
            ledger.link(replace(JOB, vehicle="car2"), GOOD.content, "ground")
            assert [row.address for row in queries.captures_of(ledger, "car1")] == ["b.log"]
            assert [row.address for row in queries.captures_of(ledger, "car2")] == ["a.log"]

    def test_the_same_frames_in_other_bytes(self, tmp_path: Path) -> None:
        """Compressed, or with other line ends: judged apart, and counted once on one ground for one vehicle."""
        plain, packed = replace(GOOD, frames_hash="aa"), replace(GOOD, content="cd", frames_hash="aa")
        with Ledger.writing(tmp_path) as ledger:
            ledger.put(replace(JOB, address="b.log.gz"), packed)
            ledger.put(JOB, plain)
            ledger.put(replace(JOB, address="c.log", vehicle="car2"), replace(plain, content="ef"))
            ledger.put(replace(JOB, address="d.log"), replace(GOOD, content="12", frames_hash="bb"))
            assert [row.address for row in queries.captures_of(ledger, "car1")] == ["a.log", "d.log"]
            assert [row.address for row in queries.captures_of(ledger, "car2")] == ["c.log"]
            # The one that counted turns out to be another recording: the copy takes its place.
            ledger.put(JOB, replace(GOOD, content="34", frames_hash="cc"))
            assert [row.address for row in queries.captures_of(ledger, "car1")] == ["a.log", "b.log.gz", "d.log"]

    def test_no_frames_are_no_sameness(self, tmp_path: Path) -> None:
        with Ledger.writing(tmp_path) as ledger:
            for number in range(3):
                ledger.put(replace(JOB, address=f"{number}.log"), replace(GOOD, content=f"a{number}"))
            assert queries.fleet_summary(ledger).copies == 0

    def test_a_trouble_gives_way_for_all_copies(self, tmp_path: Path) -> None:
        """What another try brings is told of the copies too, with the date of the capture's own clock."""
        slow = JobResult(
            content=GOOD.content, ground="ground", trouble=FailureKind.TIME, traffic=(TrafficRow("1", 2, False, 3, 4),)
        )
        undated = replace(JOB, recorded_ns=None)
        with Ledger.writing(tmp_path) as ledger:
            ledger.put(undated, slow)
            ledger.put(replace(undated, address="b.log", vehicle="car2"), slow)
            ledger.put(undated, replace(GOOD, clock_start_ns=77, traffic=slow.traffic))
            for vehicle in ("car1", "car2"):
                (row,) = queries.captures_of(ledger, vehicle)
                assert (row.recorded_ns, row.verdict, row.trouble) == (77, GOOD.verdict, None)
                assert queries.traffic_of(ledger, vehicle).frames.tolist() == [3]

    def test_copies_are_in_no_count(self, tmp_path: Path) -> None:
        run = HandshakeRow("lock handshake", 1, 0, 1, 2, True, "", 1)
        with Ledger.writing(tmp_path) as ledger:
            ledger.put(JOB, replace(GOOD, handshakes=(run,)))
            ledger.link(replace(JOB, address="b.log"), GOOD.content, "ground")
            (row,) = queries.vehicles(ledger)
            assert (row.captures, row.as_expected, row.handshakes) == (1, 1, 1)
            assert [len(one.tries) for one in queries.tries_of(ledger, {row.vehicle: 0})] == [1]


class TestAnomalies:
    """What stands out replaces what stood out before."""

    def test_come_back_in_order(self, tmp_path: Path) -> None:
        first = Anomaly(
            kind=AnomalyKind.DRIFT,
            vehicle="car\udcff",
            sentence="grows by 0.8 ms a day",
            p_value=1e-300,
            q_value=0.1 + 0.2,
            rule="lock handshake",
            step="wire feedback",
            address="=a.log",
            recorded_ns=5,
            crossing_ns=(7, None),
            numbers={"slope_ms_per_day": 0.1 + 0.7, "most": float("inf")},
        )
        second = Anomaly(kind=AnomalyKind.SKEW, vehicle="car2", sentence="lags", p_value=0.5, q_value=0.5)
        with Ledger.writing(tmp_path) as ledger:
            ledger.put_anomalies([first, second])
            assert queries.anomalies(ledger) == [first, second]
            ledger.put_anomalies([second])
        with Ledger.reading(tmp_path) as ledger:
            assert queries.anomalies(ledger) == [second]


class TestOneWriter:
    """One process writes; the next is refused with what is known of the first, until that ends, however it ends."""

    def test_the_second_is_refused(self, tmp_path: Path) -> None:
        with Ledger.writing(tmp_path), pytest.raises(UsageError) as caught:
            Ledger.writing(tmp_path)
        text = str(caught.value)
        assert f"{tmp_path / LEDGER_NAME}: another run is writing this ledger (process {os.getpid()} on " in text
        assert "since 2" in text
        Ledger.writing(tmp_path).close()

    def test_nothing_known_of_the_first(self, tmp_path: Path) -> None:
        with Ledger.writing(tmp_path):
            (tmp_path / LOCK_NAME).write_bytes(b"{half a")
            with pytest.raises(UsageError, match=r"another run is writing this ledger; wait"):
                Ledger.writing(tmp_path)

    def test_a_file_that_is_left_is_no_lock(self, tmp_path: Path) -> None:
        (tmp_path / LOCK_NAME).write_text('{"process": 1, "host": "here", "since": "now"}')
        Ledger.writing(tmp_path).close()

    def test_readers_while_a_writer_writes(self, tmp_path: Path) -> None:
        with Ledger.writing(tmp_path) as writer:
            writer.put(JOB, GOOD)
            with Ledger.reading(tmp_path) as reader:
                assert queries.vehicles(reader) == []
                writer.commit()
                assert [row.vehicle for row in queries.vehicles(reader)] == ["car1"]
                with reader.snapshot():
                    assert queries.fleet_summary(reader).captures == 1
                    writer.put(replace(JOB, address="b.log"), replace(GOOD, content="cd"))
                    writer.commit()
                    assert queries.fleet_summary(reader).captures == 1
                assert queries.fleet_summary(reader).captures == 2

    def test_no_locks_on_the_file_system(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        def refuse(_: object) -> None:
            raise OSError(errno.ENOLCK, "No locks available")

        monkeypatch.setattr("buslens.fleet.ledger_lock._lock", refuse)
        with pytest.raises(UsageError, match=r"has no locks .*local disk"):
            Ledger.writing(tmp_path)

    def test_a_lock_of_a_lock(self, tmp_path: Path) -> None:
        lock = WriterLock(tmp_path / "lock", tmp_path / "guarded")
        lock.release()
        lock.release()
        assert (tmp_path / "lock").read_bytes() == b""


KILLED = """
import sys, time
from pathlib import Path, PureWindowsPath
sys.path.insert(0, sys.argv[2])
from support.ledgers import generated
from buslens.fleet.ledger import Ledger
ledger = Ledger.writing(Path(sys.argv[1]))
for number, (job, judged) in enumerate(generated(vehicles=3, captures=100_000)):
    ledger.put(job, judged)
    if number % 7 == 6:
        ledger.commit()
        print(number + 1, flush=True)
"""


@pytest.mark.slow
@pytest.mark.skipif(sys.platform == "win32", reason="sends a signal that Windows has not")
class TestKilled:
    """A process that is killed leaves every capture up to its last commit, whole, and no lock."""

    def test_at_any_moment(self) -> None:
        tests = str(Path(__file__).parents[1])
        draw = random.Random(5)
        with scratch() as name:
            folder = Path(name)
            for _ in range(3):
                child = subprocess.Popen(
                    [sys.executable, "-c", KILLED, str(folder), tests], stdout=subprocess.PIPE, text=True
                )
                assert child.stdout is not None
                for _ in range(draw.randrange(1, 12)):
                    line = child.stdout.readline()
                with pytest.raises(UsageError, match=f"process {child.pid} on"):
                    Ledger.writing(folder)
                child.send_signal(signal.SIGKILL)
                rest = child.stdout.read().split()
                child.wait()
                child.stdout.close()
                told = int(rest[-1] if rest else line)
                with Ledger.writing(folder) as ledger:
                    count = queries.fleet_summary(ledger).captures
                    assert count >= told
                    assert count % 7 == 0
                    for job, result in islice(generated(vehicles=3, captures=100_000), count):
                        assert ledger.known_content(job.address, job.size, job.stamp) == result.content
                    for part in ("handshake", "traffic"):
                        whole = (
                            f"SELECT count(*) FROM judgement WHERE verdict IS NOT NULL AND NOT EXISTS "  # noqa: S608
                            f"(SELECT 1 FROM {part} WHERE judgement = judgement.id AND place = 2)"
                        )
                        assert list(ledger.rows(whole)) == [(0,)]
                    assert list(ledger.rows("PRAGMA integrity_check")) == [("ok",)]

    def test_stopped_in_the_middle_of_a_capture(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        """What Ctrl-C cuts is not in the commit that follows."""
        pairs = list(islice(generated(vehicles=2, captures=2), 2))
        with Ledger.writing(tmp_path) as ledger:
            ledger.put(*pairs[0])
            monkeypatch.setattr("buslens.fleet.ledger_rows.RowWriter.enter_capture", _stop)
            with pytest.raises(KeyboardInterrupt):
                ledger.put(*pairs[1])
            monkeypatch.undo()
        with Ledger.writing(tmp_path) as ledger:
            assert not ledger.has(pairs[1][1].content, "ground")
            assert list(ledger.rows("SELECT count(*) FROM judgement")) == [(1,)]
            ledger.put(*pairs[1])
            assert queries.fleet_summary(ledger).captures == 2


def _stop(*_: object) -> None:
    raise KeyboardInterrupt


def _put_all(ledger: Ledger, pairs: list[tuple[CaptureJob, JobResult]]) -> None:
    for job, result in pairs:
        ledger.put(job, result)


@pytest.mark.slow
class TestFullDisk:
    """Without room the run is told so, and the ledger stands as it was at the last commit."""

    def test_no_more_pages(self, tmp_path: Path) -> None:
        pairs = list(generated(vehicles=4, captures=400))
        with Ledger.writing(tmp_path) as ledger:
            ledger.put(*pairs[0])
            ledger.commit()
            (pages,) = next(ledger.rows("PRAGMA page_count"))
            list(ledger.rows(f"PRAGMA max_page_count = {pages + 8}"))
            with pytest.raises(BuslensError, match="no space is left for the ledger"):
                _put_all(ledger, pairs[1:])
            assert queries.fleet_summary(ledger).captures == 1
            list(ledger.rows("PRAGMA max_page_count = 1000000"))
            ledger.put(*pairs[1])
        with Ledger.reading(tmp_path) as ledger:
            assert queries.fleet_summary(ledger).captures == 2

    @pytest.mark.skipif(sys.platform == "win32", reason="needs limits on the size of a file")
    @pytest.mark.parametrize("limit", [150_000, 300_000, 1_000_000])
    def test_files_that_may_not_grow(self, limit: int) -> None:
        """The log or the ledger itself meets the limit, at a commit, between or at the end."""
        code = (
            "import sys, resource; from pathlib import Path; sys.path.insert(0, sys.argv[2])\n"
            "from support.ledgers import generated\n"
            "from buslens.errors import BuslensError\n"
            "from buslens.fleet.ledger import Ledger\n"
            "ledger = Ledger.writing(Path(sys.argv[1])); told = 0\n"
            f"resource.setrlimit(resource.RLIMIT_FSIZE, ({limit}, {limit}))\n"
            "try:\n"
            "    with ledger:\n"
            "        for n, (job, judged) in enumerate(generated(vehicles=3, captures=3000), 1):\n"
            "            ledger.put(job, judged)\n"
            "            if n % 20 == 0: ledger.commit(); told = n\n"
            "except BuslensError as exc: print(told, exc)\n"
        )
        tests = str(Path(__file__).parents[1])
        with scratch() as name:
            child = subprocess.run(
                [sys.executable, "-c", code, name, tests], capture_output=True, text=True, check=False
            )
            assert child.stderr == ""
            told, text = child.stdout.split(" ", 1)
            assert "failed to read or write the ledger" in text or "no space is left" in text
            with Ledger.writing(Path(name)) as ledger:
                assert queries.fleet_summary(ledger).captures == int(told)
                assert list(ledger.rows("PRAGMA integrity_check")) == [("ok",)]
                ledger.put(*next(generated(vehicles=3, captures=3000, seed=2)))


class TestWhere:
    """A ledger may lie in any folder, whatever its name."""

    @pytest.mark.parametrize(
        "name", ["a b", "50%25?mode=ro#x&y", "ü\N{GREEK SMALL LETTER ALPHA}", "-", "'\"; DROP TABLE word"]
    )
    def test_any_name(self, tmp_path: Path, name: str) -> None:
        try:
            (tmp_path / name).mkdir()
        except OSError:
            pytest.skip("no name for a folder on this system")
        fill(tmp_path / name, vehicles=1, captures=2)
        assert (tmp_path / name / LEDGER_NAME).is_file()
        with Ledger.reading(tmp_path / name) as ledger:
            assert queries.fleet_summary(ledger).captures == 2

    def test_a_name_that_is_no_text(self, tmp_path: Path) -> None:
        try:
            folder = tmp_path / os.fsdecode(b"\xff")
            folder.mkdir()
        except (OSError, ValueError):
            pytest.skip("names are texts on this system")
        fill(folder, vehicles=1, captures=2)
        with Ledger.reading(folder) as ledger:
            assert queries.fleet_summary(ledger).captures == 2

    # Of a system that this is not there are only pure paths, of which Python 3.14 wants no addresses.
    @pytest.mark.filterwarnings("ignore:pathlib.PurePath.as_uri:DeprecationWarning")
    def test_windows(self) -> None:
        # SQLite, "Uniform Resource Identifiers": the authority must be empty or "localhost" (sqlite.org/uri.html).
        assert ledger_file._uri(PureWindowsPath("C:/out put/x")) == "file:///C:/out%20put/x"
        assert ledger_file._uri(PureWindowsPath("//server/share/x")) == "file:////server/share/x"

    @pytest.mark.skipif(
        not hasattr(os, "geteuid") or os.geteuid() == 0, reason="who may do everything is never refused"
    )
    def test_a_folder_that_may_only_be_read(self, tmp_path: Path) -> None:
        fill(tmp_path, vehicles=1, captures=2)
        tmp_path.chmod(0o555)
        try:
            with Ledger.reading(tmp_path) as ledger:
                assert queries.fleet_summary(ledger).captures == 2
            (tmp_path / LEDGER_NAME).chmod(0o444)
            with pytest.raises(BuslensError, match="may not be written to"):
                Ledger.writing(tmp_path)
        finally:
            tmp_path.chmod(0o755)


class TestNoLedger:
    """What is no ledger, or a later one, is refused in words and left as it is."""

    @pytest.mark.parametrize("opening", [Ledger.writing, Ledger.reading])
    @pytest.mark.parametrize(
        ("content", "match"),
        [(b"just some text, and more than a header of it" * 40, "is no ledger"), (b"short", "is no ledger")],
    )
    def test_another_file(self, tmp_path: Path, opening: Callable[[Path], Ledger], content: bytes, match: str) -> None:
        (tmp_path / LEDGER_NAME).write_bytes(content)
        with pytest.raises(BuslensError, match=match):
            opening(tmp_path)
        assert (tmp_path / LEDGER_NAME).read_bytes() == content

    @pytest.mark.parametrize("opening", [Ledger.writing, Ledger.reading])
    def test_a_database_of_another_program(self, tmp_path: Path, opening: Callable[[Path], Ledger]) -> None:
        with sqlite3.connect(tmp_path / LEDGER_NAME) as other:
            other.execute("CREATE TABLE mine (a)")
        other.close()
        before = (tmp_path / LEDGER_NAME).read_bytes()
        with pytest.raises(UsageError, match=r"is no ledger of buslens .*another program"):
            opening(tmp_path)
        assert (tmp_path / LEDGER_NAME).read_bytes() == before

    @pytest.mark.parametrize("opening", [Ledger.writing, Ledger.reading])
    def test_a_later_version(self, tmp_path: Path, opening: Callable[[Path], Ledger]) -> None:
        fill(tmp_path, captures=1)
        with sqlite3.connect(tmp_path / LEDGER_NAME) as other:
            other.execute("PRAGMA user_version = 7")
            other.execute("UPDATE meta SET value = '9.9' WHERE name = 'program'")
        other.close()
        with pytest.raises(UsageError, match=r"written by a later buslens \(9.9; tables of version 7"):
            opening(tmp_path)

    @pytest.mark.parametrize("opening", [Ledger.writing, Ledger.reading])
    def test_an_earlier_version(self, tmp_path: Path, opening: Callable[[Path], Ledger]) -> None:
        fill(tmp_path, captures=1)
        with sqlite3.connect(tmp_path / LEDGER_NAME) as other:
            other.execute("PRAGMA user_version = 1")
        other.close()
        with pytest.raises(UsageError, match=r"earlier buslens \(.*tables of version 1, .*name a new folder with -o"):
            opening(tmp_path)

    def test_a_maker_that_was_stopped(self, tmp_path: Path) -> None:
        (tmp_path / LEDGER_NAME).touch()
        with pytest.raises(UsageError, match="an empty file"):
            Ledger.reading(tmp_path)
        Ledger.writing(tmp_path).close()
        Ledger.reading(tmp_path).close()

    def test_nothing_there(self, tmp_path: Path) -> None:
        with pytest.raises(UsageError, match="there is no ledger here; 'buslens fleet CAPTURES -o"):
            Ledger.reading(tmp_path)
        (tmp_path / LEDGER_NAME).mkdir()
        for opening in (Ledger.reading, Ledger.writing):
            with pytest.raises(UsageError):
                opening(tmp_path)
        (tmp_path / "file").touch()
        with pytest.raises(BuslensError, match=r"file, where a folder is wanted|File exists|exists"):
            Ledger.writing(tmp_path / "file")

    def test_a_file_system_without_a_log(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        if sys.platform == "win32":
            pytest.skip("the way of locking is one of Unix")
        # SQLite has no log where it locks by files beside the database, since these cannot share memory.
        monkeypatch.setattr(ledger_file, "_OPTIONS", "&vfs=unix-dotfile")
        with pytest.raises(UsageError, match=r"does not take a write-ahead log.*local disk"):
            Ledger.writing(tmp_path)
        monkeypatch.undo()
        Ledger.writing(tmp_path).close()


@pytest.fixture(scope="module")
def sound() -> bytes:
    """Return the bytes of a ledger."""
    with scratch() as name:
        fill(Path(name), vehicles=8, captures=60)
        return (Path(name) / LEDGER_NAME).read_bytes()


class TestDamaged:
    """Damage is told in words or not noticed; nothing else comes of it."""

    @given(data=st.data())
    def test_anything_may_be_flipped_or_cut(self, sound: bytes, data: st.DataObject) -> None:
        size = len(sound)
        broken = bytearray(sound)
        # Half of it where the tables are described: there a little does the most.
        for place in data.draw(st.lists(st.integers(0, 12_000) | st.integers(0, size - 1), max_size=8)):
            broken[place] ^= data.draw(st.integers(1, 255))
        if data.draw(st.booleans()):
            del broken[data.draw(st.integers(0, size)) :]
        with scratch() as name:
            folder = Path(name)
            (folder / LEDGER_NAME).write_bytes(broken)
            self.told(folder, lambda: self.read(folder))
            assert (folder / LEDGER_NAME).read_bytes() == broken
            self.told(folder, lambda: self.write(folder))

    @staticmethod
    def told(folder: Path, act: Callable[[], None]) -> None:
        try:
            act()
        except BuslensError as exc:
            told = str(exc)
        else:
            return
        assert str(folder / LEDGER_NAME) in told

    @staticmethod
    def read(folder: Path) -> None:
        with Ledger.reading(folder) as ledger:
            read_everything(ledger)

    @staticmethod
    def write(folder: Path) -> None:
        with Ledger.writing(folder) as ledger:
            for job, result in generated(vehicles=2, captures=3, seed=9):
                ledger.known_content(job.address, job.size, job.stamp)
                ledger.has(result.content, result.ground)
                ledger.put(job, result)
            read_everything(ledger)

    def test_half_a_ledger_is_not_written_over(self, sound: bytes, tmp_path: Path) -> None:
        half = sound[: len(sound) // 2]
        (tmp_path / LEDGER_NAME).write_bytes(half)
        with pytest.raises(BuslensError, match="the ledger is damaged"):
            Ledger.writing(tmp_path)
        assert (tmp_path / LEDGER_NAME).read_bytes() == half

    def test_what_sqlite_cannot_even_quote(self, sound: bytes, tmp_path: Path) -> None:
        """An error text of SQLite's that is no text is told in words too."""
        (tmp_path / LEDGER_NAME).write_bytes(sound.replace(b"CREATE TABLE capture (", b"CREATE TABLE capture \xff", 1))
        for opening in (Ledger.reading, Ledger.writing):
            with pytest.raises(BuslensError, match="the ledger is damaged"):
                opening(tmp_path)
