"""What the tests of a growing capture share."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from buslens.definitions.load import load_definitions
from buslens.expectations.load import load_expectations

if TYPE_CHECKING:
    from buslens.definitions.model import Definitions
    from buslens.expectations.model import Expectations

SIGNAL_DEFS = Path(__file__).parents[2] / "signal_defs"


@pytest.fixture(scope="session")
def expected() -> Expectations:
    """Return the expectations of the invented car."""
    return load_expectations(SIGNAL_DEFS / "steering_lock.toml")


@pytest.fixture(scope="session")
def defined() -> Definitions:
    """Return its definitions."""
    return load_definitions(SIGNAL_DEFS / "pinewick.dbc")
