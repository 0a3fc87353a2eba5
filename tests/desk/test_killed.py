"""A kill at any moment loses nothing that was confirmed."""

from __future__ import annotations

import threading
import time
from http.client import HTTPException
from typing import TYPE_CHECKING

import pytest
from support.desks import RunningDesk, start_desk

from buslens.causes.session import load_session
from buslens.desk.folder import UNFINISHED, DeskFolder

if TYPE_CHECKING:
    from pathlib import Path

CAR = "Pinewick club car (demonstration)"
CAPTURE = b"".join(f"({n / 1000:.6f}) can0 123#{n % 256:02X}00\n".encode() for n in range(60_000))


class Work:
    """A scripted job, and what of it was confirmed."""

    def __init__(self) -> None:
        self.jobs: dict[str, str] = {}
        self.captures: set[str] = set()
        self.readings: dict[str, str] = {}

    def go_on(self, desk: RunningDesk) -> None:
        """Work until the desk goes away."""
        number = len(self.jobs)
        try:
            headers = desk.enter()
            while True:
                number += 1
                answer = desk.send("/jobs", headers, number=f"job{number}", complaint=f"first of {number}", car=CAR)
                job = answer.headers["location"]
                self.jobs[job] = f"first of {number}"
                name = f"{number}.log"
                put = desk.ask(
                    "PUT",
                    f"{job}/captures/before?name={name}",
                    CAPTURE + b"(61) can0 1#" + name.encode().hex().encode(),
                    headers,
                )
                if put.status == 201:
                    self.captures.add(f"{job}/{name}")
                for measurement, result in (("load_fuse", "whole"), ("plug_at_lock", "seated")):
                    if desk.send(f"{job}/reading", headers, measurement=measurement, result=result).status == 303:
                        self.readings[f"{job}/{measurement}"] = result
        except (OSError, HTTPException):
            return


def check(folder: Path, work: Work) -> None:
    """Hold what is on the disk to what was confirmed: all of it, and nothing that is half there."""
    desk = DeskFolder(folder)
    desk.sweep()
    assert not [file for file in folder.rglob("*") if file.name.startswith((UNFINISHED, ".tmp-"))]
    for path, complaint in work.jobs.items():
        job = desk.job(path.rpartition("/")[2])
        assert job is not None
        assert job.details().complaint == complaint
        assert job.expectations() is not None
    for job in desk.jobs():
        for capture in job.captures():
            assert capture.size > len(CAPTURE)
        load_session(job.path / "session.json")
    for path in work.captures:
        job_path, _, name = path.rpartition("/")
        job = desk.job(job_path.rpartition("/")[2])
        assert job is not None
        assert job.capture("before", name) is not None
    for path, result in work.readings.items():
        job_path, _, measurement = path.rpartition("/")
        session = load_session(folder / job_path.rpartition("/")[2] / "session.json")
        assert session.measured[measurement] == result


def killed_after(folder: Path, seconds: float, work: Work) -> None:
    """Work with a desk until it is killed so many seconds after the first answer; then start it again, and look."""
    desk = start_desk(folder)
    worker = threading.Thread(target=work.go_on, args=(desk,))
    worker.start()
    time.sleep(seconds)
    desk.kill()
    worker.join()
    check(folder, work)
    again = start_desk(folder)
    again.end()


@pytest.mark.parametrize("seconds", [0.35, 1.3])
def test_killed(seconds: float, tmp_path: Path) -> None:
    work = Work()
    killed_after(tmp_path, seconds, work)
    # The same folder goes on.
    killed_after(tmp_path, seconds / 2, work)
