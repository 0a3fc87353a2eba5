"""Fleets: each is a folder with a note of where its captures lie, its car if it has one of its own, and its results.

    FOLDER/fleets/NAME/
      fleet.json       where the captures lie, how their paths name vehicle and date
      signal_defs/     the car by which all are checked; else what lies beside each capture
      sheet/           what `buslens fleet -o` writes: ledger, tables, the sheet, pages of what is faulty

The captures stay where they are, and are only read.
"""

import json
import shutil
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Final

from buslens.defaults import EXPECTATIONS_NAME, FOLDER_NAME
from buslens.desk.folder import Car, entries
from buslens.desk.names import plain_name
from buslens.errors import UsageError
from buslens.files import read_at_most, write_atomically

_FILE: Final = "fleet.json"
_FOLDER: Final = "fleets"
_SHEET: Final = "sheet"
_INDEX: Final = "index.html"
_PAGES: Final = "pages"


@dataclass(frozen=True, slots=True, kw_only=True)
class FleetSettings:
    """What a person entered."""

    #: Folder of captures, in full.
    source: str = ""
    #: As for ``buslens fleet --name``; empty: folder or beginning of the file's name.
    pattern: str = ""


class FleetFolder:
    """The folder of one fleet."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.name = path.name

    @property
    def out(self) -> Path:
        """Where the results go."""
        return self.path / _SHEET

    @property
    def has_sheet(self) -> bool:
        """Whether a run has been completed."""
        return (self.out / _INDEX).is_file()

    def expectations(self) -> Path | None:
        """Return by what all captures are checked; None: by what lies beside each."""
        found = self.path / FOLDER_NAME / EXPECTATIONS_NAME
        return found if found.is_file() else None

    def settings(self) -> FleetSettings:
        """Return what was entered; blank if somebody has made something else of the file."""
        try:
            data = json.loads(read_at_most(self.path / _FILE, 100_000))
            return FleetSettings(source=str(data["source"]), pattern=str(data["pattern"]))
        except (OSError, ValueError, KeyError, TypeError):
            return FleetSettings()

    def written(self, name: str) -> Path | None:
        """Return the sheet, a table or a page by its name, if a run has written it."""
        folder, _, last = name.rpartition("/")
        if folder not in {"", _PAGES}:
            return None
        place = self.out / folder if folder else self.out
        return next(
            (Path(it.path) for it in entries(place) if it.name == last and it.is_file(follow_symlinks=False)), None
        )


def fleets_in(path: Path) -> list[FleetFolder]:
    """Return the fleets of a desk's folder."""
    found = (FleetFolder(Path(it.path)) for it in entries(path / _FOLDER) if not it.name.startswith("."))
    return [it for it in found if (it.path / _FILE).is_file()]


def new_fleet(path: Path, wanted: str, settings: FleetSettings, car: Car | None) -> FleetFolder:
    """Make the folder of a new fleet.

    Raises UsageError if there is no folder of captures where they are said to lie.
    """
    source = Path(settings.source)
    if not settings.source or not source.is_absolute() or not source.is_dir():
        raise UsageError(
            f"'{settings.source}' is no folder on this machine; type where the captures lie, from the root on"
        )
    root = path / _FOLDER
    root.mkdir(exist_ok=True)
    stem = plain_name(wanted or source.name, "fleet")
    name, number = stem, 1
    while (root / name).exists():
        number += 1
        name = f"{stem}-{number}"
    folder = root / name
    folder.mkdir()
    if car is not None:
        (folder / FOLDER_NAME).mkdir()
        for file in car.files():
            shutil.copyfile(file, folder / FOLDER_NAME / file.name)
    write_atomically(folder / _FILE, json.dumps(asdict(settings), indent=2).encode())
    return FleetFolder(folder)
