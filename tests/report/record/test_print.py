"""The record on paper: A4 and Letter, printed by a browser, with nothing cut."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

import pytest
from support.handmade import handshake, result, step_finding
from support.patience import HANG_S

from buslens import check
from buslens.causes.compare import compare
from buslens.causes.diagnosis import diagnose
from buslens.causes.load import load_causes
from buslens.checks.findings import Outcome, Verdict
from buslens.report.record import record as page_module
from buslens.report.record.inputs import Input
from buslens.report.record.job import EnteredReading, JobDetails
from buslens.report.record.ranked_causes import suspects_of

if TYPE_CHECKING:
    from support.chromium import SharedWindow

    from buslens import Result

ROOT = Path(__file__).parents[3]

PDFTOTEXT = shutil.which("pdftotext")

pytestmark = [
    pytest.mark.skipif(PDFTOTEXT is None, reason="needs pdftotext; on Debian: apt-get install poppler-utils"),
    pytest.mark.slow,
]

#: Points, as ISO 216 and ANSI/ASME Y14.1 have them in mm and inches.
PAPERS = {"A4": (210 / 25.4 * 72, 297 / 25.4 * 72), "Letter": (8.5 * 72, 11 * 72)}
MARGIN = 15 / 25.4 * 72

LONG = "an_unbroken_name_without_any_place_for_a_line_to_end_" * 6
INPUTS = [
    Input(path=f"{LONG}{number}.log", kind="capture", size=number, sha256=f"{number:02x}{'c0ffee' * 11}"[:64])
    for number in range(40)
]
JOB = JobDetails(
    vehicle=LONG,
    complaint="does not switch on " * 30,
    done=tuple(f"done{number}start {'words ' * 40}done{number}end" for number in range(12)),
    readings=tuple(
        EnteredReading(
            what=f"reading{number}start {'what was measured ' * 4}",
            reading="11.9 V",
            limit="at least 9.5 V",
            source=f"{LONG if number == 3 else 'a source ' * 6} reading{number}end",
        )
        for number in range(25)
    ),
)


class Word(NamedTuple):
    """A word on a page, in points from its upper left corner."""

    page: int
    left: float
    top: float
    right: float
    bottom: float
    text: str


class Print(NamedTuple):
    """A printed record."""

    sizes: list[tuple[float, float]]
    words: list[Word]

    def pages(self, word: str) -> set[int]:
        """Return the pages on which a word stands."""
        return {it.page for it in self.words if it.text == word}


@pytest.fixture(scope="module", params=PAPERS)
def printed(
    shared_window: SharedWindow, request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> Print:
    """Return a long record, printed."""
    folder = tmp_path_factory.mktemp("print")
    runs = tuple(handshake(number) for number in range(1, 26))
    faults = tuple(step_finding(handshake=number) for number in range(1, 26))
    before = result(*faults, handshakes=runs, path="before.log")
    after = result(step_finding(Outcome.MET), handshakes=(handshake(),), verdict=Verdict.AS_EXPECTED, path="after.log")
    return print_record(shared_window, folder, request.param, JOB, (after,), comparison=compare([before], [after]))


def print_record(
    window: SharedWindow, folder: Path, paper: str, job: JobDetails, results: tuple[Result, ...], **more: Any
) -> Print:
    """Print a record on a paper."""
    with pytest.MonkeyPatch.context() as patch:
        original = page_module.resource
        size = f"@page {{ size: {paper}; }}\n"
        patch.setattr(page_module, "resource", lambda *of: original(*of) + (size if of[-1].endswith(".css") else ""))
        page = page_module.record(job, results, INPUTS, **more)
    (folder / "record.html").write_bytes(page)
    return print_page(window, folder)


def print_page(window: SharedWindow, folder: Path) -> Print:
    """Print ``record.html`` and read the print."""
    assert PDFTOTEXT is not None
    target = folder / "record.pdf"
    window.show(folder / "record.html").pdf(path=target, prefer_css_page_size=True)
    listing = subprocess.run(
        [PDFTOTEXT, "-bbox", str(target), "-"], check=True, capture_output=True, encoding="utf-8", timeout=HANG_S
    ).stdout
    sizes: list[tuple[float, float]] = []
    words: list[Word] = []
    for line in listing.splitlines():
        numbers = [float(number) for number in re.findall(r'="([\d.-]+)"', line)]
        if line.strip().startswith("<page "):
            sizes.append((numbers[0], numbers[1]))
        elif line.strip().startswith("<word "):
            text = re.sub(r"<[^>]*>", "", line).strip()
            words.append(Word(len(sizes), *numbers[:4], text))
    return Print(sizes, words)


class TestPrint:
    """On either paper everything is there, nothing leaves the page, and no row is torn."""

    def test_paper(self, printed: Print, request: pytest.FixtureRequest) -> None:
        wanted = PAPERS[request.node.callspec.params["printed"]]
        assert len(printed.sizes) > 4
        assert all(size == pytest.approx(wanted, abs=1) for size in printed.sizes)

    def test_nothing_leaves_the_page(self, printed: Print) -> None:
        width, height = printed.sizes[0]
        outside = [
            word
            for word in printed.words
            # Below stands the page's number, which is nobody's table.
            if word.bottom < height - MARGIN
            if word.left < MARGIN - 1 or word.right > width - MARGIN + 1 or word.top < MARGIN - 1
        ]
        assert not outside

    def test_rows_are_whole(self, printed: Print) -> None:
        for number in range(25):
            # The first two stand on page one, too.
            pages = (printed.pages(f"reading{number}start") | printed.pages(f"reading{number}end")) - {1}
            assert len(pages) == 1, number
        for item in INPUTS:
            parts = {item.sha256[at : at + 8] for at in range(0, 16, 8)}
            pages = [printed.pages(part) for part in parts]
            assert set.intersection(*pages), item.sha256

    def test_items_are_whole(self, printed: Print) -> None:
        for number in range(12):
            pages = printed.pages(f"done{number}start") | printed.pages(f"done{number}end")
            assert len(pages) == 1, number

    def test_heads_are_repeated(self, printed: Print) -> None:
        rows = {page for item in INPUTS for page in printed.pages(item.sha256[:8])}
        assert len(rows) > 1
        assert rows <= printed.pages("SHA-256")


SHORT = JobDetails(
    vehicle="Club car 3, silver",
    complaint="Steering-lock warning, does not switch on; since Monday",
    workshop="Pinewick Community Car Club",
    technician="Ada",
    customer="Bo",
    number="117",
    registration="PW 3",
    odometer="81 200 km",
    done=("Replaced the load fuse of the lock", "Cleaned the fuse holder"),
    replaced=("load fuse",),
    readings=(EnteredReading(what="Supply at the lock's plug", reading="0.1 V", limit="at least 9.5 V"),),
)


@pytest.mark.parametrize(
    ("paper", "before", "after"),
    [
        ("Letter", "car03_load_fuse_blown.log", "car03_after_repair.log"),  # the shorter paper
        ("A4", "car08_jammed_bolt.asc", "car01_healthy.log"),
    ],
)
def test_page_one_is_one_page(shared_window: SharedWindow, tmp_path: Path, paper: str, before: str, after: str) -> None:
    then, now = (
        check(ROOT / "sample_logs" / name, expectations=ROOT / "signal_defs" / "steering_lock.toml")
        for name in (before, after)
    )
    causes = load_causes(str(ROOT / "signal_defs" / "steering_lock.causes.toml"), then.expectations)
    suspects = suspects_of(diagnose([then], causes))
    printed = print_record(
        shared_window, tmp_path, paper, SHORT, (now,), comparison=compare([then], [now]), suspects=suspects
    )
    assert printed.pages("Appendix") == {2}
    front = [word for word in printed.words if word.page == 1]
    words = [word.text for word in front]
    # From the masthead to the signatures.
    assert {"117", "Before", "After", "Done", "Result", "watch", "Customer"} <= set(words)
    # Nothing is set smaller than 8 pt. The box of a word is at least 1.117 times as high as its type; that of its halo,
    # which stands at the same place, is lower.
    heights: dict[tuple[int, float, str], float] = {}
    for word in printed.words:
        at = (word.page, round(word.left, 1), word.text)
        heights[at] = max(heights.get(at, 0.0), word.bottom - word.top)
    assert min(heights.values()) >= 7.95 * 1.117
    # The lanes of both sides stand in the same rows.
    middle = printed.sizes[0][0] / 2
    rows = [
        {round(it.top) for it in front if it.text.startswith("current") and (it.left < middle) is is_left}
        for is_left in (True, False)
    ]
    assert rows[1]
    assert rows[1] <= rows[0]
