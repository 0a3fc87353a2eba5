"""What has still to happen at the car."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from buslens.checks.findings import Handshake, TimeBounds
from buslens.expectations.load import load_expectations
from buslens.live.final_findings import FinalFinding
from buslens.report.guide import Guide, GuideScreen

ROOT = Path(__file__).parents[2]


@pytest.fixture
def guide() -> Guide:
    return Guide(load_expectations(ROOT / "signal_defs" / "steering_lock.toml").rules, 2)


def told(rule: str, number: int, *, abandoned: str = "", completed: bool = True) -> FinalFinding:
    start = TimeBounds(earliest_ns=0, latest_ns=1)
    run = Handshake(rule=rule, number=number, start=start, end_ns=2, completed=completed, abandoned=abandoned)
    return FinalFinding(rule=rule, findings=(), handshake=run)


class Silent:
    """A screen that shows nothing."""

    def show_finding(self, told: object, origin_ns: int) -> None: ...
    def show(self, sight: object) -> None: ...
    def close(self) -> None: ...


class TestGuide:
    """Each sequence is something to do; a cancelled one does not count, a failed one does."""

    def test_says_what_to_do(self, guide: Guide) -> None:
        first, second = guide.lines()
        assert first == "Unlock handshake, 0 of 2: start button pressed, while ignition is off"
        assert second == ("Lock handshake, 0 of 2: door open, while ignition is off and unlock feedback is unlocked")

    def test_counts(self, guide: Guide) -> None:
        assert guide.tick(told("unlock handshake", 1))
        assert guide.tick(told("unlock handshake", 2, completed=False))
        assert not guide.tick(told("unlock handshake", 3))
        assert not guide.tick(told("lock handshake", 1, abandoned="door open becomes closed"))
        assert [line.partition(":")[0] for line in guide.lines()] == [
            "Unlock handshake, done",
            "Lock handshake, 0 of 2",
        ]
        assert not guide.is_complete

    def test_rules_that_ask_for_the_same(self) -> None:
        """They are one thing to do, as often as the rule asks that was seen least."""
        first, *others = load_expectations(ROOT / "signal_defs" / "steering_lock.toml").rules
        guide = Guide([first, replace(first, name="ignition after release"), *others], 2)
        guide.tick(told("unlock handshake", 1))
        assert next(guide.lines()).startswith("Unlock handshake and ignition after release, 0 of 2: start button")
        guide.tick(told("ignition after release", 1))
        assert [it.mark for it in guide.items()] == ["1 of 2", "0 of 2"]

    def test_other_findings(self, guide: Guide) -> None:
        assert not guide.tick(FinalFinding(rule="data line", findings=()))

    def test_screen_ends_with_the_bell(self, guide: Guide) -> None:
        written: list[str] = []
        screen = GuideScreen(Silent(), guide, written.append)  # type: ignore[arg-type]
        assert "Unlock handshake, 0 of 2" in written[0]
        for rule in ("unlock handshake", "lock handshake"):
            for number in (1, 2):
                screen.show_finding(told(rule, number), 0)
        assert "Lock handshake, 1 of 2" in written[-2]
        assert written[-1] == "\aAll is there. Ctrl-C ends the recording.\n"
