from __future__ import annotations

from bisect import bisect_right
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.examples import examples
from support.sketches import any_timeline

import buslens
from buslens.report.finding_layout import places
from buslens.report.lanes import CROWD, Lane, Shape, high_state, lay_lane
from buslens.report.view import choose
from buslens.timeline.model import UNKNOWN_STATE, Timeline, UnknownReason


def flicker(count: int, *, every_ns: int = 1_000) -> Timeline:
    """Return a role that changes at every step."""
    seen = np.arange(count, dtype=np.int64) * every_ns
    return Timeline(
        role="flicker",
        seen_ns=seen,
        gap_ns=np.ones(count, np.uint32),
        state=(np.arange(count) % 2).astype(np.int32),
        why=np.zeros(count, np.int8),
        states=("off", "on"),
        unit="",
        last_frame_ns=None,
        period_ns=None,
        timeout_ns=None,
        end_ns=int(seen[-1]) + every_ns,
    )


def pieces(lane: Lane) -> list[tuple[int, int]]:
    return sorted(
        [(s.start_ns, s.end_ns) for s in lane.stretches] + [(c.start_ns, c.end_ns) for c in lane.crowds],
    )


class TestNameless:
    """What the frames carried without a name goes with the stretch that shows it, wherever the picture begins."""

    @pytest.mark.parametrize("number", [False, True])
    @pytest.mark.parametrize("start", [0, 2_500])
    def test_value(self, start: int, *, number: bool) -> None:
        odd = np.array([-1, 1, -1, 0], np.int32)
        timeline = replace(
            flicker(4),
            states=() if number else ("off", "on"),
            raw=np.array([1.0, np.nan, 2.0, np.nan]) if number else None,
            state=np.where(odd >= 0, UNKNOWN_STATE, 0).astype(np.int32),
            why=np.where(odd >= 0, UnknownReason.UNMAPPED.value, UnknownReason.KNOWN.value).astype(np.int8),
            unnamed_at=odd,
            unnamed=("'no data'", "7"),
        )
        lane = lay_lane(timeline, start, 4_000, 1)
        shown = [stretch.value for stretch in lane.stretches if stretch.state == UNKNOWN_STATE]
        assert shown == (["7", "'no data'"] if start == 0 else ["'no data'"])


windows = st.tuples(st.integers(-(10**9), 10**10), st.integers(1, 10**10), st.integers(1, 10**8))


