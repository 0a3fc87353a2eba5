"""Small causes files made by hand, without TOML."""

from __future__ import annotations

from typing import TYPE_CHECKING

from buslens.causes.model import (
    Cause,
    CauseKind,
    Causes,
    FindingPattern,
    Frequency,
    Measurement,
    Probabilities,
    ResultRange,
    Sign,
)
from buslens.causes.signs import Observation, SignStatus
from buslens.checks.findings import Outcome

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

NUMBERS = Probabilities(
    often={
        Frequency.USUAL: 0.95,
        Frequency.SOMETIMES: 0.5,
        Frequency.RARE: 0.02,
        Frequency.NEVER: 0.002,
        Frequency.CANNOT: 0.002,
    },
    reading=0.97,
    apart=3.0,
    sure=0.9,
    basis="made up for a test",
)


def cause(
    name: str,
    *,
    kind: CauseKind = CauseKind.WIRE,
    weight: float = 1.0,
    usual: Iterable[str] = (),
    sometimes: Iterable[str] = (),
    cannot: Iterable[str] = (),
    readings: Mapping[str, Sequence[str]] | None = None,
) -> Cause:
    """Return a cause."""
    words = {Frequency.USUAL: usual, Frequency.SOMETIMES: sometimes, Frequency.CANNOT: cannot}
    return Cause(
        name=name,
        title=f"{name} is broken",
        kind=kind,
        weight=weight,
        signs={sign: word for word, signs in words.items() for sign in signs},
        readings={measurement: tuple(results) for measurement, results in (readings or {}).items()},
        repair=f"Mend {name}.",
        basis="made up",
    )


def measurement(name: str, results: Sequence[str], *, minutes: float = 5.0, with_fault: str = "") -> Measurement:
    """Return a measurement with words as results, the first of them expected."""
    return Measurement(
        name=name,
        do=f"Measure {name}.",
        where="somewhere",
        state="as it is",
        unit="",
        minutes=minutes,
        results=tuple(ResultRange(name=result) for result in results),
        expect=results[0],
        with_fault=with_fault,
        basis="made up",
    )


def causes(them: Iterable[Cause], measurements: Iterable[Measurement] = ()) -> Causes:
    """Return a file with the signs "dead", "late" and "stalls"."""
    pattern = FindingPattern(rule="a rule", outcomes=frozenset({Outcome.VIOLATED}))
    return Causes(
        path="small.causes.toml",
        about="",
        numbers=NUMBERS,
        signs={
            name: Sign(name=name, shows=f"it is {name}", findings=(pattern,)) for name in ("dead", "late", "stalls")
        },
        causes={it.name: it for it in them},
        measurements={it.name: it for it in measurements},
    )


def observed(file: Causes, **shown: SignStatus) -> list[Observation]:
    """Return what captures say of the signs that are named."""
    return [Observation(sign=file.signs[name], shown=it) for name, it in shown.items()]
