"""Rank possible causes for captures of one car, and suggest the next measurement.

Causes and measurements come from a causes file: NAME.causes.toml beside the
expectations NAME.toml. A reading is given as NAME=RESULT, with its unit, or as
the name of one of its results; of two of one name the last one counts.

With --learn FOLDER no capture is read: the confirmed causes of finished jobs
(files of 'buslens record --job' with confirmed = "CAUSE") are counted on top of
the weights, which are rules of thumb, and old and new shares are printed.

Exit status: as for 'buslens check', by the captures alone.

example:
  buslens diagnose sample_logs/car04_ground_open.log
  buslens diagnose sample_logs/car04_ground_open.log --measured plug_at_lock=seated
  buslens diagnose --learn jobs
  buslens diagnose complaint.log --session car04.json --measured supply_at_lock=0.1V
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from buslens.cli.checking import CaptureChecker, expand
from buslens.cli.console import Console
from buslens.cli.next_command import file_word, suggest
from buslens.cli.options import Parser, add_all_argument, add_beside_argument, add_checking_arguments
from buslens.cli.status import Status, gravest
from buslens.errors import UsageError, did_you_mean
from buslens.files import same_file

if TYPE_CHECKING:
    from buslens.causes.diagnosis import Diagnosis
    from buslens.causes.session import Session


def add_arguments(parser: Parser) -> None:
    """Say what the command takes."""
    parser.add_argument(
        "captures",
        metavar="CAPTURE",
        nargs="*",
        help="recorded bus log of the car before any repair; '-' is standard input; none: those of the session",
    )
    parser.add_argument(
        "--measured",
        metavar="NAME=RESULT",
        action="append",
        default=[],
        help="what was measured, such as supply_at_lock=11.9V; may be given several times",
    )
    parser.add_argument("--causes", metavar="TOML", help="causes and measurements; else beside the expectations")
    parser.add_argument("--session", metavar="FILE", help="keep captures and readings in FILE, and go on from it")
    parser.add_argument("--learn", metavar="FOLDER", help="count the confirmed causes of finished jobs in FOLDER")
    add_checking_arguments(parser)
    add_beside_argument(parser)
    add_all_argument(parser)
    parser.add_argument("--json", action="store_true", help="print one JSON document")


def run(options: argparse.Namespace, console: Console) -> Status:
    """Check the captures, rank the causes and say what to do next."""
    from buslens.causes.diagnosis import diagnose
    from buslens.causes.load import causes_for
    from buslens.causes.readings import read_reading
    from buslens.causes.session import Session, load_session, save_session
    from buslens.report.diagnosis import document, text
    from buslens.report.document import dumps

    if options.learn is not None:
        return _learn(options, console)
    session = Session(measured={}) if options.session is None else load_session(options.session)
    paths = _captures(options, session)
    judged = list(CaptureChecker(options, console).check_all(paths))
    status = gravest(it.status for it in judged)
    results = [it.result for it in judged if it.result is not None]
    if not results:
        return status
    causes = causes_for(results, options.causes)
    given = [read_reading(words, causes) for words in options.measured]
    found = diagnose(results, causes, [*session.readings(causes), *given], skipped=session.skipped)
    if session.measured and session.captures and not set(session.captures) & set(paths):
        console.note(
            f"{options.session}: its readings were made for {', '.join(session.captures)}, and count for these captures"
            " too; if they are of another car, begin another session"
        )
    elif dropped := [it for it in session.captures if it not in paths]:
        console.note(
            f"{options.session}: {', '.join(dropped)} no longer counts; name all captures of the car to keep them"
        )
    if options.session is not None:
        by_hand = [it for it in found.readings if not it.is_traced]
        save_session(options.session, paths, by_hand, session.skipped)
    if options.json:
        console.result(dumps(document(found)))
    else:
        console.result(text(found, width=console.width, painted=console.painted, in_full=options.all))
        if next_ := list(_next(found, paths, options)):
            suggest(console, *next_, options=options)
    return status


def _next(found: Diagnosis, paths: Sequence[str], options: argparse.Namespace) -> Iterator[str]:
    """Yield what the next command is for, its name and its words; nothing where there is none."""
    from buslens.causes.advice import AdviceKind

    advice = found.advice
    if advice.step is AdviceKind.MEASURE and advice.measurement is not None:
        yield from ("with what you find in place of READING", "diagnose")
        # A session keeps captures and readings.
        yield from () if options.session else map(file_word, paths)
        for words in () if options.session else options.measured:
            yield from ("--measured", words)
        yield from ("--measured", f"{advice.measurement.name}=READING")
        for name, value in (("--session", options.session), ("--causes", options.causes)):
            yield from () if value is None else (name, value)
    elif any(cause.kind.is_in_vehicle for it in advice.hypotheses for cause in it.causes):
        yield from ("after the repair, with a new capture in place of AFTER.log", "compare", "AFTER.log")
        for path in paths:
            yield from ("--before", file_word(path))


def _learn(options: argparse.Namespace, console: Console) -> Status:
    """Count confirmed jobs, and print how common causes are by them."""
    from pathlib import Path

    from buslens.causes.learn import learn
    from buslens.causes.load import find_causes, load_causes
    from buslens.defaults import find_expectations
    from buslens.expectations.load import load_expectations
    from buslens.report.learning import text
    from buslens.report.record.job import load_job

    if options.captures or options.measured or options.session or options.json:
        raise UsageError("--learn takes a folder of jobs alone: buslens diagnose --learn FOLDER")
    folder = Path(options.learn)
    if not folder.is_dir():
        raise UsageError(f"--learn {folder}: this is no folder; name the one that holds the jobs' TOML files")
    # Expectations and causes may lie among the jobs.
    path = options.expectations or find_expectations(folder / "any")
    chosen = options.causes or find_causes(path)
    causes = load_causes(chosen, load_expectations(path))
    confirmed, unconfirmed, skipped = [], 0, []
    for file in sorted(folder.rglob("*.toml")):
        try:
            job = load_job(str(file))
        except UsageError as error:
            skipped.append(str(error))
            continue
        if job.confirmed:
            confirmed.append((file, job.confirmed))
        else:
            unconfirmed += 1
    for line in skipped:
        console.note(f"not counted, no job: {line}")
    for file, name in confirmed:
        if name not in causes.causes:
            raise UsageError(f"{file}: {causes.path} has no cause '{name}'{did_you_mean(name, causes.causes)}")
    console.result(text(causes, learn(causes, [name for _, name in confirmed]), unconfirmed))
    return Status.MET


def _captures(options: argparse.Namespace, session: Session) -> list[str]:
    paths = expand(options.captures) or list(session.captures)
    if not paths:
        raise UsageError("name a capture of the car, or a session that has one; see 'buslens diagnose --help'")
    if options.session is not None:
        if options.session == "-" or "-" in paths:
            raise UsageError("a session is kept in a file, and can go on from captures in files only")
        if any(same_file(options.session, path) for path in paths):
            raise UsageError(f"--session {options.session}: this is a capture; name another file")
    return paths
