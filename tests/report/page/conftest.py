from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from support.chromium import SharedWindow, open_window

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


def begun(page: Any) -> Any:
    """Return a page as soon as its script has run."""
    page.wait_for_selector("html[data-ready]", state="attached")
    page.evaluate("() => { document.getElementById('more').open = true; }")
    settle(page)
    return page


@pytest.fixture
def show(browser: Any, shared_window: SharedWindow, tmp_path: Path) -> Iterator[Callable[..., Any]]:
    """Show the page of a result: in a window of its own if that is to be a special one, and else in the shared one."""
    pages: list[Any] = []
    trouble: list[str] = []

    def show_page(
        result: Result,
        *,
        width: int = 1440,
        height: int = 1000,
        color_scheme: str = "light",
        ready: bool = True,
        **special: Any,
    ) -> Any:
        file = write_page(result, tmp_path / "page.html")
        if special:
            page = open_window(browser, file, trouble, viewport={"width": width, "height": height}, **special)
            pages.append(page)
        else:
            page = shared_window.show(file, width=width, height=height, color_scheme=color_scheme)
        return begun(page) if ready else page

    shared_window.trouble.clear()
    yield show_page
    for page in pages:
        page.context.close()
    assert trouble + shared_window.trouble == []


@pytest.fixture(scope="session")
def slow_page(
    browser: Any, sample: Callable[[str], Result], tmp_path_factory: pytest.TempPathFactory
) -> Iterator[tuple[Any, list[str]]]:
    """Open the page of the car with the slow motor once for many tests, as opening takes longest."""
    trouble: list[str] = []
    file = write_page(sample("car07_slow_motor.log"), tmp_path_factory.mktemp("slow") / "page.html")
    page = begun(open_window(browser, file, trouble))
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
