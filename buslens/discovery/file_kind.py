"""Whether a file holds definitions or a capture, by its first lines."""

from collections.abc import Sequence
from pathlib import Path

from buslens.capture.file_kind import DBC, kind_of
from buslens.capture.stream import HEAD_BYTES
from buslens.errors import UsageError


def is_dbc(path: str) -> bool:
    """Return whether a file holds definitions; a file that cannot be read is told by its name.

    >>> is_dbc("signal_defs/pinewick.dbc")
    True
    """
    try:
        with Path(path).open("rb") as file:
            head = file.read(HEAD_BYTES)
    except OSError:
        return path.lower().endswith(".dbc")
    return kind_of(head) is DBC


def sort_by_kind(files: Sequence[str]) -> tuple[list[str], list[str]]:
    """Return which files are definitions and which are captures, each in the order given.

    Raises UsageError if there are none of either, or a capture is standard input.
    """
    if "-" in files:
        raise UsageError("captures are read twice, which standard input cannot be: save the log to a file first")
    dbcs = [path for path in files if is_dbc(path)]
    logs = [path for path in files if path not in dbcs]
    if not dbcs:
        raise UsageError(
            f"none of {', '.join(files)} is a DBC file, or a table of values with a header: name the definitions of the"
            " vehicle, too, such as 'car.dbc'"
        )
    if not logs:
        raise UsageError(
            f"all of {', '.join(files)} are definitions: name one or more captures of a healthy vehicle, too, such"
            f" as 'good.log'"
        )
    return dbcs, logs
