"""How properties are tried, where the program keeps what it remembers while it is tested, and how runs are parted.

Properties are tried as often as a suite of minutes allows, and never fail for being slow on a busy machine;
``pytest --hypothesis-profile=thorough`` tries much more often (`support.examples`).
"""

from __future__ import annotations

import os
import shutil
import tempfile
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
import support.examples  # noqa: F401  (has the profiles)
from hypothesis import settings

if TYPE_CHECKING:
    import pytest


settings.load_profile("suite")


def pytest_configure(config: pytest.Config) -> None:
    """Give the session and all that it starts a cache folder of its own.

    What takes long to make and is named by its content (compiled kernels, the list of fonts) stays for other sessions,
    beside what pytest remembers. The processes of a parallel run get the folder from the one that starts them.
    """
    if hasattr(config, "workerinput"):
        return
    folder = Path(tempfile.mkdtemp(prefix="buslens-"))
    config.add_cleanup(lambda: shutil.rmtree(folder, ignore_errors=True))
    (folder / "buslens").mkdir()
    for place in ("buslens/kernels", "matplotlib"):
        with suppress(AttributeError, OSError):  # the plugin may be off, or the checkout may not be written to
            (folder / place).symlink_to(config.cache.mkdir(Path(place).name))  # type: ignore[union-attr]
    os.environ["XDG_CACHE_HOME"] = str(folder)
