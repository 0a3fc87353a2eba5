"""One run, told in seven ways: text, page, JUnit, CSV, Parquet, ledger, and the JSON of each capture alone."""

from __future__ import annotations

import csv
import html
import json
import re
import shutil
import xml.etree.ElementTree as ET
from decimal import Decimal
from pathlib import Path
from typing import Any

import pyarrow.parquet as pq
import pytest
from support.fleets import EXPECTATIONS, write_fleet
from support.here_and_now import HereAndNow

import buslens
from buslens.fleet.page.page_data import gather
from buslens.fleet.text import closing
from buslens.report.document import capture_entry, document, dumps

TABLES = ("captures", "handshakes", "delays", "findings")


def rows(out: Path, table: str) -> list[dict[str, Any]]:
    """Return the rows of a table, which are the same in both forms."""
    found = pq.read_table(out / f"{table}.parquet").to_pylist()
    with (out / f"{table}.csv").open(encoding="utf-8", newline="") as file:
        for row, cells in zip(found, csv.DictReader(file), strict=True):
            for name, value in row.items():
                if isinstance(value, bool):
                    assert cells[name] == str(value).lower()
                elif isinstance(value, int | float):
                    assert float(cells[name]) == value
                elif not hasattr(value, "year"):
                    assert cells[name] == (value or "")
    return found


def nanoseconds(seconds: Decimal | None) -> int | None:
    return None if seconds is None else int(seconds * 10**9)


@pytest.mark.slow
def test_one_run(tmp_path: Path) -> None:
    """Whoever adds up one of them comes to what another says."""
    source, out = tmp_path / "in", tmp_path / "out"
    paths = write_fleet(source, 7)
    shutil.copy(paths[1], source / "car1_again.log")
    (source / "car2_empty.log").write_bytes(b"")
    (source / "car0_cut.log").write_bytes(paths[0].read_bytes()[: paths[0].stat().st_size // 2])
    done = buslens.run_fleet(
        source, out, name="{vehicle}_*", expectations=EXPECTATIONS, workers=HereAndNow(), junit=tmp_path / "fleet.xml"
    )
    captures, handshakes, delays, findings = (rows(out, table) for table in TABLES)
    assert [row["address"] for row in captures if row["is_copy"]] == [str(source / "car1_again.log")]
    counting = [row for row in captures if not row["is_copy"]]
    suites = {suite.get("name"): suite for suite in ET.parse(tmp_path / "fleet.xml").getroot()}  # noqa: S314  # ours
    assert sorted(suites) == [row["address"] for row in counting]

    def own(table: list[dict[str, Any]], row: dict[str, Any]) -> list[dict[str, Any]]:
        return [it for it in table if it["address"] == row["address"]]

    for row in counting:
        unmet = own(findings, row)
        assert len(unmet) == row["faults"] + row["undecided"]
        assert sum(it["outcome"] == "undecided" for it in unmet) == row["undecided"]
        suite = suites[row["address"]]
        failed = {case.get("name") for case in suite.iter("testcase") if case.find("failure") is not None}
        assert failed == {it["rule"] for it in unmet if it["outcome"] != "undecided"}
        assert bool(failed) == (row["verdict"] == "faulty")
        if row["verdict"] is None:
            assert (row["trouble"], suite.get("errors")) == ("unreadable", "1")
            continue
        alone = dumps(document([capture_entry(buslens.check(row["address"], EXPECTATIONS))]))
        (entry,) = json.loads(alone, parse_float=Decimal)["captures"]
        for key in ("verdict", "summary", "frames", "skipped_lines"):
            assert entry[key] == row[key]
        assert len(entry["findings"]) == row["met"] + len(unmet)
        assert [
            (it["rule"], it["step"], it["handshake"], it["outcome"], it["reason"], nanoseconds(it["time"]))
            for it in entry["findings"]
            if it["outcome"] != "met"
        ] == [tuple(it[key] for key in ("rule", "step", "handshake", "outcome", "reason", "time_ns")) for it in unmet]
        assert [
            (it["rule"], it["step"], it["outcome"], it["delay"] and nanoseconds(it["delay"]["latest"]))
            for it in entry["findings"]
            if it["step"] is not None and it["handshake"] is not None
        ] == [(it["rule"], it["step"], it["outcome"], it["latest_ns"]) for it in own(delays, row)]
        assert [(it["rule"], it["handshake"], nanoseconds(it["end"])) for it in entry["handshakes"]] == [
            (it["rule"], it["handshake"], it["end_ns"]) for it in own(handshakes, row)
        ]
    with buslens.open_ledger(out) as ledger:
        view = gather(ledger)
    summary = view.summary
    assert (summary.captures, summary.copies) == (len(counting), 1)
    assert (summary.as_expected, summary.faulty, summary.undecided) == tuple(
        sum(row["verdict"] == verdict for row in counting) for verdict in ("as_expected", "faulty", "undecided")
    )
    assert summary.handshakes == len(handshakes) == sum(row["handshakes"] for row in counting)
    said = closing(view, done.done, files=())
    page = html.unescape(re.sub("<[^>]+>", " ", (out / "index.html").read_text("utf-8")))
    shown = re.sub(r"\s+", " ", page)
    assert re.sub(r"\s+", " ", said).rstrip().endswith("Of 3 vehicles, 2 are faulty and 1 is as expected.")
    assert "Of 3 vehicles, 2 are faulty and 1 is as expected." in shown
    assert f"3 vehicles · {len(counting)} captures" in shown
