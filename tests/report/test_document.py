from __future__ import annotations

import json
import tracemalloc
from dataclasses import replace
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from support.handmade import ORIGIN_NS, broken_stats, handshake, ms, pulse_finding, read_stats, result, step_finding

from buslens.capture.frames import Clock, ClockDiscontinuity
from buslens.checks.findings import Limit, Outcome, Result, TimeBounds, Verdict
from buslens.report.document import capture_entry, document, dumps, error_entry, parts
from buslens.report.safety_notes import cautions_for


def entry(judged: Result) -> dict[str, Any]:
    """Return the entry as a reader of the printed document gets it."""
    loaded = json.loads(dumps(document([capture_entry(judged)])))
    assert loaded["schema"] == 1
    only: dict[str, Any] = loaded["captures"][0]
    return only


class TestContract:
    """The document holds what it promises, under the promised names."""

    def test_capture(self) -> None:
        found = entry(result(step_finding(), unexercised=("supply",), stats=broken_stats()))
        promised = ["path", "frames", "skipped_lines", "start", "end", "verdict", "unexercised", "findings"]
        assert list(found)[: len(promised)] == promised
        assert [found[key] for key in promised[:-1]] == ["logs/car03.log", 4212, 3, 0.0, 12.48, "faulty", ["supply"]]

    def test_finding(self) -> None:
        found = entry(result(step_finding()))["findings"][0]
        assert found == {
            "rule": "lock handshake",
            "step": "wire feedback",
            "handshake": 1,
            "kind": "sequence",
            "outcome": "late",
            "reason": "unlock_feedback became locked 812 to 837 ms after enable on (late)",
            "time": 3.214,
            "delay": {"earliest": 0.812, "latest": 0.837},
            "limit": {"min": 0.05, "max": 0.6, "unit": "s"},
            "reference": {"earliest": 2.377, "latest": 2.402},
            "evidence": [
                {
                    "what": "unlock_feedback becomes locked",
                    "role": "unlock_feedback",
                    "time": {"earliest": 3.189, "latest": 3.214},
                }
            ],
            "count": None,
            "basis": "invented for the demonstration",
        }

    def test_finding_that_sums_up(self) -> None:
        found = entry(result(pulse_finding()))["findings"][0]
        assert (found["time"], found["delay"], found["step"], found["count"]) == (None, None, None, 2)

    def test_limit_in_a_unit(self) -> None:
        finding = replace(pulse_finding(Outcome.VIOLATED), limit=Limit(least=9.5, unit="V"))
        assert entry(result(finding))["findings"][0]["limit"] == {"min": 9.5, "max": None, "unit": "V"}

    @pytest.mark.parametrize("verdict", Verdict)
    def test_verdict(self, verdict: Verdict) -> None:
        made = entry(result(verdict=verdict))
        assert made["verdict"] == verdict.value
        assert made["cautions"] == list(cautions_for(verdict))
        assert bool(made["cautions"]) is (verdict is not Verdict.AS_EXPECTED)

    def test_handshake(self) -> None:
        found = entry(result(handshakes=(handshake(3, abandoned="door_open becomes closed", completed=False),)))
        assert found["handshakes"] == [
            {
                "rule": "lock handshake",
                "handshake": 3,
                "start": {"earliest": 2.0, "latest": 2.02},
                "end": 3.214,
                "completed": False,
                "abandoned": "door_open becomes closed",
                "tries": 1,
            }
        ]

    def test_recording(self) -> None:
        found = entry(result(stats=broken_stats()))
        assert found["skipped"] == [
            {"line": 812, "reason": "odd number of digits in the data", "text": "(1.0) can0 1#1"}
        ]
        assert found["seams"] == [{"time": 6.0, "line": 900, "back": 4.0, "stamp_lost": False, "hole": False}]
        assert (found["reordered"], found["error_frames"]) == (14, 2)

    def test_discontinuity_where_a_stamp_was_lost(self) -> None:
        lost = ClockDiscontinuity(time_ns=1_000_000_000, line=7, back_ns=0, is_lost=True)
        found = entry(result(stats=replace(broken_stats(), discontinuities=[lost])))
        assert [discontinuity["stamp_lost"] for discontinuity in found["seams"]] == [True]

    def test_unusable_capture_has_the_same_keys(self) -> None:
        found = json.loads(dumps(document([error_entry("x.log", "no such file")])))["captures"][0]
        assert (found["path"], found["error"], found["verdict"]) == ("x.log", "no such file", None)
        assert set(found) - {"error"} <= set(entry(result()))


