"""The page as a whole: what it says, and what it cannot do."""

from __future__ import annotations

import base64
import hashlib
import re
from dataclasses import astuple, fields, replace
from html.parser import HTMLParser
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from support.handmade import handshake, result, step_finding

from buslens import check
from buslens.causes.compare import compare
from buslens.checks.findings import Outcome, Verdict
from buslens.report.record.inputs import Input
from buslens.report.record.job import EnteredReading, JobDetails
from buslens.report.record.ranked_causes import MadeReading, RankedCause, Suspects
from buslens.report.record.record import record
from buslens.report.record.unit_programming import TEACHING
from buslens.report.safety_notes import CAUTIONS
from buslens.report.style import Tone

if TYPE_CHECKING:
    from buslens.checks.findings import Result

FAULTY = result(step_finding(), handshakes=(handshake(),), path="before.log")
GOOD = result(
    step_finding(Outcome.MET),
    handshakes=(handshake(),),
    verdict=Verdict.AS_EXPECTED,
    summary="1 complete handshake",
    path="after.log",
)
INPUT = Input(path="before.log", kind="capture", size=1234, sha256="ab" * 32)
JOB = JobDetails(
    vehicle="Club car 3",
    complaint="does not switch on",
    workshop="Club workshop",
    number="117",
    done=("replaced the load fuse",),
    readings=(EnteredReading(what="supply at the plug", reading="0.1 V", limit="at least 9.5 V", source="invented"),),
)
SUSPECTS = Suspects(
    groups=(
        (
            RankedCause(title="load fuse blown", share=0.62, repair="replace it"),
            RankedCause(title="ground open", share=0.31),
        ),
        (RankedCause(title="something else", share=0.004),),
    ),
    readings=(
        MadeReading(what="load fuse, looked at", reading="blown", means="", expected="whole", basis="common practice"),
    ),
    advice="Next: the supply at the lock.",
    basis="invented for the demonstration",
)


def page(job: JobDetails = JOB, results: tuple[Result, ...] = (FAULTY,), **more: object) -> str:
    """Return a record."""
    return record(job, results, [INPUT], made_with={"buslens": "0"}, **more).decode()  # type: ignore[arg-type]


class Seen(HTMLParser):
    """What a page shows, and the elements that it has."""

    def __init__(self, markup: str) -> None:
        super().__init__()
        self.shown: list[str] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.feed(markup)
        self.close()
        self.text = " ".join(" ".join(self.shown).split())

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_data(self, data: str) -> None:
        self.shown.append(data)


