"""Write a simulated capture of a car with a fault.

The car, its bus and every number are invented; the same words give the same
bytes. FAULT is one of those that --list names. The suffix of FILE says the form
unless --form does: .asc ASC, anything else candump; .gz behind it compresses,
and '-' is standard output. A recording that is there already is replaced only
with --replace, for it cannot be made again.

example:
  buslens rehearse slow-motor -o slow.log --seed 7 --signal-defs
  buslens check slow.log
"""

from __future__ import annotations

import argparse
import errno
import os
from pathlib import Path
from typing import TYPE_CHECKING

from buslens.cli.console import Console
from buslens.cli.options import Parser, integer, number, whole_number
from buslens.cli.status import Status
from buslens.errors import UsageError
from buslens.files import write_atomically

if TYPE_CHECKING:
    from buslens import Rehearsal

_TRACED_PER_S = 500


def add_arguments(parser: Parser) -> None:
    """Say what the command takes."""
    from buslens.rehearsal.log_forms import FORMS

    parser.add_argument("fault", metavar="FAULT", nargs="?", help="what is wrong with the car; see --list")
    parser.add_argument("-o", "--output", metavar="FILE", help="capture to write; '-' is standard output")
    parser.add_argument("--list", action="store_true", help="list the faults and say what each of them does")
    parser.add_argument("--seed", metavar="N", type=integer, default=1, help="another seed is another day (default: 1)")
    parser.add_argument("--form", choices=tuple(FORMS), help="form of the log, whatever the suffix says")
    parser.add_argument("--replace", action="store_true", help="replace a file that is there already")
    parser.add_argument(
        "--signal-defs",
        action="store_true",
        help="write the definitions, expectations and causes of the simulated car too, into a folder signal_defs "
        "beside FILE, where the other commands find them",
    )
    parser.add_argument(
        "--trace",
        metavar="CSV",
        help="write the voltages at the five pins of the lock's plug, too, as a recorder shows them, 500 rows a second",
    )
    parser.add_argument("--duration", metavar="S", type=number, help="seconds; the driver repeats what he does")
    parser.add_argument("--severity", metavar="X", type=number, default=1.0, help="of faults with degrees (default: 1)")
    parser.add_argument(
        "--begins", choices=("parked", "driving"), default="parked", help="when the fault comes (default: parked)"
    )
    parser.add_argument("--temperature", metavar="T", type=number, help="of the car, degC")
    parser.add_argument("--battery", metavar="V", type=number, help="of the battery without load, V")
    parser.add_argument(
        "--background", metavar="N", type=integer, default=4, help="messages that no DBC file defines (default: 4)"
    )
    parser.add_argument("--car", metavar="N", type=whole_number, default=1, help="the club's car (default: 1)")


def run(options: argparse.Namespace, console: Console) -> Status:
    """Simulate the capture and write it, or list the faults."""
    if options.list:
        console.result(_listing(console))
        return Status.MET
    if options.fault is None or options.output is None:
        raise UsageError(
            "name a fault and a file, as in 'buslens rehearse healthy -o healthy.log'; --list names faults"
        )
    if options.signal_defs and options.output == "-":
        raise UsageError("--signal-defs writes beside a file, and standard output is none; name one with -o FILE")
    if options.trace is not None and (options.output == "-" or not options.trace.lower().endswith(".csv")):
        raise UsageError("--trace writes a table beside a file; write for example -o log.log --trace wires.csv")
    rehearsal = _rehearse(options)
    if options.output == "-":
        from buslens.rehearsal.rehearse import rendered

        console.result_bytes(rendered(rehearsal, rehearsal.form or "candump"))
    else:
        beside = _signal_defs(Path(options.output).parent, replace=options.replace) if options.signal_defs else {}
        beside |= _trace(rehearsal, options.trace, replace=options.replace) if options.trace is not None else {}
        _write(rehearsal, Path(options.output), replace=options.replace)
        console.result(_sentence(rehearsal, options.output))
        for path, data in beside.items():
            path.parent.mkdir(exist_ok=True)
            write_atomically(path, data)
    return Status.MET


def _rehearse(options: argparse.Namespace) -> Rehearsal:
    from buslens import rehearse

    return rehearse(
        options.fault,
        seed=options.seed,
        form=options.form,
        duration=options.duration,
        severity=options.severity,
        begins=options.begins,
        temperature=options.temperature,
        battery_volts=options.battery,
        background_ids=options.background,
        car_number=options.car,
    )


def _write(rehearsal: Rehearsal, target: Path, *, replace: bool) -> None:
    """Write a capture; over another one only if asked to, though writing the same again does no harm."""
    from buslens import write_rehearsal

    if replace or not target.is_file() or target.stat().st_size == 0:
        write_rehearsal(rehearsal, target)
        return
    from tempfile import TemporaryDirectory

    with TemporaryDirectory() as folder:
        if write_rehearsal(rehearsal, Path(folder) / target.name).read_bytes() != target.read_bytes():
            raise UsageError(f"{target} is there already and holds something else; --replace replaces it")


def _trace(rehearsal: Rehearsal, name: str, *, replace: bool) -> dict[Path, bytes]:
    """Return a recording at the lock's plug, by its place."""
    from buslens.cli.output_files import require_free
    from buslens.rehearsal.oscilloscope import wire_trace

    data = wire_trace(rehearsal, per_second=_TRACED_PER_S, by_day=True).encode("ascii")
    require_free(name, data, replace=replace)
    return {Path(name): data}


def _signal_defs(beside: Path, *, replace: bool) -> dict[Path, bytes]:
    """Return what goes with every simulated capture, by its place; nothing of a user's would be lost."""
    from buslens.cli.output_files import require_free
    from buslens.defaults import FOLDER_NAME, demonstration_folder

    folder = beside / FOLDER_NAME
    if folder.exists() and not folder.is_dir():
        raise NotADirectoryError(errno.ENOTDIR, os.strerror(errno.ENOTDIR), str(folder))
    files = {folder / path.name: path.read_bytes() for path in demonstration_folder().iterdir() if path.is_file()}
    for path, data in sorted(files.items()):
        require_free(str(path), data, replace=replace)
    return files


def _listing(console: Console) -> str:
    from buslens.rehearsal.faults import FAULTS
    from buslens.report.paragraphs import StyledText, TextStyle, paragraph, render

    width = max(map(len, FAULTS)) + 2
    rows = (
        paragraph(StyledText(f"{name:<{width}}", TextStyle.STRONG), fault.sentence, hang=width)
        for name, fault in FAULTS.items()
    )
    return render(rows, width=console.width, painted=console.painted)


def _sentence(rehearsal: Rehearsal, name: str) -> str:
    from buslens.report.formatting import clean, seconds

    stamps = rehearsal.frames.time_ns
    length = seconds(int(stamps.max() - stamps.min()) if len(stamps) else 0)
    return (
        f"{clean(name)}: {len(stamps):,} simulated frames in {length}, {rehearsal.fault.name}, seed {rehearsal.seed}\n"
        f"{rehearsal.fault.sentence}\n"
    )
