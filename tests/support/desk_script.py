"""A scripted job at a desk that is killed, and whether all is there that was confirmed."""

from __future__ import annotations

import threading
import time
from http.client import HTTPException
from typing import TYPE_CHECKING

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
        #: Set once a reading was confirmed since the last start, or the desk went away before.
        self.is_warm = threading.Event()

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
                        self.is_warm.set()
        except (OSError, HTTPException):
            self.is_warm.set()


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


def killed_after(folder: Path, seconds: float, work: Work, *, warm: bool) -> None:
    """Work with a desk until it is killed; then look, start it again, and end it.

    Parameters
    ----------
    folder : Path
    seconds : float
        Until the kill: from its start, or from the first reading that it confirmed.
    work : Work
        What was confirmed by earlier desks of this folder, and by this one.
    warm : bool
        Whether the time counts from the first reading.
    """
    work.is_warm.clear()
    desk = start_desk(folder)
    worker = threading.Thread(target=work.go_on, args=(desk,))
    worker.start()
    if warm:
        work.is_warm.wait()
    time.sleep(seconds)
    desk.kill()
    worker.join()
    check(folder, work)
    again = start_desk(folder)
    again.end()
