from __future__ import annotations

import re
from pathlib import Path

import pytest

import buslens
from buslens.errors import UsageError
from buslens.report.overlay import overlay_named, overlays
from buslens.report.page.overlay_drawing import overlay_svg, overlays_html
from buslens.units import NS_PER_MS

ROOT = Path(__file__).parents[2]


def judged(name: str) -> buslens.Result:
    return buslens.check(ROOT / "sample_logs" / name, expectations=ROOT / "signal_defs" / "steering_lock.toml")


class TestOverlay:
    """All handshakes of a rule, aligned at their start, with what was allowed in each of them."""

    def test_edges_lie_at_the_delay_from_the_start(self) -> None:
        result = judged("car02_two_close_together.log.gz")
        (overlay,) = (it for it in overlays(result) if it.rule == "unlock handshake")
        (lane,) = (it for it in overlay.lanes if it.role == "unlock_feedback")
        assert len(lane.traces) == overlay.runs == overlay.drawn == 2
        met = [it for it in result.findings if it.rule == "unlock handshake" and it.step == "wire feedback"]
        for trace, finding in zip(lane.traces, met, strict=True):
            seen = next(it.time for it in finding.evidence if it.role == "unlock_feedback" and "unlocked" in it.what)
            assert seen.latest_ns in [change.seen_ns for change in trace.lane.changes]

    def test_the_last_change_shows(self) -> None:
        """What ends a handshake is drawn with a little of what follows it: else it reads as if it had not come."""
        overlay = overlay_named(judged("car07_slow_motor.log"), "lock handshake")
        traces = [trace for lane in overlay.lanes for trace in lane.traces]
        ends = [trace.lane.changes[-1].seen_ns - trace.zero_ns for trace in traces]
        assert max(ends) < overlay.end_ns

    def test_bands_hold_the_limit(self) -> None:
        """The outer ends hold every allowed window, the inner ends lie in each of them."""
        overlay = overlay_named(judged("car02_two_close_together.log.gz"), "unlock handshake")
        (band,) = (band for lane in overlay.lanes for band in lane.bands if band.step == "wire feedback")
        assert band.words == "wire feedback: 50 to 600 ms"
        assert band.bounds.start[0] <= band.bounds.start[1]
        assert band.bounds.end[0] <= band.bounds.end[1]
        assert band.bounds.end[0] - band.bounds.start[0] <= 600 * NS_PER_MS <= band.bounds.end[1] - band.bounds.start[0]

    def test_faults_are_counted_and_lie_on_top(self) -> None:
        overlay = overlay_named(judged("car03_load_fuse_blown.log"), None)
        assert overlay.title == "unlock handshake, all 2 times, aligned at the start: 2 failed"
        assert 'class="tf"' in overlay_svg(overlay)
        assert 'class="to"' not in overlay_svg(overlay)

    def test_one_handshake_is_no_comparison(self) -> None:
        result = judged("car07_slow_motor.log")
        assert overlays(result) == ()
        assert overlays_html(result) == ""
        assert overlay_named(result, "lock handshake").runs == 1

    def test_words_of_a_rule_are_no_markup(self) -> None:
        from dataclasses import replace

        overlay = replace(overlay_named(judged("car03_load_fuse_blown.log"), None), rule="<b>")
        assert not re.search(r"<b>", overlay_svg(overlay))

    def test_unknown_rule(self) -> None:
        with pytest.raises(UsageError, match="no handshake of 'lok handshake'; did you mean 'lock handshake'"):
            overlay_named(judged("car07_slow_motor.log"), "lok handshake")

    def test_none(self) -> None:
        with pytest.raises(UsageError, match="shows no handshake; there is nothing"):
            overlay_named(judged("car12_nobody_comes.log"), None)