class TestSaid:
    """Everything that the file and the customer need."""

    @pytest.mark.parametrize(
        "words",
        [
            "Club car 3",
            "does not switch on",
            "Club workshop",
            "No. 117",
            "Faulty: lock handshake 1: unlock_feedback became locked 812 to 837 ms after enable",
            "replaced the load fuse",
            "supply at the plug 0.1 V at least 9.5 V invented",
            "812 to 837 ms 50 to 600 ms x too late",
            "invented for the demonstration",
            " ".join(["abababab"] * 8),
            "Common practice, no source",
            *CAUTIONS,
            *TEACHING,
        ],
    )
    def test_words(self, words: str) -> None:
        assert words in Seen(page()).text

    def test_causes(self) -> None:
        seen = Seen(page(suspects=SUSPECTS)).text
        assert "1a load fuse blown 62 % replace it 1b ground open 31 % 2 something else <1 %" in seen
        assert "the log and the readings cannot tell these apart" in seen
        one = Suspects(groups=((RankedCause(title="motor worn", share=0.9991),),), readings=(), advice="", basis="")
        assert "1 motor worn >99 %" in Seen(page(suspects=one)).text
        assert "Advice: Next: the supply at the lock." in seen
        assert "load fuse, looked at blown whole common practice" in seen
        assert "Causes" not in Seen(page()).text

    def test_before_and_after(self) -> None:
        seen = Seen(page(results=(GOOD,), comparison=compare([FAULTY], [GOOD]))).text
        assert "Verdict after the repair As expected: 1 complete handshake" in seen
        assert "Verdict before the repair Faulty:" in seen
        assert "lock handshake, wire feedback too late, 812 to 837 ms OK, 812 to 837 ms 50 to 600 ms fixed" in seen
        assert "19 clean handshakes needed for 95 %, 18 more would prove it" in seen
        tags = [tag for tag, _ in Seen(page(results=(GOOD,), comparison=compare([FAULTY], [GOOD]))).tags]
        # Each side with all its lanes in the appendix; without timelines there is no strip on page one.
        assert tags.count("svg") == 2

    def test_page_one_is_what_is_signed(self) -> None:
        seen = Seen(page(results=(GOOD,), suspects=SUSPECTS, comparison=compare([FAULTY], [GOOD]))).text
        first = seen[: seen.index("Appendix")]
        titles = ("Complaint", "Found", "Done", "Result", "Still to watch")
        places = [first.index(f"{title} ") for title in (*titles, "Never defeat", "Date", "Customer")]
        assert places == sorted(places)
        assert "does not switch on" in first
        assert "Measured: supply at the plug: 0.1 V, expected at least 9.5 V." in first
        assert "Likely cause: load fuse blown, 62 %; ground open, 31 %." in first
        assert "faulty 1 of 1 times before, OK 1 of 1 times after; up to 95 % may still fail" in first
        assert "Record 18 more lock handshakes without a fault." in first

    def test_there_is_something_to_watch_while_nothing_is_proved(self) -> None:
        for more in ({}, {"results": (GOOD,)}, {"results": (GOOD,), "comparison": compare([FAULTY], [GOOD])}):
            first = page(**more).partition("Appendix")[0]  # type: ignore[arg-type]
            assert '<ul class="boxes"><li>' in first

    def test_a_repaired_car_is_told_nothing_to_measure(self) -> None:
        seen = Seen(page(results=(GOOD,), suspects=SUSPECTS, comparison=compare([FAULTY], [GOOD]))).text
        assert "Causes, as they were before the repair" in seen
        assert "Advice" not in seen
        assert SUSPECTS.advice not in seen

    def test_nothing_of_the_command_line(self) -> None:
        many = replace(FAULTY, findings=tuple(step_finding(handshake=number) for number in range(1, 101)))
        for seen in (page(results=(many,), suspects=SUSPECTS), page(comparison=compare([FAULTY], [GOOD]))):
            assert not re.search(
                r"buslens (check|compare|diagnose|plot|record)|--(json|measured|verify)", Seen(seen).text
            )

    def test_every_field_of_the_job(self) -> None:
        texts = {field.name: f"entered as {field.name.upper()}" for field in fields(JobDetails)}
        readings = EnteredReading(**{field.name: f"read as {field.name.upper()}" for field in fields(EnteredReading)})
        lists = {name: (texts[name],) for name in ("done", "replaced")}
        seen = Seen(page(JobDetails(**{**texts, **lists, "readings": (readings,)}))).text  # type: ignore[arg-type]
        del texts["readings"]
        missing = [text for text in (*texts.values(), *astuple(readings)) if text not in seen]
        assert not missing

    def test_replaced_unit(self) -> None:
        assert "Replaced: lock unit. If that is a lock unit" in Seen(page(replace(JOB, replaced=("lock unit",)))).text

    def test_nothing_entered(self) -> None:
        assert "Nothing was entered." in Seen(page(JobDetails())).text

    def test_many_findings_are_counted(self) -> None:
        many = replace(FAULTY, findings=tuple(step_finding(handshake=number) for number in range(1, 101)))
        seen = Seen(page(results=(many,))).text
        assert "x too late, 100 times" in seen
        assert "70 more of them" in seen  # measured steps

    def test_findings_have_the_numbers_of_the_picture(self) -> None:
        """Each number in a ring of the picture stands in the table, in the row of its rule."""
        faulty = check(Path(__file__).parents[3] / "sample_logs" / "car03_load_fuse_blown.log")
        markup = page(results=(faulty,))
        rings = set(re.findall(r">([1-9])</text>", markup[markup.index('class="diagram"') :].partition("</svg>")[0]))
        rows = re.findall(r"<tr><td>(\d+)</td><th scope=\"row\">([^<]+)<", markup)
        assert rings
        assert rings <= {number for number, _ in rows}
        assert rows[0][1] == "lock supply"

    def test_the_same_again(self) -> None:
        assert page() == page()