class TestTimes:
    """Nanoseconds survive, however late the wall clock."""

    @given(st.integers(0, 2**63 - 1), st.integers(0, 10**15))
    def test_exact(self, origin_ns: int, later_ns: int) -> None:
        judged = result(
            replace(pulse_finding(Outcome.VIOLATED), time_ns=origin_ns + later_ns),
            stats=read_stats(first_ns=origin_ns, last_ns=origin_ns + later_ns),
        )
        read = json.loads(dumps(document([capture_entry(judged)])), parse_float=Decimal)["captures"][0]
        assert read["recorded_start"].scaleb(9) == origin_ns
        assert read["end"].scaleb(9) == read["findings"][0]["time"].scaleb(9) == later_ns
        # A plain reader gets a float, which holds the nanoseconds of any capture shorter than a hundred days.
        plain = json.loads(dumps(document([capture_entry(judged)])))["captures"][0]
        if later_ns < 2**53:
            assert round(plain["end"] * 1e9) == later_ns

    def test_first_frame_is_zero(self) -> None:
        assert '"start": 0.0,' in dumps(document([capture_entry(result())]))

    @pytest.mark.parametrize("clock", [Clock.RELATIVE, Clock.MISSING])
    def test_no_recorded_start_without_a_calendar(self, clock: Clock) -> None:
        assert entry(result(stats=read_stats(clock=clock)))["recorded_start"] is None

    def test_open_end(self) -> None:
        finding = replace(step_finding(), delay=TimeBounds(earliest_ns=ms(900), latest_ns=None))
        assert entry(result(finding))["findings"][0]["delay"] == {"earliest": 0.9, "latest": None}


json_values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False, allow_infinity=False) | st.text(),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(), inner, max_size=4),
    max_leaves=12,
)


class TestDumps:
    """What is printed is JSON in ASCII, and reads back as what was put down."""

    @given(st.dictionaries(st.text(), json_values, max_size=4))
    def test_reads_back(self, data: dict[str, Any]) -> None:
        written = dumps(data)
        assert json.loads(written) == data
        assert written.isascii()
        assert written.endswith("\n")

    @given(st.integers(-(2**63), 2**63))
    def test_decimals(self, number: int) -> None:
        written = dumps({"t": Decimal(f"{number}e-9")})
        assert "e" not in written.replace('"t"', "").lower()
        assert json.loads(written, parse_float=Decimal)["t"].scaleb(9) == number

    @pytest.mark.parametrize("number", [float("nan"), float("inf"), float("-inf")])
    def test_what_json_has_no_number_for(self, number: float) -> None:
        assert json.loads(dumps({"x": number})) == {"x": None}

    def test_hostile_text(self) -> None:
        evil = '"\x1b\udcff</script>\u2028'
        assert entry(result(path=evil))["path"] == evil

    def test_origin_is_that_of_the_capture(self) -> None:
        assert entry(result())["recorded_start"] == pytest.approx(ORIGIN_NS / 1e9)


@pytest.mark.slow
class TestParts:
    """A document of many findings is written without ever being in memory as a whole."""

    def test_memory(self) -> None:
        judged = result(*[step_finding()] * 5_000)
        sizes = []
        tracemalloc.start()
        try:
            for part in parts(document([capture_entry(judged)])):
                sizes.append(len(part))
            _, peak = tracemalloc.get_traced_memory()
        finally:
            tracemalloc.stop()
        assert sum(sizes) > 4_000_000
        assert max(sizes) < 500_000
        assert peak < 2_000_000

    def test_nothing_found(self) -> None:
        found = entry(result())
        assert (found["findings"], found["handshakes"]) == ([], [])
