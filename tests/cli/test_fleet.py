"""``buslens fleet``: a few samples are judged once, and all tests look at that."""

from __future__ import annotations

import csv
import shutil
import zipfile
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple
from xml.etree import ElementTree as ET

import pytest

from buslens.cli import main
from buslens.cli.fleet import _memory, _time
from buslens.fleet.model import FailureKind
from buslens.fleet.progress import Progress
from buslens.fleet.result_folder import WRITTEN, is_ledger
from buslens.fleet.run_jobs import RunSummary
from buslens.fleet.text import progress_line, run_sentence

if TYPE_CHECKING:
    from collections.abc import Sequence

ROOT = Path(__file__).parents[2]
SAMPLES = ROOT / "sample_logs"
DEFINITIONS = ROOT / "signal_defs"
NAMES = ("car01_healthy.log", "car03_load_fuse_blown.log", "car12_cut_short.log")


class Ran(NamedTuple):
    status: int
    out: str
    err: str
    folder: Path


def fleet(capsys: pytest.CaptureFixture[str], *words: object) -> tuple[int, str, str]:
    status = main(["fleet", *map(str, words), "--workers", "1"])
    told = capsys.readouterr()
    return status, told.out, told.err


def rows(folder: Path) -> list[dict[str, str]]:
    with (folder / "captures.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder with captures of three cars, one that is none, and a file of groups."""
    folder = tmp_path_factory.mktemp("club")
    for number, name in enumerate(NAMES):
        car = folder / "logs" / name[:5]
        car.mkdir(parents=True)
        shutil.copy(SAMPLES / name, car / f"2026-03-{14 + number}_morning.log")
    (folder / "logs" / "car01" / "empty.log").touch()
    (folder / "logs" / "README.md").write_text("no capture")
    shutil.copytree(DEFINITIONS, folder / "signal_defs")
    (folder / "fleet.toml").write_text(
        "format = 1\n"
        '[[groups]]\nname = "first"\nvehicles = ["car0*"]\nexpectations = "signal_defs/steering_lock.toml"\n'
        '[[groups]]\nname = "second"\nvehicles = ["car1*", "unnamed*"]\n'
        'expectations = "signal_defs/steering_lock.toml"\n'
    )
    return folder


@pytest.fixture(scope="module")
def ran(place: Path) -> Ran:
    """Judge them once, with everything that can be asked for."""
    import contextlib
    import io

    (place / "out").mkdir()
    (place / "out" / "mine.txt").write_text("keep")
    words: Sequence[object] = (
        place / "logs", "-o", place / "out", "--name", "{vehicle}/{date}_*.log", "--groups", place / "fleet.toml",
        "--pages", "--junit", place / "report.xml", "--workers", "1", "--time-limit", "5 min", "--memory-limit", "8GB",
    )  # fmt: skip
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        status = main(["fleet", *map(str, words)])
    return Ran(status, out.getvalue(), err.getvalue(), place / "out")


class TestRun:
    """A fleet is judged, remembered, written on one page, and told in words."""

    def test_who_is_to_be_called_in(self, ran: Ran) -> None:
        lines = ran.out.splitlines()
        assert lines[0] == "Vehicles to call in, most urgent first"
        called = [line.split(":")[0].split(" ", 3) for line in lines if line[:4].strip().isdecimal()]
        assert [" ".join(words[-1:]) for words in called] == ["car03", "car12", "unnamed (car01)"][: len(called)]
        assert lines[-1].startswith("Of 4 vehicles, ")
        assert f"fleet report: {ran.folder / 'index.html'}" in lines

    def test_the_gravest_counts_for_the_status(self, ran: Ran) -> None:
        """A capture that cannot be read is graver than a fault."""
        assert ran.status == 2
        assert "empty.log" in ran.out

    def test_what_the_pattern_does_not_fit_is_told(self, ran: Ran) -> None:
        assert "does not name a vehicle for" in ran.err
        assert "empty.log" in ran.err
        assert "README.md" in ran.err

    def test_the_tables_say_vehicle_date_and_group(self, ran: Ran) -> None:
        found = {row["vehicle"]: row for row in rows(ran.folder)}
        assert set(found) == {"car01", "car03", "car12", "unnamed (car01)"}
        assert found["car03"]["recorded"].startswith("2026-03-15")
        assert (found["car03"]["verdict"], found["car03"]["group"]) == ("faulty", "first")
        assert found["car12"]["group"] == "second"
        assert found["unnamed (car01)"]["trouble"] == "unreadable"

    def test_pages_of_the_faulty_are_linked(self, ran: Ran) -> None:
        (page,) = (ran.folder / "pages").iterdir()
        assert page.read_text(encoding="utf-8").startswith("<!")
        assert f"pages/{page.name}" in (ran.folder / "index.html").read_text(encoding="utf-8")

    def test_report_for_build_servers(self, ran: Ran) -> None:
        root = ET.fromstring((ran.folder.parent / "report.xml").read_bytes())  # noqa: S314  # our own output
        assert len(root) == 4
        assert int(str(root.get("failures"))) > 0

    def test_what_is_written_is_known_to_the_listing(self, ran: Ran) -> None:
        """Else a later run could take it for captures."""
        own = {path.name for path in ran.folder.iterdir()} - {"mine.txt", "pages"}
        assert {name for name in own if not is_ledger(name)} == WRITTEN

    def test_a_file_of_the_users_stays(self, ran: Ran) -> None:
        assert (ran.folder / "mine.txt").read_text() == "keep"

    def test_the_second_run_reads_nothing_that_was_judged(
        self, ran: Ran, place: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        before = {row["address"]: row["judging_s"] for row in rows(ran.folder)}
        status, out, _ = fleet(
            capsys, f"{place / 'logs'}/*/2026*", "-o", ran.folder, "--name", "{vehicle}/{date}_*", "--groups",
            place / "fleet.toml",
        )  # fmt: skip
        assert "3 captures in" in out
        assert "none checked again, 3 known from before and not read again" in out
        assert {row["address"]: row["judging_s"] for row in rows(ran.folder)} == before
        assert status == 2

    def test_what_is_no_longer_there_is_told(
        self, tmp_path: Path, place: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        """It counts, and whoever reads the sheet is told so."""
        words = ("--expectations", place / "signal_defs" / "steering_lock.toml", "-o", tmp_path / "out")
        for name in ("a.log", "b.log"):
            shutil.copy(SAMPLES / NAMES[0], tmp_path / name)
        assert "not found by the last one" not in fleet(capsys, tmp_path / "*.log", *words)[2]
        (tmp_path / "b.log").unlink()
        assert "1 capture that earlier runs checked was not found" in fleet(capsys, tmp_path / "*.log", *words)[2]
        assert len(rows(tmp_path / "out")) == 2
        assert "was not found by the last one" in (tmp_path / "out" / "index.html").read_text(encoding="utf-8")

    def test_a_table_that_is_open_elsewhere_keeps_nothing_else_back(
        self, tmp_path: Path, place: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """On Windows no table can be written that a spreadsheet shows."""
        out = tmp_path / "out"
        words = (SAMPLES / NAMES[1], "--expectations", place / "signal_defs" / "steering_lock.toml", "-o", out)
        assert fleet(capsys, *words)[0] == 1
        before = {file.name: file.read_bytes() for file in out.glob("*.csv")}
        (out / "index.html").unlink()
        replace = Path.replace

        def held(self: Path, target: Path) -> Path:
            if Path(target).name == "findings.csv":
                raise PermissionError(13, "Access is denied", str(self))
            return replace(self, target)

        monkeypatch.setattr(Path, "replace", held)
        status, told, err = fleet(capsys, *words)
        assert status == 2
        assert f"buslens: {out / 'findings.csv'}: no permission" in err
        assert "the tables are not those of this run" in err
        assert "tables: not written" in told
        assert "car03" in told
        assert (out / "index.html").is_file()
        assert (out / "findings.csv").read_bytes() == before["findings.csv"]
        assert not list(out.glob(".tmp-*"))

    def test_a_folder_that_has_become_empty_is_no_fleet_that_is_well(
        self, tmp_path: Path, place: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        words = (
            tmp_path / "logs", "--expectations", place / "signal_defs" / "steering_lock.toml", "-o", tmp_path / "out"
        )  # fmt: skip
        (tmp_path / "logs").mkdir()
        shutil.copy(SAMPLES / NAMES[0], tmp_path / "logs" / "a.log")
        assert fleet(capsys, *words)[0] == 0
        (tmp_path / "logs" / "a.log").unlink()
        status, _, err = fleet(capsys, *words)
        assert status == 2
        assert "results come from earlier runs" in err

    def test_the_second_run_links_the_pages_of_the_first(
        self, ran: Ran, place: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        fleet(capsys, f"{place / 'logs'}/*/2026*", "-o", ran.folder, "--groups", place / "fleet.toml")
        (page,) = (ran.folder / "pages").iterdir()
        assert f"pages/{page.name}" in (ran.folder / "index.html").read_text(encoding="utf-8")


class TestOtherWays:
    """Captures may lie in a store, be named by a list, or have nothing to be judged by."""

    def test_a_store_and_a_list(self, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
        with zipfile.ZipFile(tmp_path / "yard.zip", "w") as archive:
            archive.write(SAMPLES / "car01_healthy.log", "in/a.log")
        (tmp_path / "list.csv").write_text("path;vehicle;date\nin/a.log;car 1;2026-03-14\n")
        status, out, err = fleet(
            capsys, f"zip://::{(tmp_path / 'yard.zip').as_uri()}", "-o", tmp_path / "out", "--vehicles",
            tmp_path / "list.csv", "--expectations", DEFINITIONS / "steering_lock.toml",
        )  # fmt: skip
        assert status == 0
        assert [line for line in err.splitlines() if not line.endswith("per minute")] == []  # how far it is
        assert out.endswith("Nothing to call in: the only vehicle is as expected in what was recorded lately.\n")
        (row,) = rows(tmp_path / "out")
        assert (row["vehicle"], row["verdict"], row["recorded"][:10]) == ("car 1", "as_expected", "2026-03-14")

    def test_nothing_to_judge_by(
        self, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.chdir(tmp_path)
        (tmp_path / "far" / "off" / "car1").mkdir(parents=True)
        (tmp_path / "far" / "off" / "car1" / "a.log").touch()
        status, out, err = fleet(capsys, "far/off", "-o", "out")
        assert status == 2
        assert "vehicle 'car1' is left out: there are no expectations" in err
        assert out == ""
        assert err.splitlines()[-1] == "buslens: no capture was found that can be checked"


class TestRefused:
    """What cannot be used is told before a capture is read, and nothing is written."""

    @pytest.mark.parametrize(
        ("words", "told"),
        [
            (["nowhere"], "nowhere: no such file"),
            (["{here}", "--name", "{vehicle"], "column 1"),
            (["{here}", "--name", "{{vehicle}}", "--vehicles", "x.csv"], "give one of them"),
            (["{here}", "--vehicles", "x.csv"], "x.csv: no such file"),
            (["{here}", "--groups", "x.toml"], "x.toml: no such file"),
            (["{here}", "--expectations", "x.toml"], "there is no such file"),
            (["{here}", "--scheduler", "tcp://127.0.0.1:1"], "--workers counts"),
            (["{here}", "--time-limit", "5"], "not a duration"),
            (["{here}", "--memory-limit", "5 apples"], "known units"),
            (["{here}", "--junit", "-"], "writes a file"),
            (["{here}", "--junit", "out"], "--junit out: this is the folder of the results; name a file"),
            (["{here}", "--junit", "out/index.html"], "--junit out/index.html: a result of the fleet is written there"),
            (["{here}", "--junit", "x/../out/ledger.sqlite"], "a result of the fleet is written there"),
            (["{here}", "--junit", "out/pages/car.xml"], "a result of the fleet is written there"),
            (["{here}", "--junit", "no/report.xml"], "no/report.xml: there is no folder 'no'"),
            (["nonsense://x"], "nothing is known of addresses"),
        ],
    )
    def test_told(
        self, words: list[str], told: str, tmp_path: Path, capsys: pytest.CaptureFixture[str],
        monkeypatch: pytest.MonkeyPatch,
    ) -> None:  # fmt: skip
        monkeypatch.chdir(tmp_path)
        status, out, err = fleet(capsys, *(SAMPLES if word == "{here}" else word for word in words), "-o", "out")
        assert (status, out) == (2, "")
        assert told in err
        assert not (tmp_path / "out").exists()

    def test_a_file_in_the_place_of_the_folder(self, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
        (tmp_path / "out").touch()
        status, _, err = fleet(capsys, SAMPLES, "-o", tmp_path / "out")
        assert status == 2
        assert "this is a file; name a folder" in err

    @pytest.mark.parametrize("name", sorted(WRITTEN))
    def test_what_is_not_of_a_run_stays(self, name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
        """A folder may be one of the user's, with a page or a table of theirs."""
        (tmp_path / name).write_text("keep")
        status, _, err = fleet(capsys, SAMPLES, "-o", tmp_path)
        assert status == 2
        assert f"written over {tmp_path / name}" in err
        assert {path.name: path.read_text() for path in tmp_path.iterdir()} == {name: "keep"}

    def test_what_is_read_stays(self, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
        """Even where runs have written before: the table of captures would make a good list of vehicles."""
        (tmp_path / "ledger.lock").touch()
        (tmp_path / "captures.csv").write_text("path,vehicle\na.log,car01\n")
        status, _, err = fleet(capsys, SAMPLES, "-o", tmp_path, "--vehicles", tmp_path / "captures.csv")
        assert status == 2
        assert "captures.csv, which is read" in err
        assert (tmp_path / "captures.csv").read_text().startswith("path")


class TestWords:
    """Progress, limits and what a run did are said in words."""

    @pytest.mark.parametrize(
        ("progress", "line"),
        [
            (Progress(), "0 captures so far, more are still being found"),
            (Progress(total=1), "0 of 1 capture"),
            (Progress(total=10, judged=2, seconds=4.0), "2 of 10 captures, 30.0 per minute"),
            (
                Progress(total=100, judged=20, known=30, troubled=1, seconds=4.0),
                "50 of 100 captures, 5.0 per second, 30 already checked, 1 that cannot be checked, 10 s left",
            ),
            (Progress(judged=1200, seconds=4.0), "1,200 captures so far, more are still being found, 300 per second"),
        ],
    )
    def test_progress(self, progress: Progress, line: str) -> None:
        assert progress_line(progress) == line

    def test_a_run(self) -> None:
        assert run_sentence(RunSummary()) == "No captures were found."
        done = RunSummary(listed=9, judged=5, unchanged=3, copies=1, seconds=10)
        assert run_sentence(done).startswith("9 captures in 10 s: 5 checked, 3 known from before and not read again, 1")
        done.troubles[FailureKind.DIED] = 2
        assert run_sentence(done).startswith("9 captures in 10 s: 5 checked, 2 of them without a verdict, 3 known")
        done.again["the expectations changed"], done.after["comparing the fleet"] = 4, 22.1
        assert "verdict, 4 of them again since the expectations changed, 3 known" in run_sentence(done)
        assert run_sentence(done).endswith("; then 22 s for comparing the fleet.")

    def test_limits(self) -> None:
        assert (_time("2 min"), _memory("2 gb"), _memory("1.5GiB")) == (120.0, 2_000_000_000, 1_610_612_736)


class TestStopped:
    """Ctrl-C tells that nothing is lost, and what would go on."""

    def test_told(self, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
        def stop(*_: object, **__: object) -> None:
            raise KeyboardInterrupt

        monkeypatch.setattr("buslens.fleet.run_fleet.judge_fleet", stop)
        status, out, err = fleet(capsys, SAMPLES, "-o", tmp_path / "out", "--name", "{vehicle}_*")
        assert (status, out) == (130, "")
        assert f"stored in {tmp_path / 'out'}; the same command resumes there" in err


@pytest.mark.slow
class TestCluster:
    """The same work is done by a cluster, whichever client the process may have besides."""

    def test_every_item_comes_back(self) -> None:
        import distributed

        from buslens.fleet.cluster_pool import ClusterPool

        start: Any = distributed.LocalCluster
        with (
            start(n_workers=1, threads_per_worker=1, processes=False, dashboard_address="127.0.0.1:0") as cluster,
            ClusterPool(cluster.scheduler_address, seconds=60) as pool,
        ):
            assert dict(pool.each(len, ["a", "bb", "ccc"])) == {"a": 1, "bb": 2, "ccc": 3}
