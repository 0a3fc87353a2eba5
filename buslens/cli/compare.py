"""Compare captures from before a repair with captures from after it.

Tells per step what was measured before and after, what is mended, still wrong
or wrong now, and how much the clean handshakes prove. 'Repaired' is said only
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
import hashlib
import re
from itertools import combinations
from pathlib import Path
from typing import TYPE_CHECKING

from buslens.cli.checking import CaptureChecker, expand
from buslens.cli.options import add_checking_arguments
from buslens.cli.status import Status, gravest, status_of
from buslens.errors import CaptureError, UsageError
from buslens.files import same_file

if TYPE_CHECKING:
    from collections.abc import Sequence

    from buslens import Result
    from buslens.cli.console import Console
    from buslens.cli.options import Parser


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
    """Judge both sides, compare them and say what that proves."""
    before, after = sides(options.captures, options.before)
    judge = CaptureChecker(options, console)
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
        console.result(report.text(compared, width=console.width, painted=console.painted))
    return gravest(status_of(result.verdict) for result in now)


def sides(captures: Sequence[str], before: Sequence[str] | None) -> tuple[list[str], list[str]]:
    """Return the captures of both sides.

    Raises
    ------
    UsageError
        If a side is empty, or a capture is there twice: its handshakes would count twice.
    """
    if before:
        then, now = expand(before), expand(captures)
    else:
        if len(captures) == 1:
            raise UsageError(f"'{captures[0]}' is compared with what? write 'buslens compare BEFORE AFTER...'")
        then, now = expand(captures[:1]), expand(captures[1:])
    require_different([*then, *now])
    return then, now


def require_different(paths: Sequence[str]) -> None:
    """Refuse a capture that is there twice, under one name or as a copy.

    Raises
    ------
    UsageError
        If one is.
    """
    if paths.count("-") > 1:
        raise UsageError("standard input ('-') can be read only once")
    for one, other in combinations(paths, 2):
        if "-" not in {one, other} and _same_content(one, other):
            raise UsageError(f"{one} and {other} are one and the same capture, and would count twice; name it once")


def require_different_frames(results: Sequence[Result]) -> None:
    """Refuse a recording that is there twice in different bytes, such as compressed or with other line ends.

    Raises
    ------
    UsageError
        If one is.
    """
    from buslens.capture.frame_hash import frames_hash

    alike: dict[tuple[int, int], list[str]] = {}
    for result in results:
        stats = result.stats
        # Standard input cannot be read again.
        if stats.first_ns is not None and stats.last_ns is not None and result.path != "-":
            alike.setdefault((stats.frames, stats.last_ns - stats.first_ns), []).append(result.path)
    for paths in alike.values():
        seen: dict[str, str] = {}
        for path in paths if len(paths) > 1 else ():
            try:
                digest = frames_hash(path)
            except CaptureError:
                continue  # a source without frames is known by its bytes alone
            one = seen.setdefault(digest, path)
            if one is not path:
                raise UsageError(
                    f"{one} and {path} hold the same frames: one recording, which would count twice; name it once"
                )


def _same_content(one: str, other: str) -> bool:
    if one == other or same_file(one, other):
        return True
    try:
        if Path(one).stat().st_size != Path(other).stat().st_size or not Path(one).stat().st_size:
            return False
        return _digest(one) == _digest(other)
    except OSError:
        # What cannot be read is told of when it is judged.
        return False


def _digest(path: str) -> bytes:
    with Path(path).open("rb") as file:
        return hashlib.file_digest(file, "sha256").digest()


def _known_rate(text: str) -> tuple[int, int]:
    match = re.fullmatch(r"\s*([0-9]{1,9})\s+in\s+([0-9]{1,9})\s*", text)
    if match and 1 <= int(match[1]) < int(match[2]):
        return int(match[1]), int(match[2])
    raise argparse.ArgumentTypeError(
        f'\'{text}\' is no rate such as "1 in 10", below "1 in 1"; a fault that showed each time is counted: '
        "--failed 5/5"
    )


def _history(text: str) -> tuple[int, int]:
    failed, slash, of = text.partition("/")
    is_counted = slash and all(part.isascii() and part.isdecimal() and len(part) < 10 for part in (failed, of))
    if is_counted and 1 <= int(failed) <= int(of):
        return int(failed), int(of)
    raise argparse.ArgumentTypeError(f"'{text}' is not two whole numbers such as 3/30, the first from 1 to the second")
