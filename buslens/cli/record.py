"""Write the job record that goes to the customer and into the file.

One HTML page that needs no network and no program: vehicle and complaint,
verdict, timing diagram, findings, readings, what was done, before and after,
cautions, and the content hash of every file that it rests on. What a person
knows is given with options or in a TOML file (--job), with the keys workshop,
technician, customer, number, date, vehicle, registration, odometer, complaint,
done, replaced, remarks and [[readings]] (what, reading, limit, source).

Exit status: as for 'buslens check', by the captures; with --verify 0 if the
record and all files are the same, 1 if one has changed, 3 if one is not to be
found. Who edits a record can renew its hash: keep a copy, or the hash that is
printed when it is written.

example:
  buslens record after.log --before before.log --job job.toml -o record.html
"""

from __future__ import annotations

import argparse
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from buslens.causes.comparison_input import require_different, require_different_frames
from buslens.cli.checking import CaptureChecker, expand
from buslens.cli.compare import add_rate_arguments
from buslens.cli.console import Console, silence_libraries
from buslens.cli.options import Parser, add_beside_argument, add_checking_arguments
from buslens.cli.output_files import reject_inputs, require_free, require_place, write_new
from buslens.cli.status import Status, gravest, status_of
from buslens.errors import UsageError

if TYPE_CHECKING:
    from buslens import Result
    from buslens.report.record.inputs import Input
    from buslens.report.record.job import JobDetails
    from buslens.report.record.ranked_causes import Suspects

_ENTERED = ("workshop", "technician", "customer", "number", "date", "vehicle", "registration", "odometer", "complaint")


def add_arguments(parser: Parser) -> None:
    """Say what the command takes."""
    parser.add_argument("captures", metavar="CAPTURE", nargs="*", help="recorded bus log; with --before from after it")
    parser.add_argument("-o", "--output", metavar="FILE.html", help="record to write")
    parser.add_argument("--replace", action="store_true", help="write over a file that is there")
    parser.add_argument("--verify", metavar="FILE.html", help="tell whether the files of a record are still the same")
    parser.add_argument(
        "--before",
        metavar="CAPTURE",
        action="append",
        help="capture from before the repair, may be given several times",
    )
    add_rate_arguments(parser)
    parser.add_argument(
        "--measured",
        metavar="NAME=RESULT",
        action="append",
        default=[],
        help="what was measured before the repair, as for 'buslens diagnose'; may be given several times",
    )
    parser.add_argument("--causes", metavar="TOML", help="causes and measurements; else beside the expectations")
    parser.add_argument("--session", metavar="FILE", help="readings that 'buslens diagnose --session FILE' has kept")
    parser.add_argument("--job", metavar="FILE.toml", help="what a person enters; options stand above it")
    for name in _ENTERED:
        parser.add_argument(f"--{name}", metavar="TEXT", help=_HELP[name])
    parser.add_argument("--done", metavar="TEXT", action="append", help="what was done, may be given several times")
    parser.add_argument("--replaced", metavar="UNIT", action="append", help="unit that was replaced")
    add_checking_arguments(parser)
    add_beside_argument(parser)


_HELP = {
    "workshop": "who made the record",
    "technician": "who did the work",
    "customer": "whose vehicle it is",
    "number": "number of the job",
    "date": "date of the job; else today",
    "vehicle": "which vehicle",
    "registration": "its registration",
    "odometer": "its odometer reading",
    "complaint": "what the customer complains of",
}


def run(options: argparse.Namespace, console: Console) -> Status:
    """Write a record, or check one again."""
    if options.verify is not None:
        return _verify(options, console)
    captures, before = _captures(options)
    job, inputs = _job(options)
    judge = CaptureChecker(options, console)
    tables = judge.pair([*captures, *before])
    from buslens.report.record.gather import heard, rules, taken

    inputs += taken([*captures, *before], "capture", _hashing(console))
    inputs += taken(tables, "table of the same minutes", _hashing(console))
    then = [judge.check(path) for path in before]
    now = [judge.check(path) for path in captures]
    require_different_frames([*then, *now])
    inputs += rules([*then, *now], _hashing(console))

    from buslens.report.formatting import clean, verdict_sentence
    from buslens.report.record.inputs import require_unchanged
    from buslens.report.record.record import record
    from buslens.report.record.seal import seal_of

    silence_libraries()
    comparison = None
    if then:
        from buslens.causes.compare import compare

        comparison = compare(then, now, **_rate(options, job))
    suspects, read = _diagnosis(options, then or now, console)
    inputs += read
    console.progress(f"writing {options.output}")
    dialogues = heard([*then, *now])
    page = record(job, now, inputs, comparison=comparison, suspects=suspects, dialogues=dialogues)
    require_unchanged(inputs)
    write_new(options.output, page, replace=options.replace)
    console.result(f"{clean(options.output)}\n")
    console.note(f"hash of the record, to be kept elsewhere: {seal_of(page)}")
    if comparison is not None:
        from buslens.report.comparison import conclusion_sentence

        console.result(f"{conclusion_sentence(comparison)}\n")
    else:
        console.result("".join(f"{verdict_sentence(result)}\n" for result in now))
    return gravest(status_of(result.verdict) for result in now)


