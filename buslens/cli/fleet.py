"""Check the captures of a fleet; list the vehicles to call in.

SOURCE is a folder with everything below it, a file, a pattern such as
"logs/*.log" or an address such as s3://bucket/logs. Into the folder OUT go
index.html (the fleet on one page), the tables captures, handshakes, delays and
findings (Parquet and CSV), and ledger.sqlite, which stores the results.
A rerun checks only new captures, and resumes an interrupted run. What
earlier runs into OUT have checked stays in the ledger and counts, also where the
capture is no longer there; a new folder OUT begins anew.

Exit status: 0 everything met, 1 something violated, 2 a capture could not be
checked or the command line is unusable, 3 something undecided; the gravest
counts: 2 before 1 before 3 before 0.

example:
  buslens fleet sample_logs -o fleet_sheet --name "{vehicle}_*"
"""

import argparse
import re
import time
from pathlib import Path
from typing import Final

from buslens.cli.console import Console
from buslens.cli.options import Parser, add_checking_arguments, table_of, whole_number
from buslens.cli.output_files import require_report
from buslens.cli.status import Status, gravest
from buslens.units import NS_PER_S, parse_duration_ns

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
    """Check what is new, compare the fleet, and tell whom to call in."""
    from buslens.fleet.ledger import LEDGER_NAME, open_ledger
    from buslens.fleet.page.page_data import gather
    from buslens.fleet.result_folder import require_apart
    from buslens.fleet.run_fleet import FleetListener, run_fleet
    from buslens.fleet.text import closing, progress_line

    out = Path(options.output)
    if options.junit is not None:
        require_apart(out, options.junit)
        require_report(options.junit, [], made=out)
    line = _ProgressLine(console)
    listener = FleetListener(
        note=console.note,
        progress=lambda progress: line.say(progress_line(progress)),
        stage=console.progress,
        pages=lambda done, total: line.say(f"{done:,} of {total:,} pages"),
    )
    try:
        done = run_fleet(
            options.sources,
            out,
            name=options.name,
            vehicles=options.vehicles,
            groups=options.groups,
            expectations=options.expectations,
            definitions=options.definitions or (),
            channels=dict(options.channels),
            table=table_of(options),
            workers=options.workers,
            scheduler=options.scheduler,
            time_limit_s=options.time_limit,
            memory_limit_bytes=options.memory_limit,
            pages=options.pages,
            junit=options.junit,
            listener=listener,
        )
    except KeyboardInterrupt:
        if (out / LEDGER_NAME).exists():
            console.note(f"results are stored in {out}; the same command resumes there")
        raise
    tables = f"tables: {out / 'captures.csv'} and others beside it, as CSV and Parquet"
    files = [f"fleet report: {done.report}", tables if done.has_tables else "tables: not written"]
    if options.pages:
        files.append(f"pages: {len(done.pages):,} in {out / 'pages'}")
    if options.junit is not None:
        files.append(f"report for build servers: {options.junit}")
    with open_ledger(out) as ledger:
        view = gather(ledger)
    console.result(closing(view, done.done, files=files, width=console.width, painted=console.painted))
    summary = view.summary
    marks = (
        (Status.UNUSABLE, bool(summary.troubles or done.problems)),
        (Status.VIOLATED, summary.faulty),
        (Status.UNDECIDED, summary.undecided),
    )
    return gravest(status for status, count in marks if count)


class _ProgressLine:
    """Says how far it is: on a terminal all the time, elsewhere now and then."""

    def __init__(self, console: Console) -> None:
        self._console = console
        self._told = time.monotonic()

    def say(self, line: str) -> None:
        if self._console.lively:
            self._console.progress(line)
        elif time.monotonic() - self._told >= _LINE_EVERY_S:
            self._told = time.monotonic()
            self._console.note(line)


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
