"""The worst delay of a vehicle against its limit."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from support.sheets import fill

from buslens.checks.findings import Outcome
from buslens.fleet.ledger import Ledger
from buslens.fleet.page.lateness import worst_delay
from buslens.fleet.queries import captures_of, delays_of_vehicle

if TYPE_CHECKING:
    from collections.abc import Iterator


@pytest.fixture(scope="module")
def ledger(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Ledger]:
    with Ledger.reading(fill(tmp_path_factory.mktemp("fleet"))) as opened:
        yield opened


def test_late(ledger: Ledger) -> None:
    found = worst_delay(delays_of_vehicle(ledger, "failing"), None)
    assert found is not None
    assert (found.words, found.outcome) == ("817 to 837 of 600 ms", Outcome.LATE)
    assert (found.earliest, found.latest) == pytest.approx((817 / 600, 837 / 600))


def test_only_what_counts(ledger: Ledger) -> None:
    first = captures_of(ledger, "failing")[0]
    found = worst_delay(delays_of_vehicle(ledger, "failing"), {first.capture})
    assert found is not None
    assert found.words == "570 to 590 of 600 ms"
    assert worst_delay(delays_of_vehicle(ledger, "failing"), set()) is None


def test_did_not_come(ledger: Ledger) -> None:
    found = worst_delay(delays_of_vehicle(ledger, "dead"), None)
    assert found is not None
    assert (found.words, found.latest) == ("did not come", float("inf"))


def test_nothing_is_known(ledger: Ledger) -> None:
    assert worst_delay(delays_of_vehicle(ledger, "nobody"), None) is None
