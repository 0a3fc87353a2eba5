"""A first causes file for another car: a shared base, and what of it the car's expectations cannot show."""

from collections.abc import Iterator, Sequence
from typing import Final

import numpy as np

from buslens.causes.load import load_causes
from buslens.causes.model import Causes
from buslens.causes.signs import Observation, SignStatus, observe
from buslens.checks.findings import Result
from buslens.defaults import EXPECTATIONS_NAME, demonstration_folder
from buslens.discovery.toml_text import quoted
from buslens.expectations.model import Expectations

BASE: Final = EXPECTATIONS_NAME.removesuffix(".toml") + ".causes.toml"
"""The causes file that came with the program, which speaks of roles and serves as a base for any car."""


_BY_CURRENT: Final = {"motor_strains": (1.3, 2.5), "motor_stalls": (2.5, None)}
"""Signs of a motor that draws too much, each between such multiples of the most that a healthy car draws (rules of
thumb)."""


def draft_causes(expectations: Expectations, about: str, healthy: Sequence[Result] = ()) -> str:
    """Return the text of a causes file for a car.

    Parameters
    ----------
    expectations : Expectations
        Of the car. The file belongs beside them, under the name that `buslens.causes.load.find_causes` returns.
    about : str
        Which car, in a few words.
    healthy : sequence of Result
        Checked captures of the car while nothing was wrong: what they show is no sign of a fault here.

    Raises
    ------
    UsageError
        If the base did not come with this installation.
    """
    shared = load_causes(demonstration_folder() / BASE, expectations)
    by_reason: dict[str, list[str]] = {}
    for sign, reason in shared.lost.items():
        by_reason.setdefault(reason, []).append(sign)
    lines = [
        "# What can be wrong with this car's steering lock. Causes, signs and measurements come from the base, which",
        "# lies beside this file or with the program; what stands here replaces or adds to it (signal_defs/README.md).",
        "",
        "format = 1",
        f"base = {quoted(BASE)}",
        f"about = {quoted(about)}",
        "",
        f"# These expectations can show {len(shared.signs)} signs of the base.",
    ]
    if by_reason:
        lines.append("# They cannot show these; a role, or a rule, of that kind would bring them back:")
        lines += [f"#   {', '.join(signs)}: {reason}" for reason, signs in by_reason.items()]
    shown = observe([it for name, it in shared.signs.items() if name not in _BY_CURRENT], healthy) if healthy else ()
    usual = [it.sign.name for it in shown if _is_usual(it)]
    if usual:
        lines += ["", "# Healthy captures of this car show these, too:", f"without = [{', '.join(map(quoted, usual))}]"]
    lines += [
        "",
        "# A part that this car does not have: leave its causes and measurements out.",
        f'# {"add to without" if usual else "without ="} ["load_fuse_blown", "load_fuse"]',
        "",
        "# How common causes are is a rule of thumb; 'buslens diagnose --learn FOLDER' counts your own jobs.",
        "# [weights]",
        "# plug_loose = 12",
        "",
    ]
    lines += _currents(shared, healthy)
    return "\n".join(lines)


def _is_usual(seen: Observation) -> bool:
    """Return whether a condition holds in what was seen; what a rule finds is the rule's to be right about."""
    return seen.sign.seen is not None and seen.shown is SignStatus.PRESENT


def _currents(shared: Causes, healthy: Sequence[Result]) -> Iterator[str]:
    """Yield the signs of a motor that draws too much, by what it draws in healthy captures."""
    lines = [it.timelines["supply_current"] for it in healthy if "supply_current" in it.timelines]
    most = max((float(np.nanmax(it.value)) for it in lines if np.isfinite(it.value).any()), default=0.0)
    if not most > 0:
        return
    yield f"# Healthy captures show up to {most:g} {lines[0].unit}; the multiples of it are rules of thumb."
    for name, (least, below) in _BY_CURRENT.items():
        if name not in shared.signs:
            continue
        low = f"{least * most:.3g} {lines[0].unit}"
        limits = f"> {low}" if below is None else f"between {low} and {below * most:.3g} {lines[0].unit}"
        yield from (
            f"[signs.{name}]",
            f"shows = {quoted(shared.signs[name].shows)}",
            'while = "lock_enable is on"',
            f'seen = "supply_current {limits} for 100 ms"',
            "",
        )
