"""Signal temporal logic over sampled traces, as rtamt judges it (discrete time, offline)."""

from __future__ import annotations

import warnings
from typing import TYPE_CHECKING

with warnings.catch_warnings():
    # The parser runtime that rtamt stands on imports a name that the standard library has deprecated.
    warnings.simplefilter("ignore", DeprecationWarning)
    import rtamt

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence


def satisfied(formula: str, traces: Mapping[str, Sequence[float]]) -> bool:
    """Return whether a formula holds at every sample of the traces.

    A trace of a state is 0 or 1; NAME stands for ``NAME >= 0.5`` if it is written so in the formula. No atom may be
    exactly on its limit, for rtamt then answers 0, which is neither. At the end of a trace rtamt shortens windows, so
    that the last samples have to be quiet.
    """
    specification = rtamt.StlDiscreteTimeSpecification()
    for name in traces:
        specification.declare_var(name, "float")
    specification.declare_var("result", "float")
    specification.spec = f"result = {formula}"
    specification.parse()
    length = len(next(iter(traces.values())))
    data = {name: [float(value) for value in trace] for name, trace in traces.items()}
    robustness = [value for _, value in specification.evaluate({"time": list(range(length)), **data})]
    assert all(value != 0 for value in robustness), "an atom stands exactly on its limit"
    return all(value > 0 for value in robustness)
