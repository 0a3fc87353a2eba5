"""The sheet as a whole: what it says, and what it cannot do."""

from __future__ import annotations

import base64
import hashlib
import re
from html.parser import HTMLParser
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.examples import examples
from support.ledgers import fill as fill_generated
from support.ledgers import jobs, judged, scratch
from support.sheets import CALLED_IN, HOSTILE, anomaly, fill, performed

from buslens.errors import UsageError
from buslens.fleet.ledger import Ledger
from buslens.fleet.model import AnomalyKind
from buslens.fleet.page import INDEX_NAME, overview, write_index
from buslens.fleet.page import page as page_module
from buslens.fleet.page.page import sheet
from buslens.fleet.page.urgency import DEFINITIONS, ORDER
from buslens.report.formatting import clean
from buslens.report.safety_notes import CAUTIONS

if TYPE_CHECKING:
    from collections.abc import Iterator

    from buslens.checks.findings import Result
    from buslens.fleet.model import CaptureJob, JobResult
    from buslens.fleet.views import CaptureRow

VOID = {"meta", "input", "br"}


class Seen(HTMLParser):
    """What a page shows, its elements, and whether they are closed in the order in which they were opened."""

    def __init__(self, markup: str) -> None:
        super().__init__()
        self.shown: list[str] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.open: list[str] = []
        self.feed(markup)
        self.close()
        assert self.open == []
        self.text = " ".join(" ".join(self.shown).split())

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        assert len(dict(attrs)) == len(attrs)
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if self.open and self.open[-1] not in {"style", "script"}:
            self.shown.append(data)

    def all(self, tag: str, kind: str = "") -> list[dict[str, str | None]]:
        """Return the attributes of all elements of a name and a class."""
        return [held for name, held in self.tags if name == tag and (not kind or held.get("class") == kind)]


def rows_of(page: str) -> list[str]:
    """Return what stands in each row of the first screen."""
    table = page.partition('id="vehicles"')[2].partition("</table>")[0]
    return [Seen(f"<table>{row}</table>").text for row in re.findall(r"<tr[^>]*>.*?</tr>", table)][1:]


class Again:
    """Judges captures again, and keeps which ones it was asked for."""

    def __init__(self, result: Result) -> None:
        self.result = result
        self.asked: list[str] = []

    def __call__(self, capture: CaptureRow) -> Result:
        self.asked.append(capture.address)
        if "dead" in capture.address:
            raise FileNotFoundError(2, "No such file or directory", capture.address)
        if "mended" in capture.address:
            raise UsageError("the store does not answer")
        return self.result


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return fill(tmp_path_factory.mktemp("fleet"))


@pytest.fixture(scope="module")
def ledger(folder: Path) -> Iterator[Ledger]:
    with Ledger.reading(folder) as opened:
        yield opened


@pytest.fixture(scope="module")
def again() -> Again:
    return Again(performed())


@pytest.fixture(scope="module")
def page(ledger: Ledger, again: Again) -> str:
    return sheet(
        ledger,
        again=again,
        pages={"/captures/failing/003.log": "pages/a b?#<'\".html", "/captures/odd/000.log": "javascript:alert(1)"},
        notes=["Identifiers were counted in all of each capture.", "<b>x</b>"],
    ).decode()


@pytest.fixture(scope="module")
def seen(page: str) -> Seen:
    return Seen(page)


