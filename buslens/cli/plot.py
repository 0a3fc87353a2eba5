"""Draw a capture as a timing diagram.

Shows the worst handshake, or the first whole one if nothing is wrong, unless
something else is asked for. Without -o the picture lies in the current folder
under the capture's name. The suffix says the form: .png, .svg or .pdf.

Exit status: as for 'buslens check', by what the picture shows.

example:
  buslens plot capture.log -o capture.svg
"""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING, Final

from buslens.cli.checking import CaptureChecker
from buslens.cli.console import Console, silence_libraries
from buslens.cli.next_command import suggest_after
from buslens.cli.options import Parser, add_beside_argument, add_checking_arguments, number, whole_number
from buslens.cli.output_files import output_path
from buslens.cli.status import Status, status_of
from buslens.report.style import FORMATS

if TYPE_CHECKING:
    from buslens.report.view import TimeRange


PICTURES: Final = (".png", ".svg", ".pdf")
"""Suffixes of pictures; asked here, so that a wrong one is refused before a long capture is read."""


def add_arguments(parser: Parser) -> None:
    """Say what the command takes."""
    parser.add_argument("capture", metavar="CAPTURE", help="recorded bus log; '-' is standard input")
    parser.add_argument("-o", "--output", metavar="FILE", help="picture to write: .png, .svg or .pdf")
    what = parser.add_mutually_exclusive_group()
    what.add_argument("--handshake", metavar="N", type=whole_number, help="show this handshake, counted from 1")
    what.add_argument(
        "--window", metavar=("FROM", "TO"), nargs=2, type=number, help="show this stretch, seconds from the first frame"
    )
    what.add_argument("--whole", action="store_true", help="show the whole capture")
    what.add_argument("--strip", action="store_true", help="show only the lanes that tell what is wrong, for a report")
    what.add_argument("--overlay", action="store_true", help="show all handshakes over one another, from their start")
    what.add_argument("--before", metavar="CAPTURE", help="show this earlier capture above it, on one time axis")
    parser.add_argument("--rule", metavar="NAME", help="sequence whose handshake is meant, where there are several")
    parser.add_argument(
        "--width", choices=tuple(FORMATS), default="screen", help="where it will be read (default: screen)"
    )
    add_checking_arguments(parser)
    add_beside_argument(parser)


def run(options: argparse.Namespace, console: Console) -> Status:
    """Check a capture, draw it and say the verdict."""
    from buslens import draw
    from buslens.report.dialogue_lane import with_dialogue
    from buslens.report.formatting import clean, verdict_sentence
    from buslens.report.paragraphs import paragraph, render
    from buslens.report.safety_notes import cautions_for

    silence_libraries()
    output = output_path(options, PICTURES, thing="picture")
    checker = CaptureChecker(options, console)
    checker.pair([options.capture, *([] if options.before is None else [options.before])])
    before = None if options.before is None else checker.check(options.before)
    result = with_dialogue(checker.check(options.capture), console.note)
    console.progress(f"drawing {output}")
    draw(
        result,
        output,
        window=_window(options),
        handshake=options.handshake,
        rule=options.rule,
        width=options.width,
        layout="strip" if options.strip else "overlay" if options.overlay else "lanes",
        before=before,
    )
    # A picture has no room for all of them, and the first says the most.
    safety = [f"Safety: {it}" for it in cautions_for(result.verdict)[:1]]
    lines = [verdict_sentence(result), f"written: {clean(str(output))}", *safety]
    console.result(render(map(paragraph, lines), width=console.width))
    if safety and options.capture != "-":
        suggest_after(console, options.capture, result.verdict, options)
    return status_of(result.verdict)


def _window(options: argparse.Namespace) -> TimeRange:
    if options.whole:
        return "all"
    return None if options.window is None else (options.window[0], options.window[1])
