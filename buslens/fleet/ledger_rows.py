"""Captures and judgements as rows of a ledger's tables, entered by its one writer.

The statements stand here; that they take effect whole or not at all is the ledger's part.
"""

import json
import sqlite3
from collections.abc import Sequence
from dataclasses import fields
from enum import Enum
from typing import Final, Literal, cast

from buslens.fleet.ledger_file import as_stored
from buslens.fleet.ledger_schema import PARTS
from buslens.fleet.model import LASTING, Anomaly, CaptureJob, DelayRow, JobResult

_MOST_KEPT: Final = 100_000
"""Numbers of rows that are remembered in memory, so that memory does not grow with the fleet."""


class RowWriter:
    """What is entered through one connection."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._connection = connection
        self._numbers: dict[tuple[object, ...], int] = {}

    def forget(self) -> None:
        """Take nothing as entered that this remembers: it may have been undone."""
        self._numbers.clear()

    def enter_capture(self, job: CaptureJob, judgement: int, ground: str, clock_start_ns: int | None) -> None:
        """Enter where a capture lies and what is known of it, with its judgement."""
        vehicle, grouping, address = map(as_stored, (job.vehicle, job.group.name, job.address))
        new = {
            "judgement": judgement,
            "vehicle": vehicle,
            "grouping": grouping,
            "recorded_ns": clock_start_ns if job.recorded_ns is None else job.recorded_ns,
            "is_named": int(job.recorded_ns is not None),
            "size": job.size,
            "stamp": job.stamp,
        }
        self._set_standard(grouping, ground)
        old = self._one(f"SELECT {', '.join(new)} FROM capture WHERE address = ?", (address,))  # noqa: S608  # names of ours
        if old == tuple(new.values()):
            return
        if old is None:
            self._insert("INSERT INTO capture", **new, address=address)
        else:
            changed = ", ".join(f"{name} = ?" for name in new)
            self._run(f"UPDATE capture SET {changed} WHERE address = ?", (*new.values(), address))  # noqa: S608  # names of ours
            before, vehicle_before = cast("tuple[int, str | bytes]", old[:2])
            if (before, vehicle_before) != (judgement, vehicle):
                self._report_copies(before, vehicle_before)
            if before != judgement:
                self._drop_passing_trouble(before)
        self._report_copies(judgement, vehicle)

    def remove_capture(self, capture: int, judgement: int, vehicle: str | bytes) -> None:
        """Remove a capture, and its judgement if it is a trouble that would not last."""
        self._run("DELETE FROM capture WHERE id = ?", (capture,))
        self._report_copies(judgement, vehicle)
        self._drop_passing_trouble(judgement)

    def enter_result(self, judged: JobResult) -> tuple[int, int | None]:
        """Enter what came of a content, unless it has a verdict already; return number and clock of what stands."""
        content = hash_stored(judged.content) if judged.content else None
        ground = self._numbered("ground", text=judged.ground)
        number = None
        if content is not None:
            query = "SELECT id, verdict, clock_start_ns FROM judgement WHERE content = ? AND ground = ?"
            there = cast("tuple[int, int | None, int | None] | None", self._one(query, (content, ground)))
            if there is not None:
                number, verdict, clock_start_ns = there
                if verdict is not None:
                    return number, clock_start_ns
                # A trouble gives way to what came of another try, under the same number, for all that have it.
                self._delete_parts(number)
                self._run(
                    "UPDATE capture SET recorded_ns = ? WHERE judgement = ? AND is_named = 0",
                    (judged.clock_start_ns, number),
                )
        number = self._enter_summary(judged, content, ground, number)
        self._enter_parts(judged, number)
        return number, judged.clock_start_ns

    def enter_anomaly(self, anomaly: Anomaly) -> None:
        """Enter something that stands out."""
        values = {it.name: _stored(getattr(anomaly, it.name)) for it in fields(Anomaly)}
        self._insert("INSERT INTO anomaly", **values)

    def lasting(self, content: str, ground: str) -> tuple[int, int | None] | None:
        """Return number and clock of the judgement of a content on a ground, if it lasts."""
        if not content:
            return None
        row = self._one(
            "SELECT judgement.id, clock_start_ns FROM judgement JOIN ground ON ground.id = judgement.ground "
            "WHERE content = ? AND ground.text = ? "
            "AND (trouble IS NULL OR trouble IN (?, ?))",
            (hash_stored(content), ground, *(trouble.value for trouble in LASTING)),
        )
        return cast("tuple[int, int | None] | None", row)

    def _enter_summary(self, judged: JobResult, content: str | bytes | None, ground: int, number: int | None) -> int:
        faults = sum(found.outcome.is_fault for found in judged.findings)
        return self._insert(
            "INSERT OR REPLACE INTO judgement",
            id=number,
            content=content,
            frames_hash=hash_stored(judged.frames_hash) if judged.frames_hash else None,
            ground=ground,
            verdict=None if judged.verdict is None else judged.verdict.value,
            trouble=None if judged.trouble is None else judged.trouble.value,
            met=judged.met,
            faults=faults,
            undecided=len(judged.findings) - faults,
            handshakes=len(judged.handshakes),
            frames=judged.frames,
            skipped_lines=judged.skipped_lines,
            duration_ns=judged.duration_ns,
            clock_start_ns=judged.clock_start_ns,
            unexercised=json.dumps(judged.unexercised),
            seconds=judged.seconds,
            summary=as_stored(judged.summary),
        )

    def _enter_parts(self, judged: JobResult, number: int) -> None:
        steps = [self._step(row) for row in judged.delays]
        identifiers = [self._identifier(*row[:3]) for row in judged.traffic]
        self._enter_rows("handshake", [(number, place, *row) for place, row in enumerate(judged.handshakes)])
        self._enter_rows(
            "delay",
            [
                (step, number, place, row.handshake, row.outcome, row.time_ns, row.earliest_ns, row.latest_ns)
                for place, (step, row) in enumerate(zip(steps, judged.delays, strict=True))
            ],
        )
        self._enter_rows("finding", [(number, place, *row) for place, row in enumerate(judged.findings)])
        self._enter_rows(
            "traffic",
            [
                (number, place, identifier, row.frames, row.cycle_ns)
                for place, (identifier, row) in enumerate(zip(identifiers, judged.traffic, strict=True))
            ],
        )

    def _enter_rows(self, table: str, rows: Sequence[tuple[object, ...]]) -> None:
        """Enter rows that have a value for each column of a table, in its order."""
        if rows:
            statement = f"INSERT INTO {table} VALUES ({', '.join('?' * len(rows[0]))})"  # noqa: S608  # names of ours
            self._connection.executemany(statement, [tuple(map(_stored, row)) for row in rows])

    def _set_standard(self, grouping: str | bytes, ground: str) -> None:
        """Take the ground that a group was last checked on as the one that is reported."""
        number = self._numbered("ground", text=ground)
        if self._numbers.get(("standard", grouping)) != number:
            self._run("INSERT OR REPLACE INTO standard VALUES (?, ?)", (grouping, number))
            self._numbers["standard", grouping] = number

    def _report_copies(self, judgement: int, vehicle: str | bytes) -> None:
        """Let one capture count among those of one vehicle that are the same: the first by address, come when it may.

        The same are those with one judgement, and those whose judgements on one ground are of the same frames.
        """
        # In one statement: a vehicle may have thousands of one content, such as of recordings that are empty.
        same = (
            "judgement IN (SELECT :judgement UNION SELECT other.id FROM judgement own JOIN judgement other "
            "ON other.frames_hash = own.frames_hash AND other.ground = own.ground WHERE own.id = :judgement) "
            "AND vehicle = :vehicle"
        )
        is_copy = f"address <> (SELECT min(address) FROM capture WHERE {same})"  # noqa: S608  # text of ours
        self._connection.execute(
            f"UPDATE capture SET copy = {is_copy} WHERE {same} AND copy <> ({is_copy})",  # noqa: S608  # text of ours
            {"judgement": judgement, "vehicle": vehicle},
        )

    def _drop_passing_trouble(self, judgement: int) -> None:
        """Remove a trouble that no capture has any more and that would not last; what lasts may be needed again."""
        gone = self._connection.execute(
            "DELETE FROM judgement WHERE id = ? AND trouble IS NOT NULL AND (content IS NULL OR trouble NOT IN (?, ?)) "
            "AND NOT EXISTS (SELECT 1 FROM capture WHERE capture.judgement = judgement.id)",
            (judgement, *(trouble.value for trouble in LASTING)),
        )
        if gone.rowcount:
            self._delete_parts(judgement)

    def _delete_parts(self, judgement: int) -> None:
        for part in PARTS:
            # Delays lie by step: without naming the steps, all of them would be walked.
            which = "step IN (SELECT id FROM step) AND judgement = ?" if part == "delay" else "judgement = ?"
            self._run(f"DELETE FROM {part} WHERE {which}", (judgement,))  # noqa: S608  # names of ours

    def _one(self, query: str, values: Sequence[object]) -> tuple[object, ...] | None:
        return cast("tuple[object, ...] | None", self._connection.execute(query, values).fetchone())

    def _run(self, statement: str, values: Sequence[object] = ()) -> int:
        """Carry a statement out; return the number of the row that it made, if it made one."""
        return self._connection.execute(statement, values).lastrowid or 0

    def _insert(self, statement: str, **columns: object) -> int:
        marks = ", ".join("?" for _ in columns)
        return self._run(f"{statement} ({', '.join(columns)}) VALUES ({marks})", tuple(columns.values()))

    def _numbered(self, table: Literal["ground", "step", "identifier"], **columns: object) -> int:
        """Return the number of a row in one of the tables that hold everything once; make it if it is not there."""
        values = tuple(columns.values())
        number = self._numbers.get((table, *values))
        if number is None:
            # IS, since a limit that is not there equals another that is not there.
            where = " AND ".join(f"{name} IS ?" for name in columns)
            row = self._one(f"SELECT id FROM {table} WHERE {where}", values)  # noqa: S608  # names of ours
            number = cast("int", row[0]) if row is not None else self._insert(f"INSERT INTO {table}", **columns)
            if len(self._numbers) >= _MOST_KEPT:
                self._numbers.clear()
            self._numbers[table, *values] = number
        return number

    def _step(self, row: DelayRow) -> int:
        rule, step = as_stored(row.rule), as_stored(row.step)
        return self._numbered("step", rule=rule, step=step, least_ns=row.least_ns, most_ns=row.most_ns)

    def _identifier(self, channel: str, can_id: int, is_extended: bool) -> int:  # as the row has it
        stored = as_stored(channel)
        return self._numbered("identifier", channel=stored, can_id=can_id, is_extended=int(is_extended))


def _stored(value: object) -> object:
    """Return a value of a record as a column of the ledger holds it."""
    match value:
        case str():
            return as_stored(value)
        case Enum():
            return value.value
        case tuple() | dict():
            return json.dumps(value)
        case _:
            return value


def hash_stored(content: str) -> str | bytes:
    """Return a hash as half as many bytes, where its text is the one that comes back from `hash_text`."""
    try:
        packed = bytes.fromhex(content)
    except ValueError:
        return as_stored(content)
    return packed if packed.hex() == content else content


def hash_text(stored: str | bytes) -> str:
    """Return what `hash_stored` was given."""
    return stored if isinstance(stored, str) else stored.hex()
