"""Everything that can be rehearsed; what it is stands in ``faults.toml``."""

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final, TypeVar

from buslens.errors import UsageError, did_you_mean
from buslens.rehearsal.harness import Harness
from buslens.rehearsal.lock_unit import Mechanics
from buslens.rehearsal.scenario import LoggerSettings, Scenario

Part = TypeVar("Part", Scenario, Harness, Mechanics, LoggerSettings)


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """One thing to rehearse."""

    name: str
    #: What it breaks and what the bus then shows, one sentence.
    sentence: str
    #: Fields of the scenario that are not those of a healthy car.
    settings: Mapping[str, Any]

    def scenario(self, severity: float) -> Scenario:
        """Return the scenario for a severity: 1 as a rule, more is worse."""
        return _changed(Scenario(), self.settings, severity)


def _changed(part: Part, settings: Mapping[str, Any], severity: float) -> Part:
    changes: dict[str, Any] = {}
    for name, value in settings.items():
        old = getattr(part, name)
        if isinstance(value, dict):
            changes[name] = _changed(old, value, severity)
            continue
        new = value[0] + value[1] * severity if isinstance(value, list) else value
        changes[name] = new if old is None else type(old)(new)
    return replace(part, **changes)


def find_fault(name: str) -> Fault:
    """Return the fault of that name; UsageError if there is none."""
    if name not in FAULTS:
        hint = did_you_mean(name, FAULTS)
        known = "" if hint else "; known: " + ", ".join(FAULTS)
        raise UsageError(f"nothing to rehearse is called '{name}'{hint}{known}")
    return FAULTS[name]


FAULTS: Final[Mapping[str, Fault]] = {
    name: Fault(name=name, sentence=settings.pop("sentence"), settings=settings)
    for name, settings in tomllib.loads(Path(__file__).with_name("faults.toml").read_text("utf-8")).items()
}
"""All of them, by name, in the order in which to explain them."""


def adjusted(scenario: Scenario, *, temperature: float | None, battery_volts: float | None) -> Scenario:
    """Return a scenario with another temperature, degC, or battery, V."""
    given: dict[str, Any] = {"temperature": temperature, "battery_volts": battery_volts}
    return replace(scenario, **{name: value for name, value in given.items() if value is not None})
