"""Show what definitions files hold, and what of them cannot be used.

FILE is a DBC: messages with identifier, length, cycle time and sender; signals
with bits, range, unit and value names; then whatever is left out, with its line
and the reason. What is left out does not keep the rest from being used.

Exit status: 0 if something can be used, 2 if nothing can.

example:
  buslens defs signal_defs/pinewick.dbc --find lock
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Any

from buslens.cli.checking import expand
from buslens.cli.console import Console
from buslens.cli.options import Parser
from buslens.cli.status import Status
from buslens.errors import DefinitionError, UsageError

if TYPE_CHECKING:
    from buslens import Definitions


def add_arguments(parser: Parser) -> None:
    """Say what the command takes."""
    parser.add_argument("files", metavar="FILE", nargs="+", help="DBC file")
    parser.add_argument("--find", metavar="WORD", help="only what has WORD in its name, comment, unit or value names")
    parser.add_argument("--json", action="store_true", help="print one JSON document over all files")


def run(options: argparse.Namespace, console: Console) -> Status:
    """Show every file by itself, and say whether they can be used together."""
    if options.find is not None and not options.find.strip():
        raise UsageError("--find needs a word to look for")
    paths = list(dict.fromkeys(expand(options.files)))
    entries: list[dict[str, Any]] = []
    sound: list[str] = []
    is_usable = False
    for path, definitions, problem in _load_each(paths):
        if definitions is None:
            console.note(problem)
        else:
            sound.append(path)
            is_usable |= bool(definitions.messages)
        _show(path, definitions, problem, options, console, entries)
    together = _contradiction(sound)
    if together is not None:
        console.note(f"not to be used together: {together}")
    if options.json:
        from buslens.report.definitions import document
        from buslens.report.document import dumps

        console.result(dumps(document(entries, together=together)))
    return Status.MET if is_usable else Status.UNUSABLE


def _load_each(paths: Sequence[str]) -> Iterator[tuple[str, Definitions | None, str]]:
    """Yield what each file says, or why it cannot be used."""
    from buslens import load_definitions

    for path in paths:
        try:
            yield path, load_definitions(path), ""
        except DefinitionError as exc:
            yield path, None, str(exc)


def _show(
    path: str,
    definitions: Definitions | None,
    problem: str,
    options: argparse.Namespace,
    console: Console,
    entries: list[dict[str, Any]],
) -> None:
    """Print the text for a file, or keep its entry for the document."""
    from buslens.report.definitions import error_entry, file_entry, matching, text

    if options.json:
        if definitions is None:
            entries.append(error_entry(path, problem))
        else:
            chosen = definitions if options.find is None else matching(definitions, options.find)
            entries.append(file_entry(path, chosen))
    elif definitions is not None:
        report = text(definitions, find=options.find, width=console.width, painted=console.painted)
        console.result(report + "\n" * (len(options.files) > 1))


def _contradiction(paths: Sequence[str]) -> str | None:
    """Return why files cannot be used together; None if they can."""
    from buslens import load_definitions

    if len(paths) < 2:
        return None
    try:
        load_definitions(*paths)
    except DefinitionError as exc:
        return str(exc)
    return None
