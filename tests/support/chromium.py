"""A headless browser for pages that only a browser can prove."""

from __future__ import annotations

import os
import shutil
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

import pytest
from support.patience import HANG_S

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

ARGUMENTS = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]


def browser_path() -> str | None:
    """Return where Chromium is: named by BUSLENS_CHROMIUM, else on the path."""
    named = os.environ.get("BUSLENS_CHROMIUM")
    found = [named, *(shutil.which(name) for name in ("chromium", "chromium-browser", "google-chrome"))]
    return next((path for path in found if path), None)


@contextmanager
def running_browser() -> Iterator[Any]:
    """Run one headless Chromium; the test is skipped where there is none."""
    playwright = pytest.importorskip(
        "playwright.sync_api", reason="needs a browser's remote control: pip install playwright"
    )
    path = browser_path()
    if path is None:
        pytest.skip("needs Chromium: 'apt-get install chromium', or name one in BUSLENS_CHROMIUM")
    with playwright.sync_playwright() as running:
        opened = running.chromium.launch(executable_path=path, args=ARGUMENTS, timeout=HANG_S * 1000)
        yield opened
        opened.close()


def open_window(browser: Any, file: Path, trouble: list[str], **options: Any) -> Any:
    """Open a file in a window of its own; whatever is said on the console or asked from outside is trouble."""
    context = browser.new_context(**{"viewport": {"width": 1440, "height": 1000}, **options})
    context.set_default_timeout(HANG_S * 1000)
    page = context.new_page()
    page.on("console", lambda told: told.type in {"error", "warning"} and trouble.append(told.text))
    page.on("pageerror", lambda error: trouble.append(str(error)))
    page.on("request", lambda asked: asked.url.startswith(("file:", "blob:")) or trouble.append(asked.url))
    page.goto(file.as_uri())
    return page
