"""Jobs and cars as folders of files, the same that the commands read and write.

    FOLDER/
      2026-034/                     one job
        job.toml                    what a person entered     buslens record --job
        session.json                readings                  buslens diagnose --session
        before/*.log                captures of the fault     buslens diagnose, record --before
        after/*.log                 captures after the repair buslens compare, record
        signal_defs/                the car, as it was chosen: definitions, expectations, causes
        record.html                 the record                buslens record --verify
        removed/                    captures that were taken out
        layouts/NAME.toml           how a table among the captures is to be read      --table
      marks/*.txt                 what was marked while one was recorded  buslens seek --marks
      cars/NAME/                    cars to choose among; in good/ the captures that one was drafted from, in
                                    layout.toml how tables of this car are to be read, where their rows do not tell
      signal_defs/                  the car of jobs that have none of their own

A command that is run in the folder of a job finds the same car and gives the same answers. No name that a browser sends
is ever joined to a path: it is looked up among the names that are there. Links are not followed.
"""

from __future__ import annotations

import errno
import json
import os
import secrets
import shutil
from collections.abc import Container, Iterator
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Final

from buslens.defaults import EXPECTATIONS_NAME, FOLDER_NAME, demonstration_folder
from buslens.desk.names import file_name, plain_name
from buslens.errors import UsageError
from buslens.files import os_error_text, read_at_most, write_atomically
from buslens.report.record.job import JobDetails, job_text, load_job

JOB_FILE: Final = "job.toml"
SESSION_FILE: Final = "session.json"
RECORD_FILE: Final = "record.html"
SIDES: Final = ("before", "after")
"""Folders of captures: of the fault, and after the repair."""
REMOVED: Final = "removed"
UNFINISHED: Final = ".unfinished-"
"""Begins the name of whatever is not complete yet; swept away at the next start."""
RECORDING: Final = ".recording-"
"""Begins the name of a capture that is being recorded; whatever a kill left of one is a capture, too."""
MARKS: Final = "marks"
LAYOUTS: Final = "layouts"
LAYOUT: Final = "layout.toml"
"""Of a car: how tables of its captures are to be read."""
_TEMPORARY: Final = ".tmp-"
"""Begins the name of a file that `buslens.files` has not yet put in its place."""
GOOD: Final = "good"
"""Folder of a car's healthy captures."""
_CHOICES: Final = "choices.json"
FOUND: Final = "found.dbc"
"""Definitions that were found by what a person did."""
_CARS: Final = "cars"
_DEMONSTRATION: Final = "Pinewick club car (demonstration)"
_CAR_FILES: Final = (".toml", ".dbc")


@dataclass(frozen=True, slots=True, kw_only=True)
class CaptureFile:
    """A capture of a job."""

    side: str
    name: str
    path: Path
    size: int
    changed_ns: int
    #: Another one once something else is said about how it is to be read.
    layout: str = ""

    @property
    def key(self) -> str:
        """Text that is another one once the file has changed, or how it is to be read."""
        return f"{self.side}/{self.name}:{self.size}:{self.changed_ns}:{self.layout}"


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordingPlace:
    """Where a recording goes."""

    path: Path
    #: Until it is whole.
    temporary: Path
    marks: Path


