"""Writing a file that a person may then edit: never over anything that is there, unless asked to."""

import argparse
import errno
import os
from collections.abc import Iterable, Sequence
from pathlib import Path

from buslens.errors import UsageError
from buslens.files import same_file, write_atomically


def reject_inputs(path: str, inputs: Iterable[str], *, suffix: str) -> None:
    """Refuse a name that stands for standard output or for a file that the command reads, even to be replaced.

    Parameters
    ----------
    path : str
        File to write.
    inputs : iterable of str
        Files that the command reads.
    suffix : str
        Of the kind of file, for the error text.

    Raises
    ------
    UsageError
        If it does.
    """
    if path == "-":
        raise UsageError(f"-o writes a file; name one, such as 'new{suffix}'")
    if any(same_file(path, name) for name in inputs):
        raise UsageError(f"-o {path}: this file is read by the command; name another one")


def require_place(path: str) -> None:
    """Refuse a name under which no file can be written, before anything long is begun.

    Raises OSError if it is a folder, or lies in one that is not there.
    """
    if Path(path).is_dir():
        raise IsADirectoryError(errno.EISDIR, os.strerror(errno.EISDIR), path)
    if not Path(path).parent.is_dir():
        raise FileNotFoundError(errno.ENOENT, os.strerror(errno.ENOENT), path)


def output_path(options: argparse.Namespace, suffixes: Sequence[str], *, thing: str) -> Path:
    """Return where a picture or page goes: never over a capture, and over another only when its name was given."""
    if options.output is not None:
        if same_file(options.output, options.capture):
            raise UsageError(f"-o {options.output}: this is the capture; name another file")
        if Path(options.output).suffix.lower() not in suffixes:
            known = f"{', '.join(suffixes[:-1])} or {suffixes[-1]}"
            raise UsageError(f"-o {options.output}: the name of a {thing} ends in {known}")
        require_place(options.output)
        return Path(options.output)
    if options.capture == "-":
        raise UsageError(f"a capture from standard input has no name; name the {thing} with -o FILE{suffixes[0]}")
    name = Path(options.capture).name
    output = Path((name.removesuffix(".gz").rpartition(".")[0] or name) + suffixes[0])
    if output.exists():
        raise UsageError(f"{output} is there already; write '-o {output}' to replace it, or name another file")
    return output


def require_free(path: str, data: bytes, *, replace: bool) -> None:
    """Refuse to write over a file that holds something else, unless the user allows it.

    Parameters
    ----------
    path : str
        File to write.
    data : bytes
        What is to be written: the same again does no harm.
    replace : bool
        Whether the user allows to replace what is there.

    Raises
    ------
    UsageError
        If the file is there.
    """
    target = Path(path)
    if replace or not target.is_file() or target.stat().st_size == 0:
        return
    if target.stat().st_size != len(data) or target.read_bytes() != data:
        raise UsageError(f"{path} is there already and holds something else; --replace replaces it")


def write_new(path: str, data: bytes, *, replace: bool) -> None:
    """Write a file whole or not at all, if `require_free` allows it."""
    require_free(path, data, replace=replace)
    write_atomically(path, data)


def require_report(path: str, captures: Iterable[str], *, made: Path | None = None) -> None:
    """Refuse a name for a report for build servers under which none can be written, or if anything else is there.

    Parameters
    ----------
    path : str
        File to write.
    captures : iterable of str
        Files that the command reads.
    made : Path or None
        Folder that the command makes if it is not there.

    Raises
    ------
    UsageError
        If there is.
    OSError
        If it is a folder, or lies in one that is not there.
    """
    if path == "-":
        raise UsageError("--junit writes a file; name one, such as 'report.xml'")
    if any(same_file(path, capture) for capture in captures):
        raise UsageError(f"--junit {path}: this is a capture; name another file")
    if made is None or os.path.realpath(Path(path).parent) != os.path.realpath(made):
        require_place(path)
    if Path(path).is_file():
        with Path(path).open("rb") as file:
            head = file.read(4096)
        if head.strip() and b"<testsuite" not in head:
            raise UsageError(f"--junit {path}: the file is there and is no such report; name another file")
