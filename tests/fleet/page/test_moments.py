"""The worst moment as a small timing diagram."""

from __future__ import annotations

from xml.etree import ElementTree as ET

import pytest
from support.sheets import STEP, anomaly, performed

from buslens.checks.findings import Outcome, Result
from buslens.fleet.model import Anomaly, FindingRow
from buslens.fleet.page.thumbnail import MOST_LANES, SMALL, small_diagram


@pytest.fixture(scope="module")
def result() -> Result:
    return performed()


def row(result: Result, rule: str) -> FindingRow:
    """Return the fault of a rule as the ledger holds it."""
    one = next(it for it in result.findings if it.rule == rule and it.outcome.is_fault)
    assert one.time_ns is not None
    # The sentence may have been another when it was stored: it is not what a fault is known by.
    return FindingRow(
        one.rule, one.kind, one.step, one.handshake, one.outcome, "as it was worded once",
        one.time_ns - result.origin_ns, None, None, None, None, "ns",
    )  # fmt: skip


def words(result: Result, fault: FindingRow | Anomaly | None = None) -> list[str]:
    """Return the words of a picture, from top to bottom of the file."""
    root = ET.fromstring(small_diagram(result, fault))  # noqa: S314 - made by the program that is tested
    assert float(root.get("viewBox", "").split()[2]) == SMALL.width
    return [(element.text or "").replace("\N{NO-BREAK SPACE}", " ") for element in root.iter("text")]


class TestWhat:
    """What is shown is what the list speaks of."""

    def test_the_figure_s_own_choice(self, result: Result) -> None:
        shown = words(result)
        assert any(word.startswith("rule broken") for word in shown)
        assert words(result, row(result, "no ignition while open")) == shown

    def test_a_fault(self, result: Result) -> None:
        shown = words(result, row(result, "lock handshake"))
        assert any(word.startswith("too late: 88") and "limit 600 ms" in word for word in shown)
        assert not any(word.startswith("rule broken") for word in shown)

    def test_a_fault_that_is_not_found_again(self, result: Result) -> None:
        other = row(result, "lock handshake")._replace(outcome=Outcome.EARLY)
        assert words(result, other) == words(result)

    def test_what_stands_out(self, result: Result) -> None:
        """The delay that an anomaly speaks of, not what is wrong elsewhere in the capture."""
        late = next(it for it in result.findings if it.step == STEP)
        assert late.delay is not None
        earliest_ms = late.delay.earliest_ns / 1e6
        shown = words(result, anomaly(numbers={"earliest_ms": earliest_ms}))
        assert shown == words(result, row(result, "lock handshake"))
        assert words(result, anomaly(numbers={"earliest_ms": earliest_ms + 1})) == words(result)

    def test_lanes(self, result: Result) -> None:
        """The lanes of the handshake in their order, and none of those that have nothing to do with it."""
        shown = words(result, row(result, "lock handshake"))
        # A long name stands on two lines.
        lanes = ["door open", "lock enable", "unlock", "feedback", "ignition", "speed"]
        assert [word for word in shown if word in lanes] == lanes[:4]

    def test_no_more_lanes_than_can_be_read(self, result: Result) -> None:
        root = ET.fromstring(small_diagram(result))  # noqa: S314 - made by the program that is tested
        assert float(root.get("viewBox", "").split()[3]) < MOST_LANES * 60

    def test_in_words(self, result: Result) -> None:
        root = ET.fromstring(small_diagram(result))  # noqa: S314 - made by the program that is tested
        assert root.get("role") == "img"
        assert "Faulty: " in (root.get("aria-label") or "")
        assert "around 'no ignition while open'" in (root.get("aria-label") or "")

    def test_nothing_around_it(self, result: Result) -> None:
        """Notes, key and footer stand on the page, not in the picture."""
        shown = " ".join(words(result))
        assert "allowed time" not in shown
        assert "stage.toml" not in shown
        assert "Faulty" not in shown
