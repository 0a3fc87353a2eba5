"""The roles that conditions in these tests are about."""

from __future__ import annotations

import pytest

from buslens.expectations.model import Role


@pytest.fixture(scope="session")
def roles() -> dict[str, Role]:
    """Two roles with states, one number with a unit and one without."""
    made = (
        Role(name="door_open", message="BODY", signal="DOOR", states={"open": ("open",), "closed": ("shut",)}),
        Role(name="ignition", message="POWER", signal="STAGE", states={"off": (0,), "on": (1, 2)}),
        Role(name="supply", message="COLUMN", signal="SUPPLY", unit="V"),
        Role(name="tries_left", message="COLUMN", signal="TRIES"),
    )
    return {role.name: role for role in made}
