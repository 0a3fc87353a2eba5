"""The causes files that come along: every fault points somewhere, no part is advised unproved, hands are warned."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from typing import TYPE_CHECKING

import pytest
from support.rehearsed import FOLDER, Draw, expectations, judged

from buslens.causes.advice import AdviceKind, advise
from buslens.causes.diagnosis import diagnose
from buslens.causes.load import load_causes
from buslens.causes.model import CauseKind, Frequency
from buslens.causes.ranking import rank
from buslens.causes.signs import Observation, SignStatus
from buslens.checks.findings import Outcome
from buslens.expectations.load import parse_expectations
from buslens.expectations.model import Sequence

if TYPE_CHECKING:
    from collections.abc import Iterator

    from buslens.causes.model import Causes
    from buslens.expectations.model import AnyRule, Expectations

FILES = ("steering_lock.causes.toml", "steering_lock_supply_box.causes.toml")
STEP_FAULTS = (Outcome.EARLY, Outcome.LATE, Outcome.MISSING, Outcome.OUT_OF_ORDER)


@cache
def shipped(name: str) -> Causes:
    return load_causes(FOLDER / name, expectations())


def faults() -> Iterator[tuple[AnyRule, str | None, Outcome]]:
    """Yield everything that can be wrong by the shipped rules."""
    for rule in expectations().rules:
        if isinstance(rule, Sequence):
            yield from ((rule, step.name, outcome) for step in rule.steps for outcome in STEP_FAULTS)
        else:
            yield rule, None, Outcome.VIOLATED


@pytest.mark.parametrize("name", FILES)
class TestEveryFaultPointsSomewhere:
    """Each outcome of each step, and of each other rule, is told by a sign that some cause shows."""

    @pytest.mark.parametrize(
        ("rule", "step", "outcome"), list(faults()), ids=lambda it: str(getattr(it, "name", it)).replace(" ", "-")
    )
    def test_told(self, name: str, rule: AnyRule, step: str | None, outcome: Outcome) -> None:
        file = shipped(name)
        telling = {
            sign.name
            for sign in file.signs.values()
            for pattern in (*sign.findings, *sign.accounts_for)
            if pattern.rule == rule.name and pattern.step in {None, step} and outcome in pattern.outcomes
        }
        named = {
            sign
            for cause in file.causes.values()
            for sign, word in cause.signs.items()
            if word in {Frequency.USUAL, Frequency.SOMETIMES}
        }
        assert telling & named


class TestUntold:
    """A fault that no sign tells is listed, and speaks for something that the file does not name."""

    def test_second_feedback_late(self) -> None:
        drawn = Draw(
            fault="second-feedback-late",
            seed=9,
            severity=1.1,
            battery_volts=12.6,
            temperature=18.0,
            begins="parked",
            background_ids=2,
        )
        result = judged(drawn)
        found = diagnose([result], shipped(FILES[0]))
        assert found.ranking.hypotheses[0].name == "position_sensor_slow"
        assert not found.unexplained
        # The same without the signs that tell it.
        gone = {"second_path_late", "wire_says_locked", "data_says_locked"}
        deaf = shipped(FILES[0])
        deaf = replace(deaf, signs={name: sign for name, sign in deaf.signs.items() if name not in gone})
        found = diagnose([result], deaf)
        untold = {it.sign.name for it in found.observations if not it.sign.is_own}
        assert "unlock handshake, data feedback: late" in untold
        assert untold <= {it.sign.name for it in found.unexplained}
        assert found.ranking.hypotheses[0].causes[0].kind is not CauseKind.NOTHING


@pytest.mark.parametrize("name", FILES)
class TestParts:
    """With all that a part usually shows, and nothing else, it is never advised before anything was measured."""

    def test_measured_first(self, name: str) -> None:
        file = shipped(name)
        parts = [cause for cause in file.causes.values() if cause.kind is CauseKind.PART]
        assert parts
        for part in parts:
            seen = [
                Observation(
                    sign=sign, shown=SignStatus.PRESENT if part.signs.get(it) is Frequency.USUAL else SignStatus.ABSENT
                )
                for it, sign in file.signs.items()
            ]
            advice = advise(file, rank(file, seen, {}, is_faulty=True), ())
            assert advice.step is AdviceKind.MEASURE, part.name


@pytest.mark.parametrize("name", FILES)
class TestCautions:
    """Whatever puts hands near column, plugs, battery or fuses says what to heed before."""

    def test_hands(self, name: str) -> None:
        for it in shipped(name).measurements.values():
            place = f"{it.where} {it.do}".lower()
            said = " ".join(it.cautions)
            if any(word in place for word in ("plug", "harness", "fuse", "relay", "battery post", "lock unit,")):
                assert said, it.name
            if "presses start" in it.do or "Press start" in it.do or "opens the door" in it.do:
                assert "wheels blocked" in said, it.name
            if "off the lock unit" in it.state or "plugs off" in it.state:
                assert "wait" in said, it.name
                assert "airbag" in said or it.name.startswith("box_"), it.name
            if "lamp across" in it.do or "21 W" in it.do:
                assert "fuse of its own" in said, it.name

    def test_repair(self, name: str) -> None:
        """So does each repair: the way to a plug, a battery, a unit."""
        for cause in shipped(name).causes.values():
            said = " ".join(cause.cautions)
            if cause.kind in {CauseKind.WIRE, CauseKind.CONNECTOR, CauseKind.PART, CauseKind.MECHANICAL}:
                assert "wheels blocked" in said, cause.name
                assert "then wait as the maker says" in said, cause.name
            if cause.kind is CauseKind.FUSE:
                assert "another fuse blows" in said, cause.name
            if any(word in cause.repair for word in ("Replace the", "paired", "registered")):
                assert "proof of ownership" in said, cause.name
            if "battery," in cause.repair and "key" not in cause.repair:
                assert "no sparks" in said, cause.name

    def test_nobody_is_sent_driving(self, name: str) -> None:
        assert "wheels blocked" in shipped(name).measurements["record_again"].state


def without_roles(*gone: str) -> Expectations:
    """Return the shipped expectations of a car that lacks some roles, and the rules that need them."""
    whole = expectations()
    return replace(
        whole,
        roles={name: role for name, role in whole.roles.items() if name not in gone},
        rules=tuple(rule for rule in whole.rules if not any(name in repr(rule) for name in gone)),
    )


class TestOtherCars:
    """A car without some roles loses the signs that need them, and nothing else."""

    @pytest.mark.parametrize(
        ("gone", "lost"),
        [
            (
                "supply_current",
                {
                    "motor_idle",
                    "motor_stalls",
                    "motor_strains",
                    "motor_cuts_out",
                    "voltage_and_no_current",
                    "feedback_low_too_soon",
                },
            ),
            ("pairing_state", {"unit_is_new", "unit_is_cleared"}),
            ("battery_voltage", {"battery_out"}),
        ],
    )
    def test_lost(self, gone: str, lost: set[str]) -> None:
        whole, file = shipped(FILES[0]), load_causes(FOLDER / FILES[0], without_roles(gone))
        assert set(file.lost) - set(whole.lost) == lost
        assert set(whole.signs) - set(file.signs) == lost
        assert set(file.causes) == set(whole.causes)
        assert set(file.measurements) == set(whole.measurements)

    def test_other_names_of_rules_and_steps(self) -> None:
        """Signs find rules by what they are about."""
        text = """\
