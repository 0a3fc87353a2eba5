"""Speed and memory of reading a candump log, in one run on one log.

    python tests/benchmarks/bench_reading.py [FRAMES] [LOG]

Writes a log of that many frames (default 2,000,000; 60 ids, 8 bytes each) to LOG, or uses the one that is there, and
folds it with 6 wanted ids. Prints wall time (best of five), processor time, the ratio to counting the line ends with
``wc -l`` where there is one, and the greatest memory of the process.
"""

from __future__ import annotations

import random
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import TYPE_CHECKING

from buslens.capture.open import open_capture
from buslens.capture.reduce import reduce_frames

if TYPE_CHECKING:
    from collections.abc import Callable

    from buslens.capture.frames import Frames

REPEATS = 5


def write_log(path: Path, n_frames: int) -> None:
    """Write a log of the form that a recorder of one bus writes."""
    chance = random.Random(1)
    ids = [chance.randrange(0x100, 0x7FF) for _ in range(60)]
    time_us = 1_700_000_000_000_000
    with path.open("w", encoding="ascii", newline="\n") as file:
        for _ in range(n_frames):
            time_us += chance.randrange(200, 450)
            whole, part = divmod(time_us, 1_000_000)
            file.write(f"({whole}.{part:06d}) can0 {chance.choice(ids):03X}#{chance.getrandbits(64):016X}\n")


def best_of(action: Callable[[], object]) -> tuple[float, float]:
    """Return the least wall and processor time of several runs, s."""
    wall, processor = [], []
    for _ in range(REPEATS):
        before, used = time.perf_counter(), time.process_time()
        action()
        wall.append(time.perf_counter() - before)
        processor.append(time.process_time() - used)
    return min(wall), min(processor)


def greatest_memory() -> str:
    """Return the peak resident memory of this process, as far as the system tells."""
    try:
        import resource
    except ImportError:
        return "not told by this system"
    unit = 1 if sys.platform == "darwin" else 1024
    return f"{resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * unit / 1e6:.0f} MB"


def measure(path: Path) -> None:
    """Print what reading the log takes."""
    chance = random.Random(1)
    wanted = [(chance.randrange(0x100, 0x7FF), False) for _ in range(6)]
    counts: list[int] = []

    def step(counts: list[int], frames: Frames) -> None:
        counts.append(len(frames))

    def read() -> None:
        nonlocal counts, stats
        counts, stats = reduce_frames(open_capture(path), wanted=wanted, make=list, update=step, merge=list.extend)

    stats = None
    before = time.perf_counter()
    read()
    assert stats is not None
    print(f"{path.stat().st_size / 1e6:.0f} MB, {stats.frames} frames, {sum(counts)} wanted")
    print(f"first reading, with loading or making compiled code: {time.perf_counter() - before:.2f} s")
    wall, processor = best_of(read)
    print(f"reading: {wall:.3f} s, {processor:.3f} s of processor, {stats.frames / wall / 1e6:.1f} million frames/s")
    if (wc := shutil.which("wc")) is not None:
        counted, _ = best_of(lambda: subprocess.run([wc, "-l", path], check=True, capture_output=True))
        print(f"wc -l:   {counted:.3f} s, so reading takes {wall / counted:.1f} times as long")
    print(f"greatest memory: {greatest_memory()}")


def main(arguments: list[str]) -> None:
    """Make the log if it is not there, and measure."""
    n_frames = int(arguments[0]) if arguments else 2_000_000
    with tempfile.TemporaryDirectory() as folder:
        path = Path(arguments[1]) if len(arguments) > 1 else Path(folder) / "bench.log"
        if not path.exists():
            write_log(path, n_frames)
        measure(path)


if __name__ == "__main__":
    main(sys.argv[1:])
