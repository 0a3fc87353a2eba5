"""Show how a capture is understood, with its first frames, before it is checked.

A capture is a log of candump, an ASC log, or a table of frames: rows of time,
identifier and data in any layout that the rows make plain. What a table leaves
open is asked for; a file with a section [table], or --time-unit and --id-base,
answers, here and for every other command. -o writes such a file, to be edited.

Exit status: 0 it can be read, 2 it cannot, or the command line is unusable.

example:
  buslens layout rows.csv -o rows.toml
"""

from __future__ import annotations

import argparse
from contextlib import suppress
from typing import TYPE_CHECKING, Final

from buslens.cli.console import Console
from buslens.cli.options import Parser, add_table_arguments, table_of
from buslens.cli.status import Status
from buslens.errors import CaptureError, SourceLocation, UsageError

if TYPE_CHECKING:
    from buslens.capture.table_settings import TableSettings
    from buslens.capture.values import ValuesCapture

_SHOWN: Final = 8
"""Frames that are shown."""


def add_arguments(parser: Parser) -> None:
    """Say what the command takes."""
    parser.add_argument("capture", metavar="CAPTURE", help="recorded bus log")
    add_table_arguments(parser)
    parser.add_argument("-o", "--output", metavar="FILE.toml", help="write the layout of the table")
    parser.add_argument("--replace", action="store_true", help="replace a file that is there already")


def run(options: argparse.Namespace, console: Console) -> Status:
    """Say how the capture is read, and write its layout if that was asked for."""
    from buslens.capture.open import open_capture
    from buslens.report.layout import layout_text, values_text

    if options.capture == "-":
        raise UsageError("standard input can be read only once: save the log to a file first")
    if options.output is not None:
        from buslens.cli.output_files import reject_inputs, require_place

        reject_inputs(options.output, [options.capture], suffix=".toml")
        require_place(options.output)
    table = table_of(options)
    try:
        capture = open_capture(options.capture, table=table)
    except CaptureError:
        values = None if options.output is not None else _values(options.capture, table)
        if values is None:
            raise
        console.result(values_text(values))
        return Status.MET
    console.result(layout_text(capture, most=_SHOWN))
    if options.output is not None:
        if capture.table is None:
            raise CaptureError(
                f"it is no table but {capture.name}, so that there is no layout to write", SourceLocation(capture.path)
            )
        from buslens.capture.table import table_toml
        from buslens.cli.output_files import write_new

        write_new(options.output, table_toml(capture.table).encode(), replace=options.replace)
        console.note(f"{options.output} is written; give it as --table {options.output}")
    return Status.MET


def _values(path: str, table: TableSettings) -> ValuesCapture | None:
    """Return a table of values with all of its columns; None for anything else."""
    from buslens.capture.values import open_values

    with suppress(CaptureError):
        return open_values(path, (), table)
    return None
