"""Tables of what was found lose nothing: every number is there, whole, and what is not known is no number."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pandas as pd
from support.handmade import read_stats
from support.stage import becomes, holds, perform, sampled, step

import buslens
from buslens.capture.frames import Clock
from buslens.checks.findings import Findings, Outcome, Result
from buslens.checks.records import ColumnRecords
from buslens.checks.tables import DELAYS, FINDINGS, HANDSHAKES
from buslens.expectations.model import Never, Sequence
from buslens.units import NS_PER_MS

LONG_AGO_NS = 1_773_473_400_123_456_789
"""A time of day that no double holds to the nanosecond."""


def result() -> Result:
    """Return two handshakes, of which the second is not answered, in a log with the time of day."""
    ms = LONG_AGO_NS / NS_PER_MS
    changes = {
        "door": [(0.0, "off"), (30, "on"), (180, "off"), (230, "on")],
        "enable": [(0.0, "off"), (40, "on"), (100, "off"), (240, "on")],
    }
    rule = Sequence(
        name="lock handshake",
        start=becomes("door", "on"),
        steps=(step("enable", "enable", "on", within=60), step("ends", "enable", "off", within=70, after=10)),
    )
    never = Never(name="never", when=holds("door", "on"), longer_than_ns=10**12)
    samples = {
        role: [(at + ms, state) for at, state in sampled(of, every=5, until=500)] for role, of in changes.items()
    }
    return perform(samples, rule, never)


def missing(value: Any) -> Any:
    return None if value is pd.NA else value


def test_findings() -> None:
    found = result()
    table = found.findings.to_pandas()
    assert list(table.columns) == [it.name for it in FINDINGS]
    assert str(table.time_ns.dtype) == "Int64"
    for row, finding in zip(table.itertuples(), found.findings, strict=True):
        assert (row.rule, row.kind, row.reason) == (finding.rule, finding.kind, finding.reason)
        assert Outcome(row.outcome) is finding.outcome
        assert missing(row.time_ns) == finding.time_ns
        assert missing(row.step) == finding.step
        delay = finding.delay
        assert missing(row.earliest_ns) == (None if delay is None else delay.earliest_ns)
        assert missing(row.latest_ns) == (None if delay is None else delay.latest_ns)
    assert list(map(missing, table["count"])) == [it.count for it in found.findings]
    begun = [None if it.reference is None else it.reference.earliest_ns for it in found.findings]
    assert list(map(missing, table.from_earliest_ns)) == begun
    # Were they ever floats, the nanoseconds would be gone.
    assert any(it is not None and int(float(it)) != it for it in begun)
    assert {Outcome.MET, Outcome.MISSING} <= {it.outcome for it in found.findings}


def test_delays() -> None:
    found = result()
    table = found.delays.to_pandas()
    assert list(table.columns) == [it.name for it in DELAYS]
    assert table.step.tolist() == [it.step for it in found.findings if it.step]
    ends = table[table.step == "ends"]
    assert ends.least_ns.tolist() == [10 * NS_PER_MS] * 2
    assert ends.outcome.tolist() == ["met", "missing"]
    assert ends.earliest_ns.isna().tolist() == [False, True]


def test_handshakes() -> None:
    found = result()
    table = found.handshakes.to_pandas()
    assert list(table.columns) == [it.name for it in HANDSHAKES]
    assert table.handshake.tolist() == [1, 2]
    assert table.completed.tolist() == [True, False]
    assert table.start_latest_ns.tolist() == [it.start.latest_ns for it in found.handshakes]
    assert table.start_latest_ns[0] % 10**9 != 0
    assert table.abandoned.isna().all()


def test_columns_are_what_records_are() -> None:
    """What is not made yet comes into a table from its columns, and says the same."""
    found = result()
    whole = [Findings.of(found.findings), found.delays, found.handshakes]
    for records in whole:
        assert any(isinstance(part, ColumnRecords) for part in records.parts)
        made = type(records)([list(records)])
        pd.testing.assert_frame_equal(records.to_pandas(), made.to_pandas())


def test_time_of_day() -> None:
    found = replace(result(), stats=read_stats(clock=Clock.WALL, first_ns=LONG_AGO_NS, last_ns=LONG_AGO_NS + 10**9))
    for table, name in (
        (found.findings.to_pandas(), "time_ns"),
        (found.delays.to_pandas(), "time_ns"),
        (found.handshakes.to_pandas(), "start_latest_ns"),
    ):
        assert str(table.time.dtype) == "datetime64[ns]"
        assert [None if it is pd.NaT else it.value for it in table.time] == list(map(missing, table[name]))
    assert "time" not in result().findings.to_pandas()


def test_shown_in_a_line_and_in_a_notebook() -> None:
    found = result()
    assert repr(replace(found, summary="late")) == "<Result of stage: faulty: late>"
    assert len(repr(replace(found, summary="so " * 99))) == 100
    assert [repr(it) for it in (found.findings, found.delays, found.handshakes)] == [
        f"<{len(found.findings)} findings>", f"<{len(found.delays)} delays>", "<2 handshakes>",
    ]  # fmt: skip
    getattr(buslens, "check")  # noqa: B009 - as it is asked for the first time
    shown = found._repr_html_()
    assert shown is not None
    assert shown.count("<tr>") == 1 + len(found.findings.unmet)
    assert "<td>lock handshake 2, ends</td>" in shown
    assert "data:image/svg+xml;base64," in shown


def test_nothing_found() -> None:
    empty = perform({"door": [(0.0, "on"), (10.0, "on")]}, also={"door": {"on", "off"}})
    assert len(empty.findings.to_pandas()) == len(empty.delays.to_pandas()) == len(empty.handshakes.to_pandas()) == 0
