"""Check the captures of a fleet; list the vehicles to call in.

SOURCE is a folder with everything below it, a file, a pattern such as
"logs/*.log" or an address such as s3://bucket/logs. Into the folder OUT go
index.html (the fleet on one page), the tables captures, handshakes, delays and
findings (Parquet and CSV), and ledger.sqlite, which stores the results.
The same command goes on where it was ended, and reads only what is new. What
earlier runs into OUT have judged stays in the ledger and counts, also where the
capture is no longer there; a new folder OUT begins anew.

Exit status: 0 everything met, 1 something violated, 2 a capture could not be
judged or the command line is unusable, 3 something undecided; the gravest
counts: 2 before 1 before 3 before 0.

example:
  buslens fleet sample_logs -o fleet_sheet --name "{vehicle}_*"
"""

from __future__ import annotations

import argparse
import re
import time
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Final

from buslens.capture.table_settings import NOTHING_TOLD
from buslens.cli.options import add_checking_arguments, table_of, whole_number
from buslens.cli.output_files import require_report
from buslens.cli.status import Status, gravest
from buslens.errors import UsageError
from buslens.files import atomic_replace
from buslens.units import NS_PER_S, parse_duration_ns

if TYPE_CHECKING:
    from collections.abc import Mapping

    from buslens.cli.console import Console
    from buslens.cli.options import Parser
    from buslens.fleet.ledger import Ledger
    from buslens.fleet.listing import FoundCapture
    from buslens.fleet.page.page_data import FleetView
    from buslens.fleet.progress import Progress
    from buslens.fleet.run import RunSummary
    from buslens.fleet.whole import WholeFleet
    from buslens.fleet.work import WorkerPool

_LINE_EVERY_S: Final = 30.0
"""Seconds between two lines of progress where no terminal shows them."""
_MEMORY_UNITS: Final = {
    "KB": 1_000,
    "MB": 1_000_000,
    "GB": 1_000_000_000,
    "KiB": 1 << 10,
    "MiB": 1 << 20,
    "GiB": 1 << 30,
}
_LEAST_MEMORY: Final = 500_000_000
"""Bytes that a worker needs for itself, with its libraries."""


def add_arguments(parser: Parser) -> None:
    """Say what the command takes."""
    parser.add_argument("sources", metavar="SOURCE", nargs="+", help="folder, file, pattern or address of captures")
    parser.add_argument(
        "-o", "--output", metavar="OUT", required=True, help="folder of the results; may be there already"
    )
    parser.add_argument(
        "--name",
        metavar="PATTERN",
        help='how paths tell vehicle and date, such as "{vehicle}/{date}_*.log"; {date:%%d.%%m.%%Y} and {time} are '
        "known too, * and ? stand for anything; else the vehicle is the folder, or the name up to the first '_'",
    )
    parser.add_argument(
        "--vehicles", metavar="CSV", help="list with the columns path, vehicle and date, in place of --name"
    )
    parser.add_argument("--groups", metavar="TOML", help="which vehicles are checked against which files")
    add_checking_arguments(parser, workers=False)
    parser.add_argument("--workers", metavar="N", type=whole_number, help="processes; else one per core")
    parser.add_argument(
        "--scheduler", metavar="ADDRESS", help="of a Dask cluster that does the work, such as tcp://HOST:8786"
    )
    parser.add_argument(
        "--time-limit", metavar="TIME", type=_time, help='longest time for one capture, such as "60 s"; else none'
    )
    parser.add_argument(
        "--memory-limit", metavar="SIZE", type=_memory, help="most memory of one worker, such as 2GB; else none"
    )
    parser.add_argument(
        "--pages", action="store_true", help="also write a page for each faulty capture, into OUT/pages"
    )
    parser.add_argument("--junit", metavar="FILE", help="also write a report for build servers")


