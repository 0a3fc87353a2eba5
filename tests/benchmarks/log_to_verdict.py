"""Speed from a recorded log to a verdict, as ratios against peers on the same log in the same run.

    python tests/benchmarks/log_to_verdict.py [--megabytes 1024] [--folder FOLDER]

The log is a rehearsed trip of a club car (60 background ids, about 3,000 frames per second; a minute with two
handshakes), repeated with its clock going on until the file is as large as asked for. A second log of the same size is
dense: the trip without background ids and without the driving, so that a handshake comes every 7 s. Peers:

* the plain loop over python-can's reader with cantools' decode of every message that the definitions know, on the first
  frames of the log (it is too slow for all of them; its rate does not depend on the length);
* ``wc -l`` on the whole log, where the system has it;
* ``python -c "import pandas"`` for a verdict on a bundled sample from a cold start.

Prints one line per measure: the best of several runs, for noise only ever adds. A machine that is busy with something
else gives worthless numbers.
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

ROOT = Path(__file__).resolve().parents[2]
EXPECTATIONS = ROOT / "signal_defs" / "steering_lock.toml"
DEFINITIONS = ROOT / "signal_defs" / "pinewick.dbc"

DRIVING_S = (7, 8)
"""Seconds of the trip that are repeated."""
REPEATED = 45
STAMP_DIGITS = np.r_[1:11, 12:18]
"""Where the digits of a stamp such as ``(1700000000.000000)`` stand in a line."""
POWERS = 10 ** np.arange(15, -1, -1, dtype=np.int64)

_JUDGE = """
import json, resource, sys, time
import buslens
expectations = buslens.load_expectations(sys.argv[2])
best, peak = 1e9, 0
for _ in range(int(sys.argv[3])):
    result = None  # two of them at a time are none of the memory that one log takes
    begun = time.perf_counter()
    result = buslens.check(sys.argv[1], expectations=expectations)
    best = min(best, time.perf_counter() - begun)
    peak = peak or resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
print(json.dumps({"seconds": best, "frames": result.stats.frames, "handshakes": len(result.handshakes),
                  "peak_mb": peak, "verdict": result.verdict.value}))
"""

_LOOP = """
import itertools, json, sys, time
import can, cantools
database = cantools.database.load_file(sys.argv[2])
known = {message.frame_id for message in database.messages}
begun = time.perf_counter()
frames = 0
for frame in itertools.islice(can.LogReader(sys.argv[1]), int(sys.argv[3])):
    if frame.arbitration_id in known:
        database.decode_message(frame.arbitration_id, frame.data)
    frames += 1