class TestSaid:
    """Everything that somebody needs who has to decide whom to call in."""

    @pytest.mark.parametrize(
        "words",
        [
            (
                "Of 11 vehicles, 3 are faulty (1 of them against a rule about the ignition), 1 has an "
                "intermittent fault, 1 will cross a limit, 2 are unusual, 1 has no verdict and 3 are as expected."
            ),
            "Captures 104 92 as expected, 9 faulty, 1 undecided, 2 not read",
            (
                "1 locked Faulty in 1 of its last 4 captures, against a rule about the ignition "
                "x ignition interlock rule broken : ignition is on and data_feedback is locked"
            ),
            "2 dead Faulty in all of its last 4 captures, 4 of 4 handshakes failed, on both feedback paths",
            (
                "3 failing Faulty in 3 of its last 4 captures, 3 of 4 handshakes failed x lock handshake, wire "
                "feedback too late , in 3 captures: unlock_feedback became locked 812 to 837 ms after enable on 4 "
                "captures, 2026-01-05 to 2026-01-08; 1 as expected, 3 faulty; last fault 2026-01-08 Lately, oldest "
                "first: = x x x"
            ),
            "As expected 3 times since the last fault: buslens compare says what that proves.",
            "5 drifting Will cross a limit between 2026-03-06 and 2026-04-05 drift: the delay grows by 5 ms a day",
            "odd Unusual, though no rule is broken outlier: the delay was 412 to 455 ms; the fleet takes 281 ms",
            "short No verdict: its only capture could not be decided ? the capture ends before it could be overdue",
            "wire feedback , limit 50 to 600 ms",
            "4 late, 4 never came",
            "drifting drift the delay grows by 5 ms a day below 0.01 %",
            "odd outlier the delay was 412 to 455 ms; the fleet takes 281 ms ( its page ) 1 %",
            "? lock handshake, wire feedback 1 1 the capture ends before it could be overdue",
            "1 capture: took longer than was allowed",
            "1 capture: unreadable, or no log",
            "The same warning has many causes",
            "not which part to replace",
            "Rules Limit source lock handshake invented for the test no ignition while open not said",
            "Identifiers were counted in all of each capture.",
            *CAUTIONS,
            "an outlier lies beyond 3.5 by the nearer end of its interval",
            "held to a false discovery rate of 5 % (Benjamini and Hochberg 1995)",
            "of what is called unusual, about one in 20 is expected to be chance.",
            *DEFINITIONS.values(),
            ORDER,
        ],
    )
    def test_words(self, words: str, seen: Seen) -> None:
        assert words in seen.text

    def test_order_of_the_list(self, seen: Seen) -> None:
        places = [seen.text.index(f"{number} {name} ") for number, name in enumerate(CALLED_IN, start=1)]
        assert places == sorted(places)
        assert len(seen.all("li", "entry")) + len(seen.all("li", "entry alone")) == 8

    def test_a_row_for_each_vehicle(self, page: str) -> None:
        rows = rows_of(page)
        assert len(rows) == 11
        assert rows[0].startswith(
            "locked Take off the road: ignition is on and data_feedback is locked ignition interlock"
        )
        assert "280 to 300 of 600 ms" in rows[0]
        assert "once, on 6 Jan 1 of the last 4 faulty 8 Jan" in rows[0]
        assert rows[1].startswith("dead Call in now: wire feedback did not come in lock handshake")
        assert "did not come wire feedback, lock handshake faulty for 21 days 4 of 4 since 5 Jan" in rows[1]
        assert rows[4].startswith("drifting Call in before 6 Mar: wire feedback nears its limit")
        assert "6 Mar to 5 Apr" in rows[4]
        assert rows[7].startswith("short Record again: its only capture says nothing")
        assert rows[-1].startswith("sound2 Nothing to do")

    def test_first_of_all_what_to_do(self, seen: Seen) -> None:
        words = "Take 1 vehicle off the road and call in 2 now; 1 more was wrong at times, 1 more will cross a limit"
        assert seen.text.index(words) < seen.text.index("locked Take off the road")
        filters = (
            "all 11 off the road 1 call in now 2 wrong at times 1 will cross a limit 1 look closer 3 nothing to do 3"
        )
        assert filters in seen.text
        assert seen.text.index("nothing to do 3") < seen.text.index("State of the fleet Of 11 vehicles")

    def test_news_stand_apart_from_what_is_called_in_already(self, tmp_path: Path) -> None:
        known = anomaly("dead", sentence="of a vehicle that is called in")
        news = anomaly("sound0", sentence="of a vehicle without a fault")
        with Ledger.writing(fill(tmp_path)) as opened:
            opened.put_anomalies([known, news])
            text = Seen(sheet(opened).decode()).text
        places = [
            text.rindex(words)
            for words in (
                "Vehicles without a fault",
                "of a vehicle without a fault",
                "Vehicles that are called in for a fault already",
                "of a vehicle that is called in",
            )
        ]
        assert places == sorted(places)

    def test_alone_is_said_so(self, tmp_path: Path) -> None:
        with Ledger.writing(tmp_path) as empty:
            text = Seen(sheet(empty).decode()).text
        assert "No capture has been checked yet." in text
        assert all(caution in text for caution in CAUTIONS)

    def test_what_is_not_sure_yet(self, tmp_path: Path) -> None:
        """It is listed, with its chance, and calls nobody in."""
        rise = anomaly("car0001", q_value=0.66, kind=AnomalyKind.RETRIES, sentence="7 of 35 days, and 1 of 40 before")
        with Ledger.writing(fill_generated(tmp_path, captures=4, vehicles=4)) as ledger:
            ledger.put_anomalies([rise])
            seen = Seen(sheet(ledger).decode())
        assert (
            "Not sure yet Vehicle What What was seen By chance car0001 retries 7 of 35 days, and 1 of 40" in seen.text
        )
        assert "Nothing is unusual: no test of the fleet is below the level." in seen.text
        assert "Nothing to call in" in seen.text

    def test_nothing_to_call_in(self, tmp_path: Path) -> None:
        from support.ledgers import GROUP, START_NS
        from support.sheets import judged as made

        from buslens.fleet.model import CaptureJob

        with Ledger.writing(tmp_path) as ledger:
            job = CaptureJob(address="1.log", vehicle="car1", recorded_ns=START_NS, group=GROUP, size=1, stamp="1")
            ledger.put(job, made("1"))
            text = Seen(sheet(ledger).decode()).text
        assert "Nothing to do: the only vehicle is OK" in text
        assert "Vehicles in full Nobody." in text


