"""The ledger as a file: made, opened, checked, with errors that a user can act on."""

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from datetime import UTC, datetime
from functools import cache
from pathlib import Path, PurePath
from textwrap import shorten
from typing import Final

from buslens.errors import BuslensError, SourceLocation, UsageError
from buslens.fleet.ledger_schema import APPLICATION_ID, SCHEMA, SCHEMA_VERSION

_WAIT_S: Final = 30.0
"""How long a lock of SQLite's own is waited for; they are held for moments only."""

_LOOKED_THROUGH_BYTES: Final = 16 << 20
"""A ledger up to this size is looked through whole before it is written to, which takes some hundredths of a second."""

_OPTIONS = ""
"""More for the address under which SQLite opens a file; for tests."""

_DAMAGED: Final = (
    "the ledger is damaged ({detail}); bring it back from a copy, or move it away and let the run make a new one"
)
_NO_LEDGER: Final = "is no ledger of buslens ({detail}); give another folder, or move the file away"
_REASONS: Final = {
    sqlite3.SQLITE_FULL: "no space is left for the ledger; make room and run again: it goes on after the last capture "
    "that was written",
    sqlite3.SQLITE_CORRUPT: _DAMAGED,
    sqlite3.SQLITE_NOTADB: _NO_LEDGER,
    sqlite3.SQLITE_CANTOPEN: "the ledger cannot be opened ({detail}); see whether the folder may be written to",
    sqlite3.SQLITE_PERM: "no permission for the ledger ({detail})",
    sqlite3.SQLITE_READONLY: "the ledger may not be written to ({detail})",
    sqlite3.SQLITE_IOERR: "the device failed to read or write the ledger ({detail}); it stands as it was after the "
    "last capture that was written",
    sqlite3.SQLITE_BUSY: "another program holds the ledger ({detail}); wait until it is done",
    sqlite3.SQLITE_LOCKED: "another program holds the ledger ({detail}); wait until it is done",
    sqlite3.SQLITE_NOMEM: "too little memory for the ledger",
}


@contextmanager
def in_words(path: Path) -> Iterator[None]:
    """Turn SQLite's errors, and values that no ledger holds, into sentences about the file `path`."""
    try:
        yield
    except (sqlite3.ProgrammingError, sqlite3.InterfaceError):
        raise  # no fault of the file's
    except sqlite3.Error as exc:
        # What has no entry is a statement that fits no table, or a text that is none: the file is not as it was made.
        reason = _REASONS.get(_code(exc), _DAMAGED)
        raise BuslensError(reason.format(detail=_on_one_line(str(exc))), SourceLocation(str(path))) from exc
    except UnicodeDecodeError as exc:
        # SQLite quotes what it does not understand, and that may be no text.
        raise damaged(path, "what is in it cannot be read") from exc


def _code(error: sqlite3.Error) -> int:
    """Return SQLite's code for an error, without what more it has to say; 0 for one that is not SQLite's own."""
    return getattr(error, "sqlite_errorcode", 0) & 0xFF


def _on_one_line(text: str) -> str:
    return shorten(text, width=200, placeholder=" …")


def damaged(path: Path, detail: str) -> BuslensError:
    """Return the error for a value that no ledger holds."""
    return BuslensError(_DAMAGED.format(detail=_on_one_line(detail)), SourceLocation(str(path)))


def as_stored(text: str) -> str | bytes:
    """Return a text fit for SQLite: names of files may hold bytes that are no text, and go in as bytes."""
    try:
        text.encode()
    except UnicodeEncodeError:
        return text.encode("utf-8", "surrogatepass")
    return text


def as_text(stored: str | bytes) -> str:
    """Return what `as_stored` was given."""
    return stored if isinstance(stored, str) else str(stored, "utf-8", "surrogatepass")


def open_writing(path: Path, program: str) -> sqlite3.Connection:
    """Open a ledger for its one writer, with a write-ahead log; make it if there is none.

    Raises BuslensError if the file is no ledger, is damaged, is of another version, or cannot have a write-ahead log.
    """
    with in_words(path):
        connection = _connect(path, "rwc")
        with _closed_on_error(connection):
            is_new = _is_blank(connection)
            if not is_new:
                _look_over(connection, path)
                _look_through(connection, path)
            (mode,) = connection.execute("PRAGMA journal_mode = WAL").fetchone()
            if mode != "wal":
                raise UsageError(
                    "the file system of this folder does not take a write-ahead log, as many network folders do not; "
                    "choose a folder on a local disk and copy the results from there",
                    SourceLocation(str(path)),
                )
            # What is committed stays even if the power fails: one wait for the disk per commit.
            connection.execute("PRAGMA synchronous = FULL")
            connection.execute("PRAGMA cache_size = -65536")
            if is_new:
                _make(connection)
            known = connection.execute("SELECT value FROM meta WHERE name = 'program'").fetchone()
            if known != (program,):
                connection.execute("INSERT OR REPLACE INTO meta VALUES ('program', ?)", (program,))
        return connection