def run(options: argparse.Namespace, console: Console) -> Status:
    """Judge what is new, compare the fleet, and tell whom to call in."""
    fleet = _Fleet(options, console)
    fleet.require_usable()

    from buslens.fleet.ledger import Ledger

    with Ledger.writing(fleet.out) as ledger:
        try:
            with fleet.pool() as pool:
                done = fleet.whole.judge(ledger, pool)
                pages = fleet.write_pages(ledger, pool)
            return fleet.tell(ledger, done, pages)
        except KeyboardInterrupt:
            console.note(f"results are stored in {fleet.out}; the same command resumes there")
            raise


class _Fleet:
    """One run of the command."""

    def __init__(self, options: argparse.Namespace, console: Console) -> None:
        self.options = options
        self.console = console
        self.out = Path(options.output)
        self.whole: WholeFleet
        self._told = time.monotonic()

    def require_usable(self) -> None:
        """Look at everything that the user gave before the first capture is read."""
        from buslens.fleet.groups import load_groups
        from buslens.fleet.jobs import expectations_group
        from buslens.fleet.listing import require_sources
        from buslens.fleet.naming import Pattern
        from buslens.fleet.results import require_apart, require_free
        from buslens.fleet.vehicle_list import load_vehicle_list
        from buslens.fleet.whole import WholeFleet

        options = self.options
        if options.scheduler is not None and options.workers is not None:
            raise UsageError("--workers counts processes of this machine; how many a cluster has, its scheduler knows")
        if options.name is not None and options.vehicles is not None:
            raise UsageError("--name and --vehicles both say which vehicle a capture is of; give one of them")
        given = (options.vehicles, options.groups, options.expectations, *(options.definitions or ()))
        require_free(self.out, [*options.sources, *(name for name in given if name is not None)])
        if options.junit is not None:
            require_apart(self.out, options.junit)
            require_report(options.junit, [], made=self.out)
        require_sources(options.sources)
        by = None if options.name is None else Pattern(options.name)
        groups = load_groups(options.groups) if options.groups is not None else ()
        definitions, channels = tuple(options.definitions or ()), tuple(options.channels)
        table = table_of(options)
        groups = tuple(replace(group, table=table) for group in groups if table != NOTHING_TOLD) or groups
        chosen = None
        if options.expectations is not None:
            chosen = expectations_group(options.expectations, definitions, channels, table)
        self.whole = WholeFleet(
            options.sources,
            self.out,
            by=by or (options.vehicles and load_vehicle_list(options.vehicles)) or None,
            groups=groups,
            chosen=chosen,
            definitions=definitions,
            channels=channels,
            table=table,
            note=self.console.note,
            unnamed=self._unnamed,
            progress=self._progress,
            stage=self.console.progress,
        )
        if by is None and options.vehicles is None:
            self.console.note(
                "vehicles are called as their folders, or as the names of their captures up to the first '_', and "
                'dated by the clock of the recording; --name "{vehicle}/{date}_*.log" reads both from the paths'
            )

    def pool(self) -> WorkerPool:
        """Return the workers."""
        seconds = self.options.time_limit
        if self.options.scheduler is not None:
            from buslens.fleet.cluster import ClusterPool

            if self.options.memory_limit is not None:
                self.console.note(
                    "--memory-limit: what a worker of a cluster may take, the cluster says; it is not held here"
                )
            return ClusterPool(self.options.scheduler, seconds=seconds)
        from importlib.util import find_spec

        from buslens.fleet.check_job import make_ready
        from buslens.fleet.local import LocalPool

        if self.options.memory_limit is not None and find_spec("resource") is None:
            self.console.note("--memory-limit: this system holds no process to an amount of memory; there is no limit")
        # Made ready first: what is loaded and compiled once must not count as the time of a capture.
        begin = None if seconds is None else make_ready
        return LocalPool(self.options.workers, seconds=seconds, memory_bytes=self.options.memory_limit, begin=begin)

    def write_pages(self, ledger: Ledger, pool: WorkerPool) -> Mapping[str, str]:
        """Write the pages of faulty captures if they are wanted; return those that there are."""
        from buslens.fleet.pages import pages_there, write_pages

        if not self.options.pages:
            return pages_there(ledger, self.out)

        def progress(done: int, total: int) -> None:
            self._say(f"{done:,} of {total:,} pages")

        pages = write_pages(ledger, pool, self.whole.groups, self.out, on_page=progress)
        for problem in pages.problems:
            self.whole.problem(problem)
        return pages.paths

    def tell(self, ledger: Ledger, done: RunSummary, pages: Mapping[str, str]) -> Status:
        """Compare the fleet, write what is written of it, and say whom to call in."""
        from buslens.fleet.page.page_data import gather
        from buslens.fleet.text import closing

        sheet, has_tables = self.whole.compare(ledger, done, pages)
        tables = f"tables: {self.out / 'captures.csv'} and others beside it, as CSV and Parquet"
        files = [f"fleet report: {sheet}", tables if has_tables else "tables: not written"]
        if self.options.pages:
            files.append(f"pages: {len(pages):,} in {self.out / 'pages'}")
        if self.options.junit is not None:
            from buslens.fleet.junit import write_fleet_junit

            rules = {name: [rule.name for rule in one.rules] for name, one in self.whole.expected().items()}
            with atomic_replace(self.options.junit) as temporary, temporary.open("wb") as file:
                write_fleet_junit(file, ledger, rules)
            files.append(f"report for build servers: {self.options.junit}")
        view = gather(ledger)
        width, painted = self.console.width, self.console.painted
        self.console.result(closing(view, done, files=files, width=width, painted=painted))
        return self._status(view)

    def _status(self, view: FleetView) -> Status:
        summary = view.summary
        is_incomplete = bool(summary.troubles or self.whole.problems)
        marks = (
            (Status.UNUSABLE, is_incomplete),
            (Status.VIOLATED, summary.faulty),
            (Status.UNDECIDED, summary.undecided),
        )
        return gravest(status for status, count in marks if count)

    def _unnamed(self, capture: FoundCapture) -> None:
        what = f"--name '{self.options.name}'" if self.options.name is not None else f"the list {self.options.vehicles}"
        self.console.note(
            f"{what} does not name a vehicle for {capture.address}; such captures are grouped as 'unnamed (...)'"
        )

    def _progress(self, progress: Progress) -> None:
        from buslens.fleet.text import progress_line

        self._say(progress_line(progress))

    def _say(self, line: str) -> None:
        """Say how far it is: on a terminal all the time, elsewhere now and then."""
        if self.console.lively:
            self.console.progress(line)
        elif time.monotonic() - self._told >= _LINE_EVERY_S:
            self._told = time.monotonic()
            self.console.note(line)


def _time(text: str) -> float:
    try:
        duration_ns = parse_duration_ns(text)
    except ValueError as exc:
        raise argparse.ArgumentTypeError(str(exc)) from exc
    if duration_ns == 0:
        raise argparse.ArgumentTypeError(f"'{text}' is no time in which a capture could be read")
    return duration_ns / NS_PER_S


def _memory(text: str) -> int:
    match = re.fullmatch(r"\s*(\d+(?:\.\d+)?)\s*([A-Za-z]+)\s*", text, re.ASCII)
    unit = (
        None
        if match is None
        else next((size for name, size in _MEMORY_UNITS.items() if name.lower() == match[2].lower()), None)
    )
    if match is None or unit is None:
        known = ", ".join(_MEMORY_UNITS)
        raise argparse.ArgumentTypeError(f"'{text}' is no amount of memory, such as 2GB; known units: {known}")
    size = int(float(match[1]) * unit)
    if size < _LEAST_MEMORY:
        least = f"{_LEAST_MEMORY // 1_000_000} MB"
        raise argparse.ArgumentTypeError(f"'{text}' is too little: a worker needs {least} for itself")
    return size
