"""Check captures against the expectations of a healthy vehicle.

A capture is a recorded bus log: candump, ASC or a table of frames in any layout
that its rows make plain ('buslens layout' shows it), plain or gzipped, '-' for
standard input, or whatever else python-can can read.

Exit status: 0 everything met, 1 something violated, 2 a capture or the command
line is unusable, 3 nothing violated but something undecided. Of several captures
the gravest counts: 2 before 1 before 3 before 0.

example:
  buslens check sample_logs/*.log
"""

import argparse
from typing import TYPE_CHECKING, Protocol
from xml.etree.ElementTree import Element

from buslens.cli.checking import CaptureChecker, CheckedCapture, expand
from buslens.cli.console import Console
from buslens.cli.next_command import suggest_after
from buslens.cli.options import Parser, add_all_argument, add_beside_argument, add_checking_arguments
from buslens.cli.output_files import require_report
from buslens.cli.status import Status, gravest
from buslens.files import write_atomically

if TYPE_CHECKING:
    from buslens.checks.findings import Verdict
    from buslens.report.document import Entry


def add_arguments(parser: Parser) -> None:
    """Say what the command takes."""
    parser.add_argument("captures", metavar="CAPTURE", nargs="+", help="recorded bus log; '-' is standard input")
    add_checking_arguments(parser)
    add_beside_argument(parser)
    add_all_argument(parser)
    parser.add_argument("--json", action="store_true", help="print one JSON document over all captures")
    parser.add_argument("--junit", metavar="FILE", help="also write a report for build servers")


def run(options: argparse.Namespace, console: Console) -> Status:
    """Check every capture and report on it."""
    paths = expand(options.captures)
    reports: list[_Report] = [_Document(console) if options.json else _Text(console, options, several=len(paths) > 1)]
    if options.junit is not None:
        reports.append(_BuildReport(options.junit, paths, console))
    statuses = []
    for judged in CaptureChecker(options, console).check_all(paths):
        statuses.append(judged.status)
        for report in reports:
            report.add(judged)
    for report in reports:
        report.close()
    return gravest(statuses)


class _Report(Protocol):
    """Takes what came of each capture; keeps none of the timelines."""

    def add(self, judged: CheckedCapture) -> None: ...

    def close(self) -> None: ...


class _Text:
    """Text for a person, each capture as soon as it is checked."""

    def __init__(self, console: Console, options: argparse.Namespace, *, several: bool) -> None:
        self._console = console
        self._options = options
        self._several = several
        self._verdicts: list[Verdict] = []
        #: What to look at next, and its verdict: the first that is faulty, or the first; None if none is a file.
        self._next: tuple[str, Verdict] | None = None
        self._unusable = 0

    def add(self, judged: CheckedCapture) -> None:
        if judged.result is None:
            self._unusable += 1
            return
        from buslens.capture.open import STANDARD_INPUT
        from buslens.checks.findings import Verdict
        from buslens.report.text import text

        verdict = judged.result.verdict
        is_first_fault = verdict is Verdict.FAULTY and (self._next is None or self._next[1] is not Verdict.FAULTY)
        if judged.path != STANDARD_INPUT and (self._next is None or is_first_fault):
            self._next = judged.path, verdict
        self._verdicts.append(verdict)
        width, painted = self._console.width, self._console.painted
        report = text(
            judged.result, width=width, painted=painted, cautions=not self._several, in_full=self._options.all
        )
        self._console.result(report + "\n" * self._several)

    def close(self) -> None:
        from buslens.report.text import closing

        if self._several:
            width, painted = self._console.width, self._console.painted
            self._console.result(closing(self._verdicts, unusable=self._unusable, width=width, painted=painted))
        if self._next is not None:
            suggest_after(self._console, *self._next, self._options)


class _Document:
    """One JSON document over all captures."""

    def __init__(self, console: Console) -> None:
        self._console = console
        self._entries: list[Entry] = []

    def add(self, judged: CheckedCapture) -> None:
        from buslens.report.document import capture_entry, error_entry

        if judged.result is None:
            self._entries.append(error_entry(judged.path, judged.problem))
        else:
            self._entries.append(capture_entry(judged.result))

    def close(self) -> None:
        from buslens.report.document import document, parts

        for part in parts(document(self._entries)):
            self._console.result(part)


class _BuildReport:
    """A JUnit file."""

    def __init__(self, path: str, captures: list[str], console: Console) -> None:
        require_report(path, captures)
        self._path = path
        self._console = console
        self._suites: list[Element] = []

    def add(self, judged: CheckedCapture) -> None:
        from buslens.report.junit import error_suite, suite

        if judged.result is None:
            self._suites.append(error_suite(judged.path, judged.problem))
        else:
            self._suites.append(suite(judged.result))

    def close(self) -> None:
        from buslens.report.junit import junit

        write_atomically(self._path, junit(self._suites))
