"""A first causes file for another car: a shared base, and what of it the car's expectations cannot show."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from buslens.causes.load import load_causes
from buslens.defaults import EXPECTATIONS_NAME, demonstration_folder
from buslens.discovery.toml_text import quoted

if TYPE_CHECKING:
    from buslens.expectations.model import Expectations

BASE: Final = EXPECTATIONS_NAME.removesuffix(".toml") + ".causes.toml"
"""The causes file that came with the program, which speaks of roles and serves as a base for any car."""


def draft_causes(expectations: Expectations, about: str) -> str:
    """Return the text of a causes file for a car.

    Parameters
    ----------
    expectations : Expectations
        Of the car. The file belongs beside them, under the name that `buslens.causes.load.find_causes` returns.
    about : str
        Which car, in a few words.

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
    lines += [
        "",
        "# A part that this car does not have: leave its causes and measurements out.",
        '# without = ["load_fuse_blown", "load_fuse"]',
        "",
        "# How common causes are is a rule of thumb; 'buslens diagnose --learn FOLDER' counts your own jobs.",
        "# [weights]",
        "# plug_loose = 12",
        "",
    ]
    return "\n".join(lines)
