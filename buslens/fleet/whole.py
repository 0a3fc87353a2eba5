"""A whole run over a fleet: what is new is judged, the vehicles are compared, tables and sheet are written."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from buslens.capture.table_settings import NOTHING_TOLD
from buslens.errors import BuslensError, UsageError

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence
    from pathlib import Path

    from buslens.capture.table_settings import TableSettings
    from buslens.expectations.model import Expectations
    from buslens.fleet.ledger import Ledger
    from buslens.fleet.listing import FoundCapture
    from buslens.fleet.model import Group
    from buslens.fleet.progress import Progress
    from buslens.fleet.run import RunSummary
    from buslens.fleet.views import FleetSummary
    from buslens.fleet.work import WorkerPool


class WholeFleet:
    """One run.

    Parameters
    ----------
    sources : sequence of str
        Folders, files, patterns or addresses of captures.
    out : Path
        Folder of the results.
    by : Pattern or vehicle list, optional
        Tells vehicle and date of a path.
    groups : sequence of Group
        Which vehicles are checked against which files.
    chosen : Group, optional
        By which all others are checked; else what lies beside each capture.
    note : callable
        Is told, as one sentence, what a person should know.
    unnamed : callable
        Is told of a capture whose vehicle nothing says.
    progress : callable
        Is told how far the judging is, some times a second.
    stage : callable
        Is told, in a few words, what is done after the judging.

    Raises
    ------
    BuslensError
        If expectations or definitions of a group cannot be used.
    """

    def __init__(
        self,
        sources: Sequence[str],
        out: Path,
        *,
        by: Any = None,
        groups: tuple[Group, ...] = (),
        chosen: Group | None = None,
        definitions: tuple[str, ...] = (),
        channels: tuple[tuple[str, str], ...] = (),
        table: TableSettings = NOTHING_TOLD,
        note: Callable[[str], object],
        unnamed: Callable[[FoundCapture], object],
        progress: Callable[[Progress], object],
        stage: Callable[[str], object],
    ) -> None:
        from buslens.fleet.check_job import load
        from buslens.fleet.jobs import Jobs
        from buslens.fleet.listing import CaptureFinder
        from buslens.fleet.naming import VehicleResolver

        self.out = out
        self.groups: dict[str, Group] = {}
        #: What went wrong without ending the run.
        self.problems = 0
        self._note, self._progress, self._stage = note, progress, stage
        self.naming = VehicleResolver(by, unnamed)
        for group in (*groups, *([chosen] if chosen is not None else [])):
            load(group)
            self.groups[group.name] = group
        self.listing = CaptureFinder(sources, out, self.problem)
        self.jobs = Jobs(
            captures=(),
            naming=self.naming,
            groups=groups,
            otherwise=chosen,
            definitions=definitions,
            channels=channels,
            table=table,
            on_left_out=self.problem,
        )

    def judge(self, ledger: Ledger, pool: WorkerPool) -> RunSummary:
        """Judge everything that is not known."""
        from buslens.fleet.prefetch import PrefetchedListing
        from buslens.fleet.run import run as judge_fleet

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

        Raises
        ------
        UsageError
            If no capture can be checked.
        """
        from buslens.fleet.anomalies.find import find_anomalies
        from buslens.fleet.anomalies.skew import skew_steps
        from buslens.fleet.export import export
        from buslens.fleet.page import write_index
        from buslens.fleet.page.recheck import checking
        from buslens.fleet.queries import fleet_summary

        known = fleet_summary(ledger)
        if not known.captures:
            raise UsageError("no capture was found that can be checked")
        if not done.listed:
            # A folder that is empty for once must not look like a fleet that is well.
            self.problem("no captures found; results come from earlier runs")
        self._stage("comparing the fleet")
        skews = {step for one in self.expected().values() for step in skew_steps(one)}
        ledger.put_anomalies(find_anomalies(ledger, skews=skews))
        ledger.commit()
        self._stage("writing the tables")
        has_tables = True
        try:
            export(ledger, self.out)
        except BuslensError as exc:
            # One that is open in a spreadsheet must not keep back who is to be called in.
            has_tables = False
            self.problem(f"{exc}; the tables are not those of this run, which writes them when it is started again")
        self._stage("writing the fleet report")
        sheet = write_index(
            ledger, self.out, pages=pages, again=checking(self.groups.values()), notes=self._notes(done, known)
        )
        return sheet, has_tables

    def expected(self) -> dict[str, Expectations]:
        """Return the expectations of each group."""
        from buslens.fleet.check_job import load

        return {name: load(group)[0].expectations for name, group in self.groups.items()}

    def problem(self, sentence: str) -> None:
        """Tell what went wrong without ending the run."""
        self.problems += 1
        self._note(sentence)

    def _notes(self, done: RunSummary, known: FleetSummary) -> list[str]:
        from buslens.fleet.text import not_found_sentence, run_sentence

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
