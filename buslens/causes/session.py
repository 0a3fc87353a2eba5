"""A diagnosis that goes on from one call to the next: captures and readings, kept in a JSON file.

Readings are kept as the person wrote them and checked anew each time, so that a limit that was mended in the causes
file holds for them, too.
"""

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final, Self

from buslens.causes.model import Causes
from buslens.causes.readings import Reading, read_reading
from buslens.errors import SourceLocation, UsageError
from buslens.files import read_at_most, write_atomically

_MARK: Final = "buslens diagnosis"
_VERSION: Final = 1
_LARGEST_FILE: Final = 8_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Session:
    """What a session file holds."""

    #: As the user named them.
    captures: tuple[str, ...] = ()
    #: Name of a measurement -> reading as it was written; the latest of each, in the order made.
    measured: Mapping[str, str]
    #: Measurements that cannot be made at this car.
    skipped: tuple[str, ...] = ()
    #: The file.
    path: str = ""

    def with_reading(self, reading: Reading) -> Self:
        """Return the session with one reading more, in place of an earlier one of the same measurement."""
        rest = self.without(reading.measurement)
        return replace(rest, measured={**rest.measured, reading.measurement: reading.text})

    def with_skipped(self, measurement: str) -> Self:
        """Return the session with the note that a measurement cannot be made at this car."""
        rest = self.without(measurement)
        return replace(rest, skipped=(*rest.skipped, measurement))

    def without(self, measurement: str) -> Self:
        """Return the session as if nothing had been said of a measurement."""
        return replace(
            self,
            measured={name: text for name, text in self.measured.items() if name != measurement},
            skipped=tuple(name for name in self.skipped if name != measurement),
        )

    def readings(self, causes: Causes) -> list[Reading]:
        """Return the readings, checked against a causes file.

        Raises UsageError if the file does not know one of them.
        """
        try:
            return [read_reading(f"{name}={text}", causes) for name, text in self.measured.items()]
        except UsageError as error:
            raise UsageError(f"{self.path}: {error} (by {causes.path}; mend or remove that reading)") from None


def load_session(path: str | Path) -> Session:
    """Return what a session file holds; an empty session if there is no such file yet.

    Raises UsageError if the file is something else.
    """
    try:
        raw = read_at_most(path, _LARGEST_FILE)
    except FileNotFoundError:
        return Session(measured={})
    if not raw.strip():
        return Session(measured={})
    try:
        data = json.loads(raw.decode("utf-8"))
    except json.JSONDecodeError as error:
        place = SourceLocation(str(path), error.lineno, error.colno)
        raise UsageError(f"{place}: this is no session of a diagnosis; name another file") from None
    except (ValueError, RecursionError):  # no UTF-8, a number of thousands of digits, brackets without end
        raise UsageError(f"{path}: this is no session of a diagnosis; name another file") from None
    return _session(data, str(path))


def _session(data: Any, path: str) -> Session:
    if not isinstance(data, dict) or data.get("kind") != _MARK:
        raise UsageError(f"{path}: this is no session of a diagnosis; name another file")
    if data.get("version") != _VERSION:
        raise UsageError(
            f"{path}: version {data.get('version')!r} of a session is not known; this one reads {_VERSION}"
        )
    captures, measured, skipped = (data.get(name, []) for name in ("captures", "measured", "skipped"))
    is_right = (
        isinstance(captures, list)
        and isinstance(skipped, list)
        and all(isinstance(name, str) for name in (*captures, *skipped))
        and isinstance(measured, list)
        and all(isinstance(it, dict) and isinstance(it.get("name"), str) for it in measured)
        and all(isinstance(it.get("reading"), str) for it in measured)
    )
    if not is_right:
        raise UsageError(
            f"{path}: 'captures' and 'skipped' must be lists of names, and 'measured' one of {{name, reading}} tables"
        )
    return Session(
        captures=tuple(captures),
        measured={it["name"]: it["reading"] for it in measured},
        skipped=tuple(skipped),
        path=path,
    )


def save_session(
    path: str | Path, captures: Iterable[str], readings: Iterable[Reading], skipped: Iterable[str] = ()
) -> None:
    """Write a session, the whole file or nothing; OSError if the folder does not take the file."""
    data = {
        "kind": _MARK,
        "version": _VERSION,
        "captures": list(captures),
        "measured": [{"name": it.measurement, "reading": it.text, "result": it.result} for it in readings],
        "skipped": list(skipped),
    }
    write_atomically(path, (json.dumps(data, indent=2) + "\n").encode("ascii"))
