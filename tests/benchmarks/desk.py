"""How fast, how large and how safe the desk is, on a machine that has nothing else to do.

    python tests/benchmarks/desk.py                    some minutes, 3 GB on the disk
    python tests/benchmarks/desk.py --kills 50         kills it at random moments of a scripted job

Prints the time from sending a bundled sample to its verdict on the page, just after the start and later; the time of a
page while a long log is being read; a log of 1 GB by upload against copying it plus a check of it; memory at rest.
"""

from __future__ import annotations

import argparse
import random
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from support.desk_script import CAR, Work, killed_after
from support.desks import RunningDesk, running_desk

ROOT = Path(__file__).parents[2]
SAMPLES = ROOT / "sample_logs"
_GIGABYTE = 1_000_000_000


def verdict_after(desk: RunningDesk, headers: dict[str, str], log: Path) -> tuple[float, float]:
    """Send a capture to a new job; return seconds to its verdict, and the longest that a page took meanwhile."""
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
        time.sleep(0.02)


def resident_mb(process: int) -> float:
    """Return the memory of a process and of all that it started, MB (Linux)."""
    total = 0.0
    children = Path(f"/proc/{process}/task/{process}/children").read_text().split()
    for line in Path(f"/proc/{process}/smaps_rollup").read_text().splitlines():
        if line.startswith("Pss:"):
            total += int(line.split()[1]) / 1000
    return total + sum(resident_mb(int(child)) for child in children)


def large_log(folder: Path) -> Path:
    """Write a log of 1 GB: a bundled sample over and over, later each time."""
    log = folder / "large.log"
    lines = (SAMPLES / "car04_ground_open.log").read_bytes().splitlines()
    start = float(lines[0][1 : lines[0].index(b")")])
    parts = [(float(line[1 : line.index(b")")]) - start, line[line.index(b")") :]) for line in lines]
    with log.open("wb") as file:
        shift = start
        while file.tell() < _GIGABYTE:
            file.writelines(b"(%.6f%s\n" % (shift + at, rest) for at, rest in parts)
            shift += parts[-1][0] + 0.01
    return log


def measure(folder: Path) -> None:
    """Print what the first lines of this file promise."""
    with running_desk(folder / "jobs") as desk:
        headers = desk.enter()
        cold, _ = verdict_after(desk, headers, SAMPLES / "car04_ground_open.log")
        warm = sorted(verdict_after(desk, headers, log)[0] for log in sorted(SAMPLES.glob("car0[3-7]*.log")))
        print(f"sample to verdict: {cold:.2f} s just after the start, {warm[len(warm) // 2]:.2f} s later (median)")
        print(f"memory with both workers at rest: {resident_mb(desk.process.pid):.0f} MB")
        log = large_log(folder)
        begin = time.perf_counter()
        shutil.copyfile(log, folder / "copy.log")
        expectations = ["--expectations", str(ROOT / "signal_defs" / "steering_lock.toml")]
        command = [sys.executable, "-m", "buslens", "check", str(folder / "copy.log"), *expectations]
        subprocess.run(command, check=False, capture_output=True)
        plain = time.perf_counter() - begin
        (folder / "copy.log").unlink()
        sent, longest = verdict_after(desk, headers, log)
        print(f"1 GB: {sent:.1f} s by upload, {plain:.1f} s by copying and a check ({sent / plain:.2f} times)")
        print(f"longest answer of a page meanwhile: {1000 * longest:.0f} ms")


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
