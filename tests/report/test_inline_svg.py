"""Pictures as elements: what is drawn can be read back, and carries no style of its own."""

from __future__ import annotations

import re
from importlib.resources import files
from typing import TYPE_CHECKING
from xml.etree import ElementTree as ET

import pytest
from hypothesis import given
from hypothesis import strategies as st

from buslens.report.display_list import Box, DisplayList, Fill, Label, Ring
from buslens.report.formatting import clean
from buslens.report.inline_svg import Drawing, drawn
from buslens.report.style import Tone

if TYPE_CHECKING:
    from buslens.report.record.markup import Markup

places = st.floats(-1e4, 1e4)
points = st.lists(st.tuples(places, places), min_size=2, max_size=12)


def parsed(markup: Markup) -> ET.Element:
    """Return a picture as elements."""
    return ET.fromstring(markup)  # noqa: S314 - made by the program that is tested


def walked(path: str) -> list[tuple[float, float]]:
    """Return the points of a path."""
    found: list[tuple[float, float]] = []
    for command, numbers in re.findall(r"([MLHV])([-\d. ]+)", path):
        values = [float(number) for number in numbers.split()]
        x, y = found[-1] if found else (0.0, 0.0)
        found.append((values[0], y) if command == "H" else (x, values[0]) if command == "V" else (values[0], values[1]))
    return found


class TestLines:
    """A line goes through its points, to a hundredth."""

    @given(points)
    def test_read_back(self, line: list[tuple[float, float]]) -> None:
        drawing = Drawing(10, 10)
        drawing.lines([line], "ink")
        path = parsed(drawing.markup("", kind="plot"))[0].get("d", "")
        for (x, y), (there, down) in zip(line, walked(path), strict=True):
            assert there == pytest.approx(x, abs=0.00501)
            assert down == pytest.approx(y, abs=0.00501)

    def test_no_line_is_no_element(self) -> None:
        drawing = Drawing(10, 10)
        drawing.lines([], "ink")
        drawing.areas([], "f-ink")
        drawing.box(5, 5, 5, 9, "f-ink")
        assert len(parsed(drawing.markup("", kind="plot"))) == 0


class TestWords:
    """Words are words, whatever is in them."""

    @given(st.text())
    def test_any(self, words: str) -> None:
        drawing = Drawing(10, 10)
        drawing.words(1, 2, words)
        root = parsed(drawing.markup(words, kind="plot"))
        assert [element.tag for element in root.iter()] == ["svg", "text"]
        # XML reads a carriage return of its own as another white space; `clean` leaves none.
        assert (root[0].text or "").strip() == clean(words)
        assert root.get("aria-label") == clean(words)


class TestSheet:
    """A sheet of the report's comes out whole, in classes that the style sheet has."""

    @pytest.fixture
    def root(self) -> ET.Element:
        sheet = DisplayList(width=100, height=50)
        for tone in Tone:
            sheet.line([(0, 0), (1, 1)], 0.5, tone, (1.0, 2.0))
            sheet.fills.append(Fill(points=((0, 0), (1, 0), (1, 1)), tone=tone, level=1))
            sheet.labels.append(Label(x=1, y=2, text=f"word {tone.name}", size=7, width=9, tone=tone, bold=True))
        sheet.box(Box(0, 0, 9, 9), Tone.BAND)
        sheet.rings.append(Ring(x=5, y=5, half_width=2, half_height=1, weight=1, tone=Tone.ACCENT))
        return parsed(drawn(sheet).markup("a sheet", kind="moment"))

    def test_all_of_it(self, root: ET.Element) -> None:
        words = [element.text for element in root.iter("text")]
        assert words == [f"word {tone.name}" for tone in Tone]
        assert len(root.findall("ellipse")) == 1
        assert len(root.findall("path")) == 2 * len(Tone) + 1
        assert root.get("viewBox") == "0 0 100 50"

    def test_what_covers_what(self, root: ET.Element) -> None:
        kinds = [element.get("class") for element in root]
        assert kinds[0] == "f-band"
        assert kinds.index("ink") < kinds.index("f-ink") < kinds.index("ring accent") < kinds.index("bold")

    def test_no_style_of_its_own(self, root: ET.Element) -> None:
        keys = {key for element in root.iter() for key in element.attrib}
        assert not keys & {"style", "fill", "stroke"}

    def test_every_class_has_a_rule(self, root: ET.Element) -> None:
        css = files("buslens.report.record").joinpath("record.css").read_text("utf-8")
        unused = {Tone.PAPER, Tone.BAND, Tone.BAND_EDGE, Tone.HAIR, Tone.HATCH, Tone.ACCENT}
        looks = {look for element in root.iter() for look in (element.get("class") or "").split()}
        # The report draws lines and words in ink, quiet and accent, and words never in the accent.
        looks -= {f"t-{tone.name.lower().replace('_', '-')}" for tone in unused}
        looks -= {"paper", "band", "band-edge", "f-hair", "moment"}
        assert {look for look in looks if f".{look}" not in css} == set()