class JobFolder:
    """The folder of one job."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.name = path.name

    @property
    def job_file(self) -> Path:
        """What a person entered."""
        return self.path / JOB_FILE

    @property
    def session_file(self) -> Path:
        """The readings."""
        return self.path / SESSION_FILE

    @property
    def record_file(self) -> Path:
        """The record that was written, if it was."""
        return self.path / RECORD_FILE

    def details(self) -> JobDetails:
        """Return what was entered; UsageError or OSError if somebody has made something else of the file."""
        return load_job(str(self.job_file))

    def save_details(self, details: JobDetails) -> None:
        """Keep what was entered."""
        write_atomically(self.job_file, job_text(details).encode("utf-8"))

    def captures(self, *sides: str) -> list[CaptureFile]:
        """Return the captures, those of the fault first, each side in the order of its names."""
        found = []
        for side in sides or SIDES:
            for entry in entries(self.path / side):
                if entry.is_file(follow_symlinks=False) and not entry.name.startswith("."):
                    status = entry.stat(follow_symlinks=False)
                    found.append(
                        CaptureFile(
                            side=side,
                            name=entry.name,
                            path=Path(entry.path),
                            size=status.st_size,
                            changed_ns=status.st_mtime_ns,
                            layout=stamp_of(self.layout_file(entry.name)),
                        )
                    )
        return found

    def capture(self, side: str, name: str) -> CaptureFile | None:
        """Return the capture of that name, if there is one."""
        return next((it for it in self.captures() if (it.side, it.name) == (side, name)), None)

    def side_folder(self, side: str) -> Path:
        """Return the folder of a side; it is made if it is not there."""
        folder = self.path / SIDES[SIDES.index(side)]
        folder.mkdir(exist_ok=True)
        return folder

    def remove(self, capture: CaptureFile) -> None:
        """Take a capture out of the job; the file stays, under ``removed``."""
        folder = self.path / REMOVED
        folder.mkdir(exist_ok=True)
        target = folder / capture.name
        while target.exists():
            target = folder / f"{secrets.token_hex(3)}-{capture.name}"
        capture.path.rename(target)
        # The next capture of this name is another one.
        self.layout_file(capture.name).unlink(missing_ok=True)

    def layout_file(self, name: str) -> Path:
        """Return where it is kept what a person says about how a capture is to be read."""
        return self.path / LAYOUTS / f"{name}.toml"

    def recording_place(self, side: str) -> RecordingPlace:
        """Return where a recording goes that begins now."""
        return _recording_place(self.side_folder(side), self.path, {it.name.lower() for it in self.captures()})

    def expectations(self) -> Path | None:
        """Return the expectations that the job's captures are checked against; None while no car is chosen."""
        places = (
            self.path / EXPECTATIONS_NAME,
            self.path / FOLDER_NAME / EXPECTATIONS_NAME,
            self.path.parent / FOLDER_NAME / EXPECTATIONS_NAME,
        )
        return next((place for place in places if place.is_file()), None)

    def choose(self, car: Car) -> None:
        """Copy a car into the job, so that the job keeps the limits by which it was checked."""
        target = self.path / FOLDER_NAME
        new = self.path / f"{UNFINISHED}{secrets.token_hex(6)}"
        new.mkdir()
        for file in car.files():
            shutil.copyfile(file, new / file.name)
        if target.exists():
            # Swept away at the next start if this is cut off here; the job then asks for its car again.
            target.rename(self.path / f"{UNFINISHED}{secrets.token_hex(6)}")
        new.rename(target)
        sweep(self.path)

    def setup_key(self) -> str:
        """Return text that is another one once any file of the car has changed."""
        expectations = self.expectations()
        if expectations is None:
            return ""
        parts = [str(expectations)]
        for entry in entries(expectations.parent):
            if entry.name.endswith(_CAR_FILES):
                status = entry.stat()
                parts.append(f"{entry.name}:{status.st_size}:{status.st_mtime_ns}")
        return "|".join(parts)

    def key(self) -> str:
        """Return text that is another one once anything of the job has changed, by whomever."""
        parts = [self.setup_key(), *(it.key for it in self.captures())]
        for file in (self.job_file, self.session_file, self.record_file):
            parts.append(stamp_of(file))
        return "|".join(parts)


@dataclass(frozen=True, slots=True, kw_only=True)
class Car:
    """Definitions, expectations and causes of one kind of vehicle."""

    #: As people call it.
    title: str
    folder: Path

    def files(self) -> list[Path]:
        """Return its files."""
        return [Path(it.path) for it in entries(self.folder) if it.is_file() and it.name.endswith(_CAR_FILES)]