class TestHarmless:
    """The page runs nothing, fetches nothing and shows hostile text as text."""

    HOSTILE = "</style><script>alert(1)</script><img src=x onerror=alert(1)>\x1b[2J\u202e"

    def test_policy(self) -> None:
        markup = page()
        (css,) = re.findall(r"<style>(.*?)</style>", markup, re.DOTALL)
        digest = base64.b64encode(hashlib.sha256(css.encode()).digest()).decode()
        assert (
            f"content=\"default-src 'none'; style-src 'sha256-{digest}'; base-uri 'none'; form-action 'none'\""
            in markup
        )

    def test_hostile_text(self) -> None:
        bad = self.HOSTILE
        finding = replace(step_finding(), rule=bad, reason=bad, step=bad, basis=bad)
        capture = replace(FAULTY, findings=(finding,), path=bad, summary=bad)
        job = JobDetails(
            vehicle=bad, complaint=bad, number=bad, done=(bad,), readings=(EnteredReading(what=bad, reading=bad),)
        )
        suspects = replace(SUSPECTS, groups=((RankedCause(title=bad, share=1.0, repair=bad),),), advice=bad)
        item = replace(INPUT, path=bad)
        markup = record(job, (capture,), [item], suspects=suspects, comparison=compare([capture], [capture])).decode()
        seen = Seen(markup)
        known = {name for name, _ in Seen(page(suspects=SUSPECTS, comparison=compare([FAULTY], [GOOD]))).tags}
        assert {name for name, _ in seen.tags} <= known | {"strong"}
        assert not known & {"script", "img", "iframe", "object", "link", "a", "form", "image"}
        assert not [key for _, attributes in seen.tags for key in attributes if key.startswith("on") or key == "style"]
        assert "\x1b" not in markup
        assert "\u202e" not in markup
        assert "<script>alert(1)</script>" in seen.text

    def test_nothing_is_fetched(self) -> None:
        seen = Seen(page())
        targets = {
            value
            for _, attributes in seen.tags
            for key, value in attributes.items()
            if key in {"src", "href", "data", "action", "srcset", "poster"}
        }
        assert all((target or "").startswith("#") for target in targets)
        assert "url(http" not in page()
        assert "@import" not in page()


def contrast(one: str, other: str) -> float:
    """Return the contrast of two colours, after WCAG 2.2."""

    def luminance(colour: str) -> float:
        parts = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
        red, green, blue = (p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts)
        return 0.2126 * red + 0.7152 * green + 0.0722 * blue

    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


class TestLook:
    """Words are legible in both lights, and the tones are those of every other report."""

    CSS = files("buslens.report.record").joinpath("record.css").read_text("utf-8")
    LIGHT, DARK = (dict(re.findall(r"--([\w-]+): (#\w{6})", block)) for block in CSS.split("@media", 1))

    def test_published_contrast(self) -> None:
        # WCAG 2.2: #767676 on white is the lightest grey that text may have.
        assert contrast("#767676", "#FFFFFF") == pytest.approx(4.5422, abs=5e-5)
        assert contrast("#777777", "#FFFFFF") == pytest.approx(4.4781, abs=5e-5)

    def test_tones(self) -> None:
        assert {tone.name.lower().replace("_", "-"): tone.value for tone in Tone} == self.LIGHT
        assert set(self.DARK) == set(self.LIGHT)

    @pytest.mark.parametrize("tones", [LIGHT, DARK], ids=["light", "dark"])
    @pytest.mark.parametrize("ground", ["paper", "band", "band-edge"])
    def test_words(self, tones: dict[str, str], ground: str) -> None:
        assert contrast(tones["ink"], tones[ground]) >= 7
        assert contrast(tones["quiet"], tones[ground]) >= 4.5

    @pytest.mark.parametrize("tones", [LIGHT, DARK], ids=["light", "dark"])
    def test_lines(self, tones: dict[str, str]) -> None:
        assert contrast(tones["accent"], tones["paper"]) >= 3
        assert contrast(tones["hatch"], tones["paper"]) >= 3
