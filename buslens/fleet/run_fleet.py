"""A whole run over a fleet: what is new is checked, the vehicles are compared, tables and sheet are written."""

import time
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from importlib.util import find_spec
from pathlib import Path
from typing import Final, TypeAlias

from buslens.capture.table_settings import NOTHING_TOLD, TableSettings, settings_of
from buslens.checks.setup import CheckSetup
from buslens.errors import BuslensError, UsageError
from buslens.expectations.role_purposes import feedback_paths, ignition_roles
from buslens.files import atomic_replace
from buslens.fleet.anomalies.find import find_anomalies
from buslens.fleet.anomalies.skew import skew_steps
from buslens.fleet.capture_pages import pages_there, write_pages
from buslens.fleet.check_job import load, make_ready
from buslens.fleet.export import export
from buslens.fleet.groups import load_groups
from buslens.fleet.jobs import Jobs, expectations_group
from buslens.fleet.junit import write_fleet_junit
from buslens.fleet.ledger import Ledger
from buslens.fleet.listing import CaptureFinder, FoundCapture, require_sources
from buslens.fleet.local_pool import LocalPool
from buslens.fleet.model import Group
from buslens.fleet.naming import Pattern, VehicleResolver
from buslens.fleet.page import write_index
from buslens.fleet.page.recheck import checking
from buslens.fleet.prefetch import PrefetchedListing
from buslens.fleet.progress import Progress
from buslens.fleet.queries import FEEDBACK_PATHS, IGNITION_ROLES, fleet_summary
from buslens.fleet.result_folder import require_apart, require_free
from buslens.fleet.run_jobs import RunSummary
from buslens.fleet.run_jobs import run as judge_fleet
from buslens.fleet.text import not_found_sentence, run_sentence
from buslens.fleet.vehicle_list import load_vehicle_list
from buslens.fleet.views import FleetSummary
from buslens.fleet.worker_pool import WorkerPool

File: TypeAlias = str | Path

_COMPILING_S: Final = 60.0
"""A time limit that is no shorter has room for a kernel to be compiled (measured: 10 s of processor)."""


def _silent(*_: object) -> None:
    pass


@dataclass(frozen=True, slots=True, kw_only=True)
class FleetListener:
    """Who is told how far a run is, and what a person should know of it; by default nobody."""

    #: One sentence that a person should know.
    note: Callable[[str], object] = _silent
    #: How far the checking is, some times a second.
    progress: Callable[[Progress], object] = _silent
    #: In a few words, what is done after the checking.
    stage: Callable[[str], object] = _silent
    #: How many of how many pages are written.
    pages: Callable[[int, int], object] = _silent


NOBODY: Final = FleetListener()


@dataclass(frozen=True, slots=True, kw_only=True)
class FleetRun:
    """What a run over a fleet did, and what it wrote; `buslens.open_ledger(folder)` reads what it stored."""

    folder: Path
    #: The fleet on one page.
    report: Path
    #: Whether the tables in the folder are those of this run.
    has_tables: bool
    #: Addresses of faulty captures, and their pages as seen from the folder.
    pages: Mapping[str, str]
    done: RunSummary
    #: What went wrong without ending the run: captures that could not be looked at, pages or tables not written.
    problems: int


