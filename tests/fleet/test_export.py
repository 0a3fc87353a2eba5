"""The exported tables: Parquet, CSV and ledger tell the same."""

from __future__ import annotations

import csv
import os
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.examples import examples
from support.ledgers import fill, generated, jobs, judged, scratch

from buslens.errors import BuslensError
from buslens.fleet.export import FORMULA, TABLES, export, in_a_cell
from buslens.fleet.ledger import Ledger

if TYPE_CHECKING:
    from collections.abc import Iterator

    from buslens.fleet.model import CaptureJob, JobResult

WORDS = {"text", "words", "hash"}


def utf8(text: str) -> str:
    return text.encode(errors="backslashreplace").decode()


def cell(value: Any, kind: str) -> str:
    """Return how a value of a Parquet file is to stand in the CSV."""
    if value is None:
        return ""
    if kind in WORDS:
        return f"'{value}" if value[:1] in FORMULA and value else value
    if kind == "truth":
        return str(value).lower()
    return value if isinstance(value, str) else repr(value)


def parquet_rows(path: Path, kinds: list[str]) -> list[list[Any]]:
    """Return the rows of a Parquet file, dates as numbers of ns."""
    table = pq.read_table(path)
    columns = []
    for kind, column in zip(kinds, table.columns, strict=True):
        columns.append(column.cast("int64").to_pylist() if kind == "date" else column.to_pylist())
    return [list(row) for row in zip(*columns, strict=True)]


