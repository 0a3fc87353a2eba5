from __future__ import annotations

from dataclasses import replace

import pytest
from support.in_full import span
from support.stage import becomes, holds

from buslens.checks.findings import TimeBounds
from buslens.checks.phrases import borderline_text, in_brief, limit_text, past_tense, rate_text, span_text
from buslens.expectations.model import GuardedEdge, Trigger
from buslens.units import NS_PER_MS


def ns(milliseconds: float | None) -> int | None:
    return None if milliseconds is None else round(milliseconds * NS_PER_MS)


class TestPast:
    """A trigger is told as something that has happened."""

    def test_becomes(self) -> None:
        assert past_tense(becomes("door_open", "open")) == "door open became open"

    def test_each_part(self) -> None:
        either = Trigger(moments=(), text="door becomes open or key becomes in")
        assert past_tense(either) == "door became open or key became in"

    def test_any_change_of_one_role(self) -> None:
        """A button of which only a counter is sent has no state that a person knows."""
        one, other = becomes("start_button", "even"), becomes("start_button", "odd")
        counted = Trigger(moments=one.moments + other.moments, text=f"{one.text} or {other.text}")
        assert (past_tense(counted), in_brief(counted)) == ("start button changed", "start button changes")
        mixed = replace(counted, moments=(*one.moments, *becomes("key", "in").moments))
        assert in_brief(mixed) == "start button even or start button odd"
        assert in_brief(becomes("door_open", "open")) == "door open"

    def test_any_other_condition(self) -> None:
        low = Trigger(moments=(GuardedEdge(edge=holds("u", "low").condition),), text="u < 9.5 V")
        assert past_tense(low) == "'u < 9.5 V' came true"


class TestSpan:
    """A length is told with its doubt, rounded outwards to the millisecond."""

    @pytest.mark.parametrize(
        ("earliest", "latest", "words"),
        [
            (412.3, 511.7, "412 to 512 ms"),
            (412, 512, "412 to 512 ms"),
            (300, 300, "300 ms"),
            (300.2, 300.4, "300 to 301 ms"),
            (300, 301, "300 to 301 ms"),
            (300.5, 301.5, "300 to 302 ms"),
            (300, 302, "300 to 302 ms"),
            (0, 1500, "0 to 1.5 s"),
            (900, 1500, "900 ms to 1.5 s"),
            (1200, 1500, "1.2 to 1.5 s"),
            (-0.5, 2.5, "-1 to 3 ms"),
            (-2500, 2.5, "-2.5 s to 3 ms"),
        ],
    )
    def test_both_ends(self, earliest: float, latest: float, words: str) -> None:
        assert span_text(span(earliest, latest)) == words

    @pytest.mark.parametrize(("earliest", "words"), [(30, "at least 30 ms"), (30.9, "at least 30 ms")])
    def test_open_end(self, earliest: float, words: str) -> None:
        assert span_text(span(earliest, None)) == words

    @pytest.mark.parametrize(
        ("latest_ns", "words"), [(1, "0 to 1 ms"), (NS_PER_MS, "0 to 1 ms"), (NS_PER_MS + 1, "0 to 2 ms")]
    )
    def test_a_nanosecond_more_is_told_outwards(self, latest_ns: int, words: str) -> None:
        assert span_text(TimeBounds(earliest_ns=0, latest_ns=latest_ns)) == words


class TestRate:
    def test_words(self) -> None:
        assert rate_text(100 * NS_PER_MS) == "one frame per 100 ms"
        assert rate_text(None) == "one frame at all"


class TestTooClose:
    """What cannot be judged is told with the rate of the recording, and with one that would decide."""

    @pytest.mark.parametrize(
        ("between", "limit", "period", "rest"),
        [
            # Half of the doubt has to be less than the distance of the middle from the limit.
            ((275, 310), 300, 25, "; about one frame per 10 ms would decide"),
            ((275, 310), 285, 25, "; about one frame per 10 ms would decide"),
            ((100, 300), 150, 100, "; about one frame per 50 ms would decide"),
            ((90, 110), 100.5, 20, "; about one frame per 1 ms would decide"),
            ((90, 110), 100.499, 20, ", and so near the limit that a faster recording may not decide it"),
            ((90, 110), 100, 20, ", and so near the limit that a faster recording may not decide it"),
            ((100, 100), 100, 20, ", and so near the limit that a faster recording may not decide it"),
        ],
    )
    def test_rate_that_would_decide(self, between: tuple[float, float], limit: float, period: float, rest: str) -> None:
        words = borderline_text(span(*between), round(limit * NS_PER_MS), round(period * NS_PER_MS))
        assert words == f"too close to call at one frame per {period} ms{rest}"

    def test_where_no_rate_can_be_told(self) -> None:
        assert borderline_text(span(90, None), 0, 20 * NS_PER_MS) == "too close to call at one frame per 20 ms"
        assert borderline_text(span(90, 110), 0, None) == "too close to call at one frame at all"


class TestLimit:
    """A limit is told to the nanosecond, as the expectations give it."""

    @pytest.mark.parametrize(
        ("least", "most", "words"),
        [
            (None, None, "no limit"),
            (0, None, "no limit"),
            (None, 600, "limit 600 ms"),
            (0, 600, "limit 600 ms"),
            (0.000001, 600, "limit 1 ns to 600 ms"),
            (50, None, "limit at least 50 ms"),
            (50, 600, "limit 50 to 600 ms"),
            (50, 2.5, "limit 50 to 2.5 ms"),
            (500, 1500, "limit 500 ms to 1.5 s"),
        ],
    )
    def test_words(self, least: float | None, most: float | None, words: str) -> None:
        assert limit_text(ns(least), ns(most)) == words


class TestWhatTheCarSends:
    """No recording is advised that the car's own cycle time makes impossible."""

    def test_a_rate_that_cannot_be_had(self) -> None:
        words = borderline_text(span(400, 600), 510 * NS_PER_MS, 100 * NS_PER_MS, 100 * NS_PER_MS)
        assert "about one frame" not in words
        assert "the car sends no more than one frame per 100 ms" in words
        assert "write a limit that leaves room for that, or measure at the wire" in words

    def test_a_thinned_log_can_be_recorded_faster(self) -> None:
        words = borderline_text(span(400, 600), 550 * NS_PER_MS, 100 * NS_PER_MS, 10 * NS_PER_MS)
        assert words.endswith("about one frame per 50 ms would decide")
