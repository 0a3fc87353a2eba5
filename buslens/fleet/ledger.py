"""What is known of every capture of a fleet: one SQLite file, one writer, any number of readers.

A capture is named by its address, a judgement by the content that was checked and the ground that it was checked on. So
nothing is checked twice, wherever its copies lie, and what was checked on other expectations is kept without being
reported. The process may be killed at any moment: the file then holds every capture up to the last commit, whole.
"""

import json
import sqlite3
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from os import PathLike
from pathlib import Path
from typing import Any, Final, Self, cast

from buslens.errors import BuslensError, SourceLocation, UsageError
from buslens.files import os_error_text
from buslens.fleet.ledger_file import as_stored, as_text, damaged, in_words, open_reading, open_writing
from buslens.fleet.ledger_lock import WriterLock
from buslens.fleet.ledger_rows import RowWriter, hash_text
from buslens.fleet.model import Anomaly, CaptureJob, JobResult
from buslens.report.versions import version_of

LEDGER_NAME: Final = "ledger.sqlite"
"""The ledger in its folder; SQLite keeps two more files beside it while it is written."""

LOCK_NAME: Final = "ledger.lock"
"""The writer's lock beside it."""

_BATCH: Final = 10_000
"""Rows that are fetched at once."""


class Ledger:
    """A ledger that is open; made by `writing` or `reading`, and a context manager that closes it."""

    def __init__(self, path: Path, connection: sqlite3.Connection, lock: WriterLock | None) -> None:
        #: The file.
        self.path = path
        self._connection = connection
        self._lock = lock
        self._rows = RowWriter(connection)

    def __repr__(self) -> str:
        return f"<Ledger of {self.path.parent.name}, open for {'reading' if self._lock is None else 'writing'}>"

    @classmethod
    def writing(cls, folder: Path) -> Self:
        """Open the ledger of a folder for writing; make both if they are not there.

        Raises UsageError if another process writes to it, with the process where it is known; if the file is no ledger
        or one of a later version; if the file system has no locks or takes no write-ahead log; BuslensError if the
        folder cannot be made, or the ledger is damaged or cannot be opened.
        """
        path = folder / LEDGER_NAME
        try:
            folder.mkdir(parents=True, exist_ok=True)
            if path.is_dir():
                raise UsageError("is a folder, where the ledger is to be; move it away", SourceLocation(str(path)))
            lock = WriterLock(folder / LOCK_NAME, path)
        except OSError as exc:
            raise BuslensError(os_error_text(exc)) from exc
        try:
            return cls(path, open_writing(path, version_of()), lock)
        except BaseException:
            lock.release()
            raise

    @classmethod
    def reading(cls, folder: Path) -> Self:
        """Open the ledger of a folder for reading; a writer may be at work at the same time.

        Raises UsageError if there is no ledger, or it is one of a later version; BuslensError if it is damaged or
        cannot be opened.
        """
        path = folder / LEDGER_NAME
        if not path.is_file():
            raise UsageError(
                f"there is no ledger here; 'buslens fleet CAPTURES -o {folder}' makes one", SourceLocation(str(path))
            )
        return cls(path, open_reading(path), None)

    # --- asking, before a capture is read ------------------------------------------------------------------

    def known_content(self, address: str, size: int | None, stamp: str) -> str | None:
        """Return the content hash of a capture that has not changed since it was read; None if that is not sure."""
        if not stamp:
            return None
        row = self._one(
            "SELECT judgement.content FROM capture JOIN judgement ON judgement.id = capture.judgement "
            "WHERE address = ? AND size IS ? AND stamp = ?",
            (as_stored(address), size, stamp),
        )
        return None if row is None or row[0] is None else hash_text(cast("str | bytes", row[0]))

    def is_unchanged(self, address: str, size: int | None, stamp: str) -> bool | None:
        """Whether a capture has the size and stamp that it had when it was entered; None if it never was."""
        row = self._one(
            "SELECT size IS ? AND stamp = ? FROM capture WHERE address = ?", (size, stamp, as_stored(address))
        )
        return None if row is None else bool(row[0])

    def has(self, content: str, ground: str) -> bool:
        """Whether this content was checked on this ground, and would come out the same again.

        A capture that could be had and was no log stays one. One that ran out of time or of memory, whose worker died
        or that could not be had is worth another try.
        """
        with in_words(self.path):
            return self._rows.lasting(content, ground) is not None

    # --- writing -------------------------------------------------------------------------------------------

    def put(self, job: CaptureJob, judged: JobResult) -> None:
        """Enter a capture and what came of it; durable at the next `commit`, whole or not at all.

        The ground becomes the one that the job's group is reported on.

        Raises ValueError if there is no ground, or not one of verdict and trouble; BuslensError if the ledger cannot be
        written; everything since the last commit is undone.
        """
        if not judged.ground or (judged.verdict is None) == (judged.trouble is None):
            raise ValueError("what was judged has a ground, and a verdict or a trouble")
        with self._whole():
            judgement, clock_start_ns = self._rows.enter_result(judged)
            self._rows.enter_capture(job, judgement, judged.ground, clock_start_ns)

    def link(self, job: CaptureJob, content: str, ground: str) -> None:
        """Enter a capture whose judgement is there already: a copy, or a file that has not changed.

        To be called for unchanged files too: the job may name another vehicle than before, or another ground.

        Raises ValueError if there is no such judgement, or not one that lasts (ask `has`); BuslensError if the ledger
        cannot be written; everything since the last commit is undone.
        """
        with self._whole():
            there = self._rows.lasting(content, ground)
            if there is None:
                raise ValueError(f"nothing is known of content {content!r} on ground {ground!r}")
            judgement, clock_start_ns = there
            self._rows.enter_capture(job, judgement, ground, clock_start_ns)

    def forget_troubled(self, is_gone: Callable[[str], bool]) -> None:
        """Take out captures that are gone and had no verdict; durable at the next `commit`.

        Otherwise deleted, unreadable captures would be reported in every run. A verdict stays, whatever becomes of
        its capture.
        """
        query = (
            "SELECT capture.id, address, vehicle, judgement FROM judgement CROSS JOIN capture "
            "ON capture.judgement = judgement.id WHERE trouble IS NOT NULL"
        )
        rows = cast("Iterator[tuple[int, str | bytes, str | bytes, int]]", self.rows(query))
        gone = [(capture, judgement, vehicle) for capture, at, vehicle, judgement in rows if is_gone(as_text(at))]
        if gone:
            with self._whole():
                for capture, judgement, vehicle in gone:
                    self._rows.remove_capture(capture, judgement, vehicle)

    def put_anomalies(self, anomalies: Sequence[Anomaly]) -> None:
        """Enter what stands out in the fleet, in place of what stood out before; durable at the next `commit`."""
        with self._whole():
            self._connection.execute("DELETE FROM anomaly")
            for anomaly in anomalies:
                self._rows.enter_anomaly(anomaly)

    def put_meta(self, name: str, value: object) -> None:
        """Enter something that is known of the fleet as a whole, as JSON; `meta` returns it."""
        with self._whole():
            self._connection.execute("INSERT OR REPLACE INTO meta VALUES (?, ?)", (name, json.dumps(value)))

    def commit(self) -> None:
        """Make everything that was entered durable.

        Raises BuslensError if that cannot be done, such as for want of space; everything since the last commit is
        undone.
        """
        if self._connection.in_transaction:
            with in_words(self.path):
                try:
                    self._connection.execute("COMMIT")
                except BaseException:
                    self._undo()
                    raise

    def close(self) -> None:
        """Commit and close; once more does no harm."""
        try:
            if self._lock is not None:
                self.commit()
        finally:
            self._connection.close()
            if self._lock is not None:
                self._lock.release()
                self._lock = None

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        # What was entered is whole even if something went wrong after.
        self.close()

    # --- for those that read -------------------------------------------------------------------------------

    def rows(self, query: str, values: Sequence[object] | Mapping[str, object] = ()) -> Iterator[tuple[object, ...]]:
        """Yield the rows of a query, a few thousand in memory at a time."""
        with in_words(self.path):
            cursor = self._connection.execute(query, values)
            cursor.arraysize = _BATCH
            while batch := cursor.fetchmany():
                yield from batch

    @contextmanager
    def snapshot(self) -> Iterator[None]:
        """See, while this is open, the ledger as it is now, whatever a writer does."""
        if self._connection.in_transaction:
            yield
            return
        with in_words(self.path):
            self._connection.execute("BEGIN")
        try:
            yield
        finally:
            if self._connection.in_transaction:
                with in_words(self.path):
                    self._connection.execute("COMMIT")

    def meta(self, name: str) -> Any:
        """Return what was entered by `put_meta`; None if nothing was."""
        row = self._one("SELECT value FROM meta WHERE name = ?", (name,))
        try:
            return None if row is None else json.loads(cast("str", row[0]))
        except ValueError as exc:
            raise damaged(self.path, str(exc)) from exc

    # --- inside --------------------------------------------------------------------------------------------

    @contextmanager
    def _whole(self) -> Iterator[None]:
        """Let what is written inside be in the next commit all together, or not at all."""
        if self._lock is None:
            raise ValueError("this ledger is open for reading")
        with in_words(self.path):
            if not self._connection.in_transaction:
                self._connection.execute("BEGIN IMMEDIATE")
            self._connection.execute("SAVEPOINT whole")
            try:
                yield
                self._connection.execute("RELEASE whole")
            except sqlite3.DatabaseError as exc:
                if isinstance(exc, sqlite3.ProgrammingError):
                    self._back()
                else:
                    self._undo()
                raise
            except BaseException:
                # No fault of the file's, or the user stops the run: what came before is whole, and may be committed.
                self._back()
                raise

    def _back(self) -> None:
        """Undo what was written since the savepoint."""
        self._rows.forget()
        if self._connection.in_transaction:
            self._connection.execute("ROLLBACK TO whole")
            self._connection.execute("RELEASE whole")

    def _undo(self) -> None:
        """Undo everything since the last commit, where SQLite has not done so itself."""
        self._rows.forget()
        if self._connection.in_transaction:
            self._connection.execute("ROLLBACK")

    def _one(self, query: str, values: Sequence[object]) -> tuple[object, ...] | None:
        with in_words(self.path):
            return cast("tuple[object, ...] | None", self._connection.execute(query, values).fetchone())


def open_ledger(folder: str | PathLike[str]) -> Ledger:
    """Open what `buslens fleet -o FOLDER` has stored, for reading; a run may go on meanwhile.

    Raises
    ------
    UsageError
        If there is no ledger, or it is one of a later version.
    BuslensError
        If it is damaged or cannot be opened.
    """
    return Ledger.reading(Path(folder))