def open_reading(path: Path) -> sqlite3.Connection:
    """Open a ledger without the right to write, while a writer is at work too.

    Raises BuslensError if the file is no ledger, is damaged or of another version.
    """
    with in_words(path):
        try:
            connection = _connect(path, "ro")
            with _closed_on_error(connection):
                _look_over(connection, path)
        except sqlite3.OperationalError as exc:
            # In a folder that may not be written to, readers cannot share the log; without a log they need not.
            log = path.with_name(path.name + "-wal")
            may_help = _code(exc) in {sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_READONLY}
            if not may_help or (log.exists() and log.stat().st_size):
                raise
            connection = _connect(path, "ro&immutable=1")
            with _closed_on_error(connection):
                _look_over(connection, path)
        connection.execute("PRAGMA cache_size = -65536")
        return connection


def _connect(path: Path, mode: str) -> sqlite3.Connection:
    uri = f"{_uri(path.absolute())}?mode={mode}{_OPTIONS}"
    # No transactions but those that are asked for.
    return sqlite3.connect(uri, uri=True, timeout=_WAIT_S, isolation_level=None)


def _uri(path: PurePath) -> str:
    """Return a path as the address that SQLite takes: the name of a server on Windows belongs to the path there."""
    uri = path.as_uri()
    return uri if uri.startswith("file:///") else uri.replace("file://", "file:////", 1)


@contextmanager
def _closed_on_error(connection: sqlite3.Connection) -> Iterator[None]:
    try:
        yield
    except BaseException:
        with suppress(sqlite3.Error):
            connection.close()
        raise


def _is_blank(connection: sqlite3.Connection) -> bool:
    """Whether nothing was written yet: a new file, or one whose maker was stopped before the tables stood."""
    (mark,) = connection.execute("PRAGMA application_id").fetchone()
    return not mark and connection.execute("SELECT 1 FROM sqlite_master").fetchone() is None


def _look_over(connection: sqlite3.Connection, path: Path) -> None:
    """Refuse what is no ledger, or of another version."""
    (mark,) = connection.execute("PRAGMA application_id").fetchone()
    if mark != APPLICATION_ID:
        detail = "an empty file" if _is_blank(connection) else "a database of another program"
        raise UsageError(_NO_LEDGER.format(detail=detail), SourceLocation(str(path)))
    (version,) = connection.execute("PRAGMA user_version").fetchone()
    if version != SCHEMA_VERSION:
        row = connection.execute("SELECT value FROM meta WHERE name = 'program'").fetchone()
        made = f"({row[0] if row else 'unknown'}; tables of version {version}, where {SCHEMA_VERSION} is known here)"
        if version > SCHEMA_VERSION:
            raise UsageError(
                f"this ledger was written by a later buslens {made}; use that one", SourceLocation(str(path))
            )
        raise UsageError(
            f"this ledger was written by an earlier buslens {made}; use that one, or name a new folder with -o",
            SourceLocation(str(path)),
        )
    if _tables(connection) != _own_tables():
        raise damaged(path, "its tables are not those that it was made with")


def _look_through(connection: sqlite3.Connection, path: Path) -> None:
    """Refuse a damaged file where that can be found out quickly, before hours of work are put into it."""
    if path.stat().st_size <= _LOOKED_THROUGH_BYTES:
        (answer,) = connection.execute("PRAGMA quick_check(1)").fetchone()
        if answer != "ok":
            raise damaged(path, str(answer))


def _tables(connection: sqlite3.Connection) -> set[tuple[str, ...]]:
    return set(connection.execute("SELECT type, name, sql FROM sqlite_master WHERE name NOT LIKE 'sqlite_stat%'"))


@cache
def _own_tables() -> frozenset[tuple[str, ...]]:
    with sqlite3.connect(":memory:") as connection:
        connection.executescript(SCHEMA)
        tables = frozenset(_tables(connection))
    connection.close()
    return tables


def _make(connection: sqlite3.Connection) -> None:
    """Make the tables, all or none."""
    connection.execute("BEGIN IMMEDIATE")
    try:
        for statement in SCHEMA.split(";"):
            connection.execute(statement)
        made = datetime.now(UTC).isoformat(" ", "seconds")
        connection.execute("INSERT INTO meta VALUES ('made', ?)", (made,))
        connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        connection.execute(f"PRAGMA user_version = {SCHEMA_VERSION}")
        connection.execute("COMMIT")
    except BaseException:
        if connection.in_transaction:
            connection.execute("ROLLBACK")
        raise
