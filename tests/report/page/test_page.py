from __future__ import annotations

import base64
import hashlib
import html
import re
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import pytest
from support.handmade import result as handmade_result
from support.sketches import SKETCHES

from buslens.checks.findings import Verdict
from buslens.cli import main
from buslens.errors import UsageError
from buslens.report.finding_kinds import kinds
from buslens.report.formatting import clean, verdict_sentence
from buslens.report.page import write_page
from buslens.report.page.page import SCRIPTS, page
from buslens.report.page.page_text import KEYS

if TYPE_CHECKING:
    from pathlib import Path

SCRIPT = re.compile(r"<script(?: [^>]*)?>(.*?)</script>", re.DOTALL)


def luminance(colour: str) -> float:
    channels = (int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5))
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    """Return the contrast of two colours by WCAG 2.2."""
    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


class TestFile:
    """The page is one whole file, or none."""

    def test_needs_nothing_else(self) -> None:
        written = page(SKETCHES["late"]())
        outside = re.sub(SCRIPT, "", written)
        assert not re.search(r"""src\s*=|href\s*=(?!"#)|url\((?!#)|@import""", outside)

    @pytest.mark.parametrize("name", ["x.png", "x", "x.html.txt"])
    def test_another_suffix_is_refused(self, name: str, tmp_path: Path) -> None:
        with pytest.raises(UsageError, match=r"a page is an \.html file"):
            write_page(SKETCHES["late"](), tmp_path / name)
        assert list(tmp_path.iterdir()) == []

    def test_one_that_is_there_stays_until_the_new_one_is_whole(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        file = tmp_path / "x.html"
        file.write_text("mine", "utf-8")
        monkeypatch.setattr("buslens.report.page.page.pack", _fail)
        with pytest.raises(RuntimeError):
            write_page(SKETCHES["late"](), file)
        assert file.read_text("utf-8") == "mine"

    def test_a_clock_that_jumped_by_centuries(self) -> None:
        """The browser has no whole numbers of that size; nothing warns of it."""
        result = SKETCHES["late"]()
        far = replace(result, stats=replace(result.stats, last_ns=result.origin_ns + 10**19))
        assert page(far)

    def test_the_same_result_gives_the_same_lanes(self) -> None:
        both = [re.search(r'id="capture">([^<]+)<', page(SKETCHES["late"]())) for _ in range(2)]
        assert both[0]
        assert both[1]
        assert both[0][1] == both[1][1]


def _fail(*_: object) -> bytes:
    raise RuntimeError


class TestPolicy:
    """Nothing comes in from outside, and neither script nor style counts but the one that was put in."""

    def test_script_and_style_are_named_by_their_hash(self) -> None:
        written = page(SKETCHES["healthy"]())
        policy = html.unescape(re.search(r'Content-Security-Policy" content="([^"]+)"', written)[1])  # type: ignore[index]
        script, style = (re.findall(f"<{tag}>(.*?)</{tag}>", written, re.DOTALL) for tag in ("script", "style"))
        hashes = [base64.b64encode(hashlib.sha256(text.encode()).digest()).decode() for text in [*script, *style]]
        assert re.findall(r"'sha256-([^']+)'", policy) == hashes
        assert len(hashes) == 2
        rules = dict(rule.strip().split(" ", 1) for rule in policy.split(";"))
        assert rules["default-src"] == rules["connect-src"] == "'none'"
        assert "unsafe" not in policy

    def test_our_script_is_strict_and_compiles_no_text(self) -> None:
        from importlib.resources import files

        for name in SCRIPTS:
            text = files("buslens.report.page").joinpath(name).read_text("utf-8")
            assert text.startswith("'use strict';")
            assert not re.search(r"\beval\(|new Function|innerHTML|outerHTML|document\.write|insertAdjacentHTML", text)


class TestText:
    """What matters is there without a script: the verdict, every finding that is not met, where limits come from."""

    @pytest.mark.parametrize("sketch", SKETCHES)
    def test_verdict_and_findings(self, sketch: str) -> None:
        result = SKETCHES[sketch]()
        outside = html.unescape(re.sub(SCRIPT, "", page(result))).replace("\N{NO-BREAK SPACE}", " ")
        answer = re.search(r"<h1 [^>]*>(.*?)</h1>", outside)
        assert answer is not None
        # What else is wrong is counted in the list below.
        assert verdict_sentence(result).startswith(answer[1].partition(" (2 times)")[0])
        assert result.verdict is not Verdict.FAULTY or kinds(result, result.findings)[0][0].reason in answer[1]
        for finding in result.findings:
            assert clean(finding.reason) in outside
            assert finding.basis in outside

    def test_worst_first(self) -> None:
        outside = re.sub(SCRIPT, "", page(SKETCHES["late"]()))
        order = re.findall(r'<li class="finding (\w+)"', outside)
        assert order == sorted(order, key=["fault", "doubt", "met"].index)
        assert set(order) == {"fault", "met"}

    def test_cautions_stand_beside_a_fault(self) -> None:
        assert "Never defeat a steering lock" in page(SKETCHES["late"]())
        assert "Never defeat a steering lock" not in page(SKETCHES["healthy"]())

    def test_hostile_names_are_text(self) -> None:
        name = "<script>alert(1)</script>\"'&\u202e$title"
        result = handmade_result(path=f"logs/{name}.log", summary=name, notes=(name,))
        outside = re.sub(SCRIPT, "", page(result))
        assert "<script" not in outside.partition("<body>")[0]
        assert "alert(1)&lt;/script&gt;" in outside
        assert "\u202e" not in outside
        assert "\\u202e" in outside


class TestColours:
    """Contrast meets WCAG 2.2 AA in the light and in the dark: 4.5 for words (1.4.3), 3 for lines (1.4.11)."""

    @pytest.mark.parametrize("scheme", ["light", "dark", "print"])
    def test_contrast(self, scheme: str) -> None:
        style = re.search(r"<style>(.*?)</style>", page(SKETCHES["late"]()), re.DOTALL)[1]  # type: ignore[index]
        blocks = re.findall(r":root\s*{([^}]+)}", style)
        assert len(blocks) == 3
        block = blocks[["light", "dark", "print"].index(scheme)]
        ink = dict(re.findall(r"--([\w-]+):\s*(#[0-9a-f]{6})", block))
        assert len(ink) == 8
        for words in ("ink", "quiet"):
            for ground in ("paper", "band", "band-edge"):
                assert contrast(ink[words], ink[ground]) >= 4.5, (words, ground)
        for line in ("accent", "hatch"):
            assert contrast(ink[line], ink["paper"]) >= 3, line

    def test_the_formula(self) -> None:
        """WCAG 2.2, relative luminance: these grays are the last to pass and the first to fail on white."""
        assert contrast("#767676", "#ffffff") == pytest.approx(4.5422, abs=5e-5)
        assert contrast("#949494", "#ffffff") == pytest.approx(3.0335, abs=5e-5)

    def test_words_are_never_set_in_the_accent(self) -> None:
        style = re.search(r"<style>(.*?)</style>", page(SKETCHES["late"]()), re.DOTALL)[1]  # type: ignore[index]
        assert not re.search(r"[^-]color:\s*var\(--accent\)", style.replace("border-color", ""))


class TestKeys:
    """Every key is listed once, and means something that the script can do."""

    def test_no_key_has_two_meanings(self) -> None:
        every = [key for keys in KEYS for key in keys.keys.split(" ")]
        assert len(every) == len(set(every))

    def test_every_deed_is_known_to_the_script(self) -> None:
        from importlib.resources import files

        script = files("buslens.report.page").joinpath("page.js").read_text("utf-8")
        deeds = re.search(r"get deeds\(\) {(.*?)\n  }", script, re.DOTALL)[1]  # type: ignore[index]
        known = set(re.findall(r"^      (\w+): ", deeds, re.MULTILINE))
        template = files("buslens.report.page").joinpath("page.html").read_text("utf-8")
        asked = {key.deed for key in KEYS} | set(re.findall(r'data-do="(\w+)"', template))
        assert asked == known


class TestCommand:
    """``buslens page`` writes the page and says the verdict."""

    def test_writes(self, tmp_path: Path, capsys: pytest.CaptureFixture[str], root: Path) -> None:
        file = tmp_path / "x.html"
        status = main(["page", str(root / "sample_logs" / "car01_healthy.log"), "-o", str(file)])
        assert status == 0
        assert f"written: {file}" in capsys.readouterr().out.splitlines()
        assert file.read_text("utf-8").startswith("<!DOCTYPE html>")

    @pytest.mark.parametrize(
        ("words", "told"),
        [
            (["-o", "x.png"], "-o x.png: the name of a page ends in .html or .htm"),
            ([], "car01_healthy.html is there already; write '-o car01_healthy.html' to replace it"),
        ],
    )
    def test_refusals(
        self,
        words: list[str],
        told: str,
        tmp_path: Path,
        monkeypatch: pytest.MonkeyPatch,
        capsys: pytest.CaptureFixture[str],
        root: Path,
    ) -> None:
        monkeypatch.chdir(tmp_path)
        (tmp_path / "car01_healthy.html").write_text("mine", "utf-8")
        assert main(["page", str(root / "sample_logs" / "car01_healthy.log"), *words]) == 2
        assert told in capsys.readouterr().err
        assert (tmp_path / "car01_healthy.html").read_text("utf-8") == "mine"

    def test_never_over_the_capture(self, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
        file = tmp_path / "x.html"
        file.write_text("(1.0) can0 123#00\n", "utf-8")
        assert main(["page", str(file), "-o", str(file)]) == 2
        assert "this is the capture; name another file" in capsys.readouterr().err

    def test_standard_input_needs_a_name(self, capsys: pytest.CaptureFixture[str]) -> None:
        assert main(["page", "-"]) == 2
        assert "name the page with -o FILE.html" in capsys.readouterr().err


@pytest.fixture
def root() -> Any:
    from pathlib import Path

    return Path(__file__).parents[3]


class TestSize:
    """A page stays small enough to be sent: below 3 MB for an hour with 20 lanes and 200,000 changes."""

    def test_an_hour(self, tmp_path: Path) -> None:
        from benchmarks.page_panning import crowded

        result = crowded(200_000)
        assert sum(len(line) for line in result.timelines.values()) == 200_000
        assert write_page(result, tmp_path / "x.html").stat().st_size < 3_000_000
