"""What the server asks a worker about a job, and what it knows of each capture; plain values, for both load this."""

from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True, slots=True, kw_only=True)
class Checked:
    """What came of one capture."""

    side: str
    name: str
    #: Another one once the capture or the car has changed.
    key: str
    #: The result, packed; None if the capture cannot be read.
    packed: bytes | None = None
    #: Why it cannot be read.
    problem: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class DeskTask:
    """Where a job stands."""

    #: Its folder.
    folder: str
    #: Its expectations file, as a command in that folder would call it.
    expectations: str
    #: Another one once any file of the car has changed.
    setup: str
    checked: tuple[Checked, ...] = ()

    @property
    def car(self) -> Path:
        """The folder of its car."""
        return Path(self.expectations).parent
