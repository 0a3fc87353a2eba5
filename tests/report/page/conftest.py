from __future__ import annotations

import os
import shutil
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

import buslens
from buslens.report.page import write_page

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from buslens import Result

ROOT = Path(__file__).parents[3]

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


@pytest.fixture(scope="session")
def browser() -> Iterator[Any]:
    """Run one headless Chromium for all tests."""
    playwright = pytest.importorskip(
        "playwright.sync_api", reason="needs a browser's remote control: pip install playwright"
    )
    path = browser_path()
    if path is None:
        pytest.skip("needs Chromium: 'apt-get install chromium', or name one in BUSLENS_CHROMIUM")
    with playwright.sync_playwright() as running:
        opened = running.chromium.launch(executable_path=path, args=ARGUMENTS)
        yield opened
        opened.close()


@pytest.fixture(scope="session")
def sample() -> Callable[[str], Result]:
    """Judge a bundled sample once."""
    kept: dict[str, Result] = {}

    def judge(name: str) -> Result:
        if name not in kept:
            expectations = ROOT / "signal_defs" / "steering_lock.toml"
            kept[name] = buslens.check(ROOT / "sample_logs" / name, expectations=expectations)
        return kept[name]

    return judge


@pytest.fixture
def show(browser: Any, tmp_path: Path) -> Iterator[Callable[..., Any]]:
    """Open the page of a result; at the end nothing may have been said on the browser's console, or asked for."""
    contexts: list[Any] = []
    trouble: list[str] = []

    def open_page(result: Result, *, width: int = 1440, height: int = 1000, ready: bool = True, **options: Any) -> Any:
        file = write_page(result, tmp_path / "page.html")
        context = browser.new_context(viewport={"width": width, "height": height}, **options)
        contexts.append(context)
        page = context.new_page()
        page.on("console", lambda told: told.type in {"error", "warning"} and trouble.append(told.text))
        page.on("pageerror", lambda error: trouble.append(str(error)))
        page.on("request", lambda asked: asked.url.startswith(("file:", "blob:")) or trouble.append(asked.url))
        page.goto(file.as_uri())
        if ready:
            page.wait_for_selector("html[data-ready]", state="attached", timeout=15_000)
            settle(page)
        return page

    yield open_page
    for context in contexts:
        context.close()
    assert trouble == []


def settle(page: Any) -> None:
    """Wait until the browser has drawn what was asked for."""
    page.evaluate("() => new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(() => done())))")


@pytest.fixture
def still() -> Callable[[Any], None]:
    """Return the function that waits for the browser."""
    return settle
