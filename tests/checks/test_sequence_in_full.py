from __future__ import annotations

from dataclasses import replace

import pytest
from support.handshakes import (
    DOOR,
    ENABLE,
    ENABLE_LIMIT,
    OPENED,
    absent,
    came,
    feedback,
    handshake,
    in_full,
    record,
    run,
)
from support.in_full import after, seen
from support.stage import Samples, sampled

from buslens.checks.findings import Finding, Outcome
from buslens.units import NS_PER_MS


class TestInFull:
    """Everything that a finding and a handshake carry, for each way in which a handshake can go."""

    @pytest.mark.parametrize(
        ("frame", "told", "end"),
        [
            (1400, came(Outcome.MET, "275 to 310 ms after enable; limit 50 to 600 ms", 1400, (275, 310)), 1400),
            (
                1800,
                came(
                    Outcome.LATE,
                    "675 to 710 ms after enable; maximum 600 ms: late by at least 75 ms",
                    1800,
                    (675, 710),
                ),
                1800,
            ),
            (
                1125,
                came(
                    Outcome.EARLY,
                    "0 to 35 ms after enable; minimum 50 ms: early by at least 15 ms",
                    1125,
                    (0, 35),
                ),
                1125,
            ),
            (
                1700,
                came(
                    Outcome.UNDECIDED,
                    "575 to 610 ms after enable; limit 50 to 600 ms: too close to call at one frame per 25 ms;"
                    " about one frame per 10 ms would decide",
                    1700,
                    (575, 610),
                ),
                1700,
            ),
        ],
        ids=["met", "late", "early", "too close"],
    )
    def test_a_change(self, frame: float, told: Finding, end: float) -> None:
        result = run(replace(handshake(), basis="invented"), feedback=feedback((frame, "locked")))
        assert list(result.findings) == [ENABLE, told]
        assert list(result.handshakes) == [record(end=end, completed=True)]

    @pytest.mark.parametrize(
        ("samples", "tail"),
        [
            (feedback(), "it stayed free"),
            (feedback((3500, "locked")), "it came only 2.375 to 2.410 s after it"),
            (feedback((100, "locked")), "it was already locked"),
        ],
        ids=["never", "straggler", "was so"],
    )
    def test_no_change(self, samples: Samples, tail: str) -> None:
        result = run(replace(handshake(), basis="invented"), feedback=samples)
        reason = f"feedback did not become locked within 600 ms after enable; {tail}"
        assert list(result.findings) == [ENABLE, absent(Outcome.MISSING, reason)]
        assert list(result.handshakes) == [record(end=1700, completed=False)]

    def test_out_of_order(self) -> None:
        result = run(replace(handshake(), basis="invented"), feedback=feedback((1050, "locked")))
        told = came(Outcome.OUT_OF_ORDER, "40 to 75 ms before enable; expected after it", 1050, None)
        assert list(result.findings) == [told, ENABLE]
        assert list(result.handshakes) == [record(end=1100, completed=True)]

    def test_abandoned(self) -> None:
        door = sampled([(0, "closed"), (1000, "open"), (1300, "closed")], every=20, until=4000)
        result = run(replace(handshake(), basis="invented"), door=door, feedback=feedback())
        assert list(result.findings) == [ENABLE]
        assert list(result.handshakes) == [record(end=1300, completed=False, abandoned="door became closed")]

    def test_the_start_again(self) -> None:
        door = sampled([(0, "closed"), (1000, "open"), (1200, "closed"), (1300, "open")], every=20, until=4000)
        result = run(replace(handshake(abandon=None), basis="invented"), door=door, feedback=feedback())
        again = "enable did not become on within 400 ms after door became open; it was already on"
        assert list(result.findings) == [
            ENABLE,
            in_full(
                Outcome.MISSING,
                again,
                time_ns=1300 * NS_PER_MS,
                limit=ENABLE_LIMIT,
                reference=after(1280, 1300),
                evidence=(seen("door became open", "door", 1280, 1300),),
                step="enable",
                handshake=2,
            ),
        ]
        first, second = result.handshakes
        assert first == record(end=1300, completed=False, abandoned="the start came again")
        assert second == replace(record(end=1700, completed=False, tries=0), number=2, start=after(1280, 1300))

    def test_the_capture_ends(self) -> None:
        door = sampled([(0, "closed"), (1000, "open")], every=20, until=1500)
        result = run(replace(handshake(), basis="invented"), door=door, feedback=feedback(until=1500), until=1500)
        reason = (
            "cannot decide whether feedback became locked in time: the capture ends 400 ms after enable"
            " (limit 50 to 600 ms); record longer"
        )
        assert list(result.findings) == [ENABLE, absent(Outcome.UNDECIDED, reason)]
        assert list(result.handshakes) == [record(end=1500, completed=False)]

    def test_a_silence(self) -> None:
        samples = [sample for sample in feedback((1400, "locked")) if not 1300 < sample[0] < 1900]
        result = run(replace(handshake(), basis="invented"), feedback=samples, timeouts={"feedback": 75})
        reason = "cannot decide whether feedback became locked in time: feedback is unknown (message timeout)"
        assert list(result.findings) == [ENABLE, absent(Outcome.UNDECIDED, reason)]
        assert list(result.handshakes) == [record(end=1700, completed=False)]

    def test_a_discontinuity(self) -> None:
        result = run(replace(handshake(), basis="invented"), discontinuities=[1250])
        reason = "cannot decide whether feedback became locked in time: the recorder clock jumped back meanwhile"
        assert list(result.findings) == [ENABLE, absent(Outcome.UNDECIDED, reason)]
        assert list(result.handshakes) == [record(end=1400, completed=False)]

    def test_it_may_have_been_abandoned(self) -> None:
        door = [sample for sample in DOOR if not 1200 < sample[0] < 3000]
        result = run(replace(handshake(), basis="invented"), door=door, feedback=feedback(), timeouts={"door": 60})
        reason = (
            "feedback did not become locked within 600 ms after enable, but the handshake may have been"
            " cancelled: door is unknown (message timeout)"
        )
        assert list(result.findings) == [ENABLE, absent(Outcome.UNDECIDED, reason)]

    def test_given_is_unknown(self) -> None:
        ignition = [sample for sample in sampled([(0, "off")], every=100, until=4000) if not 500 < sample[0] < 1500]
        result = run(replace(handshake(), basis="invented"), ignition=ignition, timeouts={"ignition": 300})
        reason = (
            "door became open, but the log cannot tell whether ignition was off: ignition is unknown (message timeout)"
        )
        assert list(result.findings) == [
            in_full(Outcome.UNDECIDED, reason, time_ns=1000 * NS_PER_MS, evidence=(OPENED,))
        ]
        assert result.handshakes == ()

    @pytest.mark.parametrize(
        ("tries", "told_try", "delay", "last"), [(3, 3, (275, 310), 1500), (2, 2, (475, 510), 1300)]
    )
    def test_tries(self, tries: int, told_try: int, delay: tuple[float, float], last: float) -> None:
        """The clock starts anew with each try that is allowed; all are counted."""
        times = [(0, "off"), (1100, "on"), (1150, "off"), (1300, "on"), (1350, "off"), (1500, "on"), (1550, "off")]
        enable = sampled(times, every=10, until=4000)
        rule = replace(handshake(), basis="invented", tries=tries)
        result = run(rule, enable=enable, feedback=feedback((1800, "locked")))
        words = f"{delay[0]} to {delay[1]} ms after enable (try {told_try}); limit 50 to 600 ms"
        told = came(Outcome.MET, words, 1800, delay)
        tried = seen("enable became on", "enable", last - 10, last)
        told = replace(told, reference=tried.time, evidence=(tried, told.evidence[1]))
        assert list(result.findings) == [ENABLE, told]
        assert list(result.handshakes) == [record(end=1800, completed=True, tries=3)]