class TestMoments:
    """The worst moment of each, or why it cannot be shown."""

    def test_who_is_asked_for(self, seen: Seen, again: Again) -> None:
        assert seen
        asked = [address.split("/")[2] for address in again.asked]
        assert [name for name in asked if name != "short"] == ["locked", "dead", "failing", "mended", "odd"]

    def test_pictures(self, seen: Seen) -> None:
        # Those of the vehicles whose capture comes out as it did; what has become another is not shown.
        assert len(seen.all("svg", "moment")) == 2
        assert seen.text.count("No picture: the capture has changed since it was checked") == 2

    def test_reasons(self, seen: Seen) -> None:
        text = seen.text.replace("\\", "/")
        assert "No picture: /captures/dead/003.log: there is no folder '/captures/dead'" in text
        assert "No picture: the store does not answer" in seen.text

    def test_a_defect_of_the_program_costs_a_picture_and_not_the_sheet(self, ledger: Ledger) -> None:
        def broken(_: CaptureRow) -> Result:
            raise ZeroDivisionError("a defect")

        text = Seen(sheet(ledger, again=broken).decode()).text
        assert "No picture: internal error" in text
        assert "ZeroDivisionError: a defect (test_page.py, line " in text

    def test_the_drift_stands_with_its_vehicle(self, seen: Seen) -> None:
        assert len(seen.all("svg", "plot wide")) == 1
        assert "Delays that drift" not in seen.text

    def test_without_captures(self, ledger: Ledger) -> None:
        text = Seen(sheet(ledger).decode())
        assert text.all("svg", "moment") == []
        assert "No picture" not in text.text

    def test_only_the_most_urgent(self, ledger: Ledger, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(page_module, "MOST_ENTRIES", 2)
        few = Again(performed())
        text = Seen(sheet(ledger, again=few).decode())
        assert len(few.asked) == 2
        assert "6 more are to be called in" in text.text
        # The drift of a vehicle that is not told in full stands for itself.
        assert "Delays that drift" in text.text


class TestClosed:
    """Whatever a file or folder is called, the page shows it and does nothing else; nothing is fetched."""

    def test_names_are_text(self, seen: Seen) -> None:
        assert clean(HOSTILE) in "".join(seen.shown)
        assert "\u202e" not in seen.text
        assert "\x1b" not in seen.text
        assert len(seen.all("script")) == len(seen.all("style")) == 1
        assert "<b>x</b>" in seen.text

    @settings(max_examples=examples(15))
    @given(st.lists(st.tuples(jobs(), judged()), max_size=6))
    def test_any_ledger(self, entered: list[tuple[CaptureJob, JobResult]]) -> None:
        with scratch() as name, Ledger.writing(Path(name)) as ledger:
            for job, result in entered:
                ledger.put(job, result)
            seen = Seen(sheet(ledger).decode())
        assert len(seen.all("script")) == len(seen.all("style")) == 1
        assert {tag for tag, _ in seen.tags} <= KNOWN

    def test_nothing_is_fetched(self, page: str, seen: Seen) -> None:
        for _, attributes in seen.tags:
            assert not {"src", "action", "style", "srcset", "onclick", "xlink:href"} & set(attributes)
        assert set(re.findall(r"url\(([^)]*)\)", page)) == {"#doubt"}
        assert "@import" not in page
        assert not re.search(r"https?:", page)

    def test_links(self, seen: Seen) -> None:
        targets = [attributes["href"] or "" for _, attributes in seen.tags if "href" in attributes]
        inside = [target[1:] for target in targets if target.startswith("#")]
        assert set(inside) <= {attributes["id"] for _, attributes in seen.tags if "id" in attributes}
        outside = {target for target in targets if not target.startswith("#")}
        assert outside == {"pages/a%20b%3F%23%3C%27%22.html", "javascript%3Aalert%281%29"}

    def test_policy(self, page: str, seen: Seen) -> None:
        policy = next(it["content"] for it in seen.all("meta") if it.get("http-equiv") == "Content-Security-Policy")
        assert policy is not None
        assert policy.startswith("default-src 'none';")
        for name in ("style", "script"):
            held = page.partition(f"<{name}>")[2].partition(f"</{name}>")[0]
            digest = base64.b64encode(hashlib.sha256(held.encode()).digest()).decode()
            assert f"{name}-src 'sha256-{digest}'" in policy
        assert "unsafe" not in policy

    def test_every_identifier_is_one(self, seen: Seen) -> None:
        names = [attributes["id"] for _, attributes in seen.tags if "id" in attributes]
        assert len(names) == len(set(names))


KNOWN = {
    *("html", "head", "meta", "title", "style", "body", "header", "main", "section", "div", "p", "h1", "h2", "h3"),
    *("ul", "ol", "li", "dl", "dt", "dd", "details", "summary", "table", "thead", "tbody", "tr", "th", "td", "a"),
    *("span", "b", "strong", "label", "input", "figure", "figcaption", "script"),
    *("svg", "defs", "pattern", "path", "line", "rect", "ellipse", "text"),
}
"""All elements that the sheet is made of."""


class TestWhole:
    """The same ledger gives the same bytes; a sheet that is there stays until the new one is whole."""

    def test_deterministic(self, ledger: Ledger) -> None:
        assert sheet(ledger) == sheet(ledger)

    def test_written(self, folder: Path, ledger: Ledger, tmp_path: Path) -> None:
        assert write_index(ledger, tmp_path) == tmp_path / INDEX_NAME
        assert (tmp_path / INDEX_NAME).read_bytes() == sheet(ledger)
        assert [it.name for it in tmp_path.iterdir()] == [INDEX_NAME]
        assert folder.is_dir()

    def test_kept(self, ledger: Ledger, tmp_path: Path) -> None:
        (tmp_path / INDEX_NAME).write_text("before")

        def broken(_: CaptureRow) -> Result:
            raise KeyboardInterrupt

        with pytest.raises(KeyboardInterrupt):
            write_index(ledger, tmp_path, again=broken)
        assert (tmp_path / INDEX_NAME).read_text() == "before"
        assert len(list(tmp_path.iterdir())) == 1


class TestMany:
    """A fleet of hundreds of vehicles stays a page, and what is left out is said."""

    def test_size_and_rest(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(overview, "MOST_ROWS", 200)
        with Ledger.reading(fill_generated(tmp_path, vehicles=300, captures=600)) as ledger:
            page = sheet(ledger)
        # 200 rows of less than 3,000 bytes, and 50 vehicles of less than 2,000 in full, beside what is always there.
        assert len(page) < 200 * 3_000 + 50 * 2_000 + 100_000
        text = Seen(page.decode()).text
        assert "100 more vehicles, all less urgent, are in captures.csv." in text
