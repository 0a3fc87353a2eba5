from __future__ import annotations

import subprocess
import sys
import zlib
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any
from xml.etree import ElementTree as ET

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.examples import examples
from support.patience import HANG_S
from support.sketches import SKETCHES, any_result, lock

from buslens import check
from buslens.checks.findings import Outcome
from buslens.checks.sources import RecordedTogether, Recording
from buslens.errors import UsageError
from buslens.report.diagram import lay_out
from buslens.report.figure import SUFFIXES, draw, figure
from buslens.report.finding_layout import places
from buslens.report.formatting import OUTCOME_WORDS
from buslens.report.notes import write_notes
from buslens.report.page.page import page
from buslens.report.paint import house_style
from buslens.report.style import FORMATS, Tone, format_named
from buslens.report.text_metrics import Lettering, legible, wrap
from buslens.report.view import choose

if TYPE_CHECKING:
    from buslens.checks.findings import Result
    from buslens.report.display_list import DisplayList, Label, Stroke
    from buslens.report.view import TimeRange

SKETCHED = pytest.mark.parametrize("sketch", SKETCHES)
WIDTHS = pytest.mark.parametrize("width", FORMATS)


def sheet(result: Result, width: str = "column", *, window: TimeRange = None) -> DisplayList:
    placed = places(result)
    view = choose(result, placed, window=window)
    return lay_out(result, placed, view, format_named(width), Lettering())


def words(drawn: DisplayList) -> str:
    return " ".join(label.text for label in drawn.labels)


def among_the_lanes(drawn: DisplayList, width: str) -> list[Label]:
    """Return the words above the scale of time, where things happen; the notes stand below it."""
    scale = max(s.points[0][1] for s in drawn.strokes if s.weight == pytest.approx(FORMATS[width].thin * 1.4))
    return [label for label in drawn.labels if label.y < scale]


def collisions(drawn: DisplayList) -> list[tuple[str, str]]:
    """Return the pairs of words that lie on one another."""
    boxes = sorted(((label.box, label.text) for label in drawn.labels if label.text), key=lambda pair: pair[0].top)
    found = []
    for index, (box, text) in enumerate(boxes):
        for other, other_text in boxes[index + 1 :]:
            if other.top >= box.bottom:
                break
            if box.overlaps(other):
                found.append((text, other_text))
    return found


