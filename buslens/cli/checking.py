"""Checking the captures that a command names, one after the other."""

from __future__ import annotations

import argparse
import errno
import os
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from buslens.cli.console import Console
from buslens.cli.options import table_of
from buslens.cli.status import Status, status_of
from buslens.defaults import find_expectations
from buslens.errors import CaptureError, UsageError
from buslens.files import os_error_text

if TYPE_CHECKING:
    from buslens import Definitions, Expectations, Result


class CheckedCapture(NamedTuple):
    """What came of one capture."""

    path: str
    #: None if it could not be checked.
    result: Result | None
    #: Why it could not be checked; empty if it could.
    problem: str = ""

    @property
    def status(self) -> Status:
        """The exit status for this capture."""
        return Status.UNUSABLE if self.result is None else status_of(self.result.verdict)


class CaptureChecker:
    """Checks captures as the options of a command say, loading each file of the user's once.

    Raises UsageError or DefinitionError or ExpectationError if the files that the options name cannot be used.
    """

    def __init__(self, options: argparse.Namespace, console: Console) -> None:
        self._console = console
        self._workers: int | None = options.workers
        self._table = table_of(options)
        self._channels: dict[str, str] = dict(options.channels)
        self._beside: list[str] = getattr(options, "beside", [])
        self._beside_of: dict[str, list[str]] | None = None
        self._loaded: dict[str, Expectations] = {}
        self._chosen: str | None = options.expectations
        self._definitions: Definitions | None = None
        if options.definitions:
            from buslens import load_definitions

            self._definitions = load_definitions(*options.definitions)
        if self._chosen is not None:
            self._expectations(self._chosen)

    def check(self, path: str) -> Result:
        """Return the verdict on one capture.

        Raises BuslensError if the capture or what it is checked against cannot be used, OSError if the system refuses
        the capture.
        """
        _require_file(path)
        self._console.progress(f"reading {path}")
        chosen = self._chosen or str(find_expectations(path))

        from buslens import check

        expectations = self._expectations(chosen)
        return check(
            path,
            definitions=self._definitions,
            expectations=expectations,
            channels=self._channels,
            table=self._table,
            workers=self._workers,
            notify=self._console.note,
            beside=(pairs(self._beside, [path]) if self._beside_of is None else self._beside_of).get(path, []),
        )

    def pair(self, paths: Sequence[str]) -> list[str]:
        """Find the capture that each table beside goes with, and return the tables.

        Raises UsageError if one goes with none of the captures, or does not say with which of several.
        """
        self._beside_of = pairs(self._beside, paths)
        return [table for tables in self._beside_of.values() for table in tables]

    def check_all(self, paths: Sequence[str]) -> Iterator[CheckedCapture]:
        """Yield what comes of each capture; one that cannot be read does not stop the others."""
        self.pair(paths)
        for path in paths:
            try:
                yield CheckedCapture(path, self.check(path))
            except CaptureError as exc:
                problem = str(exc)
            except OSError as exc:
                if isinstance(exc, BrokenPipeError):
                    raise
                problem = os_error_text(exc, str(exc.filename or path))
            else:
                continue
            self._console.note(problem)
            yield CheckedCapture(path, None, problem)

    def _expectations(self, path: str) -> Expectations:
        if path not in self._loaded:
            from buslens import load_expectations

            self._loaded[path] = load_expectations(path, definitions_needed=self._definitions is None)
        return self._loaded[path]


def pairs(given: Sequence[str], paths: Sequence[str]) -> dict[str, list[str]]:
    """Return by capture the tables that were recorded at the same time.

    >>> pairs(["before.log=scope.csv"], ["before.log", "after.log"])
    {'before.log': ['scope.csv']}
    """
    found: dict[str, list[str]] = {}
    for text in given:
        capture = next((path for path in paths if text.startswith(f"{path}=")), None)
        if capture is not None:
            found.setdefault(capture, []).append(text[len(capture) + 1 :])
        elif len(paths) == 1:
            found.setdefault(paths[0], []).append(text)
        else:
            raise UsageError(
                f"--with {text}: which of the captures was recorded at the same time? write for example"
                f" --with {paths[0]}={text.rpartition('=')[2]}"
            )
    return found


def expand(names: Sequence[str]) -> list[str]:
    """Return the captures that names stand for; wildcards count where the shell has left them as they are.

    Raises UsageError if standard input is named twice.
    """
    if names.count("-") > 1:
        raise UsageError("standard input ('-') can be read only once")
    paths: list[str] = []
    for name in names:
        if name != "-" and any(mark in name for mark in "*?[") and not Path(name).exists():
            from glob import glob

            paths += sorted(glob(name)) or [name]  # noqa: PTH207 - as the user wrote it, on every system
        else:
            paths.append(name)
    return paths


def _require_file(path: str) -> None:
    """Refuse what is not there before anything else is looked for."""
    if path == "-":
        return
    if Path(path).is_dir():
        raise CaptureError(f"{path}: is a folder; name the captures in it, such as '{Path(path) / '*.log'}'")
    if not os.path.lexists(path):
        raise FileNotFoundError(errno.ENOENT, os.strerror(errno.ENOENT), path)
