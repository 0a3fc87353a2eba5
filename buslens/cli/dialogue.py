"""Show what a tester asked and what the units answered.

Requests and answers of ISO 14229 over ISO 15765-2, on CAN and CAN FD: services,
identifiers, routines, fault codes with the bits of their status, refusals with
their codes, and how long each answer took. Long messages are put together;
frames that are lost or repeated are counted, and nothing is guessed behind a
gap. Who asks and who answers is found from what was said, or named with --ids,
in hexadecimal: 7E0:7E8. Where each frame begins with an address byte (extended
and mixed addressing), that stands behind a point: 6F1.12:612.F1. More than
three digits are a 29-bit identifier. Seeds and keys of security access are not
shown.

Exit status: 0 requests were found, 3 there are none, 2 a file or the command
line is unusable.

example:
  buslens dialogue tester.asc --ids 7E0:7E8
"""

import argparse
from typing import Any

from buslens.cli.checking import expand
from buslens.cli.console import Console
from buslens.cli.options import Parser, add_table_arguments, table_of
from buslens.cli.status import Status
from buslens.errors import CaptureError


def add_arguments(parser: Parser) -> None:
    """Say what the command takes."""
    parser.add_argument("captures", metavar="CAPTURE", nargs="+", help="recorded bus log; '-' is standard input")
    parser.add_argument(
        "--ids",
        metavar="REQUEST:ANSWER",
        action="append",
        help="who asks and who answers, may be given several times; else found from what was said",
    )
    add_table_arguments(parser)
    parser.add_argument("--all", action="store_true", help="write every row, however many there are")
    parser.add_argument("--json", action="store_true", help="print one JSON document over all captures")


def run(options: argparse.Namespace, console: Console) -> Status:
    """Show the dialogue of each capture by itself."""
    from buslens.dialogue.pairs import parse_pair
    from buslens.dialogue.read import read_dialogue
    from buslens.report.dialogue import dialogue_document, dialogue_entry, dialogue_text, error_entry

    pairs = None if options.ids is None else [parse_pair(text) for text in options.ids]
    paths = expand(options.captures)
    entries: list[dict[str, Any]] = []
    status = Status.MET
    for path in paths:
        console.progress(f"reading {path}")
        try:
            dialogue = read_dialogue(path, pairs=pairs, table=table_of(options), notify=console.note)
        except CaptureError as exc:
            console.note(str(exc))
            entries.append(error_entry(path, str(exc)))
            status = Status.UNUSABLE
            continue
        if not dialogue.exchanges and status is Status.MET:
            status = Status.UNDECIDED
        if options.json:
            entries.append(dialogue_entry(dialogue))
        else:
            text = dialogue_text(dialogue, width=console.width, painted=console.painted, is_whole=options.all)
            console.result(text + "\n" * (len(paths) > 1))
    if options.json:
        from buslens.report.document import dumps

        console.result(dumps(dialogue_document(entries)))
    return status
