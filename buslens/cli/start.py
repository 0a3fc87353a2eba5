"""Write a first expectations file from definitions and one capture.

The capture should be of a healthy vehicle, with the lock at work in it: get in,
switch on, switch off, open the door, wait a few seconds. Roles are proposed from
names, value names and what the signals do; cycle times and delays are measured;
each limit says in a comment how it was made and how often it was measured. What
is not certain stands as a comment, for you to decide.

Exit status: 0 every role was found, 3 one or more are only comments, 2 a file or
the command line is unusable.

example:
  buslens start car.dbc healthy.log -o steering_lock.toml
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from buslens.cli.status import Status

if TYPE_CHECKING:
    import argparse

    from buslens.cli.console import Console
    from buslens.cli.options import Parser


def add_arguments(parser: Parser) -> None:
    """Say what the command takes."""
    parser.add_argument("definitions", metavar="DBC", nargs="+", help="files that define messages and signals")
    parser.add_argument("capture", metavar="CAPTURE", help="recorded bus log of a healthy vehicle")
    parser.add_argument("-o", "--output", metavar="FILE.toml", required=True, help="expectations file to write")
    parser.add_argument("--replace", action="store_true", help="replace a file that is there already")


def run(options: argparse.Namespace, console: Console) -> Status:
    """Propose, measure, write, and say what is left to decide."""
    from buslens.cli.writing import demand_place, refuse_inputs, write_new
    from buslens.discovery.start import start
    from buslens.report.discovery import started_text

    refuse_inputs(options.output, [*options.definitions, options.capture], suffix=".toml")
    demand_place(options.output)
    console.progress(f"reading {options.capture}")
    made = start(options.definitions, options.capture, output=options.output, notify=console.note)
    write_new(options.output, made.text.encode(), replace=options.replace)
    console.result(started_text(made, options.output, width=console.width, painted=console.painted))
    return Status.UNDECIDED if made.uncertain else Status.MET
