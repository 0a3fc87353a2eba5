"""How a table of frames is laid out, said by a person where its rows do not tell: the file that ``--table`` takes."""

import json
import re
import secrets
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

from buslens.capture.open import open_capture
from buslens.capture.table_settings import BASES, SEPARATORS, TableSettings, load_table
from buslens.capture.table_time import UNITS
from buslens.desk.folder import LAYOUT, LAYOUTS, UNFINISHED
from buslens.desk.task import DeskTask
from buslens.desk.view import LayoutField, LayoutView
from buslens.errors import BuslensError, CaptureError

_FIELDS: Final = (
    LayoutField(key="time", label="Time: column, or two; none: only the order of the rows counts"),
    LayoutField(key="time_unit", label="Unit of the time", choices=tuple(UNITS)),
    LayoutField(key="id", label="Identifier: column"),
    LayoutField(key="id_base", label="Identifiers are written", choices=tuple(BASES)),
    LayoutField(key="length", label="Length: column"),
    LayoutField(key="data", label="Bytes: column, or the first and the last"),
    LayoutField(key="data_base", label="Bytes are written", choices=tuple(BASES)),
    LayoutField(key="separator", label="Between two cells stands", choices=(*SEPARATORS, "|")),
)
_SEPARATORS: Final = ("tab", "semicolon", "comma", "|")
"""Weighed in this order where nothing is said."""
_HEAD_BYTES: Final = 8192
_ROWS: Final = 5
_MOST_CELLS: Final = 24


def layout_of(task: DeskTask, capture: str) -> TableSettings | None:
    """Return what was said about how a capture is to be read; None if nothing was.

    Raises UsageError or OSError as `load_table`.
    """
    file = layout_file(task, capture)
    return None if file is None else load_table(file)


def car_layout() -> Path | None:
    """Return the file that says how tables of the car that is the current folder are to be read; None if none does."""
    file = Path(LAYOUT)
    return file if file.is_file() else None


def layout_file(task: DeskTask, capture: str) -> Path | None:
    """Return the file that says how a capture of a job, the current folder, is to be read; None if none does.

    What its car says counts where nothing was said about the capture itself, and its rows do not tell.
    """
    own, given = Path(LAYOUTS) / f"{Path(capture).name}.toml", task.car / LAYOUT
    if own.is_file():
        return own
    return given if given.is_file() and not _is_clear(capture) else None


def save_layout(path: Path, form: Mapping[str, str]) -> None:
    """Keep what is said about tables; what is left empty is worked out from the rows, and so is all if all is empty.

    Raises UsageError if an entry is none that a layout can have, OSError if the disk does not take it.
    """
    said = {it.key: _value(it, form[it.key]) for it in _FIELDS if form.get(it.key)}
    if not said:
        path.unlink(missing_ok=True)
        return
    path.parent.mkdir(exist_ok=True)
    unfinished = path.with_name(f"{UNFINISHED}{secrets.token_hex(8)}")
    try:
        lines = [f"{key} = {json.dumps(value, ensure_ascii=False)}\n" for key, value in said.items()]
        unfinished.write_text("".join(["[table]\n", *lines]), "utf-8")
        load_table(unfinished)
        unfinished.replace(path)
    finally:
        unfinished.unlink(missing_ok=True)


def unclear_layout(error: BuslensError, layout: Path | None) -> LayoutView | None:
    """Return what can be said about the table that cannot be read as an error tells; None if it is about none."""
    if not isinstance(error, CaptureError) or error.source is None:
        return None
    return layout_view(Path(error.source.path), layout)


def layout_view(capture: Path, layout: Path | None) -> LayoutView | None:
    """Return the first rows of a table and what a file says about it; None for what is no text in rows and columns."""
    try:
        with capture.open("rb") as file:
            head = file.read(_HEAD_BYTES)
    except OSError:
        return None
    text = head.decode("utf-16" if head[:2] in {b"\xff\xfe", b"\xfe\xff"} else "latin-1", "replace")
    lines = [line for line in text.splitlines() if line.strip()][: _ROWS + 1]
    if "\0" in text or len(lines) < 2 or not re.search(r"\d", lines[-1]):
        return None
    said = _said(layout)
    separator = str(said.get("separator", "")) or max(_SEPARATORS, key=lambda it: _count(it, lines))
    sign = SEPARATORS.get(separator, separator)
    rows = [line.split(sign) if sign and sign in line else line.split() for line in lines[:_ROWS]]
    width = min(max(map(len, rows)), _MOST_CELLS)
    if width < 2:
        return None
    return LayoutView(
        capture=capture.as_posix(),
        rows=tuple(tuple(cell.strip()[:40] for cell in [*row, *[""] * width][:width]) for row in rows),
        fields=_FIELDS,
        said={
            key: ", ".join(map(str, value)) if isinstance(value, list) else str(value) for key, value in said.items()
        },
    )


def _is_clear(capture: str) -> bool:
    try:
        open_capture(capture)
    except CaptureError:
        return False
    return True


def _count(separator: str, lines: list[str]) -> int:
    return min(line.count(SEPARATORS.get(separator, separator)) for line in lines[1:])


def _said(layout: Path | None) -> dict[str, Any]:
    import tomllib

    if layout is None:
        return {}
    try:
        said: dict[str, Any] = tomllib.loads(layout.read_text("utf-8"))["table"]
    except (OSError, ValueError, KeyError):
        return {}
    return said


def _value(field: LayoutField, text: str) -> object:
    """Return an entry as the file has it: a number for a column, a list for two of them."""
    if field.choices or text == "none":
        return text
    columns = [int(part) if part.isdecimal() else part for part in map(str.strip, text.split(",")) if part]
    return columns[0] if len(columns) == 1 else columns
