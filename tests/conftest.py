"""How properties are tried, and where the program keeps what it remembers while it is tested.

Properties are tried as often as a suite of minutes allows, and never fail for being slow on a busy machine;
``pytest --hypothesis-profile=thorough`` tries ten times as much.
"""

from __future__ import annotations

import os
import shutil
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

from hypothesis import settings

if TYPE_CHECKING:
    import pytest

settings.register_profile("suite", max_examples=50, deadline=None)
settings.register_profile("thorough", max_examples=500, deadline=None)
settings.load_profile("suite")


def pytest_configure(config: pytest.Config) -> None:
    """Give the session and all that it starts one cache folder, which is not the account's own.

    Compiled kernels are named by their content and stay for the next session, beside what pytest remembers; parsed
    definitions are forgotten. The processes of a parallel run get the folder from the one that starts them.
    """
    if hasattr(config, "workerinput"):
        return
    try:
        folder = Path(config.cache.mkdir("buslens"))  # type: ignore[union-attr]  # the plugin may be off
    except (AttributeError, OSError):  # ... or the checkout may not be written to
        folder = Path(tempfile.mkdtemp(prefix="buslens-"))
        config.add_cleanup(lambda: shutil.rmtree(folder, ignore_errors=True))
    shutil.rmtree(folder / "buslens" / "definitions", ignore_errors=True)
    os.environ["XDG_CACHE_HOME"] = str(folder)
