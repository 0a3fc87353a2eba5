"""Other cars with their own files: the true cause stands in the first group, and nothing the log contradicts leads."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import pytest
from support.drawn_cars import drawn
from support.invented_cars import BITS, GERMAN, Car, record

from buslens.causes.diagnosis import Diagnosis, diagnose
from buslens.causes.draft import draft_causes
from buslens.causes.load import load_causes
from buslens.checks.check import check
from buslens.discovery.start import start

if TYPE_CHECKING:
    from pathlib import Path

CARS: Final = {"german": GERMAN, "bits": BITS, **{f"drawn {seed}": drawn(seed) for seed in (8, 12, 17)}}

TRUE: Final = {
    "never locks": "bolt_jammed",
    "never frees": "bolt_under_load",
    "first dead": "unlock_feedback_open",
    "second dead": "position_sensor_failed",
    "second late": "position_sensor_slow",
    "slow": "motor_worn",
    "no drive": "unit_new",
    "pulse too long": "driver_stage_stray",
    "second free": "position_sensor_free",
    "second silent": "data_line_open",
    "enable stays on": "enable_to_supply",
    "ignition while locked": "ignition_by_another_way",
    "one try of three": "bolt_under_load",
}

FEEDBACK_WIRES: Final = {"unlock_feedback_open", "unlock_feedback_to_supply", "feedback_contact_open"}
DEAD: Final = {"enable_open", "supply_open", "ground_open", "plug_off", "lock_unit_dead", "load_fuse_blown"}
CONTRADICTED: Final = {
    "never frees": FEEDBACK_WIRES,  # the data line says locked, too
    "second dead": DEAD | {"bolt_jammed"},  # the wire shows that the bolt moves
    "second silent": DEAD | {"logic_fuse_blown", "unit_new", "brake_not_pressed"},  # so it does here, once it is driven
    "no drive": {"enable_to_supply", "enable_chafed"},  # the enable says off
    "enable stays on": {"bolt_under_load", "bolt_jammed", "enable_open", "unit_new"},  # it says on all the while
    "ignition while locked": DEAD | FEEDBACK_WIRES,  # both paths say locked as the ignition comes
    "one try of three": DEAD | FEEDBACK_WIRES | {"bolt_jammed"},  # it works before and after
}  # fmt: skip
"""Causes that cannot be, and why: none of them may stand in the first group."""

pytestmark = pytest.mark.slow


@dataclass(frozen=True)
class Own:
    """A car with the files that were learned from three captures of it."""

    car: Car
    folder: Path

    def diagnosis(self, fault: str) -> Diagnosis:
        """Return what its files make of a capture with a fault."""
        rounds = 3 if fault == "one try of three" else 1
        capture = record(self.car, self.folder / "next.log", 7, fault, rounds)
        result = check(capture, expectations=self.folder / "car.toml")
        return diagnose([result], load_causes(self.folder / "car.causes.toml", result.expectations))


@pytest.fixture(scope="module", params=CARS)
def own(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Own:
    """Return each car with its files."""
    car, folder = CARS[request.param], tmp_path_factory.mktemp("car")
    (folder / "car.dbc").write_text(car.dbc(), "utf-8")
    captures = [str(record(car, folder / f"good{seed}.log", seed)) for seed in range(3)]
    made = start([str(folder / "car.dbc"), *captures], output=str(folder / "car.toml"))
    (folder / "car.toml").write_text(made.text, "utf-8")
    healthy = [check(it, expectations=folder / "car.toml") for it in captures]
    (folder / "car.causes.toml").write_text(draft_causes(healthy[0].expectations, "a car", healthy), "utf-8")
    return Own(car, folder)


@pytest.mark.parametrize("fault", TRUE)
def test_true_cause(own: Own, fault: str) -> None:
    fields = [(message, it) for message in own.car.messages for it in message.fields if it.part == "second"]
    if fault == "second silent" and not any(
        len(it.raw) > 3 or {one.part for one in message.fields} <= {"second", "counter", "selector"}
        for message, it in fields
    ):
        pytest.skip("this car has neither a value nor a message of its own for it")
    found = own.diagnosis(fault)
    first = [hypothesis.name for hypothesis in found.ranking.groups[0]]
    assert TRUE[fault] in first
    assert not CONTRADICTED.get(fault, set()).intersection(first), first
