"""How fast a ledger of a million captures answers, is filled, and how large it is.

    python tests/benchmarks/ledger_queries.py [--captures 1000000] [--vehicles 300] [--folder FOLDER]

The captures are made up (`tests/support/ledgers.py`): three handshakes of four steps and forty identifiers each, over
three years. The first 20,000 are entered as a run enters them, which gives the rate; the rest are these rows again
under other numbers, addresses and dates, inserted by SQL. Questions: "this vehicle, last year" in captures with their
verdicts, findings, delays and traffic, for 200 vehicles drawn at random; then what a page and statistics ask of the
whole fleet. The peer is pandas on the same captures: the same question of a table in memory, and of a Parquet file of
which only what the question needs is read. Prints medians and the worst, beside them the processor time, which a
machine that is busy with something else distorts less. Wants 4 GB of disk.
"""

from __future__ import annotations

import argparse
import random
import resource
import sys
import tempfile
import time
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from support.ledgers import DAY_NS, RULE, START_NS, generated

from buslens.fleet import queries
from buslens.fleet.ledger import LEDGER_NAME, Ledger

if TYPE_CHECKING:
    from collections.abc import Callable

ENTERED = 20_000
YEARS = 3

_COLUMNS = (
    ("handshake", "place, rule, number, start_earliest_ns, start_latest_ns, end_ns, completed, abandoned, tries"),
    (
        "finding",
        (
            "place, rule, kind, step, handshake, outcome, time_ns, delay_earliest, delay_latest, limit_least, "
            "limit_most, unit, reason"
        ),
    ),
    ("traffic", "place, identifier, frames, cycle_ns"),
)
"""Of each table whose rows lie by judgement, the columns that a copy keeps."""


