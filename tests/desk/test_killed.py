"""A kill at any moment loses nothing that was confirmed."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from support.desk_script import Work, killed_after

if TYPE_CHECKING:
    from pathlib import Path

pytestmark = pytest.mark.slow


@pytest.mark.parametrize(("seconds", "warm"), [(0.35, False), (0.2, True), (0.45, True)])
def test_killed(seconds: float, warm: bool, tmp_path: Path) -> None:
    work = Work()
    killed_after(tmp_path, seconds, work, warm=warm)
    assert work.jobs or not warm
    assert work.readings or not warm