def luminance(colour: str) -> float:
    channels = (int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5))
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: Tone, other: Tone) -> float:
    light, dark = sorted((luminance(one.value), luminance(other.value)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


class TestWords:
    """Whatever is wrong is named in the picture."""

    @SKETCHED
    @WIDTHS
    def test_every_fault_has_its_note(self, sketch: str, width: str) -> None:
        result = SKETCHES[sketch]()
        for window in (None, "all"):
            text = words(sheet(result, width, window=window))
            for finding in result.findings:
                if finding.outcome.is_fault:
                    assert finding.step is None or finding.step in text
                    assert finding.rule in text
                    assert OUTCOME_WORDS[finding.outcome] in text
                    assert " ".join(finding.reason.split()) in text

    @pytest.mark.parametrize(
        ("sketch", "at_its_place"),
        [
            ("low supply", "rule broken: supply while enabled"),
            ("late", "too late: 800 to 850 ms, limit 600 ms"),
            ("missing", "did not happen: stayed unlocked"),
            ("ignition", "rule broken: ignition interlock"),
            ("too close", "undecided: 525 to 650 ms, limit 50 to 600 ms"),
            ("out of order", "wrong order: 50 to 100 ms too soon"),
        ],
    )
    @WIDTHS
    def test_a_fault_is_named_at_its_place(self, sketch: str, at_its_place: str, width: str) -> None:
        result = SKETCHES[sketch]()
        drawn = sheet(result, width)
        assert any(label.text.startswith(at_its_place) for label in among_the_lanes(drawn, width))

    @WIDTHS
    def test_delays_and_limits_stand_in_words(self, width: str) -> None:
        drawn = sheet(SKETCHES["healthy"](), width)
        texts = [label.text for label in drawn.labels]
        for delay in ("50 to 125 ms", "125 to 175 ms", "325 to 375 ms"):
            assert delay in texts
        for limit in ("within 400 ms", "50 to 600 ms", "within 300 ms", "within 900 ms"):
            assert any(text.endswith(limit) for text in texts)

    @SKETCHED
    def test_each_number_in_a_ring_has_a_note_and_the_other_way_round(self, sketch: str) -> None:
        drawn = sheet(SKETCHES[sketch](), "screen")
        numbers = [label.text for label in drawn.labels if label.text.isdigit() and _in_a_ring(label, drawn)]
        assert all(numbers.count(number) >= 2 for number in numbers)

    def test_names_what_it_was_made_from(self) -> None:
        text = words(sheet(replace(SKETCHES["late"](), path="garage/car03.log")))
        assert "car03.log" in text
        assert "garage" not in text
        assert "stage.toml" in text
        assert "lock handshake: invented for the tests" in text

    def test_names_what_stood_beside_it(self) -> None:
        """Answers in the log itself are no other file."""
        result = SKETCHES["late"]()
        empty: Any = {"timelines": {}, "presences": {}, "first_ns": 0, "end_ns": 0}
        own = [Recording(path=name, stats=result.stats, **empty) for name in ("car03.log", "answers in car03.log")]
        trace = Recording(path="garage/scope.csv", stats=replace(result.stats, counted="row"), **empty)
        together = RecordedTogether(recordings=(*own, trace), timelines={})
        text = words(sheet(replace(result, path="car03.log", together=together)))
        assert "scope.csv" in text
        assert "garage" not in text
        assert "answers in" not in text

    @SKETCHED
    def test_begins_with_the_verdict(self, sketch: str) -> None:
        result = SKETCHES[sketch]()
        first = sheet(result).labels
        title = min((label for label in first if label.bold), key=lambda label: label.y, default=None)
        assert title is not None
        assert title.text.lower().startswith(result.verdict.value.replace("_", " "))


def _in_a_ring(label: Label, drawn: DisplayList) -> bool:
    return any(abs(ring.x - label.x) < 0.01 and abs(ring.y - label.y) < 0.01 for ring in drawn.rings)


class TestLayout:
    """Words never lie on one another, and nothing leaves the paper."""

    @SKETCHED
    @WIDTHS
    @pytest.mark.parametrize("window", [None, "all", (0.9, 1.3)])
    def test_no_words_touch(self, sketch: str, width: str, window: TimeRange) -> None:
        result = SKETCHES[sketch]()
        if window == (0.9, 1.3) and sketch == "no handshake":
            window = (0.1, 0.3)
        drawn = sheet(result, width, window=window)
        assert collisions(drawn) == []

    @settings(max_examples=examples(30), deadline=None)
    @given(any_result(), st.sampled_from(sorted(FORMATS)), st.sampled_from([None, "all", (0.0, 0.01)]))
    def test_whatever_a_result_holds(self, result: Result, width: str, window: TimeRange) -> None:
        drawn = sheet(result, width, window=window)
        assert collisions(drawn) == []
        for label in drawn.labels:
            assert label.box.left >= -0.01
            assert label.box.right <= drawn.width + 0.01
            assert 0 <= label.box.top < label.box.bottom <= drawn.height
        faults = [finding for finding in result.findings if finding.outcome.is_fault]
        text = words(drawn)
        assert all(OUTCOME_WORDS[finding.outcome] in text for finding in faults)

    @WIDTHS
    def test_words_are_as_wide_as_measured(self, width: str) -> None:
        result = SKETCHES["late"]()
        drawn = sheet(result, width)
        painted = figure(result, width=width)
        points = 72 / painted.dpi
        texts = painted.axes[0].texts
        assert [text.get_text() for text in texts] == [label.text for label in drawn.labels]
        with house_style():
            renderer = painted.canvas.get_renderer()  # type: ignore[attr-defined]
            boxes = [text.get_window_extent(renderer) for text in texts]
        for box, label in zip(boxes, drawn.labels, strict=True):
            assert box.width * points == pytest.approx(label.width, rel=0.04, abs=0.6)
            assert box.x0 * points == pytest.approx(label.left, abs=0.6)
            assert drawn.height - box.y1 * points >= label.box.top - 0.5
            assert drawn.height - box.y0 * points <= label.box.bottom + 0.5

    def test_dimension_lines_are_stacked(self) -> None:
        drawn = sheet(SKETCHES["late"](), "screen")
        both = ("too late: 925", "rule broken: enable")
        lines = [label.y for label in among_the_lanes(drawn, "screen") if label.text.startswith(both)]
        assert len(lines) == len(set(lines)) == 2

    def test_many_handshakes_keep_apart(self) -> None:
        base = lock()
        runs = [replace(base.handshakes[0], number=n, end_ns=base.handshakes[0].end_ns + n) for n in range(1, 400)]
        assert collisions(sheet(replace(base, handshakes=tuple(runs)), window="all")) == []

    def test_the_finding_of_the_headline_is_number_one(self) -> None:
        """Though the supply lies outside its limits, and the steps that follow fail, in the same millisecond."""
        root = Path(__file__).parents[2]
        made = check(root / "sample_logs/car03_load_fuse_blown.log", root / "signal_defs/steering_lock.toml")
        placed = places(made)
        notes, _ = write_notes(made, placed, choose(made, placed))
        assert notes[0].number == 1
        assert notes[0].head.startswith("rule broken: lock supply")
        assert made.summary.startswith("supply voltage was below")

    def test_one_note_for_findings_of_a_kind(self) -> None:
        base = SKETCHES["late"]()
        late = next(f for f in base.findings if f.outcome is Outcome.LATE)
        many = [replace(late, handshake=n, time_ns=(late.time_ns or 0) + n) for n in range(300)]
        drawn = sheet(replace(base, findings=tuple(many)), window="all")
        assert "300 times" in words(drawn)
        assert drawn.height < 600
        assert collisions(drawn) == []


class TestSigns:
    """Doubt, the unknown, the allowed and the wrong each have a sign that needs no colour."""

    def test_unknown_is_a_broken_line_between_the_rails(self) -> None:
        wave = FORMATS["page"].wave

        def dashed(drawn: DisplayList) -> list[Stroke]:
            return [stroke for stroke in drawn.strokes if stroke.dash and stroke.weight == wave]

        drawn = sheet(SKETCHES["silent"](), "page")
        broken = dashed(drawn)
        assert broken
        levels = {s.points[0][1] for s in drawn.strokes if s.weight == wave and not s.dash}
        assert all(stroke.points[0][1] not in levels for stroke in broken)
        assert not dashed(sheet(SKETCHES["healthy"](), "page"))

    def test_doubt_is_hatched_as_wide_as_it_is(self) -> None:
        def hatched(period: float) -> float:
            drawn = sheet(lock(period=period), "screen", window=(1.0, 1.5))
            lines = [s.points for s in drawn.strokes if s.tone is Tone.HATCH and s.points[0][1] != s.points[-1][1]]
            return sum(line[-1][0] - line[0][0] for line in lines)

        assert hatched(100) > 1.3 * hatched(20)

    def test_the_allowed_window_is_as_long_as_the_limit(self) -> None:
        result = SKETCHES["healthy"]()
        placed = places(result)
        view = choose(result, placed)
        drawn = lay_out(result, placed, view, FORMATS["screen"], Lettering())
        axis = next(s for s in drawn.strokes if s.weight == pytest.approx(FORMATS["screen"].thin * 1.4))
        per_ms = (axis.points[1][0] - axis.points[0][0]) / (view.end_ns - view.start_ns) * 1e6
        bands = [fill.points for fill in drawn.fills if fill.tone is Tone.BAND_EDGE]
        spans = {round((points[1][0] - points[0][0]) / per_ms) for points in bands}
        # Each limit, longer by the doubt about the edge that it counts from; "wire feedback" begins at its 50 ms.
        assert {400 + 50, 600 - 50 + 25, 300 + 25, 900 + 25} <= spans

    @SKETCHED
    def test_the_accent_is_for_faults_only(self, sketch: str) -> None:
        result = SKETCHES[sketch]()
        drawn = sheet(result, "screen")
        accent = [s for s in (*drawn.strokes, *drawn.fills, *drawn.rings) if s.tone is Tone.ACCENT]
        assert bool(accent) is any(finding.outcome.is_fault for finding in result.findings)
        assert all(label.tone in {Tone.INK, Tone.QUIET} for label in drawn.labels)

    def test_a_fault_is_told_from_a_doubt_without_colour(self) -> None:
        rings = sheet(SKETCHES["too close"](), "screen").rings + sheet(SKETCHES["late"](), "screen").rings
        faults = {(ring.weight, ring.dash) for ring in rings if ring.tone is Tone.ACCENT}
        doubts = {(ring.weight, ring.dash) for ring in rings if ring.tone is not Tone.ACCENT}
        assert faults
        assert doubts
        assert not faults & doubts

    def test_a_discontinuity_breaks_every_lane(self) -> None:
        result = SKETCHES["seam"]()
        assert "clock jumped back" in words(sheet(result))
        paper = [f for f in sheet(result).fills if f.tone is Tone.PAPER]
        assert len(paper) == len(result.timelines)

    def test_the_limits_of_a_number_lie_on_its_scale(self) -> None:
        texts = [label.text for label in sheet(SKETCHES["low supply"](), "page").labels]
        assert "16 V" in texts
        assert "9.4 V" in texts
        assert "limit of a number" in texts

    def test_only_signs_that_occur_are_explained(self) -> None:
        assert "unknown" in words(sheet(SKETCHES["silent"]()))
        assert "unknown" not in words(sheet(SKETCHES["healthy"](), window=(1.2, 1.5)))

    def test_the_clock_of_another_recording(self) -> None:
        """Each edge of a lane whose clock may be off has a line as long as that to either side, on pages, too."""
        result = SKETCHES["healthy"]()
        plain = sheet(result)
        widths = []
        for off_ns in (60_000_000, 120_000_000, 180_000_000):
            lane = replace(result.timelines["unlock_feedback"], clock_ns=off_ns)
            shifted = replace(result, timelines={**result.timelines, "unlock_feedback": lane})
            drawn = sheet(shifted)
            (begin, end), *_ = (one.points for one in drawn.strokes if one not in plain.strokes)
            widths.append(end[0] - begin[0])
            assert "uncertain by so much" in words(drawn)
            assert 'class="ck"' in page(shifted)
        assert widths[2] - widths[1] == pytest.approx(widths[1] - widths[0])
        assert 0 < widths[0] - (widths[1] - widths[0]) < widths[0] / 2  # what is left are the two frames of the edge
        assert "uncertain by so much" not in words(plain)
        assert 'class="ck"' not in page(result)


class TestInk:
    """Contrast as WCAG 2.2, success criteria 1.4.3 (4.5 for words) and 1.4.11 (3 for graphics), asks for it."""

    def test_the_formula(self) -> None:
        # WCAG 2.2, definition of contrast ratio; the two greys on either side of 4.5 are computed from it.
        assert 1.05 / (luminance("#767676") + 0.05) == pytest.approx(4.5422, abs=1e-4)
        assert 1.05 / (luminance("#777777") + 0.05) == pytest.approx(4.4781, abs=1e-4)

    @pytest.mark.parametrize("ground", [Tone.PAPER, Tone.BAND, Tone.BAND_EDGE])
    @pytest.mark.parametrize("ink", [Tone.INK, Tone.QUIET])
    def test_words_can_be_read(self, ink: Tone, ground: Tone) -> None:
        assert contrast(ink, ground) >= 4.5

    @pytest.mark.parametrize("ground", [Tone.PAPER, Tone.BAND])
    def test_the_accent_can_be_seen(self, ground: Tone) -> None:
        assert contrast(Tone.ACCENT, ground) >= 3

    def test_the_hatching_can_be_seen(self) -> None:
        assert contrast(Tone.HATCH, Tone.PAPER) >= 3

    @SKETCHED
    @WIDTHS
    def test_type_is_large_enough_to_print(self, sketch: str, width: str) -> None:
        assert all(label.size >= 6.0 for label in sheet(SKETCHES[sketch](), width).labels)


class TestChoice:
    """What is drawn unless a person asks for something."""

    def test_the_handshake_of_the_worst_finding(self) -> None:
        result = SKETCHES["late"]()
        view = choose(result, places(result))
        assert view.handshake == result.handshakes[0]
        assert view.start_ns < result.handshakes[0].start.earliest_ns
        assert view.end_ns > 2010 * 10**6

    def test_the_neighbourhood_of_a_finding_in_no_handshake(self) -> None:
        result = lock(ignition_on=3000)
        view = choose(result, places(result))
        assert view.handshake is None
        assert view.start_ns < 3000 * 10**6 < view.end_ns

    def test_the_finding_of_the_headline(self) -> None:
        """An ignition that is on while a feedback says locked stands in the picture, as it does in its title."""
        root = Path(__file__).parents[2]
        result = check(
            root / "sample_logs" / "car08_intermittent_connector.log",
            expectations=root / "signal_defs" / "steering_lock.toml",
        )
        danger = next(it for it in places(result) if it.finding.rule == "ignition interlock" and it.extent)
        assert danger.extent is not None
        view = choose(result, places(result))
        assert view.start_ns < danger.extent[0] < danger.extent[1] < view.end_ns
        assert "rule broken: ignition interlock, at 5.704 s" in words(sheet(result, "page"))

    def test_the_handshake_if_all_is_met(self) -> None:
        result = SKETCHES["healthy"]()
        assert choose(result, places(result)).handshake == result.handshakes[0]

    def test_the_whole_capture_without_one(self) -> None:
        result = SKETCHES["no handshake"]()
        view = choose(result, places(result))
        assert (view.start_ns, view.end_ns) == (result.stats.first_ns, result.stats.last_ns)

    def test_what_the_rule_awaits_is_drawn_in_its_order(self) -> None:
        result = SKETCHES["late"]()
        assert choose(result, places(result)).roles[:4] == (
            "door_open",
            "lock_enable",
            "unlock_feedback",
            "data_feedback",
        )
        assert set(choose(result, places(result)).roles) == set(result.timelines)

    @pytest.mark.parametrize(
        ("asked", "told"),
        [
            ({"window": (2.0, 1.0)}, "the lesser first"),
            ({"window": (float("nan"), 1.0)}, "no stretch of time"),
            ({"window": (9.0, 10.0)}, "it runs from 0 to 4.000 s"),
            ({"handshake": 7}, "numbered from 1 to 1"),
            ({"handshake": 0}, "numbered from 1 to 1"),
            ({"rule": "lock handshak"}, "did you mean 'lock handshake'?"),
            ({"handshake": 1, "window": (0.0, 1.0)}, "give one of the two"),
            ({"width": "colum"}, "did you mean 'column'?"),
        ],
    )
    def test_what_cannot_be_drawn_is_refused(self, asked: dict[str, object], told: str, tmp_path: Path) -> None:
        with pytest.raises(UsageError) as caught:
            draw(SKETCHES["healthy"](), tmp_path / "a.png", **asked)  # type: ignore[arg-type]
        assert told in str(caught.value)
        assert not list(tmp_path.iterdir())

    def test_a_handshake_by_its_number(self) -> None:
        result = SKETCHES["late"]()
        second = replace(result.handshakes[0], number=2)
        result = replace(result, handshakes=(*result.handshakes, second))
        assert choose(result, places(result), handshake=2).handshake == second
        twin = replace(second, rule="unlock handshake")
        with pytest.raises(UsageError, match="lock handshake, unlock handshake"):
            choose(replace(result, handshakes=(*result.handshakes, twin)), places(result), handshake=2)


@pytest.mark.slow
class TestFiles:
    """A picture is a whole file or none, the same bytes for the same result, of the size that was asked for."""

    @pytest.mark.parametrize("suffix", SUFFIXES)
    def test_the_same_result_gives_the_same_bytes(self, suffix: str, tmp_path: Path) -> None:
        result = SKETCHES["late"]()
        one = draw(result, tmp_path / f"one{suffix}", width="column").read_bytes()
        assert one == draw(result, tmp_path / f"two{suffix.upper()}", width="column").read_bytes()

    def test_png(self, tmp_path: Path) -> None:
        data = draw(SKETCHES["late"](), tmp_path / "a.png", width="column").read_bytes()
        assert data.startswith(b"\x89PNG\r\n\x1a\n")
        # 84 mm at 300 dots per inch.
        assert int.from_bytes(data[16:20], "big") == pytest.approx(84 / 25.4 * 300, abs=1)
        wide = draw(SKETCHES["late"](), tmp_path / "b.png", width="screen").read_bytes()
        assert int.from_bytes(wide[16:20], "big") == 1920

    def test_svg_holds_words_as_words(self, tmp_path: Path) -> None:
        result = SKETCHES["late"]()
        root = ET.parse(draw(result, tmp_path / "a.svg", width="page")).getroot()  # noqa: S314 (our own file)
        texts = [node.text or "" for node in root.iter("{http://www.w3.org/2000/svg}text")]
        assert "too late: 800 to 850 ms, limit 600 ms" in texts
        assert any(text.startswith("Faulty") for text in texts)
        assert not [node for node in root.iter() if node.tag.endswith("date")]

    def test_pdf_is_whole_and_undated(self, tmp_path: Path) -> None:
        data = draw(SKETCHES["late"](), tmp_path / "a.pdf", width="page").read_bytes()
        assert data.startswith(b"%PDF-")
        assert data.rstrip().endswith(b"%%EOF")
        assert b"CreationDate" not in data
        # Type is embedded, so that it prints anywhere.
        assert b"/FontFile2" in data

    def test_an_unknown_suffix_is_refused(self, tmp_path: Path) -> None:
        for name in ("a.jpg", "a", "a.sgv", ".png.txt"):
            with pytest.raises(UsageError, match=r"a picture is a \.png, \.svg or \.pdf"):
                draw(SKETCHES["healthy"](), tmp_path / name)

    def test_a_failure_leaves_what_was_there(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        target = tmp_path / "a.png"
        target.write_bytes(b"mine")

        def fail(*_: object, **__: object) -> None:
            raise OSError(28, "No space left on device")

        monkeypatch.setattr("matplotlib.figure.Figure.savefig", fail)
        with pytest.raises(OSError, match="No space"):
            draw(SKETCHES["healthy"](), target)
        assert [p.name for p in tmp_path.iterdir()] == ["a.png"]
        assert target.read_bytes() == b"mine"

    @settings(max_examples=examples(8), deadline=None)
    @given(result=any_result(), suffix=st.sampled_from(sorted(SUFFIXES)))
    def test_whatever_a_result_holds(
        self, result: Result, suffix: str, tmp_path_factory: pytest.TempPathFactory
    ) -> None:
        path = draw(result, tmp_path_factory.mktemp("any") / f"a{suffix}", width="column")
        if suffix == ".svg":
            ET.parse(path)  # noqa: S314 (our own file)
        assert path.stat().st_size > 500


class TestSettings:
    """What a person has set for drawings of their own neither changes a picture nor is changed by it."""

    def test_neither_way(self, tmp_path: Path) -> None:
        import matplotlib as mpl

        result = SKETCHES["late"]()
        plain = zlib.crc32(draw(result, tmp_path / "a.png", width="column").read_bytes())
        mine = {"savefig.bbox": "tight", "font.size": 30, "text.hinting": "force_autohint", "axes.facecolor": "red"}
        with mpl.rc_context(mine):
            before = dict(mpl.rcParams)
            assert zlib.crc32(draw(result, tmp_path / "a.png", width="column").read_bytes()) == plain
            assert dict(mpl.rcParams) == before

    def test_no_window_system_is_touched(self) -> None:
        code = (
            "import sys, buslens.report.figure\n"
            "assert 'matplotlib' not in sys.modules\n"
            "import buslens.report.paint\n"
            "assert 'matplotlib' not in sys.modules\n"
        )
        subprocess.run([sys.executable, "-c", code], check=True, timeout=HANG_S)


class TestHostileWords:
    """Names are shown as text, whatever they hold."""

    def test_nothing_is_taken_for_a_formula(self) -> None:
        result = SKETCHES["late"]()
        hostile = replace(result, summary=r"$\frac{1}{2}$ and $unclosed", path="$x_1$ <b>&.log")
        shown = [text for text in figure(hostile, width="column").axes[0].texts if "$" in text.get_text()]
        assert shown
        assert not any(text.get_parse_math() for text in shown)

    @pytest.mark.parametrize(
        ("text", "shown"),
        [
            ("a\tb\nc", "a b c"),
            ("\x1b[31m", "<U+001B>[31m"),
            ("\u202egol.exe", "<U+202E>gol.exe"),
            ("車", "<U+8ECA>"),
            ("\ud800", "<U+D800>"),
            ("שלום µ é", "שלום µ é"),
            ("", ""),
        ],
    )
    def test_what_cannot_be_set_becomes_its_number(self, text: str, shown: str) -> None:
        assert legible(text) == shown

    @settings(max_examples=examples(40), deadline=None)
    @given(st.text(max_size=60), st.floats(4, 200))
    def test_lines_fit_and_lose_nothing(self, text: str, room: float) -> None:
        ruler = Lettering()
        clean = legible(text)
        lines = wrap(ruler, clean, room, 6.0)
        assert "".join("".join(lines).split()) == "".join(clean.split())
        assert all(ruler.width(line, 6.0) <= room or len(line) == 1 for line in lines)
