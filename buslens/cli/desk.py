"""Do a whole job in the browser, on this machine only.

Opens a page for the work in its order: vehicle and complaint, captures of the
fault, what is wrong, what explains it, what to measure next, what was done,
captures from after the repair, and the record. A job is a folder in FOLDER that
holds the same files as the commands read and write, so that either can go on
where the other stopped.

The page is served to this machine alone. The printed address opens it in one
browser. Nothing is sent to anybody, nor to the car.

Exit status: 0 when the desk was ended by its page, 130 by Ctrl-C.

example:
  buslens desk jobs
  buslens desk jobs --no-browser --port 8080
"""

import argparse
import sys
from pathlib import Path

from buslens.cli.console import Console
from buslens.cli.options import Parser, whole_number
from buslens.cli.status import Status


def add_arguments(parser: Parser) -> None:
    """Say what the command takes."""
    parser.add_argument(
        "folder", metavar="FOLDER", nargs="?", help="folder of jobs; else buslens_jobs in the home folder"
    )
    parser.add_argument("--port", metavar="N", type=whole_number, default=0, help="port; else one that is free")
    parser.add_argument("--no-browser", action="store_true", help="print the address, and open no browser")


def run(options: argparse.Namespace, console: Console) -> Status:
    """Serve the desk until it is ended."""
    import webbrowser

    from buslens.desk.server import serve

    folder = Path(options.folder) if options.folder else Path.home() / "buslens_jobs"

    def say(line: str) -> None:
        console.result(f"{line}\n")
        console.flush()

    serve(folder, port=options.port, say=say, show=None if options.no_browser else webbrowser.open)
    return Status.MET


def main() -> int:
    """Run the desk as a program of its own, which has no console window on Windows."""
    from buslens.__main__ import main as run_program

    sys.argv[1:1] = ["desk"]
    return run_program()
