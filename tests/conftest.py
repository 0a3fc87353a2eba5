"""How properties are tried, where the program keeps what it remembers while it is tested, and how runs are parted.

Properties are tried as often as a suite of minutes allows, and never fail for being slow on a busy machine;
``pytest --hypothesis-profile=thorough`` tries much more often (`support.examples`).
"""

from __future__ import annotations

import gc
import os
import shutil
import sys
import tempfile
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import pytest
import support.examples  # noqa: F401  (has the profiles)
from hypothesis import settings

if TYPE_CHECKING:
    from collections.abc import Iterator

    from support.chromium import SharedWindow

TESTS: Final = Path(__file__).parent
COMPILING: Final = ("capture", "timeline", "live", "fleet", "fuzz", "external", "cli/test_fleet.py", "test_kernels.py")
"""Tests that may have to compile kernels, which the first of them does for all others."""

settings.load_profile("suite")
# Some hundred processes are started; each would translate the whole package anew.
sys.dont_write_bytecode = False
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)


@pytest.fixture(scope="session")
def browser() -> Iterator[Any]:
    """Run one headless Chromium for all tests."""
    from support.chromium import running_browser

    with running_browser() as opened:
        yield opened


@pytest.fixture(scope="session")
def shared_window(browser: Any) -> SharedWindow:
    """Lend one window of the browser."""
    from support.chromium import SharedWindow

    return SharedWindow(browser)


@pytest.hookimpl(tryfirst=True)
def pytest_cmdline_main(config: pytest.Config) -> None:
    """Give each process of a parallel run a part in one piece, and let it steal when its own is done.

    So tests that share something are mostly run by one process.
    """
    if getattr(config.option, "numprocesses", None) and config.option.dist == "no":
        config.option.dist = "worksteal"


@pytest.hookimpl(wrapper=True)
def pytest_collection() -> Iterator[None]:
    """Let garbage be looked for only among what tests make: thousands of tests, which stay, take a second each time."""
    gc.disable()
    try:
        return (yield)
    finally:
        gc.freeze()
        gc.enable()


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Put tests that compile at the end, all in the part of one process: two would compile the same side by side."""
    places = [TESTS / place for place in COMPILING]
    items.sort(key=lambda item: any(item.path.is_relative_to(place) for place in places))


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
