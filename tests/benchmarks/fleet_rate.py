"""Captures per second with two workers against one process, in the same run, and memory over the number of captures.

    python tests/benchmarks/fleet_rate.py [CAPTURES] [FOLDER]

The captures are one rehearsed minute of a busy bus each (about 3,000 frames a second), told apart by a comment line, so
that each has a content of its own. Wants a quiet machine and 8 MB of disk per capture.
"""

from __future__ import annotations

import resource
import shutil
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from support.fleets import jobs_of

from buslens.fleet.check_job import check_job, make_ready
from buslens.fleet.ledger import Ledger
from buslens.fleet.local_pool import LocalPool
from buslens.fleet.run_jobs import run
from buslens.rehearsal.rehearse import rehearse, rendered

BACKGROUND = 60
"""Identifiers of other units; about 3,000 frames a second in all."""


class Here:
    """One process, without any pool."""

    is_local = True

    @staticmethod
    def each(function, items):  # type: ignore[no-untyped-def]
        """Work on one item after the other."""
        assert function is check_job
        return ((item, function(item)) for item in items)


def write_captures(folder: Path, captures: int) -> list[Path]:
    """Write captures of a minute."""
    made = rehearse("healthy", seed=3, duration=60, background_ids=BACKGROUND)
    text = rendered(made, "candump")
    print(f"{captures} captures of {len(made.frames):,} frames, {len(text) / 1e6:.1f} MB each")
    paths = []
    for number in range(captures):
        path = folder / f"car{number % 50:02}_{number:05}.log"
        path.write_bytes(text + b"# %d\n" % number)
        paths.append(path)
    return paths


def measured(paths: list[Path], out: Path, workers: int) -> float:
    """Return captures per second, start-up left out."""
    with Ledger.writing(out) as ledger:
        if not workers:
            make_ready()
            begun = time.perf_counter()
            done = run(jobs_of(paths), ledger, Here())  # type: ignore[arg-type]
        else:
            with LocalPool(workers, begin=make_ready) as pool:
                # The first captures start the workers; they are not among those that are timed.
                run(jobs_of(paths[: 4 * workers]), ledger, pool)
                begun = time.perf_counter()
                done = run(jobs_of(paths[4 * workers :]), ledger, pool)
        return done.judged / (time.perf_counter() - begun)


def spin(rounds: int) -> int:
    """Keep a core busy with nothing that another could be waiting for."""
    total = 0
    for number in range(rounds):
        total += number * number
    return total


def machine() -> float:
    """Return how much more two processes that share nothing do than one, at this moment: 2 on a quiet machine."""
    rounds, times = 3_000_000, []
    with LocalPool(2) as pool:
        list(pool.each(spin, [1] * 8))
        for at_once in (1, 2):
            begun = time.perf_counter()
            list(pool.each(spin, [rounds] * at_once))
            times.append(time.perf_counter() - begun)
    return 2 * times[0] / times[1]


def main() -> None:
    """Measure, and print."""
    captures = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    folder = Path(tempfile.mkdtemp(dir=sys.argv[2] if len(sys.argv) > 2 else None))
    try:
        paths = write_captures(folder, captures)
        peaks = []
        for share in (10, 3, 1):
            measured(paths[: captures // share], folder / f"share{share}", 2)
            peaks.append(f"{captures // share}: {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f}")
        print("peak of the parent so far in MB by captures:", ", ".join(peaks))
        before = machine()
        busy = time.process_time()
        one = measured(paths, folder / "one", 0)
        print(f"one process: {1000 * (time.process_time() - busy) / captures:.1f} ms of processor time a capture")
        two = measured(paths, folder / "two", 2)
        gives = (before + machine()) / 2
        print(f"one process {one:.1f} captures/s, two workers {two:.1f}: {two / (2 * one):.2f} of twice (wanted: 0.90)")
        print(f"this machine gives two busy loops {gives:.2f} times one: {two / (gives * one):.2f} of what there was")
    finally:
        shutil.rmtree(folder, ignore_errors=True)


if __name__ == "__main__":
    main()
