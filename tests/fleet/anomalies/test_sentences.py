from __future__ import annotations

import doctest
from dataclasses import replace

import pytest

from buslens.fleet.anomalies import sentences
from buslens.fleet.anomalies.drift import Beyond, Drift, Trend
from buslens.fleet.anomalies.outliers import Outlier, RobustSpread
from buslens.fleet.anomalies.retries import RetryIncrease
from buslens.fleet.anomalies.traffic import IdChange

FAR = Outlier(
    vehicle=0, score=9.84, p_value=1e-9, earliest_ms=412.0, latest_ms=455.2, scale=RobustSpread(281.0, 9.0), place=3
)
GROWS = Trend(
    p_value=1e-9,
    slope=0.834,
    slope_low=0.71,
    slope_high=0.944,
    first_day=20_514,
    last_day=20_634,
    days=80,
    level=330.0,
    level_doubt=4.0,
    middle_day=20_574.0,
    first_level=284.0,
    last_level=383.0,
)
GONE = IdChange(identifier=2 * 0x0C4, p_value=1e-6, since_day=20_573, days_lately=9, days_before=37, is_there=False)


class TestSentences:
    """What stands out is told in numbers with their doubt."""

    def test_examples(self) -> None:
        assert doctest.testmod(sentences).failed == 0

    def test_never_came(self) -> None:
        never = replace(FAR, earliest_ms=600.0, latest_ms=float("inf"))
        assert sentences.delay_text(never, None, what="the delay").startswith(
            "the delay was at least 600 ms; the fleet"
        )

    def test_fast(self) -> None:
        fast = replace(FAR, score=-4.26, earliest_ms=7.25, latest_ms=8.5, place=None)
        assert sentences.vehicle_text(fast, what="the delay") == (
            "the delay is 7 to 9 ms as a rule, and in the vehicles of the fleet 281 ms (MAD 9.0 ms), a modified"
            " z-score of -4.3 or less"
        )

    @pytest.mark.parametrize(
        ("between", "end"),
        [
            (None, ", the season taken off"),
            (
                (20_668.0, 20_737.5),
                "; going on like that it crosses the limit of 600 ms between 2026-08-03 and 2026-10-11",
            ),
            ((20_668.0, None), "; going on like that it reaches the limit of 600 ms on 2026-08-03 at the earliest"),
            ((20_668.1, 20_668.9), "; going on like that it crosses the limit of 600 ms on 2026-08-03"),
        ],
    )
    def test_drift(self, between: tuple[float, float | None] | None, end: str) -> None:
        text = sentences.drift_text(Drift(trend=GROWS, latest=GROWS, growth=0.0), 600.0, between, what="the delay")
        assert text.startswith(
            "the delay grows by 0.83 ms a day (95 %: 0.71 to 0.94), from about 284 ms at first to 383 ms at last,"
            " 2026-03-02 to 2026-06-30, the season taken off"
        )
        assert text.endswith(end)

    def test_shrinks(self) -> None:
        shrinks = replace(GROWS, slope=-0.834, slope_low=-0.944, slope_high=-0.71)
        drift = Drift(trend=shrinks, latest=shrinks, growth=0.0)
        assert "shrinks by 0.83 ms a day (95 %: 0.71 to 0.94)" in sentences.drift_text(drift, None, None, what="it")

    def test_beyond_the_limit(self) -> None:
        """What has happened is told, and nothing is foretold."""
        beyond = Beyond(first_day=20_604, count=6, of=41)
        drift = Drift(trend=GROWS, latest=replace(GROWS, first_day=20_604), growth=0.0)
        text = sentences.drift_text(drift, 600.0, None, beyond, what="the delay")
        assert text.endswith("the season taken off; beyond the limit of 600 ms in 6 of 41 handshakes since 2026-05-31")

    def test_faster_of_late(self) -> None:
        """A date rests on the last weeks, so that these are told with it."""
        latest = replace(GROWS, slope=2.0, slope_low=1.5, slope_high=2.5, first_day=20_604)
        text = sentences.drift_text(
            Drift(trend=GROWS, latest=latest, growth=0.0), 600.0, (20_668.0, None), what="the delay"
        )
        assert "; since 2026-05-31 by 2 ms a day (95 %: 1.5 to 2.5); going on like that it reaches" in text

    def test_retries(self) -> None:
        rise = RetryIncrease(
            vehicle=0, p_value=0.0, again_lately=7, days_lately=12, again_before=1, days_before=80, since_day=20_577
        )
        assert sentences.retry_text(rise) == (
            "a second try was needed on 7 of 12 days since 2026-05-04, and on 1 of 80 days before"
        )

    def test_messages(self) -> None:
        assert sentences.message_text([GONE]) == "0C4 is no longer there since 2026-04-30 (on 9 days, after 37)"
        wide = replace(GONE, identifier=2 * 0x18FF50A1 + 1, is_there=True, days_lately=1)
        assert sentences.message_text([wide]) == (
            "18FF50A1 is there that was not before since 2026-04-30 (on 1 day, after 37)"
        )
        assert sentences.message_text([GONE, replace(wide, is_there=False)]).startswith(
            "0C4 and 18FF50A1 are no longer there"
        )

    def test_names_of_the_definitions(self) -> None:
        """A message that the definitions name is called so; another keeps its identifier."""
        other = replace(GONE, identifier=2 * 0x1A1)
        assert sentences.identifier_list([GONE, other], {GONE.identifier: "DOORS"}) == "DOORS (0C4) and 1A1"

    def test_many_messages(self) -> None:
        many = [replace(GONE, identifier=2 * number) for number in range(1, 8)]
        assert sentences.identifier_list(many) == "001, 002, 003, 004 and 3 more"

    def test_cycles(self) -> None:
        slower = replace(GONE, is_there=True, cycle_before_ns=20.01e6, cycle_now_ns=40e6)
        text = sentences.cycle_text([slower], of_identifiers=14)
        assert text == "0C4: a frame per 40 ms since 2026-04-30, and per 20.01 ms before"
        assert "recorder" in sentences.cycle_text([slower] * 8, of_identifiers=14)
