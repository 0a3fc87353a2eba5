"""Write a first expectations file from definitions and captures of a healthy vehicle.

Give DBC files and captures in any order: they are told apart by what is in them.
Tables of values, such as a tester's lists, need no definitions: their columns
become roles by their headers, their words or the two levels of a voltage.
Each capture should show the lock at work. Park the car first: parking brake on,
wheels blocked, for the engine may start. Then get in, press start, switch off,
open the door, wait a few seconds. Three captures are a good beginning. Roles are
proposed from names, value names and what follows what; delays are measured over
all captures; each limit says in a comment how it was made. The file is tried at
once on what it was learned from, and on what --check names. A causes file for
'buslens diagnose' is written beside it, unless there is one.

Exit status: 0 both handshakes are learned and all captures are as expected, 1 a
capture is faulty by the file, 3 something is left to decide, 2 a file or the
command line is unusable.

example:
  buslens start car.dbc good1.log good2.log good3.log -o steering_lock.toml
  buslens start car.dbc good1.log --mark "door opens at 12.4 s" -o car.toml
"""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from buslens.cli.console import Console
from buslens.cli.next_command import suggest
from buslens.cli.options import Parser, add_table_arguments, table_of, table_words
from buslens.cli.status import Status

if TYPE_CHECKING:
    from buslens.discovery.start import StartResult


def add_arguments(parser: Parser) -> None:
    """Say what the command takes."""
    parser.add_argument(
        "files", metavar="DBC... CAPTURE", nargs="+", help="DBC files and recorded bus logs; or tables alone"
    )
    parser.add_argument("-o", "--output", metavar="FILE.toml", required=True, help="expectations file to write")
    parser.add_argument(
        "--mark",
        metavar='"WORDS at TIME s"',
        action="append",
        default=[],
        help='what was done, and when in the first capture: "door opens at 12.4 s"',
    )
    parser.add_argument(
        "--check", metavar="CAPTURE", nargs="+", default=[], help="try the new file on these captures, too"
    )
    parser.add_argument("--picture", metavar="FILE.png|svg|pdf", help="draw the candidates around the first handshake")
    add_table_arguments(parser)
    parser.add_argument("--replace", action="store_true", help="replace a file that is there already")


def run(options: argparse.Namespace, console: Console) -> Status:
    """Propose, measure, write, try, and say what is left to decide."""
    from buslens.cli.output_files import reject_inputs, require_place, write_new
    from buslens.discovery.marks import parse_mark
    from buslens.discovery.start import start
    from buslens.report.discovery import started_text

    reject_inputs(options.output, [*options.files, *options.check], suffix=".toml")
    require_place(options.output)
    marks = [parse_mark(text) for text in options.mark]
    console.progress(f"reading {', '.join(options.files)}")
    made = start(
        options.files,
        output=options.output,
        marks=marks,
        more=options.check,
        table=table_of(options),
        notify=console.note,
    )
    write_new(options.output, made.text.encode(), replace=options.replace)
    if options.picture is not None:
        from buslens.report.candidates import draw_candidates

        draw_candidates(made, options.picture, table_of(options))
        console.note(f"{options.picture}: the candidates around the first handshake")
    _write_causes(options.output, made)
    console.result(started_text(made, options.output, width=console.width, painted=console.painted))
    capture = "NEXT.log" if made.definitions.paths else "NEXT.csv"
    told = ["--expectations", options.output, *table_words(options)]
    suggest(console, f"with another capture in place of {capture}", "check", capture, *told)
    suggest(console, "for a faulty car", "diagnose", capture, *told)
    return _status(made)


def _write_causes(path: str, made: StartResult) -> None:
    """Write what can be wrong with the car beside its expectations; a file that is there stays."""
    from buslens.causes.draft import draft_causes
    from buslens.causes.load import find_causes
    from buslens.cli.output_files import write_new
    from buslens.expectations.load import parse_expectations

    beside = find_causes(path)
    if not beside.exists():
        drafted = draft_causes(parse_expectations(made.text.encode(), path), "a first draft", made.healthy)
        write_new(str(beside), drafted.encode(), replace=False)


def _status(made: StartResult) -> Status:
    from buslens.checks.findings import Verdict

    if any(it.verdict is Verdict.FAULTY for it in made.tried):
        return Status.VIOLATED
    is_sure = made.is_complete and all(it.verdict is Verdict.AS_EXPECTED for it in made.tried)
    return Status.MET if is_sure else Status.UNDECIDED