print(json.dumps({"seconds": time.perf_counter() - begun, "frames": frames}))
"""


def main() -> None:
    parser = argparse.ArgumentParser(description="log to verdict, against peers")
    parser.add_argument("--megabytes", type=int, default=1024, help="size of the log (default: 1024)")
    parser.add_argument("--folder", type=Path, help="where to write it (default: a temporary folder)")
    parser.add_argument("--runs", type=int, default=5)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(dir=options.folder) as folder:
        log = Path(folder) / "long.log"
        write_log(log, options.megabytes * 1_000_000)
        compare(log, options.runs)
        write_log(log, options.megabytes * 1_000_000, background_ids=0, repeated=1)
        compare_dense(log, options.runs)


def write_log(path: Path, size: int, *, background_ids: int = 60, repeated: int = REPEATED) -> None:
    """Write a candump log of at least so many bytes: one rehearsed trip again and again, its clock going on.

    A second of steady driving in the middle of the trip is repeated, so that a handshake comes every half minute.
    """
    from buslens.rehearsal.rehearse import rehearse, rendered

    trip = np.frombuffer(rendered(rehearse("healthy", seed=1, background_ids=background_ids), "candump"), np.uint8)
    begins = np.concatenate(([0], np.flatnonzero(trip == ord("\n")) + 1))
    stamps_us = _stamps_us(trip, begins[:-1])
    drive = np.searchsorted(stamps_us, stamps_us[0] + 1_000_000 * np.array(DRIVING_S))
    parts = [slice(0, drive[0]), *[slice(*drive)] * repeated, slice(drive[1], len(stamps_us))]
    at_us = int(stamps_us[0])
    with path.open("wb") as file:
        while file.tell() < size:
            for part in parts:
                text = trip[begins[part.start] : begins[part.stop]].copy()
                part_us = stamps_us[part] - stamps_us[part.start] + at_us
                digits = (begins[part] - begins[part.start])[:, None] + STAMP_DIGITS
                text[digits] = part_us[:, None] // POWERS % 10 + ord("0")
                file.write(text.tobytes())
                at_us = int(part_us[-1]) + 300


def _stamps_us(text: NDArray[np.uint8], begins: NDArray[np.int64]) -> NDArray[np.int64]:
    digits = text[begins[:, None] + STAMP_DIGITS].astype(np.int64) - ord("0")
    stamps: NDArray[np.int64] = (digits * POWERS).sum(axis=1)
    return stamps


def compare(log: Path, runs: int) -> None:
    """Print every measure."""
    megabytes = log.stat().st_size / 1e6
    _python(_JUDGE, log, EXPECTATIONS, 1)  # so that the kernels are in their cache, and the log in the page cache
    ours = _python(_JUDGE, log, EXPECTATIONS, runs)
    loop = _python(_LOOP, log, DEFINITIONS, 100_000)
    rate, loop_rate = ours["frames"] / ours["seconds"], loop["frames"] / loop["seconds"]
    size = f"{megabytes:.0f} MB, {ours['frames']:,} frames, {ours['handshakes']} handshakes"
    print(f"log: {size}; {os.cpu_count()} cores; verdict {ours['verdict']}")
    print(f"log to verdict: {ours['seconds']:.2f} s, {rate / 1e6:.1f} million frames/s")
    print(f"plain loop over python-can and cantools: {loop_rate / 1e6:.3f} million frames/s")
    print(f"  log to verdict is {rate / loop_rate:.0f} times as fast")
    if shutil.which("wc"):
        lines = min(_wall(["wc", "-l", str(log)]) for _ in range(runs))
        print(f"wc -l: {lines:.2f} s")
        print(f"  log to verdict takes {ours['seconds'] / lines:.1f} times as long")
    print(f"peak memory: {ours['peak_mb']:.0f} MB")
    compare_cold(runs)


def compare_dense(log: Path, runs: int) -> None:
    """Print what a log costs in which there is nearly nothing but handshakes."""
    ours = _python(_JUDGE, log, EXPECTATIONS, runs)
    size = f"{log.stat().st_size / 1e6:.0f} MB, {ours['frames']:,} frames, {ours['handshakes']:,} handshakes"
    print(f"dense log: {size}; verdict {ours['verdict']}")
    print(f"dense log to verdict: {ours['seconds']:.2f} s")
    if shutil.which("wc"):
        lines = min(_wall(["wc", "-l", str(log)]) for _ in range(runs))
        print(f"  takes {ours['seconds'] / lines:.1f} times as long as wc -l")
    print(f"peak memory: {ours['peak_mb']:.0f} MB")


def compare_cold(runs: int) -> None:
    """Print what a verdict on a small capture costs from a cold start."""
    sample = ROOT / "sample_logs" / "car01_healthy.log"
    check = [sys.executable, "-m", "buslens", "check", str(sample), "--expectations", str(EXPECTATIONS)]
    ours_cold = min(_wall(check) for _ in range(2 * runs))
    pandas_cold = min(_wall([sys.executable, "-c", "import pandas"]) for _ in range(2 * runs))
    print(f"cold start to the verdict on {sample.name}: {ours_cold:.2f} s; import pandas: {pandas_cold:.2f} s")
    print(f"  {ours_cold / pandas_cold:.2f} times as long")


def _python(program: str, *arguments: object) -> dict[str, float]:
    command = [sys.executable, "-c", program, *map(str, arguments)]
    done = subprocess.run(command, capture_output=True, check=True, text=True)
    values: dict[str, float] = json.loads(done.stdout.splitlines()[-1])
    return values


def _wall(command: list[str]) -> float:
    begun = time.perf_counter()
    subprocess.run(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, check=False)
    return time.perf_counter() - begun


if __name__ == "__main__":
    main()