class CarFolder:
    """The folder of a car of the user's: definitions, expectations, causes, and healthy captures to draft them from."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.name = path.name

    @property
    def is_complete(self) -> bool:
        """Whether captures can be checked against it."""
        return (self.path / EXPECTATIONS_NAME).is_file()

    def expectations(self) -> Path | None:
        """Return its expectations; None while there are none."""
        return self.path / EXPECTATIONS_NAME if self.is_complete else None

    def holds(self, text: str) -> bool:
        """Whether a text is the car's expectations as they stand."""
        try:
            return (self.path / EXPECTATIONS_NAME).read_bytes() == text.encode()
        except OSError:
            return False

    def files(self) -> list[Path]:
        """Return definitions, expectations and causes, then the healthy captures."""
        found = [it for it in entries(self.path) if it.name.lower().endswith(_CAR_FILES)]
        found += [it for it in entries(self.path / GOOD) if not it.name.startswith(".")]
        return [Path(it.path) for it in found if it.is_file(follow_symlinks=False)]

    def place(self, sent_as: str) -> Path:
        """Return where a file goes that was sent under a name: one of each kind replaces the one before."""
        name = file_name(sent_as, set(), "file")
        if name.endswith(".causes.toml"):
            return self.path / f"{Path(EXPECTATIONS_NAME).stem}.causes.toml"
        if name.endswith(".toml"):
            return self.path / EXPECTATIONS_NAME
        if name.endswith(".dbc"):
            return self.path / name
        (self.path / GOOD).mkdir(exist_ok=True)
        taken = {it.name.lower() for it in entries(self.path / GOOD)}
        return self.path / GOOD / file_name(sent_as, taken, "capture")

    def recording_place(self) -> RecordingPlace:
        """Return where a recording goes that begins now."""
        folder = self.path / GOOD
        folder.mkdir(exist_ok=True)
        return _recording_place(folder, self.path, {it.name.lower() for it in self.files()})

    def chosen(self) -> dict[str, str]:
        """Return which signal a person has chosen for which role."""
        try:
            data = json.loads(read_at_most(self.path / _CHOICES, 100_000))
        except (OSError, ValueError):
            return {}
        return {str(role): str(signal) for role, signal in data.items()} if isinstance(data, dict) else {}

    def choose(self, role: str, signal: str) -> None:
        """Keep which signal a person has chosen for a role."""
        write_atomically(self.path / _CHOICES, json.dumps({**self.chosen(), role: signal}, indent=2).encode())


class DeskFolder:
    """The folder that the desk was started with.

    Parameters
    ----------
    path : Path
        It is made if it is not there.

    Raises
    ------
    OSError
        If it is something else, or cannot be made.
    """

    def __init__(self, path: Path) -> None:
        try:
            path.mkdir(parents=True, exist_ok=True)
        except FileExistsError:
            raise NotADirectoryError(errno.ENOTDIR, "", str(path)) from None
        self.path = path.resolve()

    def jobs(self) -> list[JobFolder]:
        """Return all jobs, the one that was worked on last first."""
        found = []
        for entry in entries(self.path):
            if entry.is_dir(follow_symlinks=False) and not entry.name.startswith("."):
                job = JobFolder(Path(entry.path))
                if job.job_file.is_file():
                    found.append(job)
        return sorted(found, key=lambda job: (-_changed_ns(job), job.name))

    def job(self, name: str) -> JobFolder | None:
        """Return the job of that name, if there is one."""
        for entry in entries(self.path):
            if entry.name == name and entry.is_dir(follow_symlinks=False) and not name.startswith("."):
                job = JobFolder(Path(entry.path))
                return job if job.job_file.is_file() else None
        return None

    def new_job(self, details: JobDetails, car: Car | None) -> JobFolder:
        """Make the folder of a new job, called by its number or else by its date; whole or not at all."""
        wanted = plain_name(details.number or details.date, "job")
        name, number = wanted, 1
        if not details.number:
            name = f"{wanted}-{number}"
        made = JobFolder(self.path / f"{UNFINISHED}{secrets.token_hex(6)}")
        made.path.mkdir()
        made.save_details(details)
        for side in SIDES:
            made.side_folder(side)
        if car is not None:
            made.choose(car)
        taken = {entry.name.lower() for entry in entries(self.path)} | {_CARS, FOLDER_NAME}
        while name.lower() in taken or not _renamed(made.path, self.path / name):
            taken.add(name.lower())
            number += 1
            name = f"{wanted}-{number}"
        return JobFolder(self.path / name)

    def cars(self) -> list[Car]:
        """Return the cars that can be chosen: the user's own, then the demonstration's."""
        found = [
            Car(title=entry.name, folder=Path(entry.path))
            for entry in entries(self.path / _CARS)
            if entry.is_dir(follow_symlinks=False) and (Path(entry.path) / EXPECTATIONS_NAME).is_file()
        ]
        if (self.path / FOLDER_NAME / EXPECTATIONS_NAME).is_file():
            found.insert(0, Car(title=FOLDER_NAME, folder=self.path / FOLDER_NAME))
        with suppress(UsageError):  # installed without
            found.append(Car(title=_DEMONSTRATION, folder=demonstration_folder()))
        return found

    def car_folders(self) -> list[CarFolder]:
        """Return the user's own cars, complete or not."""
        return [
            CarFolder(Path(entry.path))
            for entry in entries(self.path / _CARS)
            if entry.is_dir(follow_symlinks=False) and not entry.name.startswith(".")
        ]

    def car_folder(self, name: str) -> CarFolder | None:
        """Return the user's own car of that name, if there is one."""
        return next((it for it in self.car_folders() if it.name == name), None)

    def new_car(self, wanted: str) -> CarFolder:
        """Make the folder of a new car."""
        cars = self.path / _CARS
        cars.mkdir(exist_ok=True)
        stem = plain_name(wanted, "car")
        name, number = stem, 1
        while (cars / name).exists():
            number += 1
            name = f"{stem}-{number}"
        (cars / name / GOOD).mkdir(parents=True)
        return CarFolder(cars / name)

    def car(self, title: str) -> Car | None:
        """Return the car of that title, if there is one."""
        return next((car for car in self.cars() if car.title == title), None)

    def sweep(self) -> None:
        """Remove what an earlier run of the desk could not complete."""
        sweep(self.path)
        for path in (*(it.path for it in self.jobs()), *(it.path for it in self.car_folders())):
            sweep(path)
            for side in (*SIDES, GOOD):
                _recover(path / side)


