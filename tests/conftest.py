"""How properties are tried, where the program keeps what it remembers while it is tested, and how runs are parted.

Properties are tried as often as a suite of minutes allows, and never fail for being slow on a busy machine;
``pytest --hypothesis-profile=thorough`` tries much more often (`support.examples`).
"""

from __future__ import annotations

import gc
import os
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import pytest
import support.examples  # noqa: F401  (has the profiles)
from hypothesis import settings
from support.patience import HANG_S

if TYPE_CHECKING:
    from collections.abc import Iterator

    from support.chromium import SharedWindow

TESTS: Final = Path(__file__).parent
COMPILING: Final = (
    "capture",
    "checks/test_values.py",
    "discovery/test_changes.py",
    "fleet/test_check_job.py",
    "fleet/test_id_traffic.py",
    "fuzz",
    "external",
)
"""Tests that need compiled kernels: they come last."""
MANY: Final = 100
"""So many of them are worth a process that compiles the kernels, beside what comes before them."""

settings.load_profile("suite")
# Some hundred processes are started; each would translate the whole package anew.
sys.dont_write_bytecode = False
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    # What a shell has put into the background does not hear Ctrl-C, nor would any program that the tests start.
    signal.signal(signal.SIGINT, signal.default_int_handler)


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


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_auto_num_workers() -> int | None:
    """Let ``-n auto`` be one process more than there are cores: there is always one that waits for what it started."""
    if "PYTEST_XDIST_AUTO_NUM_WORKERS" in os.environ:
        return None
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    return cores + 1


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


@pytest.hookimpl(wrapper=True)
def pytest_make_collect_report(collector: pytest.Collector) -> Iterator[None]:
    """Let every other process of a parallel run read folders from the end.

    In a fresh checkout each file is translated when it is first read: so each process translates a half for the others.
    """
    report: Any = yield
    number = getattr(collector.config, "workerinput", {}).get("workerid", "gw0")
    if isinstance(collector, pytest.Dir) and int(number.removeprefix("gw")) % 2:
        report.result.reverse()
    return report


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Put tests that need compiled kernels at the end, and all into one order, however they were found.

    Whatever drives a browser is slow.
    """
    for item in items:
        if "browser" in getattr(item, "fixturenames", ()):
            item.add_marker("slow")
    items.sort(key=lambda item: (_needs_kernels(item), item.path))


def _needs_kernels(item: pytest.Item) -> bool:
    return any(item.path.is_relative_to(TESTS / place) for place in COMPILING)


def pytest_collection_finish(session: pytest.Session) -> None:
    """Let one process compile all kernels meanwhile, which each process of a parallel run would do by itself.

    Only slow tests ask for those of tables, which take longest.
    """
    number = getattr(session.config, "workerinput", {}).get("workerid", "gw0")
    if number == "gw0" and sum(map(_needs_kernels, session.items)) > MANY and not session.config.option.collectonly:
        has_slow = any(item.get_closest_marker("slow") for item in session.items)
        search = os.pathsep.join([str(TESTS), str(TESTS.parent)])
        making = subprocess.Popen(
            [sys.executable, "-m", "support.all_kernels", str(_kernels_made()), *(["tables"] if has_slow else [])],
            env={**os.environ, "PYTHONPATH": search},
            stdout=subprocess.DEVNULL,
        )
        _kernels_made().with_suffix(".begun").touch()
        session.config.add_cleanup(making.wait)


@pytest.hookimpl(tryfirst=True)
def pytest_runtest_setup(item: pytest.Item) -> None:
    """Wait for the kernels, should they not be there yet."""
    made = _kernels_made()
    if made.with_suffix(".begun").exists() and _needs_kernels(item):
        last = time.monotonic() + HANG_S
        while not made.exists() and time.monotonic() < last:
            time.sleep(0.2)


def _kernels_made() -> Path:
    return Path(os.environ["XDG_CACHE_HOME"]) / "kernels.made"


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
