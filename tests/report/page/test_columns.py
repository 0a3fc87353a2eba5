from __future__ import annotations

import json
import zlib
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from support.examples import examples
from support.handmade import result as handmade_result
from support.sketches import SKETCHES, any_result, any_timeline

from buslens.checks.verdict import worst_first
from buslens.expectations.model import Expectations
from buslens.report.finding_layout import places
from buslens.report.page.columns import UNKNOWN_FROM, pack
from buslens.report.view import choose
from buslens.timeline.model import UNKNOWN_STATE, VALUES, Timeline, UnknownReason

if TYPE_CHECKING:
    from buslens.checks.findings import Result


def unpack(data: bytes) -> tuple[dict[str, Any], bytes]:
    """Read a pack by its description: one byte after the other, as slow and plain as can be."""
    whole = zlib.decompress(data)
    length = int.from_bytes(whole[:4], "little")
    return json.loads(whole[4 : 4 + length].decode("utf-8")), whole[4 + length :]


def column(body: bytes, place: list[int], kind: str) -> list[Any]:
    first, width, count = place
    raw = bytes(body[first + rank * count + index] for index in range(count) for rank in range(width))
    return np.frombuffer(raw, dtype=kind).tolist()


def packed(result: Result) -> tuple[dict[str, Any], bytes]:
    placed = places(result)
    return unpack(pack(result, placed, choose(result, placed)))


def alone(timeline: Timeline) -> Result:
    base = handmade_result(timelines={timeline.role: timeline}, expectations=Expectations(path="", roles={}, rules=()))
    base.stats.first_ns = 0
    base.stats.last_ns = timeline.end_ns
    return base


def nameless(shown: list[str]) -> Timeline:
    """Return a door that is open, then of each value without a name, open again in between."""
    n = 2 * len(shown)
    seen = np.arange(n, dtype=np.int64) * 10_000
    is_unknown = np.arange(n) % 2 == 1
    names = tuple(dict.fromkeys(shown))
    return Timeline(
        role="door",
        seen_ns=seen,
        gap_ns=np.ones(n, np.uint32),
        state=np.where(is_unknown, UNKNOWN_STATE, 0).astype(np.int32),
        why=np.where(is_unknown, UnknownReason.UNMAPPED.value, 0).astype(np.int8),
        states=("open", "shut"),
        unit="",
        last_frame_ns=n * 10_000,
        period_ns=None,
        timeout_ns=None,
        end_ns=n * 10_000,
        unnamed_at=np.where(is_unknown, np.repeat([names.index(it) for it in shown], 2), -1).astype(np.int32),
        unnamed=names,
    )


