"""Writing a file that a person may then edit: never over anything that is there, unless asked to."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from buslens.errors import UsageError
from buslens.files import same_file, write_atomically

if TYPE_CHECKING:
    from collections.abc import Iterable


def demand_free(path: str, data: bytes | None, *, inputs: Iterable[str], replace: bool, suffix: str) -> None:
    """Refuse a name that stands for an input, or for a file that holds something else.

    Parameters
    ----------
    path : str
        File to write.
    data : bytes or None
        What is to be written, if it is known already: the same again does no harm.
    inputs : iterable of str
        Files that the command reads; those are not even replaced.
    replace : bool
        Whether the user allows to replace what is there.
    suffix : str
        Of the kind of file, for the error texts.

    Raises
    ------
    UsageError
        If the file is not to be written.
    """
    if path == "-":
        raise UsageError(f"-o writes a file; name one, such as 'new{suffix}'")
    if any(same_file(path, name) for name in inputs):
        raise UsageError(f"-o {path}: this file is read by the command; name another one")
    target = Path(path)
    if replace or not target.is_file() or target.stat().st_size == 0:
        return
    if data is None or target.read_bytes() != data:
        raise UsageError(f"{path} is there already and holds something else; --replace replaces it")


def write_new(path: str, data: bytes, *, inputs: Iterable[str], replace: bool, suffix: str) -> None:
    """Write a file whole or not at all, after `demand_free` allows it."""
    demand_free(path, data, inputs=inputs, replace=replace, suffix=suffix)
    write_atomically(path, data)
