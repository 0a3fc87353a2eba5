"""How fast, how large and how safe the desk is, on a machine that has nothing else to do.

    python tests/benchmarks/desk.py                    some minutes, 3 GB on the disk
    python tests/benchmarks/desk.py --kills 50         kills it at random moments of a scripted job

Prints the time from sending a bundled sample to its verdict on the page, just after the start and later; the time of a
page while a long log is being read; a log of 1 GB by upload against copying it plus a check of it; memory at rest.
"""

from __future__ import annotations

import argparse
import os
import random
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from log_to_verdict import write_log
from support.desk_script import CAR, Work, killed_after
from support.desks import RunningDesk, running_desk

ROOT = Path(__file__).parents[2]
SAMPLES = ROOT / "sample_logs"
_GIGABYTE = 1_000_000_000


def verdict_after(
    desk: RunningDesk, headers: dict[str, str], log: Path, *, every_s: float = 0.02
) -> tuple[float, float]:
    """Send a capture to a new job; return seconds to its verdict, and the longest that a page took meanwhile.

    A browser asks for the page when the desk tells it of a change; this asks every so many seconds.
    """
    job = desk.send("/jobs", headers, car=CAR).headers["location"]
    begin, longest = time.perf_counter(), 0.0
    port = str(desk.port)
    subprocess.run(
        ["curl", "-sf", "-T", str(log), "-H", f"Cookie: {headers['Cookie']}", "-H", f"Origin: {headers['Origin']}",
         f"http://127.0.0.1:{port}{job}/captures/before?name={log.name}"],
        check=True, capture_output=True,
    )  # fmt: skip
    while True:
        asked = time.perf_counter()
        text = desk.ask("GET", job, headers=headers).text
        now = time.perf_counter()
        longest = max(longest, now - asked)
        if 'class="wrong"' in text:
            return now - begin, longest
        time.sleep(every_s)


def family(process: int) -> list[int]:
    """Return a process and all that it and those started (Linux)."""
    children = [
        int(child)
        for thread in Path(f"/proc/{process}/task").iterdir()
        for child in (thread / "children").read_text().split()
    ]
    return [process, *(it for child in children for it in family(child))]


def resident_mb(processes: list[int], field: str = "Pss:") -> float:
    """Return the memory of processes, MB."""
    texts = [Path(f"/proc/{it}/{'smaps_rollup' if field == 'Pss:' else 'status'}").read_text() for it in processes]
    return sum(int(line.split()[1]) / 1000 for text in texts for line in text.splitlines() if line.startswith(field))


def cpu_s(processes: list[int]) -> float:
    """Return the seconds of processor that processes have taken."""
    fields = [Path(f"/proc/{it}/stat").read_text().rpartition(")")[2].split() for it in processes]
    return sum(int(user) + int(system) for *_, user, system in (it[:13] for it in fields)) / os.sysconf("SC_CLK_TCK")


def measure(folder: Path) -> None:
    """Print what the first lines of this file promise."""
    with running_desk(folder / "jobs") as desk:
        headers = desk.enter()
        cold, _ = verdict_after(desk, headers, SAMPLES / "car04_ground_open.log")
        warm = sorted(verdict_after(desk, headers, log)[0] for log in sorted(SAMPLES.glob("car0[3-7]*.log")))
        print(f"sample to verdict: {cold:.2f} s just after the start, {warm[len(warm) // 2]:.2f} s later (median)")
        print(f"memory with both workers at rest: {resident_mb(family(desk.process.pid)):.0f} MB")
        log = folder / "large.log"
        write_log(log, _GIGABYTE)
        begin, before = time.perf_counter(), sum(os.times()[:4])
        shutil.copyfile(log, folder / "copy.log")
        expectations = ["--expectations", str(ROOT / "signal_defs" / "steering_lock.toml")]
        command = [sys.executable, "-m", "buslens", "check", str(folder / "copy.log"), *expectations]
        subprocess.run(command, check=False, capture_output=True)
        plain, plain_cpu = time.perf_counter() - begin, sum(os.times()[:4]) - before
        (folder / "copy.log").unlink()
        before = cpu_s(family(desk.process.pid))
        sent, longest = verdict_after(desk, headers, log, every_s=0.25)
        processes = family(desk.process.pid)
        sent_cpu = cpu_s(processes) - before
        print(f"1 GB: {sent:.1f} s by upload, {plain:.1f} s by copying and a check ({sent / plain:.2f} times)")
        print(f"  of processor {sent_cpu:.1f} s and {plain_cpu:.1f} s ({sent_cpu / plain_cpu:.2f} times)")
        peak = max(resident_mb([it], "VmHWM:") for it in processes)
        print(f"  most memory of one process {peak:.0f} MB; longest answer of a page meanwhile {1000 * longest:.0f} ms")


def kill(folder: Path, times: int) -> None:
    """Kill a desk again and again at random moments, on one folder."""
    work, dice = Work(), random.Random(1)
    for number in range(times):
        killed_after(folder, dice.uniform(0.02, 1.5), work, warm=number % 4 > 0)
        print(f"\r{number + 1} kills, {len(work.jobs)} jobs, {len(work.readings)} readings, nothing lost", end="")
    print()


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--kills", type=int, default=0)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        if options.kills:
            kill(Path(scratch) / "jobs", options.kills)
        else:
            measure(Path(scratch))


if __name__ == "__main__":
    main()
