"""A picture as part of a page that allows no style but its own."""

from __future__ import annotations

import re
from xml.etree import ElementTree as ET

import pytest
from support.stage import becomes, perform, sampled, step

from buslens.expectations.model import Sequence
from buslens.report.record.diagram import InlineSvg, diagram, inlined
from buslens.report.style import Tone


def parsed(markup: str) -> ET.Element:
    """Return a picture as elements."""
    return ET.fromstring(markup)  # noqa: S314 - made by the program that is tested


@pytest.fixture(scope="module")
def drawn() -> InlineSvg:
    """Return the picture of a handshake."""
    rule = Sequence(name="r", start=becomes("a", "on"), steps=(step("s", "b", "on", within=50),))
    samples = {role: sampled([(0, "off"), (at, "on")], every=10, until=400) for role, at in (("a", 100), ("b", 200))}
    return diagram(perform(samples, rule), prefix="a", label='a "picture"')


class TestInlined:
    """Looks become classes, tones become variables, identifiers get a prefix."""

    def test_no_style_of_its_own(self, drawn: InlineSvg) -> None:
        assert "style" not in {key for element in parsed(drawn.markup).iter() for key in element.attrib}
        assert "<style" not in drawn.markup
        assert "<metadata" not in drawn.markup

    def test_every_class_has_a_rule(self, drawn: InlineSvg) -> None:
        used = {element.get("class") for element in parsed(drawn.markup).iter()} - {None, "diagram"}
        assert used
        assert {f".{name}" for name in used} == set(re.findall(r"^(\.\w+)\{", drawn.css, re.MULTILINE))

    def test_every_tone_can_be_turned_over(self, drawn: InlineSvg) -> None:
        assert "var(--accent)" in drawn.css
        assert not {tone.value.lower() for tone in Tone} & set(re.findall(r"#\w{6}", drawn.css.lower()))

    def test_label(self, drawn: InlineSvg) -> None:
        root = parsed(drawn.markup)
        assert (root.get("role"), root.get("aria-label")) == ("img", 'a "picture"')

    def test_words_are_words(self, drawn: InlineSvg) -> None:
        words = [element.text for element in parsed(drawn.markup).iter("text")]
        assert any("late" in (word or "") for word in words)

    def test_references(self) -> None:
        svg = (
            b'<svg xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink"><defs>'
            b'<clipPath id="c"/><g id="g"/></defs><use xlink:href="#g" clip-path="url(#c)" '
            b'style="fill: #ffffff; mask: url(#c)"/></svg>'
        )
        made = inlined(svg, prefix="b", label="")
        root = parsed(made.markup)
        use = root.find("use")
        assert use is not None
        assert use.attrib == {"clip-path": "url(#b-c)", "href": "#b-g", "class": "b0"}
        assert [element.get("id") for element in root.iter() if element.get("id")] == ["b", "b-c", "b-g"]
        assert ".b0{fill: var(--paper); mask: url(#b-c)}" in made.css

    def test_two_share_nothing(self, drawn: InlineSvg) -> None:
        other = InlineSvg(drawn.markup.replace('"a', '"b'), "")
        ids = [set(re.findall(r' id="([^"]+)"', it.markup)) for it in (drawn, other)]
        assert ids[0]
        assert not ids[0] & ids[1]
