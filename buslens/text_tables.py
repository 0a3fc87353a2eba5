"""Tables that lie as text beside the modules that use them: one row a line, its cells parted by `` | ``.

A line in square brackets is the title of the table below it; empty lines and those that begin with ``#`` say nothing.
"""

from collections.abc import Mapping, Sequence
from pathlib import Path


def read_tables(text: str) -> Mapping[str, Sequence[Sequence[str]]]:
    """Return the rows of each table of a text, by title."""
    tables: dict[str, list[list[str]]] = {}
    rows: list[list[str]] = []
    for line in text.splitlines():
        if line.startswith("["):
            rows = tables[line[1:-1]] = []
        elif line and not line.startswith("#"):
            rows.append(line.split(" | "))
    return tables


def tables_beside(module: str, name: str) -> Mapping[str, Sequence[Sequence[str]]]:
    """Return the tables of a file that lies beside a module (its ``__file__``)."""
    return read_tables(Path(module).with_name(name).read_text("utf-8"))
