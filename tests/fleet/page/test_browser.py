"""The sheet in a browser: filter, searching, a phone's width, the dark, and no complaint."""

from __future__ import annotations

import re
import shutil
import subprocess
from functools import partial
from typing import TYPE_CHECKING, Any

import pytest
from support.accessible import violations
from support.chromium import open_window
from support.sheets import CALLED_IN, fill, performed

from buslens.fleet.ledger import Ledger
from buslens.fleet.page import write_index

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from support.chromium import SharedWindow

PDFTOTEXT = shutil.which("pdftotext")
ROWS = "Array.from(document.querySelectorAll('#vehicles tbody tr')).filter((row) => !row.hidden)"


@pytest.fixture(scope="module")
def file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("fleet")
    result = performed()
    with Ledger.reading(fill(folder, hostile="with a name that has no end" * 12)) as ledger:
        return write_index(ledger, folder, again=lambda _: result)


@pytest.fixture
def show(shared_window: SharedWindow, file: Path) -> Iterator[Callable[..., Any]]:
    yield partial(shared_window.show, file)
    assert shared_window.trouble == []


@pytest.fixture
def page(show: Callable[..., Any]) -> Any:
    return show()


def column(page: Any, place: int) -> list[str]:
    """Return what stands in a column of the rows that are shown."""
    texts: list[str] = page.evaluate(f"{ROWS}.map((row) => row.cells[{place}].textContent)")
    return texts


class TestTable:
    """The first screen: whom to call in stands on it, and a filter or a few letters leave the others out."""

    def test_no_scrolling(self, page: Any) -> None:
        assert column(page, 0)[:6] == CALLED_IN
        assert page.locator("#vehicles tbody tr").nth(7).bounding_box()["y"] < 700

    def test_filter(self, page: Any) -> None:
        page.get_by_role("radio", name="call in now").focus()
        page.keyboard.press("Space")
        names = page.locator("#vehicles tbody tr:visible th").all_inner_texts()
        assert names == ["dead", "failing"]

    def test_searching(self, page: Any) -> None:
        page.get_by_role("searchbox").fill("SOUND")
        assert column(page, 0) == ["sound0", "sound1", "sound2"]
        assert page.get_by_role("status").inner_text().strip() == "3 of 11"
        page.get_by_role("searchbox").fill("")
        assert len(column(page, 0)) == 11
        assert page.get_by_role("status").inner_text() == ""

    @pytest.mark.parametrize("width", [390, 1440])
    def test_no_words_below_11_dots(self, show: Callable[..., Any], width: int) -> None:
        small = show(width=width, height=900).evaluate(
            """() => Array.from(document.querySelectorAll('body *')).filter((one) => {
              const own = Array.from(one.childNodes).some((it) => it.nodeType === 3 && it.data.trim());
              if (!own || !one.getClientRects().length || one.closest('script')) return false;
              const drawn = one.closest('svg[viewBox]');
              const scale = drawn ? drawn.getBoundingClientRect().width / drawn.viewBox.baseVal.width : 1;
              return parseFloat(getComputedStyle(one).fontSize) * scale < 10.95;
            }).map((one) => one.textContent.slice(0, 40))"""
        )
        assert small == []


class TestSheet:
    """Nothing leaves the window, and the dark turns over everything."""

    @pytest.mark.parametrize("width", [340, 700, 1440])
    def test_nothing_sticks_out(self, show: Callable[..., Any], width: int) -> None:
        assert show(width=width, height=900).evaluate("document.documentElement.scrollWidth <= innerWidth")

    def test_dark(self, show: Callable[..., Any]) -> None:
        seen = {}
        for scheme in ("light", "dark"):
            seen[scheme] = show(color_scheme=scheme).evaluate(
                """() => ['svg .ink', 'svg text', 'svg .f-band-edge', 'body'].map((what) => {
                  const look = getComputedStyle(document.querySelector(what));
                  return [look.stroke, look.fill, look.color].join();
                })"""
            )
        assert all(light != dark for light, dark in zip(seen["light"], seen["dark"], strict=True))

    def test_for_everybody(self, browser: Any, file: Path) -> None:
        page = open_window(browser, file, [], bypass_csp=True)
        for width, scheme in ((390, "dark"), (820, "light"), (1440, "light")):
            assert violations(page, width, scheme) == [], width
        page.context.close()

    def test_links_lead_to_their_vehicles(self, page: Any) -> None:
        page.locator("#vehicles").get_by_role("link", name="failing").click()
        assert page.locator(":target h3").inner_text() == "3 failing"

    def test_pictures_speak(self, page: Any) -> None:
        labels = [svg.get_attribute("aria-label") or "" for svg in page.get_by_role("img").all()]
        assert any(label.startswith("Timing diagram. ") for label in labels)
        assert any("crosses the limit between" in label for label in labels)
        assert any(label == "as expected, faulty, faulty, faulty" for label in labels)

    @pytest.mark.skipif(PDFTOTEXT is None, reason="needs pdftotext: apt-get install poppler-utils")
    def test_paper(self, page: Any, tmp_path: Path) -> None:
        """On A4 nothing leaves the page, and nothing is left that asks for a hand."""
        page.pdf(path=tmp_path / "sheet.pdf", format="A4")
        listing = subprocess.run(
            [str(PDFTOTEXT), "-bbox", str(tmp_path / "sheet.pdf"), "-"],
            check=True,
            capture_output=True,
            encoding="utf-8",
        ).stdout
        words: list[tuple[int, str, float, float]] = []
        number = 0
        for line in listing.splitlines():
            number += line.strip().startswith("<page ")
            if line.strip().startswith("<word "):
                left, _, right, _ = (float(found) for found in re.findall(r'="([\d.-]+)"', line)[:4])
                words.append((number, re.sub(r"<[^>]*>", "", line).strip(), left, right))
        # 15 mm of margin on 210 mm, in points; browsers round the paper to whole dots.
        margin, width = 15 / 25.4 * 72, 210 / 25.4 * 72
        assert [word for word in words if word[2] < margin - 2 or word[3] > width - margin + 2] == []
        assert number > 3
        assert "closer" not in {text for _, text, _, _ in words}
