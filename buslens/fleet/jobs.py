"""From captures that were found to jobs: whose they are, and what they are checked against."""

import os
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from buslens.capture.table_settings import NOTHING_TOLD, TableSettings
from buslens.capture.values import open_values
from buslens.defaults import find_expectations
from buslens.errors import BuslensError, CaptureError, UsageError
from buslens.expectations.subjects import roles_in
from buslens.fleet.check_job import load
from buslens.fleet.fetch import local_path
from buslens.fleet.groups import group_of
from buslens.fleet.listing import FoundCapture
from buslens.fleet.model import CaptureJob, Group
from buslens.fleet.naming import VehicleResolver


@dataclass(slots=True, kw_only=True)
class Jobs:
    """What is to be done for captures, told one after the other.

    Parameters
    ----------
    groups : sequence of Group
        Of vehicles with files of their own; the first that fits counts.
    otherwise : Group or None
        For vehicles of none of these; None: by the expectations that are found beside a capture, as in `check`.
    on_left_out : callable
        Is told in one sentence of each vehicle that there is nothing to check against.
    """

    captures: Iterable[FoundCapture]
    naming: VehicleResolver
    groups: Sequence[Group] = ()
    otherwise: Group | None = None
    definitions: tuple[str, ...] = ()
    channels: tuple[tuple[str, str], ...] = ()
    table: TableSettings = NOTHING_TOLD
    on_left_out: Callable[[str], object] = lambda _sentence: None
    #: Every group that a capture was found for, by name.
    used: dict[str, Group] = field(default_factory=dict)
    #: Captures of vehicles that there is nothing to check against.
    left_out: int = 0
    _told: set[str] = field(default_factory=set)
    _found: dict[str, Group | str] = field(default_factory=dict)
    #: By group, the columns that its rules need.
    _columns: dict[str, tuple[str | int, ...]] = field(default_factory=dict)

    def __iter__(self) -> Iterator[CaptureJob]:
        """Yield the jobs."""
        for capture in self.captures:
            named = self.naming(capture)
            group = self.group(named.vehicle, capture.address)
            if isinstance(group, str):
                self.left_out += 1
                if named.vehicle not in self._told:
                    self._told.add(named.vehicle)
                    self.on_left_out(f"vehicle '{named.vehicle}' is left out: {group}")
                continue
            yield CaptureJob(
                address=capture.address,
                vehicle=named.vehicle,
                recorded_ns=named.recorded_ns,
                group=group,
                size=capture.size,
                stamp=capture.stamp,
            )

    def is_table(self, path: str) -> bool:
        """Return whether a file is a table of values with a column that a rule needs, of those it may be checked by."""
        groups = list(self.groups) if self.otherwise is None else [*self.groups, self.otherwise]
        if not groups:
            beside = self._beside(str(Path(path).parent), path)
            groups = [] if isinstance(beside, str) else [beside]
        for group in groups:
            if group.name not in self._columns:
                self._columns[group.name] = _needed_columns(group)
            columns = self._columns[group.name]
            try:
                if columns and open_values(path, columns, group.table) is not None:
                    return True
            except CaptureError:
                continue
        return False

    def group(self, vehicle: str, address: str) -> Group | str:
        """Return what a vehicle is checked against, else why there is nothing."""
        group = group_of(vehicle, self.groups) or self.otherwise
        if group is None:
            path = local_path(address)
            # What lies in a store has nothing beside it that could be looked at; the current folder counts.
            folder = "" if path is None else str(Path(path).parent)
            found = self._beside(folder, "-" if path is None else path)
            if isinstance(found, str):
                return f"it belongs to no group, and there are {found}" if self.groups else f"there are {found}"
            group = found
        self.used.setdefault(group.name, group)
        return group

    def _beside(self, folder: str, path: str) -> Group | str:
        if folder not in self._found:
            self._found[folder] = self._look(path)
        return self._found[folder]

    def _look(self, capture: str) -> Group | str:
        try:
            found = find_expectations(capture)
        except UsageError as exc:
            return exc.problem
        return expectations_group(str(found), self.definitions, self.channels, self.table)


def _needed_columns(group: Group) -> tuple[str | int, ...]:
    """Return the columns that the rules of a group need; a trace that only signs of causes ask for is no capture."""
    try:
        expected = load(group)[0].expectations
    except BuslensError:
        return ()  # what is wrong with them is told for each capture
    needed = {role for rule in expected.rules for role in roles_in(rule)}
    return tuple(role.column for role in expected.roles.values() if role.column is not None and role.name in needed)


def expectations_group(
    expectations: str,
    definitions: Iterable[str] = (),
    channels: Iterable[tuple[str, str]] = (),
    table: TableSettings = NOTHING_TOLD,
) -> Group:
    """Return the group of every vehicle that is checked against one file; it is called as the file is."""
    return Group(
        name=expectations,
        vehicles=("*",),
        # In full: a worker may have another current folder.
        expectations=os.path.abspath(expectations),  # noqa: PTH100  # links stay
        definitions=tuple(os.path.abspath(path) for path in definitions),  # noqa: PTH100
        channels=tuple(channels),
        table=table,
    )
