"""Vehicles that are checked against files of their own: which they are is said by a TOML file.

It is read by the same code as an expectations file, so that what is wrong in it is told in the same way. A vehicle
belongs to the first group whose names it fits.
"""

import os
from collections.abc import Iterable
from fnmatch import fnmatchcase
from pathlib import Path
from typing import Any, Final

from buslens.capture.table_settings import NOTHING_TOLD, TableSettings, load_table
from buslens.errors import ExpectationError, SourceLocation, UsageError
from buslens.expectations._problems import raise_all
from buslens.expectations._toml import Node, parse_document
from buslens.expectations._values import ValueReader
from buslens.expectations.schema import keys_of
from buslens.files import os_error_text, read_at_most
from buslens.fleet.model import Group
from buslens.text_tables import tables_beside

LARGEST: Final = 16 << 20
"""Bytes that such a file can have."""

_TABLES: Final = keys_of(tables_beside(__file__, "keys.txt"))
FILE: Final = _TABLES["file"]
"""Keys of the file itself."""
GROUP: Final = _TABLES["groups"]
"""Keys of a group."""


def load_groups(path: str) -> tuple[Group, ...]:
    """Read the file of the groups.

    Raises ExpectationError if it is wrong: the text has one line for each thing that is, with line and column.
    """
    try:
        raw = read_at_most(path, LARGEST)
    except OSError as exc:
        raise ExpectationError(os_error_text(exc, path)) from exc
    document = parse_document(raw, path)
    values = ValueReader(document)
    data = values.table(FILE, document.root, document.data, "the file")
    if "format" in document.data and "format" not in data:
        raise_all(values.problems)  # of a format that is not known nothing else can be said
    groups: list[Group] = []
    names: dict[str, SourceLocation] = {}
    if "groups" in data:
        inner = (document.root.table or {})["groups"]
        if data["groups"] == []:
            values.wrong(inner, "there are no groups; write [[groups]]")
        for table, node in data["groups"]:
            group = _group(values, table, node)
            if group is None:
                continue
            place = values.places(node)["name"]
            if group.name in names:
                values.wrong(place, f"there is a group '{group.name}' in line {names[group.name].line} already")
            names.setdefault(group.name, place)
            groups.append(group)
    if values.problems:
        raise_all(values.problems)
    return tuple(groups)


def group_of(vehicle: str, groups: Iterable[Group]) -> Group | None:
    """Return the first group that a vehicle fits; None if it fits none.

    Capitals count on every system: a name of a vehicle is no name of a file.
    """
    return next((group for group in groups if any(fnmatchcase(vehicle, form) for form in group.vehicles)), None)


def _group(values: ValueReader, data: dict[str, object], node: Node) -> Group | None:
    name = data.get("name")
    subject = f"group '{name}'" if isinstance(name, str) and name else "this group"
    read: dict[str, Any] = values.table(GROUP, node, data, subject)
    inner = node.table or {}
    definitions = []
    for place, file in enumerate(read.get("definitions", ())):
        nodes = inner["definitions"].array or []
        definitions.append(_beside(values, file, nodes[place]))
    expectations = _beside(values, read["expectations"], inner["expectations"]) if "expectations" in read else ""
    if not all(key in read for key, spec in GROUP.items() if spec.required):
        return None
    return Group(
        name=read["name"],
        vehicles=read["vehicles"],
        expectations=expectations,
        definitions=tuple(definitions),
        channels=tuple(read.get("channels", {}).items()),
        table=_layout(values, read["table"], inner["table"]) if "table" in read else NOTHING_TOLD,
    )


def _layout(values: ValueReader, name: str, node: Node) -> TableSettings:
    """Return what a file beside this one says about tables, after noting what is wrong with it."""
    n_problems = len(values.problems)
    path = _beside(values, name, node)
    if len(values.problems) > n_problems:
        return NOTHING_TOLD
    try:
        return load_table(path)
    except (UsageError, OSError) as error:
        values.wrong(node, str(error))
        return NOTHING_TOLD


def _beside(values: ValueReader, name: str, node: Node) -> str:
    """Return the path of a file that lies beside this one, after noting if there is none."""
    path = Path(os.path.abspath(values.document.path)).parent / name  # noqa: PTH100  # links stay
    try:
        is_there = path.is_file()
    except (OSError, ValueError):
        is_there = False
    if not is_there:
        missing = os_error_text(FileNotFoundError(2, "", str(path)))
        values.wrong(node, f"{missing}; names are looked up beside this file")
    return str(path)