class TestLanes:
    """What is packed comes out again: times to the microsecond, states and values exactly."""

    def test_values_without_a_name(self) -> None:
        """Each is told as what the frames carried; where they are too many, only as what they are."""
        few, body = packed(alone(nameless(["'no data'", "7", "'no\u202edata'", "7"])))
        codes = column(body, few["lanes"][0]["codes"], "<u2")
        told = [few["why"][code - UNKNOWN_FROM] if code >= UNKNOWN_FROM else "" for code in codes]
        assert told == ["", "unknown: 'no data'", "", "unknown: 7", "", r"unknown: 'no\u202edata'", "", "unknown: 7"]
        many, body = packed(alone(nameless([f"{number}" for number in range(33)])))
        codes = column(body, many["lanes"][0]["codes"], "<u2")
        assert {many["why"][code - UNKNOWN_FROM] for code in codes if code >= UNKNOWN_FROM} == {
            "unknown: value without a state"
        }

    @settings(max_examples=examples(25), deadline=None)
    @given(any_timeline("door") | any_timeline("volts", number=True))
    def test_whatever_a_timeline_holds(self, timeline: Timeline) -> None:
        header, body = packed(alone(replace(timeline, clock_ns=1_500)))
        [lane] = header["lanes"]
        assert lane["clock"] == 1.5
        seen = lane["first"] + np.cumsum([0, *column(body, lane["gaps"], "<u4")])
        assert np.abs(seen * 1000 - timeline.seen_ns).max() <= 500
        doubts = np.array(column(body, lane["doubts"], "<u4"))
        true = timeline.seen_ns - timeline.changed_after_ns
        # Rounded outwards: what is shown as doubt is never less than it is.
        assert ((doubts * 1000 >= true) & (doubts * 1000 < true + 1000)).all()
        codes = column(body, lane["codes"], "<u2")
        told = [UNKNOWN_STATE if code >= UNKNOWN_FROM else code for code in codes]
        assert told == timeline.state.tolist()
        for code, why in zip(codes, timeline.why.tolist(), strict=True):
            assert code < UNKNOWN_FROM or code - UNKNOWN_FROM == why
        if timeline.is_number:
            palette = column(body, lane["palette"], "<f8")
            values = [palette[pick] for pick in column(body, lane["picks"], "<u2")]
            known = timeline.state != UNKNOWN_STATE
            assert np.array(values)[known].tolist() == timeline.value[known].tolist()

    def test_a_gap_longer_than_the_column_holds(self) -> None:
        base = next(iter(SKETCHES["healthy"]().timelines.values()))
        day = 86_400 * 10**9
        seen = np.array([0, 5 * day, 5 * day + 10**9])
        timeline = replace(
            base,
            seen_ns=seen,
            gap_ns=np.ones(3, np.uint32),
            state=np.zeros(3, np.int32),
            why=np.zeros(3, np.int8),
            end_ns=6 * day,
        )
        [lane] = packed(alone(timeline))[0]["lanes"]
        assert lane["long_gaps"] == [[0, 5 * day // 1000]]

    def test_more_values_than_can_be_numbered(self) -> None:
        base = SKETCHES["healthy"]().timelines["supply"]
        count = 2**16 + 5
        value = np.random.default_rng(1).permutation(count) / 7
        seen = np.arange(count) * 10**6
        timeline = replace(
            base,
            seen_ns=seen,
            gap_ns=np.ones(count, np.uint32),
            state=np.zeros(count, np.int32),
            raw=value,
            signal=VALUES,
            why=np.zeros(count, np.int8),
            end_ns=int(seen[-1]) + 1,
        )
        header, body = packed(alone(timeline))
        [lane] = header["lanes"]
        assert lane["picks"] is None
        assert column(body, lane["palette"], "<f8") == value.tolist()


class TestFindings:
    """Every finding keeps its place in the list, and its times are those of the places."""

    @settings(max_examples=examples(15), deadline=None)
    @given(any_result())
    def test_whatever_a_result_holds(self, result: Result) -> None:
        header, _ = packed(result)
        assert len(header["findings"]) == len(result.findings)
        for entry, finding in zip(header["findings"], result.findings, strict=True):
            assert (entry["moment"] is None) == (finding.time_ns is None)
            assert (entry["grade"] == 2) == finding.outcome.is_fault
            if entry["measured"] is not None:
                assert entry["measured"][0] <= entry["measured"][1]
        assert len(header["handshakes"]) == len(result.handshakes)
        assert header["events"] == sorted(header["events"], key=lambda event: event[0])

    def test_steps_lead_to_their_findings(self) -> None:
        result = SKETCHES["late"]()
        by_finding = {id(place.finding): place for place in places(result)}
        placed = [by_finding[id(finding)] for finding in worst_first(result.findings)]
        header, _ = unpack(pack(result, placed, choose(result, placed)))
        [run] = header["handshakes"]
        for step in run["steps"]:
            assert placed[step["finding"]].finding.step == step["name"]
        assert [step["name"] for step in run["steps"] if step["outcome"] == "too late"] == [
            finding.step for finding in result.findings if finding.outcome.value == "late" and finding.step
        ]

    def test_an_event_is_an_edge_from_a_known_state(self) -> None:
        header, _ = packed(SKETCHES["healthy"]())
        origin = SKETCHES["healthy"]().origin_ns
        [(time, words, lane)] = [event for event in header["events"] if "open" in event[1]]
        assert words == "door_open becomes open"
        assert header["lanes"][lane]["role"] == "door_open"
        door = SKETCHES["healthy"]().timelines["door_open"]
        opened = door.seen_ns[np.flatnonzero(door.state == door.states.index("open"))[0]]
        assert abs(time * 1000 - (opened - origin)) <= 500


class TestText:
    """Names of the user's cannot do anything to what shows them."""

    @given(st.text(min_size=1, max_size=20))
    @settings(max_examples=examples(15), deadline=None)
    def test_names_are_on_one_line(self, name: str) -> None:
        base = next(iter(SKETCHES["healthy"]().timelines.values()))
        [lane] = packed(alone(replace(base, role=name)))[0]["lanes"]
        assert "\n" not in lane["role"]
        assert "\u202e" not in lane["role"]