def csv_rows(path: Path) -> list[list[str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.reader(file, strict=True))


def recorded(job: CaptureJob, result: JobResult) -> int | None:
    return result.clock_start_ns if job.recorded_ns is None else job.recorded_ns


def expected(name: str, job: CaptureJob, result: JobResult) -> Iterator[tuple[Any, ...]]:
    """Yield the rows that one capture has in a table, without its first three columns; times as they are."""
    if name == "handshakes":
        yield from ((utf8(r), *rest, utf8(gone), tries) for r, *rest, gone, tries in result.handshakes)
    elif name == "delays":
        for rule, run, step, outcome, *rest in result.delays:
            yield (utf8(rule), run, utf8(step), outcome.value, *rest)
    elif name == "findings":
        for one in result.findings:
            step = None if one.step is None else utf8(one.step)
            whole = (one.handshake, one.outcome.value, utf8(one.reason), one.time_ns, one.delay_earliest)
            yield (utf8(one.rule), one.kind, step, *whole, one.delay_latest, one.limit_least, one.limit_most, one.unit)
    else:
        faults = sum(one.outcome.is_fault for one in result.findings)
        when = recorded(job, result)
        yield (
            None if when is None else "clock" if job.recorded_ns is None else "name",
            job.group.name,
            job.size,
            result.content or None,
            False,
            result.verdict and result.verdict.value,
            result.trouble and result.trouble.value,
            utf8(result.summary),
            result.met,
            faults,
            len(result.findings) - faults,
            len(result.handshakes),
            "; ".join(result.unexercised),
            result.frames,
            result.skipped_lines,
            result.duration_ns,
            result.seconds,
        )


def test_names_that_others_rely_on(tmp_path: Path) -> None:
    """Columns are declared with the tables of one capture; their names are what programs of users ask for."""
    with Ledger.writing(tmp_path) as ledger:
        export(ledger, tmp_path)
    named = {table.name: [it.name for it in table.columns[3:]] for table in TABLES}
    assert named["handshakes"] == (
        ["rule", "handshake", "start_earliest_ns", "start_latest_ns", "end_ns", "completed", "abandoned", "tries"]
    )
    assert named["delays"] == (
        ["rule", "handshake", "step", "outcome", "time_ns", "earliest_ns", "latest_ns", "least_ns", "most_ns"]
    )
    schemas = {table.name: pq.read_schema(tmp_path / f"{table.name}.parquet") for table in TABLES}
    assert schemas["delays"].field("most_ns").metadata == {b"meaning": b"greatest that is allowed"}
    assert all(field.metadata[b"meaning"] for schema in schemas.values() for field in schema)


class TestExport:
    """Every table has every row of the captures that count, in Parquet and in CSV alike."""

    @settings(max_examples=examples(25))
    @given(
        entered=st.lists(
            st.tuples(jobs(), judged(grounds=("one",))),
            max_size=5,
            unique_by=(lambda pair: pair[0].address, lambda pair: pair[1].content or id(pair)),
        )
    )
    def test_parquet_csv_and_ledger_are_one(self, entered: list[tuple[CaptureJob, JobResult]]) -> None:
        with scratch() as name:
            folder = Path(name)
            with Ledger.writing(folder) as ledger:
                for job, result in entered:
                    ledger.put(job, result)
                paths = export(ledger, folder)
            assert paths == [folder / f"{table.name}{end}" for table in TABLES for end in (".parquet", ".csv")]
            for table, parquet, text in zip(TABLES, paths[::2], paths[1::2], strict=True):
                kinds = [it.kind for it in table.columns]
                header = [it.name for it in table.columns]
                rows = parquet_rows(parquet, kinds)
                head, *lines = csv_rows(text)
                assert head == header == pq.read_schema(parquet).names
                # SQLite orders texts before bytes, each by its bytes.
                order = sorted(entered, key=lambda pair: ("\udcff" in pair[0].address, utf8(pair[0].address).encode()))
                assert rows == [
                    [utf8(job.address), utf8(job.vehicle), recorded(job, result), *row]
                    for job, result in order
                    for row in expected(table.name, job, result)
                ]
                dates = [
                    str(np.datetime64(row[2], "ns")).replace("T", " ") if row[2] is not None else None for row in rows
                ]
                for row, line, date in zip(rows, lines, dates, strict=True):
                    want = [cell(value, kind) for value, kind in zip(row, kinds, strict=True)]
                    assert line[:2] + line[3:] == want[:2] + want[3:]
                    assert (np.datetime64(line[2], "ns") == np.datetime64(date, "ns")) if date else not line[2]

    def test_lines_end_as_rfc_4180_says(self, tmp_path: Path) -> None:
        fill(tmp_path, vehicles=2, captures=4)
        with Ledger.reading(tmp_path) as ledger:
            text = export(ledger, tmp_path)[1].read_bytes()
        assert text.count(b"\r\n") == text.count(b"\n") == 5
        assert text.endswith(b"\r\n")

    def test_a_large_table_comes_in_groups_of_rows(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        fill(tmp_path, vehicles=2, captures=20)
        with Ledger.reading(tmp_path) as ledger:
            whole = [path.read_bytes() for path in export(ledger, tmp_path)[1::2]]
            monkeypatch.setattr("buslens.fleet.export._BATCH", 7)
            paths = export(ledger, tmp_path)
        assert [path.read_bytes() for path in paths[1::2]] == whole
        assert pq.ParquetFile(paths[0]).num_row_groups == 3

    def test_copies_are_marked_and_outdated_captures_left_out(self, tmp_path: Path) -> None:
        (job, result), (other, its), _ = generated(vehicles=3, captures=3)
        with Ledger.writing(tmp_path) as ledger:
            ledger.put(job, result)
            ledger.link(replace(job, address=job.address + ".copy"), result.content, result.ground)
            paths = export(ledger, tmp_path)
            assert pd.read_parquet(paths[0])["is_copy"].tolist() == [False, True]
            assert set(pd.read_parquet(paths[4])["address"]) == {job.address}
            ledger.put(other, replace(its, ground="new expectations"))
            assert pd.read_parquet(export(ledger, tmp_path)[0])["address"].tolist() == [other.address]

    def test_pandas_reads_both_alike(self, tmp_path: Path) -> None:
        fill(tmp_path, vehicles=8, captures=120)
        with Ledger.reading(tmp_path) as ledger:
            paths = export(ledger, tmp_path)
        for table, parquet, text in zip(TABLES, paths[::2], paths[1::2], strict=True):
            one = pd.read_parquet(parquet)
            other = pd.read_csv(
                text,
                parse_dates=["recorded"],
                keep_default_na=False,
                na_values={name: [""] for name, kind, *_ in table.columns if kind not in WORDS},
            )
            assert len(one) > 0
            for name, kind, *_ in table.columns:
                if kind in WORDS:
                    assert one[name].fillna("").tolist() == other[name].tolist()
                elif kind == "date":
                    assert (
                        one[name].astype("int64").tolist()
                        == other[name].astype("datetime64[ns]").astype("int64").tolist()
                    )
                else:
                    np.testing.assert_array_equal(one[name].to_numpy(float), other[name].to_numpy(float))

    def test_an_empty_ledger_gives_empty_tables(self, tmp_path: Path) -> None:
        with Ledger.writing(tmp_path) as ledger:
            paths = export(ledger, tmp_path)
        assert [len(pd.read_parquet(path)) for path in paths[::2]] == [0] * 4
        assert [len(csv_rows(path)) for path in paths[1::2]] == [1] * 4


class TestFailures:
    """What was there stays when an export fails, and the reason is a sentence."""

    def test_no_folder(self, tmp_path: Path) -> None:
        fill(tmp_path, vehicles=1, captures=1)
        with Ledger.reading(tmp_path) as ledger, pytest.raises(BuslensError, match="there is no folder"):
            export(ledger, tmp_path / "gone")

    @pytest.mark.skipif(os.name == "nt" or not Path("/dev/full").exists(), reason="needs a device that is always full")
    def test_no_space(self, tmp_path: Path) -> None:
        fill(tmp_path, vehicles=1, captures=3)
        with Ledger.reading(tmp_path) as ledger:
            before = {path: path.read_bytes() for path in export(ledger, tmp_path)}
            for path, data in before.items():
                path.unlink()
                path.symlink_to("/dev/full")
                with pytest.raises(BuslensError, match="no space left"):
                    export(ledger, tmp_path)
                path.unlink()
                path.write_bytes(data)
                assert {one: one.read_bytes() for one in before} == before
        assert not list(tmp_path.glob(".tmp-*"))


class TestInACell:
    """No text begins in a way that a spreadsheet takes for a formula."""

    @given(st.text())
    def test_never_a_formula(self, text: str) -> None:
        shown = in_a_cell(text)
        assert not shown.startswith(FORMULA)
        assert shown in {text, "'" + text}

    @pytest.mark.parametrize("text", ["=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "\r=1", "\N{FULLWIDTH EQUALS SIGN}1"])
    def test_known_ways(self, text: str) -> None:
        # OWASP, "CSV Injection": the characters that begin a formula (from memory).
        assert in_a_cell(text) == "'" + text
