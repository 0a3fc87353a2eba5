"""A small fleet on disk: rehearsed captures of a few cars, and what a worker may be asked to do with them."""

from __future__ import annotations

import csv
import os
import signal
import time
from dataclasses import replace
from functools import cache
from pathlib import Path
from types import SimpleNamespace
from typing import TYPE_CHECKING

import numpy as np
from support.patience import HANG_S
from support.rehearsed import frames_of
from support.stage import select

from buslens.fleet.check_job import check_job
from buslens.fleet.export import export
from buslens.fleet.model import CaptureJob, Group
from buslens.rehearsal.faults import FAULTS
from buslens.rehearsal.log_forms import render
from buslens.rehearsal.rehearse import START_NS

if TYPE_CHECKING:
    from collections.abc import Iterator

    import pytest

    from buslens.fleet.check_job import Task
    from buslens.fleet.ledger import Ledger
    from buslens.fleet.model import JobResult

SIGNAL_DEFS = Path(__file__).parents[2] / "signal_defs"
EXPECTATIONS = SIGNAL_DEFS / "steering_lock.toml"
CARS = Group(name="cars", vehicles=("*",), expectations=str(EXPECTATIONS))
KINDS = ("healthy", "slow-motor", "load-fuse-blown")


NEEDLESS = 0x0BD
"""Of the steering wheel's angle, every 20 ms: no rule asks for it."""


@cache
def recorded(fault: str, seed: int) -> bytes:
    """Return a capture of both handshakes as candump text: as short as can be, for a fleet has many."""
    frames = frames_of(replace(FAULTS[fault].scenario(1.0), script="seated"), seed, background_ids=1)
    needed = select(frames, np.flatnonzero(frames.can_id != NEEDLESS))
    return render(replace(needed, time_ns=needed.time_ns + START_NS), "candump", start_ns=START_NS, is_torn=False)


def write_fleet(folder: Path, captures: int) -> list[Path]:
    """Write captures of three cars into a folder; each has a content of its own."""
    folder.mkdir(parents=True, exist_ok=True)
    paths = []
    for number in range(captures):
        path = folder / f"car{number % 3}_{number:04}.log"
        # A last frame of its own makes a capture of its own, without the cost of simulating one.
        text = recorded(KINDS[number % 3], number % 3)
        stamp, channel, *_ = text.splitlines()[-1].split()
        path.write_bytes(text + b"%s %s 6FE#%08X\n" % (stamp, channel, number))
        paths.append(path)
    return paths


def job_of(path: Path, group: Group = CARS) -> CaptureJob:
    """Return what a listing tells of a capture."""
    try:
        status = path.stat()
    except OSError:
        return CaptureJob(address=str(path), vehicle=path.stem, recorded_ns=None, group=group, size=None, stamp="")
    vehicle = path.name.partition("_")[0]
    stamp = str(status.st_mtime_ns)
    return CaptureJob(
        address=str(path), vehicle=vehicle, recorded_ns=None, group=group, size=status.st_size, stamp=stamp
    )


def jobs_of(paths: list[Path], group: Group = CARS) -> Iterator[CaptureJob]:
    """Yield what a listing tells of captures."""
    return (job_of(path, group) for path in paths)


def told(ledger: Ledger, folder: Path) -> dict[str, list[dict[str, str]]]:
    """Return everything that a ledger tells of its captures, without how long it took."""
    found: dict[str, list[dict[str, str]]] = {}
    for path in export(ledger, folder):
        if path.suffix == ".csv":
            with path.open(encoding="utf-8-sig", newline="") as file:
                found[path.stem] = [{**row, "judging_s": ""} for row in csv.DictReader(file)]
    traffic = (
        "SELECT address, place, can_id, frames, cycle_ns FROM capture JOIN traffic USING (judgement)"
        " JOIN identifier ON identifier.id = identifier ORDER BY address, place"
    )
    found["traffic"] = [{"row": repr(row)} for row in ledger.rows(traffic)]
    return found


def ill(task: Task) -> JobResult:
    """Judge a capture; what its name says happens to the worker."""
    name = Path(task.job.address).name
    if "kill" in name:
        os.kill(os.getpid(), getattr(signal, "SIGKILL", signal.SIGTERM))
    if "exit" in name:
        os._exit(7)
    if "slow" in name:
        stall(Path(task.job.address).with_suffix(".begun"))
    if "greedy" in name:
        raise MemoryError
    return check_job(task)


def stall(begun: Path) -> None:
    """Leave a file that tells that it has begun, and then do nothing for longer than anybody waits."""
    begun.touch()
    time.sleep(HANG_S)


def pass_time_once_there(begun: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Let no time pass for a pool on this machine but, once a file is there, more than any item may take.

    It passes twice: the first time it may be the end of the item before that is looked at.
    """
    jumps = 0

    def monotonic() -> float:
        nonlocal jumps
        jumps += jumps < 2 and begun.exists()
        return jumps * 1e6

    monkeypatch.setattr("buslens.fleet.local_pool.time", SimpleNamespace(monotonic=monotonic))


def do_named(item: tuple[str, str]) -> str:
    """Do what an item says."""
    what, name = item
    if what == "stall":
        stall(Path(name))
    return name


def do(item: tuple[str, int]) -> int:
    """Do what an item says."""
    what, number = item
    if what == "die":
        os.kill(os.getpid(), getattr(signal, "SIGKILL", signal.SIGTERM))
    if what == "exit":
        os._exit(3)
    if what == "sleep":
        time.sleep(60)
    if what == "pause":
        time.sleep(1)
    if what == "linger":
        time.sleep(30)
    if what == "eat":
        return len(bytearray(2_000_000_000))
    if what == "greedy":
        raise MemoryError
    if what == "wrong":
        raise ValueError(f"item {number}")
    return number