class TestStates:
    """Stretches and crowds tell what the timeline tells, as finely as the picture resolves."""

    @settings(max_examples=examples(60), deadline=None)
    @given(any_timeline("role"), windows)
    def test_a_stretch_has_the_state_of_the_timeline(self, timeline: Timeline, window: tuple[int, int, int]) -> None:
        start, length, resolution = window
        lane = lay_lane(timeline, start, start + length, resolution)
        for stretch in lane.stretches:
            for moment in (stretch.start_ns, (stretch.start_ns + stretch.end_ns) // 2, stretch.end_ns - 1):
                entry = bisect_right(timeline.seen_ns.tolist(), moment) - 1
                assert stretch.state == timeline.state[entry]

    @settings(max_examples=examples(60), deadline=None)
    @given(any_timeline("role"), windows)
    def test_the_pieces_cover_the_log_without_gap_or_overlap(
        self, timeline: Timeline, window: tuple[int, int, int]
    ) -> None:
        start, length, resolution = window
        lane = lay_lane(timeline, start, start + length, resolution)
        first, last = max(start, 0), min(start + length, timeline.end_ns)
        if first >= last:
            assert not pieces(lane)
            return
        at = first
        for begin, end in pieces(lane):
            assert begin == at
            at = end
        assert at == last

    @settings(max_examples=examples(60), deadline=None)
    @given(any_timeline("role"), windows)
    def test_every_change_is_drawn_or_counted(self, timeline: Timeline, window: tuple[int, int, int]) -> None:
        start, length, resolution = window
        lane = lay_lane(timeline, start, start + length, resolution)
        first, last = max(start, 0), min(start + length, timeline.end_ns)
        inside = [t for t in timeline.seen_ns.tolist() if first < t <= last]
        if first < last:
            assert len(lane.changes) + sum(crowd.count for crowd in lane.crowds) == len(inside)
        assert all(crowd.count >= CROWD for crowd in lane.crowds)
        assert all(start <= change.since_ns <= change.seen_ns for change in lane.changes)

    def test_a_busy_hour_makes_few_records(self) -> None:
        timeline = flicker(200_000)
        lane = lay_lane(timeline, 0, timeline.end_ns, timeline.end_ns // 500)
        assert len(lane.stretches) + len(lane.changes) + len(lane.crowds) < 2_000
        assert sum(crowd.count for crowd in lane.crowds) == 199_999

    def test_two_edges_that_fall_together_stay_edges(self) -> None:
        timeline = flicker(3)
        lane = lay_lane(timeline, 0, timeline.end_ns, 10**9)
        assert len(lane.changes) == 2
        assert not lane.crowds

    def test_no_entries_make_no_pieces(self) -> None:
        whole = flicker(2)
        empty = Timeline(
            **{
                **{name: getattr(whole, name) for name in Timeline.__slots__},
                **{name: getattr(whole, name)[:0] for name in ("seen_ns", "gap_ns", "state", "why")},
            }
        )
        assert not pieces(lay_lane(empty, 0, 10, 1))


class TestNumbers:
    """A staircase is thinned without losing a peak."""

    @settings(max_examples=examples(40), deadline=None)
    @given(any_timeline("volts", number=True, most=300), windows)
    def test_the_extremes_survive(self, timeline: Timeline, window: tuple[int, int, int]) -> None:
        start, length, resolution = window
        lane = lay_lane(timeline, start, start + length, resolution)
        first, last = max(start, 0), min(start + length, timeline.end_ns)
        seen = timeline.seen_ns.tolist()
        shown = [
            float(value)
            for index, value in enumerate(timeline.value)
            if seen[index] <= last and (index + 1 == len(seen) or seen[index + 1] > first)
        ]
        known = [value for value in shown if np.isfinite(value)]
        if first >= last or not known:
            assert lane.scale is None
            return
        assert lane.scale == (min(known), max(known))
        assert lane.steps is not None
        assert (np.nanmin(lane.steps[:, 1]), np.nanmax(lane.steps[:, 1])) == lane.scale

    @settings(max_examples=examples(40), deadline=None)
    @given(any_timeline("volts", number=True), windows)
    def test_only_what_is_unknown_is_a_stretch(self, timeline: Timeline, window: tuple[int, int, int]) -> None:
        start, length, resolution = window
        lane = lay_lane(timeline, start, start + length, resolution)
        assert lane.shape is Shape.NUMBER
        assert all(stretch.state == UNKNOWN_STATE for stretch in lane.stretches)

    def test_a_long_capture_makes_a_short_line(self) -> None:
        rng = np.random.default_rng(3)
        whole = flicker(100_000)
        values = rng.normal(size=100_000)
        timeline = Timeline(
            **{
                **{name: getattr(whole, name) for name in Timeline.__slots__},
                "raw": values,
                "states": (),
                "state": np.zeros(100_000, np.int32),
            }
        )
        lane = lay_lane(timeline, 0, timeline.end_ns, timeline.end_ns // 400)
        assert lane.steps is not None
        assert len(lane.steps) < 2_500
        # Each column of the picture reaches from its least to its greatest value.
        width = max(1, timeline.end_ns // 400)
        for column in range(0, 400, 37):
            mine = values[(timeline.seen_ns >= column * width) & (timeline.seen_ns < (column + 1) * width)]
            drawn = lane.steps[lane.steps[:, 0] // width == column, 1]
            assert drawn.max() >= mine.max()
            assert drawn.min() <= mine.min()


class TestHighState:
    """The state that is not at rest is drawn high, whichever way round the file lists the two."""

    @pytest.mark.parametrize(
        ("states", "high"),
        [
            (("open", "closed"), "open"),
            (("closed", "open"), "open"),
            (("off", "on"), "on"),
            (("on", "off"), "on"),
            (("locked", "unlocked"), "unlocked"),
            (("pressed", "released"), "pressed"),
            (("Lit", "Dark"), "Lit"),
            (("red", "green"), "green"),
        ],
    )
    def test_by_name(self, states: tuple[str, str], high: str) -> None:
        assert states[high_state(states)] == high


def test_what_no_recording_carries_is_no_lane() -> None:
    """The wires at the plug have roles for a trace beside the log; a log alone does not show five empty lanes."""
    root = Path(__file__).parents[2]
    result = buslens.check(root / "sample_logs" / "car01_healthy.log", root / "signal_defs" / "steering_lock.toml")
    view = choose(result, places(result))
    assert "supply_at_lock" in result.timelines
    assert not {role for role in (*view.roles, *view.left_out) if role.endswith("_at_lock")}
