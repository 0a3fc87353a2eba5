"""What a person marked in a capture of a car that has no definitions, and which signals they chose.

FOLDER/cars/NAME/
marks/CAPTURE.txt    a time and what was done on each line   buslens seek --marks
seek.json            the capture, and the chosen signals by action
found.dbc            the definitions that come of it         buslens seek -o
"""

import json
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from buslens.desk.folder import GOOD, LAYOUT, MARKS, stamp_of
from buslens.files import read_at_most, write_atomically

_STATE: Final = "seek.json"
_MOST_BYTES: Final = 100_000


@dataclass(frozen=True, slots=True, kw_only=True)
class SeekState:
    """What was marked and chosen."""

    #: Name of the capture in ``good``; empty where there is none.
    capture: str = ""
    #: Lines of the file of marks.
    marks: tuple[str, ...] = ()
    #: Action, in lower case -> where its signals are, as `buslens.report.discovery.place` writes it.
    chosen: dict[str, list[str]] = field(default_factory=dict)
    #: Another one once something else is said about how tables of the car are to be read.
    layout: str = ""


def load_state(car: Path) -> SeekState:
    """Return what was marked and chosen for the car in a folder."""
    names = [it.name for it in sorted((car / GOOD).glob("*")) if it.is_file() and not it.name.startswith(".")]
    try:
        data = json.loads(read_at_most(car / _STATE, _MOST_BYTES))
        capture = str(data["capture"])
        chosen = {str(action): [str(it) for it in places] for action, places in data["chosen"].items()}
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        capture, chosen = "", {}
    if capture not in names:
        marked = [it for it in names if _marks_file(car, it).is_file()]
        capture = next(iter([*marked, *names]), "")
    marks = _lines(_marks_file(car, capture)) if capture else ()
    return SeekState(capture=capture, marks=marks, chosen=chosen, layout=stamp_of(car / LAYOUT))


def save_state(car: Path, state: SeekState) -> None:
    """Keep the capture and what was chosen."""
    write_atomically(car / _STATE, json.dumps({"capture": state.capture, "chosen": state.chosen}, indent=2).encode())


def save_marks(car: Path, state: SeekState) -> None:
    """Keep the marks."""
    file = _marks_file(car, state.capture)
    file.parent.mkdir(exist_ok=True)
    write_atomically(file, "".join(f"{line}\n" for line in state.marks).encode())


def state_stamp(car: Path) -> str:
    """Return text that is another one once a mark has changed, or how tables of the car are to be read."""
    state = load_state(car)
    return f"{state.capture} {state.marks} {state.layout}"


def _marks_file(car: Path, capture: str) -> Path:
    return car / MARKS / f"{Path(capture).stem}.txt"


def _lines(file: Path) -> tuple[str, ...]:
    try:
        text = read_at_most(file, _MOST_BYTES).decode("utf-8", "replace")
    except (OSError, ValueError):
        return ()
    return tuple(line.strip() for line in text.splitlines() if line.strip())