def run_fleet(
    sources: File | Iterable[File],
    folder: File,
    *,
    name: str | None = None,
    vehicles: File | None = None,
    groups: File | None = None,
    expectations: File | None = None,
    definitions: Iterable[File] = (),
    channels: Mapping[str, str] | None = None,
    table: TableSettings | File | None = None,
    workers: int | WorkerPool | None = None,
    scheduler: str | None = None,
    time_limit_s: float | None = None,
    memory_limit_bytes: int | None = None,
    pages: bool = False,
    junit: File | None = None,
    listener: FleetListener = NOBODY,
) -> FleetRun:
    """Check the captures of a fleet, compare its vehicles, and write report, tables and ledger into a folder.

    Only what is new is read. A run that is ended goes on where it was when it is started again; what earlier runs into
    the folder have found counts.

    Parameters
    ----------
    sources : path or iterable of paths
        Folders with everything below them, files, patterns such as ``logs/*.log`` or addresses such as ``s3://...``.
    folder : path
        Of the results; may be there already.
    name : str, optional
        How paths tell vehicle and date, such as ``{vehicle}/{date}_*.log``; default: the vehicle is the folder, or the
        name up to the first ``_``.
    vehicles : path, optional
        CSV file with the columns path, vehicle and date, in place of `name`.
    groups : path, optional
        TOML file that says which vehicles are checked against which files.
    expectations, definitions, channels, table
        As for `buslens.check`, for all captures; default: what lies beside each.
    workers : int or pool, optional
        Processes of this machine; default: one per core.
    scheduler : str, optional
        Address of a Dask cluster that does the work instead.
    time_limit_s, memory_limit_bytes : number, optional
        What one capture may take, in s, and one worker, in bytes.
    pages : bool, optional
        Whether a page is written for each faulty capture.
    junit : path, optional
        A report for build servers.
    listener : FleetListener, optional
        Is told how far it is.

    Returns
    -------
    FleetRun

    Raises
    ------
    BuslensError
        If something that was given cannot be used, before the first capture is read; or if no capture can be checked.
    OSError
        If the system refuses a file of the results.
    """
    if scheduler is not None and workers is not None:
        raise UsageError("--workers counts processes of this machine; how many a cluster has, its scheduler knows")
    captures = [str(it) for it in ([sources] if isinstance(sources, str | Path) else sources)]
    defined = [str(it) for it in definitions]
    out = Path(folder)
    given = (vehicles, groups, expectations, *defined)
    require_free(out, [*captures, *(str(it) for it in given if it is not None)])
    if junit is not None:
        require_apart(out, str(junit))
    whole = WholeFleet(
        captures, out, name=name, vehicles=vehicles, groups=groups, expectations=expectations, definitions=defined,
        channels=channels, table=table, listener=listener,
    )  # fmt: skip
    if isinstance(workers, int) or workers is None:
        workers = _pool(workers, scheduler, time_limit_s, memory_limit_bytes, listener.note)
    with Ledger.writing(out) as ledger:
        with workers as pool:
            done = whole.judge(ledger, pool)
            if pages:
                listener.stage("writing the pages")
                written = write_pages(ledger, pool, whole.groups, out, on_page=listener.pages)
                for problem in written.problems:
                    whole.problem(problem)
                paths = written.paths
            else:
                paths = pages_there(ledger, out)
        report, has_tables = whole.compare(ledger, done, paths)
        if junit is not None:
            whole.write_junit(ledger, junit)
    return FleetRun(folder=out, report=report, has_tables=has_tables, pages=paths, done=done, problems=whole.problems)


def _pool(
    workers: int | None,
    scheduler: str | None,
    seconds: float | None,
    memory_bytes: int | None,
    note: Callable[[str], object],
) -> WorkerPool:
    if scheduler is not None:
        from buslens.fleet.cluster_pool import ClusterPool

        if memory_bytes is not None:
            note("--memory-limit: what a worker of a cluster may take, the cluster says; it is not held here")
        return ClusterPool(scheduler, seconds=seconds)
    if memory_bytes is not None and find_spec("resource") is None:
        note("--memory-limit: memory limits are not supported on this system; there is none")
    # What is compiled once must not make a capture late; nor should a fleet of small ones wait for it without need.
    begin = None if seconds is None or seconds >= _COMPILING_S else make_ready
    return LocalPool(workers, seconds=seconds, memory_bytes=memory_bytes, begin=begin)


