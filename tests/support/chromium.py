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


class SharedWindow:
    """One window for all pages that need none of their own: to open one takes a second of processor."""

    def __init__(self, browser: Any) -> None:
        self._browser = browser
        self._page: Any = None
        #: What was heard since a page was shown; see `open_window`.
        self.trouble: list[str] = []

    def show(self, file: Path, *, width: int = 1440, height: int = 1000, color_scheme: str = "light") -> Any:
        """Show a file as if the window had just been opened; what was shown before is gone."""
        if self._page is None:
            self._page = open_window(self._browser, file, self.trouble)
        self._page.goto("about:blank")
        self._page.set_viewport_size({"width": width, "height": height})
        self._page.emulate_media(media="null", color_scheme=color_scheme)
        self._page.mouse.move(0, 0)
        self.trouble.clear()
        self._page.goto(file.as_uri())
        return self._page


def open_window(browser: Any, file: Path, trouble: list[str], **options: Any) -> Any:
    """Open a file in a window of its own.

    Whatever is said on the console or by a dialog, or asked from outside, is trouble.
    """
    context = browser.new_context(**{"viewport": {"width": 1440, "height": 1000}, **options})
    context.set_default_timeout(HANG_S * 1000)
    page = context.new_page()
    page.on("console", lambda told: told.type in {"error", "warning"} and trouble.append(told.text))
    page.on("pageerror", lambda error: trouble.append(str(error)))
    page.on("dialog", lambda told: (trouble.append(told.message), told.dismiss()))
    page.on("request", lambda asked: asked.url.startswith(("file:", "blob:")) or trouble.append(asked.url))
    page.goto(file.as_uri())
    return page
