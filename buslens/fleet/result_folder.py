"""The folder of a fleet's results: what a run writes into it, and that nothing of the user's stands in its place."""

import os
from collections.abc import Iterable
from pathlib import Path
from typing import Final

from buslens.errors import UsageError
from buslens.files import same_file
from buslens.fleet.ledger import LEDGER_NAME, LOCK_NAME

INDEX_NAME: Final = "index.html"
"""The sheet."""
PAGES_FOLDER: Final = "pages"
"""Where the pages of single captures lie."""
WRITTEN: Final = frozenset(
    {INDEX_NAME, *(f"{name}.csv" for name in ("captures", "handshakes", "delays", "findings"))}
    | {f"{name}.parquet" for name in ("captures", "handshakes", "delays", "findings")}
)
"""What every run writes beside the ledger, in place of what the run before has written."""


def is_ledger(name: str) -> bool:
    """Whether a name is that of a ledger or of one of its companions, which SQLite calls after it."""
    return name.startswith(LEDGER_NAME) or name == LOCK_NAME


def is_written(name: str) -> bool:
    """Whether a name in the folder is one that a run writes."""
    return name in WRITTEN or name == PAGES_FOLDER or is_ledger(name)


def require_free(folder: Path, read: Iterable[str]) -> None:
    """Refuse a folder in which a run would write over what is not its own.

    Raises UsageError if one of these lies where a result goes, if a file lies there and no run has ever used the
    folder, or if it is no folder.
    """
    if folder.exists() and not folder.is_dir():
        raise UsageError(f"-o {folder}: this is a file; name a folder")
    places = [folder / name for name in (LEDGER_NAME, LOCK_NAME, *sorted(WRITTEN))]
    for name in read:
        if any(same_file(place, name) for place in places):
            raise UsageError(f"-o {folder}: a result would be written over {name}, which is read; name another folder")
    # A ledger may be moved away so that a run begins anew; the lock stays.
    if any((folder / name).is_file() for name in (LEDGER_NAME, LOCK_NAME)):
        return
    taken = next((folder / name for name in sorted(WRITTEN) if os.path.lexists(folder / name)), None)
    if taken is not None:
        raise UsageError(
            f"-o {folder}: a result would be written over {taken}, which is not from a run of this command (no "
            f"{LEDGER_NAME} lies beside it); name another folder"
        )


def require_apart(folder: Path, path: str) -> None:
    """Refuse a file of the user's that a run would write over, whether or not it is there yet.

    Parameters
    ----------
    path : str
        File that is to be written beside the results.

    Raises
    ------
    UsageError
        If it is the folder, or the place of a result in it.
    """
    home, target = os.path.realpath(folder), os.path.realpath(path)
    if os.path.normcase(target) == os.path.normcase(home):
        raise UsageError(f"--junit {path}: this is the folder of the results; name a file")
    try:
        below = os.path.relpath(os.path.normcase(target), os.path.normcase(home))
    except ValueError:  # on another drive
        return
    if is_written(below.split(os.sep, maxsplit=1)[0]):
        raise UsageError(f"--junit {path}: a result of the fleet is written there; name another file")