class WholeFleet:
    """One run: everything that the user gave is looked at before the first capture is read.

    Raises BuslensError if something of it cannot be used.
    """

    def __init__(
        self,
        sources: Sequence[str],
        out: Path,
        *,
        name: str | None,
        vehicles: File | None,
        groups: File | None,
        expectations: File | None,
        definitions: Sequence[str],
        channels: Mapping[str, str] | None,
        table: TableSettings | File | None,
        listener: FleetListener,
    ) -> None:
        if name is not None and vehicles is not None:
            raise UsageError("--name and --vehicles both say which vehicle a capture is of; give one of them")
        require_sources(sources)
        by = None if name is None else Pattern(name).find
        by = by if vehicles is None else load_vehicle_list(str(vehicles)).find
        told, pairs = settings_of(table), tuple((channels or {}).items())
        of_groups = () if groups is None else load_groups(str(groups))
        if told != NOTHING_TOLD:
            of_groups = tuple(replace(group, table=told) for group in of_groups)
        chosen = None if expectations is None else expectations_group(str(expectations), definitions, pairs, told)

        def unnamed(capture: FoundCapture) -> None:
            what = f"--name '{name}'" if name is not None else f"the list {vehicles}"
            listener.note(
                f"{what} does not name a vehicle for {capture.address}; such captures are grouped as 'unnamed (...)'"
            )

        self.out = out
        self.groups: dict[str, Group] = {}
        #: What went wrong without ending the run.
        self.problems = 0
        self._note, self._progress, self._stage = listener.note, listener.progress, listener.stage
        self.naming = VehicleResolver(by, unnamed)
        for group in (*of_groups, *([chosen] if chosen is not None else [])):
            load(group)
            self.groups[group.name] = group
        self.jobs = Jobs(
            captures=(),
            naming=self.naming,
            groups=of_groups,
            otherwise=chosen,
            definitions=tuple(definitions),
            channels=pairs,
            table=told,
            on_left_out=self.problem,
        )
        self.listing = CaptureFinder(sources, out, self.problem, self.jobs.is_table)
        if by is None:
            listener.note(
                "vehicles are called as their folders, or as the names of their captures up to the first '_', and dated"
                ' by the clock of the recording; --name "{vehicle}/{date}_*.log" reads both from the paths'
            )

    def judge(self, ledger: Ledger, pool: WorkerPool) -> RunSummary:
        """Check everything that is not known."""
        with PrefetchedListing(self.listing, self._note) as found:
            self.jobs.captures = found

            def total() -> int | None:
                return None if found.total is None else found.total - self.jobs.left_out

            done = judge_fleet(self.jobs, ledger, pool, on_progress=self._progress, total=total)
        self.groups |= self.jobs.used
        listing, naming = self.listing, self.naming
        if listing.passed_over:
            self._note(
                f"{listing.passed_over:,} other file{'s were' if listing.passed_over > 1 else ' was'} skipped, "
                f"such as {listing.first_passed_over}: neither their names nor their first bytes are those of captures"
            )
        if naming.unnamed > 1:
            self._note(f"in all, {naming.unnamed:,} captures are under vehicles that are called 'unnamed (...)'")
        if self.jobs.left_out:
            self._note(f"{self.jobs.left_out:,} captures were left out: there is nothing to judge them by")
        return done

    def compare(self, ledger: Ledger, done: RunSummary, pages: Mapping[str, str]) -> tuple[Path, bool]:
        """Compare the vehicles, write tables and sheet; return the sheet, and whether the tables are those of this run.

        Raises UsageError if no capture can be checked.
        """
        known = fleet_summary(ledger)
        if not known.captures:
            raise UsageError("no capture was found that can be checked")
        if not done.listed:
            # A folder that is empty for once must not look like a fleet that is well.
            self.problem("no captures found; results come from earlier runs")
        setups = self.setups().values()
        with self._timed("comparing the fleet", done):
            skews = {step for one in setups for step in skew_steps(one.expectations)}
            found = find_anomalies(ledger, skews=skews, definitions=[one.definitions for one in setups])
            ledger.put_anomalies(found)
            rules = [one.expectations.rules for one in setups]
            paths = {tuple(sorted(pair)) for each in rules for pair in feedback_paths(each)}
            ledger.put_meta(FEEDBACK_PATHS, sorted(paths))
            ledger.put_meta(IGNITION_ROLES, sorted({role for each in rules for role in ignition_roles(each)}))
            ledger.commit()
        has_tables = True
        try:
            with self._timed("writing the tables", done):
                export(ledger, self.out)
        except BuslensError as exc:
            # One that is open in a spreadsheet must not keep back who is to be called in.
            has_tables = False
            self.problem(f"{exc}; the tables are not those of this run, which writes them when it is started again")
        notes = self._notes(done, known)
        with self._timed("writing the fleet report", done):
            sheet = write_index(ledger, self.out, pages=pages, again=checking(self.groups.values()), notes=notes)
        return sheet, has_tables

    @contextmanager
    def _timed(self, what: str, done: RunSummary) -> Iterator[None]:
        """Say what is done, and note how long it takes."""
        self._stage(what)
        begun = time.monotonic()
        yield
        done.after[what] = time.monotonic() - begun

    def write_junit(self, ledger: Ledger, path: File) -> None:
        """Write the report for build servers."""
        rules = {name: [rule.name for rule in one.expectations.rules] for name, one in self.setups().items()}
        with atomic_replace(path) as temporary, temporary.open("wb") as file:
            write_fleet_junit(file, ledger, rules)

    def setups(self) -> dict[str, CheckSetup]:
        """Return what each group is checked against."""
        return {name: load(group)[0] for name, group in self.groups.items()}

    def problem(self, sentence: str) -> None:
        """Tell what went wrong without ending the run."""
        self.problems += 1
        self._note(sentence)

    def _notes(self, done: RunSummary, known: FleetSummary) -> list[str]:
        notes = [f"Of the last run: {run_sentence(done)}"]
        # What is listed twice or left out makes this less, never more.
        not_found = known.captures + known.copies + known.outdated - done.listed - self.jobs.left_out
        if not_found > 0:
            notes.append(not_found_sentence(not_found))
            self._note(notes[-1])
        if self.naming.unnamed:
            notes.append(
                f"Of {self.naming.unnamed:,} captures neither path nor list says the vehicle; they stand under vehicles"
                " that are called 'unnamed (...)' after where they lie."
            )
        if self.jobs.left_out:
            notes.append(f"{self.jobs.left_out:,} captures were left out, because there is nothing to judge them by.")
        if self.listing.problems:
            notes.append(f"{self.listing.problems:,} folders or files could not be looked into.")
        return notes
