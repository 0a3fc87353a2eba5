"""Write a capture as a page to look around in.

One file with everything in it: the verdict, what explains it and what to
measure next (where a causes file lies beside the expectations), the findings,
a lane for every role, a replay. It opens by double click and needs no network.
Without -o it lies in the current folder under the capture's name.

Exit status: as for 'buslens check'.

example:
  buslens page capture.log -o capture.html
"""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, Final

from buslens.cli.checking import CaptureChecker
from buslens.cli.console import Console
from buslens.cli.options import Parser, add_beside_argument, add_checking_arguments
from buslens.cli.output_files import output_path
from buslens.cli.status import Status, status_of

if TYPE_CHECKING:
    from buslens.causes.diagnosis import Diagnosis
    from buslens.checks.findings import Result

SUFFIXES: Final = (".html", ".htm")
"""Suffixes of pages; asked here, so that a wrong one is refused before a long capture is read."""


def add_arguments(parser: Parser) -> None:
    """Say what the command takes."""
    parser.add_argument("capture", metavar="CAPTURE", help="recorded bus log; '-' is standard input")
    parser.add_argument("-o", "--output", metavar="FILE", help="page to write, an .html file")
    parser.add_argument("--causes", metavar="TOML", help="causes and measurements; else beside the expectations")
    add_checking_arguments(parser)
    add_beside_argument(parser)


def run(options: argparse.Namespace, console: Console) -> Status:
    """Check a capture, write its page and say the verdict."""
    output = output_path(options, SUFFIXES, thing="page")
    result = CaptureChecker(options, console).check(options.capture)
    console.progress(f"writing {output}")

    from buslens.report.dialogue_lane import with_dialogue
    from buslens.report.formatting import clean, verdict_sentence
    from buslens.report.page import write_page

    shown = with_dialogue(result, console.note)
    write_page(shown, output, diagnosis=_diagnosis(options, result))
    console.result(f"{verdict_sentence(result)}\nwritten: {clean(str(output))}\n")
    return status_of(result.verdict)


def _diagnosis(options: argparse.Namespace, result: Result) -> Diagnosis | None:
    """Return what explains the capture; None where no causes file was named and none lies beside the expectations."""
    from buslens.causes.diagnosis import diagnose
    from buslens.causes.load import find_causes, load_causes

    expected = result.expectations
    if options.causes is None and not (expected.path and Path(find_causes(expected.path)).is_file()):
        return None
    return diagnose([result], load_causes(options.causes or find_causes(expected.path), expected))
