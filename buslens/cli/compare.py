"""Compare captures from before a repair with captures from after it.

Tells per step what was measured before and after, what is fixed, not fixed
or new, and how much the clean handshakes prove. 'Repaired' is said only
where an unrepaired vehicle would show as many clean ones in at most 5 % of
cases (Fisher's exact test); else how many more would prove it. Count every
handshake before the repair, also those that went well.

Exit status: as for 'buslens check', by the captures after the repair alone.

example:
  buslens compare before.log after.log
  buslens compare before.log after*.log --failed 3/30
  buslens compare before.log after*.log --known-rate "1 in 10"
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from buslens.causes.comparison_input import history_of, known_rate_of, require_different, require_different_frames
from buslens.cli.checking import CaptureChecker, expand
from buslens.cli.console import Console
from buslens.cli.next_command import file_word, suggest
from buslens.cli.options import Parser, add_all_argument, add_beside_argument, add_checking_arguments
from buslens.cli.status import Status, gravest, status_of
from buslens.errors import UsageError

if TYPE_CHECKING:
    from buslens.causes.compare import Conclusion


def add_arguments(parser: Parser) -> None:
    """Say what the command takes."""
    parser.add_argument(
        "captures",
        metavar="CAPTURE",
        nargs="+",
        help="first the one from before the repair, then those from after it; with --before all are from after it",
    )
    parser.add_argument(
        "--before",
        metavar="CAPTURE",
        action="append",
        help="capture from before the repair, may be given several times",
    )
    add_rate_arguments(parser)
    add_checking_arguments(parser)
    add_beside_argument(parser)
    add_all_argument(parser)
    parser.add_argument("--json", action="store_true", help="print one JSON document")


def add_rate_arguments(parser: Parser) -> None:
    """Add the options for how often a fault showed beyond what the captures show."""
    rates = parser.add_mutually_exclusive_group()
    rates.add_argument(
        "--failed",
        metavar="K/M",
        type=_history,
        help="failures counted before the repair: K of M handshakes; else counted in the captures",
    )
    rates.add_argument(
        "--known-rate",
        metavar='"K in M"',
        type=_known_rate,
        help='failure rate before the repair that is known from long use, such as "1 in 10" for months; the report '
        "names it as an assumption",
    )


def run(options: argparse.Namespace, console: Console) -> Status:
    """Check both sides, compare them and say what that proves."""
    before, after = sides(options.captures, options.before)
    judge = CaptureChecker(options, console)
    judge.pair([*before, *after])
    then = [judge.check(path) for path in before]
    now = [judge.check(path) for path in after]
    require_different_frames([*then, *now])

    from buslens.causes.compare import compare
    from buslens.report import comparison as report

    compared = compare(then, now, history=options.failed, known_rate=options.known_rate)
    if options.json:
        from buslens.report.document import parts

        for part in parts(report.document(compared)):
            console.result(part)
    else:
        console.result(report.text(compared, width=console.width, painted=console.painted, in_full=options.all))
        suggest(console, *_next(compared.conclusion, before, after, options), options=options)
    return gravest(status_of(result.verdict) for result in now)


def _next(
    conclusion: Conclusion, before: Sequence[str], after: Sequence[str], options: argparse.Namespace
) -> Iterator[str]:
    """Yield what the next command is for, its name, and its words."""
    from buslens.causes.compare import Conclusion

    if conclusion is Conclusion.NOT_REPAIRED:
        yield from ("for the cause", "diagnose", *map(file_word, after))
        return
    yield from {
        Conclusion.REPAIRED: ("for the customer", "record"),
        Conclusion.NOT_PROVED: ("with one more capture in place of NEXT.log", "compare"),
        Conclusion.NOTHING_TO_PROVE: ("with a capture of the fault in place of FAULT.log", "compare"),
    }[conclusion]
    yield from map(file_word, after)
    if conclusion is Conclusion.NOT_PROVED:
        yield "NEXT.log"
    for path in ["FAULT.log"] if conclusion is Conclusion.NOTHING_TO_PROVE else before:
        yield from ("--before", file_word(path))
    if options.failed is not None:
        yield from ("--failed", "{}/{}".format(*options.failed))
    if options.known_rate is not None:
        yield from ("--known-rate", "{} in {}".format(*options.known_rate))
    if conclusion is Conclusion.REPAIRED:
        yield from ("-o", "record.html")


def sides(captures: Sequence[str], before: Sequence[str] | None) -> tuple[list[str], list[str]]:
    """Return the captures of both sides.

    Raises UsageError if a side is empty, or a capture is there twice: its handshakes would count twice.
    """
    if before:
        then, now = expand(before), expand(captures)
    else:
        if len(captures) == 1:
            raise UsageError(f"'{captures[0]}' is compared with what? write 'buslens compare BEFORE AFTER...'")
        then, now = expand(captures[:1]), expand(captures[1:])
    require_different([*then, *now])
    return then, now


def _known_rate(text: str) -> tuple[int, int]:
    try:
        return known_rate_of(text)
    except UsageError as error:
        raise argparse.ArgumentTypeError(error.problem) from None


def _history(text: str) -> tuple[int, int]:
    try:
        return history_of(text)
    except UsageError as error:
        raise argparse.ArgumentTypeError(error.problem) from None