def _recording_place(folder: Path, owner: Path, taken: Container[str]) -> RecordingPlace:
    name = file_name(f"{datetime.now().astimezone():recorded-%Y-%m-%d-%H%M%S}.log", taken, "recorded")
    return RecordingPlace(
        path=folder / name, temporary=folder / f"{RECORDING}{name}", marks=owner / MARKS / f"{Path(name).stem}.txt"
    )


def _recover(folder: Path) -> None:
    """Make captures of the recordings that a kill has cut off."""
    for entry in list(entries(folder)):
        if entry.name.startswith(RECORDING) and entry.is_file(follow_symlinks=False):
            target = folder / entry.name.removeprefix(RECORDING)
            if not entry.stat().st_size:
                Path(entry.path).unlink()
            elif not target.exists():
                Path(entry.path).rename(target)


def sweep(folder: Path) -> None:
    """Remove what is not complete from a folder."""
    for entry in entries(folder):
        if entry.name.startswith((UNFINISHED, _TEMPORARY)) and not entry.is_symlink():
            if entry.is_dir():
                shutil.rmtree(entry.path, ignore_errors=True)
            else:
                Path(entry.path).unlink(missing_ok=True)


def not_saved(error: OSError) -> str:
    """Return that nothing could be written, and what to look at."""
    return f"Nothing was saved. {os_error_text(error)}. Is the disk there, with room, and not write-protected?"


def lines_of(text: str) -> tuple[str, ...]:
    """Return the lines of a text that say something."""
    return tuple(line.strip() for line in text.splitlines() if line.strip())


def steps_taken(job: JobFolder, details: JobDetails, sides: Container[str]) -> str:
    """Return how far a job has come, in a few words, without checking anything."""
    if job.record_file.is_file():
        return "record written"
    if "after" in sides:
        return "confirming the repair"
    if details.done:
        return "repaired, not recorded again"
    return "finding the cause" if "before" in sides else "no capture yet"


def _renamed(old: Path, new: Path) -> bool:
    """Whether a folder could be given a name that was free."""
    try:
        # A folder without anything in it would be replaced.
        new.lstat()
    except FileNotFoundError:
        old.rename(new)
        return True
    return False


def entries(folder: Path) -> Iterator[os.DirEntry[str]]:
    """Yield what is in a folder, by name; nothing if there is no such folder, or it is a link."""
    if folder.is_symlink():
        return
    try:
        with os.scandir(folder) as found:
            yield from sorted(found, key=lambda entry: entry.name)
    except (FileNotFoundError, NotADirectoryError):
        return


def _changed_ns(job: JobFolder) -> int:
    stamps = []
    for file in (job.job_file, job.session_file, job.record_file, *(job.path / side for side in SIDES)):
        try:
            stamps.append(file.stat().st_mtime_ns)
        except OSError:
            continue
    return max(stamps, default=0)


def stamp_of(file: Path) -> str:
    """Return text that is another one once a file has changed."""
    try:
        status = file.stat()
    except OSError:
        return "-"
    return f"{status.st_size}:{status.st_mtime_ns}:{status.st_ino}"