def _verify(options: argparse.Namespace, console: Console) -> Status:
    from buslens.report.formatting import MET_SIGN, WRONG_SIGN, clean
    from buslens.report.record.inputs import FileStatus, Seal, recheck, recheck_record

    others = (
        "captures",
        "output",
        "before",
        "beside",
        "measured",
        "causes",
        "session",
        "job",
        "done",
        "replaced",
        *_ENTERED,
    )
    if any(getattr(options, name) for name in others):
        raise UsageError("--verify takes a record alone: buslens record --verify FILE.html")
    found = recheck(options.verify)
    seal = recheck_record(options.verify)
    mark = {Seal.WHOLE: MET_SIGN, Seal.BROKEN: WRONG_SIGN, Seal.NONE: "?"}[seal]
    console.result(f" {mark}  {clean(options.verify)}: {seal.value}\n")
    for item, standing in found:
        mark = MET_SIGN if standing is FileStatus.SAME else WRONG_SIGN if standing is FileStatus.CHANGED else "?"
        console.result(f" {mark}  {clean(item.path)}: {standing.value}\n")
    if seal is Seal.BROKEN:
        console.result("Changed: the record is not as it was written; nothing that it says can be relied on\n")
        return Status.VIOLATED
    standings = {standing for _, standing in found}
    if FileStatus.CHANGED in standings:
        console.result("Changed: a file is not the one that the record was made from\n")
        return Status.VIOLATED
    if FileStatus.MISSING in standings:
        console.result(
            "Undecided: not every file of the record was found; names count from the current folder, and then from"
            " that of the record\n"
        )
        return Status.UNDECIDED
    if seal is Seal.NONE:
        console.result("Undecided: the files are the same, and whether the record was edited cannot be told\n")
        return Status.UNDECIDED
    console.result(
        f"The same: the record, and all {len(found)} files that it was made from; somebody who edits a record can renew"
        " its hash, so compare it with a copy, or with the hash that was printed when it was written\n"
    )
    return Status.MET


def _captures(options: argparse.Namespace) -> tuple[list[str], list[str]]:
    """Return the captures of both sides, if a record of them can be written."""
    if not options.captures:
        raise UsageError("a record of which capture? write 'buslens record CAPTURE... -o FILE.html'")
    if options.output is None:
        raise UsageError("where to? write 'buslens record CAPTURE... -o FILE.html'")
    if not options.output.lower().endswith((".html", ".htm")):
        raise UsageError(f"-o {options.output}: a record is a page; give it a name that ends in .html")
    if not options.before and (options.failed or options.known_rate):
        raise UsageError("--failed and --known-rate are of use only with --before")
    captures, before = expand(options.captures), expand(options.before or [])
    require_different([*before, *captures])
    known = [*captures, *before, *(options.definitions or [])]
    reject_inputs(
        options.output,
        [*known, *filter(None, (options.expectations, options.job, options.causes, options.session))],
        suffix=".html",
    )
    # Before a long capture is read, not after.
    require_place(options.output)
    require_free(options.output, b"", replace=options.replace)
    if options.session is not None and not Path(options.session).is_file():
        raise UsageError(f"--session {options.session}: there is no such session; 'buslens diagnose' keeps them")
    return captures, before


def _job(options: argparse.Namespace) -> tuple[JobDetails, list[Input]]:
    from datetime import UTC, datetime

    from buslens.report.record.inputs import take
    from buslens.report.record.job import JobDetails, load_job, merged

    job, inputs = JobDetails(), []
    if options.job is not None:
        inputs.append(take(options.job, "what was entered"))
        job = load_job(options.job)
    entered = {name: getattr(options, name) for name in (*_ENTERED, "done", "replaced")}
    job = merged(job, entered)
    if not job.date:
        job = merged(job, {"date": f"{datetime.now(UTC).astimezone():%Y-%m-%d}"})
    return job, inputs


def _rate(options: argparse.Namespace, job: JobDetails) -> dict[str, tuple[int, int]]:
    """Return how often it failed before, by the options or else by the job."""
    from buslens.report.record.job import stated_rate

    if options.failed or options.known_rate:
        return {"history": options.failed} if options.failed else {"known_rate": options.known_rate}
    return stated_rate(job)


def _diagnosis(
    options: argparse.Namespace, results: Sequence[Result], console: Console
) -> tuple[Suspects | None, list[Input]]:
    """Return what explains the captures, and the files that say so; nothing where there is no causes file.

    Raises UsageError if readings are given for captures that cannot be diagnosed together.
    """
    from buslens.causes.load import find_causes, load_causes

    expected = results[0].expectations
    path = str(options.causes or find_causes(expected.path))
    asked = bool(options.causes or options.measured or options.session)
    if not asked and not Path(path).is_file():
        return None, []
    if any(result.expectations.path != expected.path for result in results):
        if not asked:
            return None, []
        raise UsageError("a diagnosis is of one car: name one file with --expectations for all of its captures")
    from buslens.causes.readings import read_reading
    from buslens.causes.session import Session, load_session
    from buslens.report.record.gather import explained

    causes = load_causes(path, expected)
    session = Session(measured={}) if options.session is None else load_session(options.session)
    made = session.readings(causes) + [read_reading(words, causes) for words in options.measured]
    if not made and all(result.verdict.value == "as_expected" for result in results):
        return None, []
    return explained(results, causes, made, session=options.session, tell=_hashing(console))


def _hashing(console: Console) -> Callable[[str], None]:
    return lambda path: console.progress(f"hashing {path}")