format = 1
[roles.start]
signal = "A.S"
states = { pressed = 1, free = 0 }
[roles.lock_enable]
signal = "A.E"
states = { on = 1, off = 0 }
[roles.unlock_feedback]
signal = "A.F"
states = { locked = 0, unlocked = 1 }
[[rules]]
name = "Entriegeln"
kind = "sequence"
start = "start becomes pressed"
steps = [
  { name = "Ansteuerung", await = "lock_enable becomes on", within = "1 s" },
  { name = "Riegel frei", await = "unlock_feedback becomes unlocked", within = "1 s" },
]
"""
        file = load_causes(FOLDER / FILES[0], parse_expectations(text.encode(), "other.toml"))
        (pattern,) = file.signs["no_release"].findings
        assert (pattern.rule, pattern.step) == ("Entriegeln", "Riegel frei")
        assert "second_path_late" in file.lost
        assert file.lost["motor_stalls"] == "no role supply_current"
        # What is wrong with a recording that this car does not have is left out.
        assert set(shipped(FILES[0]).causes) - set(file.causes) == {"probe_wrong"}

    def test_bolt_under_load_first(self) -> None:
        """Where no current is shown, a wheel is turned before a plug is touched."""
        file = load_causes(FOLDER / FILES[0], without_roles("supply_current", "data_feedback", "pairing_state"))
        shown = {"no_release", "no_movement", "warning"}
        seen = [
            Observation(sign=sign, shown=SignStatus.PRESENT if it in shown else SignStatus.ABSENT)
            for it, sign in file.signs.items()
        ]
        advice = advise(file, rank(file, seen, {}, is_faulty=True), ())
        assert advice.measurement is not None
        assert advice.measurement.name == "wheel_turned"
