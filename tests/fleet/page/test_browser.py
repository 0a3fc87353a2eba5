"""The sheet in a browser: sorting, searching, a phone's width, the dark, and no complaint."""

from __future__ import annotations

import re
import shutil
import subprocess
from typing import TYPE_CHECKING, Any

import pytest
from support.chromium import open_window, running_browser
from support.sheets import CALLED_IN, fill, performed

from buslens.fleet.ledger import Ledger
from buslens.fleet.page import write_index

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

PDFTOTEXT = shutil.which("pdftotext")
ROWS = "Array.from(document.querySelectorAll('#vehicles tbody tr')).filter((row) => !row.hidden)"


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with running_browser() as opened:
        yield opened


@pytest.fixture(scope="module")
def file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("fleet")
    result = performed()
    with Ledger.reading(fill(folder, hostile="with a name that has no end" * 12)) as ledger:
        return write_index(ledger, folder, again=lambda _: result)


@pytest.fixture
def page(browser: Any, file: Path) -> Iterator[Any]:
    trouble: list[str] = []
    opened = open_window(browser, file, trouble)
    yield opened
    opened.context.close()
    assert trouble == []


def column(page: Any, place: int) -> list[str]:
    """Return what stands in a column of the rows that are shown."""
    texts: list[str] = page.evaluate(f"{ROWS}.map((row) => row.cells[{place}].textContent)")
    return texts


class TestTable:
    """The table of vehicles is sorted and searched by keyboard, and says so."""

    def test_sorting(self, page: Any) -> None:
        assert column(page, 0)[:6] == CALLED_IN
        head = page.get_by_role("button", name="Captures", exact=True)
        head.focus()
        page.keyboard.press("Enter")
        captures = [int(text) for text in column(page, 3)]
        assert captures == sorted(captures)
        page.keyboard.press("Enter")
        assert [int(text) for text in column(page, 3)] == sorted(captures, reverse=True)
        assert page.locator("th[aria-sort]").all_inner_texts() == ["Captures"]
        assert page.locator("th[aria-sort]").get_attribute("aria-sort") == "descending"

    def test_empty_cells_come_last(self, page: Any) -> None:
        head = page.get_by_role("button", name="Last fault")
        for _ in range(2):
            head.click()
            dates = column(page, 7)
            assert all(dates[:4])
            assert not any(dates[4:])

    def test_back_to_urgency(self, page: Any) -> None:
        before = column(page, 0)
        page.get_by_role("button", name="Captures").click()
        assert column(page, 0) != before
        page.get_by_role("button", name="Urgency").click()
        assert column(page, 0) == before

    def test_searching(self, page: Any) -> None:
        page.get_by_label("Show vehicles with").fill("SOUND expected")
        assert column(page, 0) == ["sound0", "sound1", "sound2"]
        assert page.get_by_role("status").inner_text() == "3 of 11 rows"
        page.get_by_label("Show vehicles with").fill("")
        assert len(column(page, 0)) == 11
        assert page.get_by_role("status").inner_text() == ""


class TestSheet:
    """Nothing leaves the window, and the dark turns over everything."""

    @pytest.mark.parametrize("width", [340, 700, 1440])
    def test_nothing_sticks_out(self, browser: Any, file: Path, width: int) -> None:
        trouble: list[str] = []
        page = open_window(browser, file, trouble, viewport={"width": width, "height": 900})
        assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
        page.context.close()
        assert trouble == []

    def test_dark(self, browser: Any, file: Path) -> None:
        seen = {}
        for scheme in ("light", "dark"):
            page = open_window(browser, file, [], color_scheme=scheme)
            seen[scheme] = page.evaluate(
                """() => ['svg .ink', 'svg text', 'svg .f-band-edge', 'body'].map((what) => {
                  const look = getComputedStyle(document.querySelector(what));
                  return [look.stroke, look.fill, look.color].join();
                })"""
            )
            page.context.close()
        assert all(light != dark for light, dark in zip(seen["light"], seen["dark"], strict=True))

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
        assert "Show" not in {text for _, text, _, _ in words}
