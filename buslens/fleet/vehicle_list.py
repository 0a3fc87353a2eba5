"""A list of captures: a CSV file (RFC 4180) with the columns path, vehicle and, if wanted, date.

The columns may stand in any order, and others beside them; fields are parted by a comma, a semicolon or a tab. A path
is seen from the folder of the list or from the folder that was named as the source, or it is a full one, or an address;
with ``*``, ``?`` and ``[...]`` it stands for every capture that it fits. A path that stands there in full counts before
all that only fit, and of these the first.
"""

import csv
import fnmatch
import io
import os
import re
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from buslens.errors import SourceLocation, UsageError, did_you_mean
from buslens.files import os_error_text, read_at_most
from buslens.fleet.fetch import is_address, local_path
from buslens.fleet.listing import FoundCapture
from buslens.fleet.naming import CaptureLabel, parse_date

LARGEST: Final = 1 << 30
"""Bytes that a list can have."""
_COLUMNS: Final = ("path", "vehicle", "date")
_MAGIC: Final = re.compile(r"[*?\[]")
_ON_WINDOWS: Final = os.name == "nt"


@dataclass(slots=True)
class VehicleList:
    """What a list says, by path."""

    #: Folder of the list, in full, with '/' between the parts.
    folder: str
    by_path: dict[str, CaptureLabel] = field(default_factory=dict)
    by_form: list[tuple[re.Pattern[str], CaptureLabel]] = field(default_factory=list)

    def find(self, capture: FoundCapture) -> CaptureLabel | None:
        """Return what the list says of a capture; None if it does not have it."""
        names = [_folded(name) for name in self._names(capture)]
        for name in names:
            if name in self.by_path:
                return self.by_path[name]
        return next((named for form, named in self.by_form if any(map(form.fullmatch, names))), None)

    def _names(self, capture: FoundCapture) -> list[str]:
        path = local_path(capture.address)
        if path is None:
            return [capture.address, capture.below]
        full = Path(path).as_posix()
        names = [full, capture.below]
        if full.startswith(f"{self.folder.rstrip('/')}/"):
            names.append(full[len(self.folder.rstrip("/")) + 1 :])
        return names


def load_vehicle_list(path: str) -> VehicleList:
    """Read a list; UsageError if it is none, with line and column."""
    try:
        raw = read_at_most(path, LARGEST)
    except OSError as exc:
        raise UsageError(f"--vehicles: {os_error_text(exc, path)}") from exc
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as exc:
        line = raw.count(b"\n", 0, exc.start) + 1
        column = len(raw[raw.rfind(b"\n", 0, exc.start) + 1 : exc.start].decode("utf-8", "replace")) + 1
        found = f"byte {raw[exc.start]:#04x} is not UTF-8; save the list as UTF-8"
        raise UsageError(found, SourceLocation(path, line, column)) from None
    return _ListParser(path, text).read()


class _ListParser:
    def __init__(self, path: str, text: str) -> None:
        self.path = path
        self.lines = text.splitlines()
        head = next((line for line in self.lines if line.strip()), "")
        self.delimiter = max(",;\t", key=head.count)
        self.rows = csv.reader(io.StringIO(text, newline=""), delimiter=self.delimiter, strict=True)
        self.line = 1
        self.columns: dict[str, int] = {}

    def read(self) -> VehicleList:
        found = VehicleList(Path(os.path.abspath(self.path)).parent.as_posix())  # noqa: PTH100  # links stay
        lines: dict[str, int] = {}
        try:
            for row in self.rows:
                begun, self.line = self.line, self.rows.line_num + 1
                if not any(cell.strip() for cell in row):
                    continue
                if not self.columns:
                    self.header(row, begun)
                    continue
                path, named = self.entry(row, begun)
                path = path if is_address(path) else _folded(_plain(path))
                if path in lines:
                    self.refuse(f"'{path}' stands in line {lines[path]} already", begun, row, "path")
                lines[path] = begun
                if _MAGIC.search(path):
                    found.by_form.append((re.compile(fnmatch.translate(path)), named))
                else:
                    found.by_path[path] = named
        except csv.Error as exc:
            raise UsageError(
                f"this is no row of a CSV file: {exc}", SourceLocation(self.path, self.rows.line_num)
            ) from exc
        if not self.columns:
            raise UsageError(
                f"the list is empty; its first line is {self.delimiter.join(_COLUMNS)}", SourceLocation(self.path)
            )
        return found

    def header(self, row: list[str], line: int) -> None:
        names = [cell.strip().lower() for cell in row]
        for name in _COLUMNS:
            if names.count(name) > 1:
                raise UsageError(f"there are two columns '{name}'", SourceLocation(self.path, line))
            if name in names:
                self.columns[name] = names.index(name)
        for name in ("path", "vehicle"):
            if name not in self.columns:
                like = next((cell for cell in names if did_you_mean(cell, [name]).startswith("; did")), "")
                meant = f"; is '{like}' meant?" if like else ""
                wanted = self.delimiter.join(_COLUMNS)
                raise UsageError(
                    f"the first line names no column '{name}'{meant}; it should be such as '{wanted}'",
                    SourceLocation(self.path, line, 1),
                )

    def entry(self, row: list[str], line: int) -> tuple[str, CaptureLabel]:
        cells = {}
        for name, place in self.columns.items():
            cells[name] = row[place].strip() if place < len(row) else ""
            if not cells[name] and name != "date":
                self.refuse(f"the column '{name}' is empty", line, row, name)
        recorded = None
        if cells.get("date"):
            recorded = parse_date(cells["date"])
            if recorded is None:
                self.refuse(
                    f"'{cells['date']}' is no date of a form that is known; write 2026-03-14 or 2026-03-14T08:15:00",
                    line,
                    row,
                    "date",
                )
        return cells["path"], CaptureLabel(cells["vehicle"], recorded)

    def refuse(self, problem: str, line: int, row: list[str], name: str) -> None:
        raise UsageError(problem, SourceLocation(self.path, line, self.column(line, row, name)))

    def column(self, line: int, row: list[str], name: str) -> int | None:
        """Return where a field begins; None where quotes make that hard to count."""
        text = self.lines[line - 1] if line <= len(self.lines) else ""
        if '"' in text or text != self.delimiter.join(row):
            return None
        place = min(self.columns[name], len(row))
        return sum(len(cell) + 1 for cell in row[:place]) + 1


def _folded(path: str) -> str:
    """Return a path as Windows tells files apart, which is not by their capitals; elsewhere as it is."""
    return path.lower() if _ON_WINDOWS and not is_address(path) else path


def _plain(path: str) -> str:
    """Return a path as captures are named: with '/', and without steps that lead nowhere."""
    path = path.replace("\\", "/") if _ON_WINDOWS else path
    return os.path.normpath(path).replace(os.sep, "/")
