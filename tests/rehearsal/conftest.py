from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from buslens.rehearsal.rehearse import Rehearsal, rehearse

if TYPE_CHECKING:
    from collections.abc import Callable

DEFINITIONS = Path(__file__).parents[2] / "signal_defs" / "pinewick.dbc"


@cache
def _rehearsed(fault: str, seed: int, begins: str) -> Rehearsal:
    return rehearse(fault, seed=seed, begins=begins)


@pytest.fixture(scope="session")
def rehearsed() -> Callable[..., Rehearsal]:
    """Rehearse, and remember: several tests look at the same capture."""
    return lambda fault, seed=1, begins="parked": _rehearsed(fault, seed, begins)


@pytest.fixture(scope="session")
def definitions() -> Path:
    """Return the path of the definitions of the club's cars."""
    return DEFINITIONS