def fill(folder: Path, captures: int, vehicles: int) -> None:
    """Enter the first captures as a run would, and insert the rest as copies of their rows."""
    first = min(ENTERED, captures)
    times = captures // first
    step_ns = YEARS * 365 * DAY_NS // times
    pairs = list(generated(vehicles=vehicles, captures=first, days=max(1, step_ns // DAY_NS)))
    with Ledger.writing(folder) as ledger:
        begun, used = time.perf_counter(), time.process_time()
        for number, (job, judged) in enumerate(pairs):
            ledger.put(job, judged)
            if number % 1000 == 999:
                ledger.commit()
        ledger.commit()
        wall, used = time.perf_counter() - begun, time.process_time() - used
        print(f"put: {first / wall:,.0f} captures/s, {used / first * 1e6:.0f} us of processor time each")
        run = ledger._connection.execute  # what no run needs has no way of its own
        begun = time.perf_counter()
        for copy in range(1, times):
            run("BEGIN")
            shift = copy * first
            run(
                "INSERT INTO judgement SELECT id + ?, randomblob(32), ground, verdict, trouble, met, faults, "
                "undecided, handshakes, frames, skipped_lines, duration_ns, clock_start_ns, unexercised, seconds, "
                "summary FROM judgement WHERE id <= ?",
                (shift, first),
            )
            run(
                "INSERT INTO capture SELECT id + ?, replace(address, '.log', ?), vehicle, grouping, recorded_ns + ?, "
                "is_named, size, stamp, judgement + ?, copy FROM capture WHERE id <= ?",
                (shift, f"_{copy}.log", copy * step_ns, shift, first),
            )
            for table, columns in _COLUMNS:
                run(
                    f"INSERT INTO {table} SELECT judgement + ?, {columns} FROM {table} WHERE judgement <= ?",  # noqa: S608
                    (shift, first),
                )
            run(
                "INSERT INTO delay SELECT delay.step, judgement + ?, place, handshake, outcome, time_ns, earliest_ns, "
                "latest_ns FROM step CROSS JOIN delay ON delay.step = step.id WHERE judgement <= ?",
                (shift, first),
            )
            run("COMMIT")
        print(f"(the other {captures - first:,} by SQL in {time.perf_counter() - begun:.0f} s)")
    size = (folder / LEDGER_NAME).stat().st_size
    print(f"size: {size / 2**20:,.0f} MiB, {size / captures:,.0f} bytes per capture")


def timed(name: str, ask: Callable[[str, int, int], object], vehicles: list[str]) -> None:
    """Print how long a question about each of some vehicles takes."""
    until = START_NS + YEARS * 365 * DAY_NS
    took, used = [], []
    for vehicle in vehicles:
        begun, begun_used = time.perf_counter(), time.process_time()
        ask(vehicle, until - 365 * DAY_NS, until)
        took.append(time.perf_counter() - begun)
        used.append(time.process_time() - begun_used)
    print(
        f"{name}: median {np.median(took) * 1000:.1f} ms, worst {max(took) * 1000:.1f} ms of {len(took)}; "
        f"processor time: median {np.median(used) * 1000:.1f} ms, worst {max(used) * 1000:.1f} ms"
    )


def once(name: str, ask: Callable[[], object]) -> None:
    """Print how long a question about the whole fleet takes."""
    begun, begun_used = time.perf_counter(), time.process_time()
    ask()
    print(f"{name}: {time.perf_counter() - begun:.2f} s, processor time {time.process_time() - begun_used:.2f} s")


def peer(ledger: Ledger, folder: Path, vehicles: list[str]) -> None:
    """Ask pandas the same of the same rows."""
    import pandas as pd

    path = folder / "captures.parquet"
    rows = ledger.rows(
        "SELECT address, vehicle, recorded_ns, verdict, summary FROM capture "
        "JOIN judgement ON judgement.id = capture.judgement ORDER BY address"
    )
    table = pd.DataFrame(rows, columns=["address", "vehicle", "recorded_ns", "verdict", "summary"])
    table.to_parquet(path, row_group_size=20_000)

    def in_memory(vehicle: str, since: int, until: int) -> object:
        asked = table[(table["vehicle"] == vehicle) & table["recorded_ns"].between(since, until)]
        return asked.sort_values("recorded_ns")

    def in_file(vehicle: str, since: int, until: int) -> object:
        wanted = [("vehicle", "==", vehicle), ("recorded_ns", ">=", since), ("recorded_ns", "<=", until)]
        return pd.read_parquet(path, filters=wanted).sort_values("recorded_ns")

    timed("peer, pandas in memory, captures", in_memory, vehicles[:20])
    timed("peer, pandas from Parquet, captures", in_file, vehicles[:20])


def main() -> None:
    """Fill a ledger and ask it."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--captures", type=int, default=1_000_000)
    parser.add_argument("--vehicles", type=int, default=300)
    parser.add_argument("--folder", type=Path)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(dir=options.folder) as name:
        folder = Path(name)
        fill(folder, options.captures, options.vehicles)
        draw = random.Random(1)
        vehicles = [f"car{draw.randrange(options.vehicles):04d}" for _ in range(200)]
        with Ledger.reading(folder) as ledger:

            def ask(question: Callable[..., object]) -> Callable[[str, int, int], object]:
                return lambda vehicle, since, until: question(ledger, vehicle, since_ns=since, until_ns=until)

            timed("this vehicle, last year: captures", ask(queries.captures_of), vehicles)
            timed(
                "this vehicle, since last year: findings",
                lambda vehicle, since, _: queries.findings_of(ledger, vehicle, since_ns=since),
                vehicles,
            )
            timed("this vehicle: delays", lambda vehicle, *_: queries.delays_of_vehicle(ledger, vehicle), vehicles)
            timed("this vehicle: traffic", lambda vehicle, *_: queries.traffic_of(ledger, vehicle), vehicles)
            once("fleet: summary", lambda: queries.fleet_summary(ledger))
            once("fleet: vehicles", lambda: queries.vehicles(ledger))
            once("fleet: steps", lambda: queries.steps(ledger))
            once("fleet: delays of one step", lambda: queries.delays_of_step(ledger, RULE, "wire feedback"))
            once(
                "fleet: tries",
                lambda: queries.tries_of(ledger, {it.vehicle: k for k, it in enumerate(queries.vehicles(ledger))}),
            )
            once("fleet: troubles", lambda: list(queries.troubles(ledger)))
            print(f"peak memory: {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:,.0f} MB")
            peer(ledger, folder, vehicles)


if __name__ == "__main__":
    main()
