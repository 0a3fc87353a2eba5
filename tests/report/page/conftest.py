from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from support.chromium import open_window

import buslens
from buslens.report.page import write_page

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from buslens import Result

ROOT = Path(__file__).parents[3]


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


def open_page(browser: Any, file: Path, trouble: list[str], *, ready: bool = True, **options: Any) -> Any:
    """Open a page in a window of its own and wait until its script has run."""
    page = open_window(browser, file, trouble, **options)
    if ready:
        page.wait_for_selector("html[data-ready]", state="attached")
        page.evaluate("() => { document.getElementById('more').open = true; }")
        settle(page)
    return page


@pytest.fixture
def show(browser: Any, tmp_path: Path) -> Iterator[Callable[..., Any]]:
    """Open the page of a result."""
    pages: list[Any] = []
    trouble: list[str] = []

    def show_page(result: Result, *, width: int = 1440, height: int = 1000, **options: Any) -> Any:
        file = write_page(result, tmp_path / "page.html")
        options["viewport"] = {"width": width, "height": height}
        pages.append(open_page(browser, file, trouble, **options))
        return pages[-1]

    yield show_page
    for page in pages:
        page.context.close()
    assert trouble == []


@pytest.fixture(scope="session")
def slow_page(
    browser: Any, sample: Callable[[str], Result], tmp_path_factory: pytest.TempPathFactory
) -> Iterator[tuple[Any, list[str]]]:
    """Open the page of the car with the slow motor once for many tests, as opening takes longest."""
    trouble: list[str] = []
    file = write_page(sample("car07_slow_motor.log"), tmp_path_factory.mktemp("slow") / "page.html")
    page = open_page(browser, file, trouble, accept_downloads=True)
    yield page, trouble
    page.context.close()


@pytest.fixture
def slow(slow_page: tuple[Any, list[str]]) -> Iterator[Any]:
    """Lend the page of the car with the slow motor as it is when it has just been opened."""
    page, trouble = slow_page
    page.evaluate(
        """() => {
          if (buslens.isPlaying) buslens.play();
          Object.assign(buslens, { cursor: null, isHeld: false, head: null, selected: null });
          buslens.clearMarks();
          buslens.order.sort((a, b) => a - b);
          buslens.allLanes();
          if (buslens.words.byCalendar) buslens.toggleClock();
          document.getElementById('speed').value = '1';
          document.querySelectorAll('details').forEach((one) => { one.open = one.id === 'more'; });
          document.activeElement.blur();
          buslens.say('');
          buslens.look(...buslens.capture.view);
          scrollTo(0, 0);
        }"""
    )
    settle(page)
    yield page
    assert trouble == []


def settle(page: Any) -> None:
    """Wait until the browser has drawn what was asked for."""
    page.evaluate("() => new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(() => done())))")


@pytest.fixture
def still() -> Callable[[Any], None]:
    """Return the function that waits for the browser."""
    return settle
