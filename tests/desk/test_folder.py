"""Jobs as folders: whole or not there, never outside, never through a link."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

import pytest

from buslens.desk.folder import UNFINISHED, Car, DeskFolder
from buslens.report.record.job import JobDetails, load_job

if TYPE_CHECKING:
    from pathlib import Path

DETAILS = JobDetails(vehicle="Club car 4", complaint="no start", date="2026-03-14")


@pytest.fixture
def folder(tmp_path: Path) -> DeskFolder:
    return DeskFolder(tmp_path / "jobs")


class TestJobs:
    """A new job is found again, under a name of its own."""

    def test_found_again(self, folder: DeskFolder) -> None:
        job = folder.new_job(DETAILS, None)
        found = folder.job(job.name)
        assert found is not None
        assert found.details() == DETAILS
        assert [it.name for it in folder.jobs()] == ["2026-03-14-1"]

    def test_called_by_its_number(self, folder: DeskFolder) -> None:
        names = [folder.new_job(JobDetails(number="2026/034"), None).name for _ in range(3)]
        assert names == ["2026-034", "2026-034-2", "2026-034-3"]

    def test_number_that_is_a_folder_of_the_desk(self, folder: DeskFolder) -> None:
        assert folder.new_job(JobDetails(number="cars"), None).name == "cars-2"

    @pytest.mark.parametrize("name", ["..", ".", "", "/", "../jobs", "2026-03-14-1/before", "2026-03-14-1\x00", "cars"])
    def test_no_other_path(self, name: str, folder: DeskFolder) -> None:
        folder.new_job(DETAILS, None)
        assert folder.job(name) is None

    def test_folder_that_is_no_job(self, folder: DeskFolder) -> None:
        (folder.path / "holiday").mkdir()
        assert folder.job("holiday") is None
        assert folder.jobs() == []

    @pytest.mark.skipif(os.name == "nt", reason="links need rights there")
    def test_links_are_not_followed(self, folder: DeskFolder, tmp_path: Path) -> None:
        other = DeskFolder(tmp_path / "other").new_job(DETAILS, None)
        (folder.path / "link").symlink_to(other.path)
        assert folder.job("link") is None
        job = folder.new_job(DETAILS, None)
        (tmp_path / "secret").write_text("secret")
        (job.path / "before" / "a.log").symlink_to(tmp_path / "secret")
        assert job.captures() == []
        (job.path / "after").rmdir()
        (job.path / "after").symlink_to(tmp_path)
        assert job.captures() == []


class TestChoosing:
    """A job keeps a copy of its car."""

    def test_copy(self, folder: DeskFolder, car: Path) -> None:
        job = folder.new_job(DETAILS, Car(title="mine", folder=car))
        assert job.expectations() == job.path / "signal_defs" / "steering_lock.toml"
        (car / "steering_lock.toml").write_text("changed since")
        assert job.expectations() is not None
        assert "changed" not in (job.path / "signal_defs" / "steering_lock.toml").read_text("utf-8")

    def test_another_one(self, folder: DeskFolder, car: Path) -> None:
        chosen = Car(title="mine", folder=car)
        job = folder.new_job(DETAILS, chosen)
        before = job.setup_key()
        (car / "steering_lock.toml").write_text("another")
        job.choose(chosen)
        assert job.setup_key() != before
        assert (job.path / "signal_defs" / "steering_lock.toml").read_text("utf-8") == "another"
        assert not list(job.path.glob(f"{UNFINISHED}*"))

    def test_of_all_jobs(self, folder: DeskFolder, car: Path) -> None:
        car.rename(folder.path / "signal_defs")
        job = folder.new_job(DETAILS, None)
        assert job.expectations() == folder.path / "signal_defs" / "steering_lock.toml"
        assert next(it.title for it in folder.cars()) == "signal_defs"


class TestRemoving:
    """What is taken out of a job stays on the disk."""

    def test_stays(self, folder: DeskFolder) -> None:
        job = folder.new_job(DETAILS, None)
        for _ in range(2):
            (job.side_folder("before") / "a.log").write_text("frames")
            capture = job.capture("before", "a.log")
            assert capture is not None
            job.remove(capture)
        assert job.captures() == []
        assert [file.read_text() for file in (job.path / "removed").iterdir()] == ["frames", "frames"]

    @pytest.mark.parametrize("name", ["../job.toml", "", ".", "b.log"])
    def test_nothing_else(self, name: str, folder: DeskFolder) -> None:
        assert folder.new_job(DETAILS, None).capture("before", name) is None


class TestSweeping:
    """What a kill left half made is gone after the next start, and nothing else."""

    def test_sweep(self, folder: DeskFolder) -> None:
        job = folder.new_job(DETAILS, None)
        (folder.path / f"{UNFINISHED}1").mkdir()
        (folder.path / f"{UNFINISHED}1" / "job.toml").write_text("")
        (job.path / f"{UNFINISHED}2").write_text("half a capture")
        before = sorted(file.name for file in job.path.iterdir())
        assert folder.jobs()[0].name == job.name
        folder.sweep()
        assert sorted(file.name for file in job.path.iterdir()) == before[1:]
        assert [it.name for it in folder.path.iterdir()] == [job.name]


class TestKey:
    """Whatever changes a job, by whomever, changes its key."""

    def test_changes(self, folder: DeskFolder, car: Path) -> None:
        job = folder.new_job(DETAILS, Car(title="mine", folder=car))
        keys = {job.key()}
        (job.path / "before" / "a.log").write_text("frames")
        keys.add(job.key())
        (job.path / "after" / "a.log").write_text("frames")
        keys.add(job.key())
        (job.path / "session.json").write_text("{}")
        keys.add(job.key())
        job.save_details(JobDetails(vehicle="another"))
        keys.add(job.key())
        (job.path / "signal_defs" / "pinewick.dbc").write_text("")
        keys.add(job.key())
        assert len(keys) == 6
        assert job.key() in keys

    def test_commands_read_what_is_kept(self, folder: DeskFolder) -> None:
        job = folder.new_job(DETAILS, None)
        assert load_job(str(job.job_file)) == DETAILS
