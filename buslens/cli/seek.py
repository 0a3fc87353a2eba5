"""Find the bits that change when something was done, without definitions.

Record a capture while you do one thing several times, and note when: each mark
is a time in seconds from the capture's first frame, and words. The same words
are the same action; an action and its opposite (opens, closes) together tell
most. Four marks of each are a good number. The text ranks, for each action, the
bits that change with it, and says how likely that is by luck.

A file of marks has one on each line; '#' begins a comment.

Exit status: 0 every action has a bit that is more than chance, 3 one has none,
2 a file or the command line is unusable.

example:
  buslens seek car.log --mark "12.3 driver door opens" --mark "14 driver door closes"
"""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from buslens.cli.console import Console
from buslens.cli.next_command import file_word, suggest
from buslens.cli.options import Parser, add_table_arguments, table_of, table_words, whole_number
from buslens.cli.status import Status
from buslens.errors import UsageError

if TYPE_CHECKING:
    from buslens.discovery.marks import Mark
    from buslens.discovery.seek import SeekResult


def add_arguments(parser: Parser) -> None:
    """Say what the command takes."""
    parser.add_argument("capture", metavar="CAPTURE", help="recorded bus log; '-' is standard input")
    parser.add_argument("--mark", metavar='"TIME WORDS"', action="append", default=[], help="what was done, and when")
    parser.add_argument("--marks", metavar="FILE", help="file of marks, one on each line")
    parser.add_argument(
        "--tolerance", metavar="T", type=_duration, help="how far marks may be off either way (default: 300 ms)"
    )
    parser.add_argument(
        "--delay", metavar="T", type=_duration, help="how much later than the action a bit may follow (default: 100 ms)"
    )
    parser.add_argument("-o", "--output", metavar="FILE.dbc", help="write what was found as definitions")
    parser.add_argument(
        "--choose",
        metavar="N",
        type=whole_number,
        help="write the first N of each action; else the first, if more than chance",
    )
    add_table_arguments(parser)
    parser.add_argument("--replace", action="store_true", help="replace a file that is there already")
    parser.add_argument("--json", action="store_true", help="print one JSON document")


def run(options: argparse.Namespace, console: Console) -> Status:
    """Rank the bits for each action, and write the definitions that were asked for."""
    marks = _marks(options)
    if options.output is not None:
        from buslens.cli.output_files import reject_inputs, require_place

        read = [options.capture] if options.marks is None else [options.capture, options.marks]
        reject_inputs(options.output, read, suffix=".dbc")
        require_place(options.output)
    console.progress(f"reading {options.capture}")
    from buslens.discovery.seek import DELAY_NS, TOLERANCE_NS, seek

    found = seek(
        options.capture,
        marks,
        tolerance_ns=TOLERANCE_NS if options.tolerance is None else options.tolerance,
        delay_ns=DELAY_NS if options.delay is None else options.delay,
        most=max(5, options.choose or 0),
        table=table_of(options),
        notify=console.note,
    )
    if options.json:
        from buslens.report.discovery import sought_document
        from buslens.report.document import dumps

        console.result(dumps(sought_document(found)))
    else:
        from buslens.report.discovery import sought_text

        console.result(sought_text(found, width=console.width, painted=console.painted))
    if options.output is not None:
        _write(found, options, console)
    return Status.MET if all(any(it.is_surprising for it in of) for of in found.candidates) else Status.UNDECIDED


def _marks(options: argparse.Namespace) -> list[Mark]:
    from buslens.discovery.marks import load_marks, parse_mark

    marks = [parse_mark(text) for text in options.mark]
    if options.marks is not None:
        marks += load_marks(options.marks)
    if not marks:
        raise UsageError('what was done, and when? write for example --mark "12.3 driver door opens", or --marks FILE')
    return marks


def _write(found: SeekResult, options: argparse.Namespace, console: Console) -> None:
    from buslens.cli.output_files import write_new
    from buslens.discovery.found_dbc import found_dbc, message_name, signal_names
    from buslens.report.formatting import clean

    chosen = found.chosen(options.choose)
    if not chosen:
        console.note(f"{options.output} is not written: nothing was found that is more than chance; --choose 1 insists")
        return
    write_new(options.output, found_dbc(found, chosen), replace=options.replace)
    names = ", ".join(f"{message_name(it.field.origin)}.{name}" for it, name in signal_names(found, chosen).items())
    path = clean(options.output)
    console.note(f"{path}: defines {names}; beside them each other bit that was tried, as BIT_1 and so on")
    words = [file_word(options.output), file_word(options.capture), "NEXT.log", "-o", "steering_lock.toml"]
    suggest(console, "with more captures in place of NEXT.log", "start", *words, *table_words(options))


def _duration(text: str) -> int:
    from buslens.units import parse_duration_ns

    try:
        return parse_duration_ns(text)
    except ValueError as exc:
        raise argparse.ArgumentTypeError(str(exc)) from exc
